"""Figures of a stored model on scenes held out, by group.

``python -m gapvision.lab.training.evaluate --data FOLDER [--model FOLDER]``
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.training.splits import split_of
from gapvision.lab.training.train import load
from gapvision.vision import learned

FloatArray = NDArray[np.float64]


def spread(chance: NDArray[np.float32]) -> tuple[FloatArray, FloatArray, FloatArray, FloatArray]:
    """Best place, share of chance within 0.2 mm of it, and the 2.5 and 97.5 % places of every column [rows]."""
    peak = chance.argmax(0)
    rows = np.arange(len(chance), dtype=float)
    columns = np.arange(chance.shape[1])
    near = np.clip(peak[None] + np.arange(-2, 3)[:, None], 0, len(chance) - 1)
    weight = chance[near, columns]
    place = (weight * near).sum(0) / np.maximum(weight.sum(0), 1e-9)
    total = np.cumsum(chance, 0)
    padded = np.concatenate([np.zeros((1, chance.shape[1])), total])
    low, high = np.clip(peak - 4, 0, len(chance)), np.clip(peak + 5, 0, len(chance))
    mass = padded[high, columns] - padded[low, columns]
    ends = [np.array([np.interp(q, total[:, j], rows) for j in columns]) for q in (0.025, 0.975)]
    return place, mass, ends[0], ends[1]


def judge(data: dict[str, Any]) -> dict[str, NDArray[Any]]:
    """Run the product's detector on bands; one entry for each edge and station."""
    out: dict[str, list[Any]] = {
        k: [] for k in ("error", "mass", "inside", "width", "finish", "kind", "filling", "light", "strange", "scene")
    }
    for i in range(len(data["band"])):
        linear = data["band"][i].astype(np.float32) ** 2
        ppm = float(data["px_per_mm"][i])
        strange = learned.strangeness(linear, ppm)
        look = learned.Look(linear, ppm, data["sight"][i], data["chroma"][i])
        for e, chance in enumerate(learned.opinions(look).chances):
            place, mass, low, high = spread(chance)
            row = data["truth"][i, e] / learned.ROW_MM + learned.N_T // 2
            ok = (row > 3) & (row < learned.N_T - 4)
            n = int(ok.sum())
            side = -1 if e == 0 else 1
            out["error"].append(side * (place - row)[ok] * learned.ROW_MM)
            out["mass"].append(mass[ok])
            out["inside"].append(((row >= low - 0.5) & (row <= high + 0.5))[ok])
            out["width"].append((high - low)[ok] * learned.ROW_MM)
            names = data["group"][i]
            for key, value in (
                ("finish", names[e]),
                ("kind", names[2 + e]),
                ("filling", names[4]),
                ("light", names[5]),
                ("strange", strange),
                ("scene", data["seed"][i]),
            ):
                out[key].append(np.full(n, value))
    return {k: np.concatenate(v) for k, v in out.items()}


def line(name: str, figures: dict[str, NDArray[Any]], keep: NDArray[np.bool_]) -> str:
    """One row of the table."""
    error = np.abs(figures["error"][keep])
    mass = figures["mass"][keep]
    sure = mass > 0.85
    wrong = (error > 0.4) & sure
    p95 = np.quantile(error[sure], 0.95) if sure.any() else np.nan
    cells = [
        name,
        str(len(error)),
        f"{np.median(figures['error'][keep]):+.3f}",
        f"{100 * np.mean(error < 0.1):.0f}",
        f"{100 * np.mean(error < 0.2):.0f}",
        f"{100 * np.mean(figures['inside'][keep]):.1f}",
        f"{np.median(figures['width'][keep]):.2f}",
        f"{100 * sure.mean():.0f}",
        f"{p95:.3f}",
        f"{100 * wrong.sum() / max(1, sure.sum()):.2f}",
    ]
    return "| " + " | ".join(cells) + " |"


def table(figures: dict[str, NDArray[Any]]) -> str:
    """All groups as a Markdown table."""
    head = (
        "group",
        "edge stations",
        "median error mm (+ = gap too wide)",
        "within 0.1 mm %",
        "within 0.2 mm %",
        "truth in the 95 % band %",
        "band mm",
        "sure (mass > 0.85) %",
        "p95 of error where sure mm",
        "sure yet off > 0.4 mm %",
    )
    rows = [
        "| " + " | ".join(head) + " |",
        "| --- " * len(head) + "|",
        line("all", figures, np.ones(len(figures["error"]), bool)),
    ]
    for key in ("finish", "kind", "filling", "light"):
        rows += [line(f"{key}: {name}", figures, figures[key] == name) for name in np.unique(figures[key])]
    for low, high in ((0, 0.5), (0.5, 0.7), (0.7, 0.85), (0.85, 0.95), (0.95, 1.01)):
        keep = (figures["mass"] >= low) & (figures["mass"] < high)
        if keep.any():
            rows.append(line(f"mass {low} to {min(high, 1)}", figures, keep))
    return "\n".join(rows)


def main() -> None:
    """Parse, judge, print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--data", type=Path, required=True)
    parser.add_argument(
        "--split", type=int, default=2, help="1 = scenes used to calibrate, 2 = scenes used for nothing else"
    )
    parser.add_argument("--bands", type=int, default=None)
    parser.add_argument(
        "--model", type=Path, default=None, help="folder with edges.onnx and edges.json in place of the stored model"
    )
    a = parser.parse_args()
    if a.model is not None:
        import cv2

        net, facts = (
            cv2.dnn.readNetFromONNX(str(a.model / "edges.onnx")),
            json.loads((a.model / "edges.json").read_text(encoding="utf-8")),
        )
        learned._net = lambda: net
        learned._facts = lambda: facts
    data = load([a.data], held_out_only=True)
    picks = np.flatnonzero(split_of(data["seed"]) == a.split)[: a.bands]
    data = {k: v[picks] for k, v in data.items()}
    sys.stdout.write(f"{len(picks)} bands of {len(np.unique(data['seed']))} scenes held out\n{table(judge(data))}\n")


if __name__ == "__main__":
    main()
