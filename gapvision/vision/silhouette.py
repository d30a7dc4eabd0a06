"""Edges against an even bright gap: paper or a lamp behind the seam.

The panels stand dark before the light, so the outline is a strong rise of brightness.  Two
things can still mislead.  A lamp narrower than the gap ends in the cavity, and
the dark beside it is not yet the panel; and a glossy roll mirrors other lamps,
whose reflection can look like the end of a dark cavity.  The way between the two
places tells them apart: a cavity stays dark and ends in a rise, a roll brightens
all along.  Over an over-exposed lamp the light eats into both panels by an amount
that the picture does not tell; that goes into the uncertainty.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.model import FloatArray
from gapvision.vision.band import ROW_MM, Band
from gapvision.vision.placing import PlacedEdge, gap_beside, place_edge

_SAME_MM = 0.1
_MARGIN_MM, _LEAST_SPAN_MM, _PLAIN_SPAN_MM = 0.3, 0.2, 0.5
_LEAST_SHARE = 0.25
_FLOOR = 0.002
# Brightening per millimetre, in log light, on the way outwards: cavities below the first, rolls above the second.
_ROLL_LOG_PER_MM = (0.4, 0.8)
_DOUBT_SHARE, _OFF_SHARE = 0.5, 0.8
# Light of the gap beside the edge, and what an edge there is uncertain by [mm]; how often that is enough on own
# ray-traced seams stands in the model card.
_LIGHT, _STD_MM = (0.88, 0.95), (0.045, 0.11)
# The less sure the detector is of its rise, the further off it may be: half of what 95 % of the edges of 214 own
# lit scenes stay below, beyond the above.  Where the rules name the same rise it matters less, unless the gap is
# burnt out.
_AGREED_MM = 0.2
_UNSURE_MASS = (0.6, 0.78, 0.89, 0.95, 0.98)
_UNSURE_STD_MM = {"agreed": (0.45, 0.27, 0.18, 0.11, 0.01), "apart": (0.45, 0.45, 0.45, 0.25, 0.04)}
_UNSURE_BURNT_STD_MM = {"agreed": (0.85, 0.3, 0.1, 0.1, 0.0), "apart": (0.48, 0.21, 0.0, 0.0, 0.0)}
# A sure detector knows how far a burnt-out gap ate into the panels better than the rise does.
_SURE_MASS, _SURE_BURNT_SHARE = (0.97, 0.985), 0.5
# Light beside the edge below which a lamp ended short of it, and what an unsure detector is uncertain by then [mm].
_DARK_BESIDE = (0.08, 0.16)
_DARK_MASS, _DARK_STD_MM = (0.78, 0.89, 0.95, 0.98), (1.0, 0.75, 0.5, 0.0)
_RIVAL_MM, _LEAST_RIVAL = 0.3, 0.03
# Share of the detector's doubt that a reflection accounts for, from which it is no doubt any more.
_EXPLAINED = (0.3, 0.8)


@dataclass(frozen=True, slots=True, eq=False)
class Opinion:
    """The detector's rise.

    Attributes
    ----------
    row : ndarray, shape (n_s,)
        The rise, in band rows.
    mean_mm : ndarray, shape (n_s,)
        Mean place of the chances near it [mm].
    placed : PlacedEdge
        Its steepest place.
    mass : ndarray, shape (n_s,)
        Chance within 0.2 mm of it.
    std_mm : ndarray, shape (n_s,)
        Its standard uncertainty as it would be over a dark gap [mm].
    rival_row : ndarray, shape (n_s,)
        Likeliest place further out on the panel.
    rival_share : ndarray, shape (n_s,)
        Chance of all such places together.
    """

    row: FloatArray
    mean_mm: FloatArray
    placed: PlacedEdge
    mass: FloatArray
    std_mm: FloatArray
    rival_row: FloatArray
    rival_share: FloatArray


def outer_rival(chance: FloatArray, row: FloatArray, outward: int) -> tuple[FloatArray, FloatArray]:
    """Likeliest place further out than the chosen rise, and the chance of all such places.

    Parameters
    ----------
    chance : ndarray, shape (n_t, n_s)
        Chances of the places of each station.
    row : ndarray, shape (n_s,)
        Chosen rise, in band rows.
    outward : int
        +1 for edge B, -1 for edge A.

    Returns
    -------
    rival_row, rival_share : ndarray, shape (n_s,)
    """
    out = (np.arange(len(chance))[:, None] - row[None]) * outward * ROW_MM
    beyond = np.where(out > _RIVAL_MM, chance, 0.0)
    total = np.maximum(chance.sum(0), 1e-9)
    return beyond.argmax(0).astype(float), np.asarray(beyond.sum(0) / total, float)


def lit_edge(
    band: Band, detector: Opinion, rule_row: FloatArray, outward: int, lit: NDArray[np.bool_]
) -> tuple[FloatArray, FloatArray, PlacedEdge, FloatArray]:
    """Choose between the detector's rise and the rules', and say how far the choice can be trusted.

    Parameters
    ----------
    band : Band
        Rectified band.
    detector : Opinion
        The detector's rise.
    rule_row : ndarray, shape (n_s,)
        The rules' rise, in band rows.
    outward : int
        +1 for edge B, -1 for edge A.
    lit : ndarray, shape (n_s,), bool
        Stations at which the gap is lit; elsewhere the detector's rise stays.

    Returns
    -------
    row : ndarray, shape (n_s,)
        Rise chosen, in band rows.
    t_mm : ndarray, shape (n_s,)
        Offset in the band [mm].
    placed : PlacedEdge
        The rise's steepest place.
    std_mm : ndarray, shape (n_s,)
        Standard uncertainty across the seam [mm].
    """
    ruled = place_edge(band, rule_row, outward)
    further = np.nan_to_num((detector.placed.t_mm - ruled.t_mm) * outward)
    apart = np.abs(further) > _SAME_MM
    outside = apart & (further > 0)
    # How the light was set up holds for the whole seam: one answer for all its stations.
    brightening, told_apart = _brightening(band, rule_row, detector.row, outward, outside)
    roll = float(np.interp(brightening, _ROLL_LOG_PER_MM, (0.0, 1.0)))
    told = abs(2 * roll - 1) * told_apart
    if not np.isfinite(brightening):
        roll = told = 0.0
    if outside.mean() < _LEAST_SHARE:
        # A lamp that is narrower than the gap is so along most of the seam, a reflection is not.
        roll, told = 1.0, 0.0
    # What cannot be told is covered by the doubt.
    by_rule = lit & outside & (roll > 0.5)
    doubt = np.where(apart, _DOUBT_SHARE * np.abs(further), 0.0) * np.where(outside, 1 - told, 1.0)
    row = np.where(by_rule, rule_row, detector.row)
    placed = place_edge(band, row, outward) if by_rule.any() else detector.placed
    # Beside an over-exposed gap the detector's place lies nearer the truth than the rise's, and their distance warns.
    t = np.where(by_rule, placed.t_mm, detector.mean_mm)
    light = gap_light(band, row, outward)
    # Where it is dark beside the edge after all (a lamp that ends short of it), nothing stands against the light.
    dark = np.interp(light, _DARK_BESIDE, (1.0, 0.0))
    mirrored = (1 - dark) * _mirrored(band, detector, outward, lit & ~outside)
    mass = detector.mass / np.maximum(1 - mirrored, 1e-3)
    agreed = np.abs(rule_row - detector.row) * ROW_MM <= _AGREED_MM
    unsure = _unsure_std_mm(np.minimum(mass, 1.0), light, agreed)
    # A reflection that was told from the panel explains why the detector wavered.
    unsure = np.where(by_rule, 0.0, unsure) * (1 - told if roll > 0.5 else 1.0)
    unsure = unsure * np.interp(mirrored / np.maximum(1 - detector.mass, 1e-3), _EXPLAINED, (1.0, 0.0))
    share = np.where(by_rule, 1.0, np.interp(mass, _SURE_MASS, (1.0, _SURE_BURNT_SHARE)))
    off = np.nan_to_num(np.abs(detector.mean_mm - placed.t_mm)) * np.where(by_rule, 0.0, _OFF_SHARE)
    off = off * np.where(agreed, share, 1.0)
    burnt = share * _light_std_mm(light)
    std = np.sqrt(placed.std_mm**2 + np.maximum(burnt, _STD_MM[0]) ** 2 + doubt**2 + off**2 + unsure**2)
    short = np.interp(mass, _DARK_MASS, _DARK_STD_MM)
    std = np.maximum(std, dark * np.maximum(detector.std_mm, short))
    return row, t, placed, std


def _mirrored(band: Band, detector: Opinion, outward: int, use: NDArray[np.bool_]) -> FloatArray:
    """Chance of places further out that the way there tells to be a reflection on a roll, shape (n_s,)."""
    at = use & (detector.rival_share > _LEAST_RIVAL)
    brightening, _ = _brightening(band, detector.row, detector.rival_row, outward, at)
    roll = float(np.interp(brightening, _ROLL_LOG_PER_MM, (0.0, 1.0))) if np.isfinite(brightening) else 0.0
    return np.where(at, roll * detector.rival_share, 0.0)


def _brightening(
    band: Band, inner_row: FloatArray, outer_row: FloatArray, outward: int, use: NDArray[np.bool_]
) -> tuple[float, float]:
    """Rise of log light per millimetre from the one place out to the other, median; NaN when too close to tell.

    Second: 0 to 1, how far the way between them is long enough to tell.
    """
    n_t = band.linear.shape[0]
    margin = _MARGIN_MM / ROW_MM
    span_mm = (outer_row - inner_row) * outward * ROW_MM - 2 * _MARGIN_MM
    at = np.flatnonzero(use & (span_mm > _LEAST_SPAN_MM))
    if not len(at):
        return float("nan"), 0.0
    share = np.linspace(0, 1, 20)[:, None]
    start, end = inner_row[at] + outward * margin, outer_row[at] - outward * margin
    rows = np.clip(np.round(start + share * (end - start)).astype(int), 0, n_t - 1)
    log = np.log(np.nan_to_num(band.linear, nan=0.2)[rows, at[None]] + _FLOOR)
    slope = ((share - 0.5) * log).sum(0) / ((share - 0.5) ** 2).sum()
    told = float(np.interp(np.median(span_mm[at]), (_LEAST_SPAN_MM, _PLAIN_SPAN_MM), (0.0, 1.0)))
    return float(np.median(slope / span_mm[at])), told


def lit_std_mm(band: Band, row: FloatArray, outward: int) -> FloatArray:
    """What an edge against a bright gap is uncertain by, beyond its place in the rise [mm], shape (n_s,).

    Parameters
    ----------
    band : Band
        Rectified band.
    row : ndarray, shape (n_s,)
        Chosen place, in band rows.
    outward : int
        +1 for edge B, -1 for edge A.
    """
    return _light_std_mm(gap_light(band, row, outward))


def _light_std_mm(light: FloatArray) -> FloatArray:
    return np.asarray(np.interp(light, _LIGHT, _STD_MM), float)


def gap_light(band: Band, row: FloatArray, outward: int) -> FloatArray:
    """Linear light of the gap beside an edge, 1 = white, shape (n_s,)."""
    middle = np.clip(np.round(row), 0, band.linear.shape[0] - 1).astype(int)
    return np.asarray(np.median(gap_beside(np.nan_to_num(band.linear, nan=1.0), middle, outward), axis=0), float)


def _unsure_std_mm(mass: FloatArray, light: FloatArray, agreed: NDArray[np.bool_]) -> FloatArray:
    burnt = np.asarray(np.interp(light, _LIGHT, (0.0, 1.0)), float)

    def of(table: dict[str, tuple[float, ...]]) -> Any:
        alike, apart = (np.interp(mass, _UNSURE_MASS, table[name]) for name in ("agreed", "apart"))
        return np.where(agreed, alike, apart)

    return np.asarray((1 - burnt) * of(_UNSURE_STD_MM) + burnt * of(_UNSURE_BURNT_STD_MM), float)
