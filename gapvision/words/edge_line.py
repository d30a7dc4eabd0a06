"""What was measured of one edge alone, in sentences."""

from __future__ import annotations

import numpy as np

from gapvision.model import EdgeAlone
from gapvision.words.lengths import Lengths


def edge_line(measured: EdgeAlone, say: Lengths) -> str:
    """How long the line is, where it starts, and how well it is known; empty for a refused photo."""
    p = measured.profile
    if p is None or not len(p.s_mm):
        return ""
    most = float(p.expanded_u_mm.max())
    u = f"U of its place {say.small(measured.median_u_mm)} (median), {say.small(most)} (largest)"
    if p.round_mm is None:
        return f"One edge alone, {say.place(float(np.ptp(p.s_mm)))} of it, {u}. There is no gap."
    first = min(measured.scale.strips) if measured.scale is not None else "A"
    wide, high = np.ptp(p.place_mm, axis=0)
    start, holes = f"is the place nearest to strip {first}", ""
    if not p.whole:  # stations count from the first that was measured
        start = f"is the first place that was measured, from that nearest to strip {first} on"
        holes = f" Measured: {say.place(len(p.s_mm) * p.spacing_mm)}."
    return (
        f"One edge alone that closes: {say.place(p.round_mm)} round, {say.place(float(wide))} by "
        f"{say.place(float(high))}, {u}. Station 0 {start}; stations run clockwise as "
        f"the camera sees it.{holes} There is no gap."
    )
