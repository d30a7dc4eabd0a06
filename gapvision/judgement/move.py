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
from collections.abc import Callable, Sequence
from dataclasses import replace
from itertools import product
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.straightness import lower_hull
from gapvision.judgement.programmes import least_excess, least_movement, least_squares, least_sum
from gapvision.model import FOLLOWERS, Adjuster, FloatArray, Move, MoveResult, Notice, Panel, Point, PointMove
from gapvision.model.panel import SeamReading
from gapvision.model.plan import LEAST_MOVE_MM

IndexArray = NDArray[np.intp]
_Travels = Sequence[tuple[float, float] | None]

_NO_TRAVEL = np.zeros((0, 3)), np.zeros(0)  # adjusters that stop nothing
_STILL = (0.0, 0.0)
_LEFT_MM = 1e-3  # less is the solver's
_SLACK_MM = 1e-9  # room for the solver's rounding between the steps
_TIE = 1e-5  # weight of the adjusters' movement [mm] beside the excess summed along the seams [mm2]
_WIDE_WORK = 4.0  # building an edge up is this much more work than taking it down; common practice, no source
_LOCAL_MM, _LOCAL_MM2 = 0.02, 5.0  # excess and its sum from which a local fault is worth a word
_MOST_WAYS = 256  # ways to round the movements to whole steps that are looked through
_SURE = 3.0  # standard setting errors that have room, so that seams with many stations pass nearly always
_FINE_MM = 0.02  # so that an adjuster set without any error divides
_INNER_WORK = 0.05  # how much the middle half between two limits is preferred


class TaperRow(NamedTuple):
    """Taper of one seam as a row of the programme: ``value + row @ (x_mm, y_mm, turn_rad)`` stays within ``room``.

    All in mm at the ends of what was measured of the seam; ``row`` has the shape (3,).
    """

    seam: str
    row: FloatArray
    value: float
    room: float


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
    tapers: Sequence[TaperRow] = (),
    *,
    by_hand: bool = False,
    left: frozenset[tuple[int, int]] = frozenset(),
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
    tapers : sequence of TaperRow
        Limits of the seams' tapers.
    by_hand : bool
        Tell the move that a hand makes of it: whole steps of each adjuster, nothing below what is worth moving.
    left : set of (adjuster, way)
        What is left alone: numbers of adjusters, and 0, 1, 2 for x, y and out.

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
    pieces, s = pieces_of(readings), np.concatenate([r.s_mm for r in readings])
    at = _points(panel, readings)
    point_rows = np.concatenate([_in_plane_rows(p.xy, panel.centre) for p in at]) * unit
    ends = [[_STILL if (k, way) in left else t for way, t in enumerate((p.travel_x, p.travel_y, p.travel_out))]
            for k, p in enumerate(at)]  # fmt: skip
    travel = [t for own in ends for t in own[:2]]
    slopes = np.array([t.row for t in tapers]).reshape(-1, 3) * unit
    value, room = (np.array([getattr(t, n) for t in tapers]) for n in ("value", "room"))
    a = np.concatenate([rows, -rows, slopes, -slopes])
    b = np.concatenate([gap - upper, lower - gap, value - room, -value - room])
    # On a straight piece the move changes the gap linearly, so that only the upper hull can bind.
    keep = np.concatenate(
        [k * len(s) + p[upper_hull(s[p], e[p])] for k, e in enumerate((gap - upper, lower - gap)) for p in pieces]
        + [np.arange(2 * len(s), len(b))]
    )
    floor = panel.aim != "middle"
    none = np.zeros(2 * len(tapers))
    work = np.concatenate([_WIDE_WORK * weight, weight, none])
    own = np.repeat([2 * k for k in _setting(at)], 2) + np.tile([0, 1], len(_setting(at)))
    each = np.repeat([p.accuracy_mm for p in at], 2)[own]
    hand = np.sqrt((((a @ np.linalg.pinv(point_rows[own])) * each) ** 2).sum(axis=1))
    seams = np.concatenate([np.repeat([r.seam for r in readings], [len(r.s_mm) for r in readings])] * 2
                           + [np.array([t.seam for t in tapers] * 2, dtype=str)])  # fmt: skip
    notices: list[Notice] = []
    if panel.aim == "least work":
        # Inside the limits the middle half is a little better than the rest, so that noise does not undo the move.
        inner = b + 0.25 * np.concatenate([upper - lower, upper - lower, none])
        both = np.concatenate([work, _INNER_WORK * work])
        z = _least_sum(np.concatenate([a, a]), np.concatenate([b, inner]), keep[:0], both, point_rows, travel)
    elif panel.aim == "mend":
        z = _mend(seams, a, b, keep, weight, _SURE * hand, *_travel_rows(point_rows, travel))
    else:
        z = _lexicographic(a, b, keep, np.concatenate([weight, weight, none]), point_rows, travel, floor)
        if (b + a @ z).max() > _LOCAL_MM:
            other = _least_sum(a, b, keep[:0], work, point_rows, travel)
            if _work(a, b, work, z) > 2 * _work(a, b, work, other) + _LOCAL_MM2:
                notices.append(Notice(code="local-fault-governs"))
    x = z * unit
    if not any(p.is_limited for p in panel.adjusters):
        notices.append(Notice(code="travel-unlimited"))
    before, after = float(b.max()), float((b + a @ z).max())
    free = after  # what adjusters without ends of travel would reach
    if any(t is not None for t in travel):
        if panel.aim == "mend":
            free = float((b + a @ _mend(seams, a, b, keep, weight, _SURE * hand, *_NO_TRAVEL)).max())
        elif panel.aim != "least work":
            free = least_excess(a[keep], b[keep], *_NO_TRAVEL, floor=floor)[1]
    out, out_before, out_after, out_free = _best_out(panel, readings, step_limits, at, [own[2] for own in ends], size)
    if left:
        free, out_free = after, out_after  # told with the move that had them free
    if after > free + 0.01 or out_after > out_free + 0.01:
        notices.append(Notice(code="travel-stops-move"))
    names = ("x_mm", "y_mm", "turn_rad", "out_mm", "tilt_x_rad", "tilt_y_rad")
    move = Move(**dict(zip(names, (*x.tolist(), *out.tolist()), strict=True)))
    least = _least_moves(panel, readings, at, rows * np.sqrt(weight)[:, None], np.sqrt(weight), unit)
    points = [
        replace(p, least_mm=least_mm, step_mm=one.step_mm)
        for p, least_mm, one in zip(point_moves(panel, move, at), least, at, strict=True)
    ]
    if by_hand:
        more = left | {
            (k, way)
            for k, p in enumerate(points)
            for way, v in enumerate((p.x_mm, p.y_mm, p.out_mm))
            if not p.step_mm and _LEFT_MM < abs(v) < p.least_mm[way] and panel.adjusters
        }
        if more != left and any(any(p.ways_mm) for p in points):
            # What is too small to be told stays; the rest is worked out anew with that.
            again = best_move(panel, readings, limits, step_limits, tapers, by_hand=True, left=more)
            return replace(again, notices=tuple(notices))

        # What no move brings in, such as a bulge, is left to the trim and has no say in the rounding.
        fit = b + a @ z <= _LOCAL_MM
        fit = fit if fit.any() else np.ones(len(b), bool)
        mine, room_left, spread = a[fit], b[fit], hand[fit] + _FINE_MM

        def worst(plane: FloatArray) -> float:
            return float(((room_left + mine @ (plane / unit)) / spread).max())

        move, points = _by_hand(panel, move, points, worst)
        after = float((b + a @ (np.array([move.x_mm, move.y_mm, move.turn_rad]) / unit)).max())
        if move == Move():
            out_after = out_before
    return MoveResult(
        move=move,
        points=tuple(points),
        excess_before_mm=before,
        excess_after_mm=after,
        step_before_mm=out_before,
        step_after_mm=out_after,
        turn_error_mm=0.5 * move.turn_rad**2 * size,
        notices=tuple(notices),
    )


def _by_hand(
    panel: Panel, move: Move, points: Sequence[PointMove], worst: Callable[[FloatArray], float]
) -> tuple[Move, list[PointMove]]:
    """What a hand makes of a move: at each adjuster whole steps, or nothing; and where the panel then goes.

    Of the whole steps on either side of each movement those are taken that ``worst`` finds best.
    """
    still = [replace(p, x_mm=0.0, y_mm=0.0, out_mm=0.0) for p in points]
    if not any(any(p.ways_mm) for p in points):
        return Move(), still
    travels = [(p.travel_x, p.travel_y, p.travel_out) for p in panel.adjusters] or [(None, None, None)] * len(points)
    told = [
        [_told(v, p.least_mm[k], p.step_mm, travel[k]) for k, v in enumerate((p.x_mm, p.y_mm, p.out_mm))]
        for p, travel in zip(points, travels, strict=True)
    ]
    setting = _setting(points)
    rows = np.concatenate([_in_plane_rows(points[k].xy, panel.centre) for k in setting])
    solve = np.linalg.pinv(rows)
    ways = [told[k][way] for k in setting for way in (0, 1)]
    wanted = [v for k in setting for v in (points[k].x_mm, points[k].y_mm)]
    if math.prod(len(x) for x in ways) > _MOST_WAYS:
        plane = tuple(_nearest(x, w) for x, w in zip(ways, wanted, strict=True))
    else:
        plane = min(product(*ways), key=lambda x: worst(solve @ np.array(x)))
    outs = [_nearest(x[2], p.out_mm) for x, p in zip(told, points, strict=True)]
    whole = bool(panel.adjusters) and np.linalg.matrix_rank(rows) == rows.shape[1]
    done = [replace(p, x_mm=0.0, y_mm=0.0, out_mm=out) for p, out in zip(points, outs, strict=True)]
    for n, k in enumerate(setting):
        done[k] = replace(done[k], x_mm=plane[2 * n], y_mm=plane[2 * n + 1])
    if not any(any(p.ways_mm) for p in done):
        return Move(), still
    if whole:  # one adjuster alone says nothing of the turn
        move = replace(move, **dict(zip(("x_mm", "y_mm", "turn_rad"), (solve @ np.array(plane)).tolist(), strict=True)))
    lift = np.array([[1.0, p.xy[0] - panel.centre[0], p.xy[1] - panel.centre[1]] for p in points])
    if bool(panel.adjusters) and np.linalg.matrix_rank(lift) == lift.shape[1]:
        found = (np.linalg.pinv(lift) @ np.array(outs)).tolist()
        move = replace(move, **dict(zip(("out_mm", "tilt_x_rad", "tilt_y_rad"), found, strict=True)))
    for k in set(range(len(points))) - set(setting):  # a latch goes where the panel goes, but sets how far in it lies
        p = points[k]
        dx, dy = (_in_plane_rows(p.xy, panel.centre) @ np.array([move.x_mm, move.y_mm, move.turn_rad])).tolist()
        done[k] = replace(done[k], x_mm=dx, y_mm=dy)
    return move, done


def _nearest(choices: Sequence[float], wanted: float) -> float:
    return min(choices, key=lambda v: abs(v - wanted))


def _setting(points: Sequence[PointMove] | Sequence[Adjuster]) -> list[int]:
    """Which of the adjusters set the panel in its plane: a latch only follows, where two others do."""
    kinds = [p.kind for p in points]
    own = [k for k, kind in enumerate(kinds) if kind not in FOLLOWERS]
    return own if len(own) > 1 else list(range(len(kinds)))


def _told(wanted: float, least: float, step: float, travel: tuple[float, float] | None) -> tuple[float, ...]:
    """What can be told of a movement: itself or nothing, or the whole steps on either side of it."""
    if step <= 0:
        return (wanted if abs(wanted) >= least else 0.0,)
    sides = {math.floor(wanted / step) * step, math.ceil(wanted / step) * step}
    low, high = (-math.inf, math.inf) if travel is None else travel
    inside = [v for v in sides if abs(v) >= least and low - _SLACK_MM <= v <= high + _SLACK_MM]
    return tuple(sorted({*inside, *([0.0] if len(inside) < len(sides) else [])}))


def point_moves(panel: Panel, move: Move, at: Sequence[Adjuster] | None = None) -> list[PointMove]:
    """Tell a move at each adjuster."""
    out = []
    for p in at if at is not None else panel.adjusters:
        dx, dy = _in_plane_rows(p.xy, panel.centre) @ np.array([move.x_mm, move.y_mm, move.turn_rad])
        lift = lift_at(p.xy, panel.centre, move)
        out.append(PointMove(name=p.name, kind=p.kind, xy=p.xy, x_mm=float(dx), y_mm=float(dy), out_mm=lift))
    return out


def _least_moves(
    panel: Panel,
    readings: Sequence[SeamReading],
    at: Sequence[Adjuster],
    rows: FloatArray,
    weight: FloatArray,
    unit: FloatArray,
) -> list[tuple[float, float, float]]:
    """What is worth moving at each adjuster [mm]: the hand's least, the adjuster's step, U of the move, the largest.

    A stretch is taken to be wrong as a whole (its parts of U that stations share do not average out); each way round
    the least squares of all gaps give the move that would follow from it.
    """
    ends = np.cumsum([0, *(len(r.s_mm) for r in readings)])
    solve, spread = np.linalg.pinv(rows, rcond=1e-6), []
    for r, start, stop in zip(readings, ends[:-1], ends[1:], strict=True):
        spread.append(solve[:, start:stop] @ (weight[start:stop] * r.expanded_u_mm) * unit)
    known = [r.step_u_mm for r in readings if math.isfinite(r.step_u_mm)]
    u_out = max(known, default=0.0)
    moves = []
    for p in at:
        u_x, u_y = np.hypot.reduce(_in_plane_rows(p.xy, panel.centre) @ np.array(spread).T, axis=1).tolist()
        x, y, out = (max(LEAST_MOVE_MM, p.step_mm, u) for u in (u_x, u_y, u_out))
        moves.append((x, y, out))
    return moves


def setting_errors(
    panel: Panel, readings: Sequence[SeamReading], draws: int, move: MoveResult
) -> tuple[FloatArray, FloatArray]:
    """What setting errors of the adjusters that are moved do to the panel, drawn by lot.

    Returns
    -------
    plane, out : ndarray, shape (draws, 3)
        Errors of (x_mm, y_mm, turn_rad) and of (out_mm, tilt_x_rad, tilt_y_rad).
    """
    everyone, lot = _points(panel, readings), np.random.default_rng(0)
    setting = _setting(everyone)
    accuracy = np.array([p.accuracy_mm for p in everyone])
    done = np.array([p.ways_mm for p in move.points])
    shifted, lifted = accuracy * (done[:, :2] != 0).any(axis=1), accuracy * (done[:, 2] != 0)
    rows = np.concatenate([_in_plane_rows(everyone[k].xy, panel.centre) for k in setting])
    plane = lot.normal(size=(draws, 2 * len(setting))) * np.repeat(shifted[setting], 2)
    lift = np.array([[1.0, p.xy[0] - panel.centre[0], p.xy[1] - panel.centre[1]] for p in everyone])
    out = lot.normal(size=(draws, len(everyone))) * lifted
    return np.asarray(plane @ np.linalg.pinv(rows).T, float), np.asarray(out @ np.linalg.pinv(lift).T, float)


def lift_at(xy: Point, centre: Point, move: Move) -> float:
    """How far a move takes a place of the panel out of the plane [mm]."""
    return move.out_mm + move.tilt_x_rad * (xy[0] - centre[0]) + move.tilt_y_rad * (xy[1] - centre[1])


# --- the linear programmes ----------------------------------------------------------


def _work(a: FloatArray, b: FloatArray, weight: FloatArray, x: FloatArray) -> float:
    return float(weight @ np.maximum(b + a @ x, 0.0))


def _lexicographic(
    a: FloatArray, b: FloatArray, keep: IndexArray, weight: FloatArray, at: FloatArray, travel: _Travels, floor: bool
) -> FloatArray:
    """Least largest excess; among those the least summed excess, or the least movement where none is left."""
    rows, room = _travel_rows(at, travel)
    x, excess = least_excess(a[keep], b[keep], rows, room, floor=floor)
    if floor and excess > _SLACK_MM:
        return _least_sum(a, b, keep, weight, at, travel, excess)
    hard = np.concatenate([a[keep], rows]), np.concatenate([excess - b[keep] + _SLACK_MM, room])
    return least_movement(*hard, at, x)


def _mend(
    names: NDArray[np.str_],
    a: FloatArray,
    b: FloatArray,
    keep: IndexArray,
    weight: FloatArray,
    hand: FloatArray,
    rows: FloatArray,
    room: FloatArray,
) -> FloatArray:
    """Least squares of the out seams' distance from the middle of their limits; the other seams stay within theirs.

    Where one move brings every seam in, all stay in; where it can, the hand's error has room (``hand``).
    ``names`` is the seam of each row; the rows of the gaps come first, ``len(weight)`` for each way.
    """
    n = len(weight)
    out = np.isin(names, np.unique(names[b > _SLACK_MM]))
    if not out.any():
        return np.zeros(a.shape[1])
    roomy, others = b + hand, keep[~out[keep]]
    for held, asked in ((keep, roomy), (keep, b), (others, roomy), (others, b)):
        if not len(held) or least_excess(a[held], asked[held], rows, room)[1] <= _SLACK_MM:
            break
    hard = np.concatenate([a[held], rows]), np.concatenate([_SLACK_MM - asked[held], room])
    mine = out[:n]
    root = np.sqrt(weight[mine])
    return least_squares(root[:, None] * a[:n][mine], root * 0.5 * (b[:n] - b[n : 2 * n])[mine], *hard)


def _least_sum(
    a: FloatArray,
    b: FloatArray,
    keep: IndexArray,
    weight: FloatArray,
    points: FloatArray,
    travel: _Travels,
    excess: float = 0.0,
) -> FloatArray:
    """Least sum of weight * max(0, a x + b), then least movement, with a x + b <= excess at the stations kept."""
    rows, room = _travel_rows(points, travel)
    return least_sum(
        np.concatenate([a, points, -points]),
        np.concatenate([b, np.zeros(2 * len(points))]),
        np.concatenate([weight, np.full(2 * len(points), _TIE)]),
        np.concatenate([a[keep], rows]),
        np.concatenate([excess - b[keep] + _SLACK_MM, room]),
    )


def _travel_rows(points: FloatArray, travel: _Travels) -> tuple[FloatArray, FloatArray]:
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
    travel: _Travels,
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
    a, b = np.concatenate([rows, -rows]), np.concatenate([height - high, low - height])
    # Where a step is out, all go as far inside as they can, so that the hand's error has room.
    floor = panel.aim == "band" or not (b > _SLACK_MM).any()
    x = _lexicographic(a, b, np.arange(len(a)), np.ones(len(a)), points, travel, floor)
    return x * unit, float(b.max()), float((a @ x + b).max()), least_excess(a, b, *_NO_TRAVEL)[1]


# --- geometry -----------------------------------------------------------------------


def _in_plane_rows(xy: Point, centre: Point) -> FloatArray:
    rx, ry = xy[0] - centre[0], xy[1] - centre[1]
    return np.array([[1.0, 0.0, -ry], [0.0, 1.0, rx]])


def _points(panel: Panel, readings: Sequence[SeamReading]) -> list[Adjuster]:
    """Adjusters, or the ends of the measured stretches when none was entered."""
    if panel.adjusters:
        return list(panel.adjusters)
    return [
        Adjuster(name=f"{r.seam}, {word}", kind="end of the measured seam", xy=(x, y))
        for r in readings
        for word, (x, y) in zip(("start", "end"), r.xy_mm[[0, -1]].tolist(), strict=True)
    ]


def _size(panel: Panel, readings: Sequence[SeamReading]) -> float:
    places = np.concatenate([r.xy_mm for r in readings])
    return max(1.0, float(np.hypot(*(places - np.array(panel.centre)).T).max()))


def pieces_of(readings: Sequence[SeamReading]) -> list[IndexArray]:
    """Numbers of the stations, all readings in one row, on each straight piece: their normals are the same."""
    normals = np.concatenate([r.outward for r in readings])
    new = (np.diff(normals, axis=0) != 0).any(axis=1)
    new[np.cumsum([len(r.s_mm) for r in readings])[:-1] - 1] = True
    return np.split(np.arange(len(normals)), np.flatnonzero(new) + 1)


def upper_hull(x: FloatArray, y: FloatArray) -> list[int]:
    """Indices of the upper convex hull of points with increasing x."""
    return lower_hull(x, -y)
