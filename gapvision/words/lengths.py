"""How a length is written: in the unit that a person asked for, and never so rounded that it means another thing.

What rounding may do depends on what the length is for, so each purpose has its own rule:

* **A measured gap** gets thousandths of an inch behind its millimetres, as its U does: half a 64th is 0.2 mm, often
  more than U.  Who asked for fractions gets the nearest 64th, as "full" where the gap is more than it and "scant" where
  it is less.  A gap that lies on a 64th gets it either way.
* **A limit** is rounded inwards in every unit: the lower one up, the upper one down.  Who keeps to what is written
  keeps to the limit.  Where that moved a 64th, the exact millimetres follow, named so.  Where no 64th lies
  between two limits, both stand in decimals of an inch.
* **A target** (a gap to set, a shift, a cut) is written exactly: 0.01 mm, 0.001 in.  A fraction is
  given only where it lies within a quarter of a 64th (0.1 mm, about what an eye can tell beside a steel rule's line),
  as "full" where the length is more than it and "scant" where it is less; below 1/16 in, where a 64th is too coarse,
  only where the length lies on it; and never where the same fraction names another length told beside it: with 3/16 in
  wanted and 0.17 mm of paint to come, the gap to set is 0.194 in, and "3/16 in full" would lose the paint.

Nothing that is not zero is told as zero inches.  How far "full" and "scant" reach is common practice, no source.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from gapvision.units import MM_PER_INCH, format_fraction, format_inch, format_mm, nearest_fraction

#: What lengths can be written in, and what people call it.
UNIT_NAMES = {"mm": "mm", "in": "inch decimals", "fraction": "inch fractions"}

#: Graduations that limits are rounded to [mm].
_CENTI, _THOU, _RULE = Fraction(1, 100), Fraction(254, 10000), Fraction(254, 640)
_RULE_MM = float(_RULE)
#: Below this a 64th is too coarse to name a target by, unless the target lies on it [mm].
_LEAST_FULL_MM = 4 * _RULE_MM
#: How far "full" and "scant" reach from a fraction [mm].
_FULL_MM = _RULE_MM / 4
#: What two decimals of a millimetre do not show [mm].
_UNSEEN_MM = 0.005
#: A sum such as 4.7625 - 0.5 may miss its graduation by the last digit of a float [mm].
_SLACK_MM = Fraction(1, 10**6)


@dataclass(frozen=True, slots=True)
class Lengths:
    """Writes lengths in one unit, the other system behind where it helps.  NaN gives ``-``.

    Attributes
    ----------
    unit : str
        A key of UNIT_NAMES.
    """

    unit: str = "mm"

    def __post_init__(self) -> None:
        if self.unit not in UNIT_NAMES:
            raise ValueError(f"unit: expected one of {', '.join(UNIT_NAMES)}, got {self.unit!r}")

    @property
    def inch(self) -> bool:
        """Whether inches stand first."""
        return self.unit != "mm"

    def gap(self, gap_mm: float) -> str:
        """Write a measured gap in both systems, e.g. ``4.14 mm (0.163 in)``, or ``5/32 in full (4.14 mm)``."""
        return self._both(format_mm(gap_mm), self._gap_inch(gap_mm))

    def gap_alone(self, gap_mm: float) -> str:
        """Write a measured gap in the unit alone, for places with little room."""
        return self._gap_inch(gap_mm) if self.inch else format_mm(gap_mm)

    def place(self, at_mm: float) -> str:
        """Write a place along a seam or another long length: whole mm, 1/100 in, or 1/32 in."""
        if not self.inch:
            return format_mm(at_mm, 0)
        return format_fraction(at_mm, 32) if self.unit == "fraction" else format_inch(at_mm, 2)

    def stretch(self, from_mm: float, to_mm: float) -> str:
        """Write from where to where along a seam, e.g. ``20 to 54 mm``."""
        return f"{self.place(from_mm).rsplit(' ', 1)[0]} to {self.place(to_mm)}"

    def small(self, length_mm: float, *, signed: bool = False, both: bool = False, alone: bool = False) -> str:
        """Write an uncertainty, a form, a step or a change.

        Both inch units give decimals: an uncertainty of 0.1 mm is nothing in steps of 1/64 in.

        Parameters
        ----------
        length_mm : float
            Length [mm].
        signed : bool
            Write a plus too.
        both : bool
            Inches behind millimetres too; millimetres always stand behind inches.
        alone : bool
            Only the unit chosen, for places with little room.
        """
        sign = "+" if signed else ""
        return self._small(f"{_seen(length_mm, 2):{sign}.2f} mm", _thou(length_mm, sign), both=both, alone=alone)

    def small_range(self, least_mm: float, most_mm: float) -> str:
        """Write a range of small lengths, e.g. ``0.10 to 0.31 mm``."""
        return self._small(f"{least_mm:.2f} to {most_mm:.2f} mm", f"{least_mm / MM_PER_INCH:.3f} to {_thou(most_mm)}")

    def slope(self, mm_per_m: float, *, signed: bool = True, decimals: int = 1) -> str:
        """Write a slope: mm per metre, or inch per foot with mm per metre behind (1 mm/m = 0.012 in/ft exactly)."""
        if not math.isfinite(mm_per_m):
            return "-"
        sign = "+" if signed else ""
        metric = f"{mm_per_m:{sign}.{decimals}f} mm per metre"
        return f"{mm_per_m * 0.012:{sign}.{decimals + 2}f} in per foot ({metric})" if self.inch else metric

    def film(self, *film_um: float) -> str:
        """Write a film's thickness or its range: micrometres, or mil with these behind (1 mil = 25.4 micrometres)."""
        metric = " to ".join(f"{x:.0f}" for x in film_um) + " micrometres"
        return " to ".join(f"{x / 25.4:.1f}" for x in film_um) + f" mil ({metric})" if self.inch else metric

    # --- what is worked to; the rules stand at the head of this file --------------------

    def limits(self, lower_mm: float, upper_mm: float) -> str:
        """Write the two limits of a gap, rounded inwards, e.g. ``4.27 to 5.26 mm (0.168 to 0.207 in)``."""
        if not lower_mm <= upper_mm:
            raise ValueError(f"limits: expected lower <= upper, got {lower_mm} and {upper_mm}")
        mm = " to ".join(_inwards(lower_mm, upper_mm, _CENTI, 2)) + " mm"
        low, high = _inward(lower_mm, _RULE, up=True), _inward(upper_mm, _RULE, up=False)
        if self.unit == "fraction" and low <= high:
            exact = _same(low, lower_mm) and _same(high, upper_mm)
            inch = f"{format_fraction(float(low)).removesuffix(' in')} to {format_fraction(float(high))}"
            return f"{inch} ({'' if exact else 'exactly '}{mm})"
        return self._both(mm, " to ".join(_inwards(lower_mm, upper_mm, _THOU, 3)) + " in")

    def least_gap(self, limit_mm: float) -> str:
        """Write a limit that a gap must not fall below, rounded up, e.g. ``3.50 mm (0.138 in)``."""
        mm, low = f"{float(_inward(limit_mm, _CENTI, up=True)):.2f} mm", _inward(limit_mm, _RULE, up=True)
        if self.unit == "fraction":
            return f"{format_fraction(float(low))} ({'' if _same(low, limit_mm) else 'exactly '}{mm})"
        return self._both(mm, f"{float(_inward(limit_mm, _THOU, up=True)) / MM_PER_INCH:.3f} in")

    def most(self, limit_mm: float, *, both: bool = False) -> str:
        """Write a limit that a form, a step or a change must not exceed, as :meth:`small`, but rounded down."""
        mm, inch = (_inward(limit_mm, step, up=False) for step in (_CENTI, _THOU))
        return self._small(f"{float(mm):.2f} mm", f"{float(inch) / MM_PER_INCH:.3f} in", both=both)

    def most_slope(self, mm_per_m: float) -> str:
        """Write a limit that a slope must not exceed, as :meth:`slope` with two decimals, but rounded down."""
        mm, inch = (float(_inward(mm_per_m, step, up=False)) for step in (_CENTI, Fraction(1, 120)))
        metric = f"{mm:.2f} mm per metre"
        return f"{inch * 0.012:.4f} in per foot ({metric})" if self.inch else metric

    def target(self, length_mm: float, *others_mm: float) -> str:
        """Write a length that is to be set, shifted, cut or filled, e.g. ``4.93 mm (0.194 in)``.

        Parameters
        ----------
        length_mm : float
            The length [mm].
        *others_mm : float
            Lengths told beside it, such as the wanted gap [mm]: a fraction that names one of them does not name this.
        """
        return self._both(format_mm(length_mm), self._target_inch(length_mm, others_mm))

    def to_set(self, target_mm: float, lower_mm: float, upper_mm: float, *others_mm: float) -> tuple[str, str]:
        """Write a gap to set and the limits that hold for it, so that no fraction stands for both."""
        limits = (float(_inward(lower_mm, _RULE, up=True)), float(_inward(upper_mm, _RULE, up=False)))
        return self.target(target_mm, *limits, *others_mm), self.limits(lower_mm, upper_mm)

    # --- parts ------------------------------------------------------------------------

    def _target_inch(self, length_mm: float, others_mm: tuple[float, ...]) -> str:
        decimals = _thou(length_mm)
        if self.unit == "in" or not math.isfinite(length_mm):
            return decimals
        fraction = nearest_fraction(length_mm)
        off = abs(length_mm) - abs(float(fraction)) * MM_PER_INCH
        taken = any(nearest_fraction(x) == fraction and abs(x - length_mm) >= _UNSEEN_MM for x in others_mm)
        if taken or abs(off) > (_FULL_MM if abs(length_mm) >= _LEAST_FULL_MM else _UNSEEN_MM) or fraction == 0:
            return decimals
        return _by_fraction(length_mm, off)

    def _gap_inch(self, gap_mm: float) -> str:
        if self.unit == "in" or not math.isfinite(gap_mm):  # as fine as the limits and U beside it
            return _thou(gap_mm)
        fraction = nearest_fraction(gap_mm)
        off = abs(gap_mm) - abs(float(fraction)) * MM_PER_INCH
        vanishes = fraction == 0 and gap_mm != 0
        if vanishes or (self.unit == "mm" and abs(off) >= _UNSEEN_MM):
            return _thou(gap_mm)
        return _by_fraction(gap_mm, off)

    def _small(self, mm: str, inch: str, *, both: bool = False, alone: bool = False) -> str:
        if "nan" in mm or "inf" in mm:
            return "-"
        if alone or not (self.inch or both):
            return inch if self.inch else mm
        return self._both(mm, inch)

    def _both(self, mm: str, inch: str) -> str:
        if mm == "-":
            return mm
        return f"{inch} ({mm})" if self.inch else f"{mm} ({inch})"


def _by_fraction(length_mm: float, off_mm: float) -> str:
    """The nearest 64th, and which side of it the length lies on."""
    side = "" if abs(off_mm) < _UNSEEN_MM else " full" if off_mm > 0 else " scant"
    return format_fraction(length_mm) + side


def _thou(length_mm: float, sign: str = "") -> str:
    """Thousandths of an inch; finer where they would show nothing."""
    if not math.isfinite(length_mm):
        return "-"
    decimals = 4 if 0 < abs(length_mm) < 0.0005 * MM_PER_INCH else 3
    length_mm = round(length_mm, 4)  # a value and the same one out of a file, which holds five decimals, read alike
    return f"{_seen(length_mm / MM_PER_INCH, decimals):{sign}.{decimals}f} in"


def _seen(value: float, decimals: int) -> float:
    """A value; what its decimals would show as minus nought is nought."""
    return value if not math.isfinite(value) or round(value, decimals) else 0.0


def _inward(limit_mm: float, step: Fraction, *, up: bool) -> Fraction:
    """Round a limit up or down to a multiple of a graduation [mm]."""
    exact, slack = Fraction(repr(float(limit_mm))) / step, _SLACK_MM / step
    return (math.ceil(exact - slack) if up else math.floor(exact + slack)) * step


def _inwards(lower_mm: float, upper_mm: float, step: Fraction, decimals: int) -> tuple[str, str]:
    """Both limits rounded inwards to decimals, as many more as keep them from crossing."""
    low, high = _inward(lower_mm, step, up=True), _inward(upper_mm, step, up=False)
    if low > high:
        return _inwards(lower_mm, upper_mm, step / 10, decimals + 1)
    one = step * 10**decimals
    return f"{float(low / one):.{decimals}f}", f"{float(high / one):.{decimals}f}"


def _same(rounded: Fraction, exact_mm: float) -> bool:
    return abs(float(rounded) - exact_mm) < _UNSEEN_MM
