"""Bytes, a path or pixels in, an upright photo out; location data never gets past here.

>>> photo = read_photo("seam.jpg")  # doctest: +SKIP
"""

from __future__ import annotations

import hashlib
import os
import stat
from dataclasses import asdict
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.intake.decode import decode_photo, decode_rgb, from_rgb
from gapvision.intake.headers import is_photo, read_header
from gapvision.limits import MAX_PHOTO_BYTES, MAX_PHOTO_PIXELS
from gapvision.model import Photo

Source = str | os.PathLike[str] | bytes | bytearray | memoryview

#: File name endings to look for in a folder (what a file is, is decided by its bytes).
PHOTO_SUFFIXES = (".jpg", ".jpeg", ".jpe", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")


def read_photo(source: Source | NDArray[np.uint8], file_name: str | None = None) -> Photo:
    """Read a photo for measuring.

    Parameters
    ----------
    source : path, bytes, or ndarray, shape (H, W) or (H, W, 3), uint8
        JPEG, PNG, TIFF, WebP or HEIC; 8 or 16 bits.  The bytes decide, not the name's ending.  Or the pixels of an
        upright photo: grey, or red, green, blue, as stored in a file (sRGB, not linear light).
    file_name : str, optional
        Name for people; the path's own when left out.

    Returns
    -------
    Photo
        Grey and half-size colour, upright (EXIF orientation applied once), with focal length and time where the
        file has them.

    Raises
    ------
    GapvisionError
        ``file-not-found``, ``file-is-folder``, ``file-not-permitted``, ``file-empty``, ``file-too-large``,
        ``file-kind-unknown``, ``file-cut-off``, ``file-unreadable``.
    ValueError
        An array of another shape or type.

    Notes
    -----
    An array has no focal length and no time, and its SHA-256 is that of its pixels, row after row.

    Sizes are checked from the heading before anything is decoded.  A TIFF's further pages, a burst's
    further pictures and anything behind the first picture are left alone.  A HEIC's own rotation counts;
    the EXIF orientation inside it does not (so the container's standard has it).  Colours that cannot be
    decoded where the grey can are left out.
    """
    if isinstance(source, np.ndarray):
        return _from_pixels(source, _plain(file_name or "array"))
    data, name = read_bytes(source, file_name)
    header = read_header(data, name)
    grey, colour = decode_photo(data, header, name)
    found = asdict(header.exif)
    found["exif_orientation"] = found.pop("orientation")
    return Photo(grey=grey, colour=colour, file=name, sha256=hashlib.sha256(data).hexdigest(), **found)


def _from_pixels(pixels: NDArray[np.uint8], name: str) -> Photo:
    if pixels.dtype != np.uint8 or not (pixels.ndim == 2 or pixels.shape[2:] == (3,)) or pixels.size == 0:
        raise ValueError(f"source: expected (H, W) or (H, W, 3) uint8, got {pixels.shape} {pixels.dtype}")
    if pixels.shape[0] * pixels.shape[1] > MAX_PHOTO_PIXELS.value:
        raise GapvisionError("file-too-large", f"'{name}' has more than {MAX_PHOTO_PIXELS.value / 1e6:.0f} megapixels.")
    grey, colour = from_rgb(pixels)
    sha256 = hashlib.sha256(np.ascontiguousarray(pixels).data).hexdigest()
    return Photo(grey=grey, colour=colour, file=name, sha256=sha256)


def read_colour(source: Source, max_side_px: int | None = None, file_name: str | None = None) -> NDArray[np.uint8]:
    """Read a photo for looking at, previews and overlays: red, green, blue (H, W, 3), uint8, upright.

    Its longest side is at most ``max_side_px``; a smaller photo stays as it is.  A pixel ``p`` of the full photo lies
    at ``(p + 0.5) * factor - 0.5`` with factor = result width / photo width.  Errors as :func:`read_photo`.
    """
    if max_side_px is not None and max_side_px < 1:
        raise ValueError(f"max_side_px: expected 1 or more, got {max_side_px}")
    data, name = read_bytes(source, file_name)
    return decode_rgb(data, read_header(data, name), name, max_side_px)


def read_bytes(source: Source, file_name: str | None = None) -> tuple[bytes, str]:
    """The bytes of a file, and a name for people, after the checks that need no look inside.

    Raises
    ------
    GapvisionError
        ``file-not-found``, ``file-is-folder``, ``file-not-permitted``, ``file-unreadable``, ``file-too-large``.
    """
    if isinstance(source, bytes | bytearray | memoryview):
        name = _plain(file_name or "photo")
        _check_bytes(len(source), name)
        return bytes(source), name
    path = Path(source)
    name = _plain(file_name or path.name or str(source))
    if os.path.isdir(path):
        raise GapvisionError("file-is-folder", f"'{source}' is a folder, not a picture.")
    try:
        # Not blocking: a named pipe must not hang the program before it can be refused.
        handle = os.open(path, os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0))
    except (FileNotFoundError, NotADirectoryError):
        raise GapvisionError("file-not-found", f"'{source}' was not found.") from None
    except PermissionError:
        raise GapvisionError("file-not-permitted", f"'{source}' may not be read by this user.") from None
    except (OSError, ValueError):
        raise GapvisionError("file-not-found", f"'{_plain(str(source))[:200]}' is not the name of a file.") from None
    try:
        status = os.fstat(handle)
        if not stat.S_ISREG(status.st_mode):
            raise GapvisionError("file-unreadable", f"'{source}' is not a file with a picture in it.")
        _check_bytes(status.st_size, name)
        with os.fdopen(handle, "rb", closefd=False) as file:
            data = file.read(int(MAX_PHOTO_BYTES.value) + 1)
    except OSError:
        said = f"'{source}' could not be read from its disk."
        raise GapvisionError("file-unreadable", said, "Copy the photo from the phone again.") from None
    finally:
        os.close(handle)
    _check_bytes(len(data), name)
    return data, name


def find_photos(folder: str | os.PathLike[str]) -> list[Path]:
    """Photos in a folder by their name's ending, or by their bytes where the name has none; sorted.

    Sub-folders and hidden files are left out.

    Raises
    ------
    GapvisionError
        ``file-not-found`` if there is no such folder or no photo in it; ``file-not-permitted``.
    """
    path = Path(folder)
    try:
        found = [p for p in path.iterdir() if not p.name.startswith(".")]
        found = [p for p in found if p.suffix.lower() in PHOTO_SUFFIXES or (not p.suffix and _begins_as_photo(p))]
    except PermissionError:
        raise GapvisionError("file-not-permitted", f"'{folder}' may not be read by this user.") from None
    except OSError:
        raise GapvisionError("file-not-found", f"'{folder}' is not a folder.") from None
    photos = sorted(p for p in found if p.is_file())
    if not photos:
        raise GapvisionError("file-not-found", f"There is no photo in '{folder}'.")
    return photos


def _begins_as_photo(path: Path) -> bool:
    try:
        if not path.is_file():  # a pipe would hang
            return False
        with path.open("rb") as file:
            return is_photo(file.read(256))
    except OSError:
        return False


def _check_bytes(size: int, name: str) -> None:
    most = MAX_PHOTO_BYTES.value
    if size > most:
        said = f"'{name}' has {size / 1e6:.0f} MB; gapvision opens up to {most / 1e6:.0f}."
        raise GapvisionError("file-too-large", said)


def _plain(name: str) -> str:
    """A name that can be shown: last part only for uploads is the caller's job; no control characters."""
    return "".join(c if c.isprintable() else "?" for c in name)
