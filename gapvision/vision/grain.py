"""How fine noise is left on the strips: what a phone took out of the picture, it took out of the seam as well.

The white rim round the markers is flat print; what varies there from one pixel to the next is noise of the sensor, or
what denoising and JPEG have left of it.  JPEG leaves its noise in runs of pixels; where hardly any is left and that is
independent from pixel to pixel, it is the rounding of a smoothed picture.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from gapvision.model import FloatArray, Photo, StripView
from gapvision.targets.strip import CORNERS_ALONG
from gapvision.vision.detect import eight_bit

# As shares of a square's side of 12 mm: the middle of the white rim of 1.5 mm, and the part of the side that is read.
_RIM, _FROM, _TO = 0.0625, 0.2, 0.8
_LEAST, _LEAST_SIDES, _MOST_SIDES, _LEAST_SIDE_PX = 0.05, 3, 30, 30.0
_CLIPPED = 4.0  # differences larger than so many times the usual are dirt, not noise
_DIRT = 6.0  # the same where the tails of the noise count


class PrintGrain(NamedTuple):
    """Fine noise on the white of the print.

    Attributes
    ----------
    levels : float
        Standard deviation from pixel to pixel, in grey levels of 255.
    run : float
        The same over pairs of pixels against what independent noise would give: 1 where each pixel is for itself.
    tail : float
        Kurtosis of what a pixel differs from its two neighbours: 3 of a sensor's noise (normal), more where some of it
        was taken out here and left there.
    """

    levels: float
    run: float
    tail: float = 3.0


#: Of a usual photo; counts where the strips show too little.
USUAL_GRAIN = PrintGrain(1.0, 1.6)


def print_grain(photo: Photo, views: list[StripView]) -> PrintGrain:
    """Read the fine noise off the strips.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    views : list of StripView
        Strips found in it.
    """
    grey = eight_bit(photo.grey)
    sides = [side for view in views for side in _sides(view)]
    sides = sides[:: max(1, len(sides) // _MOST_SIDES)]
    lines = [line for line in (_white_beside(grey, *side) for side in sides) if line is not None]
    if len(lines) < _LEAST_SIDES:
        return USUAL_GRAIN
    single = _spread(np.concatenate([v[1:] - v[:-1] for v in lines])) / np.sqrt(2)
    pairs = _spread(np.concatenate([(v[2:-1] + v[3:] - v[:-3] - v[1:-2]) / 2 for v in lines]))
    alone = np.concatenate([v[1:-1] - 0.5 * (v[:-2] + v[2:]) for v in lines])
    return PrintGrain(max(single, _LEAST), max(pairs, _LEAST) / max(single, _LEAST), _kurtosis(alone))


def _sides(view: StripView) -> list[tuple[FloatArray, FloatArray]]:
    """Both ends [px] of the sides of squares that run along the strip."""
    order = {int(c): k for k, c in enumerate(view.corner_ids)}
    pairs = [(k, order[c + 1]) for c, k in order.items() if (c + 1) % CORNERS_ALONG and c + 1 in order]
    return [(view.corners_px[k], view.corners_px[n]) for k, n in pairs]


def _white_beside(grey: NDArray[np.uint8], p: FloatArray, q: FloatArray) -> FloatArray | None:
    """Stored grey along the white beside a side, of the nearest pixels; None where there are too few."""
    side = q - p
    if np.hypot(*side) < _LEAST_SIDE_PX:
        return None
    n = int((_TO - _FROM) * np.abs(side).max())
    way = p + np.linspace(_FROM, _TO, n)[:, None] * side
    hands = []
    for hand in (-1, 1):
        x, y = np.round(way + hand * _RIM * np.array([-side[1], side[0]])).astype(int).T
        if x.min() < 0 or y.min() < 0 or x.max() >= grey.shape[1] or y.max() >= grey.shape[0]:
            return None
        hands.append(grey[y, x].astype(float))
    return max(hands, key=lambda values: float(values.mean()))


def _spread(values: FloatArray) -> float:
    """Root mean square of values, without their mean and without what lies far outside."""
    values = values - np.mean(values)
    usual = max(float(np.quantile(np.abs(values), 0.68)), 0.5)
    return float(np.sqrt(np.mean(values[np.abs(values) <= _CLIPPED * usual] ** 2)))


def _kurtosis(values: FloatArray) -> float:
    """Fourth moment over the square of the second, about the mean, without dirt."""
    values = values - np.mean(values)
    usual = max(float(np.quantile(np.abs(values), 0.68)), 0.5)
    square = values[np.abs(values) <= _DIRT * usual] ** 2
    return float(np.mean(square**2)) / max(float(np.mean(square)) ** 2, 1e-9)
