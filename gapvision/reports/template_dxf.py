"""The new edge as DXF in millimetres, for a plasma or laser cutter."""

from __future__ import annotations

import io
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from gapvision.errors import GapvisionError
from gapvision.formats.atomic import write_whole
from gapvision.judgement.template import TemplateDrawing

if TYPE_CHECKING:
    from ezdxf.document import Drawing
    from ezdxf.layouts.layout import Modelspace

#: Layer -> colour index of the DXF standard palette.
LAYERS = {"SCRIBE": 1, "BUILD_UP": 5, "PRESENT_EDGE": 7, "SAFE_LIMIT": 6, "STATIONS": 8, "MARKS": 3, "CHECK_LINE": 2}
_APART_MM = 60.0


def write_dxf(drawings: Sequence[TemplateDrawing], path: str | Path) -> None:
    """Write the templates one above the other, each in its own frame; unit millimetre; a cutter takes the layer SCRIBE.

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
    _document(drawings).write(out)
    write_whole(Path(path), out.getvalue().encode("utf-8"))


def _document(drawings: Sequence[TemplateDrawing]) -> Drawing:
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
        _one(space, d, lift - y0 if len(drawings) > 1 else 0.0)
        if len(drawings) == 1:
            _check_line(space, x0, y0 - 15)
        lift += y1 - y0 + _APART_MM
    if len(drawings) > 1:
        _check_line(space, min(d.bounds[0] for d in drawings), -15)
    return document


def _one(space: Modelspace, d: TemplateDrawing, lift: float) -> None:
    groups = {"PRESENT_EDGE": d.present, "SCRIBE": d.scribe, "BUILD_UP": d.build_up, "SAFE_LIMIT": d.safe,
              "STATIONS": d.ticks}  # fmt: skip
    for layer, lines in groups.items():
        for line in lines:
            if len(line) > 1:
                space.add_lwpolyline([(x, y + lift) for x, y in line], dxfattribs={"layer": layer})
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
