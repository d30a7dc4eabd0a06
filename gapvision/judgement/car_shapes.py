"""Ready cars by shape: bodies, panels and seams of an invented car whose sizes are typed.

How panels are hung and set, and how large such parts usually are, is common practice, no source.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace

from gapvision.errors import GapvisionError, require
from gapvision.model import CAR_WAYS, Body, CarAdjuster, CarSeam, CarWay, Place
from gapvision.units import format_mm

#: Shape -> what is special on it.
CAR_SHAPES = {
    "two-seat roadster": "open, doors without frames, bonnet, boot lid",
    "two-door coupe": "doors with frames, bonnet, boot lid, fuel flap, head lamp lids in the wings",
}
#: Name of a size in the file -> what it is, and what is usual [mm]; common practice, no source.
CAR_SIZES: dict[str, tuple[str, float]] = {
    "width": ("width of the body across the doors", 1480.0),
    "door_length": ("door, along the sill", 950.0),
    "door_height": ("door, along its rear edge", 620.0),
    "bonnet_width": ("bonnet, across the car", 1050.0),
    "bonnet_length": ("bonnet, along the car", 1000.0),
    "boot_width": ("boot lid, across the car", 950.0),
    "boot_length": ("boot lid, along the car", 650.0),
}
_LEAST_MM, _MOST_MM = 150.0, 3000.0
_SLOT, _SHIM, _TURN = 0.15, 0.05, 0.05  # how well a hand sets each, standard uncertainty [mm]
_SHIM_MM, _PITCH_MM = 0.5, 1.25  # usual shim; thread of a buffer
_SCUTTLE_MM = 120.0  # from the bonnet's rear edge to the door's front edge
_DECK_MM = 100.0  # from the door's rear edge to the boot lid's front edge
_FLAP_MM, _LAMP_MM = 160.0, 220.0


def slot(direction: str, far: float = 4.0) -> CarWay:
    """A slotted way that may go ``far`` to either side [mm]."""
    return CarWay(direction=CAR_WAYS[direction], words=(direction, _against(direction)), travel=(-far, far),
                  accuracy_mm=_SLOT)  # fmt: skip


def shims(direction: str, words: tuple[str, str] | None = None, far: float = 3.0) -> CarWay:
    """A way set by shims."""
    return CarWay(direction=CAR_WAYS[direction], words=words or (direction, _against(direction)), travel=(-far, far),
                  step_mm=_SHIM_MM, accuracy_mm=_SHIM)  # fmt: skip


def turns(direction: str, words: tuple[str, str] | None = None, far: float = 5.0) -> CarWay:
    """A way set by turning a thread, a quarter turn being the finest."""
    return CarWay(direction=CAR_WAYS[direction], words=words or (direction, _against(direction)), travel=(-far, far),
                  step_mm=_PITCH_MM / 4, turn_mm=_PITCH_MM, accuracy_mm=_TURN)  # fmt: skip


def _against(direction: str) -> str:
    ways = list(CAR_WAYS)
    return ways[ways.index(direction) ^ 1]


def ready_car(shape: str, sizes: Mapping[str, float]) -> tuple[tuple[Body, ...], tuple[CarSeam, ...]]:
    """Bodies and seams of a ready car.

    Parameters
    ----------
    shape : str
        A key of CAR_SHAPES.
    sizes : mapping of str to float
        Keys of CAR_SIZES [mm]; what is left out is as usual.

    Raises
    ------
    GapvisionError
        ``car-file-bad`` for a shape or a size that makes no sense.
    """
    if shape not in CAR_SHAPES:
        raise GapvisionError("car-file-bad", f"'{shape}' is no ready car.", f"Write {' or '.join(CAR_SHAPES)}.")
    for name, value in sizes.items():
        known = f"'{name}' is no size of a ready car."
        require("car-file-bad", name in CAR_SIZES, known, f"They are: {', '.join(CAR_SIZES)}.")
        said = f"The size '{name}' of {format_mm(value, 0)} is not between 150 mm and 3 m."
        require("car-file-bad", _LEAST_MM <= value <= _MOST_MM, said)
    size = {name: float(sizes.get(name, usual)) for name, (_, usual) in CAR_SIZES.items()}
    broad = "The bonnet or the boot lid is wider than the body."
    fits = max(size["bonnet_width"], size["boot_width"]) < size["width"]
    require("car-file-bad", fits, broad, "Correct width, bonnet_width or boot_width.")
    coupe = shape == "two-door coupe"
    bodies, seams = [*_middle(size)], [*_lids(size)]
    for side in ("left", "right"):
        bodies += _side(side, size, coupe)
        seams += _side_seams(side, size, coupe)
    if coupe:
        more = _flap(size)
        bodies.append(more[0])
        seams.append(more[1])
        bodies += [_lamp(side, size)[0] for side in ("left", "right")]
        seams += [_lamp(side, size)[1] for side in ("left", "right")]
    by_name = {s.name: s for s in seams}
    return tuple(bodies), tuple(replace(s, pair=_opposite(s.name, by_name)) for s in seams)


def _opposite(name: str, known: Mapping[str, CarSeam]) -> str:
    swap = {"left": "right", "right": "left"}
    other = ", ".join(" ".join(swap.get(w, w) for w in part.split()) for part in name.split(", "))
    return other if other != name and other in known else ""


def _box(x: Sequence[float], y: float, z: Sequence[float]) -> tuple[Place, ...]:
    """An upright rectangle along the car."""
    return (x[0], y, z[0]), (x[1], y, z[0]), (x[1], y, z[1]), (x[0], y, z[1])


def _flat(x: Sequence[float], y: Sequence[float], z: float) -> tuple[Place, ...]:
    """A level rectangle."""
    return (x[0], y[0], z), (x[1], y[0], z), (x[1], y[1], z), (x[0], y[1], z)


def _middle(size: Mapping[str, float]) -> Iterator[Body]:
    half, high = size["width"] / 2, size["door_height"]
    nose = -_SCUTTLE_MM - size["bonnet_length"]
    deck = size["door_length"] + _DECK_MM
    tail, b, t = deck + size["boot_length"], size["bonnet_width"] / 2, size["boot_width"] / 2
    yield Body(name="front panel", outline=_flat((nose - 120.0, nose), (-b, b), high))
    yield Body(name="scuttle", outline=_flat((-_SCUTTLE_MM, 0.0), (-half, half), high))
    yield Body(name="rear deck", outline=_flat((size["door_length"], deck), (-half, half), high))
    yield Body(name="tail panel", outline=_flat((tail, tail + 120.0), (-t, t), high))
    hinge, front = -_SCUTTLE_MM - 40.0, nose + 60.0
    yield Body(
        name="bonnet", kind="bonnet", outline=_flat((nose, -_SCUTTLE_MM), (-b, b), high),
        adjusters=(
            CarAdjuster(name="left hinge", kind="shimmed hinge", at=(hinge, -b + 80.0, high),
                        ways=(slot("rearward"), slot("to the right"), shims("up"))),
            CarAdjuster(name="right hinge", kind="shimmed hinge", at=(hinge, b - 80.0, high),
                        ways=(slot("rearward"), shims("up"))),
            CarAdjuster(name="left buffer", kind="buffer", at=(front, -b + 60.0, high), ways=(turns("up"),)),
            CarAdjuster(name="right buffer", kind="buffer", at=(front, b - 60.0, high), ways=(turns("up"),)),
            CarAdjuster(name="catch", kind="catch", at=(front, 0.0, high)),
        ),
    )  # fmt: skip
    yield Body(
        name="boot lid", kind="boot lid", outline=_flat((deck, tail), (-t, t), high),
        adjusters=(
            CarAdjuster(name="left hinge", kind="shimmed hinge", at=(deck + 40.0, -t + 80.0, high),
                        ways=(slot("rearward"), slot("to the right"), shims("up"))),
            CarAdjuster(name="right hinge", kind="shimmed hinge", at=(deck + 40.0, t - 80.0, high),
                        ways=(slot("rearward"), shims("up"))),
            CarAdjuster(name="left buffer", kind="buffer", at=(tail - 40.0, -t + 60.0, high), ways=(turns("up"),)),
            CarAdjuster(name="right buffer", kind="buffer", at=(tail - 40.0, t - 60.0, high), ways=(turns("up"),)),
            CarAdjuster(name="catch", kind="catch", at=(tail - 40.0, 0.0, high)),
        ),
    )  # fmt: skip


def _lids(size: Mapping[str, float]) -> Iterator[CarSeam]:
    high, b, t = size["door_height"], size["bonnet_width"] / 2, size["boot_width"] / 2
    nose, rear = -_SCUTTLE_MM - size["bonnet_length"], -_SCUTTLE_MM
    deck = size["door_length"] + _DECK_MM
    tail, up = deck + size["boot_length"], CAR_WAYS["up"]
    for side, sign in (("left", -1.0), ("right", 1.0)):
        yield CarSeam(
            name=f"bonnet, {side}", other_name=f"{side} front wing, top", one="bonnet", other=f"{side} front wing",
            place=((nose, sign * b, high), (rear, sign * b, high)), facing=(up, (0.0, sign * 0.6, 0.8)),
        )  # fmt: skip
        yield CarSeam(
            name=f"boot lid, {side}", other_name=f"{side} quarter, top", one="boot lid", other=f"{side} quarter",
            place=((deck, sign * t, high), (tail, sign * t, high)), facing=(up, (0.0, sign * 0.6, 0.8)),
        )  # fmt: skip
    for lid, end, other, x, half in (
        ("bonnet", "front", "front panel", nose, b), ("bonnet", "rear", "scuttle", rear, b),
        ("boot lid", "front", "rear deck", deck, t), ("boot lid", "rear", "tail panel", tail, t),
    ):  # fmt: skip
        yield CarSeam(
            name=f"{lid}, {end}", other_name=f"{other}, {'rear' if end == 'front' else 'front'}", one=lid,
            other=other, place=((x, -half, high), (x, half, high)), facing=(up, up),
        )  # fmt: skip


def _side(side: str, size: Mapping[str, float], coupe: bool) -> Iterator[Body]:
    sign = -1.0 if side == "left" else 1.0
    y, long, high = sign * size["width"] / 2, size["door_length"], size["door_height"]
    nose = -_SCUTTLE_MM - size["bonnet_length"]
    tail = long + _DECK_MM + size["boot_length"]
    outward = "to the left" if side == "left" else "to the right"
    out = ("out", "in")
    yield Body(name=f"{side} sill", side=side, outline=_box((0.0, long), y, (-150.0, 0.0)))
    yield Body(name=f"{side} quarter", side=side, outline=_box((long, tail), y, (0.0, high)))
    if coupe:
        yield Body(name=f"{side} roof rail", side=side, outline=_box((0.0, long), y, (high, high + 120.0)))
    yield Body(
        name=f"{side} door", kind="door", side=side, outline=_box((0.0, long), y, (0.0, high)),
        adjusters=(
            CarAdjuster(name="upper hinge", kind="shimmed hinge", at=(-20.0, y, 0.8 * high),
                        ways=(slot("rearward"), slot("up"), shims(outward, out))),
            CarAdjuster(name="lower hinge", kind="shimmed hinge", at=(-20.0, y, 0.2 * high),
                        ways=(slot("rearward"), slot("up"), shims(outward, out))),
            CarAdjuster(name="striker", kind="striker", at=(long, y, 0.5 * high),
                        ways=(replace(slot(outward, 3.0), words=out),)),
        ),
    )  # fmt: skip
    yield Body(
        name=f"{side} front wing", kind="front wing", side=side, outline=_box((nose, 0.0), y, (0.0, high)),
        adjusters=(
            CarAdjuster(name="upper rear bolt", kind="wing bolt", at=(-60.0, y, 0.9 * high),
                        ways=(slot("rearward"), shims("up"), shims(outward, out))),
            CarAdjuster(name="lower rear bolt", kind="wing bolt", at=(-60.0, y, 30.0),
                        ways=(slot("rearward"), shims(outward, out))),
            CarAdjuster(name="front bolt", kind="wing bolt", at=(nose + 80.0, y, 0.9 * high),
                        ways=(shims("up"), shims(outward, out))),
        ),
    )  # fmt: skip


def _side_seams(side: str, size: Mapping[str, float], coupe: bool) -> Iterator[CarSeam]:
    sign = -1.0 if side == "left" else 1.0
    y, long, high = sign * size["width"] / 2, size["door_length"], size["door_height"]
    door, look = f"{side} door", (0.0, sign, 0.0)
    rows = [
        ("rear", f"{side} quarter", "front", ((long, y, high), (long, y, 0.0))),
        ("sill", f"{side} sill", "top", ((0.0, y, 0.0), (long, y, 0.0))),
        ("front", f"{side} front wing", "rear", ((0.0, y, high), (0.0, y, 0.0))),
    ]
    if coupe:
        rows.append(("top", f"{side} roof rail", "bottom", ((0.0, y, high), (long, y, high))))
    for end, other, called, place in rows:
        yield CarSeam(
            name=f"{door}, {end}", other_name=f"{other}, {called}", one=door, other=other, place=place,
            facing=(look, look),
        )  # fmt: skip


def _flap(size: Mapping[str, float]) -> tuple[Body, CarSeam]:
    y, x, z = size["width"] / 2, size["door_length"] + 0.5 * size["boot_length"], 0.6 * size["door_height"]
    box, out = _box((x, x + _FLAP_MM), y, (z, z + _FLAP_MM)), ("out", "in")
    body = Body(
        name="fuel flap", kind="fuel flap", side="right", outline=box,
        adjusters=(
            CarAdjuster(name="upper hinge screw", kind="slotted hinge", at=(x, y, z + 0.8 * _FLAP_MM),
                        ways=(slot("rearward", 2.0), slot("up", 2.0), shims("to the right", out, 2.0))),
            CarAdjuster(name="lower hinge screw", kind="slotted hinge", at=(x, y, z + 0.2 * _FLAP_MM),
                        ways=(slot("rearward", 2.0), shims("to the right", out, 2.0))),
            CarAdjuster(name="buffer", kind="buffer", at=(x + _FLAP_MM, y, z + 0.5 * _FLAP_MM),
                        ways=(turns("to the right", out, 2.0),)),
        ),
    )  # fmt: skip
    look = (0.0, 1.0, 0.0)
    seam = CarSeam(
        name="fuel flap, edge", other_name="right quarter, flap opening", one="fuel flap", other="right quarter",
        place=(*box, box[0]), facing=(look, look),
    )  # fmt: skip
    return body, seam


def _lamp(side: str, size: Mapping[str, float]) -> tuple[Body, CarSeam]:
    sign = -1.0 if side == "left" else 1.0
    x, high = -_SCUTTLE_MM - size["bonnet_length"] + 60.0, size["door_height"]
    inner, outer = size["bonnet_width"] / 2 + 20.0, size["width"] / 2 - 10.0
    box = _flat((x, x + _LAMP_MM), (sign * inner, sign * outer), high)
    up = CAR_WAYS["up"]
    body = Body(
        name=f"{side} lamp lid", kind="lamp lid", side=side, outline=box, hung_on=f"{side} front wing",
        adjusters=(
            CarAdjuster(name="inner hinge", kind="slotted hinge", at=(x + _LAMP_MM, sign * inner, high),
                        ways=(slot("rearward", 2.0), slot("to the right", 2.0), shims("up", None, 2.0))),
            CarAdjuster(name="outer hinge", kind="slotted hinge", at=(x + _LAMP_MM, sign * outer, high),
                        ways=(slot("rearward", 2.0), shims("up", None, 2.0))),
            CarAdjuster(name="bump stop", kind="bump stop", at=(x, sign * 0.5 * (inner + outer), high),
                        ways=(turns("up", None, 3.0),)),
        ),
    )  # fmt: skip
    seam = CarSeam(
        name=f"{side} lamp lid, edge", other_name=f"{side} front wing, lamp opening", one=f"{side} lamp lid",
        other=f"{side} front wing", place=(*box, box[0]), facing=(up, up),
    )  # fmt: skip
    return body, seam
