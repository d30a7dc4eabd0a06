"""Coats of paint and what they take from a gap."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import partial

from gapvision.errors import require
from gapvision.model._checks import FloatArray
from gapvision.model.judgement import Span, Verdict
from gapvision.model.photo import Notice

_require = partial(require, "finish-nonsense")
#: State of a place whose finished gap is below the smallest that does not chip.
AT_RISK = "at risk of chipping"


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
        step, what = "Check the film, the number of coats and the share that stays.", self.kind
        on = self.on in ("both", "panel", "neighbour")
        _require(on, f"A coat cannot be on '{self.on}'.", "Write both, panel or neighbour.")
        stage = f"Coat '{what}' belongs to no known stage."
        _require(self.stage in (1, 2, 3), stage, "Write primed, high build or painted.")
        _require(1 <= self.coats <= 20, f"{self.coats} coats of {what} make no sense.", step)
        film, stays = 0 <= self.film_um[0] <= self.film_um[1] <= 3000, 0 <= self.stays[0] <= self.stays[1] <= 2
        _require(film, f"The film of {what} is not a range between 0 and 3000 micrometres.", step)
        _require(stays, f"The share of {what} that stays on the edge is not between 0 and 2.", step)

    @property
    def flat_um(self) -> tuple[float, float]:
        """Film of all its coats on the flat, least and most [micrometre]."""
        return self.coats * self.film_um[0], self.coats * self.film_um[1]

    @property
    def edge_mm(self) -> tuple[float, float]:
        """Film of all its coats left on one edge, least and most [mm]."""
        low, high = (film * share / 1000 for film, share in zip(self.flat_um, self.stays, strict=True))
        return low, high


#: Stage at the time of the photo -> rank; a coat whose stage is not above it is already on.
STAGES = {"bare metal": 0, "primed": 1, "high build": 2, "painted": 3}


@dataclass(frozen=True, slots=True, kw_only=True)
class Swing:
    """How a panel opens, across a seam that runs along its hinges' axis.

    Attributes
    ----------
    axis_in_mm, axis_below_mm : float
        The hinges' axis: how far from this panel's edge into the panel, and how far below its face [mm].
    depth_mm, radius_mm : float
        How deep this panel's edge reaches below its face, and the radius of its roll [mm].
    neighbour_depth_mm, neighbour_radius_mm : float
        The same of the neighbour's edge [mm].
    step_mm : float
        This panel's face above the neighbour's [mm].
    open_deg : float
        How far it opens [degrees].
    """

    axis_in_mm: float
    axis_below_mm: float
    depth_mm: float = 3.0
    radius_mm: float = 1.0
    neighbour_depth_mm: float = 3.0
    neighbour_radius_mm: float = 1.0
    step_mm: float = 0.0
    open_deg: float = 70.0

    def __post_init__(self) -> None:
        axis = 0 < self.axis_in_mm < 2000 and -500 < self.axis_below_mm < 500
        _require(axis, "The hinges' axis lies nowhere near the panel.", "Measure it from this panel's edge and face.")
        for depth, radius in ((self.depth_mm, self.radius_mm), (self.neighbour_depth_mm, self.neighbour_radius_mm)):
            edge = 0 <= 2 * radius <= depth < 100
            _require(edge, "An edge is less deep than its roll is thick.", "Give depth at least twice the radius.")
        _require(abs(self.step_mm) < 50 and 0 < self.open_deg <= 120, "Step or opening of the swing make no sense.")


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
        Allowance for hinge swing and for the panel moving on its seals [mm]; typed, it goes before the swing.
    swing : Swing or None
        How the panel opens, for the smallest gap on the way.
    """

    coats: tuple[Coat, ...]
    stage: str = "bare metal"
    smallest_gap_mm: float | None = None
    movement_mm: float = 0.0
    swing: Swing | None = None

    def __post_init__(self) -> None:
        stage = f"'{self.stage}' is no stage of the work."
        _require(self.stage in STAGES, stage, "Write bare metal, primed, high build or painted.")
        least = self.smallest_gap_mm is None or 0 < self.smallest_gap_mm < 50
        _require(least, "The smallest finished gap is not between 0 and 50 mm.")
        _require(0 <= self.movement_mm < 50, "The allowance for movement is not between 0 and 50 mm.")

    def is_on(self, coat: Coat) -> bool:
        """Say whether the coat is already on at the time of the photo."""
        return coat.stage <= STAGES[self.stage] if coat.already_on is None else coat.already_on


@dataclass(frozen=True, slots=True, kw_only=True)
class TakenFilm:
    """What one coat really left on an edge at one job: the film and its U (k = 2) [micrometre]."""

    kind: str
    job: str
    film_um: float
    expanded_u_um: float


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
class FinishForecast:
    """The gap once every coat is on.

    Attributes
    ----------
    s_mm, gap_mm, expanded_u_mm : ndarray, shape (n,)
        Stations, finished gap, its U [mm].
    loss : FilmLoss
        What the coats still to come take.
    verdict : Verdict
        Against the finished gap wanted.
    chip_limit_mm : float
        Smallest finished gap plus the allowance for movement [mm]; NaN when none was stated.
    chip_spans : tuple of Span
        Where the finished gap is below it, or not proven above it.
    set_now_mm, set_lower_mm, set_upper_mm : ndarray, shape (n,)
        Gap to set now for the wanted finished gap, and the limits that keep the
        finished gap in tolerance whatever the film does within its range [mm].
    notices : tuple of Notice
        What to know.
    motion_mm, motion_deg : float
        Smallest finished gap while the panel opens [mm], and how far open that is; NaN where no swing was stated.
    """

    s_mm: FloatArray
    gap_mm: FloatArray
    expanded_u_mm: FloatArray
    loss: FilmLoss
    verdict: Verdict
    chip_limit_mm: float
    chip_spans: tuple[Span, ...]
    set_now_mm: FloatArray
    set_lower_mm: FloatArray
    set_upper_mm: FloatArray
    notices: tuple[Notice, ...]
    motion_mm: float = math.nan
    motion_deg: float = math.nan
