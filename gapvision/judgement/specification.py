"""A seam's specification: ready ones, and the wanted gap and limits along the seam."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from gapvision.errors import require
from gapvision.model import DIRECTIONS, FloatArray, NominalPoint, Specification

#: How well a person can say where a photo begins on its seam; common practice, no source [mm].
PLACE_MM = 10.0

_CLOSE = Specification(
    nominal=(NominalPoint(0.0, 4.7625),),
    allow_below_mm=0.5,
    allow_above_mm=0.5,
    taper_mm_per_m=1.0,
    taper_over_mm=600.0,
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
_PERIOD = replace(
    _ROAD, nominal=(NominalPoint(0.0, 6.35), NominalPoint(1.0, 3.175)), at_unit="share",
    direction="front to rear",
)  # fmt: skip

#: Ready specifications in the trade's words; every one is common practice without a source.
PRESETS: dict[str, tuple[str, Specification]] = {
    "even-close": ("an even 3/16 in, close work", _CLOSE),
    "even-road": ("an even 3/16 in, road car", _ROAD),
    "door-period": ("door of the period: 1/4 in at the front running to 1/8 in at the rear", _PERIOD),
}


def preset(name: str, own: Mapping[str, Specification] | None = None) -> Specification:
    """Fetch a ready specification by its name, or one of the shop's own.

    Raises
    ------
    GapvisionError
        ``preset-unknown``.
    """
    if own and name in own:
        return own[name]
    advice = f"Choose one of: {', '.join([*PRESETS, *(own or {})])}."
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


def turned(spec: Specification, length_mm: float) -> Specification:
    """The same wanted gap, counted from the seam's other end."""
    end = 1.0 if spec.at_unit == "share" else length_mm
    nominal = tuple(replace(p, at=end - p.at) for p in reversed(spec.nominal))
    ways = list(DIRECTIONS)
    other = ways[ways.index(spec.direction) ^ 1] if spec.direction else ""
    return replace(spec, nominal=nominal, direction=other)


def on_seam(spec: Specification, leads: str, length_mm: float, seam: str) -> Specification:
    """Lay a wanted gap that runs on a seam of a panel, which leads somewhere in the panel's own words.

    Raises
    ------
    GapvisionError
        ``panel-file-bad`` where the seam runs another way than the specification is meant for.
    """
    if not spec.runs or not spec.direction or leads == DIRECTIONS[spec.direction]:
        return spec
    other = turned(spec, length_mm)
    require(
        "panel-file-bad",
        leads == DIRECTIONS[other.direction],
        f"Seam '{seam}' leads {leads} from its start, but its specification runs {spec.direction}.",
        "Give the seam another specification, or correct its start and end or the panel's directions.",
    )
    return other


def for_photo(
    spec: Specification, ends_mm: tuple[float, float] | None
) -> tuple[Specification, tuple[float, float] | None]:
    """What is wanted at the stations of a photo that is judged alone, and where the seam starts and ends among them.

    ``ends_mm`` are the photo's first and last station, those left out too (``Measurement.ends_mm``).

    Raises
    ------
    GapvisionError
        ``photo-place-unknown`` where the wanted gap runs and the photo's place on the seam was not said, or it would
        lie beyond the seam.
    """
    require("photo-place-unknown", not spec.needs_place)
    if spec.photo_at_mm is None or ends_mm is None:
        return spec, None
    (first, last), at = ends_mm, spec.photo_at_mm
    length = spec.length_mm if spec.length_mm is not None else at + last - first
    said = f"The photo would reach from {at:.0f} to {at + last - first:.0f} mm of a seam of {length:.0f} mm."
    require("photo-place-unknown", at + last - first <= length + PLACE_MM, said, "Correct its place, or the length.")

    def station(place: float) -> float:
        return last - (place - at) if spec.photo_reverse else first + place - at

    scale = length if spec.at_unit == "share" else 1.0
    points = [NominalPoint(station(p.at * scale), p.gap_mm) for p in spec.nominal]
    nominal = tuple(reversed(points) if spec.photo_reverse else points)
    ends = sorted((station(0.0), station(length)))
    extent = None if spec.length_mm is None else (ends[0], ends[1])
    return replace(spec, nominal=nominal, at_unit="mm"), extent


def as_before(spec: Specification, s_mm: FloatArray) -> Specification:
    """A specification that runs as programs laid it on a photo that did not ask for its place: to read their verdicts.

    The seam began at the photo's station 0 where its length was given, else the photo was the whole seam.
    """
    if not spec.needs_place or len(s_mm) == 0:
        return spec
    first, last = float(s_mm[0]), float(s_mm[-1])
    start, length = (first, last - first) if spec.length_mm is None else (0.0, spec.length_mm)
    nominal = spec.nominal
    if spec.at_unit == "share":
        nominal = tuple(replace(p, at=start + p.at * length) for p in nominal)
    length_mm = None if spec.length_mm is None or last > spec.length_mm + PLACE_MM else spec.length_mm
    return replace(spec, nominal=nominal, at_unit="mm", photo_at_mm=max(0.0, first), length_mm=length_mm)


def limits_at(spec: Specification, s_mm: FloatArray, extent_mm: tuple[float, float]) -> tuple[FloatArray, FloatArray]:
    """Lower and upper limit at each station [mm]; arguments as :func:`nominal_at`."""
    nominal = nominal_at(spec, s_mm, extent_mm)
    return nominal - spec.allow_below_mm, nominal + spec.allow_above_mm


def simple_spec(nominal_mm: float, below_mm: float, above_mm: float) -> Specification:
    """Make a specification from one wanted gap and what is allowed below and above it [mm]."""
    return Specification(nominal=(NominalPoint(0.0, nominal_mm),), allow_below_mm=below_mm, allow_above_mm=above_mm)
