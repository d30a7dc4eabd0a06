"""The recipe for one edge alone: a photo of an aperture in, the line of its edge out."""

from __future__ import annotations

import numpy as np

from gapvision import METHOD_VERSION
from gapvision.errors import GapvisionError
from gapvision.model import COVERAGE_FACTOR, EdgeAlone, EdgeProfile, Notice, Photo, Settings, StripView
from gapvision.recipe import (
    EDGE_HEIGHT_MM,
    Start,
    edge_kept,
    map_of,
    of_seen,
    reading_of,
    refusal_of,
    refuse_by,
    refuse_tilted,
    scale_seen,
    seen_photo,
)
from gapvision.targets.strip import FACE_HEIGHT_MM
from gapvision.vision.doubts import strip_notices
from gapvision.vision.edge_alone import (
    EdgeFind,
    EdgeSeen,
    build_edge,
    find_edge_line,
    has_rival,
    place_line,
    second_edge_mm,
)
from gapvision.vision.known import known_notices, weigh
from gapvision.vision.phone import picture_doubt
from gapvision.vision.proven import bias_left_in, edge_with_proof
from gapvision.vision.sheet import print_notices

_LEAST_STATIONS = 10
_TRUSTED_U_MM = 0.25
_MEASURED_SHARE, _SURE_SHARE, _BURNT_SHARE, _DARK_SHARE = 0.7, 0.5, 0.7, 0.5  # of the stations, as of a seam


def measure_edge(photo: Photo, settings: Settings | None = None) -> EdgeAlone:
    """Measure the line of one edge alone in one photo.

    Parameters
    ----------
    photo : Photo
        Upright photo; all its strips lie on the panel whose edge is meant.
    settings : Settings, optional
        How to measure: ``edge_a`` says how the edge is made, ``closed`` that it goes all round, ``seam_hint_px`` where
        it runs.

    Returns
    -------
    EdgeAlone
        Status ``ok`` or ``warn`` with a profile, or ``refused`` with the reason; never raises for a bad photo.
    """
    settings, seen = settings or Settings(), list[StripView]()
    try:
        return _measure(photo, settings, seen)
    except GapvisionError as error:
        return EdgeAlone(
            status="refused",
            notices=(refusal_of(error),),
            photo=seen_photo(photo, seen),
            settings=of_seen(settings, seen),
            method_version=METHOD_VERSION,
        )


def _measure(photo: Photo, settings: Settings, seen: list[StripView]) -> EdgeAlone:
    start = map_of(photo, settings, seen)
    settings, field, views = start.settings, start.flat, start.views
    notices = start.notices + strip_notices(field, views, photo.focal_35mm_mm, start.known)
    refuse_by(notices)
    hint = np.array(settings.seam_hint_px, float) if settings.seam_hint_px else None
    found = find_edge_line(photo, field, views, settings.station_mm, hint, settings.closed)
    placed = place_line(photo, field, found, EDGE_HEIGHT_MM, settings.station_mm, settings.edges)
    band, edges = placed.rectified, placed.edges
    if not settings.closed:
        refuse_tilted(band)
    if np.isfinite(edges.t_a_mm).sum() < _LEAST_STATIONS:
        raise GapvisionError("edge-not-found")
    second = second_edge_mm(photo, field, placed, EDGE_HEIGHT_MM)
    if second is not None:
        raise GapvisionError(
            "edge-not-alone", f"Another edge lies about {second:.0f} mm beyond this one, so it is a gap."
        )
    told = weigh(edges.kind_a, settings.known_edges[0])
    picture = picture_doubt(start.quality, band.px_per_mm, field.project(band.line.points), lit=edges.lit)
    profile = build_edge(
        field, placed, EDGE_HEIGHT_MM, reading_of(edges, "a", told, picture), print_scale_checked=start.to_scale,
        face_mm=settings.strip_thickness_mm or FACE_HEIGHT_MM, picture_mm=picture.common_mm,
    )  # fmt: skip
    if start.proof is not None:
        profile = edge_with_proof(profile, start.proof)
    sides = {view.letter: "A" for view in views}
    notices += bias_left_in(start.of_phone) + print_notices(views, settings)
    notices += known_notices({"A": told}, None, None, min(sides))
    notices += [Notice(code=code) for code, holds in _doubts(start, photo, profile, placed, found).items() if holds]
    notices.sort(key=lambda notice: notice.kind == "note")
    return EdgeAlone(
        status="warn" if any(notice.kind == "warning" for notice in notices) else "ok",
        notices=tuple(notices),
        photo=seen_photo(photo, views, field),
        scale=scale_seen(start.to_scale, views, field, band, sides),
        profile=profile,
        edge=edge_kept(told, edges.burnt_a_share),
        settings=settings,
        method_version=METHOD_VERSION,
    )


def _doubts(
    start: Start, photo: Photo, profile: EdgeProfile, placed: EdgeSeen, found: EdgeFind
) -> dict[str, bool]:
    """Which warnings and notes hold."""
    settings = start.settings
    stations, edges = len(placed.rectified.line.s_mm), placed.edges
    own = np.hypot(profile.parts_mm["edge"], profile.parts_mm["repeat"])
    sure = float((COVERAGE_FACTOR * own <= _TRUSTED_U_MM).sum()) / stations
    return {
        "edge-has-rival": has_rival(found) and settings.seam_hint_px is None,
        "edge-in-part": settings.closed and not found.closed,
        "coverage-low": len(profile.s_mm) < _MEASURED_SHARE * stations,
        "edge-doubtful": sure < _SURE_SHARE,
        "edge-overexposed": edges.over_share > _BURNT_SHARE,
        "edge-underexposed": edges.under_share > _DARK_SHARE,
        "edge-size-unsure": bool(np.median(profile.parts_mm["scale"]) > _TRUSTED_U_MM / COVERAGE_FACTOR),
        "print-scale-matters": bool(np.median(profile.parts_mm["print_scale"]) > _TRUSTED_U_MM / COVERAGE_FACTOR),
        "focal-unknown": photo.focal_35mm_mm is None,
    }
