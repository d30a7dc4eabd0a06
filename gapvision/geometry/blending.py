"""Columns of photos that lie side by side made one: no step where a photo ends, and what only one shows counts little.

What a photo says is parted in two, as pictures are blended band by band (Burt and Adelson, "A multiresolution spline
with application to image mosaics", 1983): its offset against all photos changes slowly and goes over into its
neighbour's along all that they share; what is left changes quickly and is taken from whoever is surer there.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapvision.model import FloatArray

# An offset (of scale, of an edge's depth seen from one side) stays alike over half a strip; an eye's error does not.
_OFFSET_MM, _QUICK_MM, _SURE_MM, _ALONE_MM = 60.0, 30.0, 25.0, 15.0
_END_MM = 10.0  # over so much a photo's details come in at its ends
_PASSES = 3  # who is odd against all is known better once those that are odd count less
_ALONE_COUNTS = 4.0  # the variance of an error within the window that a mean over it makes as small
_LEAST_STD_MM = 1e-3
# Power of 1 / variance.  Offsets count as independent readings do; in what changes quickly the surest leads, for what
# photos of one phone and finish err by there is mostly shared.  Of 1 to 3 these left the smallest joints on nine own
# seams (largest 0.014 mm).
_OFFSET_SURER, _DETAIL_SURER = 1, 3


@dataclass(frozen=True, slots=True, eq=False)
class Shares:
    """How much each of p photos counts at each of n stations: arrays (p, n), the sum over photos 1.

    Attributes
    ----------
    detail : ndarray
        In what changes quickly.
    offset : ndarray
        In what changes slowly.
    """

    detail: FloatArray
    offset: FloatArray
    _station_mm: float

    def mean(self, values: FloatArray) -> FloatArray:
        """Values (p, n) made one, shape (n,); NaN where a photo has none."""
        offsets = _offsets(values, self.offset, self._station_mm)
        left = np.nan_to_num(values - offsets)
        return np.asarray((self.detail * left + self.offset * offsets).sum(0))


def shares_of(values: FloatArray, std_u: FloatArray, to_end_mm: FloatArray, station_mm: float) -> Shares:
    """How much photos count.

    Parameters
    ----------
    values : ndarray, shape (p, n)
        What each says, NaN where it has nothing; one at least has something at each station.
    std_u : ndarray, shape (p, n)
        Standard uncertainty of that.
    to_end_mm : ndarray, shape (p, n)
        How far each station lies from where the photo ends; 0 where it has nothing [mm].
    station_mm : float
        Spacing of the stations.
    """
    there = to_end_mm > 0
    square = np.square(np.where(there, np.maximum(np.nan_to_num(std_u), _LEAST_STD_MM), 1.0))
    come_in = np.minimum(to_end_mm / _END_MM, 1.0)
    offset = _shared(to_end_mm * _running(square**-_OFFSET_SURER, there, _SURE_MM, station_mm))
    detail = _shared(come_in * square**-_DETAIL_SURER)
    left = np.where(there, values - _offsets(values, offset, station_mm), 0.0)
    quick = np.where(there, left - _running(left, there, _QUICK_MM, station_mm), 0.0)
    for _ in range(_PASSES):
        alone = _ALONE_COUNTS * _seen_alone(quick, there, detail, station_mm)
        detail = _shared(come_in * (square + alone) ** -_DETAIL_SURER)
    return Shares(detail, offset, station_mm)


def _seen_alone(quick: FloatArray, there: NDArray[np.bool_], weight: FloatArray, station_mm: float) -> FloatArray:
    """Variance of what each photo shows and the others do not, 0 where it is alone.

    Grubbs, "On estimating precision of measuring instruments and product variability", 1948: an instrument's own
    variance is that of its readings less what they share with another's.
    """
    rest = weight.sum(0) - weight
    beside = there & (rest > 1e-9)
    others = ((weight * quick).sum(0) - weight * quick) / np.where(beside, rest, 1.0)
    return np.maximum(_running(quick * (quick - others), beside, _ALONE_MM, station_mm), 0.0)


def _offsets(values: FloatArray, offset: FloatArray, station_mm: float) -> FloatArray:
    """How far each photo's values lie off those of all, in the slow, shape (p, n)."""
    together = (offset * np.nan_to_num(values)).sum(0)
    return _running(np.nan_to_num(values - together), np.isfinite(values), _OFFSET_MM, station_mm)


def _shared(weight: FloatArray) -> FloatArray:
    return np.asarray(weight / weight.sum(0))


def _running(
    values: FloatArray, weight: FloatArray | NDArray[np.bool_], width_mm: float, station_mm: float
) -> FloatArray:
    """Weighted running mean along each row, over the width twice; 0 where nothing weighs."""
    from scipy.ndimage import uniform_filter1d

    size = max(1, round(width_mm / station_mm)) | 1

    def twice(rows: FloatArray) -> FloatArray:
        return np.asarray(uniform_filter1d(uniform_filter1d(rows, size, 1, mode="constant"), size, 1, mode="constant"))

    total = twice(np.asarray(weight, float))
    return np.where(total > 1e-12, twice(weight * values) / np.maximum(total, 1e-12), 0.0)
