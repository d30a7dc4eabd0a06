"""How the gaps and steps of a car follow its adjusters: geometry and linear rows, no programme.

A body's small move is six numbers: a shift of its centre (x, y, z) and a turn (about x, y, z).  A place P of it goes by
t + w x (P - C); what two bodies do across their seam is the difference.  What the turn neglects is half its square
times the panel's size: 0.01 mm for 5 mm at the end of a metre.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import NamedTuple

import numpy as np

from gapvision.errors import require
from gapvision.judgement.readings import reading_from_measurement
from gapvision.judgement.specification import PLACE_MM
from gapvision.model import (
    Body,
    Car,
    CarSeam,
    FloatArray,
    Measurement,
    PhotoPlace,
    SeamReading,
    unit_vector,
)
from gapvision.units import MM_PER_INCH

_RANK = 1e-6  # of what adjusters reach, relative to the most


class SeamLine(NamedTuple):
    """A seam in space: for each straight piece where it starts along the seam, its two ends, and two directions.

    ``across`` leads from the first body to the other, ``out`` away from the car.
    """

    start_mm: FloatArray
    ends_mm: FloatArray
    across: FloatArray
    out: FloatArray

    def piece(self, s_mm: FloatArray) -> FloatArray:
        """Which piece each station lies on; stations beyond the ends belong to the first or last."""
        found = np.searchsorted(self.start_mm[:-1], s_mm, side="right") - 1
        return np.asarray(np.clip(found, 0, len(self.across) - 1))

    def places(self, s_mm: FloatArray) -> FloatArray:
        """Where stations lie [mm], shape (n, 3)."""
        k = self.piece(s_mm)
        share = (s_mm - self.start_mm[k]) / (self.start_mm[k + 1] - self.start_mm[k])
        return np.asarray(self.ends_mm[k] + share[:, None] * (self.ends_mm[k + 1] - self.ends_mm[k]), float)


class Setting(NamedTuple):
    """One way of one adjuster: names of panel and adjuster, and the number of the way."""

    body: str
    adjuster: str
    way: int


def seam_line(car: Car, seam: CarSeam) -> SeamLine:
    """Lay a seam out in space."""
    ends = np.array(seam.place, float)
    step = np.diff(ends, axis=0)
    length = np.linalg.norm(step, axis=1)
    along = step / length[:, None]
    out = unit_vector(seam.facing[0]) + unit_vector(seam.facing[1])
    out = out - (along @ out)[:, None] * along
    out /= np.linalg.norm(out, axis=1)[:, None]
    across = np.cross(along, out)
    # Away from the first body's middle, taken over the whole seam: one sense for all pieces.
    middle = 0.5 * (ends[:-1] + ends[1:]) - car.body(seam.one).centre
    if float((length * (middle * across).sum(axis=1)).sum()) < 0:
        across = -across
    return SeamLine(np.concatenate([[0.0], np.cumsum(length)]), ends, across, out)


def first_on_left(line: SeamLine) -> bool:
    """Whether the first body lies to the left of who looks along the seam from outside the car."""
    along = line.ends_mm[1] - line.ends_mm[0]
    return bool(np.cross(line.out[0], along) @ line.across[0] < 0)


def car_reading(car: Car, seam: CarSeam, measurement: Measurement, photo: PhotoPlace, where: str) -> SeamReading:
    """Lay a measurement on its seam of a car; edge and step are those of the seam's first body.

    Raises
    ------
    GapvisionError
        ``car-file-bad`` when it does not lie on the seam, or shows the bodies on each other's sides;
        ``measurement-was-refused``.
    """
    told = f"{where[:1].upper()}{where[1:]}"
    said = 'Write at = "60mm", measured along the seam from its start.'
    require("car-file-bad", photo.at_mm is not None, f"{told}: it is not said where its first station lies.", said)
    reading = reading_from_measurement(
        measurement, seam.name, at_mm=photo.at_mm, reverse=photo.reverse, panel_edge=seam.panel_edge
    )
    start, stop = float(reading.s_mm[0]), float(reading.s_mm[-1])
    require(
        "car-file-bad",
        start >= -PLACE_MM and stop <= seam.length_mm + PLACE_MM,
        f"{told}: its stations would reach from {start:.0f} to {stop:.0f} mm, but the seam is {seam.length_mm:.0f} mm "
        f"({seam.length_mm / MM_PER_INCH:.1f} in) long.",
        "Correct where the photo begins (at), or the seam's places.",
    )
    require(
        "car-file-bad",
        reading.panel_on_left == first_on_left(seam_line(car, seam)),
        f"{told}: in the photo the {seam.one} lies on the other side of the seam than on the car.",
        "Change reverse (true or false), or panel_edge (A or B).",
    )
    return reading


# --- adjusters ------------------------------------------------------------------------


def settings_of_car(car: Car) -> tuple[Setting, ...]:
    """All ways of all adjusters, panel by panel in the order of the work."""
    bodies = [car.body(name) for name in car.hang_order]
    return tuple(Setting(b.name, a.name, k) for b in bodies for a in b.adjusters for k in range(len(a.ways)))


def way_rows(body: Body) -> FloatArray:
    """How far a move takes each way of a panel's adjusters, shape (ways, 6), turns times the panel's size [mm]."""
    size = size_of(body)
    rows = [
        np.concatenate([v, np.cross(np.array(a.at) - body.centre, v) / size])
        for a in body.adjusters for v in [unit_vector(w.direction) for w in a.ways]
    ]  # fmt: skip
    return np.array(rows).reshape(-1, 6)


def size_of(body: Body) -> float:
    """From its centre to its furthest corner or adjuster [mm]."""
    places = np.array([*body.outline, *(a.at for a in body.adjusters)], float)
    return max(1.0, float(np.linalg.norm(places - body.centre, axis=1).max()))


def moves_per_setting(body: Body) -> FloatArray:
    """The panel's move for each mm that a way really goes, shape (6, ways): shift [mm], turn [rad].

    Where adjusters contradict each other the panel takes the mean; where they leave it free it stays.
    """
    back = np.linalg.pinv(way_rows(body), rcond=_RANK)
    return np.asarray(back / np.array([1, 1, 1, *[size_of(body)] * 3])[:, None], float)


def contradictions(body: Body) -> FloatArray:
    """Rows that are zero for settings that a stiff panel can take, shape (k, ways)."""
    rows = way_rows(body)
    u, values, _ = np.linalg.svd(rows)
    rank = int((values > _RANK * values[0]).sum())
    return np.asarray(u[:, rank:].T, float)


# --- rows -----------------------------------------------------------------------------


def place_rows(places: FloatArray, directions: FloatArray, centre: FloatArray) -> FloatArray:
    """How far a move about ``centre`` takes places along directions, shape (n, 6)."""
    return np.concatenate([directions, np.cross(places - centre, directions)], axis=1)


def seam_moves(car: Car, seam: CarSeam, places: FloatArray, directions: FloatArray) -> dict[str, FloatArray]:
    """How the way from the first body to the other along ``directions`` follows each panel's move, (n, 6) each."""
    rows: dict[str, FloatArray] = {}
    for name, sign in ((seam.one, -1.0), (seam.other, 1.0)):
        for body in car.carried(name):
            row = sign * place_rows(places, directions, body.centre)
            rows[body.name] = rows[body.name] + row if body.name in rows else row
    return rows


#: Panel -> its move for each mm that each of its ways is set to, answers as learnt, shape (6, ways).
Reach = dict[str, FloatArray]


def car_reach(car: Car) -> Reach:
    """How each panel follows its adjusters, in the order of the work."""
    reach = {}
    for name in car.hang_order:
        body = car.body(name)
        reach[name] = moves_per_setting(body) * np.array([w.response for a in body.adjusters for w in a.ways])
    return reach


def setting_rows(reach: Reach, rows: Mapping[str, FloatArray], n: int) -> FloatArray:
    """Rows over panels' moves as rows over the settings of all adjusters, shape (n, ways)."""
    return np.concatenate([rows[k] @ m if k in rows else np.zeros((n, m.shape[1])) for k, m in reach.items()], axis=1)


def moved_readings(
    car: Car, seam: CarSeam, readings: Sequence[SeamReading], settings_mm: FloatArray, reach: Reach | None = None
) -> tuple[SeamReading, ...]:
    """A seam's stretches after all adjusters were set: gap, edge and step; U stays.

    Parameters
    ----------
    settings_mm : ndarray, shape (ways,)
        What each way is set to, in the order of :func:`settings_of_car` [mm].
    """
    line, reach = seam_line(car, seam), reach or car_reach(car)
    n = len(line.across)
    ends = np.concatenate([line.ends_mm[:-1], line.ends_mm[1:]])
    across, out = np.concatenate([line.across, line.across]), np.concatenate([line.out, line.out])
    gap = (setting_rows(reach, seam_moves(car, seam, ends, across), 2 * n) @ settings_mm).reshape(2, n)
    # The step is the first body above the other, and so runs against the way between them.
    lift = -(setting_rows(reach, seam_moves(car, seam, ends, out), 2 * n) @ settings_mm).reshape(2, n)
    if not gap.any() and not lift.any():
        return tuple(readings)
    moved = []
    for r in readings:
        k = line.piece(r.s_mm)
        share = (r.s_mm - line.start_mm[k]) / (line.start_mm[k + 1] - line.start_mm[k])
        wider = gap[0, k] + share * (gap[1, k] - gap[0, k])
        higher = float((lift[0, k] + share * (lift[1, k] - lift[0, k])).mean())
        # The straight reference of the photo stays with the first body's neighbour.
        edge = r.panel_edge_mm - wider
        moved.append(replace(r, gap_mm=r.gap_mm + wider, panel_edge_mm=edge, step_mm=r.step_mm + higher))
    return tuple(moved)


def other_side(reading: SeamReading) -> SeamReading:
    """A stretch as the other body sees it: its own edge, towards the first body."""
    r = reading
    return replace(
        r, panel_edge_mm=-(r.panel_edge_mm + r.gap_mm), step_mm=-r.step_mm, panel_on_left=not r.panel_on_left,
        panel_straightness=r.neighbour_straightness, neighbour_straightness=r.panel_straightness, edge_seen="",
        edge_stated=False,
    )  # fmt: skip
