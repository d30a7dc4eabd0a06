"""The sheet's number and its code, against the theory of codes.

MacWilliams and Sloane, The Theory of Error-Correcting Codes, chapter 5: the weights of a code follow from those of its
dual (from memory).  ISO 7064 and ISBN-10 use divisors of the same kind for numbers that people type (from memory).
"""

import random
from math import comb

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gapvision.errors import GapvisionError
from gapvision.targets import sheet_code as code
from gapvision.targets import strip

NUMBERS = st.integers(code.FIRST_SHEET // 11, code.LAST_SHEET // 11).map(lambda k: 11 * k)
PLACES = st.permutations(range(50))


def test_two_words_differ_in_eight_bits_or_more():
    """Number of words of each weight by the MacWilliams identity, from all 2^19 words of the dual code."""
    rows = np.array([code._remainder(1 << k) for k in range(50)], np.uint32)
    dual = np.arange(1 << 19, dtype=np.uint32)
    weights = sum(np.bitwise_count(dual & row) & 1 for row in rows)
    of_dual = [int(n) for n in np.bincount(weights, minlength=51)]

    def words(weight):
        krawtchouk = (
            sum((-1) ** s * comb(i, s) * comb(50 - i, weight - s) for s in range(weight + 1)) for i in range(51)
        )
        return sum(n * k for n, k in zip(of_dual, krawtchouk, strict=True)) // 2**19

    assert [words(w) for w in range(8)] == [1, 0, 0, 0, 0, 0, 0, 0]
    assert words(8) > 0
    assert sum(words(w) for w in range(51)) == 2**31


@given(NUMBERS, PLACES, st.integers(0, 3))
def test_a_number_comes_back_with_up_to_three_bits_missing(number, places, missing):
    bits = list(code.word_of(number))
    for k in places[:missing]:
        bits[k] = None
    assert code.number_of(bits) == number


@given(NUMBERS, PLACES, st.integers(0, 3), st.data())
def test_up_to_seven_spoilt_bits_are_noticed(number, places, missing, data):
    """A wrong number is worse than none."""
    wrong = data.draw(st.integers(1, 7 - missing))
    bits = list(code.word_of(number))
    for k in places[:missing]:
        bits[k] = None
    for k in places[missing : missing + wrong]:
        bits[k] = 1 - bits[k]
    assert code.number_of(bits) is None


def test_words_by_lot_are_hardly_ever_numbers():
    """Expected: 8.2e7 numbers / 2^50 words, one in 14 million; of these 30 000, none."""
    lot = random.Random(5)
    assert all(code.number_of([lot.getrandbits(1) for _ in range(50)]) is None for _ in range(30_000))


@pytest.mark.parametrize("bits", [[0] * 50, [1] * 50, [0, 1] * 25, [1, 0] * 25, [None] * 4 + [0] * 46, [0] * 49])
def test_even_rows_and_parts_are_no_word(bits):
    assert code.number_of(bits) is None


@given(NUMBERS, st.integers(0, 8), st.integers(0, 9))
def test_a_mistyped_digit_is_noticed(number, place, digit):
    digits = list(str(number))
    if digits[place] == str(digit):
        return
    digits[place] = str(digit)
    with pytest.raises(GapvisionError) as caught:
        code.parse_sheet("".join(digits))
    assert caught.value.code == "sheet-not-understood"


@given(NUMBERS, st.integers(0, 7))
def test_digits_that_changed_places_are_noticed(number, place):
    digits = list(str(number))
    if digits[place] == digits[place + 1]:
        return
    digits[place], digits[place + 1] = digits[place + 1], digits[place]
    with pytest.raises(GapvisionError):
        code.parse_sheet("".join(digits))


@given(NUMBERS)
def test_a_number_is_read_as_it_is_printed(number):
    assert code.parse_sheet(code.sheet_text(number)) == number
    assert code.parse_sheet(f"  {number} ") == number


@pytest.mark.parametrize("text", ["", "A", "12345", "0407122947", "000000011", "4.0e8", "٤٠٧١٢٢٩٤٧", "-407122947 1"])
def test_what_is_no_number(text):
    with pytest.raises(GapvisionError, match="not the number of a sheet"):
        code.parse_sheet(text)


def test_numbers_are_drawn_by_lot_from_all():
    drawn = [code.draw_sheet_number() for _ in range(2000)]
    assert len(set(drawn)) == 2000
    assert all(code.is_sheet(n) for n in drawn)
    assert len({str(n)[0] for n in drawn}) == 9


@given(NUMBERS)
def test_cells_come_in_pairs_of_black_and_white(number):
    for cells in code.black_cells(number):
        assert len(cells) == 200
        assert all(a != b for a, b in zip(cells[::2], cells[1::2], strict=True))


def test_any_60_mm_of_a_strip_hold_the_whole_word():
    for first in range(100 - 25 + 1):
        seen = {code.bit_at(far, k) for far in (False, True) for k in range(first, first + 25)}
        assert seen == set(range(50))
    assert 25 * 2 * code.CELL_MM == 60


def test_the_code_stays_clear_of_the_pattern_and_of_the_cut():
    (low, near), (far, high) = code.cell_rows_mm()
    assert near == pytest.approx(-1.2)
    assert far - strip.PATTERN_WIDTH_MM == pytest.approx(1.2)
    assert strip.MARGIN_MM + low == pytest.approx(1.2)
    assert strip.PATTERN_WIDTH_MM + strip.MARGIN_MM - high == pytest.approx(1.2)
