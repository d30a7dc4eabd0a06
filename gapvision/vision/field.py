"""Fit the map from a pixel to a place on the panel (:mod:`gapvision.model.field`) to all strips in view.

What a single photo cannot settle is held by weak priors whose width is what phones and bodies show, and whatever
stays open after the fit is in the covariance, from where it reaches the uncertainty of the gap.  A fit that has not
come to rest, or that leaves the corners lying about, is refused: its gap could be off by anything, and no covariance
would say so.
"""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import AbstractContextManager, ExitStack
from dataclasses import dataclass, replace
from functools import cache
from threading import Lock
from typing import Protocol

import cv2
import numpy as np
from numpy.typing import NDArray
from threadpoolctl import ThreadpoolController

from gapvision.errors import GapvisionError
from gapvision.model import FittedField, FloatArray, Lens, StripView
from gapvision.model.field import (
    CX,
    CY,
    K1,
    K2,
    KS,
    KST,
    KT,
    LOG_F,
    N_COMMON,
    RVEC,
    STEP,
    TVEC,
    local_corners,
    own_parameters,
    place,
    project,
    rotation,
    strip_to_panel,
    surface,
    to_panel,
)
from gapvision.targets.strip import CORNERS_ACROSS, CORNERS_ALONG
from gapvision.vision.residue import Left, left_over

# The diagonal of 35 mm film; CIPA DCG-001 defines the equivalent focal length by the diagonal (from memory).
_FILM_DIAGONAL_MM = 43.267
_TYPICAL_EQUIVALENT_MM = 26.0  # main camera of most phones, common practice, no source
_SIGMA_LOG_F_EXIF = 0.015  # stored to the nearest mm (1.1 % standard) and focusing changes it a little
_SIGMA_LOG_F_GUESS = 0.15
_SIGMA_PP_RATIO = 0.005  # principal point off the middle, share of the long side; phones: some tens of pixels
_SIGMA_K1, _SIGMA_K2 = 0.04, 0.015
_SIGMA_CURVE = 1 / 1500.0  # bend of a panel over one photo [1/mm]
_SIGMA_TWIST = 1 / 4000.0
_SIGMA_STEP_MM = 2.0
# Strips of unknown origin hardly tell a step: then it is what hands leave on a body, mostly within 1 mm and 1.4 mm at
# most; common practice, no source.
_SIGMA_STEP_UNLIKE_MM = 0.7
# Print scales of sheets that may come from two printers, or from one with two settings: within 1 % of each other,
# any of it alike.  'Fit to page' shrinks by 3 to 6 % and shows as a step that no body has.  Common practice, no source.
_SIZE_OF_SHEETS = 0.01 / np.sqrt(3)
_SIZE_MEASURED = 0.001  # a steel rule over 150 mm read to 0.25 mm, check_values H-07
_SIZE_WITHIN_SHEET = 0.0001  # paper takes up damp: 0.02 mm over a strip; common practice, no source
# Paper taped down lies 0.1 mm high, magnetic sheet with paper on it 0.4 to 1.0 mm; common practice, no source.
THICKNESS_STD_MM, THICKNESS_STATED_STD_MM = 0.35, 0.03
_LEAST_BELIEVED, _LEAST_SAY = 1e-3, 1e-3
_LEAST_TO_TELL, _ODD_SHARE = 3, 0.4
_HELD_STEP_MM = 1e-6  # strips on one panel only: the step is no part of the fit; its doubt is added where it matters
_CORNER_NOISE_FLOOR_PX = 0.04
_RAYLEIGH_MEDIAN = float(np.sqrt(2 * np.log(2)))  # of the length of a plane vector, standard deviation 1 each way
# A corner this far off, in standard deviations, has half its say (dirt, a torn edge): three times 1.4826 medians.
_FAR_CORNER = 3 * 1.4826 * _RAYLEIGH_MEDIAN
POSE_UNIT = np.array([0.01, 0.01, 0.01, 1.0, 1.0, 1.0])  # turn [rad], place [mm]: what counts as a middling change
#: Parameters of the lens that photos of one phone have in common; its middle moves with the stabiliser.
LENS = [LOG_F, K1, K2]
_PLACE_UNIT = np.array([1.0, 1.0, 0.01])
_DIFFERENCE = 1e-6  # step of a derivative, in those units and in the priors' widths
_WIDE = 100.0  # of those, how far the first step may go: lens and bends start at their means
_COST_SETTLED = 1e-6
_NOISE_SETTLED = 5e-3
_MOST_ROUNDS, _MOST_STEPS = 15, 100  # 28 shared photos: 2 to 9 rounds of 2 to 7 steps
# Corners that scatter by more than this share of the photo's long side (2 px of 4032) lie on no such surface.  Shared
# photos stay below 0.13 px.  A strip that is folded by 30 degrees in its middle scatters by 3 px and puts the gap off
# by 0.7 mm, and what is left at its corners widens U to no more than 0.08 mm (worked out without a picture).
UNFIT_SHARE = 5e-4
_STILL_TO_GO = 0.1  # a fit has come to rest when its minimum is nearer than this share of a standard uncertainty


@dataclass(frozen=True, slots=True, kw_only=True)
class KnownStrips:
    """What is known of how alike the strips in view are, and of the lens that sees them.

    Attributes
    ----------
    one_sheet : bool
        All come from one printed sheet, or from sheets that were measured to be alike, on magnets of one kind.
    thickness_stated : bool
        How thick the strips are with their magnets was stated.
    measured : frozenset of int
        Numbers of the sheets whose own check lines were measured.
    lens : Lens or None
        The phone's own, where a study found it.
    """

    one_sheet: bool = False
    thickness_stated: bool = False
    measured: frozenset[int] = frozenset()
    lens: Lens | None = None


def fit_field(
    views: list[StripView],
    size_px: tuple[int, int],
    focal_35mm_mm: float | None,
    side_b: frozenset[str] = frozenset(),
    start: FittedField | None = None,
    known: KnownStrips | None = None,
) -> FittedField:
    """Fit the field to every corner of every strip.

    Parameters
    ----------
    views : list of StripView
        Strips in view, the first becomes the frame.  Those with one ``sheet`` count as alike.
    size_px : tuple of int
        Width and height of the photo.
    focal_35mm_mm : float or None
        Equivalent focal length from EXIF, a start value and weak prior.
    side_b : frozenset of str
        Letters of strips on the other panel; their height is then free if strips lie on both.
    start : FittedField, optional
        Earlier fit of the same strips to start from.
    known : KnownStrips, optional
        What is known of their likeness besides their sheets.

    Returns
    -------
    FittedField

    Raises
    ------
    GapvisionError
        ``field-not-converged`` when no map fits: a strip lies over a fold or on another plane, corners contradict each
        other, or too few tell the pose.
    """
    with one_thread():
        return _fit(views, size_px, focal_35mm_mm, side_b, start, known or KnownStrips())


@cache
def _threads() -> ThreadpoolController:
    import scipy.linalg  # noqa: F401  it brings a library of its own, which the controller must have seen

    return ThreadpoolController()


class _OneThread:
    """The limit is the process's own: of fits side by side the first in sets it, and the last out lifts it."""

    def __init__(self) -> None:
        self._lock, self._inside, self._limit = Lock(), 0, ExitStack()

    def __enter__(self) -> None:
        with self._lock:
            if not self._inside:
                self._limit.enter_context(_threads().limit(limits=1, user_api="blas"))
            self._inside += 1

    def __exit__(self, *_: object) -> None:
        with self._lock:
            self._inside -= 1
            if not self._inside:
                self._limit.close()


_ONE_THREAD = _OneThread()


def one_thread() -> AbstractContextManager[None]:
    """Matrices are small here: threads would only wait for each other, a second long where others work too."""
    return _ONE_THREAD


def _fit(
    views: list[StripView],
    size_px: tuple[int, int],
    focal_35mm_mm: float | None,
    side_b: frozenset[str],
    start: FittedField | None,
    known: KnownStrips,
) -> FittedField:
    # The strip with most corners carries the frame: its place is then known best.
    views = sorted(views, key=lambda v: (v.letter in side_b, -len(v.corner_ids)))
    letters = [v.letter for v in views]
    on_b = [letter in side_b for letter in letters]
    corners = Corners(views, letters, np.array(on_b) & (not all(on_b)))
    prior = prior_of(size_px, focal_35mm_mm, views, bool(corners.raised.any()), known)
    if start is not None and set(start.letters) == set(letters):
        first = restart(start, letters)
    else:
        first = _first_guess(views, corners.local, prior.mean)

    fit = settle(corners, first, prior, UNFIT_SHARE * max(size_px))
    precision = prior.root.T @ prior.root
    more = left_over(
        Left(
            px=corners.seen,
            left_px=corners.off(fit.params),
            reach=fit.reach,
            slope=fit.slope,
            noise_px=fit.each_px,
            prior_precision=precision,
            prior_pull=precision @ (fit.params - prior.mean),
            lean=corners.lean(fit.params),
            along_mm=corners.along_mm,
            strip=corners.strip,
            row=corners.row,
            column=corners.column,
            photo=np.zeros(len(corners.seen), np.int64),
            side_px=max(size_px),
        )
    )
    return FittedField(
        params=fit.params if more is None else fit.params + more.shift,
        covariance=fit.covariance if more is None else more.covariance,
        letters=tuple(letters),
        raised=tuple(letter for letter, is_up in zip(letters, corners.raised, strict=True) if is_up),
        size_px=size_px,
        print_scales=tuple(v.print_scale for v in views),
        focal_source="exif" if focal_35mm_mm else "strips",
        noise_px=fit.noise_px,
        strain=0.0 if more is None else more.strain,
    )


class Mapped(Protocol):
    """What is fitted: ``off`` gives what parameters (p,) leave at the corners (m, 2), ``slopes`` its derivatives."""

    def off(self, q: FloatArray) -> FloatArray: ...  # noqa: D102
    def slopes(self, q: FloatArray, unit: FloatArray) -> FloatArray: ...  # noqa: D102


class Corners:
    """The corners of the strips in one photo, and where a map's parameters put them.

    Parameters
    ----------
    views : list of StripView
        Strips in the photo.
    letters : list of str
        Strips of the map, in the order of its parameters; those of ``views`` are among them.
    raised : ndarray of bool
        Which of them stand at the step's height.
    """

    def __init__(self, views: Sequence[StripView], letters: Sequence[str], raised: NDArray[np.bool_]) -> None:
        self.raised = raised
        self.local = [local_corners(v) for v in views]
        self.seen = np.concatenate([v.corners_px for v in views])
        #: Of each corner: which strip of the map, which row of corners of all its strips, and the place in it.
        self.strip = np.repeat([letters.index(v.letter) for v in views], [len(v.corner_ids) for v in views])
        ids = np.concatenate([v.corner_ids for v in views])
        self.row, self.column = ids // CORNERS_ALONG + CORNERS_ACROSS * self.strip, ids % CORNERS_ALONG
        self.along_mm = np.concatenate(self.local)[:, 0]
        self._of_views = [letters.index(v.letter) for v in views]
        self._own = own_parameters(len(letters))

    def places(self, q: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Where parameters (..., p) put the corners: on the panel (..., m, 2), and how high (..., m)."""
        own = q[..., self._own]
        larger, up = own[..., 0::2], own[..., 1::2] + self.raised * q[..., STEP, None]
        st = [
            strip_to_panel(q, k, at * (1 + larger[..., k, None, None]), up[..., k, None])
            for k, at in zip(self._of_views, self.local, strict=True)
        ]
        return np.concatenate(st, axis=-2), up[..., self.strip]

    def off(self, q: FloatArray) -> FloatArray:
        """What parameters (..., p) leave at the corners, shape (..., m, 2) [px]."""
        return project(q, *self.places(q)) - self.seen

    def slopes(self, q: FloatArray, unit: FloatArray) -> FloatArray:
        """What each parameter does to the corners, a unit at a time, shape (2 m, p) [px]."""
        moved = (self.off(q + _DIFFERENCE * np.diag(unit)) - self.off(q)) / _DIFFERENCE
        return np.asarray(moved.reshape(len(q), -1).T)

    def lean(self, q: FloatArray) -> FloatArray:
        """How far each corner moves in the picture when the paper rises there by 1 mm, shape (m, 2) [px]."""
        st, up = self.places(q)
        return project(q, st, up + 0.5) - project(q, st, up - 0.5)


@dataclass(frozen=True, slots=True, eq=False)
class Prior:
    """What is known before looking: ``root @ (params - mean)`` are independent and of standard deviation 1."""

    mean: FloatArray
    root: FloatArray
    unit: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """Parameters, their covariance, the corners' scatter [px].

    ``reach`` (p, 2 m) is what one pixel at a corner does to the parameters, ``slope`` (2 m, p) what they do to it, and
    ``each_px`` (2 m,) the scatter that each coordinate was given: larger where a corner lies far off.
    """

    params: FloatArray
    covariance: FloatArray
    noise_px: float
    reach: FloatArray
    slope: FloatArray
    each_px: FloatArray


def settle(corners: Mapped, first: FloatArray, prior: Prior, most_noise_px: float) -> Fit:
    """Fit parameters to corners in rounds, each with the scatter that the last one left.

    Raises
    ------
    GapvisionError
        ``field-not-converged`` when it has not come to rest, or leaves a larger scatter than ``most_noise_px``.
    """
    from scipy.optimize import least_squares

    unit = prior.unit
    root = prior.root * unit

    def scatter(x: FloatArray) -> float:
        middle = float(np.median(np.hypot(*corners.off(first + unit * x).T)))
        return max(middle / _RAYLEIGH_MEDIAN, _CORNER_NOISE_FLOOR_PX)

    def residuals(x: FloatArray, noise: float) -> FloatArray:
        q = first + unit * x
        return np.concatenate([(corners.off(q) / noise).ravel(), prior.root @ (q - prior.mean)])

    def derivatives(x: FloatArray, noise: float) -> FloatArray:
        return np.concatenate([corners.slopes(first + unit * x, unit) / noise, root])

    x = np.zeros(len(first))
    noise = scatter(x)
    for _ in range(_MOST_ROUNDS):
        if not np.isfinite(noise):
            break
        fit = least_squares(
            residuals, x, derivatives, x_scale=_WIDE, loss=lambda squares: _say(squares, len(root)),
            ftol=_COST_SETTLED, max_nfev=_MOST_STEPS, args=(noise,),
        )  # fmt: skip
        x = fit.x
        before, noise = noise, scatter(x)
        if abs(noise / before - 1) < _NOISE_SETTLED:
            spread = np.linalg.inv(fit.jac.T @ fit.jac)
            if fit.grad @ spread @ fit.grad < _STILL_TO_GO**2 and noise < most_noise_px:
                plain = derivatives(x, before)[: -len(root)]
                # A corner that has less say moves the parameters less: its row in fit.jac is the smaller.
                say = (plain * fit.jac[: -len(root)]).sum(1) / (plain**2).sum(1)
                return Fit(
                    params=first + unit * x,
                    covariance=np.outer(unit, unit) * spread,
                    noise_px=noise,
                    reach=unit[:, None] * (spread @ (plain.T * say**2)) / before,
                    slope=plain * before / unit,
                    each_px=before / np.maximum(say, _LEAST_SAY),
                )
            break
    raise GapvisionError("field-not-converged")


def prior_of(
    size_px: tuple[int, int], focal_35mm_mm: float | None, views: list[StripView], step_free: bool, known: KnownStrips
) -> Prior:
    """What is known before looking of lens, bends, step and strips."""
    w, h = size_px
    n = len(views)
    own = own_parameters(n)
    centre = _SIGMA_PP_RATIO * max(w, h)
    mean = np.zeros(own.stop)
    mean[[LOG_F, CX, CY]] = _log_focal(size_px, focal_35mm_mm), (w - 1) / 2, (h - 1) / 2
    sigma = np.empty(RVEC.start)
    sigma[LOG_F] = _SIGMA_LOG_F_EXIF if focal_35mm_mm else _SIGMA_LOG_F_GUESS
    sigma[[CX, CY, K1, K2]] = centre, centre, _SIGMA_K1, _SIGMA_K2
    sigma[[KS, KT, KST]] = _SIGMA_CURVE, _SIGMA_CURVE, _SIGMA_TWIST
    sigma[STEP] = (_SIGMA_STEP_MM if are_alike(views, known) else _SIGMA_STEP_UNLIKE_MM) if step_free else _HELD_STEP_MM
    size, height = _likeness(views, known)
    root = np.zeros((len(sigma) + 2 * n, own.stop))
    root[: len(sigma), : len(sigma)] = np.diag(1 / sigma)
    if known.lens is not None:
        mean[LENS] = np.log(known.lens.focal_px), known.lens.k1, known.lens.k2
        root[np.ix_(LENS, LENS)] = np.linalg.inv(np.linalg.cholesky(known.lens.covariance))
        sigma[LENS] = known.lens.std_u
    for first, covariance in ((0, size), (1, height)):
        rows = slice(len(sigma) + first * n, len(sigma) + (first + 1) * n)
        root[rows, own.start + first : own.stop : 2] = np.linalg.inv(np.linalg.cholesky(covariance))
    unit_own = np.ravel(np.sqrt([np.diag(size), np.diag(height)]), "F")
    unit = np.concatenate([sigma, POSE_UNIT, np.tile(_PLACE_UNIT, n - 1), unit_own])
    return Prior(mean, root, unit)


def _log_focal(size_px: tuple[int, int], focal_35mm_mm: float | None) -> float:
    return float(np.log((focal_35mm_mm or _TYPICAL_EQUIVALENT_MM) / _FILM_DIAGONAL_MM * np.hypot(*size_px)))


def lens_prior(size_px: tuple[int, int], focal_35mm_mm: float | None) -> tuple[FloatArray, FloatArray]:
    """What is known before looking of :data:`LENS` of a phone that no study speaks of: mean (3,), precision (3, 3)."""
    sigma = np.array([_SIGMA_LOG_F_EXIF if focal_35mm_mm else _SIGMA_LOG_F_GUESS, _SIGMA_K1, _SIGMA_K2])
    return np.array([_log_focal(size_px, focal_35mm_mm), 0.0, 0.0]), np.diag(1 / sigma**2)


def _likeness(views: list[StripView], known: KnownStrips) -> tuple[FloatArray, FloatArray]:
    """Covariances (n, n) of the strips' enlargements (shares) and heights [mm] before looking."""
    sheets = _sheets(views, known)
    same = np.equal.outer(sheets, sheets)
    # The one sheet's own scale is what the check lines tell; its doubt is added to the gap apart.
    between = np.array([_SIZE_MEASURED if v.sheet in known.measured else _SIZE_OF_SHEETS for v in views])
    between *= not are_alike(views, known)
    thickness = THICKNESS_STATED_STD_MM if known.thickness_stated else THICKNESS_STD_MM
    own = np.eye(len(views))
    return (
        _SIZE_WITHIN_SHEET**2 * own + np.outer(between, between) * same,
        THICKNESS_STATED_STD_MM**2 * own + thickness**2 * same,
    )


def are_alike(views: list[StripView], known: KnownStrips) -> bool:
    """Whether all strips in view are known to be of one sheet."""
    return len(set(_sheets(views, known))) == 1


@dataclass(frozen=True, slots=True)
class Apart:
    """How far strips are from fitting together.

    Attributes
    ----------
    deviations : float
        What has to be believed of their scales and heights and of the step, in standard deviations.
    step_mm : float
        Step that they would show if they were alike [mm].
    """

    deviations: float
    step_mm: float


def strips_apart(field: FittedField, views: list[StripView], known: KnownStrips) -> Apart:
    """How far the strips of a fit are from fitting together.

    Parameters
    ----------
    field : FittedField
        Fitted to them.
    views : list of StripView
        The strips.
    known : KnownStrips
        As the field was fitted with.
    """
    by_letter = {v.letter: v for v in views}
    views = [by_letter[letter] for letter in field.letters]
    if are_alike(views, known):
        # Held alike, they put all that does not fit into the step and the corners' scatter.
        step = field.step_mm if field.step_free else 0.0
        return Apart(abs(step) / _SIGMA_STEP_MM, step)
    own = field.params[own_parameters(len(views))]
    size, height = _likeness(views, known)
    square = own[0::2] @ np.linalg.solve(size, own[0::2]) + own[1::2] @ np.linalg.solve(height, own[1::2])
    if not field.step_free:
        return Apart(float(np.sqrt(square)), 0.0)
    # What does not fit is shared out by what each may be: m = v y / V of the whole y, whose own deviation is y^2 / V.
    believed = field.step_mm / _SIGMA_STEP_UNLIKE_MM
    square += believed**2
    whole = float(_SIGMA_STEP_UNLIKE_MM * square / believed) if abs(believed) > _LEAST_BELIEVED else 0.0
    return Apart(float(np.sqrt(square)), whole)


def step_if_alike_mm(
    field: FittedField, views: list[StripView], focal_35mm_mm: float | None, known: KnownStrips
) -> float:
    """Step that the strips would show if they were all alike [mm]; arguments as for :func:`odd_strip`."""
    guess = strips_apart(field, views, known).step_mm
    if len(views) < _LEAST_TO_TELL or are_alike(views, known):
        return guess
    try:  # of more than two strips the guess is too large
        alike = fit_field(
            views, field.size_px, focal_35mm_mm, frozenset(field.raised), field, replace(known, one_sheet=True)
        )
    except GapvisionError:
        return guess
    return alike.step_mm


def odd_strip(
    field: FittedField, views: list[StripView], focal_35mm_mm: float | None, known: KnownStrips
) -> str | None:
    """The one strip without which the others fit together; None where there are too few, or not just one.

    Parameters
    ----------
    field, views, known
        As for :func:`strips_apart`.
    focal_35mm_mm : float or None
        As the field was fitted with.
    """
    if len(views) < _LEAST_TO_TELL:
        return None
    with_all, without = strips_apart(field, views, known).deviations + field.rms_px(views), {}
    for view in views:
        rest = [v for v in views if v is not view]
        try:
            fit = fit_field(rest, field.size_px, focal_35mm_mm, frozenset(field.raised), known=known)
        except GapvisionError:
            continue
        without[view.letter] = strips_apart(fit, rest, known).deviations + fit.rms_px(rest)
    if len(without) < 2:
        return None
    best, second = sorted(without, key=lambda letter: without[letter])[:2]
    plain = without[best] < _ODD_SHARE * min(without[second], with_all)
    return best if plain else None


def _sheets(views: list[StripView], known: KnownStrips) -> list[int]:
    """A number for each strip's sheet; a strip whose sheet is not known has one of its own."""
    return [0 if known.one_sheet else -1 - k if v.sheet is None else v.sheet for k, v in enumerate(views)]


def _say(squares: FloatArray, priors: int) -> FloatArray:
    """Cauchy's robust loss over each corner's both coordinates together, none over the priors, as scipy wants it.

    Parameters
    ----------
    squares : ndarray, shape (2 m + priors,)
        Squared residuals in standard deviations.
    priors : int
        How many of them, at the end, are priors.

    Returns
    -------
    ndarray, shape (3, 2 m + priors)
        Loss, its slope, and its second derivative, left at 0 as in iteratively reweighted least squares.
    """
    out = np.stack([squares, np.ones_like(squares), np.zeros_like(squares)])
    share = np.repeat(squares[:-priors].reshape(-1, 2).sum(1), 2) / _FAR_CORNER**2
    out[0, :-priors] = 0.5 * _FAR_CORNER**2 * np.log1p(share)
    out[1, :-priors] = 1 / (1 + share)
    return out


def _first_guess(views: list[StripView], local: list[FloatArray], prior: FloatArray) -> FloatArray:
    """Parameters to start from: the first strip's pose, the others where they lie on its flat plane."""
    p = prior.copy()
    focal = np.exp(prior[LOG_F])
    k_matrix = np.array([[focal, 0, prior[CX]], [0, focal, prior[CY]], [0, 0, 1]])
    p[RVEC], p[TVEC] = _first_pose(local[0], views[0].corners_px, k_matrix)
    for k in range(1, len(views)):
        i = N_COMMON + 3 * (k - 1)
        p[i : i + 3] = _rigid(local[k], to_panel(p, views[k].corners_px, 0.0))
    return p


def restart(start: FittedField, letters: list[str]) -> FloatArray:
    """Earlier parameters, in the frame of the strip that now comes first."""
    order = [start.letters.index(x) for x in letters]
    s0, t0, a0 = place(start.params, order[0])
    base = start.params[:N_COMMON].copy()
    if order[0] != 0:
        rot = rotation(base[RVEC])
        turn = np.array([[np.cos(a0), -np.sin(a0), 0], [np.sin(a0), np.cos(a0), 0], [0, 0, 1]])
        shift = surface(start.params, np.array([[s0, t0]]), np.zeros(1))[0]
        base[RVEC] = cv2.Rodrigues(rot @ turn)[0].ravel()
        base[TVEC] = rot @ shift + base[TVEC]
    out = [base]
    c, d = np.cos(a0), np.sin(a0)
    for k in order[1:]:
        s, t, a = place(start.params, k)
        out.append(np.array([c * (s - s0) + d * (t - t0), -d * (s - s0) + c * (t - t0), a - a0]))
    return np.concatenate([*out, np.zeros(2 * len(order))])


def _first_pose(local: FloatArray, px: FloatArray, k_matrix: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Pose of the first strip; of the two a plane allows, the one that fits better and looks at its face."""
    flat, px = np.column_stack([local, np.zeros(len(local))]), np.ascontiguousarray(px)
    try:
        _, rvecs, tvecs, errors = cv2.solvePnPGeneric(flat, px, k_matrix, None, flags=cv2.SOLVEPNP_IPPE)
    except cv2.error as error:  # e.g. a single row of corners
        raise GapvisionError("field-not-converged") from error
    poses = [
        (float(error), rvec.ravel(), tvec.ravel())
        for rvec, tvec, error in zip(rvecs, tvecs, np.ravel(errors), strict=False)
        if np.isfinite(rvec).all() and np.isfinite(tvec).all() and tvec.ravel()[2] > 0
    ]
    if not poses:
        raise GapvisionError("field-not-converged")
    _, rvec, tvec = min(poses, key=lambda pose: pose[0])
    return rvec, tvec


def _rigid(local: FloatArray, panel: FloatArray) -> FloatArray:
    a, b = local - local.mean(0), panel - panel.mean(0)
    angle = np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum())
    c, d = np.cos(angle), np.sin(angle)
    m = local.mean(0)
    shift = panel.mean(0) - np.array([c * m[0] - d * m[1], d * m[0] + c * m[1]])
    return np.array([shift[0], shift[1], angle])
