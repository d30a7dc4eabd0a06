"""One edge alone as a file (``gapvision-edge/1``): what the template of a part is drawn from.

Numbers are rounded as in a measurement file; ``u_mm`` is an expanded uncertainty (k = 2), ``parts_u_mm`` standard ones.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Annotated, Any, Literal

import msgspec
import numpy as np

from gapvision import __version__, model, words
from gapvision.errors import GapvisionError
from gapvision.formats.atomic import write_whole
from gapvision.formats.declared import Loose, plain_data, read_declared, read_file, read_json
from gapvision.formats.measurement_json import EDGE_SCHEMA, PhotoRead, content_bytes, photo_dict
from gapvision.limits import MAX_MEASUREMENT_FILE_BYTES

_DECIMALS_MM, _DECIMALS_PX = 5, 3


def to_dict(measured: model.EdgeAlone) -> dict[str, Any]:
    """Put an edge, measured or refused, into the file's form."""
    m, p = measured, measured.profile
    notices = [(n.kind, words.notice_dict(n)) for n in m.notices]
    numbers = {
        "scale": m.scale,
        "edge": m.edge,
        "spacing_mm": None if p is None else p.spacing_mm,
        "round_mm": None if p is None else p.round_mm,
        "settings": m.settings,
        "coverage_factor": model.COVERAGE_FACTOR,
        "method_version": m.method_version,
        "written_by": f"gapvision {__version__}",
    }
    return {
        "schema": EDGE_SCHEMA,
        "status": m.status,
        "warnings": [n for kind, n in notices if kind != "note"],
        "notes": [n for kind, n in notices if kind == "note"],
        "photos": [photo_dict(m.photo)],
        "stations": [] if p is None else _stations(p),
        **plain_data(numbers, _DECIMALS_MM),
    }


def _stations(p: model.EdgeProfile) -> list[dict[str, Any]]:
    columns = {
        "s_mm": plain_data(p.s_mm, _DECIMALS_MM),
        "place_mm": plain_data(p.place_mm, _DECIMALS_MM),
        "outward": plain_data(p.outward, _DECIMALS_MM),
        "u_mm": plain_data(p.expanded_u_mm, _DECIMALS_MM),
        "edge_px": plain_data(p.edge_px, _DECIMALS_PX),
    }
    parts = plain_data(p.parts_mm, _DECIMALS_MM)
    return [
        {name: values[i] for name, values in columns.items()}
        | {"parts_u_mm": {cause: values[i] for cause, values in parts.items()}}
        for i in range(len(p.s_mm))
    ]


def write(measured: model.EdgeAlone, path: str | os.PathLike[str]) -> None:
    """Write the file as :func:`write_whole` does."""
    write_whole(path, content_bytes(to_dict(measured)))


_Length = Annotated[float, msgspec.Meta(ge=-1e5, le=1e5)]
_Share = Annotated[float, msgspec.Meta(ge=-1.001, le=1.001)]
_Pixel = Annotated[float, msgspec.Meta(ge=-1e6, le=1e6)]


class _Station(Loose):
    s_mm: _Length
    place_mm: tuple[_Length, _Length]
    outward: tuple[_Share, _Share]
    u_mm: Annotated[float, msgspec.Meta(ge=0, le=1e5)]
    edge_px: tuple[_Pixel, _Pixel]
    parts_u_mm: dict[str, float] = msgspec.field(default_factory=dict)


class _Notice(Loose):
    code: str
    message: str = ""
    advice: str = ""
    values: dict[str, Any] = msgspec.field(default_factory=dict)


class _File(Loose, kw_only=True):
    schema: str
    status: Literal["ok", "warn", "refused"]
    warnings: tuple[_Notice, ...]
    notes: tuple[_Notice, ...] = ()
    photos: tuple[PhotoRead, ...]
    scale: model.ScaleInfo | None = None
    stations: tuple[_Station, ...]
    edge: model.Edge | None = None
    spacing_mm: Annotated[float, msgspec.Meta(gt=0, le=1e3)] | None = None
    round_mm: Annotated[float, msgspec.Meta(gt=0, le=1e5)] | None = None
    settings: model.Settings = model.Settings()
    method_version: int = 0


def is_edge(data: bytes) -> bool:
    """Whether a file's bytes are of one edge alone."""
    return f'"{EDGE_SCHEMA}"'.encode() in data[:400]


def read(path: str | os.PathLike[str]) -> model.EdgeAlone:
    """Read the file of one edge alone.

    Raises
    ------
    GapvisionError
        ``file-not-found``, ``file-not-permitted``, ``file-is-folder``; ``measurement-file-bad`` with what is wrong.
    """
    return from_json(read_file(path, int(MAX_MEASUREMENT_FILE_BYTES.value)), Path(path).name)


def from_json(data: bytes, name: str = "the file") -> model.EdgeAlone:
    """Read one edge alone from the bytes of its file; errors as :func:`read`."""
    code, where = "measurement-file-bad", f"'{name}'"
    content = read_json(data, where, code)
    if not isinstance(content, dict) or content.get("schema") != EDGE_SCHEMA:
        raise GapvisionError(code, f"{where} holds no edge that gapvision measured.")
    f = read_declared(_File, content, where, code)
    try:
        return f.to(
            model.EdgeAlone,
            notices=tuple(n.to(model.Notice) for n in (*f.warnings, *f.notes)),
            photo=f.photos[0].seen(),
            profile=None if f.status == "refused" else _profile(f),
        )
    except (ValueError, IndexError, GapvisionError) as error:
        raise GapvisionError(code, f"{where} holds no edge that can be used: {error}.") from None


def _profile(f: _File) -> model.EdgeProfile:
    def column(name: str, *shape: int) -> model.FloatArray:
        return np.array([getattr(x, name) for x in f.stations], float).reshape(len(f.stations), *shape)

    causes = f.stations[0].parts_u_mm if f.stations else {}
    return model.EdgeProfile(
        s_mm=column("s_mm"),
        place_mm=column("place_mm", 2),
        outward=column("outward", 2),
        expanded_u_mm=column("u_mm"),
        edge_px=column("edge_px", 2),
        parts_mm={c: np.array([x.parts_u_mm.get(c, np.nan) for x in f.stations]) for c in causes},
        spacing_mm=f.spacing_mm or 1.0,
        round_mm=f.round_mm,
    )
