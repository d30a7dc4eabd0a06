"""A whole car: bodies that stay, panels that move, the seams between them, and how each panel is set."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from itertools import pairwise

import numpy as np

from gapvision.errors import require
from gapvision.model._checks import FloatArray
from gapvision.model.finish import FinishPlan
from gapvision.model.judgement import DecisionRule, Specification
from gapvision.model.panel import (
    EDGES,
    SETTING_MM,
    SKIN_MM,
    Panel,
    PanelSeam,
    PhotoPlace,
    SeamReading,
    Travel,
    TrimRules,
)

_require = partial(require, "car-file-bad")

#: A place or direction on the car: x rearward, y to its right, z up [mm].
Place = tuple[float, float, float]
#: Words for directions on the car.
CAR_WAYS: dict[str, Place] = {
    "rearward": (1.0, 0.0, 0.0), "forward": (-1.0, 0.0, 0.0), "to the right": (0.0, 1.0, 0.0),
    "to the left": (0.0, -1.0, 0.0), "up": (0.0, 0.0, 1.0), "down": (0.0, 0.0, -1.0),
}  # fmt: skip
#: What a body is; those that move stand in the order in which they are hung; common practice, no source.
STAYS = "stays"
BODIES = (STAYS, "door", "front wing", "bonnet", "boot lid", "fuel flap", "lamp lid", "panel")
#: Kinds of adjusters of a car.
CAR_ADJUSTERS = ("slotted hinge", "shimmed hinge", "striker", "bump stop", "catch", "wing bolt", "buffer")
_INWARDS = -0.5  # cosine below which a face looks into the car; a hollow place may look a little inwards
#: How far an adjuster's answer may differ from its setting before anything is learnt, standard deviation as a share.
RESPONSE_STD = 0.25


def place_length(points: tuple[Place, ...]) -> float:
    """Length of a line through places [mm]."""
    return math.fsum(math.dist(a, b) for a, b in pairwise(points))


def unit_vector(direction: Place) -> FloatArray:
    """A direction with the length one."""
    v = np.array(direction, float)
    return np.asarray(v / np.linalg.norm(v), float)


@dataclass(frozen=True, slots=True, kw_only=True)
class CarWay:
    """One way in which an adjuster sets its panel.

    Attributes
    ----------
    direction : Place
        Where plus leads on the car; its length does not count.
    words : (str, str)
        Words for plus and minus.
    travel : (float, float) or None
        How far it can still go each way [mm]; None: not entered, taken as unlimited.
    step_mm, turn_mm : float
        Finest change, such as the thinnest shim, and what one whole turn of its thread makes [mm]; 0: none.
    accuracy_mm : float
        How well a hand sets it, standard uncertainty [mm].
    response, response_std : float
        What it really makes of what it is set to, as a share, and the standard uncertainty of that.
    """

    direction: Place
    words: tuple[str, str]
    travel: Travel | None = None
    step_mm: float = 0.0
    turn_mm: float = 0.0
    accuracy_mm: float = SETTING_MM
    response: float = 1.0
    response_std: float = RESPONSE_STD

    def __post_init__(self) -> None:
        far = self.travel is None or -math.inf < self.travel[0] <= 0 <= self.travel[1] < math.inf
        _require(far, "A travel does not reach from zero or less to zero or more.", 'Write it like ["-3mm", "2mm"].')
        size = math.hypot(*self.direction)
        _require(math.isfinite(size) and size > 0, "A direction has no length.")
        _require(0 <= self.step_mm < 10, "The step of an adjuster is not between 0 and 10 mm.")
        _require(0 <= self.turn_mm < 10, "A turn of an adjuster is not between 0 and 10 mm.")
        _require(0 <= self.accuracy_mm < 5, "The accuracy of an adjuster is not between 0 and 5 mm.")
        _require(0.2 <= self.response <= 3, "The response of an adjuster is not between 0.2 and 3.")
        _require(0 <= self.response_std <= 1, "The response's standard uncertainty is not between 0 and 1.")


@dataclass(frozen=True, slots=True, kw_only=True)
class CarAdjuster:
    """A place where a panel of a car is set; with no ways it only follows."""

    name: str
    kind: str
    at: Place
    ways: tuple[CarWay, ...] = ()

    def __post_init__(self) -> None:
        kind = f"'{self.kind}' is no kind of adjuster."
        _require(self.kind in CAR_ADJUSTERS, kind, f"Write {', '.join(CAR_ADJUSTERS[:-1])} or {CAR_ADJUSTERS[-1]}.")


@dataclass(frozen=True, slots=True, kw_only=True)
class Body:
    """A part of the car that stays, or a panel that moves.

    Attributes
    ----------
    kind : str
        One of BODIES.
    side : str
        ``left``, ``right`` or empty.
    outline : tuple of Place
        Around its face, three places or more [mm].
    adjusters : tuple of CarAdjuster
        How it is set; none for what stays.
    hung_on : str
        The panel that carries it and takes it along when it moves; empty: it hangs on what stays.
    """

    name: str
    kind: str = STAYS
    side: str = ""
    outline: tuple[Place, ...]
    adjusters: tuple[CarAdjuster, ...] = ()
    hung_on: str = ""

    def __post_init__(self) -> None:
        kind = f"'{self.kind}' is not what a body can be."
        _require(self.kind in BODIES, kind, f"Write {', '.join(BODIES[:-1])} or {BODIES[-1]}.")
        _require(self.side in ("", "left", "right"), f"'{self.side}' is not a side of the car.")
        _require(len(self.outline) >= 3, f"The outline of '{self.name}' has fewer than three places.")
        sets = any(a.ways for a in self.adjusters)
        _require(
            self.moves == sets,
            f"'{self.name}' {'moves, but nothing on it sets it' if self.moves else 'stays, but has adjusters'}.",
            "Give each panel that moves its adjusters with their ways, and none to what stays.",
        )
        names = [a.name for a in self.adjusters]
        _require(len(set(names)) == len(names), f"Two adjusters of '{self.name}' have the same name.")
        _require(self.moves or not self.hung_on, f"'{self.name}' stays, so nothing can carry it.")

    @property
    def moves(self) -> bool:
        """Whether it is a panel that moves."""
        return self.kind != STAYS

    @property
    def centre(self) -> FloatArray:
        """The middle of its outline; shifts are told for it and turns go about it [mm], shape (3,)."""
        return np.asarray(np.mean(self.outline, axis=0), float)


@dataclass(frozen=True, slots=True, kw_only=True)
class CarSeam:
    """A seam between two bodies; each has its own name for it.

    Attributes
    ----------
    name, other_name : str
        What the first body and what the other one calls it.
    one, other : str
        The two bodies.
    place : tuple of Place
        From its start to its end [mm].
    facing : (Place, Place)
        Where the faces of the first and of the other body look, out of the car.
    spec : Specification or None
        What is wanted; None: not said yet.
    panel_edge : str
        The edge in its photos that is the first body's.
    edges, skins_mm, trims : pairs
        What the two edges are, their skins' thickness [mm], and what may be done to them.
    pair : str
        The seam on the other side of the car that it is to be like; empty: none.
    photos : tuple of PhotoPlace
        How its photos lie on it.
    """

    name: str
    other_name: str
    one: str
    other: str
    place: tuple[Place, ...]
    facing: tuple[Place, Place]
    spec: Specification | None = None
    panel_edge: str = "B"
    edges: tuple[str, str] = ("", "")
    skins_mm: tuple[float, float] = (SKIN_MM, SKIN_MM)
    trims: tuple[TrimRules, TrimRules] = (TrimRules(), TrimRules())
    pair: str = ""
    photos: tuple[PhotoPlace, ...] = ()

    def __post_init__(self) -> None:
        here = f"Seam '{self.name}'"
        _require(self.one != self.other, f"{here} lies between '{self.one}' and itself.", "Name two bodies.")
        pieces = len(self.place) >= 2 and all(math.dist(a, b) > 1e-6 for a, b in pairwise(self.place))
        _require(pieces, f"{here} needs a start and an end, and no two of its places may be the same.")
        _require(self.panel_edge in ("A", "B"), f"{here}: write A or B for panel_edge.")
        known = all(e in ("", *EDGES) for e in self.edges)
        _require(known, f"{here}: that is not what an edge can be.", f"Write {', '.join(EDGES[:-1])} or {EDGES[-1]}.")
        _require(all(0.3 <= v <= 5 for v in self.skins_mm), f"{here}: a skin is not between 0.3 and 5 mm thick.")
        sizes = [math.hypot(*f) for f in self.facing]
        _require(min(sizes) > 0, f"{here}: a face looks nowhere.")
        looks = unit_vector(self.facing[0]) + unit_vector(self.facing[1])
        _require(float(np.linalg.norm(looks)) > 0.5, f"{here}: its two faces look almost opposite ways.")
        for a, b in pairwise(self.place):
            along = unit_vector((b[0] - a[0], b[1] - a[1], b[2] - a[2]))
            _require(
                abs(float(along @ unit_vector((looks[0], looks[1], looks[2])))) < 0.5,
                f"{here} runs the way its faces look.",
                "Give where the faces look, out of the car, not along the seam.",
            )

    @property
    def length_mm(self) -> float:
        """Its length [mm]."""
        return place_length(self.place)

    def layout(self, readings: tuple[SeamReading, ...], spec: Specification, side: int = 0) -> PanelSeam:
        """The same seam rolled out straight, as one of a panel, seen from the first body (0) or the other (1)."""
        laid = tuple(
            replace(
                r,
                xy_mm=np.stack([r.s_mm, np.zeros(len(r.s_mm))], axis=1),
                outward=np.tile((0.0, 1.0), (len(r.s_mm), 1)),
            )
            for r in readings
        )
        return PanelSeam(
            name=self.name, place=((0.0, 0.0), (self.length_mm, 0.0)), spec=spec, readings=laid,
            panel_edge=self.panel_edge, edge=self.edges[side], skin_mm=self.skins_mm[side], trim=self.trims[side],
            photos=self.photos,
        )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Car:
    """A car as its file describes it.

    Attributes
    ----------
    bodies, seams : tuple of Body, of CarSeam
        Its parts and what lies between them.
    order : tuple of str
        The panels that move, in the order in which they are hung; empty: the usual one, by BODIES.
    rule : DecisionRule
        How U enters the decision.
    finish : FinishPlan or None
        Coats still to come.
    """

    name: str
    bodies: tuple[Body, ...]
    seams: tuple[CarSeam, ...]
    shape: str = ""
    order: tuple[str, ...] = ()
    rule: DecisionRule = field(default_factory=DecisionRule)
    finish: FinishPlan | None = None

    def __post_init__(self) -> None:
        _require(bool(self.seams), "The car has no seam.", "List at least one seam with its two bodies and its place.")
        bodies, moving = [b.name for b in self.bodies], [b.name for b in self.bodies if b.moves]
        _require(len(set(bodies)) == len(bodies), "Two bodies of the car have the same name.")
        names = [n for s in self.seams for n in (s.name, s.other_name)]
        _require(len(set(names)) == len(names), "Two seams of the car have the same name.", "Each name counts once.")
        by_name = {s.name: s for s in self.seams}
        for s in self.seams:
            for name in (s.one, s.other):
                said = f"Seam '{s.name}' names the body '{name}', which the car does not have."
                _require(name in bodies, said, f"Its bodies: {', '.join(bodies)}.")
            still = f"Both bodies of seam '{s.name}' stay, so no move changes it."
            _require(s.one in moving or s.other in moving, still, "Leave it out, or say which of the two moves.")
            if s.pair:
                known = f"Seam '{s.name}' names '{s.pair}' as its pair, which the car does not have."
                _require(s.pair in by_name, known)
                _require(by_name[s.pair].pair == s.name, f"Seams '{s.name}' and '{s.pair}' do not name each other.")
        for b in self.bodies:
            self._check_hanging(b, moving)
        middle = np.mean([b.centre for b in self.bodies], axis=0)
        for s in self.seams:
            looks = unit_vector(s.facing[0]) + unit_vector(s.facing[1])
            away = np.mean(s.place, axis=0) - middle
            inwards = float(looks @ away) < _INWARDS * float(np.linalg.norm(looks) * np.linalg.norm(away))
            said = f"The faces of seam '{s.name}' look into the car."
            _require(not inwards, said, "Give where they look, out of the car: above and below would be exchanged.")
        said = "The order of the work does not name each panel that moves once."
        _require(not self.order or sorted(self.order) == sorted(moving), said, f"They are: {', '.join(moving)}.")

    def _check_hanging(self, body: Body, moving: list[str]) -> None:
        seen, at = [body.name], body
        while at.hung_on:
            said = f"'{at.name}' hangs on '{at.hung_on}', which is no panel that moves."
            _require(at.hung_on in moving, said, "Leave hung_on out where the car itself carries it.")
            _require(at.hung_on not in seen, f"'{body.name}' hangs on itself.", "Correct hung_on.")
            at = self.body(at.hung_on)
            seen.append(at.name)

    def body(self, name: str) -> Body:
        """One of its bodies."""
        return next(b for b in self.bodies if b.name == name)

    def seam(self, name: str) -> CarSeam:
        """A seam by either of its names; ``car-file-bad`` where there is none."""
        found = next((s for s in self.seams if name in (s.name, s.other_name)), None)
        known = f"It has: {'; '.join(s.name for s in self.seams)}."
        _require(found is not None, f"The car has no seam '{name}'.", known)
        assert found is not None
        return found

    @property
    def hang_order(self) -> tuple[str, ...]:
        """The panels that move, in the order of the work."""
        moving = sorted((b for b in self.bodies if b.moves), key=lambda b: BODIES.index(b.kind))
        return self.order or tuple(b.name for b in moving)

    def carried(self, name: str) -> Iterator[Body]:
        """A body that moves, and those that carry it; nothing for what stays."""
        at: Body | None = self.body(name)
        while at is not None and at.moves:
            yield at
            at = self.body(at.hung_on) if at.hung_on else None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class MeasuredCar:
    """A car with what was measured of its seams, all at one stage.

    Attributes
    ----------
    readings : mapping of str to tuple of SeamReading
        Seam -> its stretches: ``s_mm`` from the seam's start, edge and step those of its first body.
    """

    car: Car
    readings: Mapping[str, tuple[SeamReading, ...]]

    def __post_init__(self) -> None:
        measured = [s for s in self.car.seams if self.readings.get(s.name)]
        _require(bool(measured), "Nothing of the car was measured.", "Give at least one seam a measurement.")
        for s in measured:
            said = f"Seam '{s.name}' was measured, but what is wanted of it is not said."
            _require(s.spec is not None, said, 'Write preset = "even-close", or a table [seams.spec].')

    @property
    def measured(self) -> tuple[CarSeam, ...]:
        """Its seams that were measured."""
        return tuple(s for s in self.car.seams if self.readings.get(s.name))

    @property
    def panel(self) -> Panel:
        """All measured seams as those of one panel, each rolled out straight: what judges them judges these."""
        seams = [s.layout(self.readings[s.name], s.spec) for s in self.measured if s.spec is not None]
        free = tuple(s.name for s in self.car.seams if not self.readings.get(s.name))
        return Panel(
            name=self.car.name, seams=tuple(seams), centre=(0.0, 0.0), rule=self.car.rule, finish=self.car.finish,
            free=free,
        )  # fmt: skip
