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
from typing import Annotated, Any, Literal

from msgspec import Meta

from gapvision.errors import GapvisionError
from gapvision.formats.declared import Declared, Length, Name, Pair, at, inner, place, read_declared
from gapvision.formats.finish_file import finish_from_table, read_finish
from gapvision.formats.specification_file import read_specification, specification_from_table
from gapvision.formats.toml import read_toml, toml_from_text
from gapvision.judgement.panel import WORTH_MM, middle_of, panel_of, read_on_seam, shape_seams
from gapvision.judgement.specification import preset
from gapvision.model import (
    HAND_MM,
    PLAIN_WORDS,
    Adjuster,
    DecisionRule,
    FinishPlan,
    Mark,
    Measurement,
    Panel,
    PanelLayout,
    PhotoPlace,
    Point,
    SeamLayout,
    Specification,
    TrimRules,
)

FORMAT = "gapvision-panel/1"
_LIDS = ("bonnet", "boot lid")  # seen from above, so a photo shows on which side of the seam the lid lies
#: A file that a page takes in is at most this large [byte].
_MOST_BYTES = 200_000

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


class _Limit(Declared):
    at: Length
    most: Length


class _SafeLimit(tuple[Point, ...]):
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


class _Seam(Declared):
    name: Name
    start: Pair | None = None
    end: Pair | None = None
    points: Annotated[list[Pair], Meta(min_length=2)] | None = None
    panel_edge: Literal["A", "B"] = "B"
    spec: str | dict[str, Any] | None = None
    preset: str | None = None
    line: str = "where needed"
    trim: bool = True
    safe_limit: _SafeLimit = _SafeLimit()
    hand: Length = Length(HAND_MM)
    worth: Length = Length(WORTH_MM)
    photos: tuple[_Photo, ...] = ()
    marks: tuple[_Mark, ...] = ()

    def check(self) -> None:
        self.trim_rules()
        if self.preset is not None:
            preset(self.preset)
        if self.preset is not None and self.spec is not None:
            raise _no_spec(f"seam '{self.name}'")
        if (self.start is None) != (self.end is None):
            raise _bad(f"Seam '{self.name}' has a start or an end only.", "Give both.")

    def trim_rules(self) -> TrimRules:
        return TrimRules(
            allowed=self.trim,
            line=self.line,
            safe_limit=tuple(self.safe_limit),
            hand_mm=self.hand,
            worth_mm=self.worth,
        )

    def place_in(self, places: Mapping[str, tuple[Point, ...]]) -> tuple[Point, ...]:
        if self.points is not None:
            return tuple(self.points)
        if self.start is not None and self.end is not None:
            return self.start, self.end
        if self.name in places:
            return places[self.name]
        known = f"The shape has: {', '.join(places)}; or give start and end."
        raise _bad(
            f"Seam '{self.name}' has no place on the panel.",
            known if places else "Give its start and end, or a ready shape.",
        )

    def layout(self, place: tuple[Point, ...], spec: Specification | None) -> SeamLayout:
        return SeamLayout(
            name=self.name,
            place=place,
            spec=spec,
            panel_edge=self.panel_edge,
            trim=self.trim_rules(),
            marks=tuple(m.to(Mark) for m in self.marks),
            photos=tuple(p.to(PhotoPlace) for p in self.photos),
        )


class _Adjuster(Declared, rename={"xy": "at"}):
    name: Name
    xy: Pair
    kind: str = "shim point"
    travel_x: Pair | None = None
    travel_y: Pair | None = None
    travel_out: Pair | None = None

    def check(self) -> None:
        self.to(Adjuster)


class _File(Declared):
    format: Literal["gapvision-panel/1"] | None = None
    name: str | None = None
    shape: str = ""
    width: Length = Length(0)
    length: Length = Length(0)
    rule: str = "proven"
    risk: float = 0.05
    aim: str = "band"
    centre: Pair | None = None
    directions: Annotated[
        tuple[str, str, str, str] | None, Meta(examples=['["right", "left", "forward", "rearward"]'])
    ] = None
    outline: Annotated[list[Pair], Meta(min_length=3)] | None = None
    seams: tuple[_Seam, ...] = ()
    adjusters: tuple[_Adjuster, ...] = ()
    finish: str | dict[str, Any] | None = None

    def check(self) -> None:
        self.layout([None] * len(self.seams), None)

    def layout(self, specs: list[Specification | None], finish: FinishPlan | None) -> PanelLayout:
        places: dict[str, tuple[Point, ...]] = {}
        words = PLAIN_WORDS
        if self.shape:
            places, words = shape_seams(self.shape, self.width, self.length)
        if not self.seams:
            raise _bad("The panel has no seam.", "List at least one seam with its place and its measurement.")
        if len({s.name for s in self.seams}) < len(self.seams):
            raise _bad("Two seams of the panel have the same name.", "Give each seam its own name.")
        own = []
        for k, seam in enumerate(self.seams):
            with at(f".seams[{k}]"):
                own.append(seam.place_in(places))
        return PanelLayout(
            name=self.name if self.name is not None else self.shape or "panel",
            shape=self.shape,
            seams=tuple(s.layout(place, spec) for s, place, spec in zip(self.seams, own, specs, strict=True)),
            outline=tuple(self.outline or (_corners(places) if places else ())),
            centre=self.centre or middle_of(list(places.values()) or own),
            words=self.directions or words,
            adjusters=tuple(a.to(Adjuster) for a in self.adjusters),
            rule=DecisionRule(name=self.rule, risk=self.risk),
            aim=self.aim,
            finish=finish,
            lid=self.shape in _LIDS,
        )


def panel_from_table(
    table: Mapping[str, Any], folder: Path, read_measurement: Reader, where: str = "the panel file"
) -> Panel:
    """Read a panel from a TOML table; arguments and errors as :func:`read_panel`."""
    layout = layout_from_table(table, where, folder)
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
            raise _bad(
                f"{here}: seam '{seam.name}' has no photo.",
                "Give at least one [[seams.photos]] with its measurement file.",
            )
        if seam.spec is None:
            raise _no_spec(f"{here}: seam '{seam.name}'")
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
    file = read_declared(_File, table, where, "panel-file-bad")

    def beside(name: str, path: str) -> Path:
        if folder is None:
            place = f"{where[:1].upper()}{where[1:]}, {path}"
            raise _bad(
                f"{place}: the file '{name}' is named.", "Give both files, or write its lines into the panel file."
            )
        return folder / name

    specs: list[Specification | None] = []
    for k, seam in enumerate(file.seams):
        path = f"seams[{k}].spec"
        if isinstance(seam.spec, str):
            specs.append(read_specification(beside(seam.spec, path)))
        elif seam.spec is not None:
            specs.append(specification_from_table(seam.spec, where, path))
        else:
            specs.append(None if seam.preset is None else preset(seam.preset))
    if file.finish is None:
        return file.layout(specs, None)
    if isinstance(file.finish, str):
        return file.layout(specs, read_finish(beside(file.finish, "finish")))
    return file.layout(specs, finish_from_table(file.finish, where, "finish"))


def together(files: Mapping[str, bytes]) -> str:
    """Make one panel file, which stands alone, of a panel file and the files that it names.

    Parameters
    ----------
    files : mapping
        Names and contents.

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
        raise _bad(
            "None of the files is a panel's." if not panels else "More than one of the files is a panel's.",
            "Choose one panel file (with [[seams]] in it) and the files that it names.",
        )
    table, named = tables[panels[0]], False
    rows = table["seams"] if isinstance(table["seams"], list) else []
    for holder, key in [(table, "finish"), *((row, "spec") for row in rows if isinstance(row, dict))]:
        if isinstance(holder.get(key), str):
            if holder[key] not in tables:
                raise _bad(f"'{panels[0]}' names the file '{holder[key]}'.", "Choose both files together.")
            holder[key], named = tables[holder[key]], True
    return tomli_w.dumps(table) if named else files[panels[0]].decode("utf-8-sig")


def _corners(places: Mapping[str, tuple[Point, ...]]) -> tuple[Point, ...]:
    """The rectangle of a ready shape, whose seams may leave a side open."""
    xs, ys = zip(*(p for place in places.values() for p in place), strict=True)
    return (min(xs), min(ys)), (max(xs), min(ys)), (max(xs), max(ys)), (min(xs), max(ys))


def _no_spec(seam: str) -> GapvisionError:
    return _bad(
        f"{seam[:1].upper()}{seam[1:]} needs either a spec or a preset.",
        'Write spec = "file.toml", a table [seams.spec], or preset = "even-close".',
    )


def _bad(message: str, next_step: str = "") -> GapvisionError:
    return GapvisionError("panel-file-bad", message, next_step)
