"""The whole recipe on invented photos with exact truth, and its refusals."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from gapvision.errors import GapvisionError
from gapvision.lab.scenes import Defect, render_grey
from gapvision.model import Settings
from gapvision.recipe import measure_photo
from tests.vision.conftest import CHECKED, PLAIN, SMALL, SPECS, photo_of

FLUSH = SPECS["flush"]


def errors(measurement, truth):
    """Measured less true gap, stations matched by the nearest true place of their edges' middle pixel."""
    p = measurement.profile
    e = truth["edges"]
    seen = np.array(e["visible"], bool)
    mid = 0.5 * (np.array(e["A_px"], float)[seen] + np.array(e["B_px"], float)[seen])
    gap = np.array(e["gap"])[seen]
    own = 0.5 * (p.edge_a_px + p.edge_b_px)
    j = np.argmin(((own[:, None] - mid[None]) ** 2).sum(2), axis=1)
    return p.gap_mm - gap[j]


@pytest.mark.parametrize(
    ("name", "limit"),
    [
        ("plain", 0.20),
        ("backlit", 0.10),
        pytest.param("rolled", 0.15, marks=pytest.mark.slow),  # test_known.py has a quick one
        pytest.param("arc", 0.20, marks=pytest.mark.slow),
        pytest.param("bent", 0.20, marks=pytest.mark.slow),
    ],
)
def test_known_gap_comes_out(scene, measured, name, limit):
    _, truth = scene(name)
    m = measured(name)
    e = errors(m, truth)
    assert m.status in ("ok", "warn")
    assert abs(np.median(e)) < limit
    assert (np.abs(e) <= m.profile.expanded_u_mm).mean() > 0.9


@pytest.mark.parametrize(("across", "along"), [(10, -5), pytest.param(-4, 8, marks=pytest.mark.slow)])
def test_the_line_of_sight_is_told_with_its_side(across, along):
    """+ across: the camera stands on side B; + along: towards the last station.

    Where it stands is computed from the scene's own pose (a pinhole's centre is -R transposed t).
    """
    camera = replace(PLAIN.camera, tilt_across_deg=across, tilt_along_deg=along)
    grey, truth = render_grey(replace(PLAIN, camera=camera), seed=3)
    pose = {k: np.array(truth["camera"][k]) for k in ("R", "t", "K")}
    place = -pose["R"].T @ pose["t"]
    m = measure_photo(photo_of(grey), CHECKED)
    # The scene's s axis in the picture, and the way in which the stations run.
    ahead, here = (pose["K"] @ (pose["R"] @ point + pose["t"]) for point in (np.array([100.0, 0, 0]), np.zeros(3)))
    axis = ahead[:2] / ahead[2] - here[:2] / here[2]
    way = np.sign(axis @ (m.profile.edge_a_px[-1] - m.profile.edge_a_px[0]))
    height = place[2]
    assert np.sign(m.scale.tilt_across_deg) == np.sign(place[1])
    assert m.scale.tilt_across_deg == pytest.approx(np.degrees(np.arctan2(place[1], height)), abs=0.5)
    assert m.scale.tilt_along_deg == pytest.approx(way * np.degrees(np.arctan2(place[0], height)), abs=0.5)


@pytest.mark.slow
def test_flush_is_reported_and_its_effect_removed(scene, measured):
    _, truth = scene("flush")
    one_sheet = replace(CHECKED, one_sheet=True)
    m = measured("flush", one_sheet)
    assert m.step.mean_mm == pytest.approx(1.0, abs=0.2)
    # Left in, 1 mm of step seen 12 degrees off square would be 0.21 mm more between two views of opposite tilt.
    other, other_truth = render_grey(replace(FLUSH, camera=replace(FLUSH.camera, tilt_across_deg=-12.0)), seed=5)
    from_the_other_side = measure_photo(photo_of(other), one_sheet)
    assert abs(np.median(errors(m, truth)) - np.median(errors(from_the_other_side, other_truth))) < 0.12


@pytest.mark.slow
def test_a_step_that_two_sheets_could_feign_is_within_its_u(measured):
    """The same photo with nothing said of the strips: 1 % of print scale would look like a step of 3 mm."""
    m = measured("flush")
    assert abs(m.step.mean_mm - 1.0) <= m.step.expanded_u_mm
    assert m.step.expanded_u_mm > 1.0
    assert "sheets-unknown" in {n.code for n in m.notices}


@pytest.mark.slow
def test_a_stated_thickness_of_the_strips_moves_the_panel(scene, measured):
    """A strip 3 mm thick lies 1 % nearer at 300 mm: a gap below it is that much wider than taken at its face."""
    thick = measured("plain", replace(CHECKED, strip_thickness_mm=3.5))
    usual = measured("plain")
    nearer = 3.0 / np.mean(usual.scale.distance_mm)
    assert np.median(thick.profile.gap_mm / usual.profile.gap_mm) == pytest.approx(1 + nearer, abs=0.003)


@pytest.mark.slow
def test_the_corner_of_a_cut_edge_counts_unless_light_behind_it_shows_the_outline(measured):
    cut = replace(CHECKED, edge_a="cut", edge_b="cut")
    assert np.allclose(measured("plain", cut).profile.parts_mm["corner"], np.hypot(2 * 0.02, np.sqrt(2) * 0.03))
    assert np.all(measured("backlit").profile.parts_mm["corner"] == 0)


@pytest.mark.slow
def test_turning_the_photo_changes_no_millimetre(scene, measured):
    grey, _ = scene("plain")
    upright = measured("plain").summary.mean_mm
    turned = measure_photo(photo_of(np.ascontiguousarray(np.rot90(grey))), CHECKED).summary.mean_mm
    assert turned == pytest.approx(upright, abs=0.01)


@pytest.mark.slow
def test_a_fifteen_millimetre_nick_survives():
    nick = Defect(side="B", s_mm=20.0, height_mm=0.8, width_mm=15.0)
    spec = replace(PLAIN, camera=SMALL, defects=(nick,))
    grey, _ = render_grey(spec, seed=1)
    p = measure_photo(photo_of(grey), CHECKED).profile
    trend = np.polyval(np.polyfit(p.s_mm, p.gap_mm, 1), p.s_mm)
    assert 0.6 < (p.gap_mm - trend).max() < 1.0


@pytest.mark.slow
def test_unchecked_print_widens_u_and_says_so(measured):
    loose, tight = measured("plain", Settings()), measured("plain")
    assert np.median(loose.profile.expanded_u_mm) > np.median(tight.profile.expanded_u_mm)
    assert "print-scale-unchecked" in [n.code for n in loose.notices]


@pytest.mark.slow
def test_print_scale_scales_the_gap(measured):
    plain = measured("plain").summary.mean_mm
    larger = measured("plain", replace(CHECKED, print_scale_along=1.02, print_scale_across=1.02)).summary.mean_mm
    assert larger / plain == pytest.approx(1.02, abs=0.003)


def test_parts_of_the_budget_add_up_to_u(measured):
    """GUM (JCGM 100) 5.1.2: independent parts combine by root sum of squares; U = 2 u."""
    p = measured("plain").profile
    total = np.sqrt(sum(np.asarray(v) ** 2 for v in p.parts_mm.values()))
    assert set(p.parts_mm) >= {"edge", "scale", "print_scale", "tilt_step", "depth", "repeat"}
    np.testing.assert_allclose(p.expanded_u_mm, 2 * total, rtol=1e-9)


def code_of(grey, settings=CHECKED):
    m = measure_photo(photo_of(grey), settings)
    assert m.status == "refused"
    assert m.profile is None
    return m.notices[0].code


def test_refusals(scene):
    grey, _ = scene("plain")
    assert (
        code_of(np.full((900, 1200), 128, np.uint8) + (np.indices((900, 1200)).sum(0) // 40 % 2 * 60).astype(np.uint8))
        == "strip-not-found"
    )
    assert code_of(cv2.GaussianBlur(grey, (0, 0), 14)) == "photo-blurred"


def test_seam_out_of_the_picture_is_refused():
    spec = replace(PLAIN, strips=(PLAIN.strips[0],), camera=replace(SMALL, aim_t_mm=-150.0))
    grey, truth = render_grey(spec, seed=2)
    assert not any(truth["edges"]["visible"])
    assert code_of(grey) in ("gap-out-of-frame", "seam-not-found", "edges-not-found")


@pytest.mark.parametrize(
    "bad", [dict(print_scale_across=0.5), dict(station_mm=0.0), dict(edges="magic"), dict(seam_hint_px=((1.0, 2.0),))]
)
def test_nonsense_settings_are_refused_in_words(bad):
    with pytest.raises(GapvisionError) as caught:
        Settings(**bad)
    assert caught.value.code == "value-out-of-range"
    assert caught.value.next_step
