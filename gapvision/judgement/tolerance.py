"""Does a seam pass? The gap profile against its specification, with uncertainty, under a named rule."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.geometry.runs import HOLE_SPACINGS, before_holes, holes, runs
from gapvision.judgement.conformity import conformance_probability, decide_codes, decide_limit
from gapvision.judgement.linear import slope, window_jump_factor, window_jumps
from gapvision.judgement.readings import laid_on, reading_from_measurement
from gapvision.judgement.specification import for_photo, nominal_at
from gapvision.model import (
    COVERAGE_FACTOR,
    HOLE,
    IN,
    OPEN,
    OUT,
    RULE_VERSION,
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

#: Limits on a seam as a whole that one photo can answer.
_WHOLE = ("taper_mm_per_m", "jump_10_mm", "straightness_mm", "straightness_100_mm", "step_mm")
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
    w = _weigh(s_mm, gap_mm, expanded_u_mm, spec, rule, spacing_mm, extent_mm, seam_mm)
    s, gap, u, excess, lengths, long_holes = w.s, w.gap, w.u, w.excess, w.lengths, w.long_holes
    states, lower, upper = np.array((IN, OPEN, OUT))[w.codes], w.lower, w.upper
    out = w.codes == 2
    i = int(np.argmax(np.where(out, excess, -np.inf) if out.any() else excess))
    worst = Span.of(str(states[i]), (s[i], s[i]), (gap[i], s[i], u[i], excess[i]), _WIDE if w.wide[i] else _TIGHT)
    return Verdict(
        state=_overall(w, checks),
        rule=rule,
        coverage_factor=COVERAGE_FACTOR,
        s_mm=s,
        gap_mm=gap,
        expanded_u_mm=u,
        nominal_mm=w.nominal,
        lower_mm=lower,
        upper_mm=upper,
        probability=conformance_probability(gap, u / COVERAGE_FACTOR, lower, upper),
        states=tuple(states.tolist()),
        spans=tuple(w.spans),
        checks=tuple(checks),
        in_mm=lengths[IN],
        out_mm=lengths[OUT],
        open_mm=lengths[OPEN],
        hole_mm=lengths[HOLE],
        worst=worst,
        reasons=tuple(_reasons(states, checks, long_holes, lengths, u, upper - lower, rule)) or (Reason("all in"),),
        notices=tuple(notices),
        spacing_mm=spacing_mm,
        extent_mm=w.extent,
    )


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a verdict tells of a seam without its stations; fields as those of :class:`Verdict`."""

    state: str
    spans: tuple[Span, ...]
    checks: tuple[Check, ...]
    in_mm: float
    out_mm: float
    open_mm: float
    hole_mm: float


def outcome(
    measurement: Measurement, spec: Specification, rule: DecisionRule | None = None, *, version: int = RULE_VERSION
) -> Outcome:
    """The same as :func:`judge_measurement`, but no more than its outcome: for many verdicts that are held to it."""
    p, rule = measurement.profile, rule or DecisionRule()
    if p is None or len(p.s_mm) == 0 or any(getattr(spec, limit) is not None for limit in _WHOLE):
        v = judge_measurement(measurement, spec, rule, version=version)
        told = {f.name: getattr(v, f.name) for f in fields(Outcome)}
        return Outcome(**told)
    here, extent = on_stations(measurement, spec, version)
    w = _weigh(p.s_mm, p.gap_mm, p.expanded_u_mm, here, rule, p.spacing_mm, extent)
    lengths = {"in_mm": w.lengths[IN], "out_mm": w.lengths[OUT], "open_mm": w.lengths[OPEN], "hole_mm": w.lengths[HOLE]}
    return Outcome(state=_overall(w, ()), spans=tuple(w.spans), checks=(), **lengths)


class _Weighed(NamedTuple):
    """Stations that may be judged, with their limits, states (0 in, 1 not proven, 2 out) and runs."""

    s: FloatArray
    gap: FloatArray
    u: FloatArray
    nominal: FloatArray
    lower: FloatArray
    upper: FloatArray
    codes: NDArray[np.intp]
    wide: NDArray[np.bool_]
    excess: FloatArray
    spans: list[Span]
    lengths: dict[str, float]
    long_holes: list[Span]
    extent: tuple[float, float]


def _weigh(
    s_mm: FloatArray,
    gap_mm: FloatArray,
    expanded_u_mm: FloatArray,
    spec: Specification,
    rule: DecisionRule,
    spacing: float,
    extent: tuple[float, float] | None = None,
    seam: tuple[float, float] | None = None,
) -> _Weighed:
    known = np.isfinite(gap_mm) & np.isfinite(expanded_u_mm)
    s, gap, u = np.round([np.asarray(v, float)[known] for v in (s_mm, gap_mm, expanded_u_mm)], _DECIMALS)
    if len(s) == 0:
        raise GapvisionError("nothing-to-judge")
    extent = extent or _extent(s, spec)
    nominal = nominal_at(spec, s, seam or extent)
    lower, upper = nominal - spec.allow_below_mm, nominal + spec.allow_above_mm
    codes = decide_codes(gap, u, lower, upper, rule)
    above, below = gap - upper, lower - gap
    wide, excess = above >= below, np.maximum(above, below)
    spans = _spans(s, gap, u, codes, excess, wide, spacing, extent)
    counts = (spacing * np.bincount(codes, minlength=3)).tolist()
    lengths = dict(zip((IN, OPEN, OUT), counts, strict=True))
    lengths[HOLE] = sum(x.length_mm for x in spans if x.state == HOLE)
    long_holes = [x for x in spans if x.state == HOLE and x.length_mm > spec.largest_hole_mm]
    return _Weighed(s, gap, u, nominal, lower, upper, codes, wide, excess, spans, lengths, long_holes, extent)


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
    version: int = RULE_VERSION,
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
    version : int
        As that version of the rule did, to read back a verdict of its time.

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
    here, extent = on_stations(measurement, spec, version)
    other = None if opposite is None else laid_on(opposite, reading)
    return judge_reading(reading, here, rule, opposite=other, extent_mm=extent)


def on_stations(
    measurement: Measurement, spec: Specification, version: int = RULE_VERSION
) -> tuple[Specification, tuple[float, float] | None]:
    """What is wanted at a measurement's own stations, and between which of them the seam lies; None: as far as they go.

    Versions of the rule before the second laid the photo on its seam by the first and last station that were left.

    Raises
    ------
    GapvisionError
        ``photo-place-unknown`` as :func:`judge_measurement`.
    """
    p, ends = measurement.profile, measurement.ends_mm
    if version >= 2 or p is None or ends is None:
        here, extent = for_photo(spec, ends)
        return here, extent or _were_all_measured(measurement, spec)
    left = float(p.s_mm[0]), float(p.s_mm[-1])
    here, extent = for_photo(spec, left)
    if spec.length_mm is not None or p.round_mm is not None:
        return here, extent or _were_all_measured(measurement, spec)
    places = [*left, *(v for x in measurement.left_out if x.from_mm < x.to_mm for v in (x.from_mm, x.to_mm))]
    return here, (min(places), max(places))


def _were_all_measured(measurement: Measurement, spec: Specification) -> tuple[float, float] | None:
    """First and last station, were all of the seam measured.

    Its part between the ends, where it closes, and what a person left out at an end count too.
    """
    p = measurement.profile
    if p is None or spec.length_mm is not None:
        return None
    if p.round_mm is not None:
        first = float(p.s_mm[0])
        return first, first + p.round_mm - p.spacing_mm
    return measurement.ends_mm


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


def taper_u(measurement: Measurement) -> float:
    """U of a measurement's taper (k = 2) [mm per metre]; NaN without stations."""
    p, told = measurement.profile, measurement.summary
    if p is None or told is None or len(p.s_mm) < 3:
        return math.nan
    if told.taper_u_mm_per_m is not None:  # of a whole seam, whose photos err each by itself
        return told.taper_u_mm_per_m
    return COVERAGE_FACTOR * slope(p.s_mm, p.gap_mm, p.expanded_u_mm / COVERAGE_FACTOR)[1]


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
        if not told or reading.closed:
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


def _overall(w: _Weighed, checks: Sequence[Check]) -> str:
    everything = [state for state in (OUT, OPEN) if w.lengths[state]] + [c.state for c in checks]
    if OUT in everything:
        return OUT
    return OPEN if OPEN in everything or w.long_holes else IN


def _spans(
    s: FloatArray,
    gap: FloatArray,
    u: FloatArray,
    codes: NDArray[np.intp],
    excess: FloatArray,
    wide: NDArray[np.bool_],
    spacing: float,
    extent: tuple[float, float],
) -> list[Span]:
    """All runs and holes in order; see :data:`JOIN_MM`."""
    # Out on one side and out on the other are two runs; what is not proven may lie near both limits at once.
    key = codes + (wide & (codes == 2))
    last = before_holes(s, spacing)
    pieces = [(start, stop, int(key[start])) for start, stop in runs(s, spacing, key, last)]
    spans = holes(s, spacing, extent, last)
    if pieces[1:]:
        behind = set((last + 1).tolist())
        for one, milder in ((3, (0, 1)), (2, (0, 1)), (1, (0,))):
            pieces = _joined(pieces, one, milder, s, behind)
    for start, stop, code in pieces:
        i = start + int(np.argmax(excess[start:stop]))
        state = (IN, OPEN, OUT, OUT)[code]
        side = "" if state == IN else _WIDE if wide[i] else _TIGHT
        spans.append(Span.of(state, (s[start], s[stop - 1]), (gap[i], s[i], u[i], excess[i]), side))
    return sorted(spans, key=lambda x: (x.from_mm, x.to_mm))


def _joined(
    pieces: Sequence[tuple[int, int, int]], state: int, milder: Sequence[int], s: FloatArray, behind_holes: set[int]
) -> list[tuple[int, int, int]]:
    """Runs (start, stop, state) with short interruptions of one state by milder ones taken into it; no hole is."""
    out, last = list[tuple[int, int, int]](), -1
    for start, stop, code in pieces:
        if start in behind_holes or code not in (state, *milder):
            last = -1
        if code == state and last >= 0 and s[start] - s[out[last][1] - 1] < JOIN_MM:
            out[last:] = [(out[last][0], stop, state)]
            continue
        out.append((start, stop, code))
        if code == state:
            last = len(out) - 1
    return out


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
