"""The store: one data folder with the database and the photos."""

from __future__ import annotations

import os
from collections.abc import Callable
from pathlib import Path
from types import TracebackType

from gapvision.errors import GapvisionError
from gapvision.records._exchange import ExchangePart
from gapvision.records.database import Database
from gapvision.records.photos import PhotoFolder

DATABASE_NAME = "records.sqlite"
PHOTO_FOLDER_NAME = "photos"

#: Called with (done, all) after each step of long work.
Progress = Callable[[int, int], object]


def data_folder(given: str | os.PathLike[str] | None = None) -> Path:
    """Return the data folder: the one given, else ``GAPVISION_DATA``, else the user's own.

    Parameters
    ----------
    given : path, optional
        What ``--data`` said.
    """
    named = given or os.environ.get("GAPVISION_DATA")
    if named:
        return Path(named).expanduser()
    from platformdirs import user_data_path  # late: only records need it

    return user_data_path("gapvision", appauthor=False)


class Store(ExchangePart):
    """Jobs and their evidence in one data folder.  Safe to use from several threads.

    Parameters
    ----------
    folder : Path
        Made if missing.

    Raises
    ------
    GapvisionError
        ``folder-not-writable``, ``records-newer``, ``records-damaged``.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, Store(Path(folder)) as store:
    ...     store.new_job(reference="17", car="two-seat roadster").reference
    '17'
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        try:
            folder.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise GapvisionError("folder-not-writable", f"The data folder {folder} cannot be made.") from error
        self.database = Database(folder / DATABASE_NAME)
        self.photos = PhotoFolder(folder / PHOTO_FOLDER_NAME)
        self.photos.sweep()

    def close(self) -> None:
        """Close the database; the object cannot be used afterwards."""
        self.database.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def check(self, progress: Progress | None = None) -> list[str]:
        """Check the database and every photo; return what is wrong, in words.

        Parameters
        ----------
        progress : callable, optional
            Called with (photos checked, photos in all).
        """
        wrong = self.database.problems()
        photos = self.database.rows("SELECT sha256, suffix FROM photos ORDER BY sha256")
        for number, row in enumerate(photos, 1):
            try:
                self.photos.read(row["sha256"], row["suffix"])
            except GapvisionError as error:
                wrong.append(error.message)
            if progress is not None:
                progress(number, len(photos))
        return wrong

    def backup(self, target: Path, progress: Progress | None = None) -> int:
        """Copy everything into another folder while the program runs.

        The copy is itself a data folder: open it with ``--data``.  A later
        backup into the same folder copies only the photos it lacks.

        Parameters
        ----------
        target : Path
            Not inside the data folder.

        Returns
        -------
        int
            How many photos were copied.

        Raises
        ------
        GapvisionError
            ``backup-target-bad``, ``stored-photo-missing``, ``stored-photo-changed``.
        """
        if target.resolve().is_relative_to(self.folder.resolve()):
            raise GapvisionError("backup-target-bad", "A backup inside the data folder would be lost with it.")
        try:
            target.mkdir(parents=True, exist_ok=True)
        except OSError as error:
            raise GapvisionError("folder-not-writable", f"{target} cannot be written.") from error
        self._refuse_other_records(target)
        copy_photos = PhotoFolder(target / PHOTO_FOLDER_NAME)
        # Photos first, then the database, then the photos that came meanwhile:
        # killed at any point, the database there has its photos.
        rows = self.database.rows("SELECT sha256, suffix FROM photos ORDER BY sha256")
        copied = 0
        for number, row in enumerate(rows, 1):
            if not copy_photos.path(row["sha256"], row["suffix"]).exists():
                copy_photos.keep(self.photos.read(row["sha256"], row["suffix"]), row["suffix"])
                copied += 1
            if progress is not None:
                progress(number, len(rows))
        part = target / (DATABASE_NAME + ".new")
        self.database.copy_to(part)
        late = Database(part)
        try:
            rows = late.rows("SELECT sha256, suffix FROM photos")
        finally:
            late.close()
        for row in rows:
            if not copy_photos.path(row["sha256"], row["suffix"]).exists():
                copy_photos.keep(self.photos.read(row["sha256"], row["suffix"]), row["suffix"])
                copied += 1
        for left in ("-wal", "-shm"):
            part.with_name(part.name + left).unlink(missing_ok=True)
            (target / (DATABASE_NAME + left)).unlink(missing_ok=True)
        part.replace(target / DATABASE_NAME)
        return copied

    def _refuse_other_records(self, target: Path) -> None:
        """Never write a backup over another shop's records."""
        there = target / DATABASE_NAME
        if not there.exists():
            return
        other = Database(there)
        try:
            theirs = other.row("SELECT value FROM settings WHERE key = 'records.uid'")
        finally:
            other.close()
        ours = self.database.row("SELECT value FROM settings WHERE key = 'records.uid'")
        if ours is None or theirs is None or ours["value"] != theirs["value"]:
            raise GapvisionError("backup-target-bad", f"{target} holds other records.")
