"""The gap after paint, in sentences: what the film takes, the gap to set now, where edges may chip."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import asdict

from gapvision.model import FinishForecast
from gapvision.words.lengths import Lengths

#: Shown with every film that is named.
DATA_SHEET = "The paint maker's data sheet rules over every film named here."


def film(loss: Mapping[str, float], say: Lengths) -> str:
    """What the coats still to come take from the gap: ``least_mm``, ``most_mm``, and ``loss_mm`` between them."""
    taken = f"{say.small_range(loss['least_mm'], loss['most_mm'])} from the gap, taken as {say.small(loss['loss_mm'])}"
    return f"The coats still to come take {taken}."


NO_ROOM = "the doubt about the film, or the smallest gap, leaves no room between the limits"


def forecast(future: FinishForecast, say: Lengths) -> list[str]:
    """What the film takes, the gap to set now, where edges may chip."""
    return [film(asdict(future.loss), say), set_now(future, say), *chipping(future, say), *motion(future, say)]


def motion(future: FinishForecast, say: Lengths) -> list[str]:
    """The smallest gap while the panel opens, where its hinges were stated."""
    if not math.isfinite(future.motion_mm):
        return []
    if future.motion_mm <= 0:
        return [f"While it opens the edges touch, {future.motion_deg:.0f} degrees open: set it wider."]
    told = f"{say.gap(future.motion_mm)}, {future.motion_deg:.0f} degrees open"
    return [f"While it opens the smallest finished gap is {told}; open it by hand the first time, and watch the edge."]


def set_now(future: FinishForecast, say: Lengths) -> str:
    """The gap to set now, and the limits within which the film cannot spoil it."""
    low, high, now = future.set_lower_mm, future.set_upper_mm, future.set_now_mm
    if not (low <= high).all():
        return f"Gap to set now: none is sure, because {NO_ROOM}."
    same = float(now.max() - now.min()) < 0.005
    places = [0] if same else [0, len(now) - 1]
    wanted = now - future.loss.loss_mm
    told = [say.to_set(*(float(v[i]) for v in (now, low, high, wanted))) for i in places]
    what, safe = told[0] if same else (f"{a} at the start, {b} at the end" for a, b in zip(*told, strict=True))
    clear = " and clear of chipping" if math.isfinite(future.chip_limit_mm) else ""
    return f"Gap to set now: {what}. Within {safe} the finished gap is in tolerance{clear} whatever the film does."


def chipping(future: FinishForecast, say: Lengths) -> list[str]:
    """Where finished edges may chip."""
    if not math.isfinite(future.chip_limit_mm):
        return ["Chipping: not judged, because no smallest finished gap was stated."]
    limit = say.least_gap(future.chip_limit_mm)
    if not future.chip_spans:
        return [f"Chipping: every finished gap is proven above {limit}."]
    return [
        f"Chipping, {say.stretch(x.from_mm, x.to_mm)}: {x.state}, smallest finished gap {say.gap(x.worst_mm)} "
        f"at {say.place(x.worst_at_mm)}, limit {limit}."
        for x in future.chip_spans
    ]
