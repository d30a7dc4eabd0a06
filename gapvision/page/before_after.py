"""Before and after: the same stretch of a seam cut out of both photos, at the same scale, laid on each other by s."""

from __future__ import annotations

import base64
import html

import streamlit as st

from gapvision.model import Comparison
from gapvision.page import service, widgets
from gapvision.page.books import line_title, load, records, stored_photo
from gapvision.records import MeasurementLine
from gapvision.reports.crops import HOW_TO_READ, Stretch, crops_alike
from gapvision.reports.overlay import draw_crop, overlay_bytes

_WIDE = 900  # of the drawing and its least width on screen: a phone shows a part of it, moved sideways
_CROP_PX = 1600
_LETTER_PX = 15 * _CROP_PX / _WIDE


def show(before: MeasurementLine, after: MeasurementLine, comparison: Comparison | None) -> None:
    """Both photos; with a comparison the same crop of both, else the whole photos."""
    st.subheader("Before and after", anchor=False)
    rectified, crops = (False, []) if comparison is None else _crops(before, after, comparison)
    if crops:
        pictures = [f"data:image/jpeg;base64,{base64.b64encode(crop).decode()}" for crop in crops]
        what, look = "Crop {}: the seam with both its edges", "border-radius:8px;display:block"
    else:
        pictures = [stored_photo(line).url("preview") for line in (before, after)]
        what, look = "Photo {}", "border-radius:8px"
    figures = "".join(
        f'<figure style="margin:0;flex:1 1 320px"><figcaption class="gv-caption">{html.escape(f"{word}: {line_title(line)}")}'
        f'</figcaption><img src="{src}" alt="{what.format(word.lower())}" loading="lazy" style="width:100%;{look}"></figure>'
        for word, line, src in zip(("Before", "After"), (before, after), pictures, strict=True)
    )
    if not crops:
        st.html(f'<div style="display:flex;flex-wrap:wrap;gap:12px">{figures}</div>')
        st.write("The whole photos: how they lie on each other is not known.")
        return
    # One above the other in one box, so that they stay on the same stations when a phone moves them sideways.
    st.html(
        '<p class="gv-narrow">Both pictures move sideways together.</p>'
        f'<div class="gv-pair" tabindex="0" role="region" aria-label="The seam before and after">'
        f'<div style="min-width:{_WIDE}px">{figures}</div></div>'
    )
    st.write(
        f"{HOW_TO_READ[rectified]} The same stretch in both, stations as in the plot below. Blue: edge A, orange "
        "dashes: edge B, as measured."
    )


def _crops(before: MeasurementLine, after: MeasurementLine, comparison: Comparison) -> tuple[bool, list[bytes]]:
    """Whether they are rectified, and both cut-outs, on the stations of the photo after; none where a photo lacks the stretch."""
    unit, shift = widgets.unit(), comparison.datum.shift_mm
    start, stop = float(comparison.s_mm[0]), float(comparison.s_mm[-1])

    def make() -> tuple[bool, list[bytes]]:
        photos = [(records().photo_bytes(line.photo), load(line)) for line in (before, after)]
        crops = crops_alike(
            [
                Stretch(photo=photo, measurement=m, from_mm=start - by, to_mm=stop - by, told_mm=by - shift)
                for (photo, m), by in zip(photos, (0.0, shift), strict=True)
            ],
            _CROP_PX,
        )
        pictures = [overlay_bytes(draw_crop(crop, unit, _LETTER_PX), "JPEG") for crop in crops or ()]
        return bool(crops and crops[0].rectified), pictures

    if stop - start < 5:
        return False, []
    key = ("crops", before.measurement_id, after.measurement_id, round(shift, 2), round(start, 2), round(stop, 2), unit)
    return service.remembered(key, make)
