"""Specification files: written, read, and what is wrong in them said with its place."""

import tomllib
from dataclasses import replace

import numpy as np
import pytest
import tomli_w
from hypothesis import example, given
from hypothesis import strategies as st

from gapvision.errors import GapvisionError
from gapvision.formats.specification_file import (
    read_specification,
    specification_from_table,
    specification_to_table,
)
from gapvision.judgement import PRESETS, limits_at, preset, simple_spec

DOOR = {
    "name": "door rear",
    "nominal": [{"at": "0mm", "gap": "1/4in"}, {"at": "600mm", "gap": "3/16in"}, {"at": "900mm", "gap": "1/8in"}],
    "allow_below": "0.5mm",
    "allow_above": "1/32in",
    "taper_mm_per_m": 2,
    "straightness": "0.5mm",
}


@pytest.mark.parametrize("name", [*PRESETS, "door"])
def test_written_and_read_back(tmp_path, name):
    spec = specification_from_table(DOOR) if name == "door" else preset(name)
    (tmp_path / "s.toml").write_text(tomli_w.dumps(specification_to_table(spec)), encoding="utf-8")
    assert read_specification(tmp_path / "s.toml") == spec
    assert specification_from_table(specification_to_table(spec)) == spec


def test_absolute_limits():
    spec = specification_from_table({"nominal": "3/16in", "smallest": "4mm", "largest": "5.5mm"})
    lower, upper = limits_at(spec, np.zeros(1), (0, 1))
    assert (float(lower[0]), float(upper[0])) == pytest.approx((4.0, 5.5))


NONSENSE = [
    (
        {**DOOR, "allow_below": "-1mm"},
        "The specification: the limits are crossed: the lower limit lies above the upper one, or the wanted gap is "
        "outside them.",
    ),
    (
        {"nominal": "3/16in", "smallest": "5mm", "largest": "6mm"},
        "The specification: the limits are crossed: the lower limit lies above the upper one, or the wanted gap is "
        "outside them.",
    ),
    (
        {**DOOR, "allow_below": "0mm", "allow_above": "0mm"},
        "The specification: the limits leave no room: lower and upper limit are equal.",
    ),
    ({**DOOR, "allow_below": "4mm"}, "The specification: the lower limit is a negative gap."),
    ({**DOOR, "nominal": "-3mm"}, "The specification: a wanted gap is zero or negative."),
    (
        {**DOOR, "nominal": [{"at": "5mm", "gap": "4mm"}, {"at": "5mm", "gap": "5mm"}]},
        "The specification: the places of the wanted gap do not run forward along the seam.",
    ),
    ({**DOOR, "straightness": "0mm"}, "The specification: the limit on straightness is not above zero."),
    ({**DOOR, "side": "top"}, "The specification: 'top' is not a side of the car."),
    ({"allow_below": "1mm", "allow_above": "1mm"}, "The specification: no wanted gap is given."),
    ({"nominal": "4mm"}, "The specification: no limits are given."),
    (
        {**DOOR, "nominal": [{"at": "0mm", "gap": "4mm"}, {"at": "50%", "gap": "5mm"}]},
        "The specification, nominal: lengths and shares of the seam are mixed.",
    ),
]


@pytest.mark.parametrize(("table", "sentence"), NONSENSE, ids=[s[:40] for _, s in NONSENSE])
def test_nonsense_is_refused_in_words(table, sentence):
    with pytest.raises(GapvisionError) as caught:
        specification_from_table(table)
    assert (caught.value.code, caught.value.message) == ("specification-nonsense", sentence)


UNREADABLE = [
    ({**DOOR, "nominel": 3}, "The specification: the line 'nominel' is not known."),
    ({**DOOR, "step": True}, "The specification, step: true is not a length."),
    ({**DOOR, "straightness": "thick"}, "The specification, straightness: 'thick' is not a length."),
    ({**DOOR, "nominal": [{"at": "0mm"}]}, "The specification, nominal[0]: 'gap' is missing."),
    ({**DOOR, "taper_mm_per_m": "2"}, "The specification, taper_mm_per_m: a number is expected, not a text."),
]


@pytest.mark.parametrize(("table", "sentence"), UNREADABLE, ids=[s[:40] for _, s in UNREADABLE])
def test_what_cannot_be_read(table, sentence):
    with pytest.raises(GapvisionError) as caught:
        specification_from_table(table)
    assert (caught.value.code, caught.value.message) == ("specification-unreadable", sentence)


def test_files_that_cannot_be_read(tmp_path):
    with pytest.raises(GapvisionError) as caught:
        read_specification(tmp_path / "none.toml")
    assert caught.value.code == "file-not-found"
    (tmp_path / "bad.toml").write_text("nominal = ", encoding="utf-8")
    with pytest.raises(GapvisionError, match=r"'bad\.toml' is not TOML"):
        read_specification(tmp_path / "bad.toml")
    (tmp_path / "latin.toml").write_bytes(b"\xff\xfe\xff")
    with pytest.raises(GapvisionError, match="not a text file"):
        read_specification(tmp_path / "latin.toml")


LIMITS = ("straightness_mm", "straightness_100_mm", "jump_10_mm", "opposite_mm", "step_mm", "length_mm")


@example(["straightness_mm"], 2e-288, 4.7625)
@example(["step_mm"], 1e-5, 1e-8)
@example(["length_mm"], 1e300, 4.7625)
@given(st.lists(st.sampled_from(LIMITS), max_size=3), st.floats(1e-300, 1e300), st.floats(2e-9, 1e6))
def test_what_is_written_is_read_back_or_refused_in_words(names, limit_mm, gap_mm):
    """Lengths of any size: one that no file could hold is refused when it is written."""
    spec = replace(simple_spec(gap_mm, 0.5 * gap_mm, 0.5 * gap_mm), **dict.fromkeys(names, limit_mm))
    if names and not 1e-9 <= limit_mm <= 1e6:
        with pytest.raises(GapvisionError, match=r" mm is no length for a file\.") as caught:
            specification_to_table(spec)
        assert caught.value.code == "value-out-of-range"
    else:
        assert specification_from_table(tomllib.loads(tomli_w.dumps(specification_to_table(spec)))) == spec


@pytest.mark.parametrize("size", ["0.0000000001mm", "2000000mm", "0.0000000000001mm", "5000000mm"])
def test_lengths_out_of_all_proportion_are_refused(size):
    with pytest.raises(GapvisionError) as caught:
        specification_from_table({**DOOR, "straightness": size})
    assert caught.value.code == "specification-unreadable"
    assert " is not between 0.000000001 mm and 1000 m." in caught.value.message
