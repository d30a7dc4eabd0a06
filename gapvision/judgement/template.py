"""What a template shows, in millimetres on the panel: the same lines for paper and for a cutter.

Frame: x along the seam as seen from outside the car, station by station from
left to right; y up.  This panel lies on one side of its edge, the gap on the other.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from gapvision.geometry.runs import runs
from gapvision.model import CorrectionPlan, FloatArray, Mark, StretchPlan

TICK_MM = 25.0
Line = tuple[tuple[float, float], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Label:
    """A word at a place [mm]."""

    x: float
    y: float
    text: str


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

    @property
    def bounds(self) -> tuple[float, float, float, float]:
        """Smallest and largest x and y of all lines [mm]: x0, y0, x1, y1."""
        points = [p for group in (self.present, self.scribe, self.build_up, self.ticks) for line in group for p in line]
        points += [(m.x, m.y) for m in self.marks]
        xs, ys = [p[0] for p in points], [p[1] for p in points]
        return min(xs), min(ys), max(xs), max(ys)


def drawings_of_plan(plan: CorrectionPlan) -> list[TemplateDrawing]:
    """One drawing per stretch whose edge is changed."""
    marks = {s.name: s.marks for s in plan.panel.seams}
    return [stretch_drawing(x, plan.panel.name, marks[x.seam]) for x in plan.stretches if x.trim.needed]


def stretch_drawing(stretch: StretchPlan, panel: str, marks: Sequence[Mark] = ()) -> TemplateDrawing:
    """Draw the new edge of one stretch.

    Notes
    -----
    Lines are drawn in the panel's own frame: the move does not bend its edge, so
    what is removed counts from the edge as it was measured.  The sheet lies on
    the panel's outer face, seen as the camera saw it: with the panel to the left
    of increasing stations it is drawn above its edge, else below.
    """
    reading = stretch.stages[0].reading
    s, edge, remove = reading.s_mm, reading.panel_edge_mm, stretch.trim.remove_mm
    into = 1.0 if reading.panel_on_left else -1.0
    base = float(np.median(edge)) if not reading.curved else 0.5 * float(edge.min() + edge.max())
    x = _along(s, edge)
    present, new = -into * (edge - base), -into * (edge - remove - base)
    ticks, labels = [], []
    for station in np.arange(math.ceil(s[0] / TICK_MM), math.floor(s[-1] / TICK_MM) + 1) * TICK_MM:
        tx, ty = float(np.interp(station, s, x)), float(np.interp(station, s, present))
        long = 14.0 if round(station) % 100 == 0 else 9.0
        ticks.append(((tx, ty + into * 2.0), (tx, ty + into * long)))
        labels.append(Label(x=tx, y=ty + into * (long + 3.5), text=f"{station:.0f}"))
    crosses = [
        Label(
            x=float(np.interp(m.at_mm, s, x)),
            y=float(np.interp(m.at_mm, s, present)) + into * m.from_edge_mm,
            text=m.name,
        )
        for m in marks
        if s[0] - 50 <= m.at_mm <= s[-1] + 50
    ]
    return TemplateDrawing(
        seam=stretch.seam,
        photo=stretch.photo,
        panel=panel,
        present=tuple(_line(x[i:k], present[i:k]) for i, k in runs(s, reading.spacing_mm) if k - i > 1),
        scribe=tuple(_runs(x, new, remove > 0)),
        build_up=tuple(_runs(x, new, remove < 0)),
        ticks=tuple(ticks),
        marks=tuple(crosses),
        labels=tuple(labels),
        into_panel=into,
    )


def _along(s: FloatArray, edge: FloatArray) -> FloatArray:
    """Distance along the straight reference: on a curved edge shorter than along the seam."""
    step, rise = np.diff(s), np.diff(edge)
    lean = np.clip(np.gradient(_smooth(edge), s)[:-1], -2, 2) if len(s) > 2 else rise / np.maximum(step, 1e-9)
    return np.asarray(s[0] + np.concatenate([[0.0], np.cumsum(step / np.hypot(1.0, lean))]), dtype=float)


def _smooth(edge: FloatArray) -> FloatArray:
    t = np.linspace(-1, 1, len(edge))
    return np.asarray(np.polynomial.Polynomial.fit(t, edge, min(4, len(edge) - 1))(t), dtype=float)


def _line(x: FloatArray, y: FloatArray) -> Line:
    return tuple((float(a), float(b)) for a, b in zip(x, y, strict=True))


def _runs(x: FloatArray, y: FloatArray, hit: Any) -> list[Line]:
    cuts = np.flatnonzero(hit[1:] != hit[:-1]) + 1
    return [_line(x[i], y[i]) for i in np.split(np.arange(len(x)), cuts) if hit[i[0]]]
