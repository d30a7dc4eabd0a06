"""From edges to the gap and its U: against numbers drawn by lot, and against what can be worked out by hand."""

import numpy as np
import pytest

from gapvision.lab.training.camera import PHOTO_HEIGHT_PX, PHOTO_WIDTH_PX, aim
from gapvision.model import StripView
from gapvision.targets.strip import FACE_HEIGHT_MM, corners_mm
from gapvision.vision.band import Band, CentreLine
from gapvision.vision.field import fit_field
from gapvision.vision.gap import EdgeReading, build_profile, outline_depth
from gapvision.vision.placing import CUT_KIND, EdgeKind

NOWHERE = np.zeros(3)
SHEET_MM, SHEET_STD_MM = 1.15, 0.15  # sheet of 18 to 19 gauge, common practice, no source


def seen(kind, silhouette=True, faces_camera=True):
    return outline_depth(EdgeReading(NOWHERE, NOWHERE, kind, silhouette), faces_camera)


@pytest.mark.parametrize("cut", [0.001, 0.1, 0.5, 0.9, 0.9999, 1.0])
def test_the_cut_part_of_a_doubtful_edge_goes_to_its_lower_rim(cut):
    rng = np.random.default_rng(4)
    n = 400_000
    lower = np.where(rng.random(n) < cut, rng.normal(SHEET_MM, SHEET_STD_MM, n), rng.normal(1.6, 0.3, n))
    got = seen(EdgeKind("unknown", 0.8, 0.7, cut, 1.6, 0.3))
    assert got.depth_mm == pytest.approx(lower.mean(), abs=0.01)
    assert got.depth_std_mm == pytest.approx(lower.std(), abs=0.01)


def test_where_no_lower_rim_shows_the_depth_stays():
    doubtful = EdgeKind("unknown", 0.8, 0.7, 0.5)
    assert seen(doubtful, faces_camera=False) == doubtful
    assert seen(doubtful, silhouette=False) == doubtful
    rolled = EdgeKind.rolled(1.5, 0.3)
    assert seen(rolled) == rolled


def test_a_cut_edge_for_certain_shows_its_lower_rim():
    got = seen(CUT_KIND)
    assert got.depth_mm == pytest.approx(SHEET_MM)
    assert got.depth_std_mm == pytest.approx(SHEET_STD_MM)


# --- U of a gap whose every part is known -------------------------------------------------

TILT_DEG, STATIONS = 14.0, 121
KIND_A, KIND_B = EdgeKind("rolled", 1.7, 0.2, 0.0, 1.7, 0.2), EdgeKind("cut", 0.13, 0.06, 1.0)
STEP_MM, STEP_STD_MM = 0.3, 0.25


def beside_a_strip(tilt_deg):
    """Field of one strip, and the band of a seam 44 mm beside the middle of its pattern, along s."""
    corners = corners_mm()
    camera = aim(320.0, tilt_deg, 2.0, 1.0, 3000.0, (0.0, 0.0))
    place = np.stack([corners[:, 0] - 120, 44 - (corners[:, 1] - 18), np.full(len(corners), FACE_HEIGHT_MM)], 1)
    seen = camera.project(place) + np.random.default_rng(1).normal(0, 0.06, corners.shape)
    view = StripView(letter="A", corner_ids=np.arange(len(corners)), corners_px=seen, corners_mm=corners)
    size = (PHOTO_WIDTH_PX, PHOTO_HEIGHT_PX)
    field = fit_field([view], size, 3000 / np.hypot(*size) * 43.267)
    s = np.linspace(-60, 60, STATIONS)
    points, normals = np.stack([s, np.full(STATIONS, 44.0)], 1), np.tile([0.0, 1.0], (STATIONS, 1))
    sight = field.sight(points)
    angles = np.degrees(np.arctan2(sight[:, :2].T[::-1], sight[:, 2]))
    nothing = np.zeros((3, STATIONS), np.float32)
    line = CentreLine(s - s[0], points, normals)
    return field, Band(nothing, nothing, np.zeros(3), line, np.full(STATIONS, 9.0), angles, nothing[None])


@pytest.fixture(scope="module")
def square_on():
    return beside_a_strip(0.0)


@pytest.fixture(scope="module")
def one_sided():
    """A gap of 4 mm seen 14 degrees from the side, with one strip 42 mm away: field and profile."""
    field, band = beside_a_strip(TILT_DEG)
    readings = [
        EdgeReading(np.full(STATIONS, t), np.full(STATIONS, std), kind)
        for t, std, kind in ((-2.0, 0.03, KIND_A), (2.0, 0.04, KIND_B))
    ]
    profile = build_profile(
        field, band, -1.5, *readings, print_scale_checked=True, station_mm=1.0, step=(STEP_MM, STEP_STD_MM)
    )
    return field, profile


@pytest.mark.slow
def test_what_the_fit_leaves_open_reaches_the_gap_as_lots_drawn_from_its_covariance_do(one_sided):
    """JCGM 101: parameters drawn from the fit's covariance, the gap worked out for each, the scatter of the gaps."""
    field, profile = one_sided
    rng = np.random.default_rng(2)
    up_a, up_b = -FACE_HEIGHT_MM - KIND_A.depth_mm, STEP_MM - FACE_HEIGHT_MM - KIND_B.depth_mm
    gaps = []
    for params in rng.multivariate_normal(field.params, field.covariance, 2000, method="cholesky"):
        a, b = field.to_panel(profile.edge_a_px, up_a, params), field.to_panel(profile.edge_b_px, up_b, params)
        gaps.append(b[:, 1] - a[:, 1])  # the seam runs along s
    # The outline of a roll of radius r, seen at an angle, lies r (1/cos - 1) outside its extreme point.
    hidden = KIND_A.roll_mm * (1 / np.cos(np.radians(TILT_DEG)) - 1)
    assert profile.gap_mm == pytest.approx(np.mean(gaps, axis=0) + hidden, abs=0.01)
    assert profile.parts_mm["scale"] == pytest.approx(np.std(gaps, axis=0), rel=0.05)


def test_heights_act_through_the_line_of_sight(one_sided):
    """What stands h higher is seen h tan(angle) further over: elementary geometry, flat panel, angle off its normal."""
    field, profile = one_sided
    sight = field.sight(0.5 * (field.to_panel(profile.edge_a_px) + field.to_panel(profile.edge_b_px)))
    slant = np.abs(sight[:, 1] / sight[:, 2])
    assert np.degrees(np.arctan(np.median(slant))) == pytest.approx(TILT_DEG, abs=1.0)
    depths = np.hypot(KIND_A.depth_std_mm, KIND_B.depth_std_mm)
    assert profile.parts_mm["tilt_step"] == pytest.approx(STEP_STD_MM * slant, rel=0.03)
    assert profile.parts_mm["depth"] == pytest.approx(depths * slant, rel=0.03)
    assert profile.parts_mm["edge"] == pytest.approx(0.05)
    assert profile.parts_mm["print_scale"] == pytest.approx(0.001 * profile.gap_mm)  # a steel rule to 0.25 mm


# --- The corner of cut edges ---------------------------------------------------------------


def corner_of(one_sided_parts, cut_a, cut_b, silhouette=False):
    field, band = one_sided_parts
    std = np.full(STATIONS, 0.03)
    readings = [
        EdgeReading(np.full(STATIONS, t), std, EdgeKind("unknown", 1.0, 0.0, cut, 1.0, 0.0), silhouette)
        for t, cut in ((-2.0, cut_a), (2.0, cut_b))
    ]
    return build_profile(field, band, -1.5, *readings, print_scale_checked=True, station_mm=1.0, step=(0.0, 0.0))


def test_a_corner_that_may_be_broken_narrows_the_gap_and_widens_u_only_where_an_edge_may_be_cut(square_on):
    """Own ray-traced seams: broken corners of bare metal are read 0.045 mm too far inside, sharp ones right."""
    rolled, one, both = (corner_of(square_on, *cut) for cut in ((0.0, 0.0), (1.0, 0.0), (1.0, 1.0)))
    assert np.max(rolled.parts_mm["corner"]) == 0
    for profile, edges in ((one, 1), (both, 2)):
        narrower = np.median(rolled.gap_mm - profile.gap_mm)
        assert narrower == pytest.approx(0.03 * edges, abs=0.004)
        left = 2 * np.median(profile.parts_mm["corner"])
        assert abs(0.045 * edges - narrower) <= left  # broken corners of bare metal
        assert narrower <= left  # sharp or painted ones
    lit = corner_of(square_on, 1.0, 1.0, silhouette=True)
    assert np.max(lit.parts_mm["corner"]) == 0


def test_an_unsure_edge_is_less_sure_seen_from_the_side(square_on):
    """Shared ray-traced sets, single photos: 0.92 of the errors lay within U, with this 0.96."""

    def own(parts, std_mm, **how):
        edge = EdgeKind("unknown", 1.0, 0.0, 0.0, 1.0, 0.0)
        readings = [EdgeReading(np.full(STATIONS, t), np.full(STATIONS, std_mm), edge) for t in (-2.0, 2.0)]
        known = {"print_scale_checked": True, "station_mm": 1.0, "step": (0.0, 0.0)}
        profile = build_profile(*parts, -1.5, *readings, **known, **how)
        assert profile.edge_a_u_mm == pytest.approx(2 * profile.parts_mm["edge"] / np.sqrt(2))
        return np.median(profile.parts_mm["edge"]) / (np.sqrt(2) * std_mm)

    aside = beside_a_strip(TILT_DEG)
    assert [own(square_on, std) for std in (0.03, 0.3)] == pytest.approx([1, 1])
    assert own(aside, 0.03) == pytest.approx(1)  # a sure one stays so
    assert own(aside, 0.3) == pytest.approx(1.5, abs=0.03)
    assert own(aside, 0.3, alone=False) == pytest.approx(1)  # photos along a seam see it from several places
