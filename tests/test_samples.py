"""The sample photos that ship with the program, as the demo and the page list them."""

import hashlib

from gapvision.samples import DEMO_PHOTO, FOLDER, find_sample, list_samples


def test_in_a_checkout_the_demo_photo_first_then_all_others(request):
    found = list_samples()
    paths = [s.path for s in found]
    assert paths[0] == DEMO_PHOTO
    beside = request.config.rootpath / "sample_images"
    assert set(paths) == {*FOLDER.glob("*.jpg"), *beside.glob("*.jpg")}
    assert len({s.sha256 for s in found}) == len(found) > 8, "no photo is kept twice"


def test_installed_and_started_anywhere_only_what_ships(tmp_path, monkeypatch):
    monkeypatch.setattr("gapvision.samples._BESIDE", tmp_path / "nowhere")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "sample_images").mkdir()
    (tmp_path / "sample_images" / "mine.jpg").write_bytes(b"somebody's own")
    assert {s.path for s in list_samples()} == set(FOLDER.glob("*.jpg"))


def test_found_by_the_hash_of_its_bytes():
    sha256 = hashlib.sha256(DEMO_PHOTO.read_bytes()).hexdigest()
    assert find_sample(sha256).path == DEMO_PHOTO
    assert find_sample("0" * 64) is None
    assert find_sample(sha256).title == "left door 2"


def test_they_stay_small():
    assert sum(p.stat().st_size for p in FOLDER.glob("*.jpg")) < 8e6
