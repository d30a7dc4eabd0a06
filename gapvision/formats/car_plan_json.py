"""A car's plan as JSON (``gapvision-car-plan/1``): what was told to be set, so that what came of it can be learnt."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Literal

import numpy as np

from gapvision import model
from gapvision.errors import require
from gapvision.formats.declared import Declared, plain_data, read_declared, read_file, read_json
from gapvision.judgement.car_rows import settings_of_car

SCHEMA = "gapvision-car-plan/1"


class _Setting(Declared):
    panel: str
    adjuster: str
    way: int
    set_mm: float


class _File(Declared, forbid_unknown_fields=False):
    schema: Literal["gapvision-car-plan/1"]
    settings: tuple[_Setting, ...]


def car_plan_bytes(plan: model.CarPlan) -> bytes:
    """Write a plan: settings, each seam before and after, edges, evenness."""
    car = plan.measured.car
    ways = zip(settings_of_car(car), plan.settings_mm.tolist(), strict=True)
    table: dict[str, Any] = {
        "schema": SCHEMA,
        "car": car.name,
        "settings": [{"panel": s.body, "adjuster": s.adjuster, "way": s.way, "set_mm": v} for s, v in ways if v],
        "steps": [plain_data(step, 4) for step in plan.steps],
        "seams": [
            {
                "seam": s.name, "other_name": s.other_name, "before": model.seam_state(plan.before.get(s.name, ())),
                "after": model.seam_state(plan.after.get(s.name, ())), "passes": plan.passes.get(s.name),
                "holds": plan.holds.get(s.name),
            }
            for s in car.seams
        ],
        "edges": [
            {"seam": e.seam, "body": e.body, "spans": plain_data(e.trim.spans, 3), "work": e.work} for e in plan.edges
        ],
        "evenness_mm": plain_data(plan.evenness_mm, 4),
        "adjustments": plan.adjustments,
    }  # fmt: skip
    return (json.dumps(table, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode()


def read_settings(path: str | Path, car: model.Car) -> model.FloatArray:
    """What a plan told to set on a car, in the order of its adjusters [mm], shape (ways,).

    Raises
    ------
    GapvisionError
        ``car-file-bad`` where it is no plan of a car, or of another one.
    """
    name = Path(path).name
    file = read_declared(_File, read_json(read_file(path), f"'{name}'", "car-file-bad"), f"'{name}'", "car-file-bad")
    known = {(s.body, s.adjuster, s.way): k for k, s in enumerate(settings_of_car(car))}
    found = np.zeros(len(known))
    for s in file.settings:
        key = (s.panel, s.adjuster, s.way)
        said = f"'{name}' sets '{s.panel}, {s.adjuster}', which the car does not have."
        require("car-file-bad", key in known, said, "Give the plan that was made of this car.")
        found[known[key]] = s.set_mm
    return found
