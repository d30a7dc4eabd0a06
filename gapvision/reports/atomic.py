"""Write a file whole or not at all, so that a full disk never leaves half a result."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from gapvision.errors import GapvisionError


def write_whole(path: str | os.PathLike[str], content: bytes) -> None:
    """Write bytes to a temporary file beside the target, then rename it over the target.

    Raises
    ------
    GapvisionError
        ``folder-not-writable``; whatever stood at ``path`` before is still there.
    """
    target = Path(path)
    temporary = None
    try:
        if target.is_dir():
            raise IsADirectoryError
        handle, temporary = tempfile.mkstemp(prefix=".gapvision-", dir=target.parent)
        with os.fdopen(handle, "wb") as file:
            file.write(content)
        os.chmod(temporary, 0o666 & ~_umask())  # a temporary file is private; the result follows the user's mask
        os.replace(temporary, target)
    except (OSError, ValueError):
        if temporary is not None:
            Path(temporary).unlink(missing_ok=True)
        raise GapvisionError("folder-not-writable", f"'{path}' could not be written.") from None


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
