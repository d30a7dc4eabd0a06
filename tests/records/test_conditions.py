"""Warnings when before and after were photographed under different conditions."""

import pytest

from gapvision.records import Conditions, conditions_notices

FULL = dict(
    latched=True,
    seal_fitted=True,
    shims_tight=True,
    hinges_tight=True,
    doors_closed=True,
    support="on its wheels",
    metal_temp_c=15.0,
)


def test_same_conditions_are_silent():
    near = FULL | {"support": "On its  wheels", "metal_temp_c": 19}
    assert conditions_notices(Conditions(**FULL), Conditions(**near)) == ()


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"latched": False}, "latched: yes before, no after"),
        ({"seal_fitted": False}, "rubber seal fitted: yes before, no after"),
        ({"support": "on axle stands"}, "the car stood on its wheels before, on axle stands after"),
        ({"metal_temp_c": 31.0}, "metal at 15 °C before, 31 °C after"),
    ],
)
def test_each_difference_is_named(change, words):
    (notice,) = conditions_notices(Conditions(**FULL), Conditions(**FULL | change))
    assert (notice.code, notice.kind) == ("conditions-differ", "warning")
    assert words in notice.message


def test_what_nobody_ticked_is_a_note():
    less = FULL | {"hinges_tight": None, "metal_temp_c": None}
    (notice,) = conditions_notices(Conditions(**FULL), Conditions(**less))
    assert (notice.code, notice.kind) == ("conditions-not-said", "note")
    assert notice.message == "Not said at both visits: hinges tight, metal temperature."
