"""How the evidence report looks: fonts, sizes, colours and the frame of a page."""

from __future__ import annotations

import io
from functools import lru_cache
from pathlib import Path
from typing import Any

from reportlab.lib import colors
from reportlab.lib.pagesizes import A4, letter
from reportlab.lib.styles import ParagraphStyle
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.pdfbase.ttfonts import TTFont
from reportlab.platypus import Paragraph

from gapvision.reports import glyphs
from gapvision.reports.evidence_types import Head

PAPERS = {"a4": A4, "letter": letter}
MARGIN = 17 * mm
HEAD_HEIGHT = 20 * mm
FOOT_HEIGHT = 9 * mm

_LONGEST_CELL = 700
_SAFE = {"&": "&amp;", "<": "&lt;", ">": "&gt;", "\n": "<br/>"}

INK = colors.HexColor("#1b1f24")
QUIET = colors.HexColor("#57606a")
LINE = colors.HexColor("#c4cad1")
SHADE = colors.HexColor("#f2f4f6")


@lru_cache(maxsize=1)
def fonts() -> tuple[str, str, str]:
    """Register a font that has Latin, Greek and Cyrillic (DejaVu, as matplotlib ships it); return its names."""
    import matplotlib

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for cut in ("", "-Bold", "-Oblique"):
        pdfmetrics.registerFont(TTFont(f"Evidence{cut}", str(folder / f"DejaVuSans{cut}.ttf")))
    plain, bold, italic = names = ("Evidence", "Evidence-Bold", "Evidence-Oblique")
    pdfmetrics.registerFontFamily(plain, normal=plain, bold=bold, italic=italic, boldItalic=bold)
    return names


@lru_cache(maxsize=1)
def styles() -> dict[str, ParagraphStyle]:
    """Paragraph styles by name."""
    plain, bold, _ = fonts()
    base = ParagraphStyle("text", fontName=plain, fontSize=8.6, leading=11.8, textColor=INK, splitLongWords=1)

    def like(name: str, size: float, leading: float, **more: Any) -> ParagraphStyle:
        return ParagraphStyle(name, base, fontSize=size, leading=leading, **more)

    known = [
        base, like("small", 7.2, 9.6), like("quiet", 7.2, 9.6, textColor=QUIET), like("cell", 7.6, 9.8),
        like("headcell", 7.4, 9.6, fontName=bold), like("title", 17, 21, fontName=bold),
        like("answer", 10.5, 14, fontName=bold),
        like("h2", 12, 15.5, fontName=bold, spaceBefore=4, spaceAfter=3),
        like("h3", 9, 12, fontName=bold, spaceBefore=5, spaceAfter=2),
    ]  # fmt: skip
    return {style.name: style for style in known}


def escape(text: str, style: str = "text") -> str:
    """Make a text safe inside a paragraph of a style; line ends stay, control characters go."""
    look = styles()[style]
    font, size = look.fontName, look.fontSize
    return "".join(
        glyphs.marked_up(c, size) if glyphs.drawn(c, font) else _SAFE.get(c, c) for c in glyphs.tidy(text, font)
    )


def para(text: str, style: str = "text", longest: int = _LONGEST_CELL) -> Paragraph:
    """A paragraph of a text as a person typed it; a table's cell is cut off before it outgrows a page."""
    if style in ("cell", "headcell") and len(text) > longest:
        text = text[:longest].rstrip() + "…"
    return Paragraph(escape(text, style), styles()[style])


def shrink_to_fit(text: str, font: str, size: float, width: float, least: float = 6.0) -> tuple[str, float]:
    """Make one line fit: smaller first, then cut with dots."""
    text = glyphs.tidy(text, font)
    while size > least and glyphs.width(text, font, size) > width:
        size -= 0.25
    if glyphs.width(text, font, size) > width:
        while text and glyphs.width(text + "…", font, size) > width:
            text = text[:-1]
        text = text.rstrip() + "…"
    return text, size


def draw_head(canvas: Any, page: tuple[float, float], head: Head, title: str, goes_on: str = "") -> None:
    """Draw the shop's head: logo left, name and address beside it, right the paper's name and the seam that goes on."""
    plain, bold, _ = fonts()
    width, height = page
    top = height - 9 * mm
    left = MARGIN
    if head.logo:
        picture = ImageReader(io.BytesIO(head.logo))
        w, h = picture.getSize()
        scale = min(34 * mm / w, 14 * mm / h)
        canvas.drawImage(picture, left, top - h * scale, w * scale, h * scale, mask="auto")
        left += w * scale + 4 * mm
    wide = (78 if goes_on else 58) * mm  # long names differ at their end
    room = width - MARGIN - left - wide - 4 * mm
    canvas.setFillColor(INK)
    name, size = shrink_to_fit(head.name or " ", bold, 12, room)
    glyphs.draw_line(canvas, left, top - 4.2 * mm, name, bold, size)
    canvas.setFillColor(QUIET)
    for number, line in enumerate((head.address, head.contact)):
        text, size = shrink_to_fit(" ".join(line.split()), plain, 7.4, room)
        glyphs.draw_line(canvas, left, top - (8.4 + 3.8 * number) * mm, text, plain, size)
    for number, line in enumerate((title, goes_on)):
        text, size = shrink_to_fit(line, plain, 8, wide)
        at = width - MARGIN - glyphs.width(text, plain, size)
        glyphs.draw_line(canvas, at, top - (4.2 + 4.2 * number) * mm, text, plain, size)
    canvas.setStrokeColor(LINE)
    canvas.setLineWidth(0.6)
    canvas.line(MARGIN, height - HEAD_HEIGHT - 5 * mm, width - MARGIN, height - HEAD_HEIGHT - 5 * mm)
