"""A car as a plain outline: its sides folded out beside its top, each seam by its state."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from gapvision.model import HOLE, IN, OPEN, OUT, Body, Car, FloatArray, Place

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: State -> colour, width, dash, and a mark beside the words: it is told without colour too.
_LOOKS: dict[str, tuple[str, float, Any, str]] = {
    IN: ("#1d6b3a", 2.5, "solid", "\u2713"), OUT: ("#b94a00", 5.0, "solid", "\u2715"),
    OPEN: ("#5a4aa0", 3.5, (0, (3, 1.2)), "?"), HOLE: ("#8a8a8a", 2.0, (0, (1, 1.5)), "\u00b7"),
}  # fmt: skip
_APART_MM = 260.0  # between the top and the sides that are folded out
_INK, _FACE, _STILL = "#26323a", "#e9eef0", "#f8f8f6"


def draw_car(
    car: Car, states: Mapping[str, str], title: str = "", numbers: Mapping[str, int] | None = None
) -> Figure:
    """Draw a car's outline, front to the left, its left side above and its right side below.

    Parameters
    ----------
    car : Car
        The car.
    states : mapping of str to str
        Seam -> its state; a seam that is not named is drawn as not measured.
    title : str
        What it shows.
    numbers : mapping of str to int, optional
        Seam -> its number where the drawing stands; default: in the car's order.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.lines import Line2D

    fig = Figure(figsize=(10.0, 7.2), facecolor="white")
    FigureCanvasAgg(fig)
    ax, words = fig.add_axes((0.01, 0.09, 0.66, 0.84)), fig.add_axes((0.68, 0.02, 0.31, 0.91))
    for body in sorted(car.bodies, key=lambda b: b.moves):
        corners = folded(car, body, np.array(body.outline, float))
        ax.fill(*corners.T, facecolor=_FACE if body.moves else _STILL, edgecolor=_INK, linewidth=0.8,
                linestyle="solid" if body.moves else "dotted")  # fmt: skip
        if body.moves and np.ptp(corners[:, 0]) > 400:
            x, y = corners.mean(axis=0).tolist()
            ax.text(x, y, body.name, ha="center", va="center", fontsize=9, color=_INK)
    rows: list[tuple[str, str, str, str, str]] = []
    taken: list[FloatArray] = []
    for place, seam in enumerate(car.seams, 1):
        number = str(place if numbers is None else numbers[seam.name] or "-")
        state = states.get(seam.name, HOLE)
        state = state if state in _LOOKS else HOLE
        colour, width, dash, mark = _LOOKS[state]
        line = folded(car, car.body(seam.one), np.array(seam.place, float))
        # A little inside the first body, so that two seams of one line stay apart.
        ax.plot(*line.T, color=colour, linewidth=width, linestyle=dash, solid_capstyle="round", zorder=3)
        at = middle_of(line)
        while any(np.hypot(*(at - other)) < 85 for other in taken):
            at = at + np.array([60.0, 0.0])
        taken.append(at)
        ax.text(at[0], at[1], number, ha="center", va="center", fontsize=8, color="white", zorder=5, weight="bold",
                bbox={"boxstyle": "circle,pad=0.25", "facecolor": colour, "edgecolor": "white"})  # fmt: skip
        rows.append((number, mark, seam.name, state, colour))
    ax.set_aspect("equal")
    ax.invert_yaxis()
    ax.axis("off")
    ax.annotate("front", (0.0, 0.5), xycoords="axes fraction", rotation=90, va="center", fontsize=9, color=_INK)
    words.axis("off")
    step = min(0.05, 0.98 / len(rows))
    for k, (number, mark, name, state, colour) in enumerate(rows):
        words.text(0.0, 0.99 - k * step, number, va="top", fontsize=9, color=colour, weight="bold")
        words.text(0.09, 0.99 - k * step, mark, va="top", fontsize=9, color=colour)
        words.text(0.15, 0.99 - k * step, f"{name}: {state}", va="top", fontsize=9, color=_INK)
    keys = [Line2D([], [], color=c, linewidth=w, linestyle=d, label=f"{m} {s}") for s, (c, w, d, m) in _LOOKS.items()]
    fig.legend(handles=keys, loc="lower left", ncols=4, frameon=False, fontsize=9, bbox_to_anchor=(0.01, 0.01))
    fig.text(0.02, 0.955, title or car.name, fontsize=12, color=_INK)
    fig.set_label("; ".join(f"{name}: {state}" for _, _, name, state, _ in rows))
    return fig


def folded(car: Car, body: Body, places: FloatArray) -> FloatArray:
    """Places of a body in the drawing, shape (n, 2): what looks sideways is folded out beside the top."""
    a = np.array(body.outline, float)
    looks = np.cross(a[1] - a[0], a[2] - a[0])
    x = places[:, 0]
    if abs(looks[1]) <= abs(looks[2]):
        return np.stack([x, places[:, 1]], axis=1)
    high, wide = _extent(car)
    side = -1.0 if a[:, 1].mean() < 0 else 1.0
    return np.stack([x, side * (wide + _APART_MM + high - places[:, 2])], axis=1)


def _extent(car: Car) -> tuple[float, float]:
    corners: list[Place] = [p for b in car.bodies for p in b.outline]
    return max(p[2] for p in corners), max(abs(p[1]) for p in corners)


def middle_of(line: FloatArray) -> FloatArray:
    """Half way along a line through places, shape (2,)."""
    length = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(line, axis=0).T))])
    half = length[-1] / 2
    return np.array([np.interp(half, length, line[:, k]) for k in (0, 1)])
