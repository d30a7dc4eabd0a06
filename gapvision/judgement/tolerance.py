"""Does a seam pass? The gap profile against its specification, with uncertainty, under a named rule."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.geometry.runs import HOLE_SPACINGS, before_holes, holes, runs
from gapvision.judgement.conformity import conformance_probability, decide, decide_limit
from gapvision.judgement.linear import slope, window_jump_factor, window_jumps
from gapvision.judgement.readings import laid_on, reading_from_measurement
from gapvision.judgement.specification import for_photo, nominal_at
from gapvision.model import (
    COVERAGE_FACTOR,
    HOLE,
    IN,
    OPEN,
    OUT,
    Check,
    DecisionRule,
    FloatArray,
    Measurement,
    Notice,
    Reason,
    SeamReading,
    Span,
    Specification,
    Verdict,
)

#: Stations in a milder state over less than this do not part two runs of one state [mm]; common practice, no source.
JOIN_MM = 5.0

_MEANT = 0.95  # of the length that taper is meant for, which a stretch must show to be judged by it
_WIDE, _TIGHT = "wide", "tight"
_DECIMALS = 5  # as in a measurement file [mm]: a photo just measured and its file read back get the same verdict
_PROVABLE = 1.0  # 2 U over the width between the limits from which no value at all can be proven


def judge_gap(
    s_mm: FloatArray,
    gap_mm: FloatArray,
    expanded_u_mm: FloatArray,
    spec: Specification,
    rule: DecisionRule | None = None,
    *,
    spacing_mm: float = 1.0,
    checks: Sequence[Check] = (),
    extent_mm: tuple[float, float] | None = None,
    seam_mm: tuple[float, float] | None = None,
    notices: Sequence[Notice] = (),
) -> Verdict:
    """Judge a gap profile: the only place where a station is judged; every text, table and picture shows its verdict.

    Parameters
    ----------
    s_mm, gap_mm, expanded_u_mm : ndarray, shape (n,)
        Stations, gap and U (k = 2) [mm]; NaN gaps count as holes.
    spec : Specification
        What is wanted.
    rule : DecisionRule, optional
        Decision rule; the default accepts only what is proven.
    spacing_mm : float
        Distance between stations [mm].
    checks : sequence of Check
        Checks of the seam as a whole that enter the verdict.
    extent_mm : (float, float), optional
        Where the seam starts and ends [mm]; what lies outside the stations then counts as not measured.
    seam_mm : (float, float), optional
        Start and end of the whole seam, where only a stretch of it is judged and the
        wanted gap is given by shares of its length [mm].
    notices : sequence of Notice
        Warnings and notes of the photo; they travel with the verdict.

    Returns
    -------
    Verdict
        OUT when any station or check is out of tolerance; IN when all are in
        tolerance and no hole is longer than the specification allows; else OPEN.

    Raises
    ------
    GapvisionError
        ``nothing-to-judge`` when there is no station.
    """
    rule = rule or DecisionRule()
    known = np.isfinite(gap_mm) & np.isfinite(expanded_u_mm)
    s, gap, u = (np.round(np.asarray(v, float)[known], _DECIMALS) for v in (s_mm, gap_mm, expanded_u_mm))
    if len(s) == 0:
        raise GapvisionError("nothing-to-judge")
    extent_mm = extent_mm or _extent(s, spec)
    nominal = nominal_at(spec, s, seam_mm or extent_mm)
    lower, upper = nominal - spec.allow_below_mm, nominal + spec.allow_above_mm
    states = decide(gap, u, lower, upper, rule)
    wide = gap - upper >= lower - gap
    excess = np.maximum(gap - upper, lower - gap)
    spans = _spans(s, gap, u, states, excess, wide, spacing_mm, extent_mm)
    lengths = {state: spacing_mm * float((states == state).sum()) for state in (IN, OUT, OPEN)}
    lengths[HOLE] = sum(x.length_mm for x in spans if x.state == HOLE)
    long_holes = [x for x in spans if x.state == HOLE and x.length_mm > spec.largest_hole_mm]
    i = int(np.argmax(np.where(states == OUT, excess, -np.inf) if OUT in states else excess))
    worst = Span.of(str(states[i]), (s[i], s[i]), (gap[i], s[i], u[i], excess[i]), _WIDE if wide[i] else _TIGHT)
    return Verdict(
        state=_overall(states, checks, bool(long_holes)),
        rule=rule,
        coverage_factor=COVERAGE_FACTOR,
        s_mm=s,
        gap_mm=gap,
        expanded_u_mm=u,
        nominal_mm=nominal,
        lower_mm=lower,
        upper_mm=upper,
        probability=conformance_probability(gap, u / COVERAGE_FACTOR, lower, upper),
        states=tuple(states.tolist()),
        spans=tuple(spans),
        checks=tuple(checks),
        in_mm=lengths[IN],
        out_mm=lengths[OUT],
        open_mm=lengths[OPEN],
        hole_mm=lengths[HOLE],
        worst=worst,
        reasons=tuple(_reasons(states, checks, long_holes, lengths, u, upper - lower, rule)) or (Reason("all in"),),
        notices=tuple(notices),
        spacing_mm=spacing_mm,
        extent_mm=extent_mm,
    )


def judge_reading(
    reading: SeamReading,
    spec: Specification,
    rule: DecisionRule | None = None,
    *,
    opposite: SeamReading | None = None,
    extent_mm: tuple[float, float] | None = None,
) -> Verdict:
    """Judge one photo's stretch of a seam with every limit that its specification has.

    Parameters
    ----------
    reading : SeamReading
        The stretch.
    spec, rule
        As :func:`judge_gap`.
    opposite : SeamReading, optional
        The seam on the other side of the car, stations counted the same way round (see ``mirror``).
    extent_mm : (float, float), optional
        As :func:`judge_gap`.
    """
    rule = rule or DecisionRule()
    checks = form_checks(reading, spec, rule, extent_mm)
    if spec.opposite_mm is not None and opposite is not None:
        checks.append(opposite_check(reading, opposite, spec.opposite_mm, rule))
    r = reading
    return judge_gap(
        r.s_mm, r.gap_mm, r.expanded_u_mm, spec, rule, spacing_mm=r.spacing_mm, checks=checks, extent_mm=extent_mm,
        notices=r.notices,
    )  # fmt: skip


def judge_measurement(
    measurement: Measurement,
    spec: Specification,
    rule: DecisionRule | None = None,
    *,
    opposite: SeamReading | None = None,
    panel_edge: str = "B",
) -> Verdict:
    """Judge one photo with every limit that its specification has; stations keep the photo's own numbers.

    Parameters
    ----------
    measurement : Measurement
        Measured, not refused.
    spec, rule
        As :func:`judge_gap`; the seam begins at the photo's station 0 unless the specification tells its place.
    opposite : SeamReading, optional
        The seam on the other side of the car, as its own photo counts it; it is laid on this one mirrored.
    panel_edge : str
        ``A`` or ``B``: the edge in the photo that is this panel's.

    Returns
    -------
    Verdict
        With the photo's warnings and notes.

    Raises
    ------
    GapvisionError
        ``measurement-was-refused``, ``opposite-does-not-overlap``; ``photo-place-unknown`` where a wanted gap that runs
        along the seam would be laid on one photo as if it were the whole.
    """
    reading = reading_from_measurement(measurement, spec.name, panel_edge=panel_edge)
    here, extent = for_photo(spec, reading.s_mm)
    other = None if opposite is None else laid_on(opposite, reading)
    return judge_reading(reading, here, rule, opposite=other, extent_mm=extent)


def _extent(s: FloatArray, spec: Specification) -> tuple[float, float]:
    """Where a seam starts and ends, if its stations count from its start [mm]."""
    return (float(s[0]), float(s[-1])) if spec.length_mm is None else (0.0, spec.length_mm)


def taper_of(
    readings: Sequence[SeamReading], spec: Specification, extent_mm: tuple[float, float] | None = None
) -> tuple[float, float, bool]:
    """Taper of one seam from all that was measured along it.

    Returns
    -------
    value, std_u : float
        Slope of gap minus wanted gap and its standard uncertainty [mm/m].
    told : bool
        Whether that is enough of the seam for what the limit is meant for.
    """
    s = np.concatenate([r.s_mm for r in readings])
    order = np.argsort(s, kind="stable")
    s = s[order]
    gap, u = (np.concatenate([getattr(r, n) for r in readings])[order] for n in ("gap_mm", "expanded_u_mm"))
    value, std = slope(s, gap - nominal_at(spec, s, extent_mm or _extent(s, spec)), u / COVERAGE_FACTOR)
    return value, std, bool(s[-1] - s[0] >= _MEANT * (spec.taper_over_mm or 0.0))


def form_checks(
    reading: SeamReading,
    spec: Specification,
    rule: DecisionRule,
    extent_mm: tuple[float, float] | None = None,
    taper: tuple[float, float, bool] | None = None,
) -> list[Check]:
    """Taper, jumps, straightness, step: those that the specification limits and the photo can answer.

    ``taper`` is that of the whole seam, where more was measured than this stretch.
    """
    s, u = reading.s_mm, reading.expanded_u_mm / COVERAGE_FACTOR
    checks: list[Check] = []
    if len(s) < 3:
        return checks

    def look(kind: str, value: float | None, u: float, limit: float | None, **where: Any) -> None:
        if limit is not None and value is not None and math.isfinite(value):
            checks.append(_check(kind, value, u, limit, rule, **where))

    off = reading.gap_mm - nominal_at(spec, s, extent_mm or _extent(s, spec))
    if spec.taper_mm_per_m is not None:
        value, std, told = taper or taper_of([reading], spec, extent_mm)
        where = {"over_mm": spec.taper_over_mm} if spec.taper_over_mm else {}
        look("taper", value, COVERAGE_FACTOR * std, spec.taper_mm_per_m, unit="mm/m", **where)
        if not told:
            checks[-1] = replace(checks[-1], state=HOLE)
    if spec.jump_10_mm is not None:
        at, jump = window_jumps(s, off, reading.spacing_mm)
        if len(at):
            i = int(np.argmax(np.abs(jump)))
            near = float(u[np.argmin(np.abs(s - at[i]))])
            u_jump = COVERAGE_FACTOR * near * window_jump_factor(reading.spacing_mm)
            look("jump", float(jump[i]), u_jump, spec.jump_10_mm, at_mm=float(at[i]))
    for edge, form in (("panel", reading.panel_straightness), ("neighbour", reading.neighbour_straightness)):
        if form is None:
            continue
        kind, whole = ("fairness", form.fairness_mm) if reading.curved else ("straightness", form.min_zone_mm)
        look(kind, whole, form.expanded_u_mm, spec.straightness_mm, edge=edge, over_mm=form.span_mm)
        if not reading.curved:
            place = {} if form.worst_100_from_mm is None else {"at_mm": form.worst_100_from_mm, "over_mm": 100.0}
            limit = spec.straightness_100_mm
            look("straightness_100", form.worst_100_mm, form.expanded_u_mm, limit, edge=edge, **place)
    look("step", reading.step_mm, reading.step_u_mm, spec.step_mm)
    return checks


def opposite_check(reading: SeamReading, opposite: SeamReading, limit_mm: float, rule: DecisionRule) -> Check:
    """Largest difference to the opposite side's seam, at stations that both have.

    Parameters
    ----------
    reading, opposite : SeamReading
        Both counted from the same end of the car (see ``readings.mirror``).
    limit_mm : float
        Largest difference [mm].
    """
    s = reading.s_mm
    inside = (s >= opposite.s_mm[0]) & (s <= opposite.s_mm[-1]) if len(opposite.s_mm) else np.zeros(len(s), bool)
    if inside.any():
        nearest = np.abs(opposite.s_mm[None, :] - s[inside][:, None]).min(axis=1)
        inside[np.flatnonzero(inside)[nearest > HOLE_SPACINGS * opposite.spacing_mm]] = False
    if not inside.any():
        raise GapvisionError("opposite-does-not-overlap")
    other = np.interp(s[inside], opposite.s_mm, opposite.gap_mm)
    other_u = np.interp(s[inside], opposite.s_mm, opposite.expanded_u_mm)
    diff, u = reading.gap_mm[inside] - other, np.hypot(reading.expanded_u_mm[inside], other_u)
    i = int(np.argmax(np.abs(diff)))
    return _check("opposite", float(diff[i]), float(u[i]), limit_mm, rule, at_mm=float(s[inside][i]))


def _check(
    kind: str, value: float, expanded_u: float, limit: float, rule: DecisionRule, *, unit: str = "mm", **where: Any
) -> Check:
    state = decide_limit(value, expanded_u, limit, rule)
    return Check(kind=kind, value=value, expanded_u=expanded_u, limit=limit, unit=unit, state=state, **where)


def _overall(states: NDArray[np.str_], checks: Sequence[Check], holes: bool) -> str:
    everything = [*states.tolist(), *(c.state for c in checks)]
    if OUT in everything:
        return OUT
    return OPEN if OPEN in everything or holes else IN


def _spans(
    s: FloatArray,
    gap: FloatArray,
    u: FloatArray,
    states: NDArray[np.str_],
    excess: FloatArray,
    wide: NDArray[np.bool_],
    spacing: float,
    extent: tuple[float, float],
) -> list[Span]:
    """All runs and holes in order; see :data:`JOIN_MM`."""
    # Out on one side and out on the other are two runs; what is not proven may lie near both limits at once.
    key = np.where(states == OUT, np.where(wide, _WIDE, _TIGHT), states)
    for state, milder in ((_WIDE, (IN, OPEN)), (_TIGHT, (IN, OPEN)), (OPEN, (IN,))):
        _join(key, state, milder, s, spacing)
    spans = holes(s, spacing, extent)
    for start, stop in runs(s, spacing, key):
        i = start + int(np.argmax(excess[start:stop]))
        state = OUT if key[start] in (_WIDE, _TIGHT) else str(key[start])
        side = "" if state == IN else _WIDE if wide[i] else _TIGHT
        spans.append(Span.of(state, (s[start], s[stop - 1]), (gap[i], s[i], u[i], excess[i]), side))
    return sorted(spans, key=lambda x: (x.from_mm, x.to_mm))


def _join(key: NDArray[np.str_], state: str, milder: tuple[str, ...], s: FloatArray, spacing: float) -> None:
    """Give short interruptions of a state by milder ones its name (in place); never over a hole."""
    if state not in key:
        return
    hole = set((before_holes(s, spacing) + 1).tolist())
    same = [run for run in runs(s, spacing, key) if key[run[0]] == state]
    for (_, stop), (start, _) in pairwise(same):
        short = s[start] - s[stop - 1] < JOIN_MM
        if short and set(key[stop:start].tolist()) <= set(milder) and not hole & set(range(stop, start + 1)):
            key[stop:start] = state


def _reasons(
    states: NDArray[np.str_],
    checks: Sequence[Check],
    holes: Sequence[Span],
    lengths: dict[str, float],
    u: FloatArray,
    width: FloatArray,
    rule: DecisionRule,
) -> Iterator[Reason]:
    for state, kind in ((OUT, "out"), (OPEN, "open")):
        if (states == state).any():
            yield Reason(kind, {"length_mm": lengths[state]})
    if holes:
        yield Reason("holes", {"length_mm": round(sum(x.length_mm for x in holes), _DECIMALS)})
    yield from (Reason("check", {"number": k}) for k, c in enumerate(checks) if c.state != IN)
    if rule.name == "simple":
        doubt = int(((states == IN) & (2 * u >= width)).sum())
        if doubt:
            yield Reason("u ignored", {"stations": doubt})
    elif (2 * u >= _PROVABLE * width).mean() > 0.5:
        yield Reason("u too large")
