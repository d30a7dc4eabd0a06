"""The chain of evidence: every row changed, added, removed or put back outside gapvision is found.

The links are worked out here once more by what ``chain.py`` says of them, with hashlib alone.
"""

import hashlib
import json
import random
import shutil
import sqlite3
import zlib

import pytest

from gapvision.errors import GapvisionError
from gapvision.records import NewPhoto, Store, back_up
from gapvision.records.chain import EVIDENCE
from tests.records.invented import invented, invented_set

JPEG = b"\xff\xd8\xff\xe0 an invented picture"


def fill(folder, results=3):
    with Store(folder) as store:
        job = store.new_job(reference="17", customer="Åse Prøve", opened_on="2026-03-01")
        panel = store.put_panel(job.job_id, "door", length_mm=1000)
        seam = store.add_seam(job.job_id, "door, rear", side="left", panel_id=panel.panel_id, spec={"nominal": "5mm"})
        for k in range(results):
            visit = store.add_visit(job.job_id, f"stage {k}", on_date=f"2026-03-0{k + 2}", who="Sam")
            photo = JPEG + bytes([k])
            line = store.save_photo(seam.seam_id, visit.visit_id, photo, ".jpg", invented(3.58 + k, n=20))
            store.add_verdict(line.measurement_id, decision="not proven", rule="proven", body={})
        pair = [NewPhoto(data=JPEG + bytes([k]), suffix=".jpg", file_name=f"{k}.jpg") for k in (100, 200)]
        told = {one.file_name: hashlib.sha256(one.data).hexdigest() for one in pair}
        store.save_photos(seam.seam_id, visit.visit_id, pair, invented_set(told))
        store.add_note(job.job_id, "Hinge pin worn.", who="Sam")
        store.add_plan(job.job_id, "door", {"sentences": ["Move."]})
    return folder


@pytest.fixture(scope="module")
def shop(tmp_path_factory):
    return fill(tmp_path_factory.mktemp("shop") / "data")


@pytest.fixture
def data(shop, tmp_path):
    return shutil.copytree(shop, tmp_path / "data")


def changed(folder, *statements, knowing=False):
    """The folder after plain SQL; a knowing hand puts the sum of all rows right as well."""
    db = sqlite3.connect(folder / "records.sqlite")
    for sql in statements:
        db.execute(*sql) if isinstance(sql, tuple) else db.execute(sql)
    if knowing:
        db.execute("DELETE FROM settings WHERE key = 'records.sum'")
    db.commit()
    db.close()
    with Store(folder) as store:
        return store.database.problems()


def test_links_follow_from_the_rows(data):
    """By the recipe in the module's docstring, with nothing but hashlib and json."""
    db = sqlite3.connect(data / "records.sqlite")
    before, last = bytes(32), {}
    for number, at, what, row, link in db.execute("SELECT number, at, what, row, link FROM chain ORDER BY number"):
        before = hashlib.sha256(before + (row or bytes(32)) + f"{number} {at} {what}".encode()).digest()
        assert link == before
        last[what[2:]] = row
    for table, columns in EVIDENCE.items():
        rows = db.execute(f"SELECT {columns.replace(' ', ', ')} FROM {table}").fetchall()
        assert rows, table
        for values in rows:
            told = [hashlib.sha256(v).hexdigest() if isinstance(v, bytes) else v for v in values]
            text = json.dumps([table, *told], separators=(",", ":"))
            assert hashlib.sha256(text.encode()).digest() == last.pop(f"{table} {values[0]}")
    assert not [name for name, row in last.items() if row is not None]
    with Store(data) as store:
        assert store.database.problems() == []
        assert store.database.head().link == before.hex()


def body(mean):
    return zlib.compress(json.dumps(invented(mean, n=20)).encode())


@pytest.mark.parametrize(
    ("statements", "said"),
    [
        (["UPDATE visits SET on_date = '2026-03-09' WHERE id = 2"], "visit 2 is not as it was stored"),
        (
            [
                ("UPDATE bodies SET body = ? WHERE measurement_id = 1", (body(4.76),)),
                "UPDATE measurements SET mean_mm = 4.76 WHERE id = 1",
                "UPDATE verdicts SET decision = 'in tolerance' WHERE id = 1",
            ],
            "stations of measurement 1 is not as it was stored",
        ),
        (["DELETE FROM verdicts WHERE id = 2"], "verdict 2 is missing"),
        (["INSERT INTO notes SELECT 9, 'x', 1, NULL, NULL, 'Later.', '', made_at, NULL FROM notes"], "note 9 never"),
        (
            [
                "UPDATE measurements SET id = 99 WHERE id = 1",
                "UPDATE measurements SET id = 1 WHERE id = 2",
                "UPDATE measurements SET id = 2 WHERE id = 99",
            ],
            "measurement 1 is not as it was stored",
        ),
        (["DELETE FROM chain WHERE number = 5"], "link 6 of the chain does not follow"),
        (["UPDATE chain SET at = '2025' WHERE number = 5"], "link 5 of the chain does not follow"),
        (["DELETE FROM chain WHERE number > 10", "DELETE FROM notes", "DELETE FROM plans"], "older records were put"),
        (["DELETE FROM chain"], "job 1 never went into the chain"),
    ],
)
def test_what_a_knowing_hand_does_by_plain_sql_is_found(data, statements, said):
    assert any(said in told for told in changed(data, *statements, knowing=True))


def test_a_result_rewritten_through_gapvisions_own_connection_is_told(data):
    """Sum and links are right then; but a result is never changed once it is stored."""
    with Store(data) as store:
        with store.database.saving() as db:
            db.execute("UPDATE measurements SET mean_mm = 4.76 WHERE id = 1")
        (said,) = store.database.problems()
    assert said.startswith("measurement 1 was rewritten on 20")


def test_a_flipped_bit_of_a_stored_result_is_found(data):
    db = sqlite3.connect(data / "records.sqlite")
    (stored,) = db.execute("SELECT body FROM bodies WHERE measurement_id = 2").fetchone()
    db.close()
    at = random.Random(1).randrange(len(stored))
    flipped = stored[:at] + bytes([stored[at] ^ 4]) + stored[at + 1 :]
    said = changed(data, ("UPDATE bodies SET body = ? WHERE measurement_id = 2", (flipped,)), knowing=True)
    assert "stations of measurement 2 is not as it was stored" in said


def test_a_whole_database_replaced_by_an_older_one_is_found(data, tmp_path):
    shutil.copytree(data, tmp_path / "older")
    with Store(data) as store:
        store.new_job(reference="18")
        when = store.database.head().at
        back_up(store, tmp_path / "copy")
    for end in ("", "-wal", "-shm"):
        (data / f"records.sqlite{end}").unlink(missing_ok=True)
    shutil.copy(tmp_path / "older" / "records.sqlite", data / "records.sqlite")
    with Store(data) as store:
        (said,) = store.database.problems()
        assert said.startswith(f"older records were put in the place of those of {when}")
        for k in range(5):  # worked on, until it has as many saves
            store.new_job(reference=f"new {k}")
        assert store.database.problems()[0].startswith("other records were put in the place")
        (data / "records.head").unlink()  # then the folder itself cannot know any more
        assert store.database.problems() == []
        with pytest.raises(GapvisionError, match="with another past"):  # but the backup does
            back_up(store, tmp_path / "copy")


def test_what_the_bin_removes_for_good_is_counted_and_no_alteration(data):
    with Store(data) as store:
        store.delete("photo", 1)
        store.empty_bin()
        found, chain = store.database.look()
    assert found == []
    assert chain.removed == 5  # shot, photo, measurement, stations, verdict


def test_what_was_changed_before_the_chain_began_is_told(tmp_path):
    """A database of version 2 with its sum of all rows, then changed by hand, then opened by this version."""
    from pathlib import Path

    from gapvision.records.database import _sum_of

    path = tmp_path / "records.sqlite"
    shutil.copy(Path(__file__).parent / "kept" / "version2.sqlite", path)
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("INSERT INTO settings VALUES ('records.sum', ?)", (_sum_of(db),))
    db.execute("UPDATE visits SET on_date = '2026-03-09'")
    db.close()
    for _ in range(2):
        with Store(tmp_path) as store:
            (said,) = store.database.problems()
            assert said.startswith("rows were not as gapvision saved them when the chain began, on 20")
