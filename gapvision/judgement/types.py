"""The types of the judgement: data checked once, when made; no algorithms.

All lengths are millimetres; ``s`` runs along the seam.  Arrays are copied and
made read-only.  A state is one of the four words in :data:`STATES`.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from gapvision.errors import GapvisionError
from gapvision.results import FloatArray, Straightness

IN, OUT, OPEN, HOLE = "in tolerance", "out of tolerance", "not proven", "not measured"
STATES = (IN, OUT, OPEN, HOLE)

#: Rule name -> how it is worded in a verdict.
RULES = {
    "proven": "accept only what is proven: the band is narrowed by U at both limits (the default of ISO 14253-1)",
    "simple": "simple acceptance: the measured value alone is compared with the limits (JCGM 106)",
    "risk": "guard band by a stated risk: the probability of being in tolerance must reach 1 - risk (JCGM 106)",
}


def _frozen(obj: object, name: str, length: int | None = None) -> int:
    value = np.array(getattr(obj, name), dtype=float)
    if value.ndim != 1 or (length is not None and len(value) != length):
        raise ValueError(f"{name}: expected shape ({'n' if length is None else length},), got {value.shape}")
    value.setflags(write=False)
    object.__setattr__(obj, name, value)
    return len(value)


def nonsense(message: str, next_step: str = "") -> GapvisionError:
    """Make the refusal of a specification that cannot be meant."""
    return GapvisionError("specification-nonsense", message, next_step)


@dataclass(frozen=True, slots=True)
class NominalPoint:
    """Wanted gap at one place of the seam.

    Attributes
    ----------
    at : float
        Place along the seam: mm, or share of the seam's length (see SeamSpec.at_unit).
    gap_mm : float
        Wanted gap there [mm].
    """

    at: float
    gap_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class SeamSpec:
    """What is wanted of a seam.

    Attributes
    ----------
    nominal : tuple of NominalPoint
        Wanted gap; straight lines between the points, constant beyond the ends.
    at_unit : str
        ``mm`` or ``share`` (0 at the seam's start, 1 at its end).
    allow_below_mm, allow_above_mm : float
        How far the gap may lie below and above the wanted gap [mm]; they may differ.
    taper_mm_per_m : float or None
        Largest slope of gap minus wanted gap, either way [mm/m].
    straightness_mm, straightness_100_mm : float or None
        Largest minimum zone of each edge, whole length and any 100 mm [mm].
    step_10_mm : float or None
        Largest change of the mean gap between neighbouring 10 mm, wanted change taken off [mm].
    opposite_mm : float or None
        Largest difference to the opposite side's seam, mirrored [mm].
    flush_mm : float or None
        Largest step in height between the panels, either way [mm].
    length_mm : float or None
        Length of the seam [mm]; None: from the first to the last station.
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
    taper_mm_per_m: float | None = None
    straightness_mm: float | None = None
    straightness_100_mm: float | None = None
    step_10_mm: float | None = None
    opposite_mm: float | None = None
    flush_mm: float | None = None
    length_mm: float | None = None
    largest_hole_mm: float = 5.0
    source: str = "entered by the user"

    def __post_init__(self) -> None:
        if not self.nominal:
            raise nonsense("The specification gives no wanted gap.", 'Give a nominal gap, e.g. nominal = "3/16in".')
        if self.at_unit not in ("mm", "share"):
            raise ValueError(f"at_unit: expected mm or share, got {self.at_unit!r}")
        if self.side not in ("", "left", "right"):
            raise nonsense(f"'{self.side}' is not a side of the car.", "Write left or right, or leave the side out.")
        numbers = (
            [p.gap_mm for p in self.nominal] + [p.at for p in self.nominal] + [self.allow_below_mm, self.allow_above_mm]
        )
        if not all(math.isfinite(v) for v in numbers):
            raise nonsense("A number in the specification is missing or endless.")
        places = [p.at for p in self.nominal]
        if any(b <= a for a, b in pairwise(places)):
            raise nonsense(
                "The places of the wanted gap do not run forward along the seam.",
                "List them from the start to the end, each once.",
            )
        if self.at_unit == "share" and (places[0] < 0 or places[-1] > 1):
            raise nonsense("A share of the seam lies outside 0 to 100 %.")
        if min(p.gap_mm for p in self.nominal) <= 0:
            raise nonsense(
                "A wanted gap is zero or negative.", "A gap is a width above zero; check the number and its unit."
            )
        if self.allow_below_mm < 0 or self.allow_above_mm < 0:
            raise nonsense(
                "The limits are crossed: the lower limit lies above the upper one, or the wanted gap is outside them.",
                "Give how far below and how far above the wanted gap is allowed, each zero or more.",
            )
        if self.allow_below_mm + self.allow_above_mm <= 0:
            raise nonsense(
                "The limits leave no room: lower and upper limit are equal.",
                "Allow something below or above the wanted gap.",
            )
        if min(p.gap_mm for p in self.nominal) - self.allow_below_mm < 0:
            raise nonsense("The lower limit is a negative gap.", "Allow less below the wanted gap.")
        for word, value in (
            ("taper", self.taper_mm_per_m),
            ("straightness", self.straightness_mm),
            ("straightness over 100 mm", self.straightness_100_mm),
            ("step over 10 mm", self.step_10_mm),
            ("difference to the opposite side", self.opposite_mm),
            ("flush", self.flush_mm),
            ("length", self.length_mm),
        ):
            if value is not None and not (math.isfinite(value) and value > 0):
                raise nonsense(
                    f"The limit on {word} is not above zero.", "Give a number above zero or leave the line out."
                )
        if not self.largest_hole_mm >= 0:
            raise nonsense("The largest hole is negative.")


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
        if self.name not in RULES:
            raise GapvisionError("rule-unknown", f"There is no decision rule '{self.name}'.")
        if not 0 < self.risk < 0.5:
            raise GapvisionError(
                "value-out-of-range",
                f"A risk of {self.risk:g} makes no sense.",
                "Give a risk above 0 and below 0.5, e.g. 0.05.",
            )

    @property
    def words(self) -> str:
        """The rule in words, with its risk where it has one."""
        return RULES[self.name] + (f"; risk {100 * self.risk:g} %" if self.name == "risk" else "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """A run of neighbouring stations in one state.

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

    @property
    def length_mm(self) -> float:
        """Length from the first to the last station [mm]."""
        return self.to_mm - self.from_mm


@dataclass(frozen=True, slots=True, kw_only=True)
class Check:
    """One limit on the seam as a whole.

    Attributes
    ----------
    name : str
        What was checked, in words.
    value, expanded_u, limit : float
        In ``unit``; ``value`` is compared with plus and minus ``limit``.
    state : str
        One of STATES.
    where : str
        Where the worst lies, in words, or empty.
    """

    name: str
    value: float
    expanded_u: float
    limit: float
    unit: str
    state: str
    where: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Verdict:
    """The decision about one seam.

    Attributes
    ----------
    state : str
        IN, OUT or OPEN for the whole seam.
    rule, coverage_factor : DecisionRule, float
        How it was decided.
    s_mm, gap_mm, expanded_u_mm, lower_mm, upper_mm, probability : ndarray, shape (n,)
        Stations, gap, its U, the limits [mm], and the probability of being in tolerance.
    states : tuple of str, length n
        State of each station.
    spans : tuple of Span
        All runs, in order along the seam, holes included.
    checks : tuple of Check
        Taper, straightness, steps, opposite side, flush: those that have a limit.
    in_mm, out_mm, open_mm, hole_mm : float
        Length of seam in each state [mm].
    worst : Span or None
        The station with the largest excess.
    reasons : tuple of str
        Why, in sentences.
    """

    state: str
    rule: DecisionRule
    coverage_factor: float
    s_mm: FloatArray
    gap_mm: FloatArray
    expanded_u_mm: FloatArray
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
    reasons: tuple[str, ...]

    def __post_init__(self) -> None:
        n = _frozen(self, "s_mm")
        for name in ("gap_mm", "expanded_u_mm", "lower_mm", "upper_mm", "probability"):
            _frozen(self, name, n)
        if len(self.states) != n:
            raise ValueError(f"states: expected {n}, got {len(self.states)}")


@dataclass(frozen=True, slots=True, kw_only=True)
class Coat:
    """One kind of film.

    Attributes
    ----------
    kind : str
        What it is, e.g. ``epoxy primer``.
    stage : int
        1 etch or epoxy primer, 2 high build, 3 paint: which stage of the work puts it on.
    coats : int
        Number of coats.
    film_um : tuple of two floats
        Least and most dry film of one coat on the flat [micrometre].
    stays : tuple of two floats
        Least and most share of that film left on the panel's edge after sanding.
    on : str
        ``both``, ``panel`` or ``neighbour`` edge.
    already_on : bool or None
        Overrides what the stage says.
    source : str
        Where the film comes from.
    """

    kind: str
    stage: int
    coats: int
    film_um: tuple[float, float]
    stays: tuple[float, float]
    on: str = "both"
    already_on: bool | None = None
    source: str = "entered by the user"

    def __post_init__(self) -> None:
        step = "Check the film, the number of coats and the share that stays."
        if self.on not in ("both", "panel", "neighbour"):
            raise GapvisionError(
                "finish-nonsense", f"A coat cannot be on '{self.on}'.", "Write both, panel or neighbour."
            )
        if self.stage not in (1, 2, 3):
            raise GapvisionError(
                "finish-nonsense",
                f"Coat '{self.kind}' belongs to no known stage.",
                "Write primed, high build or painted.",
            )
        if self.coats < 1 or self.coats > 20:
            raise GapvisionError("finish-nonsense", f"{self.coats} coats of {self.kind} make no sense.", step)
        if not 0 <= self.film_um[0] <= self.film_um[1] <= 3000:
            raise GapvisionError(
                "finish-nonsense", f"The film of {self.kind} is not a range between 0 and 3000 micrometres.", step
            )
        if not 0 <= self.stays[0] <= self.stays[1] <= 2:
            raise GapvisionError(
                "finish-nonsense", f"The share of {self.kind} that stays on the edge is not between 0 and 2.", step
            )

    @property
    def flat_um(self) -> tuple[float, float]:
        """Film of all its coats on the flat, least and most [micrometre]."""
        return self.coats * self.film_um[0], self.coats * self.film_um[1]

    @property
    def edge_mm(self) -> tuple[float, float]:
        """Film of all its coats left on one edge, least and most [mm]."""
        return self.coats * self.film_um[0] * self.stays[0] / 1000, self.coats * self.film_um[1] * self.stays[1] / 1000


#: Stage at the time of the photo -> rank; a coat whose stage is not above it is already on.
STAGES = {"bare metal": 0, "primed": 1, "high build": 2, "painted": 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class FinishPlan:
    """The coats of a job.

    Attributes
    ----------
    coats : tuple of Coat
        In the order in which they go on.
    stage : str
        Stage at the time of the photo, a key of STAGES.
    smallest_gap_mm : float or None
        Finished gap below which edges are expected to chip [mm]; None: not judged.
    movement_mm : float
        Allowance for hinge swing and for the panel moving on its seals [mm].
    """

    coats: tuple[Coat, ...]
    stage: str = "bare metal"
    smallest_gap_mm: float | None = None
    movement_mm: float = 0.0

    def __post_init__(self) -> None:
        if self.stage not in STAGES:
            raise GapvisionError(
                "finish-nonsense",
                f"'{self.stage}' is no stage of the work.",
                "Write bare metal, primed, high build or painted.",
            )
        if self.smallest_gap_mm is not None and not 0 < self.smallest_gap_mm < 50:
            raise GapvisionError("finish-nonsense", "The smallest finished gap is not between 0 and 50 mm.")
        if not 0 <= self.movement_mm < 50:
            raise GapvisionError("finish-nonsense", "The allowance for movement is not between 0 and 50 mm.")

    def is_on(self, coat: Coat) -> bool:
        """Say whether the coat is already on at the time of the photo."""
        return coat.stage <= STAGES[self.stage] if coat.already_on is None else coat.already_on


@dataclass(frozen=True, slots=True, kw_only=True)
class FilmLoss:
    """What the coats still to come take from the gap.

    Attributes
    ----------
    loss_mm, std_u_mm : float
        Middle of the range and its standard uncertainty (rectangular) [mm].
    least_mm, most_mm : float
        The range [mm].
    panel_mm, neighbour_mm : float
        Share of each edge in the middle value [mm].
    """

    loss_mm: float
    std_u_mm: float
    least_mm: float
    most_mm: float
    panel_mm: float
    neighbour_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeamReading:
    """One measured stretch of one seam (one photo), placed on its panel.

    Attributes
    ----------
    seam, photo : str
        Name of the seam; the photo's file.
    s_mm, gap_mm, expanded_u_mm : ndarray, shape (n,)
        Stations along the seam, gap, U [mm].
    panel_edge_mm : ndarray, shape (n,)
        Offset of this panel's edge towards the neighbour from the photo's straight reference [mm].
    xy_mm : ndarray, shape (n, 2)
        Places of the stations in the panel's plane [mm]; empty when not placed.
    outward : ndarray, shape (n, 2)
        Unit normals in the panel's plane, from this panel to the neighbour; empty when not placed.
    flush_mm, flush_u_mm : float
        Height of this panel above its neighbour and U [mm]; NaN when not measured.
    panel_straightness, neighbour_straightness : Straightness or None
        Form of the two edges as measured.
    panel_on_left : bool
        True when this panel lies to the left of a person who looks along increasing s from outside the car.
    """

    seam: str
    photo: str
    s_mm: FloatArray
    gap_mm: FloatArray
    expanded_u_mm: FloatArray
    panel_edge_mm: FloatArray
    xy_mm: FloatArray
    outward: FloatArray
    spacing_mm: float = 1.0
    flush_mm: float = math.nan
    flush_u_mm: float = math.nan
    panel_straightness: Straightness | None = None
    neighbour_straightness: Straightness | None = None
    curved: bool = False
    panel_on_left: bool = True

    def __post_init__(self) -> None:
        n = _frozen(self, "s_mm")
        for name in ("gap_mm", "expanded_u_mm", "panel_edge_mm"):
            _frozen(self, name, n)
        for name in ("xy_mm", "outward"):
            value = np.array(getattr(self, name), dtype=float).reshape(-1, 2)
            if len(value) not in (0, n):
                raise ValueError(f"{name}: expected shape ({n}, 2) or none, got {value.shape}")
            value.setflags(write=False)
            object.__setattr__(self, name, value)
        if n > 1 and not (np.diff(self.s_mm) > 0).all():
            raise ValueError("s_mm: expected increasing stations")
