# ruff: noqa: E501
"""Make the kept database of one version: only that version's steps, and rows written by plain SQL.

    python -m tests.records.make_kept 1

A kept file is made once, when its version is the newest, and never again.
"""

from __future__ import annotations

import sqlite3
import sys
import zlib
from pathlib import Path

from gapvision.records import chain, migrations
from gapvision.records.words import note_words

HERE = Path(__file__).parent / "kept"

_ROWS = """
INSERT INTO settings VALUES ('shop.name', 'Αμαξώματα Παράδειγμα');
INSERT INTO jobs (id, uid, reference, customer, car, notes, opened_on, created_at, changed_at) VALUES
 (1, 'a1', '2026-001', 'Żaneta Exempel', 'grey two-seat roadster', 'Sills done last winter.', '2026-01-12', '2026-01-12T08:00:00.000Z', '2026-01-12T09:00:00.000Z'),
 (2, 'a2', '2026-002', 'Иван Пример', 'saloon, four doors', '', '2026-02-01', '2026-02-01T08:00:00.000Z', '2026-02-01T08:00:00.000Z');
INSERT INTO panels VALUES (1, 'b1', 1, 'door', 'left', 'steel', 1020.0);
INSERT INTO seams (id, uid, job_id, panel_id, name, side, spec, position) VALUES
 (1, 'c1', 1, 1, 'door, rear', 'left', NULL, 1), (2, 'c2', 1, NULL, 'bonnet, rear', '', '{"name": "bonnet, rear"}', 2);
INSERT INTO visits VALUES (1, 'd1', 1, 'as found', '2026-01-12', 'Ø. Sample', '{"latched": true, "metal_temp_c": 9.5}', '', '2026-01-12T08:10:00.000Z', NULL);
INSERT INTO photos VALUES ('SHA', 'SHA', '.jpg', 12, 'seam.jpg', NULL, '2026-01-12T08:11:00.000Z');
INSERT INTO shots VALUES (1, 'e1', 1, 1, 'SHA', '2026-01-12T08:11:00.000Z', NULL);
INSERT INTO measurements VALUES (1, 'f1', 1, '2026-01-12T08:11:01.000Z', 1, '0.1.0', 'ok', 5.25, 4.9, 5.6, 0.12);
INSERT INTO notes VALUES (1, 'g1', 1, 1, NULL, 'Hinge pin worn.', 'Ø. Sample', '2026-01-12T08:20:00.000Z', NULL)
"""


def make(version: int) -> Path:
    """Write ``version{N}.sqlite``."""
    path = HERE / f"version{version}.sqlite"
    if path.exists():
        raise SystemExit(f"{path.name} is kept already")
    db = sqlite3.connect(path, isolation_level=None)
    for step in migrations.STEPS[:version]:
        db.execute("BEGIN")
        step(db)
        db.execute("COMMIT")
    db.execute(f"PRAGMA user_version = {version}")
    if version >= 3:
        chain.keep_chain(db)
    for statement in _ROWS.replace("SHA", "ab" * 32).split(";\n"):
        db.execute(statement)
    body = zlib.compress(b'{"status": "ok", "stations": [{"s_mm": 0.0, "gap_mm": 5.25, "u_mm": 0.12}]}')
    db.execute("INSERT INTO bodies VALUES (1, ?)", (body,))
    if version >= 2:  # where a job has its words for the search
        for job_id in (1, 2):
            note_words(db, job_id)
    db.execute("VACUUM")
    db.close()
    return path


if __name__ == "__main__":
    make(int(sys.argv[1]))
