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

from gapvision.reports.evidence_types import Head

PAPERS = {"a4": A4, "letter": letter}
MARGIN = 17 * mm
HEAD_HEIGHT = 20 * mm
FOOT_HEIGHT = 9 * mm

_LONGEST_CELL = 700

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
        like("h2", 12, 15.5, fontName=bold, spaceBefore=4, spaceAfter=3),
        like("h3", 9, 12, fontName=bold, spaceBefore=5, spaceAfter=2),
    ]  # fmt: skip
    return {style.name: style for style in known}


def escape(text: str) -> str:
    """Make a text safe inside a paragraph; line ends stay, control characters go."""
    tidy = "".join(c for c in text if c == "\n" or c.isprintable())
    return tidy.replace("&", "&amp;").replace("<", "&lt;").replace(">", "&gt;").replace("\n", "<br/>")


def para(text: str, style: str = "text") -> Paragraph:
    """A paragraph of a text as a person typed it; a table's cell is cut off before it outgrows a page."""
    if style in ("cell", "headcell") and len(text) > _LONGEST_CELL:
        text = text[:_LONGEST_CELL].rstrip() + "…"
    return Paragraph(escape(text), styles()[style])


def shrink_to_fit(text: str, font: str, size: float, width: float, least: float = 6.0) -> tuple[str, float]:
    """Make one line fit: smaller first, then cut with dots."""
    while size > least and pdfmetrics.stringWidth(text, font, size) > width:
        size -= 0.25
    if pdfmetrics.stringWidth(text, font, size) > width:
        while text and pdfmetrics.stringWidth(text + "…", font, size) > width:
            text = text[:-1]
        text = text.rstrip() + "…"
    return text, size


def draw_head(canvas: Any, page: tuple[float, float], head: Head, title: str) -> None:
    """Draw the shop's head: logo left, name and address beside it, the report's name right."""
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
    room = width - MARGIN - left - 62 * mm
    canvas.setFillColor(INK)
    name, size = shrink_to_fit(head.name or " ", bold, 12, room)
    canvas.setFont(bold, size)
    canvas.drawString(left, top - 4.2 * mm, name)
    canvas.setFillColor(QUIET)
    for number, line in enumerate((head.address, head.contact)):
        text, size = shrink_to_fit(" ".join(line.split()), plain, 7.4, room)
        canvas.setFont(plain, size)
        canvas.drawString(left, top - (8.4 + 3.8 * number) * mm, text)
    text, size = shrink_to_fit(title, plain, 8, 58 * mm)
    canvas.setFont(plain, size)
    canvas.drawRightString(width - MARGIN, top - 4.2 * mm, text)
    canvas.setStrokeColor(LINE)
    canvas.setLineWidth(0.6)
    canvas.line(MARGIN, height - HEAD_HEIGHT - 5 * mm, width - MARGIN, height - HEAD_HEIGHT - 5 * mm)
