"""Form of both edges of a measured gap: straightness, or fairness on a curved seam."""

from __future__ import annotations

from typing import Any

import numpy as np

from gapvision.geometry.curves import smooth_curve
from gapvision.geometry.lines import fit_line
from gapvision.geometry.straightness import Zone, fairness, least_squares_zone, minimum_zone, worst_window
from gapvision.geometry.uncertainty import combine
from gapvision.model import COVERAGE_FACTOR, Course, FloatArray, GapProfile, GapSummary, Straightness

_SPIKE_MEDIAN = 5
_CURVED_SAG_MM = 3.0  # a seam whose smooth course leaves a straight line by more is curved by design
_PHOTO_MM = 200.0  # of a seam that one photo tells by itself
_TOUCHES_MM = 1e-6
_CUTOFF_MM = 120.0  # a 40 mm bump must count as a deviation, a door's arc must not
TRUSTED_EDGE_U_MM = 0.25  # form is judged only from places of the edge that are known this well
LEAST_TRUSTED = 0.6  # and only if they make up this share of the edge
# A short piece of an edge off its course by more than this, there and back within 3 mm: no hand leaves such a step in
# metal, tape or sealer over the edge does; common practice, no source.
_COURSE_MM, _JUMP_MM, _SHORT_MM, _RAMP_MM = 101.0, 1.2, 45.0, 3.0


def running_median(y: FloatArray, window: int = _SPIKE_MEDIAN) -> FloatArray:
    """Running median with the ends repeated; shape (n,)."""
    from scipy.ndimage import median_filter

    return np.asarray(median_filter(y, window, mode="nearest"), dtype=float) if len(y) >= window else y.copy()


def running_medians(rows: FloatArray) -> FloatArray:
    """The same of each row of a table, shape (m, n), n 5 or more."""
    v = np.pad(rows, ((0, 0), (2, 2)), mode="edge")
    a, b, c, d, e = (v[:, k : k + rows.shape[1]] for k in range(_SPIKE_MEDIAN))
    # Of five, the median is that of one and the inner ones of the two pairs that the other four make.
    low, high = np.maximum(np.minimum(a, b), np.minimum(d, e)), np.minimum(np.maximum(a, b), np.maximum(d, e))
    return np.maximum(np.minimum(low, high), np.minimum(np.maximum(low, high), c))


def jump_mm(edge_mm: FloatArray, station_mm: float) -> FloatArray:
    """How far an edge leaves its own course for a short way, all at once: tape over it, sealer, a clip; 0 elsewhere.

    Parameters
    ----------
    edge_mm : ndarray, shape (n,)
        The edge's offset across the seam [mm].
    station_mm : float
        Spacing of the stations [mm].
    """
    out, n = np.zeros(len(edge_mm)), len(edge_mm)
    window, ramp = round(_COURSE_MM / station_mm) | 1, max(1, round(_RAMP_MM / station_mm))
    if n < window:
        return out
    far = np.abs(edge_mm - running_median(edge_mm, window)) > 0.5 * _JUMP_MM
    starts, ends = (np.flatnonzero(np.diff(np.concatenate([[False], far, [False]]).astype(int)) == k) for k in (1, -1))
    for start, end in zip(starts, ends, strict=True):
        before, behind = start - ramp, end - 1 + ramp
        if before < 0 or behind >= n or (end - start) * station_mm > _SHORT_MM:
            continue
        # The course goes straight on from ahead of the piece to behind it.
        course = np.interp(np.arange(start, end), (before, behind), edge_mm[[before, behind]])
        size = float(np.median(np.abs(edge_mm[start:end] - course)))
        # A dent gets there bit by bit, a piece that jumps is there at once.
        inner = edge_mm[[min(start + ramp, end - 1), max(end - 1 - ramp, start)]]
        if size > _JUMP_MM and np.all(np.abs(inner - edge_mm[[before, behind]]) > 0.7 * size):
            out[max(before, 0) : behind + 1] = size
    return out


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
        ``straight``, ``curved`` (by design, as its sag tells), or ``closed``: bent round a lid, or part of that; no
        form is told of it.
    """
    s = profile.s_mm
    if profile.own_line:
        return None, None, "closed"
    if len(s) < 10:
        return None, None, "straight"
    mid = 0.5 * (profile.edge_a_mm + profile.edge_b_mm)
    curved = minimum_zone(s, smooth_curve(s, mid, _CUTOFF_MM)).width > _CURVED_SAG_MM
    return (
        _one(s, profile.edge_a_mm, profile.edge_a_u_mm, curved, profile.course),
        _one(s, profile.edge_b_mm, profile.edge_b_u_mm, curved, profile.course),
        "curved" if curved else "straight",
    )


def figures_of(profile: GapProfile) -> dict[str, Any]:
    """What a measurement tells of a profile as a whole: its fields ``summary``, ``straightness_a`` and so on.

    Parameters
    ----------
    profile : GapProfile
        With one station or more.
    """
    gap = profile.gap_mm
    slope = fit_line(profile.s_mm, gap).slope if len(gap) > 2 and not profile.own_line else 0.0
    summary = GapSummary(
        mean_mm=float(gap.mean()),
        min_mm=float(gap.min()),
        max_mm=float(gap.max()),
        std_mm=float(gap.std()),
        taper_mm_per_m=1000 * slope,
        taper_u_mm_per_m=None if profile.course is None else _taper_u(profile, slope),
    )
    form_a, form_b, kind = judge_edges(profile)
    return {"summary": summary, "straightness_a": form_a, "straightness_b": form_b, "seam_kind": kind}


def _taper_u(profile: GapProfile, slope: float) -> float:
    """Expanded uncertainty of the taper of a whole seam [mm per m]: each photo's length errs by itself, as one."""
    alike = profile.parts_mm.get("print_scale", np.zeros(len(profile.s_mm)))
    own = np.sqrt(np.maximum((profile.expanded_u_mm / COVERAGE_FACTOR) ** 2 - alike**2, 0.0))
    span = float(np.ptp(profile.s_mm))
    by_photos = float(np.median(own)) * np.sqrt(12 / (span / _PHOTO_MM + 1)) / span
    by_scale = slope * float(np.median(alike / np.maximum(profile.gap_mm, 0.2)))
    return 1000 * COVERAGE_FACTOR * float(combine([by_photos, by_scale]))


def _one(s: FloatArray, edge: FloatArray, u: FloatArray, curved: bool, course: Course | None) -> Straightness | None:
    good = u <= TRUSTED_EDGE_U_MM
    if good.mean() < LEAST_TRUSTED or good.sum() < 10:
        return None
    s, edge, u = s[good], edge[good], u[good]
    clean = running_median(edge)
    worst = worst_window(s, clean) if s[-1] - s[0] > 100 else None
    fair = fairness(s, clean, _CUTOFF_MM) if curved else None
    random = float(np.median(np.abs(np.diff(edge)))) if len(edge) > 1 else 0.0
    zone = minimum_zone(s, clean)
    std = [float(np.median(u)) / COVERAGE_FACTOR] if course is None else _three_places(course, s, clean, u, zone)
    return Straightness(
        min_zone_mm=zone.width,
        lsq_mm=least_squares_zone(s, clean).width,
        expanded_u_mm=COVERAGE_FACTOR * float(combine([*std, random])),
        span_mm=float(s[-1] - s[0]),
        worst_100_mm=worst[0] if worst else None,
        worst_100_from_mm=worst[1] if worst else None,
        fairness_mm=fair.peak_to_valley_mm if fair else None,
        cutoff_mm=fair.cutoff_mm if fair else None,
        **({} if course is None or curved else _bow(s, clean, u, course)),
    )


def _three_places(course: Course, s: FloatArray, edge: FloatArray, u: FloatArray, zone: Zone) -> list[float]:
    """Standard uncertainties of a zone's width: it hangs on the three places where the edge touches its lines."""
    across = zone.normal[0] * s + zone.normal[1] * edge - zone.middle
    top, bottom = (np.flatnonzero(sign * across >= zone.width / 2 - _TOUCHES_MM) for sign in (1, -1))
    if not len(top) or not len(bottom):
        return [float(np.median(u)) / COVERAGE_FACTOR]
    two, one = (top, bottom[0]) if np.ptp(s[top]) >= np.ptp(s[bottom]) else (bottom, top[0])
    three = np.array([two[0], two[-1], one])
    share = (s[one] - s[two[0]]) / max(s[two[-1]] - s[two[0]], 1e-9)
    weights = np.array([1 - share, share, -1.0])
    return [course.std_u_mm(s[three], weights), *(np.abs(weights) * u[three] / COVERAGE_FACTOR)]


def _bow(s: FloatArray, edge: FloatArray, u: FloatArray, course: Course) -> dict[str, float]:
    """The arc that fits an edge best, as its height over its ends, and where the edge leaves it most."""
    x = (s - 0.5 * (s[0] + s[-1])) / (0.5 * (s[-1] - s[0]))
    ways = np.linalg.pinv(np.stack([np.ones_like(x), x, 1 - x * x], 1))
    fit = ways @ edge
    left = edge - (fit[0] + fit[1] * x + fit[2] * (1 - x * x))
    far = int(np.argmax(np.abs(left)))
    # An edge's readings err alike along a photo: as many independent ones as it is photos long.  The height of an arc
    # fitted to n even readings has 3.4 times their standard uncertainty over the root of n (least squares).
    readings = 3.4 / np.sqrt(max(3.0, 1 + (s[-1] - s[0]) / _PHOTO_MM)) * float(np.median(u)) / COVERAGE_FACTOR
    std = combine([readings, course.std_u_mm(s, ways[2])])
    return {
        "bow_mm": float(fit[2]), "bow_u_mm": COVERAGE_FACTOR * float(std), "local_mm": float(left[far]),
        "local_s_mm": float(s[far]),
    }  # fmt: skip
