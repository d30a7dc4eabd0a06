"""Lengths: read as people write them, and their plain forms; how results write lengths is in :mod:`gapvision.words`.

Exact factors: 1 in = 25.4 mm (United States Code title 15 section 206 lists the
fractions used in the tests), 1 mil = 0.001 in = 0.0254 mm.

Ties when rounding to a fraction go up (half-up): 2.5/16 in is shown as 3/16 in.
No published rule for ties was found, so one is fixed here and tested.
"""

from __future__ import annotations

import difflib
import math
import re
from fractions import Fraction

from gapvision.errors import GapvisionError

MM_PER_INCH = 25.4
MM_PER_MIL = 0.0254
#: From one usual drill shank to the next; common practice, no source.
SHANK_MM = 0.1
MM_PER_MICROMETRE = 0.001

_UNITS_MM = {
    "mm": Fraction(1),
    "millimetre": Fraction(1),
    "millimetres": Fraction(1),
    "millimeter": Fraction(1),
    "millimeters": Fraction(1),
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
#: Other characters that people's keyboards write -> plain ones; U+2044 and U+2215 stand in ready-made fractions.
_PLAIN = {"\u2044": "/", "\u2215": "/", "\u2212": "-", "''": '"', "”": '"', "“": '"', "\xa0": " ", "\u202f": " "}
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
        A bare number needs ``default_unit``; a bare fraction is never read, because it is one of an inch.
    default_unit : str, optional
        Unit of a bare number (``mm``, ``in``, ``mil``, ``um``).

    Returns
    -------
    float
        Length [mm].

    Raises
    ------
    GapvisionError
        ``length-not-understood`` if there is no number, no unit, or a zero denominator; it asks whether the nearest
        length that can be read was meant.

    Examples
    --------
    >>> parse_length("3/16in")
    4.7625
    """
    raw = str(text).strip().lower()
    for sign, plain in _PLAIN.items():
        raw = raw.replace(sign, plain)
    for sign, plain in _VULGAR.items():
        raw = raw.replace(sign, " " + plain)
    raw = raw.strip()
    match = _NUMBER.match(raw)
    if match is None:
        raise _not_a_length(text, "is not a length", raw)
    bare = "" if match["dec"] is None else default_unit or ""
    unit = match["unit"] or bare
    if unit not in _UNITS_MM:
        raise _not_a_length(text, "has no unit that is known here", raw)
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


def _not_a_length(text: str | float, why: str, raw: str) -> GapvisionError:
    """A refusal that asks for the length that may have been meant: fractions are of an inch, numbers above 1 mm."""
    found = re.match(r"[+-]?[\d.,/ -]*\d", raw)
    number, rest = (found[0], raw[found.end() :].strip(" .,")) if found else ("", "")
    units = difflib.get_close_matches(rest, _UNITS_MM, 1, 0.5) if rest else []
    if not rest and "/" in number:
        units = ["in"]
    elif not rest and number:
        units = ["mm"] if re.match(r"0*[1-9]", number) else ["mm", "in"]
    ideas = [f"{number}{' ' if '/' in number else ''}{unit}" for unit in units if _NUMBER.match(number + unit)]
    shown = "".join(c if c.isprintable() else "?" for c in str(text)[:60])
    advice = f"Did you mean {' or '.join(ideas)}?" if ideas else ""
    return GapvisionError("length-not-understood", f"'{shown}' {why}.", advice)


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


def parse_edge(text: str) -> tuple[str, float | None]:
    """Read how an edge is made, like ``cut``, ``rolled`` or ``rolled:1.5mm``.

    Returns
    -------
    kind : str
        ``cut`` or ``rolled``.
    radius_mm : float or None
        Radius of the roll [mm].

    Raises
    ------
    GapvisionError
        ``value-out-of-range`` or ``length-not-understood``.
    """
    kind, colon, radius = text.strip().lower().partition(":")
    if kind.strip() not in ("cut", "rolled") or (colon and kind.strip() == "cut"):
        raise GapvisionError(
            "value-out-of-range",
            f"'{text}' is not a way to make an edge.", "Write cut, rolled, or rolled with its radius like rolled:1.5mm."
        )
    return kind.strip(), parse_length(radius) if colon else None
