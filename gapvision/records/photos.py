"""The folder of original photos: written once, never changed, named by their SHA-256."""

from __future__ import annotations

import hashlib
import os
import re
import tempfile
import time
from pathlib import Path

from gapvision.errors import GapvisionError

SUFFIXES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic", ".heif")
_HASH = re.compile(r"^[0-9a-f]{64}$")
#: A half-written file older than this belongs to nobody any more [s].
_ABANDONED_S = 3600.0


def is_hash(text: str) -> bool:
    """Tell whether a text is a SHA-256 in lower-case hex."""
    return _HASH.match(text) is not None


def write_file(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole, or not at all, even after a power cut.

    Parameters
    ----------
    path : Path
        Its folder is made if missing.
    data : bytes
        All of the file.
    """
    path.parent.mkdir(parents=True, exist_ok=True)
    handle, name = tempfile.mkstemp(prefix=".part-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        os.replace(name, path)
    except BaseException:
        Path(name).unlink(missing_ok=True)
        raise
    _sync_folder(path.parent)


def _sync_folder(folder: Path) -> None:
    """Make a rename last; not every system can, and then it is not needed."""
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    try:
        os.fsync(handle)
    except OSError:
        pass
    finally:
        os.close(handle)


class PhotoFolder:
    """Photos by their SHA-256, spread over 256 folders.

    Parameters
    ----------
    folder : Path
        Made when the first photo comes.
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder

    def path(self, sha256: str, suffix: str) -> Path:
        """Return where a photo is or would be."""
        if not is_hash(sha256) or suffix not in SUFFIXES:
            raise ValueError(f"expected a SHA-256 and one of {SUFFIXES}, got {sha256!r} and {suffix!r}")
        return self.folder / sha256[:2] / f"{sha256}{suffix}"

    def keep(self, data: bytes, suffix: str) -> str:
        """Store a photo unless it is there already; return its SHA-256.

        Parameters
        ----------
        data : bytes
            The photo's file, unchanged.
        suffix : str
            One of :data:`SUFFIXES`.
        """
        sha256 = hashlib.sha256(data).hexdigest()
        path = self.path(sha256, suffix)
        try:
            # A file of the right size was renamed into place whole, but one
            # that was damaged since is mended by the photo at hand.
            if not path.exists() or hashlib.sha256(path.read_bytes()).hexdigest() != sha256:
                write_file(path, data)
        except OSError as error:
            raise GapvisionError("folder-not-writable", f"The photo cannot be written to {self.folder}.") from error
        return sha256

    def read(self, sha256: str, suffix: str) -> bytes:
        """Return a photo's bytes after checking that they are the ones stored.

        Raises
        ------
        GapvisionError
            ``stored-photo-missing`` or ``stored-photo-changed``.
        """
        path = self.path(sha256, suffix)
        try:
            data = path.read_bytes()
        except OSError as error:
            raise GapvisionError("stored-photo-missing", f"The photo {path.name} is not in the data folder.") from error
        if hashlib.sha256(data).hexdigest() != sha256:
            raise GapvisionError("stored-photo-changed", f"The photo {path.name} is not the one that was stored.")
        return data

    def sweep(self) -> int:
        """Remove half-written files that a killed program left; return how many."""
        limit = time.time() - _ABANDONED_S
        found = 0
        for part in self.folder.glob("*/.part-*"):
            try:
                if part.stat().st_mtime < limit:
                    part.unlink()
                    found += 1
            except OSError:
                continue
        return found
