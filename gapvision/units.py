"""Lengths: read as people write them, and their plain forms; how results write lengths is in :mod:`gapvision.words`.

Exact factors: 1 in = 25.4 mm (United States Code title 15 section 206 lists the
fractions used in the tests), 1 mil = 0.001 in = 0.0254 mm.

Ties when rounding to a fraction go up (half-up): 2.5/16 in is shown as 3/16 in.
No published rule for ties was found, so one is fixed here and tested.
"""

from __future__ import annotations

import math
import re
from fractions import Fraction

from gapvision.errors import GapvisionError

MM_PER_INCH = 25.4
MM_PER_MIL = 0.0254
MM_PER_MICROMETRE = 0.001

_UNITS_MM = {
    "mm": Fraction(1),
    "cm": Fraction(10),
    "m": Fraction(1000),
    "um": Fraction(1, 1000),
    "µm": Fraction(1, 1000),
    "μm": Fraction(1, 1000),
    "in": Fraction(254, 10),
    "inch": Fraction(254, 10),
    "inches": Fraction(254, 10),
    '"': Fraction(254, 10),
    "″": Fraction(254, 10),
    "mil": Fraction(254, 10000),
    "mils": Fraction(254, 10000),
    "thou": Fraction(254, 10000),
}
_VULGAR = {"½": "1/2", "¼": "1/4", "¾": "3/4", "⅛": "1/8", "⅜": "3/8", "⅝": "5/8", "⅞": "7/8"}
_NUMBER = re.compile(
    r"^(?P<sign>[+-]?)\s*(?:(?P<whole>\d+)[ -]+(?P<n2>\d+)\s*/\s*(?P<d2>\d+)|(?P<n>\d+)\s*/\s*(?P<d>\d+)"
    r"|(?P<dec>\d+(?:[.,]\d*)?|[.,]\d+))\s*(?P<unit>[a-zµμ\"″]*)$"
)


def parse_length(text: str | float, default_unit: str | None = None) -> float:
    """Read a length as a person writes it.

    Parameters
    ----------
    text : str or float
        ``4.76mm``, ``4,76 mm``, ``3/16in``, ``1 3/16 in``, ``0.1875"``, ``2 mil``, ``50 um``.
        A bare number needs ``default_unit``.
    default_unit : str, optional
        Unit of a bare number (``mm``, ``in``, ``mil``, ``um``).

    Returns
    -------
    float
        Length [mm].

    Raises
    ------
    GapvisionError
        ``length-not-understood`` if there is no number, no unit, or a zero denominator.

    Examples
    --------
    >>> parse_length("3/16in")
    4.7625
    """
    raw = str(text).strip().lower()
    for sign, plain in _VULGAR.items():
        raw = raw.replace(sign, " " + plain)
    raw = raw.strip()
    match = _NUMBER.match(raw)
    if match is None:
        raise GapvisionError("length-not-understood", f"'{text}' is not a length.")
    unit = match["unit"] or (default_unit or "")
    if unit not in _UNITS_MM:
        raise GapvisionError("length-not-understood", f"'{text}' has no unit that is known here.")
    if match["dec"] is not None:
        value = Fraction(match["dec"].replace(",", ".").rstrip(".") or "0")
    else:
        den = int(match["d"] or match["d2"])
        if den == 0:
            raise GapvisionError("length-not-understood", f"'{text}' divides by zero.")
        value = Fraction(int(match["n"] or match["n2"]), den) + int(match["whole"] or 0)
    if match["sign"] == "-":
        value = -value
    try:
        return float(value * _UNITS_MM[unit])
    except OverflowError:
        raise GapvisionError("length-not-understood", f"'{text}' is too large to be a length.") from None


def nearest_fraction(length_mm: float, denominator: int = 64) -> Fraction:
    """Round a length to the nearest fraction of an inch, ties up (away from zero).

    Parameters
    ----------
    length_mm : float
        Length [mm].
    denominator : int
        Finest graduation, e.g. 64 for 1/64 in.

    Returns
    -------
    Fraction
        Length [in], reduced.
    """
    exact = Fraction(repr(float(length_mm))) / Fraction(254, 10) * denominator
    steps = math.floor(abs(exact) + Fraction(1, 2))
    return Fraction(steps if exact >= 0 else -steps, denominator)


def format_fraction(length_mm: float, denominator: int = 64) -> str:
    """Write a length as inch fraction, e.g. ``3/16 in`` or ``1 3/64 in``.

    Parameters
    ----------
    length_mm : float
        Length [mm].  NaN gives ``-``.
    denominator : int
        Finest graduation.
    """
    if not math.isfinite(length_mm):
        return "-"
    frac = nearest_fraction(length_mm, denominator)
    sign, frac = ("-" if frac < 0 else ""), abs(frac)
    whole, rest = divmod(frac.numerator, frac.denominator)
    if rest == 0:
        return f"{sign}{whole} in"
    part = f"{rest}/{frac.denominator}"
    return f"{sign}{whole} {part} in" if whole else f"{sign}{part} in"


def format_mm(length_mm: float, decimals: int = 2) -> str:
    """Write a length in millimetres, e.g. ``4.76 mm``.  NaN gives ``-``."""
    return f"{length_mm:.{decimals}f} mm" if math.isfinite(length_mm) else "-"


def format_inch(length_mm: float, decimals: int = 4) -> str:
    """Write a length in inch decimals, e.g. ``0.1875 in``.  NaN gives ``-``."""
    return f"{length_mm / MM_PER_INCH:.{decimals}f} in" if math.isfinite(length_mm) else "-"


#: Below this, 1/64 in steps would round too much of a length away [mm]; four of them.
_LEAST_FRACTION_MM = 4 * MM_PER_INCH / 64
_SPOKEN = re.compile(
    r"(?P<open>\()?(?P<first>(?<![\w./])[+-]?\d+(?:\.\d+)?)(?: to (?P<last>[+-]?\d+(?:\.\d+)?))? mm"
    r"(?P<slope>/m\b| per metre\b)?(?![\w/])(?!(?: and the \d+ mm)? line)(?P<after>\)| \()?"  # printed lines have names
)


def sentence_in(text: str, unit: str) -> str:
    """Put the millimetres of a finished sentence into the unit chosen.

    Whole millimetres (places, stretches) become inches; finer ones (gaps, changes) keep their mm behind them.

    Sentences come from rooms that know nothing of the page's switch; this is the one place that
    translates them.  What is given in both systems already stays as it is.

    Parameters
    ----------
    text : str
        Words with lengths such as ``0.31 mm``, ``20 to 54 mm``, ``+1.2 mm/m``.
    unit : str
        A key of UNIT_NAMES; ``mm`` gives the text back.

    Examples
    --------
    >>> sentence_in("Straight within 0.31 mm (U 0.05 mm) from 20 to 54 mm.", "in")
    'Straight within 0.012 in = 0.31 mm (U 0.002 in = 0.05 mm) from 0.79 to 2.13 in.'
    """
    if unit == "mm":
        return text

    def said(match: re.Match[str]) -> str:
        numbers = [n for n in (match["first"], match["last"]) if n is not None]
        if match["after"] == " (" or (match["open"] and match["after"] == ")"):
            follows = text[match.end() :].split(")")[0]
            if match["after"] == ")" or follows.endswith("in"):
                return match[0]
        if match["slope"]:
            inch = " to ".join(_signed_like(n, float(n) * 0.012, 3) for n in numbers) + " in per foot"
        else:
            inch = " to ".join(_inch_like(n, unit) for n in numbers) + " in"
        fine = match["slope"] or any("." in n for n in numbers)
        metric = f" = {' to '.join(numbers)} mm{match['slope'] or ''}" if fine else ""
        return f"{match['open'] or ''}{inch}{metric}{match['after'] or ''}"

    return _SPOKEN.sub(said, text)


def _inch_like(number: str, unit: str) -> str:
    """A number of mm in inch, about as fine as it was written."""
    mm = float(number)
    whole = "." not in number
    if unit == "fraction" and (whole or abs(mm) >= _LEAST_FRACTION_MM):
        sign = "+" if number.startswith("+") else ""
        return sign + format_fraction(mm, 32 if whole else 64).removesuffix(" in")
    return _signed_like(number, mm / MM_PER_INCH, 2 if whole else 3)


def _signed_like(number: str, value: float, decimals: int) -> str:
    return f"{value:{'+' if number.startswith('+') else ''}.{decimals}f}"
