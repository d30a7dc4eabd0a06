"""The measurement file: the contract between measuring and everything that comes after.

Names in the file: ``u_mm`` is an expanded uncertainty (k = 2), ``std_u_mm`` a
standard one.  Lengths are rounded to 1e-5 mm and pixels to 1e-3 px, far below
any uncertainty, to keep the file small.  NaN is never written: a station
without gap or uncertainty is left out, any other missing number is null.
"""

from __future__ import annotations

import json
import math
import os
from dataclasses import fields
from pathlib import Path
from typing import Any

import numpy as np

from gapvision import __version__, words
from gapvision.codes import CODES
from gapvision.errors import GapvisionError
from gapvision.formats.atomic import write_whole
from gapvision.limits import MAX_MEASUREMENT_FILE_BYTES
from gapvision.model import GapProfile, GapSummary, Measurement, Notice, ScaleInfo, Step, Straightness

SCHEMA = "gapvision-measurement/1"
_SCHEMA_NAME = SCHEMA.split("/")[0]
_STATUS = ("ok", "warn", "refused")
_DECIMALS_MM = 5
_DECIMALS_PX = 3

#: Field of a type -> its name in the file, where the two differ.
_FILE_NAMES = {"expanded_u_mm": "u_mm"}
#: Column of a profile -> name in a station.
_COLUMNS = {
    "s_mm": "s_mm", "gap_mm": "gap_mm", "expanded_u_mm": "u_mm", "edge_a_px": "edge_a_px", "edge_b_px": "edge_b_px",
    "edge_a_mm": "edge_a_mm", "edge_b_mm": "edge_b_mm", "edge_a_u_mm": "edge_a_u_mm", "edge_b_u_mm": "edge_b_u_mm",
}  # fmt: skip


# --- writing ------------------------------------------------------------------------


def to_dict(measurement: Measurement) -> dict[str, Any]:
    """Put a measurement into the file's form.

    Parameters
    ----------
    measurement : Measurement
        Measured or refused.

    Returns
    -------
    dict
        Plain numbers, texts, lists and dicts; no NaN.
    """
    m = measurement
    notices = [(n.kind, words.notice_dict(n)) for n in m.notices]
    straight = None
    if m.straightness_a is not None or m.straightness_b is not None:
        straight = {"edge_a": _record(m.straightness_a), "edge_b": _record(m.straightness_b)}
    return {
        "schema": SCHEMA,
        "status": m.status,
        "warnings": [n for kind, n in notices if kind != "note"],
        "notes": [n for kind, n in notices if kind == "note"],
        "photo": {
            "file": m.photo_file, "sha256": m.photo_sha256, "width_px": m.width_px, "height_px": m.height_px,
            "taken_at": m.taken_at,
        },
        "scale": _record(m.scale),
        "spacing_mm": None if m.profile is None else _plain(m.profile.spacing_mm),
        "stations": [] if m.profile is None else _stations(m.profile),
        "gap": _record(m.summary),
        "flush": _record(m.step),
        "straightness": straight,
        "seam_kind": m.seam_kind,
        "gap_lit": m.gap_lit,
        "edges_method": m.edges_method,
        "camera": _plain(m.camera),
        "settings": _plain(m.settings),
        "method_version": m.method_version,
        "written_by": f"gapvision {__version__}",
    }  # fmt: skip


def to_json(measurement: Measurement) -> bytes:
    """The file's bytes: one station a line, UTF-8."""
    return content_bytes(to_dict(measurement))


def content_bytes(content: dict[str, Any]) -> bytes:
    """The bytes of a measurement file's content; it may carry more, such as ``left_out``."""
    content = dict(content)
    stations = content.pop("stations")
    head = json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False)
    lines = ",\n  ".join(json.dumps(s, ensure_ascii=False, allow_nan=False) for s in stations)
    body = f"[\n  {lines}\n ]" if stations else "[]"
    return f'{head[:-2]},\n "stations": {body}\n}}\n'.encode()


def write(measurement: Measurement, path: str | os.PathLike[str]) -> None:
    """Write a measurement file whole or not at all.

    Raises
    ------
    GapvisionError
        ``folder-not-writable``.
    """
    write_whole(path, to_json(measurement))


def _record(item: Any) -> dict[str, Any] | None:
    if item is None:
        return None
    return {_FILE_NAMES.get(f.name, f.name): _plain(getattr(item, f.name)) for f in fields(item)}


def _stations(profile: GapProfile) -> list[dict[str, Any]]:
    usable = np.isfinite(profile.s_mm) & np.isfinite(profile.gap_mm) & np.isfinite(profile.expanded_u_mm)
    usable &= np.isfinite(profile.edge_a_px).all(axis=1) & np.isfinite(profile.edge_b_px).all(axis=1)
    out: list[dict[str, Any]] = []
    for i in np.flatnonzero(usable):
        station: dict[str, Any] = {}
        for column, name in _COLUMNS.items():
            value = getattr(profile, column)[i]
            digits = _DECIMALS_PX if column.endswith("_px") else _DECIMALS_MM
            station[name] = [round(float(v), digits) for v in value] if np.ndim(value) else _plain(value)
        station["std_u_mm"] = {cause: _plain(part[i]) for cause, part in profile.parts_mm.items()}
        out.append(station)
    return out


def _plain(value: Any) -> Any:
    """Numbers of any make to Python's own, NaN and infinity to None, tuples and arrays to lists."""
    if isinstance(value, dict):
        return {str(k): _plain(v) for k, v in value.items()}
    if isinstance(value, list | tuple | np.ndarray):
        return [_plain(v) for v in value]
    if isinstance(value, bool | np.bool_):
        return bool(value)
    if isinstance(value, int | np.integer):
        return int(value)
    if isinstance(value, float | np.floating):
        number = float(value)
        return round(number, _DECIMALS_MM) if math.isfinite(number) else None
    return value if value is None else str(value)


# --- reading ------------------------------------------------------------------------


def read(path: str | os.PathLike[str]) -> Measurement:
    """Read a measurement file.

    Raises
    ------
    GapvisionError
        ``file-not-found``, ``file-not-permitted``, ``file-is-folder``; ``measurement-file-bad`` with what is wrong.
    """
    name = Path(path).name
    try:
        with open(path, "rb") as file:
            data = file.read(int(MAX_MEASUREMENT_FILE_BYTES.value) + 1)
    except IsADirectoryError:
        raise GapvisionError("file-is-folder", f"'{path}' is a folder.", "Name one measurement file.") from None
    except PermissionError:
        raise GapvisionError("file-not-permitted", f"'{path}' may not be read by this user.") from None
    except (OSError, ValueError):
        raise GapvisionError("file-not-found", f"'{path}' was not found.") from None
    return from_json(data, name)


def from_json(data: bytes, name: str = "the file") -> Measurement:
    """Read a measurement from the bytes of its file; errors as :func:`read`."""
    if len(data) > MAX_MEASUREMENT_FILE_BYTES.value:
        raise _bad(name, "it is far too large")
    try:
        content = json.loads(data.decode("utf-8-sig"), parse_constant=_refuse_constant)
    except (ValueError, RecursionError):
        raise _bad(name, "it is not readable as JSON") from None
    return from_dict(content, name)


def from_dict(content: Any, name: str = "the file") -> Measurement:
    """Turn the file's form back into a measurement, checking every field that is used.

    Raises
    ------
    GapvisionError
        ``measurement-file-bad``.
    """
    top = _Reader(content, "", name)
    schema = top.get("schema", str)
    if schema != SCHEMA:
        if schema.startswith(_SCHEMA_NAME + "/"):
            raise _bad(name, f"it was written by another version of gapvision ({schema})")
        raise _bad(name, f"its schema is '{schema[:60]}'")
    status = top.get("status", str)
    if status not in _STATUS:
        raise _bad(name, f"status '{status[:60]}' is not ok, warn or refused")
    photo = top.part("photo")
    notices = [*_read_notices(top, "warnings"), *(_read_notices(top, "notes") if "notes" in top.content else [])]
    straight = top.part_or_none("straightness")
    try:
        return Measurement(
            status=status,
            notices=tuple(notices),
            photo_file=photo.get("file", str),
            photo_sha256=photo.get("sha256", str),
            width_px=photo.get("width_px", int),
            height_px=photo.get("height_px", int),
            taken_at=photo.get("taken_at", str, None),
            scale=_read_scale(top.part_or_none("scale")),
            profile=None if status == "refused" else _read_profile(top),
            summary=_read_numbers(top.part_or_none("gap"), GapSummary),
            step=_read_numbers(top.part_or_none("flush"), Step),
            straightness_a=_read_numbers(straight.part_or_none("edge_a"), Straightness) if straight else None,
            straightness_b=_read_numbers(straight.part_or_none("edge_b"), Straightness) if straight else None,
            seam_kind=top.get("seam_kind", str, "straight"),
            edges_method=top.get("edges_method", str, "rules"),
            settings=top.get("settings", dict, {}),
            method_version=top.get("method_version", int, 0),
            gap_lit=top.get("gap_lit", str, "dark"),
            camera=top.get("camera", dict, {}),
        )
    except ValueError as error:
        raise _bad(name, str(error)) from None


_REQUIRED = object()


class _Reader:
    """One object of the file, with its place for error sentences."""

    def __init__(self, content: Any, place: str, name: str) -> None:
        if not isinstance(content, dict):
            raise _bad(name, f"{place or 'its content'} is not a set of named values")
        self.content, self.place, self.name = content, place, name

    def where(self, key: str) -> str:
        return f"{self.place}.{key}" if self.place else key

    def get(self, key: str, kind: type, default: Any = _REQUIRED) -> Any:
        value = self.content.get(key)
        if value is None:
            if default is _REQUIRED:
                raise _bad(self.name, f"{self.where(key)} is missing")
            return default
        if kind is float:
            return self.number(value, key)
        if not isinstance(value, kind) or (kind is int and isinstance(value, bool)):
            words = {
                str: "a text",
                int: "a whole number",
                dict: "a set of named values",
                list: "a list",
                bool: "a yes or no",
            }
            raise _bad(self.name, f"{self.where(key)} is not {words[kind]}")
        return value

    def number(self, value: Any, key: str) -> float:
        try:
            number = math.nan if isinstance(value, bool | str) else float(value)
        except (TypeError, OverflowError):
            number = math.nan
        if not math.isfinite(number):
            raise _bad(self.name, f"{self.where(key)} is not a number")
        return number

    def part(self, key: str) -> _Reader:
        return _Reader(self.get(key, dict), self.where(key), self.name)

    def part_or_none(self, key: str) -> _Reader | None:
        return None if self.content.get(key) is None else self.part(key)


def _read_notices(top: _Reader, key: str) -> list[Notice]:
    out = []
    for i, item in enumerate(top.get(key, list)):
        entry = _Reader(item, f"{key}[{i}]", top.name)
        code = entry.get("code", str)
        if code not in CODES:
            raise _bad(top.name, f"{key}[{i}].code '{code[:60]}' is not known")
        texts = {name: entry.get(name, str, "") for name in ("message", "advice")}
        out.append(Notice(code=code, **texts, values=entry.get("values", dict, {})))
    return out


def _read_scale(part: _Reader | None) -> ScaleInfo | None:
    if part is None:
        return None
    texts = {"focal_source"}
    values: dict[str, Any] = {}
    for f in fields(ScaleInfo):
        if f.name == "strips":
            letters = part.get("strips", list)
            if not all(isinstance(v, str) for v in letters):
                raise _bad(part.name, "scale.strips is not a list of letters")
            values["strips"] = tuple(letters)
        elif f.name == "strip_sides":
            sides = part.get("strip_sides", dict, {})
            values["strip_sides"] = {k: _text(part, v, f"strip_sides.{k}") for k, v in sides.items()}
        elif f.name == "print_scale_checked":
            values[f.name] = part.get(f.name, bool, False)
        else:
            values[f.name] = part.get(f.name, str if f.name in texts else float)
    return ScaleInfo(**values)


def _text(part: _Reader, value: Any, key: str) -> str:
    """A value that must be a text."""
    if not isinstance(value, str):
        raise _bad(part.name, f"{part.where(key)} is not a text")
    return value


def _read_numbers(part: _Reader | None, kind: type) -> Any:
    """A record that holds numbers only; a field with a default may be missing."""
    if part is None:
        return None
    optional = {f.name for f in fields(kind) if f.default is None}
    return kind(**{
        f.name: part.get(_FILE_NAMES.get(f.name, f.name), float, None if f.name in optional else _REQUIRED)
        for f in fields(kind)
    })  # fmt: skip


def _read_profile(top: _Reader) -> GapProfile:
    stations = [_Reader(item, f"stations[{i}]", top.name) for i, item in enumerate(top.get("stations", list))]
    optional = {"edge_a_u_mm", "edge_b_u_mm"}  # not in the contract; files of other writers may lack them
    columns: dict[str, Any] = {}
    for column, key in _COLUMNS.items():
        if column.endswith("_px"):
            columns[column] = np.array([_point(s, key) for s in stations], dtype=float).reshape(-1, 2)
        else:
            default = math.nan if column in optional else _REQUIRED
            columns[column] = np.array([s.get(key, float, default) for s in stations], dtype=float)
    if (columns["expanded_u_mm"] < 0).any():
        raise _bad(top.name, f"stations[{int(np.argmax(columns['expanded_u_mm'] < 0))}].u_mm is negative")
    parts: dict[str, Any] = {}
    for i, station in enumerate(stations):
        for cause, value in station.get("std_u_mm", dict, {}).items():
            column = parts.setdefault(str(cause), np.full(len(stations), math.nan))
            column[i] = math.nan if value is None else station.number(value, f"std_u_mm.{cause}")
    return GapProfile(**columns, parts_mm=parts, spacing_mm=top.get("spacing_mm", float, 1.0))


def _point(station: _Reader, key: str) -> tuple[float, float]:
    value = station.get(key, list)
    if len(value) != 2:
        raise _bad(station.name, f"{station.where(key)} is not a pair of numbers")
    return station.number(value[0], key), station.number(value[1], key)


def _refuse_constant(text: str) -> float:
    raise ValueError(text)


def _bad(name: str, why: str) -> GapvisionError:
    return GapvisionError("measurement-file-bad", f"'{name}' is not a gapvision measurement: {why}.")
