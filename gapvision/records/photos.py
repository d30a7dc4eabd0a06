"""The folder of original photos: written once, never changed, named by their SHA-256."""

from __future__ import annotations

import contextlib
import hashlib
import re
import time
from pathlib import Path

from gapvision.errors import GapvisionError, require
from gapvision.formats.atomic import not_written, put_in_place

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")
_HASH = re.compile(r"^[0-9a-f]{64}$")
#: A half-written file older than this belongs to nobody any more [s].
_ABANDONED_S = 3600.0


def is_hash(text: str) -> bool:
    """Tell whether a text is a SHA-256 in lower-case hex."""
    return _HASH.match(text) is not None


class PhotoFolder:
    """Photos by their SHA-256, spread over 256 folders, which are made when the first photo comes."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, sha256: str, suffix: str) -> Path:
        """Where a photo is or would be."""
        if not is_hash(sha256) or suffix not in SUFFIXES:
            raise ValueError(f"expected a SHA-256 and one of {SUFFIXES}, got {sha256!r} and {suffix!r}")
        return self.folder / sha256[:2] / f"{sha256}{suffix}"

    def keep(self, data: bytes, suffix: str) -> str:
        """Store a photo's file, unchanged, unless it is there already; return its SHA-256."""
        sha256 = hashlib.sha256(data).hexdigest()
        path = self.path(sha256, suffix)
        try:
            # A file was renamed into place whole, but one that was damaged
            # since is mended by the photo at hand.
            if not self.holds(sha256, suffix):
                path.parent.mkdir(parents=True, exist_ok=True)
                put_in_place(path, data)
        except OSError as error:
            raise not_written(path, error) from error
        return sha256

    def holds(self, sha256: str, suffix: str) -> bool:
        """Whether a photo is there as it was stored; it is read for that."""
        try:
            return bool(self.read(sha256, suffix))
        except GapvisionError:
            return False

    def read(self, sha256: str, suffix: str) -> bytes:
        """A photo's bytes, checked to be those stored: ``stored-photo-missing``, ``stored-photo-changed``."""
        path = self.path(sha256, suffix)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise GapvisionError("stored-photo-missing", f"The photo {path.name} is not in the data folder.") from error
        same = hashlib.sha256(data).hexdigest() == sha256
        require("stored-photo-changed", same, f"The photo {path.name} is not the one that was stored.")
        return data

    def sweep(self) -> None:
        """Remove half-written files that a killed program left."""
        limit = time.time() - _ABANDONED_S
        for part in self.folder.glob("*/.part-*"):
            with contextlib.suppress(OSError):
                if part.stat().st_mtime < limit:
                    part.unlink()
