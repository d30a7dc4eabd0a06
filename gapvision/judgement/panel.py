"""A panel in its own plane: where its seams lie, where it can be adjusted, and which words name its directions."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields, replace
from functools import partial
from itertools import combinations
from typing import Any

import numpy as np

from gapvision.errors import require
from gapvision.judgement.readings import reading_from_measurement
from gapvision.judgement.shapes import ready_shape
from gapvision.judgement.specification import PLACE_MM, on_seam
from gapvision.model import (
    Measurement,
    Panel,
    PanelLayout,
    PanelSeam,
    PhotoPlace,
    Point,
    SeamLayout,
    SeamReading,
    Specification,
    path_length,
)
from gapvision.units import MM_PER_INCH

# A whole seam's place is taken from its seam's ends where so much is left of it at most: off by 50 mm at worst, over
# which a door's gap changes by less than a verdict's U; common practice, no source.
_LEFT_OUT_MM = 100.0
#: Nobody files or builds up less than this; common practice, no source [mm].
WORTH_MM = 0.05


def corners(places: Mapping[str, tuple[Point, ...]]) -> tuple[Point, ...]:
    """The rectangle around a ready shape's seams, which may leave a side open; none for none."""
    xs, ys = ({p[k] for place in places.values() for p in place} for k in (0, 1))
    return tuple((x(xs), y(ys)) for x, y in ((min, min), (max, min), (max, max), (min, max))) if places else ()


def middle_of(places: list[tuple[Point, ...]]) -> Point:
    """A point inside the panel: the middle of the rectangle around its seams.

    Raises
    ------
    GapvisionError
        ``panel-file-bad`` when all seams lie on one line, so that inside and outside cannot be told apart.
    """
    points = np.array([p for place in places for p in place], float)
    centre = 0.5 * (points.min(axis=0) + points.max(axis=0))
    require(
        "panel-file-bad",
        bool(np.linalg.matrix_rank(points - centre, tol=1e-6 * max(1.0, float(np.ptp(points)))) == 2),
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
    ends = len(points) > 1 and bool(np.isfinite(points).all())
    require("panel-file-bad", ends, f"Seam '{reading.seam}' needs at least a start and an end.")
    step = np.diff(points, axis=0)
    length = np.hypot(step[:, 0], step[:, 1])
    require("panel-file-bad", bool((length > 0).all()), f"Two points of seam '{reading.seam}' are the same.")
    start = np.concatenate([[0.0], np.cumsum(length)])
    piece = np.clip(np.searchsorted(start, reading.s_mm, side="right") - 1, 0, len(length) - 1)
    along = step / length[:, None]
    xy = points[piece] + (reading.s_mm - start[piece])[:, None] * along[piece]
    normal = np.stack([along[:, 1], -along[:, 0]], axis=1)
    away = ((points[:-1] + points[1:]) / 2 - np.array(centre)) * normal
    normal *= np.where(away.sum(axis=1) < 0, -1.0, 1.0)[:, None]
    return replace(reading, xy_mm=xy, outward=normal[piece])


def leads_to(ends: Sequence[Sequence[float]], words: Sequence[str]) -> str:
    """Where a seam leads from its first end to its second, in a panel's words for x+, x-, y+ and y-."""
    x, y = ends[1][0] - ends[0][0], ends[1][1] - ends[0][1]
    return words[int(x < 0)] if abs(x) > abs(y) else words[2 + int(y < 0)]


def on_left_by_place(reading: SeamReading) -> bool:
    """Whether the panel lies to the left of increasing stations, by its place in a plane seen from outside the car."""
    along = reading.xy_mm[-1] - reading.xy_mm[0]
    out = reading.outward[len(reading.outward) // 2]
    return bool(along[0] * out[1] - along[1] * out[0] < 0)


def panel_of(layout: PanelLayout, seams: Sequence[tuple[SeamLayout, Specification, Sequence[SeamReading]]]) -> Panel:
    """Put a layout and what was measured on it together.

    Parameters
    ----------
    layout : PanelLayout
        The panel.
    seams : sequence of (seam, specification, readings)
        The seams that were measured, readings as from :func:`read_on_seam`.
    """
    measured = []
    for seam, wanted, readings in seams:
        leads = leads_to((seam.place[0], seam.place[-1]), layout.words)
        spec = on_seam(wanted, leads, wanted.length_mm or path_length(seam.place), seam.name)
        measured.append(PanelSeam(**{**_fields(seam), "spec": spec, "readings": tuple(readings)}))
    ways: dict[bool, str] = {}
    for one in measured:
        for reading in one.readings:
            ways.setdefault(seen_from_outside(reading), one.name)
    require(
        "panel-file-bad",
        len(ways) < 2,
        f"Seams {' and '.join(repr(name) for name in ways.values())}: their photos show the panel from opposite faces.",
        "Change reverse or panel_edge of one of them, and say on which side of the car the panel is (side).",
    )
    known = [seam.name for seam in layout.seams] + list(ready_shape(layout.shape).seams if layout.shape else ())
    free = dict.fromkeys(name for name in known if name not in {*layout.without, *(seam.name for seam in measured)})
    return Panel(**{**_fields(layout), "seams": tuple(measured), "free": tuple(free)})


def _fields(of: SeamLayout | PanelLayout) -> dict[str, Any]:
    return {f.name: getattr(of, f.name) for f in fields(of)}


def read_on_seam(
    layout: PanelLayout, seam: SeamLayout, measurement: Measurement, photo: PhotoPlace, where: str
) -> SeamReading:
    """Lay a measurement on its seam.

    Parameters
    ----------
    where : str
        What to call the photo in a refusal.

    Raises
    ------
    GapvisionError
        ``panel-file-bad`` when its place is not said or not on the seam, or when it shows the panel on the other side
        of the seam.
    """
    refuse, told = partial(require, "panel-file-bad"), f"{where[:1].upper()}{where[1:]}"
    advice = 'Write at = "60mm", measured along the seam from its start.'
    at, edge = photo.at_mm, seam.panel_edge
    if at is None:
        at = _in_the_middle(measurement, path_length(seam.place))
    refuse(at is not None, f"{told}: it is not said where along the seam its first station lies.", advice)
    reading = reading_from_measurement(measurement, seam.name, reverse=photo.reverse, panel_edge=edge, at_mm=at)
    reading = placed(reading, seam.place, layout.centre)
    start, stop, length = float(reading.s_mm[0]), float(reading.s_mm[-1]), path_length(seam.place)
    refuse(
        start >= -PLACE_MM and stop <= length + PLACE_MM,
        f"{told}: its stations would reach from {start:.0f} to {stop:.0f} mm, but the seam is {length:.0f} mm "
        f"({length / MM_PER_INCH:.1f} in) long.",
        "Correct where the photo begins (at), or the seam's start and end.",
    )
    facing = {"right": False, "left": True}.get(layout.side, True if layout.lid else None)
    refuse(
        facing in (None, seen_from_outside(reading)),
        f"{told}: in the photo the panel lies on the other side of the seam than in the shape.",
        "Change reverse (true or false), or panel_edge (A or B); of a door see which side of the car was said.",
    )
    return reading


def _in_the_middle(measurement: Measurement, length_mm: float) -> float | None:
    """Where a whole seam begins that leaves so little of its seam out that it must lie about the middle."""
    profile, ends = measurement.profile, measurement.ends_mm
    if profile is None or profile.course is None or ends is None:
        return None
    left = length_mm - (ends[1] - ends[0])
    return 0.5 * left if left <= _LEFT_OUT_MM else None


def seen_from_outside(reading: SeamReading) -> bool:
    """Whether the photo shows the panel as it is drawn, not its mirror image, as the right of a car does."""
    return on_left_by_place(reading) == reading.panel_on_left


def check_photos(panel: Panel) -> None:
    """Refuse photos of one stretch of a seam that contradict each other.

    Raises
    ------
    GapvisionError
        ``photos-disagree`` when their gaps differ, in the middle of all stations that both have, by more than U.
    """
    for seam in panel.seams:
        for one, two in combinations(seam.readings, 2):
            s = one.s_mm[(one.s_mm >= two.s_mm[0]) & (one.s_mm <= two.s_mm[-1])]
            if len(s) == 0 or s[-1] - s[0] < PLACE_MM:
                continue
            gaps, us = ([np.interp(s, r.s_mm, getattr(r, n)) for r in (one, two)] for n in ("gap_mm", "expanded_u_mm"))
            off, u = abs(float(np.median(gaps[0] - gaps[1]))), float(np.median(np.hypot(*us)))
            require(
                "photos-disagree",
                off <= u,
                f"Seam '{seam.name}': photos '{one.photo}' and '{two.photo}' differ by {off:.2f} mm "
                f"({off / MM_PER_INCH:.3f} in) from {s[0]:.0f} to {s[-1]:.0f} mm, more than their U of {u:.2f} mm.",
            )
