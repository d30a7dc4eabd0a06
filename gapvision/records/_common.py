"""What the parts of the store share: rows in, rows out, and the base of the parts."""

from __future__ import annotations

import json
import sqlite3
import uuid
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import fields
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, TypeVar

from gapvision.errors import GapvisionError
from gapvision.records.database import Database
from gapvision.records.photos import PhotoFolder

Row = TypeVar("Row")


def now_utc() -> str:
    """The time as ISO 8601 to the millisecond, UTC."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def new_uid() -> str:
    """A name for a row that no other shop's row has."""
    return uuid.uuid4().hex


def made_of(kind: type[Row], row: sqlite3.Row, prefix: str = "", **made: Any) -> Row:
    """Make an object of :mod:`gapvision.records.types` from its row; ``made`` are fields not in the row as they are.

    Each field is read from the column of its name, with ``prefix`` before it; the first, if it is a number like
    ``job_id``, from ``id``.
    """
    first, *others = [f.name for f in fields(kind)]  # type: ignore[arg-type]
    columns = {first: "id" if first.endswith("_id") else first} | {name: name for name in others}
    try:
        return kind(**{name: made[name] if name in made else row[prefix + c] for name, c in columns.items()})
    except IndexError:  # a column's name was damaged
        raise GapvisionError("records-damaged") from None


def from_json(text: str | bytes) -> dict[str, Any]:
    """Read what a row keeps as JSON."""
    try:
        found: dict[str, Any] = json.loads(text)
    except (ValueError, TypeError):
        raise GapvisionError("records-damaged", "A row of the records is damaged.") from None
    return found


def insert(db: sqlite3.Connection, table: str, **values: Any) -> int:
    """Insert a row; return the number that SQLite gave to it."""
    marks = ", ".join(f":{column}" for column in values)
    return int(db.execute(f"INSERT INTO {table} ({', '.join(values)}) VALUES ({marks})", values).lastrowid or 0)


def update(db: sqlite3.Connection, table: str, row_id: int, **values: Any) -> None:
    """Change what is given of a row; None leaves a column as it is."""
    for column, value in values.items():
        if value is not None:
            db.execute(f"UPDATE {table} SET {column} = ? WHERE id = ?", (value, row_id))


@contextmanager
def name_in_use(code: str, message: str, advice: str = "") -> Iterator[None]:
    """Refuse in words what breaks a rule of unique names."""
    try:
        yield
    except sqlite3.IntegrityError:
        raise GapvisionError(code, message, advice) from None


class Part:
    """A part of the store: the open database and the photo folder."""

    database: Database
    photos: PhotoFolder
    folder: Path

    def _row(self, table: str, row_id: int, code: str, what: str) -> sqlite3.Row:
        """One row that is not in the bin, by its number; refused with ``code`` when there is none."""
        row = self.database.row(f"SELECT * FROM {table} WHERE id = ? AND deleted_at IS NULL", (row_id,))
        if row is None:
            raise GapvisionError(code, f"There is no {what} number {row_id}.")
        return row

    def _rows(self, table: str, job_id: int, order: str = "id") -> list[sqlite3.Row]:
        """A job's rows that are not in the bin."""
        sql = f"SELECT * FROM {table} WHERE job_id = ? AND deleted_at IS NULL ORDER BY {order}"
        return self.database.rows(sql, (job_id,))
