"""Invented measurement files and photos for the benches of the records: no photo is measured here."""

from __future__ import annotations

import math
import os
from typing import Any

CARS = ("two-seat roadster", "bubble-shaped saloon", "estate with wooden frame", "long-nosed coupé", "delivery van")
PEOPLE = ("Ines Example", "Åse Prøve", "Иван Пример", "Αθηνά Παράδειγμα", "Sam Sample")
SEAMS = ("door, front", "door, rear", "bonnet, side", "bonnet, rear", "boot lid, side", "sill")
STAGES = ("as found", "after fit-up", "after trimming", "before primer", "after paint")


def invented_measurement(number: int, stations: int = 250) -> dict[str, Any]:
    """A measurement file of usual size."""
    mean = 4.2 + 0.01 * (number % 130)
    rows: list[dict[str, Any]] = []
    for s in range(stations):
        gap = round(mean + 0.2 * math.sin(s / 17 + number), 5)
        rows.append(
            {
                "s_mm": float(s), "gap_mm": gap, "u_mm": 0.1, "edge_a_px": [20.5 + 9 * s, 900.25 - 4.5 * gap],
                "edge_b_px": [20.5 + 9 * s, 900.25 + 4.5 * gap], "edge_a_mm": round(-gap / 2, 5),
                "edge_b_mm": round(gap / 2, 5), "edge_a_u_mm": 0.03, "edge_b_u_mm": 0.03,
                "std_u_mm": {"edge": 0.03, "scale": 0.01, "print_scale": 0.012, "tilt_step": 0.0, "depth": 0.02,
                             "repeat": 0.01},
            }
        )  # fmt: skip
    gaps = [r["gap_mm"] for r in rows]
    return {
        "schema": "gapvision-measurement/1", "status": "ok", "warnings": [], "notes": [], "method_version": 1,
        "photo": {"file": f"{number}.jpg", "sha256": f"{number:064x}", "width_px": 4032, "height_px": 3024,
                  "taken_at": None},
        "spacing_mm": 1.0, "stations": rows,
        "gap": {"mean_mm": sum(gaps) / stations, "min_mm": min(gaps), "max_mm": max(gaps), "std_mm": 0.14,
                "taper_mm_per_m": 0.1},
        "settings": {}, "written_by": "gapvision bench",
    }  # fmt: skip


def invented_photo(number: int, size: int = 2_000) -> bytes:
    """Bytes that stand for a photo's file; the records never look inside."""
    return b"\xff\xd8\xff" + number.to_bytes(8, "big") + os.urandom(size)
