"""What to do to the metal: move first, then change the edge; what each step buys before it is done."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import require
from gapvision.geometry.lines import fit_line
from gapvision.geometry.straightness import fairness, minimum_zone, worst_window
from gapvision.judgement.cautions import cautions_for
from gapvision.judgement.conformity import guard_band
from gapvision.judgement.finish import after_paint, film_loss, forecast
from gapvision.judgement.gauges import settings_of
from gapvision.judgement.metal import edge_rules, with_deeds
from gapvision.judgement.move import (
    ROUNDING_MM,
    TaperRow,
    best_move,
    gap_change,
    lift_at,
    pieces_of,
    setting_errors,
    shift_rows,
    upper_hull,
)
from gapvision.judgement.panel import check_photos, placed
from gapvision.judgement.readings import laid_on, reading_from_measurement
from gapvision.judgement.shapes import SHAPES
from gapvision.judgement.specification import limits_at, nominal_at
from gapvision.judgement.swing import movement_of
from gapvision.judgement.tolerance import form_checks, judge_gap, judge_reading, on_stations, taper_of
from gapvision.judgement.trim import joined, trim_line
from gapvision.model import (
    COVERAGE_FACTOR,
    HOLE,
    IN,
    OPEN,
    OUT,
    STAGES_OF_PLAN,
    CorrectionPlan,
    DecisionRule,
    EdgePlan,
    FilmLoss,
    FinishPlan,
    FloatArray,
    Measurement,
    Move,
    Notice,
    Panel,
    PanelSeam,
    SeamReading,
    Specification,
    StagePrediction,
    Straightness,
    StretchPlan,
    TrimLine,
    TrimRules,
)

_DRAWS = 1000  # a share near one is then known to 0.01
_TRIMMED = STAGES_OF_PLAN.index("after the trim")
_BORNE = 2.5  # standard setting errors that a cut edge bears
_LEAST_STATIONS = 3  # fewer have no slope
_LOOSE = 1e-3  # of a panel's movements: smaller changes of the gaps are rounding
_POOR = 2.0  # times the median U of a stretch: worse is a place that the photo shows badly; common practice, no source
_WHOLE = 0.95  # a seam measured along this share of it counts as measured; common practice, no source


def make_plan(panel: Panel, *, free_seams: bool = False) -> CorrectionPlan:
    """Work out what to do to a panel.

    Parameters
    ----------
    panel : Panel
        Placed stretches of all its seams, measured at the same stage.
    free_seams : bool
        Make a plan even if nothing was measured of some seams; its first notice says what that leaves free.

    Returns
    -------
    CorrectionPlan
        The move is the exact minimax over all seams, the trims are exact for
        their kind of line; see :mod:`move` and :mod:`trim`.

    Raises
    ------
    GapvisionError
        ``seams-left-free`` unless asked for, ``photos-disagree``.
    """
    _check_free(panel, free_seams)
    check_photos(panel)
    pairs = [(seam, r) for seam in panel.seams for r in seam.readings]
    loss = _loss(panel)
    notices = list(_unmeasured(panel))
    if panel.shape and SHAPES[panel.shape].sides and not panel.side:
        notices.append(Notice(code="panel-side-unknown"))
    limits = [aim_limits(panel, seam, r, loss) for seam, r in pairs]
    doubts = [doubt_at(seam, r, loss) for seam, r in pairs]
    seen = [np.isfinite(doubt) for doubt in doubts]
    if any((collapsed & at).any() for (_, _, collapsed), at in zip(limits, seen, strict=True)):
        notices.append(Notice(code="proof-not-possible"))
    steps = [_step_limits(panel, seam, r) for seam, r in pairs]
    tapers = [x for seam in panel.seams if (x := _taper_row(panel, seam)) is not None]
    known = [r.at(at) for (_, r), at in zip(pairs, seen, strict=True)]
    bands = [(lower[at], upper[at]) for (lower, upper, _), at in zip(limits, seen, strict=True)]
    move = best_move(panel, known, bands, steps, tapers, by_hand=True)
    notices += move.notices
    errors = setting_errors(panel, panel.readings, _DRAWS, move)
    spread = errors[0].T @ errors[0] / len(errors[0])
    trims = [
        _trimmed(panel, seam, reading, lower, upper, doubt, move.move, spread)
        for (seam, reading), (lower, upper, _), doubt in zip(pairs, limits, doubts, strict=True)
    ]
    whole = [_seam_tapers(panel, [readings for _, readings in trims], k) for k in range(_TRIMMED + 1)]
    stretches = []
    for (seam, reading), (lower, upper, _), (trim, readings) in zip(pairs, limits, trims, strict=True):
        tapers_of = [w[seam.name] for w in whole]
        stretches.append(_stretch(panel, seam, reading, lower, upper, loss, trim, readings, tapers_of))
        notices += trim.notices
    good = _passes(panel, stretches, *errors)
    stretches = [replace(x, passes=float(share.mean())) for x, share in zip(stretches, good, strict=True)]
    for seam in panel.seams:
        if len(seam.readings) > 1 and any(x.trim.needed for x in stretches if x.seam == seam.name):
            notices.append(Notice(code="seam-in-pieces"))
    if panel.finish is not None and stretches[0].finish is not None:
        notices += stretches[0].finish.notices
    stages = zip(*(x.stages for x in stretches), strict=True)
    states = {same[0].stage: _worst([x.verdict.state for x in same]) for same in stages}
    return CorrectionPlan(
        panel=panel,
        move=move,
        stretches=tuple(stretches),
        states=states,
        notices=_once(notices),
        cautions=cautions_for(
            moves=not move.is_none,
            cuts=any(x.trim.cut_mm > 0 for x in stretches),
            adds=any(x.trim.add_mm > 0 for x in stretches),
            paints=bool(panel.finish and panel.finish.coats),
            shape=panel.shape,
        ),
        passes=float(np.all(good, axis=0).mean()),
    )


def plan_edge(
    measurement: Measurement,
    edge: str,
    spec: Specification,
    rule: DecisionRule | None = None,
    *,
    finish: FinishPlan | None = None,
    opposite: SeamReading | None = None,
    seam: str = "seam",
    made: str = "",
    most_off_mm: float | None = None,
) -> EdgePlan:
    """Work out the new line of one edge of a seam, of what one measurement shows, where nothing is moved.

    Parameters
    ----------
    edge : str
        ``A`` or ``B``: the edge that is worked on.
    spec, rule, opposite
        As :func:`judge_measurement`; of the finished gap.
    finish : FinishPlan, optional
        Paint still to come.
    seam : str
        Its name.
    made : str
        What the edge is, one of EDGES; empty: as its photo tells it.
    most_off_mm : float, optional
        Most that may come off: fold, flange, spot welds [mm].

    Returns
    -------
    EdgePlan
        Stations keep the measurement's own numbers.

    Raises
    ------
    GapvisionError
        ``measurement-was-refused``; ``seam-closes`` where it goes round; ``photo-place-unknown`` as
        :func:`judge_measurement`.
    """
    require(
        "value-out-of-range",
        most_off_mm is None or 0 <= most_off_mm < math.inf,
        "The most that may come off the edge is below zero.",
        "Give how far fold, flange or spot welds lie behind it, like 2mm, or leave it out.",
    )
    first, _ = measurement.ends_mm or (0.0, 0.0)  # so that stations keep their numbers
    reading = reading_from_measurement(measurement, seam, at_mm=first, panel_edge=edge)
    here, extent = on_stations(measurement, spec)
    end = max(1.0, float(reading.s_mm[-1]))
    place = (0.0, 0.0), (end, 0.0)
    rules = TrimRules(safe_limit=() if most_off_mm is None else ((0.0, most_off_mm),))
    laid = PanelSeam(
        name=seam, place=place, spec=here, panel_edge=edge, readings=(reading,), edge=made, trim=rules
    )
    panel = Panel(
        name=f"panel {edge}", seams=(laid,), centre=(0.5 * end, -end), rule=rule or DecisionRule(), finish=finish
    )
    reading = placed(reading, place, panel.centre)
    loss = _loss(panel)
    lower, upper, collapsed = aim_limits(panel, laid, reading, loss)
    doubt = doubt_at(laid, reading, loss)
    trim, states = _trimmed(panel, laid, reading, lower, upper, doubt, Move(), np.zeros((3, 3)))
    if (collapsed & np.isfinite(doubt)).any():
        trim = replace(trim, notices=(*trim.notices, Notice(code="proof-not-possible")))
    other = None if opposite is None else laid_on(opposite, reading)
    verdict = judge_reading(states[_TRIMMED], here, panel.rule, opposite=other, extent_mm=extent)
    future = None if finish is None else after_paint(verdict, here, finish)
    return EdgePlan(
        edge=edge,
        stretch=_stretch(panel, laid, reading, lower, upper, loss, trim, states, [None] * len(states)),
        verdict=verdict,
        future=future,
        settings=settings_of(verdict, future),
        rules=rules,
    )


def _passes(
    panel: Panel, stretches: Sequence[StretchPlan], plane: FloatArray, out: FloatArray
) -> list[NDArray[np.bool_]]:
    """Whether each stretch passes at its end, for each of many drawn setting errors of the adjusters."""
    seams = {seam.name: seam for seam in panel.seams}
    by_seam: dict[str, list[StretchPlan]] = {}
    for x in stretches:
        by_seam.setdefault(x.seam, []).append(x)
    tapers = {name: _taper_weights([x.stages[_TRIMMED].reading for x in of], panel) for name, of in by_seam.items()}
    found = []
    for x in stretches:
        r, checks = x.stages[_TRIMMED].reading, x.stages[_TRIMMED].verdict.checks
        good = np.ones(len(plane), bool)
        for way, excess in ((1, r.gap_mm - x.upper_mm), (-1, x.lower_mm - r.gap_mm)):
            keep = np.concatenate([p[upper_hull(r.s_mm[p], excess[p])] for p in pieces_of([r])])
            rows = shift_rows(r.xy_mm[keep], r.outward[keep], panel.centre)
            good &= (way * plane @ rows.T + excess[keep] < ROUNDING_MM).all(axis=1)
        for c in checks:
            if c.state == HOLE:
                continue
            room = c.limit - float(guard_band(c.expanded_u / COVERAGE_FACTOR, 2 * c.limit, panel.rule))
            if c.kind == "taper":
                good &= np.abs(c.value + plane @ tapers[x.seam]) <= room
            elif c.kind == "step":
                low, high = _step_limits(panel, seams[x.seam], x.stages[0].reading)
                lift = out @ np.array([1.0, *(r.xy_mm.mean(axis=0) - np.array(panel.centre))])
                good &= (c.value + lift >= low - ROUNDING_MM) & (c.value + lift <= high + ROUNDING_MM)
            else:
                good &= c.state == IN
        found.append(np.asarray(good))
    return found


def _taper_weights(readings: Sequence[SeamReading], panel: Panel) -> FloatArray:
    """How a seam's taper [mm/m] follows a move (x_mm, y_mm, turn_rad), shape (3,)."""
    s = np.concatenate([r.s_mm for r in readings])
    rows = np.concatenate([shift_rows(r.xy_mm, r.outward, panel.centre) for r in readings])
    return np.asarray(1000 * fit_line(s, s).slope_weights @ rows, float)


def _taper_row(panel: Panel, seam: PanelSeam) -> TaperRow | None:
    """What the move must keep of a seam's taper; None where it has no limit, or too little was measured."""
    limit = seam.spec.taper_mm_per_m
    if limit is None or sum(len(r.s_mm) for r in seam.readings) < _LEAST_STATIONS:
        return None
    value, std, told = taper_of(seam.readings, seam.spec, seam.extent_mm)
    if not told:
        return None
    guard = float(guard_band(std, 2 * limit, panel.rule))
    room = max(0.0, limit - guard) if math.isfinite(guard) else 0.0
    # In mm at the seam's ends, so that it weighs like the gaps there.
    ends = [end for r in seam.readings for end in (float(r.s_mm[0]), float(r.s_mm[-1]))]
    scale = 0.5 * (max(ends) - min(ends)) / 1000
    return TaperRow(seam.name, _taper_weights(seam.readings, panel) * scale, value * scale, room * scale)


def _seam_tapers(
    panel: Panel, states: Sequence[Sequence[SeamReading]], stage: int
) -> dict[str, tuple[float, float, bool] | None]:
    """Taper of each seam at one stage, from all its photos."""
    found: dict[str, tuple[float, float, bool] | None] = {}
    for seam in panel.seams:
        own = [one[stage] for one in states if one[stage].seam == seam.name]
        limited = seam.spec.taper_mm_per_m is not None and sum(len(r.s_mm) for r in own) >= _LEAST_STATIONS
        found[seam.name] = taper_of(own, seam.spec, seam.extent_mm) if limited else None
    return found


def _check_free(panel: Panel, asked: bool) -> None:
    *most, last = panel.free or ("",)
    names = f"s {', '.join(most)} and {last}" if most else f" {last}"
    require("seams-left-free", asked or not panel.free, f"Nothing was measured of the seam{names} of the {panel.name}.")


def _unheld(panel: Panel) -> list[str]:
    """Ways in which the panel can go without a change of any gap that was measured: ``x``, ``y``, ``turn``."""
    rows = np.concatenate([shift_rows(r.xy_mm, r.outward, panel.centre) for r in panel.readings])
    reach = max(1.0, float(np.ptp(np.concatenate([seam.place for seam in panel.seams]), axis=0).max()))
    rows = rows / np.array([1.0, 1.0, reach])
    size, ways = np.linalg.eigh(rows.T @ rows)
    shares = (ways[:, size < _LOOSE**2 * size[-1]] ** 2).sum(axis=1)
    return [name for name, share in zip(("x", "y", "turn"), shares, strict=True) if share > 0.5]


def _unmeasured(panel: Panel) -> Iterator[Notice]:
    """What is not measured, and so left free by everything that a plan says."""
    partly = [(s.name, s.covered_mm, s.extent_mm[1]) for s in panel.seams if s.covered_mm < _WHOLE * s.extent_mm[1]]
    if panel.free or partly:
        values = {"free": list(panel.free), "partly": [list(seam) for seam in partly], "unheld": _unheld(panel),
                  "directions": list(panel.words)}  # fmt: skip
        yield Notice(code="seams-not-measured", values=values)


def aim_limits(
    panel: Panel, seam: PanelSeam, reading: SeamReading, loss: FilmLoss
) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Limits to aim at now: the finished ones plus the film to come, moved inwards so that the result can be proven.

    Returns
    -------
    lower, upper : ndarray, shape (n,)
        The limits [mm]; where nothing can be proven, both are the wanted gap.
    collapsed : ndarray of bool, shape (n,)
        Where that happened.
    """
    low, high = limits_at(seam.spec, reading.s_mm, seam.extent_mm)
    if panel.finish is not None and panel.finish.smallest_gap_mm is not None:
        chip = panel.finish.smallest_gap_mm + movement_of(panel.finish, low)
        low = np.where(chip < high, np.maximum(low, chip), low)
    std = np.hypot(reading.expanded_u_mm / COVERAGE_FACTOR, loss.std_u_mm)
    guard = guard_band(std, high - low, panel.rule) + ROUNDING_MM
    collapsed = guard > 0.5 * (high - low)
    nominal = np.clip(nominal_at(seam.spec, reading.s_mm, seam.extent_mm), low, high)
    guard = np.where(collapsed, 0.0, guard)
    lower = np.where(collapsed, nominal, low + guard) + loss.loss_mm
    upper = np.where(collapsed, nominal, high - guard) + loss.loss_mm
    return lower, upper, collapsed


def doubt_at(seam: PanelSeam, reading: SeamReading, loss: FilmLoss) -> FloatArray:
    """U of the stations that no verdict could pass, zero elsewhere [mm], shape (n,).

    Infinite where it is also far above that of the rest of the stretch: such stations count as not measured, and so do
    the few between two such places, for one edge taken for another looks like that.
    """
    low, high = limits_at(seam.spec, reading.s_mm, seam.extent_mm)
    u = np.hypot(reading.expanded_u_mm, COVERAGE_FACTOR * loss.std_u_mm)
    doubt = np.where(u > 0.5 * (high - low), u, 0.0)
    poor = (doubt > 0) & (u > _POOR * np.median(u))
    return np.where(joined(reading.s_mm, poor), np.inf, doubt)


def moved(panel: Panel, reading: SeamReading, move: Move) -> SeamReading:
    """One stretch after a move of the panel: gap, edge and step; its U stays."""
    change = gap_change(reading.xy_mm, reading.outward, panel.centre, move)
    x, y = reading.xy_mm.mean(axis=0).tolist()
    return replace(
        reading,
        gap_mm=reading.gap_mm + change,
        panel_edge_mm=reading.panel_edge_mm - change,
        step_mm=reading.step_mm + lift_at((x, y), panel.centre, move),
    )


def predict_move(panel: Panel, move: Move) -> tuple[StagePrediction, ...]:
    """Judge every stretch of a panel after any move: fast enough to follow a slider.

    Parameters
    ----------
    panel : Panel
        The panel.
    move : Move
        A move, e.g. from sliders.

    Returns
    -------
    tuple of StagePrediction
        One per stretch, in the order of ``panel.readings``.
    """
    loss = _loss(panel)
    stages = []
    for seam in panel.seams:
        after = [moved(panel, r, move) for r in seam.readings]
        taper = _seam_tapers(panel, [[r] for r in after], 0)[seam.name]
        stages += [_predict(STAGES_OF_PLAN[1], panel, seam, r, loss, taper) for r in after]
    return tuple(stages)


def _loss(panel: Panel) -> FilmLoss:
    return film_loss(panel.finish or FinishPlan(coats=()))


def _covered(reading: SeamReading) -> tuple[float, float]:
    return float(reading.s_mm[0]), float(reading.s_mm[-1])


def _predict(
    stage: str,
    panel: Panel,
    seam: PanelSeam,
    reading: SeamReading,
    loss: FilmLoss,
    taper: tuple[float, float, bool] | None,
) -> StagePrediction:
    """Judge a stretch as it stands, against the finished gap wanted plus the film to come."""
    r, spec = reading, seam.spec
    u = np.hypot(r.expanded_u_mm, COVERAGE_FACTOR * loss.std_u_mm)
    if loss.loss_mm:
        spec = replace(spec, nominal=tuple(replace(p, gap_mm=p.gap_mm + loss.loss_mm) for p in spec.nominal))
    checks = form_checks(r, spec, panel.rule, seam.extent_mm, taper)
    verdict = judge_gap(
        r.s_mm, r.gap_mm, u, spec, panel.rule, spacing_mm=r.spacing_mm, checks=checks, extent_mm=_covered(r),
        seam_mm=seam.extent_mm, notices=r.notices,
    )  # fmt: skip
    return StagePrediction(stage=stage, reading=r, verdict=verdict)


def _trimmed(
    panel: Panel,
    seam: PanelSeam,
    reading: SeamReading,
    lower: FloatArray,
    upper: FloatArray,
    doubt: FloatArray,
    move: Move,
    spread: FloatArray,
) -> tuple[TrimLine, tuple[SeamReading, ...]]:
    """The new edge of one stretch, and the stretch as measured, after the move, after the trim."""
    after = moved(panel, reading, move)
    hand = seam.trim.hand_mm
    std_now, std_cut = after.expanded_u_mm, np.hypot(after.expanded_u_mm, hand)
    extra = std_cut - std_now if panel.rule.name != "simple" else np.zeros(len(std_now))
    # What is cut before the moved panel is measured again must bear the hand's error in the move.
    rows = shift_rows(after.xy_mm, after.outward, panel.centre)
    borne = np.maximum(np.einsum("ij,jk,ik->i", rows, spread, rows), 0)  # rounding may leave it a hair below
    extra = extra + _BORNE * np.sqrt(borne)
    trim = trim_line(
        after.s_mm,
        after.panel_edge_mm,
        after.gap_mm,
        lower,
        upper,
        edge_rules(seam, reading),
        cut_margin_mm=extra,
        doubt_mm=doubt,
        curved=reading.curved,
        spacing_mm=reading.spacing_mm,
        straight_limit_mm=_form_limit(seam, after),
    )
    trim = with_deeds(trim, seam, reading)
    if not trim.needed:
        return trim, (reading, after, after)
    changed = np.abs(trim.remove_mm) > 0
    trimmed = replace(
        after,
        gap_mm=trim.gap_mm,
        panel_edge_mm=trim.new_mm,
        expanded_u_mm=np.where(changed, std_cut, std_now),
        panel_straightness=_new_form(after, trim, hand) if changed.any() else after.panel_straightness,
    )
    return trim, (reading, after, trimmed)


def _stretch(
    panel: Panel,
    seam: PanelSeam,
    reading: SeamReading,
    lower: FloatArray,
    upper: FloatArray,
    loss: FilmLoss,
    trim: TrimLine,
    states: Sequence[SeamReading],
    tapers: Sequence[tuple[float, float, bool] | None],
) -> StretchPlan:
    trimmed = states[_TRIMMED]
    named = zip(STAGES_OF_PLAN, states, tapers, strict=False)
    stages: list[StagePrediction] = []
    for stage, state, taper in named:
        if stages and state is stages[-1].reading and taper == tapers[_TRIMMED - 1]:
            stages.append(replace(stages[-1], stage=stage))  # nothing was trimmed
        else:
            stages.append(_predict(stage, panel, seam, state, loss, taper))
    finish = None
    if panel.finish is not None:
        finish = forecast(
            trimmed.s_mm,
            trimmed.gap_mm,
            trimmed.expanded_u_mm,
            seam.spec,
            panel.finish,
            panel.rule,
            spacing_mm=reading.spacing_mm,
            extent_mm=_covered(reading),
            seam_mm=seam.extent_mm,
            checks=stages[-1].verdict.checks,
        )
        done = replace(trimmed, gap_mm=finish.gap_mm, expanded_u_mm=finish.expanded_u_mm)
        stages.append(StagePrediction(stage=STAGES_OF_PLAN[-1], reading=done, verdict=finish.verdict))
    return StretchPlan(
        seam=seam.name,
        photo=reading.photo,
        stages=tuple(stages),
        trim=trim,
        finish=finish,
        lower_mm=lower,
        upper_mm=upper,
    )


def _form_limit(seam: PanelSeam, reading: SeamReading) -> float | None:
    """Zone that the new edge must fit in [mm], where the panel's edge breaks a limit on its form; else None."""
    form, spec = reading.panel_straightness, seam.spec
    if form is None:
        return None
    whole, worst = (form.fairness_mm, None) if reading.curved else (form.min_zone_mm, form.worst_100_mm)
    asked = (whole, spec.straightness_mm), (worst, spec.straightness_100_mm)
    limits = [limit for value, limit in asked if limit is not None and (value or 0.0) > limit]
    if not limits:
        return None
    # The hand and U take their share, so that the new form can be proven; half the limit is left in any case.
    return max(0.5 * min(limits), min(limits) - math.hypot(form.expanded_u_mm, seam.trim.hand_mm))


def _new_form(reading: SeamReading, trim: TrimLine, hand_mm: float) -> Straightness | None:
    """Form of the new edge; the hand's accuracy joins its U."""
    old = reading.panel_straightness
    if old is None:
        return None
    worst, start = worst_window(trim.s_mm, trim.new_mm) or (None, None)
    fair = None if old.fairness_mm is None else fairness(trim.s_mm, trim.new_mm).peak_to_valley_mm
    return replace(
        old,
        fairness_mm=fair,
        min_zone_mm=minimum_zone(trim.s_mm, trim.new_mm).width,
        expanded_u_mm=math.hypot(old.expanded_u_mm, hand_mm),
        worst_100_mm=worst,
        worst_100_from_mm=start,
    )


def _step_limits(panel: Panel, seam: PanelSeam, reading: SeamReading) -> tuple[float, float]:
    limit = seam.spec.step_mm
    if limit is None or not math.isfinite(reading.step_mm):
        return 0.0, 0.0
    guard = float(guard_band(reading.step_u_mm / COVERAGE_FACTOR, 2 * limit, panel.rule))
    room = max(0.0, limit - guard - ROUNDING_MM) if math.isfinite(guard) else 0.0
    return -room, room


def _worst(states: Sequence[str]) -> str:
    return next(s for s in (OUT, OPEN, HOLE, IN) if s in states)


def _once(notices: Sequence[Notice]) -> tuple[Notice, ...]:
    seen: dict[tuple[str, str], Notice] = {}
    for n in notices:
        seen.setdefault((n.code, n.message + repr(n.values)), n)
    return tuple(seen.values())
