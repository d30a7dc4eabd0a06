"""Both edges of the gap along a band: chances, tracking, placing, trust.

Which step is the edge (steps, or a learned detector), how it goes on along the
seam (tracking) and where in the step it lies (placing) are three separate parts.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.edge_form import running_median
from gapvision.vision.band import BAND_STEP_MM, Band
from gapvision.vision.placing import EdgeKind, PlacedEdge, edge_kind, place_edge
from gapvision.vision.steps import RULES, EdgeChances, gap_is_bright, gap_is_uneven, inner_rival_mm, rule_chances
from gapvision.vision.tracking import Track, track

FloatArray = NDArray[np.float64]

_STD_LIMIT_MM = 1.8
_LIT_STD_MM = 0.7
_SPREAD_SHARE = 0.25
_LEARNED_SPREAD = 1.0
_PEAK_MM = 0.07
_ROLL_SHARE = 0.6
# Where detector and rules choose different steps, one of them is wrong; edge_rules section 5, "agreement".
_APART_FREE_MM, _APART_MOST_MM, _APART_SHARE, _APART_SHARE_LIT = 0.12, 1.5, 0.5, 0.3
_RULES_WEIGHT_DARK, _RULES_WEIGHT_LIT = 0.4, 0.3
_LEAST = 1e-7
STRANGE = 1.5  # distance from the teaching bands, 1 = 99 % of them are nearer
_OVER_LEVEL = 0.985
_UNDER_LEVEL = 0.008
_GLARING_LEVEL = 0.70  # a panel this near to white has lost its edge to the tone curve
_SHARP_PX = 3.0  # a step no wider than the lens makes it; edge_rules section 5
_WEAK_LOG, _WEAK_STD = (-1.2, -0.8, 0.4, 0.8, 1.6), (0.0, 0.30, 0.30, 0.12, 0.0)  # edge_rules section 5


@dataclass(frozen=True, slots=True, eq=False)
class SeamEdges:
    """Both edges along the band.

    Attributes
    ----------
    t_a_mm, t_b_mm : ndarray, shape (n_s,)
        Offsets [mm]; NaN where not trusted.
    std_a_mm, std_b_mm : ndarray, shape (n_s,)
        Standard uncertainties [mm].
    middle_mm : ndarray, shape (n_s,)
        Offset of the gap's middle, everywhere [mm].
    kind_a, kind_b : EdgeKind
        How each edge is made.
    bright_share, burnt_share, over_share, under_share, silhouette_share : float
        Share of stations with a bright gap, a burnt-out gap, a burnt-out panel, a black panel, an even bright gap.
    method : str
        ``rules`` or the model's version.
    """

    t_a_mm: FloatArray
    t_b_mm: FloatArray
    std_a_mm: FloatArray
    std_b_mm: FloatArray
    middle_mm: FloatArray
    kind_a: EdgeKind
    kind_b: EdgeKind
    bright_share: float
    burnt_share: float
    over_share: float
    under_share: float
    silhouette_share: float
    method: str


def find_edges(band: Band, method: str = "auto") -> SeamEdges:
    """Find both edges on a band.

    Parameters
    ----------
    band : Band
        Rectified band, gap's middle near t = 0.
    method : str
        ``rules`` or ``auto``.

    Returns
    -------
    SeamEdges
    """
    by_rule = rule_chances(band)
    rule_paths = (track(by_rule.chance_a), track(by_rule.chance_b))
    chances = edge_chances(band, method, by_rule, rule_paths)
    learned = chances.method != RULES
    paths = (track(chances.chance_a), track(chances.chance_b)) if learned else rule_paths
    t_raw, results = [], []
    # What lies in a lit gap makes steps of its own; the rules cannot tell them from the panel's.
    uneven = gap_is_uneven(band, paths[0].row, paths[1].row)
    lit = np.where(uneven, _LIT_STD_MM, 0.0)
    for path, rule_path, outward in zip(paths, rule_paths, (-1, 1), strict=True):
        placed = place_edge(band, path.row, outward)
        t_raw.append(np.interp(path.row, np.arange(len(band.t_mm)), band.t_mm))
        std = (
            _learned_std(band, path, rule_path, placed, uneven)
            if learned
            else np.hypot(_rule_std(band, path, placed, outward), lit)
        )
        trusted = np.isfinite(placed.t_mm) & (std < 0.25)
        sure = trusted if trusted.sum() > 20 else np.isfinite(placed.t_mm)
        kind = edge_kind(band, placed.t_mm, outward, sure, bool(placed.burnt.mean() > 0.5))
        t = np.where(std <= _STD_LIMIT_MM, placed.t_mm, np.nan)
        results.append((t, std, kind, placed))
    over = under = 0.0
    for (t, _, _, _), outward in zip(results, (-1, 1), strict=True):
        level, burnt_out = _panel_level(band, t, outward)
        over = max(over, float(np.mean((burnt_out > 0.4) | (level > _GLARING_LEVEL))))
        under = max(under, float(np.mean(level < _UNDER_LEVEL)))
    bright = gap_is_bright(band)
    burnt = results[0][3].burnt | results[1][3].burnt
    return SeamEdges(
        t_a_mm=results[0][0],
        t_b_mm=results[1][0],
        std_a_mm=results[0][1],
        std_b_mm=results[1][1],
        middle_mm=0.5 * (t_raw[0] + t_raw[1]),
        kind_a=results[0][2],
        kind_b=results[1][2],
        bright_share=float(bright.mean()),
        burnt_share=float(burnt.mean()),
        over_share=over,
        under_share=under,
        silhouette_share=float(np.mean(bright & ~uneven)),
        method=chances.method,
    )


def edge_chances(band: Band, method: str, by_rule: EdgeChances, rule_paths: tuple[Track, Track]) -> EdgeChances:
    """Chances of every place: the learned detector's, or the rules' where those are asked for or the band is strange.

    Parameters
    ----------
    band : Band
        Rectified band.
    method : str
        ``auto`` or ``rules``.
    by_rule : EdgeChances
        The rules' answer.
    rule_paths : tuple of Track
        Edges A and B as the rules follow them.
    """
    if method == RULES or abs(float(np.median(np.diff(band.line.s_mm))) - 1.0) > 0.5:
        return by_rule  # the detector was taught on stations 1 mm apart
    from gapvision.vision import learned  # needs the stored model; not for those who want the rules

    if learned.strangeness(band.linear, band.px_per_mm) > STRANGE:
        return by_rule
    chance_a, chance_b = learned.edge_chances(band.linear, band.px_per_mm)
    uneven = gap_is_uneven(band, rule_paths[0].row, rule_paths[1].row)
    # An even gap brighter than both panels needs no learning: its outline is the innermost step (edge_rules section 6).
    silhouette = gap_is_bright(band) & ~uneven
    weight = np.where(silhouette, 1.0, np.where(uneven, _RULES_WEIGHT_LIT, _RULES_WEIGHT_DARK))
    return EdgeChances(
        chance_a=_agree(chance_a, by_rule.chance_a, weight),
        chance_b=_agree(chance_b, by_rule.chance_b, weight),
        method=learned.model_version(),
    )


def _agree(learned: NDArray[np.float32], by_rule: NDArray[np.float32], weight: FloatArray) -> NDArray[np.float32]:
    """Weighted product of two opinions: a place that either finds impossible is not chosen; columns sum to 1."""
    both = (1 - weight) * np.log(np.maximum(learned, _LEAST)) + weight * np.log(np.maximum(by_rule, _LEAST))
    both = np.where(learned.sum(0) > 0, np.exp(both - both.max(0)), 0.0)
    return np.asarray(both / np.maximum(both.sum(0), 1e-12), np.float32)


def _learned_std(
    band: Band, path: Track, rule_path: Track, placed: PlacedEdge, uneven: NDArray[np.bool_]
) -> FloatArray:
    """Standard uncertainty of one edge across the seam where the detector chose the step [mm]."""
    apart = running_median(np.abs(path.row - rule_path.row) * BAND_STEP_MM, 9)
    share = np.where(uneven, _APART_SHARE_LIT, _APART_SHARE)  # in a lit gap the rules are often wrong
    doubt = share * np.clip(apart - _APART_FREE_MM, 0, _APART_MOST_MM)
    # One peak has a width of its own (the net answers in blurred places); inside it the placing rule decides.
    reach = np.sqrt(np.maximum((path.reach_rows * BAND_STEP_MM) ** 2 - _PEAK_MM**2, 0.0))
    # A wide step or a weak one is a roll or a reflection more often than not, whoever chose it.
    weak = _ROLL_SHARE * np.interp(placed.step_log, _WEAK_LOG, _WEAK_STD)
    wide = _ROLL_SHARE * np.maximum(placed.width_px - _SHARP_PX, 0) / band.px_per_mm
    return np.sqrt(placed.std_mm**2 + (_LEARNED_SPREAD * reach) ** 2 + doubt**2 + weak**2 + wide**2)


def _rule_std(band: Band, path: Track, placed: PlacedEdge, outward: int) -> FloatArray:
    """Standard uncertainty of one edge across the seam where the rules chose the step [mm]."""
    base = placed.std_mm**2 + (_SPREAD_SHARE * path.std_rows * BAND_STEP_MM) ** 2
    too_wide = np.maximum(placed.width_px - _SHARP_PX, 0) / band.px_per_mm
    disagree = np.maximum(placed.spread_mm - 0.1, 0)
    # A panel that is neither much lighter nor much darker than what the gap shows: the rules are often wrong there.
    weak = np.interp(placed.step_log, _WEAK_LOG, _WEAK_STD)
    inner = running_median(inner_rival_mm(band, path.row, outward), 9)
    return np.sqrt(base + (0.5 * too_wide) ** 2 + (0.25 * disagree) ** 2 + weak**2 + (0.35 * inner) ** 2)


def _panel_level(band: Band, t: FloatArray, outward: int) -> tuple[FloatArray, FloatArray]:
    """Median linear light of the panel beside the edge, and the share of it that is burnt out, at every station."""
    ok = np.isfinite(t)
    if not ok.any():
        return np.ones(1), np.zeros(1)
    # The roll itself is darker than the face: look beyond it too.
    x = np.arange(0.3, 4.0, 0.1)
    rows = np.clip(
        np.round((t[ok][None] + outward * x[:, None] - band.t_mm[0]) / BAND_STEP_MM).astype(int), 0, len(band.t_mm) - 1
    )
    cols = np.flatnonzero(ok)[None]
    level = np.nan_to_num(np.median(band.linear[rows, cols][x > 1.4], axis=0), nan=1.0)
    return level, np.mean(np.nan_to_num(band.peak[rows, cols]) > _OVER_LEVEL, axis=0)
