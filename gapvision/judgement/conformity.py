"""Probability of being in tolerance, guard bands, and the decision at one station.

References
----------
JCGM 106:2012, evaluation of measurement data: the role of measurement
uncertainty in conformity assessment (conformance probability, guarded
acceptance).  Its text could not be read here; see the tests for what was checked
against.  Rule ``proven``: the limits moved inwards by U, k = 2.  ISO 14253-1 is about
that too; which factor its editions take could not be found out, so nothing is
said of it to people.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gapvision.model import COVERAGE_FACTOR, IN, OPEN, OUT, DecisionRule, FloatArray

_TINY_MM = 1e-12  # a U of nothing still divides
_ON_THE_LIMIT_MM = 1e-9  # a value on the limit itself is in tolerance, whatever its last binary digit says


def conformance_probability(value: ArrayLike, std_u: ArrayLike, lower: ArrayLike, upper: ArrayLike) -> FloatArray:
    """Probability that the true value lies between the limits, for a normal error.

    Parameters
    ----------
    value, std_u : array_like
        Measured value and its standard uncertainty, >= 0.
    lower, upper : array_like
        Limits; ``-inf`` or ``inf`` for none.

    Returns
    -------
    ndarray
        Phi((upper - value) / std_u) - Phi((lower - value) / std_u).

    Examples
    --------
    >>> round(float(conformance_probability(13.6, 1.8, 12.5, 16.3)), 3)
    0.663
    """
    from scipy.special import ndtr

    y = np.asarray(value, float)
    u = np.maximum(np.asarray(std_u, float), _TINY_MM)
    return np.asarray(ndtr((np.asarray(upper, float) - y) / u) - ndtr((np.asarray(lower, float) - y) / u))


def guard_band(std_u: ArrayLike, width: ArrayLike, rule: DecisionRule) -> FloatArray:
    """How far each limit moves inwards before a value is accepted.

    Parameters
    ----------
    std_u : array_like
        Standard uncertainty [mm].
    width : array_like
        Upper limit minus lower limit [mm].
    rule : DecisionRule
        Decision rule.

    Returns
    -------
    ndarray
        Width of the guard band at each limit [mm]; ``inf`` where no value at
        all could be accepted.

    Notes
    -----
    For a stated risk both tails count: the acceptance half-width is the root
    of P(in tolerance) = 1 - risk, not the one-sided formula, which accepts too
    much when U is a large share of the band.
    """
    u, full = np.broadcast_arrays(np.asarray(std_u, float), np.asarray(width, float))
    if rule.name == "simple":
        return np.zeros(u.shape)
    if rule.name == "proven":
        band = COVERAGE_FACTOR * u
        return np.where(band > full / 2, np.inf, band)
    if rule.name != "risk":
        raise NotImplementedError(rule.name)  # a rule added to RULES alone must not judge as another
    half = full / 2
    low, high = np.zeros(u.shape), half.copy()
    possible = conformance_probability(0.0, u, -half, half) >= 1 - rule.risk
    for _ in range(60):  # bisection: P falls steadily from the middle outwards
        mid = 0.5 * (low + high)
        good = conformance_probability(mid, u, -half, half) >= 1 - rule.risk
        low, high = np.where(good, mid, low), np.where(good, high, mid)
    return np.where(possible, half - low, np.inf)


def decide(
    gap_mm: FloatArray, expanded_u_mm: FloatArray, lower_mm: FloatArray, upper_mm: FloatArray, rule: DecisionRule
) -> NDArray[np.str_]:
    """State of each station.

    Parameters
    ----------
    gap_mm, expanded_u_mm : ndarray, shape (n,)
        Gap and its U (k = 2) [mm].
    lower_mm, upper_mm : ndarray, shape (n,)
        Limits [mm].
    rule : DecisionRule
        ``proven``: in when gap -/+ U lies within the limits, out when it lies
        wholly beyond one, else not proven.  ``simple``: the value alone.
        ``risk``: in when P(in tolerance) >= 1 - risk, out when <= risk.

    Returns
    -------
    ndarray of str, shape (n,)
        IN, OUT or OPEN.
    """
    return np.asarray(np.array((IN, OPEN, OUT))[decide_codes(gap_mm, expanded_u_mm, lower_mm, upper_mm, rule)])


def decide_codes(
    gap_mm: FloatArray, expanded_u_mm: FloatArray, lower_mm: FloatArray, upper_mm: FloatArray, rule: DecisionRule
) -> NDArray[np.intp]:
    """The same as numbers: 0 in tolerance, 1 not proven, 2 out of tolerance; arguments as :func:`decide`."""
    code = np.ones(gap_mm.shape, np.intp)
    if rule.name in ("proven", "simple"):
        lower, upper = lower_mm - _ON_THE_LIMIT_MM, upper_mm + _ON_THE_LIMIT_MM
        low, high = (gap_mm - expanded_u_mm, gap_mm + expanded_u_mm) if rule.name == "proven" else (gap_mm, gap_mm)
        code[(high < lower) | (low > upper)] = 2
        code[(low >= lower) & (high <= upper)] = 0
        return code
    if rule.name != "risk":
        raise NotImplementedError(rule.name)
    p = conformance_probability(gap_mm, expanded_u_mm / COVERAGE_FACTOR, lower_mm, upper_mm)
    code[p >= 1 - rule.risk] = 0
    code[p <= rule.risk] = 2
    return code


def decide_limit(value: float, expanded_u: float, limit: float, rule: DecisionRule) -> str:
    """State of one value that must lie between minus and plus ``limit``."""
    y = np.array([value])
    return str(decide(y, np.array([expanded_u]), np.array([-limit]), np.array([limit]), rule)[0])
