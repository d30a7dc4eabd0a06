"""What to set and check a gap by without a photo: drill shanks and feelers, go and no-go, in mm and in inches.

A gauge that goes in proves the gap at least that wide, one that does not proves it less: both are rounded inwards, so
that who keeps to them keeps to the limits.  Sizes are those of usual sets; common practice, no source.
"""

from __future__ import annotations

import math
from fractions import Fraction

from gapvision.units import MM_PER_INCH, SHANK_MM

SHANK_IN = Fraction(1, 64)
_FEELER_MM, _FEELER_IN = 0.05, 0.001
_SLACK = 1e-6


def gauges(lower_mm: float, upper_mm: float) -> str:
    """Go and no-go for a gap between two limits; empty where not even feelers tell them apart."""
    told = []
    shanks = pair(lower_mm, upper_mm, SHANK_MM)
    inch = pair(lower_mm / MM_PER_INCH, upper_mm / MM_PER_INCH, float(SHANK_IN))
    if shanks:
        go, no_go = (f"{k * SHANK_MM:.1f} mm" for k in shanks)
        told.append(f"a drill shank of {go} goes in, one of {no_go} does not")
    if inch:
        go, no_go = (str(k * SHANK_IN) for k in inch)
        told.append(f"{go} in goes in, {no_go} in does not")
    if told:
        return "; ".join(told)
    feelers = pair(lower_mm, upper_mm, _FEELER_MM)
    thou = pair(lower_mm / MM_PER_INCH, upper_mm / MM_PER_INCH, _FEELER_IN)
    if not feelers or not thou:
        return ""
    go, no_go = (f"{k * _FEELER_MM:.2f} mm" for k in feelers)
    go_in, no_go_in = (f"{k * _FEELER_IN:.3f} in" for k in thou)
    return f"feelers of {go} ({go_in}) go in, of {no_go} ({no_go_in}) do not"


def pair(lower: float, upper: float, size: float) -> tuple[int, int] | None:
    """Numbers of sizes for go and no-go inside the limits, all in one unit; None where two do not fit."""
    go, no_go = math.ceil(lower / size - _SLACK), math.floor(upper / size + _SLACK)
    return (go, no_go) if 0 < go < no_go else None
