"""Where results go: names chosen and looked at before anything is measured, so that nothing is ever overwritten.

A name that a person gives is used as it is, and refused when something lies there; in a folder the program chooses
the name, and a later result lies beside an earlier one as ``seam-2.json``.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Mapping
from pathlib import Path

from gapvision.errors import GapvisionError
from gapvision.formats.atomic import check_folder, check_whole, make_folder

#: Kind of output -> what it is called, the endings that its name may have (the usual one first), and how to say them.
ENDINGS: dict[str, tuple[str, tuple[str, ...], str]] = {
    "json": ("A result", (".json",), ".json"),
    "csv": ("A table", (".csv", ".xlsx", ".txt"), ".csv or .xlsx"),
    "plot": ("A plot", (".png", ".svg", ".pdf"), ".png, .svg or .pdf"),
    "overlay": ("A picture", (".jpg", ".jpeg", ".png"), ".png or .jpg"),
    "pdf": ("A document", (".pdf",), ".pdf"),
    "dxf": ("A drawing", (".dxf",), ".dxf"),
    "toml": ("A car file", (".toml",), ".toml"),
    "zip": ("An export", (".zip",), ".zip"),
}
#: What the program calls its pictures; a folder of photos may hold them, and they are none.
OWN_PICTURE = re.compile(r"\.(plot|marked)(-\d+)?\.(png|jpg)$", re.IGNORECASE)


def is_folder(given: str) -> bool:
    """Whether a name stands for a folder: one that is there, or one to be made."""
    return given.endswith(("/", os.sep)) or os.path.isdir(given)


def in_folders(places: Mapping[str, tuple[Path, str]], taken: set[str]) -> dict[str, Path]:
    """Names for the results of one photo, all with the first number that is free for each of them.

    Parameters
    ----------
    places : mapping
        Kind of output -> (name without its ending, ending).
    taken : set of str
        Names given out already; the new ones are added.
    """
    for number in range(1, 10_000):
        tail = "" if number == 1 else f"-{number}"
        found = {}
        for kind, (stem, end) in places.items():
            head, dot, last = end.rpartition(".")
            found[kind] = stem.with_name(f"{stem.name}{head}{tail}{dot}{last}")
        if not any(_key(path) in taken or os.path.lexists(path) for path in found.values()):
            taken |= {_key(path) for path in found.values()}
            return found
    raise GapvisionError("folder-not-writable", "There are too many results of one name.", "Give another folder.")


def outputs_of(
    given: Mapping[str, tuple[str, str | None, str]], inputs: Iterable[str | None] = ()
) -> dict[str, Path]:
    """Where the results of a command go, looked at before any work.

    Parameters
    ----------
    given : mapping
        Option -> (kind of output, the file or folder given, a name without ending for a folder); None: not wanted.
    inputs : iterable of str or None
        What the command reads.

    Raises
    ------
    GapvisionError
        As :func:`check_outputs`.
    """
    found, taken, folders = {}, set[str](), set[Path]()
    for option, (kind, name, default) in given.items():
        if name is None:
            continue
        path = Path(name)
        if is_folder(name):
            folders.add(path)
            path = in_folders({kind: (path / default, ENDINGS[kind][1][0])}, taken)[kind]
        found[option] = (kind, path)
    check_outputs(found, [x for x in inputs if x], folders)
    for folder in folders:
        make_folder(folder)
    return {option: path for option, (_, path) in found.items()}


def check_outputs(
    outputs: Mapping[str, tuple[str, Path]],
    inputs: Iterable[str | os.PathLike[str]],
    to_make: Iterable[Path] | None = None,
) -> None:
    """Refuse before any work what must not or cannot be written; leave nothing behind.

    Parameters
    ----------
    outputs : mapping
        Option -> (kind of output, where it goes).
    inputs : iterable of path
        What the command reads.
    to_make : iterable of path, optional
        Folders that will be made; all that are missing, when None.

    Raises
    ------
    GapvisionError
        ``output-taken``, ``value-out-of-range`` on an ending of another kind, ``folder-not-writable``, ``disk-full``.
    """
    read = {_key(Path(x)) for x in inputs}
    seen: dict[str, str] = {}
    for option, (kind, path) in outputs.items():
        key = _key(path)
        if key in read:
            raise GapvisionError("output-taken", f"{option} names '{path}', which is to be read.")
        what, endings, told = ENDINGS[kind]
        if path.suffix.lower() not in endings and (path.suffix or kind == "overlay"):
            message = f"{what} cannot be written as '{path.name}'."
            raise GapvisionError("value-out-of-range", message, f"End its name with {told}.")
        if key in seen:
            raise GapvisionError("output-taken", f"{seen[key]} and {option} name the same file '{path}'.")
        seen[key] = option
        check_folder(path.parent)
        if os.path.isdir(path.parent) or (to_make is not None and path.parent not in to_make):
            check_whole(path)
        if os.path.lexists(path):
            raise GapvisionError("output-taken", f"'{path}' is there already, and nothing is overwritten.")


def plain_name(text: str) -> str:
    """A name for people as part of a file's name."""
    return re.sub(r"[^\w.-]+", "_", text).strip("._") or "job"


def _key(path: Path) -> str:
    """One name for one file, also where small and capital letters are the same to the disk."""
    return os.path.realpath(path).casefold()
