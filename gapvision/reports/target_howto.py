"""The drawn how-to page that goes with the strips: print, lay, light, shoot."""

from __future__ import annotations

from collections.abc import Sequence
from math import atan2, cos, sin
from typing import Any

_MARGIN_MM = 12.0
_TEXT_MM = 3.5
_LEAD_MM = 4.7


_PRINT = """Print at 100 % ("actual size"), never "fit to page".
Measure both check lines with a steel rule and keep
the two numbers: gapvision asks for them."""
_PRINT_NUMBERED = """Print at 100 % ("actual size"), never "fit to page".
Print a file once, copy never: 'gapvision strips' makes
the next sheet, with its own number. Measure both check
lines with a steel rule; gapvision asks for them once."""
_LAY = """Flat on the panel, one on each side if you can, along
the seam and 10 to 50 mm from the edge. No bubbles,
no lifted ends. A strip never bridges the gap."""
_LIGHT = """White paper or a lamp behind the gap makes both edges
dark against light. Dim the lamp until the gap is not
burnt out in the picture: light grey, not pure white."""
_SHOOT = """Camera square on to the gap, about 300 mm away, the
seam through the middle, all of the strips in view.
Main lens, no zoom, no flash. One sharp photo."""
_CARE = (
    "Take care: sheet edges cut and panels close on fingers. Prop the panel, keep hands out of the gap, lay no "
    "hot lamp on paint or trim. The numbers judge fit, never strength."
)


def draw_howto(pdf: Any, width_mm: float, height_mm: float, numbered: bool = False) -> None:
    """Draw the how-to on the current page.

    Parameters
    ----------
    pdf : reportlab canvas
        Already scaled to mm with y down from the page's top-left corner.
    width_mm, height_mm : float
        Page [mm].
    numbered : bool
        Whether the strips carry the number of their sheet.
    """
    _say(pdf, _MARGIN_MM, _MARGIN_MM + 4, "From strips to a measured gap", 6.0, bold=True)
    across = (width_mm - 2 * _MARGIN_MM - 10) / 2
    down = (height_mm - 2 * _MARGIN_MM - 22) / 2
    panels = (
        ("1  Print and check", _draw_print, _PRINT_NUMBERED if numbered else _PRINT),
        ("2  Lay the strips", _draw_lay, _LAY),
        ("3  Light the gap from behind", _draw_light, _LIGHT),
        ("4  Shoot", _draw_shoot, _SHOOT),
    )
    for i, (title, draw, words) in enumerate(panels):
        x = _MARGIN_MM + (i % 2) * (across + 10)
        y = _MARGIN_MM + 12 + (i // 2) * (down + 4)
        _say(pdf, x, y + 4, title, 4.6, bold=True)
        pdf.saveState()
        pdf.translate(x, y + 8)
        draw(pdf)
        pdf.restoreState()
        _say(pdf, x, y + 67.5, words, _TEXT_MM)
    _say(pdf, _MARGIN_MM, height_mm - _MARGIN_MM - 2, _CARE, 3.1)


def _say(pdf: Any, x: float, y: float, words: str, size: float, bold: bool = False) -> None:
    for i, line in enumerate(words.split("\n")):
        pdf.saveState()
        pdf.translate(x, y + i * _LEAD_MM)
        pdf.scale(1, -1)
        pdf.setFillGray(0)
        pdf.setFont("Helvetica-Bold" if bold else "Helvetica", size)
        pdf.drawString(0, 0, line)
        pdf.restoreState()


def _box(pdf: Any, gray: float, x: float, y: float, wide: float, high: float, stroke: int = 0) -> None:
    pdf.setFillGray(gray)
    pdf.rect(x, y, wide, high, stroke=stroke, fill=1)
    pdf.setFillGray(0)


def _mini_strip(pdf: Any, x: float, y: float, length: float, turn: float = 0.0) -> None:
    """A strip in miniature: 20 x 3 squares, so small that nothing could read it."""
    pdf.saveState()
    pdf.translate(x, y)
    pdf.rotate(turn)
    step = length / 21
    pdf.setLineWidth(0.15)
    _box(pdf, 1, -step / 2, -step / 2, 21 * step, 4 * step, stroke=1)
    for r in range(3):
        for c in range(20):
            if (c + r) % 2 == 0:
                pdf.rect(c * step, r * step, step, step, stroke=0, fill=1)
    pdf.restoreState()


def _arrow(pdf: Any, x0: float, y0: float, x1: float, y1: float) -> None:
    pdf.line(x0, y0, x1, y1)
    angle = atan2(y1 - y0, x1 - x0)
    for side in (2.7, -2.7):
        pdf.line(x1, y1, x1 + 2.2 * cos(angle + side), y1 + 2.2 * sin(angle + side))


def _double_arrow(pdf: Any, x0: float, y0: float, x1: float, y1: float) -> None:
    _arrow(pdf, x0, y0, x1, y1)
    _arrow(pdf, x1, y1, x0, y0)


def _path(pdf: Any, points: Sequence[tuple[float, float]], gray: float, stroke: int = 1) -> None:
    path = pdf.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    path.close()
    pdf.setFillGray(gray)
    pdf.drawPath(path, stroke=stroke, fill=1)
    pdf.setFillGray(0)


def _draw_print(pdf: Any) -> None:
    pdf.setLineWidth(0.3)
    pdf.setFillGray(1)
    pdf.rect(2, 1, 70, 48, stroke=1, fill=1)
    for i in range(4):
        _mini_strip(pdf, 6, 5 + i * 9.3, 54)
    pdf.line(5, 43.5, 52, 43.5)
    for x in (5, 52):
        pdf.line(x, 42, x, 45)
    pdf.line(66, 5, 66, 41)
    for y in (5, 41):
        pdf.line(64.5, y, 67.5, y)
    # a steel rule laid against the line along, its zero at the left tick
    _box(pdf, 0.88, 5, 45.4, 62, 7, stroke=1)
    for i in range(31):
        pdf.line(5 + i * 2, 45.4, 5 + i * 2, 45.4 + (3.0 if i % 5 == 0 else 1.6))
    _say(pdf, 76, 14, "200 mm line:\n________ mm\n\n150 mm line:\n________ mm", _TEXT_MM)


def _draw_lay(pdf: Any) -> None:
    pdf.setLineWidth(0.3)
    _path(pdf, [(2, 3), (92, 3), (92, 25.6), (2, 25.6)], 0.82)
    _path(pdf, [(2, 28.4), (92, 28.4), (92, 51), (2, 51)], 0.82)
    _box(pdf, 0.1, 2, 25.6, 90, 2.8)
    _mini_strip(pdf, 20, 10.5, 56, turn=1.0)
    _mini_strip(pdf, 21, 35.5, 56, turn=-0.8)
    _double_arrow(pdf, 14, 28.9, 14, 34.6)
    _say(pdf, 94, 28.6, "the gap", 3.2)
    _say(pdf, 94, 33.6, "10 to 50 mm", 3.2)
    pdf.setLineWidth(0.2)
    pdf.line(14.6, 32.2, 93, 32.6)


def _hem(pdf: Any, side: int) -> None:
    """One rolled edge in section, facing x = 0 from one side (-1 left, 1 right)."""
    pdf.saveState()
    pdf.scale(side, 1)
    path = pdf.beginPath()
    path.moveTo(44, 18)
    path.lineTo(9, 18)
    path.curveTo(2.5, 18, 2.5, 26, 9, 26)
    path.lineTo(24, 26)
    pdf.setLineWidth(1.6)
    pdf.setStrokeGray(0.35)
    pdf.drawPath(path, stroke=1, fill=0)
    pdf.restoreState()


def _draw_light(pdf: Any) -> None:
    pdf.saveState()
    pdf.translate(48, 2)
    _hem(pdf, 1)
    _hem(pdf, -1)
    pdf.setStrokeGray(0)
    pdf.setLineWidth(0.3)
    pdf.setFillGray(1)
    pdf.rect(-22, 36, 44, 1.4, stroke=1, fill=1)
    for x in (-2.2, 0, 2.2):
        _arrow(pdf, x, 35, x, 8)
    _say(pdf, 24, 38, "white paper,\nlit, or a lamp", 3.2)
    _say(pdf, 27, 15, "panel B", 3.2)
    _say(pdf, -42, 15, "panel A", 3.2)
    _say(pdf, -20, 5, "to the camera", 3.2)
    pdf.restoreState()
    # how the picture should look: dark edges, light gap that is not burnt out
    for x, gap, word in ((100, 0.93, "good"), (114, 1.0, "burnt out")):
        bleed = 1.0 if gap == 1.0 else 0.0
        pdf.setFillGray(0.45)
        pdf.rect(x, 14, 11, 26, stroke=0, fill=1)
        _box(pdf, gap, x + 4 - bleed, 14, 3 + 2 * bleed, 26)
        _say(pdf, x - 0.5, 45, word, 3.0)
    pdf.setLineWidth(0.5)
    pdf.line(114, 14, 125, 40)
    pdf.line(125, 14, 114, 40)


def _draw_shoot(pdf: Any) -> None:
    pdf.saveState()
    pdf.translate(48, 0)
    pdf.setLineWidth(0.3)
    for side in (-1, 1):
        _box(pdf, 0.6, 3 if side > 0 else -40, 48, 37, 2, stroke=1)
        pdf.rect(9 if side > 0 else -17, 47, 8, 1, stroke=0, fill=1)
    pdf.setFillGray(0.25)
    pdf.roundRect(-13, 3, 26, 3.2, 1.2, stroke=0, fill=1)
    pdf.setFillGray(0)
    pdf.circle(0, 6.6, 1.2, stroke=1, fill=1)
    pdf.setDash(1.2, 1.0)
    pdf.line(0, 8, 0, 48)
    pdf.line(0, 8, -34, 48)
    pdf.line(0, 8, 34, 48)
    pdf.setDash()
    pdf.rect(0, 44.5, 3, 3, stroke=1, fill=0)
    _double_arrow(pdf, 46, 7, 46, 47)
    _say(pdf, 48, 28, "about\n300 mm", 3.2)
    _say(pdf, -32, 6, "phone", 3.2)
    _say(pdf, -40, 53.6, "panel A, strip", 3.0)
    _say(pdf, 14, 53.6, "strip, panel B", 3.0)
    _say(pdf, -4, 53.6, "gap", 3.0)
    pdf.restoreState()
