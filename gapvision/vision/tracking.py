"""Join the chances of single stations along the seam.

An edge is continuous: its neighbour stations know more than one profile does.
The forward-backward recursion gives, for every station, the chance of every
place in the light of the whole edge; a jump (a nick, a step) costs a fixed
price, however far it goes, so that real defects survive.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]

_COARSEN = 2  # band rows per state: 0.1 mm
_MOVE_SIGMA_ROWS = 1.0
_JUMP = 0.004


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """One edge joined along the seam.

    Attributes
    ----------
    row : ndarray, shape (n_s,)
        Most likely place, in band rows.
    mass : ndarray, shape (n_s,)
        Chance within 0.2 mm of it.
    mean_row, std_row : ndarray, shape (n_s,)
        First two moments of the chances.
    """

    row: NDArray[np.float64]
    mass: NDArray[np.float64]
    mean_row: NDArray[np.float64]
    std_row: NDArray[np.float64]


def join(chance: FloatArray, station_mm: float = 1.0) -> tuple[FloatArray, NDArray[np.int64]]:
    """Marginal chances and the most likely path.

    Parameters
    ----------
    chance : ndarray, shape (n_t, n_s)
        Column sums 1, or 0 where nothing is seen.
    station_mm : float
        Spacing of the columns.

    Returns
    -------
    marginal : ndarray, shape (n_states, n_s)
        States of two band rows each.
    path : ndarray, shape (n_s,)
        Best path through the states.
    """
    n_t, n_s = chance.shape
    n = (n_t + _COARSEN - 1) // _COARSEN
    padded = np.zeros((n * _COARSEN, n_s), np.float32)
    padded[:n_t] = chance
    like = padded.reshape(n, _COARSEN, n_s).sum(1)
    blank = like.sum(0) <= 0
    like[:, blank] = 1.0 / n
    like = np.maximum(like, 1e-7)
    sigma = _MOVE_SIGMA_ROWS * max(1.0, station_mm) ** 0.5
    kernel = cv2.getGaussianKernel(9, sigma).astype(np.float64)[:, 0]
    columns = like.T.astype(np.float64)

    def move(p: NDArray[np.float64]) -> NDArray[np.float64]:
        return (1 - _JUMP) * np.convolve(p, kernel, mode="same") + _JUMP * p.sum() / n

    forward = np.empty((n_s, n))
    backward = np.empty((n_s, n))
    f = np.full(n, 1.0 / n)
    for j in range(n_s):
        f = move(f) * columns[j] if j else columns[0].copy()
        f /= f.sum()
        forward[j] = f
    b = np.full(n, 1.0)
    backward[-1] = b
    for j in range(n_s - 2, -1, -1):
        b = move(b * columns[j + 1])
        b /= b.sum()
        backward[j] = b
    marginal = forward * backward
    marginal /= marginal.sum(1, keepdims=True)
    path = _viterbi(np.log(columns), kernel, n)
    return marginal.T.astype(np.float32), path


def _viterbi(log_like: NDArray[np.float64], kernel: NDArray[np.float64], n: int) -> NDArray[np.int64]:
    n_s = len(log_like)
    half = len(kernel) // 2
    price = np.log(np.maximum((1 - _JUMP) * kernel + _JUMP / n, 1e-300))
    jump = np.log(_JUMP / n)
    total = log_like[0].copy()
    back = np.empty((n_s, n), np.int64)
    index = np.arange(n)
    for j in range(1, n_s):
        padded = np.pad(total, half, constant_values=-np.inf)
        windows = np.lib.stride_tricks.sliding_window_view(padded, 2 * half + 1) + price[::-1]
        choice = windows.argmax(1)
        best = windows[index, choice]
        source = index + choice - half
        top = int(total.argmax())
        leap = total[top] + jump
        take = leap > best
        back[j] = np.where(take, top, source)
        total = np.where(take, leap, best) + log_like[j]
    path = np.empty(n_s, np.int64)
    path[-1] = int(total.argmax())
    for j in range(n_s - 1, 0, -1):
        path[j - 1] = back[j, path[j]]
    return path


def track(chance: FloatArray, station_mm: float = 1.0) -> Track:
    """Follow one edge along the band.

    Parameters
    ----------
    chance : ndarray, shape (n_t, n_s)
        Chances of every place.
    station_mm : float
        Spacing of the columns.
    """
    marginal, path = join(chance, station_mm)
    n, n_s = marginal.shape
    rows = (np.arange(n) + 0.5) * _COARSEN - 0.5
    mean = (marginal * rows[:, None]).sum(0)
    std = np.sqrt(np.maximum((marginal * (rows[:, None] - mean) ** 2).sum(0), 0))
    window = np.abs(np.arange(n)[:, None] - path[None]) <= 2
    mass = (marginal * window).sum(0)
    # Inside the chosen state the band's own chances say where.
    return Track(row=rows[path], mass=mass.astype(float), mean_row=mean.astype(float), std_row=std.astype(float))
