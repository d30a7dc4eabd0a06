"""The ray-traced photos kept beside the checkout, judged by their own scorer and by the bench.

Source of truth and scorer: ../shared/photos and its yardstick, made outside this project. The least that must be
reached is the 'at least' column of the issue that asked for the measuring core.
"""

import json
import subprocess
import sys

import numpy as np
import pytest

from gapvision.intake.photo import read_photo
from gapvision.lab.bench import accuracy
from gapvision.vision.detect import find_strips
from gapvision.vision.sheet import bit_contrasts, read_sheet

pytestmark = [pytest.mark.slow, pytest.mark.shared]

#: figure of the yardstick -> (least, largest); None: no limit
# Guards against falling back from what was measured on 2026-11-28, the strips stated to be of one sheet (method 10:
# useful 0.28, within U 0.98, worst photo 0.86; method 9: 0.25, 0.98, 0.82; method 8: 0.32, 0.97, 0.80).
YARDSTICK_LIMITS = {
    "useful_share": (0.27, None),
    "wrong_trusted_share": (None, 0.002),
    "trusted_p95": (None, 0.185),
    "within_u": (0.92, 0.99),
    "worst_photo_within_u": (0.80, None),
    "coverage": (0.95, None),
}


@pytest.fixture(scope="module")
def photos(request):
    folder = request.config.rootpath.parent / "shared" / "photos"
    if not (folder / "yardstick" / "score.py").exists():
        pytest.skip("the shared photos are not beside this checkout")
    return folder


@pytest.fixture(scope="module")
def scores(photos, tmp_path_factory):
    keep = tmp_path_factory.mktemp("measurements")
    return accuracy.score_folder(photos, keep, one_sheet=True), keep


@pytest.fixture(scope="module")
def yardstick(photos, scores, tmp_path_factory):
    out = tmp_path_factory.mktemp("yardstick") / "summary.json"
    words = [sys.executable, str(photos / "yardstick" / "score.py"), str(photos), str(scores[1]), "--out", str(out)]
    done = subprocess.run(words, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    sys.stdout.write(done.stdout)  # shown with the failure, or with -rA
    return json.loads(out.read_text(encoding="utf-8"))["overall"]


def test_strips_without_a_number_are_of_no_sheet(photos):
    """A number read where none was printed would bring another sheet's print scale: hardly a bit may be sure."""
    seen = 0
    for path in sorted(photos.glob("*.jpg")):
        photo = read_photo(path)
        for view in find_strips(photo):
            assert read_sheet(photo.grey, view) is None
            soft = bit_contrasts(photo.grey, view)
            seen += soft is not None
            assert soft is None or (np.abs(soft[np.isfinite(soft)]) > 0.12).mean() < 0.02, path.name
    assert seen > 60


def test_what_a_user_states_makes_u_smaller_and_keeps_it_true(photos, scores):
    """Edges and step as they are.  Measured 2026-11-28: mean U 0.63 -> 0.60, useful 0.25 -> 0.35.

    Trusted yet wrong 0.0000 -> 0.0001, though less U is left to cover the wrong line of one photo.
    """
    plain, stated = (accuracy.totals(s) for s in (scores[0], accuracy.score_folder(photos, state=True, one_sheet=True)))
    assert stated.mean_u_mm < 0.96 * plain.mean_u_mm
    assert stated.useful_share > plain.useful_share + 0.08
    assert stated.within_u >= 0.90
    assert stated.wrong_share <= 0.002
    assert stated.bad_status_right == stated.bad


@pytest.mark.parametrize("figure", YARDSTICK_LIMITS)
def test_at_least(figure, yardstick):
    low, high = YARDSTICK_LIMITS[figure]
    value = yardstick[figure]
    assert low is None or value >= low
    assert high is None or value <= high


def test_every_bad_photo_is_refused_or_warned_about(yardstick):
    assert yardstick["bad"] == 8
    assert yardstick["bad_status_right"] == yardstick["bad"]


def test_no_good_photo_is_refused(scores):
    assert [s.name for s in scores[0] if s.good and s.status == "refused"] == []


def test_backlit_photos_that_are_not_burnt_out(scores):
    assert accuracy.totals(scores[0]).useful_backlit_share >= 0.85


def test_step_between_the_panels(scores):
    """Strips on both sides, within 350 mm: each photo."""
    errors = {s.name: s.flush_error_mm for s in scores[0] if s.good and s.flush_counts and s.flush_error_mm is not None}
    assert errors
    assert {name: e for name, e in errors.items() if abs(e) > 0.25} == {}


def test_straightness_where_both_edges_are_trusted(scores):
    assert accuracy.totals(scores[0]).straightness_trusted_mean_error_mm <= 0.12


def test_photos_that_come_out_right_are_not_warned_about(scores):
    t = accuracy.totals(scores[0])
    assert t.right_photos_ok >= 0.80 * t.right_photos > 0


def test_the_bench_and_the_yardstick_agree(scores, yardstick):
    """Two scorers, written apart: shares to 0.01, lengths to 0.01 mm."""
    t = accuracy.totals(scores[0])
    mine = [t.coverage, t.useful_share, t.trusted_share, t.wrong_share, t.bias_mm, t.trusted_p95_mm, t.within_u]
    keys = ["coverage", "useful_share", "trusted_share", "wrong_trusted_share", "bias", "trusted_p95", "within_u"]
    assert np.allclose(mine, [yardstick[k] for k in keys], atol=0.01)
