"""What the map leaves at the strips' corners: noise, a wobble of the picture, or paper that does not lie flat.

Noise differs from corner to corner and averages out.  A rolling shutter, a stabiliser or a creased strip moves
neighbouring corners alike: however many corners are seen, the fit follows it.  So what neighbours share is told from
what they do not, and carried to the parameters as errors that go together over a length.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gapvision.model import FloatArray

# Lengths over which a picture wobbles, shares of its long side: from a stabiliser's mesh to a slow shear.
_WOBBLE_LENGTHS = (0.04, 0.09, 0.2)
_BEND_LENGTHS_MM = (12.0, 45.0)  # a crease; a strip that arches or curls
_LEAST_THREES = 8
_LEAST_NOISE_PX = 0.01


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
    lean : ndarray, shape (m, 2)
        How far a corner moves in the picture when the paper rises there by 1 mm [px].
    along_mm : ndarray, shape (m,)
        Place along its strip.
    strip, row, column : ndarray of int, shape (m,)
        Which strip, which row of corners of all strips, and the place in it.
    side_px : int
        Long side of the photo.
    """

    px: FloatArray
    left_px: FloatArray
    reach: FloatArray
    slope: FloatArray
    lean: FloatArray
    along_mm: FloatArray
    strip: np.ndarray
    row: np.ndarray
    column: np.ndarray
    side_px: int


@dataclass(frozen=True, slots=True, eq=False)
class LeftOver:
    """What that adds: to the covariance of the parameters (p, p), and to any short length (a share, standard)."""

    covariance: FloatArray
    strain: float


def left_over(left: Left) -> LeftOver:
    """What neighbouring corners share of what the map leaves, carried to the parameters.

    Parameters
    ----------
    left : Left
        From the fit.

    Returns
    -------
    LeftOver
        Each way in which corners may err together (wobbles of three lengths, bends of the paper of two) is scaled to
        what was left, allowing for what the fit followed of it; they count by how well they explain what was left.
    """
    p = len(left.reach)
    noise = _own_noise_px(left)
    if noise is None:
        return LeftOver(np.zeros((p, p)), 0.0)
    gone = np.eye(left.px.size) - left.slope @ left.reach  # what the fit leaves of an error at each coordinate
    white = noise**2 * (gone @ gone.T)
    r = left.left_px.ravel()
    explained, covariances, strains = [], [], []
    for shape, strip_by_strip, length in _shapes(left):
        rest = gone @ shape @ gone.T
        size = np.zeros(r.size)
        groups = [left.strip == k for k in np.unique(left.strip)] if strip_by_strip else [np.ones(len(left.strip), bool)]
        for group in groups:
            at = np.repeat(group, 2)
            excess = float((r[at] ** 2).sum() - np.diag(white)[at].sum())
            size[at] = max(excess, 0.0) / max(float(np.diag(rest)[at].sum()), 1e-9)
        full = shape * np.sqrt(np.outer(size, size))
        noisy = gone @ full @ gone.T + white + noise**2 * 1e-2 * np.eye(r.size)
        root = np.linalg.cholesky(noisy)
        explained.append(-np.log(np.diag(root)).sum() - 0.5 * float((np.linalg.solve(root, r) ** 2).sum()))
        covariances.append(left.reach @ full @ left.reach.T)
        strains.append(float(np.sqrt(size.max())) / length if length else 0.0)
    weight = np.exp(np.array(explained) - max(explained))
    weight /= weight.sum()
    return LeftOver(
        np.tensordot(weight, np.array(covariances), 1), float(np.sqrt((weight * np.array(strains) ** 2).sum()))
    )


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


def _shapes(left: Left) -> list[tuple[FloatArray, bool, float]]:
    """Ways to err together: correlation (2 m, 2 m), whether each strip has its own size, length in px (0: no wobble)."""
    out = []
    away = ((left.px[:, None] - left.px[None]) ** 2).sum(-1)
    for share in _WOBBLE_LENGTHS:
        length = share * left.side_px
        out.append((np.kron(np.exp(-0.5 * away / length**2), np.eye(2)), False, length))
    same = np.equal.outer(left.strip, left.strip)
    lean = left.lean.ravel()
    for length_mm in _BEND_LENGTHS_MM:
        alike = same * np.exp(-0.5 * np.subtract.outer(left.along_mm, left.along_mm) ** 2 / length_mm**2)
        out.append((np.kron(alike, np.ones((2, 2))) * np.outer(lean, lean), True, 0.0))
    return out
