"""Teach the net on rendered shards, calibrate it on scenes held out, and store it.

``python -m gapvision.lab.training.train --data FOLDER [FOLDER ...] --out FOLDER``;
each folder is drawn from equally often.
"""

from __future__ import annotations

import argparse
import copy
import json
import sys
import time
from collections.abc import Iterable
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import torch
from numpy.typing import NDArray

from gapvision.lab.training.model import EdgeNet, depth_loss_of, depth_shares, depth_where, export, loss_of, take_over
from gapvision.lab.training.splits import split_of
from gapvision.vision.learned import CHANNELS, COLOUR, DARKNESS, N_COLOUR, N_T, PADDED_T, ROW_MM, SIGHT_SCALE, summary

_LOG_FLOOR = 0.004
_CROP = 48
_CHECK_EVERY, _CHECKED_BANDS = 500, 400
# How bands are varied when teaching: rows a station, shares, and noise of the root of light.
_SLANT, _STRETCH, _TONE, _NOISE_ROOT = 0.06, 0.08, 0.08, (0.001, 0.012)
_SIGHT_DEG = 1.0  # how far a pose may be off
_SATURATION, _GREY_SHARE = 0.15, 0.06  # cameras differ in how strong their colours are; some photos have none
_DEPTH_SHARE = 0.1  # of the loss: where the edge lies matters most


def load(folders: list[Path], scenes: int | None = None, held_out_only: bool = False) -> dict[str, Any]:
    """Load shards; ``scenes`` limits the number of taught scenes (held-out scenes are always whole)."""
    parts: dict[str, list[Any]] = {}
    for number, folder in enumerate(folders):
        for path in sorted(folder.glob("shard*.npz")):
            with np.load(path, allow_pickle=False) as shard:
                keep = split_of(shard["seed"]) > 0 if held_out_only else np.ones(len(shard["seed"]), bool)
                for key in shard.files:
                    parts.setdefault(key, []).append(shard[key][keep])
                parts.setdefault("folder", []).append(np.full(int(keep.sum()), number))
    data = {k: np.concatenate(v) for k, v in parts.items()}
    if scenes is not None:
        taught = np.unique(data["seed"][split_of(data["seed"]) == 0])[:scenes]
        keep = (split_of(data["seed"]) > 0) | np.isin(data["seed"], taught)
        data = {k: v[keep] for k, v in data.items()}
    return data


class Bands(NamedTuple):
    """Some bands with their truth, as `gapvision.lab.training.dataset` stores them.

    Attributes
    ----------
    band : Tensor, shape (n, 401, n_s)
        Root of linear light.
    truth : Tensor, shape (n, 2, n_s)
        Outlines [mm].
    px_per_mm : Tensor, shape (n,)
    sight : Tensor, shape (n, 2)
        Line of sight across and along [deg].
    depth : Tensor, shape (n, 2)
        Of the edges below their panels' faces [mm].
    chroma : Tensor, shape (n, 2, 201, n_s)
        Logarithms of red over green and blue over green.
    """

    band: torch.Tensor
    truth: torch.Tensor
    px_per_mm: torch.Tensor
    sight: torch.Tensor
    depth: torch.Tensor
    chroma: torch.Tensor

    def to(self, device: torch.device | str) -> Bands:
        """The same on a device, in single precision."""
        return Bands(*(part.to(device).float() for part in self))


class Batch(NamedTuple):
    """What the net is given and what it should have answered.

    Attributes
    ----------
    x : Tensor, shape (n, 12, 416, n_s)
        Features.
    row, valid : Tensor, shape (n, 2, n_s)
        True rows, and 1 where they can be seen.
    depth_mm : Tensor, shape (n, 2)
    """

    x: torch.Tensor
    row: torch.Tensor
    valid: torch.Tensor
    depth_mm: torch.Tensor


def make_batch(data: dict[str, Any], picks: NDArray[np.int64], rng: np.random.Generator | None, device: str) -> Batch:
    """Features and truth of some bands; with a generator, varied at random."""
    return batch_of(Bands(*(torch.from_numpy(np.asarray(data[k][picks])) for k in Bands._fields)).to(device), rng)


def batch_of(bands: Bands, rng: np.random.Generator | None) -> Batch:
    """As `make_batch`."""
    root, truth, ppm, sight, depth, chroma = bands if rng is None else _vary(bands, rng)
    row = truth / ROW_MM + N_T // 2
    device = root.device
    seen = torch.isfinite(root)
    light = torch.where(seen, root, 0.0) ** 2
    log = torch.log(light + _LOG_FLOOR)
    middle = torch.nanmedian(torch.where(seen, log, torch.nan).flatten(1), 1).values[:, None, None]
    x = torch.zeros(len(root), CHANNELS, PADDED_T, root.shape[2], device=device)
    x[:, 0, :N_T] = torch.where(seen, 0.4 * (log + 2), 0)
    x[:, 1, :N_T] = torch.where(seen, 0.5 * (log - middle), 0)
    x[:, 2, :N_T] = 2 * light
    x[:, 3, :N_T] = seen.float()
    x[:, 4, :N_T] = ((torch.arange(N_T, device=device) - N_T // 2) * ROW_MM / 10)[None, :, None]
    x[:, 5, :N_T] = torch.log(ppm / 8.5)[:, None, None]
    x[:, 6, :N_T] = torch.where(seen, 0.4 * (torch.log(light + DARKNESS.low_floor) + 4), 0)
    x[:, 7, :N_T] = torch.where(
        seen, torch.tanh(DARKNESS.gain * (light.sqrt() - _darkness(torch.where(seen, light.sqrt(), 2.0)))), 0
    )
    x[:, 8:10, :N_T] = (torch.tan(torch.deg2rad(sight)) / SIGHT_SCALE)[:, :, None, None]
    x[:, 10:12, :N_T] = torch.where(seen[:, None], _foreign_colour(chroma), 0)
    whole = row.clamp(0, N_T - 1).round().long()
    visible = torch.gather(seen, 1, whole)
    valid = (row > 3) & (row < N_T - 4) & visible
    return Batch(x, row, valid.float(), depth)


def _vary(bands: Bands, rng: np.random.Generator) -> Bands:
    """Cut, shift, stretch, slant, turn and re-expose bands at random: far more bands than were rendered."""
    root, truth, ppm, sight, depth, chroma = bands
    row = truth / ROW_MM + N_T // 2
    n, device = len(root), root.device

    def drawn(values: NDArray[np.floating]) -> torch.Tensor:
        return torch.from_numpy(np.asarray(values, np.float32)).to(device)

    start = int(rng.integers(0, root.shape[2] - _CROP + 1))
    root, row = root[:, :, start : start + _CROP], row[:, :, start : start + _CROP]
    chroma = chroma[..., start : start + _CROP]
    # Where each row of the new band was in the old one: a shift, a slant along the seam and a stretch across it.
    along = torch.arange(_CROP, device=device, dtype=torch.float32) - _CROP / 2
    shift = drawn(rng.uniform(-16, 16, n))[:, None] + drawn(rng.normal(0, _SLANT, n))[:, None] * along[None]
    stretch = drawn(np.exp(rng.normal(0, _STRETCH, n)))[:, None]
    middle = N_T // 2
    index = torch.arange(N_T, device=device, dtype=torch.float32)[None, :, None]
    place = (index - middle - shift[:, None]) / stretch[:, None] + middle
    inside = (place >= 0) & (place <= N_T - 1)
    low = place.clamp(0, N_T - 1.001).floor()
    share = (place - low).clamp(0, 1)
    low_row = low.long()
    root = (1 - share) * torch.gather(root, 1, low_row) + share * torch.gather(root, 1, low_row + 1)
    root = torch.where(inside, root, torch.nan)
    # The colour's rows are every other one of the band's.
    half = (place[:, ::2] / 2).clamp(0, N_COLOUR - 1.001)
    low_row = half.floor().long()[:, None].expand(-1, 2, -1, -1)
    share = (half - half.floor())[:, None]
    chroma = (1 - share) * torch.gather(chroma, 2, low_row) + share * torch.gather(chroma, 2, low_row + 1)
    strength = np.exp(rng.normal(0, _SATURATION, n)) * (rng.random(n) >= _GREY_SHARE)
    chroma = chroma * drawn(strength)[:, None, None, None]
    depth = depth * stretch
    row = (row - middle) * stretch[:, None] + middle + shift[:, None]
    ppm = ppm / stretch[:, 0] * drawn(np.exp(rng.normal(0, 0.03, n)))
    turned = torch.from_numpy(rng.random(n) < 0.5).to(device)
    root = torch.where(turned[:, None, None], root.flip(1), root)
    row = torch.where(turned[:, None, None], (N_T - 1 - row).flip(1), row)
    depth = torch.where(turned[:, None], depth.flip(1), depth)
    chroma = torch.where(turned[:, None, None, None], chroma.flip(2), chroma)
    sight = sight + drawn(rng.normal(0, _SIGHT_DEG, (n, 2)))
    across = torch.where(turned, -sight[:, 0], sight[:, 0])
    along = sight[:, 1]
    if rng.random() < 0.5:
        root, row, along, chroma = root.flip(2), row.flip(2), -along, chroma.flip(3)
    sight = torch.stack([across, along], 1)
    gain = drawn(np.exp(rng.normal(0, 0.12, n)))[:, None, None]
    tone = drawn(np.exp(rng.normal(0, _TONE, n)))[:, None, None]
    changed = root.clamp_min(0) ** tone * gain
    level = drawn(
        np.where(rng.random(n) < 0.5, np.exp(rng.uniform(np.log(_NOISE_ROOT[0]), np.log(_NOISE_ROOT[1]), n)), 0)
    )[:, None, None]
    changed = (changed + level * torch.randn(root.shape, device=device)).clamp(0, 1)
    truth = (row - N_T // 2) * ROW_MM
    return Bands(torch.where(root < 0.98, changed, root), truth, ppm, sight, depth, chroma)


def _darkness(root: torch.Tensor) -> torch.Tensor:
    """As the detector's own: level of the gap's dark, of each column."""
    near = root[:, N_T // 2 - DARKNESS.half_rows : N_T // 2 + DARKNESS.half_rows + 1]
    dark = near.kthvalue(DARKNESS.rank + 1, dim=1, keepdim=True).values
    side = DARKNESS.smooth // 2
    padded = torch.nn.functional.pad(dark, (side, side), mode="replicate")
    return torch.nn.functional.avg_pool1d(padded, DARKNESS.smooth, 1)


def _foreign_colour(chroma: torch.Tensor) -> torch.Tensor:
    """As the detector's own: how far a place's colour is from each panel's, (n, 2, 401, n_s) of (n, 2, 201, n_s)."""
    how = COLOUR
    rows, columns, own_columns = how.smooth_rows // 2, how.smooth // 2, how.smooth_own // 2
    smooth = torch.nn.functional.pad(chroma, (columns, columns, rows, rows), mode="replicate")
    smooth = torch.nn.functional.avg_pool2d(smooth, (how.smooth_rows, how.smooth), 1)
    out = []
    for far in (smooth[:, :, : how.far_rows], smooth[:, :, -how.far_rows :]):
        middle = far.sort(2).values[:, :, how.far_rows // 2 - 1 : how.far_rows // 2 + 1].mean(2)
        own = torch.nn.functional.pad(middle, (own_columns, own_columns), mode="replicate")
        own = torch.nn.functional.avg_pool1d(own, how.smooth_own, 1)
        away = torch.tanh(how.gain * (smooth - own[:, :, None]).square().sum(1).sqrt())
        whole = torch.empty(len(away), N_T, away.shape[2], device=away.device)
        whole[:, ::2] = away
        whole[:, 1::2] = 0.5 * (away[:, 1:] + away[:, :-1])
        out.append(whole)
    return torch.stack(out, 1)


def teach(
    data: dict[str, Any],
    steps: int,
    batch: int,
    rate: float,
    seed: int,
    device: str,
    minutes: float,
    start: Path | None = None,
    narrow: bool = False,
) -> EdgeNet:
    """Teach a net; returns the running mean of its weights, as it was when it did best on the scenes held out.

    With ``narrow`` a processor, too, multiplies in bfloat16: 2.2 times as fast where it has instructions for that.
    """
    torch.manual_seed(seed)
    rng = np.random.default_rng(seed)
    taught = np.flatnonzero(split_of(data["seed"]) == 0)
    share_of = 1 / np.bincount(data["folder"][taught])[data["folder"][taught]]
    share_of /= share_of.sum()
    net = (EdgeNet() if start is None else begin_with(start)).to(device)
    mean = copy.deepcopy(net)
    best = torch.optim.AdamW(net.parameters(), lr=rate, weight_decay=0.01)
    started = time.time()
    share, step, total = 0.0, 0, 0.0
    held = np.flatnonzero(split_of(data["seed"]) == 1)
    held = held[:: max(1, len(held) // _CHECKED_BANDS)]
    kept, kept_loss = mean.state_dict(), np.inf
    while share < 1:
        for group in best.param_groups:
            group["lr"] = rate * min(1.0, (step + 1) / 100) * (0.5 + 0.5 * np.cos(np.pi * share)) + 1e-6
        taken = make_batch(data, rng.choice(taught, batch, p=share_of), rng, device)
        loss = one_step(net, best, taken, device, narrow or device == "cuda")
        keep = min(0.998, step / (step + 20))
        with torch.no_grad():
            for a, b in zip(mean.state_dict().values(), net.state_dict().values(), strict=True):
                if a.dtype.is_floating_point:
                    a.lerp_(b, 1 - keep)
                else:
                    a.copy_(b)
        total = loss.item() if step == 0 else 0.99 * total + 0.01 * loss.item()
        step += 1
        share = max(step / steps, (time.time() - started) / 60 / minutes)
        if len(held) and (step % _CHECK_EVERY == 0 or share >= 1):
            # More teaching on the same scenes ends in learning them by heart.
            now = held_loss(mean, data, held, device)
            if now < kept_loss:
                kept, kept_loss = copy.deepcopy(mean.state_dict()), now
        if step % 200 == 0:
            sys.stderr.write(f"step {step} loss {total:.3f} {time.time() - started:.0f} s\n")
            sys.stderr.flush()
    sys.stderr.write(f"taught {step} steps of {batch} bands from {len(np.unique(data['seed'][taught]))} scenes\n")
    if len(held):
        mean.load_state_dict(kept)
        sys.stderr.write(f"kept: loss {kept_loss:.3f} on {len(held)} bands held out\n")
    return mean.eval()


def one_step(
    net: EdgeNet,
    best: torch.optim.Optimizer,
    batch: Batch,
    device: str,
    narrow: bool,
) -> torch.Tensor:
    """Change the weights by one batch; returns the loss of the edges' places."""
    with torch.autocast(device, torch.bfloat16, enabled=narrow):
        logits, depth = net(batch.x)
    loss = loss_of(logits, batch.row, batch.valid)
    best.zero_grad()
    (loss + _DEPTH_SHARE * depth_loss_of(logits, depth, batch.depth_mm, batch.valid)).backward()
    torch.nn.utils.clip_grad_norm_(net.parameters(), 2.0)
    best.step()
    return loss


def begin_with(stored: Path) -> EdgeNet:
    """Read a stored net (.onnx or .pt) to teach it further; its normalisation is settled and stays as it is."""
    net = EdgeNet()
    if stored.suffix == ".onnx":
        take_over(net, str(stored))
    else:
        net.load_state_dict(torch.load(stored, map_location="cpu", weights_only=True))
    for part in net.modules():
        if isinstance(part, torch.nn.BatchNorm2d):
            part.eval()
    return net


def held_loss(net: EdgeNet, data: dict[str, Any], picks: NDArray[np.int64], device: str) -> float:
    """Mean loss on bands as they are."""
    parts = np.array_split(picks, max(1, len(picks) // 32))
    return mean_loss(net, (make_batch(data, some, None, device) for some in parts))


def mean_loss(net: EdgeNet, batches: Iterable[Batch]) -> float:
    """Mean loss of the edges' places; every band counts alike."""
    was = net.training
    net.eval()
    total, count = 0.0, 0
    with torch.no_grad():
        for some in batches:
            total += float(loss_of(net(some.x)[0].float(), some.row, some.valid)) * len(some.x)
            count += len(some.x)
    net.train(was)
    return total / max(count, 1)


def answer(
    net: EdgeNet, data: dict[str, Any], picks: NDArray[np.int64], device: str
) -> tuple[NDArray[np.float32], NDArray[np.float32], NDArray[np.bool_]]:
    """Logits (n, 2, 401, n_s) averaged over a band and its mirror, true rows and validity."""
    out, rows, oks = [], [], []
    with torch.no_grad():
        for some in np.array_split(picks, max(1, len(picks) // 32)):
            taken = make_batch(data, some, None, device)
            turned = taken.x.clone()
            turned[:, :, :N_T] = taken.x[:, :, :N_T].flip(2)
            turned[:, 4] = taken.x[:, 4]
            turned[:, 8] = -taken.x[:, 8]
            turned[:, 10:12] = turned[:, 10:12].flip(1)
            a = net(taken.x)[0].float()[:, :, :N_T]
            b = net(turned)[0].float()[:, :, :N_T].flip(1).flip(2)
            out.append((0.5 * (a + b)).cpu().numpy())
            rows.append(taken.row.cpu().numpy())
            oks.append(taken.valid.cpu().numpy() > 0)
    return np.concatenate(out), np.concatenate(rows), np.concatenate(oks)


def calibrate(logits: NDArray[np.float32], rows: NDArray[np.float32], valid: NDArray[np.bool_]) -> dict[str, float]:
    """Temperature and share of doubt that make the held-out truth most likely."""
    place = np.round(np.clip(rows, 0, N_T - 1)).astype(int)
    best: tuple[float, float, float] = (np.inf, 1.0, 0.001)
    for temperature in np.arange(0.7, 2.6, 0.1):
        z = logits / temperature
        z = z - z.max(2, keepdims=True)
        p = np.exp(z)
        p /= p.sum(2, keepdims=True)
        # Chance of three rows round the truth: the truth itself lies between rows.
        near = sum(np.take_along_axis(p, np.clip(place + d, 0, N_T - 1)[:, :, None], 2)[:, :, 0] for d in (-1, 0, 1))
        for unsure in (0.0005, 0.001, 0.002, 0.004, 0.008, 0.016, 0.03):
            loss = -np.log((1 - unsure) * near + unsure * 3 / N_T)[valid].mean()
            if loss < best[0]:
                best = (float(loss), float(temperature), float(unsure))
    return {"temperature": round(best[1], 3), "unsure": best[2], "held_out_loss": round(best[0], 4)}


def calibrate_depth(net: EdgeNet, data: dict[str, Any], picks: NDArray[np.int64], device: str) -> float:
    """Temperature that makes the held-out depths most likely, one reading for each edge of a band."""
    logits, depths = [], []
    with torch.no_grad():
        for some in np.array_split(picks, max(1, len(picks) // 32)):
            taken = make_batch(data, some, None, device)
            logits.append(depth_where(*net(taken.x)).mean(3))
            depths.append(taken.depth_mm)
    mean, share = torch.cat(logits), depth_shares(torch.cat(depths))
    tried = [0.5 + 0.1 * k for k in range(16)]
    losses = [float(-(share * torch.log_softmax(mean / t, 2)).sum(2).mean()) for t in tried]
    return round(tried[int(np.argmin(losses))], 2)


def strange_facts(data: dict[str, Any]) -> dict[str, Any]:
    """Mean, inverse covariance and border of the band summaries."""
    rng = np.random.default_rng(1)
    taught = np.flatnonzero(split_of(data["seed"]) == 0)
    held = np.flatnonzero(split_of(data["seed"]) == 1)

    def figures(picks: NDArray[np.int64]) -> NDArray[np.float64]:
        return np.array([summary(data["band"][i].astype(np.float32) ** 2, float(data["px_per_mm"][i])) for i in picks])

    a = figures(rng.choice(taught, min(1500, len(taught)), replace=False))
    b = figures(held)
    inverse = np.linalg.inv(np.cov(a.T) + 1e-3 * np.eye(a.shape[1]))
    d = b - a.mean(0)
    border = float(np.quantile(np.sqrt(np.einsum("ij,jk,ik->i", d, inverse, d)), 0.99))
    return {"mean": a.mean(0).round(6).tolist(), "inverse": inverse.round(6).tolist(), "border": round(border, 4)}


def main() -> None:
    """Parse, teach, calibrate and store."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--version", default="1")
    parser.add_argument("--steps", type=int, default=6000)
    parser.add_argument("--batch", type=int, default=32)
    parser.add_argument("--rate", type=float, default=3e-3)
    parser.add_argument(
        "--minutes", type=float, default=100.0, help="longest time; a run cut short by it does not rebuild bit for bit"
    )
    parser.add_argument("--scenes", type=int, default=None, help="taught scenes, for a learning curve")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--start", type=Path, default=None, help="stored model (.onnx or .pt) to teach further")
    parser.add_argument("--narrow", action="store_true", help="bfloat16 on a processor that has instructions for it")
    a = parser.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    data = load(a.data, a.scenes)
    net = teach(data, a.steps, a.batch, a.rate, a.seed, device, a.minutes, a.start, a.narrow)
    a.out.mkdir(parents=True, exist_ok=True)
    logits, rows, valid = answer(net, data, np.flatnonzero(split_of(data["seed"]) == 1), device)
    facts: dict[str, Any] = {
        "version": a.version,
        "taught_scenes": len(np.unique(data["seed"][split_of(data["seed"]) == 0])),
        **calibrate(logits, rows, valid),
    }
    # Longer edges are surer, but these bands all have one length.
    deep = calibrate_depth(net, data, np.flatnonzero(split_of(data["seed"]) == 1), device)
    facts["depth_temperature"] = {"mm": [data["band"].shape[2]], "temperature": [deep]}
    facts["strangeness"] = strange_facts(data)
    torch.save(net.state_dict(), a.out / "weights.pt")
    export(net, str(a.out / "edges.onnx"))
    (a.out / "edges.json").write_text(json.dumps(facts) + "\n", encoding="utf-8")
    sys.stderr.write(json.dumps({k: v for k, v in facts.items() if k != "strangeness"}) + "\n")


if __name__ == "__main__":
    main()
