"""The bench's scorer with measurements made from the truth itself, spoilt by known amounts."""

import json
from dataclasses import replace

import numpy as np
import pytest

from gapvision.lab.bench import accuracy
from gapvision.lab.bench.scoring import print_scale, score, score_set
from gapvision.model import Edge, GapProfile, Measurement, SeenPhoto, Step, Straightness

PHOTO = SeenPhoto(file="x.jpg", sha256="0" * 64, width_px=4032, height_px=3024)


@pytest.fixture(scope="module")
def truth(request):
    file = request.config.rootpath / "sample_images" / "backlit_bonnet_gap.truth.json"
    return json.loads(file.read_text(encoding="utf-8"))


def measured(truth, *, gap_add=0.0, u=0.1, part=slice(None), swap=False, shift_px=0.0, status="ok"):
    e = truth["edges"]
    pick = np.nonzero(e["visible"])[0][::2][part]
    a, b = (np.array(e[k])[pick] for k in ("A_px", "B_px"))
    a = a + np.array([0.0, shift_px])
    b = b + np.array([0.0, shift_px])
    t_a, t_b = (np.array(e[k])[pick] for k in ("tA", "tB"))
    if swap:
        a, b, t_a, t_b = b, a, -t_b, -t_a
    zero = np.zeros(len(pick))
    profile = GapProfile(
        s_mm=np.array(e["s"])[pick] + 300,
        gap_mm=np.array(e["gap"])[pick] + gap_add,
        expanded_u_mm=zero + u,
        edge_a_px=a,
        edge_b_px=b,
        edge_a_mm=t_a,
        edge_b_mm=t_b,
        edge_a_u_mm=zero + u,
        edge_b_u_mm=zero + u,
    )
    zones = [truth["straightness"][k]["min_zone_mm"] for k in ("AB" if not swap else "BA")]
    forms = [Straightness(min_zone_mm=z, lsq_mm=z, expanded_u_mm=0.1, span_mm=300.0) for z in zones]
    return Measurement(
        status=status, notices=(), photos=(PHOTO,), profile=profile, straightness_a=forms[0], straightness_b=forms[1],
        step_used=Step(mean_mm=-0.3 if swap else 0.3, expanded_u_mm=0.1),
    )  # fmt: skip


@pytest.mark.parametrize("swap", [False, True])
def test_the_truth_itself_scores_full_marks(truth, swap):
    s = score(measured(truth, swap=swap), truth)
    assert np.abs(s.errors_mm).max() < 1e-3
    assert s.covered_mm == s.trusted_mm == s.useful_mm == s.reach_mm > 200
    assert s.wrong_mm == s.stray == 0
    assert s.flush_error_mm == pytest.approx(0)
    assert s.status_right
    assert max(abs(v) for v in s.edge_bias_mm.values()) < 1e-3
    assert max(abs(e) for e, _ in s.straightness_mm) < 0.01
    assert all(trusted for _, trusted in s.straightness_mm)


def test_a_gap_read_too_wide(truth):
    s = score(measured(truth, gap_add=0.5, u=0.2), truth)
    assert s.errors_mm.mean() == pytest.approx(0.5, abs=1e-3)
    assert s.within_u == 0
    assert s.wrong_mm == s.trusted_mm == s.reach_mm
    assert s.useful_mm == 0


def test_a_large_u_is_not_trusted(truth):
    s = score(measured(truth, gap_add=0.5, u=0.6), truth)
    assert s.within_u == 1
    assert s.trusted_mm == s.wrong_mm == 0
    assert s.covered_mm == s.reach_mm


def test_half_the_stations_cover_half_the_seam(truth):
    m = measured(truth)
    n = len(m.profile.s_mm)
    s = score(measured(truth, part=slice(0, n // 2)), truth)
    assert s.covered_mm / s.reach_mm == pytest.approx(0.5, abs=0.1)


def test_another_line_is_stray(truth):
    s = score(measured(truth, shift_px=400), truth)
    assert s.stray == len(measured(truth).profile.s_mm)
    assert s.covered_mm == 0


def test_an_edge_read_too_far_into_its_panel_is_positive(truth):
    # B is the upper edge of this photo: 5 px up is 5 px into B and out of A
    s = score(measured(truth, shift_px=-5), truth)
    ppm = truth["render"]["px_per_mm"]
    assert s.edge_bias_mm["B"] == pytest.approx(5 / ppm, rel=0.1)
    assert s.edge_bias_mm["A"] == pytest.approx(-5 / ppm, rel=0.1)


def test_a_refused_photo(truth):
    refused = Measurement(status="refused", notices=(), photos=(PHOTO,))
    s = score(refused, truth)
    assert s.covered_mm == 0
    assert not s.status_right
    t = accuracy.totals([s])
    assert t.good_refused == 1
    assert t.coverage == 0
    assert t.bias_mm is None
    assert "NO" in accuracy.photo_line(s)
    assert "-" in accuracy.totals_text(t)


def test_totals_weigh_by_seam_and_pick_the_worst(truth):
    right, wrong = score(measured(truth), truth), score(measured(truth, gap_add=0.5, u=0.2, status="warn"), truth)
    t = accuracy.totals([right, wrong, right])
    assert t.useful_share == pytest.approx(2 / 3)
    assert t.wrong_share == pytest.approx(1 / 3)
    assert t.worst_within_u == 0
    assert t.max_mm == pytest.approx(0.5, abs=1e-3)
    assert (t.right_photos, t.right_photos_ok, t.good_status_right) == (2, 2, 2)
    assert t.useful_backlit_share == pytest.approx(2 / 3)


@pytest.mark.parametrize(("given", "pair"), [(0.97, (0.97, 0.97)), ([1.01, 0.995], (1.01, 0.995))])
def test_print_scale(given, pair):
    assert print_scale({"print_scale": given}) == pair


def test_an_empty_folder_is_said_in_words(tmp_path, capsys):
    assert accuracy.main([str(tmp_path)]) == 2
    assert "There is no photo with a NAME.truth.json" in capsys.readouterr().err


def named(truth):
    return replace(PHOTO, file=f"{truth['name']}.jpg")


def test_a_set_of_one_photo_scores_as_the_photo(truth):
    m = replace(measured(truth, gap_add=0.2, u=0.22), photos=(named(truth),))
    one, several = score(m, truth), score_set(m, [truth])
    for part in ("reach_mm", "covered_mm", "trusted_mm", "useful_mm", "wrong_mm", "stray", "flush_error_mm"):
        assert getattr(several, part) == pytest.approx(getattr(one, part))
    np.testing.assert_allclose(several.errors_mm, one.errors_mm, atol=1e-6)


def test_stations_count_in_the_photo_that_they_name(truth):
    # The same scene in a photo that lies 400 px higher: its stations are right there and stray in the other.
    moved = {**json.loads(json.dumps(truth)), "name": "z_moved"}
    for key in ("A_px", "B_px"):
        moved["edges"][key] = (np.array(truth["edges"][key]) - np.array([0.0, 400.0])).tolist()
    m = measured(truth, shift_px=-400.0)
    photos, n = (named(truth), named(moved)), len(m.profile.s_mm)
    second = replace(m, photos=photos, profile=m.profile.picked(slice(None), photo=np.ones(n, int)))
    right = score_set(second, [truth, moved])
    assert right.stray == 0
    assert right.useful_mm == right.reach_mm > 200
    assert score_set(replace(m, photos=photos), [truth, moved]).useful_mm == 0
    # The first photo was left out: the one that is left has number 0 then.
    assert score_set(replace(m, photos=photos[1:]), [truth, moved]).useful_mm == right.reach_mm


def test_a_rolls_radius_is_held_against_the_true_one(truth):
    true = truth["edge_types"]["A"]["r"]
    rolled = Edge(kind="rolled", source="measured", depth_mm=1.0, depth_std_u_mm=0.1, radius_mm=true + 0.12)
    cut = Edge(kind="cut", source="measured", depth_mm=0.1, depth_std_u_mm=0.1)
    made = score_set(replace(measured(truth), photos=(named(truth),), edge_a=rolled, edge_b=cut), [truth])
    assert made.radius_errors_mm == [pytest.approx(0.12)]
