"""Pixels out of checked bytes: grey and half-size colour for measuring, colour for looking.

Every decoder is told to leave the orientation alone; :func:`turn_upright` then
applies it once.  (OpenCV would apply it for some flags and formats and not for
others, and its TIFF reader always does: measured with 5.0.0.93.)
"""

from __future__ import annotations

import io
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.intake.headers import Header, neutral_tiff

Pixels = NDArray[Any]

# A broken file gets one sentence of ours; OpenCV's own complaints help nobody at a terminal.
cv2.utils.logging.setLogLevel(cv2.utils.logging.LOG_LEVEL_SILENT)

_SHRUNK = {8: cv2.IMREAD_REDUCED_COLOR_8, 4: cv2.IMREAD_REDUCED_COLOR_4, 2: cv2.IMREAD_REDUCED_COLOR_2}
#: What Pillow and pillow-heif raise on damaged pictures (their own classes derive from these).
_DECODE_ERRORS = (OSError, ValueError, SyntaxError, RuntimeError, EOFError, TypeError, KeyError, OverflowError)


def decode_photo(data: bytes, header: Header, name: str) -> tuple[Pixels, NDArray[np.uint8] | None]:
    """Luma as stored, and the colours at half size, both upright, of a file with the header that ``read_header`` gave.

    Returns
    -------
    grey : ndarray, shape (H, W), uint8 or uint16
        Luma.
    colour : ndarray, shape (ceil(H / 2), ceil(W / 2), 3), uint8, or None
        Blue, green, red, where :func:`half_size` puts them; None for a grey picture, and where only the colours
        cannot be had: the grey is what is measured on.

    Raises
    ------
    GapvisionError
        ``file-unreadable`` if the picture is damaged.
    """
    if header.kind == "jpeg" and header.channels in (1, 3):
        grey, colour = _decode_jpeg(data, header, name)
    else:
        grey, colour = _decode_other(data, header, name)
    # Turned only here, where a large 16-bit picture that both came from is no longer held.
    return turn_upright(grey, header.exif.orientation), colour


def from_rgb(pixels: NDArray[np.uint8]) -> tuple[Pixels, NDArray[np.uint8] | None]:
    """Luma and half-size colour, as :func:`decode_photo`, of an upright picture at hand: (H, W), or (H, W, 3) RGB."""
    if pixels.ndim == 2:
        return pixels.copy(), None
    return _to_grey(pixels, "RGB"), _half_bgr8(pixels, "RGB", 1)


def half_size(stored: Pixels) -> Pixels:
    """A picture (H, W) or (H, W, n), uint8 or uint16, at half size: means of two by two pixels.

    Pixel p of the full one lies at (p + 0.5) / 2 - 0.5; an odd size is filled up by its last row or column once more.
    """
    bottom, right = stored.shape[0] % 2, stored.shape[1] % 2
    if bottom or right:
        stored = cv2.copyMakeBorder(stored, 0, bottom, 0, right, cv2.BORDER_REPLICATE)
    return cv2.resize(stored, None, fx=0.5, fy=0.5, interpolation=cv2.INTER_AREA)


def decode_rgb(data: bytes, header: Header, name: str, max_side_px: int | None = None) -> NDArray[np.uint8]:
    """Colour for people: red, green, blue (H, W, 3), uint8, upright; shrunk to a longest side, never enlarged."""
    longest = max(header.width_px, header.height_px)
    if header.kind == "jpeg" and header.channels in (1, 3):
        # The decoder can halve for free; stay at or above the wanted size.
        shrunk = (f for n, f in _SHRUNK.items() if max_side_px is not None and -(-longest // n) >= max_side_px)
        flag = next(shrunk, cv2.IMREAD_COLOR)
        rgb = cv2.cvtColor(_opencv(data, flag, name), cv2.COLOR_BGR2RGB)
    else:
        rgb = _to_rgb8(*_decode_stored(data, header, name))
    if max_side_px is not None and max(rgb.shape[:2]) > max_side_px:
        scale = max_side_px / max(rgb.shape[:2])
        size = (max(1, round(rgb.shape[1] * scale)), max(1, round(rgb.shape[0] * scale)))
        rgb = cv2.resize(rgb, size, interpolation=cv2.INTER_AREA)
    return turn_upright(rgb, header.exif.orientation).astype(np.uint8, copy=False)


def turn_upright(stored: Pixels, orientation: int) -> Pixels:
    """Apply an EXIF orientation (1 to 8) to a stored picture; the result is contiguous."""
    return _TURNS[orientation](stored)


#: EXIF orientation -> how to turn.  OpenCV moves the pixels several times faster than numpy's strided copy.
_TURNS: dict[int, Callable[[Pixels], Pixels]] = {
    1: lambda stored: np.ascontiguousarray(stored),
    2: lambda stored: cv2.flip(stored, 1),
    3: lambda stored: cv2.rotate(stored, cv2.ROTATE_180),
    4: lambda stored: cv2.flip(stored, 0),
    5: cv2.transpose,
    6: lambda stored: cv2.rotate(stored, cv2.ROTATE_90_CLOCKWISE),
    7: lambda stored: cv2.flip(cv2.transpose(stored), -1),
    8: lambda stored: cv2.rotate(stored, cv2.ROTATE_90_COUNTERCLOCKWISE),
}


def _decode_jpeg(data: bytes, header: Header, name: str) -> tuple[Pixels, NDArray[np.uint8] | None]:
    """Grey, not turned, and upright half-size colour: two decodings, since the grey is to be the luma as stored."""

    def grey() -> Pixels:
        return _expect_size(_opencv(data, cv2.IMREAD_GRAYSCALE, name), header, name)

    if header.channels != 3:
        return grey(), None
    if header.progressive:  # one after the other: it is held whole while decoded, and twice would be too much
        return grey(), _or_none(_jpeg_half, data, header, name)
    # OpenCV lets go of Python's lock: on a second core the colours cost no time of their own.
    with ThreadPoolExecutor(1, "gapvision-colour") as beside:
        colour = beside.submit(_or_none, _jpeg_half, data, header, name)
        return grey(), colour.result()


def _jpeg_half(data: bytes, header: Header, name: str) -> Pixels:
    orientation = header.exif.orientation
    if orientation != 1 and (header.width_px % 2 or header.height_px % 2):
        # The decoder halves from the stored top left, the picture here from the upright one: not the same pairs.
        full = _opencv(data, cv2.IMREAD_COLOR, name)
        return _half_bgr8(_expect_size(full, header, name), "BGR", orientation)
    half = _opencv(data, cv2.IMREAD_REDUCED_COLOR_2, name)
    if half.shape[:2] != (-(-header.height_px // 2), -(-header.width_px // 2)):
        raise _damaged(name)
    return turn_upright(half, orientation)


def _decode_other(data: bytes, header: Header, name: str) -> tuple[Pixels, NDArray[np.uint8] | None]:
    """Grey, not turned, and upright half-size colour, out of one decoding."""
    stored, order = _decode_stored(data, header, name)
    _expect_size(stored, header, name)
    colour = None if stored.ndim == 2 else _or_none(_half_bgr8, stored, order, header.exif.orientation)
    return _to_grey(stored, order), colour


def _half_bgr8(stored: Pixels, order: str, orientation: int) -> Pixels:
    if stored.shape[0] % 2 or stored.shape[1] % 2:
        half = half_size(turn_upright(stored, orientation))  # the odd row out must be the upright picture's last
    else:
        half = turn_upright(half_size(stored), orientation)
    if half.dtype == np.uint16:
        half = cv2.convertScaleAbs(half, alpha=1 / 257)
    return half if order == "BGR" else cv2.cvtColor(half, cv2.COLOR_RGB2BGR)


def _or_none(decode: Callable[..., Pixels], *args: Any) -> Pixels | None:
    """What a decoding gives, or None: without its colours a photo is measured as a grey one."""
    try:
        return decode(*args)
    except (GapvisionError, cv2.error, MemoryError):
        return None


def _decode_stored(data: bytes, header: Header, name: str) -> tuple[Pixels, str]:
    """(H, W) or (H, W, 3), uint8 or uint16, on white, not turned; and the order of colours, RGB or BGR.

    The order is passed on instead of changed: a copy of a large 16-bit picture takes hundreds of megabytes.
    """
    if header.kind == "heic":
        return _over_white(_heic(data, name)), "RGB"
    if header.channels == 4 and header.kind == "jpeg":
        return _over_white(_pillow(data, "JPEG", name)), "RGB"
    # OpenCV would multiply the colours of an 8-bit TIFF by their alpha while reading (measured with 5.0.0.93).
    transparent8 = header.channels > 3 and header.bits == 8
    if header.kind == "tiff" and (header.photometric == 5 or header.channels == 2 or transparent8):
        if header.bits != 8:
            raise GapvisionError("file-unreadable", f"'{name}' is a kind of TIFF that gapvision does not read.",
                                 "Save it as an 8-bit RGB picture and try again.")  # fmt: skip
        return _over_white(_pillow(neutral_tiff(data), "TIFF", name)), "RGB"  # Pillow too would turn it
    stored = _opencv(neutral_tiff(data) if header.kind == "tiff" else data, cv2.IMREAD_UNCHANGED, name)
    return _over_white(stored), "BGR"


def _opencv(data: bytes, flags: int, name: str) -> Pixels:
    try:
        out = cv2.imdecode(np.frombuffer(data, np.uint8), flags | cv2.IMREAD_IGNORE_ORIENTATION)
    except cv2.error:
        out = None
    if out is None or out.dtype not in (np.uint8, np.uint16):
        raise _damaged(name)
    return out


def _pillow(data: bytes, kind: str, name: str) -> Pixels:
    from PIL import JpegImagePlugin, TiffImagePlugin

    # The plug-in's own class: Image.open would apply Pillow's pixel limit, a global that others may have set.
    opener = JpegImagePlugin.JpegImageFile if kind == "JPEG" else TiffImagePlugin.TiffImageFile
    try:
        with opener(io.BytesIO(data)) as picture:
            wanted = "RGBA" if picture.mode in ("LA", "PA", "La", "RGBA", "RGBa") else "RGB"
            return np.asarray(picture.convert(wanted))
    except _DECODE_ERRORS:
        raise _damaged(name) from None


def _heic(data: bytes, name: str) -> Pixels:
    import pillow_heif

    try:
        stored = np.asarray(pillow_heif.open_heif(io.BytesIO(data), convert_hdr_to_8bit=False))
    except _DECODE_ERRORS:
        raise _damaged(name) from None
    if stored.ndim == 3 and stored.shape[2] == 1:
        return stored[:, :, 0]
    if stored.ndim == 3 and stored.shape[2] == 2:
        return np.dstack([stored[:, :, :1]] * 3 + [stored[:, :, 1:]])
    return stored


def _over_white(stored: Pixels) -> Pixels:
    """Lay a picture with transparency on white paper, as viewers do."""
    if stored.ndim == 2 or stored.shape[2] == 3:
        return stored
    top = int(np.iinfo(stored.dtype).max)
    if int(stored[:, :, 3].min()) == top:
        return np.ascontiguousarray(stored[:, :, :3])
    out = np.empty((*stored.shape[:2], 3), stored.dtype)
    step = max(1, 4_000_000 // max(1, stored.shape[1]))  # in bands: the sums need wide numbers
    for at in range(0, stored.shape[0], step):
        band: NDArray[np.uint32] = stored[at : at + step].astype(np.uint32)  # 65535 squared still fits
        alpha = band[:, :, 3:]
        out[at : at + step] = (
            band[:, :, :3] * alpha + np.uint32(top) * (top - alpha) + np.uint32(top // 2)
        ) // np.uint32(top)
    return out


def _to_grey(stored: Pixels, order: str) -> Pixels:
    if stored.ndim == 2:
        return stored
    return cv2.cvtColor(stored, cv2.COLOR_RGB2GRAY if order == "RGB" else cv2.COLOR_BGR2GRAY)


def _to_rgb8(stored: Pixels, order: str) -> Pixels:
    if stored.dtype == np.uint16:
        stored = cv2.convertScaleAbs(stored, alpha=1 / 257)
    if stored.ndim == 2:
        return cv2.cvtColor(stored, cv2.COLOR_GRAY2RGB)
    return stored if order == "RGB" else cv2.cvtColor(stored, cv2.COLOR_BGR2RGB)


def _expect_size(stored: Pixels, header: Header, name: str) -> Pixels:
    if stored.shape[:2] != (header.height_px, header.width_px):
        raise _damaged(name)
    return stored


def _damaged(name: str) -> GapvisionError:
    return GapvisionError("file-unreadable", f"'{name}' is damaged or cut off: its picture cannot be decoded.")
