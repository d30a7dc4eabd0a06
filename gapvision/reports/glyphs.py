"""Names in any script on paper: what the papers' font lacks is drawn from OpenCV's own font, or said in words.

DejaVu has Latin, Greek, Cyrillic, Hebrew and Arabic; the last two are put in order before.  OpenCV brings a font with
Chinese, Japanese and Korean, but hands out pictures only; so each such letter stands in the line as a small picture.
What that font lacks too, such as an emoji, is told by its name in the Unicode tables: a reader never sees an empty box.
"""

from __future__ import annotations

import base64
import io
import unicodedata
from functools import lru_cache
from typing import Any

import numpy as np
from numpy.typing import NDArray
from reportlab import rl_config
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics

# Pictures inside a paragraph come as data only: nothing is fetched.
rl_config.trustedHosts, rl_config.trustedSchemes = ["localhost"], ["data"]

_EM_PX = 64  # of a drawn letter: four times what a line of text needs in print
_ABOVE, _BELOW = 0.95, 0.25  # of a letter's box, in sizes of the font
#: Marks that only choose how the letter before them looks: variants and skin tones.
_LOOKS = frozenset([*range(0xFE00, 0xFE10), *range(0x1F3FB, 0x1F400), 0x200D, 0x20E3])


def tidy(text: str, font: str) -> str:
    """A text as it can be put on paper: no control characters, and what nobody can draw in words."""
    told = "".join(_said(c, font) for c in text if (c == "\n" or c.isprintable()) and ord(c) not in _LOOKS)
    if any(unicodedata.bidirectional(c) in ("R", "AL") for c in told):
        return "\n".join(_in_order(line) for line in told.split("\n"))
    return told


def _in_order(line: str) -> str:
    """A line with Hebrew or Arabic as it is seen from left to right, Arabic letters in the forms that join."""
    from arabic_reshaper import reshape
    from bidi import get_display

    return str(get_display(reshape(line)))


def drawn(letter: str, font: str) -> bool:
    """Whether a letter of a tidy text is put on paper as a picture."""
    return letter != "\n" and ord(letter) not in _letters_of(font)


def width(text: str, font: str, size: float) -> float:
    """Width of a line [pt]."""
    pictures = [c for c in text if drawn(c, font)]
    plain = "".join(c for c in text if not drawn(c, font)) if pictures else text
    return float(pdfmetrics.stringWidth(plain, font, size)) + sum(_wide(c) for c in pictures) * size


def draw_line(canvas: Any, x: float, y: float, text: str, font: str, size: float) -> None:
    """Put one line on a page, beginning at ``x``; the canvas's colour counts for what the font has."""
    canvas.setFont(font, size)
    run = ""
    for c in [*text, ""]:
        if c and not drawn(c, font):
            run += c
            continue
        canvas.drawString(x, y, run)
        x += float(pdfmetrics.stringWidth(run, font, size))
        run = ""
        if c:
            box = (_wide(c) * size, (_ABOVE + _BELOW) * size)
            canvas.drawImage(ImageReader(io.BytesIO(_png(c))), x, y - _BELOW * size, *box, mask="auto")
            x += box[0]


def marked_up(letter: str, size: float) -> str:
    """A drawn letter inside a paragraph of reportlab."""
    data = base64.b64encode(_png(letter)).decode()
    box = f'width="{_wide(letter) * size:.2f}" height="{(_ABOVE + _BELOW) * size:.2f}" valign="{-_BELOW * size:.2f}"'
    return f'<img src="data:image/png;base64,{data}" {box}/>'


@lru_cache(maxsize=8)
def _letters_of(font: str) -> frozenset[int]:
    return frozenset(pdfmetrics.getFont(font).face.charToGlyph)


def _said(letter: str, font: str) -> str:
    if not drawn(letter, font) or ((ink := _ink(letter)) is not None and ink.any()):
        return letter
    return f"[{unicodedata.name(letter, f'character {ord(letter):X}').lower()}]"


def _wide(letter: str) -> float:
    """Width in sizes of the font."""
    ink = _ink(letter)
    return 0.0 if ink is None else ink.shape[1] / _EM_PX


@lru_cache(maxsize=512)
def _ink(letter: str) -> NDArray[np.uint8] | None:
    """How dark each pixel of a letter's box is; None where OpenCV's font has no such letter (it draws ``?`` then)."""
    found = _painted(letter)
    return None if np.array_equal(found, _painted("?")) else found


def _painted(letter: str) -> NDArray[np.uint8]:
    import cv2

    ground = np.zeros((round((_ABOVE + _BELOW) * _EM_PX), 3 * _EM_PX, 3), np.uint8)
    at = (0, round(_ABOVE * _EM_PX))
    end, painted = cv2.putText(ground, letter, at, (255, 255, 255), cv2.FontFace("uni"), _EM_PX)
    return np.asarray(painted[:, : max(end[0], 1), 0], np.uint8)


@lru_cache(maxsize=512)
def _png(letter: str) -> bytes:
    from PIL import Image

    ink, out = _ink(letter), io.BytesIO()
    assert ink is not None  # tidy has looked
    picture = Image.merge("LA", [Image.new("L", ink.shape[::-1], 27), Image.fromarray(ink)])
    picture.convert("RGBA").save(out, "PNG")
    return out.getvalue()
