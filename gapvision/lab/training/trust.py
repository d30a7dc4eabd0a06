"""Teach how far off a chosen edge may be, on scenes that the detector was not taught on.

``python -m gapvision.lab.training.trust --data FOLDER --out FILE``

The folder holds seams as long as those measured (``dataset --half-length 104``): along a short one, a place that only
now and then looks like the edge's rival is not seen for what it is.
"""

from __future__ import annotations

import argparse
import sys
from concurrent.futures import ProcessPoolExecutor
from itertools import pairwise
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.training.bands import as_band
from gapvision.lab.training.splits import split_of
from gapvision.vision.band import Band
from gapvision.vision.edges import choose_edges
from gapvision.vision.plain_net import Net, run_net
from gapvision.vision.rises import BY_RULES
from gapvision.vision.trust import FIGURES

FloatArray = NDArray[np.float64]
Samples = dict[str, NDArray[Any]]

LEVEL = 0.93
_HIDDEN = 32
_STEPS, _BATCH, _RATE, _DECAY, _NOISE = 2500, 8192, 4e-3, 0.02, 0.2
_BETA = (0.9, 0.999)
_SMALL_MM = 0.005
_INSIDE_MM = 9.7
_PIECES = (52, 104)
_EVERY, _EVERY_OF_LONG = 7, 13  # stations side by side say the same; a long stretch has enough of them
_SEEN = 0.7


def pieces(band: NDArray[np.floating], rng: np.random.Generator) -> list[slice]:
    """The stretch of a band (401, n_s) that lies in the photo and, where it is long, a piece of it by lot."""
    seen = np.flatnonzero(np.isfinite(band).mean(0) > _SEEN)
    if not len(seen):
        return []
    first, end = int(seen[0]), int(seen[-1]) + 1
    out = [slice(first, end)]
    length = int(rng.choice(_PIECES))
    if end - first > length:
        start = int(rng.integers(first, end - length + 1))
        out.append(slice(start, start + length))
    return out


def shard_samples(path: str) -> Samples:
    """Figures, errors and trust of a shard's edge stations, each 7 or 13 mm from the next.

    Lit silhouettes of cut edges are left out.

    Over a lit gap the lower rim of a cut edge shows, and the truth here is the upper one.  The other silhouettes are
    judged but not taught: their uncertainty has rules of its own.

    Returns
    -------
    dict
        ``figures`` (n, 21), ``error`` (n,) [mm] outwards, ``std`` (n,) as the stored model gives it,
        ``seed``, ``lit`` (n,), ``group`` (n, 4): finish, kind, filling, light.
    """
    with np.load(path, allow_pickle=False) as shard:
        data = {k: shard[k] for k in shard.files}
    parts: list[Samples] = []
    for i, seed in enumerate(data["seed"]):
        light = data["band"][i].astype(np.float32) ** 2
        rng = np.random.default_rng([int(seed), i, 91])
        for piece in pieces(light, rng):
            chroma = data["chroma"][i][:, :, piece]
            band = as_band(light[:, piece], float(data["px_per_mm"][i]), data["sight"][i], chroma)
            found = _stretch_samples(band, data["truth"][i][:, piece].astype(float), data["group"][i], rng)
            parts += [{**part, "seed": np.full(len(part["error"]), seed)} for part in found]
    return {k: np.concatenate([p[k] for p in parts]) for k in parts[0]} if parts else {}


def _stretch_samples(band: Band, truth: FloatArray, group: NDArray[np.str_], rng: np.random.Generator) -> list[Samples]:
    """Samples of both edges of one stretch, all but their seed; none where the rules chose."""
    choice = choose_edges(band)
    if choice.method == BY_RULES:
        return []
    every = _EVERY_OF_LONG if truth.shape[1] > min(_PIECES) else _EVERY
    out = []
    for k, outward in ((0, -1), (1, 1)):
        edge = choice.edges[k]
        error = (edge.t_mm - truth[k]) * outward
        use = np.isfinite(error) & (np.abs(truth[k]) < _INSIDE_MM)
        use &= ~(choice.silhouette & (group[2 + k] == "cut"))
        use &= np.arange(len(use)) % every == int(rng.integers(every))
        names = np.array([group[k], group[2 + k], group[4], group[5]])
        out.append(
            {
                "figures": np.stack([edge.figures[name][use] for name in FIGURES], 1),
                "error": error[use],
                "std": edge.std_mm[use],
                "lit": choice.silhouette[use],
                "group": np.tile(names, (int(use.sum()), 1)),
            }
        )
    return out


def collect(folders: list[Path], workers: int) -> Samples:
    """Samples of all shards of some folders."""
    paths = [str(p) for folder in folders for p in sorted(folder.glob("shard*.npz"))]
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        parts = [p for p in pool.map(shard_samples, paths) if p]
    return {k: np.concatenate([p[k] for p in parts]) for k in parts[0]}


def fit(figures: FloatArray, error: FloatArray, level: float = LEVEL, seed: int = 0) -> Net:
    """Teach a small net the size that a share ``level`` of the errors stays below (pinball loss on its logarithm)."""
    rng = np.random.default_rng(seed)
    mean, std = figures.mean(0), figures.std(0) + 1e-3
    x = np.clip((figures - mean) / std, -6, 6).astype(np.float32)
    z = np.log(np.abs(error) + _SMALL_MM).astype(np.float32)
    sizes = (x.shape[1], _HIDDEN, 1)
    net: dict[str, NDArray[np.float32]] = {}
    for k, (n_in, n_out) in enumerate(pairwise(sizes)):
        net[f"w{k}"] = rng.uniform(-1, 1, (n_in, n_out)).astype(np.float32) / np.float32(np.sqrt(n_in))
        net[f"b{k}"] = np.zeros(n_out, np.float32)
    net["b1"] += np.float32(np.quantile(z, level))
    first, second = ({k: np.zeros_like(v) for k, v in net.items()} for _ in range(2))
    for step in range(1, _STEPS + 1):
        rate = _RATE * (0.5 + 0.5 * np.cos(np.pi * step / _STEPS)) + 1e-5
        pick = rng.integers(0, len(x), _BATCH)
        # Blurred inputs keep so small a set of scenes from being learned by heart.
        some = x[pick] + np.float32(_NOISE) * rng.standard_normal((_BATCH, x.shape[1]), dtype=np.float32)
        hidden = np.maximum(some @ net["w0"] + net["b0"], 0)
        away = z[pick] - (hidden @ net["w1"] + net["b1"])[:, 0]
        pull = (np.where(away > 0, -level, 1 - level) / _BATCH).astype(np.float32)[:, None]
        back = (pull @ net["w1"].T) * (hidden > 0)
        slope = {"w0": some.T @ back, "b0": back.sum(0), "w1": hidden.T @ pull, "b1": pull.sum(0)}
        for k, value in slope.items():  # Adam, with the weights pulled towards 0 apart from the slope
            first[k] += (1 - _BETA[0]) * (value - first[k])
            second[k] += (1 - _BETA[1]) * (value**2 - second[k])
            way = first[k] / (1 - _BETA[0] ** step)
            size = np.sqrt(second[k] / (1 - _BETA[1] ** step)) + 1e-8
            net[k] = (net[k] * (1 - rate * _DECAY) - rate * way / size).astype(np.float32)
    return {"mean": mean.astype(np.float32), "std": std.astype(np.float32), **net}


def table(error: FloatArray, limit: FloatArray, group: NDArray[Any]) -> str:
    """Share of errors within the limit, and sizes, by group (finish, kind, filling, light), as rows of text."""
    rows = ["| group | edge stations | within % | limit mm | within 0.1 mm % | off > 0.4 mm where limit < 0.15 mm % |"]
    rows.append("| --- | --- | --- | --- | --- | --- |")

    def row(name: str, keep: NDArray[np.bool_]) -> None:
        size, most = np.abs(error[keep]), limit[keep]
        sure = most < 0.15
        wrong = 100 * float(np.mean(size[sure] > 0.4)) if sure.any() else float("nan")
        rows.append(
            f"| {name} | {keep.sum()} | {100 * np.mean(size <= most):.1f} | {np.median(most):.2f} | "
            f"{100 * np.mean(size < 0.1):.0f} | {wrong:.2f} |"
        )

    row("all", np.ones(len(error), bool))
    for k, what in enumerate(("finish", "kind", "filling", "light")):
        for name in np.unique(group[:, k]):
            row(f"{what}: {name}", group[:, k] == name)
    return "\n".join(rows)


def main() -> None:
    """Collect, teach on two thirds of the scenes, print the figures of the others and store."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, nargs="+", required=True)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--level", type=float, default=LEVEL)
    parser.add_argument("--figures-only", action="store_true", help="judge the stored model, teach nothing")
    a = parser.parse_args()
    samples = collect(a.data, a.workers)
    judged = split_of(samples["seed"]) == 2
    figures, error, dark = samples["figures"], samples["error"], ~samples["lit"]
    if not a.figures_only:
        net = fit(figures[~judged & dark], error[~judged & dark], a.level)
        np.savez(a.out, **net)
        at = judged & dark
        limit = np.exp(run_net({k: v.astype(float) for k, v in net.items()}, figures[at])[:, 0])
        sys.stdout.write("The net alone, no silhouettes:\n" + table(error[at], limit, samples["group"][at]) + "\n")
    sys.stdout.write(
        "As the core uses it, U of one edge:\n"
        + table(error[judged], 2 * samples["std"][judged], samples["group"][judged])
        + "\n"
    )
    n = [len(np.unique(samples["seed"][k])) for k in (~judged, judged)]
    sys.stderr.write(f"{n[0]} scenes taught, {n[1]} judged\n")


if __name__ == "__main__":
    main()
