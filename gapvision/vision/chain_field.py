"""One frame for photos that lie side by side along a seam: one adjustment of all cameras, strips, bends and steps.

Each photo keeps its own map (:mod:`gapvision.model.field`), drawn about a strip that it shows, so that its panel bends
as it does there; the maps are tied by the strips that photos share, by the one lens, and by what is smooth along a
panel.  On the developed panel the frames of two photos differ by a shift and a turn.  So a seam may be as long as it
likes, its panel may change its bend on the way, and the covariance of all says how far its ends are known to each
other.

A strip that is moved forward between photos counts as a new strip from then on; one that was bumped is found by what
the adjustment leaves, and does the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, field, replace
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.model import COVERAGE_FACTOR, FittedField, FloatArray, Notice, StripView, Taped
from gapvision.model.field import CX, CY, K1, K2, KS, KST, KT, LOG_F, N_COMMON, RVEC, STEP, TVEC, own_parameters
from gapvision.targets.strip import PATTERN_LENGTH_MM, PATTERN_WIDTH_MM, pattern_mm
from gapvision.vision.field import UNFIT_SHARE, Corners, KnownStrips, Prior, one_thread, prior_of
from gapvision.vision.joint_field import APART_MM, APART_SHARE, MOVED_DEVIATIONS, MOVED_MM, SAME_FOCAL, TIE_K, TIE_LOG_F

# A panel's bend and the step between two panels change over some hundreds of millimetres; common practice, no source.
_SMOOTH_MM, _STEP_CHANGES_MM = 600.0, 0.5
_SAME_WAY = float(np.cos(np.radians(40)))  # of twice the angle: strips laid nearer than 20 degrees bend alike
# A printed and taped strip is a straight-edge to about so much [mm], and so straight [rad]; one that one photo sees the
# head of and the next one the tail turns no better.  several_photos, section 2; common practice, no source.
_PAPER_MM, _PAPER_RAD, _PAPER_UP_MM = 0.010, 1e-4, 0.03
# A strip found further than this from where it lay was carried forward by a hand, not bumped.
_CARRIED_MM = 60.0
# A photo whose own seam lies further than this off where the others have it shows another seam.
_ELSEWHERE_MM, _LEAST_OVERLAP_MM = 3.0, 15.0
_SAME_MISFIT_MM = 0.5
_FAR_CORNER = 5.2  # standard deviations at which a corner has half its say: as in gapvision.vision.field
# Where no photo says its focal length, a drawn set of three needed 33 steps.
_MOST_STEPS, _STILL_TO_GO, _MOST_SPLITS = 80, 1e-3, 8
_SAME_COST = 0.5  # of two ways to part a strip's photos; the later photos are taken for the moved ones
_ARM_MM, _TURN_MM = 100.0, 100.0
_CONTRADICTS = 3.0  # standard deviations: one in 370 taped distances that are right
_HELD = 1e-8
_DIFFERENCE = 1e-6
_OF_PHOTO = N_COMMON + 1  # and how fast the bend changes along the seam
_BEND_CHANGES = 4e-7  # [1/mm2]: a bonnet's crown goes from 1/2000 to 1/1000 over a metre; common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class ChainPhoto:
    """What one photo by itself tells.

    Attributes
    ----------
    file : str
    views : sequence of StripView
    field : FittedField
        Its own map; the frame is that of its first strip.
    focal_35mm_mm : float or None
        From EXIF.
    sides : dict of str to str
        Panel of each of its strips as it has them, A or B.
    middle_mm : ndarray, shape (n, 2)
        Middle of the gap along its own seam, in its own frame [mm].
    """

    file: str
    views: Sequence[StripView]
    field: FittedField
    focal_35mm_mm: float | None
    sides: dict[str, str]
    middle_mm: FloatArray

    def names(self, by_sheet: bool) -> dict[str, str]:
        """What each strip is known by in other photos: its letter, and with several sheets in view that of its sheet.

        A strip whose sheet could not be read joins nothing then.
        """
        if not by_sheet:
            return {v.letter: v.letter for v in self.views}
        return {v.letter: f"{v.letter}{self.file if v.sheet is None else v.sheet}" for v in self.views}


@dataclass(frozen=True, slots=True, eq=False)
class Chain:
    """Photos along a seam in one frame.

    Attributes
    ----------
    kept : tuple of int
        Numbers of the photos in it, rising.
    fields : tuple of FittedField
        Of each, in its own frame, with its own strips.
    places : ndarray, shape (n, 3)
        Where each one's frame lies in the common one: s, t [mm] and turn [rad].
    flipped : tuple of bool
        Whether a photo's own A and B have changed places.
    sides : tuple of dict
        Panel of each strip of each photo, A or B.
    notices : tuple of Notice
    scale : Scale or None
        What a taped distance told of lengths along the strips.
    """

    kept: tuple[int, ...]
    fields: tuple[FittedField, ...]
    places: FloatArray
    flipped: tuple[bool, ...]
    sides: tuple[dict[str, str], ...]
    notices: tuple[Notice, ...]
    _spread: _Spread
    scale: Scale | None = None

    def to_common(self, k: int, local: FloatArray) -> FloatArray:
        """Places (m, 2) in the frame of the k-th kept photo, in the common frame [mm]."""
        return placed(self.places[k], local) * (1.0 if self.scale is None else self.scale.times)

    def course(self, photo: NDArray[np.int64], px: FloatArray, up_mm: FloatArray, normals: FloatArray) -> FloatArray:
        """Covariance (m, m) of how far places lie across the seam, by what the frame leaves open [mm2].

        Parameters
        ----------
        photo : ndarray of int, shape (m,)
            Which of the kept photos shows each place.
        px : ndarray, shape (m, 2)
            Where [px].
        up_mm : ndarray, shape (m,)
            At which height in that photo's frame [mm].
        normals : ndarray, shape (m, 2)
            Unit vectors across the seam, in the common frame.
        """
        rows = np.zeros((len(px), len(self._spread.covariance)))
        for k in np.unique(photo):
            at = np.flatnonzero(photo == k)
            of_map, of_frame, columns, frame_columns = self._spread.ways[k]
            fitted, place = self.fields[k], self.places[k]
            unit = np.sqrt(np.maximum(np.diag(fitted.covariance), 1e-18))
            moved = fitted.to_panel(px[at], up_mm[at], fitted.params + np.diag(unit))
            local = fitted.to_panel(px[at], up_mm[at])
            ways = (moved - local) @ _turn(place[2]).T / unit[:, None, None]
            rows[np.ix_(at, columns)] += np.einsum("pmx,mx,pc->mc", ways, normals[at], of_map)
            away = placed(place, local) - place[:2]
            turned = np.stack([-away[:, 1], away[:, 0]], 1)
            by_frame = np.concatenate([normals[at], (turned * normals[at]).sum(1)[:, None]], 1)
            rows[np.ix_(at, frame_columns)] += by_frame @ of_frame
        return rows @ self._spread.covariance @ rows.T


@dataclass(frozen=True, slots=True)
class Scale:
    """How much longer lengths along the strips are than their print says, and its standard uncertainty."""

    times: float
    std_u: float


@dataclass(frozen=True, slots=True, eq=False)
class _Spread:
    """Covariance of all that was adjusted, and of each photo: what its map and its frame's place take from it."""

    covariance: FloatArray
    ways: list[tuple[FloatArray, FloatArray, NDArray[np.int64], NDArray[np.int64]]]


def fit_chain(
    photos: Sequence[ChainPhoto],
    known: KnownStrips | None = None,
    taped: Taped | None = None,
    print_std: float = 0.0,
) -> Chain:
    """Fit one frame to photos along a seam; those that do not hang together with the most are left out and named.

    Parameters
    ----------
    photos : sequence of ChainPhoto
        In the order in which they were taken: a strip may be moved on between two of them.
    known : KnownStrips, optional
        What is known of the strips' likeness.
    taped : Taped, optional
        The distance between two of them as a person measured it.
    print_std : float
        Standard uncertainty of the print scale along the strips, to hold that against.

    Raises
    ------
    GapvisionError
        ``field-not-converged`` when the adjustment does not come to rest.
    """
    with one_thread():
        laid = _largest(photos)
        notices = [*laid.notices, *_missing(photos, laid)]
        known = known or KnownStrips()
        laid, fit, odd_ones = _settled(photos, laid, known)
        for i in odd_ones:
            notices.append(Notice(code="photo-left-out", message=f"{photos[i].file} was left out: {_OTHERWISE}."))
        for _ in range(_MOST_SPLITS):
            odd = _oddest(fit)
            if odd is None:
                break
            laid, fit, first_new = _split(photos, laid, known, odd)
            letter, first = odd[1], photos[first_new].file
            message = f"Strip {letter} was moved or lifted before {first} was taken; from there it counts as another."
            notices.append(Notice(code="strip-moved", message=message))
        fit, scale, told = _taped(photos, fit, taped, print_std) if taped else (fit, None, [])
        return replace(_made(photos, laid, fit, notices + told), scale=scale)


# --- which photos hang together, and roughly where they lie -------------------------


@dataclass(slots=True, eq=False)
class _Laid:
    """Photos laid on a common frame: where each one's frame lies, and which strip, counted anew, each view is."""

    by_sheet: bool = False
    places: dict[int, FloatArray] = field(default_factory=dict)
    flipped: dict[int, bool] = field(default_factory=dict)
    strips: dict[tuple[int, str], int] = field(default_factory=dict)  # photo and letter -> strip
    strip_places: list[FloatArray] = field(default_factory=list)
    strip_sides: list[str] = field(default_factory=list)
    now: dict[str, int] = field(default_factory=dict)  # the strip that a name stands for at last
    notices: list[Notice] = field(default_factory=list)
    elsewhere: dict[int, str] = field(default_factory=dict)

    def add(self, i: int, photo: ChainPhoto, place: FloatArray, flipped: bool, same: frozenset[str]) -> None:
        self.places[i], self.flipped[i] = place, flipped
        names = photo.names(self.by_sheet)
        for k, letter in enumerate(photo.field.letters):
            if letter not in same:
                self.now[names[letter]] = len(self.strip_places)
                self.strip_places.append(_onto(place, np.array(photo.field.strip_place(k))))
                self.strip_sides.append(photo.sides[letter] if not flipped else _OTHER[photo.sides[letter]])
            self.strips[i, letter] = self.now[names[letter]]


_OTHER = {"A": "B", "B": "A"}
_OTHERWISE = "its strips lie otherwise, so it shows another seam or another state"


def _largest(photos: Sequence[ChainPhoto]) -> _Laid:
    """The most photos that hang together by strips; of as many, those that begin first."""
    best, left = _Laid(), list(range(len(photos)))
    while left and len(left) > len(best.places):
        laid = _lay(photos, left)
        if len(laid.places) > len(best.places):
            best = laid
        left = [i for i in left if i not in laid.places]
    return best


def _lay(photos: Sequence[ChainPhoto], order: list[int]) -> _Laid:
    laid = _Laid(by_sheet=len({v.sheet for i in order for v in photos[i].views} - {None}) > 1)
    laid.add(order[0], photos[order[0]], np.zeros(3), False, frozenset())
    waiting = order[1:]
    while waiting:
        for i in waiting:
            if not set(photos[i].names(laid.by_sheet).values()) & set(laid.now):
                continue
            laid.elsewhere.pop(i, None)
            if _attach(photos, laid, i):
                waiting = [k for k in waiting if k != i]
                break
        else:
            return laid
    return laid


def _attach(photos: Sequence[ChainPhoto], laid: _Laid, i: int) -> bool:
    """Lay a photo on those that are laid, by the largest number of strips that lie as they lay; or say why not."""
    photo = photos[i]
    own = {x: _ends(np.array(photo.field.strip_place(k))) for k, x in enumerate(photo.field.letters)}
    names = photo.names(laid.by_sheet)
    shared = sorted(x for x in own if names[x] in laid.now)
    there = {x: _ends(laid.strip_places[laid.now[names[x]]]) for x in shared}
    found: list[tuple[float, float, FloatArray, frozenset[str], bool]] = []
    flat, crossed = 0.0, False
    for size in range(len(shared), 0, -1):
        for same in map(frozenset, combinations(shared, size)):
            flips = {photo.sides[x] != laid.strip_sides[laid.now[names[x]]] for x in same}
            ends = [np.concatenate([e[x] for x in sorted(same)]) for e in (own, there)]
            place = _laid_on(*ends)
            away = {x: float(np.linalg.norm(placed(place, own[x]) - there[x], axis=1).max()) for x in shared}
            room = APART_MM + APART_SHARE * float(np.ptp(ends[1], axis=0).max())
            carried = [x for x in shared if x not in same]
            # Of as many strips that lie a little otherwise as lie as before, these may as well be the ones that moved.
            bumped = sum(away[x] < _CARRIED_MM for x in carried)
            # Strips are carried along the seam, not over it: another seam has them on other sides.
            if any((photo.sides[x] != laid.strip_sides[laid.now[names[x]]]) not in flips for x in carried):
                crossed = True
                continue
            if len(flips) > 1 or max(away[x] for x in same) > room or bumped >= size:
                continue
            off = _seams_apart(photos, laid, placed(place, photo.middle_mm))
            if off > _ELSEWHERE_MM and size == 1:
                flat = off
                continue
            ahead = sum(float(_forward(photos, laid, there, own, place, x)) for x in carried)
            found.append((off, -ahead, place, same, flips.pop()))
        if found:
            break
    if not found:
        if flat:
            laid.elsewhere[i] = "by the strip that it shares, its seam lies elsewhere"
        elif len(shared) > 1:
            moved = f"strip {' or '.join(shared)} was moved before it"
            laid.elsewhere[i] = _OTHERWISE if crossed or len(shared) > 2 else moved
        else:
            laid.elsewhere[i] = "its strips lie on other sides of the seam than in the others"
        return False
    least = min(off for off, *_ in found)
    off, _, place, same, flipped = min((c for c in found if c[0] <= least + _SAME_MISFIT_MM), key=lambda c: c[1])
    for x in sorted(set(shared) - same):
        if float(np.linalg.norm(placed(place, own[x]) - there[x], axis=1).max()) < _CARRIED_MM:
            message = f"Strip {x} was moved or lifted before {photo.file} was taken; from there it counts as another."
            laid.notices.append(Notice(code="strip-moved", message=message))
    laid.add(i, photo, place, flipped, same)
    return True


def _forward(
    photos: Sequence[ChainPhoto],
    laid: _Laid,
    there: dict[str, FloatArray],
    own: dict[str, FloatArray],
    place: FloatArray,
    letter: str,
) -> float:
    """How far a strip would have been carried the way that the photos go; without a way, the first letters lead."""
    moved = placed(place, own[letter]).mean(0) - there[letter].mean(0)
    middles = [placed(laid.places[k], photos[k].middle_mm).mean(0) for k in sorted(laid.places)]
    way = middles[-1] - middles[0]
    length = float(np.linalg.norm(way))
    return float(moved @ way) / length if length > _CARRIED_MM else float(-ord(letter))


def _seams_apart(photos: Sequence[ChainPhoto], laid: _Laid, line: FloatArray) -> float:
    """Median distance of a photo's own seam from those that are laid, where they lie side by side; 0 where none do."""
    off = []
    for k, place in laid.places.items():
        other = placed(place, photos[k].middle_mm)
        if np.any(other.min(0) - 100 > line.max(0)) or np.any(line.min(0) - 100 > other.max(0)):
            continue
        apart = line[::5, None] - other[None]
        near = np.linalg.norm(apart, axis=2)
        nearest = near.argmin(1)
        # Beyond the other line's ends the nearest place says nothing.
        inside = (nearest > 0) & (nearest < len(other) - 1)
        if inside.sum() * 5 > _LEAST_OVERLAP_MM:
            off.append(near.min(1)[inside])
    return float(np.median(np.concatenate(off))) if off else 0.0


def _missing(photos: Sequence[ChainPhoto], laid: _Laid) -> list[Notice]:
    """Why the photos that were not laid were left out, and what one photo would mend."""
    out, broken = [], list[int]()
    shown = set().union(*(photos[k].names(laid.by_sheet).values() for k in laid.places))
    for i in (i for i in range(len(photos)) if i not in laid.places):
        # One that came first was held against none of the others.
        same = _OTHERWISE if shown & set(photos[i].names(laid.by_sheet).values()) else ""
        if why := laid.elsewhere.get(i, same):
            out.append(Notice(code="photo-left-out", message=f"{photos[i].file} was left out: {why}."))
        else:
            broken.append(i)
    while broken:
        group = [broken.pop(0)]
        for i in broken[:]:
            theirs = set().union(*(photos[k].names(laid.by_sheet).values() for k in group))
            if theirs & set(photos[i].names(laid.by_sheet).values()):
                group.append(i)
                broken.remove(i)
        # Photos are taken along the seam in turn: the gap lies where the turns of both are nearest.
        here, there = min(((i, k) for i in group for k in laid.places), key=lambda pair: abs(pair[0] - pair[1]))
        names = " and ".join(photos[i].file for i in group)
        show, was = ("shows", "it was") if len(group) == 1 else ("show", "they were")
        strips = (" or ".join(sorted(photos[k].field.letters)) for k in (there, here))
        between = " and ".join(photos[k].file for k in sorted((there, here)))
        out.append(
            Notice(
                code="chain-broken",
                message=f"{names} {show} none of the strips that the other photos show; {was} left out.",
                advice=f"One photo from between {between} would join them: "
                f"it must show strip {next(strips)} together with strip {next(strips)}.",
            )
        )
    return out


# --- the adjustment ------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _OnePhoto:
    """A photo in the adjustment: its corners, the scatter of each, and where what it needs stands among all."""

    corners: Corners
    noise_px: float
    unit: FloatArray
    block: slice  # lens, bends, step, pose, change of the bend
    strips: NDArray[np.int64]  # place (3), size, height of each of its strips
    paper: NDArray[np.int64]  # what each lies otherwise in this photo: place (3), height


@dataclass(frozen=True, slots=True, eq=False)
class _Adjusted:
    params: FloatArray
    covariance: FloatArray
    cost: float
    photos: dict[int, _OnePhoto]
    laid: _Laid
    noise_px: dict[int, float]


def _settled(
    photos: Sequence[ChainPhoto], laid: _Laid, known: KnownStrips
) -> tuple[_Laid, _Adjusted, list[int]]:
    """The adjustment; where it does not come to rest, without one photo of whose strips it then does."""
    try:
        return laid, _adjusted(photos, laid, known), []
    except GapvisionError:
        for i in sorted(laid.places, reverse=True):
            rest = replace(
                laid,
                places={k: v for k, v in laid.places.items() if k != i},
                strips={v: strip for v, strip in laid.strips.items() if v[0] != i},
            )
            if len(rest.places) > 1 and _whole(rest):
                with suppress(GapvisionError):
                    return rest, _adjusted(photos, rest, known), [i]
        raise


def _adjusted(photos: Sequence[ChainPhoto], laid: _Laid, known: KnownStrips) -> _Adjusted:
    layout, priors = _layout(photos, laid, known)
    x, mean, precision = _start(photos, laid, layout, priors)
    n, steps, damped = len(x), 0, 0.0
    cost, pull, normal = _normal(layout, x, mean, precision)
    while True:
        step = -np.linalg.solve(normal + damped * np.diag(np.diag(normal)), pull)
        if -step @ pull < _STILL_TO_GO and damped < 1e-6:
            break
        if steps == _MOST_STEPS:
            raise GapvisionError("field-not-converged")
        steps += 1
        tried = _normal(layout, x + step, mean, precision)
        if tried[0] <= cost + 1e-9:
            x, (cost, pull, normal), damped = x + step, tried, damped / 10 if damped > 1e-7 else 0.0
        else:
            damped = max(10 * damped, 1e-4)
    covariance = np.linalg.inv(normal)
    left = {}
    for i, one in layout.items():
        q = _local(x, one)[0]
        size = np.linalg.norm(one.corners.off(q), axis=1)
        left[i] = float(np.median(size)) / 1.1774
        if left[i] > UNFIT_SHARE * max(photos[i].field.size_px):
            raise GapvisionError("field-not-converged")
    assert covariance.shape == (n, n)
    return _Adjusted(x, 0.5 * (covariance + covariance.T), cost, layout, laid, left)


def _layout(
    photos: Sequence[ChainPhoto], laid: _Laid, known: KnownStrips
) -> tuple[dict[int, _OnePhoto], dict[int, Prior]]:
    kept, n_strips = sorted(laid.places), len(laid.strip_places)
    at, layout, priors = 5 * n_strips, {}, {}
    for i in kept:
        photo, own = photos[i], photos[i].field
        views = sorted(photo.views, key=lambda v: own.letters.index(v.letter))
        raised = np.array([x in own.raised for x in own.letters])
        corners = Corners(views, own.letters, raised)
        priors[i] = prior_of(own.size_px, photo.focal_35mm_mm, views, bool(raised.any()), known)
        m = len(own.letters)
        strips = np.array([5 * laid.strips[i, x] for x in own.letters])[:, None] + np.arange(5)
        block, paper = slice(at, at + _OF_PHOTO), at + _OF_PHOTO + np.arange(4 * m).reshape(m, 4)
        at = int(paper[-1, -1]) + 1
        slopes = corners.slopes(own.params, priors[i].unit) / own.noise_px
        root = priors[i].root * priors[i].unit
        plain = slopes.T @ slopes + root.T @ root
        # Neighbouring corners err alike: the photo's own map knows by how much less its corners tell for that.
        alike = np.diag(own.covariance) / np.maximum(np.diag(np.linalg.inv(plain)) * priors[i].unit**2, 1e-30)
        counts = [TVEC.start, TVEC.start + 1, *range(N_COMMON, N_COMMON + 3 * (m - 1))]
        share = float(np.exp(np.mean(np.log(np.maximum(alike[counts], 1.0)))))
        unit = np.append(priors[i].unit, _BEND_CHANGES)
        layout[i] = _OnePhoto(corners, own.noise_px * np.sqrt(share), unit, block, strips, paper)
    return layout, priors


def _start(
    photos: Sequence[ChainPhoto], laid: _Laid, layout: dict[int, _OnePhoto], priors: dict[int, Prior]
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where to start, what is expected, and how firmly: values (n,), means (n,), inverse covariance (n, n)."""
    size = max(int(one.paper.max()) for one in layout.values()) + 1
    x, mean, precision = np.zeros(size), np.zeros(size), np.zeros((size, size))
    kept = sorted(layout)
    for k, place in enumerate(laid.strip_places):
        x[5 * k : 5 * k + 3] = place
    # The first strip is the frame.
    mean[:3] = x[:3]
    precision[:3, :3] = np.eye(3) / _HELD**2
    _expect_strips(photos, laid, layout, priors, precision)
    for i in kept:
        one, own, prior = layout[i], photos[i].field, priors[i]
        common = slice(one.block.start, one.block.start + N_COMMON)
        x[common] = own.params[:N_COMMON]
        mean[common] = np.where(np.arange(N_COMMON) < RVEC.start, prior.mean[:N_COMMON], own.params[:N_COMMON])
        sizes = own.params[own_parameters(len(own.letters))].reshape(-1, 2)
        x[one.strips[:, 3:]] = sizes
        precision[one.paper, one.paper] = 1 / np.array([_PAPER_MM, _PAPER_MM, _PAPER_RAD, _PAPER_UP_MM]) ** 2
    sigma = {i: 1 / np.abs(priors[i].root[: RVEC.start, : RVEC.start]).max(1) for i in kept}
    focal = np.array([priors[i].mean[LOG_F] - np.log(np.hypot(*photos[i].field.size_px)) for i in kept])
    same = np.abs(np.subtract.outer(focal, focal)) < SAME_FOCAL
    near = _nearness(photos, laid, kept)
    sign = np.array([-1.0 if laid.flipped[i] else 1.0 for i in kept])
    # Seen from its other end, a bend that grows shrinks.
    way = np.sign(np.cos([laid.places[i][2] for i in kept]))
    at = [layout[i].block.stop - 1 for i in kept]
    change = _BEND_CHANGES**2 * (np.outer(way, way) * 0.99 * near + 0.01 * np.eye(len(kept)))
    precision[np.ix_(at, at)] += np.linalg.inv(change)
    stepped = np.array([photos[i].field.step_free for i in kept])
    for which in range(RVEC.start):
        each = np.array([sigma[i][which] for i in kept])
        spread = np.diag(each**2)
        if which in (LOG_F, K1, K2):
            tie = TIE_LOG_F if which == LOG_F else TIE_K
            spread = np.outer(each, each) * same + tie**2 * np.eye(len(kept))
        elif which in (KS, KT, KST):
            spread = np.outer(each, each) * (0.99 * near + 0.01 * np.eye(len(kept)))
        elif which == STEP:
            both = np.outer(stepped, stepped) * np.outer(sign, sign)
            spread = both * (np.outer(each, each) + _STEP_CHANGES_MM**2 * near)
            spread += np.diag(np.where(stepped, 1e-6, each**2))
        else:
            assert which in (CX, CY)
        at = [layout[i].block.start + which for i in kept]
        precision[np.ix_(at, at)] += np.linalg.inv(spread)
    return x, mean, precision


def _expect_strips(
    photos: Sequence[ChainPhoto],
    laid: _Laid,
    layout: dict[int, _OnePhoto],
    priors: dict[int, Prior],
    precision: FloatArray,
) -> None:
    """Sizes and heights of all strips, as alike as each photo's prior has them."""
    n = len(laid.strip_places)
    for which in (3, 4):
        apart, own, alike = np.zeros(n), np.zeros(n), True
        for i, one in layout.items():
            m = len(photos[i].field.letters)
            root = priors[i].root[RVEC.start + (which - 3) * m : RVEC.start + (which - 2) * m]
            root = root[:, N_COMMON + 3 * (m - 1) + which - 3 : N_COMMON + 3 * (m - 1) + 2 * m : 2]
            spread = np.linalg.inv(root.T @ root)
            rows = one.strips[:, 0] // 5
            together = spread[0, 1] if m > 1 else spread[0, 0]
            apart[rows], own[rows] = np.maximum(together, 0), np.diag(spread)
            alike &= bool(m == 1 or together > 0)
        # Strips of one sheet share what is not known of it; of strips of unknown sheets nothing is shared.
        common = float(apart.min()) if alike else 0.0
        spread = common * np.ones((n, n)) + np.diag(np.maximum(own - common, 1e-10))
        at = 5 * np.arange(n) + which
        precision[np.ix_(at, at)] += np.linalg.inv(spread)


def _nearness(photos: Sequence[ChainPhoto], laid: _Laid, kept: list[int]) -> FloatArray:
    """How alike the panel is where two photos lie, 0 to 1."""
    at = np.array([placed(laid.places[i], photos[i].middle_mm).mean(0) for i in kept])
    turn = np.array([laid.places[i][2] for i in kept])
    away = np.linalg.norm(at[:, None] - at[None], axis=2)
    alike = np.cos(2 * np.subtract.outer(turn, turn)) > _SAME_WAY
    near = np.exp(-away / _SMOOTH_MM) * alike
    # Strips that lie across one another are few, and the rest must stay a covariance.
    return np.asarray(near if np.linalg.eigvalsh(near).min() > -1e-9 else np.eye(len(kept)))


def _local(x: FloatArray, one: _OnePhoto) -> tuple[FloatArray, FloatArray]:
    """Parameters of a photo's own map, shape (p,), and where its frame lies (3,); x may be (..., n)."""
    strips, paper = x[..., one.strips], x[..., one.paper]
    at = strips[..., :3] + paper[..., :3]
    frame = at[..., 0, :]
    away = at[..., 1:, :] - frame[..., None, :]
    c, d = np.cos(frame[..., None, 2]), np.sin(frame[..., None, 2])
    rest = np.stack([c * away[..., 0] + d * away[..., 1], c * away[..., 1] - d * away[..., 0], away[..., 2]], -1)
    own = np.stack([strips[..., 3], strips[..., 4] + paper[..., 3]], -1)
    flat = [v.reshape(*x.shape[:-1], -1) for v in (rest, own)]
    of_photo = x[..., one.block]
    return np.concatenate([of_photo[..., :-1], *flat, of_photo[..., -1:]], -1), frame


def _ways(x: FloatArray, one: _OnePhoto) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Derivatives of both by what they depend on, shapes (p, c) and (3, c), and its columns (c,)."""
    block = np.arange(one.block.start, one.block.stop)
    columns = np.unique(np.concatenate([block, one.strips.ravel(), one.paper.ravel()]))
    moved = np.zeros((2, len(columns), len(x)))
    moved[:, np.arange(len(columns)), columns] = [[_DIFFERENCE], [-_DIFFERENCE]]
    q, frame = _local(x + moved, one)
    return (q[0] - q[1]).T / (2 * _DIFFERENCE), (frame[0] - frame[1]).T / (2 * _DIFFERENCE), columns


def _normal(
    layout: dict[int, _OnePhoto], x: FloatArray, mean: FloatArray, precision: FloatArray
) -> tuple[float, FloatArray, FloatArray]:
    """Cost, its slope and the normal matrix; corners weigh by Cauchy's loss."""
    away = x - mean
    pull, normal = precision @ away, precision.copy()
    cost = 0.5 * float(away @ pull)
    far2 = _FAR_CORNER**2
    for one in layout.values():
        q, _ = _local(x, one)
        off = one.corners.off(q) / one.noise_px
        square = (off**2).sum(1)
        cost += 0.5 * float(far2 * np.log1p(square / far2).sum()) if np.isfinite(square).all() else np.inf
        if not np.isfinite(cost):
            return np.inf, pull, normal
        weight = np.repeat(1 / (1 + square / far2), 2)
        of_map, _, columns = _ways(x, one)
        slope = one.corners.slopes(q, one.unit) / one.unit / one.noise_px @ of_map
        pull[columns] += slope.T @ (weight * off.ravel())
        normal[np.ix_(columns, columns)] += slope.T @ (weight[:, None] * slope)
    return cost, pull, normal


# --- a taped distance ----------------------------------------------------------------


def _taped(
    photos: Sequence[ChainPhoto], fit: _Adjusted, taped: Taped, print_std: float
) -> tuple[_Adjusted, Scale | None, list[Notice]]:
    """The adjustment with one observation more, the distance between two strips, and what it says of the scale."""
    laid, two = fit.laid, []
    by_name = [(photos[i].names(laid.by_sheet)[x], i, x) for i, x in sorted(laid.strips)]
    for name in taped.strips:
        seen = {laid.strips[i, x]: (i, x) for known, i, x in by_name if name in (known, known[:1])}
        if len(seen) != 1:
            why = f"strip {name} lay in {len(seen)} places" if seen else f"no photo shows strip {name}"
            return fit, None, [Notice(code="taped-unused", message=f"The taped distance was not used: {why}.")]
        two.append(next(iter(seen.items())))
    columns = np.concatenate([5 * strip + np.arange(4) for strip, _ in two])
    corners = [_outer_mm(next(v for v in photos[i].views if v.letter == x)) for _, (i, x) in two]

    def apart(x: FloatArray) -> float:
        ends = [placed(at[:3], own * (1 + at[3])) for at, own in zip(x.reshape(2, 4), corners, strict=True)]
        return float(np.linalg.norm(ends[0][:, None] - ends[1][None], axis=2).max())

    at = fit.params[columns]
    told, step = apart(at), 1e-4
    slope = np.zeros(len(fit.params))
    slope[columns] = [(apart(at + d) - apart(at - d)) / (2 * step) for d in step * np.eye(len(at))]
    own = fit.covariance @ slope
    tape = taped.expanded_u_mm / COVERAGE_FACTOR
    by_print = (told * print_std) ** 2
    variance = by_print + float(slope @ own) + tape**2
    off = taped.length_mm - told
    if abs(off) > _CONTRADICTS * np.sqrt(variance):
        values = {"strips": "-".join(taped.strips), "taped_mm": taped.length_mm, "seen_mm": told,
                  "seen_u_mm": COVERAGE_FACTOR * float(np.sqrt(variance - tape**2))}  # fmt: skip
        message = f"{values['strips']}: {taped.length_mm:.1f} mm was taped, the photos show {told:.1f} mm."
        # Which of the two is wrong is not known: lengths may be off by as much.
        wide = Scale(1.0, float(np.hypot(print_std, off / told)))
        return fit, wide, [Notice(code="taped-doubtful", message=message, values=values)]
    # One reading more to a Gaussian of which it is nearly linear (Kalman's step).
    better = replace(
        fit,
        params=fit.params + own * off / variance,
        covariance=fit.covariance - np.outer(own, own) / variance,
    )
    times = 1 + told * print_std**2 * off / variance
    return better, Scale(times, print_std * float(np.sqrt(1 - by_print / variance))), []


def _outer_mm(view: StripView) -> FloatArray:
    """Corners of a strip's pattern, shape (4, 2), from the middle of a whole one, which a short one begins as."""
    start, across = -0.5 * PATTERN_LENGTH_MM, 0.5 * PATTERN_WIDTH_MM
    ends = (start, start + pattern_mm(view.short))
    return np.array([(x, y) for x in ends for y in (-across, across)]) * view.print_scale


# --- strips that were bumped ---------------------------------------------------------


def _oddest(fit: _Adjusted) -> tuple[int, str] | None:
    """Photo and letter of the strip that lies otherwise there by most deviations, as far as the corners tell."""
    worst, odd = 0.0, None
    for (i, letter), strip in sorted(fit.laid.strips.items()):
        if sum(k == strip for k in fit.laid.strips.values()) < 2:
            continue
        one = fit.photos[i]
        row = int(np.flatnonzero(one.strips[:, 0] == 5 * strip)[0])
        at = one.paper[row]
        before = np.diag(np.array([_PAPER_MM, _PAPER_MM, _PAPER_RAD, _PAPER_UP_MM]) ** 2)
        told = before - fit.covariance[np.ix_(at, at)] + 1e-4 * before
        found = fit.params[at]
        pull = np.linalg.solve(told, found)
        deviations = float(np.sqrt(found @ pull))
        move = (before @ pull) * [1.0, 1.0, 0.6 * _TURN_MM, 1.0]
        if deviations > MOVED_DEVIATIONS and np.linalg.norm(move) > MOVED_MM and deviations > worst:
            worst, odd = deviations, (i, letter)
    return odd


def _split(
    photos: Sequence[ChainPhoto], laid: _Laid, known: KnownStrips, odd: tuple[int, str]
) -> tuple[_Laid, _Adjusted, int]:
    """The strip counted as another one from some photo on, or in this photo alone: whichever fits best."""
    i, letter = odd
    strip = laid.strips[odd]
    seen = sorted(k for (k, _), s in laid.strips.items() if s == strip)
    choices = [{k for k in seen if k >= first} for first in seen[1:]] + [{i}]
    best = None
    for of_new in choices:
        new = len(laid.strip_places)
        tried = replace(
            laid,
            strips={v: new if v[0] in of_new and s == strip else s for v, s in laid.strips.items()},
            strip_places=[*laid.strip_places, laid.strip_places[strip].copy()],
            strip_sides=[*laid.strip_sides, laid.strip_sides[strip]],
        )
        if not _whole(tried):
            continue
        adjusted = _adjusted(photos, tried, known)
        if best is None or adjusted.cost < best[1].cost - _SAME_COST:
            best = (tried, adjusted, min(of_new))
    if best is None:
        raise GapvisionError("chain-doubtful", f"Strip {letter} was moved before {photos[i].file} was taken.")
    return best


def _whole(laid: _Laid) -> bool:
    """Whether all photos still hang together."""
    joined, grown = {min(laid.places)}, True
    while grown:
        strips = {s for (i, _), s in laid.strips.items() if i in joined}
        more = {i for (i, _), s in laid.strips.items() if s in strips} - joined
        joined, grown = joined | more, bool(more)
    return len(joined) == len(laid.places)


def _made(photos: Sequence[ChainPhoto], laid: _Laid, fit: _Adjusted, notices: list[Notice]) -> Chain:
    kept = sorted(fit.photos)
    fields, places, ways = [], [], []
    for i in kept:
        one, own = fit.photos[i], photos[i].field
        q, frame = _local(fit.params, one)
        of_map, of_frame, columns = _ways(fit.params, one)
        covariance = of_map @ fit.covariance[np.ix_(columns, columns)] @ of_map.T
        fields.append(replace(own, params=q, covariance=0.5 * (covariance + covariance.T), noise_px=fit.noise_px[i]))
        places.append(frame)
        ways.append((of_map, of_frame, columns, columns))
    lowest = min(
        (x, i, laid.strip_sides[laid.strips[i, x]]) for i in kept for x in photos[i].field.letters
    )  # of a letter used twice the first place counts
    swapped = lowest[2] == "B"
    sides = [
        {x: _OTHER[s] if swapped else s for x in photos[i].field.letters for s in [laid.strip_sides[laid.strips[i, x]]]}
        for i in kept
    ]
    return Chain(
        kept=tuple(kept),
        fields=tuple(fields),
        places=np.array(places),
        flipped=tuple(laid.flipped[i] != swapped for i in kept),
        sides=tuple(sides),
        notices=tuple(notices),
        _spread=_Spread(fit.covariance, ways),
    )


# --- frames on the developed panel ---------------------------------------------------


def _turn(angle: float) -> FloatArray:
    c, d = np.cos(angle), np.sin(angle)
    return np.array([[c, -d], [d, c]])


def placed(place: FloatArray, local: FloatArray) -> FloatArray:
    """Places (..., 2) of a frame that lies at (s, t, turn) in another one, in that one [mm]."""
    return np.asarray(local @ _turn(float(place[2])).T + place[:2])


def _onto(place: FloatArray, local: FloatArray) -> FloatArray:
    return np.array([*placed(place, local[:2]), place[2] + local[2]])


def _ends(place: FloatArray) -> FloatArray:
    """Two places on a strip's middle line, shape (2, 2) [mm]."""
    return placed(place, np.array([[-_ARM_MM, 0.0], [_ARM_MM, 0.0]]))


def _laid_on(local: FloatArray, there: FloatArray) -> FloatArray:
    """The shift and turn that lay places (m, 2) best on others, shape (3,)."""
    a, b = local - local.mean(0), there - there.mean(0)
    angle = float(np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum()))
    return np.array([*(there.mean(0) - _turn(angle) @ local.mean(0)), angle])
