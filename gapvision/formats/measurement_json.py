"""The measurement file: the contract between measuring and everything that comes after.

Names in the file: ``u_mm`` is an expanded uncertainty (k = 2), ``std_u_mm`` and ``parts_u_mm`` are standard ones.
Of the stations, lengths are rounded to 1e-5 mm and pixels to 1e-3 px, far below any uncertainty, to keep the file
small; the strips' corners and the fitted field stand in full, because what is worked out from them later would feel it.
NaN is never written: a station without gap or uncertainty is left out, any other missing number is null.

Files of version 1 are read; today's program writes version 2.
"""

from __future__ import annotations

import json
import os
import re
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import fields
from functools import lru_cache
from itertools import chain
from pathlib import Path
from typing import Annotated, Any, Literal, get_type_hints

import msgspec
import numpy as np
from msgspec.structs import astuple

from gapvision import __version__, model, words
from gapvision.codes import CODES
from gapvision.errors import GapvisionError
from gapvision.formats.atomic import write_whole
from gapvision.formats.declared import FILE_NAMES, Loose, Refused, plain_data, read_declared, read_file, read_json
from gapvision.limits import MAX_MEASUREMENT_FILE_BYTES
from gapvision.model.profile import COLUMNS
from gapvision.targets.strip import CORNERS_PER_STRIP, STRIP_LETTERS, corners_mm

SCHEMA, _FORMER_SCHEMA = "gapvision-measurement/2", "gapvision-measurement/1"
#: Of files of one edge alone (:mod:`gapvision.formats.edge_json`): no measurement of a gap.
EDGE_SCHEMA = "gapvision-edge/1"
_DECIMALS_MM, _DECIMALS_PX = 5, 3


# --- writing ------------------------------------------------------------------------


def to_dict(measurement: model.Measurement) -> dict[str, Any]:
    """Put a measurement, measured or refused, into the file's form: plain numbers, texts, lists and dicts; no NaN."""
    m, notices = measurement, [(n.kind, words.notice_dict(n)) for n in measurement.notices]
    straight = {"edge_a": m.straightness_a, "edge_b": m.straightness_b}
    edges = {"a": m.edge_a, "b": m.edge_b}
    numbers = {
        "scale": m.scale,
        "sheet": sheet_of(m),
        "spacing_mm": None if m.profile is None else m.profile.spacing_mm,
        "gap": m.summary,
        "flush": None if m.step is None else {"mean_mm": m.step.mean_mm, "u_mm": m.step.expanded_u_mm},
        "step": m.step_used,
        "straightness": straight if any(straight.values()) else None,
        "edges": edges if any(edges.values()) else None,
        "seam_kind": m.seam_kind,
        "gap_lit": m.gap_lit,
        "edges_method": m.edges_method,
        "quality": m.quality,
        "settings": m.settings,
        "coverage_factor": model.COVERAGE_FACTOR,
        "method_version": m.method_version,
        "written_by": f"gapvision {__version__}",
    }
    numbers = plain_data(numbers, _DECIMALS_MM)
    if m.settings.taped is None:
        numbers["settings"].pop("taped")
    if not m.settings.closed:
        numbers["settings"].pop("closed")
    if m.profile is not None and m.profile.own_line:
        numbers["closed"] = {"round_mm": m.profile.round_mm}
    if m.profile is None or m.profile.course is None:
        _only_of_whole_seams(numbers)
    else:
        numbers["course"] = {name: getattr(m.profile.course, name).tolist() for name in ("s_mm", "modes_mm")}
    return {
        "schema": SCHEMA,
        "status": m.status,
        "warnings": [n for kind, n in notices if kind != "note"],
        "notes": [n for kind, n in notices if kind == "note"],
        "photo": _about(m.photo),
        "photos": [photo_dict(p) for p in m.photos],
        "stations": [] if m.profile is None else _stations(m.profile, m.step_used),
        **numbers,
    }


def _only_of_whole_seams(numbers: dict[str, Any]) -> None:
    """Take out what is told of seams alone that were joined from photos along them."""
    forms = (numbers["straightness"] or {}).values()
    for some in (numbers["gap"], *forms):
        for name in ("taper_u_mm_per_m", "bow_mm", "bow_u_mm", "local_mm", "local_s_mm"):
            if some is not None:
                some.pop(name, None)


def to_json(measurement: model.Measurement) -> bytes:
    """The file's bytes: one photo and one station a line, UTF-8."""
    return content_bytes(to_dict(measurement))


def content_bytes(content: Mapping[str, Any]) -> bytes:
    """The bytes of a measurement file's content."""
    long = {key: content[key] for key in ("photos", "stations") if key in content}
    head = {key: value for key, value in content.items() if key not in long}
    text = json.dumps(head, indent=1, ensure_ascii=False, allow_nan=False)[:-2]
    for key, items in long.items():
        lines = ",\n  ".join(json.dumps(item, ensure_ascii=False, allow_nan=False) for item in items)
        text += f',\n "{key}": ' + (f"[\n  {lines}\n ]" if items else "[]")
    return f"{text}\n}}\n".encode()


def write(measurement: model.Measurement, path: str | os.PathLike[str]) -> None:
    """Write a measurement file as :func:`write_whole` does."""
    write_whole(path, to_json(measurement))


def _about(photo: model.SeenPhoto) -> dict[str, Any]:
    return {name: getattr(photo, name) for name in ("file", "sha256", "width_px", "height_px", "taken_at")}


def photo_dict(photo: model.SeenPhoto) -> dict[str, Any]:
    """A photo, its strips and its map in the file's form."""
    strips = {
        v.letter: {
            "sheet": v.sheet, "print_scale": v.print_scale, "ids": v.corner_ids.tolist(),
            "corners_px": v.corners_px.tolist(),
        } | ({"short": True} if v.short else {})
        for v in photo.strips
    }  # fmt: skip
    field: Any = None
    if photo.field is not None:
        field = msgspec.to_builtins(photo.field, enc_hook=lambda array: array.tolist())
        del field["size_px"]
        # It is symmetric: each row up to the diagonal.
        field["covariance"] = [row[: i + 1] for i, row in enumerate(field["covariance"])]
    out = _about(photo) | {"strips": strips, "field": field}
    if any(photo.frame):
        out["frame"] = list(photo.frame)
    if field is None and photo.told_ends_px:
        out["strip_ends_px"] = {letter: np.asarray(ends).tolist() for letter, ends in photo.told_ends_px.items()}
    return out


def sheet_of(m: model.Measurement) -> dict[str, Any] | None:
    """Which sheet each strip is of, the print scale, its U and where it comes from; None for a refusal."""
    scale = m.scale
    if scale is None:
        return None
    told = "check lines" if m.settings.print_scale_checked or not m.settings.sheets else "check lines of the sheet"
    told = told if scale.print_scale_checked else "taped distance" if m.by_tape else "assumed"
    return {
        "strips": dict.fromkeys(scale.strips) | {v.letter: v.sheet for v in m.photo.strips},
        "print_scale_along": scale.print_scale_along,
        "print_scale_across": scale.print_scale_across,
        "print_scale_u": scale.print_scale_u,
        "print_scale_along_u": scale.print_scale_along_u,
        "print_scale_from": told,
    }


def _stations(profile: model.GapProfile, step: model.Step | None) -> list[dict[str, Any]]:
    usable = np.isfinite(profile.s_mm) & np.isfinite(profile.gap_mm) & np.isfinite(profile.expanded_u_mm)
    usable &= np.isfinite(profile.edge_a_px).all(axis=1) & np.isfinite(profile.edge_b_px).all(axis=1)
    known = {}
    if step is not None and step.source != "assumed":
        known = plain_data({"step_mm": step.mean_mm, "step_u_mm": step.expanded_u_mm}, _DECIMALS_MM)
    own = {c: plain_data(getattr(profile, c)[usable], _DECIMALS_MM) for c in ("step_mm", "step_u_mm")}
    names = {c: FILE_NAMES.get(c, c) for c in COLUMNS}
    columns = {
        name: plain_data(getattr(profile, c)[usable], _DECIMALS_PX if c.endswith("_px") else _DECIMALS_MM)
        for c, name in names.items()
    }
    parts = plain_data({cause: part[usable] for cause, part in profile.parts_mm.items()}, _DECIMALS_MM)
    return [
        {name: values[i] for name, values in columns.items()}
        | known
        | {name: values[i] for name, values in own.items() if values[i] is not None}
        | {"parts_u_mm": {cause: values[i] for cause, values in parts.items()}}
        for i in range(usable.sum())
    ]


# --- reading ------------------------------------------------------------------------


def is_measurement(data: bytes) -> bool:
    """Whether a file's bytes are of a measured seam."""
    return any(f'"{schema}"'.encode() in data[:400] for schema in (SCHEMA, _FORMER_SCHEMA))


def read(path: str | os.PathLike[str]) -> model.Measurement:
    """Read a measurement file.

    Raises
    ------
    GapvisionError
        ``file-not-found``, ``file-not-permitted``, ``file-is-folder``; ``measurement-file-bad`` with what is wrong.
    """
    return from_json(read_file(path, int(MAX_MEASUREMENT_FILE_BYTES.value)), Path(path).name)


def from_json(data: bytes, name: str = "the file") -> model.Measurement:
    """Read a measurement from the bytes of its file; errors as :func:`read`."""
    if len(data) > MAX_MEASUREMENT_FILE_BYTES.value:
        raise _bad(name, "it is far too large")
    with suppress(GapvisionError, RecursionError, ValueError, ArithmeticError):  # what is wrong is told below
        file = _decoded(data)
        if file.schema == SCHEMA:
            return _made(file)
    content = read_json(data, f"'{name}'", "measurement-file-bad")
    if not isinstance(content, dict):
        raise _bad(name, "its content is not a set of named values")
    return _measurement(content, name)


def of_columns(head: bytes, columns: Mapping[str, Any]) -> model.Measurement:
    """Read a measurement from its file's JSON without stations, and these as columns.

    Parameters
    ----------
    head : bytes
        The JSON; its stations are empty.
    columns : mapping of str to ndarray
        By the stations' keys: (n,), of places (n, 2), ``parts_u_mm`` a dict of (n,); NaN for null.

    Raises
    ------
    ValueError, LookupError, GapvisionError
        It is no measurement of today's version, for a reason that :func:`from_json` tells.
    """
    file = _DECODER.decode(head)
    lengths = np.abs(np.concatenate([columns[key].ravel() for key in _LENGTHS])).max()
    numbers = columns.get("photo", columns["u_mm"])
    if file.schema != SCHEMA or not lengths <= _FARTHEST or columns["u_mm"].min() < 0 or not numbers.min() >= 0:
        raise ValueError("it is told by from_json")
    return _made(file, columns)


def from_dict(content: Any, name: str = "the file") -> model.Measurement:
    """Turn the file's form back into a measurement, checking every field that is used.

    Raises
    ------
    GapvisionError
        ``measurement-file-bad``.
    """
    try:
        # There and back: what JSON cannot hold, NaN among it, is told from what it can.
        data = msgspec.json.encode(content)
    except (TypeError, ValueError, OverflowError, RecursionError):
        raise _bad(name, "it holds what no JSON file can") from None
    return from_json(data, name)


# What stands in a file, key for key.  A file may hold more than this program knows.

# No photo is a million pixels wide, no seam a kilometre long; what is larger would only overflow where it is used.
_FARTHEST = 1e6
_Length = Annotated[float, msgspec.Meta(ge=-_FARTHEST, le=_FARTHEST)]
_Amount = Annotated[float, msgspec.Meta(ge=0, le=_FARTHEST)]
#: What every station has.
_LENGTHS = ("s_mm", "gap_mm", "u_mm", "edge_a_px", "edge_b_px", "edge_a_mm", "edge_b_mm")
_Point = tuple[_Length, _Length]
_Size = Annotated[int, msgspec.Meta(ge=1)]
_Number = Annotated[int, msgspec.Meta(ge=0, lt=2**31)]


class _Strip(Loose):
    ids: list[Annotated[int, msgspec.Meta(ge=0, lt=CORNERS_PER_STRIP)]]
    corners_px: list[_Point]
    print_scale: _Point | None = None
    sheet: _Number | None = None
    short: bool = False


class _Field(Loose):
    letters: tuple[str, ...]
    raised: tuple[str, ...]
    focal_source: str
    noise_px: float
    params: list[float]
    covariance: list[list[float]]
    print_scales: tuple[_Point, ...] = ()
    print_scale: _Point | None = None  # before strips were told apart: of all
    strain: float = 0.0


@lru_cache(maxsize=16)
def _lower(n: int) -> np.ndarray[Any, np.dtype[np.bool_]]:
    """Which places of a table stand up to its diagonal."""
    return np.tri(n, dtype=bool)


class PhotoRead(Loose):
    """A photo as a file tells of it."""

    file: str
    sha256: str
    width_px: _Size
    height_px: _Size
    taken_at: str | None = None
    strips: dict[str, _Strip] = msgspec.field(default_factory=dict)
    field: _Field | None = None
    strip_ends_px: dict[str, tuple[_Point, _Point]] = msgspec.field(default_factory=dict)
    frame: tuple[_Length, _Length, _Length] = (0.0, 0.0, 0.0)

    def seen(self) -> model.SeenPhoto:
        """The photo as it is kept; ValueError where the file contradicts itself."""
        f, field = self.field, None
        if wrong := (set(self.strips) | set(f.letters if f else ())) - set(STRIP_LETTERS):
            raise ValueError(f"strips: no strip has the letter {min(wrong)[:60]!r}")
        if f is not None:
            if [len(row) for row in f.covariance] != list(range(1, len(f.params) + 1)):
                raise ValueError("covariance: expected one row for each of the params, each up to the diagonal")
            lower = np.zeros((len(f.params), len(f.params)))
            lower[_lower(len(f.params))] = list(chain.from_iterable(f.covariance))
            size = (self.width_px, self.height_px)
            scales = f.print_scales or (f.print_scale or (1.0, 1.0),) * len(f.letters)
            field = f.to(model.FittedField, covariance=lower + np.tril(lower, -1).T, size_px=size, print_scales=scales)
        of_field = dict(zip(field.letters, field.print_scales, strict=True)) if field else {}
        strips = []
        for letter, strip in self.strips.items():
            ids, px = np.array(strip.ids, np.int64), _places(strip.corners_px)
            scale = strip.print_scale or of_field.get(letter, (1.0, 1.0))
            mm = corners_mm()[ids, :2] * scale
            seen = {"corner_ids": ids, "corners_px": px, "corners_mm": mm, "print_scale": scale}
            strips.append(strip.to(model.StripView, letter=letter, **seen))
        ends = {letter: np.array(pair) for letter, pair in self.strip_ends_px.items()}
        return self.to(model.SeenPhoto, strips=tuple(strips), field=field, told_ends_px=ends)


class _Notice(Loose):
    code: str
    message: str = ""
    advice: str = ""
    values: dict[str, Any] = msgspec.field(default_factory=dict)
    photos: tuple[str, ...] = ()

    def check(self) -> None:
        if self.code not in CODES:
            raise Refused(f"'{self.code[:60]}' is not known here.", path=".code")


class _Station(Loose):
    s_mm: _Length
    gap_mm: _Length
    u_mm: _Amount
    edge_a_px: _Point
    edge_b_px: _Point
    edge_a_mm: _Length
    edge_b_mm: _Length
    # Not in the contract of version 1; files of other writers may lack them.
    edge_a_u_mm: float | None = None
    edge_b_u_mm: float | None = None
    photo: _Number = 0
    parts_u_mm: dict[str, float | None] = msgspec.field(default_factory=dict)
    step_mm: float | None = None
    step_u_mm: float | None = None


class _Step(Loose, rename=FILE_NAMES):
    mean_mm: float
    expanded_u_mm: _Amount
    source: str = "strips"


class _Form(Loose, rename=FILE_NAMES):
    min_zone_mm: _Amount
    lsq_mm: _Amount
    expanded_u_mm: _Amount
    span_mm: float
    worst_100_mm: float | None = None
    worst_100_from_mm: float | None = None
    fairness_mm: float | None = None
    cutoff_mm: float | None = None
    bow_mm: float | None = None
    bow_u_mm: float | None = None
    local_mm: float | None = None
    local_s_mm: float | None = None


class _Course(Loose):
    s_mm: list[_Length]
    modes_mm: list[list[_Length]]


class _Closed(Loose):
    round_mm: _Length | None = None


class _Forms(Loose):
    edge_a: _Form | None = None
    edge_b: _Form | None = None


class _Edges(Loose):
    a: model.Edge | None = None
    b: model.Edge | None = None


class _File(Loose, kw_only=True):
    schema: str = ""
    status: Literal["ok", "warn", "refused"]
    warnings: tuple[_Notice, ...]
    notes: tuple[_Notice, ...] = ()
    photo: PhotoRead
    photos: tuple[PhotoRead, ...] = ()
    scale: model.ScaleInfo | None = None
    spacing_mm: Annotated[float, msgspec.Meta(gt=0, le=1e3)] | None = None
    stations: list[_Station]
    gap: model.GapSummary | None = None
    flush: _Step | None = None
    step: _Step | None = None
    straightness: _Forms | None = None
    course: _Course | None = None
    closed: _Closed | None = None
    edges: _Edges | None = None
    quality: model.SeamQuality | None = None
    seam_kind: str = "straight"
    gap_lit: str = "dark"
    edges_method: str = "rules"
    settings: model.Settings = model.Settings()
    coverage_factor: float = model.COVERAGE_FACTOR
    method_version: int = 0

    def check(self) -> None:
        if self.coverage_factor != model.COVERAGE_FACTOR:
            raise Refused(f"the factor {model.COVERAGE_FACTOR:g} is expected.", path=".coverage_factor")


_DECODER = msgspec.json.Decoder(_File)
_MOST_CAUSES = 40
_FIRST_STATION = re.compile(rb'"stations": ?\[\s*(\{[^{}]*\{[^{}]*\}[^{}]*\})')


def _decoded(data: bytes) -> _File:
    """Read a file whose stations all have the keys of its first one, as programs write them, faster than any other."""
    with suppress(ValueError, TypeError, LookupError):  # any other file is read as it stands
        if found := _FIRST_STATION.search(data):
            first = msgspec.json.decode(found[1], type=dict[str, Any])
            parts = msgspec.convert(first["parts_u_mm"], dict[str, float | None])
            if len(parts) < _MOST_CAUSES:
                return _decoder_of(tuple(first), tuple(parts)).decode(data)
    return _DECODER.decode(data)


@lru_cache(maxsize=32)
def _decoder_of(keys: tuple[str, ...], causes: tuple[str, ...]) -> msgspec.json.Decoder[_File]:
    kinds = get_type_hints(_Station, include_extras=True)
    lean: dict[str, Any] = {"gc": False, "forbid_unknown_fields": True}
    own = [f"part_{k}" for k in range(len(causes))]  # a cause is no name of Python's
    kinds["parts_u_mm"] = msgspec.defstruct(
        "_Parts", [(name, float | None) for name in own], rename=dict(zip(own, causes, strict=True)), **lean
    )
    others = [(f.name, kinds[f.name], f.default) for f in msgspec.structs.fields(_Station) if f.name not in keys]
    station: Any = msgspec.defstruct("_Lean", [*((key, kinds[key]) for key in keys), *others], **lean)
    file = msgspec.defstruct("_LeanFile", [("stations", list[station])], bases=(_File,), kw_only=True)
    return msgspec.json.Decoder(file)


def _measurement(content: dict[str, Any], name: str) -> model.Measurement:
    schema = content.get("schema")
    if schema == _FORMER_SCHEMA:
        content = _from_version_1(content, name)
    elif schema == EDGE_SCHEMA:
        raise GapvisionError("edge-has-no-gap", f"'{name}' holds one edge alone: there is no gap in it.")
    elif schema != SCHEMA:
        if isinstance(schema, str) and schema.startswith(SCHEMA.split("/")[0] + "/"):
            raise _bad(name, f"it was written by another version of gapvision ({schema[:60]})")
        raise _bad(name, "schema is missing" if schema is None else f"its schema is '{str(schema)[:60]}'")
    try:
        return _made(read_declared(_File, content, f"'{name}'", "measurement-file-bad"))
    except ValueError as error:  # from a type of the model
        raise _bad(name, str(error)) from None
    except GapvisionError as error:
        if error.code == "measurement-file-bad":
            raise
        raise _bad(name, f"its settings cannot be: {error.message}") from None


def _made(f: _File, columns: Mapping[str, Any] | None = None) -> model.Measurement:
    forms, edges, step = f.straightness or _Forms(), f.edges or _Edges(), f.step or f.flush
    return f.to(
        model.Measurement,
        notices=tuple(n.to(model.Notice) for n in (*f.warnings, *f.notes)),
        photos=tuple(p.seen() for p in f.photos or (f.photo,)),
        profile=None if f.status == "refused" else _profile(f, _columns(f.stations) if columns is None else columns),
        summary=f.gap,
        step_used=None if step is None else step.to(model.Step),
        straightness_a=None if forms.edge_a is None else forms.edge_a.to(model.Straightness),
        straightness_b=None if forms.edge_b is None else forms.edge_b.to(model.Straightness),
        edge_a=edges.a,
        edge_b=edges.b,
    )


def _columns(stations: Sequence[Any]) -> dict[str, Any]:
    """Each key's values: (n,), of places (n, 2), of parts a dict; NaN for null."""
    names = stations[0].__struct_fields__ if stations else _Station.__struct_fields__
    rows = zip(*map(astuple, stations), strict=True) if stations else [()] * len(names)
    told: dict[str, Any] = dict(zip(names, rows, strict=True))
    pairs = {e: np.fromiter(chain.from_iterable(told.pop(e)), float).reshape(-1, 2) for e in ("edge_a_px", "edge_b_px")}
    parts = _parts(told.pop("parts_u_mm"))
    return dict(zip(told, np.array(list(told.values()), float), strict=True)) | pairs | {"parts_u_mm": parts}


def _profile(f: _File, told: Mapping[str, Any]) -> model.GapProfile:
    spacing = 1.0 if f.spacing_mm is None else f.spacing_mm
    if len(told["s_mm"]) > 1 and np.median(np.abs(np.diff(told["s_mm"]))) < 0.5 * spacing:  # a hole would pass for none
        raise ValueError(f"spacing_mm: the stations do not lie {spacing:g} mm apart")
    names = list(COLUMNS)
    if len(f.photos or ()) > 1:  # one photo tells one step for the whole seam, and that stands in the file's head too
        names += ["step_mm", "step_u_mm"]
    columns = {c: told[key] for c in names if (key := FILE_NAMES.get(c, c)) in told}
    for name in set(names[: len(COLUMNS)]) - set(columns):
        columns[name] = np.full(len(told["s_mm"]), 0 if name == "photo" else np.nan)
    return model.GapProfile(
        **columns,
        parts_mm=dict(told.get("parts_u_mm", {})),
        spacing_mm=spacing,
        course=None if f.course is None else f.course.to(model.Course),
        own_line=f.closed is not None,
        round_mm=None if f.closed is None else f.closed.round_mm,
    )


def _parts(told: Sequence[Any]) -> dict[str, np.ndarray[Any, np.dtype[Any]]]:
    if not told or isinstance(told[0], dict):
        causes = {cause: None for parts in told for cause in parts}
        return {cause: np.array([parts.get(cause) for parts in told], float) for cause in causes}
    names = told[0].__struct_encode_fields__
    return dict(zip(names, np.array(list(map(astuple, told)), float).T, strict=True)) if names else {}


def _places(values: list[_Point]) -> np.ndarray[Any, np.dtype[Any]]:
    return np.array(values, float).reshape(-1, 2)


def _bad(name: str, why: str) -> GapvisionError:
    return GapvisionError("measurement-file-bad", f"'{name}' is not a gapvision measurement: {why.removesuffix('.')}.")


# --- version 1 ----------------------------------------------------------------------

_FORMER_CODES = {"flush-unknown": "step-unknown", "flush-contradicted": "step-contradicted"}
_FORMER_KEYS = {
    "std_u_mm": "parts_u_mm", "tilt_flush": "tilt_step", "flush_mm": "step_mm", "flush_u_mm": "step_u_mm",
    "flush_from": "step_from", "flush_used_mm": "step_used_mm", "flush_used_std_u_mm": "step_used_std_u_mm",
}  # fmt: skip
_FORMER_KINDS = {"cut": "cut", "hem": "rolled", "rolled": "rolled"}


def _from_version_1(content: dict[str, Any], name: str) -> dict[str, Any]:
    """The same in the form of version 2, as far as version 1 knew it; what is wrong with it is told afterwards."""
    new = {key: _renamed(value) for key, value in content.items()}
    for key in ("warnings", "notes"):
        for notice in new[key] if isinstance(new.get(key), list) else ():
            if isinstance(notice, dict):
                notice["code"] = _FORMER_CODES.get(str(notice.get("code")), notice.get("code"))
    if isinstance(settings := new.setdefault("settings", {}), dict):
        settings["left_out"] = new.get("left_out", [])
        settings |= {key: "rolled" for key in ("edge_a", "edge_b") if settings.get(key) == "hem"}
    if isinstance(photo := new.get("photo"), dict):
        new["photos"] = [photo | {"strip_ends_px": new.get("strip_ends_px", {})}]
    camera = new.get("camera") or {}
    if not isinstance(camera, dict):
        raise _bad(name, "camera is not a set of named values")
    new["edges"] = {edge: _former_edge(camera, edge) for edge in "ab"}
    new["quality"] = {f.name: camera.get(f.name) for f in fields(model.SeamQuality)} if camera else None
    std_u_mm = camera.get("step_used_std_u_mm")
    if not new.get("flush") and isinstance(std_u_mm, int | float):
        step = {"mean_mm": camera.get("step_used_mm"), "u_mm": model.COVERAGE_FACTOR * std_u_mm}
        new["step"] = step | {"source": camera.get("step_from")}
    return new


def _former_edge(camera: dict[str, Any], edge: str) -> dict[str, Any] | None:
    kind, depth, std, source = (camera.get(f"edge_{edge}{x}") for x in ("", "_depth_mm", "_depth_std_u_mm", "_from"))
    if depth is None:
        return None
    source = str(source)
    return {
        "kind": _FORMER_KINDS.get(str(kind), "other"), "depth_mm": depth, "depth_std_u_mm": std,
        "source": "stated" if source.startswith("stated") else "measured", "contradicted": "contradicted" in source,
    }  # fmt: skip


def _renamed(value: Any) -> Any:
    """A copy with today's names for the keys of version 1."""
    if isinstance(value, dict):
        return {_FORMER_KEYS.get(k, k): _renamed(v) for k, v in value.items()}
    return [_renamed(v) for v in value] if isinstance(value, list) else value
