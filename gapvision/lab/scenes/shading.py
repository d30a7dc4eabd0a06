"""How light an edge looks: an explicit model of light in the plane across the seam.

Around a point of an edge lies a circle of directions, measured from straight up
towards the gap: the sky with its lamps, then the other panel's edge, then the
inside of the gap.  A finish throws back the cosine-weighted light of all of it
(diffuse) and a smeared mirror image of it (a Gaussian lobe, Schlick's rise at
grazing incidence; both from memory).  The sums are done once into a table over
the slope of the surface and the direction of view.
"""

from __future__ import annotations

from functools import lru_cache
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.lab.scenes.scene import FINISHES, EdgeSpec, SceneSpec

Array = NDArray[Any]
SLOPE_DEG = np.linspace(0, 130, 131)  # of the surface's normal, from straight up towards the gap
VIEW_DEG = np.linspace(-40, 40, 41)  # of the direction to the camera
_AROUND_DEG = np.arange(-180, 180, 0.5)
_DARK_INSIDE = 0.02


def _light_around(spec: SceneSpec, side: str, slope: Array, gap_light: float) -> Array:
    """Light from every direction at each slope of an edge, shape (slopes, directions)."""
    edge, other = (spec.edge_a, spec.edge_b) if side == "A" else (spec.edge_b, spec.edge_a)
    step = spec.step_mm if side == "A" else -spec.step_mm
    x = -edge.radius_mm + edge.radius_mm * np.sin(slope)
    z = -edge.radius_mm + edge.radius_mm * np.cos(slope)
    top_x, top_z = spec.gap_mm + 0.4 * other.radius_mm, step - 0.1 * other.radius_mm
    low_z = step - (2 * other.radius_mm if other.kind == "roll" else other.thickness_mm)
    horizon = np.degrees(np.arctan2(top_x - x, top_z - z))[:, None]
    below = np.degrees(np.arctan2(spec.gap_mm - x, low_z - z))[:, None]
    sky = 0.75 + 0.25 * np.cos(np.radians(_AROUND_DEG))
    for angle, strength, width in spec.lamps:
        towards = angle if side == "A" else -angle
        sky = sky + strength * np.exp(-0.5 * ((_AROUND_DEG - towards) / width) ** 2)
    opposite = 0.35 * (FINISHES[other.finish].diffuse + FINISHES[other.finish].mirror)
    around = np.where(_AROUND_DEG[None] <= horizon, sky[None], opposite)
    around = np.where(_AROUND_DEG[None] > below, _DARK_INSIDE, around)
    inside = spec.inside
    if inside.kind == "backlit":  # a lamp or sheet of some width, seen past the other panel's lower side
        down = -inside.lamp_depth_mm - z
        far, near = (
            np.degrees(np.arctan2(spec.gap_mm / 2 + end * inside.lamp_half_mm - x, down))[:, None] for end in (1, -1)
        )
        far = np.maximum(far, below)
        lit = (_AROUND_DEG[None] - far) % 360 < (near - far) % 360
        around = np.where(lit, gap_light, around)
    under = (_AROUND_DEG < -90) if inside.kind != "backlit" else (_AROUND_DEG < -90) & (_AROUND_DEG > -150)
    return np.where(under[None], 0.0, around)


@lru_cache(maxsize=4)  # 31 MB each: the finishes of two scenes
def _lobes(lobe_deg: float) -> tuple[Array, Array]:
    """Smeared mirror image of every direction, shape (views, slopes, directions), and its sum over the directions.

    They hang on the width of the lobe alone, so they are remembered; nobody may write into them.
    """
    slope, around = np.radians(SLOPE_DEG), np.radians(_AROUND_DEG)
    lobes = np.empty((len(VIEW_DEG), len(slope), len(around)))
    for lobe, v in zip(lobes, np.radians(VIEW_DEG), strict=True):
        away = np.angle(np.exp(1j * (around[None] - (2 * slope[:, None] - v))))
        lobe[:] = np.exp(-0.5 * (away / np.radians(lobe_deg)) ** 2)
    whole = lobes.sum(axis=2)
    for remembered in (lobes, whole):
        remembered.flags.writeable = False
    return lobes, whole


def radiance_table(spec: SceneSpec, side: str, gap_light: float) -> NDArray[np.float32]:
    """Light that an edge sends to the camera.

    Parameters
    ----------
    side : str
        ``A`` or ``B``.
    gap_light : float
        Light of the inside of the gap, sky = about 1.

    Returns
    -------
    ndarray, shape (131, 41), float32
        By slope (:data:`SLOPE_DEG`) and view (:data:`VIEW_DEG`).
    """
    finish = FINISHES[(spec.edge_a if side == "A" else spec.edge_b).finish]
    lobes, whole = _lobes(finish.lobe_deg)
    slope, view, around = np.radians(SLOPE_DEG), np.radians(VIEW_DEG), np.radians(_AROUND_DEG)
    light = _light_around(spec, side, slope, gap_light)
    step = around[1] - around[0]
    diffuse = 0.5 * step * (light * np.maximum(np.cos(around[None] - slope[:, None]), 0)).sum(axis=1)
    made = np.empty((len(slope), len(view)))
    for j, v in enumerate(view):
        mirrored = (light * lobes[j]).sum(axis=1) / whole[j]
        grazing = np.clip(1 - np.cos(slope - v), 0, 1) ** 5
        share = finish.mirror + (1 - finish.mirror) * grazing * np.exp(-finish.lobe_deg / 20)
        made[:, j] = finish.diffuse * (1 - share) * diffuse + share * mirrored
    return made.astype(np.float32)


def look_up(table: NDArray[np.float32], slope_rad: Array, view_rad: Array) -> NDArray[np.float32]:
    """Interpolate a radiance table at slopes and views of any (2-D) shape."""
    rows = (np.degrees(slope_rad) / (SLOPE_DEG[1] - SLOPE_DEG[0])).astype(np.float32)
    columns = ((np.degrees(view_rad) - VIEW_DEG[0]) / (VIEW_DEG[1] - VIEW_DEG[0])).astype(np.float32)
    return np.asarray(cv2.remap(table, columns, rows, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE), np.float32)


def paper_light(spec: SceneSpec) -> float:
    """Light of white paper lying on the panel."""
    around = np.radians(_AROUND_DEG)
    light = _light_around(spec, "A", np.array([0.0]), 0.0)[0]
    return float(0.85 * 0.5 * (around[1] - around[0]) * (light * np.maximum(np.cos(around), 0)).sum())


def hit_edge(edge: EdgeSpec, x: Array, m: Array) -> tuple[Array, Array]:
    """Where lines of sight meet one panel, in the plane across the seam.

    Parameters
    ----------
    x : ndarray
        Offset of the line of sight from the extreme point, at the height of the panel's face; gap side positive [mm].
    m : ndarray
        Its slope: offset gained per mm of height.

    Returns
    -------
    n : ndarray
        Height of the first hit below the face [mm], -inf where the line passes by.
    slope : ndarray
        Slope of the surface there [rad]; pi/2 on a cut face.
    """
    r = edge.radius_mm
    n = np.where(x <= -r, np.float32(0), np.float32(-np.inf))
    slope = np.zeros_like(x)
    a = x + r - m * r
    square = 1 + m * m
    inner = r * r * square - a * a
    q = (-a * m + np.sqrt(np.maximum(inner, 0))) / square
    on_roll = (inner >= 0) & (x > -r)
    n = np.where(on_roll, q - r, n)
    slope = np.where(on_roll, np.arctan2(a + m * q, q), slope)
    if edge.kind == "cut":
        with np.errstate(divide="ignore", invalid="ignore"):
            wall = -x / m
        # a corner of less than a quarter turn counts; below it the face begins
        on_wall = (m > 0) & (wall <= -r) & (wall >= -edge.thickness_mm) & (~on_roll | (q < 0)) & (x > -r)
        n = np.where(on_wall, wall, n)
        slope = np.where(on_wall, np.float32(np.pi / 2), slope)
    return n, np.maximum(slope, 0)
