"""Plots on paper: puts the descriptions of ``profile_picture.py`` into figures, and these into PNG, SVG and PDF files.

The report takes the same figures (``evidence_chart.Plot``).

Matplotlib is imported inside the functions (it takes longer to load than a photo
takes to measure) and used without pyplot, so that several threads may draw at once.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from gapvision.errors import GapvisionError
from gapvision.formats.atomic import write_whole
from gapvision.model import CorrectionPlan, ExtraLine, Measurement, Verdict
from gapvision.reports import profile_picture as pp

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

_INK, _PAPER = "#1b1f24", "#ffffff"
_PT = 10.0  # usual size of words; where they are smaller, margins are too
_LETTER_IN, _ROW_IN = 0.074, 0.165  # of a span's words, at the usual size
#: Ending of a name -> format; without an ending PNG.
_KINDS = {"png": "png", "svg": "svg", "pdf": "pdf", "jpg": "jpg", "jpeg": "jpg", "": "png"}


def draw_profile(
    measured: Measurement | pp.Stations,
    verdict: Verdict | None = None,
    *,
    more: Sequence[ExtraLine] = (),
    unit: str = "mm",
    label: str = "gap",
    title: str = "",
    size_in: tuple[float, float] = (10.0, 4.6),
    point: float = _PT,
) -> Figure:
    """Draw the gap along the seam with U, the tolerance zone, the marked spans, and further lines.

    Parameters
    ----------
    measured, verdict, more, unit, label, title
        As :func:`gapvision.reports.profile_picture.build_picture`.
    size_in : tuple of float
        Width and height [in].
    point : float
        Size of its words [pt].

    Raises
    ------
    ValueError
        If the photo was refused.
    """
    picture = pp.build_picture(measured, verdict, more, unit, label=label, title=title)
    fig, (ax,) = _new_figure(size_in, bottom=0.95, point=point)
    fig.set_label(picture.alt)
    _paint(ax, picture, point=point)
    _legend(fig, [ax], point)
    return fig


_WAY = {"remove": "back", "add": "out"}


def draw_plan(plan: CorrectionPlan, seam: str | None = None) -> Figure:
    """Draw every stretch at every stage: one row per stretch, one column per stage, on one scale per row.

    Parameters
    ----------
    plan : CorrectionPlan
        The plan.
    seam : str, optional
        Only this seam, or this photo: then in two columns.
    """
    stretches = [s for s in plan.stretches if seam is None or seam in (s.seam, s.photo)]
    if not stretches:
        raise ValueError(f"seam: no stretch {seam!r} in the plan")
    pictures = []
    for stretch in stretches:
        row = []
        for stage in stretch.stages:
            cut = stretch.trim.spans if stage.stage == "after the trim" and stretch.trim.needed else ()
            trim = [
                (x.from_mm, x.to_mm, f"{_WAY[x.action]} up to {x.largest_mm:.2f} mm" if x.largest_mm else x.action)
                for x in cut
            ]
            title = f"{stretch.seam} ({stretch.photo}), {stage.stage}: {stage.verdict.state}"
            row.append(pp.build_picture(stage.verdict, stage.verdict, title=title, brackets=trim))
        pictures += pp.on_one_scale(row)
    columns = 2 if len(stretches) == 1 else len(stretches[0].stages)
    rows = -(-len(pictures) // columns)
    fig, axes = _new_figure((4.6 * columns, 2.9 * rows + 0.5), rows, columns, bottom=0.85)
    fig.set_label(" ".join(f"{p.title}. {p.alt}" for p in pictures))
    for k, ax in enumerate(axes):
        if k < len(pictures):
            _paint(ax, pictures[k], narrow=True, last=k >= len(pictures) - columns)
        else:
            ax.set_axis_off()
    _legend(fig, axes[: len(pictures)], _PT)
    return fig


def draw_straightness(
    measurement: Measurement, *, unit: str = "mm", size_in: tuple[float, float] = (10.0, 5.2)
) -> Figure:
    """Draw the form of both edges, each about its own least-squares line, at a stated exaggeration.

    Parameters
    ----------
    measurement, unit
        As :func:`gapvision.reports.profile_picture.build_form`.
    size_in : tuple of float
        Width and height [in].

    Raises
    ------
    ValueError
        If the photo was refused.
    """
    form = pp.build_form(measurement, unit)
    fig, axes = _new_figure(size_in, rows=2, bottom=0.85)
    fig.set_label(". ".join(form.words))
    # Both scales follow from the size of the axes on paper, so that the exaggeration is a round, true number.
    box = axes[0].get_position()
    per_mm = box.width * size_in[0] / (form.places.high - form.places.low)
    times = form.times(box.height * size_in[1] / (2 * form.reach * per_mm))
    half = box.height * size_in[1] / (2 * times * per_mm)
    for ax, line, words in zip(axes, form.lines, form.words, strict=True):
        _draw_line(ax, line)
        ax.axhline(0, color=_INK, linewidth=0.8, linestyle="--")
        ax.set_ylim(-half, half)
        ax.set_xlim(form.places.low, form.places.high)
        _ticks(ax.yaxis, [t for t in form.heights if abs(t[0]) <= half])
        _ticks(ax.xaxis, form.places.many)
        ax.set_ylabel(f"{line.label} [{form.unit}]")
        ax.set_title(words, loc="left", fontsize=_PT)
        ax.grid(True, alpha=0.25)
    axes[1].set_xlabel(form.places.name)
    fig.text(0.5, 0.12 / size_in[1], form.note.format(times=f"{times:g}"), ha="center", fontsize=_PT)
    return fig


# --- files --------------------------------------------------------------------------


def figure_bytes(fig: Figure, kind: str = "png", dpi: int = 150) -> bytes:
    """Write a figure as ``png``, ``svg``, ``pdf`` or ``jpg``, without dates: the same input gives the same bytes.

    What it shows in words goes along, for who does not see it (not into a JPEG).
    """
    import matplotlib

    alt, buffer = str(fig.get_label()), io.BytesIO()
    meta: dict[str, Any] = {
        "png": {"Software": None, "Description": alt},
        "svg": {"Date": None, "Title": alt},
        "pdf": {"CreationDate": None, "Subject": alt},
        "jpg": {},
    }[kind]
    with matplotlib.rc_context({"svg.hashsalt": "gapvision", "svg.fonttype": "none"}):
        fig.savefig(buffer, format=kind, dpi=dpi, metadata=meta)
    return buffer.getvalue()


def write_figure(fig: Figure, path: str | Path) -> None:
    """Write a figure whole or not at all; the ending of the name decides the format.

    Raises
    ------
    GapvisionError
        ``value-out-of-range`` on another ending, ``folder-not-writable``.
    """
    path = Path(path)
    kind = _KINDS.get(path.suffix.lower().lstrip("."))
    if kind is None:
        said = f"A plot cannot be written as '{path.name}'."
        raise GapvisionError("value-out-of-range", said, "End its name with .png, .svg or .pdf.")
    write_whole(path, figure_bytes(fig, kind))


# --- parts --------------------------------------------------------------------------


def _new_figure(
    size_in: tuple[float, float], rows: int = 1, columns: int = 1, *, bottom: float, point: float = _PT
) -> tuple[Figure, list[Axes]]:
    """Axes row by row, with fixed margins [in]: room for the words whatever the size, and a size known in advance."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    fig = Figure(figsize=size_in, facecolor=_PAPER)
    FigureCanvasAgg(fig)
    axes = fig.subplots(rows, columns, squeeze=False)
    width, height = (v * _PT / point for v in size_in)  # margins grow and shrink with the words
    tall = (height - bottom - 0.35) / rows
    wide = (width - (1.55 if columns == 1 else 0.85)) / columns
    fig.subplots_adjust(
        left=0.75 / width,
        right=1 - (0.8 if columns == 1 else 0.1) / width,
        bottom=bottom / height,
        top=1 - 0.35 / height,
        hspace=0.6 / (tall - 0.6),
        wspace=0.7 / (wide - 0.7),
    )
    return fig, list(axes.ravel())


def _paint(
    ax: Axes, picture: pp.ProfilePicture, *, narrow: bool = False, last: bool = True, point: float = _PT
) -> None:
    """Put a picture on its axes; ``narrow``: few ticks, no second axis; ``last``: with the name of the lower axis."""
    ax.tick_params(labelsize=point)
    thick = point / _PT
    for k, line in enumerate(picture.lines):
        _draw_line(ax, line, thick, zorder=2.0 if k else 2.5)  # the gap lies over the further lines
    if (zone := picture.zone) is not None:
        ax.fill_between(zone.s, zone.lower, zone.upper, color=zone.look.colour, alpha=0.14, linewidth=0)
        for values, look, label, wide in (
            (zone.lower, zone.look, "limits", 1.2), (zone.upper, zone.look, "", 1.2),
            (zone.nominal, zone.middle, "wanted gap", 0.9),
        ):  # fmt: skip
            dash = _dash(look, wide)
            ax.plot(zone.s, values, color=look.colour, linewidth=thick * wide, linestyle=dash, label=label)
    ax.set_xlim(picture.places.low, picture.places.high)
    _draw_marks(ax, picture, 1 if narrow else 3, point)
    low, high = ax.get_ylim()
    for start, stop, words in picture.brackets:
        at, over = low + 0.07 * (high - low), low + 0.10 * (high - low)
        ends = {"arrowstyle": "|-|", "mutation_scale": 4, "color": _INK}
        ax.annotate("", (start, at), (max(stop, start + 1), at), arrowprops=ends)
        ax.text(0.5 * (start + stop), over, words, ha="center", va="bottom", fontsize=0.8 * point)
    _ticks(ax.xaxis, picture.places.few if narrow else picture.places.many)
    _ticks(ax.yaxis, picture.gaps.few if narrow else picture.gaps.many)
    ax.set_ylabel(picture.gaps.name, fontsize=point)
    if last:
        ax.set_xlabel(picture.places.name, fontsize=point)
    if not narrow:
        right = ax.secondary_yaxis("right")
        right.tick_params(labelsize=point)
        _ticks(right.yaxis, picture.others.many)
        right.set_ylabel(picture.others.name, fontsize=point)
    ax.set_title(_plain(picture.title), loc="left", fontsize=0.9 * point if narrow else point)
    ax.grid(True, alpha=0.25)


def _draw_line(ax: Axes, line: pp.Line, thick: float = 1.0, zorder: float = 2.0) -> None:
    """A line, broken at its holes, and its U: a shade, that of a further line hatched between thin borders."""
    at = [start for start, _ in line.runs[1:]]
    s, y = (np.insert(np.asarray(v, float), at, np.nan) for v in (line.s, line.y))
    colour, further = (_INK if line.look.colour == "ink" else line.look.colour), bool(line.look.hatch)
    label = _plain(line.label)
    if line.u is not None:
        u = np.insert(line.u, at, np.nan)
        alpha, shade = (0.1, "") if further else (0.24, "U (k = 2)")
        ax.fill_between(s, y - u, y + u, color=colour, alpha=alpha, linewidth=0, label=shade, zorder=zorder - 1)
        if further:
            label += ", hatched: its U"
            hatch = _hatch(line.look)
            ax.fill_between(s, y - u, y + u, facecolor="none", edgecolor=colour, alpha=0.45, hatch=hatch, linewidth=0)
            for border in (y - u, y + u):
                ax.plot(s, border, color=colour, linewidth=0.5 * thick, alpha=0.7, label="")
    width = 1.8 * thick
    ax.plot(s, y, color=colour, linewidth=width, linestyle=_dash(line.look, 1.8), label=label, zorder=zorder)


def _draw_marks(ax: Axes, picture: pp.ProfilePicture, rows: int, point: float) -> None:
    """Shade each span with its own hatch; numbers and words stand above everything drawn."""
    box, size = ax.get_position(), ax.get_figure(root=True).get_size_inches()  # type: ignore[union-attr]
    width, height = (v * _PT / point for v in (box.width * size[0], box.height * size[1]))
    span = picture.places.high - picture.places.low
    labels = pp.place_labels(picture, span * _LETTER_IN / width, rows)
    row_share = _ROW_IN / height
    # A single row is always kept free: pictures beside each other keep one scale.
    used = row_share * (1 + max((row for *_, row in labels), default=0 if rows == 1 else -1)) + 0.02
    ax.set_ylim(picture.gaps.low, picture.gaps.low + (picture.gaps.high - picture.gaps.low) / (1 - used))
    named = set()
    for mark in picture.marks:
        words = mark.words if mark.number else "not measured"
        look: dict[str, Any] = {
            "facecolor": mark.look.colour,
            "edgecolor": mark.look.colour,
            "hatch": _hatch(mark.look),
        }
        ax.axvspan(mark.start, mark.stop, alpha=0.15, linewidth=0.8, label="" if words in named else words, **look)
        named.add(words)
    plate = {"facecolor": _PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 0.08 * point}
    how: dict[str, Any] = {"ha": "center", "va": "top", "fontsize": 0.85 * point, "color": _INK, "bbox": plate}
    for words, middle, row in labels:
        ax.text(middle, 0.985 - row_share * row, words, transform=ax.get_xaxis_transform(), **how)


def _legend(fig: Figure, axes: Sequence[Axes], point: float) -> None:
    """What the looks mean, each once, at the foot of the figure."""
    shown: dict[str, Any] = {}
    for ax in axes:
        for handle, label in zip(*ax.get_legend_handles_labels(), strict=True):
            shown.setdefault(label, handle)
    columns = _columns([*shown], fig.get_figwidth(), point)
    look: dict[str, Any] = {"loc": "lower center", "fontsize": 0.9 * point, "frameon": False}
    fig.legend(list(shown.values()), list(shown), ncols=columns, **look)


def _columns(labels: Sequence[str], width_in: float, point: float) -> int:
    """As many columns as there is room for; matplotlib fills one after the other, each as wide as its widest words."""
    letter, sign = 0.0069 * point, 0.06 * point  # [in]: of words at 0.9 of the usual size, with what they explain
    for columns in range(min(int(width_in / (0.16 * point)), max(len(labels), 1)), 1, -1):
        rows = -(-len(labels) // columns)
        parts = [labels[k : k + rows] for k in range(0, len(labels), rows)]
        if sum(sign + letter * max(map(len, part)) for part in parts) <= width_in:
            return columns
    return 1


def _ticks(axis: Any, ticks: Sequence[pp.Tick]) -> None:
    axis.set_ticks([at for at, _ in ticks], labels=[words for _, words in ticks])


def _plain(words: str) -> str:
    """Words that a person wrote; else matplotlib takes what stands between two dollar signs for a formula."""
    return words.replace("$", r"\$")


def _dash(look: pp.Look, width: float) -> Any:
    """The dash in matplotlib's way, which counts in widths of the line."""
    return (0, tuple(0.75 * v / width for v in look.dash)) if look.dash else "-"


def _hatch(look: pp.Look) -> str:
    return look.hatch * 3 if len(look.hatch) < 2 else look.hatch * 2
