"""Where the data folder is; apart from all that reads it, because every command asks and few need more."""

from __future__ import annotations

import os
from pathlib import Path

#: What is kept there: for the shop and its jobs (:mod:`gapvision.formats.settings_file`), of sheets (``sheet_file``),
#: of phones (``study_file``), of films (``film_file``), and the records.
SETTINGS, FILMS, SHEETS, PHONES, RECORDS = "settings.toml", "films.toml", "sheets", "phones", "records.sqlite"


def data_folder(given: str | os.PathLike[str] | None = None) -> Path:
    """The data folder: the one that ``--data`` gave, else ``GAPVISION_DATA``, else the user's own."""
    named = given or os.environ.get("GAPVISION_DATA")
    if named:
        return Path(named).expanduser()
    from platformdirs import user_data_path

    return user_data_path("gapvision", appauthor=False)


def copy_told(source: Path, target: Path) -> None:
    """Copy what was told once into another data folder; a file that is damaged as it is."""
    from gapvision.formats.atomic import make_folder, write_whole
    from gapvision.formats.declared import read_file

    kept = [f for folder in (SHEETS, PHONES) for f in sorted((source / folder).glob("*.toml"))]
    for file in (source / SETTINGS, source / FILMS, *kept):
        if file.is_file():
            place = target / file.relative_to(source)
            make_folder(place.parent)
            write_whole(place, read_file(file))
