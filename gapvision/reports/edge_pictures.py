"""One edge alone as plot, marked photo and table."""

from __future__ import annotations

import csv
import io
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gapvision.formats.atomic import write_whole
from gapvision.formats.table import STYLES, own_style
from gapvision.model import EdgeAlone, EdgeProfile
from gapvision.reports.figures import write_figure
from gapvision.reports.overlay import draw_edge_line, overlay_bytes
from gapvision.units import MM_PER_INCH
from gapvision.words import Lengths

if TYPE_CHECKING:
    from matplotlib.figure import Figure
    from PIL.Image import Image

_EDGE, _U, _INK = "#0b5fa5", "#9fc3e3", "#1b1f24"
_SHOWN = 20.0  # how much larger U is drawn about a line that closes


def runs_of(p: EdgeProfile) -> list[NDArray[np.int64]]:
    """Stations of each unbroken piece of the line; of a whole one the first comes again at its end."""
    if p.whole:
        return [np.arange(len(p.s_mm) + 1) % len(p.s_mm)]
    breaks = np.flatnonzero(np.diff(p.s_mm) > 1.5 * p.spacing_mm) + 1
    return [np.arange(i, k) for i, k in zip([0, *breaks], [*breaks, len(p.s_mm)], strict=True)]


def edge_figure(measured: EdgeAlone, say: Lengths) -> Figure:
    """Draw the line: one that closes in its shape, another as its offset from a straight line, with U."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    p = measured.profile
    assert p is not None  # the caller has looked
    k, unit = (MM_PER_INCH, "in") if say.inch else (1.0, "mm")
    closed = p.round_mm is not None
    fig = Figure(figsize=(7.0, 6.4) if closed else (10.0, 4.2), facecolor="white", layout="constrained")
    FigureCanvasAgg(fig)
    ax = fig.subplots()
    for n, part in enumerate(runs_of(p)):
        u = p.expanded_u_mm[part]
        if closed:
            way = p.outward[part] * [1, -1]
            x, y = (p.place_mm[part] * [1, -1]).T
            for sign in (-1, 1):
                ax.plot(*((np.stack([x, y]) + sign * _SHOWN * (u[:, None] * way).T) / k), color=_U, linewidth=0.9,
                        label=f"U, drawn {_SHOWN:.0f} times as large" if sign < 0 and not n else None)  # fmt: skip
            ax.plot(x / k, y / k, color=_EDGE, linewidth=1.6, label=None if n else "edge")
        else:
            off = offset_mm(p)[part]
            ax.fill_between(p.s_mm[part] / k, (off - u) / k, (off + u) / k, color=_U, label=None if n else "U")
            ax.plot(p.s_mm[part] / k, off / k, color=_EDGE, linewidth=1.4, label=None if n else "edge")
    if closed:
        ax.set_aspect("equal")
        every = max(1, round(50 / p.spacing_mm))
        for i in range(0, len(p.s_mm), every):
            x, y = (p.place_mm[i] - 8 * p.outward[i]) * [1, -1] / k
            ax.text(x, y, f"{p.s_mm[i] / k:.{0 if unit == 'mm' else 1}f}", fontsize=8, ha="center", va="center")
        ax.set_xlabel(f"as the camera sees it [{unit}]")
        ax.set_ylabel(f"[{unit}]")
    else:
        ax.set_xlabel(f"station [{unit}]")
        ax.set_ylabel(f"offset from a straight line, + away from the panel [{unit}]")
        ax.grid(color="#e3e5e8", linewidth=0.6)
    ax.legend(frameon=False, fontsize=9, loc="center" if closed else "best")
    ax.set_title(f"{measured.photo.file}: one edge alone", fontsize=10, color=_INK, loc="left")
    return fig


def offset_mm(p: EdgeProfile) -> NDArray[np.float64]:
    """Offset of each station from the straight line that fits best, away from the panel positive [mm]."""
    spread = p.place_mm - p.place_mm.mean(0)
    _, _, axes = np.linalg.svd(spread, full_matrices=False)
    across = axes[1] * np.sign((p.outward @ axes[1]).sum() or 1.0)
    return np.asarray(spread @ across, float)


def edge_plot(measured: EdgeAlone, path: Path, say: Lengths) -> None:
    """Write the figure, as PNG, SVG or PDF."""
    write_figure(edge_figure(measured, say), path)


def edge_picture(measured: EdgeAlone, pixels: NDArray[Any]) -> Image:
    """The photo with the line drawn on it."""
    return draw_edge_line(pixels, measured)


def edge_overlay(measured: EdgeAlone, photo: Path, path: Path) -> None:
    """Write the marked photo."""
    from gapvision.intake.photo import read_colour

    picture = edge_picture(measured, read_colour(photo, max_side_px=1800))
    write_whole(path, overlay_bytes(picture, "PNG" if path.suffix.lower() == ".png" else "JPEG"))


def edge_table(measured: EdgeAlone, path: Path, style: str | None = None) -> None:
    """Write the stations as CSV: place on the panel, U, place in the photo."""
    p = measured.profile
    assert p is not None  # the caller has looked
    between, mark = STYLES[own_style() if style == "auto" else style or "comma"]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n", delimiter=between)
    writer.writerow(["s [mm]", "x [mm]", "y [mm]", "x [in]", "y [in]", "U (k=2) [mm]", "edge x [px]", "edge y [px]"])
    for s, (x, y), u, (px, py) in zip(p.s_mm, p.place_mm, p.expanded_u_mm, p.edge_px, strict=True):
        row = (f"{s:.2f}", f"{x:.3f}", f"{-y:.3f}", f"{x / MM_PER_INCH:.4f}", f"{-y / MM_PER_INCH:.4f}", f"{u:.3f}",
               f"{px:.2f}", f"{py:.2f}")  # fmt: skip
        writer.writerow([cell.replace(".", mark) for cell in row])
    write_whole(path, out.getvalue().encode("utf-8-sig"))
