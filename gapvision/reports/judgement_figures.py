"""Figures of verdicts and plans: limits as a band, states by marks and hatching as well as by colour."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gapvision.judgement.types import HOLE, IN, OPEN, OUT, Verdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: State -> (colour that the colour-blind can tell apart, hatching, word). In tolerance is left blank.
LOOKS = {
    OUT: ("#b2452b", "xxx", "out of tolerance"),
    OPEN: ("#d9a420", "///", "not proven"),
    HOLE: ("#8a8a8a", "...", "not measured"),
}
_GAP, _BAND = "#1f4e79", "#cfe3d4"


def new_figure(rows: int, width: float = 9.0, row_height: float = 2.7) -> tuple[Figure, list[Axes]]:
    """Make a figure of stacked axes without touching any global state of the plotting library."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure as MplFigure

    figure = MplFigure(figsize=(width, row_height * rows + 0.9), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(rows, 1, squeeze=False)
    return figure, [row[0] for row in axes]


def save(figure: Figure, path: str | Path) -> None:
    """Write a figure as PNG, SVG or PDF by its ending, whole or not at all."""
    import io

    from gapvision.reports.atomic import write_whole

    out = io.BytesIO()
    figure.savefig(out, format=(Path(path).suffix.lstrip(".") or "png").lower(), dpi=150)
    write_whole(Path(path), out.getvalue())


def draw_profile(axes: Axes, verdict: Verdict, title: str = "") -> None:
    """Draw one verdict: band, gap with U, and hatched spans with their words.

    Parameters
    ----------
    axes : Axes
        Where to draw.
    verdict : Verdict
        The decision.
    title : str
        Heading; the state is added.
    """
    s, gap, u = _broken(verdict)
    low = float(min(np.min(verdict.lower_mm), np.min(verdict.gap_mm - verdict.expanded_u_mm)))
    high = float(max(np.max(verdict.upper_mm), np.max(verdict.gap_mm + verdict.expanded_u_mm)))
    room = 0.14 * max(high - low, 0.5)
    axes.fill_between(verdict.s_mm, verdict.lower_mm, verdict.upper_mm, color=_BAND, lw=0, label="tolerance band")
    axes.plot(verdict.s_mm, verdict.lower_mm, color="#4d7a5a", lw=0.9, ls="--")
    axes.plot(verdict.s_mm, verdict.upper_mm, color="#4d7a5a", lw=0.9, ls="--")
    axes.fill_between(s, gap - u, gap + u, color=_GAP, alpha=0.22, lw=0, label="U (k = 2)")
    axes.plot(s, gap, color=_GAP, lw=1.4, label="gap")
    seen = set()
    for span in verdict.spans:
        if span.state == IN:
            continue
        colour, hatch, word = LOOKS[span.state]
        axes.axvspan(
            span.from_mm,
            max(span.to_mm, span.from_mm + 1),
            facecolor=colour,
            alpha=0.16,
            hatch=hatch,
            edgecolor=colour,
            lw=0,
            label=None if word in seen else word,
        )
        seen.add(word)
    axes.set_ylim(low - room, high + room)
    axes.set_xlim(float(verdict.s_mm[0]) - 3, float(verdict.s_mm[-1]) + 3)
    axes.set_ylabel("gap [mm]")
    axes.set_title(f"{title}: {verdict.state}" if title else verdict.state, loc="left", fontsize=10)
    axes.grid(alpha=0.25)
    axes.legend(fontsize=8, ncols=6, loc="upper center", bbox_to_anchor=(0.5, -0.13), frameon=False)


def draw_verdict(verdict: Verdict, path: str | Path, title: str = "") -> None:
    """Draw one verdict to a file."""
    figure, (axes,) = new_figure(1, row_height=3.6)
    draw_profile(axes, verdict, title)
    axes.set_xlabel("along the seam [mm]")
    save(figure, path)


def _broken(verdict: Verdict) -> tuple[Any, Any, Any]:
    """Stations, gap and U with NaN in each hole, so that no line is drawn across it."""
    step = np.diff(verdict.s_mm)
    at = np.flatnonzero(step > 1.5 * np.median(step)) + 1 if len(step) else np.zeros(0, int)
    s, gap, u = (
        np.insert(np.asarray(v, float), at, np.nan) for v in (verdict.s_mm, verdict.gap_mm, verdict.expanded_u_mm)
    )
    return s, gap, u
