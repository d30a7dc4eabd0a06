"""Combining uncertainties as the Guide to the Expression of Uncertainty in Measurement does (JCGM 100:2008)."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def combine(*parts: FloatArray | float) -> FloatArray:
    """Root of the sum of squares of independent standard uncertainties (JCGM 100, 5.1.2).

    Parameters
    ----------
    *parts : float or ndarray
        Each already multiplied by its sensitivity, in one unit; arrays are combined element by element.

    Returns
    -------
    ndarray
        Combined standard uncertainty.
    """
    if not parts:
        raise ValueError("at least one part is needed")
    squares = np.broadcast_arrays(*(np.asarray(p, dtype=float) ** 2 for p in parts))
    out: FloatArray = np.sqrt(np.sum(np.stack(squares), axis=0))
    return out


def sensitivities(function: Callable[..., float], values: Sequence[float], std_u: Sequence[float]) -> FloatArray:
    """How far a result moves when each input moves by its standard uncertainty (JCGM 100, 5.1.3 note 2).

    Parameters
    ----------
    function : callable
        Takes as many numbers as there are values.
    values, std_u : sequence of float, length n
        Inputs and their standard uncertainties.

    Returns
    -------
    ndarray, shape (n,)
        Signed parts, ready for :func:`combine`.
    """
    parts = []
    for i, u in enumerate(std_u):
        high, low = list(values), list(values)
        high[i] += u
        low[i] -= u
        parts.append((function(*high) - function(*low)) / 2)
    return np.array(parts, dtype=float)


def effective_dof(parts: Sequence[float], dofs: Sequence[float]) -> float:
    """Effective degrees of freedom by Welch and Satterthwaite (JCGM 100, G.4.1).

    Parameters
    ----------
    parts : sequence of float
        Standard uncertainties, each times its sensitivity.
    dofs : sequence of float
        Degrees of freedom of each; ``inf`` for one that is known exactly.

    Returns
    -------
    float
        ``inf`` when every part with an effect has infinitely many.
    """
    if len(parts) != len(dofs):
        raise ValueError(f"expected as many degrees of freedom as parts, got {len(dofs)} and {len(parts)}")
    if any(not d > 0 for d in dofs):
        raise ValueError("degrees of freedom: expected numbers above 0")
    total = sum(p * p for p in parts)
    weakest = sum(p**4 / d for p, d in zip(parts, dofs, strict=True))
    return total**2 / weakest if weakest > 0 else math.inf


def coverage_factor(probability: float, dof: float = math.inf) -> float:
    """Factor k so that the result +- k u covers the value with this probability (JCGM 100, G.3, Student's t).

    Parameters
    ----------
    probability : float
        Between 0 and 1, e.g. 0.95.
    dof : float
        Degrees of freedom, > 0; not cut to a whole number.
    """
    from scipy.special import ndtri, stdtrit

    if not 0 < probability < 1 or not dof > 0:
        raise ValueError(f"expected 0 < probability < 1 and dof > 0, got {probability} and {dof}")
    upper = (1 + probability) / 2
    return float(ndtri(upper) if math.isinf(dof) else stdtrit(dof, upper))


def std_rectangular(half_width: float) -> float:
    """Standard uncertainty of a value known only to lie within +- half_width (JCGM 100, 4.3.7)."""
    return half_width / math.sqrt(3)


def std_arcsine(half_width: float) -> float:
    """Standard uncertainty of a value that swings like a sine within +- half_width (JCGM 100, H.1.3.4)."""
    return half_width / math.sqrt(2)


def effective_count(residuals: FloatArray) -> float:
    """How many independent samples a row of correlated ones is worth.

    Parameters
    ----------
    residuals : ndarray, shape (n,)
        Evenly spaced, about zero; sharpening, JPEG and smoothing tie neighbours together.

    Returns
    -------
    float
        1 to n: n / (1 + 2 * sum of the autocorrelation).  The sum stops where two neighbouring lags together
        are no longer positive (Geyer's initial positive sequence, 1992; from memory).  A row that does not
        vary counts as one.
    """
    d = np.asarray(residuals, dtype=float)
    if d.ndim != 1 or len(d) == 0 or not np.isfinite(d).all():
        raise ValueError(f"residuals: expected finite numbers of shape (n,), n >= 1, got {d.shape}")
    n = len(d)
    d = d - d.mean()
    if n < 3 or not float(d @ d) > 0:
        return 1.0
    size = 1 << (2 * n - 1).bit_length()
    spectrum = np.fft.rfft(d, size)
    rho = np.fft.irfft(spectrum * np.conj(spectrum), size)[:n]
    rho = rho / rho[0]
    total, lag = 0.0, 1
    while lag + 1 < n and rho[lag] + rho[lag + 1] > 0:
        total += float(rho[lag] + rho[lag + 1])
        lag += 2
    return float(min(max(n / (1 + 2 * total), 1.0), n))


def expected_range(count: int) -> float:
    """Expected largest minus smallest of independent normal errors with standard deviation 1.

    This is what a peak-to-valley form value shows on a perfect edge: 5.0 for 100 stations.  ``count`` is a
    number of independent stations, see :func:`effective_count`.
    """
    from scipy.special import ndtr

    if count < 1:
        raise ValueError(f"count: expected 1 or more, got {count}")
    x = np.linspace(-9.0, 9.0, 3601)
    below = ndtr(x)
    return float(np.trapezoid(1 - below**count - (1 - below) ** count, x))
