"""Where the data folder is; apart from all that reads it, because every command asks and few need more."""

from __future__ import annotations

import os
from pathlib import Path

#: What is kept there for the shop and its jobs (see :mod:`gapvision.formats.settings_file`), and the records.
SETTINGS, RECORDS = "settings.toml", "records.sqlite"


def data_folder(given: str | os.PathLike[str] | None = None) -> Path:
    """The data folder: the one that ``--data`` gave, else ``GAPVISION_DATA``, else the user's own."""
    named = given or os.environ.get("GAPVISION_DATA")
    if named:
        return Path(named).expanduser()
    from platformdirs import user_data_path

    return user_data_path("gapvision", appauthor=False)
