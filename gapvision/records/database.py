"""One SQLite file, opened so that what was reported saved stays saved.

Write-ahead log with ``synchronous = FULL``: readers never wait for a writer,
and a committed save survives a killed program and a power cut.  Saves from
several phones or programs at once queue for the one writer's place.
"""

from __future__ import annotations

import hashlib
import os
import shutil
import sqlite3
import tempfile
import threading
import time
import uuid
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from typing import Any

from gapvision.errors import GapvisionError
from gapvision.formats.atomic import not_written
from gapvision.records.chain import ChainCheck, Head, head_of, keep_chain, link_at, look_through
from gapvision.records.migrations import STEPS, migrate, version_of

#: How long a save waits for its turn [s].
WAIT_S = 60.0
#: With less free space than this an error of the disk means that it is full [byte]: SQLite needs 32 kB to begin with.
_FULL_BYTES = 1_000_000
_NOW = "strftime('%Y-%m-%dT%H:%M:%fZ')"
#: Version of the shape from which on there is a chain.
_CHAINED = 3
_SAID_BEFORE = "records.unsound_before_chain"


class Database:
    """A connection that may be used from several threads, one at a time.

    Parameters
    ----------
    path : Path
        The database file; made if missing, brought to the newest version if older.  What lies on a full or
        write-protected disk is read from a copy in memory; every save is then refused.
    still : bool
        Read it so in any case: the file is not touched.

    Raises
    ------
    GapvisionError
        ``records-newer``, ``records-damaged``, ``records-busy``, ``disk-full`` or ``folder-not-writable``.
    """

    def __init__(self, path: Path, *, still: bool = False) -> None:
        self.path = path
        self._lock = threading.RLock()
        self._depth = 0
        self._refused = GapvisionError("folder-not-writable") if still else None
        #: Whether the file had its chain before it was opened here.
        self.chained = True
        try:
            with _in_words(path):
                if not still and not path.exists():
                    _make_new(path)
                self._open()
        except GapvisionError as error:
            if still or error.code not in ("folder-not-writable", "disk-full") or not path.exists():
                raise
            self._refused = error
            with _in_words(path):
                self._open()

    def _open(self) -> None:
        if self._refused:
            self._db = _in_memory(self.path)
        else:
            self._db = sqlite3.connect(self.path, timeout=WAIT_S, isolation_level=None, check_same_thread=False)
        try:
            self._set_up()
        except BaseException:
            self._db.close()
            raise

    def _set_up(self) -> None:
        db = self._db
        db.row_factory = sqlite3.Row
        version = version_of(db)
        if version > len(STEPS):
            known = f"this gapvision knows versions up to {len(STEPS)}"
            raise GapvisionError("records-newer", f"The records are of version {version}; {known}.")
        for setting in ("synchronous = FULL", "foreign_keys = ON", "temp_store = MEMORY"):
            db.execute(f"PRAGMA {setting}")
        if not self._refused:
            _turn_on_log(db)
        self.chained = version >= _CHAINED
        unsound = 0 < version < _CHAINED and not _adds_up(db)  # the chain would take over what was changed before
        migrate(db, None if self._refused else self._keep_copy)
        if unsound:
            db.execute(f"INSERT OR IGNORE INTO settings VALUES ('{_SAID_BEFORE}', {_NOW})")
        if self._refused:
            db.execute("PRAGMA query_only = ON")
            return
        _keep_sum(db)
        keep_chain(db)
        if self.row("SELECT 1 FROM settings WHERE key = 'records.sum'") is None:
            with self.saving():  # its trigger leaves this row out
                db.execute("INSERT OR IGNORE INTO settings VALUES ('records.sum', ?)", (_sum_of(db),))

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
        if self._refused:
            raise self._refused
        with self._lock, _in_words(self.path):
            level, before = self._depth, self._db.total_changes
            begin, keep, *undo = ("BEGIN IMMEDIATE", "COMMIT", "ROLLBACK")
            if level > 0:
                begin, keep, *undo = (f"{x} level_{level}" for x in ("SAVEPOINT", "RELEASE", "ROLLBACK TO", "RELEASE"))
            self._db.execute(begin)
            self._depth = level + 1
            try:
                yield self._db
                if level == 0 and self._db.total_changes != before:
                    for key, start, then in (("saves", "'1'", "value + 1"), ("saved_at", _NOW, _NOW)):
                        self._db.execute(f"INSERT INTO settings VALUES ('records.{key}', {start})"
                                         f" ON CONFLICT (key) DO UPDATE SET value = {then}")  # fmt: skip
                self._db.execute(keep)
            except BaseException:
                for statement in undo if self._db.in_transaction else ():
                    self._db.execute(statement)
                raise
            finally:
                self._depth = level
            if level == 0 and self._db.total_changes != before:
                self._note_head()

    def rows(self, sql: str, values: Sequence[Any] = ()) -> list[sqlite3.Row]:
        """Read rows."""
        with self._lock, _in_words(self.path):
            return self._db.execute(sql, values).fetchall()

    @contextmanager
    def reader(self) -> Iterator[Callable[[str, Sequence[Any]], list[tuple[Any, ...]]]]:
        """An own connection to read with, which nothing else of this program waits for."""
        if self._refused:
            yield lambda sql, values: [tuple(row) for row in self.rows(sql, values)]
            return
        with _in_words(self.path):
            db = sqlite3.connect(self.path, timeout=WAIT_S)
            try:
                yield lambda sql, values: db.execute(sql, values).fetchall()
            finally:
                db.close()

    def row(self, sql: str, values: Sequence[Any] = ()) -> sqlite3.Row | None:
        """Read the first row, or None."""
        return next(iter(self.rows(sql, values)), None)

    def _note_head(self) -> None:
        """Note the chain's last link beside the records, so that an older copy put in their place is found."""
        if self._replaced():  # what was noted tells of it until a person takes it away
            return
        head = head_of(self._db)
        with suppress(OSError):  # noted by the next save
            file = os.open(self.path.with_suffix(".head"), os.O_WRONLY | os.O_CREAT, 0o666)
            try:
                os.write(file, f"{head.number:>12} {head.link} {head.at:<24}\n".encode())
            finally:
                os.close(file)

    def _replaced(self) -> list[str]:
        """Say so when the chain does not hold the link that was noted last."""
        try:
            number, link, at = self.path.with_suffix(".head").read_text("ascii").split()
        except (OSError, ValueError):
            return []
        found = link_at(self._db, int(number)) if number.isdigit() and len(number) < 16 else ""
        if found == link:
            return []
        other = "other" if found else "older"
        said = f"{other} records were put in the place of those of {at}"
        return [f"{said} (if you did that yourself, remove {self.path.stem}.head)"]

    def head(self) -> Head:
        """The chain's last link."""
        with self._lock, _in_words(self.path):
            return head_of(self._db)

    def link(self, number: int) -> str:
        """The SHA-256 of one link of the chain in hex; empty where there is none."""
        with self._lock, _in_words(self.path):
            return link_at(self._db, number)

    def copy_to(self, target: Path) -> None:
        """Copy the database while it is in use (SQLite's online backup); ``target`` is replaced by the whole copy."""
        part = _part_beside(target)
        with _in_words(target):
            # An own reader, so that saves of this program go on meanwhile.
            reader = self._db if self._refused else sqlite3.connect(self.path, timeout=WAIT_S)
            copy = sqlite3.connect(part)
            try:
                reader.backup(copy, pages=2000, sleep=0.01)
                copy.execute("PRAGMA journal_mode = DELETE")
                copy.close()
                part.replace(target)
            finally:
                copy.close()
                with suppress(OSError):  # a write-protected medium says so even of a file that is not there
                    part.unlink(missing_ok=True)
                if reader is not self._db:
                    reader.close()

    def problems(self) -> list[str]:
        """What is wrong with the file, its rows and their chain, in words; an empty list is sound."""
        return self.look()[0]

    def look(self) -> tuple[list[str], ChainCheck]:
        """Ask SQLite whether the file is sound, add up its rows and go through their chain: what is wrong, in words."""
        found = [str(r[0]) for r in self.rows("PRAGMA integrity_check") if r[0] != "ok"]
        found += [f"row {r[1]} of {r[0]} points at nothing" for r in self.rows("PRAGMA foreign_key_check")]
        with self._lock, _in_words(self.path):
            self._db.execute("BEGIN")  # another program may save meanwhile
            try:
                if not _adds_up(self._db):
                    found.append("rows are not as gapvision saved them")
                before = self._db.execute("SELECT value FROM settings WHERE key = ?", (_SAID_BEFORE,)).fetchone()
                if before is not None:
                    found.append(f"rows were not as gapvision saved them when the chain began, on {before[0][:10]}")
                chain = look_through(self._db)
                return [*found, *chain.problems, *self._replaced()], chain
            finally:
                self._db.execute("ROLLBACK")


# --- the sum of all rows ----------------------------------------------------------------
# SQLite keeps no check sum of what stands in its pages, so a flipped bit in a text or number would be read as it is.
# Each save adds its new rows' SHA-256 to one number in ``settings`` and takes the old ones off: no row is read again.
def _row_sum(total: str, sign: int, *row: Any) -> str:
    told = repr([hashlib.sha256(v).hexdigest() if isinstance(v, bytes) else v for v in row])
    mark = int.from_bytes(hashlib.sha256(told.encode("utf-8", "surrogatepass")).digest(), "big")
    return f"{(int(total, 16) + sign * mark) % 2**256:064x}"


def _tables(db: sqlite3.Connection) -> list[str]:
    # The chain is not among them: it tells of itself.
    sql = "SELECT name FROM sqlite_master WHERE type = 'table' AND name NOT LIKE 'sqlite_%' AND name <> 'chain'"
    return [r[0] for r in db.execute(sql).fetchall()]


def _sum_of(db: sqlite3.Connection) -> str:
    """Add up all rows and the tables' own form."""
    total = "0"
    for row in db.execute("SELECT type, name, sql FROM sqlite_master").fetchall():
        total = _row_sum(total, 1, *row)
    for table in _tables(db):
        for row in db.execute(f"SELECT * FROM {table}"):
            if table != "settings" or row[0] != "records.sum":
                total = _row_sum(total, 1, table, *row)
    return total


def _adds_up(db: sqlite3.Connection) -> bool:
    """Whether the rows are those of which the sum was kept; true where none was."""
    kept = db.execute("SELECT value FROM settings WHERE key = 'records.sum'").fetchone()
    return kept is None or kept[0] == _sum_of(db)


def _keep_sum(db: sqlite3.Connection) -> None:
    """Let this connection's saves keep the sum."""
    db.create_function("row_sum", -1, _row_sum, deterministic=True)
    for table in _tables(db):
        columns = [r[1] for r in db.execute(f"PRAGMA table_info({table})").fetchall()]
        old, new = (f"'{table}', " + ", ".join(f"{which}.{c}" for c in columns) for which in ("OLD", "NEW"))
        for event, value in (
            ("INSERT", f"row_sum(value, 1, {new})"),
            ("DELETE", f"row_sum(value, -1, {old})"),
            ("UPDATE", f"row_sum(row_sum(value, -1, {old}), 1, {new})"),
        ):
            which = "OLD" if event == "DELETE" else "NEW"
            when = f"WHEN {which}.key <> 'records.sum'" if table == "settings" else ""
            db.execute(
                f"CREATE TEMP TRIGGER {event}_{table} AFTER {event} ON main.{table} {when}"
                f" BEGIN UPDATE settings SET value = {value} WHERE key = 'records.sum'; END"
            )


def _in_memory(path: Path) -> sqlite3.Connection:
    """A copy in memory of a database that is not to be touched."""
    log = path.with_name(path.name + "-wal")
    if log.exists() and log.stat().st_size:  # a killed program's saves: SQLite takes them over in a copy
        with tempfile.TemporaryDirectory() as scratch:
            for part in (path, log):
                shutil.copyfile(part, Path(scratch) / part.name)
            sqlite3.connect(Path(scratch) / path.name).execute("PRAGMA wal_checkpoint(TRUNCATE)").connection.close()
            return _in_memory(Path(scratch) / path.name)
    memory = sqlite3.connect(":memory:", isolation_level=None, check_same_thread=False)
    reader = sqlite3.connect(f"{path.resolve().as_uri()}?immutable=1", uri=True)
    try:
        reader.backup(memory)
    finally:
        reader.close()
    return memory


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
    except (sqlite3.DatabaseError, UnicodeDecodeError) as error:  # the second when its own message holds damaged text
        text = str(error).lower() if isinstance(error, sqlite3.OperationalError) else ""
        if "locked" in text or "busy" in text:
            raise GapvisionError("records-busy") from error
        if any(word in text for word in ("readonly", "unable to open", "full", "i/o")):
            full = "full" in text or ("i/o" in text and shutil.disk_usage(path.parent).free < _FULL_BYTES)
            said = f"The disk is full: the records in {path.parent} cannot be written."
            raise (
                GapvisionError("disk-full", said) if full
                else GapvisionError("folder-not-writable", f"The records in {path.parent} cannot be written.")
            ) from error  # fmt: skip
        raise GapvisionError("records-damaged", f"{path} is not a sound gapvision database.") from error
    except OSError as error:
        raise not_written(path.parent, error) from error
