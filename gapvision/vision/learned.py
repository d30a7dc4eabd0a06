"""The learned detector of the panel's edges, run through OpenCV's dnn module.

A small convolutional net looks at the whole band and gives, for every station
and both edges, the chance that the outline lies at each place.  It was taught
on ray-traced seams only (``models/MODEL_CARD.md``).  It never measures by
itself: the core chooses among real steps and places the edge within the step.
"""

from __future__ import annotations

import json
from functools import lru_cache
from importlib.resources import files
from threading import Lock
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float32]


class Darkness(NamedTuple):
    """How the gap's own dark is found, and how far the light above it is enlarged.

    Attributes
    ----------
    low_floor : float
        Light added before the logarithm.
    half_rows, rank : int
        The dark is the ``rank``-th darkest (from 0) of the rows this far from the middle.
    smooth : int
        Columns over which it is averaged.
    gain : float
        Steepness of root light above the dark.
    """

    low_floor: float = 0.0005
    half_rows: int = 60
    rank: int = 12
    smooth: int = 9
    gain: float = 25.0


DARKNESS = Darkness()
N_T = 401
PADDED_T = 416
STEP_MM = 0.05
CHANNELS = 8
MAX_COLUMNS = 1200
_FLOOR = 0.004
_LOCK = Lock()
_MODEL_FILE = "edges.onnx"
_FACTS_FILE = "edges.json"


def features(linear: NDArray[Any], px_per_mm: NDArray[Any] | float) -> FloatArray:
    """Channels that the net sees.

    Parameters
    ----------
    linear : ndarray, shape (401, n_s)
        Linear light, 1 = white, NaN outside the photo; rows 0.05 mm apart.
    px_per_mm : float or ndarray, shape (n_s,)
        Resolution of the photo across the seam.

    Returns
    -------
    ndarray, shape (8, 416, n_s), float32
        Log light; log light less its median; linear light; 1 where there is a photo; offset across; resolution;
        log light down to the darkest; root of light over the gap's own darkness, much enlarged.
    """
    light = np.asarray(linear, np.float32)
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
    body[4] = ((np.arange(N_T) - N_T // 2) * STEP_MM / 10.0)[:, None]
    body[5] = np.log(np.broadcast_to(np.asarray(px_per_mm, np.float32), (light.shape[1],)) / 8.5)[None]
    body[6] = np.where(seen, 0.4 * (np.log(light + np.float32(DARKNESS.low_floor)) + 4.0), 0)
    # A roll that mirrors a dark gap ends in a step of a grey level or two.
    root = np.sqrt(np.minimum(light, 1))
    body[7] = np.where(seen, np.tanh(DARKNESS.gain * (root - _darkness(np.where(seen, root, 2)))), 0)
    return out


def _darkness(root: FloatArray) -> FloatArray:
    """Level of the gap's dark, of each column; root of light, 2 outside the photo."""
    near = root[N_T // 2 - DARKNESS.half_rows : N_T // 2 + DARKNESS.half_rows + 1]
    dark = np.partition(near, DARKNESS.rank, axis=0)[DARKNESS.rank]
    padded = np.pad(dark, DARKNESS.smooth // 2, mode="edge")
    return np.convolve(padded, np.full(DARKNESS.smooth, 1 / DARKNESS.smooth), mode="valid").astype(np.float32)


def edge_chances(linear: NDArray[Any], px_per_mm: NDArray[Any] | float) -> tuple[FloatArray, FloatArray]:
    """Chances of both edges.

    The net runs on the band and on its mirror picture, and the answers are
    averaged, so swapping the sides swaps the answers exactly.

    Parameters
    ----------
    linear : ndarray, shape (401, n_s)
        Linear light of the band, 1 = white, NaN outside the photo.
    px_per_mm : float or ndarray, shape (n_s,)
        Resolution of the photo across the seam.

    Returns
    -------
    chance_a, chance_b : ndarray, shape (401, n_s), float32
        Chance that the outline of the edge (of a cut edge: its upper rim) lies
        at each row; every column sums to 1.
    """
    chances, _ = edge_opinions(linear, px_per_mm)
    return chances


def edge_opinions(
    linear: NDArray[Any], px_per_mm: NDArray[Any] | float
) -> tuple[tuple[FloatArray, FloatArray], tuple[FloatArray, FloatArray]]:
    """Chances of both edges, and how far the band and its mirror picture lead to the same answer.

    Returns
    -------
    chances : tuple of ndarray, shape (401, n_s), float32
        As `edge_chances` gives them.
    overlap : tuple of ndarray, shape (n_s,), float32
        Bhattacharyya coefficient of the two answers, smoothed along the seam: 1 where they are the same.
    """
    logits, raw, mirror = _run(linear, px_per_mm)
    facts = _facts()
    chances = (_chances(logits[0], facts), _chances(logits[1], facts))
    overlap = []
    for k in (0, 1):
        both = np.sqrt(_chances(raw[k], facts) * _chances(mirror[k], facts)).sum(0)
        overlap.append(np.convolve(np.pad(both, 4, mode="edge"), np.full(9, 1 / 9), mode="valid").astype(np.float32))
    return chances, (overlap[0], overlap[1])


def strangeness(linear: NDArray[Any], px_per_mm: NDArray[Any] | float) -> float:
    """How unlike the teaching bands a band is.

    The distance (Mahalanobis) of a few plain figures of the band from their mean
    over the teaching bands, divided by what 99 % of bands held out stay below: 1 is the border.
    """
    strange = _facts()["strangeness"]
    delta = summary(linear, px_per_mm) - np.array(strange["mean"])
    return float(np.sqrt(max(0.0, delta @ np.array(strange["inverse"]) @ delta)) / strange["border"])


def summary(linear: NDArray[Any], px_per_mm: NDArray[Any] | float) -> NDArray[np.float64]:
    """Plain figures of a band: levels, steps across and along, resolution; shape (12,)."""
    light = np.asarray(linear, np.float64)
    seen = np.isfinite(light)
    log = np.log(np.clip(np.where(seen, light, 0), 0, 1.2) + _FLOOR)
    if not seen.any():
        return np.full(12, -10.0)
    core = log[N_T // 2 - 16 : N_T // 2 + 17][seen[N_T // 2 - 16 : N_T // 2 + 17]]
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


def _chances(logits: FloatArray, facts: dict[str, Any]) -> FloatArray:
    scaled = logits[:N_T] / facts["temperature"]
    scaled = np.exp(scaled - scaled.max(0, keepdims=True))
    sharp = scaled / scaled.sum(0, keepdims=True)
    out = (1 - facts["unsure"]) * sharp + facts["unsure"] / N_T
    return np.asarray(out, np.float32)


def _run(linear: NDArray[Any], px_per_mm: NDArray[Any] | float) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Logits (2, 416, n_s): the mean of both answers, that to the band, that to its mirror picture turned back."""
    light = np.asarray(linear, np.float32)
    both = np.stack([features(light, px_per_mm), features(light[::-1], px_per_mm)])
    if both.shape[3] > MAX_COLUMNS:
        raise ValueError(f"linear: at most {MAX_COLUMNS} columns, got {both.shape[3]}")
    with _LOCK:
        net = _net()
        net.setInput(both)
        raw = np.asarray(net.forward(), np.float32).copy()
    mirror = raw[1][::-1].copy()
    mirror[:, :N_T] = mirror[:, :N_T][:, ::-1].copy()
    return 0.5 * (raw[0] + mirror), raw[0], mirror


@lru_cache(maxsize=1)
def _net() -> Any:
    import cv2

    data = files("gapvision.vision.models").joinpath(_MODEL_FILE).read_bytes()
    return cv2.dnn.readNetFromONNX(np.frombuffer(data, np.uint8))


@lru_cache(maxsize=1)
def _facts() -> dict[str, Any]:
    return dict(json.loads(files("gapvision.vision.models").joinpath(_FACTS_FILE).read_text(encoding="utf-8")))


def __getattr__(name: str) -> str:
    # The version stands in the model's own file, read only when asked for.
    if name == "MODEL_VERSION":
        return model_version()
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
