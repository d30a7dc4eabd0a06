"""Seams that close: found round a point of the panel, and their centre lines by arc length all round.

What goes round a lid is looked for in pictures of the panel unrolled about a point, a column for each direction: there
it is a line from end to end, as a straight seam is beside its strips.  The points are tried on a coarse net, the best
again where the line's own middle lies.  A line that closes has as many stations as fit, so that the last is as far from
the first as from the one before it; what is worked out along it sees some stations twice, over the closing point.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError, require
from gapvision.model import FittedField, FloatArray, Photo, StripView
from gapvision.vision.band import Band, CentreLine, Overview, normals_along, overview
from gapvision.vision.edges import SeamEdges
from gapvision.vision.field import KnownStrips, fit_field
from gapvision.vision.seam import SEARCH_MM, SeamFind, blocked_by, evidence, middles, smooth

#: Stations that are seen twice, before the first and after the last: what joins stations looks no further.
OVERLAP = 40
_CELL_MM = 0.5  # of the panel's picture
_DIRECTIONS, _RADIUS_MM = 200, 0.25  # columns and rows of the unrolled one
_COARSE_DIRECTIONS, _COARSE_MM = 60, 1.0
_NET_MM = 15.0
_LEAST_RADIUS_MM, _MOST_RADIUS_MM = 22.0, 170.0
_TRIED = 4  # points of the net that are looked at closely
_STEEPEST = 2.0  # how far a line may run outwards for each step round: the ends of an oblong lid
_WIDEST_MM = 15.0
_MOVE_PRICE = 0.01
_MIN_SCORE = 0.20
_LEAST_SEEN = 0.97  # of the directions: else the line is an arc
_LEAST_ARC_MM = 60.0  # what is shorter may be the border of anything
_SEEN_SCORE = 0.08
_HINT_MM = 8.0
_ENDS = 30  # rows at either end of an unrolled picture of which nothing is said: half of the widest gap


@dataclass(frozen=True, slots=True, eq=False)
class Round:
    """A line round a point of the panel.

    Attributes
    ----------
    line : CentreLine
        Stations along it, clockwise as the camera sees it; normals point inwards.
    closed : bool
        Whether the photo shows all of it; else it is the longest arc that shows.
    score, rival : float
        Mean evidence along it, and that of the next best line elsewhere relative to it.
    """

    line: CentreLine
    closed: bool
    score: float
    rival: float


def close_line(course: FloatArray, station_mm: float, start: FloatArray) -> CentreLine:
    """Stations at equal arc length round a closed row of places.

    Parameters
    ----------
    course : ndarray, shape (m, 2)
        Places all round, in order, the first not repeated [mm].
    station_mm : float
        Spacing that is wanted; it becomes the nearest one that goes into the length [mm].
    start : ndarray, shape (2,)
        The first station is the place nearest to it.
    """
    ring = np.concatenate([course, course[:1]])
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(ring, axis=0), axis=1))])
    fine = np.linspace(0, arc[-1], 20 * len(course), endpoint=False)
    places = np.stack([np.interp(fine, arc, ring[:, k]) for k in range(2)], 1)
    first = fine[np.argmin(np.linalg.norm(places - start, axis=1))]
    n = max(8, round(arc[-1] / station_mm))
    at = first + np.arange(n) * arc[-1] / n
    points = np.stack([np.interp(at % arc[-1], arc, ring[:, k]) for k in range(2)], 1)
    reach = np.arange(-OVERLAP, n + OVERLAP) % n
    normals = normals_along(points[reach], arc[-1] / n)[OVERLAP:-OVERLAP]
    return CentreLine(s_mm=np.arange(n) * arc[-1] / n, points=points, normals=normals)


def length_of(line: CentreLine) -> float:
    """Length all round of a line that closes [mm]."""
    return float(line.s_mm[1] - line.s_mm[0]) * len(line.s_mm)


def over_the_end(line: CentreLine) -> CentreLine:
    """The same line with ``OVERLAP`` stations more at either end, those on the other side of the closing point."""
    n = len(line.s_mm)
    each = np.arange(-OVERLAP, n + OVERLAP)
    return CentreLine(
        s_mm=each * float(line.s_mm[1] - line.s_mm[0]), points=line.points[each % n], normals=line.normals[each % n]
    )


def once(band: Band, edges: SeamEdges) -> tuple[Band, SeamEdges]:
    """Band and edges of :func:`over_the_end` with each station once."""
    cut = slice(OVERLAP, -OVERLAP)
    line = CentreLine(s_mm=band.line.s_mm[cut], points=band.line.points[cut], normals=band.line.normals[cut])
    columns = {name: getattr(band, name)[..., cut] for name in ("linear", "peak", "px_per_mm", "sight_deg", "chroma")}
    own = {name: getattr(edges, name)[cut] for name in ("t_a_mm", "t_b_mm", "std_a_mm", "std_b_mm", "middle_mm")}
    return replace(band, line=line, **columns), replace(edges, **own)


def recentre_closed(line: CentreLine, middle_mm: FloatArray, station_mm: float) -> CentreLine:
    """Move a line that closes on to the middle found beside it; ``middle_mm`` as of :func:`over_the_end`."""
    points = line.points + line.normals * smooth(middle_mm, 21)[OVERLAP:-OVERLAP, None]
    new = close_line(points, station_mm, line.points[0])
    return new if (new.normals[0] @ line.normals[0]) > 0 else replace(new, normals=-new.normals)


def find_round(
    photo: Photo,
    field: FittedField,
    views: list[StripView],
    station_mm: float = 1.0,
    hint_px: FloatArray | None = None,
    looks_like: str = "gap",
) -> Round:
    """Find the line that goes round beside, around or outside the strips.

    Parameters
    ----------
    photo, field, views
        Upright photo, field fitted to its strips, and those strips.
    station_mm : float
        Spacing of the stations.
    hint_px : ndarray, shape (k, 2), optional
        Points along the line, given by a person; three or more.
    looks_like : str
        ``gap``, or ``edge``: one edge alone.

    Raises
    ------
    GapvisionError
        ``seam-not-found``.
    """
    corners = np.concatenate([field.strip_corners(v) for v in views])
    far = SEARCH_MM + 2 * _MOST_RADIUS_MM if len(views) < 2 else SEARCH_MM + _MOST_RADIUS_MM
    low, high = corners.min(0) - far, corners.max(0) + far
    low, high = _within_photo(field, low, high)
    flat = overview(photo, field, np.eye(2), low, high, (_CELL_MM, _CELL_MM))
    paper = _paper(flat, field, views)
    log = np.log(np.where(np.isfinite(flat.linear), flat.linear, np.nan) + 0.01)
    log[paper] = np.nan
    marks = _marks(log, looks_like)
    hint = None if hint_px is None else field.to_panel(np.asarray(hint_px, float))
    if hint is not None:
        centres = np.array([0.5 * (hint.min(0) + hint.max(0))])
    else:
        net = [np.arange(a + _NET_MM, b, _NET_MM) for a, b in zip(low, high, strict=True)]
        every = np.stack(np.meshgrid(*net), -1).reshape(-1, 2)
        scores = np.array([_coarse(marks, flat, c) for c in every])
        centres = _apart(every, scores)
    best: tuple[float, FloatArray, FloatArray, FloatArray] | None = None
    others = []
    for centre in centres:
        found = _look_round(flat, paper, centre, looks_like, hint)
        others.append((found[0], found[1].mean(0)))
        if best is None or found[0] > best[0]:
            best = found
    assert best is not None
    for _ in range(2):
        again = _look_round(flat, paper, best[1].mean(0), looks_like, hint)
        best = max(best, again, key=lambda x: x[0])
    score, course, seen, _ = best
    if score < _MIN_SCORE:
        raise GapvisionError("seam-not-found")
    middle = course.mean(0)
    rivals = [s for s, c in others if np.linalg.norm(c - middle) > 2 * _NET_MM]
    line, closed = _stations(course, seen > _SEEN_SCORE, station_mm, middles(field, views)[_lowest(field), :2])
    return Round(line, closed, score, max(rivals, default=0.0) / score)


def _lowest(field: FittedField) -> int:
    return field.letters.index(min(field.letters))


def _within_photo(field: FittedField, low: FloatArray, high: FloatArray) -> tuple[FloatArray, FloatArray]:
    """The part of a box of the panel that the photo shows."""
    w, h = field.size_px
    t = np.linspace(0, 1, 9)
    border = np.concatenate([np.stack([t * w, 0 * t], 1), np.stack([t * w, 0 * t + h], 1),
                             np.stack([0 * t, t * h], 1), np.stack([0 * t + w, t * h], 1)])  # fmt: skip
    shown = field.to_panel(border)
    shown = shown[np.isfinite(shown).all(1)]
    return np.maximum(low, shown.min(0)), np.minimum(high, shown.max(0))


def _paper(flat: Overview, field: FittedField, views: list[StripView]) -> NDArray[np.bool_]:
    """Where strips lie, and their rims."""
    boxes = [(float(s), float(t), float(angle)) for s, t, angle in middles(field, views)]
    return cv2.dilate(blocked_by(flat, boxes, field, views).astype(np.uint8), np.ones((3, 3), np.uint8)) > 0


def _marks(log: FloatArray, looks_like: str) -> NDArray[np.float32]:
    """How much each place of the panel's picture looks like a gap, or an edge, of whatever direction."""
    known = np.isfinite(log)
    level = np.where(known, log, np.nanmedian(log)).astype(np.float32)
    level = cv2.GaussianBlur(level, (0, 0), 1.0 / _CELL_MM)
    if looks_like == "edge":
        wide = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (9, 9))
        score = cv2.dilate(level, wide) - cv2.erode(level, wide)
    else:
        k = 2 * round(_WIDEST_MM / 2 / _CELL_MM) + 1
        wide = cv2.getStructuringElement(cv2.MORPH_ELLIPSE, (k, k))
        score = np.maximum(
            cv2.morphologyEx(level, cv2.MORPH_BLACKHAT, wide), cv2.morphologyEx(level, cv2.MORPH_TOPHAT, wide)
        )
    hidden = cv2.dilate((~known).astype(np.uint8), np.ones((9, 9), np.uint8)) > 0
    return np.where(hidden, 0, np.minimum(score, 1.2)).astype(np.float32)


def _unrolled(
    image: NDArray[np.float32], flat: Overview, centre: FloatArray, directions: int, row_mm: float, beyond: float
) -> NDArray[np.float32]:
    """A picture of the panel unrolled about a point: rows by distance, columns by direction."""
    angle = 2 * np.pi * np.arange(directions) / directions
    radius = np.arange(_LEAST_RADIUS_MM, _MOST_RADIUS_MM, row_mm)[:, None]
    x = (centre[0] + radius * np.cos(angle) - flat.s_mm[0]) / _CELL_MM
    y = (centre[1] + radius * np.sin(angle) - flat.t_mm[0]) / _CELL_MM
    return np.asarray(
        cv2.remap(image, x.astype(np.float32), y.astype(np.float32), cv2.INTER_LINEAR,
                  borderMode=cv2.BORDER_CONSTANT, borderValue=beyond)
    )  # fmt: skip


def _coarse(marks: NDArray[np.float32], flat: Overview, centre: FloatArray) -> float:
    """The most that lies in one ring about a point, 12 mm either way: a quick look."""
    score = _unrolled(marks, flat, centre, _COARSE_DIRECTIONS, _COARSE_MM, 0.0)
    return float(cv2.dilate(score, np.ones((25, 1), np.uint8)).mean(axis=1).max())


def _apart(places: FloatArray, scores: FloatArray) -> FloatArray:
    """The best few of the net's points, no two side by side."""
    out: list[FloatArray] = []
    for k in np.argsort(-scores):
        if all(np.linalg.norm(places[k] - other) > 1.5 * _NET_MM for other in out):
            out.append(places[k])
        if len(out) == _TRIED:
            break
    return np.array(out)


def _look_round(
    flat: Overview, paper: NDArray[np.bool_], centre: FloatArray, looks_like: str, hint: FloatArray | None
) -> tuple[float, FloatArray, FloatArray, FloatArray]:
    """Score, course (directions, 2), evidence of each direction and distance of the best line round a point."""
    light = np.where(np.isfinite(flat.linear) & ~paper, flat.linear, np.nan).astype(np.float32)
    linear = _unrolled(light, flat, centre, _DIRECTIONS, _RADIUS_MM, np.nan)
    radius = np.arange(_LEAST_RADIUS_MM, _MOST_RADIUS_MM, _RADIUS_MM)
    angle = 2 * np.pi * np.arange(_DIRECTIONS) / _DIRECTIONS
    view = Overview(linear=linear, s_mm=angle, t_mm=radius)
    score = evidence(view, ~np.isfinite(linear)) if looks_like == "gap" else edge_evidence(linear)
    score[:_ENDS] = score[-_ENDS:] = 0.0
    if hint is not None:
        away = hint - centre
        turn = np.arctan2(away[:, 1], away[:, 0])
        order = np.argsort(turn)
        wanted = np.interp(angle, turn[order] % (2 * np.pi), np.linalg.norm(away, axis=1)[order], period=2 * np.pi)
        # Between points far apart the way is a chord; nobody taps every corner.
        loose = _HINT_MM + 0.25 * wanted
        score = np.where(np.abs(radius[:, None] - wanted) > loose, 0.0, score)
    path = _round_path(score, _RADIUS_MM, 2 * np.pi * 75 / _DIRECTIONS)
    each = score[path, np.arange(_DIRECTIONS)]
    r = radius[path]
    course = centre + r[:, None] * np.stack([np.cos(angle), np.sin(angle)], 1)
    return float(each.mean()), course, each, r


def edge_evidence(linear: NDArray[np.float32]) -> FloatArray:
    """How much each place looks like one edge: light that changes at once, and stays so for 4 mm either way.

    Parameters
    ----------
    linear : ndarray, shape (n_t, n_s)
        Linear light in rows 0.25 mm apart; NaN where nothing is seen.
    """
    bad = ~np.isfinite(linear)
    log = np.log(np.where(bad, 0.5, linear) + 0.01)
    pad = np.pad(log, ((0, 0), (1, 1)), mode="edge")
    log = (pad[:, :-2] + pad[:, 1:-1] + pad[:, 2:]) / 3
    n = len(log)
    cum = np.vstack([np.zeros((1, log.shape[1])), np.cumsum(log, axis=0)])
    rows = np.arange(n)

    def change(near: int, far: int) -> FloatArray:
        up0, up1 = np.clip(rows + near, 0, n), np.clip(rows + far, 0, n)
        low0, low1 = np.clip(rows - far + 1, 0, n), np.clip(rows - near + 1, 0, n)
        above = (cum[up1] - cum[up0]) / np.maximum(up1 - up0, 1)[:, None]
        below = (cum[low1] - cum[low0]) / np.maximum(low1 - low0, 1)[:, None]
        return np.asarray(above - below, float)

    at_once, stays = change(1, 5), change(1, 17)
    score = np.where(at_once * stays > 0, np.minimum(np.abs(at_once), np.abs(stays)), 0.0)
    grown = cv2.dilate(bad.astype(np.uint8), np.ones((13, 1), np.uint8)) > 0
    grown[:17] = grown[-17:] = True  # too near the picture's end to say
    return np.where(grown, 0.0, np.minimum(score, 1.2))


def _round_path(score: FloatArray, row_mm: float, column_mm: float) -> NDArray[np.int64]:
    """Path through all directions with the largest sum of score, less a price for moving; it ends where it starts."""
    n, m = score.shape
    most = max(1, round(_STEEPEST * column_mm / row_mm))
    price = (_MOVE_PRICE * row_mm / _RADIUS_MM * np.abs(np.arange(-most, most + 1))).astype(np.float32)
    # Twice round: the middle of that knows what is ahead of it and behind it.
    twice = np.concatenate([score, score], axis=1).astype(np.float32)
    padded = np.full(n + 2 * most, -np.inf, np.float32)
    reach = np.lib.stride_tricks.sliding_window_view(padded, 2 * most + 1)
    total = twice[:, 0].copy()
    back = np.empty((2 * m, n), np.int32)
    index = np.arange(n)
    for j in range(1, 2 * m):
        padded[most:-most] = total
        options = reach - price
        choice = options.argmax(1)
        back[j] = np.clip(index + choice - most, 0, n - 1)
        total = options[index, choice] + twice[:, j]
    path = np.empty(2 * m, np.int64)
    path[-1] = int(total.argmax())
    for j in range(2 * m - 1, 0, -1):
        path[j - 1] = back[j, path[j]]
    half = m // 2
    middle = path[half : half + m]
    return np.roll(middle, half)


def _stations(
    course: FloatArray, seen: NDArray[np.bool_], station_mm: float, strip: FloatArray
) -> tuple[CentreLine, bool]:
    """Stations all round, from the place nearest to the middle of the first strip; or along the longest arc seen."""
    m = len(course)
    ring = np.concatenate([course[-8:], course, course[:8]])
    course = np.stack([smooth(ring[:, k], 5)[8:-8] for k in range(2)], 1)
    # Short stretches that a strip, a hand or a reflection hides are bridged.
    hidden = cv2.dilate(
        cv2.erode(np.tile((~seen).astype(np.uint8), 3)[None], np.ones((1, 25), np.uint8)), np.ones((1, 25), np.uint8)
    )[0, m : 2 * m] > 0  # fmt: skip
    if hidden.mean() <= 1 - _LEAST_SEEN:
        line = close_line(course, station_mm, strip)
        return (line if _inwards(line) else replace(line, normals=-line.normals)), True
    start = int(np.flatnonzero(hidden)[0])
    shows = ~np.roll(hidden, -start)
    edges = np.flatnonzero(np.diff(np.concatenate([[0], shows.astype(int), [0]])))
    first, stop = max(zip(edges[::2], edges[1::2], strict=True), key=lambda x: x[1] - x[0])
    arc = np.roll(course, -start, axis=0)[first:stop]
    lengths = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(arc, axis=0), axis=1))])
    require("seam-not-found", lengths[-1] > _LEAST_ARC_MM)
    s = np.arange(0, lengths[-1], station_mm)
    points = np.stack([np.interp(s, lengths, arc[:, k]) for k in range(2)], 1)
    line = CentreLine(s_mm=s, points=points, normals=normals_along(points, station_mm))
    inwards = ((course.mean(0) - points) * line.normals).sum() > 0
    return (line if inwards else replace(line, normals=-line.normals)), False


def _inwards(line: CentreLine) -> bool:
    return bool(((line.points.mean(0) - line.points) * line.normals).sum() > 0)


def strip_sides(found: Round, field: FittedField, views: list[StripView]) -> dict[str, str]:
    """Of each strip whether it lies ``in`` or ``out``: inside the line or around it."""
    out = {}
    for k, letter in enumerate(field.letters):
        place = middles(field, views)[k, :2]
        near = int(np.argmin(np.linalg.norm(found.line.points - place, axis=1)))
        out[letter] = "in" if (place - found.line.points[near]) @ found.line.normals[near] > 0 else "out"
    return out


def orient_round(
    photo: Photo, views: list[StripView], flat: FittedField, found: Round, known: KnownStrips | None = None
) -> tuple[FittedField, CentreLine, dict[str, str]]:
    """Name the sides of a line that goes round, as :func:`gapvision.vision.seam.orient` does of one that does not."""
    lies = strip_sides(found, flat, views)
    first = lies[min(lies)]
    sides = {letter: "A" if lie == first else "B" for letter, lie in lies.items()}
    side_b = frozenset(letter for letter, side in sides.items() if side == "B")
    field, line = flat, found.line
    if side_b:
        field = fit_field(views, flat.size_px, photo.focal_35mm_mm, side_b, flat, known)
        points, n = field.to_panel(flat.project(line.points)), len(line.points)
        apart = float(line.s_mm[1] - line.s_mm[0])
        more = OVERLAP * found.closed
        normals = normals_along(points[np.arange(-more, n + more) % n], apart)[more : n + more]
        line = replace(line, points=points, normals=normals)
        line = line if _inwards(line) else replace(line, normals=-line.normals)
    return field, line if first == "out" else replace(line, normals=-line.normals), sides


def seam_find(found: Round, field: FittedField, views: list[StripView]) -> SeamFind:
    """The line as a seam that was found, its sides as :func:`strip_sides` names them."""
    return SeamFind(found.line, found.score, found.rival, strip_sides(found, field, views), not found.closed)
