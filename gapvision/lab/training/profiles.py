"""Cross-sections of panel edges and the truth they carry.

A section is a polyline in (u, z): u runs from the panel towards the gap, 0 at
the point a gauge touches; z is height above the panel's skin [mm].
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

SKIN_END_MM = -120.0
KINDS = ("rolled", "cut", "flange", "flat_hem")


@dataclass(frozen=True, slots=True, eq=False)
class Section:
    """One edge's cross-section.

    Attributes
    ----------
    points : ndarray, shape (n, 2)
        (u, z) from the far skin to the underside [mm].
    normals : ndarray, shape (n, 2)
        Outward unit normals.
    n_outline : int
        The camera's outline is sought on ``points[:n_outline]`` only: for a cut
        edge and a folded flange these end at the upper rim of the vertical face.
    n_skin : int
        Number of leading points that wear the panel's finish; the rest is the cut face.
    rim_z_mm : float
        Height of the point a gauge touches [mm], negative.
    """

    points: FloatArray
    normals: FloatArray
    n_outline: int
    n_skin: int
    rim_z_mm: float


def _arc(
    centre_u: float, centre_z: float, semi_u: float, semi_z: float, start: float, stop: float, n: int
) -> tuple[FloatArray, FloatArray]:
    angle = np.radians(np.linspace(start, stop, n))
    points = np.stack([centre_u + semi_u * np.cos(angle), centre_z + semi_z * np.sin(angle)], 1)
    normals = np.stack([np.cos(angle) / semi_u, np.sin(angle) / semi_z], 1)
    return points, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def section(
    kind: str, radius_mm: float, depth_mm: float, sheet_mm: float, lean_deg: float = 0.0, crown_per_mm: float = 0.0
) -> Section:
    """Draw one cross-section.

    Parameters
    ----------
    kind : str
        ``rolled`` (a roll), ``flat_hem`` (a flattened roll), ``cut`` or ``flange`` (folded down).
    radius_mm : float
        Roll's semi-axis across the seam; break of the rim for a cut edge [mm].
    depth_mm : float
        Roll's semi-axis in depth; length of the flange's face [mm]; unused for a cut edge.
    sheet_mm : float
        Thickness of the sheet [mm].
    lean_deg : float
        Angle of the whole panel about its edge, positive = skin falls away from the seam.
    crown_per_mm : float
        Curvature of the skin across the seam [1/mm].

    Returns
    -------
    Section
    """
    far = -np.array(
        [120.0, 90.0, 60.0, 40.0, 30.0, 24.0, 20.0, 17.0, 14.0, 12.0, 10.0, 8.0, 7.0, 6.0, 5.0, 4.5, 4.0, 3.5, 3.0, 2.7]
    )
    if kind in ("rolled", "flat_hem"):
        roll, roll_n = _arc(-radius_mm, -depth_mm, radius_mm, depth_mm, 90, -90, 49)
        under = np.array([[-radius_mm - 4.0, -2 * depth_mm], [-radius_mm - 10.0, -2 * depth_mm]])
        tail, tail_n = under, np.tile([0.0, -1.0], (2, 1))
        rim_z, n_out_tail = -depth_mm, True
    elif kind == "cut":
        roll, roll_n = _arc(-radius_mm, -radius_mm, radius_mm, radius_mm, 90, 0, 9)
        tail = np.array([[0.0, -radius_mm], [0.0, -sheet_mm], [0.0, -sheet_mm], [-12.0, -sheet_mm]])
        tail_n = np.array([[1.0, 0.0], [1.0, 0.0], [0.0, -1.0], [0.0, -1.0]])
        rim_z, n_out_tail = -radius_mm, False
    elif kind == "flange":
        roll, roll_n = _arc(-radius_mm, -radius_mm, radius_mm, radius_mm, 90, 0, 25)
        draft = 0.06 * depth_mm
        tail = np.array(
            [
                [-draft, -radius_mm - depth_mm],
                [-draft, -radius_mm - depth_mm],
                [-draft - sheet_mm, -radius_mm - depth_mm],
            ]
        )
        tail_n = np.array([[0.998, -0.06], [0.0, -1.0], [0.0, -1.0]])
        rim_z, n_out_tail = -radius_mm, False
    else:
        raise ValueError(f"kind: expected one of {KINDS}, got {kind!r}")
    far = far[far < -radius_mm - 0.2]
    skin = np.stack([far, np.zeros_like(far)], 1)
    points = np.concatenate([skin, roll, tail])
    normals = np.concatenate([np.tile([0.0, 1.0], (len(skin), 1)), roll_n, tail_n])
    n_roll = len(skin) + len(roll)
    points, normals = _bend(points, normals, rim_z, lean_deg, crown_per_mm)
    # Leaning moves the outermost point of a roll a little: put it back to u = 0.
    n_outline = len(points) if n_out_tail else n_roll
    top = int(points[:n_outline, 0].argmax())
    points[:, 0] -= points[top, 0]
    n_skin = len(points) if kind != "cut" else n_roll
    return Section(points=points, normals=normals, n_outline=n_outline, n_skin=n_skin, rim_z_mm=float(points[top, 1]))


def _bend(
    points: FloatArray, normals: FloatArray, rim_z: float, lean_deg: float, crown: float
) -> tuple[FloatArray, FloatArray]:
    """Lean the section about its rim and crown its skin (small angles)."""
    a = np.radians(lean_deg)
    turn = np.array([[np.cos(a), -np.sin(a)], [np.sin(a), np.cos(a)]])
    pivot = np.array([0.0, rim_z])
    points = (points - pivot) @ turn.T + pivot
    normals = normals @ turn.T
    u = np.minimum(points[:, 0], 0.0)
    slope = -crown * u
    points = points + np.stack([np.zeros_like(u), -0.5 * crown * u**2], 1)
    normals = normals + np.stack([-slope * normals[:, 1], np.zeros_like(u)], 1)
    return points, normals / np.linalg.norm(normals, axis=1, keepdims=True)


def outline_u(projected: FloatArray, n_outline: int) -> tuple[NDArray[np.int64], FloatArray]:
    """Which section point makes the outline, for every station.

    Parameters
    ----------
    projected : ndarray, shape (n_s, n_points)
        Places across the seam as the camera sees them, larger = further into the gap.
    n_outline : int
        Points that may make the outline.

    Returns
    -------
    index : ndarray, shape (n_s,)
    place : ndarray, shape (n_s,)
        Refined between points by a parabola through three of them.
    """
    part = projected[:, :n_outline]
    index = part.argmax(1)
    rows = np.arange(len(part))
    place = part[rows, index].copy()
    inside = (index > 0) & (index < n_outline - 1)
    r, i = rows[inside], index[inside]
    left, mid, right = part[r, i - 1], part[r, i], part[r, i + 1]
    curve = left - 2 * mid + right
    ok = curve < -1e-9
    shift = np.where(ok, 0.5 * (left - right) / np.where(ok, curve, -1.0), 0.0)
    place[inside] = mid - 0.25 * (left - right) * np.clip(shift, -0.5, 0.5)
    return index, place
