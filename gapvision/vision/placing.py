"""Where inside its rise of brightness an edge lies, and what kind of edge it is.

Measured on 32 ray-traced seams: over a dark gap the steepest place of the stored
grey leans least, in a bright gap that of the linear light, and a burnt-out gap
eats into the panel by up to 0.1 mm more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapvision.intake.light import encode_srgb
from gapvision.model import FloatArray
from gapvision.vision.band import ROW_MM, Band
from gapvision.vision.rises import SMOOTH_PX, gap_is_bright, smooth_across, smooth_log

_WINDOW_MM = 0.20
# Leans per edge [mm], + = read too far inside the panel; on those seams linear light read 0.012 to 0.036 mm too far
# over a bright gap (matt and gloss paint) and 0.044 to 0.112 over a burnt-out one.
_LEAN_BRIGHT = 0.020
_LEAN_BURNT = 0.070
_STD_DARK = 0.012
_LINEAR_SHARE = 0.5
_APART_SHARE = 0.5
_STD_BRIGHT = 0.018
_STD_BURNT = 0.065  # on rendered lamps with rolls of metal and gloss, 0.05 covered too little
_BURNT_LEVEL = 0.985

_PLATEAU_FROM_MM, _PLATEAU_TO_MM = 2.8, 4.0
_FLAT_BAND = 0.10
_ROLL_FROM_MM, _ROLL_PER_RAMP = 0.8, 0.6
_CUT_DEPTH_MM, _CUT_DEPTH_STD = 0.13, 0.06
# Of 670 own ray-traced scenes: the shading's depth of a roll was off by 0.63 mm (root mean square); of the edges that
# it calls cut three in ten are rolled ones, lit evenly.
_ROLL_DEPTH_STD = 0.63
_SAID_CUT, _SAID_CUT_DEPTH_MM, _SAID_CUT_DEPTH_STD = 0.72, 0.50, 0.67
_LONGEST_RAMP_MM = 2.35
_UNEVEN = 3.0
_HALO_MM = 0.25
_VOTE_WITHIN_MM, _VOTE_STD = 0.4, 0.5
_SHORT_RAMP_MM = 0.8
# Of the edges that stay unknown there one in nine is cut; the depths are 1.4 +- 0.75 mm.
_UNKNOWN_DEPTH_MM, _UNKNOWN_DEPTH_STD, _UNKNOWN_CUT = 1.4, 0.75, 0.11
# Rolled edges of any kind there.
_ROLL_MM, _ROLL_STD_MM = 1.5, 0.55


@dataclass(frozen=True, slots=True, eq=False)
class PlacedEdge:
    """One edge placed inside its rise.

    Attributes
    ----------
    t_mm : ndarray, shape (n_s,)
        Offset in the band [mm]; NaN where no rise was there.
    std_mm : ndarray, shape (n_s,)
        Standard uncertainty of the place inside the rise [mm].
    spread_mm : ndarray, shape (n_s,)
        How far the steepest places in linear, stored and log light lie apart [mm].
    width_px : ndarray, shape (n_s,)
        Half-height width of the rise in log light [px].
    burnt : ndarray, shape (n_s,), bool
        Gap burnt out beside the edge.
    rise_log : ndarray, shape (n_s,)
        Log rise from gap to panel.
    """

    t_mm: FloatArray
    std_mm: FloatArray
    spread_mm: FloatArray
    width_px: FloatArray
    burnt: NDArray[np.bool_]
    rise_log: FloatArray


@dataclass(frozen=True, slots=True)
class EdgeKind:
    """How an edge is made, as the picture tells.

    Attributes
    ----------
    kind : str
        ``cut``, ``rolled`` or ``unknown``.
    depth_mm, depth_std_mm : float
        Depth of the outline below the panel's face and its standard uncertainty [mm].
    cut_chance : float
        Chance that the edge is cut.
    roll_mm, roll_std_mm : float
        Depth and its standard uncertainty if it is not [mm].
    """

    kind: str
    depth_mm: float
    depth_std_mm: float
    cut_chance: float
    roll_mm: float = _ROLL_MM
    roll_std_mm: float = _ROLL_STD_MM

    @classmethod
    def rolled(cls, depth_mm: float, depth_std_mm: float) -> EdgeKind:
        """A rolled edge of some depth [mm]."""
        return cls("rolled", depth_mm, depth_std_mm, 0.0, depth_mm, depth_std_mm)


#: Cut or rolled cannot be told: anything between the two.
UNKNOWN_KIND = EdgeKind("unknown", _UNKNOWN_DEPTH_MM, _UNKNOWN_DEPTH_STD, _UNKNOWN_CUT)
#: Cut for certain; its outline lies at the foot of the broken corner.
CUT_KIND = EdgeKind("cut", _CUT_DEPTH_MM, _CUT_DEPTH_STD, 1.0)


def _peak(values: FloatArray) -> FloatArray:
    """Sub-row place of the maximum of each column, by a parabola; rows from 0."""
    i = values.argmax(0)
    n = values.shape[0]
    j = np.arange(values.shape[1])
    inner = np.clip(i, 1, n - 2)
    a, b, c = values[inner - 1, j], values[inner, j], values[inner + 1, j]
    curve = a - 2 * b + c
    shift = np.where(np.abs(curve) > 1e-12, 0.5 * (a - c) / np.where(np.abs(curve) > 1e-12, curve, 1), 0.0)
    return inner + np.clip(shift, -0.5, 0.5)


def gap_beside(image: NDArray[np.floating], row: NDArray[np.int64], outward: int) -> NDArray[np.floating]:
    """Values of an image (n_t, n_s) in the gap, 0.3 to 1 mm inside the edge; shape (14, n_s)."""
    inside = outward * np.arange(round(0.3 / ROW_MM), round(1.0 / ROW_MM))[:, None]
    rows = np.clip(row[None] - inside, 0, image.shape[0] - 1)
    return np.asarray(image[rows, np.arange(image.shape[1])[None]])


def place_edge(band: Band, row: FloatArray, outward: int) -> PlacedEdge:
    """Place an edge inside the rise that was chosen for it.

    Parameters
    ----------
    band : Band
        Rectified band.
    row : ndarray, shape (n_s,)
        Chosen place, in band rows.
    outward : int
        +1 for edge B, -1 for edge A: the way the panel lies.

    Returns
    -------
    PlacedEdge
    """
    ppm = float(np.median(band.px_per_mm))
    light = np.where(np.isfinite(band.linear), band.linear, 0.2)
    linear, stored = (smooth_across(v.astype(np.float32), SMOOTH_PX / ppm) for v in (light, encode_srgb(light)))
    log = smooth_log(band)
    n_t, n_s = log.shape
    middle = np.clip(np.round(row).astype(int), 0, n_t - 1)

    def at(image: NDArray[np.float32], *rows: int) -> NDArray[np.float32]:
        """Values this many rows from the chosen place, shape (n_rows, n_s)."""
        return image[np.clip(middle[None] + np.array(rows)[:, None], 0, n_t - 1), np.arange(n_s)[None]]

    by_linear, by_stored, by_log = (np.gradient(v, axis=0) * outward for v in (linear, stored, log))
    near, half, wide = round(0.15 / ROW_MM), round(_WINDOW_MM / ROW_MM), round(0.6 / ROW_MM)
    here = at(by_log, *range(-near, near + 1))
    # Bright or dark gap is judged at the edge itself: the light falls or rises outwards.
    sign = np.sign(here[np.abs(here).argmax(0), np.arange(n_s)])
    in_linear, in_stored = (
        middle - half + _peak(at(g, *range(-half, half + 1)) * sign[None]) for g in (by_linear, by_stored)
    )
    use_linear = (sign < 0) & gap_is_bright(band)
    # Over a dark gap the stored grey leans into the gap by up to half a pixel on a plain sharp edge, the linear
    # light into the panel on one whose corner is broken or rolled: take a place between them, and their distance
    # as doubt.
    between = _LINEAR_SHARE * in_linear + (1 - _LINEAR_SHARE) * in_stored
    apart = np.abs(in_linear - in_stored) * ROW_MM
    t = np.interp(np.where(use_linear, in_linear, between), np.arange(n_t), band.t_mm)
    # The gap's own level beside the edge: burnt out?
    beside = gap_beside(np.where(np.isfinite(band.peak), band.peak, 0), middle, outward)
    burnt = use_linear & (np.nanmedian(beside, axis=0) > _BURNT_LEVEL)
    t = t - outward * np.where(burnt, _LEAN_BURNT, np.where(use_linear, _LEAN_BRIGHT, 0.0))
    std = np.where(burnt, _STD_BURNT, np.where(use_linear, _STD_BRIGHT, np.hypot(_STD_DARK, _APART_SHARE * apart)))
    # How wide the rise is, and how far linear light and stored grey disagree over a wider window.
    flank = np.maximum(at(by_log, *range(-wide, wide + 1)) * sign[None], 0)
    width_px = (flank > 0.5 * flank[wide - half : wide + half + 1].max(0)[None]).sum(0) * ROW_MM * ppm
    outwards = [outward * k for k in range(-round(0.3 / ROW_MM), round(1.5 / ROW_MM))]
    steepest = ((at(g, *outwards) * sign[None]).argmax(0) * ROW_MM - 0.3 for g in (by_linear, by_stored))
    spread = np.maximum(*(np.abs(v) for v in steepest))
    inside, outside = at(log, -6 * outward, 6 * outward)
    ok = np.isfinite(band.linear[middle, np.arange(n_s)])
    return PlacedEdge(
        t_mm=np.where(ok, t, np.nan),
        std_mm=std,
        spread_mm=spread,
        width_px=width_px,
        burnt=burnt,
        rise_log=outside - inside,
    )


def edge_kind(band: Band, t_mm: FloatArray, outward: int, trusted: NDArray[np.bool_], burnt: bool = False) -> EdgeKind:
    """Tell a cut edge from a rolled one by its shading, and the depth of its outline.

    The flat face of a panel is evenly lit; a roll of radius r begins r outside the
    outline.  So the place where the brightness has reached the face's own level
    tells the radius, and with it how deep the outline lies below the face.

    Parameters
    ----------
    band : Band
        Rectified band.
    t_mm : ndarray, shape (n_s,)
        Edge's place [mm].
    outward : int
        +1 for edge B, -1 for edge A.
    trusted : ndarray, shape (n_s,), bool
        Stations to judge by.
    burnt : bool
        The gap is burnt out: its halo lies on the first tenths of the panel.
    """
    x = np.arange(0.0, _PLATEAU_TO_MM + 0.025, 0.05)
    use = np.flatnonzero(trusted & np.isfinite(t_mm))
    if len(use) < 15:
        return UNKNOWN_KIND
    rows = (t_mm[use][None] + outward * x[:, None] - band.t_mm[0]) / ROW_MM
    lo = np.clip(rows.astype(int), 0, len(band.t_mm) - 2)
    frac = rows - lo
    profile = band.linear[lo, use[None]] * (1 - frac) + band.linear[lo + 1, use[None]] * frac
    blur = max(0.3, 1.7 / float(np.median(band.px_per_mm)))  # the lens's own ramp
    blur += _HALO_MM if burnt else 0.0

    def ramp_mm(columns: NDArray[np.int64]) -> float:
        """Length of the roll: 0 where the face is even right from the edge on, NaN where it cannot be told."""
        with np.errstate(invalid="ignore"):
            part = np.nanmedian(profile[:, columns], axis=1)
        face = np.median(part[x >= _PLATEAU_FROM_MM])
        if not np.isfinite(part).all() or face <= 0:
            return float("nan")
        ratio = np.log(np.maximum(part / face, 1e-3))

        def level(low: float, high: float) -> float:
            return float(ratio[(x >= low) & (x < high)].mean())

        near, middle, far = level(blur, blur + 0.2), level(blur + 0.3, blur + 0.6), level(1.2, 1.6)
        # A broken corner may shine; a roll is darker, or changes all along.
        if abs(middle - far) < _FLAT_BAND and near > middle - _FLAT_BAND:
            return 0.0
        # Brushed metal and dust make the face itself uneven; only what stands out of that is the roll.
        own = ratio[x >= _PLATEAU_FROM_MM - 0.6]
        flat = max(_FLAT_BAND, _UNEVEN * float(1.4826 * np.median(np.abs(own - np.median(own)))))
        off = (np.abs(ratio) > flat)[(x >= blur) & (x <= _PLATEAU_FROM_MM)]
        # The outermost place from which inwards most of the way is off.
        share = np.cumsum(off) / np.arange(1, len(off) + 1)
        good = np.flatnonzero(off & (share >= 0.7))
        return blur + 0.05 * (good[-1] + 1) if len(good) else 0.0

    blocks = np.array_split(np.arange(len(use)), max(1, min(6, len(use) // 20)))
    depths = [d for d in (ramp_mm(block) for block in blocks) if np.isfinite(d)]
    whole = ramp_mm(np.arange(len(use)))
    if len(depths) < 1 or not np.isfinite(whole):
        return UNKNOWN_KIND
    d = np.array(depths)
    if whole <= blur + 0.1:
        agree = float(np.mean(d <= blur + _VOTE_WITHIN_MM))
        if agree >= 0.4:
            doubt = float(np.hypot(_SAID_CUT_DEPTH_STD, _VOTE_STD * (1 - agree)))
            return EdgeKind("cut", _SAID_CUT_DEPTH_MM, doubt, _SAID_CUT)
    elif _SHORT_RAMP_MM <= whole <= _LONGEST_RAMP_MM:  # a shorter ramp may be dirt, a lit cut face or gloss on a roll
        agree = float(np.mean(np.abs(d - whole) <= _VOTE_WITHIN_MM))
        if agree >= 0.4:
            # Brightness comes within a tenth of the face's before the roll ends, how long before depends on the light;
            # hems run from 1 to 2.5 mm.
            depth = _ROLL_FROM_MM + _ROLL_PER_RAMP * whole
            return EdgeKind.rolled(depth, float(np.hypot(_ROLL_DEPTH_STD, _VOTE_STD * (1 - agree))))
    return UNKNOWN_KIND
