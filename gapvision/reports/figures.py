"""Plots of a measurement: the gap profile and the straightness of both edges.

Matplotlib is imported inside the functions (it takes longer to load than a photo
takes to measure) and used without pyplot, so that several threads may draw at once.
Colour is never the only sign: spans carry a hatch and a label, edges a letter.
"""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.formats.atomic import check_folder
from gapvision.geometry.runs import holes, with_holes
from gapvision.model import HOLE, OPEN, ExtraLine, GapProfile, Measurement, Span, Verdict
from gapvision.units import MM_PER_INCH, format_fraction
from gapvision.words import Lengths, span_state
from gapvision.words import form as form_words

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Colours that stay apart in the common kinds of colour blindness (blue, vermilion, grey).
BLUE, VERMILION, PURPLE, INK, PAPER = "#0b5c93", "#b94a00", "#7a3b8f", "#1b1f24", "#ffffff"
_HATCH = {"wide": "///", "tight": "\\\\\\", "unproven": "---", "hole": "..."}
_TINT = {"wide": VERMILION, "tight": PURPLE, "unproven": "#6b6b6b", "hole": "#9a9a9a"}
_SIZE_IN = (10.0, 4.6)
#: Stroke and hatch of the second, third and fourth line: told apart without colour.
_MORE = (("--", "|||"), (":", "+++"), ("-.", "xxx"))


def line_of(profile: GapProfile, label: str, shift_mm: float = 0.0) -> ExtraLine:
    """Make a second line of another measurement, broken at its holes.

    Parameters
    ----------
    profile : GapProfile
        E.g. the state before.
    label : str
        What it is.
    shift_mm : float
        What to add to its stations so that they are those of the plot [mm].
    """
    s, gap, u = with_holes(profile.s_mm, profile.spacing_mm, profile.gap_mm, profile.expanded_u_mm)
    return ExtraLine(s + shift_mm, gap, label, u)


def draw_profile(
    measurement: Measurement,
    verdict: Verdict | None = None,
    *,
    more: Sequence[ExtraLine] = (),
    unit: str = "mm",
    size_in: tuple[float, float] = _SIZE_IN,
) -> Figure:
    """Draw the gap along the seam with U, the tolerance band, the spans that miss it, and further lines.

    Parameters
    ----------
    measurement : Measurement
        A measured photo.
    verdict : Verdict, optional
        A judgement of this very profile, whose limits may run; without it only the gap and its holes are shown.
    more : sequence of ExtraLine
        Further profiles, at most three: a forecast, the state before.
    unit : str
        ``mm``, ``in`` (decimals) or ``fraction`` (inch fractions) for all lengths; mm get inches on the right.
    size_in : tuple of float
        Width and height [in].

    Raises
    ------
    ValueError
        If the photo was refused.
    """
    if len(more) > len(_MORE):
        raise ValueError(f"more: expected at most {len(_MORE)} lines, got {len(more)}")
    profile = _measured(measurement)
    fig, axes = _new_figure(size_in)
    ax = axes[0]
    s, gap, u = with_holes(profile.s_mm, profile.spacing_mm, profile.gap_mm, profile.expanded_u_mm)
    ax.fill_between(s, gap - u, gap + u, color=BLUE, alpha=0.22, linewidth=0, label="U (k = 2)")
    ax.plot(s, gap, color=BLUE, linewidth=1.8, label="gap")
    for line, looks in zip(more, _MORE, strict=False):
        _draw_more(ax, line, *looks)
    limits = _limits(profile, verdict)
    low, high = _gap_range(profile, limits, more)
    ax.set_ylim(low, high)
    if len(s):
        ax.set_xlim(float(np.nanmin(s)) - 2, float(np.nanmax(s)) + 2)
    if limits is not None:
        ends = np.array(ax.get_xlim())
        at = np.concatenate([ends[:1], profile.s_mm, ends[1:]]) if len(s) else ends
        lower, upper = (np.concatenate([v[:1], v, v[-1:]]) if len(s) else v for v in limits)
        ax.fill_between(at, lower, upper, color="#3d7a4f", alpha=0.12, linewidth=0)
        if verdict is not None:
            ax.plot(profile.s_mm, verdict.nominal_mm, color="#2f5f3d", linewidth=0.9, linestyle="-.", label="nominal")
        for k, limit in enumerate((lower, upper)):
            ax.plot(at, limit, color="#2f5f3d", linewidth=1.2, linestyle="--", label="limits" if k == 0 else None)
    _shade_spans(ax, verdict.marked if verdict is not None else holes(profile.s_mm, profile.spacing_mm), unit)
    _label_station_axis(ax, unit)
    _label_gap_axis(ax, unit)
    ax.grid(True, alpha=0.25)
    ax.legend(loc="upper center", bbox_to_anchor=(0.5, -0.16), ncols=6, frameon=False, fontsize=9)
    return fig


def draw_straightness(
    measurement: Measurement, *, unit: str = "mm", size_in: tuple[float, float] = (10.0, 5.2)
) -> Figure:
    """Draw the form of both edges, each about its own least-squares line, at a stated exaggeration.

    Parameters
    ----------
    measurement : Measurement
        A measured photo.
    unit : str
        ``mm``, ``in`` or ``fraction``; both inch units give decimals here.
    size_in : tuple of float
        Width and height [in].

    Raises
    ------
    ValueError
        If the photo was refused.
    """
    profile = _measured(measurement)
    fig, axes = _new_figure(size_in, rows=2)
    say = Lengths(unit)
    parts = (
        ("A", profile.edge_a_mm, profile.edge_a_u_mm, measurement.straightness_a, BLUE, "-"),
        ("B", profile.edge_b_mm, profile.edge_b_u_mm, measurement.straightness_b, VERMILION, "-"),
    )
    curved = measurement.seam_kind == "curved"
    forms = [about_own_line(profile.s_mm, offset, curved=curved) for _, offset, *_ in parts]
    reach = max(
        [0.05, *(float(np.max(np.abs(form) + u[2])) for form, u in zip(forms, parts, strict=True) if len(form))]
    )
    length = max(float(np.ptp(profile.s_mm)), 1.0) if len(profile.s_mm) else 1.0
    # Both scales follow from the size of the axes on paper, so that the exaggeration is a round, true number.
    box = axes[0].get_position()
    width_in, height_in = box.width * size_in[0], box.height * size_in[1]
    times = _round_down_125((height_in / (2.2 * reach)) / (width_in / (1.02 * length)))
    half = height_in / (times * width_in / (1.02 * length)) / 2
    for ax, (letter, _, u, form_of_edge, colour, style), form in zip(axes, parts, forms, strict=True):
        s, line, spread = with_holes(profile.s_mm, profile.spacing_mm, form, u)
        ax.fill_between(s, line - spread, line + spread, color=colour, alpha=0.18, linewidth=0)
        ax.plot(s, line, color=colour, linewidth=1.6, linestyle=style)
        ax.axhline(0, color=INK, linewidth=0.8, linestyle="--")
        ax.set_ylim(half, -half)  # across the seam, A's side up, as in the photo
        if len(profile.s_mm):
            middle = float(profile.s_mm[0] + profile.s_mm[-1]) / 2
            ax.set_xlim(middle - 0.51 * length, middle + 0.51 * length)
        ax.grid(True, alpha=0.25)
        if unit == "mm":
            ax.set_ylabel(f"edge {letter} [mm]")
        else:
            _inch_ticks(ax.yaxis, 2 * half)
            ax.set_ylabel(f"edge {letter} [in]", labelpad=0)
        words = f"Edge {letter}: {form_words(form_of_edge, say)}"
        ax.set_title(words, loc="left", fontsize=10 if unit == "mm" else 9)
    _label_station_axis(axes[1], unit)
    axes[1].set_xlabel(
        f"{axes[1].get_xlabel()}      drawn {times:g} times steeper across the seam than along it; "
        f"dashed: least-squares {'parabola' if curved else 'line'}; band: U"
    )
    return fig


def figure_bytes(fig: Figure, kind: str = "png", dpi: int = 150) -> bytes:
    """Write a figure as ``png``, ``svg`` or ``pdf``, without dates, so that the same input gives the same bytes."""
    import matplotlib

    buffer = io.BytesIO()
    meta: dict[str, Any] = {"png": {"Software": None}, "svg": {"Date": None}, "pdf": {"CreationDate": None}}[kind]
    with matplotlib.rc_context({"svg.hashsalt": "gapvision", "svg.fonttype": "none"}):
        fig.savefig(buffer, format=kind, dpi=dpi, metadata=meta)
    return buffer.getvalue()


def write_figure(fig: Figure, path: Path) -> None:
    """Write a figure; the ending of the name (png, svg, pdf) decides the format.

    Raises
    ------
    GapvisionError
        ``value-out-of-range`` on another ending, ``folder-not-writable``.
    """
    write_bytes(path, figure_bytes(fig, figure_kind(path)))


def figure_kind(path: Path, also: tuple[str, ...] = ()) -> str:
    """Say which format the ending of a plot's name stands for: png, svg, pdf, or one of ``also``.

    Raises
    ------
    GapvisionError
        ``value-out-of-range`` on another ending.
    """
    kind = path.suffix.lower().lstrip(".")
    if kind not in ("png", "svg", "pdf", *also):
        raise GapvisionError(
            "value-out-of-range", f"A plot cannot be written as '{path.name}'.", "End its name with .png, .svg or .pdf."
        )
    return kind


def write_bytes(path: Path, data: bytes) -> None:
    """Write a file, or say in a sentence why not.

    Raises
    ------
    GapvisionError
        ``folder-not-writable``.
    """
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(data)
    except OSError as error:
        raise GapvisionError("folder-not-writable", f"'{path.name}' could not be written: {error.strerror}.") from None


def check_bytes(path: Path) -> None:
    """Refuse now what :func:`write_bytes` would refuse there later; leave everything as it is.

    Raises
    ------
    GapvisionError
        ``folder-not-writable``, in the same words.
    """
    try:
        check_folder(path.parent)
        if path.is_dir() or path.is_file():
            path.open("ab").close()
        elif path.parent.is_dir() and not path.exists() and not path.is_symlink():
            path.open("xb").close()
            path.unlink()
    except OSError as error:
        raise GapvisionError("folder-not-writable", f"'{path.name}' could not be written: {error.strerror}.") from None


# --- parts ------------------------------------------------------------------------


def _measured(measurement: Measurement) -> Any:
    if measurement.profile is None:
        raise ValueError("expected a measured photo, got a refused one")
    return measurement.profile


def _new_figure(size_in: tuple[float, float], rows: int = 1) -> tuple[Figure, list[Axes]]:
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    fig = Figure(figsize=size_in, facecolor=PAPER)
    FigureCanvasAgg(fig)
    axes = fig.subplots(rows, 1, squeeze=False, sharex=rows > 1)[:, 0]
    # Fixed margins in inches: room for the labels whatever the size, and axes whose size is known in advance.
    width, height = size_in
    fig.subplots_adjust(
        left=0.75 / width, right=1 - 0.8 / width, bottom=0.95 / height, top=1 - 0.45 / height, hspace=0.3
    )
    if rows > 1:
        fig.subplots_adjust(bottom=0.6 / height)
    return fig, list(axes)


def _draw_more(ax: Axes, line: ExtraLine, stroke: str, hatch: str) -> None:
    """Draw a further profile with its U as a hatched shade between thin borders."""
    if line.expanded_u_mm is not None:
        low, high = line.gap_mm - line.expanded_u_mm, line.gap_mm + line.expanded_u_mm
        ax.fill_between(line.s_mm, low, high, color=INK, alpha=0.1, linewidth=0)
        ax.fill_between(line.s_mm, low, high, facecolor="none", edgecolor=INK, alpha=0.45, hatch=hatch, linewidth=0)
        for border in (low, high):
            ax.plot(line.s_mm, border, color=INK, linewidth=0.5, alpha=0.7)
    label = line.label if line.expanded_u_mm is None else f"{line.label}, hatched: its U"
    ax.plot(line.s_mm, line.gap_mm, color=INK, linestyle=stroke, linewidth=1.6, label=label)


def _limits(profile: GapProfile, verdict: Verdict | None) -> tuple[NDArray[np.float64], NDArray[np.float64]] | None:
    """Lower and upper limit at each station [mm], or None."""
    if verdict is None:
        return None
    if len(verdict.s_mm) != len(profile.s_mm):
        raise ValueError(f"verdict: expected one of these {len(profile.s_mm)} stations, got {len(verdict.s_mm)}")
    return verdict.lower_mm, verdict.upper_mm


def _gap_range(
    profile: GapProfile,
    limits: tuple[NDArray[np.float64], NDArray[np.float64]] | None,
    more: Sequence[ExtraLine],
) -> tuple[float, float]:
    """Limits of the gap axis: everything measured, the band, and headroom for the labels; wild U is cut off."""
    values = [profile.gap_mm, *(line.gap_mm[np.isfinite(line.gap_mm)] for line in more), *(limits or ())]
    flat = np.concatenate(values) if any(len(v) for v in values) else np.array([0.0, 1.0])
    spread = float(np.median(profile.expanded_u_mm)) if len(profile.gap_mm) else 0.0
    low, high = float(flat.min()) - spread, float(flat.max()) + spread
    room = max(high - low, 0.2)
    return low - 0.08 * room, high + 0.25 * room


def _shade_spans(ax: Axes, spans: Sequence[Span], unit: str) -> None:
    """Shade each span with its own hatch and write its number and state above it."""
    left, right = ax.get_xlim()
    row_ends = [-np.inf, -np.inf, -np.inf]
    per_letter = (right - left) / 118  # width of a letter at font size 8.5 on the usual figure [mm]
    number = 0
    for span in spans:
        start, stop = span.from_mm, span.to_mm
        if stop - start < 1.0:  # a single station must still be seen
            start, stop = start - 0.5, stop + 0.5
        ax.axvspan(
            start,
            stop,
            facecolor=_TINT[look_of(span)],
            alpha=0.13,
            hatch=_HATCH[look_of(span)],
            edgecolor=_TINT[look_of(span)],
            linewidth=0.8,
        )
        if span.state != HOLE:
            number += 1
        text = span_label(span, number, unit)
        middle = (start + stop) / 2
        half = len(text) * per_letter / 2
        middle = min(max(middle, left + half), right - half)
        row = next((k for k, end in enumerate(row_ends) if middle - half > end), None)
        if row is None:  # no room for words: the number (or nothing for a hole) stands alone
            text, half = (str(number) if span.state != HOLE else ""), per_letter
            row = int(np.argmin(row_ends))
        row_ends[row] = middle + half
        ax.text(
            middle,
            0.985 - 0.062 * row,
            text,
            transform=ax.get_xaxis_transform(),
            ha="center",
            va="top",
            fontsize=8.5,
            color=INK,
            bbox={"facecolor": PAPER, "edgecolor": "none", "alpha": 0.85, "pad": 0.8},
        )


def look_of(span: Span) -> str:
    """Which tint and hatch a span that is not in tolerance gets."""
    return {HOLE: "hole", OPEN: "unproven"}.get(span.state, span.side)


def span_label(span: Span, number: int, unit: str = "mm") -> str:
    """Short label of a span: number, state, worst value in the unit of the plot."""
    if span.state == HOLE:
        return span_state(span)
    if unit == "mm":
        return f"{number} {span_state(span)}, {span.worst_mm:.2f}"
    worst = format_fraction(span.worst_mm) if unit == "fraction" else f"{span.worst_mm / MM_PER_INCH:.3f} in"
    return f"{number} {span_state(span)}, {worst.removesuffix(' in')}"


def _label_station_axis(ax: Axes, unit: str) -> None:
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    if unit == "mm":
        ax.set_xlabel("station along the seam [mm]")
        return
    left, right = ax.get_xlim()
    step = next(v for v in (0.5, 1.0, 2.0, 5.0, 10.0, 20.0, 50.0, 1e9) if (right - left) / MM_PER_INCH / v <= 12)
    ax.xaxis.set_major_locator(MultipleLocator(step * MM_PER_INCH))

    def told(mm: float, _pos: int) -> str:
        return Lengths(unit).place(mm).removesuffix(" in") if unit == "fraction" else f"{mm / MM_PER_INCH:g}"

    ax.xaxis.set_major_formatter(FuncFormatter(told))
    ax.set_xlabel("station along the seam [in]")


def _inch_ticks(axis: Any, range_mm: float) -> None:
    """Ticks at round decimals of an inch on an axis that is drawn in mm."""
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    steps = (0.001, 0.002, 0.005, 0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1e9)
    step = next(v for v in steps if range_mm / MM_PER_INCH / v <= 6)
    axis.set_major_locator(MultipleLocator(step * MM_PER_INCH))
    axis.set_major_formatter(FuncFormatter(lambda mm, _pos: f"{mm / MM_PER_INCH + 0.0:.3f}"))


def _label_gap_axis(ax: Axes, unit: str) -> None:
    from matplotlib.ticker import FuncFormatter, MultipleLocator

    low, high = ax.get_ylim()
    step_in = next((d for d in (1 / 64, 1 / 32, 1 / 16, 1 / 8, 1 / 4) if (high - low) / MM_PER_INCH / d <= 9), 0.5)
    fraction = FuncFormatter(lambda mm, _pos: format_fraction(mm).removesuffix(" in"))
    if unit == "mm":
        ax.set_ylabel("gap [mm]")
        right = ax.secondary_yaxis("right")
        right.yaxis.set_major_locator(MultipleLocator(step_in * MM_PER_INCH))
        right.yaxis.set_major_formatter(fraction)
        right.set_ylabel("gap [in]")
    elif unit == "fraction":
        ax.yaxis.set_major_locator(MultipleLocator(step_in * MM_PER_INCH))
        ax.yaxis.set_major_formatter(fraction)
        ax.set_ylabel("gap [in]")
    elif unit == "in":
        ax.yaxis.set_major_formatter(FuncFormatter(lambda mm, _pos: f"{mm / MM_PER_INCH:.3f}"))
        ax.set_ylabel("gap [in]")
    else:
        raise ValueError(f"unit: expected mm, in or fraction, got {unit!r}")


def about_own_line(
    s_mm: NDArray[np.float64], offset_mm: NDArray[np.float64], *, curved: bool = False
) -> NDArray[np.float64]:
    """Deviation of an edge from its least-squares line, or parabola on a seam curved by design [mm]."""
    degree = 2 if curved else 1
    if len(s_mm) <= degree:
        return np.zeros(len(s_mm))
    fit = np.polynomial.Polynomial.fit(s_mm, offset_mm, degree)
    return np.asarray(offset_mm - fit(s_mm), float)


def _round_down_125(value: float) -> float:
    """Largest of 1, 2, 5, 10, 20 ... that is not above the value."""
    base = 10.0 ** np.floor(np.log10(max(value, 1.0)))
    return float(max(k * base for k in (1.0, 2.0, 5.0) if k * base <= max(value, 1.0)))
