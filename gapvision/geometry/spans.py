"""Out-of-tolerance spans along a profile with holes."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

#: Stations further apart than this lie on two sides of a hole: nothing is known between them.
MAX_HOLE_MM = 3.0
_MISSING_STATIONS = 3.0  # with stations further apart than 1 mm, three spacings count as a hole
_EPSILON_MM = 1e-9  # a reading on the limit itself is in tolerance, whatever the last binary digit says


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A stretch of neighbouring stations that all lie out of tolerance on the same side.

    Attributes
    ----------
    from_mm, to_mm : float
        First and last station [mm]; equal for a single one.
    worst_mm, worst_at_mm : float
        The gap furthest from nominal, and its station [mm].
    worst_expanded_u_mm : float
        Expanded uncertainty there [mm].
    side : str
        ``wide`` or ``narrow``.
    proven : bool
        True if somewhere in the span the gap is beyond the limit by more than its U.
    stations : int
        How many stations it holds.
    """

    from_mm: float
    to_mm: float
    worst_mm: float
    worst_at_mm: float
    worst_expanded_u_mm: float
    side: str
    proven: bool
    stations: int


def find_spans(
    s_mm: FloatArray,
    gap_mm: FloatArray,
    expanded_u_mm: FloatArray,
    nominal_mm: float,
    tolerance_mm: float,
    max_hole_mm: float = MAX_HOLE_MM,
) -> tuple[Span, ...]:
    """List the spans whose gap lies outside nominal +- tolerance.

    Parameters
    ----------
    s_mm, gap_mm, expanded_u_mm : ndarray, shape (n,)
        Stations in increasing order, gap and expanded uncertainty [mm]; NaN gaps count as holes.
    nominal_mm : float
        Gap aimed at [mm].
    tolerance_mm : float
        Allowed either way [mm], >= 0.
    max_hole_mm : float
        Neighbouring stations further apart than this are never joined [mm].

    Returns
    -------
    tuple of Span
        Along the seam; empty when every station is in tolerance.
    """
    s, gap, u = (np.asarray(a, dtype=float) for a in (s_mm, gap_mm, expanded_u_mm))
    if not s.shape == gap.shape == u.shape or s.ndim != 1:
        raise ValueError(f"expected three arrays of one shape (n,), got {s.shape}, {gap.shape}, {u.shape}")
    if tolerance_mm < 0:
        raise ValueError(f"tolerance_mm: expected 0 or more, got {tolerance_mm}")
    known = np.isfinite(gap) & np.isfinite(s)
    s, gap, u = s[known], gap[known], u[known]
    off = gap - nominal_mm
    side = np.where(off > tolerance_mm + _EPSILON_MM, 1, np.where(off < -tolerance_mm - _EPSILON_MM, -1, 0))
    ends = np.flatnonzero((np.diff(side) != 0) | (np.diff(s) > max_hole_mm)) + 1
    spans = []
    for part in np.split(np.arange(len(s)), ends):
        if len(part) == 0 or side[part[0]] == 0:
            continue
        worst = part[int(np.argmax(np.abs(off[part])))]
        spans.append(
            Span(
                from_mm=float(s[part[0]]),
                to_mm=float(s[part[-1]]),
                worst_mm=float(gap[worst]),
                worst_at_mm=float(s[worst]),
                worst_expanded_u_mm=float(u[worst]),
                side="wide" if side[part[0]] > 0 else "narrow",
                proven=bool((np.abs(off[part]) - tolerance_mm > u[part]).any()),
                stations=len(part),
            )
        )
    return tuple(spans)


def hole_limit_mm(spacing_mm: float) -> float:
    """Distance between neighbours above which something is missing, for stations this far apart [mm]."""
    return max(MAX_HOLE_MM, _MISSING_STATIONS * spacing_mm)


def find_holes(s_mm: FloatArray, max_hole_mm: float = MAX_HOLE_MM) -> tuple[tuple[float, float], ...]:
    """Stretches without stations between the first and the last one: (from, to) [mm]."""
    s = np.asarray(s_mm, dtype=float)
    return tuple((float(s[i]), float(s[i + 1])) for i in np.flatnonzero(np.diff(s) > max_hole_mm))
