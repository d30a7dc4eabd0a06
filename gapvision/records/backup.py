"""The backup: dated generations of the database beside one folder of photos, and the way back.

``records.sqlite`` in the backup is a copy of its newest generation, so that the folder opens as a data folder.  Nothing
is replaced before the new copy was checked and opened once from a scratch folder, and unsound records go nowhere.
"""

from __future__ import annotations

import tempfile
from collections.abc import Iterable
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

from gapvision.errors import GapvisionError, require
from gapvision.formats.atomic import make_folder, not_written
from gapvision.formats.data_folder import RECORDS
from gapvision.records._common import now_utc
from gapvision.records.chain import Head
from gapvision.records.database import Database
from gapvision.records.photos import PhotoFolder
from gapvision.records.store import ALL_PHOTOS, PHOTO_FOLDER_NAME, Progress, Store

GENERATIONS = "generations"
#: How many of the newest generations stay; before them, the newest one of each month.
KEPT = 10


@dataclass(frozen=True, slots=True, kw_only=True)
class Backup:
    """What a backup, or the way back, did.

    Attributes
    ----------
    copied : int
        Photos copied.
    missing : tuple of str
        What is wrong with each photo that could not be copied.
    saved_at : str
        When the records in it were last saved; empty when not known.
    unsound : tuple of str
        Names of generations that were passed over.
    """

    copied: int
    missing: tuple[str, ...]
    saved_at: str
    unsound: tuple[str, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class _Generation:
    path: Path
    sound: bool
    uid: str = ""
    saves: int = -1
    saved_at: str = ""
    head: Head | None = None


def _look(path: Path) -> _Generation:
    """Read a database without touching it; what cannot be read, or does not add up, is not sound."""
    try:
        database = Database(path, still=True)
    except GapvisionError as error:
        if error.code != "records-damaged":  # of a newer gapvision, say: nothing may replace that
            raise
        return _Generation(path=path, sound=False)
    try:
        return _about(database, sound=not database.problems())
    except GapvisionError:
        return _Generation(path=path, sound=False)
    finally:
        database.close()


def _about(database: Database, *, sound: bool) -> _Generation:
    told = {r["key"]: r["value"] for r in database.rows("SELECT key, value FROM settings WHERE key LIKE 'records.%'")}
    return _Generation(
        path=database.path, sound=sound, uid=told.get("records.uid", ""), saves=int(told.get("records.saves", 0)),
        saved_at=told.get("records.saved_at", ""), head=database.head() if database.chained else None,
    )  # fmt: skip


def _generations(folder: Path) -> list[Path]:
    """Oldest first: their names are the times at which they were made."""
    return sorted((folder / GENERATIONS).glob("*.sqlite"))


def back_up(store: Store, target: Path, progress: Progress | None = None) -> Backup:
    """Copy everything into another folder, not inside the data folder, while the program runs.

    Photos that lie there are read and compared with their SHA-256; those that cannot be copied are listed.

    Raises
    ------
    GapvisionError
        ``records-damaged``; ``backup-target-bad`` when other records, or later ones, lie there.
    """
    outside = not target.resolve().is_relative_to(store.folder.resolve())
    require("backup-target-bad", outside, "A backup inside the data folder would be lost with it.")
    wrong = store.database.problems()
    require("records-damaged", not wrong, f"The records are damaged ({'; '.join(wrong[:1])}).")
    make_folder(target / GENERATIONS)
    there, own = target / RECORDS, _about(store.database, sound=True)
    found = [_look(there)] if there.exists() else []
    for path in reversed(_generations(target)):
        found.append(_look(path))
        if found[-1].sound:
            break
    known = [g for g in found if g.uid]
    require("backup-target-bad", not found or bool(known), f"{target} holds records that cannot be read.")
    require("backup-target-bad", all(g.uid == own.uid for g in known), f"{target} holds other records.")
    newest = max((g for g in known if g.sound), key=lambda g: g.saves, default=own)
    said = f"{target} holds these records as of {newest.saved_at}; the ones here are older, of {own.saved_at}."
    require("backup-target-bad", newest.saves <= own.saves, said)
    heads = [g.head for g in known if g.sound and g.head is not None]
    same = all(store.database.link(head.number) == head.link for head in heads)
    require("backup-target-bad", same, f"{target} holds these records with another past: one of the two was changed.")
    # Photos first, then the database, then the photos that came meanwhile:
    # killed at any point, the database there has its photos.
    photos = PhotoFolder(target / PHOTO_FOLDER_NAME)
    rows = [(r["sha256"], r["suffix"]) for r in store.database.rows(ALL_PHOTOS)]
    copied, missing = _copy_photos(rows, store.photos, photos, progress)
    new = target / GENERATIONS / f"{now_utc().replace(':', '-')}.sqlite"
    part = new.with_suffix(".new")
    try:
        store.database.copy_to(part)
        named = _prove(part, target)
        late, lost = _copy_photos([row for row in named if row not in set(rows)], store.photos, photos)
        part.replace(new)
    except OSError as error:
        raise not_written(target, error) from error
    finally:
        with suppress(OSError):  # a write-protected medium says so even of a file that is not there
            part.unlink(missing_ok=True)
    _put(new, there)
    _thin(target)
    if not missing and not lost:
        store.note_backup()
    return Backup(copied=copied + late, missing=(*missing, *lost), saved_at=own.saved_at)


def restore(folder: Path, target: Path, generation: str = "", progress: Progress | None = None) -> Backup:
    """Take a backup back into an empty folder, which is a data folder then.

    Parameters
    ----------
    generation : str
        How the generation's name begins, like ``2026-03-31``: the newest such one; left out, the newest sound one.

    Raises
    ------
    GapvisionError
        ``backup-target-bad``, ``backup-not-found``, and as a full or write-protected disk raises.
    """
    # Photos alone are what a restore left that was cut off: the records come last, so that they never lack theirs.
    empty = not target.exists() or (target.is_dir() and {p.name for p in target.iterdir()} <= {PHOTO_FOLDER_NAME})
    require("backup-target-bad", empty, f"'{target}' is not empty.", "Name a new folder with --data.")
    dated = _generations(folder)
    chosen = [p for p in dated if p.name.startswith(generation)]
    if not generation and (folder / RECORDS).exists():
        chosen.append(folder / RECORDS)
    found = [_look(p) for p in chosen]
    sound = sorted((g for g in found if g.sound), key=lambda g: g.saves)
    names = ", ".join(p.stem for p in dated) or "none"
    require("backup-not-found", bool(sound), f"'{folder}' holds no such sound generation (there are: {names}).")
    make_folder(target)
    chosen_one = Database(sound[-1].path, still=True)
    try:
        rows = [(r["sha256"], r["suffix"]) for r in chosen_one.rows(ALL_PHOTOS)]
    finally:
        chosen_one.close()
    there, here = PhotoFolder(folder / PHOTO_FOLDER_NAME), PhotoFolder(target / PHOTO_FOLDER_NAME)
    copied, missing = _copy_photos(rows, there, here, progress)
    _put(sound[-1].path, target / RECORDS)
    unsound = tuple(g.path.name for g in found if not g.sound)
    return Backup(copied=copied, missing=missing, saved_at=sound[-1].saved_at, unsound=unsound)


def _copy_photos(
    rows: Iterable[tuple[str, str]], source: PhotoFolder, target: PhotoFolder, progress: Progress | None = None
) -> tuple[int, tuple[str, ...]]:
    """Copy photos that another folder lacks, or no longer has as they were; how many, and what could not be copied."""
    copied, missing, rows = 0, list[str](), list(rows)
    for number, (sha256, suffix) in enumerate(rows, 1):
        if not target.holds(sha256, suffix):
            try:
                data = source.read(sha256, suffix)
            except GapvisionError as error:
                missing.append(error.message)
            else:
                target.keep(data, suffix)
                copied += 1
        if progress is not None:
            progress(number, len(rows))
    return copied, tuple(missing)


def _prove(part: Path, beside: Path) -> list[tuple[str, str]]:
    """Take a copy back into a scratch folder, check and list it there; return the photos that it names."""
    with tempfile.TemporaryDirectory(prefix=".scratch-", dir=beside) as scratch:
        _put(part, Path(scratch) / RECORDS)
        with Store(Path(scratch)) as store:
            wrong = store.database.problems()
            require("records-damaged", not wrong, "The copy of the records is not sound.")
            for line in store.jobs():
                store.job_lines(line.job.job_id)
            return [(r["sha256"], r["suffix"]) for r in store.database.rows(ALL_PHOTOS)]


def _put(source: Path, target: Path) -> None:
    """Copy a database over another one, whole or not at all."""
    database = Database(source, still=True)
    try:
        for end in ("-wal", "-shm"):  # they belong to the one that goes
            target.with_name(target.name + end).unlink(missing_ok=True)
        database.copy_to(target)
    except OSError as error:
        raise not_written(target, error) from error
    finally:
        database.close()


def _thin(target: Path) -> None:
    """Remove what is neither one of the newest generations nor the newest of its month."""
    older = _generations(target)[:-KEPT]
    monthly = {path.name[:7]: path for path in older}
    for path in set(older) - set(monthly.values()):
        path.unlink()
