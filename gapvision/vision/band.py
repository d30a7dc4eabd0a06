"""Rectified pictures of the panel: an overview for finding the seam, a band for finding its edges.

Both are sampled through the fitted field, so their rows and columns are places in mm on the
panel.  The map is projected on a coarse grid and interpolated; over 4 mm the
view of a panel is linear to a few thousandths of a pixel.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.intake.light import to_linear
from gapvision.model import FittedField, FloatArray, Photo

BAND_HALF_MM = 10.0
ROW_MM = 0.05  # between rows of a band
#: Rows of a band's colour; a JPEG stores colour at half size, so finer ones would tell nothing new.
CHROMA_ROW_MM = 0.1
#: Samples of colour along each station, averaged as light.
CHROMA_ALONG = 2
# Added to the light before its logarithm: in the dark, where colour is noise, the ratios go to 0.
_CHROMA_FLOOR = 0.01
# Beyond it (a ratio of 7) a colour is no more coloured: strong paints and lamps stay below.
_CHROMA_MOST = 2.0
_ALONG_SAMPLES_PER_MM = 4
_GRID_MM = 4.0
_BLOCK_STATIONS = 64


@dataclass(frozen=True, slots=True, eq=False)
class Overview:
    """The panel around the strips, seen square on.

    Attributes
    ----------
    linear : ndarray, shape (n_t, n_s), float32
        Linear light, 1 = white; NaN outside the photo.
    s_mm, t_mm : ndarray
        Places of columns and rows [mm].
    """

    linear: NDArray[np.float32]
    s_mm: FloatArray
    t_mm: FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class CentreLine:
    """An approximate centre line of the seam on the panel, by arc length.

    Attributes
    ----------
    s_mm : ndarray, shape (n,)
        Arc length of each station [mm].
    points : ndarray, shape (n, 2)
        Places on the panel (s, t of the field) [mm].
    normals : ndarray, shape (n, 2)
        Unit normals, from edge A to edge B.
    """

    s_mm: FloatArray
    points: FloatArray
    normals: FloatArray


def normals_along(points: FloatArray, station_mm: float) -> FloatArray:
    """Unit normals of a row of places (s, t), turned by a quarter from s towards t off the way they go; shape (n, 2).

    Their direction is taken over 6 mm either way, so that the small kinks of a coarse line do not turn it.
    """
    i, reach = np.arange(len(points)), max(1, round(6 / station_mm))
    ahead = points[np.minimum(i + reach, len(points) - 1)] - points[np.maximum(i - reach, 0)]
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    return np.stack([-ahead[:, 1], ahead[:, 0]], 1)


def arc_along(places: FloatArray, closed: bool) -> tuple[FloatArray, float]:
    """Length along a row of places up to each, shape (n,), and of all of it [mm]; of one that closes, all round.

    Over 7 places their scatter is averaged, so that it does not make the way longer; where some are missing it is not.
    """
    n, more = len(places), 3 if closed else 0
    apart = np.linalg.norm(np.diff(places, axis=0), axis=1)
    if n < 8 or apart.max() > 3 * np.median(apart):  # a hole is not smeared over its neighbours
        course = places
    else:
        whole = places[np.arange(-more, n + more) % n]
        kernel = np.ones(7) / 7
        inner = np.stack([np.convolve(whole[:, k], kernel, "valid") for k in range(2)], 1)
        course = inner if closed else np.concatenate([places[:3], inner, places[-3:]])
    steps = np.linalg.norm(np.diff(course, axis=0, append=course[:1]), axis=1)
    total = float(steps.sum() if closed else steps[:-1].sum())
    return np.concatenate([[0.0], np.cumsum(steps[:-1])]), total


@dataclass(frozen=True, slots=True, eq=False)
class Band:
    """The photo along the seam, rectified.

    Attributes
    ----------
    linear : ndarray, shape (n_t, n_s), float32
        Linear light, each column the mean over one station along the seam; NaN outside the photo.
    peak : ndarray, shape (n_t, n_s), float32
        Brightest linear light among the samples of each place, burnt out at 1; NaN outside the photo.
    t_mm : ndarray, shape (n_t,)
        Offset across the centre line [mm]; A negative, B positive.
    line : CentreLine
        Where the columns lie.
    px_per_mm : ndarray, shape (n_s,)
        Photo resolution across the seam at each station.
    sight_deg : ndarray, shape (2, n_s)
        Line of sight off the panel's normal, across the seam (+ when the camera stands on side B) and along it [deg].
    chroma : ndarray, shape (2, n_c, n_s), float32
        Colour as :func:`colour_ratios` gives it, in rows 0.1 mm apart about the centre line; 0 where there is none.
    """

    linear: NDArray[np.float32]
    peak: NDArray[np.float32]
    t_mm: FloatArray
    line: CentreLine
    px_per_mm: FloatArray
    sight_deg: FloatArray
    chroma: NDArray[np.float32]

    @property
    def tilt_deg(self) -> float:
        """How far off square the camera looked across the seam, in the middle of it [deg]."""
        return float(np.median(np.abs(self.sight_deg[0])))


def colour_ratios(light: NDArray[np.float32]) -> NDArray[np.float32]:
    """Colour without brightness.

    Parameters
    ----------
    light : ndarray, shape (n_c, n_s, 3), float32
        Linear light, 1 = white, in OpenCV's order: blue, green, red.

    Returns
    -------
    ndarray, shape (2, n_c, n_s), float32
        Natural logarithms of red over green and of blue over green, -2 to 2; near 0 in the dark.
    """
    blue, green, red = np.moveaxis(np.log(light + np.float32(_CHROMA_FLOOR)), -1, 0)
    return np.clip(np.stack([red - green, blue - green]), -_CHROMA_MOST, _CHROMA_MOST).astype(np.float32)


def no_colour(n_t: int, n_s: int) -> NDArray[np.float32]:
    """The ``chroma`` of a band of ``n_t`` rows and ``n_s`` stations from a grey photo: zeros, shape (2, n_c, n_s)."""
    return np.zeros((2, len(range(n_t)[_chroma_rows(n_t)]), n_s), np.float32)


def _chroma_rows(n_t: int) -> slice:
    """Those rows of a band that lie on its colour's rows, the centre line's among them."""
    every = round(CHROMA_ROW_MM / ROW_MM)
    return slice(n_t // 2 % every, None, every)


def _box(photo: Photo, map_xy: NDArray[np.float32]) -> tuple[slice, slice] | None:
    """Rows and columns of the photo that a map needs."""
    h, w = photo.grey.shape
    # Whole rows at once, then pairs: thirty times as fast as pairs alone. What is not finite shows.
    rows = map_xy.reshape(len(map_xy), -1)
    if not rows.size:
        return None
    low, high = rows.min(0).reshape(-1, 2).min(0), rows.max(0).reshape(-1, 2).max(0)
    if not np.isfinite([low, high]).all():
        flat = map_xy.reshape(-1, 2)
        flat = flat[np.isfinite(flat).all(1)]
        if not len(flat):
            return None
        low, high = flat.min(0), flat.max(0)
    x0, y0 = np.maximum(np.floor(low).astype(int) - 4, 0)
    x1, y1 = np.minimum(np.ceil(high).astype(int) + 5, [w, h])
    return (slice(y0, y1), slice(x0, x1)) if x1 - x0 >= 8 and y1 - y0 >= 8 else None


def _sample(photo: Photo, map_xy: NDArray[np.float32], interpolation: int, linear_first: bool) -> NDArray[np.float32]:
    """Linear light at the places of a map; NaN outside the photo.

    ``linear_first`` turns the stored values to light before interpolating, as edges
    need it; the other way round saves memory and does for finding the seam.
    """
    box = _box(photo, map_xy)
    if box is None:
        return np.full(map_xy.shape[:2], np.nan, np.float32)
    h, w = photo.grey.shape
    crop = np.ascontiguousarray(photo.grey[box])
    x = map_xy[..., 0] - np.float32(box[1].start)
    y = map_xy[..., 1] - np.float32(box[0].start)
    if linear_first:
        out = cv2.remap(to_linear(crop), x, y, interpolation, borderMode=cv2.BORDER_REPLICATE)
    else:
        out = to_linear(cv2.remap(crop, x, y, interpolation, borderMode=cv2.BORDER_REPLICATE))
    outside = ~((map_xy[..., 0] >= 0) & (map_xy[..., 1] >= 0) & (map_xy[..., 0] <= w - 1) & (map_xy[..., 1] <= h - 1))
    out[outside] = np.nan
    return out


def _sample_chroma(photo: Photo, map_xy: NDArray[np.float32], sub: int) -> NDArray[np.float32]:
    """Colour at the places of a band's map, ``sub`` of them along each station; shape (2, n_c, n_s).

    Beyond the photo's border its outermost colours go on, as they do in training; 0 behind the camera.
    """
    n_t, n_fine = map_xy.shape[:2]
    out = no_colour(n_t, n_fine // sub)
    if photo.colour is None:
        return out
    # The map's places lie elsewhere along the station than those of the colour; in between it is linear.
    at = (np.arange(CHROMA_ALONG) + 0.5) / CHROMA_ALONG * sub - 0.5
    low = np.floor(at).astype(int)
    share = (at - low).astype(np.float32)[:, None]
    high = np.minimum(low + 1, sub - 1)
    most = np.array(photo.colour.shape[1::-1], np.float32) - 1
    rows = map_xy[_chroma_rows(n_t)].reshape(out.shape[1], -1, sub, 2)
    for k in range(0, rows.shape[1], _BLOCK_STATIONS):
        piece = rows[:, k : k + _BLOCK_STATIONS]
        place = piece[:, :, low] * (1 - share) + piece[:, :, high] * share
        seen = np.isfinite(place).all((2, 3))
        if not seen.any():
            continue
        place[~seen] = place[seen][0]
        place = np.clip((place.reshape(len(rows), -1, 2) + np.float32(0.5)) / 2 - np.float32(0.5), 0, most)
        x0, y0 = np.floor(place.min((0, 1))).astype(int)
        x1, y1 = np.ceil(place.max((0, 1))).astype(int) + 1
        light = to_linear(photo.colour[y0:y1, x0:x1])
        x, y = place[..., 0] - np.float32(x0), place[..., 1] - np.float32(y0)
        fine = cv2.remap(light, x, y, cv2.INTER_LINEAR, borderMode=cv2.BORDER_REPLICATE)
        ratios = colour_ratios(fine.reshape(*seen.shape, CHROMA_ALONG, 3).mean(2))
        out[:, :, k : k + _BLOCK_STATIONS] = np.where(seen, ratios, np.float32(0))
    return out


def overview(
    photo: Photo,
    field: FittedField,
    turn: FloatArray,
    low: FloatArray,
    high: FloatArray,
    cell_mm: tuple[float, float],
) -> Overview:
    """Sample the panel from corner ``low`` to corner ``high`` of a turned frame [mm].

    Parameters
    ----------
    photo : Photo
        Upright photo.
    field : FittedField
        Fitted field.
    turn : ndarray, shape (2, 2)
        Rotation from the overview's (s, t) to the field's.
    low, high : ndarray, shape (2,)
        Opposite corners in the overview's frame.
    cell_mm : tuple of float
        Spacing of columns and of rows [mm].
    """
    cell_s, cell_t = cell_mm
    s = np.arange(low[0], high[0] + cell_s / 2, cell_s)
    t = np.arange(low[1], high[1] + cell_t / 2, cell_t)
    # Fine samples are averaged into each cell, so that a narrow gap is not missed between rows.
    fine_s = max(1, round(cell_s / 0.5))
    fine_t = max(1, round(cell_t / 0.125))
    fs = low[0] + (np.arange(len(s) * fine_s) - (fine_s - 1) / 2) * cell_s / fine_s
    ft = low[1] + (np.arange(len(t) * fine_t) - (fine_t - 1) / 2) * cell_t / fine_t
    map_xy = _grid_map(field, turn, fs, ft)
    image = _sample(photo, map_xy, cv2.INTER_LINEAR, linear_first=False)
    image = image.reshape(len(t), fine_t, len(s), fine_s).mean((1, 3))
    return Overview(linear=image, s_mm=s, t_mm=t)


def _grid_map(field: FittedField, turn: FloatArray, s: FloatArray, t: FloatArray) -> NDArray[np.float32]:
    gs = np.arange(s[0] - 1, s[-1] + 1 + _GRID_MM, _GRID_MM)
    gt = np.arange(t[0] - 1, t[-1] + 1 + _GRID_MM, _GRID_MM)
    grid = (
        field.project(np.stack(np.meshgrid(gs, gt), -1).reshape(-1, 2) @ turn.T)
        .reshape(len(gt), len(gs), 2)
        .astype(np.float32)
    )
    ix = ((s - gs[0]) / _GRID_MM).astype(np.float32)
    iy = ((t - gt[0]) / _GRID_MM).astype(np.float32)
    mx, my = np.meshgrid(ix, iy)
    return np.stack([cv2.remap(np.ascontiguousarray(grid[..., k]), mx, my, cv2.INTER_LINEAR) for k in range(2)], -1)


def sample_band(
    photo: Photo,
    field: FittedField,
    line: CentreLine,
    height_mm: float,
    station_mm: float = 1.0,
    half_mm: float = BAND_HALF_MM,
) -> Band:
    """Sample the band along a centre line.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    field : FittedField
        Fitted field.
    line : CentreLine
        Stations, ``station_mm`` apart.
    height_mm : float
        Height of the surface on which the band is drawn (that of the edges) [mm].
    station_mm : float
        Length of seam averaged into each column [mm].
    half_mm : float
        Half-width of the band [mm].
    """
    n_t = round(2 * half_mm / ROW_MM) + 1
    t = (np.arange(n_t) - n_t // 2) * ROW_MM
    tangent = np.stack([line.normals[:, 1], -line.normals[:, 0]], 1)
    if len(line.points) > 1 and (tangent[1:] * np.diff(line.points, axis=0)).sum() < 0:
        tangent = -tangent  # normals go from A to B, and B may lie on either hand of one who walks along the stations
    sub = max(2, round(_ALONG_SAMPLES_PER_MM * station_mm))
    offsets = ((np.arange(sub) + 0.5) / sub - 0.5) * station_mm
    # Project only about every 2.5 mm across; in between the map is linear to far below a pixel.
    knots = np.linspace(-half_mm, half_mm, round(2 * half_mm / 2.5) + 1)
    centre = (line.points[:, None] + offsets[None, :, None] * tangent[:, None]).reshape(-1, 2)
    normal = np.repeat(line.normals, sub, axis=0)
    places = centre[None] + knots[:, None, None] * normal[None]
    px = field.project(places.reshape(-1, 2), height_mm).reshape(len(knots), len(centre), 2).astype(np.float32)
    between = knots[1] - knots[0]
    row = ((t + half_mm) / between).astype(np.float32)
    mx, my = np.meshgrid(np.arange(len(centre), dtype=np.float32), row)
    map_xy = np.stack([cv2.remap(np.ascontiguousarray(px[..., k]), mx, my, cv2.INTER_LINEAR) for k in range(2)], -1)
    # In pieces along the seam: a slanting band's bounding box would be most of the photo.
    block = _BLOCK_STATIONS * sub
    pieces = [
        _sample(photo, np.ascontiguousarray(map_xy[:, k : k + block]), cv2.INTER_CUBIC, linear_first=True)
        for k in range(0, map_xy.shape[1], block)
    ]
    fine = np.concatenate(pieces, axis=1).reshape(n_t, len(line.points), sub)
    middle = px[:, sub // 2 :: sub]
    px_per_mm = np.linalg.norm(np.diff(middle, axis=0), axis=2).mean(0) / between
    return Band(
        linear=np.maximum(fine.mean(2), 0),
        peak=fine.max(2),
        t_mm=t,
        line=line,
        px_per_mm=px_per_mm.astype(float),
        sight_deg=_sight_deg(field, line, tangent),
        chroma=_sample_chroma(photo, map_xy, sub),
    )


def _sight_deg(field: FittedField, line: CentreLine, tangent: FloatArray) -> FloatArray:
    sight = field.sight(line.points)
    across, along = ((sight[:, :2] * way).sum(1) for way in (line.normals, tangent))
    return np.degrees(np.arctan2(np.stack([across, along]), sight[:, 2]))
