"""Line fits: the truth is recovered, the stated uncertainty is honest, degenerate points are refused in words."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gapvision.geometry.lines import fit_line, fit_total_line, fit_weighted_line


@given(st.floats(-100, 100), st.floats(-10, 10))
def test_an_exact_line_is_recovered(intercept, slope):
    x = np.arange(7.0)
    y = intercept + slope * x
    for fit in (fit_line(x, y), fit_weighted_line(x, y, np.full(7, 0.1), np.full(7, 0.2))):
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
    assert two.rms == pytest.approx(one.rms, rel=1e-9)
    assert two.std_u_angle_rad == pytest.approx(one.std_u_angle_rad, rel=1e-9)
    assert np.abs(two.distances(*turned.T)) == pytest.approx(np.abs(one.distances(*points.T)), abs=1e-9)


def test_distances_are_positive_on_the_left():
    line = fit_total_line(np.array([0.0, 1, 2]), np.array([0.0, 0, 0]))
    assert line.distances(np.array([5.0]), np.array([2.0]))[0] == pytest.approx(2)


def test_weighted_fit_becomes_ordinary_when_x_is_exact():
    rng = np.random.default_rng(5)
    x = np.linspace(0, 10, 25)
    y = 1 + 2 * x + rng.normal(0, 0.3, 25)
    one, two = fit_line(x, y), fit_weighted_line(x, y, np.full(25, 1e-9), np.full(25, 0.3))
    assert (two.intercept, two.slope) == (pytest.approx(one.intercept, abs=1e-9), pytest.approx(one.slope, abs=1e-9))
    assert two.std_u_slope == pytest.approx(one.std_u_slope * 0.3 / one.residual_std, rel=1e-6)


def test_weighted_uncertainty_is_honest():
    """Over 400 drawn sets, about 95 % of the slopes lie within two stated standard uncertainties."""
    rng = np.random.default_rng(6)
    x = np.linspace(0, 10, 20)
    ux, uy = rng.uniform(0.05, 0.3, 20), rng.uniform(0.05, 0.3, 20)
    inside = 0
    for _ in range(400):
        fit = fit_weighted_line(x + rng.normal(0, ux), 1 - 0.7 * x + rng.normal(0, uy), ux, uy)
        inside += abs(fit.slope + 0.7) <= 2 * fit.std_u_slope
    assert 0.92 <= inside / 400 <= 0.985


def test_two_points_have_no_uncertainty():
    fit = fit_line(np.array([0.0, 1]), np.array([1.0, 3]))
    assert (fit.intercept, fit.slope, fit.dof) == (1, 2, 0)
    assert np.isnan(fit.std_u_slope)
    assert np.isnan(fit.predict(2.0)[1])
    assert np.isnan(fit_total_line(np.array([0.0, 1]), np.array([1.0, 3])).std_u_offset)


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
    with pytest.raises(ValueError, match="one positive number for each point"):
        fit_weighted_line(np.arange(3.0), np.arange(3.0), np.zeros(3), np.ones(3))
    upright = fit_total_line(np.ones(3), np.arange(3.0))
    assert upright.direction == (pytest.approx(0, abs=1e-12), pytest.approx(1))
