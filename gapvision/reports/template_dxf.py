"""The new edge as DXF in millimetres, for a plasma or laser cutter."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from gapvision.errors import GapvisionError
from gapvision.formats.atomic import write_whole
from gapvision.judgement.template import Line, TemplateDrawing

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.layout import Modelspace

#: Layer -> colour index of the DXF standard palette.
LAYERS = {
    "SCRIBE": 1, "CUT_PATH": 30, "WASTE": 9, "BUILD_UP": 5, "PRESENT_EDGE": 7, "SAFE_LIMIT": 6, "STATIONS": 8,
    "MARKS": 3, "CHECK_LINE": 2,
}  # fmt: skip
_APART_MM = 60.0


def write_dxf(drawings: Sequence[TemplateDrawing], path: str | Path, tool_mm: float = 0.0) -> None:
    """Write the templates one above the other, each in its own frame; unit millimetre.

    A cutter that knows its tool takes the layer SCRIBE, or WASTE, the closed outline of what goes; another the layer
    CUT_PATH, which lies half of the tool's width ``tool_mm`` on the waste's side of the new edge [mm].

    Raises
    ------
    GapvisionError
        ``template-has-no-line``, ``template-marks-differ``, ``edge-not-for-cutter``, ``folder-not-writable``.
    """
    if not drawings:
        raise GapvisionError("template-has-no-line")
    for drawing in drawings:
        drawing.check()
        drawing.check_cutter()
    out = io.StringIO()
    _document(drawings, tool_mm).write(out)
    write_whole(Path(path), out.getvalue().encode("utf-8"))


def _document(drawings: Sequence[TemplateDrawing], tool_mm: float) -> Drawing:
    from ezdxf import units
    from ezdxf.filemanagement import new

    document = new("R2010")
    document.units = units.MM
    for name, colour in LAYERS.items():
        document.layers.add(name, color=colour)
    space = document.modelspace()
    lift = 0.0
    for d in drawings:
        x0, y0, _, y1 = d.bounds
        _one(space, d, lift - y0 if len(drawings) > 1 else 0.0, tool_mm)
        if len(drawings) == 1:
            _check_line(space, x0, y0 - 15)
        lift += y1 - y0 + _APART_MM
    if len(drawings) > 1:
        _check_line(space, min(d.bounds[0] for d in drawings), -15)
    return document


def _offset(line: Line, towards: float, by_mm: float) -> Line:
    """A line beside another, square to it, on the side where y falls (-1) or rises (+1)."""
    x, y = np.array(line, float).T
    dx, dy = np.gradient(x), np.gradient(y)
    long = np.hypot(dx, dy)
    nx, ny = -dy / long, dx / long
    way = np.where(ny * towards < 0, -1.0, 1.0) * by_mm
    return tuple(zip((x + way * nx).tolist(), (y + way * ny).tolist(), strict=True))


def _towards_edge(d: TemplateDrawing, by_mm: float) -> tuple[Line, ...]:
    """The lines of a part moved towards the edge that it fits: that side of them is waste."""
    from scipy.spatial import cKDTree

    edge = np.concatenate([np.array(line) for line in d.present])
    out = []
    for line in d.scribe:
        places = np.array(line)
        away, nearest = cKDTree(edge).query(places)
        moved = places + by_mm * (edge[nearest] - places) / away[:, None]
        out.append(tuple(zip(moved[:, 0].tolist(), moved[:, 1].tolist(), strict=True)))
    return tuple(out)


def _one(space: Modelspace, d: TemplateDrawing, lift: float, tool_mm: float) -> None:
    groups = {"PRESENT_EDGE": d.present, "SCRIBE": d.scribe, "BUILD_UP": d.build_up, "SAFE_LIMIT": d.safe,
              "STATIONS": d.ticks}  # fmt: skip
    if tool_mm > 0:
        waste = _towards_edge(d, tool_mm / 2) if d.part is not None else None
        groups["CUT_PATH"] = waste or tuple(_offset(x, -d.into_panel, tool_mm / 2) for x in d.scribe if len(x) > 1)
    for outline in d.waste:
        points = [(x, y + lift) for x, y in outline]
        space.add_lwpolyline(points, close=True, dxfattribs={"layer": "WASTE"})
    for layer, lines in groups.items():
        for line in lines:
            if len(line) > 1:
                closes = line[0] == line[-1] and len(line) > 2
                points = [(x, y + lift) for x, y in (line[:-1] if closes else line)]
                space.add_lwpolyline(points, close=closes, dxfattribs={"layer": layer})
    for label in (*d.labels, *d.depths):
        space.add_text(label.text, height=3, dxfattribs={"layer": "STATIONS", "insert": (label.x, label.y + lift)})
    for mark in d.marks:
        x, y = mark.x, mark.y + lift
        space.add_circle((x, y), 2, dxfattribs={"layer": "MARKS"})
        for dx, dy in ((4, 0), (0, 4)):
            space.add_line((x - dx, y - dy), (x + dx, y + dy), dxfattribs={"layer": "MARKS"})
        space.add_text(mark.text, height=3, dxfattribs={"layer": "MARKS", "insert": (x + 5, y)})


def _check_line(space: Modelspace, x: float, y: float) -> None:
    space.add_line((x, y), (x + 100, y), dxfattribs={"layer": "CHECK_LINE"})
    space.add_text("check line: exactly 100 mm", height=3, dxfattribs={"layer": "CHECK_LINE", "insert": (x, y + 2)})
