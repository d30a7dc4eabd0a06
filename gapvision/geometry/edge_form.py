"""Form of both edges of a measured gap: straightness, or fairness on a curved seam."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from gapvision.results import GapProfile, Straightness

FloatArray = NDArray[np.float64]

_SPIKE_MEDIAN = 5
_CURVED_BELOW_RADIUS_SAG = 3.0  # sag over the span by which a seam counts as curved by design [mm]
_CUTOFF_MM = 80.0
_TRUSTED_EDGE_U_MM = 0.25  # form is judged only from places of the edge that are known this well
_LEAST_TRUSTED = 0.6  # and only if they make up this share of the edge


def running_median(y: FloatArray, window: int = _SPIKE_MEDIAN) -> FloatArray:
    """Running median with the ends repeated; shape (n,)."""
    half = window // 2
    if len(y) < window:
        return y.copy()
    return np.median(np.lib.stride_tricks.sliding_window_view(np.pad(y, half, mode="edge"), window), axis=1)


def hull_width(x: FloatArray, y: FloatArray) -> float:
    """Smallest distance between two parallel lines that hold all points (minimum zone, ISO 1101), exact.

    Parameters
    ----------
    x, y : ndarray, shape (n,)
        Points [mm].
    """
    order = np.lexsort((y, x))
    pts = np.stack([x[order], y[order]], 1)

    def half(points: FloatArray) -> list[FloatArray]:
        out: list[FloatArray] = []
        for p in points:
            while (
                len(out) > 1
                and (out[-1][0] - out[-2][0]) * (p[1] - out[-2][1]) - (out[-1][1] - out[-2][1]) * (p[0] - out[-2][0])
                <= 0
            ):
                out.pop()
            out.append(p)
        return out

    hull = np.array(half(pts)[:-1] + half(pts[::-1])[:-1])
    if len(hull) < 3:
        return 0.0
    edge = np.roll(hull, -1, axis=0) - hull
    length = np.hypot(edge[:, 0], edge[:, 1])
    edge, start, length = edge[length > 0], hull[length > 0], length[length > 0]
    normal = np.stack([-edge[:, 1], edge[:, 0]], 1) / length[:, None]
    across = np.abs((hull[None] - start[:, None]) @ normal[:, :, None])[..., 0]
    return float(across.max(1).min())


def judge_edges(profile: GapProfile) -> tuple[Straightness | None, Straightness | None, str]:
    """Straightness of edge A and B, and whether the seam is ``straight`` or ``curved``.

    Parameters
    ----------
    profile : GapProfile
        Measured profile.

    Returns
    -------
    edge_a, edge_b : Straightness or None
        None where too little of the edge can be trusted.
    kind : str
        ``straight`` or ``curved`` (by design, as its sag tells).
    """
    s = profile.s_mm
    if len(s) < 10:
        return None, None, "straight"
    mid = 0.5 * (profile.edge_a_mm + profile.edge_b_mm)
    fit = np.polynomial.Polynomial.fit(s, mid, 2)
    sag = abs(fit.convert().coef[2] if len(fit.convert().coef) > 2 else 0.0) * (s[-1] - s[0]) ** 2 / 4
    curved = sag > _CURVED_BELOW_RADIUS_SAG
    return (
        _one(s, profile.edge_a_mm, profile.edge_a_u_mm, curved),
        _one(s, profile.edge_b_mm, profile.edge_b_u_mm, curved),
        "curved" if curved else "straight",
    )


def _one(s: FloatArray, edge: FloatArray, u: FloatArray, curved: bool) -> Straightness | None:
    good = u <= _TRUSTED_EDGE_U_MM
    if good.mean() < _LEAST_TRUSTED or good.sum() < 10:
        return None
    s, edge, u = s[good], edge[good], u[good]
    clean = running_median(edge)
    slope, offset = np.polyfit(s, clean, 1)
    off = (clean - slope * s - offset) / np.hypot(1, slope)
    worst, start = 0.0, None
    for k in np.flatnonzero(s <= s[-1] - 100.0)[::5] if s[-1] - s[0] > 100 else []:
        part = (s >= s[k]) & (s <= s[k] + 100.0)
        if part.sum() > 10:
            zone = hull_width(s[part], clean[part])
            if zone > worst:
                worst, start = zone, float(s[k])
    fairness = None
    if curved:
        from scipy.ndimage import gaussian_filter1d

        grid = np.arange(s[0], s[-1] + 0.5, 1.0)
        y = np.interp(grid, s, clean)
        trend = np.polynomial.Polynomial.fit(grid, y, 4)(grid)
        fairness = float(np.ptp(y - trend - gaussian_filter1d(y - trend, _CUTOFF_MM * 0.1874, mode="nearest")))
    random = float(np.median(np.abs(np.diff(edge)))) if len(edge) > 1 else 0.0
    return Straightness(
        min_zone_mm=hull_width(s, clean),
        lsq_mm=float(np.ptp(off)),
        expanded_u_mm=float(np.hypot(np.median(u), 2 * random)),
        span_mm=float(s[-1] - s[0]),
        worst_100_mm=worst if start is not None else None,
        worst_100_from_mm=start,
        fairness_mm=fairness,
        cutoff_mm=_CUTOFF_MM if curved else None,
    )
