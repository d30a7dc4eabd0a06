"""The new line of a panel edge: straight, or fair on a curved seam, with the least metal removed.

The neighbour's edge stays.  With N its offset from this panel's reference, o this
panel's edge and L the new line, the gap on the line is N - L; the line must run in
a corridor, and sum(max(0, o - L)) is what the file takes.  Both are linear in the
line's unknowns, so a linear programme finds the exact optimum.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.runs import HOLE_SPACINGS, before_holes, runs
from gapvision.geometry.straightness import lower_hull
from gapvision.judgement.programmes import least_excess, least_sum
from gapvision.model import NOT_MEASURED, FloatArray, Notice, TrimLine, TrimRow, TrimRules, TrimSpan

BoolArray = NDArray[np.bool_]
IndexArray = NDArray[np.intp]

TABLE_STEP_MM = 25.0
_KNOT_MM = 80.0  # a fair line has no waves shorter than about two knots
_FILL_WEIGHT = 1e-4  # filling counts only among lines that cut equally much
_ADD_LAST = 1e4  # dressing the whole edge: adding metal only where no trim can do it
_NOTHING_MM = 1e-6  # below the solver's rounding
_JOIN_MM = 10.0
_STROKE_MM = 5.0  # a file stroke goes on over a hole as long as specifications let pass; common practice, no source
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
    doubt_mm: FloatArray | None = None,
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
    doubt_mm : ndarray, shape (n,), optional
        U of the stations that no verdict could pass, zero elsewhere [mm]: no smaller change is told there.  Where it
        is infinite the edge counts as not measured.
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
    doubt = np.zeros(len(s_mm)) if doubt_mm is None else doubt_mm
    known = np.isfinite(doubt)
    form = _design_curve(s_mm, edge_mm, known) if curved else np.zeros(len(s_mm))
    edge = edge_mm - form
    whole = rules.line == "whole"
    tight = _worth(s_mm[known], (lower_mm - gap_mm)[known], rules.worth_mm, spacing_mm)
    wide = _worth(s_mm[known], (gap_mm - upper_mm)[known], rules.worth_mm, spacing_mm)
    shape_up = None if whole else straight_limit_mm
    changes = rules.allowed and (tight.any() or wide.any() or whole or shape_up is not None)
    safe = rules.safe_at(s_mm)
    line = new = edge
    if changes and known.any():
        s = s_mm[known]
        basis = _fair_basis(s) if curved else _straight_basis(s)
        margin = np.minimum(cut_margin_mm, 0.5 * (upper_mm - lower_mm))
        low, high = edge + gap_mm - upper_mm + margin, edge + gap_mm - lower_mm - margin
        low, high, deepest = low[known], high[known], safe[known]
        found, told = _new_edge(s, edge[known], basis, low, high, deepest, tight, wide, whole, shape_up, spacing_mm)
        line, new = np.interp(s_mm, s, found), edge.copy()
        new[known] = told
    remove = edge - new
    remove = np.where(np.abs(remove) < _NOTHING_MM, 0.0, remove)
    if (unsure := _unsure(s_mm, remove, doubt, spacing_mm)).any():
        return trim_line(
            s_mm, edge_mm, gap_mm, lower_mm, upper_mm, rules, cut_margin_mm=cut_margin_mm, curved=curved,
            doubt_mm=np.where(unsure, np.inf, doubt), spacing_mm=spacing_mm, straight_limit_mm=straight_limit_mm,
        )  # fmt: skip
    new_gap = gap_mm + remove
    short = np.maximum(new_gap - upper_mm, lower_mm - new_gap)
    short = np.where((short > 10 * _NOTHING_MM) & known, short, 0.0)
    if short.max() <= rules.worth_mm and changes:
        short = np.zeros(len(short))
    of_known = s_mm[known], gap_mm[known], new_gap[known], remove[known]
    short_spans = _spans(of_known[0], short[known], spacing_mm, "out of limits")
    spans = _change_spans(of_known[0], of_known[3], spacing_mm)
    poor = [[float(s_mm[i]), float(s_mm[k - 1])] for i, k in runs(s_mm, spacing_mm, known) if not known[i]]
    kind = "fair" if curved else "straight"
    return TrimLine(
        s_mm=s_mm,
        present_mm=edge_mm,
        new_mm=new + form,
        line_mm=line + form,
        remove_mm=remove,
        gap_mm=new_gap,
        needed=bool(remove.any()),
        kind=kind,
        short_by_mm=float(short.max(initial=0.0)),
        short_spans=short_spans,
        spans=spans,
        rows=_rows(*of_known, spacing_mm) if changes and known.any() else (),
        cut_mm=float((remove > _SMALL_MM).sum() * spacing_mm),
        add_mm=float((remove < -_SMALL_MM).sum() * spacing_mm),
        notices=tuple(_notices(short_spans, spans, poor, remove, safe, rules, kind)) if changes or poor else (),
    )


def _new_edge(
    s: FloatArray,
    edge: FloatArray,
    basis: FloatArray,
    low: FloatArray,
    high: FloatArray,
    safe: FloatArray,
    tight: BoolArray,
    wide: BoolArray,
    whole: bool,
    zone: float | None,
    spacing: float,
) -> tuple[FloatArray, FloatArray]:
    """The line that runs from ``low`` to ``high`` as far as it can, and the edge that it gives."""
    floor, ceiling = low, high
    if not whole:  # wide places are filled, never cut, and put no demand on the line
        floor = np.where(wide, edge, np.minimum(edge, floor))
        ceiling = np.where(tight, ceiling, np.inf)
    miss = _least_miss(basis, floor, ceiling, edge - safe)
    if zone is not None:
        # No low place may lie deeper below the line than the zone is wide; cut edges lie on the line.
        zoned = np.minimum(ceiling, np.where(wide, np.inf, edge + zone))
        if _least_miss(basis, floor, zoned, edge - safe) <= miss + _NOTHING_MM:
            ceiling = zoned
        else:
            zone = None
    line = _least_cut(basis, edge, floor, ceiling, edge - safe, miss, wide, whole)
    new = line
    if not whole:
        new = _where_needed(s, edge, line, tight, wide, low, high, spacing, everywhere=zone is not None)
    return line, np.maximum(new, edge - safe)  # the solver's last digit must not reach beyond it


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
    low, up, hard = _binding(basis, floor, ceiling, deepest)
    sides = np.concatenate([-basis[low], basis[up]]), np.concatenate([floor[low], -ceiling[up]])
    miss = least_excess(*sides, -basis[hard], -deepest[hard])[1]
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
    """Line with the least metal removed inside the corridor, widened by ``miss``."""
    slack = _NOTHING_MM * 1e-2
    low, up, hard = _binding(basis, floor, ceiling, deepest)
    cuts = edge > floor - miss  # elsewhere the edge is never beyond the line
    soft, linear = (-basis[cuts], edge[cuts], np.ones(int(cuts.sum()))), _FILL_WEIGHT * basis[wide].sum(axis=0)
    if whole:
        soft, linear = (
            (np.concatenate([-basis, basis]), np.concatenate([edge, -edge]), np.repeat([1, _ADD_LAST], len(edge))),
            np.zeros(basis.shape[1]),
        )
    hard_a = np.concatenate([-basis[low], basis[up], -basis[hard]])
    hard_b = np.concatenate([miss - floor[low], miss + ceiling[up], -deepest[hard]]) + slack
    line: FloatArray = basis @ least_sum(*soft, hard_a, hard_b, linear)
    return line


def _binding(
    basis: FloatArray, floor: FloatArray, ceiling: FloatArray, deepest: FloatArray
) -> tuple[IndexArray, IndexArray, IndexArray]:
    """Stations where each side of the corridor can bind: of a straight line the hull's alone."""
    sides = ((floor, -1.0), (ceiling, 1.0), (deepest, -1.0))
    known = [np.flatnonzero(np.isfinite(side)) for side, _ in sides]
    if basis.shape[1] > 2:
        return known[0], known[1], known[2]
    x = basis[:, 1]
    low, up, hard = (k[lower_hull(x[k], way * side[k])] for k, (side, way) in zip(known, sides, strict=True))
    return low, up, hard


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


def _design_curve(s: FloatArray, edge: FloatArray, known: BoolArray) -> FloatArray:
    """The curve that the edge has by design: a polynomial of degree four."""
    if known.sum() < 6:
        return np.zeros(len(s))
    return np.asarray(np.polynomial.Polynomial.fit(s[known], edge[known], 4)(s), dtype=float)


# --- words and tables ---------------------------------------------------------------


def _spans(s: FloatArray, amount: FloatArray, spacing: float, action: str) -> tuple[TrimSpan, ...]:
    hit = joined(s, amount > 0)
    out = []
    for start, stop in runs(s, _stroke(spacing), hit):
        i = start + int(np.argmax(amount[start:stop]))
        if hit[start] and amount[i] > 0:
            ends, most = (float(s[start]), float(s[stop - 1])), (float(amount[i]), float(s[i]))
            out.append(TrimSpan(action, *ends, *most))
    return tuple(out)


def _stroke(spacing: float) -> float:
    """Spacing beyond which stations have a hole between them that no file stroke goes over."""
    return max(spacing, _STROKE_MM / HOLE_SPACINGS)


def _worth(s: FloatArray, excess: FloatArray, worth_mm: float, spacing: float) -> BoolArray:
    """Stations beyond their limit, less the runs that are so by too little to be worth a change."""
    beyond = excess > _NOTHING_MM
    out = beyond.copy()
    for start, stop in runs(s, spacing, beyond):
        if beyond[start] and excess[start:stop].max() < worth_mm:
            out[start:stop] = False
    return out


def _unsure(s: FloatArray, remove: FloatArray, doubt: FloatArray, spacing: float) -> BoolArray:
    """Stations whose doubt is larger than the most that is told of their stretch."""
    most = np.zeros(len(s))
    for start, stop in runs(s, spacing, np.sign(remove)):
        most[start:stop] = np.abs(remove[start:stop]).max()
    return (most > 0) & (doubt > most)


def joined(s: FloatArray, hit: BoolArray) -> BoolArray:
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
    at = before_holes(s, _stroke(spacing))
    beside = np.maximum(np.abs(remove[at]), np.abs(remove[at + 1])) > _SMALL_MM
    holes = [TrimSpan(NOT_MEASURED, float(s[i]), float(s[i + 1]), 0.0, float(s[i])) for i in at[beside]]
    return tuple(sorted([*cut, *add, *holes], key=lambda x: x.from_mm))


def _rows(
    s: FloatArray, gap: FloatArray, new_gap: FloatArray, remove: FloatArray, spacing: float
) -> tuple[TrimRow, ...]:
    cut, add = remove > _SMALL_MM, remove < -_SMALL_MM
    action = np.select([cut, add], ["remove", "add"], "leave")
    first, last = math.ceil(s[0] / TABLE_STEP_MM - 1e-9), math.floor(s[-1] / TABLE_STEP_MM + 1e-9)
    wanted = np.arange(first, last + 1) * TABLE_STEP_MM
    near = [int(np.argmin(np.abs(s - w))) for w in wanted]
    near = [i for i, w in zip(near, wanted, strict=True) if abs(s[i] - w) <= spacing]
    told = np.select([joined(s, cut), joined(s, add)], [1, -1])
    change = np.flatnonzero(told[1:] != told[:-1])
    told_at = sorted({*near, 0, len(s) - 1, *change.tolist(), *(change + 1).tolist()})
    return tuple(
        TrimRow(float(s[i]), float(gap[i]), float(new_gap[i]), float(remove[i]), str(action[i])) for i in told_at
    )


def _notices(
    short: Sequence[TrimSpan],
    spans: Sequence[TrimSpan],
    poor: Sequence[Sequence[float]],
    remove: FloatArray,
    safe: FloatArray,
    rules: TrimRules,
    kind: str,
) -> Iterator[Notice]:
    if poor:
        yield Notice(code="not-measured-well-enough", values={"poor_mm": [list(ends) for ends in poor]})
    holes = [[x.from_mm, x.to_mm] for x in spans if x.action == NOT_MEASURED]
    holes = [x for x in holes if not any(x[0] <= ends[0] and ends[1] <= x[1] for ends in poor)]
    if holes:
        yield Notice(code="hole-in-the-trim", values={"holes_mm": holes})
    if short:
        where = [[x.from_mm, x.to_mm, x.largest_mm, x.largest_at_mm] for x in short]
        yield Notice(code="line-not-possible", values={"line": kind, "missed_mm": where})
    if ((remove > 0) & (remove >= safe - 1e-3)).any():
        yield Notice(code="safe-limit-reached")
    if not rules.safe_limit and (remove > _SMALL_MM).any():
        yield Notice(code="safe-limit-missing")
