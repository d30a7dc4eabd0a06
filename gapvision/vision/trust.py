"""How far off an edge chosen by the detector may be, learned from scenes that the detector was not taught on.

The detector's own chances say much about its errors, but not all: whether it
answers alike to the mirror picture, whether the rules agree, how sharp the rise
of brightness is and how the rest of the seam came out tell the rest.  A very small
net turns these plain figures into the size that nearly all errors stay below,
station by station.  Two doubts are added that its teaching scenes show too rarely:
a wide rise over a dark gap is a roll that mirrors the gap more often than not, and
a fainter rise further in may then be the outline; and where the detector itself is
unsure, the rules' other choice stays possible.  Its teaching scenes know no paint that ends beside a thing in the gap
as light as the paint: where a panel's own colour ends well outside the chosen edge, the edge may lie there.
Taught by ``gapvision.lab.training.trust``, stored as plain arrays of numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from gapvision.model import FloatArray
from gapvision.vision.band import ROW_MM, Band
from gapvision.vision.placing import PlacedEdge
from gapvision.vision.plain_net import Net, load_net, run_net
from gapvision.vision.rises import along, follow, inner_rival_mm, smooth_log

FIGURES = (
    "mass within 0.2 mm",
    "mass within 0.1 mm",
    "5 % place",
    "95 % place",
    "rules apart",
    "width",
    "photo's rise",
    "photo's mass",
    "photo's overlap",
    "photo's low mass",
    "bright gap",
    "uneven gap",
    "burnt out",
    "steepness",
    "steeper inside",
    "steeper outside",
    "stretch's 5 % place",
    "stretch's 95 % place",
    "stretch's mass",
    "stretch's mass further out",
    "stretch's mass further in",
)
_MODEL_FILE = "trust.npz"
_ALONG = 9
_FAR_ALONG = 25
_STRETCH = 51
_REACH_ROWS = 60
_LEAST = 1e-6
_FAR_MM = 2.0
_LOG_RANGE = (-4.5, 1.5)
# A rise wider than the lens makes it, over a dark gap: on 32 ray-traced photos a third of those wider than 3.5 px were
# the edge to 0.1 mm, of those wider than 5 px a tenth.
_ROLL_WIDTH_PX, _ROLL_STD_MM, _DARK_RISE = (3.2, 3.8), 0.25, 0.3
_ROLL_MASS, _ROLL_SHARE = (0.88, 0.96), (1.0, 0.1)
_RIVAL_WIDTH_PX, _RIVAL_SHARE, _RIVAL_QUANTILE = (3.0, 3.6), 0.5, 0.7
# Where a panel's own colour ends, outwards of the edge. A JPEG smears it: beside right edges it ended within 1.0 mm
# (median along the seam; 67 shared photos, 40 own scenes), beside the wrong one at 3.6 mm. A panel whose colour is not
# found again within 4.5 mm, and for 1.2 mm on end, tells nothing (a strip's paper may lie there).
_FOREIGN_FROM_MM, _FOREIGN, _OWN, _OWN_MM, _PAINT_MOST_MM = 0.25, 0.5, 0.3, 1.2, 4.5
_PAINT_OFF_MM, _PAINT_SHARE = (1.4, 2.0), 0.6
_UNSURE_MASS, _UNSURE_SHARE, _UNSURE_FREE_MM = (0.7, 0.9), 0.85, 0.1


@dataclass(frozen=True, slots=True, eq=False)
class TrustFigures:
    """What is known of one edge besides its place.

    Attributes
    ----------
    chance : ndarray, shape (n_t, n_s)
        Detector's chances.
    row, rule_row : ndarray, shape (n_s,)
        Place chosen and the place that the rules follow, in band rows.
    placed : PlacedEdge
        The rise's own steepest place near the chosen one.
    outward : int
        +1 for edge B, -1 for edge A.
    overlap : ndarray, shape (n_s,)
        How far the detector answers alike to the band and to its mirror picture, 0 to 1.
    foreign : ndarray, shape (n_t, n_s)
        How far the colour of each place is from the panel's own, 0 to 1.
    """

    chance: NDArray[np.float32]
    row: FloatArray
    rule_row: FloatArray
    placed: PlacedEdge
    outward: int
    overlap: NDArray[np.float32]
    foreign: NDArray[np.float32]


def edge_figures(
    band: Band, edge: TrustFigures, bright: NDArray[np.bool_], uneven: NDArray[np.bool_]
) -> dict[str, FloatArray]:
    """Plain figures of one edge at every station.

    Parameters
    ----------
    band : Band
        Rectified band.
    edge : TrustFigures
        The edge.
    bright, uneven : ndarray, shape (n_s,), bool
        Gap brighter than both panels; gap that shows something.

    Returns
    -------
    dict of ndarray, shape (n_s,)
        One for each of ``FIGURES``; the same for an edge and its mirror picture.
    """
    out = edge.outward
    n_s = len(edge.row)
    offsets = np.arange(-_REACH_ROWS, _REACH_ROWS + 1)
    own = follow(edge.chance, edge.row, (offsets * out).astype(float))
    stretch = _over_a_stretch(own)
    near = along(own, _ALONG)
    total = np.maximum(along(edge.chance.sum(0), _ALONG), _LEAST)
    share, stretch_share = np.cumsum(near, axis=0) / total, np.cumsum(stretch, axis=0)
    x = offsets * ROW_MM

    def mass(chances: NDArray[np.float32], half_mm: float) -> NDArray[np.float32]:
        return chances[np.abs(x) <= half_mm + 1e-9].sum(0)

    def quantile(shares: FloatArray, q: float) -> FloatArray:
        return x[np.minimum((shares < q).sum(0), len(x) - 1)]

    slope = np.abs(np.gradient(along(smooth_log(band), 5), ROW_MM, axis=0))
    steep = np.log(follow(slope, edge.row, np.arange(-40, 41).astype(float) * out).astype(float) + 0.05)
    here = steep[37:44].max(0)
    m02 = (mass(near, 0.2) / total).astype(np.float64)
    values = (
        m02,
        mass(near, 0.1) / total,
        quantile(share, 0.05),
        quantile(share, 0.95),
        along(np.abs(rules_apart_mm(edge)), _FAR_ALONG),
        along(np.log(edge.placed.width_px + 0.5), _FAR_ALONG),
        np.full(n_s, np.median(np.clip(edge.placed.rise_log, -4, 4))),
        np.full(n_s, np.median(m02)),
        np.full(n_s, np.median(edge.overlap)),
        np.full(n_s, np.quantile(m02, 0.1)),
        bright.astype(float),
        uneven.astype(float),
        edge.placed.burnt.astype(float),
        here,
        steep[:36].max(0) - here,
        steep[45:].max(0) - here,
        quantile(stretch_share, 0.05),
        quantile(stretch_share, 0.95),
        mass(stretch, 0.2),
        stretch[x > 0.3 + 1e-9].sum(0),
        stretch[x < -0.3 - 1e-9].sum(0),
    )
    return {name: np.nan_to_num(np.asarray(v, float)) for name, v in zip(FIGURES, values, strict=True)}


def _over_a_stretch(chance: NDArray[np.float32]) -> NDArray[np.float32]:
    """Chances (n, n_s) about the chosen place, averaged over 51 stations.

    A second place that runs along the edge is as likely where it hardly shows as where it does.
    """
    if chance.shape[1] <= _STRETCH:
        return np.repeat(chance.mean(1, keepdims=True), chance.shape[1], axis=1)
    return along(chance, _STRETCH)


def rules_apart_mm(edge: TrustFigures) -> FloatArray:
    """How much further outwards than the chosen place the rules' place lies [mm], shape (n_s,)."""
    return np.clip((edge.rule_row - edge.row) * edge.outward * ROW_MM, -_FAR_MM, _FAR_MM)


def edge_std_mm(band: Band, edge: TrustFigures, figures: dict[str, FloatArray]) -> FloatArray:
    """Standard uncertainty of an edge across the seam [mm], shape (n_s,).

    Parameters
    ----------
    band : Band
        Rectified band.
    edge : TrustFigures
        The edge.
    figures : dict of ndarray
        From `edge_figures`.
    """
    limit = error_limit_mm(np.stack([figures[k] for k in FIGURES], 1))
    mass = figures["mass within 0.2 mm"]
    width_px = np.exp(figures["width"]) - 0.5
    roll = np.where(figures["photo's rise"] > _DARK_RISE, _ROLL_STD_MM, 0.0)
    roll = roll * np.interp(width_px, _ROLL_WIDTH_PX, (0, 1)) * np.interp(mass, _ROLL_MASS, _ROLL_SHARE)
    rival = _steady_quantile(inner_rival_mm(band, edge.row, edge.outward), _RIVAL_QUANTILE)
    rival = _RIVAL_SHARE * rival * np.interp(width_px, _RIVAL_WIDTH_PX, (0, 1))
    unsure = _UNSURE_SHARE * np.interp(mass, _UNSURE_MASS, (1, 0))
    unsure = unsure * np.maximum(np.abs(rules_apart_mm(edge)) - _UNSURE_FREE_MM, 0)
    paint = paint_off_mm(edge)
    paint = _PAINT_SHARE * paint * np.interp(paint, _PAINT_OFF_MM, (0, 1))
    return np.sqrt((0.5 * limit) ** 2 + roll**2 + rival**2 + unsure**2 + paint**2)


def paint_off_mm(edge: TrustFigures) -> FloatArray:
    """How far outside the chosen place the panel's own colour ends [mm], shape (n_s,); 0 where that is not told."""
    x = np.arange(round((_PAINT_MOST_MM + _OWN_MM) / ROW_MM) + 1) * ROW_MM
    away = along(follow(edge.foreign, edge.row, x / ROW_MM * edge.outward), _FAR_ALONG)
    off = np.argmax((away < _FOREIGN) & (x >= _FOREIGN_FROM_MM)[:, None], axis=0) * ROW_MM
    beyond = (x[:, None] > off + 0.3) & (x[:, None] <= off + _OWN_MM)
    own = np.where(beyond, away, 0).sum(0) < _OWN * beyond.sum(0)
    return np.where(own & (off > _FOREIGN_FROM_MM) & (off <= _PAINT_MOST_MM), off, 0.0)


def _steady_quantile(values: FloatArray, q: float) -> FloatArray:
    padded = np.pad(values, _FAR_ALONG // 2, mode="edge")
    return np.asarray(np.quantile(np.lib.stride_tricks.sliding_window_view(padded, _FAR_ALONG), q, axis=1), float)


def error_limit_mm(figures: FloatArray) -> FloatArray:
    """Size that nearly all errors stay below (the share stands in the model card) [mm], shape (n_s,).

    Parameters
    ----------
    figures : ndarray, shape (n_s, 21)
        In the order of ``FIGURES``.
    """
    return np.asarray(np.exp(np.clip(run_net(_model(), figures)[:, 0], *_LOG_RANGE)), float)


@lru_cache(maxsize=1)
def _model() -> Net:
    return load_net(_MODEL_FILE)
