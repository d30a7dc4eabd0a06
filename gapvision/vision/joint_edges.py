"""The joint likelihood of each edge from several photos of one seam.

Each photo gives, for every station of one common band, the detector's chance that the outline lies at each place,
before any step was chosen, and how far that photo's answer can be trusted.  An edge's extreme point lies at one place
``c`` for all photos; where its outline shows on the band depends on the line of sight and on how deep it lies:

    t(k) = c + b d (1 - sqrt(1 + k^2)) + k (H - (face - d))

with ``k`` the tangent of the line of sight across the seam (+ from side B), ``b`` -1 for edge A and +1 for B, ``H`` the
height on which the band is drawn and ``d`` the depth of the outline below the edge's own face (for a roll: its radius).
So two or more directions tell place and depth; where the face's height is not known, the height of the outline takes
the place of the depth, and the gap needs neither.

What errs alike in all photos of an edge does not grow smaller with their number: neighbouring stations, photos of one
phone, and burnt-out gaps are no independent witnesses.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.uncertainty import shared_by_photos
from gapvision.model import COVERAGE_FACTOR, FloatArray, KnownEdge
from gapvision.vision import learned
from gapvision.vision.band import ROW_MM, Band
from gapvision.vision.edges import Choice, kind_of
from gapvision.vision.gap import CORNER_MM
from gapvision.vision.known import ToldEdge, weigh
from gapvision.vision.phone import doubt_of_two
from gapvision.vision.placing import UNKNOWN_KIND, EdgeKind
from gapvision.vision.rises import along, follow

# Chance that a photo shows the wrong step at a station, from the standard uncertainty of its own choice [mm], and other
# figures down to _OWN_SHARE: searched on own ray-traced sets, 48 of whole photos and 100 of bands (lab/training), for
# the likeliest of the true places.  Single photos are wrong less often (3 % of them by 0.2 mm and more where they say
# 0.1, 10 % at 0.15, a third at 0.25 to 0.5), and as often too far out as too far in.  So fewer chances of reflections
# do better on whole photos (0.91 of gaps right for 0.85, 0.79 before) - and worse on bands, where half the edges are
# rolls that mirror a dark gap.  This is between.
_WRONG_FROM_MM, _WRONG_SPAN_MM, _WRONG = 0.03, 0.20, (0.05, 0.80)
_UNSEEN = 0.98
_BLUR_MM = 0.06
# A wrong step over a dark gap may be a reflection on the roll: inside the panel, chances fall with the distance.
_TAIL_MM, _TAIL_FROM_MM, _INSIDE = 0.5, 0.05, 0.65
_ANYWHERE_MM, _ANYWHERE = 8.0, 0.03
_REACH_MM = 3.0
_LIT_SHARE, _LEAST_LIT_STD_MM = 0.8, 0.04
_MIDDLE_MM = 2.5
_MARGIN_MM = 2.2
# How an edge goes on from station to station.
_MOVE_MM, _FARTHEST_MOVE_MM, _JUMP = 0.1, 0.45, 0.01
# Neighbouring stations, and the photos of one phone, err alike: this much of each counts towards the place.
_OWN_SHARE = 0.3
# All stations together count as one observation of the depth, and one more for so many of them: a photo that shows the
# wrong step does so all along.
_STATIONS_ALIKE = 240.0
_DEPTHS_MM = np.arange(0.05, 3.01, 0.15)
_OPEN_DEPTHS_MM = (-1.1, 3.8, 0.15)  # of an outline below where an open face is thought to lie: from, to, apart
# A face whose height is known no better leaves the height of the outline open: strips of any thickness do not, a step
# that nothing tells does.
_OPEN_STD_MM = 0.45
_BROAD_SHARE = 0.15  # of the depth's prior: hems of 1.5 +- 0.7 mm, and one cut edge in about seven
_BROAD_ROLL_MM, _BROAD_CUT_MM, _BROAD_CUT = (1.5, 0.7), (0.15, 0.1), 0.3
_SURE_STD_MM, _LEAST_SURE = 0.2, 20
_LEAST_DEPTH_STD_MM, _LEAST_FACE_STD_MM, _GRID_STD_MM = 0.1, 0.03, 0.05
_PEAK_MM, _PEAK_ROWS = 0.2, 7
# Along the seam: places within 0.2 mm of where the outline is shown, over so many stations; a step may wander by so
# much (as in gapvision.vision.gap.STEP_UNKNOWN).  Two photos less than about 3 degrees apart tell nothing.
_OWN_ROWS, _LEAST_MASS, _RISE_STATIONS, _RISE_STD_MM, _LEAST_SPREAD = 4, 0.05, 25, 0.5, 0.2
_DEEPEST_CUT_MM = 0.5
_SURE_CUT, _SURE_ROLL = 0.8, 0.05
_MOST_OWN_STD_MM = 1.0
# Photos contradict each other, over so many stations together, where luck alone would let them do so less than once in
# twenty times: upper 5 % of chi squared with 1 to 5 degrees of freedom, from tables.
_LEAST_OWN_STD_MM, _MOST_APART_MM, _APART_STATIONS = 0.03, 0.5, 25
_CHI_SQUARED = np.array([np.inf, 3.84, 5.99, 7.81, 9.49, 11.07])
_LEAST = 1e-9


@dataclass(frozen=True, slots=True, eq=False)
class EdgeLook:
    """What one photo tells of one edge on the common band.

    Attributes
    ----------
    chance : ndarray, shape (n_t, n_s)
        Of every place to be the outline, before one was chosen; rows 0.05 mm apart, the middle one at 0.
    t_mm, std_mm : ndarray, shape (n_s,)
        The photo's own choice, NaN where it has none, and its standard uncertainty [mm].
    burnt : ndarray, shape (n_s,), bool
        The gap is burnt out beside the edge.
    depth_logits : ndarray, shape (bins, n_s)
        What the detector says of the outline's depth; NaN where it says nothing.
    """

    chance: NDArray[np.float32]
    t_mm: FloatArray
    std_mm: FloatArray
    burnt: NDArray[np.bool_]
    depth_logits: NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class PhotoLook:
    """What one photo tells of the seam on the common band.

    Attributes
    ----------
    slope : ndarray, shape (n_s,)
        Tangent of the line of sight across the seam, + from side B.
    seen : ndarray, shape (n_s,), bool
        The photo shows the middle of the band.
    bright, lit : ndarray, shape (n_s,), bool
        The gap is brighter than both panels; the same and even, along most of the seam.
    edges : tuple of EdgeLook
        A and B.
    """

    slope: FloatArray
    seen: NDArray[np.bool_]
    bright: NDArray[np.bool_]
    lit: NDArray[np.bool_]
    edges: tuple[EdgeLook, EdgeLook]


@dataclass(frozen=True, slots=True)
class Face:
    """Height of a panel's face in the common frame, and its standard uncertainty [mm]."""

    height_mm: float
    std_u_mm: float

    @property
    def is_open(self) -> bool:
        """Whether it is known too badly to say how deep an outline lies below it."""
        return self.std_u_mm > _OPEN_STD_MM


@dataclass(frozen=True, slots=True, eq=False)
class JointEdge:
    """One edge as all photos together tell it.

    Attributes
    ----------
    t_mm : ndarray, shape (n_s,)
        Place of the extreme point across the common line, in the panel's plane [mm].
    std_mm : ndarray, shape (n_s,)
        Standard deviation of its posterior: rival steps, and what is not known of the depth [mm].
    depth_part_mm : ndarray, shape (n_s,)
        What of it comes from the depth (or the outline's height) alone [mm].
    shared_std_mm : ndarray, shape (n_s,)
        Standard uncertainty that no number of photos takes away: what they share, and how they contradict [mm].
    told : ToldEdge
        Kind, depth of the outline below the face and radius, by shading, parallax and what was stated.
    height_mm, height_std_mm : float
        Height of the outline in the common frame and its standard deviation [mm].
    rise_mm, rise_std_mm : ndarray, shape (n_s,)
        How much higher the outline lies at a station than along the whole seam, and its standard deviation [mm]; an
        edge is made alike all along, so its face rises as much.  NaN where no two photos look from two sides.
    """

    t_mm: FloatArray
    std_mm: FloatArray
    depth_part_mm: FloatArray
    shared_std_mm: FloatArray
    told: ToldEdge
    height_mm: float
    height_std_mm: float
    rise_mm: FloatArray
    rise_std_mm: FloatArray

    def outline_mm(self, slope: FloatArray, band_height_mm: float, outward: int) -> FloatArray:
        """Where the outline shows on the band.

        Parameters
        ----------
        slope : ndarray, shape (n_s,)
            Tangent of the line of sight of a photo across the seam.
        band_height_mm : float
            Height on which the band is drawn [mm].
        outward : int
            +1 for edge B, -1 for edge A.

        Returns
        -------
        ndarray, shape (n_s,)
            Offset in the band [mm].
        """
        return self.t_mm + _shift_mm(slope, band_height_mm, self.height_mm, self.told.kind.depth_mm, outward)


def photo_look(band: Band, choice: Choice, otherwise: Choice | None = None) -> PhotoLook:
    """What one photo tells of the seam.

    Parameters
    ----------
    band : Band
        Sampled in the common frame along the common line.
    choice : Choice
        From :func:`gapvision.vision.edges.choose_edges` on that band.
    otherwise : Choice, optional
        Another look at the same band (:func:`gapvision.vision.phone.without_veil`): where the two differ, trust is
        less.
    """
    middle = np.abs(band.t_mm) <= _MIDDLE_MM + 1e-9
    edges = []
    for k, edge in enumerate(choice.edges):
        std = edge.std_mm
        if otherwise is not None:
            other = otherwise.edges[k]
            std = doubt_of_two(edge.t_mm, std, other.t_mm, other.std_mm)
        edges.append(EdgeLook(edge.chance, edge.t_mm, std, edge.placed.burnt, edge.depth_logits))
    return PhotoLook(
        slope=np.tan(np.radians(band.sight_deg[0])),
        seen=np.isfinite(band.linear[middle]).all(0),
        bright=choice.bright,
        lit=choice.silhouette,
        edges=(edges[0], edges[1]),
    )


def join_edges(
    looks: list[PhotoLook],
    faces: tuple[Face, Face],
    band_height_mm: float,
    known: tuple[KnownEdge | None, KnownEdge | None] = (None, None),
) -> tuple[JointEdge, JointEdge]:
    """Both edges of the gap from all photos together.

    Parameters
    ----------
    looks : list of PhotoLook
        One for each photo, all along one common line.
    faces : tuple of Face
        Of panels A and B in the common frame.  With strips on both sides: the strips' own thickness below the print,
        with its doubt, B higher by the step, whose doubt goes with B.  With strips on one side only the other face is
        open (:data:`gapvision.vision.gap.STEP_UNKNOWN`), or as stated.
    band_height_mm : float
        Height on which the bands were drawn [mm].
    known : tuple of KnownEdge or None
        What a person states of edges A and B.

    Returns
    -------
    tuple of JointEdge
        A and B.

    Raises
    ------
    ValueError
        No photo, or looks of different lengths.
    """
    if not looks or len({len(look.slope) for look in looks}) != 1:
        raise ValueError("looks: expected one or more, all along the same stations")
    a, b = (_join(looks, k, faces[k], band_height_mm, known[k]) for k in (0, 1))
    return a, b


def _join(looks: list[PhotoLook], k: int, face: Face, band_height_mm: float, known: KnownEdge | None) -> JointEdge:
    outward = 1 if k else -1
    edges = [look.edges[k] for look in looks]
    by_shading = _by_shading(edges)
    told = weigh(UNKNOWN_KIND if by_shading is None else kind_of(learned.reading_of(by_shading)), known)
    depths, heights, prior = _hypotheses(told, by_shading, face)
    rows = _rows_about(edges)
    like = np.zeros((len(prior), rows.stop - rows.start, len(looks[0].slope)), np.float32)
    for look, share in zip(looks, _shares(edges), strict=True):
        own = share * _log_likelihood(look, k, outward)
        for j, (depth, height) in enumerate(zip(depths, heights, strict=True)):
            like[j] += _moved(own, _shift_mm(look.slope, band_height_mm, height, depth, outward), rows)
    top = like.max(1)
    evidence = (np.log(np.exp(like - top[:, None]).mean(1)) + top).mean(1) * (1 + like.shape[2] / _STATIONS_ALIKE)
    weight = _normalised(prior * np.exp(evidence - evidence.max()))
    t = (np.arange(rows.start, rows.stop) - len(edges[0].chance) // 2) * ROW_MM
    place, std, depth_part = _read_off(_forward_backward(_OWN_SHARE * like), weight, t)
    height, height_std = _moments(weight, heights)
    kind = told.kind
    off, off_std = height - (face.height_mm - kind.depth_mm), float(np.hypot(face.std_u_mm, kind.depth_std_mm))
    if not face.is_open:  # of all thicknesses of strips, the one taken is the likeliest
        as_thought = _hypotheses(told, by_shading, Face(face.height_mm, 0.0))[2]
        kind = _joined_kind(kind, _normalised(as_thought * np.exp(evidence - evidence.max())), depths, face)
    shown = [place + _shift_mm(look.slope, band_height_mm, height, kind.depth_mm, outward) for look in looks]
    rise, rise_std = _rise(looks, edges, shown)
    dark = 1 - np.mean([look.lit for look in looks], axis=0)
    return JointEdge(
        t_mm=place - outward * CORNER_MM * kind.cut_chance * dark,
        std_mm=std,
        depth_part_mm=depth_part,
        shared_std_mm=np.hypot(_shared_std(looks, edges, shown), _moved_std(looks, off, off_std)),
        told=replace(told, kind=kind),
        height_mm=height,
        height_std_mm=height_std,
        rise_mm=rise,
        rise_std_mm=rise_std,
    )


def _shared_std(looks: list[PhotoLook], edges: list[EdgeLook], shown: list[FloatArray]) -> FloatArray:
    """What stays in doubt however many photos there are: ``shown`` is where each shows the edge if it lies as said.

    Photos that contradict each other by more than they say of themselves have an error that none of them knows: its
    variance by DerSimonian and Laird (Controlled Clinical Trials 7, 1986), from memory.
    """
    good = np.array([look.seen & np.isfinite(edge.t_mm) for look, edge in zip(looks, edges, strict=True)])
    own = np.where(good, [edge.std_mm for edge in edges], np.inf)
    surest = np.minimum(own.min(0), _MOST_OWN_STD_MM)
    off = np.where(good, [edge.t_mm - at for edge, at in zip(edges, shown, strict=True)], 0.0)
    w = np.where(good, 1 / np.maximum(own, _LEAST_OWN_STD_MM) ** 2, 0.0)
    total, squares, rest = np.maximum(w.sum(0), _LEAST), (w**2).sum(0), np.maximum(good.sum(0) - 1, 0)
    found = along((w * off**2).sum(0), _APART_STATIONS)
    spread = along(total - squares / total, _APART_STATIONS)
    apart = np.where(found > _CHI_SQUARED[rest], (found - rest) / np.maximum(spread, _LEAST), 0.0)
    apart = np.minimum(apart, _MOST_APART_MM**2) * squares / total**2
    return np.asarray(np.hypot(shared_by_photos(surest), np.sqrt(apart)), float)


def _moved_std(looks: list[PhotoLook], off_mm: float, std_u_mm: float) -> FloatArray:
    """What stays in doubt where an edge that was moved between the photos passes for one that lies deeper or higher.

    ``off_mm`` is how far the photos together put its outline from where shading and face have it, ``std_u_mm`` how
    well those know it.  Beyond their U it may as well have been moved, by as much as that height shows from side to
    side.  An edge drawn 0.5 to 0.9 mm nearer in one photo of shared sets: off by up to 0.5 mm with U 0.14 to 0.22 mm.
    """
    if abs(off_mm) <= COVERAGE_FACTOR * std_u_mm:
        return np.zeros(len(looks[0].slope))
    low, high = (np.array([np.where(look.seen, look.slope, end) for look in looks]) for end in (np.inf, -np.inf))
    return np.asarray(0.5 * abs(off_mm) * np.maximum(high.max(0) - low.min(0), 0.0), float)


def _shift_mm(
    slope: FloatArray, band_height_mm: float, height_mm: float, depth_mm: float, outward: int
) -> FloatArray:
    """How far from the extreme point the outline at a height shows on the band, shape (n_s,) [mm]."""
    return outward * depth_mm * (1 - np.sqrt(1 + slope**2)) + slope * (band_height_mm - height_mm)


def _by_shading(edges: list[EdgeLook]) -> FloatArray | None:
    """Chances (16,) of the detector's depths by the photos' shading together, each counting alike; None without."""
    said = []
    for edge in edges:
        told = np.isfinite(edge.depth_logits).all(0) & np.isfinite(edge.t_mm)
        sure = told & (edge.std_mm < _SURE_STD_MM)
        use = sure if sure.sum() > _LEAST_SURE else told
        if use.any():
            said.append(np.log(learned.depth_chances(edge.depth_logits[:, use])))
    # The photos' light and finish are alike, so they do not make each other surer.
    return _normalised(np.exp(np.mean(said, axis=0))) if said else None


def _hypotheses(
    told: ToldEdge, by_shading: FloatArray | None, face: Face
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Depths of the outline below the face, its heights in the frame, and how likely each pair is, shape (n,) each."""
    depths = _DEPTHS_MM
    (roll, roll_std), (cut, cut_std) = _BROAD_ROLL_MM, _BROAD_CUT_MM
    broad = _normalised(_normal(depths, roll, roll_std) + _BROAD_CUT * _normal(depths, cut, cut_std))
    if told.known is not None:
        prior = _normalised(_normal(depths, told.kind.depth_mm, max(told.kind.depth_std_mm, _LEAST_DEPTH_STD_MM)))
    elif by_shading is not None:
        said = _normalised(np.interp(depths, np.arange(len(by_shading)) * learned.DEPTH_BIN_MM, by_shading))
        prior = (1 - _BROAD_SHARE) * said + _BROAD_SHARE * broad
    else:
        prior = broad
    if not face.is_open:
        # What the face's height is off by acts like as much more or less depth.
        spread = _normal(depths[:, None] - depths[None], 0.0, max(face.std_u_mm, _LEAST_FACE_STD_MM))
        return depths, face.height_mm - depths, (spread / spread.sum(0)) @ prior + _LEAST
    heights = face.height_mm - np.arange(*_OPEN_DEPTHS_MM)
    likely = _normal(heights[:, None], face.height_mm - depths[None], face.std_u_mm) @ prior
    # Only the little that an outline seen at a slant hides behind the roll needs the depth itself.
    return np.full(len(heights), prior @ depths), heights, _normalised(likely) + _LEAST


def _joined_kind(kind: EdgeKind, weight: FloatArray, depths: FloatArray, face: Face) -> EdgeKind:
    """The kind with depth and chances as all photos tell them.

    They tell the outline's height; what the face above it is off by is the depth's error too, unless shading tells it.
    """
    depth, std = _moments(weight, depths)
    rolled = depths > _DEEPEST_CUT_MM
    roll, roll_std = _moments(_normalised(np.where(rolled, weight, 0.0)), depths)
    cut = float(weight[~rolled].sum())
    name = "cut" if cut > _SURE_CUT else "rolled" if cut < _SURE_ROLL else "unknown"
    if kind.cut_chance in (0.0, 1.0):  # stated, and the shading does not say otherwise
        name, cut = kind.kind, kind.cut_chance
    std, roll_std = (
        float(np.linalg.norm([seen, _GRID_STD_MM, _either(face.std_u_mm, own)]))
        for seen, own in ((std, kind.depth_std_mm), (roll_std, kind.roll_std_mm))
    )
    return EdgeKind(name, depth, std, cut, roll, roll_std)


def _rows_about(edges: list[EdgeLook]) -> slice:
    """Rows of the band in which the edge may lie."""
    n_t = len(edges[0].chance)
    places = np.concatenate([edge.t_mm for edge in edges])
    places = places[np.isfinite(places)]
    low, high = np.percentile(places, (1, 99)) if len(places) else (-np.inf, np.inf)
    first, last = np.clip(((low - _MARGIN_MM) / ROW_MM, (high + _MARGIN_MM) / ROW_MM), -(n_t // 2), n_t // 2)
    return slice(int(first) + n_t // 2, int(last) + n_t // 2 + 1)


def _shares(edges: list[EdgeLook]) -> FloatArray:
    """How much each photo counts at each station: those with a burnt-out gap together as one; shape (photos, n_s)."""
    burnt = np.array([edge.burnt for edge in edges])
    return np.where(burnt, 1.0 / np.maximum(burnt.sum(0), 1), 1.0)


def _log_likelihood(look: PhotoLook, k: int, outward: int) -> NDArray[np.float32]:
    """Log likelihood of the outline at each place by one photo, shape (n_t, n_s)."""
    edge = look.edges[k]
    chance = _with_lit(edge, look.lit)
    x = np.arange(-round(_REACH_MM / ROW_MM), round(_REACH_MM / ROW_MM) + 1) * ROW_MM
    blur = _normalised(_normal(x, 0.0, _BLUR_MM))
    inside = x * outward
    tail = np.where(inside > _TAIL_FROM_MM, np.exp(-np.maximum(inside, 0.0) / _TAIL_MM), 0.0)
    tail = np.convolve(_normalised(tail), blur, "same")
    right = (1 - _ANYWHERE) * _seen_through(chance, blur) + _ANYWHERE * ROW_MM / _ANYWHERE_MM
    wrong = _seen_through(chance, tail)
    # A bright gap mirrors nothing dark: no side is likelier.
    wrong = np.where(look.bright, 0.5 * (wrong + _seen_through(chance, tail[::-1])), wrong)
    wrong = _INSIDE * wrong + (1 - _INSIDE) * ROW_MM / _ANYWHERE_MM
    doubt = np.clip((edge.std_mm - _WRONG_FROM_MM) / _WRONG_SPAN_MM, *_WRONG)
    doubt = np.where(look.seen & np.isfinite(edge.t_mm), doubt, _UNSEEN)
    return np.asarray(np.log((1 - doubt) * right + doubt * wrong), np.float32)


def _with_lit(edge: EdgeLook, lit: NDArray[np.bool_]) -> NDArray[np.float32]:
    """The chances; where the gap is lit, mostly what was chosen against the light."""
    at = lit & np.isfinite(edge.t_mm)
    if not at.any():
        return edge.chance
    t = (np.arange(len(edge.chance)) - len(edge.chance) // 2) * ROW_MM
    chosen = _normal(t[:, None], np.where(at, edge.t_mm, 0.0), np.maximum(edge.std_mm, _LEAST_LIT_STD_MM))
    chosen /= np.maximum(chosen.sum(0), _LEAST)
    return np.where(at, _LIT_SHARE * chosen + (1 - _LIT_SHARE) * edge.chance, edge.chance).astype(np.float32)


def _seen_through(chance: NDArray[np.float32], kernel: FloatArray) -> NDArray[np.float32]:
    """Sum over x of ``kernel(x) chance(t + x)``, shape (n_t, n_s)."""
    out = cv2.filter2D(chance, -1, kernel[:, None].astype(np.float32), borderType=cv2.BORDER_CONSTANT)
    return np.maximum(out, 0.0)


def _moved(values: NDArray[np.float32], shift_mm: FloatArray, rows: slice) -> NDArray[np.float32]:
    """Values (n_t, n_s) at the rows given, each station's moved on by its shift; linear between rows."""
    return follow(values, np.asarray(shift_mm / ROW_MM), np.arange(rows.start, rows.stop))


def _forward_backward(like: NDArray[np.float32]) -> NDArray[np.float32]:
    """Chance of each place at each station by all stations together, from log likelihoods (n, places, n_s)."""
    n, places, n_s = like.shape
    x = (np.arange(places)[:, None] - np.arange(places)[None]) * ROW_MM
    move = np.where(np.abs(x) <= _FARTHEST_MOVE_MM, _normal(x, 0.0, _MOVE_MM), 0.0)
    move = ((1 - _JUMP) * move / move.sum(0) + _JUMP / places).astype(np.float32)
    own = np.exp(like - like.max(1, keepdims=True))
    before, after = (np.empty((n_s, n, places), np.float32) for _ in range(2))
    so_far = np.full((n, places), 1 / places, np.float32)
    for j in range(n_s):
        before[j] = so_far
        so_far = so_far * own[:, :, j]
        so_far = so_far / so_far.sum(1, keepdims=True) @ move.T
    so_far = np.ones((n, places), np.float32)
    for j in reversed(range(n_s)):
        after[j] = so_far
        so_far = (so_far * own[:, :, j]) @ move
        so_far /= so_far.max(1, keepdims=True)
    out = before * after * np.moveaxis(own, 2, 0)
    return np.asarray(out / np.maximum(out.sum(2, keepdims=True), _LEAST), np.float32)


def _read_off(
    places: NDArray[np.float32], weight: FloatArray, t: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Mean within 0.2 mm of the likeliest place, spread of all about it, and what of that the hypotheses' means make.

    ``places`` (n_s, n, places) are chances under each hypothesis, ``weight`` (n,) how likely each is.
    """
    chance = np.einsum("h,jhp->jp", weight, places)
    peak = cv2.blur(chance, (_PEAK_ROWS, 1), borderType=cv2.BORDER_CONSTANT).argmax(1)
    near = np.abs(np.arange(len(t))[None] - peak[:, None]) * ROW_MM <= _PEAK_MM + 1e-9
    place = (chance * near) @ t / (chance * near).sum(1)
    std = np.sqrt((chance * (t[None] - place[:, None]) ** 2).sum(1))
    means = places @ t
    return place, std, np.sqrt(np.maximum(means**2 @ weight - (means @ weight) ** 2, 0.0))


def _rise(looks: list[PhotoLook], edges: list[EdgeLook], shown: list[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """How much higher the outline lies at each station than on average, by how it moves between the photos.

    ``shown`` says where each photo shows it if it lies as high everywhere.  What lies h higher shows ``slope h`` nearer
    to the camera's side.
    """
    offsets = np.arange(-_OWN_ROWS, _OWN_ROWS + 1)
    weight, off = [], []
    for look, edge, at in zip(looks, edges, shown, strict=True):
        near = follow(edge.chance, at / ROW_MM + len(edge.chance) // 2, offsets)
        mass = near.sum(0)
        off.append((near * offsets[:, None]).sum(0) / np.maximum(mass, _LEAST) * ROW_MM)
        good = look.seen & (mass > _LEAST_MASS) & np.isfinite(edge.std_mm)
        weight.append(np.where(good, 1 / np.hypot(edge.std_mm, _BLUR_MM) ** 2, 0.0))
    slope = np.array([look.slope for look in looks])
    w = np.array(weight)

    def over_a_stretch(values: FloatArray) -> FloatArray:
        return np.asarray(along((w * values).sum(0), _RISE_STATIONS), float)

    total = np.maximum(over_a_stretch(np.ones_like(slope)), _LEAST)
    mean_slope, mean_off = over_a_stretch(slope) / total, over_a_stretch(np.array(off)) / total
    spread = over_a_stretch(slope**2) - total * mean_slope**2
    told = spread > _LEAST_SPREAD
    rise = -(over_a_stretch(slope * off) - total * mean_slope * mean_off) / np.where(told, spread, np.inf)
    variance = 1 / np.maximum(spread, _LEAST_SPREAD)
    if not told.any():
        return np.full(len(told), np.nan), np.full(len(told), np.nan)
    rise = rise - np.average(rise[told], weights=spread[told])
    # Faces seldom leave each other's course by more than the usual doubt of a step.
    held = _RISE_STD_MM**2 / (_RISE_STD_MM**2 + variance)
    return np.where(told, held * rise, np.nan), np.where(told, np.sqrt(held * variance), np.nan)


def _normal(x: FloatArray, mean: FloatArray | float, std: FloatArray | float) -> FloatArray:
    return np.asarray(np.exp(-0.5 * ((x - mean) / std) ** 2), float)


def _normalised(values: FloatArray) -> FloatArray:
    return np.asarray(values / max(float(values.sum()), _LEAST), float)


def _either(std: float, other_std: float) -> float:
    """Standard uncertainty of what two tell together."""
    return std * other_std / max(float(np.hypot(std, other_std)), _LEAST)


def _moments(weight: FloatArray, values: FloatArray) -> tuple[float, float]:
    mean = float(weight @ values)
    return mean, float(np.sqrt(weight @ (values - mean) ** 2))
