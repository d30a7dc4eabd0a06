"""Is every alteration of stored evidence found?  ``python -m gapvision.lab.bench.records_attack``.

A small shop's records are altered again and again, one row, value or byte at a time, by plain SQL; each time the sum of
all rows is taken away, as a hand would that knows of it.  Whether the chain finds it is counted by kind.
"""

from __future__ import annotations

import argparse
import random
import shutil
import sqlite3
import tempfile
from pathlib import Path
from typing import Any

from gapvision.errors import GapvisionError
from gapvision.lab.bench._records import STAGES, invented_measurement, invented_photo, invented_verdict
from gapvision.records import NewPhoto, Store
from gapvision.records.chain import EVIDENCE


def fill(folder: Path, results: int) -> None:
    """Make the shop's records."""
    with Store(folder) as store:
        job = store.new_job(reference="attack", customer="Sam Sample")
        panel = store.put_panel(job.job_id, "door", length_mm=1000)
        seams = [store.add_seam(job.job_id, f"seam {k}", panel_id=panel.panel_id) for k in range(3)]
        visits = [store.add_visit(job.job_id, stage, on_date=f"2026-02-0{1 + k}") for k, stage in enumerate(STAGES)]
        for k in range(results):
            measured = invented_measurement(k, 60)
            where = seams[k % 3].seam_id, visits[k % 5].visit_id
            line = store.save_photo(*where, invented_photo(k), ".jpg", measured)
            store.add_verdict(line.measurement_id, **invented_verdict(k, 60))
            if k % 4 == 0:  # one result of two photos
                data = [NewPhoto(data=invented_photo(1000 * j + k), suffix=".jpg") for j in (1, 2)]
                store.save_photos(*where, data, measured)
            store.add_note(job.job_id, f"note {k}")
            store.add_plan(job.job_id, f"panel {k}", {"steps": [str(k)]})


def other(value: Any, rng: random.Random) -> Any:
    """A value with one bit, digit or letter changed."""
    if isinstance(value, bytes):
        at = rng.randrange(len(value))
        return value[:at] + bytes([value[at] ^ (1 << rng.randrange(8))]) + value[at + 1 :]
    if isinstance(value, int | float):
        return value + rng.choice((1, -1, 2))
    text = value or "x"
    at = rng.randrange(len(text))
    return text[:at] + chr(ord(text[at]) ^ 1) + text[at + 1 :] if value else text


def alter(db: sqlite3.Connection, rng: random.Random) -> str:
    """One alteration; return its kind."""
    table = rng.choice([t for t in sorted(EVIDENCE) if db.execute(f"SELECT 1 FROM {t}").fetchone()])
    columns = EVIDENCE[table].split()
    keys = [r[0] for r in db.execute(f"SELECT {columns[0]} FROM {table}")]
    kind, key = rng.choice(("value", "value", "value", "removed", "swapped", "link")), rng.choice(keys)
    if kind == "link":
        number = rng.choice([r[0] for r in db.execute("SELECT number FROM chain")])
        column = rng.choice(("at", "what", "row", "link"))
        value = db.execute(f"SELECT {column} FROM chain WHERE number = ?", (number,)).fetchone()[0]
        db.execute(f"UPDATE chain SET {column} = ? WHERE number = ?", (other(value, rng), number))
    elif kind == "removed":
        db.execute(f"DELETE FROM {table} WHERE {columns[0]} = ?", (key,))
    elif kind == "swapped" and len(keys) > 1:
        one, two = rng.sample(keys, 2)
        for before, after in ((one, "swap" if table == "photos" else -1), (two, one), (None, two)):
            key = ("swap" if table == "photos" else -1) if before is None else before
            db.execute(f"UPDATE {table} SET {columns[0]} = ? WHERE {columns[0]} = ?", (after, key))
    else:
        kind, column = "value", rng.choice(columns[1:])
        value = db.execute(f"SELECT {column} FROM {table} WHERE {columns[0]} = ?", (key,)).fetchone()[0]
        db.execute(f"UPDATE {table} SET {column} = ? WHERE {columns[0]} = ?", (other(value, rng), key))
    return kind


def main() -> int:
    """Alter, look, count; 1 if anything was not found."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--alterations", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    rng, counts, missed = random.Random(args.seed), dict[str, int](), list[str]()
    with tempfile.TemporaryDirectory() as name:
        whole, folder = Path(name) / "whole", Path(name) / "altered"
        fill(whole, 20)
        with Store(whole) as store:
            sound = not store.verify().problems
        while sum(counts.values()) < args.alterations:
            shutil.rmtree(folder, ignore_errors=True)
            folder.mkdir()
            shutil.copy(whole / "records.sqlite", folder)
            db = sqlite3.connect(folder / "records.sqlite")
            try:
                kind = alter(db, rng)
            except sqlite3.IntegrityError:  # SQLite itself refuses two rows of one name
                db.close()
                continue
            db.execute("DELETE FROM settings WHERE key = 'records.sum'")
            db.commit()
            db.close()
            counts[kind] = counts.get(kind, 0) + 1
            try:
                with Store(folder) as store:
                    found = bool(store.database.problems())
            except GapvisionError:
                found = True
            missed += [] if found else [kind]
    told = ", ".join(f"{count} {kind}" for kind, count in sorted(counts.items()))
    print(f"alterations: {sum(counts.values())} ({told}); not found: {len(missed)} {missed or ''}")
    print(f"the records as they were: {'intact' if sound else 'called altered'}")
    return 1 if missed or not sound else 0


if __name__ == "__main__":
    raise SystemExit(main())
