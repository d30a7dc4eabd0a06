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
from functools import partial
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
_Least = Sequence[tuple[float, float, float]]  # of each adjuster along x, y and out what is worth moving [mm]

_NO_TRAVEL = np.zeros((0, 3)), np.zeros(0)  # adjusters that stop nothing
_STILL = (0.0, 0.0)
_LEFT_MM = 1e-3  # less is the solver's
_SLACK_MM = 1e-9  # room for the solver's rounding between the steps
_TIE = 1e-5  # weight of the adjusters' movement [mm] beside the excess summed along the seams [mm2]
_WIDE_WORK = 4.0  # building an edge up is this much more work than taking it down; common practice, no source
_LOCAL_MM, _LOCAL_MM2 = 0.02, 5.0  # excess and its sum from which a local fault is worth a word
_LOCAL_SHARE = 1 / 3  # of a seam: more of it beyond its limits is no local fault
_ENOUGH = 800  # stations that tell where the greater part of the seams lies
_MOST_WAYS = 256  # ways to round the movements to whole steps that are looked through
_BEST_WAYS = 8  # of them that are tried by lot
_STRAIN = 0.4  # of a step: what whole steps may ask of a stiff panel more than it can do; its bolt holes give that
_TRIALS = 1000  # a probability near one is then known to 0.01
_LIKELIER = 0.02  # gain in probability for which seams that are in give way: twice what the trials tell
#: Kept inside the limits, so that the last digit of a plan does not undo its proof [mm].
ROUNDING_MM = 0.005
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

    Returns
    -------
    MoveResult
        Exact for the linear problem that ``panel.AIMS`` names.
    """
    at = _points(panel, readings)
    p = _plane(panel, readings, limits, tapers, at)
    z = _wish(p, panel.aim, p.travel)
    notices: list[Notice] = []
    if panel.aim in ("band", "middle") and (p.b + p.a @ z).max() > _LOCAL_MM:
        other = _least_sum(p.a, p.b, p.keep[:0], p.work, p.points, p.travel)
        if _work(p.a, p.b, p.work, z) > 2 * _work(p.a, p.b, p.work, other) + _LOCAL_MM2:
            notices.append(Notice(code="local-fault-governs"))
    if not any(a.is_limited for a in panel.adjusters):
        notices.append(Notice(code="travel-unlimited"))
    after = p.excess(z)
    free = after  # what adjusters without ends of travel would reach
    ends = [abs(v - end) for v, t in zip(p.points @ z, p.travel, strict=True) if t is not None for end in t]
    if any(off < _LEFT_MM for off in ends):
        if panel.aim == "mend":
            free = p.excess(_wish(p, panel.aim, [None] * len(p.travel)))
        elif panel.aim != "least work":
            free = least_excess(p.a[p.keep], p.b[p.keep], *_NO_TRAVEL, floor=panel.aim != "middle")[1]
    raised = partial(_best_out, panel, readings, step_limits, at, p.size)
    out, out_before, out_after, out_free = raised()
    if after > free + 0.01 or out_after > out_free + 0.01:
        notices.append(Notice(code="travel-stops-move"))
    least = _least_moves(panel, readings, at, p)
    move, points = _told_at(panel, at, least, z * p.unit, out)
    if by_hand:
        outs, out, out_after = _outs(panel, at, least, raised)
        move, points = _by_hand(panel, p, at, least, z, outs, out)
        after = p.excess(np.array([move.x_mm, move.y_mm, move.turn_rad]) / p.unit)
        if move == Move():
            out_after = out_before
    return MoveResult(
        move=move,
        points=tuple(points),
        excess_before_mm=float(p.b.max()),
        excess_after_mm=after,
        step_before_mm=out_before,
        step_after_mm=out_after,
        turn_error_mm=0.5 * move.turn_rad**2 * p.size,
        notices=tuple(notices),
    )


class _Plane(NamedTuple):
    """The programme in the panel's plane: ``b + a @ z`` is the excess of each row, z the move in ``unit``.

    The rows of the gaps come first, ``len(weight)`` for the upper limits and as many for the lower ones; ``seams`` and
    ``hand`` are the number of each row's seam, and what the setting errors make of it; only the rows ``keep`` can bind.
    """

    a: FloatArray
    b: FloatArray
    keep: IndexArray
    seams: IndexArray
    hand: FloatArray
    weight: FloatArray
    work: FloatArray
    points: FloatArray
    travel: list[tuple[float, float] | None]
    unit: FloatArray
    size: float
    pieces: list[IndexArray]
    s_mm: FloatArray
    accuracy: FloatArray
    starts: list[int]

    def binding(self, among: NDArray[np.bool_]) -> IndexArray:
        """The rows among some that can bind: on a straight piece the move changes the gap linearly, so their hull."""
        n = len(self.s_mm)
        rows = [k * n + p[among[k * n + p]] for k in (0, 1) for p in self.pieces]
        hulls = [r[upper_hull(self.s_mm[r % n], self.b[r])] for r in rows if len(r)]
        return np.concatenate([*hulls, 2 * n + np.flatnonzero(among[2 * n :])])

    def faults(self, z: FloatArray, share: float = 1.0, errors: float = 0.0) -> NDArray[np.bool_]:
        """Rows that a move leaves out: each run that goes beyond ``_LOCAL_MM``; at most a share of a seam."""
        left, n = self.b + self.a @ z, len(self.s_mm)
        over = (left + errors * self.hand)[: 2 * n] > 0  # with what so many setting errors would add to the run
        new = np.concatenate([[True], over[1:] != over[:-1]])
        new[[*self.starts, *(n + k for k in self.starts)]] = True
        starts = np.flatnonzero(new)
        worst = np.maximum.reduceat(left[: 2 * n], starts)
        fault = np.repeat(worst > _LOCAL_MM, np.diff([*starts, 2 * n]))
        seam = self.seams[:n]
        local = (np.bincount(seam, fault[:n] | fault[n:]) <= share * np.bincount(seam))[seam]
        return np.concatenate([fault & np.tile(local, 2), left[2 * n :] > _LOCAL_MM])

    def excess(self, z: FloatArray) -> float:
        return float((self.b + self.a @ z).max())


def _plane(
    panel: Panel,
    readings: Sequence[SeamReading],
    limits: Sequence[tuple[FloatArray, FloatArray]],
    tapers: Sequence[TaperRow],
    at: Sequence[Adjuster],
) -> _Plane:
    size = _size(panel, readings)
    unit = np.array([1.0, 1.0, 1.0 / size])
    rows = np.concatenate([shift_rows(r.xy_mm, r.outward, panel.centre) for r in readings]) * unit
    gap = np.concatenate([r.gap_mm for r in readings])
    lower = np.concatenate([b[0] for b in limits])
    upper = np.concatenate([b[1] for b in limits])
    weight = np.concatenate([np.full(len(r.s_mm), r.spacing_mm) for r in readings])
    points = np.concatenate([_in_plane_rows(p.xy, panel.centre) for p in at]) * unit
    slopes = np.array([t.row for t in tapers]).reshape(-1, 3) * unit
    value, room = (np.array([getattr(t, n) for t in tapers]) for n in ("value", "room"))
    a = np.concatenate([rows, -rows, slopes, -slopes])
    b = np.concatenate([gap - upper, lower - gap, value - room, -value - room])
    own, accuracy = _ways(_setting(at)), np.repeat([p.accuracy_mm for p in at], 2)
    number = {name: k for k, name in enumerate(dict.fromkeys(r.seam for r in readings))}
    each = np.repeat([number[r.seam] for r in readings], [len(r.s_mm) for r in readings])
    names = np.concatenate([each, each, np.array([number[t.seam] for t in tapers] * 2, dtype=int)])
    hand = np.sqrt((((a @ np.linalg.pinv(points[own])) * accuracy[own]) ** 2).sum(axis=1))
    plane = _Plane(
        a, b, np.arange(len(b)), names, hand=hand, weight=weight,
        work=np.concatenate([_WIDE_WORK * weight, weight, np.zeros(2 * len(tapers))]), points=points,
        travel=[t for p in at for t in (p.travel_x, p.travel_y)], unit=unit, size=size,
        pieces=pieces_of(readings), s_mm=np.concatenate([r.s_mm for r in readings]), accuracy=accuracy,
        starts=np.cumsum([0, *(len(r.s_mm) for r in readings)])[:-1].tolist(),
    )  # fmt: skip
    return plane._replace(keep=plane.binding(np.ones(len(b), bool)))


def _wish(p: _Plane, aim: str, travel: _Travels) -> FloatArray:
    """The move wished for, whatever a hand makes of it."""
    if aim == "least work":
        # Inside the limits the middle half is a little better than the rest, so that noise does not undo the move.
        n = len(p.weight)
        inner = p.b - 0.25 * np.concatenate([p.b[:n] + p.b[n : 2 * n]] * 2 + [0 * p.b[2 * n :]])
        both = np.concatenate([p.work, _INNER_WORK * p.work])
        return _least_sum(np.concatenate([p.a, p.a]), np.concatenate([p.b, inner]), p.keep[:0], both, p.points, travel)
    if aim == "mend":
        return _mend(p, *_travel_rows(p.points, travel))
    weight = np.concatenate([p.weight, p.weight, 0 * p.b[2 * len(p.weight) :]])
    return _lexicographic(p.a, p.b, p.keep, weight, p.points, travel, floor=aim != "middle")


def _told_at(
    panel: Panel, at: Sequence[Adjuster], least: _Least, plane: FloatArray, out: FloatArray
) -> tuple[Move, list[PointMove]]:
    """A move, and the same at each adjuster with what is worth moving there."""
    names = ("x_mm", "y_mm", "turn_rad", "out_mm", "tilt_x_rad", "tilt_y_rad")
    move = Move(**dict(zip(names, (*plane.tolist(), *out.tolist()), strict=True)))
    told = zip(point_moves(panel, move, at), least, at, strict=True)
    return move, [replace(p, least_mm=least_mm, step_mm=one.step_mm) for p, least_mm, one in told]


# --- what a hand makes of it --------------------------------------------------------


def _by_hand(
    panel: Panel,
    p: _Plane,
    at: Sequence[Adjuster],
    least: _Least,
    wish: FloatArray,
    outs: Sequence[float],
    out: FloatArray,
) -> tuple[Move, list[PointMove]]:
    """What a hand makes of a move: at each adjuster whole steps, or nothing; and where the panel then goes.

    Slackened, an adjuster has its setting error, and seams that are in suffer too: where one of them is in the way, all
    go to where the panel most likely passes.
    """
    # What no move brings in, such as a bulge, is left to the trim and has no say.
    fit = ~p.faults(wish, errors=_SURE)
    odds = _Odds(p, at, fit if fit.any() else np.ones(len(p.b), bool))
    told = partial(_in_steps, panel, p, at, least, odds)
    ways = told(partial(_wish, p, panel.aim))
    if panel.aim == "mend" and panel.adjusters and any(ways) and odds(ways) < 1 - _LIKELIER:
        alone = [frozenset[int](), *(frozenset({2 * k, 2 * k + 1}) for k in odds.setting)]
        surest = max((told(odds.surest, left) for left in alone), key=odds)
        ways = surest if odds(surest) > odds(ways) + _LIKELIER else ways
    plane = np.array(ways).reshape(-1, 2)
    still = [PointMove(name=a.name, kind=a.kind, xy=a.xy, x_mm=0.0, y_mm=0.0, out_mm=0.0, least_mm=least[k],
                       step_mm=a.step_mm) for k, a in enumerate(at)]  # fmt: skip
    if not plane.any() and not any(outs):
        return Move(), still
    # One adjuster alone says nothing of the turn.
    whole = bool(panel.adjusters) and np.linalg.matrix_rank(p.points[odds.own]) == 3
    z = odds.solve @ plane.ravel() if whole else wish
    move, points = _told_at(panel, at, least, z * p.unit, out)
    points = [replace(x, out_mm=o) for x, o in zip(points, outs, strict=True)]
    for k, (x, y) in zip(odds.setting, plane.tolist(), strict=True):  # a latch goes where the panel goes
        points[k] = replace(points[k], x_mm=x, y_mm=y)
    return move, points


class _Odds:
    """How probable it is that the panel passes, as far as its move decides, where a hand has set the adjusters so."""

    def __init__(self, p: _Plane, at: Sequence[Adjuster], fit: NDArray[np.bool_]) -> None:
        self.setting = _setting(at)
        self.own = _ways(self.setting)
        self.solve = np.linalg.pinv(p.points[self.own])
        self._p, self._fit = p, fit
        keep = p.keep if fit.all() else p.binding(fit)
        self._a, self._b = p.a[keep], p.b[keep]
        self._lots = np.random.default_rng(1).normal(size=(_TRIALS, len(self.own))) * p.accuracy[self.own]
        self._errors: dict[bytes, FloatArray] = {}

    def __call__(self, ways: Sequence[float]) -> float:
        touched = np.repeat(np.array(ways).reshape(-1, 2).any(axis=1), 2)
        key = touched.tobytes()
        if key not in self._errors:
            self._errors[key] = self._lots * touched @ self.solve.T @ self._a.T
        ends = self._b + self._a @ (self.solve @ np.array(ways))
        return float((self._errors[key] + ends <= ROUNDING_MM).all(axis=1).mean())

    def fits(self, ways: Sequence[float], steps: Sequence[float]) -> bool:
        """Whether a stiff panel can follow: about an adjuster left as it is, and with little strain at the others."""
        asked = np.array(ways)
        strain = np.abs(asked - self._p.points[self.own] @ (self.solve @ asked))
        touched = np.repeat(asked.reshape(-1, 2).any(axis=1), 2)
        return bool((strain <= np.maximum(_STRAIN * np.array(steps) * touched, LEAST_MOVE_MM)).all())

    def room(self, ways: Sequence[float]) -> float:
        """Largest excess in standard setting errors; below zero: room left."""
        touched = np.repeat(np.array(ways).reshape(-1, 2).any(axis=1), 2)
        ends = self._b + self._a @ (self.solve @ np.array(ways))
        return float((ends / self._spread(touched)).max())

    def _spread(self, touched: NDArray[np.bool_]) -> FloatArray:
        each = self._p.accuracy[self.own] * touched
        return np.asarray(np.sqrt((((self._a @ self.solve) * each) ** 2).sum(axis=1)) + _FINE_MM, float)

    def surest(self, travel: _Travels) -> FloatArray:
        """The move with most room for the setting errors, at most ``_SURE`` of them; then all seams to their middle."""
        p, rows = self._p, _travel_rows(self._p.points, travel)
        spread = self._spread(np.ones(len(self.own), bool))
        a, b, n = self._a / spread[:, None], self._b / spread, len(p.weight)
        most = max(least_excess(a, b, *rows, floor=False)[1], -_SURE) + _SLACK_MM
        mine = self._fit[:n] & self._fit[n : 2 * n]
        root = np.sqrt(p.weight[mine])
        wide = root * 0.5 * (p.b[:n] - p.b[n : 2 * n])[mine]
        return least_squares(root[:, None] * p.a[:n][mine], wide, np.concatenate([a, rows[0]]),
                             np.concatenate([most - b, rows[1]]))  # fmt: skip


def _in_steps(
    panel: Panel,
    p: _Plane,
    at: Sequence[Adjuster],
    least: _Least,
    odds: _Odds,
    solve: Callable[[_Travels], FloatArray],
    left: frozenset[int] = frozenset(),
) -> tuple[float, ...]:
    """What can be told of a move at each adjuster that sets the panel, along x and y; ``left``: ways left alone."""
    while True:
        # What is too small to be told stays; the rest is worked out anew with that.
        wanted = (p.points @ solve([_STILL if k in left else t for k, t in enumerate(p.travel)])).tolist()
        if all(abs(wanted[k]) < least[k // 2][k % 2] for k in odds.own):
            return (0.0,) * len(odds.own)
        small = {k for k in odds.own if not at[k // 2].step_mm and _LEFT_MM < abs(wanted[k]) < least[k // 2][k % 2]}
        if not panel.adjusters or small <= left:
            break
        left = left | small
    ways = [_told(wanted[k], least[k // 2][k % 2], at[k // 2].step_mm, p.travel[k]) for k in odds.own]
    if math.prod(map(len, ways)) > _MOST_WAYS:
        return tuple(_nearest(x, wanted[k]) for x, k in zip(ways, odds.own, strict=True))
    told = list(product(*ways))
    fitting = [x for x in told if odds.fits(x, [at[k // 2].step_mm for k in odds.own])]
    return max(sorted(fitting or told, key=odds.room)[:_BEST_WAYS], key=odds)


def _outs(
    panel: Panel,
    at: Sequence[Adjuster],
    least: _Least,
    raised: Callable[[frozenset[int]], tuple[FloatArray, float, float, float]],
) -> tuple[list[float], FloatArray, float]:
    """What can be told at each adjuster of the move out of the plane, where the panel then lies, the excess left."""
    rows = np.array([[1.0, a.xy[0] - panel.centre[0], a.xy[1] - panel.centre[1]] for a in at])
    left = frozenset[int]()
    while True:
        out, _, after, _ = raised(left)
        wanted = (rows @ out).tolist()
        small = {k for k, v in enumerate(wanted) if not at[k].step_mm and _LEFT_MM < abs(v) < least[k][2]}
        if not panel.adjusters or small <= left:
            break
        left = left | small
    told = [_nearest(_told(v, least[k][2], at[k].step_mm, at[k].travel_out), v) for k, v in enumerate(wanted)]
    if panel.adjusters and np.linalg.matrix_rank(rows) == rows.shape[1]:
        out = np.linalg.pinv(rows) @ np.array(told)
    return told, out, after


def _ways(numbers: Sequence[int]) -> list[int]:
    """Numbers of the ways, x and y, of some adjusters."""
    return [2 * k + way for k in numbers for way in (0, 1)]


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
    p: _Plane,
) -> _Least:
    """What is worth moving at each adjuster [mm]: the hand's least, the adjuster's step, U of the move, the largest.

    A stretch is taken to be wrong as a whole (its parts of U that stations share do not average out); each way round
    the least squares of all gaps give the move that would follow from it.
    """
    ends = np.cumsum([0, *(len(r.s_mm) for r in readings)])
    weight = np.sqrt(p.weight)
    solve, spread = np.linalg.pinv(p.a[: len(weight)] * weight[:, None], rcond=1e-6), []
    for r, start, stop in zip(readings, ends[:-1], ends[1:], strict=True):
        spread.append(solve[:, start:stop] @ (weight[start:stop] * r.expanded_u_mm) * p.unit)
    known = [r.step_u_mm for r in readings if math.isfinite(r.step_u_mm)]
    u_out = max(known, default=0.0)
    moves = []
    for one in at:
        u_x, u_y = np.hypot.reduce(_in_plane_rows(one.xy, panel.centre) @ np.array(spread).T, axis=1).tolist()
        x, y, out = (max(LEAST_MOVE_MM, one.step_mm, u) for u in (u_x, u_y, u_out))
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


def _mend(p: _Plane, rows: FloatArray, room: FloatArray) -> FloatArray:
    """Least squares of the out seams' distance from the middle of their limits; the other seams stay within theirs.

    Where one move brings every seam in, all stay in; where it can, the hand's error has room.  A local fault, such as a
    bulge, is left to the trim and has no say.
    """
    every = np.ones(len(p.b), bool)
    z = _mended(p, every, rows, room)
    if not p.faults(z, _LOCAL_SHARE).any():
        return z
    # The least sum of distances from the middle follows the greater part of each seam, whatever the rest does.
    n = len(p.weight)
    few = np.flatnonzero(np.isin(p.seams[:n], np.unique(p.seams[p.b > _SLACK_MM])))
    few = few[:: max(1, len(few) // _ENOUGH)]
    a, off, one = p.a[:n][few], 0.5 * (p.b[:n] - p.b[n : 2 * n])[few], p.weight[few]
    tie = np.full(2 * len(p.points), _TIE)
    fair = least_sum(np.concatenate([a, -a, p.points, -p.points]), np.concatenate([off, -off, 0 * tie]),
                     np.concatenate([one, one, tie]), rows, room)  # fmt: skip
    sound = ~p.faults(fair, _LOCAL_SHARE)
    z = _mended(p, sound, rows, room)
    # The flanks of a bulge, though in, would still pull: where all else is in without them, they have no say either.
    return fair if z.any() and (p.b + p.a @ fair)[sound].max() <= 0 else z


def _mended(p: _Plane, among: NDArray[np.bool_], rows: FloatArray, room: FloatArray) -> FloatArray:
    a, b, n = p.a, p.b, len(p.weight)
    keep = p.keep if among.all() else p.binding(among)
    out = np.isin(p.seams, np.unique(p.seams[among & (b > _SLACK_MM)]))
    if not out.any():
        return np.zeros(a.shape[1])
    roomy, others = b + _SURE * p.hand, keep[~out[keep]]
    for held, asked in ((keep, roomy), (keep, b), (others, roomy), (others, b)):
        if not len(held) or least_excess(a[held], asked[held], rows, room)[1] <= _SLACK_MM:
            break
    hard = np.concatenate([a[held], rows]), np.concatenate([_SLACK_MM - asked[held], room])
    mine = out[:n] & among[:n] & among[n : 2 * n]
    root = np.sqrt(p.weight[mine])
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
    size: float,
    left: frozenset[int] = frozenset(),
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
    travel = [_STILL if k in left else p.travel_out for k, p in enumerate(at)]
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
