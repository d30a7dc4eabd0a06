"""What a photo that will not do is told: each fault by its own name, where the advice for another would mislead."""

from dataclasses import replace
from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from gapvision.intake.light import encode_srgb, to_linear
from gapvision.recipe import measure_photo
from gapvision.vision.detect import look_for_strips
from gapvision.vision.doubts import check_lines_contradicted, of_stations
from gapvision.vision.field import KnownStrips, fit_field
from gapvision.vision.quality import no_strip_notice, quality_notices, strip_quality, unused_notices
from tests.vision.conftest import CHECKED, photo_of
from tests.vision.test_measure import errors


def codes_of(grey):
    photo = photo_of(np.ascontiguousarray(grey))
    found = look_for_strips(photo)
    if not found.views:
        return [no_strip_notice(photo, found.mirrored).code]
    return [n.code for n in (*quality_notices(strip_quality(photo, found.views), photo), *unused_notices(found))]


def box_of(view, beyond=40):
    low, high = (view.corners_px.min(0) - beyond).astype(int), (view.corners_px.max(0) + beyond).astype(int)
    return slice(low[1], high[1]), slice(low[0], high[0])


def in_light(grey, change):
    return np.round(255 * encode_srgb(np.clip(change(to_linear(grey)), 0, 1))).astype(np.uint8)


@pytest.fixture(scope="module")
def plain(scene):
    grey, _ = scene("plain")
    return grey, look_for_strips(photo_of(grey)).views


def test_a_good_photo_is_told_nothing(plain):
    assert codes_of(plain[0]) == []


def test_a_sharp_photo_without_a_strip_is_not_called_blurred(plain):
    """A piece of panel with the gap in it, and a bare wall with the sensor's noise; blurred by 6 px it is blurred."""
    grey, (a, b) = plain
    upper, lower = sorted((box_of(view)[0] for view in (a, b)), key=lambda rows: rows.start)
    between = grey[upper.stop + 20 : lower.start - 20]
    assert codes_of(between) == ["strip-not-found"]
    wall = np.clip(120 + np.random.default_rng(2).normal(0, 1.5, (600, 900)), 0, 255).astype(np.uint8)
    assert codes_of(wall) == ["strip-not-found"]
    assert codes_of(cv2.GaussianBlur(between, (0, 0), 6)) == ["photo-blurred"]


@pytest.mark.slow
def test_a_mirrored_photo_is_called_mirrored(plain):
    assert codes_of(plain[0][:, ::-1]) == ["photo-mirrored"]


@pytest.mark.slow
def test_a_mirrored_strip_beside_a_good_one_is_told(plain):
    grey, (_, b) = plain
    changed = grey.copy()
    changed[box_of(b)] = grey[box_of(b)][:, ::-1]
    assert codes_of(changed) == ["strip-mirrored"]
    assert [v.letter for v in look_for_strips(photo_of(changed)).views] == ["A"]


@pytest.mark.slow
def test_one_letter_on_both_sides_is_told_and_one_strip_of_it_used(plain):
    grey, (a, b) = plain
    rows, columns = box_of(a)
    low = box_of(b)[0].start
    changed = grey.copy()
    changed[low : low + rows.stop - rows.start, columns] = grey[rows, columns]
    assert "strip-repeated" in codes_of(changed)
    (view,) = look_for_strips(photo_of(changed)).views
    assert view.letter == "A"
    assert np.ptp(view.corners_px[:, 1]) < 1.2 * np.ptp(a.corners_px[:, 1]), "corners of one strip only"


def test_pale_print_is_told_from_haze(plain):
    """Toner of half strength is grey beside a black gap; a veil lies over both."""
    grey, views = plain
    strips = np.zeros(grey.shape, bool)
    for view in views:
        strips[box_of(view, 60)] = True
    white = float(np.quantile(to_linear(grey), 0.99))
    assert codes_of(in_light(grey, lambda x: np.where(strips, 0.6 * x + 0.3 * white, x))) == ["print-pale"]
    assert codes_of(in_light(grey, lambda x: 0.6 * x + 0.3 * white)) == ["lens-smeared"]


def test_a_reduced_copy_is_not_told_to_go_nearer(plain):
    grey, _ = plain
    small = cv2.resize(grey, None, fx=0.36, fy=0.36, interpolation=cv2.INTER_AREA)
    assert codes_of(small) == ["photo-reduced"]
    far = np.full((1600, 2520), 128, np.uint8)
    far[: small.shape[0], : small.shape[1]] = small
    assert codes_of(far) == ["strip-too-small"]


@pytest.mark.slow
def test_check_lines_that_contradict_the_photo_are_told_from_a_bent_strip(plain):
    grey, views = plain
    photo, known = photo_of(grey), KnownStrips()
    size = (photo.width_px, photo.height_px)

    def contradicted(along, across, bend=0.0):
        printed = [
            replace(v, corners_mm=v.corners_mm * (along, across), print_scale=(along, across)) for v in views
        ]
        if bend:
            printed = [replace(v, corners_px=v.corners_px + bend * np.sin(v.corners_px[:, :1] / 150)) for v in printed]
        field = fit_field(printed, size, None, known=known)
        return check_lines_contradicted(photo, printed, field, known)

    assert contradicted(1.0, 0.985)
    assert not contradicted(0.99, 0.99), "a smaller print"
    assert not contradicted(1.0, 1.0, bend=1.0), "a bent strip"
    assert not contradicted(1.0, 1.002, bend=1.0)


@pytest.mark.slow
def test_a_lit_gap_is_not_told_to_be_lit(measured):
    profile = measured("backlit").profile
    wide = replace(profile, expanded_u_mm=profile.expanded_u_mm + 1.0)

    looks = (SimpleNamespace(lit=lit, burnt_share=burnt) for lit, burnt in ((True, 0.0), (True, 0.9), (False, 0.0)))
    (lit,), (burnt,), (dark,) = (of_stations(wide, len(wide.s_mm), 0.0, "", edges) for edges in looks)
    assert "light it from behind" in dark.advice
    assert "light it from behind" not in lit.advice + burnt.advice
    assert burnt.advice.startswith("Dim the lamp")


@pytest.mark.slow
def test_tape_over_an_edge_is_doubted_by_as_much_as_it_hides(scene):
    """15 mm of pale tape that lies 3 mm into the gap: before, the gap read 3 mm too small there with a small U."""
    grey, truth = scene("plain")
    edge_a, edge_b = (np.array(truth["edges"][f"{name}_px"], float) for name in "AB")
    middle = len(edge_a) // 2
    px_per_mm = np.linalg.norm(edge_b[middle] - edge_a[middle]) / truth["edges"]["gap"][middle]
    along = edge_a[middle + 1] - edge_a[middle - 1]
    along /= np.linalg.norm(along)
    inwards = (edge_b[middle] - edge_a[middle]) / np.linalg.norm(edge_b[middle] - edge_a[middle])
    tape_mm = ((-7, -12), (8, -12), (8, 3), (-7, 3))
    corners = [edge_a[middle] + px_per_mm * (s * along + t * inwards) for s, t in tape_mm]
    taped = cv2.fillPoly(grey.copy(), [np.round(corners).astype(np.int32)], 190)
    m = measure_photo(photo_of(taped), CHECKED)
    off, u = np.abs(errors(m, truth)), m.profile.expanded_u_mm
    assert off.max() > 1.5, "the tape is taken for the edge, as before"
    assert np.all(off[off > 0.6] <= u[off > 0.6] + 0.3)
    assert np.median(u) < 0.5, "elsewhere nothing changes"
    assert "edge-jumps" in [n.code for n in m.notices]
