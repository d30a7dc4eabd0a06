"""A photo, or a cut-out of one, with both edges, the stations and the spans that miss the tolerance drawn on it.

Edge A is a full line, edge B a dashed one, both on a light casing; spans out of tolerance are cross-hatched between the
edges and carry a number and words, so that colour is never the only sign.
"""

from __future__ import annotations

import io
import textwrap
from collections.abc import Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.runs import runs
from gapvision.model import OUT, EdgeAlone, FloatArray, Measurement, StripView, Verdict
from gapvision.reports.crops import SeamCrop
from gapvision.reports.profile_picture import EDGE_A, EDGE_B, Mark, build_picture, marks_along, ticks
from gapvision.units import MM_PER_INCH

if TYPE_CHECKING:
    from PIL.Image import Image

_STRIP = "#2f8f4f"
_WHITE, _INK, _FOOT = "#ffffff", "#14161a", "#f4f6f8"
_OVERSAMPLE = 2
_MOST_JPEG_PX = 65000  # a JPEG's sides are 16-bit numbers, ITU-T T.81 B.2.2 (from memory)
_ALONG_STRIP = (0.0, -0.5, 0.5, -0.8, 0.8)  # of half its length, where its name may stand
_MOST_LABELS = 9  # more words than this hide the photo; every span stays in the list


def draw_overlay(
    pixels: NDArray[Any],
    measurement: Measurement,
    verdict: Verdict | None = None,
    *,
    unit: str = "mm",
    longest_px: int = 1800,
    letter_px: float | None = None,
    strips: bool = False,
    photo: int = 0,
    labels: bool = True,
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
    letter_px : float, optional
        Size of the words [px]; default by the picture's size.
    strips : bool
        Outline the strips that were read, with their letters.
    photo : int
        Which of its photos this is; of several, only the stations that lie in it are drawn.
    labels : bool
        Write the gap to each marked span; a small picture would be full of it.

    Returns
    -------
    PIL.Image.Image
        RGB, without any of the photo's metadata.

    Raises
    ------
    ValueError
        If the pixels have another shape than the measured photo.
    """
    from PIL import Image

    seen = measurement.photos[photo]
    full = (seen.width_px, seen.height_px)
    if abs(pixels.shape[1] * full[1] - pixels.shape[0] * full[0]) > 2 * max(full):
        raise ValueError(f"pixels: expected the proportions of {full[0]} x {full[1]} px, got {pixels.shape[:2][::-1]}")
    scale = min(max(pixels.shape[:2]), longest_px) / max(full)
    size = (max(1, round(full[0] * scale)), max(1, round(full[1] * scale)))
    picture = Image.fromarray(pixels).convert("RGB").resize(size, Image.Resampling.BOX, reducing_gap=2.0)
    pens = _Pens(size, scale, max(size) / 1800 if letter_px is None else letter_px / 30)
    named = [(strip.letter, _draw_strip(pens, strip)) for strip in (seen.strips if strips else ())]
    p = measurement.profile
    if p is not None and (p.photo != photo).any():  # marked spans may reach into another photo
        measurement, verdict = replace(measurement, profile=p.picked(p.photo == photo)), None
    if measurement.profile is None:
        words = measurement.notices[0].message if measurement.notices else "Not measured."
        pens.text((size[0] * _OVERSAMPLE / 2, size[1] * _OVERSAMPLE / 2), f"Refused: {words}", width=0.9)
    elif len(measurement.profile.s_mm) > 1:
        _draw_measured(pens, measurement, verdict, unit, named, labels=labels)
        named = []
    _name_strips(pens, named)
    return pens.on(picture)


def draw_edge_line(pixels: NDArray[Any], measured: EdgeAlone, *, longest_px: int = 1800) -> Image:
    """Draw one edge alone on its photo: the line, and a tick away from the panel every 10 mm.

    Parameters
    ----------
    pixels, longest_px
        As for :func:`draw_overlay`.
    measured : EdgeAlone
        What was measured on it; a refused photo is shown with the reason only.
    """
    from PIL import Image

    seen, p = measured.photo, measured.profile
    full = (seen.width_px, seen.height_px)
    scale = min(max(pixels.shape[:2]), longest_px) / max(full)
    size = (max(1, round(full[0] * scale)), max(1, round(full[1] * scale)))
    picture = Image.fromarray(pixels).convert("RGB").resize(size, Image.Resampling.BOX, reducing_gap=2.0)
    pens = _Pens(size, scale, max(size) / 1800)
    if p is None:
        words = measured.notices[0].message if measured.notices else "Not measured."
        pens.text((size[0] * _OVERSAMPLE / 2, size[1] * _OVERSAMPLE / 2), f"Refused: {words}", width=0.9)
        return pens.on(picture)
    at, beyond = pens.at(p.edge_px), p.edge_px
    if seen.field is not None:
        beyond = seen.field.project(p.place_mm + 4 * p.outward)
    out = pens.at(beyond)
    for start, stop in runs(p.s_mm, p.spacing_mm):
        if stop - start > 1:
            pens.line(at[start:stop], EDGE_A, 2.4)
    if p.whole:
        pens.line(at[[-1, 0]], EDGE_A, 2.4)
    for s in np.arange(np.ceil(p.s_mm[0] / 10) * 10, p.s_mm[-1] + 1e-6, 10):
        k = int(np.argmin(np.abs(p.s_mm - s)))
        if abs(p.s_mm[k] - s) <= p.spacing_mm:
            pens.line(np.array([at[k], out[k]]), EDGE_A, 1.6)
            if round(s) % 50 == 0:
                pens.text(tuple(at[k] - 3.0 * (out[k] - at[k])), f"{s:.0f}")
    return pens.on(picture)


def draw_crop(crop: SeamCrop, unit: str = "mm", letter_px: float = 20.0) -> Image:
    """Draw a cut-out with its edges, its stations and, when rectified, a bracket of one length both ways.

    ``letter_px`` is the size of the words in the picture [px].
    """
    from PIL import Image

    (high, wide), foot = crop.pixels.shape[:2], round(1.5 * letter_px)
    picture = Image.new("RGB", (wide, high + foot), _FOOT)
    picture.paste(Image.fromarray(crop.pixels))
    pens = _Pens(picture.size, 1.0, letter_px / 30)
    a, b, s = pens.at(crop.edge_a_px), pens.at(crop.edge_b_px), crop.s_mm
    told = ticks(s[0], s[-1], round(wide / letter_px / 5), unit)
    stations = [(int(np.argmin(np.abs(s - at))), at, words) for at, words in told]
    seen = [(i, words) for i, at, words in stations if abs(s[i] - at) < 3]
    _draw_seam(pens, a, b, runs(s, float(np.median(np.diff(s)))), [(i, True, "") for i, _ in seen])
    for i, words in seen:
        half = pens.draw.textlength(words, font=pens.font) / 2
        x = min(max((a[i, 0] + b[i, 0]) / 2, half), pens.size[0] - half)
        pens.draw.text((x, pens.size[1] - foot), words, font=pens.font, fill=pens.ink(_INK), anchor="mm")
    if crop.rectified:
        length, words = (10.0, "10 mm") if unit == "mm" else (MM_PER_INCH / 2, "1/2 in")
        leg, top, right = length / crop.mm_per_px * _OVERSAMPLE, 8 * pens.weight, pens.size[0] - 8 * pens.weight
        pens.line(np.array([[right - leg, top], [right, top], [right, top + leg]]), _INK, 3.0)
        pens.text((right - leg - 60 * pens.weight, 0), words)
    return pens.on(picture)


def in_a_column(pictures: Sequence[Image]) -> Image:
    """Pictures one under the other, all as wide as the first; smaller where the column would be longer than a JPEG."""
    from PIL import Image

    width = pictures[0].width
    heights = [round(one.height * width / one.width) for one in pictures]
    share = min(1.0, _MOST_JPEG_PX / sum(heights))
    size = [(max(1, int(width * share)), max(1, int(height * share))) for height in heights]
    column = Image.new("RGB", (size[0][0], sum(height for _, height in size)))
    below = 0
    for one, (wide, high) in zip(pictures, size, strict=True):
        column.paste(one if one.size == (wide, high) else one.resize((wide, high)), (0, below))
        below += high
    return column


def overlay_bytes(picture: Image, kind: str = "PNG") -> bytes:
    """Write the picture as ``PNG`` or ``JPEG``."""
    buffer = io.BytesIO()
    picture.save(buffer, format=kind, **({"quality": 88} if kind == "JPEG" else {"compress_level": 3}))
    return buffer.getvalue()


def decoded_px(width_px: int, height_px: int, box_px: tuple[float, float]) -> int:
    """Longest side of a photo as it fits into a box [px]."""
    return round(max(width_px, height_px) * min(box_px[0] / width_px, box_px[1] / height_px))


# --- parts ------------------------------------------------------------------------


class _Pens:
    """Draws on a clear sheet of twice the picture's size, which is brought down to smooth the lines."""

    def __init__(self, size: tuple[int, int], scale: float, weight: float) -> None:
        from PIL import Image, ImageDraw, ImageFont

        self.scale, self.weight = scale, weight * _OVERSAMPLE
        self.size = (size[0] * _OVERSAMPLE, size[1] * _OVERSAMPLE)
        self.sheet = Image.new("RGBA", self.size, (0, 0, 0, 0))
        self.draw, self.font = ImageDraw.Draw(self.sheet), ImageFont.load_default(30 * self.weight)
        self.taken: list[tuple[float, float, float, float]] = []

    def on(self, picture: Image) -> Image:
        """Lay what was drawn on the picture."""
        if (drawn := self.sheet.getbbox()) is not None:  # only where there are lines: the sheet is large
            left, top, right, bottom = (v // _OVERSAMPLE for v in (drawn[0], drawn[1], drawn[2] + 1, drawn[3] + 1))
            k = _OVERSAMPLE
            part = self.sheet.crop((left * k, top * k, right * k, bottom * k))
            picture.paste(small := part.reduce(_OVERSAMPLE), (left, top), small)
        return picture

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


def _draw_strip(pens: _Pens, strip: StripView) -> FloatArray:
    """Outline a strip; its outline on the sheet, shape (m, 2)."""
    import cv2

    hull = pens.at(np.asarray(cv2.convexHull(strip.corners_px.astype(np.float32))[:, 0], float))
    pens.line(np.concatenate([hull, hull[:1]]), _STRIP, 1.6)
    return hull


def _name_strips(pens: _Pens, strips: Sequence[tuple[str, FloatArray]]) -> None:
    """Each strip's name in its middle, or towards an end where other words stand there."""
    for letter, hull in strips:
        middle = hull.mean(0)
        far = hull[np.argmax(np.hypot(*(hull - middle).T))] - middle
        any(pens.text(tuple(middle + share * far), f"strip {letter}", free=True) for share in _ALONG_STRIP)


def _draw_measured(
    pens: _Pens, measurement: Measurement, verdict: Verdict | None, unit: str, strips: Sequence[tuple[str, FloatArray]],
    *, labels: bool = True,
) -> None:  # fmt: skip
    picture, profile = build_picture(measurement, verdict, unit=unit), measurement.profile_in_first
    assert profile is not None  # the caller has looked
    a, b = pens.at(profile.edge_a_px), pens.at(profile.edge_b_px)
    marks = [mark for mark in picture.marks if mark.number and mark.last > mark.first]
    for mark in marks:
        _hatch(pens, mark, a[mark.first : mark.last], b[mark.first : mark.last])
    _draw_seam(pens, a, b, picture.lines[0].runs, marks_along(profile.s_mm, unit), strips)
    for mark in _worst(marks, verdict) if labels else ():
        words = mark.labels[0] + {"mm": " mm", "in": " in"}.get(unit, "")  # a fraction is of an inch
        _label(pens, words, mark, a, b, _outward(a, b))


def _outward(a: FloatArray, b: FloatArray) -> FloatArray:
    """Directions across the gap, from edge A to edge B."""
    across = b - a
    return np.asarray(across / np.maximum(np.hypot(*across.T)[:, None], 1e-9), float)


def _draw_seam(
    pens: _Pens, a: FloatArray, b: FloatArray, parts: Sequence[tuple[int, int]],
    marks: Sequence[tuple[int, bool, str]], strips: Sequence[tuple[str, FloatArray]] = (),
) -> None:  # fmt: skip
    """Both edges in their runs, their letters, the strips' names, and the stations: index, if it is long, its words.

    No words stand on others: a station's are left out where there is no room, its line stays.
    """
    outward = _outward(a, b)
    for start, stop in parts:
        if stop - start > 1:
            pens.line(a[start:stop], EDGE_A, 2.4)
            _dashed(pens, b[start:stop])
    for i, long, _ in marks:
        length = (26 if long else 12) * pens.weight
        for edge, sign, colour in ((a, -1, EDGE_A), (b, 1, EDGE_B)):
            foot = edge[i] + sign * 3 * pens.weight * outward[i]
            pens.line(np.array([foot, foot + sign * length * outward[i]]), colour, 2.0)
    along = a[min(5, len(a) - 1)] - a[0]
    back = 34 * pens.weight * along / max(float(np.hypot(*along)), 1e-9)
    for edge, sign, letter in ((a, -1, "A"), (b, 1, "B")):
        pens.text(tuple(edge[0] - back + sign * 24 * pens.weight * outward[0]), letter)
    _name_strips(pens, strips)
    for i, long, words in marks:
        if long and words:
            pens.text(tuple(b[i] + 62 * pens.weight * outward[i]), words, free=True)


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
