"""TOML files in and out."""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Any

from gapvision.errors import GapvisionError


def read_toml(path: str | Path) -> dict[str, Any]:
    """Read a TOML file.

    Raises
    ------
    GapvisionError
        ``file-not-found``, ``specification-unreadable`` with the parser's line and column.
    """
    try:
        text = Path(path).read_bytes().decode("utf-8-sig")
    except OSError:
        raise GapvisionError("file-not-found", f"'{path}' was not found or may not be read.") from None
    except UnicodeDecodeError:
        raise _unreadable(f"'{Path(path).name}' is not a text file in UTF-8.") from None
    return toml_from_text(text, f"'{Path(path).name}'")


def toml_from_text(text: str, where: str) -> dict[str, Any]:
    """Read TOML that is no file; ``where`` is what a refusal (``specification-unreadable``) calls it."""
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise _unreadable(f"{where} is not TOML: {error}.") from None


def _unreadable(message: str, next_step: str = "") -> GapvisionError:
    return GapvisionError("specification-unreadable", message[0].upper() + message[1:], next_step)
