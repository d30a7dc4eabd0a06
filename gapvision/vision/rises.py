"""Rules that say where an edge may lie: the chance of every place of a band, from its rises in brightness.

A rise is a change of log light across the seam, signed: above 0 where it gets
lighter.  A panel's edge is a rise of either sign, as sharp as the lens allows,
with little else between it and the middle of the gap.  A rolled flank, a
reflection or a soft shadow is a wide rise; chalk, tape and scratches lie behind
other rises.  No single rule decides (measured on ray-traced seams: 60 to 70 %
right), so the rules give chances, tracking joins them along the seam, and what
stays open between two rises becomes uncertainty.
"""

from __future__ import annotations

from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.model import FloatArray
from gapvision.vision.band import ROW_MM, Band

Image = NDArray[np.float32]

BY_RULES = "rules"
SMOOTH_PX = 0.8  # smoothing across before gradients are taken: less than the lens's own blur
_LOG_FLOOR = 0.004
_RIVAL_STRENGTH = 0.15
_RIVAL_FROM_MM, _RIVAL_REACH_MM = 0.3, 1.6
_LIT_SPAN_LOG, _LIT_BELOW_PANEL_LOG = 0.6, 1.6
_LENS_SIGMA_PX = 1.0
_STRENGTH_WEIGHT, _STRENGTH_CAP = 3.2, 1.6
_CLUTTER_WEIGHT, _CLUTTER_CAP = 1.2, 3.0
_WRONG_WAY = 1.6  # what a rise weighs less that goes from a dark gap to a darker panel, or from a bright to a brighter
_FLOOR_CHANCE = 1e-4
_LEAST_STRENGTH = 0.08
_BACKLIT_LOG = 0.35
_STEADY_STATIONS = 15


def along(values: NDArray[Any], stations: int) -> Image:
    """Mean over neighbouring stations, shape (n_s,) or (n_t, n_s); the ends go on."""
    rows = np.atleast_2d(values).astype(np.float32)
    return cv2.blur(rows, (stations, 1), borderType=cv2.BORDER_REPLICATE).reshape(np.shape(values))


def follow(image: Image, row: NDArray[Any], offsets: NDArray[Any], beyond: int = cv2.BORDER_REPLICATE) -> Image:
    """Values of an image (n_t, n_s) at ``row + offsets``, linear between rows; shape (n_offsets, n_s)."""
    rows = (row[None] + offsets[:, None]).astype(np.float32)
    columns = np.broadcast_to(np.arange(image.shape[1], dtype=np.float32)[None], rows.shape)
    image = np.ascontiguousarray(image, np.float32)
    return cv2.remap(image, np.ascontiguousarray(columns), rows, cv2.INTER_LINEAR, borderMode=beyond)


def smooth_across(image: Image, sigma_mm: float) -> Image:
    """Gaussian smoothing along t of a band (n_t, n_s)."""
    sigma = sigma_mm / ROW_MM
    if sigma < 0.3:
        return image
    kernel = cv2.getGaussianKernel(2 * int(3 * sigma + 0.5) + 1, sigma)
    return cv2.sepFilter2D(image, -1, np.ones(1), kernel, borderType=cv2.BORDER_REPLICATE)


def log_light(linear: Image) -> Image:
    """Logarithm of linear light, with a floor that keeps noise in black small; NaN counts as mid grey."""
    return np.log(np.where(np.isfinite(linear), linear, 0.2) + _LOG_FLOOR).astype(np.float32)


def smooth_log(band: Band) -> Image:
    """Log light of a band, smoothed across by less than the lens did."""
    return smooth_across(log_light(band.linear), SMOOTH_PX / float(np.median(band.px_per_mm)))


def gap_is_bright(band: Band) -> NDArray[np.bool_]:
    """For every station: whether the gap's middle is clearly brighter than both panels (a lit or backlit gap)."""
    log = log_light(band.linear)
    inside = np.median(log[np.abs(band.t_mm) < 0.8], axis=0)
    side_a = np.median(log[(band.t_mm < -5) & (band.t_mm > -9)], axis=0)
    side_b = np.median(log[(band.t_mm > 5) & (band.t_mm < 9)], axis=0)
    # A lamp that goes dim at one end changes slowly: decide over 15 stations.
    return along(inside > np.maximum(side_a, side_b) + _BACKLIT_LOG, _STEADY_STATIONS) > 0.5


def _rises(band: Band) -> tuple[Image, Image]:
    """Rise at every place as the height of one as sharp as the lens allows, and the smoothed log light."""
    log = smooth_log(band)
    pad = np.pad(log, ((0, 0), (1, 1)), mode="edge")
    log = 0.25 * pad[:, :-2] + 0.5 * pad[:, 1:-1] + 0.25 * pad[:, 2:]
    slope = np.gradient(log, ROW_MM, axis=0)
    sharpest_mm = np.hypot(_LENS_SIGMA_PX, SMOOTH_PX) / band.px_per_mm
    return (slope * 2.507 * sharpest_mm[None]).astype(np.float32), log  # root of 2 pi: height of a Gaussian blur's step


def _one_side(rise: Image, bright: NDArray[np.bool_]) -> Image:
    """Chances for one edge; rows run outwards from the middle of the gap."""
    size = np.abs(rise)
    # Ridge: a place counts by the rise whose steepest place it is.
    wide = cv2.dilate(size, np.ones((5, 1), np.uint8))
    ridge = np.where(size >= wide - 1e-6, size, 0.0)
    # Noise in a black gap makes ridges too; what counts must stand out of it.
    inner = size[: round(1.0 / ROW_MM)]
    real = max(_LEAST_STRENGTH, 3.5 * 1.4826 * float(np.median(inner)))
    clutter = np.cumsum(np.where(ridge > real, ridge, 0.0), axis=0) - ridge
    right_way = np.where(bright[None], rise < 0, rise > 0)
    score = _STRENGTH_WEIGHT * np.minimum(ridge, _STRENGTH_CAP) - _CLUTTER_WEIGHT * np.minimum(clutter, _CLUTTER_CAP)
    score = score - np.where(right_way, 0.0, _WRONG_WAY)
    chance = np.where(ridge > real, np.exp(score), 0.0).astype(np.float32)
    kernel = cv2.getGaussianKernel(7, 1.2)
    chance = cv2.sepFilter2D(chance, -1, np.ones(1), kernel, borderType=cv2.BORDER_CONSTANT) + _FLOOR_CHANCE
    chance[: round(0.3 / ROW_MM)] = _FLOOR_CHANCE
    return chance.astype(np.float32)


def rule_chances(band: Band) -> tuple[Image, Image]:
    """Chance of every place of a band to be the visible outline of edge A and of edge B, by the rules alone.

    Parameters
    ----------
    band : Band
        Rectified band, middle of the gap near t = 0.

    Returns
    -------
    chance_a, chance_b : ndarray, shape (n_t, n_s), float32
        Each column sums to 1 (0 where the photo ends).
    """
    rise, _ = _rises(band)
    middle = len(band.t_mm) // 2
    bright = gap_is_bright(band)
    chance_a, chance_b = np.zeros_like(rise), np.zeros_like(rise)
    chance_a[: middle + 1] = _one_side(-rise[middle::-1], bright)[::-1]
    chance_b[middle:] = _one_side(rise[middle:], bright)
    for chance in (chance_a, chance_b):
        chance[~np.isfinite(band.linear)] = 0.0
        total = chance.sum(0)
        chance /= np.where(total > 0, total, 1)
    return chance_a, chance_b


def _steady(image: Image, row: FloatArray) -> Image:
    """Mean over neighbouring stations, taken along the chosen edge; same frame as the band."""
    rows = np.arange(len(image), dtype=np.float32)
    shift = (row - np.median(row)).astype(np.float32)
    return follow(along(follow(image, shift, rows), _STEADY_STATIONS), -shift, rows)


def inner_rival_mm(band: Band, row: FloatArray, outward: int) -> FloatArray:
    """How far inside the chosen place the innermost other rise lies that could be the edge.

    A roll of bare metal or gloss paint mirrors the gap: its true outline is then a
    faint rise further in than the one that meets the eye.

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
    # Noise in a black gap makes rises too, but not the same ones for 15 stations on end.
    rise, log = (_steady(image, row) for image in _rises(band))
    n_t, n_s = rise.shape
    size = np.abs(rise)
    ridge = (size >= cv2.dilate(size, np.ones((9, 1), np.uint8)) - 1e-6) & (rise * outward > _RIVAL_STRENGTH)
    middle = np.clip(np.round(row).astype(int), 0, n_t - 1)
    cols = np.arange(n_s)

    def at(image: NDArray[Any], inside_mm: float) -> NDArray[Any]:
        return image[np.clip(middle - outward * round(inside_mm / ROW_MM), 0, n_t - 1), cols]

    far = np.zeros(n_s)
    lowest = at(log, _RIVAL_FROM_MM - 0.1).astype(float)
    for inside in np.arange(_RIVAL_FROM_MM, _RIVAL_REACH_MM, ROW_MM):
        # The roll stays lighter than the gap all the way out; a small light deep inside does not.
        stays = lowest > at(log, inside + 0.25) + 0.08
        far = np.where(at(ridge, inside) & stays, inside, far)
        lowest = np.minimum(lowest, at(log, inside))
    return np.where(gap_is_bright(band), 0.0, far)


def gap_is_uneven(band: Band, row_a: FloatArray, row_b: FloatArray) -> NDArray[np.bool_]:
    """For every station: whether the gap shows something (flange, seal, wire) instead of one even level.

    Parameters
    ----------
    band : Band
        Rectified band.
    row_a, row_b : ndarray, shape (n_s,)
        Chosen places of both edges, in band rows.
    """
    log = along(smooth_across(log_light(band.linear), 0.1), 9)
    n_t, n_s = log.shape

    def at(rows: FloatArray) -> Image:
        return log[np.clip(np.round(rows).astype(int), 0, n_t - 1), np.arange(n_s)]

    margin = 0.4 / ROW_MM
    share = np.linspace(0, 1, 40)[:, None]
    inside = at((row_a + margin)[None] * (1 - share) + (row_b - margin)[None] * share)
    # A dark gap may grow darker towards its middle; what lies in it makes it rise and fall again, or lights it.
    span = np.percentile(inside, 95, axis=0) - np.percentile(inside, 5, axis=0)
    side = np.maximum(at(row_a - 2 / ROW_MM), at(row_b + 2 / ROW_MM))
    shown = np.max(inside, axis=0) > side - _LIT_BELOW_PANEL_LOG
    return along((span > _LIT_SPAN_LOG) & shown, _STEADY_STATIONS) > 0.4
