"""Before and after: the same stretch of a seam cut out of both photos, at the same scale, laid on each other by s."""

from __future__ import annotations

import base64
import html
from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import numpy as np
import streamlit as st

from gapvision.model import Comparison, Measurement
from gapvision.page import service, widgets
from gapvision.page.books import line_title, load, records, stored_photo
from gapvision.page.drawings import svg_image
from gapvision.records import MeasurementLine
from gapvision.reports.crops import SeamCrop, crops_alike, needed_height_mm
from gapvision.units import MM_PER_INCH

_WIDE = 900.0  # of the drawing and its least width on screen: a phone shows a part of it, moved sideways
_CROP_PX = 1600
_FOOT = 22.0


def show(before: MeasurementLine, after: MeasurementLine, comparison: Comparison | None) -> None:
    """Both photos; with a comparison the same crop of both, else the whole photos."""
    st.subheader("Before and after", anchor=False)
    crops = None if comparison is None else _crops(before, after, comparison)
    if crops is None or comparison is None:
        figures = "".join(_whole(before, after))
        st.html(f'<div style="display:flex;flex-wrap:wrap;gap:12px">{figures}</div>')
        st.write("The whole photos: how they lie on each other is not known.")
    else:
        _show_crops(_figures(before, after, crops, (-comparison.datum.shift_mm, 0.0)))
        st.write(
            f"{_HOW[crops[0].rectified]} Stations as in the plot below. Blue: edge A, orange dashes: edge B, as measured."
        )


def _show_crops(figures: list[str]) -> None:
    """One above the other in one box, so that they stay on the same stations when a phone moves them sideways."""
    st.html(
        '<p class="gv-narrow">Both pictures move sideways together.</p>'
        '<div class="gv-pair" tabindex="0" role="region" aria-label="The seam before and after">'
        f'<div style="min-width:{_WIDE:g}px">{"".join(figures)}</div></div>'
    )


#: Whether both cut-outs are rectified -> how they are to be read.
_HOW = {
    True: "Both photos rectified to the plane of the panels by their strips: the same stretch of seam at the same scale, "
    "along it and across it; the bracket shows how long a length is in both.",
    False: "The same stretch, level and at the same scale along the seam, but not rectified to the plane of the panels, "
    "because the strips could not be read again in both photos: across the seam the scale may differ a little.",
}


def _crops(before: MeasurementLine, after: MeasurementLine, comparison: Comparison) -> list[SeamCrop] | None:
    """Both cut-outs, rectified when both can be, else level; None when a photo does not show the stretch."""
    shift = comparison.datum.shift_mm
    start, stop = float(comparison.s_mm[0]), float(comparison.s_mm[-1])
    if stop - start < 5:
        return None
    measurements = [load(line) for line in (before, after)]
    stretches = [(start, stop), (start - shift, stop - shift)]
    height = max(needed_height_mm(m, a, b) for m, (a, b) in zip(measurements, stretches, strict=True))
    cuts = [
        partial(_crop, line, measurement, a, b, height)
        for line, measurement, (a, b) in zip((before, after), measurements, stretches, strict=True)
    ]
    return crops_alike(cuts)


def _crop(
    line: MeasurementLine,
    measurement: Measurement,
    a: float,
    b: float,
    height: float,
    cut: Callable[..., SeamCrop | None],
) -> SeamCrop | None:
    def make() -> SeamCrop | None:
        return cut(records().photo_bytes(line.photo), measurement, a, b, width_px=_CROP_PX, height_mm=height)

    return service.remembered((cut.__name__, line.measurement_id, round(a, 2), round(b, 2), round(height, 1)), make)


def _figures(
    before: MeasurementLine, after: MeasurementLine, crops: list[SeamCrop], offsets: tuple[float, float]
) -> list[str]:
    """The cut-outs drawn, on the stations of the photo after."""
    figures = []
    for word, line, crop, offset in zip(("Before", "After"), (before, after), crops, offsets, strict=True):
        words = f"Crop {word.lower()}: the seam with both its edges"
        picture = draw_crop(crop, np.asarray(crop.s_mm) + offset, words, unit=widgets.unit())
        figures.append(_figure(picture, f"{word}: {line_title(line)}"))
    return figures


def draw_crop(
    crop: SeamCrop, station_mm: Sequence[float] | np.ndarray[Any, Any], label: str, *, unit: str = "mm"
) -> str:
    """Draw a cut-out with its edges, a scale of stations and, when rectified, a bracket of one length both ways.

    Parameters
    ----------
    crop : SeamCrop
        The cut-out.
    station_mm : array, shape (n,)
        What to call its stations [mm].
    label : str
        What a screen reader says.
    unit : str
        ``mm``, ``in`` or ``fraction``.
    """
    k = _WIDE / crop.width_px
    tall = crop.height_px * k
    parts = [
        f'<image width="{_WIDE:g}" height="{tall:.1f}" href="data:image/jpeg;base64,{base64.b64encode(crop.jpeg).decode()}"/>'
    ]
    for edge, colour, dash in ((crop.edge_a_px, "#0060aa", ""), (crop.edge_b_px, "#d65400", "7 3")):
        points = " ".join(f"{(x + 0.5) * k:.1f},{(y + 0.5) * k:.1f}" for x, y in edge)
        parts.append(
            f'<polyline points="{points}" fill="none" stroke="#fff" stroke-opacity=".7" stroke-width="2.4"/>'
            f'<polyline points="{points}" fill="none" stroke="{colour}" stroke-width="1.2" stroke-dasharray="{dash}"/>'
        )
    s = np.asarray(station_mm, dtype=float)
    x = 0.5 * (crop.edge_a_px[:, 0] + crop.edge_b_px[:, 0]) * k
    one = 1.0 if unit == "mm" else MM_PER_INCH
    steps = (10, 20, 50, 100, 200, 500, 1000) if unit == "mm" else (0.5, 1, 2, 5, 10, 20, 50)
    step = one * next(v for v in steps if (s[-1] - s[0]) / (v * one) <= 14 or v == steps[-1])
    parts.append(f'<rect y="{tall:.1f}" width="{_WIDE:g}" height="{_FOOT:g}" fill="#f4f6f8"/>')
    for tick in np.arange(np.ceil(s[0] / step) * step, s[-1] + 1e-6, step):
        at = float(np.interp(tick, s, x))
        parts.append(
            f'<path d="M{at:.1f} {tall - 8:.1f}v10" stroke="#fff" stroke-width="4"/>'
            f'<path d="M{at:.1f} {tall - 8:.1f}v10" stroke="#111" stroke-width="1.6"/>'
            f'<text x="{min(max(at, 16), _WIDE - 16):.1f}" y="{tall + 17:.1f}" font-size="15" text-anchor="middle" '
            f'fill="#1b1f24">{tick / one:g}</text>'
        )
    if crop.rectified:
        length, words = (10.0, "10 mm") if unit == "mm" else (MM_PER_INCH / 2, "1/2 in")
        leg = length / crop.mm_per_px * k
        shape = f'd="M6 6v{leg:.1f}h{leg:.1f}" fill="none"'
        parts.append(
            f'<path {shape} stroke="#fff" stroke-width="4.5"/><path {shape} stroke="#111" stroke-width="2"/>'
            f'<text x="{leg + 11:.1f}" y="18" font-size="15" fill="#111" stroke="#fff" stroke-width="3.5" '
            f'paint-order="stroke">{words}</text>'
        )
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDE:g} {tall + _FOOT:.1f}" font-family="sans-serif">'
        f"{''.join(parts)}</svg>"
    )
    return svg_image(svg, label, 'style="width:100%;border-radius:8px;display:block"')


def _whole(before: MeasurementLine, after: MeasurementLine) -> list[str]:
    figures = []
    for word, line in (("before", before), ("after", after)):
        picture = (
            f'<img src="{stored_photo(line).url("preview")}" alt="Photo {word}" loading="lazy" '
            'style="width:100%;border-radius:8px">'
        )
        figures.append(_figure(picture, f"{word.capitalize()}: {line_title(line)}"))
    return figures


def _figure(picture: str, label: str) -> str:
    return (
        f'<figure style="margin:0;flex:1 1 320px"><figcaption class="gv-caption">{html.escape(label)}</figcaption>'
        f"{picture}</figure>"
    )
