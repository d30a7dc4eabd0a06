"""The photo's own plot shows what the description says, in its looks, and is the same for the same input."""

import io

import numpy as np
import pytest
from PIL import Image

from gapvision.judgement import judge_measurement, simple_spec
from gapvision.reports.profile_picture import build_picture
from gapvision.reports.quick_plot import quick_plot


def pixels(data):
    return np.asarray(Image.open(io.BytesIO(data)).convert("RGB"), dtype=int)


def columns(sheet, s_mm, picture):
    """Where a place along the seam lies on the sheet, by its frame: the dark lines at its left and right."""
    dark = np.flatnonzero((sheet[100:500] < 170).all(axis=2).mean(axis=0) > 0.95)
    low, high = picture.places.low, picture.places.high
    return round(dark[0] + (s_mm - low) / (high - low) * (dark[-1] - dark[0]))


@pytest.mark.parametrize("unit", ["mm", "fraction"])
def test_spans_are_shaded_where_they_lie(make_measurement, unit):
    gap = np.full(240, 4.7625)
    gap[60:90] = 5.9
    one = make_measurement(gap, hole=(150, 180))
    verdict = judge_measurement(one, simple_spec(4.7625, 0.5, 0.5))
    data = quick_plot(one, verdict, unit)
    picture = build_picture(one, verdict, unit=unit)
    assert Image.open(io.BytesIO(data)).text["Description"] == picture.alt
    assert data == quick_plot(one, verdict, unit)
    sheet = pixels(data)
    plain, wide, hole = (sheet[480:545, columns(sheet, s, picture)].mean(axis=0) for s in (20, 75, 165))
    assert np.abs(wide - plain).max() > 15
    assert wide[0] - wide[2] > 15, "vermilion: more red than blue"
    assert np.abs(hole - plain).max() > 8


def test_the_line_lies_at_its_gap(make_measurement):
    """A gap of 4 mm along the first half, 6 mm along the second: the line's two heights on the scale of its axis."""
    one = make_measurement(np.repeat([4.0, 6.0], 120))
    picture = build_picture(one)
    sheet = pixels(quick_plot(one))
    blue = (sheet[..., 2] - sheet[..., 0] > 110) & (sheet[..., 0] < 90)
    heights = [np.flatnonzero(blue[:, columns(sheet, s, picture)]).mean() for s in (60, 180)]
    ink = (sheet < 170).all(axis=2).mean(axis=1) > 0.7
    top, foot = np.flatnonzero(ink)[[0, -1]]
    share = [(foot - y) / (foot - top) for y in heights]
    assert share[1] - share[0] == pytest.approx(2.0 / (picture.gaps.high - picture.gaps.low), abs=0.01)
    assert share[0] == pytest.approx((4.0 - picture.gaps.low) / (picture.gaps.high - picture.gaps.low), abs=0.01)
