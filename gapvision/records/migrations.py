"""The database's shape, as an ordered list of steps; the first one makes it.

Rules: a step that was ever released is never edited; a change is a new step
at the end, and a database file of the version before it is kept in
``tests/records/kept`` and migrated by a test.  All steps run in one
transaction together with the version number (``PRAGMA user_version``), so
that a program killed half way leaves the earlier version.
"""

from __future__ import annotations

import sqlite3
import uuid
from collections.abc import Callable

from gapvision.records import chain
from gapvision.records.words import note_words

_VERSION_1 = """
CREATE TABLE settings (
    key TEXT PRIMARY KEY,
    value TEXT NOT NULL
);
CREATE TABLE jobs (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    reference TEXT NOT NULL,
    customer TEXT NOT NULL,
    car TEXT NOT NULL,
    notes TEXT NOT NULL,
    opened_on TEXT NOT NULL,
    created_at TEXT NOT NULL,
    changed_at TEXT NOT NULL,
    deleted_at TEXT
);
CREATE UNIQUE INDEX jobs_reference ON jobs (reference) WHERE deleted_at IS NULL;
CREATE TABLE panels (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    job_id INTEGER NOT NULL REFERENCES jobs (id) ON DELETE CASCADE,
    name TEXT NOT NULL,
    side TEXT NOT NULL,
    metal TEXT NOT NULL,
    length_mm REAL,
    UNIQUE (job_id, name, side)
);
CREATE TABLE seams (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    job_id INTEGER NOT NULL REFERENCES jobs (id) ON DELETE CASCADE,
    panel_id INTEGER REFERENCES panels (id) ON DELETE SET NULL,
    name TEXT NOT NULL,
    side TEXT NOT NULL,
    spec TEXT,
    position INTEGER NOT NULL,
    deleted_at TEXT
);
CREATE UNIQUE INDEX seams_name ON seams (job_id, name, side) WHERE deleted_at IS NULL;
CREATE TABLE visits (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    job_id INTEGER NOT NULL REFERENCES jobs (id) ON DELETE CASCADE,
    stage TEXT NOT NULL,
    on_date TEXT NOT NULL,
    who TEXT NOT NULL,
    conditions TEXT NOT NULL,
    notes TEXT NOT NULL,
    created_at TEXT NOT NULL,
    deleted_at TEXT
);
CREATE INDEX visits_job ON visits (job_id);
CREATE TABLE photos (
    sha256 TEXT PRIMARY KEY,
    original_sha256 TEXT NOT NULL,
    suffix TEXT NOT NULL,
    size_bytes INTEGER NOT NULL,
    file_name TEXT NOT NULL,
    taken_at TEXT,
    added_at TEXT NOT NULL
);
CREATE TABLE shots (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    visit_id INTEGER NOT NULL REFERENCES visits (id) ON DELETE CASCADE,
    seam_id INTEGER NOT NULL REFERENCES seams (id) ON DELETE CASCADE,
    photo_sha256 TEXT NOT NULL REFERENCES photos (sha256),
    created_at TEXT NOT NULL,
    deleted_at TEXT
);
CREATE INDEX shots_seam ON shots (seam_id);
CREATE INDEX shots_visit ON shots (visit_id);
CREATE INDEX shots_photo ON shots (photo_sha256);
CREATE TABLE measurements (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    shot_id INTEGER NOT NULL REFERENCES shots (id) ON DELETE CASCADE,
    made_at TEXT NOT NULL,
    method_version INTEGER NOT NULL,
    program_version TEXT NOT NULL,
    status TEXT NOT NULL,
    mean_mm REAL,
    min_mm REAL,
    max_mm REAL,
    u_mm REAL
);
CREATE INDEX measurements_shot ON measurements (shot_id);
CREATE TABLE bodies (
    measurement_id INTEGER PRIMARY KEY REFERENCES measurements (id) ON DELETE CASCADE,
    body BLOB NOT NULL
);
CREATE TABLE notes (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    job_id INTEGER NOT NULL REFERENCES jobs (id) ON DELETE CASCADE,
    seam_id INTEGER REFERENCES seams (id) ON DELETE CASCADE,
    visit_id INTEGER REFERENCES visits (id) ON DELETE CASCADE,
    text TEXT NOT NULL,
    who TEXT NOT NULL,
    made_at TEXT NOT NULL,
    deleted_at TEXT
);
CREATE INDEX notes_job ON notes (job_id);
"""


def _run(db: sqlite3.Connection, script: str) -> None:
    """Run statements one by one; ``executescript`` would end the transaction."""
    for statement in script.split(";\n"):
        if statement.strip():
            db.execute(statement)


def _step_1(db: sqlite3.Connection) -> None:
    _run(db, _VERSION_1)


# Verdicts and plans come from the judgement room as JSON; the bin; and one
# column with all the words of a job, so that a search reads one table.
_VERSION_2 = """
CREATE TABLE verdicts (
    id INTEGER PRIMARY KEY,
    measurement_id INTEGER NOT NULL REFERENCES measurements (id) ON DELETE CASCADE,
    made_at TEXT NOT NULL,
    decision TEXT NOT NULL,
    rule TEXT NOT NULL,
    body TEXT NOT NULL
);
CREATE INDEX verdicts_measurement ON verdicts (measurement_id, decision);
CREATE TABLE plans (
    id INTEGER PRIMARY KEY,
    uid TEXT NOT NULL UNIQUE,
    job_id INTEGER NOT NULL REFERENCES jobs (id) ON DELETE CASCADE,
    panel TEXT NOT NULL,
    made_at TEXT NOT NULL,
    body TEXT NOT NULL,
    deleted_at TEXT
);
CREATE INDEX plans_job ON plans (job_id);
CREATE TABLE bin (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    item_id INTEGER NOT NULL,
    label TEXT NOT NULL,
    deleted_at TEXT NOT NULL
);
ALTER TABLE jobs ADD COLUMN words TEXT NOT NULL DEFAULT '';
CREATE INDEX jobs_changed ON jobs (changed_at);
"""


def _step_2(db: sqlite3.Connection) -> None:
    _run(db, _VERSION_2)
    # Tells a backup of these records from another shop's.
    db.execute("INSERT INTO settings (key, value) VALUES ('records.uid', ?)", (uuid.uuid4().hex,))
    for (job_id,) in db.execute("SELECT id FROM jobs").fetchall():
        note_words(db, job_id)


def _step_3(db: sqlite3.Connection) -> None:
    chain.begin(db)


# A result of several photos of one seam names all of them, in its own order: not its shot, to which photos may come.
_VERSION_4 = """
CREATE TABLE set_photos (
    id INTEGER PRIMARY KEY,
    measurement_id INTEGER NOT NULL REFERENCES measurements (id) ON DELETE CASCADE,
    place INTEGER NOT NULL,
    photo_sha256 TEXT NOT NULL REFERENCES photos (sha256)
);
CREATE INDEX set_photos_measurement ON set_photos (measurement_id, place);
CREATE INDEX set_photos_photo ON set_photos (photo_sha256);
"""


def _step_4(db: sqlite3.Connection) -> None:
    _run(db, _VERSION_4)


def _step_5(db: sqlite3.Connection) -> None:
    """From here on bodies may stand in columns (formats/measurement_packed.py): an earlier program could not read them.

    Those that are stored stay as they are, and are read as ever: a result is never rewritten.
    """


STEPS: tuple[Callable[[sqlite3.Connection], None], ...] = (_step_1, _step_2, _step_3, _step_4, _step_5)


def version_of(db: sqlite3.Connection) -> int:
    """Return the version of an open database; 0 is an empty one."""
    return int(db.execute("PRAGMA user_version").fetchone()[0])


def migrate(db: sqlite3.Connection, keep_copy: Callable[[int], None] | None = None) -> int:
    """Bring an open database to the newest version, in one transaction.

    Parameters
    ----------
    db : sqlite3.Connection
        In autocommit mode (``isolation_level=None``).
    keep_copy : callable, optional
        Called with the version before anything is changed, and only by the one
        program whose turn it is.

    Returns
    -------
    int
        The version it had before.
    """
    if version_of(db) >= len(STEPS):
        return version_of(db)
    db.execute("BEGIN IMMEDIATE")
    try:
        start = version_of(db)  # another program may have been first
        if 0 < start < len(STEPS) and keep_copy is not None:
            keep_copy(start)
        for number in range(start, len(STEPS)):
            STEPS[number](db)
            db.execute(f"PRAGMA user_version = {number + 1}")
        db.execute("DELETE FROM settings WHERE key = 'records.sum'")  # of the earlier shape; it is made anew
        db.execute("COMMIT")
    except BaseException:
        db.execute("ROLLBACK")
        raise
    return start
