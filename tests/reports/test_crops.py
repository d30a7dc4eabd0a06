"""Rectified crops: OpenCV's marker detector measures the printed squares in them; it knows nothing of our map."""

import io
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from gapvision.reports.crops import Stretch, crops_alike, cut_seam
from gapvision.targets.strip import MARKER_MM
from gapvision.vision.detect import find_strips

TILTED = ("open03_door_arc.jpg", "brushed_steel_dark_gap.jpg")  # seen 10 and 6 degrees from the side


@pytest.fixture(scope="module", params=[TILTED[0], pytest.param(TILTED[1], marks=pytest.mark.slow)])
def measured(request, measured_sample):
    """A sample's bytes and its measurement."""
    return measured_sample(request.param)


@pytest.fixture
def old(measured):
    """The same as files of version 1 had it: no map, so that crops read the strips again."""
    data, measurement = measured
    return data, replace(measurement, photos=(replace(measurement.photo, strips=(), field=None),))


@pytest.fixture(scope="module")
def blank():
    """A photo without strips."""
    out = io.BytesIO()
    Image.new("RGB", (800, 600), (120, 60, 50)).save(out, "JPEG")
    return out.getvalue()


def cut(data, measurement, first, last, **how):
    return cut_seam(Stretch(photo=data, measurement=measurement, from_mm=first, to_mm=last), **how)


def marker_sides(crop):
    """Side lengths of all markers in a crop [mm], shape (markers, 4): top, right, bottom, left."""
    grey = cv2.cvtColor(crop.pixels, cv2.COLOR_RGB2GRAY)
    how = cv2.aruco.DetectorParameters()
    how.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_SUBPIX
    found, _, _ = cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250), how).detectMarkers(
        grey
    )
    corners = np.array([one[0] for one in found]) * crop.mm_per_px
    return np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2)


def test_stations_that_another_photo_shows_best_are_cut_out_too(measured):
    data, measurement = measured
    p = measurement.profile
    half = (np.arange(len(p.s_mm)) > len(p.s_mm) // 10).astype(p.photo.dtype)
    two = replace(measurement, photos=measurement.photos * 2, profile=replace(p, photo=half))
    s, a, _ = Stretch(photo=data, measurement=two, from_mm=p.s_mm[0], to_mm=p.s_mm[-1]).edges()
    assert len(s) == len(p.s_mm)
    assert np.abs(a - p.edge_a_px).max() < 1.0, "the same photo twice: where it was"


@pytest.mark.slow
def test_a_millimetre_is_a_millimetre_everywhere_and_both_ways(measured):
    data, measurement = measured
    s = measurement.profile.s_mm
    crop = cut(data, measurement, s[0], s[-1], width_px=2000, height_mm=150)
    assert crop.rectified
    assert crop.pixels.shape == (round(150 / crop.mm_per_px), 2000, 3)
    sides = marker_sides(crop)
    assert len(sides) >= 50
    # The strip's contract: markers of 9 mm. Blur moves a marker's outline by some hundredths.
    assert np.abs(sides - MARKER_MM).max() < 0.15
    assert abs(sides[:, ::2].mean() - sides[:, 1::2].mean()) < 0.01, "as long across the seam as along it"
    level = marker_sides(cut(data, measurement, s[0], s[-1], width_px=2000, height_mm=150, rectified=False))
    assert level.std() > 5 * sides.std(), "a level crop keeps the tilt"


@pytest.mark.slow
def test_edges_lie_on_the_gap_in_the_crop(measured):
    data, measurement = measured
    s, gap = measurement.profile.s_mm, measurement.profile.gap_mm
    crop = cut(data, measurement, s[0], s[-1])
    apart = np.linalg.norm(crop.edge_a_px - crop.edge_b_px, axis=1) * crop.mm_per_px
    # At the panels' faces, not at the outline's own depth: within 3 % and 0.15 mm of the measured gap.
    assert np.abs(apart - gap).max() < 0.15 + 0.03 * gap.max()
    steps = np.diff(0.5 * (crop.edge_a_px + crop.edge_b_px), axis=0)
    assert np.linalg.norm(steps, axis=1).sum() * crop.mm_per_px == pytest.approx(s[-1] - s[0], rel=0.01)


def test_the_kept_map_is_used_and_nothing_is_looked_for_again(measured, monkeypatch):
    def never(*_args, **_more):
        raise AssertionError("looked for strips, or fitted a map, once more")

    monkeypatch.setattr("gapvision.vision.detect.find_strips", never)
    monkeypatch.setattr("gapvision.vision.field.fit_field", never)
    data, measurement = measured
    s = measurement.profile.s_mm
    assert cut(data, measurement, s[0], s[-1]).rectified


def test_an_old_file_gives_the_same_crop_by_its_strips(measured, old):
    s = old[1].profile.s_mm
    one, other = (cut(*which, s[0], s[-1], height_mm=60) for which in (measured, old))
    assert other.rectified
    for name in ("edge_a_px", "edge_b_px"):
        # The strips are found in a smaller picture, so their corners are a little less sure.
        assert np.abs(getattr(one, name) - getattr(other, name)).max() * one.mm_per_px < 0.3


def test_no_rectified_crop_without_strips_or_with_a_scale_that_is_not_this_photos(old, measured, blank):
    data, measurement = old
    s = measurement.profile.s_mm
    assert cut(blank, measurement, s[0], s[-1]) is None
    scale = replace(measurement.scale, print_scale_along=1.1, print_scale_across=1.1)
    assert cut(data, replace(measurement, scale=scale), s[0], s[-1]) is None
    _, kept = measured
    longer = replace(kept.profile, s_mm=kept.profile.s_mm * 1.1)
    assert cut(data, replace(kept, profile=longer), s[0], s[-1]) is None
    assert cut(data, kept, s[-1] + 50, s[-1] + 90) is None
    assert Stretch(photo=data, measurement=kept, from_mm=s[0], to_mm=s[-1]).needed_height_mm() >= 34


@pytest.mark.parametrize("at", range(15))
@pytest.mark.parametrize("wrong", [-1e300, 0.0, 1e300])
def test_a_spoilt_map_gives_no_crop_or_some_crop(measured, at, wrong):
    data, measurement = measured
    params = measurement.photo.field.params.copy()
    params[at] = wrong
    field = replace(measurement.photo.field, params=params)
    spoilt = replace(measurement, photos=(replace(measurement.photo, field=field),))
    crop = cut(data, spoilt, 20, 60, width_px=100)
    assert crop is None or crop.pixels.shape[1] == 100


@pytest.mark.slow
def test_crops_to_be_compared_are_of_one_kind_at_one_scale(old, blank):
    data, measurement = old
    s = measurement.profile.s_mm

    def of(photo, last=s[-1]):
        return Stretch(photo=photo, measurement=measurement, from_mm=s[0], to_mm=last)

    both = crops_alike([of(data), of(data)], 1000)
    assert [crop.rectified for crop in both] == [True, True]
    level = crops_alike([of(data), of(blank)], 1000)
    assert [crop.rectified for crop in level] == [False, False], "one cannot be rectified, so neither is"
    assert level[0].mm_per_px == level[1].mm_per_px == both[0].mm_per_px
    assert crops_alike([of(data), of(data, s[0] - 9)], 1000) is None
    (low,) = crops_alike([of(data)], 1000, 50)
    assert low.pixels.shape[0] == pytest.approx(50, abs=1)
    assert low.pixels.shape[1] < 1000, "narrower, rather than with less of the panel"


@pytest.mark.slow
def test_where_no_map_fits_the_strips_the_crops_are_level(old, monkeypatch):
    """Of the only strip found a single row of corners shows: no pose can be worked out from points on one line."""
    data, measurement = old
    s = measurement.profile.s_mm

    def one_row(photo, *print_scale):
        view = find_strips(photo, *print_scale)[0]
        row = np.flatnonzero(view.corners_mm[:, 1] == view.corners_mm[:, 1].max())[:5]
        parts = {name: getattr(view, name)[row] for name in ("corner_ids", "corners_px", "corners_mm")}
        return [replace(view, **parts)]

    monkeypatch.setattr("gapvision.vision.detect.find_strips", one_row)
    assert cut(data, measurement, s[0], s[-1]) is None
    (crop,) = crops_alike([Stretch(photo=data, measurement=measurement, from_mm=s[0], to_mm=s[-1])], 1000)
    assert not crop.rectified
