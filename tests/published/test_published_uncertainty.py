"""The GUM's worked examples and other published uncertainty values (numbers U-.. of the project's check values)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gapvision.geometry.uncertainty import (
    combine,
    coverage_factor,
    effective_dof,
    sensitivities,
    std_arcsine,
    std_rectangular,
)

# JCGM 100:2008 H.1, end gauge calibration, in nm; as worked in two metrology libraries' examples and tests.
LENGTH_NM, THETA = 50000623.0, -0.1
D_PARTS, D_DOFS = (5.8, 3.9, 6.7), (24, 5, 8)
DALPHA, DTHETA, ALPHA = 1e-6, 0.05, 11.5e-6


def gauge_parts() -> tuple[list[float], list[float]]:
    """Standard uncertainties by cause and their degrees of freedom: l = ls + d - ls (da th + as dt)."""
    parts = [
        25.0,
        *D_PARTS,
        LENGTH_NM * abs(THETA) * std_rectangular(DALPHA),
        LENGTH_NM * ALPHA * std_rectangular(DTHETA),
    ]
    return parts, [18, *D_DOFS, 50, 2]


def test_u01_parts():
    parts, _ = gauge_parts()
    assert parts[4:] == [pytest.approx(2.88679, abs=1e-4), pytest.approx(16.599, abs=1e-3)]
    assert float(combine(*D_PARTS)) == pytest.approx(9.6819, abs=1e-4)
    assert effective_dof(D_PARTS, D_DOFS) == pytest.approx(25.45, abs=0.01)


def test_u01_combined():
    parts, dofs = gauge_parts()
    assert float(combine(*parts)) == pytest.approx(31.663879, abs=1e-4)
    assert effective_dof(parts, dofs) == pytest.approx(16.7519, abs=1e-3)


def test_u01_by_numerical_sensitivities():
    """The same from the measuring function itself; th has no first-order effect where da is zero."""

    def length(ls, d, da, th, als, dt):
        return ls + d - ls * (da * th + als * dt)

    u_theta = float(combine(0.2, std_arcsine(0.5)))
    values = (LENGTH_NM, 215.0, 0.0, THETA, ALPHA, 0.0)
    stds = (
        25.0,
        float(combine(*D_PARTS)),
        std_rectangular(DALPHA),
        u_theta,
        std_rectangular(2e-6),
        std_rectangular(DTHETA),
    )
    assert float(combine(*sensitivities(length, values, stds))) == pytest.approx(31.6639, abs=1e-3)
    assert length(*values) == 50000838


def test_u02_expanded_at_99_percent():
    """U = 93 nm is the GUM's own answer (from memory); unrounded u gives 92.5."""
    assert coverage_factor(0.99, 16) == pytest.approx(2.9208, abs=1e-4)
    assert 31.6639 * coverage_factor(0.99, 16) == pytest.approx(92.5, abs=0.05)
    assert round(32 * coverage_factor(0.99, 16)) == 93


@pytest.mark.parametrize(
    ("percent", "dof", "t"),
    [(68.27, 1, 1.84), (95, 1, 12.71), (99.73, 5, 5.51), (90, 20, 1.72), (95, 5, 2.571), (95, 10, 2.228),
     (95, 16, 2.120),
     (95.45, 10, 2.284)],
)  # fmt: skip
def test_u03_t_factors(percent, dof, t):
    """JCGM 100 table G.2 (first four as quoted in a metrology program's tests; the others by scipy)."""
    assert coverage_factor(percent / 100, dof) == pytest.approx(t, abs=0.005)


def test_u03_infinite_freedom_is_the_normal_factor():
    assert coverage_factor(0.9545) == pytest.approx(2.0, abs=1e-4)
    assert coverage_factor(0.95, 1e9) == pytest.approx(coverage_factor(0.95), abs=1e-6)


def test_u04_expansion_coefficient():
    """NIST TN 1900, example E13, as kept in a metrology program's tests: a difference of two nearly equal lengths."""

    def coefficient(l0, l1, t0, t1):
        return (l1 - l0) / (l0 * (t1 - t0))

    values, stds = (1.4999, 1.5021, 288.15, 373.10), (1e-4, 2e-4, 0.02, 0.05)
    parts = sensitivities(coefficient, values, stds)
    assert coefficient(*values) == pytest.approx(1.7266e-5, abs=1e-9)
    assert float(combine(*parts)) == pytest.approx(1.7555e-6, abs=1e-9)
    assert effective_dof([abs(p) for p in parts], [3] * 4) == pytest.approx(4.42, abs=0.01)


@pytest.mark.parametrize(("stds", "u"), [((1, 1, 1, 1), 2.0), ((1, 1, 1, 10), 10.1489)])
def test_u05_u07_sums(stds, u):
    """JCGM 101, 9.2.2 to 9.2.4 (the last as a published case from memory)."""
    assert float(combine(*stds)) == pytest.approx(u, abs=1e-4)


def test_u08_where_first_order_is_not_enough():
    """y = ln x, x uniform on 0.1 to 1.1: first order gives 0.481 (table 9.2 of a national laboratory's report)."""
    std = std_rectangular(0.5)
    assert std / 0.6 == pytest.approx(0.481, abs=1e-3)
    # Numerical sensitivity over +- u sees part of the curvature that the derivative does not: nearer to the true 0.606.
    assert 0.481 < abs(sensitivities(math.log, [0.6], [std])[0]) < 0.606


def test_arrays_are_combined_element_by_element():
    assert np.allclose(combine(np.array([3.0, 0.0]), 4.0), [5.0, 4.0])
