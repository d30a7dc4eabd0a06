"""What the printed strip is: squares, marker ids, letters, and its own frame in mm.

One strip is ``cv2.aruco.CharucoBoard((20, 3), 12.0, 9.0, DICT_5X5_250, ids)``
with marker ids 30 k to 30 k + 29 for letter number k (A = 0), legacy pattern
off.  The pattern is 240 x 36 mm; with a white margin of 4 mm all round the
strip is 248 x 44 mm.

A short strip is ``CharucoBoard((10, 3), ...)`` with ids 30 k to 30 k + 14: 120 x 36 mm.  Its markers stand in another
order than those of a whole strip, so that half of a whole one is never taken for it.  Its corners have the numbers of
those of a whole strip in the same places.

The strip's own frame has its origin at the pattern's top-left corner as it is
printed, x along the 240 mm and y down across the 36 mm, both in mm of the
artwork (before the print scale is applied).  Corner 0 is at (12, 12); the
numbers run along the strip first: corners 0 to 18 at y = 12, 19 to 37 at y = 24.

Nothing here imports OpenCV until a board is asked for.
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    import cv2

STRIP_LETTERS = "ABCDEFGH"
SQUARES_ALONG, SQUARES_ACROSS = 20, 3
SQUARE_MM, MARKER_MM = 12.0, 9.0
#: Modules on one side of a marker: 5 of code and the black border all round.
MARKER_MODULES = 7
MODULE_MM = MARKER_MM / MARKER_MODULES
PATTERN_LENGTH_MM, PATTERN_WIDTH_MM = SQUARES_ALONG * SQUARE_MM, SQUARES_ACROSS * SQUARE_MM
MARGIN_MM = 4.0
STRIP_LENGTH_MM, STRIP_WIDTH_MM = PATTERN_LENGTH_MM + 2 * MARGIN_MM, PATTERN_WIDTH_MM + 2 * MARGIN_MM
#: Of a short strip.
SHORT_SQUARES_ALONG = 10
SHORT_LENGTH_MM = SHORT_SQUARES_ALONG * SQUARE_MM
MARKERS_PER_STRIP = SQUARES_ALONG * SQUARES_ACROSS // 2
CORNERS_ALONG, CORNERS_ACROSS = SQUARES_ALONG - 1, SQUARES_ACROSS - 1
CORNERS_PER_STRIP = CORNERS_ALONG * CORNERS_ACROSS
#: Paper on a magnetic sheet: height of the printed face above its panel [mm].
FACE_HEIGHT_MM = 0.5
#: Printed check lines of each sheet: along the strips and across them [mm].
CHECK_ALONG_MM, CHECK_ACROSS_MM = 200.0, 150.0


def letter_index(letter: str) -> int:
    """Number of a strip letter: A is 0, H is 7.

    Raises
    ------
    ValueError
        If there is no strip with that letter.
    """
    k = STRIP_LETTERS.find(letter)
    if len(letter) != 1 or k < 0:
        raise ValueError(f"letter: expected one of {STRIP_LETTERS}, got {letter!r}")
    return k


def squares_along(short: bool) -> int:
    """Squares along a strip."""
    return SHORT_SQUARES_ALONG if short else SQUARES_ALONG


def pattern_mm(short: bool) -> float:
    """Length of a strip's pattern [mm]."""
    return SHORT_LENGTH_MM if short else PATTERN_LENGTH_MM


def marker_ids(letter: str, short: bool = False) -> NDArray[np.int32]:
    """Marker ids of one strip in board order, shape (30,), or (15,) of a short one."""
    first = MARKERS_PER_STRIP * letter_index(letter)
    return np.arange(first, first + squares_along(short) * SQUARES_ACROSS // 2, dtype=np.int32)


def letter_of_marker(marker_id: int) -> str | None:
    """Letter of the strip that carries a marker, or None if no strip does.

    Examples
    --------
    >>> letter_of_marker(59), letter_of_marker(240)
    ('B', None)
    """
    k = int(marker_id) // MARKERS_PER_STRIP
    return STRIP_LETTERS[k] if 0 <= k < len(STRIP_LETTERS) else None


@cache
def dictionary() -> cv2.aruco.Dictionary:
    """Marker dictionary of all strips (5 x 5 bits, 250 markers)."""
    import cv2

    return cv2.aruco.getPredefinedDictionary(cv2.aruco.DICT_5X5_250)


@cache
def board(letter: str, short: bool = False) -> cv2.aruco.CharucoBoard:
    """ChArUco board of one strip.

    Parameters
    ----------
    letter : str
        A to H.
    short : bool
        Of a short strip.

    Returns
    -------
    cv2.aruco.CharucoBoard
        Shared; do not change it.  Its corners equal those of :func:`corners_mm`, of a short one by :func:`corner_ids`.

    Raises
    ------
    ValueError
        If there is no strip with that letter.
    """
    import cv2

    made = cv2.aruco.CharucoBoard(
        (squares_along(short), SQUARES_ACROSS), SQUARE_MM, MARKER_MM, dictionary(), marker_ids(letter, short)
    )
    made.setLegacyPattern(False)
    return made


@cache
def corners_mm() -> NDArray[np.float64]:
    """Chess corners in the strip's own frame, shape (38, 2) [mm], read-only; row number = corner id."""
    x, y = np.meshgrid(
        SQUARE_MM * np.arange(1, SQUARES_ALONG, dtype=float), SQUARE_MM * np.arange(1, SQUARES_ACROSS, dtype=float)
    )
    made = np.stack([x.ravel(), y.ravel()], axis=-1)
    made.setflags(write=False)
    return made


@cache
def corner_ids(short: bool = False) -> NDArray[np.int64]:
    """Numbers of a board's corners, in its own order, as they count on a whole strip; shape (38,) or (18,)."""
    across, along = np.divmod(np.arange(CORNERS_ACROSS * (squares_along(short) - 1)), squares_along(short) - 1)
    return np.asarray(across * CORNERS_ALONG + along, np.int64)


@cache
def marker_squares(short: bool = False) -> tuple[tuple[int, int], ...]:
    """Square (column, row) of each marker of a strip in board order; the other squares are black.

    Markers sit in the white squares: those where column + row is odd.
    """
    return tuple((c, r) for r in range(SQUARES_ACROSS) for c in range(squares_along(short)) if (c + r) % 2)


@cache
def module_grid(letter: str, short: bool = False) -> NDArray[np.bool_]:
    """Bits of each marker of a strip, its black border included.

    Returns
    -------
    ndarray, shape (30, 7, 7) or (15, 7, 7), bool
        True where a module is black; rows go down the strip's y, in board order.  Read-only.
    """
    pictures: list[Any] = [dictionary().generateImageMarker(int(i), MARKER_MODULES) for i in marker_ids(letter, short)]
    grid = np.stack(pictures) < 128
    grid.setflags(write=False)
    return grid
