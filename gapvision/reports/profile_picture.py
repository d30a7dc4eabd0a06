"""One description of the plots of a seam, as plain data: what is drawn, in which looks, with which words.

Painters only put it on their ground: ``figures.py`` (PNG, SVG, PDF), ``evidence_chart.py`` (the report's pages) and
``page/viewer.js`` (the browser, from JSON).  What differs between them is their size: so there are two sets of ticks,
and each span has words of several lengths.  Colour is never the only sign: spans carry a hatch and a number, lines a
dash, edges a letter.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from itertools import count
from typing import Any

import numpy as np

from gapvision.geometry.runs import holes, runs
from gapvision.model import HOLE, OPEN, OUT, ExtraLine, FloatArray, GapProfile, LeftOut, Measurement, Span, Verdict
from gapvision.model.panel import SeamReading
from gapvision.units import MM_PER_INCH, format_fraction
from gapvision.words import Lengths, first_up, span_state, worst
from gapvision.words import form as form_words

_PAD_MM = 2.0  # of the frame beyond the first and the last station
_SHOWN_SPANS = 8  # more in the alternative text would tire who listens

#: Colours that stay apart in the common kinds of colour blindness, on white paper and on a dark page.
BLUE, VERMILION, PURPLE, GREY, GREEN = "#2f7fc1", "#d9601a", "#9a5cba", "#808080", "#2f8f4f"
#: How edges are drawn on a photo: darker, because they lie on a light casing.
EDGE_A, EDGE_B = "#0060aa", "#d65400"


@dataclass(frozen=True, slots=True)
class Look:
    """How something is drawn, and what its line and its hatch are called."""

    colour: str  # #rrggbb, or ``ink``: the colour of the writing
    hatch: str = ""  # strokes that fill its shade: those of / \\ - | and . for dots; empty: none
    dash: tuple[float, ...] = ()  # stroke and space of its line [pt, or px on the page]; empty: a full line
    line: str = ""
    shade: str = ""


GAP = Look(BLUE, line="blue line")
ZONE = Look(GREEN, dash=(7, 4), line="green zone")
NOMINAL = Look(GREEN, dash=(10, 3, 2, 3))
MORE = (
    Look("ink", "|", (8, 4), "dashed", "upright hatching"),
    Look("ink", "|-", (2, 4), "dotted", "crossed hatching"),
    Look("ink", "/\\", (10, 3, 2, 3), "dash-dot", "slanting crossed hatching"),
)
EDGES = {"A": Look(BLUE), "B": Look(VERMILION)}
SPANS = {
    "too wide": Look(VERMILION, "/"),
    "too tight": Look(PURPLE, "\\"),
    OUT: Look(VERMILION, "/\\"),
    OPEN: Look(GREY, "-"),
    HOLE: Look(GREY, "."),
}

Tick = tuple[float, str]


@dataclass(frozen=True, slots=True, kw_only=True)
class Axis:
    """One axis [mm], its name, and its ticks where there is much room and where there is little."""

    low: float
    high: float
    name: str
    many: tuple[Tick, ...]
    few: tuple[Tick, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Line:
    """A line with its U as a shade: stations, values, U [mm], shape (n,); index ranges between the holes."""

    label: str
    look: Look
    s: FloatArray
    y: FloatArray
    u: FloatArray | None  # None where it is not known
    runs: tuple[tuple[int, int], ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Zone:
    """The tolerance zone from border to border of the frame: places where it bends, limits and the wanted gap [mm]."""

    s: FloatArray
    lower: FloatArray
    upper: FloatArray
    nominal: FloatArray
    look: Look = ZONE
    middle: Look = NOMINAL


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A span that is marked."""

    number: int  # from 1 along the seam; 0: a hole
    words: str  # state, or why a person left it out
    look: Look
    start: float  # where it is drawn [mm]
    stop: float
    first: int  # its stations: indices, the last one not included
    last: int
    labels: tuple[str, ...]  # what may be written at it, longest first; the first one that fits


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class ProfilePicture:
    """The gap along a seam, ready to be painted."""

    lines: tuple[Line, ...]  # the gap, then further lines: a forecast, the state before
    zone: Zone | None  # without a tolerance None
    marks: tuple[Mark, ...]  # spans that are out of tolerance, not proven, not measured or left out
    places: Axis  # along the seam
    gaps: Axis
    others: Axis  # the gap in the other system of units
    brackets: tuple[tuple[float, float, str], ...]  # stretches named along the lower border: from, to [mm], words
    title: str  # heading or nothing
    alt: str  # all of it in words, for who does not see it
    key: str  # what the looks mean


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FormPicture:
    """The form of both edges, each about its own line, ready to be painted at one exaggeration."""

    lines: tuple[Line, ...]  # edge A and B, the way up that the photo shows them [mm]
    words: tuple[str, ...]  # one sentence for each
    reach: float  # what must be seen either way [mm]
    places: Axis
    heights: tuple[Tick, ...]  # across the seam; those beyond the frame are left out by who paints
    unit: str
    note: str  # how to read it; {times} stands for the exaggeration
    steeper: tuple[float, ...] = tuple(k * 10.0**p for p in (3, 2, 1, 0) for k in (8, 6, 5, 4, 3, 2, 1.5, 1))

    def times(self, most: float) -> float:
        """Choose the largest exaggeration up to ``most``."""
        return next(k for k in self.steeper if k <= max(most, 1.0))


#: Whatever has a gap with its U along a seam.
Stations = GapProfile | SeamReading | Verdict


def line_of(profile: GapProfile, label: str, shift_mm: float = 0.0) -> ExtraLine:
    """Make a second line of another measurement, e.g. the state before, its stations moved by ``shift_mm``."""
    return ExtraLine(profile.s_mm + shift_mm, profile.gap_mm, label, profile.expanded_u_mm)


def build_picture(
    measured: Measurement | Stations,
    verdict: Verdict | None = None,
    more: Sequence[ExtraLine] = (),
    unit: str = "mm",
    *,
    label: str = "gap",
    title: str = "",
    brackets: Sequence[tuple[float, float, str]] = (),
) -> ProfilePicture:
    """Describe the plot of a gap along its seam.

    Parameters
    ----------
    measured : Measurement, GapProfile, SeamReading or Verdict
        Whose gap.
    verdict : Verdict, optional
        The judgement of these very stations; without it only the holes are marked.
    more : sequence of ExtraLine
        Further profiles, at most three; what lies beside the stations is left out.
    unit : str
        ``mm``, ``in`` (decimals) or ``fraction`` for everything that is written.
    label, title : str
        What the first line is; a heading.
    brackets : sequence of (from, to, words)
        Stretches to name along the lower border [mm].

    Raises
    ------
    ValueError
        If the photo was refused, the verdict is of other stations, or there are too many lines.
    """
    profile, left_out = (_profile(measured), measured.left_out) if isinstance(measured, Measurement) else (measured, ())
    say, n = Lengths(unit), len(profile.s_mm)
    if verdict is not None and len(verdict.s_mm) != n:
        raise ValueError(f"verdict: expected one of these {n} stations, got {len(verdict.s_mm)}")
    if len(more) > len(MORE):
        raise ValueError(f"more: expected at most {len(MORE)} lines, got {len(more)}")
    places = _places(profile.s_mm, unit)
    lines = (
        _line(label, GAP, profile.s_mm, profile.gap_mm, profile.expanded_u_mm, profile.spacing_mm),
        *(_further(line, look, places) for line, look in zip(more, MORE, strict=False)),
    )
    zone = None if verdict is None else _zone(verdict, places)
    spans = _spans(profile, verdict)
    marks = _marks(spans, profile.s_mm, places, say, left_out)
    low, high = _range(lines, zone)
    return ProfilePicture(
        lines=lines,
        zone=zone,
        marks=marks,
        places=places,
        gaps=_gaps(low, high, unit),
        others=_gaps(low, high, "mm" if say.inch else "fraction"),
        brackets=tuple(brackets),
        title=title,
        alt=_told(profile, verdict, marks, spans, say) if n else "Nothing was measured.",
        key="; ".join(_key(lines, zone)),
    )


def on_one_scale(pictures: Sequence[ProfilePicture], unit: str = "mm") -> list[ProfilePicture]:
    """Give pictures that stand beside each other the same gap axis."""
    low, high = min(p.gaps.low for p in pictures), max(p.gaps.high for p in pictures)
    other = "fraction" if unit == "mm" else "mm"
    return [replace(p, gaps=_gaps(low, high, unit), others=_gaps(low, high, other)) for p in pictures]


def build_form(measurement: Measurement, unit: str = "mm") -> FormPicture:
    """Describe the plot of both edges' form, each about its own least-squares line (or parabola, on a curved seam).

    Parameters
    ----------
    measurement : Measurement
        A measured photo.
    unit : str
        ``mm``, ``in`` or ``fraction``; both inch units give decimals across the seam.

    Raises
    ------
    ValueError
        If the photo was refused.
    """
    p, curved, say = _profile(measurement), measurement.seam_kind == "curved", Lengths(unit)
    edges = (
        ("A", p.edge_a_mm, p.edge_a_u_mm, measurement.straightness_a),
        ("B", p.edge_b_mm, p.edge_b_u_mm, measurement.straightness_b),
    )
    up, sign = ("B", 1.0) if _b_above(p) else ("A", -1.0)
    lines = tuple(
        _line(f"edge {of}", EDGES[of], p.s_mm, _about_own_line(p.s_mm, sign * x, curved=curved), u, p.spacing_mm)
        for of, x, u, _ in edges
    )
    # A wild U does not flatten the edges; it is cut off.
    spreads = [np.abs(line.y) + np.minimum(u, 1.0) for line, (_, _, u, _) in zip(lines, edges, strict=True)]
    reach = max([0.05, *(float(x.max()) for x in spreads if len(x))])
    about = "parabola" if curved else "line"
    one = MM_PER_INCH if say.inch else 1.0
    step = max(k * 10.0**e for e in range(-5, 3) for k in (1, 2, 5) if k * 10.0**e * one <= reach)
    return FormPicture(
        lines=lines,
        words=tuple(f"Edge {letter}: {form_words(form, say)}" for letter, _, _, form in edges),
        reach=reach,
        places=_places(p.s_mm, unit),
        heights=_at_steps(-1.6 * reach, 1.6 * reach, step, one),
        unit="in" if say.inch else "mm",
        note="Drawn {times} times steeper across the seam than along it; "
        f"up is towards panel {up}; dashed: least-squares {about}; shade: U.",
    )


def place_labels(picture: ProfilePicture, letter_mm: float, rows: int) -> list[tuple[str, float, int]]:
    """Choose words for the marks so that none lies on another: words, middle [mm], row, one row below the other.

    A letter takes ``letter_mm`` on the axis along the seam.  A mark that has no room even for its number is left out.
    """
    ends, placed = [-math.inf] * rows, []
    for mark in picture.marks:
        for words in mark.labels:
            half = 0.5 * letter_mm * (len(words) + 0.5)
            middle = min(max((mark.start + mark.stop) / 2, picture.places.low + half), picture.places.high - half)
            row = next((k for k, end in enumerate(ends) if middle - half >= end), None)
            # In a single row, words wider than their span would take the place of the next number.
            if row is not None and (rows > 1 or 2 * half <= mark.stop - mark.start or words == mark.labels[-1]):
                ends[row] = middle + half
                placed.append((words, middle, row))
                break
    return placed


def listed_spans(
    measurement: Measurement, verdict: Verdict | None, say: Lengths, *, both: bool = False
) -> list[tuple[str, str, Span, str]]:
    """The spans that a plot marks, for a list: number or ``-``, state or why it was left out, span, worst station.

    Parameters
    ----------
    measurement, verdict
        As :func:`build_picture`.
    say, both
        The unit, and as in :meth:`Lengths.small`.
    """
    numbers, left_out = count(1), measurement.left_out
    return [
        ("-" if x.state == HOLE else str(next(numbers)), _told_span(x, left_out), x, worst(x, say, both=both))
        for x in _spans(_profile(measurement), verdict)
    ]


def marks_along(s_mm: FloatArray, unit: str) -> list[tuple[int, bool, str]]:
    """Ticks along a seam on its photo: station that lies nearest, whether it is a long one, what it is called.

    Every 10 mm, long every 50 mm; in inches every 1/2 in, long every 2 in.
    """
    short = 10.0 if unit == "mm" else MM_PER_INCH / 2
    found = []
    for k in range(math.ceil(s_mm[0] / short - 1e-9), math.floor(s_mm[-1] / short + 1e-9) + 1):
        i = int(np.argmin(np.abs(s_mm - k * short)))
        every = 5 if unit == "mm" else 4
        if abs(s_mm[i] - k * short) <= 0.75:
            found.append((i, k % every == 0, f"{10 * k}" if unit == "mm" else f"{k / 2:g}"))
    return found


def as_plain(value: Any) -> Any:
    """Turn a description into what JSON can carry; lengths to 0.001 mm, NaN becomes null."""
    if is_dataclass(value) and not isinstance(value, type):
        return {f.name: as_plain(getattr(value, f.name)) for f in fields(value)}
    if isinstance(value, np.ndarray):
        return [round(float(v), 3) if math.isfinite(v) else None for v in value]
    return [as_plain(v) for v in value] if isinstance(value, tuple | list) else value


# --- parts ------------------------------------------------------------------------


def _profile(measurement: Measurement) -> GapProfile:
    if measurement.profile is None:
        raise ValueError("expected a measured photo, got a refused one")
    return measurement.profile


def _spans(profile: Stations, verdict: Verdict | None) -> Sequence[Span]:
    return holes(profile.s_mm, profile.spacing_mm) if verdict is None else verdict.marked


def _told_span(span: Span, left_out: Sequence[LeftOut]) -> str:
    """Its state, or why a person left it out."""
    reasons = [x.reason for x in left_out if x.from_mm < span.to_mm and x.to_mm > span.from_mm]
    return f"left out: {'; '.join(reasons)}" if span.state == HOLE and reasons else span_state(span)


def _line(label: str, look: Look, s: FloatArray, y: FloatArray, u: FloatArray | None, spacing: float) -> Line:
    return Line(label=label, look=look, s=s, y=y, u=u, runs=tuple(runs(s, spacing)))


def _further(line: ExtraLine, look: Look, places: Axis) -> Line:
    """A further line, as far as it lies in the frame."""
    s, u = line.s_mm, line.expanded_u_mm
    seen = np.isfinite(line.gap_mm) & (s >= places.low) & (s <= places.high)
    s = s[seen]
    spacing = float(np.median(np.diff(s))) if len(s) > 1 else 1.0
    return _line(line.label, look, s, line.gap_mm[seen], None if u is None else u[seen], spacing)


def _zone(verdict: Verdict, places: Axis) -> Zone:
    """Limits, carried on to the borders of the frame; only where they bend."""
    values = np.stack([verdict.lower_mm, verdict.upper_mm, verdict.nominal_mm])
    values = np.concatenate([values[:, :1], values, values[:, -1:]], axis=1)
    s = np.concatenate([[places.low], verdict.s_mm, [places.high]])
    bends = np.diff(np.diff(values) / np.diff(s))
    kept = np.flatnonzero(np.pad((np.abs(bends) > 1e-9).any(axis=0), 1, constant_values=True))
    lower, upper, nominal = values[:, kept]
    return Zone(s=s[kept], lower=lower, upper=upper, nominal=nominal)


def _marks(
    spans: Sequence[Span], s: FloatArray, places: Axis, say: Lengths, left_out: Sequence[LeftOut]
) -> tuple[Mark, ...]:
    found, numbers = [], count(1)
    for span in spans:
        start, stop = max(span.from_mm, places.low), min(span.to_mm, places.high)
        if stop - start < 1.0:  # a single station must still be seen
            start, stop = start - 0.5, stop + 0.5
        number, words = 0, _told_span(span, left_out)
        labels: tuple[str, ...] = (words,) if words == span_state(span) else (words, "left out")
        if span.state != HOLE:
            number = next(numbers)
            # Thousandths of an inch are fine enough here.
            furthest = say.small(span.worst_mm, alone=True) if say.unit == "in" else say.gap_alone(span.worst_mm)
            bare = furthest.replace(f" {'mm' if say.unit == 'mm' else 'in'}", "")  # the axis names the unit
            labels = (f"{number} {words}, {bare}", f"{number} {words}", f"{number}")
        first, last = (int(k) for k in np.searchsorted(s, [span.from_mm - 1e-6, span.to_mm + 1e-6]))
        look = SPANS[span_state(span)]
        found.append(
            Mark(number=number, words=words, look=look, start=start, stop=stop, first=first, last=last, labels=labels)
        )
    return tuple(found)


def _range(lines: Sequence[Line], zone: Zone | None) -> tuple[float, float]:
    """Limits of the gap axis: all lines, their usual U and the tolerance; a wild U is cut off."""
    ends: list[float] = [] if zone is None else [float(zone.lower.min()), float(zone.upper.max())]
    for line in lines:
        if len(line.y):
            spread = 0.0 if line.u is None else float(np.median(line.u))
            ends += [float(line.y.min()) - spread, float(line.y.max()) + spread]
    if not ends:
        return 0.0, 1.0
    room = 0.06 * max(max(ends) - min(ends), 0.3)
    return min(ends) - room, max(ends) + room


def _places(s: FloatArray, unit: str) -> Axis:
    low, high = (float(s[0]) - _PAD_MM, float(s[-1]) + _PAD_MM) if len(s) else (0.0, 1.0)
    name = f"station along the seam [{'mm' if unit == 'mm' else 'in'}]"
    many, few = (ticks(low, high, most, unit) for most in (10, 6))
    return Axis(low=low, high=high, name=name, many=many, few=few)


def _gaps(low: float, high: float, unit: str) -> Axis:
    many, few = (ticks(low, high, most, unit, least=1 / 64 if unit == "fraction" else 0.001) for most in (9, 6))
    return Axis(low=low, high=high, name=f"gap [{'mm' if unit == 'mm' else 'in'}]", many=many, few=few)


def ticks(low: float, high: float, most: int, unit: str, least: float | None = None) -> tuple[Tick, ...]:
    """Round places between two ends [mm], at most so many steps, and what they are called.

    ``mm`` and ``in`` count in 1, 2, 5, ``fraction`` in halves and doubles; ``least`` is the smallest step, in the unit:
    the default is for places along a seam.
    """
    one = 1.0 if unit == "mm" else MM_PER_INCH
    least = least or {"mm": 1.0, "in": 0.1, "fraction": 0.25}[unit]
    span, k = (high - low) / one, 0
    step = least
    while span / step > most:
        k += 1
        step = least * (2**k if unit == "fraction" else (1, 2, 5)[k % 3] * 10 ** (k // 3))
    return _at_steps(low, high, step, one, fraction=unit == "fraction")


def _at_steps(low: float, high: float, step: float, one: float, *, fraction: bool = False) -> tuple[Tick, ...]:
    first, last = math.ceil(low / one / step - 1e-9), math.floor(high / one / step + 1e-9)
    decimals = max(0, math.ceil(-math.log10(step) - 1e-9))
    places = [k * step for k in range(first, last + 1)]
    words = [format_fraction(v * one).removesuffix(" in") if fraction else f"{v:.{decimals}f}" for v in places]
    return tuple((v * one, word) for v, word in zip(places, words, strict=True))


def _key(lines: Sequence[Line], zone: Zone | None) -> list[str]:
    """What the lines mean, for a page that has no room for a legend."""
    words = []
    for k, line in enumerate(lines):
        shade = "" if line.u is None else f", {line.look.shade}: its U" if k else ", shade: U"
        words.append(f"{line.look.line}: {line.label}{shade}")
    return [*words, f"{ZONE.line}: tolerance"] if zone is not None else words


def _told(
    profile: Stations, verdict: Verdict | None, marks: Sequence[Mark], spans: Sequence[Span], say: Lengths
) -> str:
    """The plot in words."""
    least, most = (say.gap_alone(float(v)) for v in (profile.gap_mm.min(), profile.gap_mm.max()))
    u = say.small(float(np.median(profile.expanded_u_mm)), alone=True)
    stretch = say.stretch(float(profile.s_mm[0]), float(profile.s_mm[-1]))
    told = [f"Gap along the seam from {stretch}: smallest {least}, largest {most}, U {u}."]
    if verdict is not None:
        told.append(f"{first_up(verdict.state)}.")
    for mark, span in list(zip(marks, spans, strict=True))[:_SHOWN_SPANS]:
        furthest = "" if span.state == HOLE else f", worst {say.gap_alone(span.worst_mm)}"
        told.append(f"{first_up(mark.words)} from {say.stretch(span.from_mm, span.to_mm)}{furthest}.")
    if len(marks) > _SHOWN_SPANS:
        told.append(f"And {len(marks) - _SHOWN_SPANS} more spans.")
    return " ".join(told)


def _b_above(p: GapProfile) -> bool:
    """Whether panel B lies above panel A in the photo; beside each other, A counts as above."""
    if not len(p.s_mm):
        return False
    across = (p.edge_b_px - p.edge_a_px).mean(axis=0)
    return bool(across[1] < 0 and abs(across[1]) > abs(across[0]))


def _about_own_line(s: FloatArray, offset: FloatArray, *, curved: bool) -> FloatArray:
    """Deviation from the least-squares line, or from the parabola on a seam curved by design [mm]."""
    degree = 2 if curved else 1
    if len(s) <= degree:
        return np.zeros(len(s))
    return np.asarray(offset - np.polynomial.Polynomial.fit(s, offset, degree)(s), float)
