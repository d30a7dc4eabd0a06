"""Straight lines through points, with what is known of their standard uncertainty.

Three ways to fit, for three kinds of error: all error in y (ordinary), equal
error in both directions (total, turns with the picture), and a stated error at
every point in both directions (weighted).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

_YORK_STEPS = 100
_YORK_RELATIVE = 1e-14


@dataclass(frozen=True, slots=True, kw_only=True)
class LineFit:
    """A line y = intercept + slope * x.

    Attributes
    ----------
    intercept, slope : float
        The line; the intercept in units of y.
    std_u_intercept, std_u_slope : float
        Standard uncertainties; NaN with two points.
    covariance : float
        Of intercept and slope.
    residual_std : float
        Standard deviation of the points about the line, with ``dof`` degrees of freedom.
    residual_squares : float
        Sum of squared residuals (weighted fit: chi-square).
    dof : int
        Degrees of freedom, n - 2.
    """

    intercept: float
    slope: float
    std_u_intercept: float
    std_u_slope: float
    covariance: float
    residual_std: float
    residual_squares: float
    dof: int

    def predict(self, x: float) -> tuple[float, float]:
        """Value of the line at x, and its standard uncertainty (GUM H.3.4)."""
        variance = self.std_u_intercept**2 + x * x * self.std_u_slope**2 + 2 * x * self.covariance
        return self.intercept + self.slope * x, math.sqrt(max(variance, 0.0)) if variance == variance else math.nan

    @property
    def correlation(self) -> float:
        """Correlation of intercept and slope."""
        return self.covariance / (self.std_u_intercept * self.std_u_slope)


@dataclass(frozen=True, slots=True, kw_only=True)
class TotalLine:
    """The line with the least perpendicular distances.

    Attributes
    ----------
    centre : tuple of float
        A point on it (the centroid).
    direction : tuple of float
        Unit vector along it, pointing to larger x (or larger y if upright).
    rms : float
        Root mean square of the perpendicular distances (divided by n).
    std_u_offset : float
        Standard uncertainty of its position at the centroid, across it; NaN with two points.
    std_u_angle_rad : float
        Standard uncertainty of its direction [rad]; NaN with two points.
    """

    centre: tuple[float, float]
    direction: tuple[float, float]
    rms: float
    std_u_offset: float
    std_u_angle_rad: float

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
    x, y = _points(x, y)
    mean_x, mean_y = float(x.mean()), float(y.mean())
    dx = x - mean_x
    sxx = float(dx @ dx)
    if sxx == 0.0:
        raise ValueError("a line y(x) needs points at two different x")
    slope = float(dx @ (y - mean_y)) / sxx
    residual = y - mean_y - slope * dx
    dof = len(x) - 2
    squares = float(residual @ residual)
    variance = squares / dof if dof else math.nan
    return LineFit(
        intercept=mean_y - slope * mean_x,
        slope=slope,
        std_u_intercept=math.sqrt(variance * (1 / len(x) + mean_x**2 / sxx)),
        std_u_slope=math.sqrt(variance / sxx),
        covariance=-variance * mean_x / sxx,
        residual_std=math.sqrt(variance),
        residual_squares=squares,
        dof=dof,
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
    x, y = _points(x, y)
    centre = (float(x.mean()), float(y.mean()))
    d = np.stack([x - centre[0], y - centre[1]], 1)
    _, size, axes = np.linalg.svd(d, full_matrices=False)
    if size[0] == 0.0:
        raise ValueError("a line needs points at two different places")
    along = axes[0] if (axes[0][0], axes[0][1]) > (0.0, 0.0) else -axes[0]
    n = len(x)
    variance = float(size[1] ** 2) / (n - 2) if n > 2 else math.nan
    return TotalLine(
        centre=centre,
        direction=(float(along[0]), float(along[1])),
        rms=float(size[1]) / math.sqrt(n),
        std_u_offset=math.sqrt(variance / n),
        std_u_angle_rad=math.sqrt(variance) / float(size[0]),
    )


def fit_weighted_line(x: FloatArray, y: FloatArray, std_u_x: FloatArray, std_u_y: FloatArray) -> LineFit:
    """Line through points that each have their own standard uncertainty in x and in y.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Points, n >= 2.
    std_u_x, std_u_y : ndarray, shape (n,)
        Standard uncertainties, > 0.

    Returns
    -------
    LineFit
        ``residual_squares`` is chi-square and ``residual_std`` its root per degree of freedom; the
        uncertainties of the line follow from the stated ones, not from the scatter.

    Raises
    ------
    ValueError
        Fewer than two points, or an uncertainty that is not above 0.

    Notes
    -----
    The line of York, Evensen, Martinez and De Basabe Delgado, American Journal of Physics 72 (2004) 367,
    without correlation of x and y errors.  Its uncertainty is the stated one of every point carried through
    the fit (JCGM 100, 5.1.2), which gives Williamson's published values (1968); York's own, about 1 % larger
    there, are expected values instead.  Equations from memory, results checked in tests/published.
    """
    x, y = _points(x, y)
    ux, uy = np.asarray(std_u_x, dtype=float), np.asarray(std_u_y, dtype=float)
    if not (ux.shape == uy.shape == x.shape and (ux > 0).all() and (uy > 0).all()):
        raise ValueError("standard uncertainties: expected one positive number for each point")
    slope = fit_line(x, y).slope
    for _ in range(_YORK_STEPS):
        w = 1 / (uy**2 + slope**2 * ux**2)
        dx, dy = x - float(w @ x) / float(w.sum()), y - float(w @ y) / float(w.sum())
        beta = w * (dx * uy**2 + slope * dy * ux**2)
        before, slope = slope, float((w * beta) @ dy) / float((w * beta) @ dx)
        if abs(slope - before) <= _YORK_RELATIVE * max(1.0, abs(slope)):
            break
    w = 1 / (uy**2 + slope**2 * ux**2)
    intercept = float(w @ (y - slope * x)) / float(w.sum())
    covariance = _carried_through(x, y, ux, uy, intercept, slope)
    residual = y - slope * x - intercept
    squares, dof = float(w @ residual**2), len(x) - 2
    return LineFit(
        intercept=intercept,
        slope=slope,
        std_u_intercept=math.sqrt(covariance[0, 0]),
        std_u_slope=math.sqrt(covariance[1, 1]),
        covariance=float(covariance[0, 1]),
        residual_std=math.sqrt(squares / dof) if dof else math.nan,
        residual_squares=squares,
        dof=dof,
    )


def _carried_through(
    x: FloatArray, y: FloatArray, ux: FloatArray, uy: FloatArray, intercept: float, slope: float
) -> FloatArray:
    """Covariance (2, 2) of the weighted line, from how chi-square's zero gradient moves with every point."""
    w = 1 / (uy**2 + slope**2 * ux**2)
    r = y - intercept - slope * x
    w1 = -2 * slope * ux**2 * w**2
    w2 = -2 * ux**2 * w**2 - 4 * slope * ux**2 * w * w1
    mixed = 2 * float(w @ x) - 2 * float(w1 @ r)
    bend = float(w2 @ r**2) - 4 * float(w1 @ (r * x)) + 2 * float(w @ x**2)
    curvature = np.array([[2 * float(w.sum()), mixed], [mixed, bend]])
    by_y = np.stack([-2 * w, 2 * w1 * r - 2 * w * x])
    by_x = np.stack([2 * slope * w, -2 * slope * w1 * r + 2 * slope * w * x - 2 * w * r])
    moved = np.linalg.solve(curvature, np.hstack([by_x * ux, by_y * uy]))
    out: FloatArray = moved @ moved.T
    return out


def _points(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    x, y = np.asarray(x, dtype=float), np.asarray(y, dtype=float)
    if x.ndim != 1 or x.shape != y.shape:
        raise ValueError(f"points: expected two arrays of one shape (n,), got {x.shape} and {y.shape}")
    if len(x) < 2:
        raise ValueError(f"a line needs two points or more, got {len(x)}")
    if not (np.isfinite(x).all() and np.isfinite(y).all()):
        raise ValueError("points: expected finite numbers; leave unmeasured stations out")
    return x, y
