"""The new edge at true scale on paper: A4 or Letter, tiled with overlap marks and check lines."""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, NamedTuple

from gapvision.errors import GapvisionError
from gapvision.formats.atomic import write_whole
from gapvision.judgement.template import MARKS_FIT_MM, Line, TemplateDrawing
from gapvision.reports.target_sheet import PAPERS_MM
from gapvision.units import MM_PER_INCH
from gapvision.words import gauges

if TYPE_CHECKING:
    from reportlab.pdfgen.canvas import Canvas

_MARGIN_MM = 10.0  # most printers leave 5 mm unprinted
_OVERLAP_MM = 15.0
_HEAD_MM = 28.0  # room for the title, what to heed and the check line
_MM = 72 / 25.4
_AIR_MM = 12.0


class Tile(NamedTuple):
    """One page: its place in the grid and the corner of the drawing at the lower left of its window [mm]."""

    column: int
    row: int
    columns: int
    rows: int
    x0: float
    y0: float
    width: float
    height: float

    @property
    def name(self) -> str:
        """Column letter and row number."""
        return f"{chr(ord('A') + self.column)}{self.row + 1}"


def tiles_for(drawing: TemplateDrawing, paper: str) -> list[Tile]:
    """Cut a drawing into pages that overlap by 15 mm; an unknown paper is refused (``paper-unknown``)."""
    if paper not in PAPERS_MM:
        raise GapvisionError("paper-unknown", f"There is no sheet for '{paper}'.")
    width, height = PAPERS_MM[paper][0] - 2 * _MARGIN_MM, PAPERS_MM[paper][1] - 2 * _MARGIN_MM - _HEAD_MM
    x0, y0, x1, y1 = drawing.bounds
    x0, y0, x1, y1 = x0 - _AIR_MM, y0 - _AIR_MM, x1 + _AIR_MM, y1 + _AIR_MM
    columns, rows = (
        max(1, math.ceil((b - a - _OVERLAP_MM) / (size - _OVERLAP_MM)))
        for a, b, size in ((x0, x1, width), (y0, y1, height))
    )
    out = []
    for column in range(columns):
        for row in range(rows):
            left = x0 + column * (width - _OVERLAP_MM)
            low = y0 + row * (height - _OVERLAP_MM) if rows > 1 else 0.5 * (y0 + y1) - height / 2
            out.append(Tile(column, row, columns, rows, left, low, width, height))
    return out


def write_template(drawings: Sequence[TemplateDrawing], path: str | Path, paper: str = "a4") -> int:
    """Write the templates into a PDF file, on ``a4`` or ``letter``, landscape; gives the number of pages.

    Raises
    ------
    GapvisionError
        ``template-has-no-line``, ``template-marks-differ``, ``paper-unknown``, ``folder-not-writable``.
    """
    from reportlab.pdfgen.canvas import Canvas

    if not drawings:
        raise GapvisionError("template-has-no-line")
    for drawing in drawings:
        drawing.check()
    out = io.BytesIO()
    pages = [(d, t) for d in drawings for t in tiles_for(d, paper)]
    size = PAPERS_MM[paper]
    canvas = Canvas(out, pagesize=(size[0] * _MM, size[1] * _MM), pageCompression=1)
    canvas.setTitle("Edge template at true scale")
    canvas.setCreator("gapvision")
    canvas.setViewerPreference("PrintScaling", "None")
    for number, (drawing, tile) in enumerate(pages, 1):
        canvas.saveState()
        canvas.scale(_MM, _MM)
        _page(canvas, drawing, tile, number, len(pages))
        canvas.restoreState()
        canvas.showPage()
    canvas.save()
    write_whole(Path(path), out.getvalue())
    return len(pages)


def place_on_page(tile: Tile, x: float, y: float) -> tuple[float, float]:
    """Where a point of the drawing lies on its page, from the lower left corner [mm]."""
    return _MARGIN_MM + x - tile.x0, _MARGIN_MM + y - tile.y0


def _page(c: Canvas, d: TemplateDrawing, tile: Tile, number: int, count: int) -> None:
    _head(c, d, tile, number, count)
    _overlaps(c, tile)  # below the drawing: no mark may hide the line
    c.saveState()
    window = c.beginPath()
    window.rect(_MARGIN_MM, _MARGIN_MM, tile.width, tile.height)
    c.clipPath(window, stroke=0, fill=0)
    c.translate(_MARGIN_MM - tile.x0, _MARGIN_MM - tile.y0)
    _drawing(c, d)
    c.restoreState()


def _drawing(c: Canvas, d: TemplateDrawing) -> None:
    black, red, blue, grey = (0, 0, 0), (0.8, 0, 0), (0, 0, 0.75), (0.45, 0.45, 0.45)
    groups: tuple[tuple[tuple[Line, ...], tuple[float, ...], list[float]], ...] = (
        (d.ticks, black, []), (d.present, black, [2.0, 1.2]), (d.safe, grey, [4.0, 1.0, 0.5, 1.0]),
        (d.scribe, red, []), (d.build_up, blue, [0.8, 0.8]),
    )  # fmt: skip
    c.setLineWidth(0.25)
    for lines, colour, dashes in groups:
        c.setStrokeColorRGB(*colour)
        c.setDash(dashes)
        for line in lines:
            _polyline(c, line)
    c.setDash([])
    c.setStrokeColorRGB(*red)
    for line in d.scribe if d.part is None else ():
        _ends(c, line, d.into_panel)
    c.setStrokeColorRGB(*black)
    for labels, size in ((d.labels, 3.2), (d.depths, 2.4)):
        c.setFont("Helvetica", size)
        for label in labels:
            c.drawCentredString(label.x, label.y - size / 3, label.text)
    c.setFont("Helvetica", 3.2)
    for mark in d.marks:
        _cross(c, mark.x, mark.y)
        c.circle(mark.x, mark.y, 2, stroke=1, fill=0)
        c.drawString(mark.x + 5, mark.y - 1, mark.text)
    _words(c, d)


def _words(c: Canvas, d: TemplateDrawing) -> None:
    """Say what lies on either side and which way it runs, once in the middle of every 150 mm."""
    if d.part is not None:
        c.setFont("Helvetica", 3.0)
        for label in d.part.words:
            c.drawCentredString(label.x, label.y, label.text)
        return
    (x0, _), (x1, _) = d.present[0][0], d.present[-1][-1]
    points = sorted(p for line in d.present for p in line)
    c.setFont("Helvetica", 3.0)
    c.setFillColorRGB(0.3, 0.3, 0.3)
    count = max(1, round((x1 - x0) / 150))
    for k in range(count):
        x = x0 + (k + 0.5) * (x1 - x0) / count
        y = min(points, key=lambda p: abs(p[0] - x))[1]
        c.drawCentredString(x, y + d.into_panel * 23 - 1, f"{d.panel}: this side stays")
        c.drawCentredString(x, y - d.into_panel * 9 - 1, f"gap; this way {d.runs}: >>>" if d.runs else "gap")
    c.setFillColorRGB(0, 0, 0)


def _ends(c: Canvas, line: Line, into: float) -> None:
    """A short bar square to each end of a cut, so that its start is found without colour."""
    for (x, y), (nx, ny), way in ((line[0], line[min(1, len(line) - 1)], into), (line[-1], line[-2:][0], -into)):
        long = math.hypot(nx - x, ny - y) or 1.0
        across = -way * (ny - y) / long, way * ((nx - x) / long or 1.0)
        c.line(x + 0.6 * across[0], y + 0.6 * across[1], x + 5 * across[0], y + 5 * across[1])


def _polyline(c: Canvas, line: Line) -> None:
    path = c.beginPath()
    path.moveTo(*line[0])
    for point in line[1:]:
        path.lineTo(*point)
    c.drawPath(path, stroke=1, fill=0)


def _head(c: Canvas, d: TemplateDrawing, tile: Tile, number: int, count: int) -> None:
    top = _MARGIN_MM + tile.height + _HEAD_MM
    c.setFont("Helvetica-Bold", 4.2)
    title = f"{d.panel}: {d.seam} seam, new edge at true scale"
    if d.part is not None:
        title = f"{d.panel}: a part to be made, at true scale"
    c.drawString(_MARGIN_MM, top - 4, _short(title, 58))
    c.setFont("Helvetica", 3.0)
    for k, text in enumerate(_heed(d, f"page {number} of {count}, tile {tile.name} of {tile.columns} x {tile.rows}")):
        c.drawString(_MARGIN_MM, top - 8 - 3.6 * k, _short(text, 115 if k == 0 else 165))
    right = _MARGIN_MM + tile.width
    c.setLineWidth(0.2)
    c.line(right - 100, top - 6, right, top - 6)
    for x in (right - 100, right):
        c.line(x, top - 8, x, top - 4)
    c.drawCentredString(right - 50, top - 4.6, "check line: exactly 100 mm")
    c.line(right - 0.1, top - 10, right - 0.1, top - 60)
    for y in (top - 10, top - 60):
        c.line(right - 2.1, y, right - 0.1, y)
    c.saveState()
    c.translate(right - 1.6, top - 35)
    c.rotate(90)
    c.drawCentredString(0, 0, "exactly 50 mm")
    c.restoreState()


def _heed(d: TemplateDrawing, page: str) -> list[str]:
    """What stands above the drawing, a line each."""
    if d.part is not None:
        gap, u = (f"{x:.2f} mm ({x / MM_PER_INCH:.3f} in)" for x in (d.part.gap_mm, d.part.u_mm))
        holes = "" if d.part.whole else " The line ends where the edge was not measured: nothing is known there."
        return [
            f"from {_short(d.photo, 60)}; {page}",
            f"red line: the part's finished edge, {gap} inside the dashes, the panel's edge as measured, U {u}.",
            f"Leave U outside the line, offer the part up, then file to fit. Metal for a fold comes on top.{holes}",
            "Seen from outside, print up, flat along its bend. Print at 100 %; if a check line is off, do not use it.",
        ]
    first = "Do step 1 of the plan (the move) first, close it, look, measure. " if d.move_first else ""
    told = [
        f"from {_short(d.photo, 60)}; {page}",
        f"{_red(d)}; dashes: the edge as it is; dash-dot: never beyond",
        f"{first}Lay it on the panel's outer face, print up, flat along its bend; numbers: mm along the seam and deep.",
        "Print at 100 % (actual size). Measure both check lines with a steel rule: if one is off, do not use it.",
    ]
    gauge = "" if d.limits_mm is None else gauges(*d.limits_mm)
    if gauge:
        told.append(f"When it is done and the panel closed: {gauge}.")
    if d.marks_apart_mm is not None:
        one, two = d.marks[0].text, d.marks[-1].text
        away = f"{d.marks_apart_mm:.1f} mm ({d.marks_apart_mm / MM_PER_INCH:.3f} in)"
        told.append(
            f"{_short(one, 12)} to {_short(two, 12)}, straight: {away}. Measured on the panel: ________ "
            f"More than {MARKS_FIT_MM} mm off: do not cut by it."
        )
    return told


def _red(d: TemplateDrawing) -> str:
    """What the coloured lines are for: a fold is never cut."""
    if d.edge in ("cut", "leaded") and d.edge_stated:
        return "red line: scribe and cut to it; blue dots: build up to it"
    what = d.edge if d.edge_stated else "not stated to be cut"
    return f"EDGE {what.upper()}: DO NOT CUT. Red line: bring it back to it, blue dots: out to it, as the plan says"


def _overlaps(c: Canvas, tile: Tile) -> None:
    """Crosses and dashes in the strip that two pages share: lay cross on cross."""
    left, low, right, top = _MARGIN_MM, _MARGIN_MM, _MARGIN_MM + tile.width, _MARGIN_MM + tile.height
    half = _OVERLAP_MM / 2
    c.setLineWidth(0.15)
    c.setFont("Helvetica", 2.6)
    upright = [left + half] * (tile.column > 0) + [right - half] * (tile.column < tile.columns - 1)
    level = [low + half] * (tile.row > 0) + [top - half] * (tile.row < tile.rows - 1)
    for (x0, y0), (x1, y1) in [*(((x, low), (x, top)) for x in upright), *(((left, y), (right, y)) for y in level)]:
        for share in (0.15, 0.85):
            _cross(c, x0 + share * (x1 - x0), y0 + share * (y1 - y0))
        c.setDash([1, 2])
        c.line(x0, y0, x1, y1)
        c.setDash([])
    for x in upright:
        c.drawCentredString(x, low + 2, "overlap: lay cross on cross")


def _cross(c: Canvas, x: float, y: float) -> None:
    c.line(x - 4, y, x + 4, y)
    c.line(x, y - 4, x, y + 4)


def _short(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"
