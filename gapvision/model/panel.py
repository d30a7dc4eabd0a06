"""A panel in its own plane: seams, adjusters, and the readings placed on it."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import require
from gapvision.model._checks import FloatArray, frozen_array, frozen_columns
from gapvision.model.finish import FinishPlan
from gapvision.model.judgement import DecisionRule, Specification
from gapvision.model.photo import Notice
from gapvision.model.profile import Straightness

_require = partial(require, "panel-file-bad")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeamReading:
    """One measured stretch of one seam (one photo), placed on its panel.

    Attributes
    ----------
    seam, photo : str
        Name of the seam; the photo's file.
    s_mm, gap_mm, expanded_u_mm : ndarray, shape (n,)
        Stations along the seam, gap, U [mm].
    panel_edge_mm : ndarray, shape (n,)
        Offset of this panel's edge towards the neighbour from the photo's straight reference [mm].
    xy_mm : ndarray, shape (n, 2)
        Places of the stations in the panel's plane [mm]; empty when not placed.
    outward : ndarray, shape (n, 2)
        Unit normals in the panel's plane, from this panel to the neighbour; empty when not placed.
    step_mm, step_u_mm : float
        Height of this panel above its neighbour and U [mm]; NaN when not measured.
    panel_straightness, neighbour_straightness : Straightness or None
        Form of the two edges as measured.
    edge_seen, edge_stated : str, bool
        How this panel's edge is made as its photo tells it, ``cut``, ``rolled`` or empty; whether a person said so.
    curved, closed : bool
        Bent by design; goes round a lid or an opening, so that it has no taper.
    panel_on_left : bool
        True when this panel lies to the left of a person who looks along increasing s from outside the car.
    notices : tuple of Notice
        Warnings and notes of the photo.
    """

    seam: str
    photo: str
    s_mm: FloatArray
    gap_mm: FloatArray
    expanded_u_mm: FloatArray
    panel_edge_mm: FloatArray
    xy_mm: FloatArray
    outward: FloatArray
    spacing_mm: float = 1.0
    step_mm: float = math.nan
    step_u_mm: float = math.nan
    panel_straightness: Straightness | None = None
    neighbour_straightness: Straightness | None = None
    curved: bool = False
    closed: bool = False
    edge_seen: str = ""
    edge_stated: bool = False
    panel_on_left: bool = True
    notices: tuple[Notice, ...] = ()

    def __post_init__(self) -> None:
        n = frozen_columns(self, "s_mm", "gap_mm", "expanded_u_mm", "panel_edge_mm")
        for name in ("xy_mm", "outward"):
            frozen_array(self, name, (n if len(getattr(self, name)) else 0, 2))

    def at(self, known: NDArray[np.bool_]) -> SeamReading:
        """The same stretch with some of its stations only."""
        if known.all():
            return self
        names = ("s_mm", "gap_mm", "expanded_u_mm", "panel_edge_mm", "xy_mm", "outward")
        return replace(self, **{name: x[known] for name in names if len(x := getattr(self, name))})


Point = tuple[float, float]
Travel = tuple[float, float]
PLAIN_WORDS = ("in +x", "in -x", "in +y", "in -y")
#: Aim of a move -> what it makes as small as possible.
AIMS = {
    "mend": "seams that are out go to the middle of their limits, the others give way inside theirs only; where the "
    "hand's setting error would throw one out, all go to where the panel most likely passes",
    "band": "the largest excess over the limits, then the excess summed along the seams, then the movement",
    "middle": "the largest excess, however far inside the limits the gaps already are",
    "least work": "the excess summed along the seams, too wide counted four times: local faults are left to the trim",
}
#: Kinds of adjusters that follow a panel and do not set it, where others do; common practice, no source.
FOLLOWERS = ("latch", "striker")
#: What an edge is, which decides what may be done to it.
EDGES = ("cut", "folded", "wired", "flanged", "leaded")
#: Thickness of a steel skin where none is stated; common practice, no source [mm].
SKIN_MM = 0.8
#: How well a hand follows a scribed line with file or saw; common practice, no source [mm].
HAND_MM = 0.25
#: How well a hand sets a hinge or a shim each way, standard uncertainty; common practice, no source [mm].
SETTING_MM = 0.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjuster:
    """A place where a person sets the panel: a hinge, a latch, a shim point.

    Attributes
    ----------
    xy : (float, float)
        Place in the panel's plane [mm].
    travel_x, travel_y, travel_out : (float, float) or None
        Least and most movement it allows [mm]; None: not entered, taken as unlimited.
    step_mm : float
        Finest change it allows, such as the thinnest shim [mm].
    accuracy_mm : float
        How well a hand sets it each way, standard uncertainty [mm].
    """

    name: str
    xy: Point
    kind: str = "shim point"
    travel_x: Travel | None = None
    travel_y: Travel | None = None
    travel_out: Travel | None = None
    step_mm: float = 0.0
    accuracy_mm: float = SETTING_MM

    def __post_init__(self) -> None:
        for travel in (self.travel_x, self.travel_y, self.travel_out):
            _require(
                travel is None or -math.inf < travel[0] <= 0 <= travel[1] < math.inf,
                f"The travel of '{self.name}' does not reach from zero or less to zero or more.",
                'Write it like ["-3mm", "2mm"]: how far it can still go each way.',
            )
        _require(0 <= self.accuracy_mm < 5, f"The accuracy of '{self.name}' is not between 0 and 5 mm.")
        _require(0 <= self.step_mm < 10, f"The step of '{self.name}' is not between 0 and 10 mm.")

    @property
    def is_limited(self) -> bool:
        """Whether any travel was entered."""
        return any(t is not None for t in (self.travel_x, self.travel_y, self.travel_out))


@dataclass(frozen=True, slots=True, kw_only=True)
class Mark:
    """A datum mark that the user put on the panel: along the seam, and inwards from the panel's edge [mm]."""

    name: str
    at_mm: float
    from_edge_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class TrimRules:
    """What may be done to a seam's panel edge.

    Attributes
    ----------
    allowed : bool
        False leaves the edge alone.
    line : str
        ``where needed``: cut only where the edge stands beyond the new line.
        ``whole``: dress the whole measured edge to the line.
    safe_limit : tuple of (s_mm, mm)
        Most that may be removed (fold, flange, spot welds), straight between the points; empty: not entered.
    hand_mm : float
        How well the hand follows the line [mm].
    worth_mm : float
        Stretches that are out of their limits by less than this everywhere are left alone [mm].
    """

    allowed: bool = True
    line: str = "where needed"
    safe_limit: tuple[Point, ...] = ()
    hand_mm: float = HAND_MM
    worth_mm: float = 0.0

    def __post_init__(self) -> None:
        line = self.line in ("where needed", "whole")
        _require(line, f"'{self.line}' is no way to trim.", "Write where needed or whole.")
        forward = all(a[0] < b[0] for a, b in pairwise(self.safe_limit))
        safe = forward and all(0 <= v < math.inf for _, v in self.safe_limit)
        _require(safe, "The safe limit is negative or its places do not run forward.")
        _require(0 <= self.hand_mm < 5, "The hand's accuracy is not between 0 and 5 mm.")
        _require(0 <= self.worth_mm < 1, "The smallest change worth making is not between 0 and 1 mm.")

    def safe_at(self, s_mm: FloatArray) -> FloatArray:
        """Most that may be removed at each station [mm]; ``inf`` when not entered."""
        if not self.safe_limit:
            return np.full(s_mm.shape, np.inf)
        places, most = np.array(self.safe_limit, float).T
        return np.asarray(np.interp(s_mm, places, most), dtype=float)


def path_length(points: tuple[Point, ...]) -> float:
    """Length of a line through points [mm]."""
    return math.fsum(math.dist(a, b) for a, b in pairwise(points))


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoPlace:
    """How a photo lies on its seam.

    Attributes
    ----------
    file : str
        Its measurement file; empty when the records bring it.
    at_mm : float or None
        Where its first station lies along the seam [mm]; None: not said.
    reverse : bool
        Whether its stations run from the seam's end to its start.
    """

    file: str = ""
    at_mm: float | None = None
    reverse: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class SeamLayout:
    """One seam as its panel's file describes it, before anything is measured.

    Attributes
    ----------
    place : tuple of points
        Two or more points in the panel's plane, from the seam's start to its end [mm].
    spec : Specification or None
        What is wanted (of the finished gap when the panel has a finish plan); None: not said in the file.
    panel_edge : str
        The edge in the photos that is this panel's.
    edge : str
        What this panel's edge is, one of EDGES; empty: as its photos tell it.
    skin_mm : float
        Thickness of the panel's skin [mm].
    trim, marks : TrimRules, tuple of Mark
        What may be done to its edge, and what a template is laid on.
    marks_apart_mm : float or None
        Distance between the first mark and the last, measured straight on the panel [mm]; None: not measured.
    photos : tuple of PhotoPlace
        How its photos lie on it.
    """

    name: str
    place: tuple[Point, ...]
    spec: Specification | None
    panel_edge: str = "B"
    edge: str = ""
    skin_mm: float = SKIN_MM
    trim: TrimRules = field(default_factory=TrimRules)
    marks: tuple[Mark, ...] = ()
    marks_apart_mm: float | None = None
    photos: tuple[PhotoPlace, ...] = ()

    def __post_init__(self) -> None:
        edge = f"'{self.edge}' is not what an edge can be."
        _require(self.edge in ("", *EDGES), edge, f"Write {', '.join(EDGES[:-1])} or {EDGES[-1]}.")
        _require(0.3 <= self.skin_mm <= 5, f"The skin at '{self.name}' is not between 0.3 and 5 mm thick.")


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelSeam(SeamLayout):
    """One seam of a panel with what was measured on it, one reading a photo; its specification is known."""

    spec: Specification
    readings: tuple[SeamReading, ...]

    @property
    def extent_mm(self) -> tuple[float, float]:
        """Start and end of the seam [mm] along itself."""
        return 0.0, self.spec.length_mm or path_length(self.place)

    @property
    def covered_mm(self) -> float:
        """Length of seam that its photos show, overlaps once [mm]."""
        done, end = 0.0, -math.inf
        for start, stop in sorted((float(r.s_mm[0]), float(r.s_mm[-1])) for r in self.readings):
            done, end = done + max(0.0, stop - max(start, end)), max(end, stop)
        return done


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelLayout:
    """A panel as its file describes it: outline, seams, adjusters, what is aimed at.

    Attributes
    ----------
    outline : tuple of points
        Around the panel, for drawing [mm]; empty: not said.
    centre : (float, float)
        A point well inside the panel; shifts are told for it and rotation turns about it [mm].
    words : four str
        Names of the directions x+, x-, y+, y-.
    aim : str
        What the move is chosen for, a key of AIMS.
    lid : bool
        Seen from above, so that a photo shows on which side of the seam the panel lies.
    side : str
        Side of the car, ``left`` or ``right``, of a panel that is seen from outside; empty: not said.
    without : tuple of str
        Seams of its shape that it does not have, such as the top of a roadster's door.
    """

    name: str
    seams: tuple[SeamLayout, ...]
    centre: Point
    shape: str = ""
    outline: tuple[Point, ...] = ()
    words: tuple[str, str, str, str] = PLAIN_WORDS
    adjusters: tuple[Adjuster, ...] = ()
    rule: DecisionRule = field(default_factory=DecisionRule)
    aim: str = "mend"
    finish: FinishPlan | None = None
    lid: bool = False
    side: str = ""
    without: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel(PanelLayout):
    """A panel, all its seams measured at the same stage; ``free``: names of seams of which nothing was measured."""

    seams: tuple[PanelSeam, ...]
    free: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        seams = "List at least one seam with its place and its measurement."
        _require(bool(self.seams), "The panel has no seam.", seams)
        names = [s.name for s in self.seams]
        _require(len(set(names)) == len(names), "Two seams of the panel have the same name.")
        _require(self.aim in AIMS, f"'{self.aim}' is no aim of the move.", f"Write {', '.join(AIMS)}.")

    @property
    def readings(self) -> tuple[SeamReading, ...]:
        """All stretches of all seams."""
        return tuple(r for seam in self.seams for r in seam.readings)
