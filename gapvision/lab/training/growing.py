"""Teach on folders that are still being rendered: for a machine lent for a short while.

``python -m gapvision.lab.training.growing --data FOLDER [FOLDER ...] --start MODEL --out FILE.pt --minutes 25``

Beside it ``gapvision.lab.training.dataset`` fills the folders.  All bands stay in the device's memory, each folder is
drawn from equally often, the rate follows the clock, and the running mean of the weights is stored every minute, so
that little is lost when the machine goes.  Scenes held out are never taught.  It does not rebuild bit for bit.
"""

from __future__ import annotations

import argparse
import copy
import sys
import time
from pathlib import Path
from typing import Any

import numpy as np
import torch

from gapvision.lab.training.model import EdgeNet
from gapvision.lab.training.splits import split_of
from gapvision.lab.training.train import Bands, batch_of, begin_with, mean_loss, one_step

_LEAST_BANDS = 1000
_AGE_S = 1.0  # a younger shard may not be written to its end
_LOAD_EVERY, _LOAD_S = 100, 1.5
_STORE_EVERY_S = 60.0
_CHECKED_BANDS = 600
_MEAN_KEEP = 0.999


class GrowingFolder:
    """Taught bands of one folder, on the device, and some that are held out.

    Parameters
    ----------
    folder : Path
        Where shards appear.
    most : int
        Bands that there is room for; later ones are left out.
    device : str
    """

    def __init__(self, folder: Path, most: int, device: str) -> None:
        self.folder, self.most, self.device = folder, most, device
        self.count = 0
        self.held: list[Bands] = []
        self._seen: set[Path] = set()
        self._bands: Bands | None = None

    def load(self, seconds: float) -> None:
        """Take in new shards, for about so many seconds."""
        started = time.time()
        for path in sorted(self.folder.glob("shard*.npz")):
            if path in self._seen or time.time() - path.stat().st_mtime < _AGE_S:
                continue
            if time.time() - started > seconds:
                return
            self._seen.add(path)
            with np.load(path, allow_pickle=False) as shard:
                parts = [np.asarray(shard[k]) for k in Bands._fields]
                split = split_of(shard["seed"])
            self._take([p[split == 0] for p in parts])
            if len(self.held) < _CHECKED_BANDS and (split == 1).any():
                one = np.flatnonzero(split == 1)[:1]
                self.held.append(Bands(*(torch.from_numpy(p[one]) for p in parts)))

    def _take(self, parts: list[Any]) -> None:
        n = min(len(parts[0]), self.most - self.count)
        if n <= 0:
            return
        if self._bands is None:
            # Light is stored in half precision: most of what there must be room for.
            self._bands = Bands(
                *(
                    torch.empty(self.most, *p.shape[1:], dtype=torch.from_numpy(p).dtype, device=self.device)
                    for p in parts
                )
            )
        for store, part in zip(self._bands, parts, strict=True):
            store[self.count : self.count + n] = torch.from_numpy(part[:n]).to(self.device)
        self.count += n

    def draw(self, rng: np.random.Generator, n: int) -> Bands:
        """Some bands by lot."""
        if self._bands is None:
            raise ValueError(f"no band in {self.folder} yet")
        pick = torch.from_numpy(rng.integers(0, self.count, n)).to(self.device)
        return Bands(*(store[pick].float() for store in self._bands))


def teach_growing(
    folders: list[GrowingFolder], start: Path, out: Path, minutes: float, rates: tuple[float, float], batch: int
) -> None:
    """Teach until the time is over; ``rates`` are the first and the last learning rate, joined by half a cosine."""
    device = folders[0].device
    torch.manual_seed(int(time.time()))
    rng = np.random.default_rng(int(time.time()))
    net = begin_with(start).to(device)
    mean = copy.deepcopy(net)
    best = torch.optim.AdamW(net.parameters(), lr=rates[0], weight_decay=0.01)
    floats = [[v for v in model.state_dict().values() if v.dtype.is_floating_point] for model in (mean, net)]
    began = stored = time.time()
    while min(f.count for f in folders) < _LEAST_BANDS and time.time() - began < 60 * minutes:
        for folder in folders:
            folder.load(5.0)
        time.sleep(1.0)
    if min(f.count for f in folders) < _LEAST_BANDS:
        sys.exit(f"Fewer than {_LEAST_BANDS} bands in one of the folders when the time was over: nothing was taught.")
    step, share = 0, (time.time() - began) / 60 / minutes
    while share < 1:
        for group in best.param_groups:
            group["lr"] = (rates[1] + (rates[0] - rates[1]) * (0.5 + 0.5 * np.cos(np.pi * share))) * min(1, step / 200)
        drawn = [f.draw(rng, batch // len(folders)) for f in folders]
        loss = one_step(net, best, batch_of(_joined(drawn), rng), device, narrow=True)
        with torch.no_grad():
            torch._foreach_lerp_(floats[0], floats[1], 1 - min(_MEAN_KEEP, step / (step + 20)))
        step += 1
        share = (time.time() - began) / 60 / minutes
        if step % _LOAD_EVERY == 0:
            for folder in folders:
                folder.load(_LOAD_S)
        if time.time() - stored > _STORE_EVERY_S or share >= 1:
            stored = time.time()
            torch.save({k: v.cpu() for k, v in mean.state_dict().items()}, out.with_suffix(".part"))
            out.with_suffix(".part").replace(out)
            sys.stderr.write(
                f"{stored - began:.0f} s: step {step}, loss {loss.item():.3f}, "
                f"held out {_held_loss(mean, folders):.4f}, bands {[f.count for f in folders]}\n"
            )
            sys.stderr.flush()


def _joined(some: list[Bands]) -> Bands:
    return Bands(*(torch.cat(parts) for parts in zip(*some, strict=True)))


def _held_loss(net: EdgeNet, folders: list[GrowingFolder]) -> float:
    held = [band for f in folders for band in f.held]
    device = folders[0].device
    parts = (_joined(held[i : i + 50]) for i in range(0, len(held), 50))
    return mean_loss(net, (batch_of(part.to(device), None) for part in parts))


def main() -> None:
    """Parse and teach."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--data", type=Path, nargs="+", required=True)
    parser.add_argument("--start", type=Path, required=True, help="stored model (.onnx or .pt) to teach further")
    parser.add_argument(
        "--out", type=Path, required=True, help="weights (.pt), for --start or gapvision.lab.training.train"
    )
    parser.add_argument("--minutes", type=float, default=25.0)
    parser.add_argument("--rate", type=float, nargs=2, default=(6e-4, 0.0), metavar=("FIRST", "LAST"))
    parser.add_argument("--batch", type=int, default=96)
    parser.add_argument("--most", type=int, default=90000, help="bands of a folder that there is memory for")
    a = parser.parse_args()
    device = "cuda" if torch.cuda.is_available() else "cpu"
    folders = [GrowingFolder(folder, a.most, device) for folder in a.data]
    teach_growing(folders, a.start, a.out, a.minutes, (a.rate[0], a.rate[1]), a.batch)


if __name__ == "__main__":
    main()
