"""Find the seam beside the strips: a coarse centre line, without a hint or along one.

The overview of the panel is searched for the line, all along the strips, that
looks most like a gap: on each side of it a clear rise of log light, of opposite
signs (dark gap or bright gap), 1.2 to 16 mm apart.  A path through all columns
collects the evidence, so that a pen stroke, a scratch or a shadow that crosses
or ends does not win over a line that goes on.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.model import FittedField, FloatArray, Photo, StripView
from gapvision.targets.strip import MARGIN_MM, SHORT_LENGTH_MM, pattern_mm
from gapvision.vision.band import CentreLine, Overview, normals_along, overview
from gapvision.vision.field import KnownStrips, fit_field

CELL_S_MM, CELL_T_MM = 2.0, 0.25  # of the overview
REACH_BEYOND_MM = 16.0  # seam measured beyond the outermost corners; scale is extrapolated there
SEARCH_MM = 62.0  # strip's edge to seam: 10 to 50 mm asked for, and some more
STRIP_HALF_WIDTH_MM = 22.0
_WIDTHS_MM = (1.25, 1.75, 2.5, 3.25, 4.0, 5.0, 6.0, 7.5, 9.0, 11.0, 13.0)
_LOG_FLOOR = 0.01
_CONTRAST_CAP = 1.2  # a stretch of extreme contrast must not outweigh a long fair one
_WIDTH_MM, _WIDTH_WEIGHT = (1.25, 2.0, 2.75, 5.0, 13.0), (0.3, 0.6, 1.0, 1.0, 0.75)
_STROKE_WIDTH_MM = 2.6
_STROKE_WEIGHT = 0.45  # a narrow line with the same brightness on both sides may be a stroke on one panel
_SAME_LOG = 0.12
_LEVEL_SLACK = 0.1
_STAIR_WEIGHT = 0.7
_MIN_SCORE = 0.20
_MOVE_PRICE = 0.02
# A straight line or a plain arc on which so many of the stations lie is the seam; a stretch further off is not.
_COURSES = ((1, 0.65), (2, 0.75))
_COURSE_NEAR_MM, _STRAY_MM, _STRAY_STATIONS, _PARALLEL = 0.7, 1.5, 8, 0.05


@dataclass(frozen=True, slots=True, eq=False)
class SeamFind:
    """A found seam.

    Attributes
    ----------
    line : CentreLine
        Stations along it.
    score : float
        Mean contrast of the path in log light.
    rival : float
        Score of the next best line elsewhere, relative to the best.
    sides : dict of str to str
        For every strip, ``up`` or ``down``: the side of the line it lies on, in the field's frame.
    cut_by_frame : bool
        Whether part of the places where a seam may lie is outside the photo.
    """

    line: CentreLine
    score: float
    rival: float
    sides: dict[str, str]
    cut_by_frame: bool


def evidence(view: Overview, blocked: NDArray[np.bool_]) -> FloatArray:
    """For every place of the overview: how much it looks like the middle of a gap."""
    light = np.where(np.isfinite(view.linear), view.linear, 0.5)
    log = np.log(light + _LOG_FLOOR)
    # Average over 6 mm along: a line that goes on keeps its contrast, a speck loses it.
    pad = np.pad(log, ((0, 0), (1, 1)), mode="edge")
    log = (pad[:, :-2] + pad[:, 1:-1] + pad[:, 2:]) / 3
    cum = np.vstack([np.zeros((1, log.shape[1])), np.cumsum(log, axis=0)])
    n = log.shape[0]
    reach = round(1.0 / CELL_T_MM)
    rows = np.arange(n)
    up = np.clip(rows + 1 + reach, 0, n)
    down = np.clip(rows - reach, 0, n)
    above = (cum[up] - cum[rows + 1]) / np.maximum(up - rows - 1, 1)[:, None]
    below = (cum[rows] - cum[down]) / np.maximum(rows - down, 1)[:, None]
    rise = above - below
    bad = blocked | ~np.isfinite(view.linear)
    # A rise that touches a strip or the picture's border is the strip's own.
    grown = bad.copy()
    for k in range(1, reach + 1):
        grown[k:] |= bad[:-k]
        grown[:-k] |= bad[k:]
    rise[grown] = 0.0
    best = np.zeros_like(log)
    wide = round(6.0 / CELL_T_MM)
    for w in _WIDTHS_MM:
        h = w / 2
        k = round(h / CELL_T_MM)
        lo, hi = np.zeros_like(rise), np.zeros_like(rise)
        lo[k:] = rise[:-k]
        hi[:-k] = rise[k:]
        # The panels themselves, not only what borders on the line, must differ from its inside: between a pen
        # stroke and the gap lies a strip of panel that looks like a bright gap.
        i0, i1 = np.clip(rows - k, 0, n), np.clip(rows + k + 1, 0, n)
        inside = (cum[i1] - cum[i0]) / np.maximum(i1 - i0, 1)[:, None]
        j0, j1 = np.clip(rows - k - 1 - wide, 0, n), np.clip(rows - k - 1, 0, n)
        low_side = (cum[j1] - cum[j0]) / np.maximum(j1 - j0, 1)[:, None] - inside
        j0, j1 = np.clip(rows + k + 2, 0, n), np.clip(rows + k + 2 + wide, 0, n)
        high_side = (cum[j1] - cum[j0]) / np.maximum(j1 - j0, 1)[:, None] - inside
        dark = np.minimum(np.minimum(-lo, hi), np.minimum(low_side, high_side) + _LEVEL_SLACK)
        bright = np.minimum(np.minimum(lo, -hi), np.minimum(-low_side, -high_side) + _LEVEL_SLACK)
        # Pen and chalk strokes are 1 to 2 mm wide: narrow pairs weigh less.
        score = np.minimum(np.maximum(dark, bright), _CONTRAST_CAP) * np.interp(w, _WIDTH_MM, _WIDTH_WEIGHT)
        # A lit flange between a dark panel and a light one makes two rises the same way.
        if w >= _STROKE_WIDTH_MM:
            rising = np.minimum(np.minimum(lo, hi), np.minimum(-low_side, high_side))
            falling = np.minimum(np.minimum(-lo, -hi), np.minimum(low_side, -high_side))
            score = np.maximum(score, _STAIR_WEIGHT * np.minimum(np.maximum(rising, falling), _CONTRAST_CAP))
        if w < _STROKE_WIDTH_MM:
            outer_lo, outer_hi = np.zeros_like(rise), np.zeros_like(rise)
            outer_lo[k:] = below[:-k]
            outer_hi[:-k] = above[k:]
            score = score * np.where(np.abs(outer_lo - outer_hi) < _SAME_LOG, _STROKE_WEIGHT, 1.0)
        best = np.maximum(best, score).astype(np.float32)
    best[bad] = 0.0
    return best


def best_path(score: FloatArray) -> tuple[NDArray[np.int64], float]:
    """Path through all columns with the largest sum of score, less a price for moving."""
    n, m = score.shape
    total = score[:, 0].copy()
    back = np.zeros((n, m), np.int64)
    most = round(CELL_S_MM * 0.9 / CELL_T_MM)
    moves = range(-most, most + 1)
    for j in range(1, m):
        options = np.full((len(moves), n), -np.inf)
        for i, mv in enumerate(moves):
            lo, hi = max(0, mv), min(n, n + mv)
            options[i, lo:hi] = total[lo - mv : hi - mv] - _MOVE_PRICE * abs(mv)
        choice = options.argmax(0)
        back[:, j] = choice - most
        total = options[choice, np.arange(n)] + score[:, j]
    path = np.empty(m, np.int64)
    path[-1] = int(total.argmax())
    for j in range(m - 1, 0, -1):
        path[j - 1] = path[j] - back[path[j], j]
    return path, float(score[path, np.arange(m)].mean())


def middles(field: FittedField, views: list[StripView]) -> FloatArray:
    """Middle and angle of each strip of a field (s, t [mm], rad), shape (k, 3); of a short one, of what there is."""
    short = {v.letter for v in views if v.short}
    places = np.array([field.strip_place(k) for k in range(len(field.letters))])
    for k, letter in enumerate(field.letters):
        if letter in short:
            back = 0.5 * SHORT_LENGTH_MM * field.print_scales[k][0]
            places[k, :2] -= back * np.array([np.cos(places[k, 2]), np.sin(places[k, 2])])
    return places


def search_frame(
    field: FittedField, views: list[StripView]
) -> tuple[FloatArray, list[tuple[float, float, float]]]:
    """Rotation to the strips' mean direction, and each strip's middle and angle in that frame."""
    places = middles(field, views)
    # Directions, not arrows: a strip may lie upside down.
    mean = 0.5 * float(np.angle(np.exp(2j * places[:, 2]).sum()))
    turn = np.array([[np.cos(mean), -np.sin(mean)], [np.sin(mean), np.cos(mean)]])
    middle = places[:, :2] @ turn
    angle = (places[:, 2] - mean + np.pi / 2) % np.pi - np.pi / 2
    return turn, [(float(m[0]), float(m[1]), float(a)) for m, a in zip(middle, angle, strict=True)]


def blocked_by(
    view: Overview, boxes: list[tuple[float, float, float]], field: FittedField, views: list[StripView]
) -> NDArray[np.bool_]:
    """Places of an overview that lie on strips, shape (n_t, n_s)."""
    along, across = np.max(field.print_scales, axis=0)
    across = STRIP_HALF_WIDTH_MM * across + 0.6
    short = {v.letter for v in views if v.short}
    ss, tt = np.meshgrid(view.s_mm, view.t_mm)
    out = np.zeros(ss.shape, bool)
    for letter, (s0, t0, angle) in zip(field.letters, boxes, strict=True):
        c, d = np.cos(angle), np.sin(angle)
        u = (ss - s0) * c + (tt - t0) * d
        v = -(ss - s0) * d + (tt - t0) * c
        half = pattern_mm(letter in short) / 2 + MARGIN_MM
        out |= (np.abs(u) < half * along + 1.0) & (np.abs(v) < across)
    return out


def find_seam(
    photo: Photo,
    field: FittedField,
    views: list[StripView],
    station_mm: float = 1.0,
    hint_px: FloatArray | None = None,
) -> SeamFind:
    """Find the seam beside the strips.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    field : FittedField
        Field fitted to the strips.
    views : list of StripView
        Those strips.
    station_mm : float
        Spacing of the stations.
    hint_px : ndarray, shape (k, 2), optional
        Two or more points along the seam, given by a person.

    Returns
    -------
    SeamFind

    Raises
    ------
    GapvisionError
        ``seam-not-found`` or ``gap-out-of-frame``.
    """
    turn, boxes, view, blocked = search_view(photo, field, views)
    score = evidence(view, blocked)
    if hint_px is not None:
        hint = field.to_panel(np.asarray(hint_px, float)) @ turn
        hint = hint[np.argsort(hint[:, 0])]
        wanted = np.interp(view.s_mm, hint[:, 0], hint[:, 1])
        # Beyond the hint's ends its last direction goes on.
        for end, other, mask in ((0, 1, view.s_mm < hint[0, 0]), (-1, -2, view.s_mm > hint[-1, 0])):
            slope = (
                (hint[end, 1] - hint[other, 1])
                / max(abs(hint[end, 0] - hint[other, 0]), 1e-6)
                * np.sign(hint[end, 0] - hint[other, 0])
            )
            wanted = np.where(mask, hint[end, 1] + slope * (view.s_mm - hint[end, 0]), wanted)
        far = np.abs(view.t_mm[:, None] - wanted[None]) > 6.0
        score = np.where(far, -1.0, score + 0.05)
    elif len(boxes) > 1:
        score = np.where(_between_or_beside(view, boxes), score, 0.0)
    path, mean = best_path(score)
    if mean < _MIN_SCORE:
        cut_off = hint_px is None and cut_by_frame_of(view)
        raise GapvisionError("gap-out-of-frame" if cut_off else "seam-not-found")
    rest = score.copy()
    rows = np.arange(len(view.t_mm))[:, None]
    rest[np.abs(rows - path[None]) < 14.0 / CELL_T_MM] = 0.0
    _, rival = best_path(rest)
    t_path = view.t_mm[path]
    t_smooth = smooth(t_path, 9)
    sides = {}
    for k, letter in enumerate(field.letters):
        s0, t0, _ = boxes[k]
        sides[letter] = "up" if t0 < np.interp(s0, view.s_mm, t_smooth) else "down"
    line = centre_line(view.s_mm, t_smooth, station_mm)
    line = CentreLine(s_mm=line.s_mm, points=line.points @ turn.T, normals=line.normals @ turn.T)
    return SeamFind(line, mean, rival / max(mean, 1e-9), sides, cut_by_frame_of(view))


def search_view(
    photo: Photo, field: FittedField, views: list[StripView]
) -> tuple[FloatArray, list[tuple[float, float, float]], Overview, NDArray[np.bool_]]:
    """The frame along the strips and their places in it, as of :func:`search_frame`; the panel in it, what hides it."""
    turn, boxes = search_frame(field, views)
    corners = np.concatenate([field.strip_corners(v) for v in views]) @ turn
    reach = np.array([REACH_BEYOND_MM, SEARCH_MM])
    view = overview(photo, field, turn, corners.min(0) - reach, corners.max(0) + reach, (CELL_S_MM, CELL_T_MM))
    return turn, boxes, view, blocked_by(view, boxes, field, views)


def _between_or_beside(view: Overview, boxes: list[tuple[float, float, float]]) -> NDArray[np.bool_]:
    """Where the seam may lie: between strips on both of its sides; anywhere when they lie on one line."""
    t0 = np.array([b[1] for b in boxes])
    # Strips whose middles are more than a strip's width apart across lie on two sides of the seam.
    if t0.max() - t0.min() < 46.0:
        return np.ones((len(view.t_mm), len(view.s_mm)), bool)
    middle = 0.5 * (t0.max() + t0.min())
    inside = np.ones((len(view.t_mm), len(view.s_mm)), bool)
    ss, tt = np.meshgrid(view.s_mm, view.t_mm)
    for s, t, angle in boxes:
        line = t + np.tan(angle) * (ss - s)
        near = np.abs(ss - s) < 140.0
        inside &= ~near | ((tt > line) if t < middle else (tt < line))
    return inside


def cut_by_frame_of(view: Overview) -> bool:
    """Whether part of the places where a seam may lie is outside the photo."""
    return bool((~np.isfinite(view.linear)).mean() > 0.15)


def smooth(y: FloatArray, window: int) -> FloatArray:
    """Running median, then running mean; a coarse centre line needs no detail."""
    half = window // 2
    pad = np.pad(y, half, mode="edge")
    med = np.median(np.lib.stride_tricks.sliding_window_view(pad, window), axis=1)
    # Reflect about the ends so that a slanting line keeps its slope there.
    left = 2 * med[0] - med[half:0:-1]
    right = 2 * med[-1] - med[-2 : -half - 2 : -1]
    pad = np.concatenate([left, med, right])
    return np.convolve(pad, np.ones(window) / window, mode="valid")


def centre_line(x: FloatArray, y: FloatArray, station_mm: float) -> CentreLine:
    """Stations at equal arc length along a curve y(x) on the panel.

    Parameters
    ----------
    x, y : ndarray, shape (m,)
        Points of the curve (s, t of the field) [mm], x increasing.
    station_mm : float
        Spacing [mm].
    """
    xf = np.linspace(x[0], x[-1], max(2, round((x[-1] - x[0]) / 0.25) + 1))
    yf = np.interp(xf, x, y)
    return line_through(np.stack([xf, yf], 1), station_mm)


def line_through(course: FloatArray, station_mm: float) -> CentreLine:
    """Stations at equal arc length along a row of places (m, 2)."""
    arc = np.concatenate([[0], np.cumsum(np.linalg.norm(np.diff(course, axis=0), axis=1))])
    s = np.arange(0, arc[-1], station_mm)
    points = np.stack([np.interp(s, arc, course[:, k]) for k in range(2)], 1)
    return CentreLine(s_mm=s, points=points, normals=normals_along(points, station_mm))


def _without_strays(line: CentreLine, middle_mm: FloatArray) -> FloatArray:
    """Middle with stretches that leave the seam's own course put back on to it.

    A pen line or the border of a patch beside the gap can draw both edges away together over some length.  A seam
    bends, but where most of its stations lie on a line or a plain arc, that tells which stretches do not belong to it.
    """
    places = line.points + line.normals * middle_mm[:, None]
    centre = places.mean(0)
    _, _, axes = np.linalg.svd(places - centre, full_matrices=False)
    along, across = ((places - centre) @ axes.T).T
    x = along / max(float(np.ptp(along)) / 2, 1e-9)
    for degree, share in _COURSES:
        weight = np.ones(len(x))
        course = across
        for _ in range(12):
            course = np.polynomial.Polynomial.fit(x, across, degree, w=np.sqrt(weight))(x)
            away = np.abs(across - course)
            weight = np.where(away < _COURSE_NEAR_MM, 1.0, (_COURSE_NEAR_MM / np.maximum(away, 1e-9)) ** 2)
        if np.mean(away < _COURSE_NEAR_MM) >= share:
            stray = away > _STRAY_MM
            # What only runs beside the seam runs parallel to it; a bend of the seam itself does not.
            slope = np.abs(np.gradient(smooth(across - course, 9))) / np.maximum(np.abs(np.gradient(along)), 1e-6)
            if stray.sum() < _STRAY_STATIONS or float(np.median(slope[stray])) > _PARALLEL:
                return middle_mm
            # The axis and the normals are nearly square to each other; the sign says which way.
            turn = line.normals @ axes[1]
            return np.where(stray, middle_mm + (course - across) * np.sign(np.where(turn == 0, 1, turn)), middle_mm)
    return middle_mm


def recentre(line: CentreLine, middle_mm: FloatArray, station_mm: float) -> CentreLine:
    """Move a centre line on to the middle of the gap that was found beside it.

    Parameters
    ----------
    line : CentreLine
        Earlier line.
    middle_mm : ndarray, shape (n,)
        Offset of the gap's middle at every station [mm].
    station_mm : float
        Spacing of the new stations [mm].
    """
    return moved(line, _without_strays(line, middle_mm), station_mm)


def moved(line: CentreLine, by_mm: FloatArray, station_mm: float) -> CentreLine:
    """Move a centre line across, smoothly, and put stations on it anew.

    Parameters
    ----------
    line : CentreLine
        Earlier line.
    by_mm : ndarray, shape (n,)
        How far, at every station [mm].
    station_mm : float
        Spacing of the new stations [mm].
    """
    new = line_through(line.points + line.normals * smooth(by_mm, 21)[:, None], station_mm)
    before = line.normals[np.minimum(np.arange(len(new.normals)), len(line.normals) - 1)]
    return new if (new.normals * before).sum() >= 0 else replace(new, normals=-new.normals)


def orient(
    photo: Photo, views: list[StripView], flat: FittedField, found: SeamFind, known: KnownStrips | None = None
) -> tuple[FittedField, CentreLine, dict[str, str]]:
    """Name the sides, and fit the field again with the step between the panels free where strips lie on both.

    Parameters
    ----------
    photo, views
        The photo and its strips.
    flat : FittedField
        Fitted with all strips at one height.
    found : SeamFind
        The seam found with it.
    known : KnownStrips, optional
        What is known of how alike the strips are.

    Returns
    -------
    field : FittedField
        With the step between the panels.
    line : CentreLine
        The seam's, carried over to that field; its normals point from A to B.
    sides : dict of str to str
        For every strip ``A`` or ``B``; A is the panel of the strip with the lowest letter.
    """
    first = found.sides[min(found.sides)]
    sides = {letter: "A" if side == first else "B" for letter, side in found.sides.items()}
    side_b = frozenset(letter for letter, side in sides.items() if side == "B")
    if not side_b:
        # The normals of the line that was found point down in the field's frame.
        return flat, found.line if first == "up" else replace(found.line, normals=-found.line.normals), sides
    field = fit_field(views, flat.size_px, photo.focal_35mm_mm, side_b, flat, known)
    points = field.to_panel(flat.project(found.line.points))
    half, ahead = 6, np.gradient(points, axis=0)
    window = np.ones(2 * half + 1) / (2 * half + 1)
    padded = np.pad(ahead, ((half, half), (0, 0)), mode="edge")
    ahead = np.stack([np.convolve(padded[:, i], window, mode="valid") for i in range(2)], 1)
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    normals = np.stack([-ahead[:, 1], ahead[:, 0]], 1)
    place = {letter: np.array(field.strip_place(i)[:2]) for i, letter in enumerate(field.letters)}
    mean_a, mean_b = (np.mean([place[k] for k in sides if sides[k] == side], axis=0) for side in "AB")
    if (normals * (mean_b - mean_a)).sum(1).mean() < 0:
        normals = -normals
    return field, replace(found.line, points=points, normals=normals), sides
