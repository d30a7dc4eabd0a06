"""Panel files: seams with their place, photos and specification, adjusters, finish plan (TOML).

A panel file::

    format = "gapvision-panel/1"
    name = "bonnet"
    shape = "bonnet"                  # bonnet, boot lid, door: gives the seams' places; or leave it out
    width = "1200mm"
    length = "1000mm"
    rule = "proven"                   # proven, simple, risk
    aim = "band"                      # band: least movement that brings the gaps in; middle: as even as can be
    outline = [["-600mm", "0mm"], ["600mm", "0mm"], ["0mm", "1000mm"]]   # around it, for the drawing; or left out

    [[seams]]
    name = "left"                     # of the shape; or start and end, or points
    panel_edge = "B"                  # the edge in the photo that is this panel's
    spec = "bonnet_seam.toml"         # or preset = "even-close", or a table [seams.spec]
    line = "where needed"             # or whole
    safe_limit = "3mm"                # or a list of {at, most}
    hand = "0.25mm"
    worth = "0.05mm"                  # changes smaller than this are not made

    [[seams.photos]]
    file = "left_front.json"
    at = "60mm"                       # where the photo's first station lies along the seam
    reverse = false                   # true: its stations run from the seam's end to its start

    [[seams.marks]]                   # datum marks to lay the template on
    name = "punch 1"
    at = "100mm"
    from_edge = "30mm"

    [[adjusters]]
    name = "left hinge"
    kind = "hinge"
    at = ["-500mm", "40mm"]
    travel_x = ["-2mm", "3mm"]
    travel_y = ["-4mm", "4mm"]
    travel_out = ["-1mm", "3mm"]

    [finish]                          # a finish plan as in its own file; or finish = "finish.toml"

A job's records bring the photos and, where a seam has none, its specification: :func:`layout_from_table`
reads a file without them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from gapvision.errors import GapvisionError
from gapvision.formats.finish_file import finish_from_table, read_finish
from gapvision.formats.specification_file import read_specification, specification_from_table
from gapvision.formats.toml import read_toml
from gapvision.judgement.panel import WORTH_MM, middle_of, panel_of, read_on_seam, shape_seams
from gapvision.judgement.specification import preset
from gapvision.model import (
    HAND_MM,
    Adjuster,
    DecisionRule,
    Mark,
    Measurement,
    Panel,
    PanelLayout,
    PhotoPlace,
    Point,
    SeamLayout,
    Specification,
    Travel,
    TrimRules,
)
from gapvision.units import parse_length

FORMAT = "gapvision-panel/1"
_PANEL = {
    "format",
    "name",
    "shape",
    "width",
    "length",
    "rule",
    "risk",
    "aim",
    "centre",
    "directions",
    "outline",
    "seams",
    "adjusters",
    "finish",
}
_SEAM = {
    "name",
    "start",
    "end",
    "points",
    "panel_edge",
    "spec",
    "preset",
    "line",
    "trim",
    "safe_limit",
    "hand",
    "worth",
    "photos",
    "marks",
}
_PHOTO = {"file", "at", "reverse"}
_ADJUSTER = {"name", "kind", "at", "travel_x", "travel_y", "travel_out"}

_LIDS = ("bonnet", "boot lid")  # seen from above, so a photo shows on which side of the seam the lid lies

#: Reads one measurement file; the caller brings it, because files are another room's business.
Reader = Callable[[Path], Measurement]


def read_panel(path: str | Path, read_measurement: Reader) -> Panel:
    """Read a panel file and the measurements it names.

    Parameters
    ----------
    path : str or Path
        Panel file; other files are named from its folder.
    read_measurement : callable
        Reads one measurement file.

    Raises
    ------
    GapvisionError
        ``panel-file-bad``, ``specification-unreadable``, ``specification-nonsense``,
        ``finish-nonsense``, ``file-not-found``, and what the measurements raise.
    """
    path = Path(path)
    return panel_from_table(read_toml(path), path.parent, read_measurement, f"'{path.name}'")


def panel_from_table(
    table: Mapping[str, Any], folder: Path, read_measurement: Reader, where: str = "the panel file"
) -> Panel:
    """Read a panel from a TOML table; arguments and errors as :func:`read_panel`."""
    layout = layout_from_table(table, where, folder)
    seams = []
    for seam in layout.seams:
        here = f"{where}, seam '{seam.name}'"
        readings = []
        for photo in seam.photos:
            if not photo.file:
                raise _bad(f"{here}: a photo has no measurement file.", 'Write file = "left.json".')
            found = read_measurement(folder / photo.file)
            readings.append(read_on_seam(layout, seam, found, photo, f"{here}, photo '{photo.file}'"))
        if not readings:
            raise _bad(f"{here} has no photo.", "Give at least one [[seams.photos]] with its measurement file.")
        if seam.spec is None:
            raise _bad(
                f"{here} needs either a spec or a preset.",
                'Write spec = "file.toml", a table [seams.spec], or preset = "even-close".',
            )
        seams.append((seam, seam.spec, readings))
    return panel_of(layout, seams)


def layout_from_table(
    table: Mapping[str, Any], where: str = "the panel file", folder: Path | None = None
) -> PanelLayout:
    """Read what a panel file says about the panel itself; photos and specifications may be missing.

    Parameters
    ----------
    table : mapping
        The file's content.
    where : str
        What to call it in refusals.
    folder : Path, optional
        Where other files are named from; without it the panel file must stand alone.

    Raises
    ------
    GapvisionError
        As :func:`read_panel`.
    """
    _known(table, _PANEL, where)
    shape = str(table.get("shape", ""))
    places: dict[str, tuple[Point, ...]] = {}
    words = ("in +x", "in -x", "in +y", "in -y")
    outline: tuple[Point, ...] = ()
    if shape:
        width, length = (_length(table.get(key), where, key) for key in ("width", "length"))
        places, words = shape_seams(shape, width, length)
        outline = _corners(places)
    if "directions" in table:
        words = _words(table["directions"], where)
    if "outline" in table:
        value = table["outline"]
        if not isinstance(value, list) or len(value) < 3:
            raise _bad(
                f"{where}: outline needs three points or more.", 'Write [["0mm", "0mm"], ["900mm", "0mm"], ...].'
            )
        outline = tuple(_point(p, where, "outline") for p in value)
    rows = _tables(table, "seams", where)
    for row in rows:
        _known(row, _SEAM, f"{where}, seam '{row.get('name', '')}'")
    if not rows:
        raise _bad("The panel has no seam.", "List at least one seam with its place and its measurement.")
    names = [str(row.get("name", "")) for row in rows]
    if len(set(names)) < len(names):
        raise _bad("Two seams of the panel have the same name.", "Give each seam its own name.")
    own = [_place(row, places, where) for row in rows]
    if "centre" in table:
        centre = _point(table["centre"], where, "centre")
    else:
        centre = middle_of(list(places.values()) or own)
    finish = table.get("finish")
    risk = table.get("risk", 0.05)
    if isinstance(risk, bool) or not isinstance(risk, int | float):
        raise _bad(f"{where}: risk is not a number.", "Write it like 0.05.")
    return PanelLayout(
        name=str(table.get("name", shape or "panel")),
        shape=shape,
        seams=tuple(_seam(row, place, folder, where) for row, place in zip(rows, own, strict=True)),
        outline=outline,
        centre=centre,
        words=words,
        adjusters=tuple(_adjuster(row, where) for row in _tables(table, "adjusters", where)),
        rule=DecisionRule(name=str(table.get("rule", "proven")), risk=float(risk)),
        aim=str(table.get("aim", "band")),
        finish=None
        if finish is None
        else read_finish(_beside(folder, finish, where))
        if isinstance(finish, str)
        else finish_from_table(_table(finish, where), where),
        lid=shape in _LIDS,
    )


def _corners(places: Mapping[str, tuple[Point, ...]]) -> tuple[Point, ...]:
    """The rectangle of a ready shape, whose seams may leave a side open."""
    xs, ys = zip(*(p for place in places.values() for p in place), strict=True)
    return (min(xs), min(ys)), (max(xs), min(ys)), (max(xs), max(ys)), (min(xs), max(ys))


def _beside(folder: Path | None, name: str, where: str) -> Path:
    if folder is None:
        raise _bad(f"{where} names the file '{name}'.", "Give both files, or write its lines into the panel file.")
    return folder / name


def _seam(row: Mapping[str, Any], place: tuple[Point, ...], folder: Path | None, where: str) -> SeamLayout:
    name = str(row.get("name", ""))
    here = f"{where}, seam '{name}'"
    photos = []
    for photo in _tables(row, "photos", here):
        _known(photo, _PHOTO, here)
        file, reverse = photo.get("file", ""), photo.get("reverse", False)
        if not isinstance(file, str):
            raise _bad(f"{here}: a photo has no measurement file.", 'Write file = "left.json".')
        if not isinstance(reverse, bool):
            raise _bad(f"{here}: reverse is true or false.")
        at = _length(photo["at"], here, "at") if "at" in photo else None
        photos.append(PhotoPlace(file=file, at_mm=at, reverse=reverse))
    edge = str(row.get("panel_edge", "B"))
    if edge not in ("A", "B"):
        raise _bad(f"'{edge}' is not an edge in the photo.", "Write A or B.")
    return SeamLayout(
        name=name,
        place=place,
        spec=_spec(row, folder, here),
        panel_edge=edge,
        trim=_trim(row, here),
        marks=_marks(row, here),
        photos=tuple(photos),
    )


def _spec(row: Mapping[str, Any], folder: Path | None, here: str) -> Specification | None:
    if "spec" in row and "preset" in row:
        raise _bad(
            f"{here} needs either a spec or a preset.",
            'Write spec = "file.toml", a table [seams.spec], or preset = "even-close".',
        )
    if "preset" in row:
        return preset(str(row["preset"]))
    if "spec" not in row:
        return None
    if isinstance(row["spec"], str):
        return read_specification(_beside(folder, row["spec"], here))
    return specification_from_table(_table(row["spec"], here), here)


def _trim(row: Mapping[str, Any], here: str) -> TrimRules:
    allowed = row.get("trim", True)
    if not isinstance(allowed, bool):
        raise _bad(f"{here}: trim is true or false.")
    safe: tuple[Point, ...] = ()
    if "safe_limit" in row:
        value = row["safe_limit"]
        if isinstance(value, list):
            if not all(isinstance(p, dict) and set(p) == {"at", "most"} for p in value):
                raise _bad(
                    f"{here}: a point of safe_limit needs exactly at and most.", 'Write {at = "0mm", most = "3mm"}.'
                )
            safe = tuple((_length(p["at"], here, "at"), _length(p["most"], here, "most")) for p in value)
        else:
            safe = ((0.0, _length(value, here, "safe_limit")),)
    hand = _length(row["hand"], here, "hand") if "hand" in row else HAND_MM
    return TrimRules(
        allowed=allowed,
        line=str(row.get("line", "where needed")),
        safe_limit=safe,
        hand_mm=hand,
        worth_mm=_length(row["worth"], here, "worth") if "worth" in row else WORTH_MM,
    )


def _marks(row: Mapping[str, Any], here: str) -> tuple[Mark, ...]:
    marks = []
    for mark in _tables(row, "marks", here):
        if set(mark) != {"name", "at", "from_edge"}:
            raise _bad(f"{here}: a mark needs exactly name, at and from_edge.")
        marks.append(
            Mark(
                name=str(mark["name"]),
                at_mm=_length(mark["at"], here, "at"),
                from_edge_mm=_length(mark["from_edge"], here, "from_edge"),
            )
        )
    return tuple(marks)


def _place(row: Mapping[str, Any], places: Mapping[str, tuple[Point, ...]], where: str) -> tuple[Point, ...]:
    name = str(row.get("name", ""))
    here = f"{where}, seam '{name}'"
    if not name:
        raise _bad(f"{where}: a seam has no name.")
    if "points" in row:
        if not isinstance(row["points"], list) or len(row["points"]) < 2:
            raise _bad(f"{here}: points needs at least two points.")
        return tuple(_point(p, here, "points") for p in row["points"])
    if "start" in row or "end" in row:
        return _point(row.get("start"), here, "start"), _point(row.get("end"), here, "end")
    if name not in places:
        known = (
            f"The shape has: {', '.join(places)}; or give start and end."
            if places
            else "Give its start and end, or a ready shape."
        )
        raise _bad(f"{here} has no place on the panel.", known)
    return places[name]


def _adjuster(row: Mapping[str, Any], where: str) -> Adjuster:
    name = str(row.get("name", ""))
    here = f"{where}, adjuster '{name}'"
    _known(row, _ADJUSTER, here)
    if not name:
        raise _bad(f"{where}: an adjuster has no name.")
    return Adjuster(
        name=name,
        kind=str(row.get("kind", "shim point")),
        xy=_point(row.get("at"), here, "at"),
        travel_x=_travel(row, "travel_x", here),
        travel_y=_travel(row, "travel_y", here),
        travel_out=_travel(row, "travel_out", here),
    )


def _travel(row: Mapping[str, Any], key: str, here: str) -> Travel | None:
    if key not in row:
        return None
    value = row[key]
    if not isinstance(value, list) or len(value) != 2:
        raise _bad(f"{here}: {key} needs two lengths, the way back and the way on.", 'Write ["-2mm", "3mm"].')
    return _length(value[0], here, key), _length(value[1], here, key)


def _point(value: Any, here: str, key: str) -> Point:
    if not isinstance(value, list) or len(value) != 2:
        raise _bad(f"{here}: {key} is not a place.", 'Write it like ["100mm", "40mm"].')
    return _length(value[0], here, key), _length(value[1], here, key)


def _words(value: Any, where: str) -> tuple[str, str, str, str]:
    if not isinstance(value, list) or len(value) != 4 or not all(isinstance(v, str) for v in value):
        raise _bad(f"{where}: directions needs four words, for x onwards, x back, y onwards, y back.")
    return value[0], value[1], value[2], value[3]


def _length(value: Any, here: str, key: str) -> float:
    if not isinstance(value, str):
        raise _bad(f"{here}: {key} is not a length.", 'Write lengths with their unit, like "12mm" or "1/2in".')
    try:
        return parse_length(value)
    except GapvisionError as error:
        raise _bad(f"{here}: {key}: {error.message}", error.next_step) from None


def _tables(table: Mapping[str, Any], key: str, here: str) -> list[Mapping[str, Any]]:
    value = table.get(key, [])
    if not isinstance(value, list):
        raise _bad(f"{here}: {key} is not a list of tables.", f"Write each under [[{key}]].")
    return [_table(v, here) for v in value]


def _table(value: Any, here: str) -> Mapping[str, Any]:
    if not isinstance(value, dict):
        raise _bad(f"{here}: a table is expected where '{value}' stands.")
    return value


def _known(table: Mapping[str, Any], keys: set[str], here: str) -> None:
    unknown = sorted(set(table) - keys)
    if unknown:
        raise _bad(
            f"{here} has a line '{unknown[0]}' that is not known.",
            f"Known lines: {', '.join(sorted(keys - {'format'}))}.",
        )


def _bad(message: str, next_step: str = "") -> GapvisionError:
    return GapvisionError("panel-file-bad", message[0].upper() + message[1:], next_step)
