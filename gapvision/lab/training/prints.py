"""A piece of a printed strip beside a rendered seam, so that what a phone does to the seam also shows on print."""

from __future__ import annotations

from functools import lru_cache

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.lab.scenes.photo import cells_of
from gapvision.model import StripView
from gapvision.targets import strip

Image = NDArray[np.float32]

_COLUMNS = 6  # squares of the piece: 72 mm of strip
_FINE = 3  # samples a pixel each way
_CELLS_PER_MM = 112 / 12
_EDGE_PX = 12


@lru_cache(maxsize=1)
def _cells() -> NDArray[np.uint8]:
    piece = cells_of("A")[:, : round(_COLUMNS * strip.SQUARE_MM * _CELLS_PER_MM)]
    return np.where(piece, 0, 255).astype(np.uint8)


def with_print(light: Image, px_per_mm: float, rng: np.random.Generator) -> tuple[Image, StripView]:
    """Lay a piece of strip under a rendered crop.

    Parameters
    ----------
    light : ndarray, shape (H, W, 3), float32
        Linear light, 1 = clipping.
    px_per_mm : float
        Resolution of the print.
    rng : numpy.random.Generator
        Draws how light the paper and how dark the toner is, and how the strip is turned.

    Returns
    -------
    light : ndarray, shape (H + h, W', 3), float32
        The crop above, the strip below it; wider where the strip is.
    view : StripView
        The corners of its squares in that picture.
    """
    angle = np.radians(rng.uniform(-9, 9))
    white = float(np.exp(rng.uniform(np.log(0.35), np.log(0.95))))
    black = white * rng.uniform(0.03, 0.09)
    turn = np.array([[np.cos(angle), -np.sin(angle)], [np.sin(angle), np.cos(angle)]]) * px_per_mm
    size_mm = np.array([_COLUMNS * strip.SQUARE_MM, strip.PATTERN_WIDTH_MM])
    corners = np.array([[0, 0], [size_mm[0], 0], size_mm, [0, size_mm[1]]]) @ turn.T
    shift = _EDGE_PX - corners.min(0) + rng.uniform(0, 1, 2)
    w, h = (int(v) for v in np.ceil(corners.max(0) + shift + _EDGE_PX))
    # Cells to fine samples; the centre of pixel 0 is at 0.
    matrix = np.column_stack([turn / _CELLS_PER_MM, shift]) * _FINE
    matrix[:, 2] += (_FINE - 1) / 2
    fine = cv2.warpAffine(_cells(), matrix, (w * _FINE, h * _FINE), flags=cv2.INTER_NEAREST, borderValue=(255.0,))
    tone = cv2.resize(fine, (w, h), interpolation=cv2.INTER_AREA).astype(np.float32) / 255
    uneven = 1 + rng.uniform(-0.1, 0.1) * np.linspace(-1, 1, w, dtype=np.float32)[None]
    paper = (black + (white - black) * tone) * uneven
    tint = light.reshape(-1, 3).mean(0)
    colour = np.clip(tint / max(float(tint.mean()), 1e-6), 0.8, 1.25).astype(np.float32)
    out = np.full((light.shape[0] + h, max(light.shape[1], w), 3), white, np.float32)
    out[: light.shape[0], : light.shape[1]] = light
    out[light.shape[0] :, :w] = paper[..., None] * colour
    ids, places = [], []
    for row in range(strip.CORNERS_ACROSS):
        for column in range(_COLUMNS - 1):
            ids.append(row * strip.CORNERS_ALONG + column)
            places.append([(column + 1) * strip.SQUARE_MM, (row + 1) * strip.SQUARE_MM])
    mm = np.array(places)
    # A cell's index 0 is the left border of the pattern, half a cell left of its centre.
    px = mm @ turn.T + shift + [0, light.shape[0]] - 0.5 * turn.sum(1) / _CELLS_PER_MM
    return out, StripView(letter="A", corner_ids=np.array(ids), corners_px=px, corners_mm=mm)
