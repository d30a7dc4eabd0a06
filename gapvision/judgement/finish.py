"""The gap after paint: what the coats still to come take from it, and the gap to set now.

Uncertainty: each range is rectangular, and a heavy hand is taken to be heavy in
every coat and on both edges, so that the ranges add up and are not averaged away.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import numpy as np

from gapvision.errors import require
from gapvision.geometry.runs import runs
from gapvision.judgement.films import CLEAR_COAT_UM, FILMS, MOST_FILM_UM
from gapvision.judgement.gauges import between, room_mm
from gapvision.judgement.specification import limits_at, nominal_at
from gapvision.judgement.swing import movement_of, smallest_in_motion
from gapvision.judgement.tolerance import judge_gap
from gapvision.model import (
    AT_RISK,
    COVERAGE_FACTOR,
    Coat,
    DecisionRule,
    FilmLoss,
    FinishForecast,
    FinishPlan,
    FloatArray,
    NominalPoint,
    Notice,
    Span,
    Specification,
    Verdict,
)

_CLEAR, _OPEN = "clear", "not proven clear"


def film_loss(plan: FinishPlan) -> FilmLoss:
    """Add up what the coats still to come take from the gap.

    Returns
    -------
    FilmLoss
        Middle of the range, its standard uncertainty (range / (2 sqrt 3)), the range, each edge's share [mm].

    Examples
    --------
    >>> coat = Coat(kind="all", stage=3, coats=1, film_um=(131.52, 179.7), stays=(1, 1))
    >>> round(film_loss(FinishPlan(coats=(coat,))).loss_mm, 3)
    0.311
    """
    low = high = panel = neighbour = 0.0
    for coat in (c for c in plan.coats if not plan.is_on(c)):
        least, most = coat.edge_mm
        edges, middle = 2 if coat.on == "both" else 1, 0.5 * (least + most)
        low, high = low + edges * least, high + edges * most
        panel += middle if coat.on != "neighbour" else 0.0
        neighbour += middle if coat.on != "panel" else 0.0
    return FilmLoss(
        loss_mm=0.5 * (low + high),
        std_u_mm=(high - low) / (2 * math.sqrt(3)),
        least_mm=low,
        most_mm=high,
        panel_mm=panel,
        neighbour_mm=neighbour,
    )


def gap_after_finish(gap_mm: FloatArray, expanded_u_mm: FloatArray, loss: FilmLoss) -> tuple[FloatArray, FloatArray]:
    """Predict gap and U once the coats still to come are on.

    Parameters
    ----------
    gap_mm, expanded_u_mm : ndarray, shape (n,)
        Gap now and its U (k = 2) [mm].
    loss : FilmLoss
        What the coats take.

    Returns
    -------
    gap_mm, expanded_u_mm : ndarray, shape (n,)
        Finished gap, which may come out at or below zero, and its U [mm].
    """
    return gap_mm - loss.loss_mm, np.hypot(expanded_u_mm, COVERAGE_FACTOR * loss.std_u_mm)


def gap_to_set(wanted_mm: FloatArray, loss: FilmLoss) -> FloatArray:
    """Gap to set now so that the finished gap comes out as wanted [mm]: the way back of :func:`gap_after_finish`."""
    return wanted_mm + loss.loss_mm


def forecast(
    s_mm: FloatArray,
    gap_mm: FloatArray,
    expanded_u_mm: FloatArray,
    spec: Specification,
    plan: FinishPlan,
    rule: DecisionRule | None = None,
    **how: Any,
) -> FinishForecast:
    """Predict the finished gap, judge it, find where edges may chip, and work out the gap to set now.

    Parameters
    ----------
    s_mm, gap_mm, expanded_u_mm : ndarray, shape (n,)
        Stations, gap now, U [mm].
    spec : Specification
        What is wanted of the finished gap.
    plan : FinishPlan
        The coats.
    rule, **how
        As :func:`gapvision.judgement.tolerance.judge_gap`.
    """
    loss = film_loss(plan)
    gap, u = gap_after_finish(gap_mm, expanded_u_mm, loss)
    verdict = judge_gap(s_mm, gap, u, spec, rule, **how)
    extent = how.get("seam_mm") or how.get("extent_mm") or (float(s_mm[0]), float(s_mm[-1]))
    lower, upper = limits_at(spec, s_mm, extent)
    limit = math.nan if plan.smallest_gap_mm is None else plan.smallest_gap_mm + movement_of(plan, gap)
    motion_mm = motion_deg = math.nan
    if plan.swing is not None:
        motion, at = smallest_in_motion(gap, plan.swing)
        k = int(motion.argmin())
        motion_mm, motion_deg = float(motion[k]), float(at[k])
    eaten = 0.5 * (loss.most_mm - loss.least_mm) > 0.5 * float((upper - lower).min())
    set_now, low, high = gap_to_set(nominal_at(spec, s_mm, extent), loss), lower + loss.most_mm, upper + loss.least_mm
    if math.isfinite(limit):  # nobody sets, and no gauge passes, what would chip
        set_now = np.maximum(set_now, np.minimum(limit + loss.most_mm, high))
        low = np.maximum(low, limit + loss.most_mm)
    for room in (0.0, room_mm(expanded_u_mm, loss)):  # inside its limits, by U where that has room
        inside = between(set_now, low + room, high - room)
        set_now = np.where(low + room <= high - room, inside, set_now)
    return FinishForecast(
        s_mm=s_mm,
        gap_mm=gap,
        expanded_u_mm=u,
        loss=loss,
        verdict=verdict,
        chip_limit_mm=limit,
        chip_spans=tuple(_chip_spans(s_mm, gap, u, limit, verdict.spacing_mm)),
        set_now_mm=set_now,
        set_lower_mm=low,
        set_upper_mm=high,
        motion_mm=motion_mm,
        motion_deg=motion_deg,
        notices=(*_notices(plan), *([Notice(code="film-eats-tolerance")] if eaten else [])),
    )


def after_paint(verdict: Verdict, spec: Specification, plan: FinishPlan) -> FinishForecast:
    """Forecast of a profile that was judged as it stands, by the same rule; its checks and notices stay."""
    v = verdict
    if spec.runs:  # each station keeps what was wanted there, wherever on the seam the photo lies
        wanted = zip(v.s_mm.tolist(), v.nominal_mm.tolist(), strict=True)
        spec = replace(spec, nominal=tuple(NominalPoint(s, gap) for s, gap in wanted), at_unit="mm")
    return forecast(
        v.s_mm, v.gap_mm, v.expanded_u_mm, spec, plan, v.rule, spacing_mm=v.spacing_mm, extent_mm=v.extent_mm,
        checks=v.checks, notices=v.notices,
    )  # fmt: skip


def _chip_spans(s: FloatArray, gap: FloatArray, u: FloatArray, limit: float, spacing: float) -> Iterator[Span]:
    state = np.where(gap < limit, AT_RISK, np.where(gap - u < limit, _OPEN, _CLEAR))
    for start, stop in runs(s, spacing, state):
        if state[start] != _CLEAR:
            i = start + int(np.argmin(gap[start:stop]))
            ends, worst = (s[start], s[stop - 1]), (gap[i], s[i], u[i], limit - gap[i])
            yield Span.of(str(state[start]), ends, worst, "tight")


def _notices(plan: FinishPlan) -> Iterator[Notice]:
    low, high = (sum(c.flat_um[k] for c in plan.coats) for k in (0, 1))
    if high > MOST_FILM_UM:
        yield Notice(code="film-thick", values={"film_um": [low, high], "most_um": MOST_FILM_UM})
    least, most = CLEAR_COAT_UM
    for coat in plan.coats:
        if coat.kind == "clear coat" and (coat.flat_um[0] < least - 0.5 or coat.flat_um[1] > most + 0.5):
            values = {"film_um": list(coat.flat_um), "clear_coat_um": [least, most]}
            yield Notice(code="film-thick", values=values)
    weak = dict.fromkeys(c.kind for c in plan.coats if c.source.startswith(("common practice", "from memory")))
    if weak:
        yield Notice(code="film-common-practice", values={"coats": list(weak)})


def coat(kind: str, coats: int = 1, **changes: Any) -> Coat:
    """Make a coat of a typical kind; any field of Coat can be changed.

    Raises
    ------
    GapvisionError
        ``finish-nonsense`` for a kind without a typical film when the film is not given.
    """
    fields: dict[str, Any] = {"stays": (1.0, 1.0), "stage": 3}
    if kind in FILMS:
        typical = FILMS[kind]
        source = "entered by the user" if "film_um" in changes else typical.told
        fields = {"stage": typical.stage, "film_um": typical.film_um, "stays": typical.stays, "source": source}
    fields |= changes
    advice = f"Give its film, or choose one of: {', '.join(FILMS)}."
    require("finish-nonsense", "film_um" in fields, f"There is no typical film for '{kind}'.", advice)
    return Coat(kind=kind, coats=coats, **fields)
