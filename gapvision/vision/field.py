"""Fit the map from a pixel to a place on the panel (:mod:`gapvision.model.field`) to all strips in view.

What a single photo cannot settle is held by weak priors whose width is what phones and bodies show, and whatever
stays open after the fit is in the covariance, from where it reaches the uncertainty of the gap.  A fit that has not
come to rest, or that leaves the corners lying about, is refused: its gap could be off by anything, and no covariance
would say so.
"""

from __future__ import annotations

from collections.abc import Callable

import cv2
import numpy as np

from gapvision.errors import GapvisionError
from gapvision.model import FittedField, FloatArray, StripView
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
    place,
    project,
    rotation,
    strip_to_panel,
    surface,
    to_panel,
)

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
_HELD_STEP_MM = 1e-6  # strips on one panel only: the step is no part of the fit; its doubt is added where it matters
_CORNER_NOISE_FLOOR_PX = 0.04
_RAYLEIGH_MEDIAN = float(np.sqrt(2 * np.log(2)))  # of the length of a plane vector, standard deviation 1 each way
# A corner this far off, in standard deviations, has half its say (dirt, a torn edge): three times 1.4826 medians.
_FAR_CORNER = 3 * 1.4826 * _RAYLEIGH_MEDIAN
_POSE_UNIT = np.array([0.01, 0.01, 0.01, 1.0, 1.0, 1.0])  # turn [rad], place [mm]: what counts as a middling change
_PLACE_UNIT = np.array([1.0, 1.0, 0.01])
_DIFFERENCE = 1e-6  # step of a derivative, in those units and in the priors' widths
_WIDE = 100.0  # of those, how far the first step may go: lens and bends start at their means
_COST_SETTLED = 1e-6
_NOISE_SETTLED = 5e-3
_MOST_ROUNDS, _MOST_STEPS = 15, 100  # 28 shared photos: 2 to 9 rounds of 2 to 7 steps
# Corners that scatter by more than this share of the photo's long side (2 px of 4032) lie on no such surface.  Shared
# photos stay below 0.13 px.  A strip that is folded by 30 degrees in its middle scatters by 3 px and puts the gap off
# by 0.7 mm, and what is left at its corners widens U to no more than 0.08 mm (worked out without a picture).
_UNFIT_SHARE = 5e-4
_STILL_TO_GO = 0.1  # a fit has come to rest when its minimum is nearer than this share of a standard uncertainty


def fit_field(
    views: list[StripView],
    size_px: tuple[int, int],
    focal_35mm_mm: float | None,
    side_b: frozenset[str] = frozenset(),
    start: FittedField | None = None,
) -> FittedField:
    """Fit the field to every corner of every strip.

    Parameters
    ----------
    views : list of StripView
        Strips in view, the first becomes the frame.
    size_px : tuple of int
        Width and height of the photo.
    focal_35mm_mm : float or None
        Equivalent focal length from EXIF, a start value and weak prior.
    side_b : frozenset of str
        Letters of strips on the other panel; their height is then free if strips lie on both.
    start : FittedField, optional
        Earlier fit of the same strips to start from.

    Returns
    -------
    FittedField

    Raises
    ------
    GapvisionError
        ``field-not-converged`` when no map fits: a strip lies over a fold or on another plane, corners contradict each
        other, or too few tell the pose.
    """
    # The strip with most corners carries the frame: its place is then known best.
    views = sorted(views, key=lambda v: (v.letter in side_b, -len(v.corner_ids)))
    letters = [v.letter for v in views]
    local = [local_corners(v) for v in views]
    seen = np.concatenate([v.corners_px for v in views])
    raised = np.array([v.letter in side_b for v in views])
    raised &= not raised.all()
    up = np.repeat(raised.astype(float), [len(v.corner_ids) for v in views])
    prior, sigma = _priors(size_px, focal_35mm_mm, step_free=bool(raised.any()))
    if start is not None and set(start.letters) == set(letters):
        first = _restart(start, letters)
    else:
        first = _first_guess(views, local, prior)

    def off(q: FloatArray) -> FloatArray:
        """What parameters (..., p) leave at the corners, shape (..., m, 2) [px]."""
        step = q[..., STEP, None]
        st = np.concatenate([strip_to_panel(q, k, at, raised[k] * step) for k, at in enumerate(local)], axis=-2)
        return project(q, st, up * step) - seen

    params, covariance, noise = _settle(off, first, prior, sigma, _UNFIT_SHARE * max(size_px))
    return FittedField(
        params=params,
        covariance=covariance,
        letters=tuple(letters),
        raised=tuple(letter for letter, is_up in zip(letters, raised, strict=True) if is_up),
        size_px=size_px,
        print_scales=tuple(v.print_scale for v in views),
        focal_source="exif" if focal_35mm_mm else "strips",
        noise_px=noise,
    )


def _settle(
    off: Callable[[FloatArray], FloatArray],
    first: FloatArray,
    prior: FloatArray,
    sigma: FloatArray,
    most_noise_px: float,
) -> tuple[FloatArray, FloatArray, float]:
    """Parameters, their covariance and the corners' scatter [px], each round with the scatter that the last one left.

    ``off`` gives what parameters (..., p) leave at the corners (..., m, 2) [px]; ``prior`` and ``sigma`` belong to the
    first of the parameters.
    """
    from scipy.optimize import least_squares

    known = len(prior)
    unit = np.concatenate([sigma, _POSE_UNIT, np.tile(_PLACE_UNIT, (len(first) - N_COMMON) // 3)])

    def scatter(x: FloatArray) -> float:
        middle = float(np.median(np.hypot(*off(first + unit * x).T)))
        return max(middle / _RAYLEIGH_MEDIAN, _CORNER_NOISE_FLOOR_PX)

    def residuals(x: FloatArray, noise: float) -> FloatArray:
        q = first + unit * x
        return np.concatenate([(off(q) / noise).ravel(), (q[:known] - prior) / sigma])

    def derivatives(x: FloatArray, noise: float) -> FloatArray:
        q = first + unit * x
        moved = (off(q + _DIFFERENCE * np.diag(unit)) - off(q)) / (_DIFFERENCE * noise)
        return np.concatenate([moved.reshape(len(q), -1).T, np.eye(known, len(q))])

    x = np.zeros(len(first))
    noise = scatter(x)
    for _ in range(_MOST_ROUNDS):
        if not np.isfinite(noise):
            break
        fit = least_squares(
            residuals, x, derivatives, x_scale=_WIDE, loss=lambda squares: _say(squares, known),
            ftol=_COST_SETTLED, max_nfev=_MOST_STEPS, args=(noise,),
        )  # fmt: skip
        x = fit.x
        before, noise = noise, scatter(x)
        if abs(noise / before - 1) < _NOISE_SETTLED:
            spread = np.linalg.inv(fit.jac.T @ fit.jac)
            if fit.grad @ spread @ fit.grad < _STILL_TO_GO**2 and noise < most_noise_px:
                return first + unit * x, np.outer(unit, unit) * spread, noise
            break
    raise GapvisionError("field-not-converged")


def _priors(size_px: tuple[int, int], focal_35mm_mm: float | None, step_free: bool) -> tuple[FloatArray, FloatArray]:
    """What is known before looking of lens, bends and step: mean and standard deviation, in the parameters' order."""
    w, h = size_px
    focal = (focal_35mm_mm or _TYPICAL_EQUIVALENT_MM) / _FILM_DIAGONAL_MM * np.hypot(w, h)
    centre = _SIGMA_PP_RATIO * max(w, h)
    mean = np.zeros(RVEC.start)
    mean[[LOG_F, CX, CY]] = np.log(focal), (w - 1) / 2, (h - 1) / 2
    sigma = np.empty(RVEC.start)
    sigma[LOG_F] = _SIGMA_LOG_F_EXIF if focal_35mm_mm else _SIGMA_LOG_F_GUESS
    sigma[[CX, CY, K1, K2]] = centre, centre, _SIGMA_K1, _SIGMA_K2
    sigma[[KS, KT, KST]] = _SIGMA_CURVE, _SIGMA_CURVE, _SIGMA_TWIST
    sigma[STEP] = _SIGMA_STEP_MM if step_free else _HELD_STEP_MM
    return mean, sigma


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
    p = np.concatenate([prior, np.zeros(6 + 3 * (len(views) - 1))])
    focal = np.exp(prior[LOG_F])
    k_matrix = np.array([[focal, 0, prior[CX]], [0, focal, prior[CY]], [0, 0, 1]])
    p[RVEC], p[TVEC] = _first_pose(local[0], views[0].corners_px, k_matrix)
    for k in range(1, len(views)):
        i = N_COMMON + 3 * (k - 1)
        p[i : i + 3] = _rigid(local[k], to_panel(p, views[k].corners_px, 0.0))
    return p


def _restart(start: FittedField, letters: list[str]) -> FloatArray:
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
    return np.concatenate(out)


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
