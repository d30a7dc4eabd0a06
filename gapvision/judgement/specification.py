"""A seam's specification: wanted gap and limits along the seam, TOML in and out, presets.

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

import tomllib
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from gapvision.errors import GapvisionError
from gapvision.model import FloatArray, NominalPoint, Specification, nonsense
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
_COMMON = "common practice, no source"

#: Ready specifications in the trade's words; every one is common practice without a source.
PRESETS: dict[str, tuple[str, Specification]] = {
    "even-close": (
        "3/16 in all the way round, close work",
        Specification(
            nominal=(NominalPoint(0.0, 4.7625),),
            allow_below_mm=0.5,
            allow_above_mm=0.5,
            taper_mm_per_m=1.0,
            straightness_mm=0.5,
            straightness_100_mm=0.3,
            jump_10_mm=0.3,
            opposite_mm=0.6,
            step_mm=0.5,
            source=_COMMON,
        ),
    ),
    "even-road": (
        "3/16 in all the way round, road car",
        Specification(
            nominal=(NominalPoint(0.0, 4.7625),),
            allow_below_mm=0.79375,
            allow_above_mm=0.79375,
            taper_mm_per_m=2.0,
            straightness_mm=0.8,
            straightness_100_mm=0.5,
            jump_10_mm=0.5,
            opposite_mm=1.0,
            step_mm=0.8,
            source=_COMMON,
        ),
    ),
    "door-period": (
        "door of the period: 1/4 in at the front running to 1/8 in at the rear",
        Specification(
            nominal=(NominalPoint(0.0, 6.35), NominalPoint(1.0, 3.175)),
            at_unit="share",
            allow_below_mm=0.79375,
            allow_above_mm=0.79375,
            taper_mm_per_m=2.0,
            straightness_mm=0.8,
            straightness_100_mm=0.5,
            jump_10_mm=0.5,
            opposite_mm=1.0,
            step_mm=0.8,
            source=_COMMON,
        ),
    ),
}


def preset(name: str) -> Specification:
    """Fetch a ready specification by its name.

    Raises
    ------
    GapvisionError
        ``preset-unknown``.
    """
    if name not in PRESETS:
        raise GapvisionError(
            "preset-unknown", f"There is no ready specification '{name}'.", f"Choose one of: {', '.join(PRESETS)}."
        )
    return replace(PRESETS[name][1], name=PRESETS[name][0])


def nominal_at(spec: Specification, s_mm: FloatArray, extent_mm: tuple[float, float]) -> FloatArray:
    """Wanted gap at each station [mm].

    Parameters
    ----------
    s_mm : ndarray, shape (n,)
        Stations [mm].
    extent_mm : (float, float)
        Start and end of the seam [mm]; needed where the specification uses shares.
    """
    at = np.array([p.at for p in spec.nominal])
    if spec.at_unit == "share":
        at = extent_mm[0] + at * (extent_mm[1] - extent_mm[0])
    return np.asarray(np.interp(s_mm, at, [p.gap_mm for p in spec.nominal]), dtype=float)


def limits_at(spec: Specification, s_mm: FloatArray, extent_mm: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Lower and upper limit at each station [mm]; arguments as :func:`nominal_at`."""
    nominal = nominal_at(spec, s_mm, extent_mm)
    return nominal - spec.allow_below_mm, nominal + spec.allow_above_mm


def simple_spec(nominal_mm: float, below_mm: float, above_mm: float) -> Specification:
    """Make a specification from one wanted gap and what is allowed below and above it [mm]."""
    return Specification(nominal=(NominalPoint(0.0, nominal_mm),), allow_below_mm=below_mm, allow_above_mm=above_mm)


def spec_from_table(table: Mapping[str, Any], where: str = "the specification") -> Specification:
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


def spec_to_table(spec: Specification) -> dict[str, Any]:
    """Put a specification into the file's form; the way back of :func:`spec_from_table`."""
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


def read_spec(path: str | Path) -> Specification:
    """Read a specification file; errors as :func:`spec_from_table` and ``file-not-found``."""
    return spec_from_table(read_toml(path), f"'{Path(path).name}'")


def write_spec(spec: Specification, path: str | Path) -> None:
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
        part.write_text(tomli_w.dumps(spec_to_table(spec)), encoding="utf-8")
        part.replace(target)
    except OSError:
        raise GapvisionError("folder-not-writable", f"'{path}' could not be written.") from None


def read_toml(path: str | Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    GapvisionError
        ``file-not-found``, ``specification-unreadable`` with the parser's line and column.
    """
    try:
        text = Path(path).read_bytes().decode("utf-8-sig")
    except OSError:
        raise GapvisionError("file-not-found", f"'{path}' was not found or may not be read.") from None
    except UnicodeDecodeError:
        raise _unreadable(f"'{Path(path).name}' is not a text file in UTF-8.") from None
    return toml_from_text(text, f"'{Path(path).name}'")


def toml_from_text(text: str, where: str) -> dict[str, Any]:
    """Read TOML that is no file; ``where`` is what a refusal (``specification-unreadable``) calls it."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _unreadable(f"{where} is not TOML: {error}.") from None


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
