"""Car files: bodies that stay, panels that move, the seams between them and their photos (TOML).

A car file::

    format = "gapvision-car/1"
    name = "grey roadster"
    shape = "two-seat roadster"       # or two-door coupe: gives bodies and seams; or leave it out and list your own
    preset = "even-close"             # what is wanted of every seam that says nothing else; or spec = {...}
    rule = "proven"                   # proven, simple, risk
    order = ["left door", "right door", "left front wing", "right front wing", "bonnet", "boot lid"]   # or the usual

    [sizes]                           # of a ready car; what is left out is as usual
    door_length = "950mm"

    [[bodies]]                        # your own, or what differs on one of the ready car
    name = "left door"
    kind = "door"                     # stays, door, front wing, bonnet, boot lid, fuel flap, lamp lid, panel
    side = "left"
    outline = [["0mm", "-740mm", "0mm"], ["950mm", "-740mm", "0mm"], ["950mm", "-740mm", "620mm"]]
    hung_on = ""                      # the panel that carries it

    [[bodies.adjusters]]              # places: rearward, to the right of the car, up
    name = "upper hinge"
    kind = "shimmed hinge"            # slotted hinge, shimmed hinge, striker, bump stop, catch, wing bolt, buffer
    at = ["-20mm", "-740mm", "500mm"]

    [[bodies.adjusters.ways]]         # what it sets; none: it only follows
    direction = "rearward"            # forward, rearward, to the left, to the right, up, down, or three numbers
    words = ["rearward", "forward"]   # plus and minus, where other words are wanted
    travel = ["-4mm", "4mm"]
    step = "0.5mm"                    # the thinnest shim
    turn = "1.25mm"                   # what a whole turn of its thread makes
    accuracy = "0.15mm"               # how well a hand sets it, standard uncertainty
    response = 1.0                    # what it makes of what it is set to, as learnt
    response_std = 0.25

    [[seams]]                         # your own, or what is said of one of the ready car, by either of its names
    name = "left door, rear"
    other_name = "left quarter, front"
    one = "left door"                 # the two bodies
    other = "left quarter"
    start = ["950mm", "-740mm", "620mm"]
    end = ["950mm", "-740mm", "0mm"]  # or points
    facing = ["to the left", "to the left"]   # where the two faces look; or three numbers each
    pair = "right door, rear"
    preset = "even-close"             # or a table [seams.spec]
    panel_edge = "B"                  # the edge in its photos that is the first body's
    edges = ["folded", "cut"]         # what the two edges are: cut, folded, wired, flanged, leaded
    skins = ["0.8mm", "0.8mm"]
    safe_limits = ["3mm", "0mm"]      # most that may come off each

    [[seams.photos]]
    file = "left_door_rear.json"
    at = "60mm"                       # where its first station lies along the seam
    reverse = false
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import Annotated, Any, Literal

from msgspec import Meta, field

from gapvision import model
from gapvision.errors import GapvisionError
from gapvision.formats.declared import Declared, Length, Name, Refused, inner, place, read_declared
from gapvision.formats.finish_file import finish_from_table
from gapvision.formats.measurement_json import read as read_measurement_file
from gapvision.formats.specification_file import specification_from_table
from gapvision.formats.toml import read_toml
from gapvision.judgement.car_rows import car_reading
from gapvision.judgement.car_shapes import ready_car
from gapvision.judgement.specification import on_seam, preset
from gapvision.model.car import CarAdjuster, CarSeam, CarWay

FORMAT = "gapvision-car/1"

_Triple = tuple[Length, Length, Length]
_Edge = Literal["", "cut", "folded", "wired", "flanged", "leaded"]


class _Direction(tuple[float, float, float]):
    """A word, or three numbers."""

    @classmethod
    def read(cls, value: Any) -> _Direction:
        if isinstance(value, str):
            known = model.CAR_WAYS.get(value)
            if known is None:
                said = f"Write {', '.join(model.CAR_WAYS)}, or three numbers."
                raise Refused(f"'{value[:40]}' is no direction.", said)
            return cls(known)
        return cls(inner(tuple[float, float, float], value))


class _Way(Declared, rename={"step_mm": "step", "turn_mm": "turn", "accuracy_mm": "accuracy"}):
    direction: _Direction
    words: tuple[Name, Name] | None = None
    travel: tuple[Length, Length] | None = None
    step_mm: Length = Length(0)
    turn_mm: Length = Length(0)
    accuracy_mm: Length = Length(model.SETTING_MM)
    response: float = 1.0
    response_std: float = model.RESPONSE_STD

    def check(self) -> None:
        self.way()

    def way(self) -> CarWay:
        back = _Direction((-self.direction[0], -self.direction[1], -self.direction[2]))
        words = self.words or (_word(self.direction), _word(back))
        return self.to(CarWay, words=words)


class _Adjuster(Declared):
    name: Name
    kind: Literal["slotted hinge", "shimmed hinge", "striker", "bump stop", "catch", "wing bolt", "buffer"]
    at: _Triple
    ways: tuple[_Way, ...] = ()


class _Body(Declared):
    name: Name
    kind: Literal["stays", "door", "front wing", "bonnet", "boot lid", "fuel flap", "lamp lid", "panel"] | None = None
    side: Literal["", "left", "right"] | None = None
    outline: Annotated[tuple[_Triple, ...], Meta(min_length=3)] | None = None
    hung_on: str | None = None
    adjusters: tuple[_Adjuster, ...] | None = None

    def given(self) -> dict[str, Any]:
        said = {k: v for k, v in self.but("adjusters").items() if v is not None}
        if self.adjusters is not None:
            own = (a.to(CarAdjuster, ways=tuple(w.way() for w in a.ways)) for a in self.adjusters)
            said["adjusters"] = tuple(own)
        return said


class _Photo(Declared, rename={"at_mm": "at"}):
    file: Name
    at_mm: Length
    reverse: bool = False


class _Seam(Declared, rename={"skins_mm": "skins"}):
    name: Name
    other_name: str | None = None
    one: str | None = None
    other: str | None = None
    start: _Triple | None = None
    end: _Triple | None = None
    points: Annotated[tuple[_Triple, ...], Meta(min_length=2)] | None = None
    facing: tuple[_Direction, _Direction] | None = None
    pair: str | None = None
    panel_edge: Literal["A", "B"] | None = None
    edges: tuple[_Edge, _Edge] | None = None
    skins_mm: tuple[Length, Length] | None = None
    safe_limits: tuple[Length, Length] | None = None
    preset: str | None = None
    spec: dict[str, Any] | None = None
    photos: tuple[_Photo, ...] = ()

    def check(self) -> None:
        if self.preset is not None and self.spec is not None:
            raise _bad(f"Seam '{self.name}' has a preset and a spec.", "Give one of them.")
        if (self.start is None) != (self.end is None):
            raise _bad(f"Seam '{self.name}' has a start or an end only.", "Give both.")

    def given(self) -> dict[str, Any]:
        left_out = ("name", "start", "end", "points", "safe_limits", "preset", "spec", "photos")
        said = {k: v for k, v in self.but(*left_out).items() if v is not None}
        if self.points is not None:
            said["place"] = self.points
        elif self.start is not None and self.end is not None:
            said["place"] = (self.start, self.end)
        if self.safe_limits is not None:
            said["trims"] = tuple(model.TrimRules(safe_limit=((0.0, float(v)),)) for v in self.safe_limits)
        return said | {"photos": tuple(p.to(model.PhotoPlace) for p in self.photos)}


class _File(Declared):
    format: Literal["gapvision-car/1"] | None = None
    name: str = "car"
    shape: str = ""
    sizes: dict[str, Length] = field(default_factory=dict)
    preset: str | None = None
    spec: dict[str, Any] | None = None
    rule: str = "proven"
    risk: float = 0.05
    order: tuple[str, ...] = ()
    bodies: tuple[_Body, ...] = ()
    seams: tuple[_Seam, ...] = ()
    finish: dict[str, Any] | None = None


def car_from_table(table: Mapping[str, Any], where: str = "the car file") -> model.Car:
    """Read a car from a TOML table; its photos are not read.

    Raises
    ------
    GapvisionError
        ``car-file-bad``, ``specification-nonsense``, ``finish-nonsense``, ``preset-unknown``.
    """
    file = read_declared(_File, dict(table), where, "car-file-bad")
    if file.preset is not None and file.spec is not None:
        raise _bad(f"{place(where)} has a preset and a spec for all seams.", "Give one of them.")
    for_all = None if file.preset is None else preset(file.preset)
    if file.spec is not None:
        for_all = specification_from_table(file.spec, where, "spec")
    bodies: dict[str, model.Body] = {}
    seams: dict[str, CarSeam] = {}
    try:
        if file.shape or not file.bodies:
            ready, between = ready_car(file.shape, file.sizes)
            bodies, seams = {b.name: b for b in ready}, {s.name: s for s in between}
        _name_once([b.name for b in file.bodies], "bodies")
        for body in file.bodies:
            if body.name in bodies:
                bodies[body.name] = replace(bodies[body.name], **body.given())
            elif body.outline is None:
                raise _bad(f"Body '{body.name}' has no outline.", "Give it, or the name of one of the ready car.")
            else:
                bodies[body.name] = model.Body(**body.given())
        called = {s.other_name: s.name for s in seams.values()}
        _name_once([called.get(s.name, s.name) for s in file.seams], "seams")
        for k, seam in enumerate(file.seams):
            spec = for_all if seam.preset is None else preset(seam.preset)
            if seam.spec is not None:
                spec = specification_from_table(seam.spec, where, f"seams[{k}].spec")
            name, said = called.get(seam.name, seam.name), seam.given() | {"spec": spec}
            if name in seams:
                if "one" in said or "other" in said:
                    raise _bad(f"Seam '{name}' of the ready car has its bodies.", "Leave one and other out.")
                seams[name] = replace(seams[name], **said)
                continue
            lacks = [word for word in ("one", "other", "place", "facing") if word not in said]
            if lacks:
                raise _bad(f"Seam '{name}' lacks: {', '.join(lacks)}.", "Give it, or the name of one of the ready car.")
            other = {"other_name": f"{said['other']}, beside {said['one']} ({name})"}
            seams[name] = CarSeam(name=name, **(other | said))
        laid = tuple(_on_seam(s if s.spec is not None else replace(s, spec=for_all)) for s in seams.values())
        return model.Car(
            name=file.name, bodies=tuple(bodies.values()), seams=laid, shape=file.shape, order=file.order,
            rule=model.DecisionRule(name=file.rule, risk=file.risk),
            finish=None if file.finish is None else finish_from_table(file.finish, where, "finish"),
        )  # fmt: skip
    except GapvisionError as error:
        if error.code != "car-file-bad" or error.message.startswith(place(where)):
            raise
        raise GapvisionError(error.code, f"{place(where)}: {error.message}", error.next_step) from None


def _name_once(names: list[str], what: str) -> None:
    twice = next((n for n in names if names.count(n) > 1), None)
    if twice is not None:
        raise _bad(f"'{twice}' stands twice among the {what}.", "Write all that is said of it in one place.")


def _on_seam(seam: CarSeam) -> CarSeam:
    """A running specification laid the way its seam leads."""
    if seam.spec is None:
        return seam
    ends = [b - a for a, b in zip(seam.place[0], seam.place[-1], strict=True)]
    leads = max(model.CAR_WAYS, key=lambda w: sum(x * y for x, y in zip(model.CAR_WAYS[w], ends, strict=True)))
    return replace(seam, spec=on_seam(seam.spec, leads, seam.length_mm, seam.name))


def read_car(path: str | Path) -> tuple[model.Car, model.MeasuredCar | None]:
    """Read a car file and the measurements that it names; None where it names none.

    Raises
    ------
    GapvisionError
        As :func:`car_from_table`, ``specification-unreadable``, ``file-not-found``, and what measurements raise.
    """
    path = Path(path)
    where = f"'{path.name}'"
    car = car_from_table(read_toml(path), where)
    readings: dict[str, tuple[model.SeamReading, ...]] = {}
    for seam in car.seams:
        found = []
        for photo in seam.photos:
            measured = read_measurement_file(path.parent / photo.file)
            found.append(car_reading(car, seam, measured, photo, f"{where}, seam '{seam.name}', '{photo.file}'"))
        if found:
            readings[seam.name] = tuple(sorted(found, key=lambda r: float(r.s_mm[0])))
    return car, model.MeasuredCar(car=car, readings=readings) if readings else None


def car_file(
    name: str, shape: str, sizes: Mapping[str, float], preset_name: str = "even-close",
    photos: Mapping[str, tuple[str, float]] | None = None,
) -> dict[str, Any]:  # fmt: skip
    """The table of a ready car's file, all its seams listed, each with its photo where one is given (file, at [mm])."""
    _, seams = ready_car(shape, sizes)
    table: dict[str, Any] = {"format": FORMAT, "name": name, "shape": shape, "preset": preset_name}
    table["sizes"] = {k: Length.written(v) for k, v in sizes.items()}
    table["seams"] = [{"name": s.name} for s in seams]
    for row in table["seams"]:
        if photos and row["name"] in photos:
            file, at = photos[row["name"]]
            row["photos"] = [{"file": file, "at": Length.written(at)}]
    car_from_table(table)
    return table


def with_responses(table: Mapping[str, Any], car: model.Car) -> dict[str, Any]:
    """A car file's table with the adjusters as they were learnt to answer."""
    said = {b["name"]: dict(b) for b in table.get("bodies", ())}
    for body in car.bodies:
        if any(w.response_std != model.RESPONSE_STD or w.response != 1.0 for a in body.adjusters for w in a.ways):
            row = said.get(body.name, {"name": body.name})
            said[body.name] = {**row, "adjusters": [_told(a) for a in body.adjusters]}
    return {**table, "bodies": list(said.values())} if said else dict(table)


def learnt_file(path: str | Path, car: model.Car, folder: Path) -> bytes:
    """A car's file anew, for a folder, with the adjusters as learnt; its own comments stay in the file that it was."""
    import tomli_w

    table = with_responses(read_toml(path), car)
    home, where = Path(path).parent.resolve(), folder.resolve()
    if home != where:
        for seam in table.get("seams", ()):
            for photo in seam.get("photos", ()):
                photo["file"] = Path(os.path.relpath(home / photo["file"], where)).as_posix()
    return tomli_w.dumps(table).encode()


def _told(adjuster: CarAdjuster) -> dict[str, Any]:
    ways = []
    for w in adjuster.ways:
        way: dict[str, Any] = {"direction": list(map(float, w.direction)), "words": list(w.words)}
        if w.travel is not None:
            way["travel"] = [Length.written(v) for v in w.travel]
        for name, value in (("step", w.step_mm), ("turn", w.turn_mm), ("accuracy", w.accuracy_mm)):
            way[name] = Length.written(value)
        ways.append(way | {"response": round(w.response, 4), "response_std": round(w.response_std, 4)})
    return {"name": adjuster.name, "kind": adjuster.kind, "at": [Length.written(v) for v in adjuster.at], "ways": ways}


def _word(direction: tuple[float, float, float]) -> str:
    return max(model.CAR_WAYS, key=lambda w: sum(a * b for a, b in zip(model.CAR_WAYS[w], direction, strict=True)))


def _bad(message: str, next_step: str = "") -> GapvisionError:
    return GapvisionError("car-file-bad", message, next_step)
