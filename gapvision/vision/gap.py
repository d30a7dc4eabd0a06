"""From two placed edges to the gap profile with its uncertainty.

Each edge's pixel is carried to the panel surface at the height where that edge's
outline lies, so that tilt, step and depth are geometry, not error; what is not
known of them becomes a part of the budget.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.edge_form import jump_mm
from gapvision.geometry.lines import fit_total_line
from gapvision.geometry.uncertainty import combine, sensitivities
from gapvision.limits import print_scale_std
from gapvision.model import COVERAGE_FACTOR, FittedField, FloatArray, GapProfile
from gapvision.targets.strip import FACE_HEIGHT_MM
from gapvision.vision.band import Band, arc_along, normals_along
from gapvision.vision.placing import EdgeKind

_WRAP = 20  # stations seen twice where a seam closes, more than directions look ahead
_SHEET_STD_MM = 0.15
_SHEET_MM = 1.15  # 18 to 19 gauge, common practice, no source
# Standard uncertainty as share of what shows of a cut face: the rules read it right on dark faces, off by up to all
# of it on light ones; the detector was taught the upper rim.
RIM_SHARE_RULES, RIM_SHARE_LEARNED = 0.22, 0.10
# Of a cut edge the border between face and broken corner may be taken for the edge.  On own ray-traced seams with cut
# edges (lab/training, --broken; 8000 edges) it is read 0.045 mm too far inside the panel where corners of bare metal
# are broken by 0.1 to 0.4 mm, right where they are sharp or painted; which of the two the picture does not tell.  So
# part of it is put right, what is left may lie on both edges alike, and each scatters by more than its trust says.  Of
# gaps with U below 0.25 mm 94 % then lie within U between broken corners of bare metal (82 before), 96 to 98 of others.
CORNER_MM, _CORNER_STD_MM, _CORNER_OWN_STD_MM = 0.03, 0.02, 0.03
# Where the camera looks from the side, one roll hides its end and the other shows more of the gap mirrored in it.  An
# edge that is not sure is then off by more than its trust says: of the single photos of twelve shared ray-traced sets
# 0.92 of the errors lay within U, with this 0.96 (odd and even sets alike; of 32 other photos 0.98 either way).
_ASIDE_DEG, _UNSURE_MM, _ASIDE_FACTOR = (6.0, 14.0), (0.06, 0.12), 1.5  # unsure: both edges together
STEP_UNKNOWN = (0.0, 0.50)  # a step of 1 mm shows at once and is taken as the 95 % limit; common practice, no source


@dataclass(frozen=True, slots=True, eq=False)
class EdgeReading:
    """What is known of one edge before geometry.

    Attributes
    ----------
    t_mm : ndarray, shape (n_s,)
        Offset in the band [mm]; NaN where not trusted.
    std_mm : ndarray, shape (n_s,)
        Standard uncertainty across the seam [mm].
    kind : EdgeKind
        Cut or rolled, and how deep its outline lies.
    silhouette : bool
        The gap is bright: what shows is the outline, on a cut edge that faces the camera its lower rim.
    rim_share : float
        How far the face of a cut edge may have been read as panel, as a share of what shows of it.
    """

    t_mm: FloatArray
    std_mm: FloatArray
    kind: EdgeKind
    silhouette: bool = False
    rim_share: float = RIM_SHARE_RULES


def build_profile(
    field: FittedField,
    band: Band,
    band_height_mm: float,
    edge_a: EdgeReading,
    edge_b: EdgeReading,
    *,
    print_scale_checked: bool,
    station_mm: float,
    step: tuple[float, float] = STEP_UNKNOWN,
    face_mm: float = FACE_HEIGHT_MM,
    picture_mm: FloatArray | float = 0.0,
    doubted: bool = False,
    own_line: bool = False,
    closed: bool = False,
    alone: bool = True,
) -> GapProfile:
    """Gap, edges and uncertainty at every station where both edges are trusted.

    Parameters
    ----------
    field : FittedField
        Fitted field; its step is used when strips lie on both sides.
    band : Band
        Band on which the edges were placed, drawn at ``band_height_mm``.
    edge_a, edge_b : EdgeReading
        The two edges.
    print_scale_checked : bool
        Whether the check lines were measured.
    station_mm : float
        Spacing [mm].
    step : tuple of float
        Step of face B above face A and its standard uncertainty [mm], from elsewhere; counts where the field has none.
    face_mm : float
        Height of a strip's printed face above its panel [mm].
    picture_mm : float or ndarray, shape (n_s,)
        How far both edges may lie too far in or out, alike, standard uncertainty [mm].

    doubted : bool
        It may be no gap at all: U is then the gap itself, and no verdict follows from it.
    own_line : bool
        The seam bends round: offsets count from the band's own line, and which edge faces the camera changes along it.
    closed : bool
        It closes: the last station lies beside the first.
    alone : bool
        No photo beside it shows the same stations: what is seen from the side counts for less.

    Returns
    -------
    GapProfile
        Only stations with both edges; may be empty.
    """
    ok = np.isfinite(edge_a.t_mm) & np.isfinite(edge_b.t_mm)
    ok &= (edge_b.t_mm - edge_a.t_mm) > 0.2
    pick = np.flatnonzero(ok)
    n = len(pick)
    line = band.line

    corner_a, corner_b = (e.kind.cut_chance * (not e.silhouette) for e in (edge_a, edge_b))

    def pixels(edge: EdgeReading, inwards_mm: float) -> FloatArray:
        place = line.points[pick] + (edge.t_mm[pick, None] + inwards_mm) * line.normals[pick]
        return field.project(place, band_height_mm)

    px_a, px_b = pixels(edge_a, CORNER_MM * corner_a), pixels(edge_b, -CORNER_MM * corner_b)
    angle = np.radians(band.sight_deg[0])[pick]
    side = angle if own_line else np.full(n, np.median(angle) if n else 0.0)
    (depth_a, deep_a), (depth_b, deep_b) = _depths(edge_a, side > 0), _depths(edge_b, side < 0)
    step_mm, step_std_mm = (field.step_mm, field.step_std_mm) if field.step_free else step

    def places(inputs: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Where both edges lie on the panel, by step, depths and the field's parameters; (..., k) to (..., n, 2)."""
        step, more_a, more_b = (inputs[..., i, None] for i in range(3))
        # The frame's height 0 is the print; the face of its panel lies a strip's thickness below.
        up_a, up_b = -face_mm - depth_a - more_a * deep_a, step - face_mm - depth_b - more_b * deep_b
        return field.to_panel(px_a, up_a, inputs[..., 3:]), field.to_panel(px_b, up_b, inputs[..., 3:])

    inputs = np.array([step_mm, 0.0, 0.0, *field.params])
    a, b = places(inputs)
    normals = line.normals[pick]
    whole = n == len(ok)
    if closed:
        station_mm = float(line.s_mm[1] - line.s_mm[0])
    if n > 2 * max(1, round(6 / station_mm)) and (whole or not own_line):  # long enough for directions of their own
        wrap = _WRAP * closed
        middle = 0.5 * (a + b)[np.arange(-wrap, n + wrap) % n]
        finer = normals_along(middle, station_mm)[wrap : n + wrap]
        normals = finer if (finer * normals).sum() > 0 else -finer
    # Outline of a roll seen at an angle lies outside its extreme point by r (1/cos a - 1): the gap reads too small.
    rolls = sum((1 - e.kind.cut_chance) * e.kind.roll_mm for e in (edge_a, edge_b))
    hidden = rolls * (1 / np.cos(angle) - 1)

    def gap_at(inputs: FloatArray) -> FloatArray:
        a, b = places(inputs)
        out: FloatArray = ((b - a) * normals).sum(-1) + hidden
        return out

    gap = gap_at(inputs)
    field_std = np.sqrt(np.maximum(np.diag(field.covariance), 1e-30))
    moved = sensitivities(gap_at, inputs, [step_std_mm, 1.0, 1.0, *field_std])
    by_step, by_depths, by_field = moved[0], moved[1:3], moved[3:]
    if own_line:
        offset_a, offset_b = (((edge - line.points[pick]) * line.normals[pick]).sum(1) for edge in (a, b))
    else:
        offset_a, offset_b = straight_offsets(a, b, normals)
    std_a, std_b = edge_a.std_mm[pick], edge_b.std_mm[pick]
    unsure = np.interp(np.hypot(std_a, std_b), _UNSURE_MM, (0, alone))
    aside = 1 + (_ASIDE_FACTOR - 1) * unsure * np.interp(np.degrees(np.abs(angle)), _ASIDE_DEG, (0, 1))
    std_a, std_b = aside * std_a, aside * std_b
    parts = {
        # Where an edge jumps, either course may be the metal's.
        "edge": combine([std_a, std_b, *(jump_mm(o, station_mm) / COVERAGE_FACTOR for o in (offset_a, offset_b))]),
        # Pose, lens, bends, as the covariance of the fit ties them together; the step acts through the heights, apart.
        "scale": np.hypot(combine(by_field, field.covariance / np.outer(field_std, field_std)), gap * field.strain),
        "print_scale": gap * print_scale_std(print_scale_checked),
        "tilt_step": np.abs(by_step),
        "depth": combine(by_depths),
        "rim": combine([rim_part(edge_a, angle), rim_part(edge_b, -angle)]),
        "corner": np.full(n, corner_part(corner_a, corner_b)),
        "picture": 2 * np.broadcast_to(picture_mm, len(ok))[pick],
        "repeat": np.full(n, scatter(gap)),
        "no_gap": (gap / COVERAGE_FACTOR) * doubted,
    }
    s_mm, round_mm = line.s_mm[pick], None
    if closed and n:  # by the gap's own middle, which the line only comes near
        s_mm, round_mm = arc_along(0.5 * (a + b), closed=True)
        station_mm = round_mm / len(ok)
    return GapProfile(
        s_mm=s_mm,
        gap_mm=gap,
        expanded_u_mm=COVERAGE_FACTOR * combine(list(parts.values())),
        edge_a_px=px_a,
        edge_b_px=px_b,
        edge_a_mm=offset_a,
        edge_b_mm=offset_b,
        edge_a_u_mm=COVERAGE_FACTOR * std_a,
        edge_b_u_mm=COVERAGE_FACTOR * std_b,
        parts_mm=parts,
        spacing_mm=station_mm,
        own_line=own_line,
        round_mm=round_mm,
    )


def _depths(edge: EdgeReading, faces_camera: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Depth of the visible outline and its standard uncertainty at each station [mm]."""
    there, away = outline_depth(edge, True), outline_depth(edge, False)
    return (
        np.where(faces_camera, there.depth_mm, away.depth_mm),
        np.where(faces_camera, there.depth_std_mm, away.depth_std_mm),
    )


def rim_part(edge: EdgeReading, facing: FloatArray) -> FloatArray:
    """A cut edge that faces the camera shows its face too: read as panel, the edge would lie up to its lower rim.

    ``facing`` is the angle at which the camera sees that face [rad]; below 0 it is hidden.
    """
    if edge.kind.kind == "rolled" or edge.silhouette:
        return np.zeros_like(facing)
    out: FloatArray = edge.rim_share * _SHEET_MM * np.tan(np.maximum(facing, 0.0))
    return out


def outline_depth(edge: EdgeReading, faces_camera: bool) -> EdgeKind:
    """How deep the visible outline lies: over a bright gap, that of a cut edge facing the camera is its lower rim."""
    kind, cut = edge.kind, edge.kind.cut_chance
    if not edge.silhouette or not faces_camera or cut <= 0:
        return kind
    # One of two: cut, and then the lower rim shows, or rolled.
    mean = cut * _SHEET_MM + (1 - cut) * kind.roll_mm
    square = cut * (_SHEET_MM**2 + _SHEET_STD_MM**2) + (1 - cut) * (kind.roll_mm**2 + kind.roll_std_mm**2)
    return replace(kind, depth_mm=mean, depth_std_mm=float(np.sqrt(square - mean**2)))


def corner_part(cut_a: FloatArray | float, cut_b: FloatArray | float) -> FloatArray:
    """What broken corners leave of a gap's doubt after ``CORNER_MM``, standard uncertainty [mm].

    Parameters
    ----------
    cut_a, cut_b : float or ndarray
        Chance that the edge is cut and its gap dark.
    """
    both = np.add(cut_a, cut_b)
    return np.asarray(np.hypot(_CORNER_STD_MM * both, _CORNER_OWN_STD_MM * np.hypot(cut_a, cut_b)), float)


def scatter(gap: FloatArray) -> float:
    """Station-to-station scatter of the gap [mm]: second differences, robust."""
    if len(gap) < 8:
        return 0.0
    second = gap[2:] - 2 * gap[1:-1] + gap[:-2]
    return float(1.4826 * np.median(np.abs(second - np.median(second))) / np.sqrt(6))


def straight_offsets(a: FloatArray, b: FloatArray, normals: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Offsets of both edges across the seam from the line of their middle (least perpendicular distances).

    Parameters
    ----------
    a, b, normals : ndarray, shape (n, 2)
        Places of the edges on the panel [mm], and unit normals from A to B.

    Returns
    -------
    offset_a, offset_b : ndarray, shape (n,)
        Positive towards B [mm].
    """
    if len(a) < 2:
        return np.zeros(len(a)), np.zeros(len(a))
    line = fit_total_line(*(0.5 * (a + b)).T)
    left = np.array([-line.direction[1], line.direction[0]])
    way = 1.0 if (normals @ left).sum() > 0 else -1.0
    return way * line.distances(*a.T), way * line.distances(*b.T)
