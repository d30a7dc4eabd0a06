"""One frame for several photos of a seam: their maps fitted together to all corners of all strips.

The model and what is known before looking are those of :mod:`gapvision.vision.field`.  Each photo has its own place of
the camera and its own lens, tied to that of the phone; the bends, the step, the strips' places, print scales and
heights are shared.  So a strip that was moved between two photos fits no shared place and is found.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from itertools import combinations

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.model import FittedField, FloatArray, Notice, StripView
from gapvision.model.field import (
    CX,
    CY,
    K1,
    K2,
    KS,
    LOG_F,
    N_COMMON,
    RVEC,
    STEP,
    TVEC,
    own_parameters,
    project,
    rotation,
    surface,
)
from gapvision.vision.field import (
    UNFIT_SHARE,
    Corners,
    Fit,
    KnownStrips,
    Prior,
    one_thread,
    prior_of,
    restart,
    settle,
)
from gapvision.vision.residue import Left, left_over

# How far the lenses of two photos of one phone differ: it focuses anew (0.4 % of focal length), and its picture is
# straightened a little otherwise.  From several_photos, section 2; common practice, no source.
TIE_LOG_F, TIE_K = 0.004, 0.004
SAME_FOCAL = 0.02  # photos of one camera have equivalent focal lengths this near to each other, share
# A strip that was bumped lies this far off in the middle of its corners [mm], and this many standard deviations.
# Printed paper that is taped down keeps its place to some hundredths; common practice, no source.
MOVED_MM, MOVED_DEVIATIONS = 0.10, 6.0
_MOST_MOVED_MM, _TURN_MM = 3.0, 100.0  # what a move that nothing shows may be; turns are told as mm at this length
# Single maps put two strips up to 0.21 mm otherwise to each other, seen from three places (12 shared sets).
APART_MM, APART_SHARE = 0.5, 0.003
_ROW_OF_PHOTO = 1000  # more rows of corners than the strips of a photo have

_LENS = (LOG_F, CX, CY, K1, K2)
_OF_PHOTO = np.array([*_LENS, *range(RVEC.start, TVEC.stop)])  # what each photo has for itself


@dataclass(frozen=True, slots=True, eq=False)
class JointFields:
    """Photos in one frame.

    Attributes
    ----------
    fields : tuple of FittedField
        Of each photo kept: the same strips in the same order, the same bends, step, places, print scales and heights.
    kept : tuple of int
        Numbers of those photos, rising.
    notices : tuple of Notice
        Strips that were moved, photos that were left out.
    covariance : ndarray, shape (p, p)
        Of all parameters of all photos together.
    of_photo : tuple of ndarray of int
        Where each kept photo's parameters stand among them.
    moved : frozenset of (int, str)
        Photo and letter of each strip that was left out of the fit because it had been moved.
    """

    fields: tuple[FittedField, ...]
    kept: tuple[int, ...]
    notices: tuple[Notice, ...]
    covariance: FloatArray
    of_photo: tuple[NDArray[np.int64], ...]
    moved: frozenset[tuple[int, str]] = frozenset()


def fit_jointly(
    views: Sequence[Sequence[StripView]],
    own: Sequence[FittedField],
    known: KnownStrips | None = None,
    *,
    focals_35mm_mm: Sequence[float | None] = (),
    side_b: frozenset[str] | None = None,
    names: Sequence[str] = (),
) -> JointFields:
    """Fit one frame to several photos; those that do not fit in are left out and named.

    Parameters
    ----------
    views : sequence of sequences of StripView
        The strips in each photo.
    own : sequence of FittedField
        The map of each photo by itself.  Of two photos that contradict each other the first stays.
    known : KnownStrips, optional
        What is known of the strips' likeness.
    focals_35mm_mm : sequence of float or None
        Equivalent focal length of each photo from EXIF; left out: not known of any.
    side_b : frozenset of str, optional
        Letters of the strips on panel B; default: those that the photos' own maps have raised.
    names : sequence of str
        The photos' files, for the notices.

    Returns
    -------
    JointFields
        Of the largest number of photos that show the same strips in the same places; with one photo, its own map.

    Raises
    ------
    GapvisionError
        ``field-not-converged`` when a single photo is left and its own map cannot be fitted.
    """
    with one_thread():
        focals = list(focals_35mm_mm) or [None] * len(own)
        return _Joining(views, own, known or KnownStrips(), focals, side_b, names).joined()


class _Joining:
    """Which photos, and which strips in them, fit together."""

    def __init__(
        self,
        views: Sequence[Sequence[StripView]],
        own: Sequence[FittedField],
        known: KnownStrips,
        focals: list[float | None],
        side_b: frozenset[str] | None,
        names: Sequence[str],
    ) -> None:
        self.views, self.own, self.known, self.focals = views, own, known, focals
        self.side_b = frozenset(x for f in own for x in f.raised) if side_b is None else side_b
        self.names = list(names) or [str(k + 1) for k in range(len(own))]
        self._tried: dict[frozenset[tuple[int, str]], _Fitted | None] = {}

    def joined(self) -> JointFields:
        everything = self._of(range(len(self.own)))
        groups = _linked(everything)
        # Most photos first; of as many, those that come first.
        group = sorted(groups, key=lambda g: (-len(g), sorted(g)))[0]
        kept = self._largest(sorted(group))
        used, notices = self._of(kept), list[Notice]()
        moved: set[tuple[int, str]] = set()
        for i in sorted(set(range(len(self.own))) - set(kept)):
            if i not in group:
                notices.append(self._left_out(i, "it shows none of the strips that the others show"))
                continue
            odd = self._odd_strips(used, i)
            if len(odd) == 1 and self._told_by_another(used, i, odd[0]):
                used |= self._of([i]) - {(i, odd[0])}
                kept = sorted({*kept, i})
                moved.add((i, odd[0]))
                message = f"Strip {odd[0]} was moved or lifted before {self.names[i]} was taken; it was left out there."
                notices.append(Notice(code="strip-moved", message=message))
            elif odd:
                message = f"Strips lie otherwise in {self.names[i]}: {_either(odd)} was moved, or a panel. "
                notices.append(Notice(code="strip-moved", message=message + "That photo was left out."))
            else:
                notices.append(self._left_out(i, "its strips lie otherwise, so it shows another seam or another state"))
        fitted = self._fit(used)
        if fitted is None:
            raise GapvisionError("field-not-converged")
        fields, covariance = fitted.finished()
        return JointFields(
            fields=fields,
            kept=tuple(kept),
            notices=tuple(notices),
            covariance=covariance,
            of_photo=tuple(fitted.of_photo),
            moved=frozenset(moved),
        )

    def _left_out(self, i: int, why: str) -> Notice:
        return Notice(code="photo-left-out", message=f"{self.names[i]} was left out: {why}.")

    def _of(self, photos: Sequence[int] | range) -> frozenset[tuple[int, str]]:
        return frozenset((i, v.letter) for i in photos for v in self.views[i])

    def _fits(self, used: frozenset[tuple[int, str]]) -> bool:
        fitted = self._fit(used)
        return fitted is not None and not fitted.moved

    def _largest(self, photos: list[int]) -> list[int]:
        """The most photos that fit together; of as many, the first."""
        for size in range(len(photos), 1, -1):
            for some in combinations(photos, size):
                used = self._of(some)
                if len(_linked(used)) > 1:
                    continue
                # All pairs that share strips must fit before the whole is tried: they are cheap and kept.
                pairs = size > 2 and size < len(photos)
                if pairs and not all(self._fits(self._of(two)) for two in combinations(some, 2) if self._share(*two)):
                    continue
                if self._fits(used):
                    return list(some)
        return photos[:1]

    def _share(self, i: int, j: int) -> bool:
        return bool({v.letter for v in self.views[i]} & {v.letter for v in self.views[j]})

    def _odd_strips(self, used: frozenset[tuple[int, str]], i: int) -> list[str]:
        """Strips of photo i without any one of which it fits in with the others."""
        mine = self._of([i])
        out = []
        for view in sorted(mine):
            rest = mine - {view}
            if rest and len(_linked(used | rest)) == 1 and self._fits(used | rest):
                out.append(view[1])
        return out

    def _told_by_another(self, used: frozenset[tuple[int, str]], i: int, letter: str) -> bool:
        """Whether another strip on the same panel lies in its place, so that no panel was moved."""
        others = {x for k, x in used if k != i} & {v.letter for v in self.views[i]} - {letter}
        return any((x in self.side_b) == (letter in self.side_b) for x in others)

    def _fit(self, used: frozenset[tuple[int, str]]) -> _Fitted | None:
        if used not in self._tried:
            self._tried[used] = None
            if not self._plainly_apart(used):
                with suppress(GapvisionError):
                    self._tried[used] = self._fit_anew(used)
        return self._tried[used]

    def _plainly_apart(self, used: frozenset[tuple[int, str]]) -> bool:
        """Whether two strips lie otherwise to each other in two photos by more than the photos' own maps err."""
        seen: dict[tuple[str, str], list[FloatArray]] = {}
        for i in {k for k, _ in used}:
            for two in combinations(sorted(x for k, x in used if k == i), 2):
                place = restart(self.own[i], list(two))[N_COMMON : N_COMMON + 3] * [1.0, 1.0, _TURN_MM]
                seen.setdefault(two, []).append(place)
        return any(
            float(np.ptp(places, axis=0).max()) > APART_MM + APART_SHARE * float(np.linalg.norm(places[0][:2]))
            for places in map(np.array, seen.values())
        )

    def _fit_anew(self, used: frozenset[tuple[int, str]]) -> _Fitted:
        photos = sorted({i for i, _ in used})
        views = [[v for v in self.views[i] if (i, v.letter) in used] for i in photos]
        own, focals = [self.own[i] for i in photos], [self.focals[i] for i in photos]
        fitted = _fit(views, own, focals, self.known, self.side_b)
        return replace(fitted, moved=[(photos[k], letter) for k, letter in fitted.moved])


@dataclass(frozen=True, slots=True, eq=False)
class _Fitted:
    """A fit that has come to rest, and which strips it found to lie otherwise in which photo."""

    every: _AllCorners
    fit: Fit
    prior: Prior
    one_each: list[StripView]
    own: list[FittedField]
    moved: list[tuple[int, str]]

    @property
    def of_photo(self) -> list[NDArray[np.int64]]:
        return self.every.of_photo

    def finished(self) -> tuple[tuple[FittedField, ...], FloatArray]:
        """The photos' fields and the covariance, with what neighbouring corners share of what is left."""
        fit, every, corners = self.fit, self.every, self.every.corners
        params, covariance, strain = fit.params, fit.covariance, 0.0
        each_px = np.repeat(every.each, 2)
        precision = self.prior.root.T @ self.prior.root
        more = left_over(
            Left(
                px=np.concatenate([c.seen for c in corners]),
                left_px=every.off(params) * every.each[:, None],
                reach=fit.reach / each_px,
                slope=fit.slope * each_px[:, None],
                noise_px=fit.each_px * each_px,
                prior_precision=precision,
                prior_pull=precision @ (params - self.prior.mean),
                lean=np.concatenate([c.lean(params[at]) for c, at in zip(corners, self.of_photo, strict=True)]),
                along_mm=np.concatenate([c.along_mm for c in corners]),
                strip=np.concatenate([c.strip for c in corners]),
                row=np.concatenate([c.row + _ROW_OF_PHOTO * i for i, c in enumerate(corners)]),
                column=np.concatenate([c.column for c in corners]),
                photo=np.repeat(np.arange(len(corners)), [len(c.seen) for c in corners]),
                side_px=max(max(f.size_px) for f in self.own),
            )
        )
        if more is not None:
            params, covariance, strain = params + more.shift, more.covariance, more.strain
        letters = tuple(v.letter for v in self.one_each)
        fields = tuple(
            FittedField(
                params=params[at],
                covariance=covariance[np.ix_(at, at)],
                letters=letters,
                raised=tuple(x for x, is_up in zip(letters, corners[0].raised, strict=True) if is_up),
                size_px=f.size_px,
                print_scales=tuple(v.print_scale for v in self.one_each),
                focal_source=f.focal_source,
                noise_px=fit.noise_px * share,
                strain=strain,
            )
            for at, f, share in zip(self.of_photo, self.own, every.shares, strict=True)
        )
        return fields, covariance


def _linked(used: frozenset[tuple[int, str]]) -> list[set[int]]:
    """Groups of photos that hang together by strips they share."""
    groups: list[tuple[set[int], set[str]]] = []
    for i in sorted({k for k, _ in used}):
        photos, letters = {i}, {x for k, x in used if k == i}
        apart = []
        for group in groups:
            if group[1] & letters:
                photos |= group[0]
                letters |= group[1]
            else:
                apart.append(group)
        groups = [*apart, (photos, letters)]
    return [photos for photos, _ in groups]


def _either(letters: list[str]) -> str:
    return f"strip {' or '.join(letters)}"


class _AllCorners:
    """The corners of all photos, each photo's in units of its own scatter, as :func:`settle` takes them."""

    def __init__(self, corners: list[Corners], of_photo: list[NDArray[np.int64]], shares: list[float]) -> None:
        self.corners, self.of_photo, self.shares = corners, of_photo, shares
        self.each = np.repeat(shares, [len(c.seen) for c in corners])

    def off(self, q: FloatArray) -> FloatArray:
        parts = [c.off(q[at]) for c, at in zip(self.corners, self.of_photo, strict=True)]
        return np.concatenate(parts) / self.each[:, None]

    def slopes(self, q: FloatArray, unit: FloatArray) -> FloatArray:
        # A photo's corners know nothing of the others' cameras.
        out = np.zeros((2 * len(self.each), len(q)))
        first = 0
        for c, at in zip(self.corners, self.of_photo, strict=True):
            rows = slice(first, first + 2 * len(c.seen))
            out[rows, at] = c.slopes(q[at], unit[at])
            first = rows.stop
        return out / np.repeat(self.each, 2)[:, None]


def _fit(
    views: list[list[StripView]],
    own: list[FittedField],
    focals: list[float | None],
    known: KnownStrips,
    side_b: frozenset[str],
) -> _Fitted:
    """One fit of all photos given, whatever it finds; raises where it does not come to rest."""
    count: dict[str, int] = {}
    for v in (v for of_photo in views for v in of_photo):
        count[v.letter] = count.get(v.letter, 0) + len(v.corner_ids)
    letters = sorted(count, key=lambda x: (x in side_b, -count[x]))
    on_b = np.array([x in side_b for x in letters])
    raised = on_b & (not on_b.all())
    corners = [Corners(here, letters, raised) for here in views]
    each = N_COMMON + 3 * (len(letters) - 1) + 2 * len(letters)
    of_photo = [np.arange(each)]
    for i in range(1, len(views)):
        at = np.arange(each)
        at[_OF_PHOTO] = each + len(_OF_PHOTO) * (i - 1) + np.arange(len(_OF_PHOTO))
        of_photo.append(at)
    noise = np.array([f.noise_px for f in own])
    shares = list(noise / np.exp(np.log(noise).mean()))
    every = _AllCorners(corners, of_photo, shares)
    one_each = [next(v for here in views for v in here if v.letter == x) for x in letters]
    prior = _prior(one_each, own, focals, of_photo, bool(raised.any()), known)
    first = _start(views, own, letters, raised, prior.mean, of_photo)
    largest = max(max(f.size_px) for f in own)
    fit = settle(every, first, prior, UNFIT_SHARE * largest)
    moved = _moved(every, views, fit, UNFIT_SHARE * largest)
    return _Fitted(every, fit, prior, one_each, own, moved)


def _prior(
    one_each: list[StripView],
    own: list[FittedField],
    focals: list[float | None],
    of_photo: list[NDArray[np.int64]],
    step_free: bool,
    known: KnownStrips,
) -> Prior:
    """What is known before looking of all: each photo's as for itself, but the lenses of one camera tied."""
    singles = [prior_of(f.size_px, mm, one_each, step_free, known) for f, mm in zip(own, focals, strict=True)]
    size = max(int(at.max()) for at in of_photo) + 1
    mean, unit = np.empty(size), np.empty(size)
    for at, single in zip(of_photo, singles, strict=True):
        mean[at], unit[at] = single.mean, single.unit
    lens = set(_LENS)
    root = singles[0].root
    shared = np.array([row for row in range(len(root)) if not lens & set(np.flatnonzero(root[row]))])
    rows = np.zeros((len(shared), size))
    rows[:, of_photo[0]] = root[shared]
    out = [rows]
    focal = np.array([s.mean[LOG_F] - np.log(np.hypot(*f.size_px)) for s, f in zip(singles, own, strict=True)])
    same = np.abs(np.subtract.outer(focal, focal)) < SAME_FOCAL
    for k, tie in ((LOG_F, TIE_LOG_F), (CX, None), (CY, None), (K1, TIE_K), (K2, TIE_K)):
        sigma = np.array([1 / np.abs(single.root[:, k]).max() for single in singles])
        covariance = np.diag(sigma**2)
        if tie is not None:
            covariance = np.outer(sigma, sigma) * same + tie**2 * np.eye(len(own))
        rows = np.zeros((len(own), size))
        rows[:, [at[k] for at in of_photo]] = np.linalg.inv(np.linalg.cholesky(covariance))
        out.append(rows)
    return Prior(mean, np.concatenate(out), unit)


def _start(
    views: list[list[StripView]],
    own: list[FittedField],
    letters: list[str],
    raised: NDArray[np.bool_],
    mean: FloatArray,
    of_photo: list[NDArray[np.int64]],
) -> FloatArray:
    """Parameters to start from: the photos' own, laid on each other by the strips that they share."""
    q = mean.copy()
    own_at = own_parameters(len(letters))
    places: dict[str, FloatArray] = {letters[0]: np.zeros(3)}
    waiting = list(range(len(own)))
    have_step = [f.step_mm for f in own if f.step_free]
    step = float(np.mean(have_step)) if have_step and raised.any() else 0.0
    for k in (KS, KS + 1, KS + 2):
        q[k] = float(np.mean([f.params[k] for f in own]))
    q[STEP] = step
    q[own_at] = 0.0
    while waiting:
        i = next(i for i in waiting if {v.letter for v in views[i]} & set(places))
        waiting.remove(i)
        mine = [x for x in letters if x in {v.letter for v in views[i]}]
        link = next(x for x in mine if x in places)
        mine.sort(key=lambda x: x != link)
        single = restart(own[i], mine)
        s0, t0, a0 = places[link]
        c, d = np.cos(a0), np.sin(a0)
        for k, letter in enumerate(mine[1:]):
            s, t, a = single[N_COMMON + 3 * k : N_COMMON + 3 * k + 3]
            places.setdefault(letter, np.array([s0 + c * s - d * t, t0 + d * s + c * t, a0 + a]))
        turn = np.array([[c, d, 0], [-d, c, 0], [0, 0, 1]])
        # The link's own map has its face at height 0 whether or not it stands at the step's height here.
        lifted = raised[letters.index(link)] and link not in own[i].raised
        origin = surface(q, np.array([[s0, t0]]), np.array([step * lifted]))[0]
        rot = rotation(single[RVEC]) @ turn
        mine_at = of_photo[i]
        q[mine_at[list(_LENS)]] = single[list(_LENS)]
        q[mine_at[RVEC]] = cv2.Rodrigues(rot)[0].ravel()
        q[mine_at[TVEC]] = single[TVEC] - rot @ origin
    for k, letter in enumerate(letters[1:]):
        q[N_COMMON + 3 * k : N_COMMON + 3 * k + 3] = places[letter]
    return q


def _moved(every: _AllCorners, views: list[list[StripView]], fit: Fit, most_noise_px: float) -> list[tuple[int, str]]:
    """Photos and strips that lie otherwise there than in the others, as far as the corners tell.

    For each strip in each photo: its own move in that photo, added to the fit to first order.
    """
    out, first = [], 0
    for i, (c, at) in enumerate(zip(every.corners, every.of_photo, strict=True)):
        q = fit.params[at]
        (st, up), left, begin = c.places(q), c.off(q), 0
        for view in views[i]:
            here = slice(begin, begin + len(view.corner_ids))
            rows = slice(2 * (first + here.start), 2 * (first + here.stop))
            begin = here.stop
            scale = np.repeat(every.each[first + here.start : first + here.stop], 2) * fit.each_px[rows]
            ways = _ways(st[here])
            moves = np.stack([(_moved_px(q, st[here], up[here], way) / scale) for way in ways], 1)
            slope = fit.slope[rows] / fit.each_px[rows, None]
            carried = slope.T @ moves
            # Where the rest of the fit follows a move altogether, nothing is known of it.
            inside = moves.T @ moves - carried.T @ fit.covariance @ carried + np.eye(len(ways)) / _MOST_MOVED_MM**2
            pull = -moves.T @ (left[here].ravel() / scale)
            move = np.linalg.solve(inside, pull)
            far = np.tensordot(move, np.array(ways), 1)
            size, deviations = float(np.sqrt((far**2).sum(1).mean())), float(np.sqrt(max(float(pull @ move), 0.0)))
            scatter = float(np.median(np.linalg.norm(left[here], axis=1)))
            if (deviations > MOVED_DEVIATIONS and size > MOVED_MM) or scatter > most_noise_px:
                out.append((i, view.letter))
        first += len(c.seen)
    return out


def _ways(st: FloatArray) -> list[FloatArray]:
    """Ways in which a strip may be moved, each (m, 3) [mm]: along, across, turned, lifted, one end lifted."""
    away = st - st.mean(0)
    along = away @ np.linalg.svd(away, full_matrices=False)[2][0]
    by, zero = np.eye(3)[:, None] * np.ones((len(st), 1)), np.zeros(len(st))
    turned = np.stack([-away[:, 1], away[:, 0], zero], 1) / _TURN_MM
    return [by[0], by[1], turned, by[2], np.stack([zero, zero, along], 1) / _TURN_MM]


def _moved_px(q: FloatArray, st: FloatArray, up: FloatArray, way: FloatArray) -> FloatArray:
    """What moving a strip by 1 mm one way does to its corners, shape (2 m,) [px]."""
    there, back = (project(q, st + f * way[:, :2], up + f * way[:, 2]) for f in (0.5, -0.5))
    return np.asarray((there - back).ravel())
