"""Fit the map from a pixel to a place on the panel (:mod:`gapvision.model.field`) to all strips in view.

What a single photo cannot settle is held by weak priors whose width is what phones and bodies show, and whatever
stays open after the fit is in the covariance, from where it reaches the uncertainty of the gap.
"""

from __future__ import annotations

import cv2
import numpy as np

from gapvision.model import FittedField, FloatArray, StripView
from gapvision.model.field import (
    CX,
    CY,
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
_SIGMA_PP_RATIO = 0.005  # principal point off the middle, share of the long side: algorithms.md section 1, tens of px
_SIGMA_K1, _SIGMA_K2 = 0.04, 0.015
_SIGMA_CURVE = 1 / 1500.0  # bend of a panel over one photo [1/mm]
_SIGMA_TWIST = 1 / 4000.0
_SIGMA_STEP_MM = 2.0
_CORNER_NOISE_FLOOR_PX = 0.04
_RAYLEIGH_MEDIAN = float(np.sqrt(2 * np.log(2)))  # of the length of a plane vector, standard deviation 1 each way


def fit_field(
    views: list[StripView],
    size_px: tuple[int, int],
    focal_35mm_mm: float | None,
    print_scale: tuple[float, float] = (1.0, 1.0),
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
    print_scale : tuple of float
        Along and across.
    side_b : frozenset of str
        Letters of strips on the other panel; their height is then free if strips lie on both.
    start : FittedField, optional
        Earlier fit of the same strips to start from.

    Returns
    -------
    FittedField
    """
    # The strip with most corners carries the frame: its place is then known best.
    views = sorted(views, key=lambda v: (v.letter in side_b, -len(v.corner_ids)))
    w, h = size_px
    local = [local_corners(v, print_scale) for v in views]
    seen = np.concatenate([v.corners_px for v in views])
    which = np.concatenate([np.full(len(v.corner_ids), k) for k, v in enumerate(views)])
    raised = np.array([1.0 if v.letter in side_b else 0.0 for v in views])
    step_free = bool(0 < raised.sum() < len(views))
    if not step_free:
        raised[:] = 0.0
    diagonal = float(np.hypot(w, h))
    equivalent = focal_35mm_mm or _TYPICAL_EQUIVALENT_MM
    f0 = equivalent / _FILM_DIAGONAL_MM * diagonal
    sigma_f = _SIGMA_LOG_F_EXIF if focal_35mm_mm else _SIGMA_LOG_F_GUESS

    n_par = N_COMMON + 3 * (len(views) - 1)
    prior = np.zeros(n_par)
    prior[LOG_F], prior[CX], prior[CY] = np.log(f0), (w - 1) / 2, (h - 1) / 2
    weight = np.zeros(n_par)
    pp = _SIGMA_PP_RATIO * max(w, h)
    weight[: N_COMMON - 6] = 1 / np.array(
        [sigma_f, pp, pp, _SIGMA_K1, _SIGMA_K2, _SIGMA_CURVE, _SIGMA_CURVE, _SIGMA_TWIST, _SIGMA_STEP_MM]
    )
    if not step_free:
        weight[STEP] = 1e6  # held at zero; its doubt is added where it matters

    p = prior.copy()
    if start is not None and set(start.letters) == {v.letter for v in views}:
        p = _restart(start, [v.letter for v in views])
    else:
        k_matrix = np.array([[f0, 0, prior[CX]], [0, f0, prior[CY]], [0, 0, 1]])
        p[RVEC], p[TVEC] = _first_pose(local[0], views[0].corners_px, k_matrix)
        for k in range(1, len(views)):
            on_panel = to_panel(p, views[k].corners_px, 0.0)
            i = N_COMMON + 3 * (k - 1)
            p[i : i + 3] = _rigid(local[k], on_panel)

    def corners_at(q: FloatArray) -> tuple[FloatArray, FloatArray]:
        st = np.concatenate([strip_to_panel(q, k, loc, raised[k] * q[STEP]) for k, loc in enumerate(local)])
        return st, raised[which] * q[STEP]

    def residual(q: FloatArray) -> FloatArray:
        st, n = corners_at(q)
        return (project(q, st, n) - seen).ravel()

    steps = np.full(n_par, 1e-4)
    steps[[CX, CY]] = 0.05
    steps[[KS, KT, KST]] = 1e-7
    steps[STEP] = 1e-3
    steps[RVEC] = 1e-6
    steps[TVEC] = 1e-3
    noise = 0.05
    damping = 1e-6
    cost = np.inf
    for _ in range(40):
        r = residual(p)
        # Robust: a corner that is off (dirt, a torn edge) loses its say.
        size = np.hypot(r[0::2], r[1::2])
        middle = float(np.median(size))
        spread = max(1.4826 * middle, _CORNER_NOISE_FLOOR_PX)
        robust = np.repeat(np.sqrt(1 / (1 + (size / (3 * spread)) ** 2)), 2)
        jac = np.empty((len(r), n_par))
        for j in range(n_par):
            q = p.copy()
            q[j] += steps[j]
            jac[:, j] = (residual(q) - r) / steps[j]
        noise = max(middle / _RAYLEIGH_MEDIAN, _CORNER_NOISE_FLOOR_PX)
        wj = jac * (robust / noise)[:, None]
        normal = wj.T @ wj + np.diag(weight**2)
        gradient = wj.T @ (r * robust / noise) + weight**2 * (p - prior)
        new_cost = float(((r * robust / noise) ** 2).sum() + ((weight * (p - prior)) ** 2).sum())
        delta = np.linalg.solve(normal + damping * np.diag(np.diag(normal)), -gradient)
        if not np.isfinite(delta).all():
            break
        p = p + delta
        if abs(cost - new_cost) < 1e-6 * max(new_cost, 1.0):
            break
        cost = new_cost
    return FittedField(
        params=p,
        covariance=np.linalg.inv(normal),
        letters=tuple(v.letter for v in views),
        raised=tuple(v.letter for v, up in zip(views, raised, strict=True) if up),
        size_px=size_px,
        print_scale=print_scale,
        focal_source="exif" if focal_35mm_mm else "strips",
        noise_px=float(noise),
    )


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
    obj = np.ascontiguousarray(np.column_stack([local, np.zeros(len(local))]))
    _, rvecs, tvecs, errors = cv2.solvePnPGeneric(
        obj, np.ascontiguousarray(px), k_matrix, None, flags=cv2.SOLVEPNP_IPPE
    )
    best = None
    for rvec, tvec, error in zip(rvecs, tvecs, np.ravel(errors), strict=False):
        if not (np.isfinite(rvec).all() and np.isfinite(tvec).all()) or tvec.ravel()[2] <= 0:
            continue
        if best is None or error < best[0]:
            best = (float(error), rvec.ravel(), tvec.ravel())
    if best is None:
        ok, rvec, tvec = cv2.solvePnP(obj, np.ascontiguousarray(px), k_matrix, None, flags=cv2.SOLVEPNP_ITERATIVE)
        if not ok:
            raise ValueError("no pose fits the strip's corners")
        return rvec.ravel(), tvec.ravel()
    return best[1], best[2]


def _rigid(local: FloatArray, panel: FloatArray) -> FloatArray:
    a, b = local - local.mean(0), panel - panel.mean(0)
    angle = np.arctan2((a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]).sum(), (a * b).sum())
    c, d = np.cos(angle), np.sin(angle)
    m = local.mean(0)
    shift = panel.mean(0) - np.array([c * m[0] - d * m[1], d * m[0] + c * m[1]])
    return np.array([shift[0], shift[1], angle])
