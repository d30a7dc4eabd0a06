"""Will the photo do?  Blur, exposure and haze, judged on the strips themselves.

A strip is black and white print of known shape: its own borders tell how sharp the
photo is, and its own black and white how the photo is exposed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.intake.light import encode_srgb, to_linear
from gapvision.model import Notice, Photo, StripView
from gapvision.targets.strip import CORNERS_ALONG
from gapvision.vision.detect import FoundStrips, count_foreign_markers, count_own_markers, eight_bit, look_for_strips
from gapvision.vision.grain import USUAL_GRAIN, PrintGrain, print_grain

FloatArray = NDArray[np.float64]

# Across a side, as a share of its length: deep into the black, and inside the 1.5 mm rim of white round a marker.
_INTO_BLACK, _INTO_WHITE, _SAMPLES, _ALONG_SIDE = 0.27, 0.12, 79, np.linspace(0.3, 0.7, 7)
_QUARTERS = 1.349  # between the quartiles of a normal distribution, in its standard deviation
_LEAST_SPAN = 0.01
_MAX_BLUR_PX, _MAX_BLUR_MM = 3.5, 0.30
_MIN_PX_PER_MM = 3.0
_MIN_PRINT_CONTRAST = 0.62
_DARKEST, _EVERY, _HAZE_SHARE = 0.0005, 8, 0.5  # share of the pixels, and of which each way one counts
_FULL_SIDE_PX, _REDUCED_SIDE_PX = 4000, 2500  # of a phone's photo; a smaller one is a copy; common practice, no source
_EDGE_WINDOW_PX, _STEEPEST, _BLURRED_EDGE_PX = 25, 5e-4, 2.5 * _MAX_BLUR_PX


@dataclass(frozen=True, slots=True, eq=False)
class StripQuality:
    """How one photo shows its strips.

    Attributes
    ----------
    blur_px : float
        Standard deviation of the blur, from the strips' own print, along or across, whichever is more [px].
    contrast : float
        (white - black) / (white + black) of the print, in linear light.
    px_per_mm : float
        Resolution at the strips.
    sides_px : ndarray, shape (n, 2)
        Where sides of squares along the strips were seen [px].
    side_blur_px : ndarray, shape (n,)
        Blur across each: a picture may be blurred in part [px].
    halo : float
        How far sharpening lifts the white beside a black square, as a share of the step.
    black : float
        Linear light of the printed black; NaN where none was seen.
    grain : PrintGrain
        Fine noise on the print.
    """

    blur_px: float
    contrast: float
    px_per_mm: float
    sides_px: FloatArray = field(default_factory=lambda: np.zeros((0, 2)))
    side_blur_px: FloatArray = field(default_factory=lambda: np.zeros(0))
    halo: float = 0.0
    black: float = math.nan
    grain: PrintGrain = USUAL_GRAIN

    @property
    def paper(self) -> float:
        """Linear light of the strips' white paper; NaN where none was seen."""
        return self.black * (1 + self.contrast) / max(1 - self.contrast, 1e-6)


def px_per_mm(view: StripView) -> float:
    """Mean resolution at one strip [px per mm]."""
    step_mm = np.diff(view.corners_mm, axis=0)
    step_px = np.diff(view.corners_px, axis=0)
    near = np.abs(step_mm[:, 0]) < 13.0
    if not near.any():
        return float(np.linalg.norm(step_px, axis=1).sum() / np.linalg.norm(step_mm, axis=1).sum())
    return float(np.median(np.linalg.norm(step_px[near], axis=1) / np.linalg.norm(step_mm[near], axis=1)))


def strip_quality(photo: Photo, views: list[StripView]) -> StripQuality:
    """Judge blur, halo and exposure from the sides of the squares between neighbouring corners.

    Between two corners 12 mm apart runs the side of a black square; half-way along it a profile across goes cleanly
    from black to white.  Its blur is told from the way between a quarter and three quarters of the rise: a halo lies
    outside it and noise hardly moves it, while both enter the second moment of the slope.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    views : list of StripView
        Strips found in it.
    """
    px = float(np.median([px_per_mm(view) for view in views])) if views else math.nan
    across, along = (
        np.concatenate([_side_figures(photo, view, step) for view in views] or [np.zeros((0, 6))])
        for step in (1, CORNERS_ALONG)
    )
    if not len(across):
        return StripQuality(math.nan, math.nan, px)
    blur_across, halo, black, white = (float(v) for v in np.median(across[:, :4], axis=0))
    blur_along, halo_along = (float(v) for v in np.median(along, axis=0)[:2]) if len(along) else (blur_across, halo)
    return StripQuality(
        blur_px=max(blur_across, blur_along),
        contrast=(white - black) / max(white + black, 1e-6),
        px_per_mm=px,
        sides_px=across[:, 4:],
        side_blur_px=across[:, 0],
        halo=max(halo, halo_along),
        black=black,
        grain=print_grain(photo, views),
    )


def _side_figures(photo: Photo, view: StripView, step: int) -> FloatArray:
    """Blur [px], halo, black, white and place [px] of the sides between corners ``step`` apart in number, (n, 6)."""
    order = {int(c): k for k, c in enumerate(view.corner_ids)}
    pairs = [(k, order[c + step]) for c, k in order.items() if c + step in order]
    if step == 1:  # the last corner of a row has no neighbour in it
        pairs = [(k, other) for k, other in pairs if (view.corner_ids[k] + 1) % CORNERS_ALONG]
    if not pairs:
        return np.zeros((0, 6))
    p, q = view.corners_px[[k for k, _ in pairs]], view.corners_px[[k for _, k in pairs]]
    side = q - p
    length = np.linalg.norm(side, axis=1)
    normal = np.stack([-side[:, 1], side[:, 0]], 1) / length[:, None]
    # Black squares alternate: the first side of a row has its square on one hand, the next on the other.
    mid = 0.5 * (p + q)
    into = (0.1 * length)[:, None] * normal
    hands = [_values(photo.grey, mid + k * into) for k in (-1, 1)]
    normal = np.where((hands[0] <= hands[1])[:, None], normal, -normal)
    share = np.linspace(-_INTO_BLACK, _INTO_WHITE, _SAMPLES)
    start = p[:, None] + _ALONG_SIDE[None, :, None] * side[:, None]
    points = start[:, :, None] + (share[None] * length[:, None])[:, None, :, None] * normal[:, None, None]
    h, w = photo.grey.shape
    inside = ((points > 2) & (points < np.array([w, h]) - 3)).all((1, 2, 3))
    points, length = points[inside].astype(np.float32), length[inside]
    if not len(points):
        return np.zeros((0, 6))
    lo = np.floor(points.min((0, 1, 2))).astype(int) - 1
    hi = np.ceil(points.max((0, 1, 2))).astype(int) + 2
    patch = to_linear(np.ascontiguousarray(photo.grey[lo[1] : hi[1], lo[0] : hi[0]]))
    at = (points - lo.astype(np.float32)).reshape(len(points), -1, 2)
    light = cv2.remap(patch, at[..., 0], at[..., 1], cv2.INTER_LINEAR)
    profile = light.reshape(len(points), len(_ALONG_SIDE), _SAMPLES).mean(1).astype(float)
    low, high = np.median(profile[:, : _SAMPLES // 4], axis=1), np.median(profile[:, -(_SAMPLES // 12) :], axis=1)
    # Much blur reaches across the rim of white; but on the line from corner to corner half of the rise is done.
    high = np.maximum(high, 2 * profile[:, np.abs(share).argmin()] - low)
    plain = high - low > _LEAST_SPAN
    profile, low, high, length = profile[plain], low[plain], high[plain], length[plain]
    place = points[plain].mean((1, 2))
    z = (profile - low[:, None]) / (high - low)[:, None]
    # Crossings are looked for outwards from the middle of the rise: what a halo does further out does not count.
    middle = _crossing(z, np.full(len(z), int(np.abs(share).argmin())), 0.5)
    start_at = np.clip(np.round(middle), 1, _SAMPLES - 2).astype(int)
    width = (_crossing(z, start_at, 0.75) - _crossing(z, start_at, 0.25)) * length * (share[1] - share[0])
    # The halo lies on both hands; where the one is cut off by black or white, the other still shows.
    stored = encode_srgb(profile)
    at_low, at_high = encode_srgb(low), encode_srgb(high)
    halo = np.maximum(stored.max(1) - at_high, at_low - stored.min(1)) / (at_high - at_low)
    return np.column_stack([width / _QUARTERS, np.maximum(halo, 0), low, high, place])


def _values(grey: NDArray[Any], places: FloatArray) -> FloatArray:
    """Stored grey at the pixels nearest to places (n, 2)."""
    x, y = np.round(places).astype(int).T
    return np.asarray(grey[np.clip(y, 0, grey.shape[0] - 1), np.clip(x, 0, grey.shape[1] - 1)], float)


def _crossing(z: FloatArray, start: NDArray[np.int64], level: float) -> FloatArray:
    """Where each rising profile (n, samples) passes a level nearest to a sample, between samples, shape (n,)."""
    below, above = z[:, :-1], z[:, 1:]
    passes = (below < level) & (above >= level)
    i = np.arange(z.shape[1] - 1)
    away = np.where(passes, np.abs(i[None] + 0.5 - start[:, None]), np.inf)
    k = away.argmin(1)
    rows = np.arange(len(z))
    rise = np.maximum(above[rows, k] - below[rows, k], 1e-9)
    return np.where(passes.any(1), k + (level - below[rows, k]) / rise, start.astype(float))


def edge_width_px(photo: Photo) -> float:
    """How wide the steepest edges of the picture are, whatever their contrast [px]: 2.5 times the blur's deviation.

    The height of a step over its steepest slope; about a step blurred by a normal distribution that is sqrt(2 pi) times
    its standard deviation.
    """
    grey = eight_bit(photo.grey).astype(np.float32)
    slope = np.hypot(*(cv2.Sobel(grey, cv2.CV_32F, *way, scale=0.125) for way in ((1, 0), (0, 1))))
    window = np.ones((_EDGE_WINDOW_PX, _EDGE_WINDOW_PX), np.uint8)
    steepest = slope >= np.quantile(slope[::4, ::4], 1 - _STEEPEST)
    height = cv2.dilate(grey, window) - cv2.erode(grey, window)
    return float(np.median(height[steepest] / np.maximum(slope[steepest], 1e-3)))


def quick_check(photo: Photo) -> list[Notice]:
    """Tell at once whether a photo will do, without measuring it.

    Parameters
    ----------
    photo : Photo
        Upright photo.

    Returns
    -------
    list of Notice
        Empty: good.  A refusal comes first.
    """
    found = look_for_strips(photo)
    views = found.views
    if not views:
        return [no_strip_notice(photo, found.mirrored)]
    notices = unused_notices(found)
    corners = sum(len(v.corner_ids) for v in views)
    if corners < 12:
        notices.append(Notice(code="too-few-corners"))
    quality = strip_quality(photo, views)
    notices += quality_notices(quality, photo)
    hidden = [v.letter for v in views if len(v.corner_ids) < 30]
    if hidden:
        notices.append(
            Notice(
                code="strip-damaged",
                message=f"Part of strip {', '.join(hidden)} is hidden, dirty, torn or out of view.",
            )
        )
    return notices


def quality_notices(quality: StripQuality, photo: Photo) -> list[Notice]:
    """Notices on blur, size and haze from the strips' own print."""
    out = []
    if quality.blur_px > _MAX_BLUR_PX and quality.blur_px / quality.px_per_mm > _MAX_BLUR_MM:  # never of a NaN
        out.append(Notice(code="photo-blurred"))
    if quality.px_per_mm < _MIN_PX_PER_MM:
        side = max(photo.grey.shape)
        if side <= _REDUCED_SIDE_PX and quality.px_per_mm * _FULL_SIDE_PX / side >= _MIN_PX_PER_MM:
            message = f"The photo is a reduced copy of {photo.width_px} x {photo.height_px} pixels, "
            out.append(Notice(code="photo-reduced", message=message + f"{quality.px_per_mm:.1f} to the millimetre."))
        else:
            message = f"The photo shows only {quality.px_per_mm:.1f} pixels per millimetre."
            out.append(Notice(code="strip-too-small", message=message))
    if quality.contrast < _MIN_PRINT_CONTRAST:
        # Haze lies over everything: where something else is black, the strip's own black is grey.
        hazy = darkest_light(photo) >= _HAZE_SHARE * (1 - quality.contrast) / (1 + quality.contrast)
        out.append(Notice(code="lens-smeared" if hazy else "print-pale"))
    return out


def darkest_light(photo: Photo) -> float:
    """Linear light of the darkest places of the picture, white = 1."""
    dark = np.quantile(photo.grey[::_EVERY, ::_EVERY], _DARKEST, method="nearest")
    return float(to_linear(np.array([dark], photo.grey.dtype))[0])


def unused_notices(found: FoundStrips) -> list[Notice]:
    """Strips in view that cannot be used."""
    out = []
    if found.repeated:
        which = ", ".join(found.repeated)
        out.append(Notice(code="strip-repeated", message=f"Two strips {which} are in the photo; only one was used."))
    if found.mirrored:
        out.append(Notice(code="strip-mirrored"))
    return out


def no_strip_notice(photo: Photo, mirrored: bool = False) -> Notice:
    """Why no strip was found: a mirrored picture, a foreign target, a blurred photo, or none in view."""
    if mirrored:
        return Notice(code="photo-mirrored")
    if count_own_markers(photo) >= 1:
        return Notice(code="too-few-corners")
    if edge_width_px(photo) > _BLURRED_EDGE_PX:
        return Notice(code="photo-blurred")
    if count_foreign_markers(photo) >= 4:
        return Notice(code="foreign-target")
    return Notice(code="strip-not-found")
