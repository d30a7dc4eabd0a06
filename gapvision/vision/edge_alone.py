"""One edge alone: an aperture whose cover is not there yet.  Its line on the panel, and how well that is known.

Where it may run is told by light that changes at once and stays changed.  Where in that change it lies is found as with
a gap: what shows beyond the edge is mirrored, so that the picture is that of a gap with two such edges, which the eye
and its trust know.  No gap comes out of it: U is that of the edge's place within its own line, shift and turn of the
whole left out, because a template is laid on by hand.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.geometry.edge_form import jump_mm
from gapvision.geometry.uncertainty import combine, sensitivities
from gapvision.limits import print_scale_std
from gapvision.model import COVERAGE_FACTOR, FittedField, FloatArray, Photo, StripView
from gapvision.model.edge_line import EdgeProfile
from gapvision.targets.strip import FACE_HEIGHT_MM
from gapvision.vision.band import Band, CentreLine, arc_along, normals_along, sample_band
from gapvision.vision.closed import (
    close_line,
    edge_evidence,
    find_round,
    once,
    over_the_end,
    strip_sides,
)
from gapvision.vision.edges import SeamEdges, find_edges
from gapvision.vision.gap import CORNER_MM, EdgeReading, corner_part, outline_depth, rim_part, scatter
from gapvision.vision.rises import along
from gapvision.vision.seam import best_path, line_through, search_view, smooth

#: The middle of the mirrored picture lies so far beyond the edge: half of a usual gap [mm].
BEYOND_MM = 2.4
_MIN_SCORE = 0.20
_RIVAL_SHARE, _RIVAL_ROWS = 0.6, 24
_WIDE_MM = 24.0  # half of the band in which a second edge is looked for
_SECOND_MM = (1.2, 16.0)  # where it would lie beyond the first
_SECOND_SHARE, _BACK_SHARE = 0.5, 0.6
_STAYS_MM = 2.0


@dataclass(frozen=True, slots=True, eq=False)
class EdgeFind:
    """Roughly where the edge runs.

    Attributes
    ----------
    line : CentreLine
        Stations along it; normals point away from the panel.
    closed : bool
        Whether it closes.
    rival : float
        Evidence for the next best line elsewhere, relative to it.
    """

    line: CentreLine
    closed: bool
    rival: float


def find_edge_line(
    photo: Photo,
    field: FittedField,
    views: list[StripView],
    station_mm: float,
    hint_px: FloatArray | None = None,
    closed: bool = False,
) -> EdgeFind:
    """Find the line of one edge alone beside the strips, or all round.

    Parameters
    ----------
    photo, field, views
        Upright photo, field fitted to its strips, and those strips.
    station_mm : float
        Spacing of the stations.
    hint_px : ndarray, shape (k, 2), optional
        Points along it, given by a person.
    closed : bool
        The edge closes: it goes round a hole or a lid.

    Raises
    ------
    GapvisionError
        ``edge-not-found``, ``strips-on-both-sides``.
    """
    if closed:
        try:
            found = find_round(photo, field, views, station_mm, hint_px, looks_like="edge")
        except GapvisionError as error:
            raise GapvisionError("edge-not-found") from error
        sides = set(strip_sides(found, field, views).values())
        if len(sides) > 1:
            raise GapvisionError("strips-on-both-sides")
        line = found.line if sides == {"out"} else replace(found.line, normals=-found.line.normals)
        return EdgeFind(line, found.closed, found.rival)
    turn, boxes, view, blocked = search_view(photo, field, views)
    score = edge_evidence(np.where(blocked, np.nan, view.linear).astype(np.float32))
    if hint_px is not None:
        hint = field.to_panel(np.asarray(hint_px, float)) @ turn
        hint = hint[np.argsort(hint[:, 0])]
        slope, start = np.polyfit(hint[:, 0], hint[:, 1], 1)
        wanted = np.interp(view.s_mm, hint[:, 0], hint[:, 1])
        outside = (view.s_mm < hint[0, 0]) | (view.s_mm > hint[-1, 0])
        wanted = np.where(outside, start + slope * view.s_mm, wanted)
        score = np.where(np.abs(view.t_mm[:, None] - wanted) > 6.0, -1.0, score)
    path, mean = best_path(score)
    if mean < _MIN_SCORE:
        raise GapvisionError("edge-not-found")
    t = smooth(view.t_mm[path], 9)
    up = {t0 < np.interp(s0, view.s_mm, t) for s0, t0, _ in boxes}
    if len(up) > 1:
        raise GapvisionError("strips-on-both-sides")
    rest = np.where(np.abs(np.arange(len(view.t_mm))[:, None] - path) < _RIVAL_ROWS, 0.0, score)
    shows = np.isfinite(view.linear[path, np.arange(len(path))])
    course = np.stack([view.s_mm, t], 1)[np.flatnonzero(shows)[0] : np.flatnonzero(shows)[-1] + 1]
    line = line_through(course @ turn.T, station_mm)
    outwards = turn @ np.array([0.0, 1.0 if up == {True} else -1.0])
    if float((line.normals @ outwards).sum()) < 0:
        line = replace(line, normals=-line.normals)
    return EdgeFind(line, False, best_path(rest)[1] / mean)


def has_rival(found: EdgeFind) -> bool:
    """Whether another line looks nearly as much like the edge."""
    return found.rival > _RIVAL_SHARE


@dataclass(frozen=True, slots=True, eq=False)
class EdgeSeen:
    """The edge as it was placed.

    Attributes
    ----------
    rectified : Band
        Along it, its middle ``BEYOND_MM`` beyond the edge, mirrored there.
    edges : SeamEdges
        Of the mirrored picture: edge A is the edge.
    closed : bool
        Whether it closes; each station is then there once.
    """

    rectified: Band
    edges: SeamEdges
    closed: bool


def place_line(
    photo: Photo, field: FittedField, found: EdgeFind, height_mm: float, station_mm: float, method: str
) -> EdgeSeen:
    """Place the edge along the line that was found, on a line that is moved on to it.

    Parameters
    ----------
    photo, field, found
        The photo, its map, and the line.
    height_mm : float
        Height at which the picture along it is drawn [mm].
    station_mm : float
        Spacing of the stations [mm].
    method : str
        As for :func:`gapvision.vision.edges.find_edges`.
    """
    line = _moved(found.line, np.full(len(found.line.s_mm), BEYOND_MM), found.closed, station_mm)
    for look in range(3):
        whole = over_the_end(line) if found.closed else line
        apart = float(whole.s_mm[1] - whole.s_mm[0])
        band = _mirrored(sample_band(photo, field, whole, height_mm, apart))
        edges = find_edges(band, method)
        if found.closed:
            band, edges = once(band, edges)
        off = _filled(edges.t_a_mm) + BEYOND_MM
        if look == 2 or not np.isfinite(off).any() or float(np.quantile(np.abs(off), 0.95)) < 0.5:
            break
        line = _moved(line, off, found.closed, station_mm)
    return EdgeSeen(band, edges, found.closed)


def _filled(values: FloatArray) -> FloatArray:
    ok = np.isfinite(values)
    return np.interp(np.arange(len(values)), np.flatnonzero(ok), values[ok]) if ok.any() else values


def _moved(line: CentreLine, by_mm: FloatArray, closed: bool, station_mm: float) -> CentreLine:
    """The line moved along its normals by a smooth course of what is given."""
    k = 15 if closed else 0
    n = len(by_mm)
    smoothed = smooth(by_mm[np.arange(-k, n + k) % n], 21)[k : n + k]
    points = line.points + line.normals * smoothed[:, None]
    new = close_line(points, station_mm, line.points[0]) if closed else line_through(points, station_mm)
    middle = len(new.normals) // 2
    nearest = int(np.argmin(np.linalg.norm(line.points - new.points[middle], axis=1)))
    return new if new.normals[middle] @ line.normals[nearest] > 0 else replace(new, normals=-new.normals)


def _mirrored(band: Band) -> Band:
    """The band with its far half as the mirror of its near one."""
    far = band.t_mm > 1e-6

    def mirror(image: NDArray[np.float32], rows: NDArray[np.bool_]) -> NDArray[np.float32]:
        return np.where(rows[:, None], image[..., ::-1, :], image)

    of_colour = np.arange(band.chroma.shape[1]) > band.chroma.shape[1] // 2
    return replace(
        band,
        linear=mirror(band.linear, far),
        peak=mirror(band.peak, far),
        chroma=np.stack([mirror(one, of_colour) for one in band.chroma]),
    )


def second_edge_mm(photo: Photo, field: FittedField, seen: EdgeSeen, height_mm: float) -> float | None:
    """How far beyond the edge another one lies along half of it, so that it does not stand alone; None: it does."""
    line = seen.rectified.line
    apart = float(line.s_mm[1] - line.s_mm[0])
    band = sample_band(photo, field, line, height_mm, apart, _WIDE_MM)
    log = along(np.log(np.where(np.isfinite(band.linear), band.linear, np.nan) + 0.004), 9)
    at = _filled(seen.edges.t_a_mm)
    if not np.isfinite(at).any():
        return None

    def level(from_mm: float, to_mm: float) -> FloatArray:
        rows = np.round((at + np.arange(from_mm, to_mm, 0.1)[:, None] - band.t_mm[0]) / 0.05).astype(int)
        ok = (rows >= 0) & (rows < len(log))
        values = log[np.clip(rows, 0, len(log) - 1), np.arange(len(at))[None]]
        return np.asarray(np.where(ok.any(0), np.nanmedian(np.where(ok, values, np.nan), axis=0), np.nan), float)

    panel, hole = level(-6.0, -2.5), level(0.4, 1.0)
    contrast = panel - hole
    first = np.full(len(at), np.nan)
    for x in np.arange(*_SECOND_MM, 0.4):
        before, behind = level(x - 0.8, x - 0.3), level(x + 0.5, x + 0.5 + _STAYS_MM)
        back = (behind - before) * np.sign(contrast) > _BACK_SHARE * np.abs(contrast)
        first = np.where(np.isnan(first) & back & (np.abs(contrast) > 0.2), x, first)
    there = np.isfinite(first)
    return float(np.median(first[there])) if there.mean() > _SECOND_SHARE else None


def build_edge(
    field: FittedField,
    seen: EdgeSeen,
    band_height_mm: float,
    edge: EdgeReading,
    *,
    print_scale_checked: bool,
    face_mm: float = FACE_HEIGHT_MM,
    picture_mm: FloatArray | float = 0.0,
) -> EdgeProfile:
    """The edge's line on the panel with its uncertainty, where it is trusted.

    Parameters
    ----------
    field : FittedField
        Fitted field.
    seen : EdgeSeen
        Where the edge was placed, drawn at ``band_height_mm``.
    edge : EdgeReading
        What is known of it before geometry.
    print_scale_checked : bool
        Whether the check lines were measured.
    face_mm : float
        Height of a strip's printed face above its panel [mm].
    picture_mm : float or ndarray, shape (n_s,)
        How far the edge may lie too far in or out, standard uncertainty [mm].
    """
    band, line = seen.rectified, seen.rectified.line
    pick = np.flatnonzero(np.isfinite(edge.t_mm))
    n, station_mm = len(pick), float(line.s_mm[1] - line.s_mm[0])
    corner = edge.kind.cut_chance * (not edge.silhouette)
    normals = line.normals[pick]
    px = field.project(line.points[pick] + (edge.t_mm[pick, None] + CORNER_MM * corner) * normals, band_height_mm)
    angle = np.radians(band.sight_deg[0])[pick]
    # Seen from beyond the edge the lower rim of a cut face shows, from over the panel the upper one.
    deep = [outline_depth(edge, faces) for faces in (False, True)]
    depth = np.where(angle > 0, deep[1].depth_mm, deep[0].depth_mm)
    depth_std = np.where(angle > 0, deep[1].depth_std_mm, deep[0].depth_std_mm)
    hidden = (1 - edge.kind.cut_chance) * edge.kind.roll_mm * (1 / np.cos(angle) - 1)

    def places(inputs: FloatArray) -> FloatArray:
        """Where the edge lies by its depth and the field's parameters, (..., k) to (..., n, 2)."""
        at = field.to_panel(px, -face_mm - depth - inputs[..., :1] * depth_std, inputs[..., 1:])
        return np.asarray(at - hidden[:, None] * normals, float)

    inputs = np.array([0.0, *field.params])
    place = places(inputs)
    spread = place - place.mean(0) if n else place
    field_std = np.sqrt(np.maximum(np.diag(field.covariance), 1e-30))
    moved = sensitivities(places, inputs, [1.0, *field_std]) if n else np.zeros((1 + len(field_std), 0, 2))
    across = np.stack([_of_form(one, spread, normals) for one in moved]) if n else np.zeros((len(moved), 0))
    larger = _of_form(spread, spread, normals) if n else np.zeros(0)
    far = np.linalg.norm(spread, axis=1)
    offset = ((place - line.points[pick]) * normals).sum(1)
    parts = {
        "edge": combine([edge.std_mm[pick], jump_mm(offset, station_mm) / COVERAGE_FACTOR]),
        "scale": np.hypot(combine(across[1:], field.covariance / np.outer(field_std, field_std)), far * field.strain)
        if n
        else np.zeros(0),
        "print_scale": np.abs(larger) * print_scale_std(print_scale_checked),
        "depth": np.abs(across[0]),
        "rim": rim_part(edge, angle),
        "corner": np.full(n, corner_part(corner, 0.0)),
        "picture": np.broadcast_to(picture_mm, len(edge.t_mm))[pick],
        "repeat": np.full(n, scatter(offset)),
    }
    s_mm, long = arc_along(place, seen.closed) if n else (np.zeros(0), 0.0)  # the line runs beside the edge
    return EdgeProfile(
        s_mm=s_mm,
        place_mm=place,
        outward=_outward(place, normals, station_mm, seen.closed and n == len(line.s_mm)),
        expanded_u_mm=COVERAGE_FACTOR * combine(list(parts.values())),
        edge_px=px,
        parts_mm=parts,
        spacing_mm=long / len(line.s_mm) if seen.closed else station_mm,
        round_mm=long if seen.closed else None,
    )


def _outward(place: FloatArray, normals: FloatArray, station_mm: float, whole: bool) -> FloatArray:
    """Directions square to the edge as it was measured, where its stations lie side by side; else the line's own."""
    n = len(place)
    if not whole or n < 30:
        return normals
    finer = normals_along(place[np.arange(-10, n + 10) % n], station_mm)[10:-10]
    return np.asarray(finer * np.sign((finer * normals).sum(1, keepdims=True)), float)


def _of_form(moved: FloatArray, spread: FloatArray, normals: FloatArray) -> FloatArray:
    """What a change of the places (n, 2) does across the edge, once shift and turn of the whole are taken out."""
    turned = np.stack([-spread[:, 1], spread[:, 0]], 1)
    angle = float((moved * turned).sum() / max(float((turned**2).sum()), 1e-9))
    rest = moved - moved.mean(0) - angle * turned
    return np.asarray((rest * normals).sum(1), float)
