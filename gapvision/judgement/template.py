"""What a template shows, in millimetres on the panel: the same lines for paper and for a cutter.

Frame: x along the seam as seen from outside the car, station by station from
left to right; y up.  This panel lies on one side of its edge, the gap on the other.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gapvision.errors import GapvisionError, require
from gapvision.geometry.curves import smooth_curve
from gapvision.geometry.runs import runs
from gapvision.judgement.panel import leads_to
from gapvision.model import (
    NOT_MEASURED,
    CorrectionPlan,
    EdgePlan,
    FloatArray,
    Mark,
    SeamReading,
    StretchPlan,
    TrimRules,
)
from gapvision.units import MM_PER_INCH

TICK_MM = 25.0
#: How far the marks' distance on the sheet and in the metal may differ [mm]: what a steel rule and two centre punches
#: leave open; common practice, no source.
MARKS_FIT_MM = 0.3
_BEYOND_MM = 50.0  # marks so far from the stations are still drawn; there the edge goes on as round as its last 50 mm
_TOLD_MM = 0.01  # changes below this are told as none, as in the plan's table
_SMOOTH_MM = 120.0  # as the form of a curved edge is judged
Line = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A word at a place [mm]."""

    x: float
    y: float
    text: str


@dataclass(frozen=True, slots=True, kw_only=True)
class PartToMake:
    """A part to be made to an edge alone.

    Attributes
    ----------
    gap_mm : float
        What its line lies inside the edge [mm].
    u_mm : float
        U (k = 2) of the edge's line, the largest of its stations [mm].
    whole : bool
        The line closes and has no hole.
    words : tuple of Label
        What lies on either side of the line.
    """

    gap_mm: float
    u_mm: float
    whole: bool
    words: tuple[Label, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class TemplateDrawing:
    """The lines of one template [mm].

    Attributes
    ----------
    present : tuple of Line
        The panel's edge as it was measured; a new line starts after each hole.
    scribe : tuple of Line
        The new edge, where metal is removed.
    build_up : tuple of Line
        The new edge, where metal is added.
    ticks : tuple of Line
        Station marks from the edge into the panel, every 25 mm.
    marks : tuple of Label
        The user's datum marks (a cross each).
    labels : tuple of Label
        Station numbers.
    into_panel : float
        +1 when the panel lies above its edge on the sheet, -1 when below.
    waste : tuple of Line
        The metal to be taken off: closed outlines between the present edge and the new one.
    limits_mm : (float, float) or None
        Between these the gap is to lie once the edge is done [mm].
    safe : tuple of Line
        The safe limit: no cut may reach beyond it; none where it was not entered.
    depths : tuple of Label
        At each tick with a change, what is removed there, with a plus what is added [mm].
    runs : str
        Where rising numbers lead, in the panel's own words for its directions.
    move_first : bool
        Whether the plan moves the panel before its edge is changed.
    part : PartToMake or None
        The part that is made to fit an edge alone; ``present`` is then that edge, ``scribe`` the part's own.
    edge, edge_stated : str, bool
        What the edge is, one of EDGES, or empty for not known; whether a person said so.
    measured_apart_mm : float or None
        Distance between the first mark and the last as measured on the panel [mm]; None: not stated.
    """

    seam: str
    photo: str
    panel: str
    present: tuple[Line, ...]
    scribe: tuple[Line, ...]
    build_up: tuple[Line, ...]
    ticks: tuple[Line, ...]
    marks: tuple[Label, ...]
    labels: tuple[Label, ...]
    into_panel: float
    waste: tuple[Line, ...] = ()
    limits_mm: tuple[float, float] | None = None
    safe: tuple[Line, ...] = ()
    depths: tuple[Label, ...] = ()
    runs: str = ""
    move_first: bool = False
    edge: str = ""
    edge_stated: bool = False
    measured_apart_mm: float | None = None
    part: PartToMake | None = None

    @property
    def marks_apart_mm(self) -> float | None:
        """Distance between the first mark and the last, straight across the sheet [mm]; None for fewer than two."""
        if len(self.marks) < 2:
            return None
        return math.dist(*((m.x, m.y) for m in (self.marks[0], self.marks[-1])))

    def check(self) -> None:
        """Refuse a sheet whose marks do not fit those in the metal, where their distance was measured.

        Raises
        ------
        GapvisionError
            ``template-marks-differ``.
        """
        drawn, measured_mm = self.marks_apart_mm, self.measured_apart_mm
        if measured_mm is None:
            return
        told = f"The template of seam '{self.seam}' ({self.photo})"
        if drawn is None:
            marks = f"{told} has {'one mark' if self.marks else 'no mark'}, so no distance can be compared."
            raise GapvisionError("template-marks-differ", marks)
        require(
            "template-marks-differ",
            abs(drawn - measured_mm) <= MARKS_FIT_MM,
            f"{told} has its marks {drawn:.2f} mm ({drawn / MM_PER_INCH:.3f} in) apart, the panel has "
            f"{measured_mm:.2f} mm ({measured_mm / MM_PER_INCH:.3f} in).",
        )

    def check_cutter(self) -> None:
        """Refuse a line for a machine where the edge is not known to be cut.

        Raises
        ------
        GapvisionError
            ``edge-not-for-cutter``.
        """
        if self.part is not None:
            holes = f"The part's line ({self.photo}) has holes where the edge was not measured."
            require("edge-not-for-cutter", self.part.whole or len(self.scribe) == 1, holes)
            return
        what = f"is {self.edge}" if self.edge_stated else "is not stated to be cut"
        told = f"The edge at seam '{self.seam}' ({self.photo}) {what}: a machine would cut through it."
        require("edge-not-for-cutter", self.edge == "cut" and self.edge_stated, told)

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Smallest and largest x and y of all lines [mm]: x0, y0, x1, y1."""
        points = [p for group in (self.present, self.scribe, self.build_up, self.ticks) for line in group for p in line]
        points += [(m.x, m.y) for m in self.marks]
        xs, ys = [p[0] for p in points], [p[1] for p in points]
        return min(xs), min(ys), max(xs), max(ys)


def drawings_of_plan(plan: CorrectionPlan) -> list[TemplateDrawing]:
    """One drawing per stretch whose edge is changed."""
    seams = {seam.name: seam for seam in plan.panel.seams}
    return [
        replace(
            stretch_drawing(x, plan.panel.name, seams[x.seam].marks, seams[x.seam].trim),
            runs=leads_to(x.stages[0].reading.xy_mm[[0, -1]].tolist(), plan.panel.words),
            move_first=not plan.move.is_none,
            measured_apart_mm=seams[x.seam].marks_apart_mm,
        )
        for x in plan.stretches
        if x.trim.needed
    ]


def drawings_of_edge(plan: EdgePlan) -> list[TemplateDrawing]:
    """The new edge of one seam where nothing is moved, with the work card's gauges; none where it stays as it is."""
    if not plan.stretch.trim.needed:
        return []
    (_, _, go, no_go), *more = plan.settings
    limits = None if more or not math.isfinite(go) else (go, no_go)
    return [replace(stretch_drawing(plan.stretch, f"panel {plan.edge}", trim=plan.rules), limits_mm=limits)]


def stretch_drawing(
    stretch: StretchPlan, panel: str, marks: Sequence[Mark] = (), trim: TrimRules | None = None
) -> TemplateDrawing:
    """Draw the new edge of one stretch.

    Notes
    -----
    Lines are drawn in the panel's own frame: the move does not bend its edge, so
    what is removed counts from the edge as it was measured, square to it.  The sheet
    lies on the panel's outer face, seen as the camera saw it: with the panel to the
    left of increasing stations it is drawn above its edge, else below.  Marks more
    than 50 mm beyond the stations are left out.
    """
    reading, remove = stretch.stages[0].reading, stretch.trim.remove_mm
    s, edge = reading.s_mm, reading.panel_edge_mm
    into = 1.0 if reading.panel_on_left else -1.0
    base = float(np.median(edge)) if not reading.curved else 0.5 * float(edge.min() + edge.max())
    course = _course(reading)

    def line(at: FloatArray, inwards: ArrayLike) -> Line:
        x, y = course(at, inwards).T
        return tuple(zip(x.tolist(), (-into * (y - base)).tolist(), strict=True))

    def changed(hit: NDArray[np.bool_]) -> tuple[Line, ...]:
        return tuple(line(s[i:k], remove[i:k]) for i, k in runs(s, reading.spacing_mm, hit) if hit[i])

    safe = (trim or TrimRules()).safe_at(s)
    stations = np.arange(math.ceil(s[0] / TICK_MM), math.floor(s[-1] / TICK_MM) + 1) * TICK_MM
    long = np.where(stations.round() % 100 == 0, 14.0, 9.0)
    nearby = [m for m in marks if s[0] - _BEYOND_MM <= m.at_mm <= s[-1] + _BEYOND_MM]
    depth = np.interp(stations, s, remove)
    near = np.abs(s[:, None] - stations).min(axis=0, initial=np.inf) <= reading.spacing_mm  # none in a hole
    deep = (np.abs(depth) >= _TOLD_MM) & near
    unseen = [x for x in stretch.trim.spans if x.action == NOT_MEASURED]
    middles = line(np.array([(x.from_mm + x.to_mm) / 2 for x in unseen]), -3.0)
    crosses = line(np.array([m.at_mm for m in nearby]), [m.from_edge_mm for m in nearby])
    return TemplateDrawing(
        seam=stretch.seam,
        photo=stretch.photo,
        panel=panel,
        present=tuple(line(s[i:k], 0.0) for i, k in runs(s, reading.spacing_mm) if k - i > 1),
        scribe=changed(remove > 0),
        build_up=changed(remove < 0),
        ticks=tuple(zip(line(stations, 2.0), line(stations, long), strict=True)),
        marks=_labels([m.name for m in nearby], crosses),
        labels=_labels([f"{at:.0f}" for at in stations], line(stations, long + 3.5)),
        into_panel=into,
        waste=tuple(
            (*line(s[i:k], 0.0), *reversed(line(s[i:k], remove[i:k])))
            for i, k in runs(s, reading.spacing_mm, remove > 0)
            if remove[i] > 0 and k - i > 1
        ),
        limits_mm=_limits(stretch),
        edge=stretch.trim.edge,
        edge_stated=stretch.trim.edge_stated,
        safe=() if np.isinf(safe).all() else tuple(line(s[i:k], safe[i:k]) for i, k in runs(s, reading.spacing_mm)),
        depths=(
            *_labels([f"{'' if d > 0 else '+'}{abs(d):.2f}" for d in depth[deep]], line(stations[deep], -3.0)),
            *_labels([f"{NOT_MEASURED}: leave"] * len(unseen), middles),
        ),
    )


def _limits(stretch: StretchPlan) -> tuple[float, float] | None:
    verdict = stretch.stages[-1 if stretch.finish is None else -2].verdict if len(stretch.stages) > 1 else None
    return None if verdict is None else verdict.gauged_mm


def _labels(texts: Sequence[str], places: Line) -> tuple[Label, ...]:
    return tuple(Label(x=x, y=y, text=text) for text, (x, y) in zip(texts, places, strict=True))


def _course(reading: SeamReading) -> Callable[[FloatArray, ArrayLike], FloatArray]:
    """Lay the edge out in the plane; gives the places at stations, so far inwards from the edge and square to it.

    Stations are lengths along the middle of the gap, and an edge's offset counts from a straight line.  So the middle
    leans by the angle whose sine is its slope against the stations, and runs on along the line by the cosine.
    """
    from scipy.interpolate import CubicHermiteSpline

    s, edge, half = reading.s_mm, reading.panel_edge_mm, reading.gap_mm / 2
    cosine = np.ones(len(s))
    for _ in range(3):  # the gap is square to the middle, so its share across the line depends on the lean
        middle = _fair(s, edge + half * cosine, reading.spacing_mm)
        sine = np.clip(np.gradient(middle, s, edge_order=2 if len(s) > 2 else 1), -0.95, 0.95) if len(s) > 1 else 0 * s
        cosine = np.sqrt(1 - sine**2)
    angle, off = np.arcsin(sine), (middle - edge) / cosine
    along = s[0] + np.concatenate([[0.0], np.cumsum(np.diff(s) * (cosine[1:] + cosine[:-1]) / 2)])
    points = np.stack([along, middle], 1)
    spline = CubicHermiteSpline(s, points, np.stack([cosine, sine], 1)) if len(s) > 1 else None

    def places(at: FloatArray, inwards: ArrayLike) -> FloatArray:
        inside = np.clip(at, s[0], s[-1])
        lean = np.interp(at, s, angle)
        place = points[np.zeros(len(at), int)] if spline is None else spline(inside)
        if spline is not None and (at != inside).any():  # goes on as round as its last part
            bend = (angle - np.interp(s - _BEYOND_MM, s, angle)) / np.maximum(np.minimum(s - s[0], _BEYOND_MM), 1e-9)
            beyond = at - inside
            turn = beyond * np.where(beyond > 0, bend[-1], bend[np.searchsorted(s, s[0] + _BEYOND_MM) - 1])
            chord = lean + turn / 2
            place = place + beyond[:, None] * np.stack([np.cos(chord), np.sin(chord)], 1)
            lean = lean + turn
        square = np.stack([-np.sin(lean), np.cos(lean)], 1)  # towards the neighbour
        return np.asarray(place - (np.interp(at, s, off) + np.asarray(inwards, float))[:, None] * square, dtype=float)

    return places


def _fair(s: FloatArray, values: FloatArray, spacing_mm: float) -> FloatArray:
    """Smooth course of the middle of the gap; too few stations give a straight line."""
    if len(s) < 6:
        return np.asarray(np.polynomial.Polynomial.fit(s, values, min(1, len(s) - 1))(s), dtype=float)
    return smooth_curve(s, values, max(_SMOOTH_MM, 3 * spacing_mm))
