"""Whole cars, invented: does planning all panels together serve a hand better than panel by panel?

``python -m gapvision.lab.bench.cars [--cars 20] [--first 0] [--rounds 3] [--save F.json]``; ``--speed`` prints how long
a plan of 12 seams with 8 panels that move takes, and a slider's prediction, processor time on one thread.

Each car is drawn by lot: a ready shape of drawn sizes, every panel hung wrongly, edges with bulges and sags, photos
of U 0.1 to 0.3 mm.  A simulated hand carries the plans out on stiff bodies (rotation matrices, poses solved from the
adjusters without any of the program's linear rows): it sets whole shims and quarter turns, errs by each adjuster's
accuracy, and each adjuster answers with a share of its own.  After each panel its seams are photographed anew and the
rest is planned anew; where that plan sets the same panel again, it is set once more before the next one.  Each time an
adjuster is set counts.
"""

from __future__ import annotations

import argparse
import json
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import Bounds, LinearConstraint, least_squares, milp
from scipy.spatial.transform import Rotation

from gapvision.formats.car_file import car_file, car_from_table
from gapvision.judgement.car_move import CarRows, adjusters_touched, best_settings, car_rows, touched_ways, way_of
from gapvision.judgement.car_plan import learn, make_car_plan, predict_car
from gapvision.judgement.car_rows import seam_line, settings_of_car
from gapvision.judgement.car_shapes import CAR_SHAPES, CAR_SIZES
from gapvision.model import Car, CarSeam, DecisionRule, FloatArray, MeasuredCar, SeamReading, unit_vector

_SPACING_MM = 10.0
_SHARED, _ALONE = 0.9, 0.35  # parts of an error of measurement: the same along a photo, and station by station
_WANTED = ("even-road", "even-close")
_ANSWER_STD = 0.1  # of the simulated adjusters' answers
_MOST_MM = 60.0  # excess beyond which the count of seams needs no look
_SECONDS = 5.0
_TRIES = 2  # of setting one panel before the next, each after new photos


class StiffCar:
    """A car of stiff bodies that a hand sets: what is true of it, and photos of it.

    Parameters
    ----------
    car : Car
        The car.
    rng : numpy.random.Generator
        Everything drawn.
    hung_mm : float
        Standard deviation of how far each adjuster stands from where it should.
    form_mm : float
        Largest bulge or sag of an edge [mm].
    spacing_mm : float
        Of its stations [mm].
    """

    def __init__(
        self, car: Car, rng: np.random.Generator, hung_mm: float = 1.2, form_mm: float = 0.6,
        spacing_mm: float = _SPACING_MM,
    ) -> None:  # fmt: skip
        self.car, self.rng, self.spacing_mm = car, rng, spacing_mm
        self.settings = settings_of_car(car)
        self.ways = [way_of(car, s) for s in self.settings]
        self.answers = np.clip(rng.normal(1.0, _ANSWER_STD, len(self.ways)), 0.6, 1.4)
        self.at = np.zeros(len(self.ways))
        self.poses: dict[str, tuple[FloatArray, FloatArray]] = {}
        low, high = (np.array([w.travel[k] if w.travel else 0.0 for w in self.ways]) for k in (0, 1))
        self.at = np.clip(rng.normal(0, hung_mm, len(self.ways)), 0.7 * low, 0.7 * high)
        for name in car.hang_order:
            self._pose(name)
            self._settle(name)
        self.form = {s.name: self._drawn_form(s.length_mm, form_mm) for s in car.seams}

    def _own(self, name: str) -> list[int]:
        return [k for k, s in enumerate(self.settings) if s.body == name]

    def _pose(self, name: str) -> None:
        """The pose that fits where all adjusters of a panel stand: least squares over turned places, not linear."""
        body, own = self.car.body(name), self._own(name)
        places = np.array([next(a.at for a in body.adjusters if a.name == self.settings[k].adjuster) for k in own])
        ways = np.array([unit_vector(self.ways[k].direction) for k in own])

        def off(x: FloatArray) -> FloatArray:
            turned = Rotation.from_rotvec(x[3:] / 1000).apply(places - body.centre) + body.centre + x[:3]
            return np.asarray(((turned - places) * ways).sum(axis=1) - self.at[own], float)

        x = least_squares(off, np.zeros(6), xtol=1e-12, ftol=1e-12, gtol=1e-12).x
        self.poses[name] = Rotation.from_rotvec(x[3:] / 1000).as_matrix(), x[:3]

    def _settle(self, name: str) -> None:
        """Where adjusters contradict each other, the panel's own pose says where they stand."""
        body = self.car.body(name)
        for k in self._own(name):
            place = np.array(next(a.at for a in body.adjusters if a.name == self.settings[k].adjuster))
            self.at[k] = (self._moved(name, place[None])[0] - place) @ unit_vector(self.ways[k].direction)

    def _moved(self, name: str, places: FloatArray) -> FloatArray:
        body, (turn, shift) = self.car.body(name), self.poses[name]
        return np.asarray((places - body.centre) @ turn.T + body.centre + shift, float)

    def _carried(self, name: str, places: FloatArray) -> FloatArray:
        for body in self.car.carried(name):
            places = self._moved(body.name, places)
        return places

    def _drawn_form(self, length: float, most: float) -> tuple[FloatArray, FloatArray]:
        """Both edges' departures from their line, towards each other: a sag and a bulge."""
        s = np.arange(0.0, length + 1, 1.0)
        edges = []
        for _ in range(2):
            sag = self.rng.uniform(-0.4, 0.4) * most * np.sin(np.pi * s / length)
            wide, at = self.rng.uniform(40, 150), self.rng.uniform(0, length)
            edges.append(sag + self.rng.uniform(-0.6, 0.6) * most * np.exp(-0.5 * ((s - at) / wide) ** 2))
        return edges[0], edges[1]

    def carry_out(self, settings_mm: FloatArray, rows: CarRows, exact: bool = False) -> None:
        """Carry settings out: each adjuster answers as it does, and the hand errs."""
        touched = touched_ways(rows, settings_mm)
        error = np.array([w.accuracy_mm for w in self.ways]) * self.rng.normal(size=len(self.ways)) * touched
        self.at = self.at + (settings_mm if exact else self.answers * settings_mm + error)
        for name in {s.body for s, t in zip(self.settings, touched, strict=True) if t}:
            self._pose(name)
            self._settle(name)

    def gap(self, seam: CarSeam) -> tuple[FloatArray, FloatArray, float]:
        """The true gap along a seam, and the step of its first body above the other [mm]."""
        line, forms = seam_line(self.car, seam), self.form[seam.name]
        assert seam.spec is not None
        wanted = seam.spec.nominal[0].gap_mm
        s_all, gaps, steps = [], [], []
        for k in range(len(line.across)):
            s = np.arange(line.start_mm[k] + 10.0, line.start_mm[k + 1] - 10.0 + 1e-6, self.spacing_mm)
            along = line.ends_mm[k + 1] - line.ends_mm[k]
            along = along / np.linalg.norm(along)
            fine = np.arange(line.start_mm[k] - 30.0, line.start_mm[k + 1] + 30.0, 2.0)
            edges = []
            for body, form, sign, away in ((seam.one, forms[0], 1.0, 0.0), (seam.other, forms[1], -1.0, wanted)):
                place = line.ends_mm[k] + (fine - line.start_mm[k])[:, None] * along
                off = away + sign * np.interp(fine, np.arange(len(form)), form)
                edges.append(self._carried(body, place + off[:, None] * line.across[k]) - line.ends_mm[k])
            at = s - line.start_mm[k]
            across = [np.interp(at, e @ along, e @ line.across[k]) for e in edges]
            out = [np.interp(at, e @ along, e @ line.out[k]) for e in edges]
            s_all.append(s)
            gaps.append(across[1] - across[0])
            steps.append(out[0] - out[1])
        return np.concatenate(s_all), np.concatenate(gaps), float(np.concatenate(steps).mean())

    def photographed(
        self, u_mm: float, names: set[str] | None = None, exact: bool = False
    ) -> dict[str, tuple[SeamReading, ...]]:
        """Measure seams (all, or those named): a photo each, with errors as U says."""
        found: dict[str, tuple[SeamReading, ...]] = {}
        for seam in self.car.seams:
            if names is not None and seam.name not in names:
                continue
            s, gap, step = self.gap(seam)
            std = 0.0 if exact else u_mm / 2
            gap = gap + std * (_SHARED * self.rng.normal() + _ALONE * self.rng.normal(size=len(s)))
            found[seam.name] = (
                SeamReading(
                    seam=seam.name, photo=f"{seam.name}.jpg", s_mm=s, gap_mm=gap,
                    expanded_u_mm=np.full(len(s), 1e-6 if exact else u_mm), panel_edge_mm=np.zeros(len(s)),
                    xy_mm=np.zeros((0, 2)), outward=np.zeros((0, 2)), spacing_mm=self.spacing_mm,
                    step_mm=step + std * 0.5 * self.rng.normal(), step_u_mm=1e-6 if exact else 0.5 * u_mm,
                ),
            )  # fmt: skip
        return found

    def truth(self) -> CarRows:
        """All limits with everything known."""
        plain = replace(self.car, rule=DecisionRule(name="simple"))
        return car_rows(MeasuredCar(car=plain, readings=self.photographed(0.0, exact=True)))


def drawn_car(number: int) -> tuple[Car, np.random.Generator, float]:
    """A car, its lot and its U [mm]."""
    rng = np.random.default_rng([25, number])
    sizes = {name: float(usual * rng.uniform(0.9, 1.1)) for name, (_, usual) in CAR_SIZES.items()}
    sizes["bonnet_width"] = min(sizes["bonnet_width"], 0.8 * sizes["width"])
    shape = list(CAR_SHAPES)[number % len(CAR_SHAPES)]
    car = car_from_table(car_file(f"car {number}", shape, sizes, _WANTED[number // 2 % 2]))
    return car, rng, float(rng.uniform(0.1, 0.3))


def share_in(rows: CarRows, seams: int, settings_mm: FloatArray | None = None) -> float:
    """Share of a car's seams that are truly in tolerance."""
    at = np.zeros(len(rows.settings)) if settings_mm is None else settings_mm
    return float((rows.excess(at)[:seams] <= 1e-6).mean())


def best_share(rows: CarRows, seams: int) -> float:
    """The most seams that any settings bring in, all known, no error: a mixed-integer programme that counts them."""
    mine = rows.group < seams
    a, n = rows.a[mine], len(rows.settings)
    whole = rows.step > 0
    step = np.where(whole, rows.step, 1.0)
    one = np.zeros((len(a), seams))
    one[np.arange(len(a)), rows.group[mine]] = _MOST_MM  # a seam that counts as in has no excess
    stiff = np.concatenate([rows.stiff, -rows.stiff])
    upper = np.block([[a * step, one], [stiff * step, np.zeros((len(stiff), seams))]])
    room = np.concatenate([_MOST_MM - rows.b[mine], np.tile(rows.slack + 1e-6, 2)])
    low, high = np.concatenate([rows.low / step, np.zeros(seams)]), np.concatenate([rows.high / step, np.ones(seams)])
    done = milp(
        np.concatenate([np.zeros(n), -np.ones(seams)]), constraints=LinearConstraint(upper, -np.inf, room),
        bounds=Bounds(low, high), integrality=np.concatenate([whole, np.ones(seams)]), options={"time_limit": _SECONDS},
    )  # fmt: skip
    # The bound of an unfinished search is never less than what is possible.
    return float(-done.mip_dual_bound / seams) if done.status == 1 else float(-done.fun / seams)


Seen = dict[str, tuple[SeamReading, ...]]


def one_round(
    stiff: StiffCar, car: Car, seen: Seen, u_mm: float, *, together: bool = True, teach: bool = True,
    tries: int = _TRIES,
) -> tuple[Car, Seen, int, float]:  # fmt: skip
    """Set a car's panels one after the other, photos after each.

    Gives the car as learnt, the photos, how many adjusters were set, and the processor time of the longest plan [s].
    """
    done: set[str] = set()
    plan: FloatArray | None = None
    count, longest = 0, 0.0
    for name, last in ((n, k == tries - 1) for n in car.hang_order for k in range(tries)):
        if name in done:
            continue
        measured = MeasuredCar(car=car, readings=seen)
        if plan is None or not together:  # a panel left as it is leaves the plan of the rest as it was
            began = time.process_time()
            held = frozenset(done) if together else frozenset(set(car.hang_order) - {name})
            rows = car_rows(measured)
            plan = best_settings(rows, held).settings_mm
            longest = max(longest, time.process_time() - began)
        settings = np.where([s.body == name for s in rows.settings], plan, 0.0)
        if last or not settings.any():
            done.add(name)
        if not settings.any():
            continue
        plan = None
        count += adjusters_touched(rows, settings)
        stiff.carry_out(settings, rows)
        moved = {s.name for s in car.seams if any(b.name == name for x in (s.one, s.other) for b in car.carried(x))}
        after = {**seen, **stiff.photographed(u_mm, moved)}
        if teach:
            car, _ = learn(measured, settings, MeasuredCar(car=car, readings=after))
        seen = after
    return car, seen, count, longest


def carried_out(
    number: int, rounds: int, *, together: bool, teach: bool = True, possible: float | None = None, tries: int = _TRIES
) -> dict[str, Any]:
    """Set a car panel by panel for some rounds; shares of seams truly in tolerance and proven, and adjustments."""
    car, rng, u = drawn_car(number)
    stiff = StiffCar(car, rng)
    seams = len(car.seams)
    truth = stiff.truth()
    possible = best_share(truth, seams) if possible is None else possible
    result: dict[str, Any] = {"u_mm": u, "before": share_in(truth, seams), "possible": possible}
    seen = stiff.photographed(u)
    count, shares, proven, touched, longest = 0, [], [], [], 0.0
    for _ in range(rounds):
        car, seen, more, took = one_round(stiff, car, seen, u, together=together, teach=teach, tries=tries)
        count, longest = count + more, max(longest, took)
        shares.append(share_in(stiff.truth(), seams))
        proven.append(share_in(car_rows(MeasuredCar(car=car, readings=seen)), seams))
        touched.append(count)
    return result | {"after": shares, "proven": proven, "adjustments": touched, "longest_s": longest}


def measured_cars(first: int, cars: int, rounds: int) -> Iterator[dict[str, Any]]:
    """All ways of working on each car."""
    for number in range(first, first + cars):
        one = carried_out(number, rounds, together=True)
        alone = carried_out(number, rounds, together=False, teach=False, possible=one["possible"])
        yield {"car": number, "together": one, "panel by panel": alone}


def summary(found: list[dict[str, Any]]) -> str:
    """The table of all cars."""
    lines = []
    for way in ("together", "panel by panel"):
        own = [f[way] for f in found]
        possible, before = (float(np.mean([x[k] for x in own])) for k in ("possible", "before"))
        after, proven, count = (np.mean([x[k] for x in own], axis=0) for k in ("after", "proven", "adjustments"))
        rounds = ", ".join(f"{v:.3f} ({v / possible:.3f})" for v in after)
        sure, work = ", ".join(f"{v:.3f}" for v in proven), ", ".join(f"{v:.1f}" for v in count)
        lines.append(
            f"{way:>15}: in tolerance before {before:.3f}, possible {possible:.3f}, after each round {rounds}; "
            f"proven {sure}; adjusters set {work}; longest plan {max(x['longest_s'] for x in own):.2f} s"
        )
    return "\n".join(lines)


def speed() -> None:
    """Plan 12 seams, stations 1 mm apart, with 8 panels that move; then follow a slider."""
    from threadpoolctl import threadpool_limits

    whole = car_from_table(car_file("coupe", "two-door coupe", {}, "even-road"))
    without = {"fuel flap, edge", "left door, top", "right door, top", "bonnet, front", "boot lid, front",
               "boot lid, left", "boot lid, right"}  # fmt: skip
    car = replace(
        whole, bodies=tuple(b for b in whole.bodies if b.name != "fuel flap"),
        seams=tuple(s for s in whole.seams if s.name not in without),
    )  # fmt: skip
    with threadpool_limits(1):
        for seed in range(4):  # the first one loads what is imported late
            seen = StiffCar(car, np.random.default_rng(seed), spacing_mm=1.0).photographed(0.2)
            measured = MeasuredCar(car=car, readings=seen)
            began = time.process_time()
            plan = make_car_plan(measured)
            took, slid = time.process_time() - began, list[float]()
            for k in range(20):
                at = np.zeros(len(plan.settings_mm))
                at[0] = 0.1 * (k + 1)
                began = time.process_time()
                predict_car(measured, at, dict(plan.before))
                slid.append(time.process_time() - began)
            told = f"{len(car.seams)} seams, {len(car.hang_order)} panels, {plan.adjustments} adjusters"
            slider = f"slider {1000 * np.median(slid):.0f} ms, at most {1000 * max(slid):.0f} ms"
            print(f"{told}: plan {took:.2f} s; {slider}")


def main() -> None:
    """Run and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--cars", type=int, default=20)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--save", type=Path)
    parser.add_argument("--speed", action="store_true")
    args = parser.parse_args()
    if args.speed:
        speed()
        return
    found = []
    for one in measured_cars(args.first, args.cars, args.rounds):
        found.append(one)
        print(one["car"], json.dumps({k: one[k] for k in ("together", "panel by panel")}), flush=True)
        if args.save:
            args.save.write_text(json.dumps(found))
    print(summary(found))


if __name__ == "__main__":
    main()
