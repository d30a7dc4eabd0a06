"""The best setting of all adjusters of a car at once: one linear programme over all its panels.

Unknown is what each way of each adjuster is set to [mm].  Each row is an excess over a limit of a gap, a taper, a step
or a difference between left and right, with both panels of the seam in it.  In this order:

1. the worst excess over the plain limits is made least, beyond what no move could take away (a bulge is left to the
   edge's own work);
2. the excesses summed over the seams;
3. room for the hand's setting error and for the measurement's, seam by seam, up to three standard errors of both: out
   seams go to the middle, seams that are in give way inside their limits only;
4. the movement.

Panels and adjusters that need not move are left alone: one after the other is dropped as long as the seams expected to
pass, less a little for each adjuster that a hand must touch, do not become fewer.  A panel whose seams are all in, or
likely in, is slackened only where that clearly gains.  Where adjusters go by steps the last programme is a
mixed-integer one.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from contextlib import nullcontext
from dataclasses import replace
from functools import lru_cache
from itertools import pairwise
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.lines import fit_line
from gapvision.judgement.car_rows import (
    Reach,
    SeamLine,
    Setting,
    car_reach,
    contradictions,
    seam_line,
    seam_moves,
    setting_rows,
    settings_of_car,
)
from gapvision.judgement.conformity import guard_band
from gapvision.judgement.finish import film_loss
from gapvision.judgement.move import upper_hull
from gapvision.judgement.plan import aim_limits, doubt_at
from gapvision.judgement.programmes import least_excess, least_sum, unprinted
from gapvision.judgement.tolerance import taper_of
from gapvision.model import (
    Car,
    CarSeam,
    CarWay,
    DecisionRule,
    FinishPlan,
    FloatArray,
    MeasuredCar,
    PanelSeam,
    SeamReading,
)
from gapvision.model.plan import LEAST_MOVE_MM

BoolArray = NDArray[np.bool_]

_SURE = 3.0  # standard errors, of setting and of measuring, that have room
_EXCESS = 100.0  # what 1 mm of a seam's excess weighs beside all its room
_WORST = 100 * _EXCESS  # so much more than all seams' excesses together that the worst one comes first
_MOVEMENT = 0.01  # what 1 mm of movement weighs beside all the room of one seam
_TOUCH = 0.06  # seams that a setting must gain to be worth touching one more adjuster; common practice, no source
_PROVEN = 0.2  # what a seam that is proven counts beside one that is in: a car that is in is not set again for proof
_LIKELY = 0.8  # chance from which a seam is left as it is; common practice, no source
_CLEARLY = 0.5  # seams that must be gained before a panel whose seams are all likely in is slackened; likewise
_ROUNDING_MM = 1e-6
_ALIKE_MM = 0.01  # worst excesses nearer to each other count as the same
_DRAWS = 400  # a share is then known to 0.025
_NODES = 40  # of the search for whole steps; the best found by then is taken, on a fast machine as on a slow one
_LEAST_STATIONS = 3
_PAIR_MM = 25.0  # places where left is held against right


class CarRows(NamedTuple):
    """All limits of a car as rows: ``a @ settings + b`` is an excess [mm], wanted at or below zero.

    ``group`` is the number of the seam, or of the pair of seams, that a row belongs to; ``names`` are theirs;
    ``least`` is the excess of each row that is left to the edge's own work.  ``guard`` is how far a row's limit was
    moved inwards, and ``std_u`` the standard uncertainty of what it limits, of the sign in which an error counts [mm];
    rows of the same ``error`` share one.  ``low``, ``high``, ``step``, ``accuracy`` are those of
    the settings; ``stiff @ settings`` stays within ``slack``.
    """

    a: FloatArray
    b: FloatArray
    group: NDArray[np.intp]
    names: tuple[str, ...]
    least: FloatArray
    settings: tuple[Setting, ...]
    guard: FloatArray
    std_u: FloatArray
    error: NDArray[np.intp]
    low: FloatArray
    high: FloatArray
    step: FloatArray
    accuracy: FloatArray
    stiff: FloatArray
    slack: FloatArray

    def excess(self, settings_mm: FloatArray) -> FloatArray:
        """Largest excess of each group [mm]."""
        return self.worst_of(self.a @ settings_mm + self.b)

    def worst_of(self, excess_mm: FloatArray) -> FloatArray:
        """Largest of each group, of what stands at each row."""
        found = np.full(len(self.names), -np.inf)
        np.maximum.at(found, self.group, excess_mm)
        return found


class Setup(NamedTuple):
    """What to set, what that leaves, and how probable it then is that each group is proven, and is, in tolerance."""

    settings_mm: FloatArray
    excess_mm: FloatArray
    passes: FloatArray
    holds: FloatArray


def way_of(car: Car, setting: Setting) -> CarWay:
    """The way that a setting means."""
    return next(a for a in car.body(setting.body).adjusters if a.name == setting.adjuster).ways[setting.way]


# --- rows -----------------------------------------------------------------------------


class _Part(NamedTuple):
    """Rows that share one error of measurement: rows, excesses, guards, the signed standard uncertainty [mm].

    ``least`` is the excess that is left to the edge's own work: what stays where all of the stretch is best.
    """

    a: FloatArray
    b: FloatArray
    guard: FloatArray
    std_u: FloatArray
    least: FloatArray


def car_rows(measured: MeasuredCar) -> CarRows:
    """All limits of a measured car as rows over the settings of its adjusters."""
    car = measured.car
    groups: list[tuple[str, list[_Part]]] = []
    reach = car_reach(car)
    for seam, laid in zip(measured.measured, measured.panel.seams, strict=True):
        line = seam_line(car, seam)
        found = [part for r in laid.readings for part in _reading_parts(measured, reach, seam, laid, line, r)]
        groups.append((seam.name, [*found, *_taper_parts(measured, reach, seam, line)]))
    groups += [(name, [part]) for name, part in _pair_parts(measured, reach)]
    parts = [part for _, own in groups for part in own]
    lengths = [len(part.b) for part in parts]
    settings = settings_of_car(car)
    ways = [way_of(car, s) for s in settings]
    stiff, slack = _stiff(car, ways)
    a, b, guard, std_u, least = (np.concatenate([getattr(part, name) for part in parts]) for name in _Part._fields)
    group = np.repeat(np.arange(len(groups)), [sum(len(part.b) for part in own) for _, own in groups])
    return CarRows(
        a=a,
        b=b,
        group=group,
        names=tuple(name for name, _ in groups),
        least=least,
        settings=settings,
        guard=guard,
        std_u=std_u,
        error=np.repeat(np.arange(len(parts)), lengths),
        low=np.array([-np.inf if w.travel is None else w.travel[0] for w in ways]),
        high=np.array([np.inf if w.travel is None else w.travel[1] for w in ways]),
        step=np.array([w.step_mm for w in ways]),
        accuracy=np.array([w.accuracy_mm for w in ways]),
        stiff=stiff,
        slack=slack,
    )


def _reading_parts(
    measured: MeasuredCar, reach: Reach, seam: CarSeam, laid: PanelSeam, line: SeamLine, r: SeamReading
) -> Iterator[_Part]:
    """The gaps of a stretch, and its step."""
    car, panel = measured.car, measured.panel
    film = film_loss(car.finish or FinishPlan(coats=()))
    r = r.at(np.isfinite(doubt_at(laid, r, film)))
    lower, upper, _ = aim_limits(panel, laid, r, film)
    plain = replace(panel, rule=DecisionRule(name="simple"))
    least, most, _ = aim_limits(plain, laid, r, film)
    rows = _gap_rows(car, reach, seam, line, r.s_mm)
    over = np.concatenate([r.gap_mm - upper, lower - r.gap_mm])
    guard = np.concatenate([most - upper, lower - least])
    n = len(r.s_mm)
    sides = [(k, x[k : k + n]) for k in (0, n) for x in (over, over - guard)]
    keep = np.unique(np.concatenate([k + _hull(line, r, x) for k, x in sides]))
    both = np.concatenate([rows, -rows])
    left = _left_to_edge(both, over - guard, keep, np.tile(0.5 * (most - least), 2))
    std_u = 0.5 * np.concatenate([r.expanded_u_mm, -r.expanded_u_mm])
    yield _Part(both[keep], over[keep], guard[keep], std_u[keep], left[keep])
    limit = laid.spec.step_mm
    if limit is not None and np.isfinite(r.step_mm):
        middle = np.array([0.5 * (r.s_mm[0] + r.s_mm[-1])])
        rows = -setting_rows(reach, seam_moves(car, seam, line.places(middle), line.out[line.piece(middle)]), 1)
        yield _either(rows, np.array([r.step_mm]), np.array([r.step_u_mm / 2]), limit, measured)


def _either(a: FloatArray, value: FloatArray, std_u: FloatArray, limit: float, measured: MeasuredCar) -> _Part:
    """Rows of what must lie between plus and minus a limit; where U proves nothing, zero is aimed at."""
    guard = guard_band(std_u, np.full(len(value), 2 * limit), measured.car.rule)
    guard = np.where(np.isfinite(guard), guard, limit)
    rows, over = np.concatenate([a, -a]), np.concatenate([value, -value]) - limit + np.tile(guard, 2)
    left = _left_to_edge(rows, over, np.arange(len(over)), np.tile(limit - guard, 2))
    return _Part(rows, over, np.tile(guard, 2), np.concatenate([std_u, -std_u]), left)


def _hull(line: SeamLine, r: SeamReading, over: FloatArray) -> NDArray[np.intp]:
    """On each straight piece a move changes the gap linearly, so that only the upper hull can bind."""
    pieces = line.piece(r.s_mm)
    found = []
    for k in np.unique(pieces):
        at = np.flatnonzero(pieces == k)
        found.append(at[upper_hull(r.s_mm[at], over[at])])
    return np.concatenate(found)


def _gap_rows(car: Car, reach: Reach, seam: CarSeam, line: SeamLine, s_mm: FloatArray) -> FloatArray:
    places = line.places(s_mm)
    return setting_rows(reach, seam_moves(car, seam, places, line.across[line.piece(s_mm)]), len(s_mm))


def _taper_parts(measured: MeasuredCar, reach: Reach, seam: CarSeam, line: SeamLine) -> Iterator[_Part]:
    """Taper in mm at the ends of what was measured, so that it weighs like the gaps there."""
    readings, spec = measured.readings[seam.name], seam.spec
    s = np.concatenate([r.s_mm for r in readings])
    if spec is None or spec.taper_mm_per_m is None or len(s) < _LEAST_STATIONS:
        return
    value, std, told = taper_of(readings, spec, (0.0, seam.length_mm))
    if told:
        row = 1000 * fit_line(s, s).slope_weights @ _gap_rows(measured.car, reach, seam, line, s)
        scale = 0.5 * float(np.ptp(s)) / 1000
        of = scale * row[None], np.array([scale * value]), np.array([scale * std])
        yield _either(*of, scale * spec.taper_mm_per_m, measured)


def pairs_of(measured: MeasuredCar) -> Iterator[tuple[CarSeam, CarSeam, float]]:
    """Seams of both sides that are to be alike and were both measured, with their limit [mm]."""
    for seam in measured.measured:
        limit = None if seam.spec is None else seam.spec.opposite_mm
        if limit is not None and seam.pair and seam.name < seam.pair and measured.readings.get(seam.pair):
            yield seam, measured.car.seam(seam.pair), limit


def pair_stations(measured: MeasuredCar, one: CarSeam, two: CarSeam) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Places of two like seams that were measured on both, the difference of their gaps there, and its U [mm]."""
    s = np.arange(0.0, min(one.length_mm, two.length_mm) + 1, _PAIR_MM)
    gaps, us = (np.full((2, len(s)), np.nan) for _ in range(2))
    for k, seam in enumerate((one, two)):
        for r in measured.readings[seam.name]:
            after = np.clip(np.searchsorted(r.s_mm, s), 1, len(r.s_mm) - 1)
            near = np.minimum(np.abs(r.s_mm[after] - s), np.abs(r.s_mm[after - 1] - s)) <= r.spacing_mm
            gaps[k, near] = np.interp(s[near], r.s_mm, r.gap_mm)
            us[k, near] = np.interp(s[near], r.s_mm, r.expanded_u_mm)
    both = np.isfinite(gaps).all(axis=0)
    return s[both], (gaps[0] - gaps[1])[both], np.hypot(us[0], us[1])[both]


def _pair_parts(measured: MeasuredCar, reach: Reach) -> Iterator[tuple[str, _Part]]:
    car = measured.car
    for one, two, limit in pairs_of(measured):
        s, differ, u = pair_stations(measured, one, two)
        if len(s):
            rows = [_gap_rows(car, reach, seam, seam_line(car, seam), s) for seam in (one, two)]
            yield f"{one.name} / {two.name}", _either(rows[0] - rows[1], differ, u / 2, limit, measured)


def _left_to_edge(a: FloatArray, b: FloatArray, keep: NDArray[np.intp], half: FloatArray) -> FloatArray:
    """What no move takes away, row by row [mm]: zero where one brings the whole stretch in, were it alone.

    Else it is a local fault, and this is what stays of it where the rest lies in the middle of its limits, by least
    absolute distances, which a bulge does not draw.  ``keep``: rows that can bind; ``half``: from limit to middle.
    """
    none = np.zeros(len(b))
    if b.max() <= 0:
        return none
    u, values, _ = np.linalg.svd(a[:, np.abs(a).max(axis=0) > 0], full_matrices=False)
    rank = int((values > 1e-9 * max(1.0, float(values.max(initial=0.0)))).sum())
    if rank == 0:
        return np.maximum(b, 0.0)
    # Scaled, so that its unknowns are of the size of the gaps.
    u, stops = u[:, :rank] * np.sqrt(len(b)), (np.zeros((0, rank)), np.zeros(0))
    if least_excess(u[keep], b[keep], *stops)[1] <= _ROUNDING_MM:
        return none
    return np.asarray(np.maximum(b + u @ least_sum(u, b + half, np.ones(len(b)), *stops), 0.0), float)


def _stiff(car: Car, ways: Sequence[CarWay]) -> tuple[FloatArray, FloatArray]:
    """What a stiff panel forbids; where adjusters go by steps they contradict each other by up to half a step."""
    rows, slack, at = [], [], 0
    for name in car.hang_order:
        own = contradictions(car.body(name))
        n = own.shape[1]
        steps, answers = (np.array([getattr(w, k) for w in ways[at : at + n]]) for k in ("step_mm", "response"))
        for row in own * answers:
            whole = np.zeros(len(ways))
            whole[at : at + n] = row
            rows.append(whole)
            slack.append(0.5 * float((np.abs(row) * steps).max()))
        at += n
    return np.array(rows).reshape(-1, len(ways)), np.array(slack)


# --- the programmes -------------------------------------------------------------------


def best_settings(rows: CarRows, held: frozenset[str] = frozenset()) -> Setup:
    """What to set on all panels but those that are held.

    Parameters
    ----------
    rows : CarRows
        The car's limits.
    held : set of str
        Panels that stay as they are.
    """
    free = np.array([s.body not in held for s in rows.settings])
    asked = _first_rows(rows)
    still = free & _well(rows)
    if not still.any():
        return _searched(rows, free, asked)[0]
    best, value = _searched(rows, free & ~still, asked)
    beside = np.unique(rows.group[np.abs(rows.a[:, still]).max(axis=1) > _ROUNDING_MM])
    if best.holds[beside].min(initial=1.0) >= _LIKELY:
        return best
    other, gain = _searched(rows, free, asked)
    return other if gain > value + _CLEARLY else best


def _well(rows: CarRows) -> BoolArray:
    """Ways of panels all of whose seams and pairs are, as they are, in or likely in tolerance."""
    _, holds = pass_shares(rows, np.zeros(len(rows.settings)))
    doubt = holds[rows.group] < _LIKELY
    moved = np.abs(rows.a[doubt]).max(axis=0, initial=0.0) > _ROUNDING_MM
    restless = {s.body for s, m in zip(rows.settings, moved, strict=True) if m}
    return np.array([s.body not in restless for s in rows.settings])


def _searched(rows: CarRows, free: BoolArray, asked: set[int]) -> tuple[Setup, float]:
    """The best settings of the ways that are free, and their value."""
    best, value = _value_of(rows, _continuous(rows, free, asked))
    least = _beyond(rows, best.settings_mm)
    # First whole panels, then single adjusters: those with the least to do are the first to be tried without.
    for names in ([s.body for s in rows.settings], [f"{s.body}, {s.adjuster}" for s in rows.settings]):
        own = {n: np.array([x == n for x in names]) for n in dict.fromkeys(names)}
        for n in sorted(own, key=lambda n: float(np.abs(best.settings_mm[own[n]]).sum())):
            rest = free & ~own[n]
            if not best.settings_mm[own[n]].any():
                free = rest
                continue
            other, gain = _value_of(rows, _continuous(rows, rest, asked))
            if gain >= value and _beyond(rows, other.settings_mm) <= least + _ALIKE_MM:
                best, value, free = other, gain, rest
    if not best.settings_mm.any():
        return best, value
    found = [_value_of(rows, x) for x in _by_steps(rows, best.settings_mm, asked)]
    worst = [round(_beyond(rows, setup.settings_mm) / _ALIKE_MM) for setup, _ in found]
    return min(zip(worst, found, strict=True), key=lambda one: (one[0], -one[1][1]))[1]


def _beyond(rows: CarRows, settings_mm: FloatArray) -> float:
    """The worst excess over the plain limits, no guard taken off, beyond what is left to the edges [mm]."""
    return max(0.0, float((rows.a @ settings_mm + rows.b - rows.guard - rows.least).max()))


def _continuous(rows: CarRows, free: BoolArray, asked: set[int]) -> FloatArray:
    """Steps not counted; what is too small to be worth a spanner stays."""
    least = np.maximum(LEAST_MOVE_MM, 0.5 * rows.step)
    found = np.zeros(len(free))
    for _ in range(3):
        if not free.any():
            return np.zeros(len(free))
        found = _solved(rows, free, _hand(rows, free), asked)
        small = free & (np.abs(found) < least)
        if not (small & (np.abs(found) > _ROUNDING_MM)).any():
            return np.where(small, 0.0, found)
        free = free & ~small
    return np.where(free & (np.abs(found) >= least), found, 0.0)


def _by_steps(rows: CarRows, wanted: FloatArray, asked: set[int]) -> Iterator[FloatArray]:
    """Whole steps of what moves; the same with all that goes by steps on the panels that do; the nearest ones."""
    hand, stepped = _hand(rows, wanted != 0), rows.step > 0
    first = _solved(rows, wanted != 0, hand, asked, last=True)
    yield first
    if not (stepped & (wanted != 0)).any():
        return
    going = {s.body for s, v in zip(rows.settings, wanted, strict=True) if v}
    more = np.array([s.body in going for s in rows.settings]) & stepped & (wanted == 0)
    if more.any() and _beyond(rows, first) > _beyond(rows, wanted) + _ALIKE_MM:
        yield _solved(rows, (wanted != 0) | more, hand, asked, last=True)
    step = np.where(stepped, rows.step, 1.0)
    nearest = np.clip(np.round(wanted / step), np.ceil(rows.low / step), np.floor(rows.high / step)) * step
    nearest = np.where(stepped, nearest, wanted)
    if (np.abs(rows.stiff @ nearest) <= rows.slack + _ALIKE_MM).all():
        yield nearest


def _hand(rows: CarRows, touched: BoolArray) -> FloatArray:
    """Standard deviation of each row by the setting errors of the ways that are touched [mm]."""
    return np.asarray(np.sqrt(((rows.a * (rows.accuracy * touched)) ** 2).sum(axis=1)), float)


def _solved(
    rows: CarRows, free: BoolArray, hand: FloatArray, asked: set[int], *, last: bool = False
) -> FloatArray:
    """The settings of the free ways, the others zero; with ``last`` in whole steps, and the worst excess exact.

    Of the hundreds of rows few bind: those that a solution breaks join ``asked``, until none is broken.
    """
    a = rows.a[:, free]
    moved = np.unique(rows.group[np.abs(a).max(axis=1) > _ROUNDING_MM])
    mine = np.flatnonzero(np.isin(rows.group, moved))
    which = np.searchsorted(moved, rows.group[mine])
    n, g, none = int(free.sum()), len(moved), np.zeros
    step = np.where(rows.step[free] > 0, rows.step[free], 1.0) if last else np.ones(n)
    stiff = rows.stiff[:, free]
    kept = np.abs(stiff).max(axis=1, initial=0.0) > 0
    stiff, slack = stiff[kept] * step, rows.slack[kept] * last + _ROUNDING_MM
    # Unknown: settings (in steps), how far each goes, each seam's excess, its room, the worst excess.
    one = none((len(mine), g))
    one[np.arange(len(mine)), which] = 1.0
    error = one * ((hand + np.abs(rows.std_u)) * (rows.least <= 0))[mine][:, None]
    limits = np.concatenate([a[mine] * step, none((len(mine), n)), -one, error, none((len(mine), 1))], axis=1)
    room = (rows.least - rows.b + rows.guard)[mine]
    worst = np.block([none((g, 2 * n)), np.eye(g), none((g, g)), -np.ones((g, 1))])
    far = np.concatenate([np.block([[np.eye(n), -np.eye(n)], [-np.eye(n), -np.eye(n)]]), none((2 * n, 2 * g + 1))], 1)
    rigid = np.concatenate([stiff, none((len(stiff), n + 2 * g + 1))], axis=1)
    fixed = np.concatenate([worst, far, rigid, -rigid])
    least = np.concatenate([none(g + 2 * n), slack, slack])
    low = np.concatenate([rows.low[free] / step, none(n + 2 * g + 1)])
    high = np.concatenate([rows.high[free] / step, np.full(n + g, np.inf), np.full(g, _SURE), [np.inf]])
    ints = np.concatenate([(rows.step[free] > 0) & last, none(n + 2 * g + 1)])
    cost = np.concatenate([none(n), _MOVEMENT * step, np.full(g, _EXCESS), np.full(g, -1 / _SURE), [0.0]])
    x, real = none(len(cost)), none(len(cost))
    least_worst = np.eye(len(cost))[-1]  # weights alone let it grow by what the others gain
    cost[-1] = 0.0 if last else _WORST
    aims = [(cost, real)] if not last else [(least_worst, real), (cost, real)]
    if ints.any():  # the search for whole steps begins when it is known which rows bind
        aims += [(least_worst, ints), (cost, ints)]
    for aim, whole in aims:
        if aim is least_worst:
            high[-1] = np.inf
        while True:
            use = np.array([k for k, row in enumerate(mine.tolist()) if row in asked], int)
            upper = np.concatenate([limits[use], fixed])
            found = _milp(aim, upper, np.concatenate([room[use], least]), (low, high), whole)
            if found is None:  # only where the search ended too early
                break
            x = found
            broken = set(mine[limits @ x - room > _ROUNDING_MM].tolist()) - asked
            if not broken:
                break
            asked |= broken
        if aim is least_worst:
            high[-1] = x[-1] + _ROUNDING_MM
    own = np.where(ints[:n] > 0, np.round(x[:n]), x[:n]) * step
    done = none(len(free))
    done[free] = np.where(np.abs(own) > _ROUNDING_MM, own, 0.0)
    return done


def _first_rows(rows: CarRows) -> set[int]:
    """Of the rows of one limit of one stretch the first, the last and the worst."""
    ends = np.flatnonzero(np.diff(2 * rows.error + (rows.std_u > 0), prepend=-1, append=-1)).tolist()
    spans = list(pairwise(ends))
    return {k for start, stop in spans for k in (start, stop - 1, start + int(np.argmax(rows.b[start:stop])))}


def _milp(
    cost: FloatArray, upper: FloatArray, room: FloatArray, bounds: tuple[FloatArray, FloatArray], whole: FloatArray
) -> FloatArray | None:
    from scipy.optimize import Bounds, LinearConstraint, milp
    from scipy.sparse import csr_array

    # So small a linear programme is solved before it would be made smaller.
    options: dict[str, Any] = {"node_limit": _NODES} if whole.any() else {"presolve": False}
    with unprinted() if whole.any() else nullcontext():
        done = milp(
            cost, constraints=LinearConstraint(csr_array(upper), -np.inf, room), bounds=Bounds(*bounds),
            integrality=whole, options=options,
        )  # fmt: skip
    return None if done.x is None else np.asarray(done.x, float)


# --- what a hand makes of it ----------------------------------------------------------


def touched_ways(rows: CarRows, settings_mm: FloatArray) -> BoolArray:
    """Ways that err when settings are made: an adjuster whose bolts are slackened errs in all that its slots allow."""
    done = settings_mm != 0
    names = [(s.body, s.adjuster) for s in rows.settings]
    slack = {n for n, d, step in zip(names, done, rows.step, strict=True) if d and step == 0}
    return np.array([d or (step == 0 and n in slack) for n, d, step in zip(names, done, rows.step, strict=True)])


def adjusters_touched(rows: CarRows, settings_mm: FloatArray) -> int:
    """How many adjusters a hand must set."""
    return len({(s.body, s.adjuster) for s, v in zip(rows.settings, settings_mm, strict=True) if v})


def pass_shares(rows: CarRows, settings_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Probability that each group is proven, and that it is, in tolerance: setting errors and those of measuring drawn.

    What was not touched stays as it is.
    """
    hands, photos = _lots(len(rows.settings), int(rows.error.max()) + 1)
    std = rows.accuracy * touched_ways(rows, settings_mm)
    now = rows.a @ settings_mm + rows.b
    # Rows that no error can bring over their limit need no drawing.
    near = now + 6 * np.hypot(_hand(rows, std > 0), rows.std_u) > 0
    shares, (groups, starts) = [], np.unique(rows.group[near], return_index=True)
    over = hands * std @ rows.a[near].T + now[near]
    errors = photos[:, rows.error[near]] * rows.std_u[near]
    for excess in (over, over + errors - rows.guard[near]):
        share = np.ones(len(rows.names))
        if len(groups):
            share[groups] = np.logical_and.reduceat(excess < 10 * _ROUNDING_MM, starts, axis=1).mean(axis=0)
        shares.append(share)
    return shares[0], shares[1]


@lru_cache(maxsize=2)
def _lots(ways: int, errors: int) -> tuple[FloatArray, FloatArray]:
    """The same lots for all plans of a car, so that chance prefers none of them."""
    lot = np.random.default_rng(0)
    return lot.normal(size=(_DRAWS, ways)), lot.normal(size=(_DRAWS, errors))


def _value_of(rows: CarRows, settings_mm: FloatArray) -> tuple[Setup, float]:
    setup = Setup(settings_mm, rows.excess(settings_mm), *pass_shares(rows, settings_mm))
    # An excess that stays counts too, so that what cannot pass is still brought near.
    beyond = np.maximum(rows.worst_of(rows.a @ settings_mm + rows.b - rows.guard - rows.least), 0.0)
    value = float((_PROVEN * setup.passes + (1 - _PROVEN) * setup.holds).sum() - beyond.sum())
    return setup, value - _TOUCH * adjusters_touched(rows, settings_mm)
