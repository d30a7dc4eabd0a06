"""What the parts of the store share."""

from __future__ import annotations

import sqlite3
import uuid
from datetime import UTC, datetime
from pathlib import Path

from gapvision.records.database import Database
from gapvision.records.photos import PhotoFolder


def now_utc() -> str:
    """Return the time as ISO 8601 to the millisecond, UTC."""
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def today() -> str:
    """Return the local day as ISO 8601."""
    return datetime.now().date().isoformat()


def new_uid() -> str:
    """Return a name for a row that no other shop's row has."""
    return uuid.uuid4().hex


def new_id(cursor: sqlite3.Cursor) -> int:
    """Return the number that SQLite gave to the row just inserted."""
    if cursor.lastrowid is None:  # pragma: no cover - only after a statement that is no INSERT
        raise ValueError("the statement inserted no row")
    return cursor.lastrowid


class Part:
    """A part of the store: the open database and the photo folder."""

    database: Database
    photos: PhotoFolder
    folder: Path
