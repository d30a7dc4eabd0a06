"""Measurements made by hand for the report tests: every field has a value of its own."""

from __future__ import annotations

from typing import Any

import numpy as np

from gapvision.model import GapProfile, GapSummary, Measurement, Notice, ScaleInfo, Step, Straightness


def profile(s: np.ndarray, gap: np.ndarray, u: float = 0.1) -> GapProfile:
    n = len(s)
    px = np.stack([100 + 8 * s, 500 + 0 * s], 1)
    return GapProfile(
        s_mm=s, gap_mm=gap, expanded_u_mm=np.full(n, u), edge_a_px=px, edge_b_px=px + np.array([0.25, 38.125]),
        edge_a_mm=-gap / 2, edge_b_mm=gap / 2, edge_a_u_mm=np.full(n, 0.07), edge_b_u_mm=np.full(n, 0.08),
        parts_mm={"edge": np.full(n, 0.03), "scale": np.full(n, 0.01)}, spacing_mm=1.0,
    )  # fmt: skip


def measured(**changes: Any) -> Measurement:
    s = np.concatenate([np.arange(0.0, 60), np.arange(80.0, 120)])
    gap = 4.76 + np.where((s >= 20) & (s < 30), 0.9, 0.0) - np.where(s >= 110, 0.8, 0.0)
    values: dict[str, Any] = {
        "status": "warn",
        "notices": (Notice(code="edge-doubtful"), Notice(code="step-unknown", message="No step known.")),
        "photo_file": "Tür ½.jpg", "photo_sha256": "ab" * 32, "width_px": 4032, "height_px": 3024,
        "taken_at": "2026-03-14T10:20:30",
        "scale": ScaleInfo(
            px_per_mm=8.125, print_scale_along=0.995, print_scale_across=1.005, print_scale_checked=True,
            strips=("A", "E"),
            tilt_across_deg=3.5, tilt_along_deg=-1.25, distance_mm=312.5, focal_px=3050.5, focal_source="exif",
            residual_rms_px=0.125, strip_sides={"A": "A", "E": "B"},
        ),
        "profile": profile(s, gap),
        "summary": GapSummary(mean_mm=4.77, min_mm=3.96, max_mm=5.66, std_mm=0.25, taper_mm_per_m=-1.5),
        "step": Step(mean_mm=-0.5, expanded_u_mm=0.2),
        "straightness_a": Straightness(
            min_zone_mm=0.31, lsq_mm=0.35, expanded_u_mm=0.09, span_mm=119.0, worst_100_mm=0.28, worst_100_from_mm=12.0
        ),
        "straightness_b": Straightness(min_zone_mm=0.41, lsq_mm=0.45, expanded_u_mm=0.08, span_mm=119.0),
        "seam_kind": "straight", "edges_method": "rules", "settings": {"station_mm": 1.0, "seam_hint_px": None},
        "method_version": 3, "gap_lit": "bright", "camera": {"edge_a": "rolled", "blur_px": 1.25, "rival_seam": None},
    }  # fmt: skip
    return Measurement(**{**values, **changes})


def refused() -> Measurement:
    return Measurement(
        status="refused", notices=(Notice(code="photo-blurred"),), photo_file="b.jpg", photo_sha256="cd" * 32,
        width_px=100, height_px=50, taken_at=None, settings={"station_mm": 1.0}, method_version=3,
    )  # fmt: skip
