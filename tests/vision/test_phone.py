"""What a phone does to a picture: read off the strips, and allowed for in U.

The pictures are the project's own drawn scenes, put through filters written here, so that what was done is known.
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from gapvision.intake.light import encode_srgb, to_linear
from gapvision.recipe import measure_photo
from gapvision.vision.detect import find_strips
from gapvision.vision.phone import veil_light
from gapvision.vision.quality import quality_notices, strip_quality
from tests.vision.conftest import CHECKED, photo_of
from tests.vision.test_measure import errors


def sharpened(grey, radius, amount):
    light = grey.astype(np.float32)
    return np.clip(light + amount * (light - cv2.GaussianBlur(light, (0, 0), radius)), 0, 255).astype(np.uint8)


def in_light(grey, change):
    return np.round(255 * encode_srgb(np.clip(change(to_linear(grey)), 0, 1))).astype(np.uint8)


def blurred(grey, sigma):
    return in_light(grey, lambda light: cv2.GaussianBlur(light, (0, 0), sigma))


def shaken_across(grey, pixels):
    """The seam of the scenes runs along the picture's x, so y is across it."""
    return in_light(grey, lambda light: cv2.blur(light, (1, pixels)))


def noisy(grey, levels):
    noise = np.random.default_rng(4).normal(0, levels, grey.shape)
    return np.clip(grey + noise, 0, 255).astype(np.uint8)


def quality_of(grey):
    photo = photo_of(grey)
    return strip_quality(photo, find_strips(photo))


@pytest.mark.slow
def test_blur_adds_up_as_variances_do(scene):
    grey, _ = scene("plain")
    own = quality_of(grey).blur_px
    for sigma in (1.5, 2.5):
        assert quality_of(blurred(grey, sigma)).blur_px == pytest.approx(np.hypot(own, sigma), rel=0.15)


@pytest.mark.parametrize(("radius", "amount"), [(1.0, 2.0), (2.0, 1.5), (3.0, 1.5)])
def test_a_halo_is_no_blur(scene, radius, amount):
    grey, _ = scene("plain")
    before, after = quality_of(grey), quality_of(sharpened(grey, radius, amount))
    assert after.blur_px <= before.blur_px
    assert after.halo > before.halo + 0.08
    assert not quality_notices(after, photo_of(grey))


def test_noise_is_no_blur(scene):
    grey, _ = scene("plain")
    assert quality_of(noisy(grey, 8)).blur_px == pytest.approx(quality_of(grey).blur_px, rel=0.1)


@pytest.mark.slow
def test_a_shake_across_the_seam_moves_the_gap_within_u(scene):
    """Before, both edges moved 1.5 to 2 px inwards and U stayed as it was."""
    grey, truth = scene("plain")
    m = measure_photo(photo_of(shaken_across(grey, 7)), CHECKED)
    off, u = np.abs(errors(m, truth)), m.profile.expanded_u_mm
    assert np.mean(off <= u) >= 0.9
    assert np.median(m.profile.parts_mm["picture"]) > 0.05


def test_a_sharp_photo_gains_no_doubt_from_its_picture(measured):
    assert np.max(measured("plain").profile.parts_mm["picture"]) == 0


@pytest.mark.slow
def test_only_the_part_that_is_blurred_gains_doubt(scene):
    grey, _ = scene("plain")
    part = grey.copy()
    part[:, : grey.shape[1] // 2] = blurred(grey, 2)[:, : grey.shape[1] // 2]
    m = measure_photo(photo_of(part), CHECKED)
    doubt, x = m.profile.parts_mm["picture"], m.profile.edge_a_px[:, 0]
    assert np.median(doubt[x < 0.4 * grey.shape[1]]) > 0.05
    assert np.median(doubt[x > 0.65 * grey.shape[1]]) == 0


@pytest.mark.slow
def test_a_veil_over_a_dark_gap_makes_u_no_smaller(scene, measured):
    grey, truth = scene("plain")
    veiled = measure_photo(photo_of(in_light(grey, lambda light: 0.95 * light + 0.05 * light.max())), CHECKED)
    assert np.mean(np.abs(errors(veiled, truth)) <= veiled.profile.expanded_u_mm) >= 0.9
    assert np.median(veiled.profile.expanded_u_mm) >= 0.98 * np.median(measured("plain").profile.expanded_u_mm)


def test_weak_toner_beside_a_dark_gap_is_no_veil(scene):
    """A veil lies over everything: where a place of the picture is black, grey print is the printer's doing."""
    grey, _ = scene("plain")
    photo = photo_of(grey)
    quality = replace(strip_quality(photo, find_strips(photo)), contrast=0.8)
    assert veil_light(quality, photo) < 0.01
    veiled = photo_of(in_light(grey, lambda light: 0.95 * light + 0.05 * light.max()))
    assert veil_light(quality, veiled) == pytest.approx(0.05, abs=0.015)
