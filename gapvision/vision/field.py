"""Metric field: from a pixel to a place on the panel, fitted to all strips in view.

One model for the whole photo: a camera (focal length, principal point, radial
distortion), a panel surface that may bend gently along and across, and for each
strip where it lies on that surface.  Strips on side B may stand higher or lower
than those on side A (the step).  What a single photo cannot settle is held by weak
priors whose width is what phones and bodies show, and whatever stays open after
the fit is in the covariance, from where it reaches the uncertainty of the gap.

Frame: developed coordinates (s, t, n) in mm; s along the first strip, t across
it (downwards in the strip's own frame), n out of the panel towards the camera.
n = 0 is the printed face of the strips on side A.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.model import StripView

FloatArray = NDArray[np.float64]

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
# How far the bends of two neighbouring panels across the gap may differ [1/mm], standard deviation.  Both are taken to
# follow one surface; a panel that falls away more than the other is no step, but looks like one to strips that lie
# away from the gap.  Common practice, no source.
_SIGMA_OWN_BEND = 1 / 8000.0
_CORNER_NOISE_FLOOR_PX = 0.04
_RAYLEIGH_MEDIAN = float(np.sqrt(2 * np.log(2)))  # of the length of a plane vector, standard deviation 1 each way

# Order of the parameters in the vector.
_LOG_F, _CX, _CY, _K1, _K2, _KS, _KT, _KST, _STEP = range(9)
_RVEC, _TVEC = slice(9, 12), slice(12, 15)
_N_COMMON = 15


@dataclass(frozen=True, slots=True, eq=False)
class MetricField:
    """Fitted map between the photo and the panel surface.

    Attributes
    ----------
    params : ndarray, shape (p,)
        Focal length (log), principal point, distortion, bends, step, camera pose, strip places.
    covariance : ndarray, shape (p, p)
        Of the parameters.
    letters : tuple of str
        Strips in the order of their place parameters (the first is the frame).
    height_index : ndarray, shape (len(letters),)
        1.0 for strips whose face is at the step's height, else 0.0.
    residual_px : ndarray, shape (m, 2)
        Left at each corner.
    size_px : tuple of int
        Width and height of the photo.
    """

    params: FloatArray
    covariance: FloatArray
    letters: tuple[str, ...]
    height_index: FloatArray
    residual_px: FloatArray
    corner_letter: NDArray[np.int64]
    corner_st: FloatArray
    size_px: tuple[int, int]
    focal_source: str
    step_free: bool
    noise_px: float

    # ---- camera ---------------------------------------------------------------
    @property
    def focal_px(self) -> float:
        """Focal length [px]."""
        return float(np.exp(self.params[_LOG_F]))

    @property
    def step_mm(self) -> float:
        """Height of side B above side A [mm]."""
        return float(self.params[_STEP])

    @property
    def step_std_mm(self) -> float:
        """Standard uncertainty of the step, measured with strips on both sides [mm]."""
        return float(np.hypot(np.sqrt(self.covariance[_STEP, _STEP]), self._own_bend_mm()))

    def _own_bend_mm(self) -> float:
        """What a bend of one panel alone does to the step, standard uncertainty; the gap is taken midway."""
        if not self.step_free:
            return 0.0
        across = np.array([self.strip_place(k)[1] for k in range(len(self.letters))])
        on_b = self.height_index > 0
        from_gap = 0.5 * abs(float(across[on_b].mean() - across[~on_b].mean()))
        return 0.5 * _SIGMA_OWN_BEND * from_gap**2

    def project(self, st: FloatArray, n: FloatArray | float = 0.0) -> FloatArray:
        """Panel place (s, t) at height n to pixel; shapes (m, 2), (m,) or scalar -> (m, 2)."""
        return _project(
            self.params, np.atleast_2d(st), np.broadcast_to(np.asarray(n, float), (len(np.atleast_2d(st)),))
        )

    def to_panel(self, px: FloatArray, n: FloatArray | float = 0.0, params: FloatArray | None = None) -> FloatArray:
        """Pixel to the panel place where its line of sight meets the surface at height n.

        Parameters
        ----------
        px : ndarray, shape (m, 2)
            Pixels.
        n : float or ndarray, shape (m,)
            Height above the printed face of side A's strips [mm].
        params : ndarray, optional
            Other parameters (for the propagation of uncertainty).

        Returns
        -------
        ndarray, shape (m, 2)
            (s, t) [mm].
        """
        return _to_panel(self.params if params is None else params, np.atleast_2d(np.asarray(px, float)), n)

    def sight(self, st: FloatArray, n: float = 0.0) -> FloatArray:
        """Direction from the panel to the camera at places (m, 2), in the local (s, t, n) axes; unit vectors (m, 3)."""
        p = self.params
        rot = _rotation(p[_RVEC])
        centre = -rot.T @ p[_TVEC]
        st = np.atleast_2d(st)
        point = _surface(p, st, np.full(len(st), n))
        d = centre - point
        eps = 0.5
        es = _surface(p, st + np.array([eps, 0.0]), np.full(len(st), n)) - point
        et = _surface(p, st + np.array([0.0, eps]), np.full(len(st), n)) - point
        es /= np.linalg.norm(es, axis=1, keepdims=True)
        et /= np.linalg.norm(et, axis=1, keepdims=True)
        en = -np.cross(es, et)  # z points away from the viewer, n towards
        out = np.stack([(d * es).sum(1), (d * et).sum(1), (d * en).sum(1)], 1)
        return out / np.linalg.norm(out, axis=1, keepdims=True)

    def distance_mm(self, st: FloatArray) -> FloatArray:
        """Distance from the camera to places (m, 2) on the panel [mm]."""
        p = self.params
        rot = _rotation(p[_RVEC])
        centre = -rot.T @ p[_TVEC]
        return np.linalg.norm(centre - _surface(p, np.atleast_2d(st), np.zeros(len(np.atleast_2d(st)))), axis=1)

    def strip_place(self, k: int) -> tuple[float, float, float]:
        """(s, t, angle in rad) of strip k's pattern middle on the panel."""
        return _place(self.params, k)


def _rotation(rvec: FloatArray) -> FloatArray:
    theta = float(np.linalg.norm(rvec))
    if theta < 1e-12:
        return np.eye(3)
    k = rvec / theta
    x = np.array([[0, -k[2], k[1]], [k[2], 0, -k[0]], [-k[1], k[0], 0]])
    return np.eye(3) + np.sin(theta) * x + (1 - np.cos(theta)) * (x @ x)


def _surface(p: FloatArray, st: FloatArray, n: FloatArray) -> FloatArray:
    """Place (s, t, n) to the camera's world frame (x along s, y along t, z away from the viewer)."""
    s, t = st[:, 0], st[:, 1]
    ks, kt, kst = p[_KS], p[_KT], p[_KST]
    # Arc length is kept: sin(k s)/k and (1 - cos(k s))/k, exact for one bend, and right to second order for two.
    a, b = ks * s, kt * t
    x = s * np.sinc(a / np.pi) + n * np.sin(a)
    y = t * np.sinc(b / np.pi) + n * np.sin(b)
    fall = 0.5 * ks * s * s * np.sinc(a / 2 / np.pi) ** 2 + 0.5 * kt * t * t * np.sinc(b / 2 / np.pi) ** 2 + kst * s * t
    return np.stack([x, y, fall - n * np.cos(a) * np.cos(b)], 1)


def _project(p: FloatArray, st: FloatArray, n: FloatArray) -> FloatArray:
    q = _surface(p, st, n) @ _rotation(p[_RVEC]).T + p[_TVEC]
    z = np.where(q[:, 2] > 1.0, q[:, 2], np.nan)
    x, y = q[:, 0] / z, q[:, 1] / z
    r2 = x * x + y * y
    g = np.exp(p[_LOG_F]) * (1 + p[_K1] * r2 + p[_K2] * r2 * r2)
    return np.stack([g * x + p[_CX], g * y + p[_CY]], 1)


def _to_panel(p: FloatArray, px: FloatArray, n: FloatArray | float) -> FloatArray:
    f = np.exp(p[_LOG_F])
    xd, yd = (px[:, 0] - p[_CX]) / f, (px[:, 1] - p[_CY]) / f
    rd = np.hypot(xd, yd)
    r = rd.copy()
    for _ in range(6):
        r2 = r * r
        r = r - (r * (1 + p[_K1] * r2 + p[_K2] * r2 * r2) - rd) / (1 + 3 * p[_K1] * r2 + 5 * p[_K2] * r2 * r2)
    g = np.where(rd > 1e-12, r / np.maximum(rd, 1e-12), 1.0)
    rot = _rotation(p[_RVEC])
    d = np.stack([xd * g, yd * g, np.ones_like(xd)], 1) @ rot
    c = -rot.T @ p[_TVEC]
    n = np.broadcast_to(np.asarray(n, float), (len(px),))
    k = (-n - c[2]) / d[:, 2]
    st = c[:2] + k[:, None] * d[:, :2]
    for _ in range(8):
        point = _surface(p, st, n)
        k = (point[:, 2] - c[2]) / d[:, 2]
        step = c[:2] + k[:, None] * d[:, :2] - point[:, :2]
        st = st + step
        if not np.isfinite(step).all() or np.abs(step).max(initial=0.0) < 1e-7:
            break
    return st


def _place(p: FloatArray, k: int) -> tuple[float, float, float]:
    if k == 0:
        return 0.0, 0.0, 0.0
    i = _N_COMMON + 3 * (k - 1)
    return float(p[i]), float(p[i + 1]), float(p[i + 2])


def _strip_to_panel(p: FloatArray, k: int, local: FloatArray, height_mm: float = 0.0) -> FloatArray:
    """Corners of strip k to (s, t); paper keeps its length, so at a height on a bent panel it spans less of (s, t)."""
    s, t, angle = _place(p, k)
    c, d = np.cos(angle), np.sin(angle)
    longer_s, longer_t = 1 + height_mm * p[_KS], 1 + height_mm * p[_KT]
    along, across = c * local[:, 0] - d * local[:, 1], d * local[:, 0] + c * local[:, 1]
    return np.stack([s + along / longer_s, t + across / longer_t], 1)


def _local_corners(view: StripView, scale: tuple[float, float]) -> FloatArray:
    """Corners from the middle of the pattern [mm]."""
    return view.corners_mm - np.array([120.0 * scale[0], 18.0 * scale[1]])


def fit_field(
    views: list[StripView],
    size_px: tuple[int, int],
    focal_35mm_mm: float | None,
    print_scale: tuple[float, float] = (1.0, 1.0),
    side_b: frozenset[str] = frozenset(),
    start: MetricField | None = None,
) -> MetricField:
    """Fit the metric field to every corner of every strip.

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
    start : MetricField, optional
        Earlier fit of the same strips to start from.

    Returns
    -------
    MetricField
    """
    # The strip with most corners carries the frame: its place is then known best.
    views = sorted(views, key=lambda v: (v.letter in side_b, -len(v.corner_ids)))
    w, h = size_px
    local = [_local_corners(v, print_scale) for v in views]
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

    n_par = _N_COMMON + 3 * (len(views) - 1)
    prior = np.zeros(n_par)
    prior[_LOG_F], prior[_CX], prior[_CY] = np.log(f0), (w - 1) / 2, (h - 1) / 2
    weight = np.zeros(n_par)
    pp = _SIGMA_PP_RATIO * max(w, h)
    weight[: _N_COMMON - 6] = 1 / np.array(
        [sigma_f, pp, pp, _SIGMA_K1, _SIGMA_K2, _SIGMA_CURVE, _SIGMA_CURVE, _SIGMA_TWIST, _SIGMA_STEP_MM]
    )
    if not step_free:
        weight[_STEP] = 1e6  # held at zero; its doubt is added where it matters

    p = prior.copy()
    if start is not None and set(start.letters) == {v.letter for v in views}:
        p = _restart(start, [v.letter for v in views])
    else:
        k_matrix = np.array([[f0, 0, prior[_CX]], [0, f0, prior[_CY]], [0, 0, 1]])
        p[_RVEC], p[_TVEC] = _first_pose(local[0], views[0].corners_px, k_matrix)
        for k in range(1, len(views)):
            on_panel = _to_panel(p, views[k].corners_px, 0.0)
            i = _N_COMMON + 3 * (k - 1)
            p[i : i + 3] = _rigid(local[k], on_panel)

    def corners_at(q: FloatArray) -> tuple[FloatArray, FloatArray]:
        st = np.concatenate([_strip_to_panel(q, k, loc, raised[k] * q[_STEP]) for k, loc in enumerate(local)])
        return st, raised[which] * q[_STEP]

    def residual(q: FloatArray) -> FloatArray:
        st, n = corners_at(q)
        return (_project(q, st, n) - seen).ravel()

    steps = np.full(n_par, 1e-4)
    steps[[_CX, _CY]] = 0.05
    steps[[_KS, _KT, _KST]] = 1e-7
    steps[_STEP] = 1e-3
    steps[_RVEC] = 1e-6
    steps[_TVEC] = 1e-3
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
    r = residual(p)
    covariance = np.linalg.inv(normal)
    st, _ = corners_at(p)
    return MetricField(
        params=p,
        covariance=covariance,
        letters=tuple(v.letter for v in views),
        height_index=raised,
        residual_px=r.reshape(-1, 2),
        corner_letter=which.astype(np.int64),
        corner_st=st,
        size_px=size_px,
        focal_source="exif" if focal_35mm_mm else "strips",
        step_free=step_free,
        noise_px=float(noise),
    )


def _restart(start: MetricField, letters: list[str]) -> FloatArray:
    """Earlier parameters, in the frame of the strip that now comes first."""
    order = [start.letters.index(x) for x in letters]
    s0, t0, a0 = _place(start.params, order[0])
    base = start.params[:_N_COMMON].copy()
    if order[0] != 0:
        rot = _rotation(base[_RVEC])
        turn = np.array([[np.cos(a0), -np.sin(a0), 0], [np.sin(a0), np.cos(a0), 0], [0, 0, 1]])
        shift = _surface(start.params, np.array([[s0, t0]]), np.zeros(1))[0]
        base[_RVEC] = cv2.Rodrigues(rot @ turn)[0].ravel()
        base[_TVEC] = rot @ shift + base[_TVEC]
    out = [base]
    c, d = np.cos(a0), np.sin(a0)
    for k in order[1:]:
        s, t, a = _place(start.params, k)
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


def with_step(field: MetricField, step_mm: float) -> MetricField:
    """The same field with another step between the panels (for what-if sums)."""
    p = field.params.copy()
    p[_STEP] = step_mm
    return replace(field, params=p)
