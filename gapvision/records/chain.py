"""The chain: each row of evidence that came, changed or went, in a row of SHA-256 hashes that only grows.

Whoever has the last link, the head, can tell later that nothing before it was changed.  How to check it without
gapvision: the hash of a row is the SHA-256 of its columns named here, as JSON (``[table, values...]``, ASCII, no
spaces; of bytes their SHA-256 in hex); a link is the SHA-256 of the link before it (32 zero bytes before the first),
the row's hash (32 zero bytes where the row went) and the text ``number at what``.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

#: Table of evidence -> its columns that count; the first names the row.  Left out: a job's words for the search, and
#: when it was last touched.  Released: a column that comes later makes a new link for each row, in its own step.
EVIDENCE = {
    "jobs": "id uid reference customer car notes opened_on created_at deleted_at",
    "panels": "id uid job_id name side metal length_mm",
    "seams": "id uid job_id panel_id name side spec position deleted_at",
    "visits": "id uid job_id stage on_date who conditions notes created_at deleted_at",
    "photos": "sha256 original_sha256 suffix size_bytes file_name taken_at added_at",
    "shots": "id uid visit_id seam_id photo_sha256 created_at deleted_at",
    "measurements": "id uid shot_id made_at method_version program_version status mean_mm min_mm max_mm u_mm",
    "bodies": "measurement_id body",
    "set_photos": "id measurement_id place photo_sha256",
    "verdicts": "id measurement_id made_at decision rule body",
    "notes": "id uid job_id seam_id visit_id text who made_at deleted_at",
    "plans": "id uid job_id panel made_at body deleted_at",
}
#: What a person calls a row; of the first ones none is ever changed once it is stored.
_FIXED = {
    "photos": "photo", "measurements": "measurement", "bodies": "stations of measurement", "verdicts": "verdict",
    "set_photos": "place in a set of photos",
}  # fmt: skip
_NAMES = {table: table.removesuffix("s") for table in EVIDENCE} | {"shots": "photo number"} | _FIXED
_NOTHING = bytes(32)
_NOW = "strftime('%Y-%m-%dT%H:%M:%fZ')"
_MOST_TOLD = 20


@dataclass(frozen=True, slots=True)
class Head:
    """The last link of the chain: its number, when it came (UTC), and its SHA-256 in hex."""

    number: int
    at: str
    link: str

    @property
    def words(self) -> str:
        """As it stands on papers and exports, like ``12:0f3a...``."""
        return f"{self.number}:{self.link}"


@dataclass(frozen=True, slots=True)
class ChainCheck:
    """What a look through the whole chain found.

    Attributes
    ----------
    problems : tuple of str
        What is not as it was stored, in words.
    speaks_from : str
        When the chain began (UTC); rows older than that were taken as they stood then.  Empty: nothing was stored yet.
    removed : int
        Rows that were removed for good, by the bin.
    """

    problems: tuple[str, ...]
    speaks_from: str
    removed: int


def row_hash(table: str, *values: Any) -> bytes:
    """The hash of a row's columns."""
    told = [hashlib.sha256(v).hexdigest() if isinstance(v, bytes) else v for v in values]
    return hashlib.sha256(json.dumps([table, *told], separators=(",", ":")).encode()).digest()


def link_of(before: bytes | None, row: bytes | None, number: int, at: str, what: str) -> bytes:
    """The link that follows the one before."""
    return hashlib.sha256((before or _NOTHING) + (row or _NOTHING) + f"{number} {at} {what}".encode()).digest()


def offer_functions(db: sqlite3.Connection) -> None:
    """Let a connection's SQL make hashes and links."""
    db.create_function("row_hash", -1, row_hash, deterministic=True)
    db.create_function("link_of", 5, link_of, deterministic=True)


def begin(db: sqlite3.Connection) -> None:
    """Make the chain's table and take every row there is into it, as it stands now."""
    offer_functions(db)
    db.execute(
        "CREATE TABLE chain (number INTEGER PRIMARY KEY, at TEXT NOT NULL, what TEXT NOT NULL, row BLOB,"
        " link BLOB NOT NULL)"
    )
    number, link, at = 0, _NOTHING, str(db.execute(f"SELECT {_NOW}").fetchone()[0])
    there = {name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
    for table, columns in EVIDENCE.items():
        if table not in there:  # it comes with a later step, empty
            continue
        for values in db.execute(f"SELECT {', '.join(columns.split())} FROM {table} ORDER BY 1").fetchall():
            number, what, row = number + 1, f"+ {table} {values[0]}", row_hash(table, *values)
            link = link_of(link, row, number, at, what)
            db.execute("INSERT INTO chain VALUES (?, ?, ?, ?, ?)", (number, at, what, row, link))


def keep_chain(db: sqlite3.Connection) -> None:
    """Let this connection's saves go into the chain."""
    offer_functions(db)
    for table, told in EVIDENCE.items():
        columns = told.split()
        changed = " OR ".join(f"OLD.{c} IS NOT NEW.{c}" for c in columns)
        for event, mark, which, when in (
            ("INSERT", "+", "NEW", ""), ("UPDATE", "=", "NEW", f"WHEN {changed}"), ("DELETE", "-", "OLD", ""),
        ):  # fmt: skip
            row = "NULL" if mark == "-" else f"row_hash('{table}', {', '.join(f'{which}.{c}' for c in columns)})"
            db.execute(
                f"CREATE TEMP TRIGGER chain_{event}_{table} AFTER {event} ON main.{table} {when} BEGIN"
                f" INSERT INTO chain SELECT n, t, w, r, link_of(before, r, n, t, w) FROM (SELECT"
                f" ifnull(max(number), 0) + 1 AS n, {_NOW} AS t, '{mark} {table} ' || {which}.{columns[0]} AS w,"
                f" {row} AS r, (SELECT link FROM chain ORDER BY number DESC LIMIT 1) AS before FROM chain); END"
            )


def head_of(db: sqlite3.Connection) -> Head:
    """The last link; number 0 before anything was stored."""
    found = db.execute("SELECT number, at, link FROM chain ORDER BY number DESC LIMIT 1").fetchone()
    return Head(0, "", _NOTHING.hex()) if found is None else Head(found[0], found[1], bytes(found[2]).hex())


def link_at(db: sqlite3.Connection, number: int) -> str:
    """The SHA-256 of one link in hex; empty where there is none, zeros for number 0."""
    found = db.execute("SELECT link FROM chain WHERE number = ?", (number,)).fetchone()
    return bytes(found[0]).hex() if found else "" if number else _NOTHING.hex()


def look_through(db: sqlite3.Connection) -> ChainCheck:
    """Work the chain out again, and compare every row of evidence with its last link."""
    wrong: list[str] = []
    rows: dict[str, bytes | None] = {}
    before, expected, start, removed = _NOTHING, 1, "", 0
    for number, at, what, row, link in db.execute("SELECT number, at, what, row, link FROM chain ORDER BY number"):
        try:
            same = number == expected and link == link_of(before, row, number, at, what)
        except (TypeError, ValueError):
            same = False
        if not same:
            wrong.append(f"link {number} of the chain does not follow the one before")
        start, before, expected = start or str(at), link if isinstance(link, bytes) else _NOTHING, number + 1
        mark, _, name = str(what).partition(" ")
        if mark == "=" and name.split(" ")[0] in _FIXED:
            wrong.append(f"{_told(name)} was rewritten on {str(at)[:10]}, after it was stored")
        removed += mark == "-"
        rows[name] = None if mark == "-" else row
    for name, values in _rows(db):
        found = rows.pop(name, b"")
        if found is None:
            wrong.append(f"{_told(name)} was removed, and is back")
        elif not found:
            wrong.append(f"{_told(name)} never went into the chain")
        elif found != row_hash(name.split(" ")[0], *values):
            wrong.append(f"{_told(name)} is not as it was stored")
    wrong += [f"{_told(name)} is missing" for name, row in rows.items() if row is not None]
    more = len(wrong) - _MOST_TOLD
    told = (*wrong[:_MOST_TOLD], f"{more} more rows or links") if more > 0 else tuple(wrong)
    return ChainCheck(told, start, removed)


def _rows(db: sqlite3.Connection) -> Iterator[tuple[str, tuple[Any, ...]]]:
    for table, columns in EVIDENCE.items():
        cursor = db.execute(f"SELECT {', '.join(columns.split())} FROM {table}")
        cursor.row_factory = None
        for values in cursor:
            yield f"{table} {values[0]}", values


def _told(name: str) -> str:
    """A row as a person calls it."""
    table, _, key = name.partition(" ")
    plain = "".join(c if c.isprintable() else "?" for c in key)
    return f"{_NAMES.get(table, 'row')} {plain[:64]}"
