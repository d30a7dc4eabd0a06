"""Read the number of its sheet off a strip (:mod:`gapvision.targets.sheet_code`): a number, or nothing.

Where each cell lies in the photo follows from the strip's own corners.  A bit is the difference between its two cells
over the strip's own black and white; what the copies along the strip say of a bit is averaged.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.model import FloatArray, Notice, Photo, Settings, StripView
from gapvision.targets import sheet_code, strip

_LEAST_CORNERS = 8  # with fewer the homography sways where the code lies
_SMOOTH_CORNERS = 16  # so many carry a bend of the strip and the lens's distortion beside the homography
_BEYOND_MM = 14.0  # how far from the outermost corners cells are believed to lie where the corners say
_SAMPLES = 4  # along and across a cell
_LEAST_CONTRAST = 0.12  # of a bit; of 26 519 places on shared photos, without a code, 99.9 % show less than 0.07
_NEARBY = 10  # pairs of cells either way whose white counts
_LEAST_SPAN = 12.0  # grey levels of 255 between the strip's black and white


def with_sheets(photo: Photo, views: list[StripView]) -> list[StripView]:
    """The same strips, each with the number of its sheet where that could be read."""
    return [replace(view, sheet=read_sheet(photo.grey, view)) for view in views]


def printed_to_scale(views: list[StripView], settings: Settings) -> bool:
    """Whether check lines tell the print scale of every strip; one pair of lengths tells that of one sheet only."""
    if settings.print_scale_checked:
        return len(_numbers(views)) < 2
    return all(settings.print_scale_of(view.sheet)[1] for view in views)


def print_notices(views: list[StripView], settings: Settings) -> list[Notice]:
    """What is to be said of the check lines: nothing, or whose are missing."""
    if printed_to_scale(views, settings):
        return []
    if settings.print_scale_checked:
        sheets = " and ".join(sheet_code.sheet_text(n) for n in _numbers(views))
        message = f"One pair of check lengths was given, but the strips come from sheets {sheets}."
        return [Notice(code="sheets-differ", message=message)]
    missing = [v for v in views if not settings.print_scale_of(v.sheet)[1]]
    numbers = _numbers(missing)
    if not numbers:
        return [Notice(code="print-scale-unchecked")]
    told = ", ".join(
        f"{sheet_code.sheet_text(n)} (strip {', '.join(v.letter for v in missing if v.sheet == n)})" for n in numbers
    )
    return [
        Notice(
            code="print-scale-unchecked",
            message=f"The check lines of sheet {told} were never measured; U allows for a printer that scales.",
            advice="Measure the sheet's 200 mm and 150 mm line with a steel rule and tell both once, "
            f"on the page or with 'gapvision sheet {numbers[0]}'.",
        )
    ]


def _numbers(views: list[StripView]) -> list[int]:
    """The sheets that are known, each once."""
    return sorted({v.sheet for v in views if v.sheet is not None})


def read_sheet(grey: NDArray[Any], view: StripView) -> int | None:
    """Read the number of the sheet that a strip was cut from.

    Parameters
    ----------
    grey : ndarray, shape (H, W), uint8 or uint16
        Of the upright photo.
    view : StripView
        The strip found in it.

    Returns
    -------
    int or None
        None where the strip carries no number, or too little of it shows to be sure.
    """
    soft = bit_contrasts(grey, view)
    return None if soft is None else sheet_code.number_of(_bits(soft))


def _bits(soft: FloatArray) -> list[int | None]:
    """Bits of the word from what each place says, shape (2, places); NaN where a place does not show."""
    copies = soft[_SIDE, _PLACE]
    seen = np.isfinite(copies)
    mean = np.where(seen, copies, 0.0).sum(1) / np.maximum(seen.sum(1), 1)
    # A copy that says the contrary: something lies on one of them, and which is not known.
    doubted = (np.where(seen, copies, 0.0) * np.sign(mean)[:, None] < -_LEAST_CONTRAST).any(1)
    weak = (np.abs(mean) < _LEAST_CONTRAST) | doubted
    return [None if no else int(value > 0) for no, value in zip(weak, mean, strict=True)]


def bit_contrasts(grey: NDArray[Any], view: StripView) -> FloatArray | None:
    """How much darker the first cell of each pair is than the second, over the strip's black and white.

    Returns
    -------
    ndarray, shape (2, 100), or None
        Near and far side; +1 for a clean 1, -1 for a clean 0, about 0 on a strip without a code, NaN out of view.  None
        where the strip shows too little.
    """
    if len(view.corner_ids) < _LEAST_CORNERS or len(set(view.corner_ids // strip.CORNERS_ALONG)) < 2:
        return None
    got = _grey_at(grey, view, _PLACES_MM)
    cells, blacks = got[:, : sheet_code.CELLS_PER_SIDE], got[:, sheet_code.CELLS_PER_SIDE :]
    out = np.full((2, _PAIRS), np.nan)
    for side in range(2):
        pairs, shows = cells[side].reshape(-1, 2), np.isfinite(blacks[side])
        clear = np.isfinite(pairs).all(1)
        if not shows.any() or not clear.any():
            continue
        # The paper's white nearby: one cell of every pair is white, and on a strip without a code both are.
        weight = np.convolve(clear, np.ones(2 * _NEARBY + 1), "same")
        light = np.convolve(np.where(clear, pairs.max(1), 0.0), np.ones(2 * _NEARBY + 1), "same")
        white = light / np.maximum(weight, 1)
        span = white - np.interp(_PAIR_AT_MM, _BLACK_AT_MM[side][shows], blacks[side][shows])
        clear &= span >= _LEAST_SPAN * (1 if grey.dtype == np.uint8 else 257)
        out[side, clear] = (pairs[clear, 1] - pairs[clear, 0]) / span[clear]
    return out


def _grey_at(grey: NDArray[Any], view: StripView, places_mm: FloatArray) -> FloatArray:
    """Mean grey of boxes of places in the strip's frame, shape (2, n, k, 2); NaN out of the photo or far from corners.

    Returns shape (2, n).
    """
    flat = strip.corners_mm()[view.corner_ids]
    h, _ = cv2.findHomography(flat, view.corners_px, 0)
    if h is None:
        return np.full(places_mm.shape[:2], np.nan)
    places = places_mm.reshape(-1, 2)
    px = cv2.perspectiveTransform(places[None], h)[0]
    if len(flat) >= _SMOOTH_CORNERS:
        left = view.corners_px - cv2.perspectiveTransform(flat[None], h)[0]
        px += _smooth(places) @ np.linalg.lstsq(_smooth(flat), left, rcond=None)[0]
    x = px.astype(np.float32)
    got = cv2.remap(grey, x[None, :, 0], x[None, :, 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)[0]
    inside = (px >= 0).all(1) & (px[:, 0] <= grey.shape[1] - 1) & (px[:, 1] <= grey.shape[0] - 1)
    inside &= (places[:, 0] > flat[:, 0].min() - _BEYOND_MM) & (places[:, 0] < flat[:, 0].max() + _BEYOND_MM)
    return np.asarray(np.where(inside, got, np.nan).reshape(places_mm.shape[:-1]).mean(-1), dtype=float)


def _smooth(places: FloatArray) -> FloatArray:
    """Terms of a bend of the paper and of a lens's distortion along a strip."""
    x, y = places[:, 0] / strip.PATTERN_LENGTH_MM - 0.5, places[:, 1] / strip.PATTERN_WIDTH_MM - 0.5
    return np.stack([np.ones_like(x), x, x * x, x**3, y, x * y], 1)


def _boxes(x: FloatArray, y: float, width: float, height: float) -> FloatArray:
    """Sample places in boxes about places x along the strip [mm], shape (n, samples^2, 2)."""
    k = 0.8 * ((np.arange(_SAMPLES) + 0.5) / _SAMPLES - 0.5)
    along, across = (v.ravel() for v in np.meshgrid(width * k, height * k))
    return np.stack([x[:, None] + along, np.broadcast_to(y + across, (len(x), len(across)))], -1)


_PAIRS = sheet_code.CELLS_PER_SIDE // 2
_PAIR_AT_MM = sheet_code.CELL_MM * (2 * np.arange(_PAIRS) + 1)
# The black squares along either side: every second one.
_BLACK_AT_MM = strip.SQUARE_MM * (np.arange(0, strip.SQUARES_ALONG, 2) + np.array([[0.5], [0.5]]))
_BLACK_AT_MM[1] += strip.SQUARE_MM * ((strip.SQUARES_ACROSS - 1) % 2)
_PLACES_MM = np.stack(
    [
        np.concatenate(
            [
                _boxes(
                    sheet_code.CELL_MM * (np.arange(2 * _PAIRS) + 0.5), (low + high) / 2, sheet_code.CELL_MM, high - low
                ),
                _boxes(blacks, strip.SQUARE_MM * (row + 0.5), strip.SQUARE_MM / 2, strip.SQUARE_MM / 2),
            ]
        )
        for (low, high), blacks, row in zip(
            sheet_code.cell_rows_mm(), _BLACK_AT_MM, (0, strip.SQUARES_ACROSS - 1), strict=True
        )
    ]
)
_BIT_AT = np.array([[sheet_code.bit_at(far, k) for k in range(_PAIRS)] for far in (False, True)])
# Of each bit of the word: side and place of its copies.
_SIDE, _PLACE = (np.array([np.nonzero(_BIT_AT == bit)[i] for bit in range(sheet_code.WORD_BITS)]) for i in (0, 1))
