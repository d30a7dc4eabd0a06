"""The gap after paint: what the coats still to come take from it, and the gap to set now.

A finish file::

    format = "gapvision-finish/1"
    stage = "bare metal"            # at the time of the photo: bare metal, primed, high build, painted
    smallest_gap = "3mm"            # finished gap below which edges are expected to chip
    movement = "0.5mm"              # allowance for hinge swing and movement on the seals

    [[coats]]
    kind = "epoxy primer"
    coats = 2
    film = ["20um", "25um"]         # dry film of one coat: a range, one length, or left out for the typical range
    stays = [0.8, 1.0]              # share left on the edge after sanding: a range or one number
    on = "both"                     # both, panel, neighbour

Uncertainty: each range is rectangular, and a heavy hand is taken to be heavy in
every coat and on both edges, so that the ranges add up and are not averaged away.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gapvision.errors import GapvisionError
from gapvision.judgement.films import CLEAR_COAT_UM, FILMS, MOST_FILM_UM
from gapvision.judgement.specification import limits_at, nominal_at, read_toml
from gapvision.judgement.tolerance import judge_gap
from gapvision.model import (
    COVERAGE_FACTOR,
    STAGES,
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
)
from gapvision.units import MM_PER_MICROMETRE, parse_length

FORMAT = "gapvision-finish/1"
_PLAN_KEYS = {"format", "stage", "smallest_gap", "movement", "coats", "data_sheet"}
_COAT_KEYS = {"kind", "coats", "film", "stays", "on", "already_on", "stage", "source"}
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
    rule, spacing_mm, extent_mm, seam_mm, checks
        As :func:`gapvision.judgement.tolerance.judge_gap`.
    """
    loss = film_loss(plan)
    gap, u = gap_after_finish(gap_mm, expanded_u_mm, loss)
    verdict = judge_gap(
        s_mm, gap, u, spec, rule, spacing_mm=spacing_mm, extent_mm=extent_mm, seam_mm=seam_mm, checks=checks
    )
    extent = seam_mm or extent_mm or (float(s_mm[0]), float(s_mm[-1]))
    lower, upper = limits_at(spec, s_mm, extent)
    doubt = 0.5 * (loss.most_mm - loss.least_mm)
    limit = math.nan if plan.smallest_gap_mm is None else plan.smallest_gap_mm + plan.movement_mm
    notices = list(_notices(plan))
    if doubt > 0.5 * float((upper - lower).min()):
        notices.append(Notice(code="film-eats-tolerance"))
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
        notices=tuple(notices),
    )


def _chip_spans(s: FloatArray, gap: FloatArray, u: FloatArray, limit: float, spacing: float) -> list[Span]:
    if not math.isfinite(limit):
        return []
    state = np.where(gap < limit, _AT_RISK, np.where(gap - u < limit, _OPEN, _CLEAR))
    cuts = np.flatnonzero((state[1:] != state[:-1]) | (np.diff(s) > 1.5 * spacing)) + 1
    spans = []
    for part in np.split(np.arange(len(s)), cuts):
        if state[part[0]] == _CLEAR:
            continue
        i = part[int(np.argmin(gap[part]))]
        spans.append(
            Span(
                state=str(state[part[0]]),
                from_mm=float(s[part[0]]),
                to_mm=float(s[part[-1]]),
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
        notices.append(
            Notice(code="film-thick", message=f"The coats add up to {low:.0f} to {high:.0f} micrometres on the flat.")
        )
    for coat in plan.coats:
        if coat.kind == "clear coat" and (
            coat.flat_um[0] < CLEAR_COAT_UM[0] - 0.5 or coat.flat_um[1] > CLEAR_COAT_UM[1] + 0.5
        ):
            notices.append(
                Notice(
                    code="film-thick",
                    message=f"Clear coat of {coat.flat_um[0]:.0f} to {coat.flat_um[1]:.0f} micrometres in all.",
                    advice="Clear coat gives trouble under about 51 and over about 76 micrometres: check the coats.",
                )
            )
    weak = [c.kind for c in plan.coats if c.source.startswith(("common practice", "from memory"))]
    if weak:
        notices.append(
            Notice(
                code="film-common-practice",
                message=f"The film of {', '.join(dict.fromkeys(weak))} is a common-practice range, not data.",
            )
        )
    return notices


# --- TOML ---------------------------------------------------------------------------


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


def plan_from_table(table: Mapping[str, Any], where: str = "the finish plan") -> FinishPlan:
    """Read a finish plan from a TOML table.

    Raises
    ------
    GapvisionError
        ``finish-nonsense``.
    """
    _known(table, _PLAN_KEYS, where)
    coats = table.get("coats", [])
    if not isinstance(coats, list) or not all(isinstance(c, dict) for c in coats):
        raise GapvisionError(
            "finish-nonsense", f"{where}: coats is not a list of tables.", "Write each coat under [[coats]]."
        )
    return FinishPlan(
        coats=tuple(_coat(c, where) for c in coats),
        stage=str(table.get("stage", "bare metal")),
        smallest_gap_mm=_length(table["smallest_gap"], where) if "smallest_gap" in table else None,
        movement_mm=_length(table["movement"], where) if "movement" in table else 0.0,
    )


def plan_to_table(plan: FinishPlan) -> dict[str, Any]:
    """Put a finish plan into the file's form; the way back of :func:`plan_from_table`."""
    names = {rank: stage for stage, rank in STAGES.items()}
    table: dict[str, Any] = {"format": FORMAT, "stage": plan.stage}
    if plan.smallest_gap_mm is not None:
        table["smallest_gap"] = f"{plan.smallest_gap_mm!r}mm"
    table["movement"] = f"{plan.movement_mm!r}mm"
    table["coats"] = []
    for c in plan.coats:
        row: dict[str, Any] = {
            "kind": c.kind,
            "coats": c.coats,
            "film": [f"{v!r}um" for v in c.film_um],
            "stays": list(c.stays),
            "on": c.on,
            "stage": names[c.stage],
            "source": c.source,
        }
        if c.already_on is not None:
            row["already_on"] = c.already_on
        table["coats"].append(row)
    return table


def read_finish(path: str | Path) -> FinishPlan:
    """Read a finish file; errors as :func:`plan_from_table` and :func:`read_toml`."""
    return plan_from_table(read_toml(path), f"'{Path(path).name}'")


def _coat(row: Mapping[str, Any], where: str) -> Coat:
    _known(row, _COAT_KEYS, where)
    kind, count = str(row.get("kind", "")), row.get("coats", 1)
    if not kind or isinstance(count, bool) or not isinstance(count, int):
        raise GapvisionError("finish-nonsense", f"{where}: a coat needs a kind and a whole number of coats.")
    changes: dict[str, Any] = {}
    if "film" in row:
        low, high = _pair(row["film"], where)
        changes["film_um"] = (_length(low, where) / MM_PER_MICROMETRE, _length(high, where) / MM_PER_MICROMETRE)
    if "stays" in row:
        low, high = _pair(row["stays"], where)
        if not all(isinstance(v, int | float) and not isinstance(v, bool) for v in (low, high)):
            raise GapvisionError(
                "finish-nonsense", f"{where}: stays is a share such as 0.7 or a range such as [0.5, 0.9]."
            )
        changes["stays"] = (float(low), float(high))
    if "stage" in row:
        if row["stage"] not in STAGES or STAGES[row["stage"]] == 0:
            raise GapvisionError(
                "finish-nonsense",
                f"{where}: '{row['stage']}' is no stage that a coat belongs to.",
                "Write primed, high build or painted.",
            )
        changes["stage"] = STAGES[row["stage"]]
    for key in ("on", "source"):
        if key in row:
            changes[key] = str(row[key])
    if "already_on" in row:
        if not isinstance(row["already_on"], bool):
            raise GapvisionError("finish-nonsense", f"{where}: already_on is true or false.")
        changes["already_on"] = row["already_on"]
    return coat(kind, count, **changes)


def _known(table: Mapping[str, Any], keys: set[str], where: str) -> None:
    unknown = sorted(set(table) - keys)
    if unknown:
        raise GapvisionError(
            "finish-nonsense",
            f"{where} has a line '{unknown[0]}' that is not known.",
            f"Known lines: {', '.join(sorted(keys - {'format'}))}.",
        )


def _pair(value: Any, where: str) -> tuple[Any, Any]:
    if isinstance(value, list):
        if len(value) != 2:
            raise GapvisionError("finish-nonsense", f"{where}: a range needs its least and its most.")
        return value[0], value[1]
    return value, value


def _length(value: Any, where: str) -> float:
    if not isinstance(value, str):
        raise GapvisionError(
            "finish-nonsense", f"{where}: '{value}' has no unit.", 'Write lengths like "25um", "1 mil" or "3mm".'
        )
    return parse_length(value)
