"""From both joint edges to the gap profile with its uncertainty.

The edges' posteriors say what the photos tell; what all photos of an edge share is added here and does not shrink with
their number.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.edge_form import jump_mm
from gapvision.geometry.uncertainty import combine, sensitivities
from gapvision.limits import print_scale_std
from gapvision.model import COVERAGE_FACTOR, FittedField, FloatArray, GapProfile
from gapvision.vision.band import CentreLine, normals_along
from gapvision.vision.gap import corner_part, scatter, straight_offsets
from gapvision.vision.joint_edges import JointEdge, PhotoLook
from gapvision.vision.rises import along

# Neighbouring stations count only in part in the posterior; of its width this much is error, what photos share apart
# (gapvision.vision.joint_edges).  Where it is wider than 0.15 mm the photos do not agree on a step, and errors are of
# another size: of 147 own ray-traced sets (lab/training, half of them rolls that mirror a dark gap) 79 % of the gaps of
# three photos lay within U without the steep rise, 89 % with it, and nearly as many were trusted (0.585 for 0.603).
_POSTERIOR_SHARE, _AGREED_STD_MM, _STEEP, _MOST_STD_MM = 0.35, 0.15, 4, 1.5
_FRAME_STD_MM = 0.015  # strips of real paper lift and stretch by so much, whatever their corners say
_LEAST_GAP_MM = 0.2
_STD_LIMIT_MM = 1.8
_UNSEEN_STD_MM = 10.0
_ALONG = 25


def joint_profile(
    fields: Sequence[FittedField],
    line: CentreLine,
    looks: Sequence[PhotoLook],
    edges: tuple[JointEdge, JointEdge],
    band_height_mm: float,
    *,
    print_scale_checked: bool,
    station_mm: float,
    picture_mm: FloatArray | float = 0.0,
    doubted: bool = False,
    seam_mm: FloatArray | float = 0.0,
) -> GapProfile:
    """Gap, edges and uncertainty at every station where both edges are trusted.

    Parameters
    ----------
    fields : sequence of FittedField
        One for each photo, all in one frame.
    line : CentreLine
        The common line, on which the bands were drawn at ``band_height_mm``.
    looks : sequence of PhotoLook
        What these photos tell.
    edges : tuple of JointEdge
        A and B, from :func:`gapvision.vision.joint_edges.join_edges`.
    band_height_mm : float
        Height on which the bands were drawn [mm].
    print_scale_checked : bool
        Whether the check lines were measured.
    station_mm : float
        Spacing [mm].
    picture_mm : float or ndarray, shape (n_s,)
        How far both edges may lie too far in or out, alike, standard uncertainty [mm].
    doubted : bool
        It may be no gap at all: U is then the gap itself, and no verdict follows from it.
    seam_mm : float or ndarray, shape (n_s,)
        How far off the seam itself may run, where photos do not have it in one place, standard uncertainty [mm].

    Returns
    -------
    GapProfile
        Only stations with both edges; may be empty.  ``photo`` counts as ``fields`` does, and ``edge_a_px`` and
        ``edge_b_px`` are where the outlines of the joint edges lie in that photo.  The step at each station stands in
        it where strips lie on both sides and two photos look from two directions.
    """
    a, b = edges
    pick = np.flatnonzero((b.t_mm - a.t_mm > _LEAST_GAP_MM) & (np.maximum(a.std_mm, b.std_mm) <= _STD_LIMIT_MM))
    n = len(pick)
    photo = _best_photo(looks)[pick]
    px = np.empty((2, n, 2))
    for k, (field, look) in enumerate(zip(fields, looks, strict=True)):
        in_it = photo == k
        for side, (edge, outward) in enumerate(((a, -1), (b, 1))):
            t = edge.outline_mm(look.slope, band_height_mm, outward)[pick][in_it]
            place = line.points[pick][in_it] + t[:, None] * line.normals[pick][in_it]
            px[side, in_it] = field.project(place, band_height_mm)
    place_a, place_b = (line.points[pick] + edge.t_mm[pick, None] * line.normals[pick] for edge in edges)
    normals = line.normals[pick]
    if n > 2 * max(1, round(6 / station_mm)):  # long enough for directions of their own
        finer = normals_along(0.5 * (place_a + place_b), station_mm)
        normals = finer if (finer * normals).sum() > 0 else -finer
    gap = ((place_b - place_a) * normals).sum(1)
    scale = np.zeros(n)
    for k, field in enumerate(fields):
        in_it = photo == k
        if in_it.any():
            scale[in_it] = _scale_part(field, px[:, in_it], (a.height_mm, b.height_mm), normals[in_it])
            scale[in_it] = np.hypot(scale[in_it], gap[in_it] * field.strain)
    by_depth = [(_error_share(edge) * edge.depth_part_mm)[pick] for edge in edges]
    whole = [(_error_share(edge) * edge.std_mm)[pick] for edge in edges]
    shared = [edge.shared_std_mm[pick] for edge in edges]
    by_place = [np.sqrt(np.maximum(w**2 - d**2, 0.0)) for w, d in zip(whole, by_depth, strict=True)]
    dark = 1 - np.mean([look.lit for look in looks], axis=0)
    offset_a, offset_b = straight_offsets(place_a, place_b, normals)
    # Where an edge jumps, either course may be the metal's.
    jumps = [jump_mm(offset, station_mm) / COVERAGE_FACTOR for offset in (offset_a, offset_b)]
    parts = {
        "edge": combine([*by_place, *jumps]),
        "shared": combine(shared),
        "depth": combine(by_depth),
        "corner": corner_part(*(edge.told.kind.cut_chance * dark[pick] for edge in edges)),
        "scale": np.hypot(scale, _FRAME_STD_MM),
        "print_scale": gap * print_scale_std(print_scale_checked),
        "picture": 2 * np.broadcast_to(picture_mm, len(line.s_mm))[pick],
        "repeat": np.full(n, scatter(gap)),
        "seam": np.broadcast_to(seam_mm, len(line.s_mm))[pick],
        "no_gap": (gap / COVERAGE_FACTOR) * doubted,
    }
    step = fields[0].step_mm + b.rise_mm - a.rise_mm
    step_std = combine([fields[0].step_std_mm, a.rise_std_mm, b.rise_std_mm])
    told = fields[0].step_free & np.isfinite(step)
    u_a, u_b = (COVERAGE_FACTOR * np.hypot(*both) for both in zip(whole, shared, strict=True))
    return GapProfile(
        s_mm=line.s_mm[pick],
        gap_mm=gap,
        expanded_u_mm=COVERAGE_FACTOR * combine(list(parts.values())),
        edge_a_px=px[0],
        edge_b_px=px[1],
        edge_a_mm=offset_a,
        edge_b_mm=offset_b,
        edge_a_u_mm=u_a,
        edge_b_u_mm=u_b,
        parts_mm=parts,
        spacing_mm=station_mm,
        photo=photo,
        step_mm=np.where(told, step, np.nan)[pick],
        step_u_mm=np.where(told, COVERAGE_FACTOR * step_std, np.nan)[pick],
    )


def _error_share(edge: JointEdge) -> FloatArray:
    """How much of the posterior's standard deviation counts as standard uncertainty, shape (n_s,)."""
    share = _POSTERIOR_SHARE * np.maximum(edge.std_mm / _AGREED_STD_MM, 1.0) ** _STEEP
    return np.asarray(np.minimum(share, np.maximum(_MOST_STD_MM / edge.std_mm, 1.0)), float)


def _best_photo(looks: Sequence[PhotoLook]) -> NDArray[np.int64]:
    """Number of the photo whose own choice of both edges is surest about each station, shape (n_s,)."""
    doubt = []
    for look in looks:
        both = np.hypot(look.edges[0].std_mm, look.edges[1].std_mm)
        doubt.append(along(np.where(look.seen & np.isfinite(both), both, _UNSEEN_STD_MM), _ALONG))
    return np.asarray(np.argmin(doubt, axis=0), np.int64)


def _scale_part(
    field: FittedField, px: FloatArray, heights_mm: tuple[float, float], normals: FloatArray
) -> FloatArray:
    """What pose, lens and bends leave open of the gap between pixels (2, n, 2) at two heights, shape (n,) [mm]."""
    std = np.sqrt(np.maximum(np.diag(field.covariance), 1e-30))

    def gap_at(params: FloatArray) -> FloatArray:
        a, b = (field.to_panel(px[k], heights_mm[k], params) for k in (0, 1))
        out: FloatArray = ((b - a) * normals).sum(-1)
        return out

    return combine(sensitivities(gap_at, field.params, std), field.covariance / np.outer(std, std))
