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
    largest_hole = "5mm"

Places along the seam are lengths or, all of them, shares: ``at = "0%"`` to ``"100%"``.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from gapvision.errors import GapvisionError
from gapvision.formats.toml import read_toml
from gapvision.judgement.specification import preset
from gapvision.model import NominalPoint, Specification, nonsense
from gapvision.units import parse_length

FORMAT = "gapvision-seam/1"
_LENGTHS = {
    "straightness": "straightness_mm",
    "straightness_100": "straightness_100_mm",
    "jump_10": "jump_10_mm",
    "opposite": "opposite_mm",
    "step": "step_mm",
    "length": "length_mm",
    "largest_hole": "largest_hole_mm",
}
#: Names in files of versions before 0.2 -> today's.
_FORMER = {"step_10": "jump_10", "flush": "step"}
_KNOWN = {
    "format",
    "name",
    "panel",
    "side",
    "nominal",
    "allow_below",
    "allow_above",
    "smallest",
    "largest",
    "taper_mm_per_m",
    "source",
    "preset",
    *_LENGTHS,
}


def specification_from_table(table: Mapping[str, Any], where: str = "the specification") -> Specification:
    """Read a specification from a TOML table.

    Raises
    ------
    GapvisionError
        ``specification-unreadable`` with the line that cannot be understood,
        ``specification-nonsense`` when it can be read but not be meant.
    """
    table = {_FORMER.get(key, key): value for key, value in table.items()}
    unknown = sorted(set(table) - _KNOWN)
    if unknown:
        raise _unreadable(
            f"{where} has a line '{unknown[0]}' that is not known.",
            f"Known lines: {', '.join(sorted(_KNOWN - {'format'}))}.",
        )
    base: dict[str, Any] = {}
    if "preset" in table:
        start = preset(str(table["preset"]))
        base = {f: getattr(start, f) for f in Specification.__slots__}
    for key in ("name", "panel", "side", "source"):
        if key in table:
            base[key] = str(table[key])
    if "nominal" in table:
        base["nominal"], base["at_unit"] = _nominal(table["nominal"], where)
    if "nominal" not in base:
        raise nonsense(f"{where} gives no wanted gap.", 'Give a line such as nominal = "3/16in".')
    low, high = _limits(table, base["nominal"], where)
    base["allow_below_mm"] = low if low is not None else base.get("allow_below_mm")
    base["allow_above_mm"] = high if high is not None else base.get("allow_above_mm")
    if base["allow_below_mm"] is None or base["allow_above_mm"] is None:
        raise nonsense(f"{where} gives no limits.", 'Give allow_below and allow_above, such as "0.5mm".')
    for key, field in _LENGTHS.items():
        if key in table:
            base[field] = _length(table[key], where, key)
    if "taper_mm_per_m" in table:
        value = table["taper_mm_per_m"]
        if not isinstance(value, int | float) or isinstance(value, bool):
            raise _unreadable(f"{where}: taper_mm_per_m is not a number.")
        base["taper_mm_per_m"] = float(value)
    return Specification(**base)


def specification_to_table(spec: Specification) -> dict[str, Any]:
    """Put a specification into the file's form; the way back of :func:`specification_from_table`."""
    table: dict[str, Any] = {
        "format": FORMAT,
        "name": spec.name,
        "panel": spec.panel,
        "side": spec.side,
        "source": spec.source,
    }
    if len(spec.nominal) == 1 and spec.at_unit == "mm" and spec.nominal[0].at == 0:
        table["nominal"] = _mm(spec.nominal[0].gap_mm)
    else:
        place = (lambda v: f"{100 * v!r}%") if spec.at_unit == "share" else _mm
        table["nominal"] = [{"at": place(p.at), "gap": _mm(p.gap_mm)} for p in spec.nominal]
    table["allow_below"], table["allow_above"] = _mm(spec.allow_below_mm), _mm(spec.allow_above_mm)
    if spec.taper_mm_per_m is not None:
        table["taper_mm_per_m"] = spec.taper_mm_per_m
    for key, field in _LENGTHS.items():
        value = getattr(spec, field)
        if value is not None:
            table[key] = _mm(value)
    return table


def read_specification(path: str | Path) -> Specification:
    """Read a specification file; errors as :func:`specification_from_table` and ``file-not-found``."""
    return specification_from_table(read_toml(path), f"'{Path(path).name}'")


def write_specification(spec: Specification, path: str | Path) -> None:
    """Write a specification file.

    Raises
    ------
    GapvisionError
        ``folder-not-writable``.
    """
    import tomli_w

    target = Path(path)
    part = target.with_name(target.name + ".part")
    try:
        part.write_text(tomli_w.dumps(specification_to_table(spec)), encoding="utf-8")
        part.replace(target)
    except OSError:
        raise GapvisionError("folder-not-writable", f"'{path}' could not be written.") from None


def _unreadable(message: str, next_step: str = "") -> GapvisionError:
    return GapvisionError("specification-unreadable", message[0].upper() + message[1:], next_step)


def _mm(value: float) -> str:
    return f"{value!r}mm"


def _length(value: Any, where: str, key: str) -> float:
    if isinstance(value, bool) or not isinstance(value, str | int | float):
        raise _unreadable(f"{where}: {key} is not a length.", 'Write it like "4.76mm" or "3/16in".')
    try:
        return parse_length(value, "mm" if not isinstance(value, str) else None)
    except GapvisionError as error:
        raise _unreadable(f"{where}: {key}: {error.message}", error.next_step) from None


def _nominal(value: Any, where: str) -> tuple[tuple[NominalPoint, ...], str]:
    if not isinstance(value, list):
        return (NominalPoint(0.0, _length(value, where, "nominal")),), "mm"
    points, shares = [], set()
    for item in value:
        if not isinstance(item, dict) or set(item) != {"at", "gap"}:
            raise _unreadable(
                f"{where}: a point of nominal needs exactly at and gap.", 'Write {at = "0mm", gap = "1/4in"}.'
            )
        at = item["at"]
        share = isinstance(at, str) and at.strip().endswith("%")
        shares.add(share)
        points.append(
            NominalPoint(_percent(at, where) if share else _length(at, where, "at"), _length(item["gap"], where, "gap"))
        )
    if len(shares) > 1:
        raise nonsense(
            f"{where} mixes lengths and shares of the seam.", "Give all places as lengths or all in per cent."
        )
    return tuple(points), "share" if shares == {True} else "mm"


def _percent(text: str, where: str) -> float:
    try:
        return float(text.strip().rstrip("%").replace(",", ".")) / 100
    except ValueError:
        raise _unreadable(f"{where}: '{text}' is not a share.", 'Write it like "50%".') from None


def _limits(
    table: Mapping[str, Any], nominal: tuple[NominalPoint, ...], where: str
) -> tuple[float | None, float | None]:
    low = _length(table["allow_below"], where, "allow_below") if "allow_below" in table else None
    high = _length(table["allow_above"], where, "allow_above") if "allow_above" in table else None
    if "smallest" in table or "largest" in table:
        if len(nominal) > 1:
            raise nonsense(
                f"{where} gives one smallest or largest gap for a gap that varies.",
                "Give allow_below and allow_above instead.",
            )
        if (low is not None and "smallest" in table) or (high is not None and "largest" in table):
            raise nonsense(f"{where} gives a limit twice.", "Give allow_below or smallest, and allow_above or largest.")
        if "smallest" in table:
            low = nominal[0].gap_mm - _length(table["smallest"], where, "smallest")
        if "largest" in table:
            high = _length(table["largest"], where, "largest") - nominal[0].gap_mm
    return low, high
