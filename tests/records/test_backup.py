"""Backups keep dated generations; unsound or older records never replace sound or newer ones; the way back."""

import os
import shutil
import sqlite3
import tempfile
from pathlib import Path

import pytest

from gapvision.cli import main
from gapvision.errors import GapvisionError
from gapvision.records import Store, back_up, restore
from gapvision.records.database import Database
from gapvision.records.photos import PhotoFolder
from tests.records.invented import invented

JPEG = b"\xff\xd8\xff\xe0 an invented picture"
PLACES = 40


def fill(folder, *photos):
    """Records with one photo and result for each of the bytes given."""
    with Store(folder) as store:
        job = store.new_job(reference="17", customer="Åse Prøve", car="bubble-shaped saloon", opened_on="2026-03-01")
        seam = store.add_seam(job.job_id, "door, rear", side="left")
        visit = store.add_visit(job.job_id, "as found", on_date="2026-03-02", who="Sam")
        for photo in photos:
            line = store.save_photo(seam.seam_id, visit.visit_id, JPEG + photo, ".jpg", invented(n=20))
            store.add_verdict(line.measurement_id, decision="in tolerance", rule="proven", body={"why": "x" * 300})
            store.add_note(job.job_id, f"Hinge pin worn. {photo!r}", who="Sam")
    return folder


@pytest.fixture
def data(tmp_path):
    return fill(tmp_path / "data", b"1", b"2")


def refused(call, *args, **kwargs):
    with pytest.raises(GapvisionError) as caught:
        call(*args, **kwargs)
    return caught.value


def content(path):
    """All that stands in a database, asked of SQLite alone; None when it cannot be read."""
    db = sqlite3.connect(f"file:{path}?immutable=1", uri=True)
    try:
        tables = db.execute("SELECT type, name, sql FROM sqlite_master ORDER BY name").fetchall()
        rows = [db.execute(f"SELECT * FROM {t[1]}").fetchall() for t in tables if t[0] == "table"]
        sound = [r[0] for r in db.execute("PRAGMA integrity_check").fetchall()]
        return tables, rows, sound, db.execute("PRAGMA user_version").fetchone()
    except (sqlite3.Error, UnicodeDecodeError):
        return None
    finally:
        db.close()


def damaged(whole, count):
    """Copies of a database with one byte changed, at places spread over the file, where that changes anything."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "one.sqlite"
        path.write_bytes(whole)
        was, found, step = content(path), 0, 10007  # a prime: the places fall on every page and part of a page
        for k in range(len(whole)):
            if found == count:
                return
            at = k * step % len(whole)
            path.write_bytes(whole[:at] + bytes([whole[at] ^ (1 << k % 8)]) + whole[at + 1 :])
            if content(path) != was:
                found += 1
                yield at, path.read_bytes()


def state(folder):
    return {p.relative_to(folder): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


@pytest.mark.slow
def test_damaged_records_are_never_called_intact_nor_replace_a_good_backup(data, tmp_path, capsys):
    copy = tmp_path / "copy"
    assert main(["backup", str(copy), "--data", str(data)]) == 0
    whole, good = (data / "records.sqlite").read_bytes(), state(copy)
    tried = 0
    for at, bad in damaged(whole, PLACES):
        for end in ("-wal", "-shm"):
            (data / f"records.sqlite{end}").unlink(missing_ok=True)
        (data / "records.sqlite").write_bytes(bad)
        capsys.readouterr()
        assert main(["verify", "--data", str(data)]) != 0, at
        assert "intact" not in capsys.readouterr().out, at
        assert main(["backup", str(copy), "--data", str(data)]) == 2, at
        assert "backed up" not in capsys.readouterr().out, at
        assert state(copy) == good, at
        tried += 1
    assert tried == PLACES


def test_backup_is_a_data_folder_and_grows(data, tmp_path):
    steps = []
    with Store(data) as store:
        done = back_up(store, tmp_path / "copy", lambda done, total: steps.append((done, total)))
        assert (done.copied, done.missing, steps) == (2, (), [(1, 2), (2, 2)])
        seam, visit = store.seam(1), store.visit(1)
        line = store.save_photo(seam.seam_id, visit.visit_id, JPEG + b"3", ".jpg", invented())
        assert back_up(store, tmp_path / "copy").copied == 1
        assert store.proven_backup() > line.made_at
    with Store(tmp_path / "copy") as copy:
        assert len(copy.history(seam.seam_id)) == 3
        assert copy.photo_bytes(line.photo) == JPEG + b"3"
        assert copy.check() == []
    with Store(tmp_path / "other") as other:
        assert refused(back_up, other, tmp_path / "copy").code == "backup-target-bad"


def test_generations_are_thinned_by_month(data, tmp_path):
    copy = tmp_path / "copy"
    with Store(data) as store:
        back_up(store, copy)
        (first,) = (copy / "generations").iterdir()
        days = [f"2025-{m:02d}-{d:02d}" for m in (1, 2) for d in (3, 20)] + [f"2025-03-{d:02d}" for d in range(1, 13)]
        for day in days:
            shutil.copy(first, first.with_name(f"{day}T10-00-00.000Z.sqlite"))
        back_up(store, copy)
    kept = [p.name[:10] for p in sorted((copy / "generations").iterdir())]
    # 18 in all: the last 10; before them the newest of January, February and March.
    assert kept[:-2] == ["2025-01-20", "2025-02-20", "2025-03-04", *(f"2025-03-{d:02d}" for d in range(5, 13))]
    assert len(kept) == 13


def test_an_older_copy_does_not_replace_a_newer_backup(data, tmp_path):
    shutil.copytree(data, tmp_path / "older")
    with Store(data) as store:
        store.new_job(reference="18")
        newer = store.database.row("SELECT value FROM settings WHERE key = 'records.saved_at'")[0]
        back_up(store, tmp_path / "copy")
    before = state(tmp_path / "copy")
    with Store(tmp_path / "older") as older:
        was = older.database.row("SELECT value FROM settings WHERE key = 'records.saved_at'")[0]
        error = refused(back_up, older, tmp_path / "copy")
    assert error.code == "backup-target-bad"
    assert was < newer
    assert was in error.message
    assert f"as of {newer}" in error.message
    assert state(tmp_path / "copy") == before


def test_a_damaged_backup_is_mended_and_restore_takes_the_newest_sound_generation(data, tmp_path, capsys):
    copy = tmp_path / "copy"
    with Store(data) as store:
        back_up(store, copy)
        store.new_job(reference="18")
        back_up(store, copy)
    newest = sorted((copy / "generations").iterdir())[-1]
    for path in (newest, copy / "records.sqlite"):
        path.write_bytes(path.read_bytes()[:5000] + b"rotten" * 500 + path.read_bytes()[8000:])
    assert main(["restore", str(copy), "--data", str(tmp_path / "back")]) == 0
    out = capsys.readouterr().out
    assert f"passed over, not sound: {newest.name}" in out
    with Store(tmp_path / "back") as back:
        assert [x.job.reference for x in back.jobs()] == ["17"]
        assert back.check() == []
    assert main(["restore", str(copy), "--data", str(tmp_path / "back")]) == 2
    assert "is not empty" in capsys.readouterr().err
    assert main(["restore", str(copy), "--generation", "1999", "--data", str(tmp_path / "none")]) == 2
    assert newest.stem in capsys.readouterr().err
    assert not (tmp_path / "none").exists()
    with Store(data) as store:
        back_up(store, copy)
    with Store(copy) as again:
        assert [x.job.reference for x in again.jobs()] == ["18", "17"]


def test_a_missing_photo_is_listed_and_the_rest_is_backed_up(data, tmp_path, capsys):
    one, two = sorted((data / "photos").glob("*/*.jpg"))
    one.unlink()
    copy = tmp_path / "copy"
    assert main(["backup", str(copy), "--data", str(data)]) == 1
    out = capsys.readouterr().out
    assert f"missing: The photo {one.name} is not in the data folder." in out
    assert "1 new photos" in out
    kept = copy / "photos" / two.parent.name / two.name
    kept.write_bytes(b"rotten on the stick")
    main(["backup", str(copy), "--data", str(data)])
    assert kept.read_bytes() == two.read_bytes()  # what lies there is read again, and mended


@pytest.fixture
def nobody():
    """A folder that may be made write-protected, also where the tests are root's."""
    folder = Path(tempfile.mkdtemp())
    root = os.geteuid() == 0
    yield folder, lambda: root and (os.chown(folder, 65534, 65534), os.seteuid(65534))
    if root:
        os.seteuid(0)
    for path in (folder, *folder.rglob("*")):
        path.chmod(0o700)
    shutil.rmtree(folder)


@pytest.mark.parametrize("killed", [False, True], ids=["closed", "killed"])
def test_a_write_protected_backup_opens_verifies_and_is_restored(nobody, tmp_path, killed, capsys):
    folder, step_down = nobody
    fill(folder / "data", b"1")
    if killed:  # the last save stands in the log alone
        with Store(folder / "data") as store:
            store.new_job(reference="18")
            for end in ("", "-wal"):
                shutil.copy(folder / "data" / f"records.sqlite{end}", folder / f"kept{end}")
        for end in ("", "-wal"):
            shutil.move(folder / f"kept{end}", folder / "data" / f"records.sqlite{end}")
    before = state(folder / "data")
    (folder / "free").mkdir()
    (folder / "free").chmod(0o777)
    for path in (folder / "data").rglob("*"):
        path.chmod(0o555 if path.is_dir() else 0o444)
    (folder / "data").chmod(0o555)
    step_down()
    with Store(folder / "data") as store:
        assert len(store.jobs()) == 1 + killed
        assert store.check() == []
        assert refused(store.new_job).code == "folder-not-writable"
        assert back_up(store, folder / "free" / "copy").copied == 1
    assert restore(folder / "free" / "copy", folder / "free" / "back").copied == 1
    assert state(folder / "data") == before


def test_a_full_disk_is_called_full(data, monkeypatch):
    """SQLite's own limit of pages gives the same error as a disk without room."""
    with Store(data) as store:
        store.database._db.execute("PRAGMA max_page_count = 1")
        error = refused(lambda: [store.new_job(notes="x" * 4000) for _ in range(200)])
        assert error.code == "disk-full"
        assert len(store.jobs()) >= 1

    def no_room(self):
        if not self._refused:
            raise sqlite3.OperationalError("database or disk is full")
        set_up(self)

    set_up = Database._set_up
    monkeypatch.setattr(Database, "_set_up", no_room)
    with Store(data) as store:  # not even the log can be begun: read from memory
        assert len(store.jobs()) >= 1
        assert refused(store.new_job).code == "disk-full"


def test_rows_changed_outside_gapvision_are_told(data):
    db = sqlite3.connect(data / "records.sqlite")
    db.execute("UPDATE visits SET on_date = '2026-03-09'")
    db.commit()
    db.close()
    with Store(data) as store:
        assert store.check() == ["rows are not as gapvision saved them", "visit 1 is not as it was stored"]


def test_a_backup_on_a_medium_protected_since_is_refused_in_words(tmp_path, monkeypatch):
    """Such a medium answers EROFS (30 on Linux) to the removal of a file that is not there, too."""
    import errno
    import sqlite3

    real = sqlite3.connect

    def protected(path, *args, **how):
        if "copies" in str(path) and str(path).endswith(".new"):
            raise sqlite3.OperationalError("unable to open database file")
        return real(path, *args, **how)

    def gone(self, missing_ok=False):
        raise OSError(errno.EROFS, "Read-only file system", str(self))

    with Store(tmp_path / "data") as store:
        store.new_job(reference="17")
        back_up(store, tmp_path / "copies")
        monkeypatch.setattr("gapvision.records.database.sqlite3.connect", protected)
        monkeypatch.setattr(Path, "unlink", gone)
        with pytest.raises(GapvisionError) as caught:
            back_up(store, tmp_path / "copies")
        monkeypatch.undo()
    assert caught.value.code == "folder-not-writable"


def test_a_restore_that_is_cut_off_leaves_no_records_without_their_photos(tmp_path, monkeypatch):
    fill(tmp_path / "data", JPEG, JPEG + b"2")
    with Store(tmp_path / "data") as store:
        back_up(store, tmp_path / "copies")
    real = PhotoFolder.keep

    def cut_off(self, data, suffix):
        real(self, data, suffix)
        raise KeyboardInterrupt

    with monkeypatch.context() as patched:
        patched.setattr(PhotoFolder, "keep", cut_off)
        with pytest.raises(KeyboardInterrupt):
            restore(tmp_path / "copies", tmp_path / "new")
    assert [p.name for p in (tmp_path / "new").iterdir()] == ["photos"]
    done = restore(tmp_path / "copies", tmp_path / "new")  # given again it goes on
    assert (done.copied, done.missing) == (1, ())
    with Store(tmp_path / "new") as store:
        assert store.verify().problems == ()
