"""Colour along a band: against closed forms, and against what the training's own sampling makes of the same picture."""

from types import SimpleNamespace

import cv2
import numpy as np
import pytest

from gapvision.intake.decode import half_size
from gapvision.intake.light import decode_srgb
from gapvision.lab.training.bands import HALF_MM, Rectifier, columns_mm, sample_chroma
from gapvision.lab.training.camera import aim
from gapvision.lab.training.render import crop_box
from gapvision.lab.training.scenes import HALF_LENGTH_MM
from gapvision.model import Photo
from gapvision.vision.band import ROW_MM, CentreLine, arc_along, sample_band

RED, GREY = (50, 90, 180), (128, 128, 128)  # blue, green, red as stored
RED_OVER_GREEN, BLUE_OVER_GREEN = (
    np.log((decode_srgb(np.array(RED[k] / 255)) + 0.01) / (decode_srgb(np.array(RED[1] / 255)) + 0.01)) for k in (2, 0)
)


class FlatField:
    """A field whose panel lies square under the camera: place (s, t) to pixel by a scale and a shift."""

    def __init__(self, px_per_mm, shift):
        self.px_per_mm, self.shift = px_per_mm, np.array(shift)

    def project(self, st, n=0.0):
        return st * self.px_per_mm + self.shift

    def sight(self, st):
        return np.tile([0.0, 0.0, 1.0], (len(st), 1))


def straight(n):
    s = np.arange(n, dtype=float)
    return CentreLine(s_mm=s, points=np.stack([s, 0 * s], 1), normals=np.tile([0.0, 1.0], (n, 1)))


def photo_of(stored):
    grey = cv2.cvtColor(stored, cv2.COLOR_BGR2GRAY)
    return Photo(grey=grey, file="x", sha256="", colour=half_size(stored))


def halves(shape, middle_px, axis):
    """Red before a pixel line and grey from it on, along an axis."""
    stored = np.full((*shape, 3), GREY, np.uint8)
    stored[(slice(None),) * axis + (slice(0, middle_px),)] = RED
    return stored


@pytest.mark.parametrize("station_mm", [1.0, 0.75, 0.5])
def test_red_above_the_centre_line_is_red_on_side_a(station_mm):
    # Pixel 160 begins the grey: the border lies at pixel 159.5, where t is 0 (10 px / mm).
    photo = photo_of(halves((320, 1000), 160, axis=0))
    band = sample_band(photo, FlatField(10.0, (20.0, 159.5)), straight(90), 0.0, station_mm)
    assert band.chroma.shape == (2, 201, 90)
    assert band.chroma.dtype == np.float32
    # A half-size pixel is 0.2 mm: two rows beside the border nothing of the other side is left.
    np.testing.assert_allclose(band.chroma[0, :99], RED_OVER_GREEN, atol=1e-5)
    np.testing.assert_allclose(band.chroma[1, :99], BLUE_OVER_GREEN, atol=1e-5)
    np.testing.assert_allclose(band.chroma[:, 102:], 0, atol=1e-6)
    # On the border the light is the mean of both, taken before the logarithm.
    mixed = [np.mean([decode_srgb(np.array(c[k] / 255)) for c in (RED, GREY)]) + 0.01 for k in range(3)]
    np.testing.assert_allclose(band.chroma[0, 100], np.log(mixed[2] / mixed[1]), atol=1e-5)


def test_a_station_is_the_mean_of_its_two_samples():
    # The border lies in the middle of station 40: one sample each side, 2.5 px off, of which bilinear sees one colour.
    photo = photo_of(halves((320, 1000), 420, axis=1))
    band = sample_band(photo, FlatField(10.0, (19.5, 159.5)), straight(90), 0.0)
    mixed = [np.mean([decode_srgb(np.array(c[k] / 255)) for c in (RED, GREY)]) + 0.01 for k in range(3)]
    np.testing.assert_allclose(band.chroma[0, :, :40], RED_OVER_GREEN, atol=1e-5)
    np.testing.assert_allclose(band.chroma[0, :, 40], np.log(mixed[2] / mixed[1]), atol=1e-5)
    np.testing.assert_allclose(band.chroma[:, :, 41:], 0, atol=1e-6)


@pytest.mark.parametrize("half_mm", [10.0, 6.0, 2.55])
def test_rows_lie_a_tenth_of_a_millimetre_apart_about_the_centre_line(half_mm):
    """A ramp of colour across the seam tells each row's place."""
    stored = np.full((320, 600, 3), 128, np.uint8)
    stored[:, :, 2] = np.clip(2 * np.arange(320) - 170, 0, 255)[:, None]
    band = sample_band(photo_of(stored), FlatField(5.0, (20.0, 159.0)), straight(40), 0.0, half_mm=half_mm)
    rows = (np.arange(band.chroma.shape[1]) - band.chroma.shape[1] // 2) * 0.1
    assert rows[-1] <= half_mm + 1e-9 < rows[-1] + 0.1
    red = decode_srgb((2 * (159.0 + 5 * rows) - 170) / 255)
    want = np.log((red + 0.01) / (decode_srgb(np.array(128 / 255)) + 0.01))
    np.testing.assert_allclose(band.chroma[0], np.tile(want[:, None], 40), atol=0.006)  # a row further on: 0.01 to 0.04


def test_strong_colour_is_cut_at_two():
    stored = np.zeros((320, 1000, 3), np.uint8)
    stored[..., 2] = 255
    band = sample_band(photo_of(stored), FlatField(10.0, (20.0, 160.0)), straight(90), 0.0)
    assert np.all(band.chroma[0] == 2)
    np.testing.assert_allclose(band.chroma[1], 0, atol=1e-6)


def test_without_colour_all_is_zero():
    photo = Photo(grey=np.full((320, 1000), 90, np.uint8), file="x", sha256="")
    band = sample_band(photo, FlatField(10.0, (20.0, 160.0)), straight(90), 0.0)
    assert band.chroma.shape == (2, 201, 90)
    assert not band.chroma.any()


def test_beyond_the_photo_its_border_goes_on():
    """Stations 0 to 19 lie left of the picture, the last ones right of it, the outer rows above and below."""
    photo = photo_of(halves((150, 401), 201, axis=1))
    band = sample_band(photo, FlatField(10.0, (-200.0, 75.0)), straight(90), 0.0)
    np.testing.assert_allclose(band.chroma[0, :, :38], RED_OVER_GREEN, atol=1e-5)
    np.testing.assert_allclose(band.chroma[:, :, 42:], 0, atol=1e-6)


@pytest.mark.parametrize("hidden", [slice(70, None), slice(None)])
def test_places_behind_the_camera_have_no_colour(hidden):
    class Half(FlatField):
        def project(self, st, n=0.0):
            px = super().project(st, n)
            px[st[:, 0] > np.arange(90)[hidden][0] - 0.5] = np.nan
            return px

    photo = photo_of(np.full((320, 1000, 3), RED, np.uint8))
    band = sample_band(photo, Half(10.0, (20.0, 160.0)), straight(90), 0.0)
    shown = np.delete(np.arange(90), np.arange(90)[hidden])[:-1]  # the map's last column leans on the first hidden one
    np.testing.assert_allclose(band.chroma[0][:, shown], RED_OVER_GREEN, atol=1e-5)
    assert not band.chroma[:, :, hidden].any()


@pytest.mark.parametrize("tilt", [0.0, 14.0])
def test_the_product_samples_colour_as_training_does(tilt):
    """One picture through both: red left of a slanting line, grey right of it, a shaded blue ramp over all."""
    camera = aim(330.0, tilt, -5.0, 8.0, 3000.0, (0.0, 0.0))
    scene = SimpleNamespace(camera=camera, half_length_mm=HALF_LENGTH_MM)
    rect = Rectifier(shift_mm=0.4, slope=0.0, bend_per_mm=0.0, scale=1.0, height_mm=-1.2, phase_mm=0.3)
    x0, y0, w, h = crop_box(scene)
    y, x = np.mgrid[0:h, 0:w]
    stored = np.where((x + y / 4 < w / 2)[..., None], RED, GREY).astype(np.uint8)
    stored[..., 0] = 30 + 180 * y // h
    want = sample_chroma(stored, scene, rect)

    class SameCamera(FlatField):
        """The product's door to the training's camera, in the pixels of the crop."""

        def project(self, st, n=0.0):
            return camera.project(np.column_stack([st, np.full(len(st), n)])) - [x0, y0]

    s = columns_mm(rect)
    assert s[-1] - s[0] < 2 * HALF_LENGTH_MM
    line = CentreLine(
        s_mm=s - s[0], points=np.stack([s, np.full(len(s), 0.4)], 1), normals=np.tile([0.0, 1.0], (len(s), 1))
    )
    band = sample_band(photo_of(stored), SameCamera(1.0, (0.0, 0.0)), line, rect.height_mm, half_mm=HALF_MM)
    assert band.chroma.shape == want.shape == (2, round(HALF_MM / ROW_MM) + 1, len(s))
    assert np.ptp(want[0]) > 0.9 * RED_OVER_GREEN
    assert np.ptp(want[1]) > 2
    # Between the map's knots a place is off by some thousandths of a pixel, which counts at the red's border.
    np.testing.assert_allclose(band.chroma, want, atol=0.005)


def test_the_length_along_a_row_of_places_is_that_of_its_circle_and_not_of_its_scatter():
    angle = 2 * np.pi * np.arange(377) / 377
    way = np.stack([np.cos(angle), np.sin(angle)], 1)
    scatter = np.random.default_rng(2).normal(0, 0.05, 377)[:, None]
    s, round_mm = arc_along((60 + scatter) * way, closed=True)
    assert round_mm == pytest.approx(2 * np.pi * 60, abs=0.4)
    assert s[0] == 0
    assert round_mm - s[-1] == pytest.approx(1.0, abs=0.05)
    assert arc_along(np.stack([np.arange(50.0), np.zeros(50)], 1), closed=False)[1] == pytest.approx(49.0)
