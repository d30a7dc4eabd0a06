"""What to do to a whole car: what to set panel by panel, whose edge to change, what each step buys."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from gapvision.model._checks import FloatArray
from gapvision.model.car import MeasuredCar
from gapvision.model.judgement import HOLE, IN, OPEN, OUT, Check
from gapvision.model.photo import Notice
from gapvision.model.plan import StagePrediction, TrimLine


def seam_state(stretches: Sequence[StagePrediction]) -> str:
    """The state of a seam: the worst of its stretches; not measured without any."""
    states = {x.verdict.state for x in stretches}
    return next((s for s in (OUT, OPEN, HOLE, IN) if s in states), HOLE)


@dataclass(frozen=True, slots=True, kw_only=True)
class WaySetting:
    """What to set at one adjuster, one way [mm]; plus leads where the first of ``words`` says."""

    body: str
    adjuster: str
    kind: str
    words: tuple[str, str]
    set_mm: float
    step_mm: float
    turn_mm: float

    @property
    def word(self) -> str:
        """Which way."""
        return self.words[0] if self.set_mm > 0 else self.words[1]


@dataclass(frozen=True, slots=True, kw_only=True)
class SeamAfter:
    """What one seam is to be after a step.

    Attributes
    ----------
    seam, called : str
        Its name, and what the panel of the step calls it.
    places_mm, before_mm, after_mm : tuple of float
        Its first, middle and last measured station, and the gap there before and after the step [mm].
    state : str
        Its verdict after the step.
    go_mm, no_go_mm : float
        What must enter and what must not when it is as wanted [mm]; NaN where U leaves no room.
    """

    seam: str
    called: str
    places_mm: tuple[float, ...]
    before_mm: tuple[float, ...]
    after_mm: tuple[float, ...]
    state: str
    go_mm: float
    no_go_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class HangStep:
    """One panel of the hang list.

    Attributes
    ----------
    panel, kind : str
        The panel.
    unmeasured : bool
        Whether it is left because nothing was measured of one of its seams.
    settings : tuple of WaySetting
        What to set; none: it is left.
    still, follow : tuple of str
        Adjusters that set it and stay as they are, and those that only follow.
    seams : tuple of SeamAfter
        Its seams after it.
    """

    panel: str
    kind: str
    unmeasured: bool
    settings: tuple[WaySetting, ...]
    still: tuple[str, ...]
    follow: tuple[str, ...]
    seams: tuple[SeamAfter, ...]


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeWork:
    """Whose edge to change at a seam that no move brings in.

    Attributes
    ----------
    seam, photo, body : str
        The seam, the photo of the stretch, whose edge.
    trim : TrimLine
        Where, by how much, and how.
    work, other_work : float
        The work on it, and what it would be on the other edge [mm2 of filing].
    """

    seam: str
    photo: str
    body: str
    trim: TrimLine
    work: float
    other_work: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CarPlan:
    """What to do to a car, in order.

    Attributes
    ----------
    measured : MeasuredCar
        As it stands.
    settings_mm : ndarray, shape (ways,)
        What every way of every adjuster is set to, in the order of ``judgement.car_rows.settings_of_car`` [mm].
    steps : tuple of HangStep
        One for each panel that moves, in the order of the work.
    before, after : mapping of str to tuple of StagePrediction
        Seam -> its stretches, judged as they stand and after all steps.
    pairs : tuple of (str, Check, Check)
        Left against right: the two seams, and the verdict on their difference before and after.
    evenness_mm : (float, float)
        Root mean square of gap minus wanted gap over all seams, before and after [mm].
    passes, holds : mapping of str to float
        Probability that each seam is proven, and is, in tolerance when the plan was carried out by hand.
    edges : tuple of EdgeWork
        What no move brings in.
    adjustments : int
        Adjusters that a hand must set.
    notices, cautions : tuples
        What to know, and what to beware of.
    """

    measured: MeasuredCar
    settings_mm: FloatArray
    steps: tuple[HangStep, ...]
    before: Mapping[str, tuple[StagePrediction, ...]]
    after: Mapping[str, tuple[StagePrediction, ...]]
    pairs: tuple[tuple[str, Check, Check], ...]
    evenness_mm: tuple[float, float]
    passes: Mapping[str, float]
    holds: Mapping[str, float]
    edges: tuple[EdgeWork, ...]
    adjustments: int
    notices: tuple[Notice, ...]
    cautions: tuple[str, ...]
