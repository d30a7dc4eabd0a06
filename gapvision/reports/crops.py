"""The same crop of a seam from any photo of it: seam level, the same stretch, the same scale."""

from __future__ import annotations

import io
from dataclasses import dataclass
from typing import Any

import numpy as np

from gapvision.results import FloatArray

_MARGIN_MM = 14.0
_LEAST_HEIGHT_MM = 34.0
_DECODE_PX = 2600


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeamCrop:
    """A cut-out with the edges in its own place.

    Attributes
    ----------
    jpeg : bytes
        The picture; nothing but pixels, so no location.
    width_px, height_px : int
        Its size.
    edge_a_px, edge_b_px : ndarray, shape (n, 2)
        Edges in the cut-out [px].
    s_mm : ndarray, shape (n,)
        Their stations.
    """

    jpeg: bytes
    width_px: int
    height_px: int
    edge_a_px: FloatArray
    edge_b_px: FloatArray
    s_mm: FloatArray


def crop_seam(
    photo: bytes,
    content: dict[str, Any],
    from_mm: float,
    to_mm: float,
    *,
    width_px: int = 1000,
    height_mm: float | None = None,
    turned: bool = False,
) -> SeamCrop | None:
    """Cut a stretch of a seam out of its photo.

    Parameters
    ----------
    photo : bytes
        The photo's file.
    content : dict
        Its measurement file.
    from_mm, to_mm : float
        Stretch to show, stations of this photo [mm].
    width_px : int
        Width of the cut-out.
    height_mm : float, optional
        Height of the cut-out on the panel [mm]; default what the seam needs.
    turned : bool
        Stations run from right to left (the other side of the car).

    Returns
    -------
    SeamCrop or None
        None when fewer than two stations lie in the stretch.
    """
    from PIL import Image

    from gapvision.intake.photo import read_colour

    rows = [s for s in content["stations"] if from_mm - 0.5 <= s["s_mm"] <= to_mm + 0.5]
    if len(rows) < 2:
        return None
    s = np.array([r["s_mm"] for r in rows])
    a = np.array([r["edge_a_px"] for r in rows], dtype=float)
    b = np.array([r["edge_b_px"] for r in rows], dtype=float)
    middle = (a + b) / 2
    slope = np.stack([np.polyfit(s, middle[:, i], 1) for i in range(2)])  # x and y as lines in s
    along = slope[:, 0] * (-1 if turned else 1)  # px per mm
    px_per_mm = float(np.hypot(*along))
    axis = along / px_per_mm
    # Across: a quarter turn from the axis, so that the cut-out is a turned picture, never a mirrored one.
    across = np.array([-axis[1], axis[0]])
    centre = slope[:, 0] * (from_mm + to_mm) / 2 + slope[:, 1]
    off = (np.concatenate([a, b]) - centre) @ across / px_per_mm
    height = height_mm or needed_height_mm(content, from_mm, to_mm)
    centre = centre + across * px_per_mm * float(off.max() + off.min()) / 2
    scale = (to_mm - from_mm) * 1.04 / width_px  # mm per px of the cut-out
    height_px = max(round(height / scale), 8)
    picture = read_colour(photo, _DECODE_PX)
    shrink = picture.shape[1] / float(content["photo"]["width_px"])
    step_x, step_y = axis * px_per_mm * scale, across * px_per_mm * scale  # photo px per cut-out px
    corner = centre - step_x * (width_px - 1) / 2 - step_y * (height_px - 1) / 2

    def to_small(p: FloatArray) -> FloatArray:
        return np.asarray((p + 0.5) * shrink, dtype=float)

    origin = to_small(corner)
    # Pillow's corner of a pixel is at whole numbers; ours its centre.
    sx, sy = step_x * shrink, step_y * shrink
    at = origin - (sx + sy) / 2
    data = (sx[0], sy[0], at[0], sx[1], sy[1], at[1])
    cut = Image.fromarray(picture).transform(
        (width_px, height_px), Image.Transform.AFFINE, data, Image.Resampling.BICUBIC, fillcolor=(255, 255, 255)
    )
    out = io.BytesIO()
    cut.save(out, "JPEG", quality=85)
    frame = np.linalg.inv(np.stack([step_x, step_y], axis=1))
    return SeamCrop(
        jpeg=out.getvalue(),
        width_px=width_px,
        height_px=height_px,
        edge_a_px=(a - corner) @ frame.T,
        edge_b_px=(b - corner) @ frame.T,
        s_mm=s,
    )


def needed_height_mm(content: dict[str, Any], from_mm: float, to_mm: float) -> float:
    """Height that a cut-out needs to show both edges with some panel beside them [mm]."""
    rows = [r for r in content["stations"] if from_mm - 0.5 <= r["s_mm"] <= to_mm + 0.5]
    if len(rows) < 2:
        return _LEAST_HEIGHT_MM
    s = np.array([r["s_mm"] for r in rows])
    edges = np.array([r["edge_a_px"] + r["edge_b_px"] for r in rows], dtype=float)
    middle = (edges[:, :2] + edges[:, 2:]) / 2
    slope = np.array([np.polyfit(s, middle[:, i], 1)[0] for i in range(2)])
    px_per_mm = float(np.hypot(*slope))
    across = np.array([-slope[1], slope[0]]) / px_per_mm
    off = np.concatenate([edges[:, :2] @ across, edges[:, 2:] @ across]) / px_per_mm
    return max(float(np.ptp(off)) + 2 * _MARGIN_MM, _LEAST_HEIGHT_MM)
