"""Lengths in the unit that the page's switch asks for.  1 in = 25.4 mm exactly; so 1 mm/m = 12 in/ft / 1000."""

import pytest

from gapvision.units import format_place, format_slope, format_small, sentence_in


@pytest.mark.parametrize(
    ("mm", "unit", "said"),
    [
        (134.4, "mm", "134 mm"),
        (50.8, "in", "2.00 in"),
        (100.0, "in", "3.94 in"),
        (101.6, "fraction", "4 in"),
        (134.0, "fraction", "5 9/32 in"),  # 5.2756 in = 5 + 8.82/32
        (float("nan"), "in", "-"),
    ],
)
def test_places(mm, unit, said):
    assert format_place(mm, unit) == said


@pytest.mark.parametrize(
    ("mm", "unit", "signed", "said"),
    [
        (0.1, "mm", False, "0.10 mm (0.004 in)"),
        (0.1, "in", False, "0.004 in (0.10 mm)"),
        (0.1, "fraction", False, "0.004 in (0.10 mm)"),
        (-0.29, "fraction", True, "-0.011 in (-0.29 mm)"),
        (0.29, "mm", True, "+0.29 mm (+0.011 in)"),
        (float("nan"), "mm", False, "-"),
    ],
)
def test_small_lengths_never_vanish_in_fractions(mm, unit, signed, said):
    assert format_small(mm, unit, signed=signed) == said


def test_slopes():
    assert format_slope(-2.5, "mm") == "-2.5 mm per metre"
    assert format_slope(10.0, "in") == "+0.120 in per foot (+10.0 mm per metre)"
    assert format_slope(float("nan"), "in") == "-"


@pytest.mark.parametrize(
    ("text", "inch", "fraction"),
    [
        ("out along 34 mm.", "out along 1.34 in.", "out along 1 11/32 in."),
        ("from 20 to 54 mm:", "from 0.79 to 2.13 in:", "from 25/32 to 2 1/8 in:"),
        ("worst 4.7625 mm, U 0.05 mm", "worst 0.188 in = 4.7625 mm, U 0.002 in = 0.05 mm",
         "worst 3/16 in = 4.7625 mm, U 0.002 in = 0.05 mm"),
        ("change +0.25 mm", "change +0.010 in = +0.25 mm", "change +0.010 in = +0.25 mm"),
        ("taper +1.25 mm/m", "taper +0.015 in per foot = +1.25 mm/m", "taper +0.015 in per foot = +1.25 mm/m"),
        ("turned -2.0 mm per metre", "turned -0.024 in per foot = -2.0 mm per metre",
         "turned -0.024 in per foot = -2.0 mm per metre"),
    ],
)  # fmt: skip
def test_sentences(text, inch, fraction):
    assert sentence_in(text, "mm") == text
    assert sentence_in(text, "in") == inch
    assert sentence_in(text, "fraction") == fraction


@pytest.mark.parametrize(
    "text",
    [
        "0.46 mm (1/64 in) to the left",
        "3/16 in (4.76 mm) wide",
        "2026-11-25",
        "10 mmHg",
        "the 200 mm and the 150 mm line",
        "U: k = 2, about 95 %",
    ],
)
def test_what_is_given_in_both_systems_or_is_no_length_stays(text):
    assert sentence_in(text, "in") == text
