"""Lengths in the unit wanted: rounding never means another thing.

1 in = 25.4 mm exactly, so 1 mm/m = 12 in/ft / 1000; fractions are held against fractions.Fraction (Python's library)
and against the table in United States Code title 15 section 206, as tests/published/test_published_units.py has it.
"""

import re
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from gapvision.words import Lengths, gauges

INCH = Fraction(254, 10)
UNITS = ("mm", "in", "fraction")
GAUGES = Path(__file__).parents[1] / "published" / "data" / "sheet_gauge.csv"
gaps = st.floats(0.5, 30.0)


def exact(mm):
    return Fraction(repr(float(mm)))


def inches(text):
    """The lengths [in] of a text that end in 'in', read by Fraction: '11/64 to 1 13/64 in' gives two."""
    number = r"-?(?:\d+ \d+/\d+|\d+/\d+|\d+\.\d+|\d+)"
    out = []
    for found in re.findall(rf"({number})(?: to ({number}))? in\b", text):
        out += [sum(map(Fraction, part.split())) for part in found if part]
    return out


def millimetres(text):
    out = []
    for found in re.findall(r"(\d+\.?\d*)(?: to (\d+\.?\d*))? mm\b", text):
        out += [Fraction(part) for part in found if part]
    return out


def test_the_reader_of_these_tests_reads():
    assert inches("11/64 to 1 13/64 in (exactly 4.27 to 5.26 mm)") == [Fraction(11, 64), Fraction(77, 64)]
    assert inches("0.168 to 2 in") == [Fraction("0.168"), 2]
    assert millimetres("11/64 in (4.27 to 5.26 mm)") == [Fraction("4.27"), Fraction("5.26")]


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
    assert Lengths(unit).place(mm) == said


def test_inch_decimals_of_a_gap_are_as_fine_as_the_limits_and_u_beside_it():
    say = Lengths("in")
    assert say.gap(4.7625) == say.target(4.7625) == "0.188 in (4.76 mm)"
    assert say.gap_alone(4.7625) == "0.188 in"


@pytest.mark.parametrize(
    ("from_mm", "to_mm", "unit", "said"),
    [(20, 54, "mm", "20 to 54 mm"), (20, 54, "in", "0.79 to 2.13 in"), (20, 54, "fraction", "25/32 to 2 1/8 in")],
)
def test_stretches(from_mm, to_mm, unit, said):
    assert Lengths(unit).stretch(from_mm, to_mm) == said


@pytest.mark.parametrize(
    ("mm", "unit", "signed", "said"),
    [
        (0.1, "mm", False, "0.10 mm (0.004 in)"),
        (0.1, "in", False, "0.004 in (0.10 mm)"),
        (0.1, "fraction", False, "0.004 in (0.10 mm)"),
        (-0.29, "fraction", True, "-0.011 in (-0.29 mm)"),
        (0.29, "mm", True, "+0.29 mm (+0.011 in)"),
        (0.01, "in", False, "0.0004 in (0.01 mm)"),
        (-0.001, "mm", True, "+0.00 mm (+0.0000 in)"),  # no minus nought
        (-0.001, "in", False, "0.0000 in (0.00 mm)"),
        (float("nan"), "mm", False, "-"),
        (float("inf"), "in", False, "-"),
    ],
)
def test_small_lengths_never_vanish(mm, unit, signed, said):
    assert Lengths(unit).small(mm, signed=signed, both=True) == said


def test_small_lengths_alone_and_in_sentences():
    assert [Lengths(u).small(0.31) for u in UNITS] == ["0.31 mm", "0.012 in (0.31 mm)", "0.012 in (0.31 mm)"]
    assert [Lengths(u).small(0.31, alone=True) for u in UNITS] == ["0.31 mm", "0.012 in", "0.012 in"]
    assert [Lengths(u).small_range(0.1, 0.31) for u in UNITS[:2]] == [
        "0.10 to 0.31 mm",
        "0.004 to 0.012 in (0.10 to 0.31 mm)",
    ]


def test_slopes():
    assert Lengths("mm").slope(-2.5) == "-2.5 mm per metre"
    assert Lengths("in").slope(10.0) == "+0.120 in per foot (+10.0 mm per metre)"
    assert Lengths("fraction").slope(1.25, signed=False) == "0.015 in per foot (1.2 mm per metre)"
    assert Lengths("in").slope(float("nan")) == "-"


def test_films():
    assert Lengths("mm").film(51, 76) == "51 to 76 micrometres"
    assert Lengths("in").film(50.8, 76.2) == "2.0 to 3.0 mil (51 to 76 micrometres)"  # 1 mil = 25.4 micrometres


@pytest.mark.parametrize(
    ("mm", "unit", "said"),
    [
        (4.7625, "mm", "4.76 mm (3/16 in)"),
        (3.33, "mm", "3.33 mm (0.131 in)"),  # 1/8 in is 3.175 mm: as far off as a good U is wide
        (0.15, "mm", "0.15 mm (0.006 in)"),
        (0, "mm", "0.00 mm (0 in)"),
        (4.7625, "fraction", "3/16 in (4.76 mm)"),
        (3.33, "fraction", "1/8 in full (3.33 mm)"),
        (4.14, "fraction", "5/32 in full (4.14 mm)"),  # 10.43/64
        (4.30, "fraction", "11/64 in scant (4.30 mm)"),  # 10.83/64
        (0.15, "fraction", "0.006 in (0.15 mm)"),
        (float("nan"), "fraction", "-"),
    ],
)
def test_gaps(mm, unit, said):
    assert Lengths(unit).gap(mm) == said


@given(gaps, st.sampled_from(UNITS))
def test_the_inches_of_a_reading_are_its_own_or_say_which_way_they_are_off(mm, unit):
    """Half a thousandth of an inch in decimals; else the side of the 64th is said, and it is less than half of one."""
    text = Lengths(unit).gap(mm)
    (inch,) = inches(text)
    off = exact(mm) - inch * INCH
    if "full" in text or "scant" in text:
        assert 0 < (off if "full" in text else -off) <= INCH / 128
    else:
        assert abs(off) <= INCH / 2000


def test_no_such_unit():
    with pytest.raises(ValueError, match="unit: expected one of mm, in, fraction, got 'inch'"):
        Lengths("inch")


# --- limits -----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("lower", "upper", "unit", "said"),
    [
        # Wanted 3/16 in, half a millimetre either way.
        (4.2625, 5.2625, "mm", "4.27 to 5.26 mm (0.168 to 0.207 in)"),
        (4.2625, 5.2625, "in", "0.168 to 0.207 in (4.27 to 5.26 mm)"),
        (4.2625, 5.2625, "fraction", "11/64 to 13/64 in (exactly 4.27 to 5.26 mm)"),
        # 11/64 in is 4.37 mm: a lower limit of 4.51 mm is not kept by it.
        (4.51, 5.43, "fraction", "3/16 to 13/64 in (exactly 4.51 to 5.43 mm)"),
        (3.96875, 5.55625, "fraction", "5/32 to 7/32 in (3.97 to 5.55 mm)"),  # on the graduation
        (4.40, 4.60, "fraction", "0.174 to 0.181 in (4.40 to 4.60 mm)"),  # no 64th lies between 11.09 and 11.59
        (4.401, 4.402, "mm", "4.401 to 4.402 mm (0.1733 to 0.1733 in)"),  # finer before they cross
        (4.7625, 4.7625, "mm", "4.7625 to 4.7625 mm (0.1875 to 0.1875 in)"),
    ],
)
def test_limits_round_inwards(lower, upper, unit, said):
    assert Lengths(unit).limits(lower, upper) == said


@given(gaps, st.floats(0.0, 3.0), st.sampled_from(UNITS))
def test_no_written_limit_lies_outside_the_true_ones(lower, width, unit):
    upper = lower + width
    text, slack = Lengths(unit).limits(lower, upper), Fraction(1, 10**6)
    written = [x * INCH for x in inches(text)], millimetres(text)
    for pair in written:
        assert len(pair) == 2, text
        low, high = pair
        assert exact(lower) - slack <= low <= high <= exact(upper) + slack, text


@given(st.floats(0.05, 30.0), st.sampled_from(UNITS))
def test_single_limits_round_to_the_safe_side(limit, unit):
    slack = Fraction(1, 10**6)
    least = Lengths(unit).least_gap(limit)
    assert all(x >= exact(limit) - slack for x in [*(i * INCH for i in inches(least)), *millimetres(least)]), least
    most = Lengths(unit).most(limit, both=True)
    assert all(x <= exact(limit) + slack for x in [*(i * INCH for i in inches(most)), *millimetres(most)]), most


def test_limits_on_the_published_graduations_stay_what_they_are():
    """Fractions of the statute's table that a steel rule has: 1/16 and 1/32 in, and multiples of these."""
    rows = [line.split(",") for line in GAUGES.read_text().splitlines()[2:]]
    rule = [Fraction(r[1]) for r in rows if 64 % Fraction(r[1]).denominator == 0]
    assert rule == [Fraction(1, 16), Fraction(1, 32)]
    for k, graduation in enumerate(rule, 2):
        low, high = float(k * graduation * INCH), float((k + 1) * graduation * INCH)
        text = Lengths("fraction").limits(low, high)
        assert inches(text) == [k * graduation, (k + 1) * graduation]
        assert "exactly" not in text


# --- targets, moves, trims ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("mm", "others", "unit", "said"),
    [
        (4.7625, (), "fraction", "3/16 in (4.76 mm)"),
        (4.93, (4.7625,), "fraction", "0.194 in (4.93 mm)"),  # 3/16 in full is the wanted gap: the paint would be lost
        (4.83, (), "fraction", "3/16 in full (4.83 mm)"),
        (4.83, (4.7625,), "fraction", "0.190 in (4.83 mm)"),
        (4.70, (), "mm", "4.70 mm (3/16 in scant)"),
        (4.95, (), "fraction", "0.195 in (4.95 mm)"),  # half way between two 64ths
        (0.94, (), "mm", "0.94 mm (0.037 in)"),
        (0.30, (), "fraction", "0.012 in (0.30 mm)"),  # never '0 in', nor 1/64 in, which is 0.40 mm
        (0.40, (), "fraction", "1/64 in (0.40 mm)"),  # on it
        (0.006, (), "fraction", "0.0002 in (0.01 mm)"),
        (5.20, (), "in", "0.205 in (5.20 mm)"),
        (float("nan"), (), "in", "-"),
    ],
)
def test_targets(mm, others, unit, said):
    assert Lengths(unit).target(mm, *others) == said


@given(st.floats(0.005, 40.0), st.sampled_from(UNITS))
def test_what_a_target_says_is_near_it(mm, unit):
    """Within what the last digit shows; a fraction with full or scant within a quarter of a 64th, on the side said."""
    text = Lengths(unit).target(mm)
    (inch,) = inches(text.replace(" in full", " in").replace(" in scant", " in"))
    off = exact(mm) - inch * INCH
    if "." not in re.search(r"[\d/.]+(?= in\b)", text)[0]:
        assert abs(off) <= INCH / 256
        assert ("full" in text) == (off >= Fraction(5, 1000))
        assert ("scant" in text) == (off <= -Fraction(5, 1000))
    else:
        assert abs(off) <= INCH / 2000
    assert inch != 0, "nothing that is not zero is told as zero"


def plain(text):
    """A target's fraction or decimals without full and scant [in]."""
    return inches(re.sub(r"(?<= in) (full|scant)", "", text))


@given(gaps, st.lists(gaps, min_size=1, max_size=4), st.sampled_from(UNITS))
def test_a_target_is_never_told_as_another_thing(mm, others, unit):
    """Not by the text of anything told beside it, and by no fraction of it, be it full, scant or plain."""
    assume(all(abs(mm - other) > 0.03 for other in others))
    say = Lengths(unit)
    text = say.target(mm, *others)
    assert text not in {say.gap(x) for x in others} | {say.target(x) for x in others}
    if "/" in text:
        assert all(plain(text) != inches(Lengths("fraction").gap(other)) for other in others), text


@given(st.floats(2.0, 30.0), st.floats(0.03, 1.0), st.floats(0.03, 1.0), st.floats(0.03, 1.0))
def test_a_gap_to_set_names_neither_its_limits_nor_the_wanted_gap(mm, below, above, film):
    say = Lengths("fraction")
    what, safe = say.to_set(mm, mm - below, mm + above, mm - film)
    if "/" in what and ("full" in what or "scant" in what):
        assert not set(plain(what)) & set(inches(safe)), (what, safe)
        assert plain(what) != inches(say.gap(mm - film)), what


@pytest.mark.parametrize("lower", [1.0, 1.37, 2.11, 3.22, 4.26, 5.81])
@pytest.mark.parametrize("room", [0.12, 0.3, 1.0])
def test_gauges_keep_to_the_limits_by_themselves(lower, room):
    """What goes in is at least as wide as the lower limit, what does not at most as the upper one."""
    told = gauges(lower, lower + room)
    sizes = [float(x) for x in re.findall(r"([\d.]+) mm", told)]
    inch = [float(Fraction(x)) * 25.4 for x in re.findall(r"(?<![\d.])(\d+(?:/\d+)?) in\b", told)]
    for pair in (sizes, inch):
        if pair:
            go, no_go = pair
            assert lower - 1e-6 <= go < no_go <= lower + room + 1e-6


def test_gauges_in_figures():
    # 4.26 to 5.26 mm: 4.3 and 5.2 mm; 11/64 in is 4.366 mm, 13/64 in 5.159 mm (1 in = 25.4 mm exactly).
    told = "a drill shank of 4.3 mm goes in, one of 5.2 mm does not; 11/64 in goes in, 13/64 in does not"
    assert gauges(4.26, 5.26) == told
    assert gauges(4.26, 4.27) == ""


def test_a_value_and_the_same_out_of_a_file_read_alike_in_inches():
    """0.1905 mm is 0.0075 in exactly: the last bit must not decide between 0.007 and 0.008."""
    told = {Lengths("mm").small(u, both=True) for u in (0.1905, 0.190498, 0.190502)}
    assert len(told) == 1
