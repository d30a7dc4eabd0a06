"""What the next photo of a seam should be, and what it would do to U.

An edge's outline at depth d shows, from a camera whose line of sight leans by the tangent k, k d beside where a square
photo shows it.  With a reading error s in each photo and a doubt D of the depth, place and depth of an edge are a
straight line through the photos' readings over k: its information matrix is ((m, sum k), (sum k, sum k^2)) / s^2 with
1 / D^2 added to the depth (several_photos, section 3).  s is what the measurement's own U implies; adding a row for a
photo that is yet to be taken says what it would bring.  What all photos share does not shrink.
"""

from __future__ import annotations

import numpy as np

from gapvision.geometry.uncertainty import combine, shared_by_photos
from gapvision.model import COVERAGE_FACTOR, FloatArray, Measurement, NextPhoto

_LEAN_DEG = 15.0  # a steeper photo buys depth, not place, and edges begin to hide their own outline
_MOST_PHOTOS = 6
_ENOUGH_U_MM, _ENOUGH_GAIN = 0.15, 0.10  # finer than the trade sets a gap; and a photo more that brings next to nothing
_DEPTH_STD_MM = 0.7  # of an edge of which nothing is told: hems of 1.5 +- 0.7 mm, common practice, no source
_FRAME_MM = 0.015  # what real paper adds, as the joint measurement has it
_LEAST_OWN_MM = 0.02  # a photo's own part of its reading error; the rest it shares with all others
_BURNT_SHARE, _DARK_STD_MM = 0.3, 0.12
_BY_READING, _BY_DEPTH = ("edge",), ("depth", "tilt_step", "rim")


def next_photo(measurement: Measurement) -> NextPhoto | None:
    """What the next photo of a seam should be after those of one place; None for a refused one, and of a whole seam.

    Parameters
    ----------
    measurement : Measurement
        From one photo or several.
    """
    profile = measurement.profile
    if profile is None or profile.course is not None or any(photo.field is None for photo in measurement.photos):
        return None
    u_now = float(np.median(profile.expanded_u_mm))
    slopes = seen_slopes(measurement)
    tried = {float(k): u_with(measurement, slopes, k) for k in (0.0, _lean(-1), _lean(1))}
    # Of two that promise the same, the one from where no photo was taken yet.
    best = min(tried, key=lambda k: (round(tried[k], 2), -min(abs(k - s) for s in slopes)))
    u_next = tried[best]
    parts = {name: float(np.median(part)) for name, part in profile.parts_mm.items()}
    if parts.get("print_scale", 0.0) > max(u_next / COVERAGE_FACTOR / np.sqrt(2), 0.02):
        rest = np.sqrt(max((u_now / COVERAGE_FACTOR) ** 2 - parts["print_scale"] ** 2, 0.0))
        return NextPhoto(do="check-lines", u_now_mm=u_now, u_next_mm=float(COVERAGE_FACTOR * rest))
    full = len(slopes) >= _MOST_PHOTOS or u_next > (1 - _ENOUGH_GAIN) * u_now
    if u_now <= _ENOUGH_U_MM or full:
        return NextPhoto(do="enough", u_now_mm=u_now, u_next_mm=u_now)
    over = "" if best == 0 else "B" if best > 0 else "A"
    sides = {} if measurement.scale is None else measurement.scale.strip_sides
    strip = min((letter for letter, side in sides.items() if side == over), default="")
    burnt = [edge.burnt_share or 0.0 for edge in (measurement.edge_a, measurement.edge_b) if edge is not None]
    doubtful = np.hypot(parts.get("edge", 0.0), parts.get("shared", 0.0)) / np.sqrt(2) > _DARK_STD_MM
    lamp = "dim" if max(burnt, default=0.0) > _BURNT_SHARE else ""
    if not lamp and measurement.gap_lit == "dark" and doubtful:
        lamp = "light"
    kind = "lean" if over else "square"
    return NextPhoto(do=kind, over=over, strip=strip, lamp=lamp, u_now_mm=u_now, u_next_mm=u_next)


def seen_slopes(measurement: Measurement) -> list[float]:
    """Tangent of each photo's line of sight across the seam in its middle, + from over panel B."""
    profile, out = measurement.profile, list[float]()
    if profile is None or not len(profile.s_mm):
        return out
    first = measurement.photos[0].field
    places = measurement.profile_in_first
    assert first is not None
    assert places is not None
    a, b = (first.to_panel(px, -1.5) for px in (places.edge_a_px, places.edge_b_px))
    across = np.median(b - a, axis=0)
    across /= np.linalg.norm(across)
    middle = np.median(0.5 * (a + b), axis=0)[None]
    for photo in measurement.photos:
        if photo.field is not None:
            sight = photo.field.sight(middle)[0]
            out.append(float(sight[:2] @ across / sight[2]))
    return out


def u_with(measurement: Measurement, slopes: list[float], more: float) -> float:
    """Median U with one photo more that is taken with the tangent ``more`` across the seam [mm].

    Parameters
    ----------
    measurement : Measurement
        As it is now.
    slopes : list of float
        Of its photos.
    more : float
        Of the next.
    """
    profile = measurement.profile
    assert profile is not None
    reading = combine([profile.parts_mm[name] for name in _BY_READING if name in profile.parts_mm])
    sloped = [profile.parts_mm[name] for name in _BY_DEPTH if name in profile.parts_mm]
    depth = combine(sloped) if sloped else np.zeros_like(reading)
    if len(slopes) == 1:
        own, tilt = reading / np.sqrt(2), abs(slopes[0])
        shared = shared_by_photos(own)
        s = np.sqrt(np.maximum(own**2 - shared**2, _LEAST_OWN_MM**2))
        # What the depth's doubt does at this tilt tells the doubt itself; a square photo tells nothing of it.
        doubt = np.clip(depth / np.sqrt(2) / max(tilt, 0.05), 0.1, _DEPTH_STD_MM)
    else:
        doubt = np.full(len(reading), _DEPTH_STD_MM)
        s = _implied(np.hypot(reading, depth) / np.sqrt(2), np.array(slopes), doubt)
    after = np.sqrt(2 * _place_variance(s, np.array([*slopes, more]), doubt))
    rest = [part for name, part in profile.parts_mm.items() if name not in (*_BY_READING, *_BY_DEPTH)]
    if len(slopes) == 1:
        rest += [np.sqrt(2) * shared, np.full(len(s), _FRAME_MM)]
    return float(np.median(COVERAGE_FACTOR * combine([after, *rest])))


def _lean(way: int) -> float:
    return way * float(np.tan(np.radians(_LEAN_DEG)))


def _place_variance(s: FloatArray, slopes: FloatArray, doubt: FloatArray) -> FloatArray:
    """Variance of an edge's place from readings with error s at these slopes, the depth doubted by ``doubt``."""
    count, first, second = len(slopes), slopes.sum(), (slopes**2).sum() + (s / doubt) ** 2
    return np.asarray(s**2 * second / np.maximum(count * second - first**2, 1e-12), float)


def _implied(std: FloatArray, slopes: FloatArray, doubt: FloatArray) -> FloatArray:
    """The reading error that leaves this doubt of an edge's place: halving, for it grows with the error."""
    low, high = np.zeros_like(std), np.full_like(std, 2.0)
    for _ in range(30):
        middle = 0.5 * (low + high)
        more = np.sqrt(_place_variance(middle, slopes, doubt)) < std
        low, high = np.where(more, middle, low), np.where(more, high, middle)
    return low
