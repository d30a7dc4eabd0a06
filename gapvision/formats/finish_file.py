"""Finish files: the coats of a job (TOML).

A finish file::

    format = "gapvision-finish/1"
    stage = "bare metal"            # at the time of the photo: bare metal, primed, high build, painted
    smallest_gap = "3mm"            # finished gap below which edges are expected to chip
    movement = "0.5mm"              # allowance for hinge swing and movement on the seals

    [swing]                         # of a seam along the hinges: how the gap closes while the panel opens; or left out
    axis_in = "60mm"                # the hinges' axis, from this panel's edge into the panel
    axis_below = "25mm"             # and below its face
    radius = "1.2mm"                # of this panel's edge; depth, neighbour_radius, neighbour_depth, step alike

    [[coats]]
    kind = "epoxy primer"
    coats = 2
    film = ["20um", "25um"]         # dry film of one coat: a range, one length, or left out for the typical range
    stays = [0.8, 1.0]              # share left on the edge after sanding: a range or one number
    on = "both"                     # both, panel, neighbour
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Meta, structs

from gapvision.formats.declared import Declared, Length, Name, inner, read_declared
from gapvision.formats.toml import read_toml
from gapvision.judgement.films import LOOKED_UP
from gapvision.judgement.finish import coat
from gapvision.model import STAGES, Coat, FinishPlan, Swing
from gapvision.units import MM_PER_MICROMETRE

FORMAT = "gapvision-finish/1"
#: How earlier programs began the source of a film that was looked up.
_EARLIER = "read: "


class _Length(Length):
    code = "length-not-understood"


class _Film(tuple[float, float]):
    """Least and most [micrometre], or one length for both."""

    @classmethod
    def read(cls, value: Any) -> _Film:
        ends = inner(tuple[_Length, _Length], value) if isinstance(value, list) else [_Length.read(value)] * 2
        return cls(end / MM_PER_MICROMETRE for end in ends)


class _Coat(Declared, rename={"film_um": "film"}):
    kind: Name
    coats: Annotated[int, Meta(ge=1, le=20)] = 1
    film_um: _Film | None = None
    stays: float | tuple[float, float] | None = None
    on: str | None = None
    already_on: bool | None = None
    stage: Literal["primed", "high build", "painted"] | None = None
    source: str | None = None

    def check(self) -> None:
        self.coat()

    def coat(self) -> Coat:
        given = {k: v for k, v in structs.asdict(self).items() if v is not None}
        if self.source is not None and self.source.startswith(_EARLIER):
            given["source"] = LOOKED_UP + self.source.removeprefix(_EARLIER)
        if isinstance(self.stays, float):
            given["stays"] = self.stays, self.stays
        if self.stage is not None:
            given["stage"] = STAGES[self.stage]
        return coat(**given)


class _Swing(Declared, rename=lambda field: field.removesuffix("_mm")):
    axis_in_mm: _Length
    axis_below_mm: _Length
    depth_mm: _Length = _Length(3)
    radius_mm: _Length = _Length(1)
    neighbour_depth_mm: _Length = _Length(3)
    neighbour_radius_mm: _Length = _Length(1)
    step_mm: _Length = _Length(0)
    open_deg: float = 70.0

    def check(self) -> None:
        self.to(Swing)


class _File(Declared, rename=lambda field: field.removesuffix("_mm")):
    format: Literal["gapvision-finish/1"] | None = None
    stage: str = "bare metal"
    smallest_gap_mm: _Length | None = None
    movement_mm: _Length = _Length(0)
    swing: _Swing | None = None
    data_sheet: Any = None
    coats: tuple[_Coat, ...] = ()

    def check(self) -> None:
        self.finish()

    def finish(self) -> FinishPlan:
        swing = None if self.swing is None else self.swing.to(Swing)
        return self.to(FinishPlan, coats=tuple(c.coat() for c in self.coats), swing=swing)


def finish_from_table(table: Mapping[str, Any], where: str = "the finish plan", path: str = "") -> FinishPlan:
    """Read a finish plan from a TOML table, as :func:`~gapvision.formats.specification_file.specification_from_table`.

    Raises
    ------
    GapvisionError
        ``finish-nonsense``, ``length-not-understood``.
    """
    return read_declared(_File, table, where, "finish-nonsense", path=path).finish()


def finish_to_table(plan: FinishPlan) -> dict[str, Any]:
    """Put a finish plan into the file's form; ``value-out-of-range`` for a length that no file can hold."""
    names, length = {rank: stage for stage, rank in STAGES.items()}, _Length.written
    table: dict[str, Any] = {"format": FORMAT, "stage": plan.stage, "movement": length(plan.movement_mm)}
    if plan.smallest_gap_mm is not None:
        table["smallest_gap"] = length(plan.smallest_gap_mm)
    if plan.swing is not None:
        told = {name.removesuffix("_mm"): value for name, value in asdict(plan.swing).items()}
        table["swing"] = {name: value if name == "open_deg" else length(value) for name, value in told.items()}
    table["coats"] = []
    for c in plan.coats:
        film = {"film": [length(v, "um") for v in c.film_um], "film_um": None}
        row = asdict(c) | film | {"stays": list(c.stays), "stage": names[c.stage]}
        table["coats"].append({key: value for key, value in row.items() if value is not None})
    return table


def read_finish(path: str | Path) -> FinishPlan:
    """Read a finish file; errors as :func:`finish_from_table` and :func:`read_toml`."""
    return finish_from_table(read_toml(path), f"'{Path(path).name}'")
