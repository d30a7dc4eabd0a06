"""A copy of a photo that can be given away: no place, no names, no serial numbers.

The original is never touched.  A JPEG keeps its picture bit for bit, so that
measuring the copy gives the same numbers; other kinds are written as a JPEG of
high quality.  What a measurement needs (orientation, focal length, time) is
kept, everything else that is not picture is left behind.
"""

from __future__ import annotations

from dataclasses import replace

from gapvision.errors import GapvisionError
from gapvision.intake.decode import decode_rgb
from gapvision.intake.exif import write_exif
from gapvision.intake.headers import Header, cut_off, jpeg_segments, read_header
from gapvision.intake.photo import Source, read_bytes

_QUALITY = 95

#: Segments that decide how the picture looks: colour transform and profile.
_KEPT_APP = {0xE2: b"ICC_PROFILE\x00", 0xEE: b"Adobe"}


def safe_copy(source: Source, file_name: str | None = None) -> bytes:
    """A copy of a photo without location and other private data; arguments and errors as ``read_photo``.

    Of a JPEG it has the same picture data; of any other kind it is an upright 8-bit JPEG.
    """
    data, name = read_bytes(source, file_name)
    header = read_header(data, name)
    return (_strip_jpeg if header.kind == "jpeg" else _as_jpeg)(data, header, name)


def _strip_jpeg(data: bytes, header: Header, name: str) -> bytes:
    """The same scans with only the segments that a decoder needs; what lies behind the picture is dropped."""
    first, kept = b"", []
    at = -1  # where the part of the scans begins that is not kept yet
    for segment in jpeg_segments(data):
        if at < 0 and segment.marker != 0xDA:
            if segment.marker == 0xE0 and segment.payload.startswith(b"JFIF\x00") and not first:
                first = _segment(0xE0, segment.payload[:12].ljust(14, b"\x00"))  # without its small picture
            elif not _is_note(segment.marker) or segment.payload.startswith(_KEPT_APP.get(segment.marker, ())):
                kept.append(data[segment.start : segment.end])
        elif at < 0:
            at = segment.start
        elif _is_note(segment.marker):
            kept.append(data[at : segment.start])
            at = segment.end
        elif segment.marker == 0xD9:
            kept.append(data[at : segment.end])
            return b"".join([b"\xff\xd8", first, _exif_segment(header), *kept])
    raise cut_off(name)


def _is_note(marker: int) -> bool:
    """Application segments and comments: nothing that a decoder needs."""
    return 0xE0 <= marker <= 0xEF or marker == 0xFE


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
