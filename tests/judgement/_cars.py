"""Invented cars for the judgement's tests."""

import numpy as np

from gapvision.formats.car_file import car_file, car_from_table
from gapvision.judgement.car_rows import moved_readings, settings_of_car
from gapvision.model import MeasuredCar, SeamReading


def ready(shape="two-seat roadster", preset="even-road"):
    return car_from_table(car_file("car", shape, {}, preset))


def reading(seam, gap=4.7625, u=0.1, spacing=5.0, step=0.0, noise=0.0, rng=None):
    s = np.arange(10.0, seam.length_mm - 9.0, spacing)
    gap = np.broadcast_to(np.asarray(gap(s) if callable(gap) else gap, float), s.shape)
    gap = gap if rng is None else gap + noise * rng.normal(size=len(s))
    return SeamReading(
        seam=seam.name, photo=f"{seam.name}.jpg", s_mm=s, gap_mm=gap, expanded_u_mm=np.full(len(s), u),
        panel_edge_mm=np.zeros(len(s)), xy_mm=np.zeros((0, 2)), outward=np.zeros((0, 2)), spacing_mm=spacing,
        step_mm=step, step_u_mm=0.1,
    )  # fmt: skip


def even(car, gaps=None, **more):
    """A car whose gaps are as wanted, but for some."""
    gaps = gaps or {}
    return MeasuredCar(car=car, readings={s.name: (reading(s, gaps.get(s.name, 4.7625), **more),) for s in car.seams})


def displaced(measured, settings_mm):
    car = measured.car
    readings = {k: moved_readings(car, car.seam(k), v, settings_mm) for k, v in measured.readings.items()}
    return MeasuredCar(car=car, readings=readings)


def settings(car, **of):
    """Settings by 'panel, adjuster, number of the way'."""
    names = [f"{s.body}, {s.adjuster}, {s.way}" for s in settings_of_car(car)]
    out = np.zeros(len(names))
    for name, value in of.items():
        out[names.index(name)] = value
    return out
