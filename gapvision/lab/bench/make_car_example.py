"""Make the worked car: an invented roadster, measured as found, hung by its plans, measured until ready for primer.

``python -m gapvision.lab.bench.make_car_example sample_images/car_example`` simulates stiff bodies and a hand that
errs (:mod:`gapvision.lab.bench.cars`), writes a measurement file for each seam and stage, a car file for each stage,
the hang list as text and on paper, and the car's outline.  The figures are simulated: no photo is drawn.
"""

from __future__ import annotations

import argparse
from pathlib import Path

import numpy as np
import tomli_w

from gapvision.formats.car_file import car_file, car_from_table, read_car
from gapvision.formats.car_plan_json import car_plan_bytes
from gapvision.formats.measurement_json import write
from gapvision.judgement.car_plan import judged, make_car_plan
from gapvision.judgement.car_rows import first_on_left, seam_line
from gapvision.lab.bench.cars import StiffCar, one_round
from gapvision.model import (
    IN,
    CarSeam,
    Edge,
    GapProfile,
    GapSummary,
    Measurement,
    SeamReading,
    SeenPhoto,
    Step,
    seam_state,
)
from gapvision.reports.car_outline import draw_car
from gapvision.reports.car_paper import car_paper
from gapvision.reports.car_text import car_plan_text
from gapvision.reports.figures import write_figure

_SEED, _U_MM, _PX = 8, 0.15, 8.0
_PRESET, _SHAPE = "even-road", "two-seat roadster"
_ROUNDS = 6  # at most
_EVERY = 2  # of the simulated stations is kept


def measurement_of(reading: SeamReading, file: str, one_is_a: bool, every: int = _EVERY) -> Measurement:
    """A simulated stretch as a measurement: stations run with the seam to the right, edge A above."""
    r = reading
    keep = slice(None, None, every)
    s, gap, u = r.s_mm[keep] - r.s_mm[0], r.gap_mm[keep], r.expanded_u_mm[keep]
    across = 600 + np.stack([-gap, gap]) / 2 * _PX
    px = [np.stack([200 + s * _PX, y], axis=1) for y in across]
    profile = GapProfile(
        s_mm=s, gap_mm=gap, expanded_u_mm=u, edge_a_px=px[0], edge_b_px=px[1], edge_a_mm=-gap / 2, edge_b_mm=gap / 2,
        edge_a_u_mm=u / 2, edge_b_u_mm=u / 2, parts_mm={"edge": u / 2}, spacing_mm=r.spacing_mm * every,
    )  # fmt: skip
    numbers = (gap.mean(), gap.min(), gap.max(), gap.std(), 1000 * np.polyfit(s, gap, 1)[0])
    summary = GapSummary(**dict(zip(("mean_mm", "min_mm", "max_mm", "std_mm", "taper_mm_per_m"), map(float, numbers),
                                    strict=True)))  # fmt: skip
    step = Step(mean_mm=r.step_mm * (-1 if one_is_a else 1), expanded_u_mm=r.step_u_mm)
    made = Edge(kind="cut", source="stated", depth_mm=0.0, depth_std_u_mm=0.1)
    photo = SeenPhoto(file=file, sha256="0" * 64, width_px=9000, height_px=1200)
    return Measurement(
        status="ok", notices=(), photos=(photo,), profile=profile, summary=summary, step_used=step, edge_a=made,
        edge_b=made,
    )  # fmt: skip


def stage(
    folder: Path,
    name: str,
    seen: dict[str, tuple[SeamReading, ...]],
    seams: tuple[CarSeam, ...],
    sides: dict[str, bool],
) -> Path:
    """Write one stage: measurement files and the car file that names them."""
    photos = {}
    for seam in seams:
        (r,) = seen[seam.name]
        file = f"{name}/{seam.name.replace(', ', '_').replace(' ', '_')}.json"
        (folder / name).mkdir(parents=True, exist_ok=True)
        write(measurement_of(r, f"{Path(file).stem}.jpg", sides[seam.name]), folder / file)
        photos[seam.name] = (file, float(r.s_mm[0]))
    table = car_file(f"grey roadster, {name.replace('_', ' ')}", _SHAPE, {}, _PRESET, photos)
    for row in table["seams"]:
        row["panel_edge"] = "A" if sides[row["name"]] else "B"
    path = folder / f"{name}.toml"
    path.write_text(tomli_w.dumps(table), encoding="utf-8")
    return path


def main() -> None:
    """Make it."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folder", type=Path)
    folder = parser.parse_args().folder
    folder.mkdir(parents=True, exist_ok=True)
    car = car_from_table(car_file("grey roadster", _SHAPE, {}, _PRESET))
    sides = {s.name: first_on_left(seam_line(car, s)) for s in car.seams}
    stiff = StiffCar(car, np.random.default_rng(_SEED), form_mm=0.5)
    seen = stiff.photographed(_U_MM)
    found, measured = read_car(stage(folder, "as_found", seen, car.seams, sides))
    assert measured is not None
    plan = make_car_plan(measured)
    (folder / "hang_list.txt").write_text(car_plan_text(plan), encoding="utf-8")
    (folder / "hang_list.pdf").write_bytes(car_paper(plan))
    (folder / "hang_list.json").write_bytes(car_plan_bytes(plan))
    states = {k: seam_state(v) for k, v in plan.before.items()}
    write_figure(draw_car(found, states, found.name), folder / "as_found.png")
    rounds = 0
    for _ in range(_ROUNDS):
        if all(seam_state(x) == IN for x in judged(car, seen).values()):
            break
        was, rounds = seen, rounds + 1
        car, seen, _, _ = one_round(stiff, car, seen, _U_MM)
        if seen is was:  # nothing is worth a spanner any more
            rounds -= 1
            break
    last, ended = read_car(stage(folder, "ready_for_primer", seen, car.seams, sides))
    assert ended is not None
    end = make_car_plan(ended)
    states = {k: seam_state(v) for k, v in end.before.items()}
    write_figure(draw_car(last, states, last.name), folder / "ready_for_primer.png")
    print(rounds, "rounds", states, end.evenness_mm, plan.evenness_mm)


if __name__ == "__main__":
    main()
