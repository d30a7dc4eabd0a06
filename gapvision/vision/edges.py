"""Both edges of the gap along a band: chances, tracking, placing, trust.

Which rise of brightness is the edge (rises, or a learned detector), how it goes on
along the seam (tracking) and where in the rise it lies (placing) are three
separate parts.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.edge_form import running_median
from gapvision.model import FloatArray
from gapvision.vision.band import ROW_MM, Band
from gapvision.vision.placing import UNKNOWN_KIND, EdgeKind, PlacedEdge, edge_kind, place_edge
from gapvision.vision.rises import BY_RULES, gap_is_bright, gap_is_uneven, inner_rival_mm, rule_chances
from gapvision.vision.silhouette import Opinion, lit_edge, lit_std_mm, outer_rival
from gapvision.vision.tracking import Track, best_path, track

if TYPE_CHECKING:
    from gapvision.vision.learned import DepthReading, Opinions

_STD_LIMIT_MM = 1.8
_LIT_STD_MM = 0.7
_SPREAD_SHARE = 0.25
_OWN_ROWS = 3
_SILHOUETTE_SHARE = 0.75
_TRUSTED_STD_MM = 0.2
_STRANGE = 1.5  # distance from the teaching bands, 1 = 99 % of them are nearer
# Chances of a cut edge beyond which it is called cut, or rolled.
_SURE_CUT, _SURE_ROLL = 0.8, 0.05
_LEAST_DEPTH_STD_MM, _LEAST_MASS = 0.05, 0.05
# Depths of rolls seen at a slant are less sure than the detector says: on own ray-traced seams 95 % of the errors lay
# below 1.95 of its standard uncertainties up to 12 degrees, below 2.2 beyond (1100 edges).
_SLANT_DEG, _SLANT_FACTOR = (11.0, 15.0), (1.0, 1.1)
_OVER_LEVEL = 0.985
_UNDER_LEVEL = 0.008
_GLARING_LEVEL = 0.70  # a panel this near to white has lost its edge to the tone curve
_SHARP_PX = 3.0  # a rise no wider than the lens makes it; on 32 ray-traced photos most of those were the edge
# Standard uncertainty by the rise from gap to panel: on those photos the rules were off by 0.66 mm (median) between -1
# and +0.3, by 0.10 up to +1, by 0.06 below -1.
_WEAK_LOG, _WEAK_STD = (-1.2, -0.8, 0.4, 0.8, 1.6), (0.0, 0.30, 0.30, 0.12, 0.0)


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
    burnt_a_share, burnt_b_share : float
        Share of stations where the gap beside each edge is burnt out.
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
    burnt_a_share: float
    burnt_b_share: float
    bright_share: float
    burnt_share: float
    over_share: float
    under_share: float
    silhouette_share: float
    method: str

    @property
    def lit(self) -> bool:
        """Whether the gap is brighter than the panels along most of the seam."""
        return self.bright_share > 0.5


@dataclass(frozen=True, slots=True, eq=False)
class ChosenEdge:
    """One edge chosen and placed.

    Attributes
    ----------
    t_mm, std_mm : ndarray, shape (n_s,)
        Offset, NaN where no light was recorded, and its standard uncertainty [mm].
    row : ndarray, shape (n_s,)
        The rise chosen, joined along the seam, in band rows.
    placed : PlacedEdge
        The rise's own steepest place.
    figures : dict of ndarray, shape (n_s,)
        What the trust was judged by; empty where the rules alone chose.
    depth_logits : ndarray, shape (bins, n_s)
        What the detector says of the edge's depth; NaN where it says nothing, as everywhere when the rules alone chose.
    chance : ndarray, shape (n_t, n_s)
        Of every place, before one was chosen; columns sum to 1, or to 0 where nothing is seen.
    """

    t_mm: FloatArray
    std_mm: FloatArray
    row: FloatArray
    placed: PlacedEdge
    figures: dict[str, FloatArray]
    depth_logits: NDArray[np.float32]
    chance: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Choice:
    """Both edges chosen along a band.

    Attributes
    ----------
    edges : tuple of ChosenEdge
        A and B.
    bright, silhouette : ndarray, shape (n_s,), bool
        Gap brighter than both panels; the same and even, in a photo whose gap is lit along most of the seam.
    method : str
        ``rules`` or the model's version.
    """

    edges: tuple[ChosenEdge, ChosenEdge]
    bright: NDArray[np.bool_]
    silhouette: NDArray[np.bool_]
    method: str


def choose_edges(band: Band, method: str = "auto") -> Choice:
    """Choose both edges on a band, place them and say how far they can be trusted.

    Parameters
    ----------
    band : Band
        Rectified band, gap's middle near t = 0.
    method : str
        ``rules`` or ``auto``.
    """
    by_rules = rule_chances(band)
    rule_paths = [track(chance) for chance in by_rules]
    bright = gap_is_bright(band)
    # What lies in a lit gap makes rises of its own; the rules cannot tell them from the panel's.
    uneven = gap_is_uneven(band, rule_paths[0].row, rule_paths[1].row)
    even = bright & ~uneven
    if not _detector_fits(band, method):
        edges = []
        lit = np.where(uneven, _LIT_STD_MM, 0.0)
        for path, chance, outward in zip(rule_paths, by_rules, (-1, 1), strict=True):
            placed = place_edge(band, path.row, outward)
            std = np.hypot(_rule_std(band, path, placed, outward), lit)
            std = np.where(even, np.hypot(std, lit_std_mm(band, path.row, outward)), std)
            depth = np.full((1, len(std)), np.nan, np.float32)
            edges.append(ChosenEdge(placed.t_mm, std, path.row, placed, {}, depth, chance))
        return Choice((edges[0], edges[1]), bright, even, BY_RULES)
    from gapvision.vision import learned, trust  # need the stored models; not for those who want the rules

    # White paper or a lamp put behind the gap lights it along the whole seam; a bright thing in it does not.
    silhouette = even & (even.mean() > _SILHOUETTE_SHARE)
    said = learned.opinions(learned.Look(band.linear, band.px_per_mm, band.sight_deg, band.chroma))
    foreign = learned.foreign_colour(band.chroma)
    edges = []
    for k, (chance, overlap, rule_path, outward) in enumerate(
        zip(said.chances, said.overlaps, rule_paths, (-1, 1), strict=True)
    ):
        row = best_path(_soften(chance))
        placed = place_edge(band, row, outward)
        mean = own_place(chance, row)
        evidence = trust.TrustFigures(chance, mean, rule_path.row, placed, outward, overlap, foreign[k])
        figures = trust.edge_figures(band, evidence, bright, uneven)
        std = trust.edge_std_mm(band, evidence, figures)
        t = np.interp(mean, np.arange(len(band.t_mm)), band.t_mm)
        if silhouette.any():
            opinion = Opinion(row, t, placed, figures["mass within 0.2 mm"], std, *outer_rival(chance, row, outward))
            row, t, placed, lit_std = lit_edge(band, opinion, rule_path.row, outward, silhouette)
            std = np.where(silhouette, lit_std, std)
        depth = _depth_logits(said, k, row)
        t = np.where(np.isfinite(placed.t_mm), t, np.nan)
        edges.append(ChosenEdge(t, std, row, placed, figures, depth, chance))
    return Choice((edges[0], edges[1]), bright, silhouette, learned.model_version())


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
    return edges_of(band, choose_edges(band, method))


def edges_of(band: Band, choice: Choice) -> SeamEdges:
    """What is measured with of a choice on its band."""
    kinds = []
    for edge, outward in zip(choice.edges, (-1, 1), strict=True):
        seen = np.isfinite(edge.t_mm)
        trusted = seen & (edge.std_mm < _TRUSTED_STD_MM)
        sure = trusted if trusted.sum() > 20 else seen
        told = sure & np.isfinite(edge.depth_logits).all(0)
        if told.any():
            kind = learned_kind(edge.depth_logits[:, told], float(np.median(np.abs(band.sight_deg[0]))))
        else:
            kind = edge_kind(band, edge.t_mm, outward, sure, bool(edge.placed.burnt.mean() > 0.5))
            if seen.any() and float(np.median(edge.std_mm[seen])) > _TRUSTED_STD_MM:
                # The shading beside a place that is not the edge tells nothing of the edge.
                kind = UNKNOWN_KIND
        kinds.append(kind)
    over = under = 0.0
    edge_a, edge_b = choice.edges
    for edge, outward in ((edge_a, -1), (edge_b, 1)):
        level, burnt_out = _panel_level(band, np.where(edge.std_mm <= _STD_LIMIT_MM, edge.t_mm, np.nan), outward)
        over = max(over, float(np.mean((burnt_out > 0.4) | (level > _GLARING_LEVEL))))
        under = max(under, float(np.mean(level < _UNDER_LEVEL)))
    rows = np.arange(len(band.t_mm))
    middle = 0.5 * (np.interp(edge_a.row, rows, band.t_mm) + np.interp(edge_b.row, rows, band.t_mm))
    return SeamEdges(
        t_a_mm=np.where(edge_a.std_mm <= _STD_LIMIT_MM, edge_a.t_mm, np.nan),
        t_b_mm=np.where(edge_b.std_mm <= _STD_LIMIT_MM, edge_b.t_mm, np.nan),
        std_a_mm=edge_a.std_mm,
        std_b_mm=edge_b.std_mm,
        middle_mm=middle,
        kind_a=kinds[0],
        kind_b=kinds[1],
        burnt_a_share=float(edge_a.placed.burnt.mean()),
        burnt_b_share=float(edge_b.placed.burnt.mean()),
        bright_share=float(choice.bright.mean()),
        burnt_share=float((edge_a.placed.burnt | edge_b.placed.burnt).mean()),
        over_share=over,
        under_share=under,
        silhouette_share=float(choice.silhouette.mean()),
        method=choice.method,
    )


def _detector_fits(band: Band, method: str) -> bool:
    """Whether the learned detector is wanted and the band is like those it was taught on."""
    if method == BY_RULES or abs(float(np.median(np.diff(band.line.s_mm))) - 1.0) > 0.5:
        return False  # taught on stations 1 mm apart
    return not is_unfamiliar(band)


def is_unfamiliar(band: Band) -> bool:
    """Whether a band with stations 1 mm apart is unlike all that the detector was taught on."""
    from gapvision.vision import learned

    return learned.strangeness(band.linear, band.px_per_mm) > _STRANGE


def _soften(chance: NDArray[np.float32]) -> NDArray[np.float32]:
    """Chances of a single station for joining: neighbours' answers are not independent, so each counts less."""
    soft = np.sqrt(chance)
    return np.asarray(soft / np.maximum(soft.sum(0), 1e-12), np.float32)


def learned_kind(depth_logits: NDArray[np.float32], slant_deg: float = 0.0) -> EdgeKind:
    """Cut or rolled, and how deep, as the detector says of the stations given, seen at a slant."""
    from gapvision.vision import learned

    kind = kind_of(learned.depth_reading(depth_logits))
    slant = float(np.interp(slant_deg, _SLANT_DEG, _SLANT_FACTOR))
    return replace(kind, depth_std_mm=slant * kind.depth_std_mm, roll_std_mm=slant * kind.roll_std_mm)


def kind_of(reading: DepthReading) -> EdgeKind:
    """Cut or rolled, and how deep, by a reading of the depth."""
    kind = "cut" if reading.cut > _SURE_CUT else "rolled" if reading.cut < _SURE_ROLL else "unknown"
    std, roll_std = (float(np.hypot(v, _LEAST_DEPTH_STD_MM)) for v in (reading.std_mm, reading.roll_std_mm))
    return EdgeKind(kind, reading.mean_mm, std, reading.cut, reading.roll_mm, roll_std)


def _depth_logits(said: Opinions, edge: int, row: FloatArray) -> NDArray[np.float32]:
    """What the detector says of an edge's depth where it was placed; NaN where the detector saw no edge there."""
    chance = said.chances[edge]
    near = np.zeros_like(chance)
    rows, weight = _near(chance, row)
    near[rows, np.arange(chance.shape[1])[None]] = weight
    mass = near.sum(0)
    logits = said.depth_logits(edge, near / np.maximum(mass, 1e-9))
    return np.where(mass > _LEAST_MASS, logits, np.float32(np.nan))


def own_place(chance: NDArray[np.float32], row: FloatArray) -> FloatArray:
    """Mean place of the chances within 0.15 mm of a row, in band rows, shape (n_s,)."""
    rows, weight = _near(chance, row)
    return np.asarray((weight * rows).sum(0) / np.maximum(weight.sum(0), 1e-12), float)


def _near(chance: NDArray[np.float32], row: FloatArray) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
    """Rows within 0.15 mm of a place and their chances, each of shape (7, n_s)."""
    rows = np.clip(
        np.round(row).astype(int)[None] + np.arange(-_OWN_ROWS, _OWN_ROWS + 1)[:, None], 0, chance.shape[0] - 1
    )
    return rows, chance[rows, np.arange(chance.shape[1])[None]]


def _rule_std(band: Band, path: Track, placed: PlacedEdge, outward: int) -> FloatArray:
    """Standard uncertainty of one edge across the seam where the rules chose the rise [mm]."""
    base = placed.std_mm**2 + (_SPREAD_SHARE * path.std_rows * ROW_MM) ** 2
    too_wide = np.maximum(placed.width_px - _SHARP_PX, 0) / band.px_per_mm
    disagree = np.maximum(placed.spread_mm - 0.1, 0)
    # A panel that is neither much lighter nor much darker than what the gap shows: the rules are often wrong there.
    weak = np.interp(placed.rise_log, _WEAK_LOG, _WEAK_STD)
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
        np.round((t[ok][None] + outward * x[:, None] - band.t_mm[0]) / ROW_MM).astype(int), 0, len(band.t_mm) - 1
    )
    cols = np.flatnonzero(ok)[None]
    level = np.nan_to_num(np.median(band.linear[rows, cols][x > 1.4], axis=0), nan=1.0)
    return level, np.mean(np.nan_to_num(band.peak[rows, cols]) > _OVER_LEVEL, axis=0)
