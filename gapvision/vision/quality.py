"""Will the photo do?  Blur, exposure and haze, judged on the strips themselves.

A strip is black and white print of known shape: its own borders tell how sharp the
photo is, and its own black and white how the photo is exposed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import cv2
import numpy as np

from gapvision.intake.light import to_linear
from gapvision.model import Notice, Photo, StripView
from gapvision.vision.detect import count_foreign_markers, count_own_markers, eight_bit, find_strips

_MAX_BLUR_PX, _MAX_BLUR_MM = 3.5, 0.30
_MIN_PX_PER_MM = 3.0
_MIN_PRINT_CONTRAST = 0.62
_MIN_SHARPNESS = 0.12


@dataclass(frozen=True, slots=True)
class StripQuality:
    """How one photo shows its strips.

    Attributes
    ----------
    blur_px : float
        Standard deviation of the lens's blur, from the strips' own edges [px].
    contrast : float
        (white - black) / (white + black) of the print, in linear light.
    px_per_mm : float
        Resolution at the strips.
    """

    blur_px: float
    contrast: float
    px_per_mm: float


def px_per_mm(view: StripView) -> float:
    """Mean resolution at one strip [px per mm]."""
    step_mm = np.diff(view.corners_mm, axis=0)
    step_px = np.diff(view.corners_px, axis=0)
    near = np.abs(step_mm[:, 0]) < 13.0
    if not near.any():
        return float(np.linalg.norm(step_px, axis=1).sum() / np.linalg.norm(step_mm, axis=1).sum())
    return float(np.median(np.linalg.norm(step_px[near], axis=1) / np.linalg.norm(step_mm[near], axis=1)))


def strip_quality(photo: Photo, views: list[StripView]) -> StripQuality:
    """Judge blur and exposure from the squares between neighbouring corners.

    Between two corners 12 mm apart along the strip runs an edge of a black square;
    half-way along it a profile across goes cleanly from black to white.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    views : list of StripView
        Strips found in it.
    """
    blurs, blacks, whites, ppm = [], [], [], []
    grey = photo.grey
    for view in views:
        order = {int(c): k for k, c in enumerate(view.corner_ids)}
        ppm.append(px_per_mm(view))
        for c, k in order.items():
            other = order.get(c + 1)
            if other is None or (c + 1) % 19 == 0:
                continue
            p, q = view.corners_px[k], view.corners_px[other]
            edge = q - p
            length = float(np.hypot(*edge))
            normal = np.array([-edge[1], edge[0]]) / length
            reach = 0.11 * length  # inside the 1.5 mm rim of white round a marker
            n = max(12, int(4 * reach) + 1)
            u = np.linspace(-reach, reach, n)
            along = np.linspace(0.3, 0.7, 7)
            points = p + along[:, None, None] * edge + u[None, :, None] * normal
            points = points.astype(np.float32)
            lo = np.floor(points.reshape(-1, 2).min(0)).astype(int) - 2
            hi = np.ceil(points.reshape(-1, 2).max(0)).astype(int) + 3
            if (lo < 0).any() or hi[0] > grey.shape[1] or hi[1] > grey.shape[0]:
                continue
            patch = to_linear(np.ascontiguousarray(grey[lo[1] : hi[1], lo[0] : hi[0]]))
            local = points - lo.astype(np.float32)
            profile = cv2.remap(patch, local[..., 0], local[..., 1], cv2.INTER_LINEAR).mean(0)
            if profile[0] > profile[-1]:
                profile = profile[::-1]
            low, high = float(profile[: n // 6 + 1].mean()), float(profile[-(n // 6 + 1) :].mean())
            if high - low < 0.01:
                continue
            z = np.clip((profile - low) / (high - low), 0, 1)
            # Second moment of the gradient is the blur's variance (plus that of linear sampling, small).
            g = np.maximum(np.diff(z), 0)
            um = 0.5 * (u[1:] + u[:-1])
            m = (g * um).sum() / g.sum()
            blurs.append(float(np.sqrt((g * (um - m) ** 2).sum() / g.sum())))
            blacks.append(low)
            whites.append(high)
    if not blurs:
        return StripQuality(math.nan, math.nan, float(np.median(ppm)) if ppm else math.nan)
    black, white = float(np.median(blacks)), float(np.median(whites))
    return StripQuality(float(np.median(blurs)), (white - black) / max(white + black, 1e-6), float(np.median(ppm)))


def sharpness_anywhere(photo: Photo) -> float:
    """Largest local gradient in the picture relative to its contrast; below about 0.1 nothing is sharp."""
    grey = eight_bit(photo.grey)
    scale = min(1.0, 2016 / max(grey.shape))
    small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA).astype(np.float32)
    gx, gy = cv2.Sobel(small, cv2.CV_32F, 1, 0, scale=0.125), cv2.Sobel(small, cv2.CV_32F, 0, 1, scale=0.125)
    size = np.hypot(gx, gy)
    span = float(np.percentile(small, 99.5) - np.percentile(small, 0.5))
    return float(np.percentile(size, 99.8)) / max(span, 1.0)


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
    views = find_strips(photo)
    if not views:
        return [no_strip_notice(photo)]
    notices = []
    corners = sum(len(v.corner_ids) for v in views)
    if corners < 12:
        notices.append(Notice(code="too-few-corners"))
    quality = strip_quality(photo, views)
    notices += quality_notices(quality)
    hidden = [v.letter for v in views if len(v.corner_ids) < 30]
    if hidden:
        notices.append(
            Notice(
                code="strip-damaged",
                message=f"Part of strip {', '.join(hidden)} is hidden, dirty, torn or out of view.",
            )
        )
    return notices


def quality_notices(quality: StripQuality) -> list[Notice]:
    """Notices on blur, size and haze from the strips' own print."""
    out = []
    if quality.blur_px > _MAX_BLUR_PX and quality.blur_px / quality.px_per_mm > _MAX_BLUR_MM:  # never of a NaN
        out.append(Notice(code="photo-blurred"))
    if quality.px_per_mm < _MIN_PX_PER_MM:
        out.append(
            Notice(
                code="strip-too-small", message=f"The photo shows only {quality.px_per_mm:.1f} pixels per millimetre."
            )
        )
    if quality.contrast < _MIN_PRINT_CONTRAST:
        out.append(Notice(code="lens-smeared"))
    return out


def no_strip_notice(photo: Photo) -> Notice:
    """Why no strip was found: a foreign target, a blurred photo, or none in view."""
    if count_own_markers(photo) >= 1:
        return Notice(code="too-few-corners")
    if sharpness_anywhere(photo) < _MIN_SHARPNESS:
        return Notice(code="photo-blurred")
    if count_foreign_markers(photo) >= 4:
        return Notice(code="foreign-target")
    return Notice(code="strip-not-found")
