"""Specifications: read, write, refuse nonsense in words."""

import numpy as np
import pytest

from gapvision.errors import GapvisionError
from gapvision.formats.specification_file import (
    specification_from_table,
)
from gapvision.judgement import PRESETS, limits_at, nominal_at, preset
from gapvision.model import NominalPoint, Specification

DOOR = {
    "name": "door rear",
    "nominal": [{"at": "0mm", "gap": "1/4in"}, {"at": "600mm", "gap": "3/16in"}, {"at": "900mm", "gap": "1/8in"}],
    "allow_below": "0.5mm",
    "allow_above": "1/32in",
    "taper_mm_per_m": 2,
    "straightness": "0.5mm",
}


def test_gap_varies_linearly_between_its_points():
    spec = specification_from_table(DOOR)
    s = np.array([-10.0, 0, 300, 600, 750, 900, 950])
    # 1/4, 3/16 and 1/8 in are 6.35, 4.7625 and 3.175 mm exactly (United States Code title 15 section 206)
    assert nominal_at(spec, s, (0, 900)) == pytest.approx([6.35, 6.35, 5.55625, 4.7625, 3.96875, 3.175, 3.175])
    lower, upper = limits_at(spec, s, (0, 900))
    assert upper - lower == pytest.approx(np.full(7, 0.5 + 0.79375))


def test_shares_follow_the_seam():
    spec = preset("door-period")
    assert nominal_at(spec, np.array([100.0, 350.0, 600.0]), (100, 600)) == pytest.approx([6.35, 4.7625, 3.175])


@pytest.mark.parametrize("name", PRESETS)
def test_presets_say_that_they_are_common_practice(name):
    assert preset(name).source == "common practice, no source"


def test_endless_numbers():
    with pytest.raises(GapvisionError, match="missing or endless"):
        Specification(nominal=(NominalPoint(0.0, float("nan")),), allow_below_mm=1, allow_above_mm=1)


def test_unknown_preset_lists_the_known_ones():
    with pytest.raises(GapvisionError, match="even-close, even-road, door-period"):
        preset("tight")
