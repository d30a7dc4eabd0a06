"""Invented measurement files and photos for the benches of the records: no photo is measured here."""

from __future__ import annotations

import math
import os
from dataclasses import replace
from functools import cache
from typing import Any

from gapvision.formats.judgement_json import verdict_to_dict
from gapvision.formats.measurement_json import SCHEMA, from_dict, to_dict
from gapvision.formats.specification_file import specification_from_table
from gapvision.geometry.edge_form import figures_of
from gapvision.judgement import judge_measurement

CARS = ("two-seat roadster", "bubble-shaped saloon", "estate with wooden frame", "long-nosed coupé", "delivery van")
PEOPLE = ("Ines Example", "Åse Prøve", "Иван Пример", "Αθηνά Παράδειγμα", "Sam Sample")
SEAMS = ("door, front", "door, rear", "bonnet, side", "bonnet, rear", "boot lid, side", "sill")
STAGES = ("as found", "after fit-up", "after trimming", "before primer", "after paint")


def invented_measurement(number: int, stations: int = 250) -> dict[str, Any]:
    """A measurement file of usual size, whose figures follow from its stations."""
    file = _measured(number % 40, stations)
    photo = file["photo"] | {"file": f"{number}.jpg", "sha256": f"{number:064x}"}
    return file | {"photo": photo, "photos": [file["photos"][0] | photo]}


def invented_verdict(number: int, stations: int = 250) -> dict[str, Any]:
    """Its verdict, with decision, rule and record as the records keep them."""
    return _judged(number % 40, stations)


@cache
def _judged(number: int, stations: int) -> dict[str, Any]:
    spec = specification_from_table({"nominal": "4.4mm", "allow_below": "0.4mm", "allow_above": "0.4mm"})
    verdict = judge_measurement(from_dict(_measured(number, stations)), spec)
    body = verdict_to_dict(verdict, spec, stations=False)
    return {"decision": verdict.state, "rule": verdict.rule.name, "body": body}


@cache
def _measured(number: int, stations: int) -> dict[str, Any]:
    mean = 4.2 + 0.01 * number
    rows: list[dict[str, Any]] = []
    for s in range(stations):
        gap = round(mean + 0.2 * math.sin(s / 17 + number), 5)
        parts = {"edge": 0.03, "scale": 0.01, "print_scale": 0.012, "tilt_step": 0.0, "depth": 0.02, "repeat": 0.01}
        rows.append(
            {
                "s_mm": float(s), "gap_mm": gap, "u_mm": 0.1, "edge_a_px": [20.5 + 9 * s, 900.25 - 4.5 * gap],
                "edge_b_px": [20.5 + 9 * s, 900.25 + 4.5 * gap], "edge_a_mm": round(-gap / 2, 5),
                "edge_b_mm": round(gap / 2, 5), "edge_a_u_mm": 0.03, "edge_b_u_mm": 0.03, "parts_u_mm": parts,
            }
        )  # fmt: skip
    photo = {"file": "a.jpg", "sha256": "0" * 64, "width_px": 4032, "height_px": 3024, "taken_at": None}
    file = {"schema": SCHEMA, "status": "ok", "warnings": [], "photo": photo, "stations": rows, "method_version": 1}
    measured = from_dict(file)
    profile = measured.profile
    return file if profile is None else to_dict(replace(measured, **figures_of(profile)))


def invented_photo(number: int, size: int = 2_000) -> bytes:
    """Bytes that stand for a photo's file; the records never look inside."""
    return b"\xff\xd8\xff" + number.to_bytes(8, "big") + os.urandom(size)
