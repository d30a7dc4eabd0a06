"""The smooth curve has the cut-off that is stated, and follows what is smooth to its ends."""

from __future__ import annotations

import numpy as np
import pytest

from gapvision.geometry.curves import smooth_curve


@pytest.mark.parametrize(
    ("wavelength", "share"), [(40, 1 / 6562), (60, 1 / 257), (120, 0.5), (240, 256 / 257), (480, 65536 / 65537)]
)
@pytest.mark.parametrize("spacing", [0.5, 1.0, 3.0])
def test_the_cut_off_is_as_stated(wavelength, share, spacing):
    s = np.arange(0, 2400, spacing)
    wave = np.sin(2 * np.pi * s / wavelength)
    middle = (s > 720) & (s < 1680)
    curve = smooth_curve(s, wave, 120, robust=False)
    assert curve[middle] @ wave[middle] / (wave[middle] @ wave[middle]) == pytest.approx(share, abs=0.002)


def test_a_cubic_is_followed_to_its_ends():
    s = np.arange(0, 300.0)
    y = 5 - 0.03 * s + s**2 / 1800 + (s / 100) ** 3
    assert np.abs(smooth_curve(s, y, 120) - y).max() < 2e-3


def test_across_a_hole_it_stays_on_the_parabola():
    s = np.r_[0:80, 200:300].astype(float)
    y = s**2 / 1800
    assert np.abs(smooth_curve(s, y, 120) - y).max() < 2e-3


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: smooth_curve(np.arange(3.0), np.zeros(3), 120), "four or more"),
        (lambda: smooth_curve(np.array([0.0, 1, 1, 2]), np.zeros(4), 120), "increasing"),
        (lambda: smooth_curve(np.arange(5.0), np.zeros(4), 120), "one shape"),
        (lambda: smooth_curve(np.arange(5.0), np.zeros(5), 1.5), "twice the station spacing"),
    ],
)
def test_misuse(call, says):
    with pytest.raises(ValueError, match=says):
        call()
