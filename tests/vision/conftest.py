"""Invented photos with exact truth, drawn and measured once for all tests of this folder."""

from dataclasses import fields, replace

import numpy as np
import pytest

from gapvision.lab.scenes import CameraSpec, EdgeSpec, Inside, SceneSpec, StripSpec, render_grey
from gapvision.model import Photo, Settings
from gapvision.recipe import measure_photo

CHECKED = Settings(print_scale_checked=True)
CAMERA = CameraSpec(
    width_px=2400, height_px=1600, distance_mm=300, tilt_across_deg=6, tilt_along_deg=-4, k1=0.03, k2=-0.01
)
#: Two thirds of the pixels each way, for tests whose point is no accuracy; their limits are those of the large ones.
SMALL = replace(CAMERA, width_px=1600, height_px=1067)
PLAIN = SceneSpec(
    name="plain",
    gap_mm=4.6,
    taper_mm_per_m=2.0,
    camera=CAMERA,
    edge_a=EdgeSpec(kind="cut", radius_mm=0.12),
    edge_b=EdgeSpec(kind="cut", radius_mm=0.12),
    strips=(StripSpec(letter="A", t_mm=-42.0, angle_deg=1.0), StripSpec(letter="B", t_mm=42.0)),
)
SPECS = {
    "plain": PLAIN,
    "backlit": replace(
        PLAIN,
        name="backlit",
        inside=Inside(kind="backlit", level=0.7),
        edge_a=EdgeSpec(),
        edge_b=EdgeSpec(radius_mm=1.2),
    ),
    "flush": replace(PLAIN, name="flush", step_mm=1.0, camera=replace(CAMERA, tilt_across_deg=12)),
    "rolled": replace(PLAIN, name="rolled", edge_a=EdgeSpec(), edge_b=EdgeSpec(radius_mm=1.2)),
    "arc": replace(PLAIN, name="arc", seam_radius_mm=600.0),
    "bent": replace(PLAIN, name="bent", bend="along", bend_radius_mm=1000.0),
    "bent and stepped": replace(PLAIN, name="bent and stepped", bend="along", bend_radius_mm=1000.0, step_mm=1.0),
}


def photo_of(grey, focal=None):
    return Photo(grey=grey, file="scene.jpg", sha256="0" * 64, focal_35mm_mm=focal)


@pytest.fixture(scope="session")
def scene():
    made = {}

    def get(name):
        if name not in made:
            made[name] = render_grey(SPECS[name], seed=5)
            made[name][0].setflags(write=False)
        return made[name]

    return get


@pytest.fixture(scope="session")
def measured(scene):
    """A scene's measurement, for tests that only look at it: nobody can change what the others see."""
    made = {}

    def get(name, settings=CHECKED):
        if (name, settings) not in made:
            grey, _ = scene(name)
            one = made[name, settings] = measure_photo(photo_of(grey), settings)
            for part in fields(one.profile):
                value = getattr(one.profile, part.name)
                for array in value.values() if isinstance(value, dict) else [value]:
                    if isinstance(array, np.ndarray):
                        array.setflags(write=False)
        return made[name, settings]

    return get
