"""The gap after paint: what the coats still to come take from it, and the gap to set now.

Uncertainty: each range is rectangular, and a heavy hand is taken to be heavy in
every coat and on both edges, so that the ranges add up and are not averaged away.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np

from gapvision.errors import GapvisionError
from gapvision.geometry.runs import runs
from gapvision.judgement.films import CLEAR_COAT_UM, FILMS, MOST_FILM_UM
from gapvision.judgement.specification import limits_at, nominal_at
from gapvision.judgement.tolerance import judge_gap
from gapvision.model import (
    COVERAGE_FACTOR,
    Check,
    Coat,
    DecisionRule,
    FilmLoss,
    FinishForecast,
    FinishPlan,
    FloatArray,
    Notice,
    Span,
    Specification,
    Verdict,
)

_CLEAR, _AT_RISK, _OPEN = "clear", "at risk of chipping", "not proven clear"


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
    for coat in plan.coats:
        if plan.is_on(coat):
            continue
        least, most = coat.edge_mm
        edges = 2 if coat.on == "both" else 1
        low, high = low + edges * least, high + edges * most
        middle = 0.5 * (least + most)
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
    *,
    spacing_mm: float = 1.0,
    extent_mm: tuple[float, float] | None = None,
    seam_mm: tuple[float, float] | None = None,
    checks: Sequence[Check] = (),
    notices: Sequence[Notice] = (),
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
    rule, spacing_mm, extent_mm, seam_mm, checks, notices
        As :func:`gapvision.judgement.tolerance.judge_gap`.
    """
    loss = film_loss(plan)
    gap, u = gap_after_finish(gap_mm, expanded_u_mm, loss)
    verdict = judge_gap(
        s_mm, gap, u, spec, rule, spacing_mm=spacing_mm, extent_mm=extent_mm, seam_mm=seam_mm, checks=checks,
        notices=notices,
    )  # fmt: skip
    extent = seam_mm or extent_mm or (float(s_mm[0]), float(s_mm[-1]))
    lower, upper = limits_at(spec, s_mm, extent)
    doubt = 0.5 * (loss.most_mm - loss.least_mm)
    limit = math.nan if plan.smallest_gap_mm is None else plan.smallest_gap_mm + plan.movement_mm
    about_film = list(_notices(plan))
    if doubt > 0.5 * float((upper - lower).min()):
        about_film.append(Notice(code="film-eats-tolerance"))
    return FinishForecast(
        s_mm=s_mm,
        gap_mm=gap,
        expanded_u_mm=u,
        loss=loss,
        verdict=verdict,
        chip_limit_mm=limit,
        chip_spans=tuple(_chip_spans(s_mm, gap, u, limit, spacing_mm)),
        set_now_mm=gap_to_set(nominal_at(spec, s_mm, extent), loss),
        set_lower_mm=lower + loss.most_mm,
        set_upper_mm=upper + loss.least_mm,
        notices=tuple(about_film),
    )


def after_paint(verdict: Verdict, spec: Specification, plan: FinishPlan) -> FinishForecast:
    """Forecast of a profile that was judged as it stands, by the same rule; its checks and notices stay."""
    v = verdict
    return forecast(
        v.s_mm, v.gap_mm, v.expanded_u_mm, spec, plan, v.rule, spacing_mm=v.spacing_mm, extent_mm=v.extent_mm,
        checks=v.checks, notices=v.notices,
    )  # fmt: skip


def _chip_spans(s: FloatArray, gap: FloatArray, u: FloatArray, limit: float, spacing: float) -> list[Span]:
    if not math.isfinite(limit):
        return []
    state = np.where(gap < limit, _AT_RISK, np.where(gap - u < limit, _OPEN, _CLEAR))
    spans = []
    for start, stop in runs(s, spacing, state):
        if state[start] == _CLEAR:
            continue
        i = start + int(np.argmin(gap[start:stop]))
        spans.append(
            Span(
                state=str(state[start]),
                from_mm=float(s[start]),
                to_mm=float(s[stop - 1]),
                worst_mm=float(gap[i]),
                worst_at_mm=float(s[i]),
                worst_u_mm=float(u[i]),
                excess_mm=float(limit - gap[i]),
                side="tight",
            )
        )
    return spans


def _notices(plan: FinishPlan) -> list[Notice]:
    notices = []
    low, high = (sum(c.flat_um[k] for c in plan.coats) for k in (0, 1))
    if high > MOST_FILM_UM:
        notices.append(Notice(code="film-thick", values={"film_um": [low, high], "most_um": MOST_FILM_UM}))
    for coat in plan.coats:
        if coat.kind == "clear coat" and (
            coat.flat_um[0] < CLEAR_COAT_UM[0] - 0.5 or coat.flat_um[1] > CLEAR_COAT_UM[1] + 0.5
        ):
            values = {"film_um": list(coat.flat_um), "clear_coat_um": list(CLEAR_COAT_UM)}
            notices.append(Notice(code="film-thick", values=values))
    weak = dict.fromkeys(c.kind for c in plan.coats if c.source.startswith(("common practice", "from memory")))
    if weak:
        notices.append(Notice(code="film-common-practice", values={"coats": list(weak)}))
    return notices


def coat(kind: str, coats: int = 1, **changes: Any) -> Coat:
    """Make a coat of a typical kind; any field of Coat can be changed.

    Raises
    ------
    GapvisionError
        ``finish-nonsense`` for a kind without a typical film when the film is not given.
    """
    typical = FILMS.get(kind)
    fields: dict[str, Any] = {"stays": (1.0, 1.0), "stage": 3}
    if typical is not None:
        fields = {
            "stage": typical.stage,
            "film_um": typical.film_um,
            "stays": typical.stays,
            "source": f"{typical.status}: {typical.source}",
        }
        if "film_um" in changes:
            fields["source"] = "entered by the user"
    fields.update(changes)
    if "film_um" not in fields:
        raise GapvisionError(
            "finish-nonsense",
            f"There is no typical film for '{kind}'.",
            f"Give its film, or choose one of: {', '.join(FILMS)}.",
        )
    return Coat(kind=kind, coats=coats, **fields)
