"""Arc length and resampling against a circle, the smooth curve's stated cut-off."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gapvision.geometry.curves import arc_length, resample, smooth_curve

QUARTER = np.linspace(0, np.pi / 2, 2001)
CIRCLE = 100 * np.stack([np.cos(QUARTER), np.sin(QUARTER)], 1)


def test_arc_length_of_a_quarter_circle():
    s = arc_length(CIRCLE)
    assert s[0] == 0
    assert s[-1] == pytest.approx(50 * np.pi, rel=1e-6)
    assert arc_length(np.zeros((1, 2))).tolist() == [0]


@given(st.floats(0.3, 40))
def test_resampled_points_are_evenly_apart(spacing):
    points = resample(CIRCLE, spacing)
    assert len(points) == int(50 * np.pi / spacing + 1e-9) + 1
    step = np.hypot(*np.diff(points, axis=0).T)
    assert step == pytest.approx(2 * 100 * np.sin(spacing / 200), rel=1e-4)
    assert np.hypot(*points.T) == pytest.approx(100, rel=1e-5)


def test_resampling_a_straight_line_keeps_its_end():
    points = resample(np.array([[0.0, 0], [0, 0], [3, 4], [6, 8]]), 0.1)
    assert len(points) == 101
    assert points[-1] == pytest.approx([6, 8])


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
        (lambda: arc_length(np.zeros((3, 3))), "shape"),
        (lambda: resample(np.zeros((3, 2)), 1), "two different places"),
        (lambda: resample(CIRCLE, 0), "more than 0"),
        (lambda: smooth_curve(np.arange(3.0), np.zeros(3), 120), "four or more"),
        (lambda: smooth_curve(np.array([0.0, 1, 1, 2]), np.zeros(4), 120), "increasing"),
        (lambda: smooth_curve(np.arange(5.0), np.zeros(4), 120), "one shape"),
        (lambda: smooth_curve(np.arange(5.0), np.zeros(5), 1.5), "twice the station spacing"),
    ],
)
def test_misuse(call, says):
    with pytest.raises(ValueError, match=says):
        call()
