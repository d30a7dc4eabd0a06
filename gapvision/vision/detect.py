"""Find the printed strips: markers on a reduced picture, corners at full size.

Markers need about 3 px per module to be read, corners need the full picture to
be placed; both boards' corners from given markers cost about a millisecond, so
markers are looked for once on a picture of about 2000 px and only again at full
size where a strip shows few of them.
"""

from __future__ import annotations

from functools import lru_cache
from typing import NamedTuple

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.model import Photo, StripView
from gapvision.targets.strip import (
    MARKER_MM,
    SQUARE_MM,
    STRIP_LETTERS,
    board,
    corner_ids,
    corners_mm,
    marker_squares,
)

_DICTIONARY = cv2.aruco.DICT_5X5_250  # the strips' markers
_SEARCH_SIDE_PX = 2016
_MIN_MARKERS_SEARCH = 15  # fewer than half the markers of a strip: look again at full size
_MIN_CORNERS = 4
_MAX_OUTLIER_PX = 2.5
# Every marker leaves one unread outline beside it, its inner one; outlines of a marker's size beyond those are markers
# that could not be read (shared photos: 0 or 1 of them, a mirrored strip: 30).
_UNREAD, _ALIKE = 8, (0.6, 1.6)
_REPEATED = 4
_LEAST_TO_TELL = 3  # markers by which a short strip is known: two fit nearly any order


@lru_cache(maxsize=4)
def _marker_detector(dictionary: int) -> cv2.aruco.ArucoDetector:
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMethod = cv2.aruco.CORNER_REFINE_NONE
    return cv2.aruco.ArucoDetector(cv2.aruco.getPredefinedDictionary(dictionary), parameters)


@lru_cache(maxsize=16)
def _board_detector(letter: str, short: bool) -> cv2.aruco.CharucoDetector:
    parameters = cv2.aruco.CharucoParameters()
    # The built-in check compares pixel distances and rejects true boards in steep
    # views; the homography test below does its job.
    parameters.checkMarkers = False
    parameters.minMarkers = 1
    parameters.tryRefineMarkers = False
    detector = cv2.aruco.DetectorParameters()
    # OpenCV stops refining a corner at 0.1 px; the scatter of corners falls from 0.037 to 0.014 px with 0.01 px.
    detector.cornerRefinementMinAccuracy = 0.01
    detector.cornerRefinementMaxIterations = 60
    return cv2.aruco.CharucoDetector(board(letter, short), parameters, detector)


def eight_bit(grey: NDArray[np.uint8] | NDArray[np.uint16]) -> NDArray[np.uint8]:
    """Reduce a 16-bit picture to 8 bit for the detectors; 8 bit passes through.

    Parameters
    ----------
    grey : ndarray, shape (H, W)
        Encoded luma.
    """
    return grey if grey.dtype == np.uint8 else (grey >> 8).astype(np.uint8)


class _Markers(NamedTuple):
    """Corners (1, 4, 2) in full-size pixels and numbers of the markers; how many more there seem to be, unread."""

    corners: list[NDArray[np.float32]]
    ids: NDArray[np.int32]
    unread: int


def _find_markers(
    grey: NDArray[np.uint8], side_px: int = _SEARCH_SIDE_PX, dictionary: int = _DICTIONARY
) -> _Markers:
    """The markers on a picture no longer than ``side_px``."""
    scale = min(1.0, side_px / max(grey.shape))
    small = grey
    if scale < 1:
        small = cv2.resize(grey, None, fx=scale, fy=scale, interpolation=cv2.INTER_AREA)
    sx, sy = small.shape[1] / grey.shape[1], small.shape[0] / grey.shape[0]
    corners, ids, rejected = _marker_detector(dictionary).detectMarkers(small)
    if ids is None:
        return _Markers([], np.zeros(0, np.int32), len(rejected))
    factor = np.array([sx, sy], np.float32)
    places = [((c.reshape(1, 4, 2) + 0.5) / factor - 0.5).astype(np.float32) for c in corners]
    own, others = (np.sqrt([cv2.contourArea(c.reshape(4, 2)) for c in some]) for some in (corners, rejected))
    alike = (others > _ALIKE[0] * np.median(own)) & (others < _ALIKE[1] * np.median(own))
    return _Markers(places, np.asarray(ids).ravel(), int(alike.sum()) - len(places))


def _corners_of(
    letter: str, grey: NDArray[np.uint8], corners: list[NDArray[np.float32]], ids: NDArray[np.int32]
) -> tuple[NDArray[np.float64], NDArray[np.int64], bool]:
    """Corners of a strip [px], their numbers on a whole one, and whether it is a short one."""
    first = 30 * STRIP_LETTERS.index(letter)
    own = _of_one_strip([i for i, v in enumerate(ids) if first <= v < first + 30], corners, ids)
    if not own:
        return np.zeros((0, 2)), np.zeros(0, np.int64), False
    short = _is_short([int(ids[i]) - first for i in own], [corners[i] for i in own])
    px, cid, _, _ = _board_detector(letter, short).detectBoard(
        grey, markerCorners=[corners[i] for i in own], markerIds=np.asarray(ids)[own].reshape(-1, 1).astype(np.int32)
    )
    if px is None or cid is None:
        return np.zeros((0, 2)), np.zeros(0, np.int64), short
    return np.asarray(px, float).reshape(-1, 2), corner_ids(short)[np.asarray(cid, np.int64).ravel()], short


def _is_short(places: list[int], corners: list[NDArray[np.float32]]) -> bool:
    """Whether markers, by their places in a strip's order, lie as on a short strip: the two orders differ."""
    if max(places) >= len(marker_squares(short=True)) or len(places) < _LEAST_TO_TELL:
        return False
    px = np.concatenate([c.reshape(4, 2) for c in corners]).astype(np.float64)
    rim = (SQUARE_MM - MARKER_MM) / 2
    box = rim + MARKER_MM * np.array([[0, 0], [1, 0], [1, 1], [0, 1]])
    off = []
    for short in (False, True):
        squares = np.array(marker_squares(short))[places]
        flat = (SQUARE_MM * squares[:, None] + box).reshape(-1, 2)
        h, _ = cv2.findHomography(flat, px, 0)
        lies = np.full_like(px, np.inf) if h is None else cv2.perspectiveTransform(flat[None], h)[0]
        off.append(float(np.median(np.hypot(*(lies - px).T))))
    return off[1] < off[0]


def _of_one_strip(own: list[int], corners: list[NDArray[np.float32]], ids: NDArray[np.int32]) -> list[int]:
    """Of markers of one letter those of one strip: where some number is there twice, those on the fuller side."""
    places = {i: corners[i].reshape(4, 2).mean(0) for i in own}
    pairs = [(i, k) for i in own for k in own if i < k and ids[i] == ids[k]]
    if not pairs:
        return own
    # Two strips lie side by side or one behind the other: across or along a marker's own sides.
    sides = np.diff(corners[pairs[0][0]].reshape(4, 2)[:3], axis=0)
    apart = np.abs([(places[k] - places[i]) @ sides.T for i, k in pairs])
    way = sides[int(np.median(apart, axis=0).argmax())]
    at = {i: float(place @ way) for i, place in places.items()}
    between = float(np.median([0.5 * (at[i] + at[k]) for i, k in pairs]))
    near, far = ([i for i in own if (at[i] < between) == side] for side in (True, False))
    return max(near, far, key=len)


def _consistent(px: NDArray[np.float64], flat: NDArray[np.float64]) -> NDArray[np.bool_]:
    """Which corners agree with one smooth view of the strip (a homography plus a bend of the paper)."""
    if len(px) < _MIN_CORNERS:
        return np.ones(len(px), bool)
    keep = np.ones(len(px), bool)
    # Only two rows of corners: random subsets (RANSAC, LMEDS) are mostly degenerate, so fit all and drop the worst.
    for _ in range(6):
        h, _ = cv2.findHomography(flat[keep], px[keep], 0)
        if h is None:
            return np.zeros(len(px), bool)
        error = np.hypot(*(cv2.perspectiveTransform(flat[None], h)[0] - px).T)
        # A bent strip leaves a smooth residual; only what stands out of its neighbours is thrown away.
        bound = max(_MAX_OUTLIER_PX, 6 * float(np.median(error[keep])))
        worst = int(np.argmax(np.where(keep, error, 0)))
        if error[worst] <= bound or keep.sum() <= _MIN_CORNERS:
            break
        keep[worst] = False
    return keep


class FoundStrips(NamedTuple):
    """The strips in a photo.

    Attributes
    ----------
    views : list of StripView
        In the order of their letters; strips with fewer than four corners are left out.
    repeated : tuple of str
        Letters that lie in the photo more than once; one of each is in ``views``.
    mirrored : bool
        Some strip is seen as in a mirror.
    """

    views: list[StripView]
    repeated: tuple[str, ...]
    mirrored: bool


def find_strips(photo: Photo, print_scale_along: float = 1.0, print_scale_across: float = 1.0) -> list[StripView]:
    """Find every strip in the photo with its sub-pixel corners: the ``views`` of `look_for_strips`."""
    return look_for_strips(photo, print_scale_along, print_scale_across).views


def look_for_strips(photo: Photo, print_scale_along: float = 1.0, print_scale_across: float = 1.0) -> FoundStrips:
    """Find every strip in the photo with its sub-pixel corners, and tell of strips that cannot be used.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    print_scale_along, print_scale_across : float
        Printed over nominal length along and across the strip.
    """
    grey = eight_bit(photo.grey)
    corners, ids, unread = _find_markers(grey)
    counts = np.bincount(ids[ids < 240] // 30, minlength=8) if len(ids) else np.zeros(8, int)
    few = counts.max(initial=0) == 0 or (counts[counts > 0] < _MIN_MARKERS_SEARCH).any()
    if few and max(grey.shape) > _SEARCH_SIDE_PX:
        finer = _find_markers(grey, 2 * _SEARCH_SIDE_PX)
        if len(finer.ids) > len(ids):
            corners, ids, unread = finer
    views = []
    scale_mm = np.array([print_scale_along, print_scale_across])
    for letter in STRIP_LETTERS:
        px, cid, short = _corners_of(letter, grey, corners, ids)
        if len(px) < _MIN_CORNERS:
            continue
        flat = corners_mm()[cid]
        keep = _consistent(px, flat)
        if keep.sum() < _MIN_CORNERS:
            continue
        views.append(
            StripView(
                letter=letter,
                corner_ids=cid[keep],
                corners_px=px[keep],
                corners_mm=flat[keep] * scale_mm,
                print_scale=(print_scale_along, print_scale_across),
                short=short,
            )
        )
    numbers, times = np.unique(ids, return_counts=True)
    twice = np.bincount(numbers[(times > 1) & (numbers < 240)] // 30, minlength=len(STRIP_LETTERS))
    return FoundStrips(
        views=views,
        repeated=tuple(letter for letter, n in zip(STRIP_LETTERS, twice, strict=True) if n >= _REPEATED),
        mirrored=unread >= _UNREAD and _own(_find_markers(np.ascontiguousarray(grey[:, ::-1])).ids) >= _REPEATED,
    )


def _own(ids: NDArray[np.int32]) -> int:
    """How many markers are those of gapvision's strips."""
    return int((ids < 30 * len(STRIP_LETTERS)).sum())


def count_own_markers(photo: Photo) -> int:
    """Count markers of gapvision's strips, readable or not as a whole strip.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    """
    return _own(_find_markers(eight_bit(photo.grey)).ids)


def count_foreign_markers(photo: Photo) -> int:
    """Count markers of other dictionaries, to tell a wrong target from no target.

    Parameters
    ----------
    photo : Photo
        Upright photo in which no strip was found.
    """
    grey = eight_bit(photo.grey)
    most = 0
    for dictionary in (
        cv2.aruco.DICT_4X4_250,
        cv2.aruco.DICT_5X5_1000,
        cv2.aruco.DICT_6X6_250,
        cv2.aruco.DICT_7X7_250,
        cv2.aruco.DICT_APRILTAG_36H11,
        cv2.aruco.DICT_ARUCO_ORIGINAL,
    ):
        most = max(most, len(_find_markers(grey, dictionary=dictionary).ids))
        if most >= 4:
            break
    return most
