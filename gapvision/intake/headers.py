"""What a picture file claims to be, read from its first bytes, before anything is decoded.

Size limits are checked here, so that a small file that claims a huge picture never reaches a decoder.  The file
name's extension plays no part.

Why the headings are not left to Pillow (looked at with 13.0; what is said here is tested): on opening it unpacks up
to 64 MB of a PNG's notes and all strips of a TIFF, takes the memory for a WebP's decoding, and warns where a file is
to be refused; it passes over the EXIF behind a PNG's picture, where some programs write it, and counts no passes of a
JPEG.  A JPEG's segments are wanted one by one for :mod:`~gapvision.intake.safe_copy` anyhow.  HEIC, whose boxes
nobody should read by hand, goes through pillow-heif.
"""

from __future__ import annotations

import io
import re
import struct
import zlib
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

from gapvision.errors import GapvisionError
from gapvision.intake.exif import TAG_ORIENTATION, ExifFields, read_directory, read_exif
from gapvision.limits import MAX_DECODED_BYTES, MAX_JPEG_SCANS, MAX_PHOTO_PIXELS
from gapvision.model import PhoneKey

_TIFF_WIDTH, _TIFF_HEIGHT, _TIFF_BITS, _TIFF_PHOTOMETRIC, _TIFF_SAMPLES = 256, 257, 258, 262, 277
_TIFF_STRIP_OFFSETS, _TIFF_STRIP_BYTES, _TIFF_TILE_OFFSETS, _TIFF_TILE_BYTES = 273, 279, 324, 325
_TIFF_TILE_WIDTH, _TIFF_TILE_HEIGHT = 322, 323
_TIFF_SAMPLE_FORMAT, _TIFF_DNG_VERSION, _TIFF_SUBFILE = 339, 50706, 254

_HEIC_BRANDS = (b"heic", b"heix", b"heim", b"heis", b"hevc", b"hevx", b"mif1", b"msf1")
_JPEG_MARKER = re.compile(rb"\xff[^\x00\x01\xd0-\xd8\xff]", re.DOTALL)  # of a segment: without those that stand alone

#: First bytes -> what it is, for files that are something else than a usable photo.
_OTHERS = (
    (b"%PDF", "a PDF"), (b"GIF8", "a GIF"), (b"BM", "a BMP"), (b"PK\x03\x04", "a zip archive"),
    (b"II+\x00", "a BigTIFF"), (b"MM\x00+", "a BigTIFF"), (b"IIU\x00", "a raw camera file"),
    (b"FUJIFILM", "a raw camera file"), (b"\xff\x0a", "a JPEG XL"), (b"\x1a\x45\xdf\xa3", "a film"),
    (b"<svg", "a drawing"), (b"<?xml", "a text file"), (b"{", "a text file"),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Header:
    """What the first bytes say."""

    kind: str  # jpeg, png, tiff, webp or heic
    width_px: int  # as stored, before orientation
    height_px: int
    channels: int  # 1, 2, 3 or 4, as decoded (a palette counts as 3 or 4)
    bits: int = 8  # per channel
    exif: ExifFields  # its orientation is still to be applied (1 where the decoder has done it)
    progressive: bool = False  # JPEG only: built in several passes
    photometric: int = -1  # TIFF only: 0, 1 grey, 2 RGB, 3 palette, 5 CMYK, 6 YCbCr

    @property
    def decoded_bytes(self) -> int:
        """Memory that a decoder needs; a progressive JPEG is held as two-byte coefficients."""
        wide = self.bits > 8 or self.progressive
        return self.width_px * self.height_px * self.channels * (2 if wide else 1)


def phone_of(data: bytes, name: str) -> PhoneKey:
    """Which phone, lens and picture size a photo is of, from its first bytes; errors as :func:`read_header`."""
    header = read_header(data, name)
    return PhoneKey.of(header.exif, (header.width_px, header.height_px))


def read_header(data: bytes, name: str) -> Header:
    """Find out what a picture file is, from all its bytes, and refuse what should not be decoded.

    Raises
    ------
    GapvisionError
        ``file-empty``, ``file-kind-unknown``, ``file-unreadable``, ``file-cut-off`` or ``file-too-large``.
    """
    if not data:
        raise GapvisionError("file-empty", f"'{name}' is empty.")
    reader = _reader_for(data, name)
    try:
        header = reader(data, name)
    except (struct.error, IndexError):
        raise GapvisionError("file-cut-off", f"'{name}' is cut off: even its heading is not complete.") from None
    _check_size(header, name)
    return header


def is_photo(data: bytes) -> bool:
    """Whether a file's first 256 bytes are those of a photo that can be opened."""
    try:
        return bool(_reader_for(data, ""))
    except (GapvisionError, struct.error):
        return False


def _reader_for(data: bytes, name: str) -> Callable[[bytes, str], Header]:
    if data[:3] == b"\xff\xd8\xff":
        return _read_jpeg
    if data[:8] == b"\x89PNG\r\n\x1a\n":
        return _read_png
    if data[:4] in (b"II*\x00", b"MM\x00*"):
        return _read_tiff
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return _read_webp
    if data[4:8] == b"ftyp":
        size = min(max(struct.unpack_from(">I", data)[0], 16), 256)
        if data[8:12] == b"avif":
            raise GapvisionError("file-kind-unknown", f"'{name}' is an AVIF picture, which gapvision does not open.")
        if any(data[i : i + 4] in _HEIC_BRANDS for i in (8, *range(16, size, 4))):
            return _read_heic
        raise GapvisionError("file-kind-unknown", f"'{name}' is a film, not a photo.")
    what = next((text for magic, text in _OTHERS if data.startswith(magic)), None)
    said = f"'{name}' is {what}, which gapvision does not open." if what else f"'{name}' is not a picture."
    raise GapvisionError("file-kind-unknown", said)


def _check_size(header: Header, name: str) -> None:
    width, height, most = header.width_px, header.height_px, MAX_PHOTO_PIXELS.value
    if width * height <= 0:
        raise _unreadable(name, "says that it has no pixels.")
    if width * height > most:
        said = f"'{name}' claims {width} x {height} pixels ({width * height / 1e6:.0f} megapixels)"
        raise GapvisionError("file-too-large", f"{said}; gapvision opens up to {most / 1e6:.0f}.")
    if header.decoded_bytes > MAX_DECODED_BYTES.value:
        said = f"'{name}' would take {header.decoded_bytes / 1e6:.0f} MB of memory when opened"
        advice = "Save it with 8 bits a colour, or in a smaller size, and try again."
        raise GapvisionError("file-too-large", f"{said}; gapvision allows {MAX_DECODED_BYTES.value / 1e6:.0f}.", advice)


def _unreadable(name: str, said: str, next_step: str = "") -> GapvisionError:
    return GapvisionError("file-unreadable", f"'{name}' {said}", next_step)


def cut_off(name: str, what: str = "the end of the picture") -> GapvisionError:
    """The refusal of a file of which a part is missing."""
    return GapvisionError("file-cut-off", f"'{name}' is cut off: {what} is missing.")


# --- JPEG ---------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Segment:
    """One marker segment of a JPEG file: marker byte, where it starts (at 0xFF) and ends, and its payload."""

    marker: int
    start: int
    end: int
    payload: bytes


def jpeg_segments(data: bytes) -> Iterator[Segment]:
    """Walk the marker segments, each without the coded data behind it; the last is the end mark (0xD9), if any."""
    at = 2
    while (match := _JPEG_MARKER.search(data, at)) is not None:
        marker, start, at = data[match.start() + 1], match.start(), match.end()
        if marker != 0xD9:
            if at + 2 > len(data):
                return
            at += struct.unpack_from(">H", data, at)[0]
        yield Segment(marker, start, at, data[start + 4 : at])
        if marker == 0xD9:
            return


def _read_jpeg(data: bytes, name: str) -> Header:
    frame, exif, scans = None, b"", 0
    for segment in jpeg_segments(data):
        if segment.marker == 0xDA:
            scans += 1
            if frame is None or frame.marker != 0xC2:
                break  # one pass: no need to walk through its data
        elif scans == 0 and 0xC0 <= segment.marker <= 0xCF and segment.marker not in (0xC4, 0xC8, 0xCC):
            frame = frame or segment
        elif scans == 0 and segment.marker == 0xE1 and segment.payload[:4] == b"Exif":
            exif = exif or segment.payload
    if scans == 0:
        raise IndexError("no picture before the end")
    if frame is None:
        raise _unreadable(name, "is a JPEG without a picture in it.")
    bits, height, width, channels = struct.unpack_from(">BHHB", frame.payload)
    if bits != 8 or channels not in (1, 3, 4) or frame.marker not in (0xC0, 0xC1, 0xC2):
        raise _unreadable(name, f"is a rare kind of JPEG ({bits} bits, {channels} channels).")
    if scans > MAX_JPEG_SCANS.value:
        raise _unreadable(name, "is built of far more passes than any camera writes.")
    passes = frame.marker == 0xC2
    return Header(
        kind="jpeg", width_px=width, height_px=height, channels=channels, exif=read_exif(exif), progressive=passes
    )


# --- PNG ----------------------------------------------------------------------------


def _read_png(data: bytes, name: str) -> Header:
    width, height, bits, colour = struct.unpack_from(">IIBB", data, 16)
    channels = {0: 1, 2: 3, 3: 3, 4: 4, 6: 4}.get(colour)
    if data[12:16] != b"IHDR" or channels is None or bits not in (1, 2, 4, 8, 16):
        raise _unreadable(name, "is a broken PNG.")
    exif, at, ended = b"", 8, False
    while at + 12 <= len(data) and not ended:
        size, tag = struct.unpack_from(">I4s", data, at)
        if tag in (b"IDAT", b"PLTE", b"IHDR") and at + 12 + size <= len(data):
            stated = struct.unpack_from(">I", data, at + 8 + size)[0]
            if zlib.crc32(memoryview(data)[at + 4 : at + 8 + size]) != stated:
                said = "is damaged: its picture cannot be decoded."
                raise _unreadable(name, said, "Copy the photo from the phone again.")
        if tag == b"eXIf":
            exif = data[at + 8 : at + 8 + size]
        if tag == b"tRNS":
            channels = 4
        ended = tag == b"IEND"
        at += 12 + size
    if not ended or at > len(data):
        raise cut_off(name)
    bits = max(bits, 8)
    return Header(kind="png", width_px=width, height_px=height, channels=channels, bits=bits, exif=read_exif(exif))


# --- WebP ---------------------------------------------------------------------------


def _read_webp(data: bytes, name: str) -> Header:
    size = struct.unpack_from("<I", data, 4)[0]
    if size + 8 > len(data):
        raise cut_off(name)
    tag = data[12:16]
    exif, width, height, channels = b"", 0, 0, 3
    if tag == b"VP8 ":
        width, height = (v & 0x3FFF for v in struct.unpack_from("<HH", data, 26))
    elif tag == b"VP8L":
        word = struct.unpack_from("<I", data, 21)[0]
        width, height = (word & 0x3FFF) + 1, (word >> 14 & 0x3FFF) + 1
        channels = 4 if word >> 28 & 1 else 3
    elif tag == b"VP8X":
        width, height = (1 + int.from_bytes(data[i : i + 3], "little") for i in (24, 27))
        channels = 4 if data[20] & 0x10 else 3
        if data[20] & 0x02:
            raise GapvisionError("file-kind-unknown", f"'{name}' is a moving WebP picture, not a photo.")
        at = 12
        while at + 8 <= size + 8:
            chunk, length = struct.unpack_from("<4sI", data, at)
            if chunk == b"EXIF":
                exif = data[at + 8 : at + 8 + length]
            if chunk in (b"VP8 ", b"VP8L"):  # the inner picture must not be larger than the canvas says
                alone = b"RIFF" + struct.pack("<I", length + 12) + b"WEBP" + data[at : at + 8 + length]
                inner = _read_webp(alone, name)
                if (inner.width_px, inner.height_px) != (width, height):
                    raise _unreadable(name, "is a broken WebP.")
            at += 8 + length + (length & 1)
    else:
        raise _unreadable(name, "is a broken WebP.")
    return Header(kind="webp", width_px=width, height_px=height, channels=channels, exif=read_exif(exif))


# --- TIFF ---------------------------------------------------------------------------


def _read_tiff(data: bytes, name: str) -> Header:
    fields = read_directory(data)

    def first(tag: int, otherwise: int) -> int:
        value = fields[tag].number() if tag in fields else None
        return otherwise if value is None else int(value)

    def places(strips: int, tiles: int) -> tuple[int, tuple[float, ...]]:
        field = fields.get(tiles if tiled else strips)
        return (field.count, field.values()) if field is not None and field.form[1:] in ("H", "I") else (0, ())

    if _TIFF_DNG_VERSION in fields or first(_TIFF_SUBFILE, 0) & 1:
        raise GapvisionError("file-kind-unknown", f"'{name}' is a raw camera file.", "Save it as JPEG and try again.")
    width, height = first(_TIFF_WIDTH, 0), first(_TIFF_HEIGHT, 0)
    bits, samples = first(_TIFF_BITS, 1), first(_TIFF_SAMPLES, 1)
    photometric = first(_TIFF_PHOTOMETRIC, -1)
    known = bits in (1, 2, 4, 8, 16) and 1 <= samples <= 5 and photometric in (0, 1, 2, 3, 5, 6)
    if not known or first(_TIFF_SAMPLE_FORMAT, 1) != 1:
        advice = "Save it as an 8-bit or 16-bit RGB or grey picture and try again."
        raise _unreadable(name, "is a kind of TIFF that gapvision does not read.", advice)
    header = Header(
        kind="tiff", width_px=width, height_px=height, channels=max(samples, 3) if photometric == 3 else samples,
        bits=max(bits, 8), exif=read_exif(data), photometric=photometric,
    )  # fmt: skip
    _check_size(header, name)  # before the tiles are compared with it
    tiled = _TIFF_TILE_OFFSETS in fields
    count, offsets = places(_TIFF_STRIP_OFFSETS, _TIFF_TILE_OFFSETS)
    lengths_count, lengths = places(_TIFF_STRIP_BYTES, _TIFF_TILE_BYTES)
    if not (offsets and lengths):
        raise cut_off(name, "its picture")
    # A decoder takes memory for every value of every field: more of them than the file holds, or more strips than the
    # picture has rows, are an attack.
    if sum(field.size for field in fields.values()) > len(data) or count > height * (width if tiled else 1) * samples:
        raise _unreadable(name, "is a broken TIFF.")
    if count != lengths_count or max(o + n for o, n in zip(offsets, lengths, strict=True)) > len(data):
        raise cut_off(name, "a part of the picture")
    # A tile may stick out over the picture's border, but not by much more than the picture itself.
    tile = first(_TIFF_TILE_WIDTH, 0) * first(_TIFF_TILE_HEIGHT, 0)
    if tiled and not 0 < tile <= 4 * width * height + 1024 * 1024:
        raise _unreadable(name, "is a broken TIFF.")
    return header


def neutral_tiff(data: bytes) -> bytes:
    """The same TIFF with its orientation field set to 1, so that no decoder turns the picture."""
    field = read_directory(data).get(TAG_ORIENTATION)
    if field is None or field.number() in (None, 1) or field.form[1] not in "HI":
        return data
    one = struct.pack(field.form, 1)
    return data[: field.at] + one + data[field.at + len(one) :]


# --- HEIC ---------------------------------------------------------------------------


def _read_heic(data: bytes, name: str) -> Header:
    import pillow_heif

    try:
        picture = pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False)
        width, height = picture.size
        mode, exif = picture.mode, picture.info.get("exif") or b""
    except (OSError, ValueError, RuntimeError, SyntaxError, EOFError):
        raise _unreadable(name, "is a broken or cut off HEIC picture.") from None
    channels, bits = {"L": 1, "LA": 2, "RGB": 3}.get(mode.split(";")[0], 4), 16 if ";16" in mode else 8
    told = replace(read_exif(exif), orientation=1)  # the container's own rotation counts, and the decoder applies it
    return Header(kind="heic", width_px=width, height_px=height, channels=channels, bits=bits, exif=told)
