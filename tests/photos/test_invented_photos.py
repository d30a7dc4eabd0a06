"""Scenes drawn by lot by the project's own generator, measured as a user would."""

import json
import sys
from dataclasses import replace

import pytest

from gapvision.lab.bench import accuracy, make_photos
from gapvision.lab.scenes import StripSpec, render_scene
from gapvision.lab.scenes.samples import random_scene

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


def test_lit_from_behind_and_square_on_is_useful(tmp_path):
    """As the how-to asks: gap lit from behind and not burnt out, camera square on and near, a strip on each side.

    Measured 0.87 (2026-11-27); on twelve such scenes 0.82, so the goal of 0.85 is not met.  A roll of brushed steel
    that brightens half a millimetre from the edge leaves two readings, and U covers both.
    """
    for number in range(0, 24, 3):
        spec = random_scene(number, 21)
        strips = (StripSpec(letter="A", t_mm=-60), StripSpec(letter="B", t_mm=60))
        camera = replace(spec.camera, tilt_across_deg=spec.camera.tilt_across_deg / 4, distance_mm=310)
        jpeg, truth = render_scene(replace(spec, strips=strips, camera=camera), number)
        assert truth["render"]["gap_over_clip"] < 1
        (tmp_path / f"{spec.name}.jpg").write_bytes(jpeg)
        (tmp_path / f"{spec.name}.truth.json").write_text(json.dumps(truth))
    scores = accuracy.score_folder(tmp_path, one_sheet=True)
    sys.stdout.write("\n".join(accuracy.photo_line(s) for s in scores))
    # Method 9, strips stated to be of one sheet, as they are drawn: 0.795 (method 8: 0.82; one photo went over U 0.25).
    assert accuracy.totals(scores).useful_backlit_share >= 0.78
    assert accuracy.totals(scores).wrong_share == 0
