"""A pinhole camera over the seam: world (s, t, z) in mm to pixels of a large photo."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]

PHOTO_WIDTH_PX, PHOTO_HEIGHT_PX = 4032, 3024


@dataclass(frozen=True, slots=True, eq=False)
class Camera:
    """Pose and focal length.

    Attributes
    ----------
    rotation : ndarray, shape (3, 3)
        World to camera; camera looks along +z, x right, y down.
    centre : ndarray, shape (3,)
        Camera's place in the world [mm].
    focal_px : float
        Focal length [px].
    """

    rotation: FloatArray
    centre: FloatArray
    focal_px: float

    def project(self, points: FloatArray) -> FloatArray:
        """World points (..., 3) to pixels (..., 2); the centre of the top-left pixel is (0, 0)."""
        x = (points - self.centre) @ self.rotation.T
        middle = np.array([(PHOTO_WIDTH_PX - 1) / 2, (PHOTO_HEIGHT_PX - 1) / 2])
        return self.focal_px * x[..., :2] / x[..., 2:] + middle

    def to_plane(self, pixels: FloatArray, z_mm: float) -> FloatArray:
        """Pixels (..., 2) to the places (s, t) where their rays cut the plane at height z [mm]."""
        middle = np.array([(PHOTO_WIDTH_PX - 1) / 2, (PHOTO_HEIGHT_PX - 1) / 2])
        ray = np.concatenate([(pixels - middle) / self.focal_px, np.ones((*pixels.shape[:-1], 1))], -1) @ self.rotation
        scale = (z_mm - self.centre[2]) / ray[..., 2]
        return (self.centre + scale[..., None] * ray)[..., :2]


def aim(
    distance_mm: float,
    tilt_across_deg: float,
    tilt_along_deg: float,
    roll_deg: float,
    focal_px: float,
    target_st: tuple[float, float],
) -> Camera:
    """Put a camera over the panel.

    Parameters
    ----------
    distance_mm : float
        From the camera to the point it looks at.
    tilt_across_deg, tilt_along_deg : float
        How far it stands off the normal; positive across = over edge B.
    roll_deg : float
        Turn about its own axis; 0 = seam runs along the picture's x.
    focal_px : float
        Focal length [px].
    target_st : tuple of float
        Point of the panel in the middle of the picture (s, t) [mm].

    Returns
    -------
    Camera
    """
    direction = np.array([np.tan(np.radians(tilt_along_deg)), np.tan(np.radians(tilt_across_deg)), 1.0])
    direction /= np.linalg.norm(direction)
    target = np.array([*target_st, 0.0])
    forward = -direction
    right = np.array([1.0, 0.0, 0.0]) - forward[0] * forward
    right /= np.linalg.norm(right)
    down = np.cross(forward, right)
    c, s = np.cos(np.radians(roll_deg)), np.sin(np.radians(roll_deg))
    rotation = np.stack([c * right + s * down, -s * right + c * down, forward])
    return Camera(rotation=rotation, centre=target + distance_mm * direction, focal_px=focal_px)
