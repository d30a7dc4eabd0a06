"""Finish files: the coats of a job (TOML).

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
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from gapvision.errors import GapvisionError
from gapvision.formats.toml import read_toml
from gapvision.judgement.finish import coat
from gapvision.model import STAGES, Coat, FinishPlan
from gapvision.units import MM_PER_MICROMETRE, parse_length

FORMAT = "gapvision-finish/1"
_PLAN_KEYS = {"format", "stage", "smallest_gap", "movement", "coats", "data_sheet"}
_COAT_KEYS = {"kind", "coats", "film", "stays", "on", "already_on", "stage", "source"}


def finish_from_table(table: Mapping[str, Any], where: str = "the finish plan") -> FinishPlan:
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


def finish_to_table(plan: FinishPlan) -> dict[str, Any]:
    """Put a finish plan into the file's form; the way back of :func:`finish_from_table`."""
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
    """Read a finish file; errors as :func:`finish_from_table` and :func:`read_toml`."""
    return finish_from_table(read_toml(path), f"'{Path(path).name}'")


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
