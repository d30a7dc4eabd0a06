"""Fine noise on the strips: known noise put on a drawn scene is found again, and smoothing it is seen.

Smoothing by a normal distribution of known width leaves a known share of independent noise, and makes pairs of pixels
alike by a known share (both from the sum of squares of the filter's weights, worked out here by numpy).
"""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from gapvision.lab.scenes import render_grey
from gapvision.vision.detect import find_strips
from gapvision.vision.grain import USUAL_GRAIN, print_grain
from gapvision.vision.phone import picture_doubt
from gapvision.vision.quality import strip_quality
from tests.vision.conftest import PLAIN, SMALL, photo_of


@pytest.fixture(scope="module")
def clean():
    spec = replace(PLAIN, camera=replace(SMALL, noise=0.0, sharpening=0.0))
    return render_grey(spec, seed=5)[0]


def noise_of(grey, levels):
    return np.random.default_rng(4).normal(0, levels, grey.shape)


def quality_of(grey):
    photo = photo_of(grey)
    return strip_quality(photo, find_strips(photo))


def grain_of(values):
    photo = photo_of(np.clip(np.round(values), 0, 255).astype(np.uint8))
    return print_grain(photo, find_strips(photo))


@pytest.mark.parametrize("levels", [3.0, 8.0])
def test_noise_put_on_is_found_again(clean, levels):
    grain = grain_of(clean + noise_of(clean, levels))
    assert grain.levels == pytest.approx(levels, rel=0.15)
    assert grain.run == pytest.approx(1, abs=0.15)
    assert grain.tail == pytest.approx(3, abs=0.2)  # of a normal distribution; it gains by rounding: 3.0 to 3.1


def test_smoothed_noise_is_less_and_alike_over_pixels(clean):
    sigma, levels = 1.0, 12.0
    kernel = cv2.getGaussianKernel(9, sigma).ravel()
    step, pair = (np.convolve(kernel, k) for k in ([1, -1], [0.5, 0.5, -0.5, -0.5]))
    left = levels * np.sqrt((step @ step) * (kernel @ kernel) / 2)
    run = np.sqrt(2 * (pair @ pair) / (step @ step))
    grain = grain_of(clean + cv2.GaussianBlur(noise_of(clean, levels), (0, 0), sigma))
    assert grain.levels == pytest.approx(left, rel=0.2)
    assert grain.run == pytest.approx(run, rel=0.2)


def test_what_looks_for_like_patches_takes_noise_out_of_the_flats(clean):
    noisy = np.clip(clean + noise_of(clean, 4), 0, 255).astype(np.uint8)
    smeared = cv2.fastNlMeansDenoising(noisy, None, 8.0, 3, 9)
    assert grain_of(smeared).levels < 0.3 * grain_of(noisy).levels
    # And the edges of the seam are then less sure, by the share that own ray-traced scenes asked for.
    one = np.full(3, 8.0)
    before, after = (picture_doubt(quality_of(grey), one, np.full((3, 2), 500.0)).factor for grey in (clean, smeared))
    assert after == pytest.approx(1.25 * before, rel=0.05)


def test_noise_half_taken_out_makes_edges_less_sure(clean):
    one = np.full(3, 8.0)

    def factor(grey, **gap):
        quality = quality_of(np.clip(np.round(grey), 0, 255).astype(np.uint8))
        return picture_doubt(quality, one, np.full((3, 2), 500.0), **gap).factor

    noisy = np.clip(clean + noise_of(clean, 10), 0, 255).astype(np.uint8)
    left = cv2.fastNlMeansDenoising(noisy, None, 10.0, 3, 9)  # leaves noise, only less
    assert grain_of(left).levels > 1.6
    assert grain_of(left).tail > 4.1
    assert factor(left) == pytest.approx(1.4 * factor(clean), rel=0.05)
    assert factor(left, lit=True) == pytest.approx(factor(clean), rel=0.05)  # no outline is faint there
    # Noise that nobody took out left the edges as sure as they were; grain in runs of pixels is any phone's.
    assert factor(noisy) == pytest.approx(factor(clean), rel=0.05)
    assert factor(clean + cv2.GaussianBlur(noise_of(clean, 10), (0, 0), 1.0)) == pytest.approx(factor(clean), rel=0.05)


def test_without_strips_the_usual_grain_counts(clean):
    assert print_grain(photo_of(clean), []) == USUAL_GRAIN
