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
from gapvision.intake.headers import Header, Segment, cut_off, jpeg_segments, read_header
from gapvision.intake.photo import Source, read_bytes

_QUALITY = 95

#: Segments that decide how the picture looks: colour transform and profile.
_KEPT_APP = {0xE2: b"ICC_PROFILE\x00", 0xEE: b"Adobe"}


def safe_copy(source: Source, file_name: str | None = None) -> bytes:
    """Make a copy of a photo without location and other private data.

    Parameters
    ----------
    source, file_name
        As for :func:`gapvision.intake.photo.read_photo`.

    Returns
    -------
    bytes
        A JPEG.  Of a JPEG source the same picture data; of any other kind an upright 8-bit copy.

    Raises
    ------
    GapvisionError
        As :func:`gapvision.intake.photo.read_photo`.
    """
    data, name = read_bytes(source, file_name)
    header = read_header(data, name)
    if header.kind == "jpeg":
        return _strip_jpeg(data, header, name)
    return _as_jpeg(data, header, name)


def _strip_jpeg(data: bytes, header: Header, name: str) -> bytes:
    """The same scans with only the segments that a decoder needs; what lies behind the picture is dropped."""
    first, kept = b"", []
    at = -1  # where the part of the scans begins that is not kept yet
    for segment in jpeg_segments(data):
        if at < 0 and segment.marker != 0xDA:
            if segment.marker == 0xE0 and segment.payload.startswith(b"JFIF\x00") and not first:
                first = _jfif_without_thumbnail(segment.payload)
            elif not _is_note(segment.marker) or _decides_looks(segment):
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


def _decides_looks(segment: Segment) -> bool:
    heading = _KEPT_APP.get(segment.marker)
    return heading is not None and segment.payload.startswith(heading)


def _jfif_without_thumbnail(payload: bytes) -> bytes:
    plain = payload[:12].ljust(12, b"\x00") + b"\x00\x00"
    return b"\xff\xe0" + (len(plain) + 2).to_bytes(2, "big") + plain


def _as_jpeg(data: bytes, header: Header, name: str) -> bytes:
    import cv2

    rgb = decode_rgb(data, header, name)
    done, coded = cv2.imencode(".jpg", cv2.cvtColor(rgb, cv2.COLOR_RGB2BGR), [cv2.IMWRITE_JPEG_QUALITY, _QUALITY])
    if not done:
        raise GapvisionError("file-too-large", f"'{name}' is too wide or too high for a JPEG copy.")
    plain = coded.tobytes()
    return plain[:2] + _exif_segment(header, upright=True) + plain[2:]


def _exif_segment(header: Header, upright: bool = False) -> bytes:
    payload = write_exif(replace(header.exif, orientation=1) if upright else header.exif)
    return b"\xff\xe1" + (len(payload) + 2).to_bytes(2, "big") + payload
