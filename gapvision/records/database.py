"""One SQLite file, opened so that what was reported saved stays saved.

Write-ahead log with ``synchronous = FULL``: readers never wait for a writer,
and a committed save survives a killed program and a power cut.  Saves from
several phones or programs at once queue for the one writer's place.
"""

from __future__ import annotations

import os
import sqlite3
import threading
import time
import uuid
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from gapvision.errors import GapvisionError
from gapvision.records.migrations import STEPS, migrate, version_of

#: How long a save waits for its turn [s].
WAIT_S = 60.0


class Database:
    """A connection that may be used from several threads, one at a time.

    Parameters
    ----------
    path : Path
        The database file; made if missing, brought to the newest version if older.

    Raises
    ------
    GapvisionError
        ``records-newer``, ``records-damaged``, ``records-busy`` or ``folder-not-writable``.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._lock = threading.RLock()
        self._depth = 0
        with _in_words(path):
            if not path.exists():
                _make_new(path)
            self._db = sqlite3.connect(path, timeout=WAIT_S, isolation_level=None, check_same_thread=False)
            try:
                self._open()
            except BaseException:
                self._db.close()
                raise

    def _open(self) -> None:
        db = self._db
        db.row_factory = sqlite3.Row
        version = version_of(db)
        if version > len(STEPS):
            known = f"this gapvision knows versions up to {len(STEPS)}"
            raise GapvisionError("records-newer", f"The records are of version {version}; {known}.")
        for setting in ("synchronous = FULL", "foreign_keys = ON", "temp_store = MEMORY"):
            db.execute(f"PRAGMA {setting}")
        _turn_on_log(db)
        migrate(db, self._keep_copy)

    def _keep_copy(self, version: int) -> None:
        """Keep the database as it was before its shape changes."""
        target = self.path.with_name(f"{self.path.stem}-before-version-{version + 1}{self.path.suffix}")
        if not target.exists():
            self.copy_to(target)

    def close(self) -> None:
        """Close the file; the object cannot be used afterwards."""
        with self._lock:
            self._db.close()

    @contextmanager
    def saving(self) -> Iterator[sqlite3.Connection]:
        """Open a transaction: all of it is saved at the end, or nothing.

        A block inside another one joins it: when it fails alone, only its own
        changes are taken back; saved is saved only when the outermost ends.
        """
        with self._lock, _in_words(self.path):
            level = self._depth
            begin, keep, *undo = ("BEGIN IMMEDIATE", "COMMIT", "ROLLBACK")
            if level > 0:
                begin, keep, *undo = (f"{x} level_{level}" for x in ("SAVEPOINT", "RELEASE", "ROLLBACK TO", "RELEASE"))
            self._db.execute(begin)
            self._depth = level + 1
            try:
                yield self._db
                self._db.execute(keep)
            except BaseException:
                for statement in undo if self._db.in_transaction else ():
                    self._db.execute(statement)
                raise
            finally:
                self._depth = level

    def rows(self, sql: str, values: Sequence[Any] = ()) -> list[sqlite3.Row]:
        """Read rows."""
        with self._lock, _in_words(self.path):
            return self._db.execute(sql, values).fetchall()

    def row(self, sql: str, values: Sequence[Any] = ()) -> sqlite3.Row | None:
        """Read the first row, or None."""
        return next(iter(self.rows(sql, values)), None)

    def copy_to(self, target: Path) -> None:
        """Copy the database while it is in use (SQLite's online backup); ``target`` is replaced by the whole copy."""
        part = _part_beside(target)
        with _in_words(target):
            # An own reader, so that saves of this program go on meanwhile.
            reader = sqlite3.connect(self.path, timeout=WAIT_S)
            copy = sqlite3.connect(part)
            try:
                reader.backup(copy, pages=2000, sleep=0.01)
                copy.execute("PRAGMA journal_mode = DELETE")
            finally:
                copy.close()
                reader.close()
            part.replace(target)

    def problems(self) -> list[str]:
        """Ask SQLite whether the file is sound; an empty list is a sound one."""
        found = [str(r[0]) for r in self.rows("PRAGMA integrity_check") if r[0] != "ok"]
        found += [f"row {r[1]} of {r[0]} points at nothing" for r in self.rows("PRAGMA foreign_key_check")]
        return found


def _turn_on_log(db: sqlite3.Connection) -> None:
    """Switch to the write-ahead log where it is off: in a backup, or a copy made by hand.

    SQLite does not wait its turn for this one, so it is tried again while
    another program has the file open.
    """
    limit = time.monotonic() + WAIT_S
    while True:
        try:
            if db.execute("PRAGMA journal_mode").fetchone()[0] == "wal":
                return
            db.execute("PRAGMA journal_mode = WAL")
        except sqlite3.OperationalError as error:
            if "locked" not in str(error) or time.monotonic() > limit:
                raise
            time.sleep(0.02)


def _part_beside(target: Path) -> Path:
    """A name beside a file that no other program uses."""
    return target.with_name(f".part-{os.getpid()}-{uuid.uuid4().hex[:8]}-{target.name}")


def _make_new(path: Path) -> None:
    """Make an empty database whole beside its place, then put it there: the first of several programs wins."""
    part = _part_beside(path)
    try:
        db = sqlite3.connect(part, isolation_level=None)
        try:
            db.execute("PRAGMA journal_mode = WAL")  # kept in the file
            migrate(db)
        finally:
            db.close()
        try:
            os.link(part, path)
        except FileExistsError:
            return
        except OSError:  # a disk without hard links
            if not path.exists():
                os.rename(part, path)
    finally:
        for name in (part, *(part.with_name(part.name + end) for end in ("-wal", "-shm"))):
            name.unlink(missing_ok=True)


@contextmanager
def _in_words(path: Path) -> Iterator[None]:
    """Turn SQLite's faults into sentences."""
    try:
        yield
    except sqlite3.IntegrityError:
        raise
    except sqlite3.OperationalError as error:
        text = str(error).lower()
        if "locked" in text or "busy" in text:
            raise GapvisionError("records-busy") from error
        if any(word in text for word in ("readonly", "unable to open", "full", "i/o")):
            raise GapvisionError("folder-not-writable", f"The records in {path.parent} cannot be written.") from error
        raise
    except sqlite3.DatabaseError as error:
        raise GapvisionError("records-damaged", f"{path} is not a sound gapvision database.") from error
    except OSError as error:
        raise GapvisionError("folder-not-writable", f"{path.parent} cannot be written.") from error
