"""Runs of neighbouring stations, and the holes between them: one rule for every sum, plot and list."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
from numpy.typing import ArrayLike, NDArray

from gapvision.model import HOLE, Span

#: Neighbours further apart than so many spacings have a hole between them: at least one station is missing there.
HOLE_SPACINGS = 1.5


def before_holes(s_mm: ArrayLike, spacing_mm: float) -> NDArray[np.intp]:
    """Index of the last station before each hole."""
    return np.flatnonzero(np.diff(np.asarray(s_mm, float)) > HOLE_SPACINGS * spacing_mm)


def runs(
    s_mm: ArrayLike, spacing_mm: float, key: ArrayLike | None = None, last: NDArray[np.intp] | None = None
) -> list[tuple[int, int]]:
    """Index ranges of neighbouring stations, cut at holes and, with a key, where it changes.

    Parameters
    ----------
    s_mm : array_like, shape (n,)
        Stations in increasing order [mm].
    spacing_mm : float
        Distance between neighbours [mm].
    key : array_like, shape (n,), optional
        What the stations of one run have in common.
    last : ndarray, optional
        What :func:`before_holes` gives, where it is known.

    Returns
    -------
    list of (start, stop)
        ``stop`` is the index after the last station.

    Examples
    --------
    >>> runs([0, 1, 2, 6, 7], 1.0, ["in", "in", "out", "out", "out"])
    [(0, 2), (2, 3), (3, 5)]
    """
    n = len(np.asarray(s_mm))
    if n == 0:
        return []
    new = np.zeros(n, bool)
    new[0] = True
    new[(before_holes(s_mm, spacing_mm) if last is None else last) + 1] = True
    if key is not None:
        keys = np.asarray(key)
        new[1:] |= keys[1:] != keys[:-1]
    return list(pairwise([*np.flatnonzero(new).tolist(), n]))


def holes(
    s_mm: ArrayLike, spacing_mm: float, extent_mm: tuple[float, float] | None = None,
    last: NDArray[np.intp] | None = None,
) -> list[Span]:  # fmt: skip
    """Stretches of a seam that were not measured.

    Parameters
    ----------
    s_mm, spacing_mm, last
        As :func:`runs`.
    extent_mm : (float, float), optional
        Start and end of the seam [mm]; without it only what lies between stations counts.

    Returns
    -------
    list of Span
        In the state HOLE, in order; each station stands for half a spacing to either side.
    """
    s, half = np.asarray(s_mm, float), spacing_mm / 2
    last = before_holes(s, spacing_mm) if last is None else last
    found = [(float(s[i]) + half, float(s[i + 1]) - half) for i in last]
    if extent_mm is not None and len(s):
        beyond = HOLE_SPACINGS * spacing_mm
        if s[0] - extent_mm[0] > beyond:
            found.insert(0, (extent_mm[0], float(s[0])))
        if extent_mm[1] - s[-1] > beyond:
            found.append((float(s[-1]), extent_mm[1]))
    return [Span(state=HOLE, from_mm=start, to_mm=stop) for start, stop in found]
