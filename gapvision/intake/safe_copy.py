"""A copy of a photo that can be given away: no place, no names, no serial numbers.

The original is never touched.  A JPEG keeps its picture bit for bit, so that
measuring the copy gives the same numbers; other kinds are written as a JPEG of
high quality.  What a measurement needs (orientation, focal length, time) is
kept, everything else that is not picture is left behind: of a colour profile,
too, only what colours are computed from stays.
"""

from __future__ import annotations

import re
import struct
from dataclasses import replace

from gapvision.errors import GapvisionError
from gapvision.intake.decode import decode_rgb
from gapvision.intake.exif import write_exif
from gapvision.intake.headers import Header, cut_off, jpeg_segments, read_header
from gapvision.intake.photo import Source, read_bytes

_QUALITY = 95

#: Segments that a decoder needs (ITU-T T.81): frame, Huffman tables, quantisation tables, restart interval.
_NEEDED = (0xC0, 0xC1, 0xC2, 0xC4, 0xDB, 0xDD)
_SCAN, _END = 0xDA, 0xD9
#: Tags of an ICC profile that colours are computed from (ICC.1:2022, clause 9): matrix, curves, white, tables, code
#: points.  The others are texts, names of devices, dates, and what a maker keeps for himself.
_COLOUR_TAGS = frozenset(
    b"rXYZ gXYZ bXYZ rTRC gTRC bTRC kTRC wtpt bkpt chad cicp A2B0 A2B1 A2B2 B2A0 B2A1 B2A2 D2B0 D2B1 D2B2 D2B3 B2D0 "
    b"B2D1 B2D2 B2D3".split()
)
#: Bytes of its header that say who made it, when and for which device (ICC.1:2022, 7.2): those become zero.
_PRIVATE_HEAD = ((4, 8), (24, 36), (40, 44), (48, 64), (80, 128))
_ICC = b"ICC_PROFILE\x00"
_ICC_PIECE = 65_519  # what fits into one segment
_MOST_TAGS = 100  # the largest real profiles have some 30

#: Two numbers with three decimals and more, or with points of the compass, as cameras and map programs write a place.
_PLACE = re.compile(
    r"(?<![\d.])-?(\d{1,2}\.\d{3,}) ?[°]? ?([NS]?)[ _,;]{1,2}-?(\d{1,3}\.\d{3,}) ?[°]? ?([EW]?)(?!\d|\.\d)",
    re.IGNORECASE,
)


def safe_copy(source: Source, file_name: str | None = None) -> bytes:
    """A copy of a photo without location and other private data; arguments and errors as ``read_photo``.

    Of a JPEG it has the same picture data; of any other kind it is an upright 8-bit JPEG.
    """
    data, name = read_bytes(source, file_name)
    header = read_header(data, name)
    return (_strip_jpeg if header.kind == "jpeg" else _as_jpeg)(data, header, name)


def place_in_name(file_name: str) -> str:
    """What looks like a place on the map in a file's name, empty for none: a name goes along with a copy."""
    for found in _PLACE.finditer(file_name):
        north, compass = found[1], found[2] and found[4]
        # A pair of gaps has three decimals; a place on the map needs four to name a street.
        fine = min(len(part.split(".")[1]) for part in (north, found[3])) >= 4
        if float(north) <= 90 and float(found[3]) <= 180 and (compass or fine):
            return found[0].strip(" _,;")
    return ""


def _strip_jpeg(data: bytes, header: Header, name: str) -> bytes:
    """The same scans with only the segments that a decoder needs; what lies behind the picture is dropped."""
    first, adobe, profile, kept = b"", b"", list[bytes](), list[bytes]()
    scan = -1  # where the scan begins whose coded data goes on up to the next segment
    for segment in jpeg_segments(data):
        marker, payload = segment.marker, segment.payload
        if scan >= 0:
            kept.append(data[scan : segment.start])
        scan = segment.start if marker == _SCAN else -1
        if marker in _NEEDED:
            kept.append(data[segment.start : segment.end])
        elif marker == 0xE0 and payload.startswith(b"JFIF\x00"):
            first = first or _segment(0xE0, payload[:12].ljust(14, b"\x00"))  # without its small picture
        elif marker == 0xE2 and payload.startswith(_ICC):
            profile.append(payload[len(_ICC) :])
        elif marker == 0xEE and payload.startswith(b"Adobe") and len(payload) >= 12:
            adobe = _segment(0xEE, b"Adobe\x00\x64" + bytes(4) + payload[11:12])  # the last one counts for a decoder
        elif marker == _END:
            colours = _icc_segments(profile)
            return b"".join([b"\xff\xd8", first, _exif_segment(header), colours, adobe, *kept, b"\xff\xd9"])
    raise cut_off(name)


def _icc_segments(pieces: list[bytes]) -> bytes:
    """A colour profile from a JPEG's segments, each behind its number and their count, cleaned, as segments again."""
    pieces = [p for p in pieces if len(p) > 2]
    ordered = sorted(pieces, key=lambda p: p[0])
    if [p[0] for p in ordered] != list(range(1, len(ordered) + 1)):
        return b""
    clean = _plain_profile(b"".join(p[2:] for p in ordered))
    parts = [clean[k : k + _ICC_PIECE] for k in range(0, len(clean), _ICC_PIECE)]
    return b"".join(_segment(0xE2, _ICC + bytes([k, len(parts)]) + part) for k, part in enumerate(parts, 1))


def _plain_profile(profile: bytes) -> bytes:
    """The same colours, and nothing else; empty when it is no profile (ICC.1:2022, clause 7)."""
    if len(profile) < 132 or profile[36:40] != b"acsp":
        return b""
    head, count = bytearray(profile[:128]), int.from_bytes(profile[128:132], "big")
    if count > _MOST_TAGS or 132 + 12 * count > len(profile):
        return b""
    for start, stop in _PRIVATE_HEAD:
        head[start:stop] = bytes(stop - start)
    head[24:36] = struct.pack(">6H", 2000, 1, 1, 0, 0, 0)  # a day must stand there
    # A text for people and a word on rights must be there; they say nothing.
    tags = {b"desc": _text(head, "RGB colours"), b"cprt": _text(head, "none", described=False)}
    for k in range(count):
        tag, at, size = struct.unpack_from(">4sII", profile, 132 + 12 * k)
        if tag in _COLOUR_TAGS and at + size <= len(profile):
            tags[tag] = _trimmed(profile[at : at + size])
    table, body, places = b"", b"", dict[bytes, int]()
    for tag, told in tags.items():
        if told not in places:  # the three curves are often one
            places[told] = 132 + 12 * len(tags) + len(body)
            body += told + bytes(-len(told) % 4)
        table += struct.pack(">4sII", tag, places[told], len(told))
    size = 132 + len(table) + len(body)
    return size.to_bytes(4, "big") + bytes(head[4:]) + len(tags).to_bytes(4, "big") + table + body


def _trimmed(told: bytes) -> bytes:
    """A tag without what lies behind its values (ICC.1:2022, clause 10); tables of colours are left as they are."""
    kind, count = told[:4], int.from_bytes(told[8:12], "big")
    curve = {0: 1, 1: 3, 2: 4, 3: 5, 4: 7}.get(int.from_bytes(told[8:10], "big"), 0)
    sizes = {b"XYZ ": 20, b"sf32": 44, b"cicp": 12, b"curv": 12 + 2 * count, b"para": 12 + 4 * curve}
    return kind + bytes(4) + told[8 : sizes.get(kind, len(told))]


def _text(head: bytearray, text: str, *, described: bool = True) -> bytes:
    """A text as a profile of that version wants it."""
    if head[8] >= 4:
        wide = text.encode("utf-16-be")
        return b"mluc" + bytes(4) + struct.pack(">II4sII", 1, 12, b"enUS", len(wide), 28) + wide
    if described:
        return b"desc" + struct.pack(">II", 0, len(text) + 1) + text.encode() + bytes(1 + 78)
    return b"text" + bytes(4) + text.encode() + b"\x00"


def _as_jpeg(data: bytes, header: Header, name: str) -> bytes:
    import cv2

    rgb = decode_rgb(data, header, name)
    done, coded = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    if not done:
        raise GapvisionError("file-too-large", f"'{name}' is too wide or too high for a JPEG copy.")
    plain = coded.tobytes()
    return plain[:2] + _exif_segment(header, upright=True) + plain[2:]


def _exif_segment(header: Header, upright: bool = False) -> bytes:
    return _segment(0xE1, write_exif(replace(header.exif, orientation=1) if upright else header.exif))


def _segment(marker: int, payload: bytes) -> bytes:
    return bytes([0xFF, marker]) + (len(payload) + 2).to_bytes(2, "big") + payload
