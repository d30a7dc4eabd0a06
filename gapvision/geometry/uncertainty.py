"""Combining uncertainties as the Guide to the Expression of Uncertainty in Measurement does (JCGM 100:2008).

A result y = f(x1, x2, ...) moves by part i when input i moves by its standard
uncertainty (:func:`sensitivities`); the parts together are the result's
standard uncertainty (:func:`combine`).  Every U that gapvision prints is made by
these two functions.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]


def combine(parts: FloatArray | Sequence[FloatArray | float], correlation: FloatArray | None = None) -> FloatArray:
    """Combined standard uncertainty, the law of propagation (JCGM 100, 5.1.2; 5.2.2 with correlated inputs).

    Parameters
    ----------
    parts : sequence of k numbers or arrays, or ndarray of shape (k, ...)
        Standard uncertainty of each input times its sensitivity, in one unit; arrays are combined element by element.
    correlation : ndarray, shape (k, k), optional
        Correlation of the inputs; the parts then count with their signs.  Left out, the inputs are independent.

    Returns
    -------
    ndarray
        Of the parts' common shape.

    Raises
    ------
    ValueError
        No part, or a correlation of another size.
    """
    rows = parts if isinstance(parts, np.ndarray) else np.array(np.broadcast_arrays(*parts), dtype=float)
    if not len(rows):
        raise ValueError("at least one part is needed")
    if correlation is None:
        out: FloatArray = np.sqrt((rows**2).sum(0))
        return out
    if np.shape(correlation) != (len(rows), len(rows)):
        raise ValueError(f"correlation: expected shape {(len(rows), len(rows))}, got {np.shape(correlation)}")
    # Rounding may leave a variance of nothing a little below zero.
    out = np.sqrt(np.maximum((rows * np.tensordot(correlation, rows, 1)).sum(0), 0.0))
    return out


def sensitivities(
    function: Callable[..., FloatArray | float], values: Sequence[float], std_u: Sequence[float]
) -> FloatArray:
    """How far a result moves when each input moves by its standard uncertainty (JCGM 100, 5.1.3 note 2).

    Parameters
    ----------
    function : callable
        Takes k numbers, returns a number or an array.
    values, std_u : sequence of float, length k
        Inputs and their standard uncertainties.

    Returns
    -------
    ndarray, shape (k, ...)
        Signed parts, ready for :func:`combine`.
    """
    parts = []
    for i, u in enumerate(std_u):
        high, low = list(values), list(values)
        high[i] += u
        low[i] -= u
        parts.append((np.asarray(function(*high), dtype=float) - function(*low)) / 2)
    return np.array(parts, dtype=float)
