"""Form of an edge: minimum zone, least squares, worst window, fairness.

Minimum zone: the smallest distance between two parallel lines that hold the
whole edge between them (ISO 1101, ISO 12780; from memory, texts not read).  It
is exact here: of all such pairs the narrowest has one line along a side of the
convex hull.  A form value grows with noise and with the number of points even
on a perfect edge: the range of 100 independent readings is 5 standard deviations.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gapvision.geometry.curves import smooth_curve
from gapvision.geometry.lines import finite_points, fit_total_line
from gapvision.model import FloatArray

WINDOW_MM = 100.0
_FULL_SHARE = 0.8  # a window whose stations span less of it than this says nothing about 100 mm
_MIN_STATIONS = 10
_ROUNDS, _EXACT = 40, 1e-3  # of a search for tight lines: the most slopes tried, and the share that may be left
_HULL_BLOCK = 16
_CHUNK = 512  # hull sides treated at once, so that memory stays small on any hull


@dataclass(frozen=True, slots=True, kw_only=True)
class Zone:
    """Two parallel lines that hold all points between them.

    Attributes
    ----------
    width : float
        Distance between them, in the unit of the points.
    normal : tuple of float
        Unit vector across them.
    middle : float
        Distance of their middle line from the origin along ``normal``.
    """

    width: float
    normal: tuple[float, float]
    middle: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Fairness:
    """Deviation of an edge from a smooth curve.

    Attributes
    ----------
    peak_to_valley_mm : float
        Largest minus smallest deviation [mm].
    worst_s_mm : float
        Station of the largest deviation either way [mm].
    cutoff_mm : float
        Wavelength of which the curve follows half [mm]; shorter ones count as deviation.
    deviation_mm : ndarray, shape (n,)
        At every station [mm].
    """

    peak_to_valley_mm: float
    worst_s_mm: float
    cutoff_mm: float
    deviation_mm: FloatArray


def convex_hull(x: FloatArray, y: FloatArray) -> FloatArray:
    """Corners of the convex hull, counter-clockwise (y up), without points on its sides.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Points.

    Returns
    -------
    ndarray, shape (m, 2)
        m = 1 for one place, 2 for points on one line.
    """
    points = np.unique(np.stack([np.asarray(x, float), np.asarray(y, float)], 1), axis=0)  # sorted by x, then y
    if len(points) < 3:
        return points
    lower, upper = lower_hull(*points.T), lower_hull(points[:, 0], -points[:, 1])
    return points[lower + upper[-2:0:-1]]


def minimum_zone(x: FloatArray, y: FloatArray) -> Zone:
    """Narrowest pair of parallel lines around points, exact.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Points, n >= 1, in one unit.

    Returns
    -------
    Zone
        Width 0 for points on one line.

    Raises
    ------
    ValueError
        No points, or not finite.

    Examples
    --------
    >>> minimum_zone([0, 1, 2, 3], [0, 1, 0, 0]).width
    1.0
    """
    hull = convex_hull(*finite_points(x, y, 1))
    if len(hull) == 1:
        return Zone(width=0.0, normal=(0.0, 1.0), middle=float(hull[0, 1]))
    # Far-off coordinates would eat the digits of the narrow width.
    centre = hull.mean(axis=0)
    hull = hull - centre
    side = np.roll(hull, -1, axis=0) - hull
    normals = np.stack([-side[:, 1], side[:, 0]], 1) / np.hypot(side[:, 0], side[:, 1])[:, None]
    best, width, middle = 0, np.inf, 0.0
    for at in range(0, len(normals), _CHUNK):
        heights = normals[at : at + _CHUNK] @ hull.T
        top, bottom = heights.max(axis=1), heights.min(axis=1)
        k = int(np.argmin(top - bottom))
        if top[k] - bottom[k] < width:
            best, width, middle = at + k, float(top[k] - bottom[k]), float(top[k] + bottom[k]) / 2
    if len(hull) == 2:
        width = 0.0
    normal = normals[best] if normals[best][1] >= 0 else -normals[best]
    middle = middle if normals[best][1] >= 0 else -middle
    return Zone(width=width, normal=(float(normal[0]), float(normal[1])), middle=middle + float(normal @ centre))


def least_squares_zone(x: FloatArray, y: FloatArray) -> Zone:
    """Pair of lines parallel to the total-least-squares line that hold all points (peak to valley).

    Never narrower than :func:`minimum_zone`; turns with the points.

    Raises
    ------
    ValueError
        Fewer than two points.
    """
    line = fit_total_line(x, y)
    d = line.distances(x, y)
    normal = (-line.direction[1], line.direction[0])
    foot = normal[0] * line.centre[0] + normal[1] * line.centre[1]
    return Zone(width=float(np.ptp(d)), normal=normal, middle=foot + float(d.max() + d.min()) / 2)


def worst_window(s_mm: FloatArray, offset_mm: FloatArray, window_mm: float = WINDOW_MM) -> tuple[float, float] | None:
    """Largest minimum zone of any window along the edge.

    Parameters
    ----------
    s_mm, offset_mm : ndarray, shape (n,)
        Stations in increasing order and the edge's offset there [mm]; holes are gaps in s.
    window_mm : float
        Length of the window [mm].

    Returns
    -------
    (width_mm, from_mm) or None
        The zone, and the station where its window starts.  None when no window has stations over at
        least 0.8 of its length.
    """
    s, off = np.asarray(s_mm, dtype=float), np.asarray(offset_mm, dtype=float)
    ends = np.searchsorted(s, s + window_mm * (1 + 1e-9), side="right")
    starts = np.flatnonzero((ends - np.arange(len(s)) >= _MIN_STATIONS) & (s[ends - 1] - s >= _FULL_SHARE * window_mm))
    # Windows at the far end that stop short add nothing to the one that ends there.
    if len(starts):
        starts = starts[starts <= starts[np.argmax(ends[starts] == ends[starts[-1]])]]
    bounds = [(_upper_bound(s[i : ends[i]], off[i : ends[i]]), int(i)) for i in starts]
    best, slope = None, 0.0
    for bound, i in sorted(bounds, reverse=True):
        x, y = s[i : ends[i]], off[i : ends[i]]
        # A zone is no wider than about any line: what is left cannot win, nor a window inside the best zone so far.
        if best is not None and bound <= best[0]:
            break
        if best is not None and np.ptp(y - slope * x) <= best[0]:
            continue
        zone = minimum_zone(x, y)
        if best is None or zone.width > best[0]:
            best, slope = (zone.width, float(s[i])), -zone.normal[0] / zone.normal[1]
    return best


def fairness(s_mm: FloatArray, offset_mm: FloatArray, cutoff_mm: float = 120.0) -> Fairness:
    """Deviation of an edge that is curved by design from a smooth curve through it.

    Parameters
    ----------
    s_mm, offset_mm : ndarray, shape (n,)
        Stations in increasing order and the edge's offset there [mm]; holes are gaps in s.
    cutoff_mm : float
        Cut-off wavelength [mm].

    Returns
    -------
    Fairness
        See :func:`gapvision.geometry.curves.smooth_curve` for the curve.
    """
    s = np.asarray(s_mm, dtype=float)
    deviation = np.asarray(offset_mm, dtype=float) - smooth_curve(s, offset_mm, cutoff_mm)
    return Fairness(
        peak_to_valley_mm=float(np.ptp(deviation)),
        worst_s_mm=float(s[int(np.argmax(np.abs(deviation)))]),
        cutoff_mm=cutoff_mm,
        deviation_mm=deviation,
    )


def _upper_bound(s: FloatArray, off: FloatArray) -> float:
    """Peak to valley about the ordinary least-squares line, in y: never below the minimum zone."""
    ds = s - s.mean()
    return float(np.ptp(off - ds * ((ds @ off) / (ds @ ds))))


def tight_widths(x: FloatArray, y: FloatArray, enough: FloatArray | float = 0.0) -> FloatArray:
    """Width of a tight pair of lines about each row of points: never below its minimum zone, and hardly above.

    Parameters
    ----------
    x, y : ndarray, shape (m, n)
        m rows of points, x not falling.
    enough : ndarray, shape (m,), or float
        Rows whose lines are no further apart than this are left so.

    Returns
    -------
    ndarray, shape (m,)
        The range in y about a line is convex in the line's slope, and straight between a few slopes: the next one tried
        is where the tangents at the nearest ones on both sides of the best meet (a cutting-plane search).
    """
    x = x - x.mean(axis=1, keepdims=True)
    spread = (x * x).sum(axis=1)
    slope, rows = (x * y).sum(axis=1) / np.where(spread > 0, spread, 1.0), np.arange(len(x))

    def look(slope: FloatArray) -> FloatArray:
        """Slope, range and how the range changes with the slope."""
        some = rows if len(rows) < len(x) else slice(None)
        off, one = y[some] - slope[:, None] * x[some], np.arange(len(slope))
        top, bottom = off.argmax(axis=1), off.argmin(axis=1)
        found = np.stack([slope, off[one, top] - off[one, bottom], x[rows, bottom] - x[rows, top]])
        better = found[1] < best[1, rows]
        best[:, rows[better]] = found[:2, better]
        return found

    best = np.full((2, len(x)), np.inf)
    first = look(slope)
    # About the best line the range is no larger than about this one, so the two slopes differ by no more than this.
    reach = 2 * first[1] / np.maximum(x[:, -1] - x[:, 0], 1e-12)
    second = look(slope + np.where(first[2] < 0, reach, -reach))
    low, high = np.where(first[2] < 0, (first, second), (second, first))
    for _ in range(_ROUNDS):
        apart = high[2] - low[2]
        meet = low[0] + (high[1] - low[1] - high[2] * (high[0] - low[0])) / np.where(apart > 0, -apart, 1.0)
        least = low[1] + low[2] * (meet - low[0])
        width = best[1, rows]
        open_ = (apart > 0) & (width > np.broadcast_to(enough, len(x))[rows]) & (width - least > _EXACT * width)
        if not open_.any():
            break
        rows, low, high = rows[open_], low[:, open_], high[:, open_]
        new = look(meet[open_])
        low, high = np.where(new[2] < 0, new, low), np.where(new[2] < 0, high, new)
    return np.asarray(best[1] / np.hypot(1, best[0]))


def lower_hull(x: FloatArray, y: FloatArray) -> list[int]:
    """Indices of the lower half of the hull of points sorted by x, then y (Andrew's monotone chain)."""
    left = np.arange(len(x))
    while len(left) > 4 * _HULL_BLOCK:
        # A point on or above a chord of two others is not needed: the chords from the lowest of one block to the next.
        px, py, count = x[left], y[left], len(left)
        blocks = py[: count // _HULL_BLOCK * _HULL_BLOCK].reshape(-1, _HULL_BLOCK)
        stay = np.zeros(count, bool)
        stay[np.arange(len(blocks)) * _HULL_BLOCK + blocks.argmin(axis=1)] = stay[[0, -1]] = True
        stay |= py < np.interp(px, px[stay], py[stay])
        left = left[stay]
        if 2 * len(left) > count:
            break
    xs, ys = x[left].tolist(), y[left].tolist()
    out: list[int] = []
    for i, (px, py) in enumerate(zip(xs, ys, strict=True)):
        while len(out) > 1:
            a, b = out[-2:]
            if (xs[b] - xs[a]) * (py - ys[a]) - (ys[b] - ys[a]) * (px - xs[a]) > 0:
                break
            out.pop()
        out.append(i)
    return [int(left[i]) for i in out]
