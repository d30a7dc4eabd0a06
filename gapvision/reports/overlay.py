"""The photo with both edges, the stations and the spans that miss the tolerance drawn on it.

Edge A is a full line, edge B a dashed one, both on a light casing; out-of-tolerance
spans are cross-hatched between the edges and carry a number and words, so that
colour is never the only sign.
"""

from __future__ import annotations

import io
import textwrap
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gapvision.model import OUT, FloatArray, Measurement, Verdict
from gapvision.reports.profile_picture import EDGE_A, EDGE_B, Mark, build_picture, marks_along

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw

_WHITE, _INK = "#ffffff", "#14161a"
_OVERSAMPLE = 2
_MOST_LABELS = 9  # more words than this hide the photo; every span stays in the list


def draw_overlay(
    pixels: NDArray[Any],
    measurement: Measurement,
    verdict: Verdict | None = None,
    *,
    unit: str = "mm",
    longest_px: int = 1800,
) -> Image:
    """Draw a measurement on its photo.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3) or (H, W), uint8
        The upright photo, RGB or grey, or a smaller copy of it.
    measurement : Measurement
        What was measured on it; a refused photo is shown with the reason only.
    verdict : Verdict, optional
        The judgement of it; without one no span is marked.
    unit : str
        ``mm``, ``in`` or ``fraction`` for stations and gaps.
    longest_px : int
        Longest side of the picture made [px].

    Returns
    -------
    PIL.Image.Image
        RGB, without any of the photo's metadata.

    Raises
    ------
    ValueError
        If the pixels have another shape than the measured photo.
    """
    from PIL import Image, ImageDraw

    full = (measurement.photo.width_px, measurement.photo.height_px)
    if abs(pixels.shape[1] * full[1] - pixels.shape[0] * full[0]) > 2 * max(full):
        raise ValueError(f"pixels: expected the proportions of {full[0]} x {full[1]} px, got {pixels.shape[:2][::-1]}")
    scale = min(max(pixels.shape[:2]), longest_px) / max(full)
    size = (max(1, round(full[0] * scale)), max(1, round(full[1] * scale)))
    picture = Image.fromarray(pixels).convert("RGB").resize(size, Image.Resampling.BOX, reducing_gap=2.0)
    # Lines are drawn at twice the size on a clear sheet and brought down, which smooths them.
    sheet = Image.new("RGBA", (size[0] * _OVERSAMPLE, size[1] * _OVERSAMPLE), (0, 0, 0, 0))
    pen = ImageDraw.Draw(sheet)
    pens = _Pens(pen, scale, max(size) / 1800 * _OVERSAMPLE)
    if measurement.profile is None:
        words = measurement.notices[0].message if measurement.notices else "Not measured."
        pens.text((size[0] * _OVERSAMPLE / 2, size[1] * _OVERSAMPLE / 2), f"Refused: {words}", width=0.9)
    elif len(measurement.profile.s_mm) > 1:
        _draw_measured(pens, measurement, verdict, unit)
    if (drawn := sheet.getbbox()) is not None:  # only where there are lines: the sheet is large
        left, top, right, bottom = (v // _OVERSAMPLE for v in (drawn[0], drawn[1], drawn[2] + 1, drawn[3] + 1))
        part = sheet.crop((left * _OVERSAMPLE, top * _OVERSAMPLE, right * _OVERSAMPLE, bottom * _OVERSAMPLE))
        picture.paste(small := part.reduce(_OVERSAMPLE), (left, top), small)
    return picture


def overlay_bytes(picture: Image, kind: str = "PNG") -> bytes:
    """Write the picture as ``PNG`` or ``JPEG``."""
    buffer = io.BytesIO()
    picture.save(buffer, format=kind, **({"quality": 88} if kind == "JPEG" else {"compress_level": 3}))
    return buffer.getvalue()


# --- parts ------------------------------------------------------------------------


class _Pens:
    """Draws in photo pixels on the enlarged sheet."""

    def __init__(self, draw: ImageDraw, scale: float, weight: float) -> None:
        from PIL import ImageFont

        self.draw, self.scale, self.weight = draw, scale, weight
        self.font = ImageFont.load_default(30 * weight)
        self.size = draw.im.size
        self.taken: list[tuple[float, float, float, float]] = []

    def at(self, points_px: FloatArray) -> FloatArray:
        """Photo pixels to sheet pixels (the centre of the top-left pixel is (0, 0) on both)."""
        return (np.asarray(points_px, float) + 0.5) * self.scale * _OVERSAMPLE - 0.5

    def ink(self, colour: str, alpha: int = 255) -> tuple[int, ...]:
        """A colour as the sheet takes it."""
        from PIL.ImageColor import getrgb

        return (*getrgb(colour)[:3], alpha)

    def line(self, points: FloatArray, colour: str, width: float, *, cased: bool = True) -> None:
        """A line through sheet points, on a light casing."""
        flat = [tuple(p) for p in points]
        if cased:
            thick = max(1, round((width + 2.4) * self.weight))
            self.draw.line(flat, fill=self.ink(_WHITE, 200), width=thick, joint="curve")
        self.draw.line(flat, fill=self.ink(colour), width=max(1, round(width * self.weight)), joint="curve")

    def text(self, middle: tuple[float, float], words: str, width: float = 1.0, *, free: bool = False) -> bool:
        """Words on a white plate, kept inside the picture; with ``free`` not where other words stand."""
        if self.draw.textlength(words, font=self.font) > width * self.size[0]:
            words = "\n".join(textwrap.wrap(words, 52))
        box = self.draw.multiline_textbbox((0, 0), words, font=self.font)
        pad = 6 * self.weight
        w, h = box[2] - box[0] + 2 * pad, box[3] - box[1] + 2 * pad
        x = min(max(middle[0] - w / 2, 0), max(self.size[0] - w, 0))
        y = min(max(middle[1] - h / 2, 0), max(self.size[1] - h, 0))
        plate = (x, y, x + w, y + h)
        if free and any(
            plate[0] < t[2] and t[0] < plate[2] and plate[1] < t[3] and t[1] < plate[3] for t in self.taken
        ):
            return False
        self.taken.append(plate)
        self.draw.rectangle(plate, fill=self.ink(_WHITE, 225), outline=self.ink(_INK), width=max(1, round(self.weight)))
        self.draw.multiline_text((x + pad - box[0], y + pad - box[1]), words, font=self.font, fill=self.ink(_INK))
        return True


def _draw_measured(pens: _Pens, measurement: Measurement, verdict: Verdict | None, unit: str) -> None:
    picture, profile = build_picture(measurement, verdict, unit=unit), measurement.profile
    assert profile is not None  # the caller has looked
    a, b = pens.at(profile.edge_a_px), pens.at(profile.edge_b_px)
    across = b - a
    outward = across / np.maximum(np.hypot(*across.T)[:, None], 1e-9)
    marks = [mark for mark in picture.marks if mark.number and mark.last > mark.first]
    for mark in marks:
        _hatch(pens, mark, a[mark.first : mark.last], b[mark.first : mark.last])
    for start, stop in picture.lines[0].runs:
        if stop - start > 1:
            pens.line(a[start:stop], EDGE_A, 2.4)
            _dashed(pens, b[start:stop])
    for i, long, words in marks_along(profile.s_mm, unit):
        length = (26 if long else 12) * pens.weight
        for edge, sign, colour in ((a, -1, EDGE_A), (b, 1, EDGE_B)):
            foot = edge[i] + sign * 3 * pens.weight * outward[i]
            pens.line(np.array([foot, foot + sign * length * outward[i]]), colour, 2.0)
        if long:
            pens.text(tuple(b[i] + 62 * pens.weight * outward[i]), words)
    along = a[min(5, len(a) - 1)] - a[0]
    back = 34 * pens.weight * along / max(float(np.hypot(*along)), 1e-9)
    for edge, sign, letter in ((a, -1, "A"), (b, 1, "B")):
        pens.text(tuple(edge[0] - back + sign * 24 * pens.weight * outward[0]), letter)
    for mark in _worst(marks, verdict):
        _label(pens, f"{mark.labels[0]} {'mm' if unit == 'mm' else 'in'}", mark, a, b, outward)


def _worst(marks: list[Mark], verdict: Verdict | None) -> list[Mark]:
    """The marks that get words: those furthest beyond a limit, in order along the seam."""
    if verdict is None or len(marks) <= _MOST_LABELS:
        return marks
    spans = [x for x in verdict.marked if np.isfinite(x.worst_mm)]
    by_excess = sorted(range(len(spans)), key=lambda k: (spans[k].state != OUT, -spans[k].excess_mm))
    kept = {k + 1 for k in by_excess[:_MOST_LABELS]}
    return [mark for mark in marks if mark.number in kept]


def _dashed(pens: _Pens, points: FloatArray) -> None:
    """Edge B: dashes of equal length on a light casing."""
    along = _lengths(points)
    pens.line(points, _WHITE, 2.4)
    dash, space = 20 * pens.weight, 9 * pens.weight
    for begin in np.arange(0.0, along[-1], dash + space):
        steps = np.linspace(begin, min(begin + dash, along[-1]), 6)
        pens.line(np.stack([np.interp(steps, along, points[:, k]) for k in (0, 1)], axis=1), EDGE_B, 2.4, cased=False)


def _hatch(pens: _Pens, mark: Mark, a: FloatArray, b: FloatArray) -> None:
    """Cross lines between the edges; their slant is that of the span's hatch."""
    if len(a) > 1:
        outline = [*map(tuple, a), *map(tuple, b[::-1])]
        pens.draw.polygon(outline, fill=pens.ink(mark.look.colour, 70))
    width, along = float(np.median(np.hypot(*(b - a).T))), _lengths(a)
    for kind in mark.look.hatch:
        slant = {"/": 0.6, "\\": -0.6}.get(kind, 0.0) * width
        for place in np.arange(0.0, along[-1] + 1e-6, max(9 * pens.weight, 0.35 * width)):
            foot = [np.interp(place, along, a[:, k]) for k in (0, 1)]
            head = [np.interp(np.clip(place + slant, 0, along[-1]), along, b[:, k]) for k in (0, 1)]
            pens.line(np.array([foot, head]), mark.look.colour, 2.0)


def _lengths(points: FloatArray) -> FloatArray:
    """Length along a line up to each of its points [px]."""
    return np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])


def _label(pens: _Pens, words: str, mark: Mark, a: FloatArray, b: FloatArray, outward: FloatArray) -> None:
    """Number and words beside the span, at the first place where no other words stand."""
    middle = (mark.first + mark.last - 1) // 2
    # Half the plate's size in the direction away from the edge: it must not cover the gap.
    aside, above = np.abs(outward[middle])
    half = pens.draw.textlength(words, font=pens.font) / 2 * aside + 24 * pens.weight * above
    for far in (45, 95, 145, 195, 245):
        for edge, sign in ((a, -1), (b, 1)):
            near = edge[middle] + sign * (far + 40 * (sign > 0)) * pens.weight * outward[middle]
            place = near + sign * half * outward[middle]
            if pens.text((float(place[0]), float(place[1])), words, free=True):
                pens.line(np.array([edge[middle], near]), _INK, 1.4)
                return
    place = a[middle] - 40 * pens.weight * outward[middle]
    pens.text((float(place[0]), float(place[1])), str(mark.number), free=True)
