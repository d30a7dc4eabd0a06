"""Scenes drawn by lot by the project's own generator, measured as a user would."""

import json

import pytest

from gapvision.bench import accuracy, make_photos

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def totals(tmp_path_factory):
    folder = tmp_path_factory.mktemp("scenes")
    assert make_photos.main([str(folder), "--random", "9", "--seed", "11"]) == 0
    assert len(list(folder.glob("*.truth.json"))) == 9
    assert json.loads((folder / "scene11_000.truth.json").read_text())["backlight"]
    return accuracy.totals(accuracy.score_folder(folder))


def test_hardly_ever_trusted_and_wrong(totals):
    assert totals.wrong_share <= 0.02


def test_the_stated_u_holds(totals):
    assert totals.within_u >= 0.90


def test_the_seam_is_covered_and_no_photo_refused(totals):
    assert totals.coverage >= 0.85
    assert totals.good_refused == 0


def test_lit_from_behind_is_useful(totals):
    assert totals.useful_backlit_share >= 0.85
