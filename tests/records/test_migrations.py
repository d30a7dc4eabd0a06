"""Databases kept from each earlier version open, migrate and read back whole."""

import shutil
import sqlite3
from pathlib import Path

import pytest

from gapvision.errors import GapvisionError
from gapvision.records import Store, migrations

KEPT = sorted((Path(__file__).parent / "kept").glob("version*.sqlite"))


def test_every_earlier_version_is_kept():
    assert [p.stem for p in KEPT] == [f"version{n}" for n in range(1, len(migrations.STEPS))]


@pytest.mark.parametrize("kept", KEPT, ids=lambda p: p.stem)
def test_kept_database_is_migrated_and_read_back(kept, tmp_path):
    shutil.copy(kept, tmp_path / "records.sqlite")
    with Store(tmp_path) as store:
        assert migrations.version_of(store.database._db) == len(migrations.STEPS)
        assert store.shop().name == "Αμαξώματα Παράδειγμα"
        assert [j.job.reference for j in store.jobs()] == ["2026-002", "2026-001"]
        assert [j.job.reference for j in store.jobs("zaneta HINGE")] == ["2026-001"]
        assert [j.job.reference for j in store.jobs("ПРИМЕР")] == ["2026-002"]
        job = store.job("2026-001")
        seam = store.find_seam(job.job_id, "left door, rear")
        assert seam.side == "left"
        assert store.panels(job.job_id)[0].length_mm == 1020.0
        (line,) = store.history(seam.seam_id)
        assert (line.mean_mm, line.visit.stage, line.visit.conditions.metal_temp_c) == (5.25, "as found", 9.5)
        assert line.visit.conditions.seal_fitted is None
        assert store.measurement(line.measurement_id)["stations"][0]["gap_mm"] == 5.25
        assert store.notes(job.job_id)[0].text == "Hinge pin worn."
        assert store.database.problems() == []
    version = int(kept.stem.removeprefix("version"))
    copy = tmp_path / f"records-before-version-{version + 1}.sqlite"
    db = sqlite3.connect(copy)
    assert migrations.version_of(db) == version
    db.close()


def test_a_step_that_fails_leaves_the_earlier_version(tmp_path, monkeypatch):
    shutil.copy(KEPT[0], tmp_path / "records.sqlite")

    def broken(db):
        db.execute("CREATE TABLE half (x)")
        raise sqlite3.DatabaseError("stopped half way")

    monkeypatch.setattr(migrations, "STEPS", (migrations.STEPS[0], broken))
    monkeypatch.setattr("gapvision.records.database.STEPS", migrations.STEPS)
    with pytest.raises(GapvisionError) as caught:
        Store(tmp_path)
    assert caught.value.code == "records-damaged"
    db = sqlite3.connect(tmp_path / "records.sqlite")
    assert migrations.version_of(db) == 1
    assert not db.execute("SELECT name FROM sqlite_master WHERE name = 'half'").fetchall()
    db.close()


def test_records_of_a_newer_version_are_left_alone(tmp_path):
    Store(tmp_path).close()
    db = sqlite3.connect(tmp_path / "records.sqlite")
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(GapvisionError, match="records are of version 99") as caught:
        Store(tmp_path)
    assert caught.value.code == "records-newer"


def test_a_file_that_is_no_database_is_left_alone(tmp_path):
    (tmp_path / "records.sqlite").write_bytes(b"not a database, " * 100)
    with pytest.raises(GapvisionError) as caught:
        Store(tmp_path)
    assert caught.value.code == "records-damaged"
    assert (tmp_path / "records.sqlite").read_bytes() == b"not a database, " * 100
