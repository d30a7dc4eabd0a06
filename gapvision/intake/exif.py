"""Read the few EXIF and TIFF fields that are needed, from bytes that nobody vouches for.

A TIFF file and an EXIF block have the same form: a byte order, and directories of numbered fields (TIFF 6.0; EXIF
2.3 names the tags).  This reader looks at directories it is pointed to, follows no chains, never reads outside the
bytes it was given, and unpacks a value only when it is asked for: a block of 70 kB can claim 50 million of them.

Why not Pillow: it unpacks all strips of a TIFF on opening (13.0: 390 MB of memory for a file of 56 MB), reads every
field's bytes, and says what is wrong in warnings instead of leaving the field out.  Pillow writes, where all is known.
"""

from __future__ import annotations

import math
import re
import struct
from dataclasses import dataclass, field, replace
from datetime import datetime

# Tag numbers of TIFF 6.0 and EXIF 2.3.
TAG_MAKE, TAG_MODEL, TAG_LENS = 271, 272, 42036
TAG_ORIENTATION = 274
TAG_SOFTWARE, TAG_DATE_TIME = 305, 306
TAG_EXIF_DIRECTORY = 34665
TAG_TIME_ORIGINAL = 36867
TAG_FOCAL_LENGTH = 37386
TAG_ZOOM, TAG_FOCAL_35MM = 41988, 41989

_MAX_VALUES = 65536  # of one field; a 120-megapixel TIFF has fewer strips
_MOST_ZOOM = 1000.0
_FOCAL_MM = (0.3, 3000.0)  # beyond any phone or system lens: not a focal length

#: Field type -> struct letters of one value; two for the halves of a fraction.
_TYPES = {1: "B", 2: "s", 3: "H", 4: "I", 5: "II", 6: "b", 7: "B", 8: "h", 9: "i", 10: "ii", 11: "f", 12: "d",
          13: "I", 16: "Q", 17: "q", 18: "Q"}  # fmt: skip


@dataclass(frozen=True, slots=True)
class Field:
    """One directory entry: where its values lie, and how many the file claims."""

    block: bytes = field(repr=False)
    form: str  # byte order and struct letters of one value
    at: int
    count: int

    @property
    def size(self) -> int:
        """How many bytes the file claims for its values."""
        return self.count * struct.calcsize(self.form)

    def values(self) -> tuple[float, ...]:
        """The numbers (fractions as floats, NaN where divided by nothing), at most 65536 of them; none of a text."""
        letters = self.form[1:]
        if letters == "s":
            return ()
        many = f"{self.form[0]}{len(letters) * min(self.count, _MAX_VALUES)}{letters[0]}"
        raw = struct.unpack_from(many, self.block, self.at)
        if len(letters) == 1:
            return raw
        return tuple(a / b if b else math.nan for a, b in zip(raw[::2], raw[1::2], strict=True))

    def number(self) -> float | None:
        """First value as a finite number, or None."""
        found = replace(self, count=min(self.count, 1)).values()
        return found[0] if found and math.isfinite(found[0]) else None

    def text(self) -> bytes:
        """The characters of a text field; nothing of any other."""
        return self.block[self.at : self.at + min(self.count, _MAX_VALUES)] if self.form[1] == "s" else b""


@dataclass(frozen=True, slots=True, kw_only=True)
class ExifFields:
    """What a measurement needs from EXIF; anything missing or absurd is None (orientation 1)."""

    orientation: int = 1
    focal_mm: float | None = None
    focal_35mm_mm: float | None = None
    taken_at: str | None = None
    camera: str = ""
    app: str = ""
    zoom: float = 1.0


def read_directory(block: bytes, offset: int | None = None) -> dict[int, Field]:
    """Read one directory of a TIFF block, which starts with the byte order mark: the first, or the one at ``offset``.

    Given are the fields whose values lie inside the block, none when there is no directory.
    """
    order = {b"II*\x00": "<", b"MM\x00*": ">"}.get(bytes(block[:4]))
    if order is None or len(block) < 8:
        return {}
    at = struct.unpack_from(order + "I", block, 4)[0] if offset is None else offset
    if at < 8 or at + 2 > len(block):
        return {}
    count = struct.unpack_from(order + "H", block, at)[0]
    fields: dict[int, Field] = {}
    for entry in range(at + 2, min(at + 2 + 12 * count, len(block) - 11), 12):
        tag, kind, n = struct.unpack_from(order + "HHI", block, entry)
        if kind not in _TYPES or tag in fields:
            continue
        form = order + _TYPES[kind]
        size = struct.calcsize(form)
        start = entry + 8 if n * size <= 4 else struct.unpack_from(order + "I", block, entry + 8)[0]
        if start + min(n, _MAX_VALUES) * size <= len(block):
            fields[tag] = Field(block, form, start, n)
    return fields


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
        camera=_plain(first.get(TAG_MAKE), first.get(TAG_MODEL), second.get(TAG_LENS)),
        app=_plain(first.get(TAG_SOFTWARE)),
        # 0 where none was used (EXIF 2.3, from memory).
        zoom=min(max(_number(second, TAG_ZOOM) or 1.0, 1.0), _MOST_ZOOM),
    )


def write_exif(fields: ExifFields) -> bytes:
    """A small EXIF block that holds these fields and nothing else, with its heading, as a JPEG segment wants it."""
    from PIL import Image, TiffImagePlugin

    block = Image.Exif()
    block[TAG_ORIENTATION] = fields.orientation
    camera = block.get_ifd(TAG_EXIF_DIRECTORY)
    if fields.taken_at:
        camera[TAG_TIME_ORIGINAL] = datetime.fromisoformat(fields.taken_at).strftime("%Y:%m:%d %H:%M:%S")
    if fields.focal_mm:
        camera[TAG_FOCAL_LENGTH] = TiffImagePlugin.IFDRational(round(fields.focal_mm * 10000), 10000)
    if fields.focal_35mm_mm:
        camera[TAG_FOCAL_35MM] = round(fields.focal_35mm_mm)
    return block.tobytes()


def _number(fields: dict[int, Field], tag: int) -> float | None:
    return fields[tag].number() if tag in fields else None


def _focal(value: float | None) -> float | None:
    return float(value) if value is not None and _FOCAL_MM[0] <= value <= _FOCAL_MM[1] else None


def _time(field: Field | None) -> str | None:
    match = re.match(rb"\d{4}:\d\d:\d\d \d\d:\d\d:\d\d", field.text()) if field else None
    try:
        return datetime.strptime(match[0].decode(), "%Y:%m:%d %H:%M:%S").isoformat() if match else None
    except ValueError:
        return None


def _plain(*fields: Field | None) -> str:
    """Short texts in one line of plain letters."""
    said = [field.text()[:80].partition(b"\0")[0].decode("ascii", "ignore") if field else "" for field in fields]
    plain = ("".join(c for c in text if c.isprintable()) for text in said)
    return " ".join(" ".join(plain).split())
