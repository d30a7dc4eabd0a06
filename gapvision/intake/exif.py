"""Read the few EXIF and TIFF fields that are needed, from bytes that nobody vouches for.

A TIFF file and an EXIF block have the same form: a byte order, and directories
of numbered fields (TIFF 6.0; EXIF 2.3 names the tags).  This reader looks at
directories it is pointed to, follows no chains, and never reads outside the
bytes it was given, so a broken block costs nothing but its fields.
"""

from __future__ import annotations

import math
import re
import struct
from dataclasses import dataclass
from datetime import datetime

# Tag numbers of TIFF 6.0 and EXIF 2.3.
TAG_ORIENTATION = 274
TAG_DATE_TIME = 306
TAG_EXIF_DIRECTORY = 34665
TAG_TIME_ORIGINAL = 36867
TAG_FOCAL_LENGTH = 37386
TAG_FOCAL_35MM = 41989

_MAX_FIELDS = 1024  # of one directory; cameras write fewer than 100
_MAX_VALUES = 65536  # of one field; a 120-megapixel TIFF has fewer strips
_FOCAL_MM = (0.3, 3000.0)  # beyond any phone or system lens: not a focal length

#: Field type -> (bytes of one value, struct letter).
_TYPES = {
    1: (1, "B"), 2: (1, "s"), 3: (2, "H"), 4: (4, "I"), 5: (8, "II"), 6: (1, "b"), 7: (1, "B"),
    8: (2, "h"), 9: (4, "i"), 10: (8, "ii"), 11: (4, "f"), 12: (8, "d"),
}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Field:
    """One directory entry.

    Attributes
    ----------
    values : tuple
        Numbers (rationals as floats), or one bytes object for text.
    at : int
        Where the value itself lies in the block (for a field that fits in place).
    kind : int
        TIFF type number.
    count : int
        How many values the file claims.
    """

    values: tuple[float | int | bytes, ...]
    at: int
    kind: int
    count: int

    def number(self) -> float | None:
        """First value as a finite number, or None."""
        value = self.values[0] if self.values else None
        return None if value is None or isinstance(value, bytes) or not math.isfinite(value) else value


@dataclass(frozen=True, slots=True, kw_only=True)
class ExifFields:
    """What a measurement needs from EXIF; anything missing or absurd is None (orientation 1)."""

    orientation: int = 1
    focal_mm: float | None = None
    focal_35mm_mm: float | None = None
    taken_at: str | None = None


def byte_order(block: bytes) -> str | None:
    """``<`` or ``>`` for a TIFF block, None for anything else."""
    return {b"II*\x00": "<", b"MM\x00*": ">"}.get(bytes(block[:4]))


def read_directory(block: bytes, offset: int | None = None) -> dict[int, Field]:
    """Read one directory of a TIFF block.

    Parameters
    ----------
    block : bytes
        From the byte order mark on.
    offset : int, optional
        Where the directory starts; None for the first one.

    Returns
    -------
    dict of int to Field
        Fields whose values lie inside the block; empty when there is no directory.
    """
    order = byte_order(block)
    if order is None or len(block) < 8:
        return {}
    at = struct.unpack_from(order + "I", block, 4)[0] if offset is None else offset
    if at < 8 or at + 2 > len(block):
        return {}
    count = struct.unpack_from(order + "H", block, at)[0]
    fields: dict[int, Field] = {}
    for i in range(min(count, _MAX_FIELDS)):
        entry = at + 2 + 12 * i
        if entry + 12 > len(block):
            break
        tag, kind, n = struct.unpack_from(order + "HHI", block, entry)
        if kind not in _TYPES or tag in fields:
            continue
        size, letter = _TYPES[kind]
        start = entry + 8 if n * size <= 4 else struct.unpack_from(order + "I", block, entry + 8)[0]
        wanted = min(n, _MAX_VALUES)
        if start + wanted * size > len(block):
            continue
        fields[tag] = Field(_values(block, order, letter, start, wanted), start, kind, n)
    return fields


def _values(block: bytes, order: str, letter: str, start: int, count: int) -> tuple[float | int | bytes, ...]:
    if letter == "s":
        return (block[start : start + count],)
    raw = struct.unpack_from(f"{order}{len(letter) * count}{letter[0]}", block, start)
    if len(letter) == 1:
        return raw
    return tuple(a / b if b else math.nan for a, b in zip(raw[::2], raw[1::2], strict=True))


def read_exif(block: bytes) -> ExifFields:
    """Orientation, focal length and time from an EXIF block (with or without its ``Exif`` heading)."""
    if block[:6] in (b"Exif\x00\x00", b"Exif\x00\xff"):
        block = block[6:]
    first = read_directory(block)
    pointer = _number(first, TAG_EXIF_DIRECTORY)
    second = read_directory(block, int(pointer)) if pointer else {}
    orientation = _number(first, TAG_ORIENTATION)
    return ExifFields(
        orientation=int(orientation) if orientation is not None and orientation in range(1, 9) else 1,
        focal_mm=_focal(_number(second, TAG_FOCAL_LENGTH)),
        focal_35mm_mm=_focal(_number(second, TAG_FOCAL_35MM)),
        taken_at=_time(second.get(TAG_TIME_ORIGINAL)) or _time(first.get(TAG_DATE_TIME)),
    )


def write_exif(fields: ExifFields) -> bytes:
    """Build a small EXIF block that holds these fields and nothing else.

    Returns
    -------
    bytes
        Starting with the ``Exif`` heading, as a JPEG segment wants it.
    """
    first: list[tuple[int, int, int, bytes]] = [(TAG_ORIENTATION, 3, 1, struct.pack("<HH", fields.orientation, 0))]
    second: list[tuple[int, int, int, bytes]] = []
    if fields.taken_at:
        text = datetime.fromisoformat(fields.taken_at).strftime("%Y:%m:%d %H:%M:%S").encode() + b"\x00"
        second.append((TAG_TIME_ORIGINAL, 2, len(text), text))
    if fields.focal_mm:
        second.append((TAG_FOCAL_LENGTH, 5, 1, struct.pack("<II", round(fields.focal_mm * 10000), 10000)))
    if fields.focal_35mm_mm:
        second.append((TAG_FOCAL_35MM, 3, 1, struct.pack("<HH", min(round(fields.focal_35mm_mm), 65535), 0)))
    if second:
        first.append((TAG_EXIF_DIRECTORY, 4, 1, struct.pack("<I", 8 + 2 + 12 * 2 + 4)))
    block = b"II*\x00" + struct.pack("<I", 8) + _directory(first, 8)
    return b"Exif\x00\x00" + block + (_directory(second, len(block)) if second else b"")


def _directory(entries: list[tuple[int, int, int, bytes]], at: int) -> bytes:
    """One directory that starts ``at`` bytes into the block, its long values behind it."""
    head, tail = struct.pack("<H", len(entries)), b""
    behind = at + 2 + 12 * len(entries) + 4
    for tag, kind, count, value in entries:
        if len(value) <= 4:
            cell = value.ljust(4, b"\x00")
        else:
            cell = struct.pack("<I", behind + len(tail))
            tail += value + b"\x00" * (len(value) % 2)
        head += struct.pack("<HHI", tag, kind, count) + cell
    return head + struct.pack("<I", 0) + tail


def _number(fields: dict[int, Field], tag: int) -> float | None:
    field = fields.get(tag)
    return field.number() if field else None


def _focal(value: float | None) -> float | None:
    return float(value) if value is not None and _FOCAL_MM[0] <= value <= _FOCAL_MM[1] else None


def _time(field: Field | None) -> str | None:
    if field is None or not field.values or not isinstance(field.values[0], bytes):
        return None
    match = re.match(rb"(\d{4}):(\d\d):(\d\d) (\d\d):(\d\d):(\d\d)", field.values[0])
    if match is None:
        return None
    try:
        year, month, day, hour, minute, second = (int(g) for g in match.groups())
        return datetime(year, month, day, hour, minute, second).isoformat()
    except ValueError:
        return None
