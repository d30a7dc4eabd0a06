"""A small invented measurement file, as dict, for tests that need no photo."""

from __future__ import annotations

import json
import math
from dataclasses import replace
from functools import cache
from typing import Any

import numpy as np

from gapvision.formats import measurement_json
from gapvision.formats.declared import plain_data
from gapvision.geometry.edge_form import figures_of


def invented(
    mean_mm: float = 4.8, *, n: int = 120, u_mm: float = 0.1, status: str = "ok", method: int = 1
) -> dict[str, Any]:
    """A gap that waves by 0.2 mm along ``n`` mm around ``mean_mm``."""
    return json.loads(_written(mean_mm, n, u_mm, status, method))


def invented_set(photos: dict[str, str], mean_mm: float = 4.8) -> dict[str, Any]:
    """The same measured from several photos together, by name their SHA-256; each shows a part of it best."""
    one = measurement_json.from_dict(invented(mean_mm))
    seen = tuple(replace(one.photo, file=name, sha256=sha256) for name, sha256 in sorted(photos.items()))
    part = np.arange(len(one.profile.s_mm)) * len(seen) // len(one.profile.s_mm)
    return measurement_json.to_dict(replace(one, photos=seen, profile=replace(one.profile, photo=part)))


@cache
def _written(mean_mm: float, n: int, u_mm: float, status: str, method: int) -> str:
    content = _invented(mean_mm, n, u_mm, status, method)
    if status != "refused":
        gap = content.pop("gap")
        figures = plain_data(figures_of(measurement_json.from_dict(content).profile), 5)
        content["gap"] = gap | {key: figures["summary"][key] for key in ("std_mm", "taper_mm_per_m")}
        content["straightness"] = {f"edge_{e}": figures[f"straightness_{e}"] for e in "ab"}
    return json.dumps(content)


def _invented(mean_mm: float, n: int, u_mm: float, status: str, method: int) -> dict[str, Any]:
    if status == "refused":
        return {
            "schema": "gapvision-measurement/1",
            "status": "refused",
            "method_version": method,
            "stations": [],
            "warnings": [{"code": "strip-not-found", "message": "No strip.", "advice": "Lay one."}],
            "photo": {"file": "a.jpg", "sha256": "0" * 64, "width_px": 400, "height_px": 300, "taken_at": None},
        }
    stations = []
    for s in range(n):
        gap = mean_mm + 0.2 * math.sin(s / 17) + 0.05 * math.cos(s / 5)
        y = 150 + 3 * math.sin(s / 40)
        stations.append(
            {
                "s_mm": float(s),
                "gap_mm": gap,
                "u_mm": u_mm,
                "edge_a_px": [20 + 3 * s, y - gap * 1.5],
                "edge_b_px": [20 + 3 * s, y + gap * 1.5],
                "edge_a_mm": -gap / 2,
                "edge_b_mm": gap / 2,
                "edge_a_u_mm": 0.05,
                "edge_b_u_mm": 0.05,
            }
        )
    gaps = [t["gap_mm"] for t in stations]
    return {
        "schema": "gapvision-measurement/1",
        "status": status,
        "warnings": [],
        "method_version": method,
        "photo": {
            "file": "a.jpg",
            "sha256": "0" * 64,
            "width_px": 400,
            "height_px": 300,
            "taken_at": "2026-03-02T10:11:12",
        },
        "scale": {
            "px_per_mm": 3.0,
            "strips": ["A", "E"],
            "print_scale_along": 1.0,
            "print_scale_across": 1.0,
            "tilt_across_deg": 2.0,
            "tilt_along_deg": 1.0,
            "distance_mm": 320.0,
            "focal_px": 960.0,
            "focal_source": "strips",
            "residual_rms_px": 0.1,
        },
        "stations": stations,
        "gap": {
            "mean_mm": sum(gaps) / n,
            "min_mm": min(gaps),
            "max_mm": max(gaps),
        },
        "flush": None,
        "settings": {},
        "written_by": "gapvision 0.1.0",
    }
