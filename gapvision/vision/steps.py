"""Rules that say where an edge may lie: the chance of every place of a band, from its steps in log light.

A panel's edge is a step as sharp as the lens allows, of whichever polarity, with
little else between it and the middle of the gap.  A rolled flank, a reflection or
a soft shadow is a wide step; chalk, tape and scratches lie behind other steps.
No single rule decides (measured on ray-traced seams: 60 to 70 % right), so the
rules give chances, tracking joins them along the seam, and what stays open
between two steps becomes uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.vision.band import BAND_STEP_MM, Band

FloatArray = NDArray[np.float32]

LOG_FLOOR = 0.004
RULES = "rules"
_RIVAL_STRENGTH = 0.15
_RIVAL_FROM_MM, _RIVAL_REACH_MM = 0.3, 1.6
_LIT_SPAN_LOG, _LIT_BELOW_PANEL_LOG = 0.6, 1.6
_SMOOTH_PX = 0.8
_LENS_SIGMA_PX = 1.0
_STRENGTH_WEIGHT = 3.2
_STRENGTH_CAP = 1.6
_CLUTTER_WEIGHT = 1.2
_CLUTTER_CAP = 3.0
_FLOOR_CHANCE = 1e-4
_LEAST_STRENGTH = 0.08
_BACKLIT_LOG = 0.35


@dataclass(frozen=True, slots=True, eq=False)
class EdgeChances:
    """Chance of every place of the band to be the edge's visible outline.

    Attributes
    ----------
    chance_a, chance_b : ndarray, shape (n_t, n_s), float32
        Each column sums to 1 (0 where the photo ends).
    method : str
        ``rules`` or the model's version.
    """

    chance_a: FloatArray
    chance_b: FloatArray
    method: str


def smooth_across(image: FloatArray, sigma_mm: float) -> FloatArray:
    """Gaussian smoothing along t of a band (n_t, n_s)."""
    sigma = sigma_mm / BAND_STEP_MM
    if sigma < 0.3:
        return image
    kernel = cv2.getGaussianKernel(2 * int(3 * sigma + 0.5) + 1, sigma)
    return cv2.sepFilter2D(image, -1, np.ones(1), kernel, borderType=cv2.BORDER_REPLICATE)


def log_light(linear: FloatArray) -> FloatArray:
    """Logarithm of linear light, with a floor that keeps noise in black small; NaN counts as mid grey."""
    return np.log(np.where(np.isfinite(linear), linear, 0.2) + LOG_FLOOR).astype(np.float32)


def gap_is_bright(band: Band) -> NDArray[np.bool_]:
    """For every station: whether the gap's middle is clearly brighter than both panels (a lit or backlit gap)."""
    log = log_light(band.linear)
    middle = np.abs(band.t_mm) < 0.8
    inside = np.median(log[middle], axis=0)
    side_a = np.median(log[(band.t_mm < -5) & (band.t_mm > -9)], axis=0)
    side_b = np.median(log[(band.t_mm > 5) & (band.t_mm < 9)], axis=0)
    raw = (inside > np.maximum(side_a, side_b) + _BACKLIT_LOG).astype(np.float32)
    # A lamp that goes dim at one end changes slowly: decide over 15 stations.
    return np.asarray(cv2.blur(raw[None], (15, 1), borderType=cv2.BORDER_REPLICATE)[0] > 0.5)


def _strength(band: Band) -> tuple[FloatArray, FloatArray]:
    """Signed gradient in log light as the height of a lens-sharp step, and the smoothed log light."""
    sigma = _SMOOTH_PX / float(np.median(band.px_per_mm))
    log = smooth_across(log_light(band.linear), sigma)
    pad = np.pad(log, ((0, 0), (1, 1)), mode="edge")
    log = 0.25 * pad[:, :-2] + 0.5 * pad[:, 1:-1] + 0.25 * pad[:, 2:]
    grad = np.gradient(log, BAND_STEP_MM, axis=0)
    total = np.hypot(_LENS_SIGMA_PX, _SMOOTH_PX) / band.px_per_mm
    return (grad * 2.507 * total[None]).astype(np.float32), log


def _one_side(step: FloatArray, bright: NDArray[np.bool_]) -> FloatArray:
    """Chances for one edge; rows run outwards from the middle of the gap. step > 0: brighter outwards."""
    size = np.abs(step)
    # Ridge: a place counts by the step whose steepest place it is.
    wide = cv2.dilate(size, np.ones((5, 1), np.uint8))
    ridge = np.where(size >= wide - 1e-6, size, 0.0)
    # Noise in a black gap makes ridges too; what counts must stand out of it.
    inner = size[: round(1.0 / BAND_STEP_MM)]
    real = max(_LEAST_STRENGTH, 3.5 * 1.4826 * float(np.median(inner)))
    clutter = np.cumsum(np.where(ridge > real, ridge, 0.0), axis=0) - ridge
    right_way = np.where(bright[None], step < 0, step > 0)
    score = _STRENGTH_WEIGHT * np.minimum(ridge, _STRENGTH_CAP) - _CLUTTER_WEIGHT * np.minimum(clutter, _CLUTTER_CAP)
    score = score - np.where(right_way, 0.0, 1.6)
    chance = np.where(ridge > real, np.exp(score), 0.0)
    chance = cv2.sepFilter2D(
        chance.astype(np.float32), -1, np.ones(1), cv2.getGaussianKernel(7, 1.2), borderType=cv2.BORDER_CONSTANT
    )
    return (chance + _FLOOR_CHANCE).astype(np.float32)


def rule_chances(band: Band) -> EdgeChances:
    """Chances by the rules alone.

    Parameters
    ----------
    band : Band
        Rectified band, middle of the gap near t = 0.

    Returns
    -------
    EdgeChances
    """
    step, _ = _strength(band)
    middle = len(band.t_mm) // 2
    bright = gap_is_bright(band)
    valid = np.isfinite(band.linear)
    inner = round(0.3 / BAND_STEP_MM)
    out_b = _one_side(step[middle:], bright)
    out_a = _one_side(-step[middle::-1], bright)
    for out in (out_a, out_b):
        out[:inner] = _FLOOR_CHANCE
    chance_a = np.zeros_like(step)
    chance_b = np.zeros_like(step)
    chance_a[: middle + 1] = out_a[::-1]
    chance_b[middle:] = out_b
    for chance in (chance_a, chance_b):
        chance[~valid] = 0.0
        total = chance.sum(0)
        chance /= np.where(total > 0, total, 1)
    return EdgeChances(chance_a=chance_a, chance_b=chance_b, method=RULES)


def _steady(step: FloatArray, row: NDArray[np.float64], window: int = 15) -> FloatArray:
    """Mean of the signed steps over neighbouring stations, taken along the chosen edge; same frame as the band."""
    n_t, n_s = step.shape
    index = np.arange(n_t, dtype=np.float32)
    shift = (row - np.median(row)).astype(np.float32)
    cols = np.broadcast_to(np.arange(n_s, dtype=np.float32)[None], step.shape).copy()
    level = cv2.remap(
        step, cols, (index[:, None] + shift[None]).astype(np.float32), cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    level = cv2.blur(level, (window, 1), borderType=cv2.BORDER_REPLICATE)
    return cv2.remap(
        level,
        cols,
        (index[:, None] - shift[None]).astype(np.float32),
        cv2.INTER_LINEAR,
        borderMode=cv2.BORDER_REPLICATE,
    )


def inner_rival_mm(band: Band, row: NDArray[np.float64], outward: int) -> NDArray[np.float64]:
    """How far inside the chosen place the innermost other step lies that could be the edge.

    A roll of bare metal or gloss paint mirrors the gap: its true outline is then a
    faint step further in than the one that meets the eye.

    Parameters
    ----------
    band : Band
        Rectified band.
    row : ndarray, shape (n_s,)
        Chosen place, in band rows.
    outward : int
        +1 for edge B, -1 for edge A.

    Returns
    -------
    ndarray, shape (n_s,)
        Distance [mm], 0 where there is none within 1.6 mm.
    """
    step, log = _strength(band)
    n_t, n_s = step.shape
    # Noise in a black gap makes steps too, but not the same ones for 15 stations on end.
    step, log = _steady(step, row), _steady(log, row)
    size = np.abs(step)
    ridge = (size >= cv2.dilate(size, np.ones((9, 1), np.uint8)) - 1e-6) & (step * outward > _RIVAL_STRENGTH)
    middle = np.clip(np.round(row).astype(int), 0, n_t - 1)
    cols = np.arange(n_s)

    def at(image: NDArray[Any], inside_mm: float) -> NDArray[Any]:
        return image[np.clip(middle - outward * round(inside_mm / BAND_STEP_MM), 0, n_t - 1), cols]

    far = np.zeros(n_s)
    lowest = at(log, _RIVAL_FROM_MM - 0.1).astype(float)
    for inside in np.arange(_RIVAL_FROM_MM, _RIVAL_REACH_MM, BAND_STEP_MM):
        # The roll stays lighter than the gap all the way out; a small light deep inside does not.
        stays = lowest > at(log, inside + 0.25) + 0.08
        far = np.where(at(ridge, inside) & stays, inside, far)
        lowest = np.minimum(lowest, at(log, inside))
    return np.where(gap_is_bright(band), 0.0, far)


def gap_is_uneven(band: Band, row_a: NDArray[np.float64], row_b: NDArray[np.float64]) -> NDArray[np.bool_]:
    """For every station: whether the gap shows something (flange, seal, wire) instead of one even level.

    Parameters
    ----------
    band : Band
        Rectified band.
    row_a, row_b : ndarray, shape (n_s,)
        Chosen places of both edges, in band rows.
    """
    log = cv2.blur(smooth_across(log_light(band.linear), 0.1), (9, 1), borderType=cv2.BORDER_REPLICATE)
    n_t, n_s = log.shape
    margin = 0.4 / BAND_STEP_MM
    share = np.linspace(0, 1, 40)[:, None]
    rows = np.clip(
        np.round((row_a + margin)[None] * (1 - share) + (row_b - margin)[None] * share).astype(int), 0, n_t - 1
    )
    inside = log[rows, np.arange(n_s)[None]]
    # A dark gap may grow darker towards its middle; what lies in it makes it rise and fall again, or lights it.
    span = np.percentile(inside, 95, axis=0) - np.percentile(inside, 5, axis=0)
    side = np.maximum(
        log[np.clip(np.round(row_a - 2 / BAND_STEP_MM).astype(int), 0, n_t - 1), np.arange(n_s)],
        log[np.clip(np.round(row_b + 2 / BAND_STEP_MM).astype(int), 0, n_t - 1), np.arange(n_s)],
    )
    shown = np.max(inside, axis=0) > side - _LIT_BELOW_PANEL_LOG
    raw = ((span > _LIT_SPAN_LOG) & shown).astype(np.float32)
    return np.asarray(cv2.blur(raw[None], (15, 1), borderType=cv2.BORDER_REPLICATE)[0] > 0.4)
