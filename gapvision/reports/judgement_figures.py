"""Figures of verdicts and plans: limits as a band, states by marks and hatching as well as by colour."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gapvision.geometry.runs import with_holes
from gapvision.model import HOLE, IN, OPEN, OUT, Verdict
from gapvision.reports.figures import figure_kind

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from gapvision.model import CorrectionPlan, StretchPlan

#: State -> (colour that the colour-blind can tell apart, hatching, word). In tolerance is left blank.
LOOKS = {
    OUT: ("#b2452b", "xxx", "out of tolerance"),
    OPEN: ("#d9a420", "///", "not proven"),
    HOLE: ("#8a8a8a", "...", "not measured"),
}
_ALSO = ("jpg", "jpeg", "")  # endings taken beside those that are offered
_GAP, _BAND = "#1f4e79", "#cfe3d4"


def new_figure(rows: int, width: float = 9.0, row_height: float = 2.7, columns: int = 1) -> tuple[Figure, list[Axes]]:
    """Make a figure of axes in rows, row by row, without touching any global state of the plotting library."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure as MplFigure

    figure = MplFigure(figsize=(width, row_height * rows + 0.9), layout="constrained")
    FigureCanvasAgg(figure)
    axes = figure.subplots(rows, columns, squeeze=False)
    return figure, list(axes.ravel())


def save(figure: Figure, path: str | Path) -> None:
    """Write a figure by its ending (without one as PNG), whole or not at all."""
    import io

    from gapvision.formats.atomic import write_whole

    out = io.BytesIO()
    figure.savefig(out, format=figure_kind(Path(path), _ALSO) or "png", dpi=150)
    write_whole(Path(path), out.getvalue())


def check_figure(path: str | Path) -> None:
    """Refuse now what :func:`save` would refuse there later.

    Raises
    ------
    GapvisionError
        ``value-out-of-range`` on an ending that no figure has, ``folder-not-writable``.
    """
    from gapvision.formats.atomic import check_whole

    figure_kind(Path(path), _ALSO)
    check_whole(path)


def draw_profile(axes: Axes, verdict: Verdict, title: str = "", *, legend: bool = True) -> None:
    """Draw one verdict: band, gap with U, and hatched spans with their words.

    Parameters
    ----------
    axes : Axes
        Where to draw.
    verdict : Verdict
        The decision.
    title : str
        Heading; the state is added.
    legend : bool
        Whether the legend stands below.
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
    if legend:
        axes.legend(fontsize=8, ncols=6, loc="upper center", bbox_to_anchor=(0.5, -0.13), frameon=False)


def draw_verdict(verdict: Verdict, path: str | Path, title: str = "") -> None:
    """Draw one verdict to a file."""
    figure, (axes,) = new_figure(1, row_height=3.6)
    draw_profile(axes, verdict, title)
    axes.set_xlabel("along the seam [mm]")
    save(figure, path)


def _broken(verdict: Verdict) -> tuple[Any, Any, Any]:
    """Stations, gap and U with NaN in each hole, so that no line is drawn across it."""
    s, gap, u = with_holes(verdict.s_mm, verdict.spacing_mm, verdict.gap_mm, verdict.expanded_u_mm)
    return s, gap, u


def draw_plan(plan: CorrectionPlan, path: str | Path, seam: str | None = None) -> None:
    """Draw every stretch at every stage: one row per stretch, one column per stage, on one scale per row.

    Parameters
    ----------
    plan : CorrectionPlan
        The plan.
    path : str or Path
        Picture file.
    seam : str, optional
        Only this seam, or this photo.
    """
    stretches = [s for s in plan.stretches if seam is None or seam in (s.seam, s.photo)]
    if not stretches:
        raise ValueError(f"seam: no stretch {seam!r} in the plan")
    cells = [(s, p) for s in stretches for p in s.stages]
    columns = 2 if len(stretches) == 1 else len(stretches[0].stages)
    rows = -(-len(cells) // columns)
    figure, axes = new_figure(rows, width=4.4 * columns, row_height=2.6, columns=columns)
    for k, axis in enumerate(axes):
        if k >= len(cells):
            axis.set_axis_off()
            continue
        stretch, stage = cells[k]
        draw_profile(axis, stage.verdict, f"{stretch.seam} ({stretch.photo}), {stage.stage}", legend=False)
        axis.set_ylim(*_limits(stretch))
        axis.title.set_fontsize(8.5)
        if stage.stage == "after the trim" and stretch.trim.needed:
            _mark_trim(axis, stretch)
        if k >= len(cells) - columns:
            axis.set_xlabel("along the seam [mm]")
    handles: dict[str, Any] = {}
    for axis in axes:
        for handle, label in zip(*axis.get_legend_handles_labels(), strict=True):
            handles.setdefault(label, handle)
    figure.legend(list(handles.values()), list(handles), loc="outside lower center", ncols=6, fontsize=8, frameon=False)
    save(figure, path)


def _limits(stretch: StretchPlan) -> tuple[float, float]:
    verdicts = [p.verdict for p in stretch.stages]
    low = min(float(min(v.lower_mm.min(), (v.gap_mm - v.expanded_u_mm).min())) for v in verdicts)
    high = max(float(max(v.upper_mm.max(), (v.gap_mm + v.expanded_u_mm).max())) for v in verdicts)
    return low - 0.35, high + 0.2


def _mark_trim(axes: Axes, stretch: StretchPlan) -> None:
    """Name what is cut or built up, with its largest amount, along the lower border."""
    low, high = axes.get_ylim()
    for span in stretch.trim.spans:
        axes.annotate(
            "",
            (span.from_mm, low + 0.07 * (high - low)),
            (max(span.to_mm, span.from_mm + 1), low + 0.07 * (high - low)),
            arrowprops={"arrowstyle": "|-|", "mutation_scale": 4, "color": "#333333"},
        )
        word = "cut" if span.action == "remove" else "build up"
        axes.text(
            0.5 * (span.from_mm + span.to_mm),
            low + 0.10 * (high - low),
            f"{word} up to {span.largest_mm:.2f} mm",
            ha="center",
            va="bottom",
            fontsize=7.5,
        )
