"""Leave stations out of a measurement, and work its numbers out again from what stays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from gapvision.geometry.edge_form import judge_edges
from gapvision.model import GapProfile, GapSummary, Measurement

_ARRAYS = (
    "s_mm",
    "gap_mm",
    "expanded_u_mm",
    "edge_a_px",
    "edge_b_px",
    "edge_a_mm",
    "edge_b_mm",
    "edge_a_u_mm",
    "edge_b_u_mm",
)


def leave_out(measurement: Measurement, spans_mm: Sequence[tuple[float, float]]) -> Measurement:
    """Take spans out of a profile: they become holes.

    Parameters
    ----------
    measurement : Measurement
        A measured or refused photo; it is not changed.
    spans_mm : sequence of (from, to)
        Stations to leave out, both ends included [mm].

    Returns
    -------
    Measurement
        With summary, straightness and holes of what stays.  If nothing would stay, the measurement as it was.
    """
    profile = measurement.profile
    if profile is None or not spans_mm:
        return measurement
    keep = np.ones(len(profile.s_mm), bool)
    for start, stop in spans_mm:
        keep &= (profile.s_mm < start - 1e-6) | (profile.s_mm > stop + 1e-6)
    if keep.all() or not keep.any():
        return measurement
    stays = GapProfile(
        **{name: getattr(profile, name)[keep] for name in _ARRAYS},
        parts_mm={name: part[keep] for name, part in profile.parts_mm.items()},
        spacing_mm=profile.spacing_mm,
    )
    gap = stays.gap_mm
    slope = float(np.polyfit(stays.s_mm, gap, 1)[0]) if len(gap) > 2 else 0.0
    summary = GapSummary(
        mean_mm=float(gap.mean()),
        min_mm=float(gap.min()),
        max_mm=float(gap.max()),
        std_mm=float(gap.std()),
        taper_mm_per_m=1000 * slope,
    )
    form_a, form_b, kind = judge_edges(stays)
    return replace(
        measurement, profile=stays, summary=summary, straightness_a=form_a, straightness_b=form_b, seam_kind=kind
    )
