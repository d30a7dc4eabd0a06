"""The whole car of a job: its file, its results laid on it, hang lists and what they taught."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from gapvision import model, words
from gapvision.errors import GapvisionError
from gapvision.formats.car_file import car_from_table
from gapvision.formats.declared import read_declared
from gapvision.formats.job_file import CAR_SCHEMA, HANG_LIST_SCHEMA, CarOfJobFile, CarPlace, HangList
from gapvision.formats.specification_file import specification_to_table
from gapvision.formats.toml import toml_from_text
from gapvision.judgement import reading_from_measurement
from gapvision.judgement.car_plan import evenness, learn, pair_checks
from gapvision.judgement.car_rows import Setting, car_reading, first_on_left, seam_line, settings_of_car
from gapvision.model import Measurement
from gapvision.records import MeasurementLine, Store, StoredPlan
from gapvision.workshop.measuring import stored


def car_of(store: Store, job_id: int) -> model.Car | None:
    """The whole car that is kept with a job, see :func:`set_car`; or None."""
    kept = _kept_car(store, job_id)
    return None if kept is None else _car_in(kept)


def _car_in(kept: CarOfJobFile) -> model.Car:
    return car_from_table(toml_from_text(kept.file, "the job's car"))


def needed_car(store: Store, job_id: int) -> tuple[CarOfJobFile, model.Car]:
    """The job's car as it is kept and as it is read; raises ``car-file-bad`` where it has none."""
    kept = _kept_car(store, job_id)
    if kept is None:
        raise GapvisionError("car-file-bad", "The job has no car.", "Take one in with 'gapvision car ... --job'.")
    return kept, _car_in(kept)


def _kept_car(store: Store, job_id: int) -> CarOfJobFile | None:
    found = [p.body for p in store.plans(job_id) if p.body.get("schema") == CAR_SCHEMA]
    return read_declared(CarOfJobFile, found[-1], "the job's car", "car-file-bad") if found else None


def set_car(store: Store, job_id: int, text: str) -> int:
    """Keep a car file with a job and add those of its seams that the job lacks, by their names; how many.

    Raises
    ------
    GapvisionError
        As :func:`gapvision.formats.car_file.car_from_table`; nothing is kept then.
    """
    car = car_from_table(toml_from_text(text, "the car file"), "the car file")
    there = {s.full_name for s in store.seams(job_id)}
    kept = _kept_car(store, job_id)
    places = {} if kept is None else {k: v for k, v in kept.places.items() if k in {s.name for s in car.seams}}
    _keep_car(store, job_id, text, places)
    new = [s for s in car.seams if s.name not in there]
    for seam in new:
        side = next((x for x in ("left", "right") if seam.name.startswith(f"{x} ")), "")
        spec = None if seam.spec is None else specification_to_table(seam.spec)
        store.add_seam(job_id, seam.name.removeprefix(f"{side} "), side=side, spec=spec)
    return len(new)


def _keep_car(store: Store, job_id: int, text: str, places: Mapping[str, CarPlace]) -> None:
    laid = {name: {"at_mm": p.at_mm, "edge": p.edge} for name, p in places.items()}
    store.add_plan(job_id, "car", {"schema": CAR_SCHEMA, "file": text, "places": laid})


@dataclass(frozen=True, slots=True, kw_only=True)
class CarOfJob:
    """A job's car with what was measured of it.

    Attributes
    ----------
    before, now : mapping of str to tuple of SeamReading
        Seam -> its first and its latest result, laid on it.
    places : mapping of str to CarPlace
        Where its photos lie.
    not_placed : mapping of str to float
        Seams that were measured, but of whose photo it is not said where it lies -> the length that was measured [mm].
    not_laid : tuple of (str, str)
        Seams whose result does not lie on the car as it was said, and why.
    key : tuple
        What all of this follows from.
    """

    car: model.Car
    before: Mapping[str, tuple[model.SeamReading, ...]]
    now: Mapping[str, tuple[model.SeamReading, ...]]
    places: Mapping[str, CarPlace]
    not_placed: Mapping[str, float]
    not_laid: tuple[tuple[str, str], ...]
    key: tuple[Any, ...]

    @property
    def measured(self) -> model.MeasuredCar | None:
        """The car with its latest results; None where none could be laid on it."""
        return model.MeasuredCar(car=self.car, readings=self.now) if self.now else None


def car_with_results(store: Store, job_id: int) -> CarOfJob | None:
    """Lay a job's results on its car: each seam's first and latest; None where the job has no car.

    Which way a photo runs follows from which edge in it belongs to which body; where it begins must be said
    (:func:`place_on_car`), or stand in the seam's specification.
    """
    kept = _kept_car(store, job_id)
    if kept is None:
        return None
    car = _car_in(kept)
    before, now = dict[str, tuple[model.SeamReading, ...]](), dict[str, tuple[model.SeamReading, ...]]()
    not_placed, not_laid, key = dict[str, float](), list[tuple[str, str]](), list[Any]()
    for seam, own in _car_lines(store, job_id, car):
        key += [x.uid for x in own]
        at = _place_of(kept, seam)
        if at is None:
            profile = stored(store, own[-1]).profile
            not_placed[seam.name] = 0.0 if profile is None else float(profile.s_mm[-1] - profile.s_mm[0])
            continue
        try:
            now[seam.name] = (_on_car(car, seam, stored(store, own[-1]), at),)
        except GapvisionError as error:
            not_laid.append((seam.name, error.message))
            continue
        with suppress(GapvisionError):  # an older photo may have lain elsewhere
            before[seam.name] = (_on_car(car, seam, stored(store, own[0]), at),)
    places = {name: (p.at_mm, p.edge) for name, p in kept.places.items()}
    return CarOfJob(
        car=car, before=before, now=now, places=kept.places, not_placed=not_placed, not_laid=tuple(not_laid),
        key=(kept.file, tuple(sorted(places.items())), *key),
    )  # fmt: skip


def _car_lines(store: Store, job_id: int, car: model.Car) -> list[tuple[model.CarSeam, list[MeasurementLine]]]:
    """The results of each seam of a car, oldest first; seams without any are left out."""
    lines = [x for x in store.job_lines(job_id) if x.newest and x.status != "refused"]
    named = {s.full_name: s.seam_id for s in store.seams(job_id)}
    found = [(s, [x for x in lines if x.seam_id == named.get(s.name, named.get(s.other_name))]) for s in car.seams]
    return [(s, own) for s, own in found if own]


def _place_of(kept: CarOfJobFile, seam: model.CarSeam) -> CarPlace | None:
    at = kept.places.get(seam.name)
    if at is None and seam.spec is not None and seam.spec.photo_at_mm is not None:
        at = CarPlace(at_mm=seam.spec.photo_at_mm, edge="A" if seam.panel_edge == "A" else "B")
    return at


def taught_car(store: Store, job_id: int, done: Sequence[str]) -> tuple[model.Car, tuple[model.Notice, ...]]:
    """A job's car with what its panels' answers to the hang lists kept taught of its adjusters, and what to say of it.

    Each list is held against the results before it and after it, for the panels that were set by it: those named when
    the next list was kept, of the last one those in ``done``.

    Raises
    ------
    GapvisionError
        ``car-file-bad`` where the job has no car.
    """
    kept, car = needed_car(store, job_id)
    lists = _hang_lists(store, job_id)
    bodies = [_hang_list_in(p) for p in lists]
    results = _car_lines(store, job_id, car) if lists else []
    told: tuple[model.Notice, ...] = ()
    for k, body in enumerate(bodies):
        set_by = set(done if k + 1 == len(bodies) else bodies[k + 1].done)
        until = lists[k + 1].made_at if k + 1 < len(lists) else ""
        stages: list[dict[str, tuple[model.SeamReading, ...]]] = [{}, {}]
        for seam, own in results:
            at = _place_of(kept, seam)
            first = [x for x in own if x.made_at <= lists[k].made_at]
            then = [x for x in own if x.made_at > lists[k].made_at and (not until or x.made_at <= until)]
            if at is not None and first and then:
                with suppress(GapvisionError):
                    pair = [(_on_car(car, seam, stored(store, x), at),) for x in (first[-1], then[-1])]
                    stages[0][seam.name], stages[1][seam.name] = pair
        known = {s: n for n, s in enumerate(settings_of_car(car))}
        at_mm = np.zeros(len(known))
        for x in body.settings:
            if x.panel in set_by and Setting(x.panel, x.adjuster, x.way) in known:
                at_mm[known[Setting(x.panel, x.adjuster, x.way)]] = x.set_mm
        if at_mm.any() and stages[1]:
            one, two = (model.MeasuredCar(car=car, readings=stage) for stage in stages)
            car, told = learn(one, at_mm, two)
    return car, told


def place_on_car(store: Store, job_id: int, places: Mapping[str, tuple[float, str]]) -> None:
    """Keep where the photos of a car's seams lie: seam -> its first station [mm], the edge of its first body (A or B).

    Raises
    ------
    GapvisionError
        ``car-file-bad`` where the job has no car, or the car no such seam.
    """
    kept, car = needed_car(store, job_id)
    new = {car.seam(n).name: CarPlace(at_mm=at, edge="A" if edge == "A" else "B") for n, (at, edge) in places.items()}
    _keep_car(store, job_id, kept.file, {**kept.places, **new})


def _on_car(car: model.Car, seam: model.CarSeam, measurement: Measurement, at: CarPlace) -> model.SeamReading:
    laid = replace(seam, panel_edge=at.edge)
    first = reading_from_measurement(measurement, seam.name, panel_edge=at.edge)
    turned = first.panel_on_left != first_on_left(seam_line(car, laid))
    photo = model.PhotoPlace(file=seam.name, at_mm=at.at_mm, reverse=turned)
    return car_reading(car, laid, measurement, photo, f"the photo of '{seam.name}'")


def keep_hang_list(store: Store, job_id: int, plan: model.CarPlan, done: Sequence[str] = ()) -> None:
    """Keep a car's hang list with its job, so that the report carries it and what came of it teaches the next one.

    ``done``: panels that were set by the list that was kept before.
    """
    ways = zip(settings_of_car(plan.measured.car), plan.settings_mm.tolist(), strict=True)
    settings = [{"panel": s.body, "adjuster": s.adjuster, "way": s.way, "set_mm": v} for s, v in ways if v]
    steps = [{"panel": s.panel, "said": list(words.hang_step(s, words.MM))} for s in plan.steps]
    then = [words.edge_work(e, words.MM) for e in plan.edges] + words.edge_remedies(plan.edges)
    body = {
        "schema": HANG_LIST_SCHEMA, "settings": settings, "done": list(done), "steps": steps, "then": then,
        "said": [words.car_words(plan, words.MM)],
    }  # fmt: skip
    store.add_plan(job_id, "hang list", body)


def _hang_lists(store: Store, job_id: int) -> list[StoredPlan]:
    return [p for p in store.plans(job_id) if p.body.get("schema") == HANG_LIST_SCHEMA]


def _hang_list_in(plan: StoredPlan) -> HangList:
    return read_declared(HangList, plan.body, "the hang list", "plan-file-bad")


def car_evidence(store: Store, job_id: int, seams: Sequence[tuple[str, str]], say: words.Lengths) -> Any:
    """The job's car for its report: states by verdict, evenness, left against right, the hang list kept."""
    from gapvision.reports import evidence as ev

    laid = car_with_results(store, job_id)
    if laid is None:
        return None
    lists = _hang_lists(store, job_id)
    kept = _hang_list_in(lists[-1]) if lists else None
    named = dict(seams)
    states = {s.name: named.get(s.name, named.get(s.other_name, model.HOLE)) for s in laid.car.seams}
    both = [n for n in laid.now if n in laid.before and laid.car.seam(n).spec is not None]
    said, pairs = [], list[tuple[str, ...]]()
    if both:
        then, now = (
            model.MeasuredCar(car=laid.car, readings={n: stage[n] for n in both}) for stage in (laid.before, laid.now)
        )
        said.append(words.evenness_words(evenness(then), evenness(now), len(both), len(laid.car.seams), say))
        first = dict(pair_checks(then))
        for name, check in pair_checks(now):
            was = first.get(name)
            values = (f"{say.small(c.value, signed=True)}, {c.state}" if c else "-" for c in (was, check))
            pairs.append((name, *values))
    return ev.CarEvidence(
        car=laid.car, states=states, said=tuple(said), pairs=tuple(pairs),
        planned=() if kept is None else tuple(kept.said),
        steps=() if kept is None else tuple((s.panel, tuple(s.said)) for s in kept.steps),
        then=() if kept is None else tuple(kept.then),
        made_at="" if kept is None else lists[-1].made_at[:10],
    )  # fmt: skip
