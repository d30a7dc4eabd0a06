"""A job out of one shop's records and into another's; every field of the way in is checked."""

import hashlib
import json

import pytest

from gapvision.errors import GapvisionError
from gapvision.formats.job_file import job_bytes, job_from_data
from gapvision.records import Conditions, NewPhoto, Store
from tests.records.invented import invented, invented_set

JPEG = b"\xff\xd8\xff\xe0 an invented picture"


@pytest.fixture
def stores(tmp_path):
    with Store(tmp_path / "one") as one, Store(tmp_path / "two") as two:
        yield one, two


def fill(store):
    job = store.new_job(reference="17", customer="Åse", car="saloon", notes="n", opened_on="2026-03-01")
    panel = store.put_panel(job.job_id, "door", side="left", metal="aluminium", length_mm=1000)
    seam = store.add_seam(job.job_id, "door, rear", side="left", panel_id=panel.panel_id, spec={"nominal": "3/16in"})
    visit = store.add_visit(
        job.job_id, "as found", on_date="2026-03-02", conditions=Conditions(latched=True, metal_temp_c=8.0)
    )
    line = store.save_photo(seam.seam_id, visit.visit_id, JPEG, ".jpg", invented(5.0), file_name="a.jpg")
    store.add_measurement(line.shot_id, invented(4.9, method=2))
    store.add_verdict(line.measurement_id, decision="not proven", rule="proven", body={"why": "x"})
    store.add_note(job.job_id, "Spot weld", seam_id=seam.seam_id)
    store.add_plan(job.job_id, "door", {"sentences": ["Move."]})
    gone = store.save_photo(seam.seam_id, visit.visit_id, JPEG + b"2", ".jpg", invented())
    store.delete("photo", gone.shot_id)
    return job


def data_of(store, job):
    """A job as an export holds it."""
    return json.loads(job_bytes(store.job_data(job.job_id)))


def take(store, data, photo=JPEG):
    return store.take_job(job_from_data(data), lambda sha256: photo)


def without_numbers(data):
    """Names given anew on the way in: of seams, visits, shots and results."""
    text = json.loads(json.dumps(data))
    uids = {}
    for part in ("panels", "seams", "visits", "shots", "notes", "plans"):
        for k, entry in enumerate(text[part]):
            uids[entry["uid"]] = f"{part}{k}"
            entry.pop("uid")
    for shot in text["shots"]:
        for m in shot["measurements"]:
            m.pop("uid")
    as_text = json.dumps(text)
    for uid, name in uids.items():
        as_text = as_text.replace(uid, name)
    return json.loads(as_text)


def test_there_and_back(stores):
    one, two = stores
    job = fill(one)
    data = data_of(one, job)
    assert len(data["shots"]) == 1  # what lies in the bin stays here
    taken = take(two, data)
    assert without_numbers(data_of(two, taken)) == without_numbers(data)
    assert two.check() == []
    with pytest.raises(GapvisionError) as caught:
        take(two, data)
    assert caught.value.code == "job-here-already"


def test_a_reference_in_use_gets_a_number(stores):
    one, two = stores
    job = fill(one)
    two.new_job(reference="17")
    assert take(two, data_of(one, job)).reference == "17 (2)"


def test_the_same_job_again_after_it_went_into_the_bin(stores):
    one, two = stores
    data = data_of(one, fill(one))
    first = take(two, data)
    two.delete("job", first.job_id)
    again = take(two, data)
    assert again.reference == "17"
    assert len(two.jobs()) == 1


def test_a_photo_that_is_not_its_hash(stores):
    one, two = stores
    data = data_of(one, fill(one))
    with pytest.raises(GapvisionError) as caught:
        take(two, data, b"another picture")
    assert caught.value.code == "job-data-bad"
    assert two.jobs() == []


def everything_in(store):
    """Files and photos' rows of a data folder."""
    files = sorted(p.name for p in store.photos.folder.rglob("*") if p.is_file())
    return files, sorted(r[0] for r in store.database.rows("SELECT sha256 FROM photos"))


def test_a_refused_import_leaves_nothing_behind(stores):
    """Eight photos stayed when the ninth was refused; those that were there before stay where they are."""
    one, two = stores
    job = fill(one)
    (seam,), (visit,) = one.seams(job.job_id), one.visits(job.job_id)
    more = [JPEG + bytes([k]) for k in range(3)]
    for photo in more:
        one.save_photo(seam.seam_id, visit.visit_id, photo, ".jpg", invented())
    data = data_of(one, job)
    photos = {hashlib.sha256(p).hexdigest(): p for p in (JPEG, *more)}
    own = two.new_job().job_id
    two.save_photo(two.add_seam(own, "sill").seam_id, two.add_visit(own, "as found").visit_id, JPEG, ".jpg", invented())
    before = everything_in(two)
    forged = photos | {data["shots"][-1]["photo"]["sha256"]: b"forged"}
    with pytest.raises(GapvisionError, match="not the one that its name says"):
        two.take_job(job_from_data(data), forged.__getitem__)
    assert everything_in(two) == before
    spoil(["seams", 0, "side"], "top")(data)
    with pytest.raises(GapvisionError, match="'top' is not a side"):
        two.take_job(job_from_data(data), photos.__getitem__)
    assert everything_in(two) == before
    spoil(["seams", 0, "side"], "left")(data)
    two.take_job(job_from_data(data), photos.__getitem__)
    assert len(everything_in(two)[0]) == 4


def spoil(path, value):
    def change(data):
        at = data
        for key in path[:-1]:
            at = at[key]
        at[path[-1]] = value

    return change


@pytest.mark.parametrize(
    "change",
    [
        spoil(["schema"], "gapvision-job/9"),
        spoil(["job"], None),
        spoil(["job", "reference"], 5),
        spoil(["job", "uid"], ""),
        spoil(["job", "notes"], "x" * 200_000),
        spoil(["seams"], {}),
        spoil(["seams", 0, "side"], "top"),
        spoil(["seams", 0, "spec"], "text"),
        spoil(["seams", 0, "panel"], "nobody"),
        spoil(["panels", 0, "metal"], "wood"),
        spoil(["panels", 0, "length_mm"], "long"),
        spoil(["visits", 0, "conditions", "latched"], "perhaps"),
        spoil(["visits", 0, "conditions", "metal_temp_c"], 1e9),
        spoil(["visits", 0, "conditions", "support"], 7),
        spoil(["shots", 0, "seam"], "nobody"),
        spoil(["shots", 0, "photo", "sha256"], "../../etc/passwd"),
        spoil(["shots", 0, "photo", "suffix"], ".exe"),
        spoil(["shots", 0, "measurements", 0, "content"], []),
        spoil(["shots", 0, "measurements", 0, "content", "status"], "fine"),
        spoil(["shots", 0, "measurements", 0, "content", "stations"], 5),
        spoil(["shots", 0, "measurements", 0, "verdicts", 0, "decision"], "perfect"),
        spoil(["notes", 0, "text"], None),
        spoil(["plans", 0, "body"], 3),
        lambda data: data.pop("plans"),
    ],
)
def test_spoilt_data_is_refused_and_nothing_is_stored(stores, change):
    one, two = stores
    data = data_of(one, fill(one))
    change(data)
    with pytest.raises(GapvisionError) as caught:
        take(two, data)
    assert caught.value.code in ("job-data-bad", "record-text-bad")
    assert two.jobs() == []
    assert two.database.problems() == []


def test_a_refusal_names_the_place(stores):
    one, two = stores
    data = data_of(one, fill(one))
    data["shots"][0]["measurements"][0]["verdicts"][0]["rule"] = 3
    with pytest.raises(GapvisionError) as caught:
        take(two, data)
    assert caught.value.message == (
        "The export's job, shots[0].measurements[0].verdicts[0].rule: a text is expected, not a whole number."
    )
    assert caught.value.next_step == "Ask for the export again; nothing was stored."


def test_a_set_of_photos_there_and_back(stores):
    """All its photos go along, with which result was made from which of them."""
    one, two = stores
    job = one.new_job(reference="18")
    seam, visit = one.add_seam(job.job_id, "door, rear"), one.add_visit(job.job_id, "as found", on_date="2026-03-02")
    pictures = {f"{k}.jpg": JPEG + b"of a set" + bytes([k]) for k in range(3)}
    names = {name: hashlib.sha256(data).hexdigest() for name, data in pictures.items()}
    new = [NewPhoto(data=data, suffix=".jpg", file_name=name) for name, data in pictures.items()]
    alone = one.save_photos(seam.seam_id, visit.visit_id, new[1:2], invented())
    both = one.save_photos(
        seam.seam_id, visit.visit_id, new[:2], invented_set(dict(list(names.items())[:2])), shot_id=alone.shot_id
    )
    three = one.save_photos(seam.seam_id, visit.visit_id, new, invented_set(names), shot_id=alone.shot_id)
    assert [[p.file_name for p in line.photos] for line in one.history(seam.seam_id)] == [
        ["1.jpg"], ["0.jpg", "1.jpg"], ["0.jpg", "1.jpg", "2.jpg"],
    ]  # fmt: skip
    assert [line.newest for line in one.history(seam.seam_id)] == [False, False, True]
    assert three.photo.sha256 == both.photo.sha256 == names["0.jpg"]
    data = data_of(one, job)
    assert len(data["shots"]) == 1
    by_hash = {names[name]: picture for name, picture in pictures.items()}
    taken = two.take_job(job_from_data(data), by_hash.__getitem__)
    assert without_numbers(data_of(two, taken)) == without_numbers(data)
    assert two.check() == one.check() == []
    line = two.job_lines(taken.job_id)[-1]
    assert [two.photo_bytes(p) for p in line.photos] == list(pictures.values())


def test_photos_of_a_set_go_with_it_and_not_before(stores):
    one, _ = stores
    job = one.new_job(reference="18")
    seam, visit = one.add_seam(job.job_id, "door, rear"), one.add_visit(job.job_id, "as found", on_date="2026-03-02")
    new = [NewPhoto(data=JPEG + bytes([k]), suffix=".jpg", file_name=f"{k}.jpg") for k in range(2)]
    names = {p.file_name: hashlib.sha256(p.data).hexdigest() for p in new}
    line = one.save_photos(seam.seam_id, visit.visit_id, new, invented_set(names))
    assert one.empty_bin() == (0, 0)
    one.delete("photo", line.shot_id)
    assert one.empty_bin() == (1, 2)
    assert one.check() == []
