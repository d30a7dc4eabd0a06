"""What was measured, in sentences."""

from __future__ import annotations

from gapvision.model import Straightness
from gapvision.words.lengths import Lengths


def form(edge: Straightness | None, say: Lengths) -> str:
    """The form of one edge, without a full stop."""
    if edge is None:
        return "too little of it could be trusted"
    if edge.fairness_mm is not None and edge.cutoff_mm is not None:
        fair = say.small(edge.fairness_mm)
        return f"curved by design, fair within {fair} of a smooth curve (waves under {say.place(edge.cutoff_mm)})"
    zone, u = say.small(edge.min_zone_mm), say.small(edge.expanded_u_mm)
    told = f"straight within {zone} over {say.place(edge.span_mm)}, U {u}"
    if edge.worst_100_mm is not None and edge.worst_100_from_mm is not None:
        start = edge.worst_100_from_mm
        told += f"; worst 100 mm: {say.small(edge.worst_100_mm)}, from {say.stretch(start, start + 100)}"
    return told
