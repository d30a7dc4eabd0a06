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

_LARGE, _SMALLEST = 23, 9  # points: read at arm's length; read at all
_PICTURE = 45 * mm  # a smaller photo shows nothing


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
    y = _put(canvas, para(title, "h2"), y=height - MARGIN, room=room) - 2 * mm
    heed = [para(text, "cell") for text in cautions]
    below = sum(p.wrap(room, height)[1] + 1 * mm for p in heed)
    for size in range(_LARGE, _SMALLEST - 1, -1):  # whatever a plan has to say: no line is lost, none lies on another
        look = styles()["title"].clone("card", fontName=fonts()[1], fontSize=size, leading=1.25 * size, textColor=INK)
        told = [Paragraph(escape(line), look) for line in lines]
        tall = y - MARGIN - below - 4 * mm - sum(p.wrap(room, height)[1] + 3 * mm for p in told)
        if tall >= _PICTURE:
            break
    for p in told:
        y = _put(canvas, p, y=y, room=room) - 3 * mm
    if tall < _PICTURE:
        canvas.showPage()
        y = height - MARGIN
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
