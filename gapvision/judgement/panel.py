"""A panel in its own plane: where its seams lie, where it can be adjusted, and which words name its directions."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from itertools import pairwise

import numpy as np

from gapvision.errors import GapvisionError
from gapvision.judgement.types import DecisionRule, FinishPlan, SeamReading, SeamSpec
from gapvision.results import FloatArray

Point = tuple[float, float]
Travel = tuple[float, float]

#: Directions in words: (x+, x-, y+, y-). Out of the plane: out (proud) and in.
_LID_WORDS = ("to the right", "to the left", "forward", "rearward")
_DOOR_WORDS = ("rearward", "forward", "up", "down")
_PLAIN_WORDS = ("in +x", "in -x", "in +y", "in -y")

#: Nobody files or builds up less than this; common practice, no source [mm].
WORTH_MM = 0.05

#: Aim of a move -> what it makes as small as possible.
AIMS = {
    "band": "the largest excess over the bands, then the excess summed along the seams, then the movement",
    "middle": "the largest excess, however far inside the bands the gaps already are",
    "least work": "the excess summed along the seams, too wide counted four times: local faults are left to the trim",
}

#: How well a hand follows a scribed line with file or saw; common practice, no source [mm].
HAND_MM = 0.25


def shape_seams(
    shape: str, width_mm: float, length_mm: float
) -> tuple[dict[str, tuple[Point, ...]], tuple[str, str, str, str]]:
    """Seams of a ready shape, each from its start to its end, and the words for its directions.

    Parameters
    ----------
    shape : str
        ``bonnet`` (left, right, rear), ``boot lid`` (left, right, front, rear), ``door`` (front, rear, sill, top).
    width_mm, length_mm : float
        Lids: across the car and along it.  Doors: along the car and upwards.

    Returns
    -------
    dict of str to points, and four words
        Lids: x to the right, y forward, origin in the middle of the rear edge;
        left and right run from front to rear, front and rear from left to
        right.  Doors: x rearward, y up, origin at the lower front corner;
        front and rear run from top to bottom, sill and top from front to rear.
    """
    if not (width_mm > 0 and length_mm > 0):
        raise GapvisionError("panel-file-bad", "A ready shape needs its width and its length, both above zero.")
    w, h = width_mm, length_mm
    if shape in ("bonnet", "boot lid"):
        seams: dict[str, tuple[Point, ...]] = {
            "left": ((-w / 2, h), (-w / 2, 0.0)),
            "right": ((w / 2, h), (w / 2, 0.0)),
            "rear": ((-w / 2, 0.0), (w / 2, 0.0)),
        }
        if shape == "boot lid":
            seams["front"] = ((-w / 2, h), (w / 2, h))
        return seams, _LID_WORDS
    if shape == "door":
        return {
            "front": ((0.0, h), (0.0, 0.0)),
            "rear": ((w, h), (w, 0.0)),
            "sill": ((0.0, 0.0), (w, 0.0)),
            "top": ((0.0, h), (w, h)),
        }, _DOOR_WORDS
    raise GapvisionError(
        "panel-file-bad",
        f"'{shape}' is no ready shape.",
        "Choose bonnet, door or boot lid, or give each seam its start and end.",
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Adjuster:
    """A place where a person sets the panel: a hinge, a latch, a shim point.

    Attributes
    ----------
    xy : (float, float)
        Place in the panel's plane [mm].
    travel_x, travel_y, travel_out : (float, float) or None
        Least and most movement it allows [mm]; None: not entered, taken as unlimited.
    """

    name: str
    xy: Point
    kind: str = "shim point"
    travel_x: Travel | None = None
    travel_y: Travel | None = None
    travel_out: Travel | None = None

    def __post_init__(self) -> None:
        for travel in (self.travel_x, self.travel_y, self.travel_out):
            if travel is not None and not (
                math.isfinite(travel[0]) and math.isfinite(travel[1]) and travel[0] <= 0 <= travel[1]
            ):
                raise GapvisionError(
                    "panel-file-bad",
                    f"The travel of '{self.name}' does not reach from zero or less to zero or more.",
                    'Write it like ["-3mm", "2mm"]: how far it can still go each way.',
                )

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
        Stretches that are short of their band by less than this everywhere are left alone [mm].
    """

    allowed: bool = True
    line: str = "where needed"
    safe_limit: tuple[Point, ...] = ()
    hand_mm: float = HAND_MM
    worth_mm: float = 0.0

    def __post_init__(self) -> None:
        if self.line not in ("where needed", "whole"):
            raise GapvisionError("panel-file-bad", f"'{self.line}' is no way to trim.", "Write where needed or whole.")
        if any(not math.isfinite(v) or v < 0 for _, v in self.safe_limit) or any(
            b[0] <= a[0] for a, b in pairwise(self.safe_limit)
        ):
            raise GapvisionError("panel-file-bad", "The safe limit is negative or its places do not run forward.")
        if not 0 <= self.hand_mm < 5:
            raise GapvisionError("panel-file-bad", "The hand's accuracy is not between 0 and 5 mm.")
        if not 0 <= self.worth_mm < 1:
            raise GapvisionError("panel-file-bad", "The smallest change worth making is not between 0 and 1 mm.")

    def safe_at(self, s_mm: FloatArray) -> FloatArray:
        """Most that may be removed at each station [mm]; ``inf`` when not entered."""
        if not self.safe_limit:
            return np.full(s_mm.shape, np.inf)
        return np.asarray(
            np.interp(s_mm, [p[0] for p in self.safe_limit], [p[1] for p in self.safe_limit]), dtype=float
        )


@dataclass(frozen=True, slots=True, kw_only=True)
class PanelSeam:
    """One seam of a panel with its photos.

    Attributes
    ----------
    place : tuple of points
        Two or more points in the panel's plane, from the seam's start to its end [mm].
    spec : SeamSpec
        What is wanted (of the finished gap when the panel has a finish plan).
    readings : tuple of SeamReading
        One per photo; :func:`placed` gives them their place.
    """

    name: str
    place: tuple[Point, ...]
    spec: SeamSpec
    readings: tuple[SeamReading, ...]
    trim: TrimRules = field(default_factory=TrimRules)
    marks: tuple[Mark, ...] = ()

    @property
    def extent_mm(self) -> tuple[float, float]:
        """Start and end of the seam [mm] along itself."""
        return 0.0, self.spec.length_mm or path_length(self.place)


@dataclass(frozen=True, slots=True, kw_only=True)
class Panel:
    """A panel, all its seams measured at the same stage.

    Attributes
    ----------
    centre : (float, float)
        A point well inside the panel; shifts are told for it and rotation turns about it [mm].
    aim : str
        What the move is chosen for, a key of AIMS.
    words : four str
        Names of the directions x+, x-, y+, y-.
    """

    name: str
    seams: tuple[PanelSeam, ...]
    centre: Point
    adjusters: tuple[Adjuster, ...] = ()
    words: tuple[str, str, str, str] = _PLAIN_WORDS
    rule: DecisionRule = field(default_factory=DecisionRule)
    finish: FinishPlan | None = None
    shape: str = ""
    aim: str = "band"

    def __post_init__(self) -> None:
        if not self.seams:
            raise GapvisionError(
                "panel-file-bad", "The panel has no seam.", "List at least one seam with its place and its measurement."
            )
        names = [s.name for s in self.seams]
        if len(set(names)) < len(names):
            raise GapvisionError("panel-file-bad", "Two seams of the panel have the same name.")
        if self.aim not in AIMS:
            raise GapvisionError("panel-file-bad", f"'{self.aim}' is no aim of the move.", f"Write {', '.join(AIMS)}.")

    @property
    def readings(self) -> tuple[SeamReading, ...]:
        """All stretches of all seams."""
        return tuple(r for seam in self.seams for r in seam.readings)


def path_length(points: tuple[Point, ...]) -> float:
    """Length of a line through points [mm]."""
    return math.fsum(math.dist(a, b) for a, b in pairwise(points))


def middle_of(places: list[tuple[Point, ...]]) -> Point:
    """A point inside the panel: the middle of the rectangle around its seams.

    Raises
    ------
    GapvisionError
        ``panel-file-bad`` when all seams lie on one line, so that inside and outside cannot be told apart.
    """
    points = np.array([p for place in places for p in place], float)
    centre = 0.5 * (points.min(axis=0) + points.max(axis=0))
    if np.linalg.matrix_rank(points - centre, tol=1e-6 * max(1.0, float(np.ptp(points)))) < 2:
        raise GapvisionError(
            "panel-file-bad",
            "All seams lie on one line, so it is not clear on which side of it the panel lies.",
            'Give the panel a centre, e.g. centre = ["0mm", "400mm"].',
        )
    return float(centre[0]), float(centre[1])


def placed(reading: SeamReading, place: tuple[Point, ...], centre: Point) -> SeamReading:
    """Give a stretch its stations' places and outward normals in the panel's plane.

    Parameters
    ----------
    reading : SeamReading
        Stations by their distance from the seam's start.
    place : tuple of points
        The seam, start to end; stations beyond its ends lie on its first or last piece, carried on straight.
    centre : (float, float)
        A point inside the panel.
    """
    points = np.array(place, float)
    if len(points) < 2 or not np.isfinite(points).all():
        raise GapvisionError("panel-file-bad", f"Seam '{reading.seam}' needs at least a start and an end.")
    step = np.diff(points, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    if (length <= 0).any():
        raise GapvisionError("panel-file-bad", f"Two points of seam '{reading.seam}' are the same.")
    start = np.concatenate([[0.0], np.cumsum(length)])
    piece = np.clip(np.searchsorted(start, reading.s_mm, side="right") - 1, 0, len(length) - 1)
    along = step / length[:, None]
    xy = points[piece] + (reading.s_mm - start[piece])[:, None] * along[piece]
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
    away = ((points[:-1] + points[1:]) / 2 - np.array(centre)) * normal
    normal *= np.where(away.sum(axis=1) < 0, -1.0, 1.0)[:, None]
    return replace(reading, xy_mm=xy, outward=normal[piece])


def on_left_by_place(reading: SeamReading) -> bool:
    """Whether the panel lies to the left of increasing stations, by its place in a plane seen from outside the car."""
    along = reading.xy_mm[-1] - reading.xy_mm[0]
    out = reading.outward[len(reading.outward) // 2]
    return bool(along[0] * out[1] - along[1] * out[0] < 0)
