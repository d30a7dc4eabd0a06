"""The best move of a panel as a rigid body: an exact minimax by linear programming.

In its plane a panel can shift along x and y and turn; for the few millimetres
that matter the turn is linear.  Out of its plane it can go in or out and tilt
two ways.  Both are the same problem: choose three numbers so that the largest
excess over all limits is as small as possible; among those, so that
the excess summed along the seams is least; among those, so that the adjusters
move least.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapvision.model import Adjuster, FloatArray, Move, MoveResult, Notice, Panel, Point, PointMove, SeamReading

_SLACK_MM = 1e-9  # room for the solver's rounding between the steps
_TIE = 1e-5  # weight of the adjusters' movement [mm] beside the excess summed along the seams [mm2]
_WIDE_WORK = 4.0  # building an edge up is this much more work than taking it down; common practice, no source
_LOCAL_MM, _LOCAL_MM2 = 0.02, 5.0  # excess and its sum from which a local fault is worth a word
_INNER_WORK = 0.05  # how much the middle half between two limits is preferred


def gap_change(xy_mm: FloatArray, outward: FloatArray, centre: Point, move: Move) -> FloatArray:
    """Change of the gap at each station under a move of the panel [mm], shape (n,).

    A panel that moves towards its neighbour closes the gap.
    """
    change: FloatArray = shift_rows(xy_mm, outward, centre) @ np.array([move.x_mm, move.y_mm, move.turn_rad])
    return change


def shift_rows(xy_mm: FloatArray, outward: FloatArray, centre: Point) -> FloatArray:
    """Gap change per unit of (x_mm, y_mm, turn_rad), shape (n, 3)."""
    r = xy_mm - np.array(centre)
    return -np.stack([outward[:, 0], outward[:, 1], r[:, 0] * outward[:, 1] - r[:, 1] * outward[:, 0]], axis=1)


def best_move(
    panel: Panel,
    readings: Sequence[SeamReading],
    limits: Sequence[tuple[FloatArray, FloatArray]],
    step_limits: Sequence[tuple[float, float]] = (),
) -> MoveResult:
    """Find the best move of a panel.

    Parameters
    ----------
    panel : Panel
        Centre, adjusters, aim.
    readings : sequence of SeamReading
        Placed stretches.
    limits : sequence of (lower, upper)
        Limits of the gap at the stations of each stretch [mm].
    step_limits : sequence of (lower, upper)
        Limits of the panel's height above its neighbour for each stretch [mm]; used where a step was measured.

    Returns
    -------
    MoveResult
        Exact for the linear problem that ``panel.AIMS`` names.
    """
    size = _size(panel, readings)
    unit = np.array([1.0, 1.0, 1.0 / size])
    rows = np.concatenate([shift_rows(r.xy_mm, r.outward, panel.centre) for r in readings]) * unit
    gap = np.concatenate([r.gap_mm for r in readings])
    lower = np.concatenate([b[0] for b in limits])
    upper = np.concatenate([b[1] for b in limits])
    weight = np.concatenate([np.full(len(r.s_mm), r.spacing_mm) for r in readings])
    corners = [_Corner(r, i) for r in readings for i in _pieces(r)]
    at = _points(panel, readings)
    point_rows = np.concatenate([_in_plane_rows(p.xy, panel.centre) for p in at]) * unit
    travel = [t for p in at for t in (p.travel_x, p.travel_y)]
    a = np.concatenate([rows, -rows])
    b = np.concatenate([gap - upper, lower - gap])
    keep = np.concatenate(
        [_binding(corners, len(gap), gap - upper), len(gap) + _binding(corners, len(gap), lower - gap)]
    )
    floor = panel.aim != "middle"
    work = np.concatenate([_WIDE_WORK * weight, weight])
    notices: list[Notice] = []
    if panel.aim == "least work":
        # Inside the limits the middle half is a little better than the rest, so that noise does not undo the move.
        inner = b + 0.25 * np.concatenate([upper - lower, upper - lower])
        both = np.concatenate([work, _INNER_WORK * work])
        z = _least_sum(np.concatenate([a, a]), np.concatenate([b, inner]), keep[:0], both, point_rows, travel, 0.0)
    else:
        z = _lexicographic(a, b, keep, np.concatenate([weight, weight]), point_rows, travel, floor=floor)
        if (b + a @ z).max() > _LOCAL_MM:
            other = _least_sum(a, b, keep[:0], work, point_rows, travel, 0.0)
            if _work(a, b, work, z) > 2 * _work(a, b, work, other) + _LOCAL_MM2:
                notices.append(Notice(code="local-fault-governs"))
    x = z * unit
    if not any(p.is_limited for p in panel.adjusters):
        notices.append(Notice(code="travel-unlimited"))
    before, after = float(b.max()), float((b + a @ z).max())
    free = after
    if panel.aim != "least work" and any(t is not None for t in travel):
        free = _minimax(a[keep], b[keep], point_rows, [None] * len(travel), floor=floor)[1]
    out, out_before, out_after, out_free = _best_out(panel, readings, step_limits, at, size)
    if after > free + 0.01 or out_after > out_free + 0.01:
        notices.append(Notice(code="travel-stops-move"))
    move = Move(
        x_mm=float(x[0]),
        y_mm=float(x[1]),
        turn_rad=float(x[2]),
        out_mm=float(out[0]),
        tilt_x_rad=float(out[1]),
        tilt_y_rad=float(out[2]),
    )
    return MoveResult(
        move=move,
        points=tuple(point_moves(panel, move, at)),
        excess_before_mm=before,
        excess_after_mm=after,
        step_before_mm=out_before,
        step_after_mm=out_after,
        turn_error_mm=0.5 * move.turn_rad**2 * size,
        notices=tuple(notices),
    )


def point_moves(panel: Panel, move: Move, at: Sequence[Adjuster] | None = None) -> list[PointMove]:
    """Tell a move at each adjuster."""
    out = []
    for p in at if at is not None else panel.adjusters:
        dx, dy = _in_plane_rows(p.xy, panel.centre) @ np.array([move.x_mm, move.y_mm, move.turn_rad])
        rx, ry = p.xy[0] - panel.centre[0], p.xy[1] - panel.centre[1]
        dz = move.out_mm + move.tilt_x_rad * rx + move.tilt_y_rad * ry
        out.append(
            PointMove(
                name=p.name,
                kind=p.kind,
                xy=p.xy,
                x_mm=float(dx),
                y_mm=float(dy),
                out_mm=float(dz),
            )
        )
    return out


# --- the linear programmes ----------------------------------------------------------


def _work(a: FloatArray, b: FloatArray, weight: FloatArray, x: FloatArray) -> float:
    return float(weight @ np.maximum(b + a @ x, 0.0))


def _lexicographic(
    a: FloatArray,
    b: FloatArray,
    keep: NDArray[np.intp],
    weight: FloatArray,
    points: FloatArray,
    travel: Sequence[tuple[float, float] | None],
    *,
    floor: bool,
) -> FloatArray:
    x, excess = _minimax(a[keep], b[keep], points, travel, floor=floor)
    if floor and excess > _SLACK_MM:
        return _least_sum(a, b, keep, weight, points, travel, excess)
    return _least_travel(a[keep], b[keep], points, travel, excess, x)


def _minimax(
    a: FloatArray, b: FloatArray, points: FloatArray, travel: Sequence[tuple[float, float] | None], *, floor: bool
) -> tuple[FloatArray, float]:
    """Min e with a x + b <= e, e >= 0 when ``floor``, points within their travel."""
    from scipy.optimize import linprog

    rows, room = _travel_rows(points, travel)
    a_ub = np.concatenate([np.column_stack([a, -np.ones(len(a))]), np.column_stack([rows, np.zeros(len(rows))])])
    k = a.shape[1]
    best = linprog(
        np.eye(k + 1)[k],
        A_ub=a_ub,
        b_ub=np.concatenate([-b, room]),
        bounds=[(None, None)] * k + [(0.0 if floor else None, None)],
        method="highs",
    )
    if best.x is None:  # cannot happen: x = 0 always fits the travel
        raise RuntimeError(f"linear programme failed: {best.message}")
    x = np.asarray(best.x[:k], float)
    excess = float((a @ x + b).max())
    return x, max(excess, 0.0) if floor else excess


def _least_travel(
    a: FloatArray,
    b: FloatArray,
    points: FloatArray,
    travel: Sequence[tuple[float, float] | None],
    excess: float,
    start: FloatArray,
) -> FloatArray:
    """Least sum of the adjusters' movements with a x + b <= excess."""
    from scipy.optimize import linprog

    rows, room = _travel_rows(points, travel)
    k, q = a.shape[1], len(points)
    a_ub = np.concatenate(
        [
            np.column_stack([a, np.zeros((len(a), q))]),
            np.column_stack([rows, np.zeros((len(rows), q))]),
            np.column_stack([points, -np.eye(q)]),
            np.column_stack([-points, -np.eye(q)]),
        ]
    )
    b_ub = np.concatenate([excess - b + _SLACK_MM, room, np.zeros(2 * q)])
    best = linprog(
        np.concatenate([np.zeros(k), np.ones(q)]),
        A_ub=a_ub,
        b_ub=b_ub,
        bounds=[(None, None)] * k + [(0, None)] * q,
        method="highs",
    )
    return start if best.x is None else np.asarray(best.x[:k], float)


def _least_sum(
    a: FloatArray,
    b: FloatArray,
    keep: NDArray[np.intp],
    weight: FloatArray,
    points: FloatArray,
    travel: Sequence[tuple[float, float] | None],
    excess: float,
) -> FloatArray:
    """Least sum of weight * max(0, a x + b), then least movement, with a x + b <= excess at every station.

    Solved through its dual, which has one row per unknown of the move and one
    bounded column per station: the simplex method then works on a handful of
    rows whatever the number of stations.
    """
    from scipy.optimize import linprog

    rows, room = _travel_rows(points, travel)
    k = a.shape[1]
    hard_a = np.concatenate([a[keep], rows])
    hard_b = np.concatenate([excess - b[keep] + _SLACK_MM, room])  # hard_a x <= hard_b
    columns = np.concatenate([a, np.concatenate([points, -points]), hard_a])
    cost = -np.concatenate([b, np.zeros(2 * len(points)), -hard_b])
    top = np.concatenate([weight, np.full(2 * len(points), _TIE), np.full(len(hard_a), np.inf)])
    best = linprog(
        cost, A_eq=columns.T, b_eq=np.zeros(k), bounds=np.column_stack([np.zeros(len(top)), top]), method="highs"
    )
    if best.x is None:
        raise RuntimeError(f"linear programme failed: {best.message}")
    return np.asarray(best.eqlin.marginals, float)


def _travel_rows(points: FloatArray, travel: Sequence[tuple[float, float] | None]) -> tuple[FloatArray, FloatArray]:
    limited = [i for i, t in enumerate(travel) if t is not None]
    low = np.array([t[0] for t in travel if t is not None])
    high = np.array([t[1] for t in travel if t is not None])
    return np.concatenate([points[limited], -points[limited]]), np.concatenate([high, -low])


# --- out of the plane ---------------------------------------------------------------


def _best_out(
    panel: Panel,
    readings: Sequence[SeamReading],
    limits: Sequence[tuple[float, float]],
    at: Sequence[Adjuster],
    size: float,
) -> tuple[FloatArray, float, float, float]:
    known = [(r, lim) for r, lim in zip(readings, limits, strict=False) if math.isfinite(r.step_mm)]
    if not known:
        return np.zeros(3), math.nan, math.nan, math.nan
    unit = np.array([1.0, 1.0 / size, 1.0 / size])
    centre = np.array(panel.centre)
    middle = np.array([r.xy_mm.mean(axis=0) - centre for r, _ in known])
    rows = np.column_stack([np.ones(len(middle)), middle]) * unit
    height = np.array([r.step_mm for r, _ in known])
    low, high = (np.array([lim[k] for _, lim in known]) for k in (0, 1))
    places = np.array([p.xy for p in at]) - centre
    points = np.column_stack([np.ones(len(places)), places]) * unit
    travel = [p.travel_out for p in at]
    a, b = np.concatenate([rows, -rows]), np.concatenate([height - high, low - height])
    keep = np.arange(len(a))
    x = _lexicographic(a, b, keep, np.ones(len(a)), points, travel, floor=True)
    free = _minimax(a, b, points, [None] * len(travel), floor=True)[1]
    return x * unit, float(b.max()), float((a @ x + b).max()), max(free, 0.0)


# --- geometry -----------------------------------------------------------------------


def _in_plane_rows(xy: Point, centre: Point) -> FloatArray:
    rx, ry = xy[0] - centre[0], xy[1] - centre[1]
    return np.array([[1.0, 0.0, -ry], [0.0, 1.0, rx]])


def _points(panel: Panel, readings: Sequence[SeamReading]) -> list[Adjuster]:
    """Adjusters, or the ends of the measured stretches when none was entered."""
    if panel.adjusters:
        return list(panel.adjusters)
    ends = []
    for r in readings:
        for i, word in ((0, "start"), (-1, "end")):
            ends.append(
                Adjuster(
                    name=f"{r.seam}, {word}",
                    kind="end of the measured seam",
                    xy=(float(r.xy_mm[i, 0]), float(r.xy_mm[i, 1])),
                )
            )
    return ends


def _size(panel: Panel, readings: Sequence[SeamReading]) -> float:
    places = np.concatenate([r.xy_mm for r in readings])
    return max(1.0, float(np.hypot(*(places - np.array(panel.centre)).T).max()))


def _pieces(reading: SeamReading) -> list[NDArray[np.intp]]:
    """Runs of stations on one straight piece of the seam: their normals are the same."""
    change = (
        np.flatnonzero(np.abs(np.diff(reading.outward, axis=0)).max(axis=1) > 0) + 1
        if len(reading.s_mm) > 1
        else np.zeros(0, int)
    )
    return np.split(np.arange(len(reading.s_mm)), change)


@dataclass(frozen=True, slots=True)
class _Corner:
    reading: SeamReading
    index: NDArray[np.intp]


def _binding(corners: Sequence[_Corner], total: int, excess: FloatArray) -> NDArray[np.intp]:
    """Stations that can bind: on a straight piece the move changes the gap linearly, so only the upper hull counts."""
    keep: list[int] = []
    base, last = 0, None
    for corner in corners:
        if last is not None and corner.reading is not last:
            base += len(last.s_mm)
        last = corner.reading
        where = base + corner.index
        keep += [int(where[i]) for i in upper_hull(corner.reading.s_mm[corner.index], excess[where])]
    assert base + (len(last.s_mm) if last is not None else 0) == total
    return np.array(keep)


def upper_hull(x: FloatArray, y: FloatArray) -> list[int]:
    """Indices of the upper convex hull of points with increasing x."""
    hull: list[int] = []
    for i, (px, py) in enumerate(zip(x.tolist(), y.tolist(), strict=True)):
        while len(hull) > 1:
            ax, ay, bx, by = float(x[hull[-2]]), float(y[hull[-2]]), float(x[hull[-1]]), float(y[hull[-1]])
            if (bx - ax) * (py - ay) - (by - ay) * (px - ax) < 0:
                break
            hull.pop()
        hull.append(i)
    return hull
