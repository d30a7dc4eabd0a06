"""The work card on paper: three lines in large letters, the photo with the seam marked on it, and the cautions."""

from __future__ import annotations

import io
from collections.abc import Sequence

from PIL.Image import Image
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Paragraph

from gapvision.reports.evidence_style import INK, MARGIN, PAPERS, escape, fonts, para, styles

_LARGE = 23  # points: read at arm's length


def work_card_bytes(
    title: str, lines: Sequence[str], picture: Image, cautions: Sequence[str], paper: str = "a4"
) -> bytes:
    """Write a work card as a PDF of one page.

    Parameters
    ----------
    title : str
        Which seam, which photo, which day.
    lines : sequence of str
        What to do, largest.
    picture : Image
        The photo with the seam marked.
    cautions : sequence of str
        What to heed.
    paper : str
        ``a4`` or ``letter``.
    """
    width, height = PAPERS[paper]
    buffer = io.BytesIO()
    canvas = Canvas(buffer, pagesize=(width, height), invariant=True)
    canvas.setTitle(title)
    room = width - 2 * MARGIN
    large = styles()["title"].clone("card", fontName=fonts()[1], fontSize=_LARGE, leading=1.25 * _LARGE, textColor=INK)
    y = _put(canvas, para(title, "h2"), y=height - MARGIN, room=room) - 2 * mm
    for line in lines:
        y = _put(canvas, Paragraph(escape(line), large), y=y, room=room) - 3 * mm
    heed = [para(text, "cell") for text in cautions]
    below = sum(p.wrap(room, height)[1] + 1 * mm for p in heed)
    tall = y - MARGIN - below - 4 * mm
    scale = min(room / picture.width, tall / picture.height)
    wide, high = scale * picture.width, scale * picture.height
    jpeg = io.BytesIO()
    picture.convert("RGB").save(jpeg, "JPEG", quality=88)
    jpeg.seek(0)
    canvas.drawImage(ImageReader(jpeg), MARGIN + 0.5 * (room - wide), y - high, wide, high)
    y -= high + 4 * mm
    for p in heed:
        y = _put(canvas, p, y=y, room=room) - 1 * mm
    canvas.showPage()
    canvas.save()
    return buffer.getvalue()


def _put(canvas: Canvas, words: Paragraph, *, y: float, room: float) -> float:
    """Draw a paragraph under ``y``; gives where it ends."""
    _, high = words.wrap(room, y)
    words.drawOn(canvas, MARGIN, y - high)
    return y - float(high)
