"""Jobs, photos, results, and the bin through the store's door."""

import hashlib
import multiprocessing
import shutil
import threading
from pathlib import Path

import pytest

from gapvision.errors import GapvisionError
from gapvision.records import Conditions, Store, back_up
from tests.records.invented import invented

JPEG = b"\xff\xd8\xff\xe0 an invented picture"


@pytest.fixture
def store(tmp_path):
    with Store(tmp_path / "data") as opened:
        yield opened


@pytest.fixture
def seam_visit(store):
    job = store.new_job(reference="17", customer="Åse Prøve", car="bubble-shaped saloon", opened_on="2026-03-01")
    seam = store.add_seam(job.job_id, "door, rear", side="left")
    visit = store.add_visit(job.job_id, "as found", on_date="2026-03-02", who="Sam")
    return seam, visit


def refused(call, *args, **kwargs):
    with pytest.raises(GapvisionError) as caught:
        call(*args, **kwargs)
    return caught.value.code


def test_references_count_up_by_year(store):
    assert store.new_job(opened_on="2026-01-05").reference == "2026-001"
    store.new_job(reference="2026-041")
    assert store.new_job(opened_on="2026-01-06").reference == "2026-042"
    assert store.new_job(opened_on="2027-01-06").reference == "2027-001"


@pytest.mark.parametrize(
    ("call", "code"),
    [
        (lambda s: s.job("none"), "job-not-found"),
        (lambda s: s.job(4711), "job-not-found"),
        (lambda s: (s.new_job(reference="x"), s.new_job(reference="x")), "job-exists"),
        (lambda s: s.new_job(customer="x" * 201), "record-text-bad"),
        (lambda s: s.new_job(opened_on="yesterday"), "record-text-bad"),
        (lambda s: s.add_seam(s.new_job().job_id, "  "), "record-text-bad"),
        (lambda s: s.add_seam(s.new_job().job_id, "sill", side="top"), "record-text-bad"),
        (lambda s: s.add_seam(99, "sill"), "job-not-found"),
        (lambda s: s.seam(99), "seam-not-in-job"),
        (lambda s: s.find_seam(s.new_job().job_id, "sill"), "seam-not-in-job"),
        (lambda s: s.visit(99), "visit-not-found"),
        (lambda s: s.line(99), "measurement-not-found"),
        (lambda s: s.measurement(99), "measurement-not-found"),
        (lambda s: s.add_measurement(99, invented()), "measurement-not-found"),
        (lambda s: s.delete("job", 99), "bin-item-not-found"),
        (lambda s: s.undo_delete(), "bin-item-not-found"),
        (lambda s: s.put_panel(s.new_job().job_id, "door", metal="wood"), "record-text-bad"),
        (lambda s: s.put_panel(s.new_job().job_id, "door", length_mm=2), "value-out-of-range"),
        (lambda s: s.set_shop(logo=b"GIF89a"), "shop-setting-bad"),
        (lambda s: s.set_shop(paper="a5"), "shop-setting-bad"),
        (lambda s: back_up(s, s.folder / "backup"), "backup-target-bad"),
    ],
)
def test_refusals(store, call, code):
    assert refused(call, store) == code


def test_two_seams_of_one_name_are_refused_but_sides_differ(store):
    job = store.new_job()
    store.add_seam(job.job_id, "door, rear", side="left")
    store.add_seam(job.job_id, "door, rear", side="right")
    assert refused(store.add_seam, job.job_id, "door, rear", side="left") == "seam-exists"
    assert store.find_seam(job.job_id, "RIGHT door rear").side == "right"
    assert refused(store.find_seam, job.job_id, "door, rear") == "seam-not-in-job"


def test_photo_is_kept_byte_for_byte_under_its_hash(store, seam_visit):
    seam, visit = seam_visit
    line = store.save_photo(seam.seam_id, visit.visit_id, JPEG, ".JPG", invented(), file_name="IMG 1.jpg")
    sha256 = hashlib.sha256(JPEG).hexdigest()
    path = store.folder / "photos" / sha256[:2] / f"{sha256}.jpg"
    assert path.read_bytes() == JPEG == store.photo_bytes(line.photo)
    assert store.measurement(line.measurement_id) == invented()
    assert line.u_mm == pytest.approx(0.1)
    path.write_bytes(JPEG + b"!")
    assert refused(store.photo_bytes, line.photo) == "stored-photo-changed"
    assert store.check() == [f"The photo {path.name} is not the one that was stored."]
    store.save_photo(seam.seam_id, visit.visit_id, JPEG, ".jpg", invented())  # the same photo again mends it
    assert store.check() == []
    path.unlink()
    assert refused(store.photo_bytes, line.photo) == "stored-photo-missing"


def test_measuring_again_keeps_the_old_result(store, seam_visit):
    seam, visit = seam_visit
    old = store.save_photo(seam.seam_id, visit.visit_id, JPEG, ".jpg", invented(5.0, method=1))
    new = store.add_measurement(old.shot_id, invented(4.9, method=2))
    lines = store.history(seam.seam_id)
    assert [(x.method_version, x.newest) for x in lines] == [(1, False), (2, True)]
    assert store.measurement(old.measurement_id)["gap"]["mean_mm"] == invented(5.0)["gap"]["mean_mm"]
    assert store.seam_states(seam.job_id)[0].latest == store.line(new.measurement_id)


def test_latest_is_by_day_and_a_refused_photo_says_nothing(store, seam_visit):
    seam, visit = seam_visit
    later = store.add_visit(seam.job_id, "after fit-up", on_date="2026-04-01")
    good = store.save_photo(seam.seam_id, later.visit_id, JPEG, ".jpg", invented(4.8))
    store.save_photo(seam.seam_id, visit.visit_id, JPEG + b"2", ".jpg", invented(6.0))  # an older day, stored later
    store.save_photo(seam.seam_id, later.visit_id, JPEG + b"3", ".jpg", invented(status="refused"))
    store.add_verdict(good.measurement_id, decision="out of tolerance", rule="proven", body={})
    store.add_verdict(good.measurement_id, decision="in tolerance", rule="simple", body={"why": "ä"})
    (state,) = store.seam_states(seam.job_id)
    assert state.latest.measurement_id == good.measurement_id
    assert state.results == 3
    assert state.latest.verdict.decision == "in tolerance"
    (entry,) = store.jobs()
    assert (entry.seams, entry.measured, entry.in_tolerance, entry.out_of_tolerance) == (1, 1, 1, 0)
    assert entry.last_on == "2026-04-01"
    assert store.verdict(good.measurement_id).body == {"why": "ä"}
    assert [x.visit.stage for x in store.history(seam.seam_id)] == ["as found", "after fit-up", "after fit-up"]


@pytest.mark.parametrize(
    ("words", "found"),
    [
        ("", 2),
        ("saloon", 1),
        ("SALO prove", 1),
        ("left door", 1),
        ("μπλε", 1),
        ("100%", 1),
        ("a_b", 0),
        ("as found", 1),
        ("sam", 1),
        ("weld", 1),
        ("saloon roadster", 0),
        ("'; DROP TABLE jobs", 0),
    ],
)
def test_search_by_any_words(store, seam_visit, words, found):
    store.add_note(seam_visit[0].job_id, "Spot weld under the lead", who="Sam")
    store.new_job(reference="18", car="Μπλε roadster, 100% stripped")
    assert len(store.jobs(words)) == found


def test_the_bin_brings_things_back(store, seam_visit):
    seam, visit = seam_visit
    line = store.save_photo(seam.seam_id, visit.visit_id, JPEG, ".jpg", invented())
    store.delete("photo", line.shot_id)
    assert store.history(seam.seam_id) == []
    assert store.jobs()[0].measured == 0
    store.delete("seam", seam.seam_id)
    store.delete("job", seam.job_id)
    assert store.jobs() == []
    assert [i.kind for i in store.bin()] == ["job", "seam", "photo"]
    assert store.bin()[0].label == "job 17, Åse Prøve"
    for _ in range(3):
        store.undo_delete()
    assert store.history(seam.seam_id) == [line]
    assert store.bin() == []


def test_undo_refuses_a_name_in_use_again(store):
    job = store.new_job(reference="7")
    store.delete("job", job.job_id)
    store.new_job(reference="7")
    assert refused(store.undo_delete) == "job-exists"
    assert len(store.bin()) == 1


def test_emptying_the_bin_removes_only_photos_nothing_needs(store, seam_visit):
    seam, visit = seam_visit
    first = store.save_photo(seam.seam_id, visit.visit_id, JPEG, ".jpg", invented())
    other = store.add_seam(seam.job_id, "bonnet, rear")
    store.save_photo(other.seam_id, visit.visit_id, JPEG, ".jpg", invented())
    alone = store.save_photo(other.seam_id, visit.visit_id, JPEG + b"2", ".jpg", invented())
    store.delete("photo", first.shot_id)
    store.delete("photo", alone.shot_id)
    assert store.empty_bin() == (2, 1)
    assert store.check() == []
    assert store.photo_bytes(first.photo) == JPEG
    assert refused(store.photo_bytes, alone.photo) == "stored-photo-missing"


def test_a_save_that_fails_half_way_leaves_no_row(store, seam_visit):
    seam, visit = seam_visit
    bad = (seam.seam_id, visit.visit_id, JPEG, ".jpg", {"status": "?"})
    assert refused(store.save_photo, *bad) == "measurement-file-bad"
    assert store.history(seam.seam_id) == []
    assert store.database.rows("SELECT * FROM shots") == []

    def cut_off():
        with store.database.saving():
            store.new_job(reference="lost")
            raise RuntimeError("power cut")

    with pytest.raises(RuntimeError, match="power"):
        cut_off()
    assert refused(store.job, "lost") == "job-not-found"


def test_an_inner_failure_takes_back_only_its_own(store):
    with store.database.saving():
        store.new_job(reference="a")
        assert refused(store.new_job, reference="a") == "job-exists"
        store.new_job(reference="b")
    assert {j.job.reference for j in store.jobs()} == {"a", "b"}


def test_visits_are_shared_by_stage_day_person_and_conditions(store):
    job = store.new_job()
    ticks = Conditions(latched=True, metal_temp_c=12.0)
    first = store.find_visit(job.job_id, "as found", on_date="2026-03-02", who="Sam", conditions=ticks)
    assert store.find_visit(job.job_id, "As Found", on_date="2026-03-02", who="sam") == first
    unlatched = Conditions(latched=False)
    other = store.find_visit(job.job_id, "as found", on_date="2026-03-02", who="Sam", conditions=unlatched)
    assert other.visit_id != first.visit_id
    assert store.visit(first.visit_id).conditions == ticks


def test_threads_share_one_store(store, seam_visit):
    seam, visit = seam_visit
    errors = []

    def phone(number):
        try:
            for k in range(5):
                store.save_photo(seam.seam_id, visit.visit_id, JPEG + bytes([number, k]), ".jpg", invented(n=10))
        except Exception as error:
            errors.append(error)

    threads = [threading.Thread(target=phone, args=(n,)) for n in range(8)]
    for t in threads:
        t.start()
    for t in threads:
        t.join()
    assert errors == []
    assert len(store.history(seam.seam_id)) == 40


def _open_and_save(task):
    folder, number = task
    with Store(folder) as opened:
        opened.new_job(customer=str(number))


@pytest.mark.parametrize("kept", [None, "version2.sqlite"], ids=["new", "older"])
def test_eight_programs_open_the_same_folder_at_once(tmp_path, kept):
    """The first one makes or migrates the database; none of them fails or loses its save."""
    here = Path(__file__).parent / "kept"
    with multiprocessing.get_context("fork").Pool(8) as pool:
        for k in range(2):
            folder = tmp_path / str(k)
            if kept is not None:
                folder.mkdir()
                shutil.copy(here / kept, folder / "records.sqlite")
            pool.map(_open_and_save, [(folder, n) for n in range(8)], chunksize=1)
            with Store(folder) as opened:
                assert len(opened.jobs()) == (8 if kept is None else 10)
                assert opened.database.problems() == []
            names = {p.name for p in folder.iterdir()} - {"records.sqlite-wal", "records.sqlite-shm", "records.head"}
            older = f"records-before-version-{int(kept[7]) + 1}.sqlite" if kept else ""
            assert names == {"records.sqlite"} | ({older} if kept else set())


def test_shop_settings(store):
    shop = store.set_shop(name="Karosseri Prøve", logo=b"\x89PNG\r\n\x1a\n123", paper="letter", units="inch")
    assert store.shop() == shop
    assert (shop.name, shop.paper, shop.units) == ("Karosseri Prøve", "letter", "inch")
    assert store.set_shop(logo=b"").logo is None


@pytest.mark.parametrize(
    ("old", "said"),
    [
        ({"nominal": "3/16in", "allow_below": "0.5mm", "name": "x"},
         "wanted gap 4.76 mm (0.188 in); allowed below it 0.50 mm (0.020 in)."),
        ({"nominal": [{"at": "0%", "gap": "5mm"}, {"at": "100%", "gap": "4mm"}], "largest_hole": "3mm"},
         "wanted gap 0% 5.00 mm (0.197 in), 100% 4.00 mm (0.157 in)."),  # the longest hole was not changed
        ({"nominal": [7, {"gap": None}], "deep_one": {"a": []}}, "wanted gap 7, None; deep one "),  # an export's
        ({"name": "x"}, "nothing"),
        ({"nominal": "9" * 50_000}, "wanted gap 999"),
    ],
)
def test_a_change_of_what_is_wanted_is_noted(store, old, said):
    job = store.new_job()
    seam = store.add_seam(job.job_id, "sill", spec=old)
    new = {"nominal": "5mm", "largest_hole": "3mm"}
    assert store.edit_seam(seam.seam_id, spec=new, who="Sam").spec == new
    (note,) = store.notes(job.job_id)
    assert note.text.startswith(f"What is wanted of sill was changed. Before: {said}")
    now = "" if "largest_hole" in old else "; longest stretch without a reading 3.00 mm (0.118 in)"
    assert note.text.endswith(f" Now: wanted gap 5.00 mm (0.197 in){now}.")
    assert (note.who, note.seam_id) == ("Sam", seam.seam_id)
    store.edit_seam(seam.seam_id, spec=new | {"source": "another"})
    assert len(store.notes(job.job_id)) == 1  # it asks for the same
