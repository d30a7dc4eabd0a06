"""A seam's specification: ready ones, and the wanted gap and limits along the seam."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from gapvision.errors import require
from gapvision.model import FloatArray, NominalPoint, Specification

_CLOSE = Specification(
    nominal=(NominalPoint(0.0, 4.7625),),
    allow_below_mm=0.5,
    allow_above_mm=0.5,
    taper_mm_per_m=1.0,
    straightness_mm=0.5,
    straightness_100_mm=0.3,
    jump_10_mm=0.3,
    opposite_mm=0.6,
    step_mm=0.5,
    source="common practice, no source",
)
_ROAD = replace(
    _CLOSE,
    allow_below_mm=0.79375,
    allow_above_mm=0.79375,
    taper_mm_per_m=2.0,
    straightness_mm=0.8,
    straightness_100_mm=0.5,
    jump_10_mm=0.5,
    opposite_mm=1.0,
    step_mm=0.8,
)
_PERIOD = replace(_ROAD, nominal=(NominalPoint(0.0, 6.35), NominalPoint(1.0, 3.175)), at_unit="share")

#: Ready specifications in the trade's words; every one is common practice without a source.
PRESETS: dict[str, tuple[str, Specification]] = {
    "even-close": ("an even 3/16 in, close work", _CLOSE),
    "even-road": ("an even 3/16 in, road car", _ROAD),
    "door-period": ("door of the period: 1/4 in at the front running to 1/8 in at the rear", _PERIOD),
}


def preset(name: str) -> Specification:
    """Fetch a ready specification by its name.

    Raises
    ------
    GapvisionError
        ``preset-unknown``.
    """
    advice = f"Choose one of: {', '.join(PRESETS)}."
    require("preset-unknown", name in PRESETS, f"There is no ready specification '{name}'.", advice)
    return replace(PRESETS[name][1], name=PRESETS[name][0])


def nominal_at(spec: Specification, s_mm: FloatArray, extent_mm: tuple[float, float]) -> FloatArray:
    """Wanted gap at each station [mm].

    Parameters
    ----------
    s_mm : ndarray, shape (n,)
        Stations [mm].
    extent_mm : (float, float)
        Start and end of the seam [mm]; needed where the specification uses shares.
    """
    at = np.array([p.at for p in spec.nominal])
    if spec.at_unit == "share":
        at = extent_mm[0] + at * (extent_mm[1] - extent_mm[0])
    return np.asarray(np.interp(s_mm, at, [p.gap_mm for p in spec.nominal]), dtype=float)


def limits_at(spec: Specification, s_mm: FloatArray, extent_mm: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Lower and upper limit at each station [mm]; arguments as :func:`nominal_at`."""
    nominal = nominal_at(spec, s_mm, extent_mm)
    return nominal - spec.allow_below_mm, nominal + spec.allow_above_mm


def simple_spec(nominal_mm: float, below_mm: float, above_mm: float) -> Specification:
    """Make a specification from one wanted gap and what is allowed below and above it [mm]."""
    return Specification(nominal=(NominalPoint(0.0, nominal_mm),), allow_below_mm=below_mm, allow_above_mm=above_mm)
