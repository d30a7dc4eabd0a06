"""The photo with both edges, the stations and the spans that miss the tolerance drawn on it.

Edge A is a full line, edge B a dashed one, both on a light casing; out-of-tolerance
spans are cross-hatched between the edges and carry a number and words, so that
colour is never the only sign.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.runs import runs
from gapvision.model import HOLE, OPEN, GapProfile, Measurement, Span, Verdict
from gapvision.reports.figures import look_of
from gapvision.words import span_state

if TYPE_CHECKING:
    from PIL.Image import Image
    from PIL.ImageDraw import ImageDraw

_BLUE, _ORANGE, _WHITE, _INK = (0, 96, 170), (214, 84, 0), (255, 255, 255), (20, 22, 26)
_TINT = {"wide": (214, 84, 0), "tight": (122, 59, 143), "unproven": (70, 70, 70)}
_OVERSAMPLE = 2
_MOST_LABELS = 9  # more words than this hide the photo; every span stays in the list


def draw_overlay(
    pixels: NDArray[Any], measurement: Measurement, verdict: Verdict | None = None, *, longest_px: int = 1800
) -> Image:
    """Draw a measurement on its photo.

    Parameters
    ----------
    pixels : ndarray, shape (H, W, 3) or (H, W), uint8
        The upright photo, RGB or grey, or a smaller copy of it.
    measurement : Measurement
        What was measured on it; a refused photo is shown with the reason only.
    verdict : Verdict, optional
        The decision about it; without it no span is marked.
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
        _draw_measured(pens, measurement.profile, verdict)
    picture.paste(small := sheet.resize(size, Image.Resampling.BOX), (0, 0), small)
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

    def at(self, points_px: NDArray[np.float64]) -> NDArray[np.float64]:
        """Photo pixels to sheet pixels (the centre of the top-left pixel is (0, 0) on both)."""
        return (np.asarray(points_px, float) + 0.5) * self.scale * _OVERSAMPLE - 0.5

    def line(
        self, points: NDArray[np.float64], colour: tuple[int, int, int], width: float, *, cased: bool = True
    ) -> None:
        """A line through sheet points, on a light casing."""
        flat = [tuple(p) for p in points]
        if cased:
            self.draw.line(flat, fill=(*_WHITE, 200), width=max(1, round((width + 2.4) * self.weight)), joint="curve")
        self.draw.line(flat, fill=(*colour, 255), width=max(1, round(width * self.weight)), joint="curve")

    def text(self, middle: tuple[float, float], words: str, width: float = 1.0, *, free: bool = False) -> bool:
        """Words on a white plate, kept inside the picture; with ``free`` not where other words stand."""
        if self.draw.textlength(words, font=self.font) > width * self.size[0]:
            words = _wrapped(words, 52)
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
        self.draw.rectangle(plate, fill=(*_WHITE, 225), outline=(*_INK, 255), width=max(1, round(self.weight)))
        self.draw.multiline_text((x + pad - box[0], y + pad - box[1]), words, font=self.font, fill=(*_INK, 255))
        return True


def _draw_measured(pens: _Pens, profile: GapProfile, verdict: Verdict | None) -> None:
    a, b = pens.at(profile.edge_a_px), pens.at(profile.edge_b_px)
    across = b - a
    outward = across / np.maximum(np.hypot(*across.T)[:, None], 1e-9)
    spans = [s for s in (() if verdict is None else verdict.marked) if s.state != HOLE]
    for span in spans:
        _hatch(pens, profile, span, a, b)
    for start, stop in (run for run in runs(profile.s_mm, profile.spacing_mm) if run[1] - run[0] > 1):
        pens.line(a[start:stop], _BLUE, 2.4)
        _dashed(pens, b[start:stop])
    _ticks(pens, profile, a, b, outward)
    important = sorted(spans, key=lambda x: (x.state == OPEN, -x.excess_mm))[:_MOST_LABELS]
    for number, span in enumerate(spans, 1):
        if span in important:
            _label(pens, profile, span, number, a, b, outward)


def _dashed(pens: _Pens, points: NDArray[np.float64]) -> None:
    """Edge B: dashes of equal length on a light casing."""
    along = np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(points, axis=0).T))])
    pens.line(points, _WHITE, 2.4)
    dash, space = 20 * pens.weight, 9 * pens.weight
    for begin in np.arange(0.0, along[-1], dash + space):
        steps = np.linspace(begin, min(begin + dash, along[-1]), 6)
        piece = np.stack([np.interp(steps, along, points[:, k]) for k in (0, 1)], axis=1)
        pens.line(piece, _ORANGE, 2.4, cased=False)


def _hatch(pens: _Pens, profile: GapProfile, span: Span, a: NDArray[np.float64], b: NDArray[np.float64]) -> None:
    """Cross lines between the edges; the slant tells wide from tight, the dash 'not proven'."""
    inside = np.flatnonzero((profile.s_mm >= span.from_mm) & (profile.s_mm <= span.to_mm))
    colour = _TINT[look_of(span)]
    if len(inside) > 1:
        outline = [*map(tuple, a[inside]), *map(tuple, b[inside[::-1]])]
        pens.draw.polygon(outline, fill=(*colour, 70))
    width = float(np.median(np.hypot(*(b[inside] - a[inside]).T)))
    step_px = max(9 * pens.weight, 0.35 * width)
    along = (
        np.concatenate([[0.0], np.cumsum(np.hypot(*np.diff(a[inside], axis=0).T))]) if len(inside) > 1 else np.zeros(1)
    )
    slant = {"wide": 0.6, "tight": -0.6, "unproven": 0.0}[look_of(span)] * width
    for place in np.arange(0.0, along[-1] + 1e-6, step_px):
        foot = [np.interp(place, along, a[inside, k]) for k in (0, 1)]
        head = [np.interp(np.clip(place + slant, 0, along[-1]), along, b[inside, k]) for k in (0, 1)]
        pens.line(np.array([foot, head]), colour, 2.0)


def _ticks(
    pens: _Pens, profile: GapProfile, a: NDArray[np.float64], b: NDArray[np.float64], outward: NDArray[np.float64]
) -> None:
    """Ticks outside both edges at every 10 mm, longer and with its number at every 50 mm; letters at the ends."""
    for station in np.arange(np.ceil(profile.s_mm[0] / 10) * 10, profile.s_mm[-1] + 1e-6, 10):
        near = int(np.argmin(np.abs(profile.s_mm - station)))
        if abs(profile.s_mm[near] - station) > profile.spacing_mm:
            continue
        major = abs(station / 50 - round(station / 50)) < 1e-6
        length = (26 if major else 12) * pens.weight
        for edge, sign, colour in ((a, -1, _BLUE), (b, 1, _ORANGE)):
            foot = edge[near] + sign * 3 * pens.weight * outward[near]
            pens.line(np.array([foot, foot + sign * length * outward[near]]), colour, 2.0)
        if major:
            pens.text(tuple(b[near] + 62 * pens.weight * outward[near]), f"{station:.0f}")
    along = a[min(5, len(a) - 1)] - a[0]
    back = 34 * pens.weight * along / max(float(np.hypot(*along)), 1e-9)
    for edge, sign, letter in ((a, -1, "A"), (b, 1, "B")):
        pens.text(tuple(edge[0] - back + sign * 24 * pens.weight * outward[0]), letter)


def _label(
    pens: _Pens,
    profile: GapProfile,
    span: Span,
    number: int,
    a: NDArray[np.float64],
    b: NDArray[np.float64],
    outward: NDArray[np.float64],
) -> None:
    """Number and words beside the span, at the first place where no other words stand."""
    middle = int(np.argmin(np.abs(profile.s_mm - (span.from_mm + span.to_mm) / 2)))
    words = f"{number} {span_state(span)} {span.worst_mm:.2f} mm"
    # Half the plate's size in the direction away from the edge: it must not cover the gap.
    half = pens.draw.textlength(words, font=pens.font) / 2 * abs(outward[middle, 0]) + 24 * pens.weight * abs(
        outward[middle, 1]
    )
    for far in (45, 95, 145, 195, 245):
        for edge, sign in ((a, -1), (b, 1)):
            near = edge[middle] + sign * (far + 40 * (sign > 0)) * pens.weight * outward[middle]
            place = near + sign * half * outward[middle]
            if pens.text((float(place[0]), float(place[1])), words, free=True):
                pens.line(np.array([edge[middle], near]), _INK, 1.4)
                return
    place = a[middle] - 40 * pens.weight * outward[middle]
    pens.text((float(place[0]), float(place[1])), str(number), free=True)


def _wrapped(words: str, width: int) -> str:
    import textwrap

    return "\n".join(textwrap.wrap(words, width))
