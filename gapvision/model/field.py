"""The fitted map of a photo: from a pixel to a place on the panel, and back.

A camera (focal length, principal point, radial distortion), a panel surface that may bend gently along and across,
and for each strip where it lies on that surface, how much larger it was printed than stated and how much higher it
lies than usual.  Strips on side B may stand higher or lower than those on side A (the step).
:func:`gapvision.vision.field.fit_field` fits it; here is what is done with it afterwards.

Frame: developed coordinates (s, t, n) in mm; s along the first strip, t across
it (downwards in the strip's own frame), n out of the panel towards the camera.
n = 0 is the printed face of a strip of usual thickness on side A.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gapvision.model._checks import FloatArray, frozen_array
from gapvision.model.photo import StripView

# How far the bends of two neighbouring panels across the gap may differ [1/mm], standard deviation.  Both are taken to
# follow one surface; a panel that falls away more than the other is no step, but looks like one to strips that lie
# away from the gap.  Common practice, no source.
_SIGMA_OWN_BEND = 1 / 8000.0

# Order of the parameters in the vector.
LOG_F, CX, CY, K1, K2, KS, KT, KST, STEP = range(9)
RVEC, TVEC = slice(9, 12), slice(12, 15)
N_COMMON = 15
# Strips take five parameters each; a number of them that leaves this by five has one for the change of the bend.
_CHANGES = (N_COMMON - 3 + 1) % 5


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class FittedField:
    """Fitted map between the photo and the panel surface.

    Attributes
    ----------
    params : ndarray, shape (p,)
        Focal length (log), principal point, distortion, bends, step, camera pose, strip places, and for each strip how
        much larger than stated it is printed (share) and how much higher than usual it lies [mm]; p = 15 + 3 for each
        strip after the first + 2 for each strip.  The last may be missing (before method 9 strips were taken to be
        alike) and are then 0; one more is how fast the bend along changes along [1/mm2], of a photo of a long seam.
    covariance : ndarray, shape (p, p)
        Of the parameters.
    letters : tuple of str
        Strips in the order of their place parameters (the first is the frame).
    raised : tuple of str
        Strips whose face stands at the step's height; none unless strips lie on both panels.
    size_px : tuple of int
        Width and height of the photo.
    print_scales : tuple of (float, float)
        Print scale along and across of each strip, in the order of the letters.
    focal_source : str
        ``exif`` or ``strips``.
    noise_px : float
        Scatter of the corners, standard deviation each way [px].
    strain : float
        How much a short length beside the strips may be stretched by what no map explains (a wobble of the picture),
        standard uncertainty as a share of it.
    """

    params: FloatArray
    covariance: FloatArray
    letters: tuple[str, ...]
    raised: tuple[str, ...]
    size_px: tuple[int, int]
    print_scales: tuple[tuple[float, float], ...]
    focal_source: str
    noise_px: float
    strain: float = 0.0

    def __post_init__(self) -> None:
        if not self.letters or not set(self.raised) < set(self.letters):
            raise ValueError("letters: expected one or more, and one of them not raised")
        if len(self.print_scales) != len(self.letters):
            raise ValueError("print_scales: expected one for each strip")
        n = own_parameters(len(self.letters)).stop
        n += len(self.params) == n + 1
        missing = 2 * len(self.letters) * (len(self.params) == n - 2 * len(self.letters))
        if missing:
            object.__setattr__(self, "params", np.pad(np.asarray(self.params, float), (0, missing)))
            object.__setattr__(self, "covariance", np.pad(np.asarray(self.covariance, float), (0, missing)))
        frozen_array(self, "params", (n,))
        frozen_array(self, "covariance", (n, n))

    @property
    def focal_px(self) -> float:
        """Focal length [px]."""
        return float(np.exp(self.params[LOG_F]))

    @property
    def step_free(self) -> bool:
        """Whether strips lie on both panels, so that the step was fitted."""
        return bool(self.raised)

    @property
    def step_mm(self) -> float:
        """Height of side B above side A [mm]."""
        return float(self.params[STEP])

    @property
    def step_std_mm(self) -> float:
        """Standard uncertainty of the step, measured with strips on both sides [mm]."""
        return float(np.hypot(np.sqrt(self.covariance[STEP, STEP]), self._own_bend_mm()))

    def _own_bend_mm(self) -> float:
        """What a bend of one panel alone does to the step, standard uncertainty; the gap is taken midway."""
        if not self.step_free:
            return 0.0
        across = np.array([self.strip_place(k)[1] for k in range(len(self.letters))])
        on_b = np.array([letter in self.raised for letter in self.letters])
        from_gap = 0.5 * abs(float(across[on_b].mean() - across[~on_b].mean()))
        return 0.5 * _SIGMA_OWN_BEND * from_gap**2

    def project(self, st: FloatArray, n: FloatArray | float = 0.0) -> FloatArray:
        """Panel place (s, t) at height n to pixel; shapes (m, 2), (m,) or scalar -> (m, 2)."""
        return project(self.params, np.atleast_2d(st), n)

    def to_panel(self, px: FloatArray, n: FloatArray | float = 0.0, params: FloatArray | None = None) -> FloatArray:
        """Pixel to the panel place where its line of sight meets the surface at height n.

        Parameters
        ----------
        px : ndarray, shape (m, 2)
            Pixels.
        n : float or ndarray, shape (..., m)
            Height above the printed face of side A's strips [mm].
        params : ndarray, shape (..., p), optional
            Other parameters, also several sets of them at once (for the propagation of uncertainty).

        Returns
        -------
        ndarray, shape (..., m, 2)
            (s, t) [mm].
        """
        return to_panel(self.params if params is None else params, np.atleast_2d(np.asarray(px, float)), n)

    def sight(self, st: FloatArray, n: float = 0.0) -> FloatArray:
        """Direction from the panel to the camera at places (m, 2), in the local (s, t, n) axes; unit vectors (m, 3)."""
        st, eps = np.atleast_2d(st), 0.5
        point, *beside = (surface(self.params, st + off, np.full(len(st), n)) for off in ((0, 0), (eps, 0), (0, eps)))
        es, et = (_unit(place - point) for place in beside)
        en = -np.cross(es, et)  # z points away from the viewer, n towards
        d = self._camera - point
        return _unit(np.stack([(d * es).sum(1), (d * et).sum(1), (d * en).sum(1)], 1))

    def distance_mm(self, st: FloatArray) -> FloatArray:
        """Distance from the camera to places (m, 2) on the panel [mm]."""
        st = np.atleast_2d(st)
        place = surface(self.params, st, np.zeros(len(st)))
        return np.asarray(np.linalg.norm(self._camera - place, axis=1), dtype=float)

    @property
    def _camera(self) -> FloatArray:
        """Where the camera stands, in the frame of :func:`surface`."""
        return np.asarray(-rotation(self.params[RVEC]).T @ self.params[TVEC], dtype=float)

    def strip_place(self, k: int) -> tuple[float, float, float]:
        """(s, t, angle in rad) of strip k's pattern middle on the panel."""
        s, t, angle = place(self.params, k)
        return float(s), float(t), float(angle)

    def strip_height_mm(self, letter: str) -> float:
        """Height n of a strip's printed face [mm]."""
        own = float(self.params[own_parameters(len(self.letters))][2 * self.letters.index(letter) + 1])
        return own + (self.step_mm if letter in self.raised else 0.0)

    def strip_corners(self, view: StripView) -> FloatArray:
        """Where a strip's corners lie on the panel, shape (m, 2) [mm]."""
        return self._strip_to_panel(view.letter, local_corners(view))

    def _strip_to_panel(self, letter: str, local: FloatArray) -> FloatArray:
        k = self.letters.index(letter)
        larger = self.params[own_parameters(len(self.letters))][2 * k]
        return strip_to_panel(self.params, k, local * (1 + larger), self.strip_height_mm(letter))

    def strip_ends_px(self, letter: str) -> FloatArray:
        """Where the two ends of a strip's pattern lie in the photo, shape (2, 2) [px]."""
        ends = np.array([[-120.0, 0.0], [120.0, 0.0]]) * self.print_scales[self.letters.index(letter)][0]
        return self.project(self._strip_to_panel(letter, ends), self.strip_height_mm(letter))

    def residual_px(self, view: StripView) -> FloatArray:
        """What the map leaves at a strip's corners, shape (m, 2) [px]."""
        return self.project(self.strip_corners(view), self.strip_height_mm(view.letter)) - view.corners_px

    def rms_px(self, views: list[StripView]) -> float:
        """What the map leaves at all corners of its strips, root of the mean square [px]."""
        return float(np.sqrt((np.concatenate([self.residual_px(v) for v in views]) ** 2).mean()))


def _unit(vectors: FloatArray) -> FloatArray:
    return np.asarray(vectors / np.linalg.norm(vectors, axis=1, keepdims=True), dtype=float)


def own_parameters(strips: int) -> slice:
    """Where each strip's own enlargement (share) and height [mm] stand among the parameters, strip after strip."""
    start = N_COMMON + 3 * (strips - 1)
    return slice(start, start + 2 * strips)


# Below, p holds one set of parameters, shape (p,), or several at once, shape (..., p): a derivative is then one call.


def rotation(rvec: FloatArray) -> FloatArray:
    """Rotation matrices (..., 3, 3) of turns about an axis, shape (..., 3), whose length is the angle [rad]."""
    half = np.linalg.norm(rvec, axis=-1)[..., None, None] / 2
    x, y, z = np.moveaxis(rvec, -1, 0)
    o = np.zeros_like(x)
    cross = np.stack([o, -z, y, z, o, -x, -y, x, o], -1).reshape(*rvec.shape, 3)
    # Rodrigues: 1 + (sin a / a) X + ((1 - cos a) / a^2) X^2.
    by_one, by_two = np.sinc(2 * half / np.pi), 0.5 * np.sinc(half / np.pi) ** 2
    return np.asarray(np.eye(3) + by_one * cross + by_two * (cross @ cross), dtype=float)


def surface(p: FloatArray, st: FloatArray, n: FloatArray | float) -> FloatArray:
    """Place (s, t, n) to the camera's world frame (x along s, y along t, z away from the viewer)."""
    s, t = st[..., 0], st[..., 1]
    ks, kt, kst = (p[..., i, None] for i in (KS, KT, KST))
    # Arc length is kept: sin(k s)/k and (1 - cos(k s))/k, exact for one bend, and right to second order for two.
    a, b = ks * s, kt * t
    x = s * np.sinc(a / np.pi)
    fall = np.zeros_like(s)
    if p.shape[-1] % 5 == _CHANGES:
        change = p[..., -1, None]
        x = x - s**4 * change * (ks / 8 + change * s / 40)
        fall = change * s**3 / 6
        a = a + 0.5 * change * s * s
    x = x + n * np.sin(a)
    y = t * np.sinc(b / np.pi) + n * np.sin(b)
    fall = fall + 0.5 * ks * s * s * np.sinc(ks * s / 2 / np.pi) ** 2 + 0.5 * kt * t * t * np.sinc(b / 2 / np.pi) ** 2
    fall = fall + kst * s * t
    return np.stack([x, y, fall - n * np.cos(a) * np.cos(b)], -1)


def project(p: FloatArray, st: FloatArray, n: FloatArray | float) -> FloatArray:
    """Panel places, shape (..., m, 2), at heights, shape (..., m), to pixels, by parameters p."""
    q = surface(p, st, n) @ np.swapaxes(rotation(p[..., RVEC]), -1, -2) + p[..., None, TVEC]
    z = np.where(q[..., 2] > 1.0, q[..., 2], np.nan)
    x, y = q[..., 0] / z, q[..., 1] / z
    log_f, cx, cy, k1, k2 = (p[..., i, None] for i in (LOG_F, CX, CY, K1, K2))
    r2 = x * x + y * y
    g = np.exp(log_f) * (1 + k1 * r2 + k2 * r2 * r2)
    return np.stack([g * x + cx, g * y + cy], -1)


def to_panel(p: FloatArray, px: FloatArray, n: FloatArray | float) -> FloatArray:
    """Pixels, shape (m, 2), to the panel places at heights n, shape (..., m), by parameters p."""
    log_f, cx, cy, k1, k2 = (p[..., i, None] for i in (LOG_F, CX, CY, K1, K2))
    f = np.exp(log_f)
    xd, yd = (px[:, 0] - cx) / f, (px[:, 1] - cy) / f
    rd = np.hypot(xd, yd)
    r = rd.copy()
    for _ in range(6):
        r2 = r * r
        r = r - (r * (1 + k1 * r2 + k2 * r2 * r2) - rd) / (1 + 3 * k1 * r2 + 5 * k2 * r2 * r2)
    g = np.where(rd > 1e-12, r / np.maximum(rd, 1e-12), 1.0)
    rot = rotation(p[..., RVEC])
    d = np.stack([xd * g, yd * g, np.ones_like(xd)], -1) @ rot
    c = -(p[..., None, TVEC] @ rot)
    k = (-n - c[..., 2]) / d[..., 2]
    st = c[..., :2] + k[..., None] * d[..., :2]
    for _ in range(8):
        point = surface(p, st, n)
        k = (point[..., 2] - c[..., 2]) / d[..., 2]
        step = c[..., :2] + k[..., None] * d[..., :2] - point[..., :2]
        st = st + step
        if not np.isfinite(step).all() or np.abs(step).max(initial=0.0) < 1e-7:
            break
    return np.asarray(st, dtype=float)


def place(p: FloatArray, k: int) -> FloatArray:
    """(s, t, angle in rad) of the middle of strip k's pattern, shape (..., 3); the first strip is the frame."""
    i = N_COMMON + 3 * (k - 1)
    return p[..., i : i + 3] if k else np.zeros((*p.shape[:-1], 3))


def strip_to_panel(p: FloatArray, k: int, local: FloatArray, height_mm: FloatArray | float = 0.0) -> FloatArray:
    """Corners of strip k, shape (..., m, 2), to (s, t).

    Paper keeps its length, so at a height on a bent panel it spans less of (s, t).
    """
    s, t, angle = (place(p, k)[..., i, None] for i in range(3))
    c, d = np.cos(angle), np.sin(angle)
    longer_s, longer_t = 1 + height_mm * p[..., KS, None], 1 + height_mm * p[..., KT, None]
    along, across = c * local[..., 0] - d * local[..., 1], d * local[..., 0] + c * local[..., 1]
    return np.stack([s + along / longer_s, t + across / longer_t], -1)


def local_corners(view: StripView) -> FloatArray:
    """Corners from the middle of the pattern [mm]."""
    return np.asarray(view.corners_mm - np.array([120.0, 18.0]) * view.print_scale, dtype=float)
