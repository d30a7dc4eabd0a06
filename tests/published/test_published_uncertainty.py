"""The GUM's worked examples and other published uncertainty values (numbers U-.. of the project's check values)."""

from __future__ import annotations

import math

import numpy as np
import pytest

from gapvision.geometry.uncertainty import combine, sensitivities

# JCGM 100:2008 H.1, end gauge calibration, in nm; as worked in two metrology libraries' examples and tests.
LENGTH_NM, THETA, ALPHA = 50000623.0, -0.1, 11.5e-6
D_PARTS = (5.8, 3.9, 6.7)


def rectangular(half_width: float) -> float:
    """Standard uncertainty of a value known only to lie within +- half_width (JCGM 100, 4.3.7)."""
    return half_width / math.sqrt(3)


def test_u01_by_parts():
    """Standard uncertainties by cause: l = ls + d - ls (da th + as dt)."""
    parts = [25.0, *D_PARTS, LENGTH_NM * abs(THETA) * rectangular(1e-6), LENGTH_NM * ALPHA * rectangular(0.05)]
    assert parts[4:] == [pytest.approx(2.88679, abs=1e-4), pytest.approx(16.599, abs=1e-3)]
    assert float(combine(D_PARTS)) == pytest.approx(9.6819, abs=1e-4)
    assert float(combine(parts)) == pytest.approx(31.663879, abs=1e-4)


def test_u01_by_numerical_sensitivities():
    """The same from the measuring function itself; th has no first-order effect where da is zero."""

    def length(inputs):
        ls, d, da, th, als, dt = np.moveaxis(inputs, -1, 0)
        return ls + d - ls * (da * th + als * dt)

    swing = 0.5 / math.sqrt(2)  # standard uncertainty of a temperature that swings like a sine, H.1.3.4
    values = np.array([LENGTH_NM, 215.0, 0.0, THETA, ALPHA, 0.0])
    stds = (25.0, float(combine(D_PARTS)), rectangular(1e-6), float(combine([0.2, swing])), rectangular(2e-6),
            rectangular(0.05))  # fmt: skip
    assert float(combine(sensitivities(length, values, stds))) == pytest.approx(31.6639, abs=1e-3)
    assert length(values) == 50000838


# JCGM 100:2008 H.2, resistance and reactance from voltage [V], current [A] and phase [rad], whose readings are
# correlated; inputs and results as a metrology library's documentation gives them.
H2_VALUES, H2_STDS = np.array([4.999, 19.661e-3, 1.04446]), np.array([3.2e-3, 9.5e-6, 7.5e-4])
H2_CORRELATION = np.array([[1, -0.36, 0.86], [-0.36, 1, -0.65], [0.86, -0.65, 1]])


def impedance(inputs: np.ndarray) -> np.ndarray:
    v, i, phi = np.moveaxis(inputs, -1, 0)
    return np.stack([v / i * np.cos(phi), v / i * np.sin(phi), v / i], -1)


def test_gum_h2_correlated_inputs():
    """R = 127.732(70), X = 219.85(30), Z = 254.26(24) ohm: the way by which the field's covariance reaches the gap."""
    assert impedance(H2_VALUES) == pytest.approx([127.732, 219.85, 254.26], abs=5e-3)
    parts = sensitivities(impedance, H2_VALUES, H2_STDS)
    u_r, u_x, u_z = combine(parts, H2_CORRELATION)
    assert (round(u_r, 3), round(u_x, 2), round(u_z, 2)) == (0.070, 0.30, 0.24)
    # Taken as independent, the same inputs would give R almost three times that: the correlations count.
    assert combine(parts)[0] > 2.5 * u_r


def test_gum_h2_by_drawing_lots():
    """JCGM 101: the same by Monte Carlo."""
    rng = np.random.default_rng(2)
    drawn = rng.multivariate_normal(H2_VALUES, np.outer(H2_STDS, H2_STDS) * H2_CORRELATION, 20_000)
    scatter = np.std(impedance(drawn), axis=0)
    parts = sensitivities(impedance, H2_VALUES, H2_STDS)
    assert combine(parts, H2_CORRELATION) == pytest.approx(scatter, rel=0.02)


def test_u04_expansion_coefficient():
    """NIST TN 1900, example E13, as kept in a metrology program's tests: a difference of two nearly equal lengths."""

    def coefficient(inputs):
        l0, l1, t0, t1 = np.moveaxis(inputs, -1, 0)
        return (l1 - l0) / (l0 * (t1 - t0))

    values, stds = np.array([1.4999, 1.5021, 288.15, 373.10]), (1e-4, 2e-4, 0.02, 0.05)
    parts = sensitivities(coefficient, values, stds)
    assert coefficient(values) == pytest.approx(1.7266e-5, abs=1e-9)
    assert float(combine(parts)) == pytest.approx(1.7555e-6, abs=1e-9)


@pytest.mark.parametrize(("stds", "u"), [((1, 1, 1, 1), 2.0), ((1, 1, 1, 10), 10.1489)])
def test_u05_u07_sums(stds, u):
    """JCGM 101, 9.2.2 to 9.2.4 (the last as a published case from memory)."""
    assert float(combine(stds)) == pytest.approx(u, abs=1e-4)


def test_u08_where_first_order_is_not_enough():
    """y = ln x, x uniform on 0.1 to 1.1: first order gives 0.481 (table 9.2 of a national laboratory's report)."""
    std = rectangular(0.5)
    assert std / 0.6 == pytest.approx(0.481, abs=1e-3)
    # Numerical sensitivity over +- u sees part of the curvature that the derivative does not: nearer to the true 0.606.
    assert 0.481 < abs(sensitivities(np.log, [0.6], [std]).item()) < 0.606


def test_arrays_are_combined_element_by_element():
    assert np.allclose(combine([np.array([3.0, 0.0]), 4.0]), [5.0, 4.0])
