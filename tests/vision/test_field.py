"""The metric field: against exact scenes, and against scikit-image's homography estimator."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import minimize
from skimage.transform import ProjectiveTransform

from gapvision.errors import GapvisionError
from gapvision.lab.training.camera import PHOTO_HEIGHT_PX, PHOTO_WIDTH_PX, aim
from gapvision.model import StripView
from gapvision.recipe import measure_photo
from gapvision.targets.strip import corners_mm
from gapvision.vision.detect import FoundStrips, find_strips
from gapvision.vision.field import KnownStrips, fit_field, one_thread
from tests.vision.conftest import CAMERA, photo_of

SIZE = (CAMERA.width_px, CAMERA.height_px)
ALIKE = KnownStrips(one_sheet=True)  # as the scenes draw them
F35 = 0.75 * CAMERA.width_px / np.hypot(*SIZE) * 43.267  # the scene's focal length as EXIF would say it


@pytest.fixture(scope="module")
def field_of(scene):
    """A scene's field, its truth and its strips; fitted once for all tests."""
    made = {}

    def get(name, focal=F35):
        if (name, focal) not in made:
            grey, truth = scene(name)
            views = find_strips(photo_of(grey))
            made[name, focal] = fit_field(views, SIZE, focal, frozenset({"B"}), known=ALIKE), truth, views
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


@pytest.mark.parametrize(
    ("name", "limit"),
    [
        ("plain", 0.02),
        pytest.param("flush", 0.04, marks=pytest.mark.slow),
        ("bent", 0.03),
        pytest.param("arc", 0.03, marks=pytest.mark.slow),
    ],
)
def test_true_pixels_come_back_as_the_true_gap(field_of, name, limit):
    field, truth, _ = field_of(name)
    measured, exact = gap_from_truth(field, truth)
    assert abs(np.mean(measured - exact)) < limit


@pytest.mark.parametrize("name", ["flush", "bent and stepped"])
@pytest.mark.slow
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
    field = fit_field(views, size, 3000 / np.hypot(*size) * 43.267, side_b=frozenset({"B"}), known=ALIKE)
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


# --- strips that no field fits ------------------------------------------------------------


def strip_at(letter, middle_t, bent):
    """A strip drawn in space: ``bent`` moves its corners (x along the seam, t across, z up), shape (m, 3)."""
    corners = corners_mm()
    flat = np.stack([corners[:, 0] - 120, middle_t - (corners[:, 1] - 18), np.full(len(corners), 0.5)], 1)
    seen = aim(320.0, 10.0, 3.0, 2.0, 3000.0, (0.0, 0.0)).project(bent(flat))
    ids = np.arange(len(corners))
    return StripView(letter=letter, corner_ids=ids, corners_px=seen, corners_mm=corners)


def flat(place):
    return place


def folded(degrees):
    """Half of the strip hangs down over an edge."""

    def bend(place):
        x, t, z = place.T
        down = np.maximum(x, 0)
        return np.stack([x - down * (1 - np.cos(degrees)), t, z - down * np.sin(degrees)], 1)

    degrees = np.radians(degrees)
    return bend


def on_another_face(degrees):
    """The strip lies on a face that rises from the seam, like a door's shut face beside its skin."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    return lambda place: np.stack([place[:, 0], c * place[:, 1], place[:, 2] - s * place[:, 1]], 1)


def scattered(place):
    return place + np.random.default_rng(1).normal(0, 40, place.shape)


def one_row(view):
    few = view.corners_mm[:, 1] == view.corners_mm[0, 1]
    return replace(view, corner_ids=view.corner_ids[few], corners_px=view.corners_px[few],
                   corners_mm=view.corners_mm[few])  # fmt: skip


NO_FIELD = {
    "folded over an edge": [strip_at("A", 44, folded(30))],
    "one folded, one flat": [strip_at("A", 44, folded(30)), strip_at("B", -44, flat)],
    "not at rest after fifteen rounds": [strip_at("A", 44, flat), strip_at("B", -44, on_another_face(-70))],
    "corners anywhere": [strip_at("A", 44, scattered)],
    "a single row": [one_row(strip_at("A", 44, flat))],
}
PHOTO_SIZE = (PHOTO_WIDTH_PX, PHOTO_HEIGHT_PX)


@pytest.mark.parametrize("case", NO_FIELD)
def test_where_no_field_fits_there_is_none(case):
    with pytest.raises(GapvisionError) as error:
        fit_field(NO_FIELD[case], PHOTO_SIZE, 30.0, side_b=frozenset({"B"}))
    assert error.value.code == "field-not-converged"


def test_the_same_strips_laid_flat_are_fitted():
    strips = [strip_at("A", 44, flat), strip_at("B", -44, flat)]
    field = fit_field(strips, PHOTO_SIZE, 30.0, side_b=frozenset({"B"}), known=ALIKE)
    assert field.noise_px < 0.05
    assert abs(field.step_mm) < 0.05


def test_a_photo_whose_strips_fit_no_field_is_refused_with_advice(scene, monkeypatch):
    grey, _ = scene("plain")
    views = find_strips(photo_of(grey))
    middle = np.median(views[0].corners_px[:, 0])
    hangs = [
        replace(v, corners_px=v.corners_px + [0, 0.3] * np.maximum(v.corners_px[:, :1] - middle, 0)) for v in views
    ]
    monkeypatch.setattr("gapvision.recipe.look_for_strips", lambda *_: FoundStrips(hangs, (), False))
    refused = measure_photo(photo_of(grey))
    assert (refused.status, [n.code for n in refused.notices]) == ("refused", ["field-not-converged"])
    assert "flat" in refused.notices[0].advice


def test_the_minimum_is_the_one_that_another_solver_finds(field_of, monkeypatch):
    """Another minimiser (L-BFGS-B) on the same cost, written anew here, finds nothing lower within 3 deviations."""
    monkeypatch.setattr("gapvision.vision.field.left_over", lambda _: None)  # what corners share is another cost
    _, _, views = field_of("bent")
    field = fit_field(views, SIZE, F35, frozenset({"B"}), known=ALIKE)
    by_letter = {v.letter: v for v in views}
    spread = np.sqrt(np.diag(field.covariance))
    c2 = (3 * 1.4826 * np.sqrt(2 * np.log(2))) ** 2

    def cost(x):
        moved = replace(field, params=field.params + x * spread)
        off = np.concatenate([moved.residual_px(by_letter[k]) for k in field.letters]) / field.noise_px
        focal = np.log(F35 / 43.267 * np.hypot(*SIZE))
        prior = np.array([focal, (SIZE[0] - 1) / 2, (SIZE[1] - 1) / 2, 0, 0, 0, 0, 0, 0])
        middle = 0.005 * max(SIZE)
        sigma = np.array([0.015, middle, middle, 0.04, 0.015, 1 / 1500, 1 / 1500, 1 / 4000, 2.0])
        known = ((moved.params[:9] - prior) / sigma) ** 2
        # Two strips of one sheet: sizes alike to 0.01 %, heights to 0.03 mm, and together off by 0.35 mm.
        sizes, heights = moved.params[-4::2], moved.params[-3::2]
        own = ((sizes / 1e-4) ** 2).sum() + heights @ np.linalg.inv(0.03**2 * np.eye(2) + 0.35**2) @ heights
        return c2 * np.log1p((off**2).sum(1) / c2).sum() + known.sum() + own

    found = minimize(cost, np.zeros(len(spread)), method="L-BFGS-B", bounds=[(-3, 3)] * len(spread))
    assert cost(np.zeros(len(spread))) - found.fun < 0.01


def test_fits_side_by_side_leave_the_process_as_many_threads_as_it_had():
    """A fit that ends must not lift the limit of one that still runs, and the last out must lift it."""
    import scipy.linalg  # noqa: F401  its library counts too
    from threadpoolctl import ThreadpoolController, threadpool_limits

    def threads():
        return {pool["num_threads"] for pool in ThreadpoolController().info() if pool["user_api"] == "blas"}

    with threadpool_limits(2, "blas"):
        first, second = one_thread(), one_thread()
        first.__enter__()
        second.__enter__()
        assert threads() == {1}
        first.__exit__(None, None, None)
        assert threads() == {1}, "the second still runs"
        second.__exit__(None, None, None)
        assert threads() == {2}
