"""Specification files: what is wanted of a seam (TOML).

A specification file::

    format = "gapvision-seam/1"
    name = "bonnet left"
    panel = "bonnet"
    side = "left"
    nominal = "3/16in"                 # or a list: [{at = "0mm", gap = "1/4in"}, {at = "900mm", gap = "1/8in"}]
    allow_below = "0.5mm"              # or smallest = and largest = with one wanted gap
    allow_above = "0.8mm"
    taper_mm_per_m = 1.0
    straightness = "0.5mm"
    straightness_100 = "0.3mm"
    jump_10 = "0.3mm"
    opposite = "0.8mm"
    step = "0.5mm"
    length = "900mm"
    taper_over = "600mm"               # the length that taper is meant for
    direction = "front to rear"        # which way a list of wanted gaps runs: from there to there
    photo_at = "120mm"                 # of a photo judged alone: its station nearest to the seam's start, from there
    photo_reverse = false              # true: that photo's stations run from the seam's end to its start
    largest_hole = "5mm"

Places along the seam are lengths or, all of them, shares: ``at = "0%"`` to ``"100%"``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields
from pathlib import Path
from typing import Any, Literal

from msgspec import structs

from gapvision.formats.declared import Declared, Length, Refused, inner, read_declared, shown
from gapvision.formats.toml import read_toml
from gapvision.judgement.specification import preset
from gapvision.model import NominalPoint, Specification, nonsense

FORMAT = "gapvision-seam/1"
#: Names in files of versions before 0.2 -> today's.
_FORMER = {"step_10": "jump_10", "flush": "step"}


class _Place(tuple[float, bool]):
    """A place along the seam: mm, or a share of it (then True) written like ``50%``."""

    @classmethod
    def read(cls, value: Any) -> _Place:
        if not (isinstance(value, str) and value.strip().endswith("%")):
            return cls((Length.read(value), False))
        try:
            return cls((float(value.strip().rstrip("%").replace(",", ".")) / 100, True))
        except ValueError:
            raise Refused(f"{shown(value)} is not a share.", 'Write it like "50%".') from None


class _Point(Declared):
    at: _Place
    gap: Length


class _Nominal(tuple[NominalPoint, ...]):
    """One gap all along, or a list of places with their gaps."""

    at_unit = "mm"

    @classmethod
    def read(cls, value: Any) -> _Nominal:
        if not isinstance(value, list):
            return cls([NominalPoint(0.0, Length.read(value))])
        points = inner(list[_Point], value)
        shares = {p.at[1] for p in points}
        if len(shares) > 1:
            said = "Lengths and shares of the seam are mixed."
            raise Refused(said, "Give all places as lengths or all in per cent.", "specification-nonsense")
        nominal = cls(NominalPoint(p.at[0], p.gap) for p in points)
        nominal.at_unit = "share" if True in shares else "mm"
        return nominal


class _File(Declared, rename=lambda field: field.removesuffix("_mm")):
    """Named as the fields of Specification, which the file calls the same without their unit."""

    format: Literal["gapvision-seam/1"] | None = None
    preset: str | None = None
    smallest_mm: Length | None = None
    largest_mm: Length | None = None
    nominal: _Nominal | None = None
    name: str | None = None
    panel: str | None = None
    side: str | None = None
    source: str | None = None
    allow_below_mm: Length | None = None
    allow_above_mm: Length | None = None
    taper_mm_per_m: float | None = None
    straightness_mm: Length | None = None
    straightness_100_mm: Length | None = None
    jump_10_mm: Length | None = None
    opposite_mm: Length | None = None
    step_mm: Length | None = None
    length_mm: Length | None = None
    taper_over_mm: Length | None = None
    direction: str | None = None
    photo_at_mm: Length | None = None
    photo_reverse: bool | None = None
    largest_hole_mm: Length | None = None

    def check(self) -> None:
        self.specification()

    def specification(self) -> Specification:
        known = {f.name for f in fields(Specification)}
        start = {} if self.preset is None else {k: getattr(preset(self.preset), k) for k in known}
        given = start | {k: v for k, v in structs.asdict(self).items() if k in known and v is not None}
        if self.nominal is not None:
            given |= {"nominal": tuple(self.nominal), "at_unit": self.nominal.at_unit}
        if "nominal" not in given:
            raise nonsense("No wanted gap is given.", 'Give a line such as nominal = "3/16in".')
        for sign, end, side in ((1, self.smallest_mm, "allow_below_mm"), (-1, self.largest_mm, "allow_above_mm")):
            if end is not None and len(given["nominal"]) != 1:
                said = "One smallest or largest gap is given for a gap that varies."
                raise nonsense(said, "Give allow_below and allow_above instead.")
            if end is not None and getattr(self, side) is not None:
                raise nonsense("A limit is given twice.", "Give allow_below or smallest, and allow_above or largest.")
            if end is not None:
                given[side] = sign * (given["nominal"][0].gap_mm - end)
        if not {"allow_below_mm", "allow_above_mm"} <= set(given):
            raise nonsense("No limits are given.", 'Give allow_below and allow_above, such as "0.5mm".')
        return Specification(**given)


def specification_from_table(
    table: Mapping[str, Any], where: str = "the specification", path: str = ""
) -> Specification:
    """Read a specification from a TOML table.

    ``where`` is what to call the file in refusals, ``path`` where in it the table stands.

    Raises
    ------
    GapvisionError
        ``specification-unreadable`` with the line that cannot be understood,
        ``specification-nonsense`` when it can be read but not be meant; ``preset-unknown``.
    """
    if isinstance(table, Mapping):
        table = {_FORMER.get(key, key): value for key, value in table.items()}
    return read_declared(_File, table, where, "specification-unreadable", path=path).specification()


def specification_to_table(spec: Specification) -> dict[str, Any]:
    """Put a specification into the file's form; ``value-out-of-range`` for a length that no file can hold."""
    mm = Length.written
    table: dict[str, Any] = {"format": FORMAT, "name": spec.name, "panel": spec.panel, "side": spec.side}
    if len(spec.nominal) == 1 and spec.at_unit == "mm" and spec.nominal[0].at == 0:
        table["nominal"] = mm(spec.nominal[0].gap_mm)
    else:
        place = (lambda v: f"{100 * v!r}%") if spec.at_unit == "share" else mm
        table["nominal"] = [{"at": place(p.at), "gap": mm(p.gap_mm)} for p in spec.nominal]
    for name in (f.name for f in fields(spec) if f.name not in ("nominal", "at_unit")):
        if (value := getattr(spec, name)) is not None and value != "" and value is not False:
            table[name.removesuffix("_mm")] = mm(value) if name.endswith("_mm") else value
    return table


def read_specification(path: str | Path) -> Specification:
    """Read a specification file; errors as :func:`specification_from_table` and :func:`read_toml`."""
    return specification_from_table(read_toml(path), f"'{Path(path).name}'")
