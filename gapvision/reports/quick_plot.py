"""The gap along the seam as a PNG without the drawing library, whose loading would take a fifth of measuring.

A painter of the same description as ``figures.py``; it draws what a photo's own plot needs: gap and U, limits, spans,
both axes.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np

from gapvision.model import FloatArray, Measurement, Verdict
from gapvision.reports.profile_picture import Look, ProfilePicture, build_picture, place_labels

if TYPE_CHECKING:
    from PIL.Image import Image

_SIZE = (1500, 690)
_FINE = 2  # drawn larger and brought down, which smooths the lines
_LEFT, _RIGHT, _TOP, _BOTTOM = 120, 130, 40, 140
_INK, _PAPER, _GRID = "#1b1f24", "#ffffff", "#e3e5e8"
_LETTER, _ROW = 0.55, 30  # width of a letter in sizes of the font; height of a row of words [px]


def quick_plot(measurement: Measurement, verdict: Verdict | None = None, unit: str = "mm") -> bytes:
    """Paint the profile; arguments and errors as :func:`~gapvision.reports.profile_picture.build_picture`.

    Returns
    -------
    bytes
        A PNG with what it shows in words, without dates: the same input gives the same bytes.
    """
    from PIL.PngImagePlugin import PngInfo

    picture = build_picture(measurement, verdict, unit=unit)
    buffer, words = io.BytesIO(), PngInfo()
    words.add_itxt("Description", picture.alt)
    _Painter(picture).paint().save(buffer, "PNG", compress_level=3, pnginfo=words)
    return buffer.getvalue()


class _Painter:
    """Draws a picture in millimetres on a sheet of pixels."""

    def __init__(self, picture: ProfilePicture) -> None:
        from PIL import Image, ImageDraw

        self.picture = picture
        self.sheet = Image.new("RGB", (_SIZE[0] * _FINE, _SIZE[1] * _FINE), _PAPER)
        self.pen = ImageDraw.Draw(self.sheet)
        self.labels = place_labels(
            picture, (picture.places.high - picture.places.low) * 17 * _LETTER / (_SIZE[0] - _LEFT - _RIGHT), 3
        )
        rows = 1 + max((row for *_, row in self.labels), default=-1)
        self.foot, self.head = (_SIZE[1] - _BOTTOM) * _FINE, (_TOP + rows * _ROW) * _FINE

    def x(self, s_mm: float | FloatArray) -> FloatArray:
        """Places along the seam to pixels."""
        low, high = self.picture.places.low, self.picture.places.high
        return (_LEFT + (np.asarray(s_mm, float) - low) / (high - low) * (_SIZE[0] - _LEFT - _RIGHT)) * _FINE

    def y(self, gap_mm: float | FloatArray) -> FloatArray:
        """Gaps to pixels."""
        low, high = self.picture.gaps.low, self.picture.gaps.high
        return self.foot - (np.asarray(gap_mm, float) - low) / (high - low) * (self.foot - self.head)

    def paint(self) -> Image:
        """All of it, from the ground up."""
        p, (left, right) = self.picture, (int(self.x(v)) for v in (self.picture.places.low, self.picture.places.high))
        for at, _ in p.places.many:
            self.pen.line([(float(self.x(at)), _TOP * _FINE), (float(self.x(at)), self.foot)], _GRID, _FINE)
        for at, _ in p.gaps.many:
            self.pen.line([(left, float(self.y(at))), (right, float(self.y(at)))], _GRID, _FINE)
        if (zone := p.zone) is not None:
            self.shade(zone.s, zone.lower, zone.upper, zone.look.colour, 0.14)
            for values, look in ((zone.lower, zone.look), (zone.upper, zone.look), (zone.nominal, zone.middle)):
                self.dashed(zone.s, values, look)
        for mark in p.marks:
            self.span(mark.start, mark.stop, mark.look)
        for line in p.lines:
            for start, stop in line.runs:
                s, y = line.s[start:stop], line.y[start:stop]
                if line.u is not None:
                    self.shade(s, y - line.u[start:stop], y + line.u[start:stop], line.look.colour, 0.24)
                self.pen.line(self.points(s, y), line.look.colour, 3 * _FINE, joint="curve")
        self.pen.rectangle((left, _TOP * _FINE, right, self.foot), outline=_INK, width=_FINE)
        for words, middle, row in self.labels:
            self.text(words, float(self.x(middle)), (_TOP + 4 + _ROW * row + _ROW / 2) * _FINE, "mm", 17, plate=True)
        self.axes(left, right)
        return self.sheet.reduce(_FINE)

    def axes(self, left: int, right: int) -> None:
        """Ticks, names of the axes, what the looks mean."""
        p = self.picture
        for at, words in p.places.many:
            self.text(words, float(self.x(at)), self.foot + 8 * _FINE, "ma")
        sides = ((p.gaps, left - 16, "rm", 28), (p.others, right + 16, "lm", _SIZE[0] - 28))
        for axis, beside, anchor, name_at in sides:
            for at, words in axis.many:
                self.text(words, beside, float(self.y(at)), anchor)
            self.upright(axis.name, name_at * _FINE)
        self.text(p.places.name, (left + right) / 2, self.foot + 38 * _FINE, "ma")
        self.text(p.key, (left + right) / 2, self.foot + 80 * _FINE, "ma", 16)

    def points(self, s_mm: FloatArray, gap_mm: FloatArray) -> list[tuple[float, float]]:
        """Pixels of a line."""
        return list(zip(self.x(s_mm).tolist(), self.y(gap_mm).tolist(), strict=True))

    def shade(self, s: FloatArray, low: FloatArray, high: FloatArray, colour: str, share: float) -> None:
        """A clear colour between two lines."""
        from PIL import Image, ImageDraw

        mask = Image.new("L", self.sheet.size)
        outline = self.points(s, low) + self.points(s, high)[::-1]
        if len(outline) > 2:
            ImageDraw.Draw(mask).polygon(outline, fill=round(255 * share))
            box = mask.getbbox()
            if box is not None:
                self.sheet.paste(colour, box, mask.crop(box))

    def dashed(self, s: FloatArray, gap: FloatArray, look: Look) -> None:
        """A line in the dash of its look."""
        x, y = self.x(s), self.y(gap)
        along = np.concatenate([[0.0], np.cumsum(np.hypot(np.diff(x), np.diff(y)))])
        dash = [d * 2 * _FINE for d in look.dash] or [float(along[-1]) + 1, 1.0]
        at, k = 0.0, 0
        while at < along[-1]:
            ends = np.linspace(at, min(at + dash[k % len(dash)], float(along[-1])), 4)
            if k % 2 == 0:
                stroke = zip(np.interp(ends, along, x).tolist(), np.interp(ends, along, y).tolist(), strict=True)
                self.pen.line(list(stroke), look.colour, 2 * _FINE)
            at, k = at + dash[k % len(dash)], k + 1

    def span(self, start: float, stop: float, look: Look) -> None:
        """A marked span: a clear shade, its hatch, its borders."""
        from PIL import Image, ImageDraw

        x0, x1, top = int(self.x(start)), int(self.x(stop)), _TOP * _FINE
        size = (max(x1 - x0, _FINE), self.foot - top)
        mask = Image.new("L", size, round(255 * 0.15))
        pen, gap = ImageDraw.Draw(mask), 18 * _FINE
        for stroke in look.hatch:
            for at in range(-size[1], size[0] + size[1], gap):
                lines = {
                    "/": [(at, size[1]), (at + size[1], 0)],
                    "\\": [(at, 0), (at + size[1], size[1])],
                    "-": [(0, at), (size[0], at)],
                    "|": [(at, 0), (at, size[1])],
                }
                if stroke in lines:
                    pen.line(lines[stroke], 150, _FINE)
                else:
                    for across in range(gap // 2, size[0], gap):
                        pen.ellipse((across - _FINE, at - _FINE, across + _FINE, at + _FINE), 150)
        pen.rectangle((0, 0, size[0] - 1, size[1] - 1), outline=200, width=_FINE)
        self.sheet.paste(look.colour, (x0, top), mask)

    def text(self, words: str, x: float, y: float, anchor: str, size: int = 18, *, plate: bool = False) -> None:
        """Words; on a plate where they lie over lines."""
        font = self.font(size)
        if plate:
            self.pen.rectangle(self.pen.textbbox((x, y), words, font=font, anchor=anchor), fill=_PAPER)
        self.pen.text((x, y), words, _INK, font=font, anchor=anchor)

    def upright(self, words: str, x: float) -> None:
        """Words that run upwards in the middle of the frame's height."""
        from PIL import Image, ImageDraw

        font = self.font(18)
        box = font.getbbox(words)
        strip = Image.new("L", (int(box[2]) + 4, int(box[3]) + 8))
        ImageDraw.Draw(strip).text((2, 2), words, 255, font=font)
        strip = strip.rotate(90, expand=True)
        middle = (_TOP * _FINE + self.foot) // 2
        self.sheet.paste(_INK, (int(x) - strip.width // 2, middle - strip.height // 2), strip)

    def font(self, size: int) -> Any:
        """The letters that come with the picture library."""
        from PIL import ImageFont

        return ImageFont.load_default(size * _FINE)
