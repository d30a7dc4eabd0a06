"""The metric field: against exact scenes, and against scikit-image's homography estimator."""

from dataclasses import replace

import numpy as np
import pytest
from skimage.transform import ProjectiveTransform

from gapvision.lab.training.camera import PHOTO_HEIGHT_PX, PHOTO_WIDTH_PX, aim
from gapvision.model import StripView
from gapvision.targets.strip import corners_mm
from gapvision.vision.detect import find_strips
from gapvision.vision.field import fit_field
from tests.vision.conftest import CAMERA, photo_of

SIZE = (CAMERA.width_px, CAMERA.height_px)
F35 = 0.75 * CAMERA.width_px / np.hypot(*SIZE) * 43.267  # the scene's focal length as EXIF would say it


@pytest.fixture(scope="module")
def field_of(scene):
    """A scene's field, its truth and its strips; fitted once for all tests."""
    made = {}

    def get(name, focal=F35):
        if (name, focal) not in made:
            grey, truth = scene(name)
            views = find_strips(photo_of(grey))
            made[name, focal] = fit_field(views, SIZE, focal, side_b=frozenset({"B"})), truth, views
        return made[name, focal]

    return get


def gap_from_truth(field, truth):
    """Gap from the true pixels of both edges, through the fitted field."""
    e = truth["edges"]
    s = np.array(e["s"])
    near = np.array(e["visible"], bool) & (np.abs(s) < 110)
    a, b = np.array(e["A_px"], float)[near], np.array(e["B_px"], float)[near]
    n = truth["edge_types"]["extreme_n"]
    lift = field.step_mm - truth["flush_mm"]
    p, q = field.to_panel(a, n["A"] - 0.5), field.to_panel(b, n["B"] - 0.5 + lift)
    tangent = np.gradient(0.5 * (p + q), axis=0)
    tangent /= np.linalg.norm(tangent, axis=1, keepdims=True)
    d = q - p
    return np.abs(d[:, 0] * -tangent[:, 1] + d[:, 1] * tangent[:, 0]), np.array(e["gap"])[near]


@pytest.mark.parametrize(("name", "limit"), [("plain", 0.02), ("flush", 0.04), ("arc", 0.03), ("bent", 0.03)])
def test_true_pixels_come_back_as_the_true_gap(field_of, name, limit):
    field, truth, _ = field_of(name)
    measured, exact = gap_from_truth(field, truth)
    assert abs(np.mean(measured - exact)) < limit


@pytest.mark.parametrize("name", ["flush", "bent and stepped"])
def test_step_between_the_panels_is_found_within_its_own_uncertainty(field_of, name):
    """Paper keeps its length: on a bent panel that stands higher, a strip spans less of the angle.

    Taken to span as much, it would look a thousandth too large at 1 mm of step and 1000 mm of radius, which is 0.3 mm
    of distance from 300 mm.
    """
    field, truth, _ = field_of(name)
    assert field.step_mm == pytest.approx(truth["flush_mm"], abs=2.5 * field.step_std_mm)
    assert field.step_std_mm < 0.15


@pytest.mark.parametrize("tilt", [-8.0, 8.0])
def test_a_panel_that_falls_away_by_itself_stays_within_u(tilt):
    """Panel B bends across with a radius of 4 m from its edge on, A is flat: 42 mm away it has fallen 0.22 mm.

    No single photo can tell that from a step; the fall is d^2 / (2 R), elementary geometry.
    """
    corners = corners_mm()
    camera = aim(320.0, tilt, 3.0, 2.0, 3000.0, (0.0, 0.0))
    rng = np.random.default_rng(3)
    views = []
    for letter, side in (("A", -1), ("B", 1)):
        from_edge = 42 + side * (corners[:, 1] - 18)
        fall = from_edge**2 / (2 * 4000) if side > 0 else 0 * from_edge
        place = np.stack([corners[:, 0] - 120, side * (2.5 + from_edge), 0.5 - fall], 1)
        seen = camera.project(place) + rng.normal(0, 0.06, corners.shape)
        views.append(StripView(letter=letter, corner_ids=np.arange(38), corners_px=seen, corners_mm=corners))
    size = (PHOTO_WIDTH_PX, PHOTO_HEIGHT_PX)
    field = fit_field(views, size, 3000 / np.hypot(*size) * 43.267, side_b=frozenset({"B"}))
    assert 0.1 < abs(field.step_mm) <= 2 * field.step_std_mm


def test_scatter_of_the_corners_is_told_from_what_is_left(field_of):
    """Corners shaken by normal noise of 0.2 px each way: the field finds that noise.

    The median length of such a shake is 0.2 sqrt(2 ln 2) (Rayleigh distribution, value from memory).
    """
    _, _, views = field_of("plain")
    rng = np.random.default_rng(7)
    shaken = [replace(v, corners_px=v.corners_px + rng.normal(0, 0.2, v.corners_px.shape)) for v in views]
    field = fit_field(shaken, SIZE, F35, side_b=frozenset({"B"}))
    assert field.noise_px == pytest.approx(0.2, rel=0.15)


def test_pixel_to_panel_and_back(field_of):
    field, _, views = field_of("bent")
    px = views[0].corners_px
    assert np.abs(field.project(field.to_panel(px, -1.0), -1.0) - px).max() < 1e-3


def test_one_strip_agrees_with_skimage_homography(field_of):
    """On a flat panel one strip's map is a homography but for the lens; scikit-image estimates one from its corners."""
    field, _, views = field_of("plain")
    view = views[0]
    h = ProjectiveTransform.from_estimate(view.corners_px, view.corners_mm)
    back = h(view.corners_px)
    own = field.to_panel(view.corners_px)

    def distances(p):
        return np.linalg.norm(p - p[0], axis=1)

    # The lens (k1 = 0.03) bends what a homography keeps straight by 0.03 r^2, r up to 0.45 at the strip's ends.
    assert np.abs(distances(back) - distances(own)).max() < 0.9
    middle = np.abs(view.corners_mm[:, 0] - 120) < 40
    assert np.abs(distances(back)[middle] - distances(own)[middle]).max() < 0.3


def test_without_exif_the_strips_still_tell(field_of):
    field, truth, _ = field_of("plain", focal=None)
    measured, exact = gap_from_truth(field, truth)
    assert abs(np.mean(measured - exact)) < 0.05
    assert field.focal_source == "strips"


def test_more_doubt_without_exif(field_of):
    known, _, _ = field_of("plain")
    guessed, _, _ = field_of("plain", focal=None)
    assert guessed.covariance[0, 0] > known.covariance[0, 0]
