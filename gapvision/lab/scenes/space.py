"""Where things are: bent panels, the seam in them, the strips on them, and the camera. All closed forms."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.scenes.scene import CameraSpec, SceneSpec, StripSpec
from gapvision.targets import strip

Array = NDArray[Any]


@dataclass(frozen=True, slots=True)
class PanelSurface:
    """A plane, or a cylinder about an axis across (``along``) or along (``across``) the seam."""

    bend: str
    radius_mm: float

    def point(self, s: Array, t: Array, n: Array | float) -> Array:
        """World position of developed coordinates, shape (..., 3)."""
        s, t, n = np.broadcast_arrays(*(np.asarray(v, dtype=float) for v in (s, t, n)))
        if self.bend == "flat":
            return np.stack([s, t, n], axis=-1)
        angle = (s if self.bend == "along" else t) / self.radius_mm
        run, rise = (self.radius_mm + n) * np.sin(angle), (self.radius_mm + n) * np.cos(angle) - self.radius_mm
        return np.stack([run, t, rise] if self.bend == "along" else [s, run, rise], axis=-1)

    def hit(self, origin: Array, direction: Array, n: float) -> tuple[Array, Array]:
        """Developed (s, t) at which rays meet the surface at height n; NaN where they miss."""
        if self.bend == "flat":
            reach = (n - origin[2]) / direction[..., 2]
            at = origin + reach[..., None] * direction
            return at[..., 0], at[..., 1]
        i = 0 if self.bend == "along" else 1
        # quadratic for the distance from the axis, which lies radius_mm below the origin
        p, q = origin[i], origin[2] + self.radius_mm
        dx, dz = direction[..., i], direction[..., 2]
        square = dx * dx + dz * dz
        half = p * dx + q * dz
        rest = p * p + q * q - (self.radius_mm + n) ** 2
        with np.errstate(invalid="ignore"):
            root = np.sqrt(half * half - square * rest)
        reach = (-half - np.copysign(root, self.radius_mm)) / square
        at = origin + reach[..., None] * direction
        sign = np.sign(self.radius_mm)
        curved = self.radius_mm * np.arctan2(at[..., i] * sign, (at[..., 2] + self.radius_mm) * sign)
        return (curved, at[..., 1]) if self.bend == "along" else (at[..., 0], curved)


@dataclass(frozen=True, slots=True)
class SeamLine:
    """Centre line of the seam in the panel: straight, or an arc that starts along s."""

    radius_mm: float | None

    def place(self, sigma: Array, offset: Array) -> tuple[Array, Array]:
        """Developed (s, t) of a distance along the line and an offset across it."""
        sigma, offset = np.broadcast_arrays(np.asarray(sigma, dtype=float), np.asarray(offset, dtype=float))
        if self.radius_mm is None:
            return sigma, offset
        angle = sigma / self.radius_mm
        return (self.radius_mm - offset) * np.sin(angle), self.radius_mm - (self.radius_mm - offset) * np.cos(angle)

    def locate(self, s: Array, t: Array) -> tuple[Array, Array]:
        """Inverse of :meth:`place`."""
        if self.radius_mm is None:
            return s, t
        sign = np.sign(self.radius_mm)
        sigma = self.radius_mm * np.arctan2(s * sign, (self.radius_mm - t) * sign)
        return sigma, self.radius_mm - sign * np.hypot(s, self.radius_mm - t)


@dataclass(frozen=True, slots=True)
class ClosedLine:
    """Centre line of a seam that closes: a rectangle with round corners about the origin, or a circle.

    It starts in the middle of the side where t is lowest and goes towards rising s; offsets count inwards.
    """

    width_mm: float
    height_mm: float
    corner_mm: float

    @property
    def _flat(self) -> tuple[float, float]:
        return self.width_mm / 2 - self.corner_mm, self.height_mm / 2 - self.corner_mm

    @property
    def round_mm(self) -> float:
        """Length all round [mm]."""
        a, b = self._flat
        return 4 * (a + b) + 2 * np.pi * self.corner_mm

    def near(self, sigma: Array, to: float) -> Array:
        """The same places along the line, by lengths next to ``to``."""
        half = self.round_mm / 2
        return np.asarray(to + (sigma - to + half) % (2 * half) - half)

    def place(self, sigma: Array, offset: Array) -> tuple[Array, Array]:
        """Developed (s, t) of a distance along the line and an offset across it."""
        sigma, offset = np.broadcast_arrays(np.asarray(sigma, dtype=float), np.asarray(offset, dtype=float))
        a, b = self._flat
        arc = self.corner_mm * np.pi / 2
        ends = np.cumsum([a, arc, 2 * b, arc, 2 * a, arc, 2 * b, arc, a])
        along = sigma % self.round_mm
        part = np.minimum(np.searchsorted(ends, along, side="right"), 8)
        left = along - np.concatenate([[0.0], ends])[part]
        zero = np.zeros_like(left)
        # Of each part: the middle of its corner, or the foot of its side's normal on the inner rectangle.
        s = np.choose(part, [left, zero + a, zero + a, zero + a, a - left, zero - a, zero - a, zero - a, left - a])
        t = np.choose(part, [zero - b, zero - b, left - b, zero + b, zero + b, zero + b, b - left, zero - b, zero - b])
        turned = np.pi / 2 * (np.array([0, 0, 1, 1, 2, 2, 3, 3, 4])[part] - 1)
        turned = turned + np.where(part % 2 == 1, left / self.corner_mm, 0.0)
        reach = self.corner_mm - offset
        return s + reach * np.cos(turned), t + reach * np.sin(turned)

    def locate(self, s: Array, t: Array) -> tuple[Array, Array]:
        """Inverse of :meth:`place`; sigma from 0 to the length all round."""
        a, b = self._flat
        arc = self.corner_mm * np.pi / 2
        x, y = np.clip(s, -a, a), np.clip(t, -b, b)
        dx, dy = s - x, t - y
        deep = np.minimum(a - np.abs(s), b - np.abs(t))  # above 0 inside the inner rectangle
        inner = deep > 0
        upright = a - np.abs(s) < b - np.abs(t)
        dx = np.where(inner, np.where(upright, np.sign(s), 0.0), dx)
        dy = np.where(inner, np.where(upright, 0.0, np.where(t < 0, -1.0, 1.0)), dy)
        offset = self.corner_mm - np.where(inner, -deep, np.hypot(dx, dy))
        turn = np.arctan2(dx, -dy) % (2 * np.pi)  # 0 on the side where it starts
        quarter = np.floor(turn / (np.pi / 2)).astype(int) % 4
        # How far its sides have come where a corner begins, and how far along its own side a place lies.
        corner = self.corner_mm * turn + np.array([a, a + 2 * b, 3 * a + 2 * b, 3 * a + 4 * b])[quarter]
        on_side = (dx == 0) | (dy == 0)
        side = np.rint(turn / (np.pi / 2)).astype(int) % 4
        way = np.choose(side, [x, y + b + a, -x + 2 * b + 2 * a, -y + 3 * b + 3 * a])
        sigma = np.where(on_side, arc * side + way, corner)
        return sigma % self.round_mm, offset


def seam_of(spec: SceneSpec) -> SeamLine | ClosedLine:
    """The seam's centre line in the panel."""
    return SeamLine(spec.seam_radius_mm) if spec.closed_mm is None else ClosedLine(*spec.closed_mm)


@dataclass(frozen=True, slots=True)
class Lens:
    """A camera: X_cam = rotation X + shift, radial distortion k1 and k2, centre of the top-left pixel at (0, 0)."""

    focal: float
    centre: Array
    k1: float
    k2: float
    rotation: Array
    shift: Array
    width: int
    height: int

    @property
    def position(self) -> Array:
        """Where the camera stands in the world [mm]."""
        return -self.rotation.T @ self.shift

    def project(self, world: Array) -> Array:
        """World points (..., 3) to pixels (..., 2)."""
        cam = np.asarray(world, dtype=float) @ self.rotation.T + self.shift
        xy = cam[..., :2] / cam[..., 2:]
        r2 = (xy * xy).sum(axis=-1, keepdims=True)
        return np.asarray(self.focal * xy * (1 + r2 * (self.k1 + r2 * self.k2)) + self.centre)

    def rays(self, px: Array) -> Array:
        """Directions in the world of pixels (..., 2); not normalised."""
        bent = (np.asarray(px, dtype=float) - self.centre) / self.focal
        target = np.hypot(bent[..., 0], bent[..., 1])
        r = target.copy()
        for _ in range(8):  # Newton; mild distortion settles in four
            r2 = r * r
            r -= (r * (1 + r2 * (self.k1 + r2 * self.k2)) - target) / (1 + r2 * (3 * self.k1 + 5 * r2 * self.k2))
        straight = bent * np.where(target > 0, r / np.maximum(target, 1e-15), 1.0)[..., None]
        return np.concatenate([straight, np.ones_like(straight[..., :1])], axis=-1) @ self.rotation


def make_lens(camera: CameraSpec, panel: PanelSurface) -> Lens:
    """Place the camera: square on to the aim point, then tilted about it and rolled."""
    across, along, roll = np.radians([camera.tilt_across_deg, camera.tilt_along_deg, camera.roll_deg])
    about_s = np.array([[1, 0, 0], [0, np.cos(across), -np.sin(across)], [0, np.sin(across), np.cos(across)]])
    about_t = np.array([[np.cos(along), 0, np.sin(along)], [0, 1, 0], [-np.sin(along), 0, np.cos(along)]])
    about_axis = np.array([[np.cos(roll), -np.sin(roll), 0], [np.sin(roll), np.cos(roll), 0], [0, 0, 1]])
    rotation = about_axis @ np.diag([1.0, -1.0, -1.0]) @ about_s @ about_t
    aim = panel.point(np.array(camera.aim_s_mm), np.array(camera.aim_t_mm), 0.0)
    shift = np.array([0.0, 0.0, camera.distance_mm]) - rotation @ aim
    longer = max(camera.width_px, camera.height_px)
    centre = np.array([(camera.width_px - 1) / 2 + 6.0, (camera.height_px - 1) / 2 - 9.0])
    focal = camera.focal_px or 0.75 * longer
    return Lens(focal, centre, camera.k1, camera.k2, rotation, shift, camera.width_px, camera.height_px)


def edge_offsets(spec: SceneSpec, sigma: Array) -> tuple[Array, Array]:
    """Offsets of the extreme points of edge A (negative) and edge B along the seam [mm]."""
    half = (spec.gap_mm + spec.taper_mm_per_m * sigma / 1000) / 2
    opened = {}
    for side, edge in (("A", spec.edge_a), ("B", spec.edge_b)):
        phase = 2 * np.pi * sigma / edge.wave_period_mm + np.radians(edge.wave_phase_deg)
        add = half + edge.wave_mm * np.sin(phase)
        for d in spec.defects:
            if d.side != side:
                continue
            away = sigma - d.s_mm if spec.closed_mm is None else ClosedLine(*spec.closed_mm).near(sigma - d.s_mm, 0.0)
            x = away / d.width_mm
            if d.kind == "bump":
                add = add + d.height_mm * np.where(np.abs(x) < 0.5, 0.5 + 0.5 * np.cos(2 * np.pi * x), 0.0)
            else:  # a step that takes 1 mm of edge
                add = add + d.height_mm * np.clip(0.5 + away, 0, 1)
        opened[side] = add
    return -opened["A"], opened["B"]


def strip_place(spec: SceneSpec, one: StripSpec) -> tuple[float, float, float]:
    """Where the strip's frame starts: developed s and t of its origin, and the height n of its printed face [mm]."""
    length = strip.pattern_mm(one.short) * spec.print_scale_along
    width = strip.PATTERN_WIDTH_MM * spec.print_scale_across
    turn = np.radians(one.angle_deg)
    s0 = one.s_mm - (length / 2 * np.cos(turn) + width / 2 * np.sin(turn))
    t0 = one.t_mm - (length / 2 * np.sin(turn) - width / 2 * np.cos(turn))
    n = strip.FACE_HEIGHT_MM + (spec.step_mm if one.side == "B" else 0.0)
    return float(s0), float(t0), n


def _stretch(spec: SceneSpec, n: float) -> tuple[float, float]:
    """Length on the paper over developed length, along s and t, for a face at height n on a bent panel."""
    longer = 1 + n / spec.bend_radius_mm
    return (longer if spec.bend == "along" else 1.0), (longer if spec.bend == "across" else 1.0)


def strip_to_panel(spec: SceneSpec, one: StripSpec, xy_mm: Array) -> tuple[Array, Array, float]:
    """Strip frame (x along, y across, artwork mm) to developed s and t, and the height n of the print."""
    s0, t0, n = strip_place(spec, one)
    x, y = xy_mm[..., 0] * spec.print_scale_along, xy_mm[..., 1] * spec.print_scale_across
    turn = np.radians(one.angle_deg)
    es, et = _stretch(spec, n)
    return (
        s0 + (x * np.cos(turn) + y * np.sin(turn)) / es,
        t0 + (x * np.sin(turn) - y * np.cos(turn)) / et,
        n,
    )


def panel_to_strip(spec: SceneSpec, one: StripSpec, s: Array, t: Array) -> tuple[Array, Array]:
    """Inverse of :func:`strip_to_panel` for points at the height of the print."""
    s0, t0, n = strip_place(spec, one)
    es, et = _stretch(spec, n)
    ds, dt = (s - s0) * es, (t - t0) * et
    turn = np.radians(one.angle_deg)
    return (
        (ds * np.cos(turn) + dt * np.sin(turn)) / spec.print_scale_along,
        (ds * np.sin(turn) - dt * np.cos(turn)) / spec.print_scale_across,
    )
