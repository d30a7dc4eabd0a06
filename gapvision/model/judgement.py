"""What is wanted of a seam, and the verdict on it."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from itertools import pairwise

from gapvision.errors import GapvisionError, require
from gapvision.model._checks import FloatArray, frozen_columns, one_of
from gapvision.model.photo import Notice

_require = partial(require, "specification-nonsense")

IN, OUT, OPEN, HOLE = "in tolerance", "out of tolerance", "not proven", "not measured"
#: Direction of a seam -> where it leads, in the words of the ready shapes.
DIRECTIONS = {
    "front to rear": "rearward", "rear to front": "forward", "top to bottom": "down", "bottom to top": "up",
    "left to right": "to the right", "right to left": "to the left",
}  # fmt: skip
STATES = (IN, OUT, OPEN, HOLE)
#: Decision rules; ``words.rule`` says them.
RULES = ("proven", "simple", "risk")
#: Version of how stations, specification and rule make a verdict, which each stored one names.  Raise it when the same
#: three would be decided otherwise, and keep the former way for the verdicts of its time: ``verify``, imports and
#: check.py hold each verdict to its own version.
#: 2: what a person left out at an end is not measured, and moves the photo nowhere on its seam.
RULE_VERSION = 2
#: Kinds of reasons -> the values that each carries; ``words.reasons`` says them.
REASONS = {
    "out": ("length_mm",),
    "open": ("length_mm",),
    "holes": ("length_mm",),
    "check": ("number",),
    "u too large": (),
    "u ignored": ("stations",),
    "all in": (),
    "as written": ("text",),
}


def nonsense(message: str, next_step: str = "") -> GapvisionError:
    """Make the refusal of a specification that cannot be meant."""
    return GapvisionError("specification-nonsense", message, next_step)


@dataclass(frozen=True, slots=True)
class NominalPoint:
    """Wanted gap at one place of the seam.

    Attributes
    ----------
    at : float
        Place along the seam: mm, or share of the seam's length (see Specification.at_unit).
    gap_mm : float
        Wanted gap there [mm].
    """

    at: float
    gap_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Specification:
    """What is wanted of a seam.

    Attributes
    ----------
    nominal : tuple of NominalPoint
        Wanted gap; straight lines between the points, constant beyond the ends.
    at_unit : str
        ``mm`` or ``share`` (0 at the seam's start, 1 at its end).
    allow_below_mm, allow_above_mm : float
        How far the gap may lie below and above the wanted gap [mm]; they may differ.
    direction : str
        Which way a wanted gap runs that is not the same all along, a key of :data:`DIRECTIONS`; empty: from the seam's
        start to its end.
    taper_mm_per_m : float or None
        Largest slope of gap minus wanted gap, either way [mm/m].
    taper_over_mm : float or None
        Length over which that is meant: what shows less of the seam does not judge it [mm]; None: any length.
    straightness_mm, straightness_100_mm : float or None
        Largest minimum zone of each edge, whole length and any 100 mm [mm].
    jump_10_mm : float or None
        Largest change of the mean gap between neighbouring 10 mm, wanted change taken off [mm].
    opposite_mm : float or None
        Largest difference to the opposite side's seam, mirrored [mm].
    step_mm : float or None
        Largest step in height between the panels, either way [mm].
    length_mm : float or None
        Length of the seam [mm]; None: from the first to the last station.
    photo_at_mm : float or None
        Where on the seam a photo that is judged alone lies: its station nearest to the start [mm]; None: not said.
    photo_reverse : bool
        Whether that photo's stations run from the seam's end to its start.
    largest_hole_mm : float
        Unmeasured stretches up to this length do not stop a proof [mm].
    source : str
        Where the numbers come from.
    """

    nominal: tuple[NominalPoint, ...]
    allow_below_mm: float
    allow_above_mm: float
    name: str = "seam"
    panel: str = ""
    side: str = ""
    at_unit: str = "mm"
    direction: str = ""
    taper_mm_per_m: float | None = None
    taper_over_mm: float | None = None
    straightness_mm: float | None = None
    straightness_100_mm: float | None = None
    jump_10_mm: float | None = None
    opposite_mm: float | None = None
    step_mm: float | None = None
    length_mm: float | None = None
    photo_at_mm: float | None = None
    photo_reverse: bool = False
    largest_hole_mm: float = 5.0
    source: str = "entered by the user"

    def __post_init__(self) -> None:
        given = 'Give a nominal gap, e.g. nominal = "3/16in".'
        _require(bool(self.nominal), "The specification gives no wanted gap.", given)
        one_of("at_unit", self.at_unit, "mm", "share")
        side = f"'{self.side}' is not a side of the car."
        _require(self.side in ("", "left", "right"), side, "Write left or right, or leave the side out.")
        way = f"'{self.direction}' is no direction of a seam."
        _require(self.direction in ("", *DIRECTIONS), way, f"Write {', '.join(DIRECTIONS)}, or leave it out.")
        far = self.photo_at_mm is None or 0 <= self.photo_at_mm < math.inf
        _require(far, "The photo's place on the seam is not zero or more.", "Measure it from the seam's start.")
        places, gaps = [p.at for p in self.nominal], [p.gap_mm for p in self.nominal]
        below, above = self.allow_below_mm, self.allow_above_mm
        finite = all(math.isfinite(v) for v in (*gaps, *places, below, above))
        _require(finite, "A number in the specification is missing or endless.")
        _require(
            all(a < b for a, b in pairwise(places)),
            "The places of the wanted gap do not run forward along the seam.",
            "List them from the start to the end, each once.",
        )
        shares = self.at_unit == "mm" or 0 <= places[0] <= places[-1] <= 1
        _require(shares, "A share of the seam lies outside 0 to 100 %.")
        width = "A gap is a width above zero; check the number and its unit."
        _require(min(gaps) > 0, "A wanted gap is zero or negative.", width)
        _require(
            below >= 0 and above >= 0,
            "The limits are crossed: the lower limit lies above the upper one, or the wanted gap is outside them.",
            "Give how far below and how far above the wanted gap is allowed, each zero or more.",
        )
        room = "The limits leave no room: lower and upper limit are equal."
        _require(below + above > 0, room, "Allow something below or above the wanted gap.")
        _require(min(gaps) >= below, "The lower limit is a negative gap.", "Allow less below the wanted gap.")
        for word, value in (
            ("taper", self.taper_mm_per_m),
            ("straightness", self.straightness_mm),
            ("straightness over 100 mm", self.straightness_100_mm),
            ("jump over 10 mm", self.jump_10_mm),
            ("difference to the opposite side", self.opposite_mm),
            ("step", self.step_mm),
            ("the length that taper is meant for", self.taper_over_mm),
            ("length", self.length_mm),
        ):
            above_zero = value is None or (math.isfinite(value) and value > 0)
            message = f"The limit on {word} is not above zero."
            _require(above_zero, message, "Give a number above zero or leave the line out.")
        _require(self.largest_hole_mm >= 0, "The largest hole is negative.")

    @property
    def runs(self) -> bool:
        """Whether the wanted gap is not the same all along, so that a photo's place on the seam counts."""
        return len({p.gap_mm for p in self.nominal}) > 1

    @property
    def needs_place(self) -> bool:
        """Whether no photo can be judged by it alone before its place on the seam is said."""
        return self.runs and self.photo_at_mm is None

    @property
    def half_width_mm(self) -> float:
        """Half of what is allowed below and above together [mm]: a larger U proves nothing."""
        return 0.5 * (self.allow_below_mm + self.allow_above_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class DecisionRule:
    """How uncertainty enters the decision.

    Attributes
    ----------
    name : str
        ``proven``, ``simple`` or ``risk`` (see :data:`RULES`).
    risk : float
        Accepted probability of being wrong, for ``risk`` only.
    """

    name: str = "proven"
    risk: float = 0.05

    def __post_init__(self) -> None:
        require("rule-unknown", self.name in RULES, f"There is no decision rule '{self.name}'.")
        risk = f"A risk of {self.risk:g} makes no sense."
        require("value-out-of-range", 0 < self.risk < 0.5, risk, "Give a risk above 0 and below 0.5, e.g. 0.05.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A run of neighbouring stations in one state, or a hole.

    Short stretches of stations in a milder state belong to the run that they interrupt.

    Attributes
    ----------
    state : str
        One of STATES.
    from_mm, to_mm : float
        First and last station, or the two ends of a hole [mm].
    worst_mm, worst_at_mm, worst_u_mm : float
        Gap nearest to or furthest beyond a limit, its place, its U [mm]; NaN for a hole.
    excess_mm : float
        How far the worst gap lies beyond its limit (negative: inside) [mm].
    side : str
        ``tight``, ``wide`` or empty.
    """

    state: str
    from_mm: float
    to_mm: float
    worst_mm: float = math.nan
    worst_at_mm: float = math.nan
    worst_u_mm: float = math.nan
    excess_mm: float = math.nan
    side: str = ""

    @classmethod
    def of(cls, state: str, ends: Sequence[float], worst: Sequence[float], side: str) -> Span:
        """Make a run from its two ends and its worst station: gap, place, U, excess [mm]; numbers of numpy too."""
        names = ("from_mm", "to_mm", "worst_mm", "worst_at_mm", "worst_u_mm", "excess_mm")
        numbers = {name: float(value) for name, value in zip(names, (*ends, *worst), strict=True)}
        return cls(state=state, side=side, **numbers)

    @property
    def length_mm(self) -> float:
        """Length from the first to the last station [mm]."""
        return self.to_mm - self.from_mm

    @property
    def whole_mm(self) -> tuple[int, int]:
        """Both ends in whole millimetres: of a hole the stations beside it, else the first and the last station."""
        if self.state == HOLE:
            return math.floor(self.from_mm), math.ceil(self.to_mm)
        return round(self.from_mm), round(self.to_mm)


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One limit on the seam as a whole.

    Attributes
    ----------
    kind : str
        ``taper``, ``jump``, ``straightness``, ``straightness_100``, ``fairness``, ``step`` or ``opposite``.
    edge : str
        Whose edge: ``panel``, ``neighbour`` or empty.
    value, expanded_u, limit : float
        In ``unit``; ``value`` is compared with plus and minus ``limit``.
    state : str
        One of STATES.
    at_mm, over_mm : float
        Where the worst lies or begins; along how much of the seam [mm].  NaN where that says nothing.
    text : str
        What was checked and where, as an older program wrote it; empty: kind and place say it.
    """

    kind: str
    edge: str = ""
    value: float
    expanded_u: float
    limit: float
    unit: str
    state: str
    at_mm: float = math.nan
    over_mm: float = math.nan
    text: str = ""

    @property
    def over(self) -> float:
        """The value as a share of its limit: millimetres and slopes on one scale."""
        return abs(self.value) / self.limit if self.limit else math.inf


def check_behind(state: str, checks: Sequence[Check], *, out_mm: float, open_mm: float) -> Check | None:
    """The check that a verdict rests on, of several the furthest over its limit; None where the gap is in that state.

    ``out_mm`` and ``open_mm`` are the lengths of seam whose gap is out, or not proven.
    """
    if {OUT: out_mm, OPEN: open_mm}.get(state, 1.0) > 0:
        return None
    return max((c for c in checks if c.state == state), key=lambda c: c.over, default=None)


@dataclass(frozen=True, slots=True)
class Reason:
    """Why a verdict is what it is.

    Attributes
    ----------
    kind : str
        A key of REASONS; ``check`` stands for one of the verdict's checks, ``as written`` for an older program's words.
    values : mapping
        What the kind carries: lengths [mm], the number of a check or of stations, a text.
    """

    kind: str
    values: Mapping[str, float | str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if tuple(self.values) != REASONS.get(self.kind):
            raise ValueError(f"reason {self.kind!r}: expected {REASONS.get(self.kind)}, got {tuple(self.values)}")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdict:
    """The decision about one seam.

    Attributes
    ----------
    state : str
        IN, OUT or OPEN for the whole seam.
    rule, coverage_factor : DecisionRule, float
        How it was decided.
    s_mm, gap_mm, expanded_u_mm, nominal_mm, lower_mm, upper_mm, probability : ndarray, shape (n,)
        Stations, gap, its U, the wanted gap, the limits [mm], and the probability of being in tolerance.
    states : tuple of str, length n
        State of each station.
    spans : tuple of Span
        All runs, in order along the seam, holes included.
    checks : tuple of Check
        Taper, straightness, jumps, opposite side, step between the faces: those that have a limit.
    in_mm, out_mm, open_mm, hole_mm : float
        Length of seam in each state, station by station [mm].
    worst : Span or None
        The station with the largest excess; of those that are out of tolerance, if any is.
    reasons : tuple of Reason
        Why.
    notices : tuple of Notice
        Warnings and notes of the photo that was judged, worst first.
    spacing_mm, extent_mm : float, (float, float)
        Distance between stations; start and end of what was to be measured [mm].
    """

    state: str
    rule: DecisionRule
    coverage_factor: float
    s_mm: FloatArray
    gap_mm: FloatArray
    expanded_u_mm: FloatArray
    nominal_mm: FloatArray
    lower_mm: FloatArray
    upper_mm: FloatArray
    probability: FloatArray
    states: tuple[str, ...]
    spans: tuple[Span, ...]
    checks: tuple[Check, ...]
    in_mm: float
    out_mm: float
    open_mm: float
    hole_mm: float
    worst: Span | None
    reasons: tuple[Reason, ...]
    notices: tuple[Notice, ...] = ()
    spacing_mm: float = 1.0
    extent_mm: tuple[float, float] = (math.nan, math.nan)

    def __post_init__(self) -> None:
        n = frozen_columns(
            self, "s_mm", "gap_mm", "expanded_u_mm", "nominal_mm", "lower_mm", "upper_mm", "probability"
        )
        if len(self.states) != n:
            raise ValueError(f"states: expected {n}, got {len(self.states)}")

    @property
    def gauged_mm(self) -> tuple[float, float] | None:
        """Limits for gauges all along, the middle U taken off [mm]; None where nothing is left."""
        u = sorted(self.expanded_u_mm.tolist())[len(self.expanded_u_mm) // 2]
        go, no_go = float(self.lower_mm.max()) + u, float(self.upper_mm.min()) - u
        return (go, no_go) if go < no_go else None

    @property
    def sides(self) -> tuple[str, ...]:
        """Towards which limit each station lies, ``tight`` or ``wide``; empty where it is in tolerance."""
        wide = self.gap_mm - self.upper_mm >= self.lower_mm - self.gap_mm
        return tuple("" if x == IN else "wide" if w else "tight" for x, w in zip(self.states, wide, strict=True))

    @property
    def marked(self) -> tuple[Span, ...]:
        """The spans that a person is shown: all that are not in tolerance, holes included."""
        return tuple(span for span in self.spans if span.state != IN)

    @property
    def by_form(self) -> Check | None:
        """The check that the state rests on where no station's gap does; see :func:`check_behind`."""
        return check_behind(self.state, self.checks, out_mm=self.out_mm, open_mm=self.open_mm)

    @property
    def rank(self) -> tuple[float, ...]:
        """To sort seams, the largest the worst: what is out before what is not proven, a gap before a form alone."""
        check = self.by_form
        how_far = check.over if check is not None else -math.inf if self.worst is None else self.worst.excess_mm
        return {OUT: 2, OPEN: 1}.get(self.state, 0), check is None, how_far

    @property
    def doubtful(self) -> bool:
        """Whether the photo was measured with warnings."""
        return any(n.kind == "warning" for n in self.notices)


@dataclass(frozen=True, slots=True)
class Need:
    """U of the gap that one limit needs.

    Attributes
    ----------
    kind : str
        ``gap``, or the kind of a check.
    most_mm : float
        U from which nothing at all is proven by it [mm].
    advised_mm : float
        U that leaves half of the limit to the work [mm].
    """

    kind: str
    most_mm: float
    advised_mm: float


@dataclass(frozen=True, slots=True)
class Way:
    """A way to measure, as ``words.needs`` tells it, and the U that it gave: least and most of photos' medians."""

    name: str
    least_mm: float
    most_mm: float


@dataclass(frozen=True, slots=True)
class Needs:
    """What U a specification needs: the most demanding of its limits, and the ways that gave a U to prove it with."""

    first: Need
    ways: tuple[Way, ...]
