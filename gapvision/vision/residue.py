"""What the map leaves at the strips' corners: noise, a wobble of the picture, or paper that does not lie flat.

Noise differs from corner to corner and averages out.  A rolling shutter, a stabiliser or a creased strip moves
neighbouring corners alike: however many corners are seen, the fit follows it.  So what neighbours share is told from
what they do not, and carried to the parameters as errors that go together over a length.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapvision.model import FloatArray

# Lengths over which a picture wobbles, shares of its long side: from a stabiliser's mesh to a slow shear.
_WOBBLE_LENGTHS = (0.04, 0.09, 0.2, 0.45)
_BEND_LENGTHS_MM = (12.0, 40.0, 120.0)  # a crease; a strip that curls; one that arches over its whole length
# A rolling shutter or a stabiliser moves parts of a phone's picture by some pixels of 4000 (common practice, no
# source); paper that rises more than some millimetres fits no map.
_MOST_WOBBLE, _MOST_BEND_MM = 1e-3, 5.0
_LEAST_THREES = 8
_LEAST_NOISE_PX = 0.01
# One photo shows few independent pieces of a wobble or a bend, so its size is known to within a factor: the variance
# is taken half as large again.
_TOLD_ROUGHLY = 1.5
_FLOOR_SHARE, _NOTHING = 1e-2, 1e-9


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Left:
    """Corners and what was left at them.

    Attributes
    ----------
    px, left_px : ndarray, shape (m, 2)
        Where they were seen, and what the map leaves [px].
    reach : ndarray, shape (p, 2 m)
        What one pixel at each coordinate does to the parameters.
    slope : ndarray, shape (2 m, p)
        What the parameters do to each coordinate [px].
    noise_px : ndarray, shape (2 m,)
        Standard deviation that the fit gave each coordinate [px].
    prior_precision : ndarray, shape (p, p)
        Inverse covariance of the parameters before looking.
    prior_pull : ndarray, shape (p,)
        That, times how far they now lie from where they were expected.
    lean : ndarray, shape (m, 2)
        How far a corner moves in the picture when the paper rises there by 1 mm [px].
    along_mm : ndarray, shape (m,)
        Place along its strip.
    strip, row, column : ndarray of int, shape (m,)
        Which strip, which row of corners of all strips in all photos, and the place in it.
    photo : ndarray of int, shape (m,)
        Which photo; a picture wobbles by itself, paper lies alike in all.
    side_px : int
        Long side of the photo.
    """

    px: FloatArray
    left_px: FloatArray
    reach: FloatArray
    slope: FloatArray
    noise_px: FloatArray
    prior_precision: FloatArray
    prior_pull: FloatArray
    lean: FloatArray
    along_mm: FloatArray
    strip: NDArray[np.int64]
    row: NDArray[np.int64]
    column: NDArray[np.int64]
    photo: NDArray[np.int64]
    side_px: int


@dataclass(frozen=True, slots=True, eq=False)
class LeftOver:
    """What follows: how the parameters are to be moved (p,), their covariance (p, p), and the doubt of a short length.

    ``strain`` is a standard uncertainty, as a share of that length.
    """

    shift: FloatArray
    covariance: FloatArray
    strain: float


def left_over(left: Left) -> LeftOver | None:
    """What neighbouring corners share of what the map leaves, carried to the parameters; None where too few are seen.

    Parameters
    ----------
    left : Left
        From the fit.

    Returns
    -------
    LeftOver
        Each way in which corners may err together (wobbles of three lengths, bends of the paper of two) is scaled to
        what was left, allowing for what the fit followed of it, and the parameters are fitted once more with errors
        that go together so; the ways count by how well they explain what was left.
    """
    noise = _own_noise_px(left)
    if noise is None:
        return None
    slope, reach, r = left.slope, left.reach, left.left_px.ravel()
    # What the fit leaves of errors with covariance K: (1 - S R) K (1 - S R)', S the slopes and R the reach.
    white = _left_of(np.eye(r.size), slope, reach) * noise**2
    explained, shifts, covariances, strains = [], [], [], []
    unit = 1 / np.sqrt(np.diag(left.prior_precision) + ((slope / left.noise_px[:, None]) ** 2).sum(0))
    known = left.prior_precision * np.outer(unit, unit)
    for shape in _shapes(left):
        rest = np.diag(_left_of(shape.alike, slope, reach))
        size = np.zeros(r.size)
        each = np.repeat(shape.of, 2)
        for at in (each == k for k in np.unique(each)):
            excess = float((r[at] ** 2).sum() - np.diag(white)[at].sum())
            told = np.sqrt(_TOLD_ROUGHLY * max(excess, 0.0) / max(float(rest[at].sum()), _NOTHING))
            size[at] = min(told, shape.most)
        errors = shape.alike * np.outer(size, size)
        # The fit leaves nothing in as many directions as it has parameters: a little noise there keeps this regular.
        spread = _left_of(errors, slope, reach) + white + _FLOOR_SHARE * noise**2 * np.eye(r.size)
        root = np.linalg.cholesky(spread)
        explained.append(-np.log(np.diag(root)).sum() - 0.5 * float((np.linalg.solve(root, r) ** 2).sum()))
        towards = np.linalg.solve(errors + np.diag(left.noise_px**2), np.column_stack([slope * unit, r]))
        found = np.linalg.inv(unit[:, None] * (slope.T @ towards[:, :-1]) + known)
        shifts.append(-unit * (found @ (unit * (slope.T @ towards[:, -1] + left.prior_pull))))
        covariances.append(found * np.outer(unit, unit))
        strains.append(float(size.max()) / shape.length_px)
    weight = np.exp(np.array(explained) - max(explained))
    weight /= weight.sum()
    shift = weight @ np.array(shifts)
    apart = np.array(shifts) - shift
    covariance = np.tensordot(weight, np.array(covariances), 1) + (apart.T * weight) @ apart
    return LeftOver(shift, covariance, float(np.sqrt(weight @ np.square(strains))))


def _left_of(errors: FloatArray, slope: FloatArray, reach: FloatArray) -> FloatArray:
    followed = slope @ (reach @ errors)
    return np.asarray(errors - followed - followed.T + slope @ (reach @ errors @ reach.T) @ slope.T, dtype=float)


def _own_noise_px(left: Left) -> float | None:
    """Scatter of single corners, from second differences along rows of three neighbours; None where there are few."""
    order = np.lexsort((left.column, left.row))
    row, column, r = left.row[order], left.column[order], left.left_px[order]
    three = (row[2:] == row[:-2]) & (column[2:] - column[:-2] == 2)
    if three.sum() < _LEAST_THREES:
        return None
    second = (r[2:] - 2 * r[1:-1] + r[:-2])[three]
    # Six times the variance of one; the median of squares of a normal scatter is 0.455 of their mean.
    return max(float(np.sqrt(np.median(second**2) / 0.455 / 6)), _LEAST_NOISE_PX)


@dataclass(frozen=True, slots=True, eq=False)
class _Shape:
    """One way to err together: correlation (2 m, 2 m); corners with one number ``of`` by one amount; over a length.

    ``most`` is the largest amount there is, standard deviation [px; of a bend mm].
    """

    alike: FloatArray
    of: NDArray[np.int64]
    length_px: float
    most: float


def _shapes(left: Left) -> list[_Shape]:
    away = ((left.px[:, None] - left.px[None]) ** 2).sum(-1)
    away[np.not_equal.outer(left.photo, left.photo)] = np.inf
    lengths = [share * left.side_px for share in _WOBBLE_LENGTHS]
    most = _MOST_WOBBLE * left.side_px
    out = [_Shape(np.kron(np.exp(-0.5 * away / length**2), np.eye(2)), left.photo, length, most) for length in lengths]
    same, lean = np.equal.outer(left.strip, left.strip), left.lean.ravel()
    apart = np.subtract.outer(left.along_mm, left.along_mm)
    for length_mm in _BEND_LENGTHS_MM:
        # Paper only rises: on the whole by about as much as its height differs from place to place.
        alike = np.kron(same * (np.exp(-0.5 * (apart / length_mm) ** 2) + 1), np.ones((2, 2)))
        # It stretches no picture, so it has no length there.
        out.append(_Shape(alike * np.outer(lean, lean), left.strip, np.inf, _MOST_BEND_MM))
    return out
