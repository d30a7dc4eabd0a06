"""Uncertainty of a slope and of a jump, whose stations share their errors in an unknown degree.

A photo's errors are partly common to all stations (scale, pose) and partly of
their own (noise, the edge's roll changing along the seam).  How far apart two
stations must lie before their errors differ is not known, so every functional is
worked out for several correlation lengths and the worst is taken.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np

from gapvision.geometry.lines import fit_line
from gapvision.geometry.uncertainty import combine_along
from gapvision.model import FloatArray

#: Correlation lengths tried [mm]: from noise of one station to the length of a strip.
CORRELATION_MM = (0.5, 5.0, 20.0, 80.0, 240.0)
_MOST_POINTS = 240


def functional_std(weights: FloatArray, s_mm: FloatArray, std_u_mm: FloatArray) -> float:
    """Standard uncertainty of sum(weights * gap) under the worst correlation length.

    Parameters
    ----------
    weights, s_mm, std_u_mm : ndarray, shape (n,)
        Weights, stations in order [mm], standard uncertainty of each [mm].

    Returns
    -------
    float
        Standard uncertainty in the unit of weight times mm.
    """
    return _worst((weights * std_u_mm).tobytes(), np.asarray(s_mm, float).tobytes())


@lru_cache(maxsize=64)
def _worst(parts: bytes, s_mm: bytes) -> float:
    """A plan asks the same of a seam before and after its move."""
    row, places = np.frombuffer(parts), np.frombuffer(s_mm)
    return max(combine_along(row, places, length) for length in CORRELATION_MM)


def slope(s_mm: FloatArray, y_mm: FloatArray, std_u_mm: FloatArray) -> tuple[float, float]:
    """Least-squares slope and its standard uncertainty.

    Returns
    -------
    slope, std_u : float
        In mm per metre.
    """
    pick = np.unique(np.linspace(0, len(s_mm) - 1, min(len(s_mm), _MOST_POINTS)).round().astype(int))
    few = fit_line(s_mm[pick], y_mm[pick]).slope_weights
    return 1000 * fit_line(s_mm, y_mm).slope, 1000 * functional_std(few, s_mm[pick], std_u_mm[pick])


def window_jumps(
    s_mm: FloatArray, y_mm: FloatArray, spacing_mm: float, window_mm: float = 10.0
) -> tuple[FloatArray, FloatArray]:
    """Change of the mean from each window to the next, for windows that start at every station.

    Parameters
    ----------
    s_mm, y_mm : ndarray, shape (n,)
        Stations and values [mm].
    spacing_mm : float
        Distance between stations [mm].
    window_mm : float
        Length of a window [mm].

    Returns
    -------
    at_mm, jump_mm : ndarray, shape (m,)
        Border between the two windows, and mean after minus mean before [mm].
        Only where both windows hold at least four fifths of their stations.
    """
    total = np.concatenate([[0.0], np.cumsum(y_mm)])
    border = s_mm + window_mm
    i0 = np.arange(len(s_mm))
    i1 = np.searchsorted(s_mm, border - 1e-9)
    i2 = np.searchsorted(s_mm, border + window_mm - 1e-9)
    need = 0.8 * window_mm / spacing_mm
    good = (i1 - i0 >= max(need, 1)) & (i2 - i1 >= max(need, 1))
    i0, i1, i2 = i0[good], i1[good], i2[good]
    jump = (total[i2] - total[i1]) / (i2 - i1) - (total[i1] - total[i0]) / (i1 - i0)
    return border[good], jump


@lru_cache(maxsize=64)
def window_jump_factor(spacing_mm: float, window_mm: float = 10.0) -> float:
    """Standard uncertainty of a jump over that of one station, worst correlation length."""
    n = max(1, round(window_mm / spacing_mm))
    s = np.arange(2 * n, dtype=float) * spacing_mm
    weights = np.concatenate([np.full(n, -1.0 / n), np.full(n, 1.0 / n)])
    return functional_std(weights, s, np.ones(2 * n))
