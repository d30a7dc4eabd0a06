"""The learned detector of the panel's edges, run through OpenCV's dnn module.

A small convolutional net looks at the whole band and gives, for every station
and both edges, the chance that the outline lies at each place, and how deep it
lies below its panel's face.  It was taught on ray-traced seams only
(``models/MODEL_CARD.md``).  The core chooses among real rises of brightness and places
the edge within the rise; the depth goes into the geometry with its doubt.
"""

from __future__ import annotations

import json
from functools import lru_cache
from importlib.resources import files
from threading import Lock
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

Image = NDArray[np.float32]


class Darkness(NamedTuple):
    """How the gap's own dark is found, and how far the light above it is enlarged."""

    low_floor: float = 0.0005  # light added before the logarithm
    half_rows: int = 60  # the dark is the ``rank``-th darkest (from 0) of the rows this far from the middle
    rank: int = 12
    smooth: int = 9  # columns over which it is averaged
    gain: float = 25.0  # steepness of root light above the dark


class Colour(NamedTuple):
    """How far a place's colour is from that of each panel."""

    far_rows: int = 30  # a panel's own colour is the median of this many rows at its side of the band
    smooth_rows: int = 3  # rows and columns over which colour is averaged first: it is noisier than light
    smooth: int = 5
    smooth_own: int = 25  # columns over which a panel's own colour is averaged
    gain: float = 3.0  # steepness


DARKNESS = Darkness()
COLOUR = Colour()
N_T = 401
N_COLOUR = N_T // 2 + 1  # colour has every other row of the light
PADDED_T = 416
ROW_MM = 0.05
CHANNELS = 12
_OFFSET, _SIGHT_ACROSS, _FOREIGN = 4, 8, slice(10, 12)  # channels that a mirror changes otherwise than by turning rows
SIGHT_SCALE = 0.2
_DEEPEST_CUT_MM = 0.5  # the corners of cut edges were taught broken by up to 0.3 mm, rolls from 0.7 mm
MAX_COLUMNS = 1200
DEPTH_BINS, DEPTH_BIN_MM = 16, 0.2
_FLOOR = 0.004
_LOCK = Lock()
_MODEL_FILE = "edges.onnx"
_FACTS_FILE = "edges.json"


class Look(NamedTuple):
    """What the net sees of a band.

    Attributes
    ----------
    linear : ndarray, shape (401, n_s)
        Linear light, 1 = white, NaN outside the photo; rows 0.05 mm apart.
    px_per_mm : float or ndarray, shape (n_s,)
        Resolution of the photo across the seam.
    sight_deg : ndarray, shape (2, n_s) or (2,)
        Line of sight off the panel's normal, across the seam (+ from side B) and along it [deg].
    chroma : ndarray, shape (2, 201, n_s)
        Logarithms of red over green and blue over green, rows 0.1 mm apart; 0 without colour.
    """

    linear: NDArray[Any]
    px_per_mm: NDArray[Any] | float
    sight_deg: NDArray[Any]
    chroma: NDArray[Any]


def features(look: Look) -> Image:
    """Channels that the net sees.

    Returns
    -------
    ndarray, shape (12, 416, n_s), float32
        Log light; log light less its median; linear light; 1 where there is a photo; offset across; resolution;
        log light down to the darkest; root of light over the gap's own darkness, much enlarged;
        slope of the line of sight across and along the seam; how far the colour is from panel A's and panel B's own.
    """
    light = np.asarray(look.linear, np.float32)
    if light.ndim != 2 or light.shape[0] != N_T or light.shape[1] < 1:
        raise ValueError(f"linear: expected (401, n_s) with n_s at least 1, got {light.shape}")
    seen = np.isfinite(light)
    light = np.clip(np.where(seen, light, 0), 0, 1.2)
    log = np.log(light + np.float32(_FLOOR))
    middle = np.median(log[seen]) if seen.any() else np.float32(0)
    out = np.zeros((CHANNELS, PADDED_T, light.shape[1]), np.float32)
    body = out[:, :N_T]
    body[0] = np.where(seen, 0.4 * (log + 2.0), 0)
    body[1] = np.where(seen, 0.5 * (log - middle), 0)
    body[2] = np.where(seen, 2 * light, 0)
    body[3] = seen
    body[_OFFSET] = ((np.arange(N_T) - N_T // 2) * ROW_MM / 10.0)[:, None]
    body[5] = np.log(np.broadcast_to(np.asarray(look.px_per_mm, np.float32), (light.shape[1],)) / 8.5)[None]
    body[6] = np.where(seen, 0.4 * (np.log(light + np.float32(DARKNESS.low_floor)) + 4.0), 0)
    # A roll that mirrors a dark gap ends in a rise of a grey level or two.
    root = np.sqrt(np.minimum(light, 1))
    body[7] = np.where(seen, np.tanh(DARKNESS.gain * (root - _darkness(np.where(seen, root, 2)))), 0)
    slope = np.tan(np.radians(np.asarray(look.sight_deg, np.float32))) / np.float32(SIGHT_SCALE)
    body[_SIGHT_ACROSS : _SIGHT_ACROSS + 2] = slope.reshape(2, 1, -1)
    body[_FOREIGN] = np.where(seen, foreign_colour(look.chroma), 0)
    return out


def mirrored(seen: Image) -> Image:
    """Channels of the mirror picture, sides swapped: what `features` would make of it, for a fifth of the time."""
    out = seen.copy()
    out[:, :N_T] = seen[:, N_T - 1 :: -1]
    out[_OFFSET] = seen[_OFFSET]
    out[_SIGHT_ACROSS] = -seen[_SIGHT_ACROSS]
    out[_FOREIGN] = out[_FOREIGN][::-1].copy()
    return out


def foreign_colour(chroma: NDArray[Any]) -> Image:
    """How far the colour of each place is from each panel's own, 0 to 1; shape (2, 401, n_s).

    Against the panel's own colour, so neither the light's colour nor the hue of the paint counts.
    """
    import cv2

    how = COLOUR
    # OpenCV takes the rows and columns of several pictures at once when these are its channels.
    smooth = np.moveaxis(np.ascontiguousarray(chroma, np.float32), 0, -1)
    # A filter that adds from the middle outwards: the mirror picture comes out the same to the last bit.
    along, across = (np.full(n, 1 / n, np.float32) for n in (how.smooth, how.smooth_rows))
    smooth = cv2.sepFilter2D(smooth, -1, along, across, borderType=cv2.BORDER_REPLICATE)
    out = np.empty((2, N_T, smooth.shape[1]), np.float32)
    for side, far in enumerate((smooth[: how.far_rows], smooth[-how.far_rows :])):
        own = np.median(far, axis=0)[None]
        own = cv2.blur(own, (how.smooth_own, 1), borderType=cv2.BORDER_REPLICATE)
        away = np.tanh(how.gain * np.sqrt(((smooth - own) ** 2).sum(-1)))
        out[side, ::2] = away
        out[side, 1::2] = 0.5 * (away[1:] + away[:-1])
    return out


def _darkness(root: Image) -> Image:
    """Level of the gap's dark, of each column; root of light, 2 outside the photo."""
    near = root[N_T // 2 - DARKNESS.half_rows : N_T // 2 + DARKNESS.half_rows + 1]
    dark = np.partition(near, DARKNESS.rank, axis=0)[DARKNESS.rank]
    padded = np.pad(dark, DARKNESS.smooth // 2, mode="edge")
    return np.convolve(padded, np.full(DARKNESS.smooth, 1 / DARKNESS.smooth), mode="valid").astype(np.float32)


class Opinions(NamedTuple):
    """What the detector thinks of a band.

    Attributes
    ----------
    chances : tuple of ndarray, shape (401, n_s), float32
        Of edges A and B: chance that the outline (of a cut edge: its upper rim) lies at each row; columns sum to 1.
    overlaps : tuple of ndarray, shape (n_s,), float32
        Bhattacharyya coefficient of the answers to the band and to its mirror picture, smoothed along the seam: 1
        where they are the same.
    depths : tuple of ndarray, shape (2, 16, 208, n_s), float32
        Of the band and of its mirror picture: logits of the depths, by edge of that picture, bin and pair of rows.
    """

    chances: tuple[Image, Image]
    overlaps: tuple[Image, Image]
    depths: tuple[Image, Image]

    def depth_logits(self, edge: int, weight: NDArray[Any]) -> Image:
        """Logits of an edge's depth below its panel's face, read where it lies.

        Parameters
        ----------
        edge : int
            0 = A, 1 = B.
        weight : ndarray, shape (401, n_s)
            How much each row counts; every column sums to 1.

        Returns
        -------
        ndarray, shape (16, n_s), float32
            Of bins 0.2 mm apart, the first at 0 mm.
        """
        padded = np.zeros((PADDED_T, weight.shape[1]), np.float32)
        out = np.zeros((DEPTH_BINS, weight.shape[1]), np.float32)
        for maps, turned in zip(self.depths, (False, True), strict=True):
            padded[:N_T] = weight[::-1] if turned else weight
            pairs = padded.reshape(-1, 2, padded.shape[1]).sum(1)
            rows = np.flatnonzero(pairs.any(1))
            out += 0.5 * np.einsum("krs,rs->ks", maps[1 - edge if turned else edge][:, rows], pairs[rows])
        return out


def opinions(look: Look) -> Opinions:
    """Chances of both edges, how sure they are, and what their depths look like.

    The net runs on the band and on its mirror picture, and the answers are
    averaged, so swapping the sides swaps the answers exactly.
    """
    straight, mirror, depths = _run(look)
    facts = _facts()
    overlaps = []
    for k in (0, 1):
        both = np.sqrt(_chances(straight[k], facts) * _chances(mirror[k], facts)).sum(0)
        overlaps.append(np.convolve(np.pad(both, 4, mode="edge"), np.full(9, 1 / 9), mode="valid").astype(np.float32))
    chance_a, chance_b = (_chances(0.5 * (straight[k] + mirror[k]), facts) for k in (0, 1))
    return Opinions((chance_a, chance_b), (overlaps[0], overlaps[1]), depths)


class DepthReading(NamedTuple):
    """Depth of an edge's outline below the panel's face.

    Attributes
    ----------
    cut : float
        Chance that the edge is cut: no deeper than the break of its corner.
    mean_mm, std_mm : float
        Of all the chances together [mm].
    roll_mm, roll_std_mm : float
        Of the chances of a rolled edge alone [mm].
    """

    cut: float
    mean_mm: float
    std_mm: float
    roll_mm: float
    roll_std_mm: float


def depth_reading(logits: NDArray[Any]) -> DepthReading:
    """Read the depth of one edge from the logits (16, n) of its stations, 1 mm apart.

    Stations of one seam share their light and finish, so many are only a little surer than one: the error of a reading
    13 mm away has a correlation of 0.9 with that here, 200 mm away still 0.6.  The temperature for each length of edge
    is calibrated on ray-traced seams of that length (``models/MODEL_CARD.md``).
    """
    return reading_of(depth_chances(logits))


def depth_chances(logits: NDArray[Any]) -> NDArray[np.float64]:
    """Chances (16,) of the depths 0, 0.2, ... mm of one edge from the logits (16, n) of its stations, 1 mm apart."""
    logits = np.asarray(logits, float)
    calibrated = _facts()["depth_temperature"]
    mean = logits.mean(1) / float(np.interp(logits.shape[1], calibrated["mm"], calibrated["temperature"]))
    chance = np.exp(mean - mean.max()) + 1e-9  # a roll has a depth, however unlikely a roll is
    return np.asarray(chance / chance.sum(), float)


def reading_of(chance: NDArray[np.float64]) -> DepthReading:
    """What chances (16,) of the depths of :func:`depth_chances` say."""
    place = np.arange(DEPTH_BINS) * DEPTH_BIN_MM
    rolled = place >= _DEEPEST_CUT_MM

    def of(weight: NDArray[np.float64]) -> tuple[float, float]:
        weight = weight / weight.sum()
        centre = float(weight @ place)
        return centre, float(np.sqrt(weight @ (place - centre) ** 2))

    return DepthReading(float(chance[~rolled].sum()), *of(chance), *of(np.where(rolled, chance, 0)))


def strangeness(linear: NDArray[Any], px_per_mm: NDArray[Any] | float) -> float:
    """How unlike the teaching bands a band is.

    The distance (Mahalanobis) of a few plain figures of the band from their mean
    over the teaching bands, divided by what 99 % of bands held out stay below: 1 is the border.
    """
    strange = _facts()["strangeness"]
    delta = summary(linear, px_per_mm) - np.array(strange["mean"])
    return float(np.sqrt(max(0.0, delta @ np.array(strange["inverse"]) @ delta)) / strange["border"])


def summary(linear: NDArray[Any], px_per_mm: NDArray[Any] | float) -> NDArray[np.float64]:
    """Plain figures of a band: levels, changes across and along, resolution; shape (12,)."""
    light = np.asarray(linear, np.float32)
    seen = np.isfinite(light)
    log = np.log(np.clip(np.where(seen, light, 0), 0, 1.2) + _FLOOR)
    if not seen.any():
        return np.full(12, -10.0)
    middle = slice(N_T // 2 - 16, N_T // 2 + 17)
    core = log[middle][seen[middle]]
    across = np.abs(np.diff(log, axis=0))[seen[1:] & seen[:-1]]
    along = np.abs(np.diff(log, axis=1))[seen[:, 1:] & seen[:, :-1]]
    along = along if along.size else np.zeros(1)
    low, mid, high = np.quantile(log[seen], [0.05, 0.5, 0.95])
    return np.array(
        [
            low,
            mid,
            high,
            core.mean() if core.size else mid,
            core.std() if core.size else 0.0,
            np.log(across.mean() + 1e-4),
            np.log(np.quantile(across, 0.5) + 1e-4),
            np.log(np.quantile(across, 0.99) + 1e-3),
            np.log(along.mean() + 1e-4),
            np.log(np.quantile(along, 0.99) + 1e-3),
            np.log(np.mean(px_per_mm) / 8.5),
            seen.mean(),
        ]
    )


def model_version() -> str:
    """Version of the stored model."""
    return str(_facts()["version"])


def _chances(logits: Image, facts: dict[str, Any]) -> Image:
    scaled = logits / facts["temperature"]
    scaled = np.exp(scaled - scaled.max(0, keepdims=True))
    sharp = scaled / scaled.sum(0, keepdims=True)
    out = (1 - facts["unsure"]) * sharp + facts["unsure"] / N_T
    return np.asarray(out, np.float32)


def _run(look: Look) -> tuple[Image, Image, tuple[Image, Image]]:
    """Logits (2, 401, n_s) from the band, and from its mirror picture but turned back; the depths of both pictures."""
    seen = features(look)
    if seen.shape[2] > MAX_COLUMNS:
        raise ValueError(f"linear: at most {MAX_COLUMNS} columns, got {seen.shape[2]}")
    with _LOCK:
        # One after the other: both at once take a twentieth longer.
        straight, depths = _forward(seen)
        turned, turned_depths = _forward(mirrored(seen))
    return straight, turned[::-1, ::-1], (depths, turned_depths)


def _forward(seen: Image) -> tuple[Image, Image]:
    """Logits (2, 401, n_s) of the places and (2, 16, 208, n_s) of the depths."""
    net = _net()
    net.setInput(seen[None])
    logits, depths = (np.asarray(out, np.float32) for out in net.forward(["logits", "depth"]))
    return logits[0, :, :N_T], depths.reshape(2, DEPTH_BINS, *depths.shape[2:])


@lru_cache(maxsize=1)
def _net() -> Any:
    import cv2

    data = files("gapvision.vision.models").joinpath(_MODEL_FILE).read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8))


@lru_cache(maxsize=1)
def _facts() -> dict[str, Any]:
    return dict(json.loads(files("gapvision.vision.models").joinpath(_FACTS_FILE).read_text(encoding="utf-8")))
