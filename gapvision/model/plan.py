"""What to do to a panel: move, trim, and what each step buys."""

from __future__ import annotations

import math
from dataclasses import dataclass

from gapvision.model._checks import FloatArray
from gapvision.model.finish import FinishForecast
from gapvision.model.judgement import OUT, Verdict
from gapvision.model.panel import Panel, Point, SeamReading, TrimRules
from gapvision.model.photo import Notice

#: Nobody sets a panel finer than this [mm]; common practice, no source.
LEAST_MOVE_MM = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class PointMove:
    """What to do at one adjuster [mm]: along x and y, and out of the plane (in is negative).

    Attributes
    ----------
    least_mm : (float, float, float)
        The same three ways: a movement below it is told as none, because the hand, the adjuster's step or U of the
        move itself is larger.
    step_mm : float
        Finest change that the adjuster allows, such as the thinnest shim [mm].
    """

    name: str
    kind: str
    xy: Point
    x_mm: float
    y_mm: float
    out_mm: float
    least_mm: tuple[float, float, float] = (LEAST_MOVE_MM, LEAST_MOVE_MM, LEAST_MOVE_MM)
    step_mm: float = 0.0

    @property
    def ways_mm(self) -> tuple[float, float, float]:
        """Along x and y, and out: what is worth doing, 0 where it is not [mm]."""
        moves = (self.x_mm, self.y_mm, self.out_mm)
        x, y, out = (v if abs(v) >= least else 0.0 for v, least in zip(moves, self.least_mm, strict=True))
        return x, y, out


@dataclass(frozen=True, slots=True, kw_only=True)
class Move:
    """A rigid move of the panel.

    Attributes
    ----------
    x_mm, y_mm, turn_rad : float
        Shift of the panel's centre and turn about it, counter-clockwise seen with x to the right and y up.
    out_mm, tilt_x_rad, tilt_y_rad : float
        Out of the plane at the centre, and its slope along x and along y.
    """

    x_mm: float = 0.0
    y_mm: float = 0.0
    turn_rad: float = 0.0
    out_mm: float = 0.0
    tilt_x_rad: float = 0.0
    tilt_y_rad: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class MoveResult:
    """The best move and what it buys.

    Attributes
    ----------
    move : Move
        The move.
    points : tuple of PointMove
        The same, at each adjuster.
    excess_before_mm, excess_after_mm : float
        Largest excess over the limits, before and after [mm]; negative: room left.
    step_before_mm, step_after_mm : float
        Largest step beyond the limits on the step [mm]; NaN when no step was measured.
    turn_error_mm : float
        Bound on what the linear turn neglects [mm].
    notices : tuple of Notice
        What to know.
    """

    move: Move
    points: tuple[PointMove, ...]
    excess_before_mm: float
    excess_after_mm: float
    step_before_mm: float
    step_after_mm: float
    turn_error_mm: float
    notices: tuple[Notice, ...]

    @property
    def is_none(self) -> bool:
        """Whether the panel stays where it is."""
        return not any(any(p.ways_mm) for p in self.points)


@dataclass(frozen=True, slots=True)
class TrimRow:
    """One row of the table: at a station, what to remove (positive) or add (negative) [mm]."""

    s_mm: float
    gap_mm: float
    new_gap_mm: float
    remove_mm: float
    action: str


#: Action of a span that lies in a hole of the photo, beside metal that is cut or built up.
NOT_MEASURED = "not measured"


@dataclass(frozen=True, slots=True)
class TrimSpan:
    """A stretch that is cut, built up, not measured, or that no line of this kind brings within the limits [mm].

    ``deed`` is how its edge is brought to the line, a key of ``words.DEEDS``; empty where nothing is done.
    """

    action: str
    from_mm: float
    to_mm: float
    largest_mm: float
    largest_at_mm: float
    deed: str = ""


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class TrimLine:
    """The new edge of one stretch.

    Attributes
    ----------
    s_mm, present_mm, new_mm, line_mm : ndarray, shape (n,)
        Stations; present edge, new edge and the line to scribe, as offsets
        towards the neighbour from the stretch's reference [mm].
    remove_mm : ndarray, shape (n,)
        Present minus new edge: positive to remove, negative to add [mm].
    gap_mm : ndarray, shape (n,)
        Gap with the new edge [mm].
    needed : bool
        False: nothing is cut or added.
    kind : str
        ``straight`` or ``fair``.
    short_by_mm : float
        By how much such a line misses the limits [mm]; 0 when it can.
    short_spans : tuple of TrimSpan
        Where it fails and by how much.
    spans : tuple of TrimSpan
        Where metal is removed and where it is added, and the holes beside that.
    rows : tuple of TrimRow
        The table, every 25 mm and at each change.
    cut_mm, add_mm : float
        Lengths cut and built up [mm].
    notices : tuple of Notice
        What to know.
    edge, edge_stated : str, bool
        What the edge is, one of EDGES, or empty for not known; whether a person said so.
    """

    s_mm: FloatArray
    present_mm: FloatArray
    new_mm: FloatArray
    line_mm: FloatArray
    remove_mm: FloatArray
    gap_mm: FloatArray
    needed: bool
    kind: str
    short_by_mm: float
    short_spans: tuple[TrimSpan, ...]
    spans: tuple[TrimSpan, ...]
    rows: tuple[TrimRow, ...]
    cut_mm: float
    add_mm: float
    notices: tuple[Notice, ...]
    edge: str = ""
    edge_stated: bool = False


STAGES_OF_PLAN = ("as measured", "after the move", "after the trim", "after paint")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StagePrediction:
    """One stretch at one stage.

    Attributes
    ----------
    stage : str
        One of STAGES_OF_PLAN.
    reading : SeamReading
        Gap, U and panel edge at that stage.
    verdict : Verdict
        Against the gap to have at that stage: the finished gap wanted plus the
        film still to come, whose doubt is part of U.
    """

    stage: str
    reading: SeamReading
    verdict: Verdict


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StretchPlan:
    """One stretch of one seam: its trim and what each step buys.

    Attributes
    ----------
    stages : tuple of StagePrediction
        As measured, after the move, after the trim, and after paint when there is a finish plan.
    trim : TrimLine
        The new edge.
    finish : FinishForecast or None
        The finished gap after move and trim.
    lower_mm, upper_mm : ndarray, shape (n,)
        The limits that were aimed at now, guard bands taken off [mm].
    passes : float
        Probability that the stretch is proven in tolerance when the plan was carried out, by the hand's setting error.
    """

    seam: str
    photo: str
    stages: tuple[StagePrediction, ...]
    trim: TrimLine
    finish: FinishForecast | None
    lower_mm: FloatArray
    upper_mm: FloatArray
    passes: float = math.nan


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgePlan:
    """What to do to one edge of a seam where nothing is moved.

    Attributes
    ----------
    edge : str
        ``A`` or ``B``.
    stretch : StretchPlan
        The new edge, at the measurement's own stations.
    verdict : Verdict
        The gap as it would stand then, judged as the measurement itself is; film still to come is not in it.
    future : FinishForecast or None
        Its finished gap, where there is paint to come.
    rules : TrimRules
        What may be done to it, as it was stated.
    settings : tuple of (station, gap to set, go, no-go)
        What it is checked by then, once or at both ends [mm]: its U is larger than now, because a hand worked on it.
    """

    edge: str
    stretch: StretchPlan
    verdict: Verdict
    future: FinishForecast | None
    settings: tuple[tuple[float, float, float, float], ...]
    rules: TrimRules


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class CorrectionPlan:
    """What to do to a panel, in order.

    Attributes
    ----------
    panel : Panel
        As it was measured.
    move : MoveResult
        Move first.
    stretches : tuple of StretchPlan
        Then change the edges.
    states : dict of str to str
        Stage -> state of the whole panel.
    notices : tuple of Notice
        What to know.
    cautions : tuple of str
        What to beware of, keys of ``words.CAUTIONS``.
    passes : float
        Probability that all that was measured is proven in tolerance when the plan was carried out.
    """

    panel: Panel
    move: MoveResult
    stretches: tuple[StretchPlan, ...]
    states: dict[str, str]
    notices: tuple[Notice, ...]
    cautions: tuple[str, ...]
    passes: float = math.nan

    @property
    def succeeds(self) -> bool:
        """Whether no station is out of tolerance at the end, as far as measured."""
        return self.states[self.last_stage] != OUT

    @property
    def last_stage(self) -> str:
        """The last stage that was predicted."""
        return list(self.states)[-1]
