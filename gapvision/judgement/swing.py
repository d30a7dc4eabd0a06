"""The gap while a panel swings about its hinges: edges chip where it closes on the way.

Across the seam, seen along the hinges' axis: u from the neighbour to the panel, n out of the car.  Each edge is a line
down from its face, rounded by its radius; the panel turns about the axis as it opens.
"""

from __future__ import annotations

import numpy as np

from gapvision.model import FinishPlan, FloatArray, Swing

_STEP_DEG = 0.25


def smallest_in_motion(gap_mm: FloatArray, swing: Swing) -> tuple[FloatArray, FloatArray]:
    """Smallest gap while the panel opens.

    Parameters
    ----------
    gap_mm : ndarray, shape (n,)
        Gap with the panel closed, edge to edge in the plane of the faces [mm].
    swing : Swing
        Axis, edges and how far it opens.

    Returns
    -------
    smallest_mm, at_deg : ndarray, shape (n,)
        Smallest distance between the edges [mm], zero or less where they touch, and how far open that is [degrees].
    """
    w, gap = swing, np.asarray(gap_mm, float)
    theta = np.radians(np.arange(0.0, w.open_deg + _STEP_DEG / 2, _STEP_DEG))[:, None]
    own, other = w.radius_mm, w.neighbour_radius_mm
    # From the axis to the ends of the panel's edge line, the closed panel's face at n = step.
    from_axis = [(own - w.axis_in_mm, w.axis_below_mm - n) for n in (own, w.depth_mm - own)]
    ends = [
        (
            gap + w.axis_in_mm + u * np.cos(theta) - n * np.sin(theta),
            w.step_mm - w.axis_below_mm + u * np.sin(theta) + n * np.cos(theta),
        )
        for u, n in from_axis
    ]
    still = [(np.full(1, -other), np.full(1, -other)), (np.full(1, -other), np.full(1, -w.neighbour_depth_mm + other))]
    apart = np.minimum.reduce([
        _to_line(ends[0], still), _to_line(ends[1], still), _to_line(still[0], ends), _to_line(still[1], ends),
    ])  # fmt: skip
    apart = np.where(_cross(ends, still), 0.0, apart) - own - other
    at = apart.argmin(axis=0)
    return apart[at, np.arange(len(gap))], np.degrees(theta[at, 0])


def movement_of(plan: FinishPlan, gap_mm: FloatArray) -> float:
    """How much of a gap the swing takes, the most of some gaps [mm]; what was typed goes before."""
    if plan.swing is None or plan.movement_mm:
        return plan.movement_mm
    return max(0.0, float((gap_mm - smallest_in_motion(gap_mm, plan.swing)[0]).max()))


_Places = tuple[FloatArray, FloatArray]


def _to_line(point: _Places, line: list[_Places]) -> FloatArray:
    """Distance from points to the lines between two ends, all arrays that fit each other."""
    (ax, ay), (bx, by), (px, py) = line[0], line[1], point
    dx, dy = bx - ax, by - ay
    share = np.clip(((px - ax) * dx + (py - ay) * dy) / np.maximum(dx**2 + dy**2, 1e-12), 0.0, 1.0)
    return np.asarray(np.hypot(px - ax - share * dx, py - ay - share * dy), dtype=float)


def _cross(one: list[_Places], two: list[_Places]) -> FloatArray:
    """Whether two lines cross."""

    def side(line: list[_Places], point: _Places) -> FloatArray:
        (ax, ay), (bx, by), (px, py) = line[0], line[1], point
        return np.sign((bx - ax) * (py - ay) - (by - ay) * (px - ax))

    apart = (side(one, two[0]) * side(one, two[1]) < 0) & (side(two, one[0]) * side(two, one[1]) < 0)
    return np.asarray(apart)
