"""Panel files: seams with their place, photos and specification, adjusters, finish plan (TOML).

A panel file::

    format = "gapvision-panel/1"
    name = "bonnet"
    shape = "bonnet"                  # bonnet, boot lid, door: gives the seams' places; or leave it out
    width = "1200mm"
    length = "1000mm"
    rule = "proven"                   # proven, simple, risk
    aim = "mend"                      # seams that are out to the middle; band: least movement; middle: all as even as
                                      # can be; least work: local faults are left to the trim
    side = "left"                     # of a door: on which side of the car it is; the photos are held against it
    without = ["front"]               # seams of the shape that this panel does not have; or left out
    outline = [["-600mm", "0mm"], ["600mm", "0mm"], ["0mm", "1000mm"]]   # around it, for the drawing; or left out

    [[seams]]
    name = "left"                     # of the shape; or start and end, or points
    panel_edge = "B"                  # the edge in the photo that is this panel's
    spec = "bonnet_seam.toml"         # or preset = "even-close", or a table [seams.spec]
    line = "where needed"             # or whole
    edge = "folded"                   # cut, folded, wired, flanged, leaded: what may be done; left out: photos tell
    skin = "0.8mm"                    # its thickness
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
    from_edge = "30mm"                # and in [[seams]]: marks_apart = "210mm", from the first to the last, as measured

    [[adjusters]]
    name = "left hinge"
    kind = "hinge"
    at = ["-500mm", "40mm"]
    travel_x = ["-2mm", "3mm"]
    travel_y = ["-4mm", "4mm"]
    travel_out = ["-1mm", "3mm"]
    step = "0.5mm"                    # the finest change it allows, such as the thinnest shim
    accuracy = "0.15mm"               # how well a hand sets it, standard uncertainty

    [finish]                          # a finish plan as in its own file; or finish = "finish.toml"

A job's records bring the photos and, where a seam has none, its specification: :func:`layout_from_table`
reads a file without them.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from copy import deepcopy
from pathlib import Path
from typing import Annotated, Any, Literal, TypeVar

from msgspec import Meta

from gapvision import model
from gapvision.errors import GapvisionError
from gapvision.formats.declared import Declared, Length, Name, Pair, inner, place, read_declared
from gapvision.formats.finish_file import finish_from_table
from gapvision.formats.measurement_json import read as read_measurement_file
from gapvision.formats.specification_file import specification_from_table
from gapvision.formats.toml import read_toml, toml_from_text
from gapvision.judgement.panel import WORTH_MM, corners, middle_of, panel_of, read_on_seam
from gapvision.judgement.shapes import ready_shape
from gapvision.judgement.specification import preset

T = TypeVar("T")
FORMAT = "gapvision-panel/1"
#: A file that a page takes in is at most this large [byte].
_MOST_BYTES = 200_000


class _Limit(Declared):
    at: Length
    most: Length


class _SafeLimit(tuple[model.Point, ...]):
    """One limit all along, or a list of places with their limits."""

    @classmethod
    def read(cls, value: Any) -> _SafeLimit:
        if isinstance(value, list):
            return cls((p.at, p.most) for p in inner(list[_Limit], value))
        return cls([(0.0, Length.read(value))])


class _Photo(Declared, rename={"at_mm": "at"}):
    file: str = ""
    at_mm: Length | None = None
    reverse: bool = False


class _Mark(Declared, rename={"at_mm": "at", "from_edge_mm": "from_edge"}):
    name: str
    at_mm: Length
    from_edge_mm: Length


class _Seam(
    Declared,
    rename={
        "allowed": "trim", "hand_mm": "hand", "worth_mm": "worth", "marks_apart_mm": "marks_apart", "skin_mm": "skin",
    },
):
    name: Name
    start: Pair | None = None
    end: Pair | None = None
    points: Annotated[tuple[Pair, ...], Meta(min_length=2)] | None = None
    panel_edge: Literal["A", "B"] = "B"
    edge: Literal["", "cut", "folded", "wired", "flanged", "leaded"] = ""
    skin_mm: Length = Length(model.SKIN_MM)
    spec: str | dict[str, Any] | None = None
    preset: str | None = None
    line: str = "where needed"
    allowed: bool = True
    safe_limit: _SafeLimit = _SafeLimit()
    hand_mm: Length = Length(model.HAND_MM)
    worth_mm: Length = Length(WORTH_MM)
    photos: tuple[_Photo, ...] = ()
    marks: tuple[_Mark, ...] = ()
    marks_apart_mm: Length | None = None

    def check(self) -> None:
        self.to(model.TrimRules)
        if self.preset is not None:
            preset(self.preset)
        if self.preset is not None and self.spec is not None:
            raise _no_spec(f"seam '{self.name}'")
        if (self.start is None) != (self.end is None):
            raise _bad(f"Seam '{self.name}' has a start or an end only.", "Give both.")

    def place_in(self, places: Mapping[str, tuple[model.Point, ...]]) -> tuple[model.Point, ...]:
        if self.points is not None:
            return self.points
        if self.start is not None and self.end is not None:
            return self.start, self.end
        if self.name in places:
            return places[self.name]
        known = f"The shape has: {', '.join(places)}; or give start and end."
        advice = known if places else "Give its start and end, or a ready shape."
        raise _bad(f"Seam '{self.name}' has no place on the panel.", advice)


class _Adjuster(Declared, rename={"xy": "at", "step_mm": "step", "accuracy_mm": "accuracy"}):
    name: Name
    xy: Pair
    kind: str = "shim point"
    travel_x: Pair | None = None
    travel_y: Pair | None = None
    travel_out: Pair | None = None
    step_mm: Length = Length(0)
    accuracy_mm: Length = Length(model.SETTING_MM)

    def check(self) -> None:
        self.to(model.Adjuster)


class _File(Declared, rename={"words": "directions"}):
    format: Literal["gapvision-panel/1"] | None = None
    name: str | None = None
    shape: str = ""
    width: Length = Length(0)
    length: Length = Length(0)
    rule: str = "proven"
    risk: float = 0.05
    aim: str = "mend"
    side: Literal["", "left", "right"] = ""
    centre: Pair | None = None
    words: tuple[str, str, str, str] | None = None
    outline: Annotated[tuple[Pair, ...], Meta(min_length=3)] | None = None
    without: tuple[str, ...] = ()
    seams: tuple[_Seam, ...] = ()
    adjusters: tuple[_Adjuster, ...] = ()
    finish: str | dict[str, Any] | None = None

    def check(self) -> None:
        self.layout([None] * len(self.seams), None)

    def layout(self, specs: list[model.Specification | None], finish: model.FinishPlan | None) -> model.PanelLayout:
        places: dict[str, tuple[model.Point, ...]] = {}
        shape = ready_shape(self.shape) if self.shape else None
        if shape is not None:
            places = shape.places(self.width, self.length)
        if not self.seams:
            raise _bad("The panel has no seam.", "List at least one seam with its place and its measurement.")
        if len({s.name for s in self.seams}) < len(self.seams):
            raise _bad("Two seams of the panel have the same name.", "Give each seam its own name.")
        for name in self.without:
            if name not in places or name in {s.name for s in self.seams}:
                wrong = "listed as a seam too" if name in places else "no seam of the shape"
                raise _bad(f"'{name}' under without is {wrong}.", "Correct its name, or leave it out.")
        seams = []
        for seam, spec in zip(self.seams, specs, strict=True):
            own, trim = seam.place_in(places), seam.to(model.TrimRules)
            marks = tuple(m.to(model.Mark) for m in seam.marks)
            photos = tuple(p.to(model.PhotoPlace) for p in seam.photos)
            seams.append(seam.to(model.SeamLayout, place=own, spec=spec, trim=trim, marks=marks, photos=photos))
        return self.to(
            model.PanelLayout,
            name=self.name if self.name is not None else self.shape or "panel",
            seams=tuple(seams),
            outline=self.outline or corners(places),
            centre=self.centre or middle_of(list(places.values()) or [s.place for s in seams]),
            words=self.words or (model.PLAIN_WORDS if shape is None else shape.directions),
            adjusters=tuple(a.to(model.Adjuster) for a in self.adjusters),
            rule=model.DecisionRule(name=self.rule, risk=self.risk),
            finish=finish,
            lid=shape is not None and shape.lid,
        )


def read_panel(path: str | Path) -> model.Panel:
    """Read a panel file and the files it names, from its folder.

    Raises
    ------
    GapvisionError
        ``panel-file-bad``, ``specification-unreadable``, ``specification-nonsense``, ``finish-nonsense``,
        ``file-not-found``, and what the measurements raise.
    """
    path = Path(path)
    return panel_from_table(read_toml(path), path.parent, f"'{path.name}'")


def panel_from_table(
    table: Mapping[str, Any],
    folder: Path,
    where: str = "the panel file",
    read_measurement: Callable[[Path], model.Measurement] = read_measurement_file,
) -> model.Panel:
    """Read a panel from a TOML table; errors as :func:`read_panel`."""
    table = deepcopy(dict(table))
    layout = layout_from_table(table, where, _take_in(table, lambda name: read_toml(folder / name)))
    seams = []
    for k, seam in enumerate(layout.seams):
        here = place(where, f"seams[{k}]")
        readings = []
        for i, photo in enumerate(seam.photos):
            if not photo.file:
                raise _bad(f"{here}.photos[{i}]: no measurement file is named.", 'Write file = "left.json".')
            found = read_measurement(folder / photo.file)
            readings.append(read_on_seam(layout, seam, found, photo, f"{here}.photos[{i}], '{photo.file}'"))
        if not readings:
            said = "Give at least one [[seams.photos]] with its measurement file."
            raise _bad(f"{here}: seam '{seam.name}' has no photo.", said)
        if seam.spec is None:
            raise _no_spec(f"{here}: seam '{seam.name}'")
        seams.append((seam, seam.spec, readings))
    return panel_of(layout, seams)


def layout_from_table(
    table: Mapping[str, Any], where: str = "the panel file", named: Mapping[str, str] | None = None
) -> model.PanelLayout:
    """Read what a panel file says about the panel itself; photos and specifications may be missing.

    The table stands alone; ``named`` are the places in it whose tables come from files of their own, and what to call
    those.  Errors as :func:`read_panel`.
    """
    file = read_declared(_File, table, where, "panel-file-bad")

    def read(value: Any, path: str, from_table: Callable[[Any, str, str], T]) -> T:
        if isinstance(value, str):
            said = "Give both files, or write its lines into the panel file."
            raise _bad(f"{place(where, path)}: the file '{value}' is named.", said)
        return from_table(value, *((named[path], "") if named and path in named else (where, path)))

    specs = [None if seam.preset is None else preset(seam.preset) for seam in file.seams]
    for k, seam in enumerate(file.seams):
        if seam.spec is not None:
            specs[k] = read(seam.spec, f"seams[{k}].spec", specification_from_table)
    return file.layout(specs, None if file.finish is None else read(file.finish, "finish", finish_from_table))


def _take_in(table: Any, read: Callable[[str], Any]) -> dict[str, str]:
    """Put the files that a panel file names into its table; return the places, with what to call the files."""
    named: dict[str, str] = {}
    seams = table.get("seams")
    rows = enumerate(seams if isinstance(seams, list) else [])
    for holder, key, path in [(table, "finish", "finish"), *((row, "spec", f"seams[{k}].spec") for k, row in rows)]:
        if isinstance(holder, dict) and isinstance(name := holder.get(key), str):
            holder[key], named[path] = read(name), f"'{Path(name).name}'"
    return named


def together(files: Mapping[str, bytes]) -> str:
    """Make one panel file, which stands alone, of a panel file and the files that it names: names and contents.

    Raises
    ------
    GapvisionError
        ``specification-unreadable``; ``panel-file-bad`` when no file, or more than one, is a panel's.
    """
    import tomli_w

    for name, data in files.items():
        if len(data) > _MOST_BYTES:
            raise _bad(f"'{name}' is far larger than a panel file.")
    tables = {name: toml_from_text(data, f"'{name}'") for name, data in files.items()}
    panels = [name for name, table in tables.items() if "seams" in table]
    if len(panels) != 1:
        said = f"{'More than one' if panels else 'None'} of the files is a panel's."
        raise _bad(said, "Choose one panel file (with [[seams]] in it) and the files that it names.")

    def read(name: str) -> Any:
        if name not in tables:
            raise _bad(f"'{panels[0]}' names the file '{name}'.", "Choose both files together.")
        return tables[name]

    table = tables[panels[0]]
    return tomli_w.dumps(table) if _take_in(table, read) else files[panels[0]].decode("utf-8-sig")


def _no_spec(seam: str) -> GapvisionError:
    advice = 'Write spec = "file.toml", a table [seams.spec], or preset = "even-close".'
    return _bad(f"{place(seam)} needs either a spec or a preset.", advice)


def _bad(message: str, next_step: str = "") -> GapvisionError:
    return GapvisionError("panel-file-bad", message, next_step)
