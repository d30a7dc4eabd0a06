"""The new line of a panel edge: straight, or fair on a curved seam, with the least metal removed.

The neighbour's edge stays.  With N its offset from this panel's reference, o this
panel's edge and L the new line, the gap on the line is N - L; the line must run in
a corridor, and sum(max(0, o - L)) is what the file takes.  Both are linear in the
line's unknowns, so a linear programme finds the exact optimum.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.runs import HOLE_SPACINGS, runs
from gapvision.model import FloatArray, Notice, TrimLine, TrimRow, TrimRules, TrimSpan

BoolArray = NDArray[np.bool_]

TABLE_STEP_MM = 25.0
_KNOT_MM = 80.0  # a fair line has no waves shorter than about two knots
_FILL_WEIGHT = 1e-4  # filling counts only among lines that cut equally much
_ADD_LAST = 1e4  # dressing the whole edge: adding metal only where no trim can do it
_NOTHING_MM = 1e-6  # below the solver's rounding
_JOIN_MM = 10.0
_SMALL_MM = 0.01  # changes below this are told as none


def trim_line(
    s_mm: FloatArray,
    edge_mm: FloatArray,
    gap_mm: FloatArray,
    lower_mm: FloatArray,
    upper_mm: FloatArray,
    rules: TrimRules | None = None,
    *,
    cut_margin_mm: FloatArray | float = 0.0,
    curved: bool = False,
    spacing_mm: float = 1.0,
    straight_limit_mm: float | None = None,
) -> TrimLine:
    """Find the new line of a panel edge.

    Parameters
    ----------
    s_mm, edge_mm, gap_mm : ndarray, shape (n,)
        Stations, this panel's edge as offset towards its neighbour, and the gap [mm].
    lower_mm, upper_mm : ndarray, shape (n,)
        Limits of the gap [mm], guard bands already taken off.
    rules : TrimRules, optional
        Kind of line, safe limit.
    cut_margin_mm : float or ndarray
        How much further inside the limits the gap must be where a hand cuts or fills [mm].
    curved : bool
        The seam is curved by design: the line is fair, not straight.
    spacing_mm : float
        Distance between stations [mm].
    straight_limit_mm : float, optional
        Widest zone that may hold the new edge [mm]; None where its form is good as it is.

    Returns
    -------
    TrimLine
        ``where needed``: nothing where every station is within its limits already;
        else the edge is cut only where it stands beyond the line, low places
        that are within them stay, and metal is added only where the gap is too
        wide.  ``whole``: the edge lies on the line everywhere.  The safe limit
        is never exceeded; when no line can meet the limits, the line that misses
        it least is given, with where and by how much.
    """
    rules = rules or TrimRules()
    form = _design_curve(s_mm, edge_mm) if curved else np.zeros(len(s_mm))
    edge = edge_mm - form
    neighbour = edge + gap_mm
    margin = np.minimum(np.broadcast_to(np.asarray(cut_margin_mm, float), gap_mm.shape), 0.5 * (upper_mm - lower_mm))
    tight = _worth(s_mm, lower_mm - gap_mm, rules.worth_mm, spacing_mm)
    wide = _worth(s_mm, gap_mm - upper_mm, rules.worth_mm, spacing_mm)
    floor = neighbour - upper_mm + margin
    ceiling = neighbour - lower_mm - margin
    whole = rules.line == "whole"
    shape_up = straight_limit_mm is not None and not whole
    if not rules.allowed or not (tight.any() or wide.any() or whole or shape_up):
        return _unchanged(s_mm, edge_mm, gap_mm, lower_mm, upper_mm, curved, spacing_mm)
    low, high = floor, ceiling
    if not whole:  # wide places are filled, never cut, and put no demand on the line
        floor = np.where(wide, edge, np.minimum(edge, floor))
        ceiling = np.where(tight, ceiling, np.inf)
    safe = rules.safe_at(s_mm)
    basis = _fair_basis(s_mm) if curved else _straight_basis(s_mm)
    miss = _least_miss(basis, floor, ceiling, edge - safe)
    if straight_limit_mm is not None and shape_up:
        # No low place may lie deeper below the line than the zone is wide; cut edges lie on the line.
        zone = np.minimum(ceiling, np.where(wide, np.inf, edge + straight_limit_mm))
        shape_up = _least_miss(basis, floor, zone, edge - safe) <= miss + _NOTHING_MM
        ceiling = zone if shape_up else ceiling
    line = _least_cut(basis, edge, floor, ceiling, edge - safe, miss, wide, whole)
    new = line if whole else _where_needed(s_mm, edge, line, tight, wide, low, high, spacing_mm, everywhere=shape_up)
    new = np.maximum(new, edge - safe)  # the solver's last digit must not reach beyond it
    remove = edge - new
    remove = np.where(np.abs(remove) < _NOTHING_MM, 0.0, remove)
    new_gap = gap_mm + remove
    short = np.maximum(new_gap - upper_mm, lower_mm - new_gap)
    short_by = float(max(0.0, short.max()))
    if short_by <= max(10 * _NOTHING_MM, rules.worth_mm):
        short_by = 0.0
    short_spans = (
        _spans(s_mm, np.where(short > 10 * _NOTHING_MM, short, 0.0), spacing_mm, "out of limits") if short_by else ()
    )
    return TrimLine(
        s_mm=s_mm,
        present_mm=edge_mm,
        new_mm=new + form,
        line_mm=line + form,
        remove_mm=remove,
        gap_mm=new_gap,
        needed=bool((np.abs(remove) > 0).any()),
        kind="fair" if curved else "straight",
        short_by_mm=short_by,
        short_spans=short_spans,
        spans=_change_spans(s_mm, remove, spacing_mm),
        rows=_rows(s_mm, gap_mm, new_gap, remove, spacing_mm),
        cut_mm=float((remove > _SMALL_MM).sum() * spacing_mm),
        add_mm=float((remove < -_SMALL_MM).sum() * spacing_mm),
        notices=tuple(_notices(short_by, short_spans, remove, safe, rules, curved)),
    )


def _where_needed(
    s: FloatArray,
    edge: FloatArray,
    line: FloatArray,
    tight: BoolArray,
    wide: BoolArray,
    low: FloatArray,
    high: FloatArray,
    spacing: float,
    *,
    everywhere: bool,
) -> FloatArray:
    """Cut down to the line around each tight place, leave everything else, fill wide places up to the line.

    A stretch that stands beyond the line but has no tight station in it is in its
    limits: it needs no cut and gets none, unless the edge's form asks for it (``everywhere``).
    """
    beyond = edge > line + _NOTHING_MM
    new = edge.copy()
    for start, stop in runs(s, spacing, beyond):
        if beyond[start] and (everywhere or tight[start:stop].any()):
            new[start:stop] = line[start:stop]
    fill = np.maximum(edge, np.clip(line, low, np.maximum(low, high)))
    return np.where(wide, fill, new)


# --- the linear programmes ----------------------------------------------------------


def _least_miss(basis: FloatArray, floor: FloatArray, ceiling: FloatArray, deepest: FloatArray) -> float:
    """By how much the best line must leave the corridor; the safe limit is never left."""
    from scipy.optimize import linprog

    n, k = basis.shape
    up = np.isfinite(ceiling)
    hard = np.isfinite(deepest)
    a = np.concatenate(
        [
            np.column_stack([-basis, -np.ones(n)]),
            np.column_stack([basis[up], -np.ones(int(up.sum()))]),
            np.column_stack([-basis[hard], np.zeros(int(hard.sum()))]),
        ]
    )
    b = np.concatenate([-floor, ceiling[up], -deepest[hard]])
    best = linprog(np.eye(k + 1)[k], A_ub=a, b_ub=b, bounds=[(None, None)] * k + [(0, None)], method="highs")
    if best.x is None:
        raise RuntimeError(f"linear programme failed: {best.message}")
    miss = float(best.x[k])
    return miss if miss > _NOTHING_MM else 0.0


def _least_cut(
    basis: FloatArray,
    edge: FloatArray,
    floor: FloatArray,
    ceiling: FloatArray,
    deepest: FloatArray,
    miss: float,
    wide: BoolArray,
    whole: bool,
) -> FloatArray:
    """Line with the least metal removed inside the corridor, widened by ``miss``.

    Solved through its dual (see ``move``): one row per unknown of the line.
    """
    from scipy.optimize import linprog

    room = miss + _NOTHING_MM * 1e-2
    up, hard = np.isfinite(ceiling), np.isfinite(deepest)
    # primal: min sum w max(0, a x + b) + c x,  hard_a x <= hard_b
    soft_a = [-basis]
    soft_b = [edge]
    top = [np.ones(len(edge))]
    linear = np.zeros(basis.shape[1])
    if whole:
        soft_a.append(basis)
        soft_b.append(-edge)
        top.append(np.full(len(edge), _ADD_LAST))
    elif wide.any():
        linear = _FILL_WEIGHT * basis[wide].sum(axis=0)
    hard_a = np.concatenate([-basis, basis[up], -basis[hard]])
    hard_b = np.concatenate([room - floor, room + ceiling[up], _NOTHING_MM * 1e-2 - deepest[hard]])
    columns = np.concatenate([*soft_a, hard_a])
    cost = -np.concatenate([*soft_b, -hard_b])
    limits = np.concatenate([*top, np.full(len(hard_a), np.inf)])
    best = linprog(
        cost, A_eq=columns.T, b_eq=-linear, bounds=np.column_stack([np.zeros(len(limits)), limits]), method="highs"
    )
    if best.x is None:
        raise RuntimeError(f"linear programme failed: {best.message}")
    line: FloatArray = basis @ np.asarray(best.eqlin.marginals, float)
    return line


def _straight_basis(s: FloatArray) -> FloatArray:
    half = max(1.0, 0.5 * float(s[-1] - s[0]))
    return np.column_stack([np.ones(len(s)), (s - 0.5 * (s[0] + s[-1])) / half])


def _fair_basis(s: FloatArray) -> FloatArray:
    from scipy.interpolate import BSpline

    span = float(s[-1] - s[0])
    pieces = max(1, round(span / _KNOT_MM))
    if span <= 0 or len(s) < 4:
        return _straight_basis(s)
    inner = np.linspace(s[0], s[-1], pieces + 1)
    knots = np.concatenate([[s[0]] * 3, inner, [s[-1]] * 3])
    return np.asarray(BSpline.design_matrix(s, knots, 3).toarray(), dtype=float)


def _design_curve(s: FloatArray, edge: FloatArray) -> FloatArray:
    """The curve that the edge has by design: a polynomial of degree four."""
    if len(s) < 6:
        return np.zeros(len(s))
    return np.asarray(np.polynomial.Polynomial.fit(s, edge, 4)(s), dtype=float)


# --- words and tables ---------------------------------------------------------------


def _unchanged(
    s: FloatArray, edge: FloatArray, gap: FloatArray, lower: FloatArray, upper: FloatArray, curved: bool, spacing: float
) -> TrimLine:
    short = np.maximum(gap - upper, lower - gap)
    worst = float(max(0.0, short.max()))
    worst = worst if worst > 10 * _NOTHING_MM else 0.0
    return TrimLine(
        s_mm=s,
        present_mm=edge,
        new_mm=edge,
        line_mm=edge,
        remove_mm=np.zeros(len(s)),
        gap_mm=gap,
        needed=False,
        kind="fair" if curved else "straight",
        short_by_mm=worst,
        short_spans=_spans(s, np.where(short > 10 * _NOTHING_MM, short, 0.0), spacing, "out of limits")
        if worst
        else (),
        spans=(),
        rows=(),
        cut_mm=0.0,
        add_mm=0.0,
        notices=(),
    )


def _spans(s: FloatArray, amount: FloatArray, spacing: float, action: str) -> tuple[TrimSpan, ...]:
    hit = _joined(s, amount > 0)
    out = []
    # One file stroke goes on over a short hole.
    for start, stop in runs(s, max(spacing, _JOIN_MM / HOLE_SPACINGS), hit):
        if hit[start] and (amount[start:stop] > 0).any():
            i = start + int(np.argmax(amount[start:stop]))
            out.append(
                TrimSpan(
                    action=action,
                    from_mm=float(s[start]),
                    to_mm=float(s[stop - 1]),
                    largest_mm=float(amount[i]),
                    largest_at_mm=float(s[i]),
                )
            )
    return tuple(out)


def _worth(s: FloatArray, excess: FloatArray, worth_mm: float, spacing: float) -> BoolArray:
    """Stations beyond their limit, less the runs that are so by too little to be worth a change."""
    beyond = excess > _NOTHING_MM
    out = beyond.copy()
    for start, stop in runs(s, spacing, beyond):
        if beyond[start] and excess[start:stop].max() < worth_mm:
            out[start:stop] = False
    return out


def _joined(s: FloatArray, hit: BoolArray) -> BoolArray:
    """Close breaks shorter than 10 mm: noise makes stations flicker about a limit, and nobody files such islands."""
    out = hit.copy()
    on = np.flatnonzero(hit)
    for a, b in pairwise(on.tolist()):
        if b - a > 1 and s[b] - s[a] < _JOIN_MM:
            out[a:b] = True
    return out


def _change_spans(s: FloatArray, remove: FloatArray, spacing: float) -> tuple[TrimSpan, ...]:
    cut = _spans(s, np.where(remove > _SMALL_MM, remove, 0.0), spacing, "remove")
    add = _spans(s, np.where(remove < -_SMALL_MM, -remove, 0.0), spacing, "add")
    return tuple(sorted(cut + add, key=lambda x: x.from_mm))


def _rows(
    s: FloatArray, gap: FloatArray, new_gap: FloatArray, remove: FloatArray, spacing: float
) -> tuple[TrimRow, ...]:
    action = np.where(remove > _SMALL_MM, 1, np.where(remove < -_SMALL_MM, -1, 0))
    first, last = math.ceil(s[0] / TABLE_STEP_MM - 1e-9), math.floor(s[-1] / TABLE_STEP_MM + 1e-9)
    wanted = np.arange(first, last + 1) * TABLE_STEP_MM
    near = [int(np.argmin(np.abs(s - w))) for w in wanted]
    near = [i for i, w in zip(near, wanted, strict=True) if abs(s[i] - w) <= spacing]
    told = np.where(_joined(s, action > 0), 1, np.where(_joined(s, action < 0), -1, 0))
    change = np.flatnonzero(told[1:] != told[:-1])
    edges: Sequence[int] = [0, len(s) - 1, *change.tolist(), *(change + 1).tolist()]
    words = {1: "remove", -1: "add", 0: "leave"}
    return tuple(
        TrimRow(
            s_mm=float(s[i]),
            gap_mm=float(gap[i]),
            new_gap_mm=float(new_gap[i]),
            remove_mm=float(remove[i]),
            action=words[int(action[i])],
        )
        for i in sorted({*near, *edges})
    )


def _notices(
    short_by: float, short: Sequence[TrimSpan], remove: FloatArray, safe: FloatArray, rules: TrimRules, curved: bool
) -> list[Notice]:
    notices = []
    at_limit = bool((np.isfinite(safe) & (remove > 0) & (remove >= safe - 1e-3)).any())
    if short_by > 0:
        where = [[x.from_mm, x.to_mm, x.largest_mm, x.largest_at_mm] for x in short]
        values = {"line": "fair" if curved else "straight", "missed_mm": where}
        notices.append(Notice(code="line-not-possible", values=values))
    if at_limit:
        notices.append(Notice(code="safe-limit-reached"))
    if not rules.safe_limit and (remove > _SMALL_MM).any():
        notices.append(Notice(code="safe-limit-missing"))
    return notices
