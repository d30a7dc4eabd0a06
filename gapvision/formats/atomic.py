"""Write a file whole or not at all, so that a full disk never leaves half a result.

What takes long asks :func:`check_whole` or :func:`check_folder` first, so that nobody
waits for a result that has no place to go.
"""

from __future__ import annotations

import contextlib
import errno
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path
from typing import BinaryIO

from gapvision.errors import GapvisionError

#: How the name of a file that is being written begins; its process's number follows.
PART = ".part-"


def write_whole(path: str | os.PathLike[str], content: bytes) -> None:
    """Write bytes to a temporary file beside the target, then rename it over the target.

    Raises
    ------
    GapvisionError
        ``folder-not-writable``, ``disk-full``; whatever stood at ``path`` before is still there.
    """
    try:
        with whole_file(Path(path)) as file:
            file.write(content)
    except (OSError, ValueError) as error:
        raise not_written(path, error) from None


@contextlib.contextmanager
def whole_file(path: Path) -> Iterator[BinaryIO]:
    """A file to write that gets its name when it is whole; system's own errors: OSError, ValueError.

    Until then it has no name where the system can do that (Linux), so that nothing of it stays when the program is
    killed; elsewhere it lies beside the target, and what a killed program left of it goes with the next file there.
    """
    try:
        handle = os.open(path.parent, os.O_TMPFILE | os.O_WRONLY, 0o666)  # less what the user's mask takes
    except (OSError, AttributeError):
        with _named_part(path) as file:
            yield file
        return
    with os.fdopen(handle, "wb") as file:
        yield file
        file.flush()
        # The form with a folder follows the link; what it leads to has no other name.
        name, number = f"/proc/self/fd/{file.fileno()}", file.fileno()
        try:
            os.link(name, path, src_dir_fd=number)
        except FileExistsError:
            part = path.with_name(f"{PART}{os.getpid()}-{number}")
            os.link(name, part, src_dir_fd=number)
            try:
                os.replace(part, path)
            except BaseException:
                part.unlink(missing_ok=True)
                raise


@contextlib.contextmanager
def _named_part(path: Path) -> Iterator[BinaryIO]:
    for left in path.parent.glob(f"{PART}*"):
        number = left.name.removeprefix(PART).partition("-")[0]
        if number.isdigit() and not _runs(int(number)):
            with contextlib.suppress(OSError):  # in use after all
                left.unlink()
    handle, part = tempfile.mkstemp(prefix=f"{PART}{os.getpid()}-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            yield file
        os.chmod(part, 0o666 & ~_umask())  # a temporary file is private
        os.replace(part, path)
    except BaseException:
        Path(part).unlink(missing_ok=True)
        raise


def _runs(process: int) -> bool:
    """Whether a process is there; one of another user is, too."""
    if os.name == "nt":  # asking would end it there; and a file in use cannot be removed there
        return False
    try:
        os.kill(process, 0)
    except OSError as error:
        return error.errno != errno.ESRCH
    return True


def put_in_place(path: Path, content: bytes) -> None:
    """Write a file of the program's own store: its owner's alone, and on the disk when this returns, even after a power
    cut; with the system's own errors: OSError, ValueError.
    """
    handle, part = tempfile.mkstemp(prefix=f"{PART}{os.getpid()}-", dir=path.parent)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except BaseException:
        Path(part).unlink(missing_ok=True)
        raise
    with contextlib.suppress(OSError):  # not every system can make a rename last; then it is not needed
        folder = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)


def check_whole(path: str | os.PathLike[str]) -> None:
    """Refuse now, in the same words, what :func:`write_whole` would refuse there later; leave nothing behind."""
    target = Path(path)
    try:
        if target.is_dir():
            raise IsADirectoryError
        handle, part = tempfile.mkstemp(prefix=PART, dir=target.parent)
        os.close(handle)
        os.unlink(part)
    except (OSError, ValueError) as error:
        raise not_written(path, error) from None


def not_written(path: str | os.PathLike[str], error: OSError | ValueError) -> GapvisionError:
    """The refusal that follows from the system's error: ``folder-not-writable`` or ``disk-full``."""
    full = getattr(error, "errno", None) in (errno.ENOSPC, getattr(errno, "EDQUOT", errno.ENOSPC))
    said = f"The disk is full: '{path}' could not be written." if full else f"'{path}' could not be written."
    return GapvisionError("disk-full" if full else "folder-not-writable", said)


def check_folder(folder: Path) -> None:
    """Find out whether a folder is there or can be made, without making it; refused as :func:`make_folder` does."""
    above = folder
    while not above.exists() and above != above.parent:
        above = above.parent
    if not above.is_dir() or (above != folder and not os.access(above, os.W_OK | os.X_OK)):
        make_folder(folder)  # its error says why not


def make_folder(folder: Path) -> None:
    """Make a folder and those above it where they are missing; ``folder-not-writable`` says why it cannot be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        if error.errno == errno.ENOSPC:
            raise not_written(folder, error) from None
        said = f"The folder '{folder}' could not be made: {error.strerror}."
        raise GapvisionError("folder-not-writable", said) from None


def _umask() -> int:
    mask = os.umask(0o022)
    os.umask(mask)
    return mask
