"""The sheet that says how to build and photograph gauge pieces: a true-scale drawing, a table for the calipers."""

from __future__ import annotations

import io
from typing import Any

from gapvision.reports.target_sheet import PAPERS_MM, layout
from gapvision.targets import strip

_MM = 72 / 25.4
_BAR_MM, _GAP_MM = 48.0, 4.76
_LEFT_MM = 16.0

_BUILD = (
    "1  Two straight flats or offcuts of sheet, 250 mm long and wide enough for a strip, on a plate or board.",
    "    Straight edges: no light under a steel rule. Faces level with each other.",
    "2  Set the gap by drill shanks (not the flutes) or feeler gauges at both ends, clamp, take the shanks out.",
    "3  Read the gap with calipers at one end, in the middle and at the other end; write all three down.",
    "    A piece whose readings differ by more than 0.3 mm (0.012 in) is set again.",
    "4  Three pieces at least, four are better, of sizes that you fit: 3, 4, 4.76, 6 mm, or 1/8, 5/32, 3/16, 1/4 in.",
    "    Some with cut edges; one between two bare steel rods along flats of their height, 3 to 4 mm (1/8 in) thick:",
    "    a rod is a roll, its radius half its thickness.",
    "5  Lay a strip on each flat as on a car, 10 to 50 mm from the edge, both of one sheet; measure its check lines.",
    "6  Five photos of each piece by each person, in your usual light; lift the phone away between two.",
    "    Main lens, no zoom, as on a car: square, then leaning a little. Keep the files as the phone wrote them.",
    "7  On the page: Jobs, then Prove. Or 'gapvision prove --example study.toml': fill it in, give it back.",
)
_CARE = (
    "Take care: cut edges are sharp, clamps slip, bars fall on feet. Gloves off near a running drill; deburr first.",
    "What the study proves holds for this phone, lens, app, printer and light, and for a year.",
)


def gauge_sheet_pdf(paper: str = "a4") -> bytes:
    """Draw the sheet, landscape: one page to build by, one at true scale with the places of bars and strips.

    Raises
    ------
    GapvisionError
        ``paper-unknown``.
    """
    from reportlab.pdfgen.canvas import Canvas

    layout(paper)
    width, height = PAPERS_MM[paper.strip().lower()]
    out = io.BytesIO()
    pdf: Any = Canvas(out, pagesize=(width * _MM, height * _MM), invariant=1, pageCompression=1)
    pdf.setTitle("gapvision gauge pieces")
    pdf.setCreator("gapvision")
    pdf.setAuthor("gapvision")
    pdf.setViewerPreference("PrintScaling", "None")
    pdf.scale(_MM, _MM)
    _text(pdf, _LEFT_MM, height - 20, "Gauge pieces: prove your own phone", 6.5, bold=True)
    for i, line in enumerate(_BUILD):
        _text(pdf, _LEFT_MM, height - 31 - 5.8 * i, line, 3.9)
    _table(pdf, height - 108)
    for i, line in enumerate(reversed(_CARE)):
        _text(pdf, _LEFT_MM, 9 + 5 * i, line, 3.3)
    pdf.showPage()
    pdf.scale(_MM, _MM)
    _place(pdf, width, height)
    pdf.showPage()
    pdf.save()
    return out.getvalue()


def _text(pdf: Any, x: float, y: float, words: str, size: float, bold: bool = False) -> None:
    pdf.setFont("Helvetica-Bold" if bold else "Helvetica", size)
    pdf.drawString(x, y, words)


def _table(pdf: Any, top: float) -> None:
    """Room for the calipers' readings of eight pieces."""
    columns = (("piece", 50), ("edges (cut, rolled: radius)", 60), ("one end", 32), ("middle", 32), ("other end", 32))
    pdf.setLineWidth(0.25)
    left, high, rows = _LEFT_MM, 9.0, 8
    right = left + sum(wide for _, wide in columns)
    for k in range(rows + 2):
        pdf.line(left, top - k * high, right, top - k * high)
    x = left
    for name, wide in columns:
        pdf.line(x, top, x, top - (rows + 1) * high)
        _text(pdf, x + 2, top - 6, name, 3.6, bold=True)
        x += wide
    pdf.line(right, top, right, top - (rows + 1) * high)
    _text(pdf, right + 3, top - 6, "U of the calipers", 3.4)
    _text(pdf, right + 3, top - 12, "(k = 2): ________", 3.4)
    _text(pdf, right + 3, top - 24, "day: ____________", 3.4)


def _place(pdf: Any, width: float, height: float) -> None:
    """Bars, gap, shanks and strips at true scale."""
    _text(pdf, _LEFT_MM, height - 14, "True scale, printed at 100 %: where bars, shanks and strips lie", 5.0, bold=True)
    long = strip.STRIP_LENGTH_MM + 4
    left, middle = (width - long) / 2, height / 2 - 4
    pdf.setLineWidth(0.3)
    for sign, letter in ((1, "A"), (-1, "B")):
        edge = middle + sign * _GAP_MM / 2
        tall = _BAR_MM + 12
        low = edge if sign > 0 else edge - tall
        pdf.setFillGray(0.9)
        pdf.rect(left, low, long, tall, stroke=1, fill=1)
        pdf.setFillGray(1)
        near = edge + sign * 12
        at = near if sign > 0 else near - strip.STRIP_WIDTH_MM
        pdf.rect(left + 2, at, strip.STRIP_LENGTH_MM, strip.STRIP_WIDTH_MM, stroke=1, fill=1)
        pdf.setFillGray(0)
        said = f"strip {letter} lies here, its edge 10 to 50 mm from the gap"
        _text(pdf, left + 8, at + strip.STRIP_WIDTH_MM / 2, said, 4.0)
        _text(pdf, left + 8, edge + sign * (3 if sign > 0 else 7), "flat, face up; its straight edge at the gap", 3.6)
    for x in (left + 8, left + long - 8):
        pdf.setFillGray(0.55)
        pdf.circle(x, middle, _GAP_MM / 2, stroke=1, fill=1)
        pdf.setFillGray(0)
    said = "drill shank upright at each end, out again once clamped; here 4.76 mm (3/16 in)"
    _text(pdf, left + 14, middle - 1.2, said, 3.2)
    y = middle - _GAP_MM / 2 - _BAR_MM - 20
    pdf.line(left, y, left + 200, y)
    for x in (left, left + 200):
        pdf.line(x, y - 2, x, y + 2)
    _text(pdf, left + 204, y - 1, "200 mm: measure it with a steel rule", 3.4)
