"""Line fits: the truth is recovered, the points' weights are right, degenerate points are refused in words."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gapvision.geometry.lines import fit_line, fit_total_line


@given(st.floats(-100, 100), st.floats(-10, 10))
def test_an_exact_line_is_recovered(intercept, slope):
    x = np.arange(7.0)
    y = intercept + slope * x
    fit = fit_line(x, y)
    assert fit.intercept == pytest.approx(intercept, abs=1e-9)
    assert fit.slope == pytest.approx(slope, abs=1e-9)
    total = fit_total_line(x, y)
    assert np.abs(total.distances(x, y)).max() < 1e-9


@given(st.floats(0, 2 * np.pi), st.integers(0, 20))
def test_total_least_squares_turns_with_the_points(angle, seed):
    rng = np.random.default_rng(seed)
    points = np.stack([np.arange(30.0), rng.normal(0, 0.2, 30)], 1)
    turned = points @ np.array([[np.cos(angle), np.sin(angle)], [-np.sin(angle), np.cos(angle)]])
    one, two = fit_total_line(*points.T), fit_total_line(*turned.T)
    assert np.abs(two.distances(*turned.T)) == pytest.approx(np.abs(one.distances(*points.T)), abs=1e-9)


def test_distances_are_positive_on_the_left():
    line = fit_total_line(np.array([0.0, 1, 2]), np.array([0.0, 0, 0]))
    assert line.distances(np.array([5.0]), np.array([2.0]))[0] == pytest.approx(2)


@given(st.integers(0, 50))
def test_the_line_is_its_weighted_sum_of_the_points(seed):
    rng = np.random.default_rng(seed)
    x, y = rng.normal(20, 5, 9), rng.normal(3, 1, 9)
    fit = fit_line(x, y)
    assert fit.intercept_weights @ y == pytest.approx(fit.intercept, abs=1e-9)
    assert fit.slope_weights @ y == pytest.approx(fit.slope, abs=1e-9)
    assert (fit.slope, fit.intercept) == pytest.approx(tuple(np.polyfit(x, y, 1)), abs=1e-9)


@pytest.mark.parametrize(
    ("x", "y", "says"),
    [([1.0], [2.0], "two points or more"), ([1.0, 2], [1.0], "one shape"), ([1.0, np.inf], [0.0, 1], "finite")],
)
@pytest.mark.parametrize("fit", [fit_line, fit_total_line])
def test_misuse(fit, x, y, says):
    with pytest.raises(ValueError, match=says):
        fit(np.array(x), np.array(y))


def test_degenerate():
    with pytest.raises(ValueError, match="two different x"):
        fit_line(np.ones(3), np.arange(3.0))
    with pytest.raises(ValueError, match="two different places"):
        fit_total_line(np.ones(3), np.ones(3))
    upright = fit_total_line(np.ones(3), np.arange(3.0))
    assert upright.direction == (pytest.approx(0, abs=1e-12), pytest.approx(1))
