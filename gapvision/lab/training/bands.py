"""From a photo of a scene to the band that the detector sees, with the truth in the band's own mm."""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.intake.decode import half_size
from gapvision.intake.light import to_linear
from gapvision.lab.training.camera import Camera
from gapvision.lab.training.photo import to_grey_linear
from gapvision.lab.training.profiles import outline_u
from gapvision.lab.training.render import crop_box
from gapvision.lab.training.scenes import BEYOND_BAND_MM, HALF_LENGTH_MM, EdgeScene, Scene
from gapvision.lab.training.solids import edge_vertices
from gapvision.vision.band import CHROMA_ALONG, CHROMA_ROW_MM, Band, CentreLine, colour_ratios

FloatArray = NDArray[np.float64]

HALF_MM, ROW_MM, N_T = 10.0, 0.05, 401
_SUB = 4
_CHROMA_ROWS = round(2 * HALF_MM / CHROMA_ROW_MM) + 1


@dataclass(frozen=True, slots=True, kw_only=True)
class Rectifier:
    """An imperfect idea of where the seam runs and how large a millimetre is.

    Attributes
    ----------
    shift_mm, slope, bend_per_mm : float
        Centre line of the band: t = shift + slope s + bend s^2.
    scale : float
        mm of the band for each mm of the world.
    height_mm : float
        Height of the surface on which the band is drawn.
    phase_mm : float
        Where the first column begins.
    half_length_mm : float
        The scene's.
    """

    shift_mm: float
    slope: float
    bend_per_mm: float
    scale: float
    height_mm: float
    phase_mm: float
    half_length_mm: float = HALF_LENGTH_MM


def draw_rectifier(rng: np.random.Generator, scene: Scene) -> Rectifier:
    """Draw the errors of one rectification."""
    mid = 0.5 * (scene.edge_a.section.rim_z_mm + scene.edge_b.section.rim_z_mm + scene.edge_b.lift_mm)
    spread = rng.choice([0.35, 0.9], p=[0.7, 0.3])
    return Rectifier(
        shift_mm=float(np.clip(rng.normal(0, spread), -2.0, 2.0)),
        slope=float(rng.normal(0, 0.008)),
        bend_per_mm=float(rng.normal(0, 0.0002)),
        scale=float(rng.normal(1, 0.006)),
        height_mm=float(mid + rng.normal(0, 0.4)),
        phase_mm=float(rng.uniform(0, 1)),
        half_length_mm=scene.half_length_mm,
    )


def columns_mm(rect: Rectifier) -> FloatArray:
    """Places of the band's columns along the world's seam [mm]."""
    n = int(2 * rect.half_length_mm) - 4
    return (-(n - 1) / 2 + np.arange(n) + rect.phase_mm - 0.5) / rect.scale


def sample_band(stored: NDArray[np.uint8], scene: Scene, rect: Rectifier) -> tuple[NDArray[np.float32], float]:
    """Rectify a stored picture to a band.

    Parameters
    ----------
    stored : ndarray, shape (H, W, 3), uint8
        Crop of the photo as ``crop_box`` has it.
    scene : Scene
    rect : Rectifier

    Returns
    -------
    linear : ndarray, shape (401, n_s), float32
        NaN outside the crop.
    px_per_mm : float
        Resolution across the seam at the band's middle.
    """
    linear = to_grey_linear(stored)
    t = (np.arange(N_T) - N_T // 2) * ROW_MM
    local = _map(scene, rect, t, _SUB)
    h, w = linear.shape
    out = cv2.remap(linear, local[..., 0], local[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_REPLICATE)
    outside = (local < 0).any(-1) | (local[..., 0] > w - 1) | (local[..., 1] > h - 1)
    out[outside] = np.nan
    band = np.maximum(out.reshape(N_T, -1, _SUB).mean(2), 0)
    middle = local[:, local.shape[1] // 2]
    px_per_mm = float(np.linalg.norm(middle[-1] - middle[0]) / (2 * HALF_MM))
    return band, px_per_mm


def sample_chroma(stored: NDArray[np.uint8], scene: Scene, rect: Rectifier) -> NDArray[np.float32]:
    """Colour along the same band, from the picture at half size (a JPEG stores no more).

    Returns
    -------
    ndarray, shape (2, 201, n_s), float32
        As :func:`gapvision.vision.band.colour_ratios` gives it, rows 0.1 mm apart.
    """
    t = (np.arange(_CHROMA_ROWS) - _CHROMA_ROWS // 2) * CHROMA_ROW_MM
    place = (_map(scene, rect, t, CHROMA_ALONG) + 0.5) / 2 - 0.5
    fine = cv2.remap(
        to_linear(half_size(stored)), place[..., 0], place[..., 1], cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE
    )
    return colour_ratios(fine.reshape(len(t), -1, CHROMA_ALONG, 3).mean(2))


def _map(scene: Scene, rect: Rectifier, t_mm: FloatArray, sub: int) -> NDArray[np.float32]:
    """Places in the crop of a band's rows and of ``sub`` samples a column [px], shape (n_t, n_s * sub, 2)."""
    s = columns_mm(rect)
    fine = (s[:, None] + ((np.arange(sub) + 0.5) / sub - 0.5) / rect.scale).ravel()
    centre = rect.shift_mm + rect.slope * fine + rect.bend_per_mm * fine**2
    world = np.empty((len(t_mm), len(fine), 3))
    world[..., 0] = fine
    world[..., 1] = centre + t_mm[:, None] / rect.scale
    world[..., 2] = rect.height_mm
    x0, y0, _, _ = crop_box(scene)
    return (scene.camera.project(world) - np.array([x0, y0])).astype(np.float32)


def line_of_sight_deg(camera: Camera, rect: Rectifier) -> FloatArray:
    """Angles off the normal, across the seam (+ from side B) and along it, in the band's middle [deg]; shape (2,)."""
    sight = camera.centre - np.array([0.0, rect.shift_mm, rect.height_mm])
    return np.degrees(np.arctan2(sight[[1, 0]], sight[2]))


def edge_truth(edge: EdgeScene, side: int, camera: Camera, rect: Rectifier) -> tuple[FloatArray, FloatArray]:
    """Where an edge lies in the band.

    Parameters
    ----------
    edge : EdgeScene
    side : int
        -1 for A, +1 for B.
    camera : Camera
    rect : Rectifier

    Returns
    -------
    outline, extreme : ndarray, shape (n_s,)
        Offset t in the band [mm], each the mean over the column, of the outline the camera
        sees (of a cut edge: the upper rim) and of the point a gauge touches.
    """
    keep = np.abs(edge.s_mm) < rect.half_length_mm + BEYOND_BAND_MM
    vertices, _ = edge_vertices(edge, side)
    vertices = vertices[keep]
    seen = camera.to_plane(camera.project(vertices), rect.height_mm)
    centre = rect.shift_mm + rect.slope * seen[..., 0] + rect.bend_per_mm * seen[..., 0] ** 2
    across = (seen[..., 1] - centre) * rect.scale
    index, place = outline_u(-side * across, edge.section.n_outline)
    rows = np.arange(len(index))
    top = int(edge.section.points[: edge.section.n_outline, 0].argmax())
    # A cut edge's rim is the end of its short roll, whether or not the face below is seen.
    outline = _column_mean(seen[rows, index, 0], -side * place, rect)
    extreme = _column_mean(seen[:, top, 0], across[:, top], rect)
    return outline, extreme


def _column_mean(s_seen: FloatArray, value: FloatArray, rect: Rectifier) -> FloatArray:
    order = np.argsort(s_seen)
    s = columns_mm(rect)
    fine = np.linspace(-0.5, 0.5, 9) / rect.scale
    return np.interp((s[:, None] + fine).ravel(), s_seen[order], value[order]).reshape(len(s), -1).mean(1)


def as_band(
    linear: NDArray[np.float32],
    px_per_mm: float,
    sight_deg: NDArray[np.floating],
    chroma: NDArray[np.floating],
) -> Band:
    """Turn a stored training band, shape (401, n_s), and its colour into what the core measures on.

    ``sight_deg`` is the band's, shape (2,), or every column's, shape (2, n_s).
    """
    n_t, n_s = linear.shape
    s = np.arange(n_s, dtype=float)
    line = CentreLine(s_mm=s, points=np.stack([s, 0 * s], 1), normals=np.tile([0.0, 1.0], (n_s, 1)))
    return Band(
        linear=linear,
        peak=linear,
        t_mm=(np.arange(n_t) - n_t // 2) * ROW_MM,
        line=line,
        px_per_mm=np.full(n_s, px_per_mm),
        sight_deg=np.broadcast_to(np.asarray(sight_deg, float).reshape(2, -1), (2, n_s)).copy(),
        chroma=chroma.astype(np.float32),
    )
