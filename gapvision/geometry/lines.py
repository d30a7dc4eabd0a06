"""Straight lines through points: all error in y (ordinary), or equal error in both directions (total)."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gapvision.model import FloatArray


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class LineFit:
    """A line y = intercept + slope * x, and what each point's y has to say in it.

    Both are weighted sums of y, so that the standard uncertainty of either, of a value of the line at x
    (weights ``intercept_weights + x * slope_weights``), with independent or correlated points, is that of a sum:
    :func:`gapvision.geometry.uncertainty.combine` of weights times standard uncertainties.

    Attributes
    ----------
    intercept, slope : float
        The line; the intercept in units of y.
    intercept_weights, slope_weights : ndarray, shape (n,)
        How far either moves when one point's y moves by 1.
    """

    intercept: float
    slope: float
    intercept_weights: FloatArray
    slope_weights: FloatArray


@dataclass(frozen=True, slots=True, kw_only=True)
class TotalLine:
    """The line with the least perpendicular distances.

    Attributes
    ----------
    centre : tuple of float
        A point on it (the centroid).
    direction : tuple of float
        Unit vector along it; x > 0, or x = 0 and y > 0.
    """

    centre: tuple[float, float]
    direction: tuple[float, float]

    def distances(self, x: FloatArray, y: FloatArray) -> FloatArray:
        """Signed distances of points; positive on the left of the direction in axes with y up."""
        across = -self.direction[1] * (np.asarray(x, float) - self.centre[0])
        out: FloatArray = across + self.direction[0] * (np.asarray(y, float) - self.centre[1])
        return out


def fit_line(x: FloatArray, y: FloatArray) -> LineFit:
    """Ordinary least squares, all error in y.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Points, n >= 2.

    Raises
    ------
    ValueError
        Fewer than two points, or all at one x.
    """
    x, y = finite_points(x, y)
    dx = x - x.mean()
    squares = float(dx @ dx)
    if squares == 0.0:
        raise ValueError("a line y(x) needs points at two different x")
    by_slope = dx / squares
    mean = float(y.mean())
    slope = float(by_slope @ (y - mean))  # without the mean, digits would be lost far from zero
    return LineFit(
        intercept=mean - slope * float(x.mean()),
        slope=slope,
        intercept_weights=1 / len(x) - by_slope * x.mean(),
        slope_weights=by_slope,
    )


def fit_total_line(x: FloatArray, y: FloatArray) -> TotalLine:
    """Total least squares: the line that turns with the points (Pearson 1901).

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Points, n >= 2, equal error in both directions.

    Raises
    ------
    ValueError
        Fewer than two points, or all in one place.
    """
    x, y = finite_points(x, y)
    centre = (float(x.mean()), float(y.mean()))
    d = np.stack([x - centre[0], y - centre[1]], 1)
    _, size, axes = np.linalg.svd(d, full_matrices=False)
    if size[0] == 0.0:
        raise ValueError("a line needs points at two different places")
    along = axes[0] if (axes[0][0], axes[0][1]) > (0.0, 0.0) else -axes[0]
    return TotalLine(centre=centre, direction=(float(along[0]), float(along[1])))


def finite_points(x: FloatArray, y: FloatArray, least: int = 2) -> tuple[FloatArray, FloatArray]:
    """Points as two float arrays, checked."""
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"points: expected two arrays of one shape (n,), got {x.shape} and {y.shape}")
    if len(x) < least:
        raise ValueError(f"points: expected {('one point', 'two points')[least - 1]} or more, got {len(x)}")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("points: expected finite numbers; leave unmeasured stations out")
    return x, y
