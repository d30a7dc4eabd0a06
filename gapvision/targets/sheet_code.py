"""The number of a printed sheet, and the small code by which every strip of it carries that number.

A sheet's number has nine digits, drawn by lot: two sheets share one by chance once in 80 million.  It is a multiple of
11, so that one wrong digit, or two that changed places, are noticed when a person types it.

Its 31 bits and 19 check bits make a word of 50 bits.  Each bit is a pair of cells, one black and one white: which comes
first is the bit.  So a strip without a code shows no bit at all, and no threshold has to be guessed.  The word is
printed four times: twice along each long side, and on the far side half a word later, so that any 60 mm of a strip hold
all of it.

The check bits are those of the cyclic code of length 63 with the zeros 0 to 6 and their doubles (Bose, Ray-Chaudhuri,
Hocquenghem, with overall parity), cut short to 50: two words differ in eight bits or more.

Here, as in :mod:`gapvision.targets.strip`, places are in the strip's own frame [mm of the artwork].
"""

from __future__ import annotations

import secrets
from collections.abc import Sequence
from functools import cache
from itertools import product

from gapvision.errors import GapvisionError
from gapvision.targets.strip import PATTERN_LENGTH_MM, PATTERN_WIDTH_MM

#: Least and largest number of a sheet: nine digits, the first no zero.
FIRST_SHEET, LAST_SHEET = 100_000_010, 999_999_999
_DIVISOR = 11
DATA_BITS, CHECK_BITS = 31, 19
WORD_BITS = DATA_BITS + CHECK_BITS
#: Length of a cell along the strip; a bit takes two [mm].  A module of a marker is 1.286 mm.
CELL_MM = 1.2
CELLS_PER_SIDE = round(PATTERN_LENGTH_MM / CELL_MM)
WORDS_PER_SIDE = CELLS_PER_SIDE // (2 * WORD_BITS)
#: Where the cells begin and end, from the pattern outwards [mm]; 1.2 mm of white stay to the pattern and to the cut.
CELL_FROM_MM, CELL_TO_MM = 1.2, 2.8
#: So many bits that cannot be read may be filled in from the others; up to seven less those, if wrong, are noticed.
MOST_MISSING = 3

# (x + 1) times the minimal polynomials of a, a^3 and a^5, where a^6 = a + 1.
_GENERATOR = 0b10001000011101010001
# First binary digits of pi behind the point: an even row of bars is no word then.
_MASK = 0x243F6A8885A30 >> 2


def draw_sheet_number() -> int:
    """Number for a new sheet, by lot."""
    return secrets.choice(range(FIRST_SHEET, LAST_SHEET + 1, _DIVISOR))


def is_sheet(number: int) -> bool:
    """Whether a sheet can have that number."""
    return FIRST_SHEET <= number <= LAST_SHEET and number % _DIVISOR == 0


def sheet_text(number: int) -> str:
    """A sheet's number as people read it.

    Examples
    --------
    >>> sheet_text(407122947)
    '407 122 947'
    """
    return f"{number:,}".replace(",", " ")


def parse_sheet(text: str) -> int:
    """Read a sheet's number as it is printed or typed.

    Raises
    ------
    GapvisionError
        ``sheet-not-understood``.

    Examples
    --------
    >>> parse_sheet("407 122 947"), parse_sheet("407-122-947")
    (407122947, 407122947)
    """
    digits = "".join(text.replace("-", " ").replace(".", " ").split())
    if not (digits.isascii() and digits.isdigit() and len(digits) == 9 and is_sheet(int(digits))):
        raise GapvisionError("sheet-not-understood", f"'{text[:40]}' is not the number of a sheet.")
    return int(digits)


def _remainder(word: int) -> int:
    for k in range(word.bit_length() - 1, CHECK_BITS - 1, -1):
        if word >> k & 1:
            word ^= _GENERATOR << (k - CHECK_BITS)
    return word


def word_of(number: int) -> tuple[int, ...]:
    """The bits that carry a sheet's number, first bit first.

    Raises
    ------
    ValueError
        If no sheet has that number.
    """
    if not is_sheet(number):
        raise ValueError(f"number: expected nine digits, a multiple of {_DIVISOR}, got {number}")
    word = number << CHECK_BITS
    word = (word | _remainder(word)) ^ _MASK
    return tuple(word >> (WORD_BITS - 1 - k) & 1 for k in range(WORD_BITS))


def number_of(bits: Sequence[int | None]) -> int | None:
    """The number that a word carries.

    Parameters
    ----------
    bits : sequence of int or None
        As :func:`word_of` gives them; None where one could not be read.

    Returns
    -------
    int or None
        None when it is no word, or more than three of its bits are missing.

    Examples
    --------
    >>> bits = list(word_of(407122947))
    >>> number_of([None, *bits[1:]])
    407122947
    >>> number_of([1 - bits[0], *bits[1:]]) is None
    True
    """
    missing = [k for k, bit in enumerate(bits) if bit is None]
    if len(bits) != WORD_BITS or len(missing) > MOST_MISSING:
        return None
    whole = sum((bit or 0) << (WORD_BITS - 1 - k) for k, bit in enumerate(bits)) ^ _MASK
    for fill in product((0, 1), repeat=len(missing)):
        word = whole ^ sum(bit << (WORD_BITS - 1 - k) for k, bit in zip(missing, fill, strict=True))
        if _remainder(word) == 0 and is_sheet(word >> CHECK_BITS):
            return word >> CHECK_BITS  # two words differ in more bits than are missing: there is no other
    return None


def bit_at(far_side: bool, place: int) -> int:
    """Which bit of the word the pair of cells in a place (0 to 99 along a side) carries."""
    return (place + (WORD_BITS // 2 if far_side else 0)) % WORD_BITS


@cache
def black_cells(number: int) -> tuple[tuple[bool, ...], tuple[bool, ...]]:
    """Which cells are black, along the near side (y below 0) and along the far one, 200 each, by rising x."""
    word = word_of(number)
    sides = []
    for far_side in (False, True):
        cells: list[bool] = []
        for place in range(CELLS_PER_SIDE // 2):
            first = bool(word[bit_at(far_side, place)])
            cells += [first, not first]
        sides.append(tuple(cells))
    return sides[0], sides[1]


def cell_rows_mm() -> tuple[tuple[float, float], tuple[float, float]]:
    """From which y to which y the cells of the near and of the far side reach [mm]."""
    return (-CELL_TO_MM, -CELL_FROM_MM), (PATTERN_WIDTH_MM + CELL_FROM_MM, PATTERN_WIDTH_MM + CELL_TO_MM)
