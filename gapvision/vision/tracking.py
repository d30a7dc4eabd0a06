"""Join the chances of single stations along the seam.

An edge is continuous: its neighbour stations know more than one profile does.
The best path through the chances pays for every move; a jump (a nick, a break)
costs a fixed price, however far it goes, so that real defects survive.  Neighbour
stations err alike, so they may choose the path but not sharpen its trust: that
comes from the stations' own chances, averaged along the path.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np

from gapvision.model import FloatArray
from gapvision.vision.rises import Image, along, follow

_COARSEN = 2  # band rows per state: 0.1 mm
_MOVE_SIGMA_STATES = 1.5
_REACH_STATES = 4
_JUMP = 0.02
_FLOOR = 1e-6
_AVERAGE_STATIONS = 9


@dataclass(frozen=True, slots=True, eq=False)
class Track:
    """One edge joined along the seam.

    Attributes
    ----------
    row : ndarray, shape (n_s,)
        Most likely place, in band rows.
    std_rows : ndarray, shape (n_s,)
        Spread of the chances about the place, as a standard deviation.
    """

    row: FloatArray
    std_rows: FloatArray


def best_path(chance: Image) -> FloatArray:
    """Most likely path of one edge.

    Parameters
    ----------
    chance : ndarray, shape (n_t, n_s)
        Column sums 1, or 0 where nothing is seen.

    Returns
    -------
    ndarray, shape (n_s,)
        Place in band rows.
    """
    n_t, n_s = chance.shape
    n = (n_t + _COARSEN - 1) // _COARSEN
    padded = np.zeros((n * _COARSEN, n_s), np.float32)
    padded[:n_t] = chance
    like = padded.reshape(n, _COARSEN, n_s).sum(1)
    like[:, like.sum(0) <= 0] = 1.0 / n
    log_like = np.log(np.maximum(like, _FLOOR)).T.astype(np.float32)
    x = np.arange(-_REACH_STATES, _REACH_STATES + 1)
    kernel = np.exp(-0.5 * (x / _MOVE_SIGMA_STATES) ** 2)
    price = np.log((1 - _JUMP) * kernel / kernel.sum() + _JUMP / n).astype(np.float32)
    leap = np.float32(np.log(_JUMP / n))
    total = log_like[0].copy()
    back = np.empty((n_s, n), np.int32)
    index = np.arange(n)
    padded_total = np.full(n + 2 * _REACH_STATES, -np.inf, np.float32)
    reach = np.lib.stride_tricks.sliding_window_view(padded_total, len(x))  # follows what is written below
    for j in range(1, n_s):
        padded_total[_REACH_STATES:-_REACH_STATES] = total
        windows = reach + price
        choice = windows.argmax(1)
        best = windows[index, choice]
        top = int(total.argmax())
        jump = total[top] + leap
        take = jump > best
        back[j] = np.where(take, top, index + choice - _REACH_STATES)
        total = np.where(take, jump, best) + log_like[j]
    path = np.empty(n_s, np.int64)
    path[-1] = int(total.argmax())
    for j in range(n_s - 1, 0, -1):
        path[j - 1] = back[j, path[j]]
    # Inside the state the rows' own chances say where.
    inner = padded.reshape(n, _COARSEN, n_s)[path, :, np.arange(n_s)]
    weight = inner.sum(1)
    offset = np.where(weight > 0, (inner * np.arange(_COARSEN)).sum(1) / np.maximum(weight, 1e-12), (_COARSEN - 1) / 2)
    return path * _COARSEN + offset


def track(chance: Image) -> Track:
    """Follow one edge along the band and say how sure its stations are.

    Parameters
    ----------
    chance : ndarray, shape (n_t, n_s)
        Chances of every place.
    """
    row = best_path(chance)
    offset = np.arange(-len(chance) // 2, len(chance) // 2 + 1, dtype=np.float32)
    level = along(follow(chance, row, offset, cv2.BORDER_CONSTANT), _AVERAGE_STATIONS).astype(np.float64)
    total = np.maximum(level.sum(0), 1e-12)
    x = offset[:, None].astype(np.float64)
    std = np.sqrt(np.maximum((level * x * x).sum(0), 0) / total)  # running sums can end a little below 0
    return Track(row=row, std_rows=std)
