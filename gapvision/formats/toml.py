"""TOML files."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

from gapvision.errors import GapvisionError
from gapvision.formats.atomic import make_folder, write_whole
from gapvision.formats.declared import place, read_file

T = TypeVar("T")


def read_toml(path: str | os.PathLike[str]) -> dict[str, Any]:
    """Read a TOML file; errors as :func:`read_file`, and ``specification-unreadable`` with the line and column."""
    return toml_from_text(read_file(path), f"'{Path(path).name}'")


def read_each(folder: Path, read: Callable[[Path], T], code: str) -> tuple[T, ...]:
    """What a folder's TOML files hold, by file name; none where there is no folder.

    Raises
    ------
    GapvisionError
        ``code``, with the file and what is wrong in it.
    """
    try:
        files = sorted(folder.glob("*.toml"))
    except OSError:
        return ()
    out = []
    for path in files:
        try:
            out.append(read(path))
        except GapvisionError as error:
            if error.code == code:
                raise
            raise GapvisionError(code, f"'{path}' cannot be used. {error.message}") from None
    return tuple(out)


def write_toml(path: Path, table: dict[str, Any]) -> None:
    """Write a TOML file whole, and its folder where that is missing; errors as :mod:`gapvision.formats.atomic`."""
    import tomli_w

    make_folder(path.parent)
    write_whole(path, tomli_w.dumps(table).encode())


def toml_from_text(text: str | bytes, where: str) -> dict[str, Any]:
    """Read TOML that is no file; ``where`` is what a refusal (``specification-unreadable``) calls it."""
    where = place(where)
    try:
        return tomllib.loads(text if isinstance(text, str) else text.decode("utf-8-sig"))
    except UnicodeDecodeError:
        message = f"{where} is not a text file in UTF-8."
    except RecursionError:
        message = f"{where} nests tables too deep."
    except ValueError as error:  # a number of thousands of digits gives another ValueError than TOML's own
        message = f"{where} is not TOML: {error}."
    raise GapvisionError("specification-unreadable", message)
