"""The whole recipe: a photo in, a measurement out."""

from __future__ import annotations

from dataclasses import asdict, replace

import numpy as np
from numpy.typing import NDArray

from gapvision import METHOD_VERSION
from gapvision.codes import CODES
from gapvision.errors import GapvisionError
from gapvision.limits import LEAST_PX_PER_TOLERANCE
from gapvision.model import (
    COVERAGE_FACTOR,
    FittedField,
    GapProfile,
    GapSummary,
    Measurement,
    Notice,
    Photo,
    ScaleInfo,
    Settings,
    Step,
    Straightness,
    StripView,
)
from gapvision.vision import quality as q
from gapvision.vision.band import Band, CentreLine, sample_band
from gapvision.vision.detect import find_strips
from gapvision.vision.edges import SeamEdges, find_edges, is_unfamiliar
from gapvision.vision.field import fit_field
from gapvision.vision.gap import RIM_SHARE_LEARNED, RIM_SHARE_RULES, STEP_UNKNOWN, EdgeReading, build_profile
from gapvision.vision.known import known_notices, weigh
from gapvision.vision.placing import EdgeKind
from gapvision.vision.seam import SeamFind, find_seam, recentre
from gapvision.vision.steps import RULES

FloatArray = NDArray[np.float64]

_EDGE_HEIGHT_MM = -1.5  # where the band is drawn: a strip's thickness and a usual edge's depth below the print
_CENTRED_MM = 0.8  # within what the detector is used to: a second look changes little
_TILT_COUNTS_DEG = 5.0
_REFUSE_TILT_DEG = 35.0
_LIFTED_RMS_PX = 0.8
_TRUSTED_U_MM = 0.25
_STROKE_MM = 1.7  # chalk and felt-pen lines are 1 to 1.5 mm wide; common practice, no source


def measure_photo(photo: Photo, settings: Settings | None = None) -> Measurement:
    """Measure the gap along the seam in one photo.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    settings : Settings, optional
        How to measure.

    Returns
    -------
    Measurement
        Status ``ok`` or ``warn`` with a profile, or ``refused`` with the reason; never raises for a bad photo.
    """
    settings = settings or Settings()
    try:
        return _measure(photo, settings)
    except GapvisionError as error:
        if CODES[error.code].kind != "refusal":
            raise
        notice = Notice(code=error.code, message=error.message, advice=error.next_step)
        return Measurement(
            status="refused",
            notices=(notice,),
            photo_file=photo.file,
            photo_sha256=photo.sha256,
            width_px=photo.width_px,
            height_px=photo.height_px,
            taken_at=photo.taken_at,
            settings=_settings_dict(settings),
            method_version=METHOD_VERSION,
        )


def _settings_dict(settings: Settings) -> dict[str, object]:
    return asdict(settings)


def _measure(photo: Photo, settings: Settings) -> Measurement:
    scale = (settings.print_scale_along, settings.print_scale_across)
    views = _strips(photo, scale)
    quality = q.strip_quality(photo, views)
    notices: list[Notice] = []
    for notice in q.quality_notices(quality):
        if notice.kind == "refusal":
            raise GapvisionError(notice.code, notice.message, notice.advice)
        notices.append(notice)
    size = (photo.width_px, photo.height_px)
    flat = fit_field(views, size, photo.focal_35mm_mm, scale)
    hint = np.array(settings.seam_hint_px, float) if settings.seam_hint_px else None
    found = find_seam(photo, flat, views, settings.station_mm, hint)
    field, line, sides = _orient(views, size, photo, scale, flat, found)
    band, edges, line = _edges(photo, field, line, settings)
    tilt = float(np.median(np.abs(band.sight_deg[0])))
    if tilt > _REFUSE_TILT_DEG:
        raise GapvisionError("tilt-too-large", f"The camera looked at the seam {tilt:.0f} degrees from the side.")
    told_a, told_b = (
        weigh(seen, known) for seen, known in zip((edges.kind_a, edges.kind_b), settings.known_edges, strict=True)
    )
    step = settings.known_step
    step_from = "strips" if field.step_free else "assumed" if step is None else "stated"
    step_used = {
        "strips": (field.step_mm, field.step_std_mm),
        "assumed": STEP_UNKNOWN,
        "stated": (0.0, 0.0) if step is None else (step.mean_mm, step.expanded_u_mm / COVERAGE_FACTOR),
    }[step_from]
    profile = build_profile(
        field,
        band,
        _EDGE_HEIGHT_MM,
        _reading(edges, edges.t_a_mm, edges.std_a_mm, told_a.kind),
        _reading(edges, edges.t_b_mm, edges.std_b_mm, told_b.kind),
        print_scale_checked=settings.print_scale_checked,
        station_mm=settings.station_mm,
        side_b_first=set(sides.values()) == {"B"},
        step=step_used,
    )
    if len(profile.s_mm) < 10:
        raise GapvisionError("edges-not-found")
    if float(np.median(profile.gap_mm)) < _STROKE_MM and hint is None:
        raise GapvisionError("gap-out-of-frame" if found.cut_by_frame else "line-too-narrow")
    notices += _notices(photo, views, settings, field, found, band, edges, profile, tilt)
    seen_step = (
        Step(mean_mm=field.step_mm, expanded_u_mm=COVERAGE_FACTOR * field.step_std_mm) if field.step_free else None
    )
    notices += known_notices({"A": told_a, "B": told_b}, step, seen_step, min(sides), len(set(sides.values())) == 1)
    straight_a, straight_b, kind = _straightness(profile)
    info = ScaleInfo(
        px_per_mm=float(np.median(band.px_per_mm)),
        print_scale_along=scale[0],
        print_scale_across=scale[1],
        print_scale_checked=settings.print_scale_checked,
        strips=tuple(sorted(field.letters)),
        tilt_across_deg=float(np.median(band.sight_deg[0])),
        tilt_along_deg=float(np.median(band.sight_deg[1])),
        distance_mm=float(np.median(field.distance_mm(band.line.points))),
        focal_px=field.focal_px,
        focal_source=field.focal_source,
        residual_rms_px=_rms_px(field, views),
        strip_sides=sides,
    )
    order = {"warning": 0, "note": 1}
    notices.sort(key=lambda x: order[x.kind])
    status = "warn" if any(x.kind == "warning" for x in notices) else "ok"
    return Measurement(
        status=status,
        notices=tuple(notices),
        photo_file=photo.file,
        photo_sha256=photo.sha256,
        width_px=photo.width_px,
        height_px=photo.height_px,
        taken_at=photo.taken_at,
        scale=info,
        profile=profile,
        summary=_summary(profile),
        step=seen_step,
        straightness_a=straight_a,
        straightness_b=straight_b,
        seam_kind=kind,
        edges_method=edges.method,
        settings=_settings_dict(settings),
        method_version=METHOD_VERSION,
        gap_lit="bright" if edges.bright_share > 0.5 else "dark",
        camera={
            "edge_a": told_a.kind.kind,
            "edge_b": told_b.kind.kind,
            "edge_a_depth_mm": told_a.kind.depth_mm,
            "edge_b_depth_mm": told_b.kind.depth_mm,
            "edge_a_depth_std_u_mm": told_a.kind.depth_std_mm,
            "edge_b_depth_std_u_mm": told_b.kind.depth_std_mm,
            "edge_a_from": told_a.source,
            "edge_b_from": told_b.source,
            "step_from": step_from,
            "step_used_mm": step_used[0],
            "step_used_std_u_mm": step_used[1],
            "blur_px": quality.blur_px,
            "seam_score": found.score,
            "rival_seam": found.rival,
            "burnt_panel_share": edges.over_share,
        },
    )


def _strips(photo: Photo, scale: tuple[float, float]) -> list[StripView]:
    views = find_strips(photo, *scale)
    if not views:
        notice = q.no_strip_notice(photo)
        raise GapvisionError(notice.code, notice.message, notice.advice)
    # A strip of which little shows helps only beside one that shows well.
    if max(len(v.corner_ids) for v in views) < 8 or not any(_spread(v) >= 60.0 for v in views):
        raise GapvisionError("too-few-corners")
    return [v for v in views if len(v.corner_ids) >= 6]


def _spread(view: StripView) -> float:
    return float(np.ptp(view.corners_mm[:, 0]))


def _orient(
    views: list[StripView],
    size: tuple[int, int],
    photo: Photo,
    scale: tuple[float, float],
    flat: FittedField,
    found: SeamFind,
) -> tuple[FittedField, CentreLine, dict[str, str]]:
    """Name the sides, fit the field again with the step between the panels free, and carry the centre line over."""
    letters = sorted(found.sides)
    first = found.sides[letters[0]]
    both = len(set(found.sides.values())) == 2
    if both:
        up_is_a = first == "up"
    else:
        # Strips on one side only: it carries the lowest letter in view, so its panel is A.
        up_is_a = first == "up"
    sides = {k: "A" if (v == "up") == up_is_a else "B" for k, v in found.sides.items()}
    # The normal of the centre line points to larger t ("down" in the frame).
    normals = found.line.normals if up_is_a else -found.line.normals
    side_b = frozenset(k for k, v in sides.items() if v == "B")
    if not both:
        return flat, replace(found.line, normals=normals), sides
    px = flat.project(found.line.points)
    field = fit_field(views, size, photo.focal_35mm_mm, scale, side_b, start=flat)
    points = field.to_panel(px)
    ahead = np.gradient(points, axis=0)
    k = 6
    ahead = np.stack(
        [
            np.convolve(np.pad(ahead[:, i], k, mode="edge"), np.ones(2 * k + 1) / (2 * k + 1), mode="valid")
            for i in range(2)
        ],
        1,
    )
    ahead /= np.linalg.norm(ahead, axis=1, keepdims=True)
    cross = np.stack([-ahead[:, 1], ahead[:, 0]], 1)
    # Towards B: away from the strips of A.
    place = {letter: np.array(field.strip_place(i)[:2]) for i, letter in enumerate(field.letters)}
    mean_b = np.mean([place[k2] for k2 in side_b], axis=0)
    mean_a = np.mean([place[k2] for k2 in sides if k2 not in side_b], axis=0)
    if (cross * (mean_b - mean_a)).sum(1).mean() < 0:
        cross = -cross
    return field, replace(found.line, points=points, normals=cross), sides


def _edges(
    photo: Photo, field: FittedField, line: CentreLine, settings: Settings
) -> tuple[Band, SeamEdges, CentreLine]:
    """Edges on the band; once more with the band's middle on the gap's middle, where it was far from it."""
    band = sample_band(photo, field, line, _EDGE_HEIGHT_MM, settings.station_mm)
    edges = find_edges(band, settings.edges)
    if float(np.quantile(np.abs(edges.middle_mm), 0.95)) < _CENTRED_MM:
        return band, edges, line
    for _ in range(2):
        new = recentre(line, edges.middle_mm, settings.station_mm)
        moved = float(np.median(np.abs(edges.middle_mm)))
        line = new
        band = sample_band(photo, field, line, _EDGE_HEIGHT_MM, settings.station_mm)
        edges = find_edges(band, settings.edges)
        if moved < 0.8:
            break
    return band, edges, line


def _rms_px(field: FittedField, views: list[StripView]) -> float:
    """What the field leaves at the strips' corners, root of the mean square [px]."""
    left = np.concatenate([field.residual_px(v) for v in views])
    return float(np.sqrt((left**2).mean()))


def _reading(edges: SeamEdges, t_mm: FloatArray, std_mm: FloatArray, kind: EdgeKind) -> EdgeReading:
    return EdgeReading(
        t_mm=t_mm,
        std_mm=std_mm,
        kind=kind,
        silhouette=edges.silhouette_share > 0.5,
        rim_share=RIM_SHARE_RULES if edges.method == RULES else RIM_SHARE_LEARNED,
    )


def _notices(
    photo: Photo,
    views: list[StripView],
    settings: Settings,
    field: FittedField,
    found: SeamFind,
    band: Band,
    edges: SeamEdges,
    profile: GapProfile,
    tilt: float,
) -> list[Notice]:
    out = []
    if _rms_px(field, views) > _LIFTED_RMS_PX:
        out.append(Notice(code="strip-lifted"))
    if found.rival > 0.72 and settings.seam_hint_px is None:
        out.append(Notice(code="two-seams"))
    if (
        edges.over_share > 0.7
        and float((photo.grey[::8, ::8] >= (250 if photo.grey.dtype == np.uint8 else 64250)).mean()) > 0.05
    ):
        out.append(Notice(code="edge-overexposed"))
    if edges.under_share > 0.5:
        out.append(Notice(code="edge-underexposed"))
    out += _doubt_notices(profile, len(band.line.s_mm), tilt, _what_helps(settings, field.step_free))
    if settings.edges == "auto" and edges.method == RULES and is_unfamiliar(band):
        out.append(Notice(code="seam-unfamiliar"))
    if edges.burnt_share > 0.3:
        out.append(Notice(code="gap-burnt-out"))
    if not settings.print_scale_checked:
        out.append(Notice(code="print-scale-unchecked"))
    if not field.step_free and settings.step_mm is None:
        out.append(Notice(code="step-unknown"))
    if photo.focal_35mm_mm is None:
        out.append(Notice(code="focal-unknown"))
    px_per_mm = float(np.median(band.px_per_mm))
    if settings.tolerance_mm is not None and px_per_mm * settings.tolerance_mm < LEAST_PX_PER_TOLERANCE.value:
        out.append(Notice(code="resolution-low"))
    hidden = [v.letter for v in views if len(v.corner_ids) < 28]
    if hidden:
        out.append(
            Notice(
                code="strip-damaged",
                message=f"Part of strip {', '.join(hidden)} is hidden, dirty, torn or out of view.",
            )
        )
    return out


def _what_helps(settings: Settings, both_sides: bool) -> str:
    """What the user could still state that a tilted photo does not tell; begins with a blank, or is empty."""
    out = ""
    if not both_sides and settings.step_mm is None:
        out += " A strip on each side would tell the step between the panels; or measure it by hand and state it."
    if None in settings.known_edges:
        out += " State how the edges are made, cut or rolled, if you know it."
    return out


def _doubt_notices(profile: GapProfile, stations: int, tilt: float, helps: str) -> list[Notice]:
    """What keeps the stations from being trusted, and what to do about it."""
    sure = float((profile.expanded_u_mm <= _TRUSTED_U_MM).sum()) / stations
    if sure >= 0.5:
        return [Notice(code="coverage-low")] if len(profile.s_mm) < 0.7 * stations else []
    size = {name: float(np.median(part)) for name, part in profile.parts_mm.items()}
    edge = float(np.hypot(size["edge"], size["repeat"]))
    tilted = float(np.hypot(size["tilt_step"], np.hypot(size["depth"], size["rim"])))
    if max(tilted, edge) < size["print_scale"]:
        return [Notice(code="print-scale-matters")]
    out = []
    if tilted > 0.6 * edge and tilt > _TILT_COUNTS_DEG:
        message = f"The camera looked at the seam {tilt:.0f} degrees from the side.{helps}"
        out.append(Notice(code="tilt-large", message=message))
    if edge > 0.6 * tilted:
        out.append(Notice(code="edge-doubtful"))
    return out or [Notice(code="edge-doubtful")]


def _summary(profile: GapProfile) -> GapSummary:
    gap, s = profile.gap_mm, profile.s_mm
    slope = float(np.polyfit(s, gap, 1)[0]) if len(s) > 2 else 0.0
    return GapSummary(
        mean_mm=float(gap.mean()),
        min_mm=float(gap.min()),
        max_mm=float(gap.max()),
        std_mm=float(gap.std()),
        taper_mm_per_m=1000 * slope,
    )


def _straightness(profile: GapProfile) -> tuple[Straightness | None, Straightness | None, str]:
    from gapvision.geometry.edge_form import judge_edges

    return judge_edges(profile)
