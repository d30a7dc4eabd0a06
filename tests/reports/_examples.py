"""Measurements made by hand for the report tests: every field has a value of its own."""

from __future__ import annotations

from typing import Any

import numpy as np

from gapvision.model import (
    Edge,
    FittedField,
    GapProfile,
    GapSummary,
    LeftOut,
    Measurement,
    Notice,
    ScaleInfo,
    SeamQuality,
    SeenPhoto,
    Settings,
    Step,
    Straightness,
    StripView,
)
from gapvision.targets.strip import corners_mm


def profile(s: np.ndarray, gap: np.ndarray, u: float = 0.1) -> GapProfile:
    n = len(s)
    px = np.stack([100 + 8 * s, 500 + 0 * s], 1)
    return GapProfile(
        s_mm=s, gap_mm=gap, expanded_u_mm=np.full(n, u), edge_a_px=px, edge_b_px=px + np.array([0.25, 38.125]),
        edge_a_mm=-gap / 2, edge_b_mm=gap / 2, edge_a_u_mm=np.full(n, 0.07), edge_b_u_mm=np.full(n, 0.08),
        parts_mm={"edge": np.full(n, 0.03), "scale": np.full(n, 0.01)}, spacing_mm=1.0,
    )  # fmt: skip


def seen_photo() -> SeenPhoto:
    """A photo with a whole strip and a part of another, and a map that fits no photo; every number its own."""
    scales, sheets = {"A": (0.995, 1.005), "E": (1.0125, 0.9875)}, {"A": 407122947, "E": None}
    strips = tuple(
        StripView(
            letter=letter, corner_ids=ids, corners_px=np.stack([310.1 + ids / 3, 400.7 * (1 + ids)], 1),
            corners_mm=corners_mm()[ids, :2] * scales[letter], print_scale=scales[letter], sheet=sheets[letter],
        )
        for letter, ids in (("A", np.arange(38)), ("E", np.array([3, 4, 7, 22, 30, 37])))
    )  # fmt: skip
    rng = np.random.default_rng(1)
    root = rng.normal(size=(18, 18))
    params = rng.normal(size=18) / 7
    params[0], params[14] = 8.0, 300.0
    field = FittedField(
        params=params, covariance=root @ root.T, letters=("E", "A"), raised=("A",), size_px=(4032, 3024),
        print_scales=(scales["E"], scales["A"]), focal_source="exif", noise_px=0.0412345678,
    )  # fmt: skip
    return SeenPhoto(
        file="Tür ½.jpg", sha256="ab" * 32, width_px=4032, height_px=3024, taken_at="2026-03-14T10:20:30",
        strips=strips, field=field,
    )  # fmt: skip


def measured(**changes: Any) -> Measurement:
    s = np.concatenate([np.arange(0.0, 60), np.arange(80.0, 120)])
    gap = 4.76 + np.where((s >= 20) & (s < 30), 0.9, 0.0) - np.where(s >= 110, 0.8, 0.0)
    values: dict[str, Any] = {
        "status": "warn",
        "notices": (Notice(code="edge-doubtful"), Notice(code="step-unknown", message="No step known.")),
        "photos": (seen_photo(),),
        "scale": ScaleInfo(
            px_per_mm=8.125, print_scale_along=0.995, print_scale_across=1.005, print_scale_checked=True,
            print_scale_u=0.002,
            print_scale_along_u=0.0015,
            strips=("A", "E"),
            tilt_across_deg=3.5, tilt_along_deg=-1.25, distance_mm=312.5, focal_px=3050.5, focal_source="exif",
            residual_rms_px=0.125, strip_sides={"A": "A", "E": "B"},
        ),
        "profile": profile(s, gap),
        "summary": GapSummary(mean_mm=4.77, min_mm=3.96, max_mm=5.66, std_mm=0.25, taper_mm_per_m=-1.5),
        "step_used": Step(mean_mm=-0.5, expanded_u_mm=0.2),
        "straightness_a": Straightness(
            min_zone_mm=0.31, lsq_mm=0.35, expanded_u_mm=0.09, span_mm=119.0, worst_100_mm=0.28, worst_100_from_mm=12.0
        ),
        "straightness_b": Straightness(min_zone_mm=0.41, lsq_mm=0.45, expanded_u_mm=0.08, span_mm=119.0),
        "seam_kind": "straight", "edges_method": "rules", "method_version": 3, "gap_lit": "bright",
        "edge_a": Edge(
            kind="rolled", source="stated", depth_mm=1.4, depth_std_u_mm=0.2, radius_mm=1.4, radius_u_mm=0.4,
            burnt_share=0.25,
        ),
        "edge_b": Edge(kind="other", source="stated", contradicted=True, depth_mm=0.8, depth_std_u_mm=0.7),
        "quality": SeamQuality(blur_px=1.25, seam_score=0.9, rival_seam=0.5, burnt_panel_share=0.125),
        "settings": Settings(
            print_scale_along=0.995, print_scale_across=1.005, print_scale_checked=True,
            seam_hint_px=((100.5, 500.0), (900.0, 501.25)), edge_a="rolled", edge_a_radius_mm=1.4, edge_b="cut",
            step_mm=-0.4, step_u_mm=0.3, left_out=(LeftOut(from_mm=60.0, to_mm=79.0, reason="door handle"),),
        ),
    }  # fmt: skip
    return Measurement(**{**values, **changes})


def refused() -> Measurement:
    return Measurement(
        status="refused", notices=(Notice(code="photo-blurred"),), method_version=3,
        photos=(SeenPhoto(file="b.jpg", sha256="cd" * 32, width_px=100, height_px=50),),
    )  # fmt: skip
