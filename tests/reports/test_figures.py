"""Plots and overlay: the marks are where the numbers say; pixels and artists are read back, not eyeballed."""

import io

import numpy as np
import pytest
from PIL import Image

from gapvision.errors import GapvisionError
from gapvision.judgement import judge_measurement, simple_spec
from gapvision.reports.figures import (
    ExtraLine,
    draw_profile,
    draw_straightness,
    figure_bytes,
    line_of,
    write_figure,
)
from gapvision.reports.overlay import draw_overlay, overlay_bytes


def judged(measurement):
    return judge_measurement(measurement, simple_spec(4.76, 0.5, 0.5))


def plot(measurement, **more):
    return draw_profile(measurement, judged(measurement), **more)


def _nick(make_measurement):
    gap = np.full(240, 4.76)
    gap[50:81] = 5.9
    gap[120:131] = 3.6
    return make_measurement(gap, hole=(180, 199))


def test_profile_plot_shades_and_labels_each_span(make_measurement):
    ax = plot(_nick(make_measurement)).axes[0]
    words = [t.get_text() for t in ax.texts]
    assert "1 too wide, 5.90" in words
    assert "2 too tight, 3.60" in words
    assert "not measured" in words
    hatches = {p.get_hatch() for p in ax.patches if p.get_hatch()}
    assert len(hatches) == 3, "each state needs a pattern of its own, colour is never the only sign"
    line = next(x for x in ax.lines if x.get_label() == "gap")
    assert np.isnan(line.get_ydata()).sum() == 1, "the hole must break the line"
    assert ax.get_ylim()[0] < 3.5
    assert ax.get_ylim()[1] > 6.0


@pytest.mark.parametrize(("unit", "label"), [("mm", "gap [mm]"), ("in", "gap [in]"), ("fraction", "gap [in]")])
def test_profile_units(make_measurement, unit, label):
    fig = plot(make_measurement(), unit=unit)
    figure_bytes(fig)
    assert fig.axes[0].get_ylabel() == label
    if unit == "fraction":
        ticks = [t.get_text() for t in fig.axes[0].get_yticklabels()]
        assert "3/16" in ticks


def test_unknown_unit_is_a_programming_fault(make_measurement):
    with pytest.raises(ValueError, match="unit"):
        draw_profile(make_measurement(), unit="ell")


def test_more_lines_are_drawn(make_measurement):
    s = np.arange(240.0)
    fig = plot(make_measurement(), more=[ExtraLine(s, np.full(240, 4.2), "after paint")])
    assert "after paint" in [line.get_label() for line in fig.axes[0].lines]


def test_stated_exaggeration_is_the_drawn_one(make_measurement):
    fig = draw_straightness(make_measurement())
    figure_bytes(fig)
    ax = fig.axes[0]
    stated = float(fig.axes[1].get_xlabel().split("drawn ")[1].split(" times")[0])
    box = ax.get_window_extent()
    along = box.width / abs(np.diff(ax.get_xlim())[0])
    across = box.height / abs(np.diff(ax.get_ylim())[0])
    assert across / along == pytest.approx(stated, rel=1e-6)


def test_same_input_same_bytes_and_formats(make_measurement, tmp_path):
    m = make_measurement()
    assert figure_bytes(plot(m)) == figure_bytes(plot(m))
    assert figure_bytes(plot(m), "svg").startswith(b"<?xml")
    write_figure(plot(m), tmp_path / "new" / "p.pdf")
    assert (tmp_path / "new" / "p.pdf").read_bytes().startswith(b"%PDF")
    with pytest.raises(GapvisionError) as caught:
        write_figure(plot(m), tmp_path / "p.bmp")
    assert caught.value.code == "value-out-of-range"


def test_refused_photo_has_no_plot(make_refusal):
    with pytest.raises(ValueError, match="refused"):
        draw_profile(make_refusal())


def test_overlay_marks_edges_and_spans_where_they_are(make_measurement):
    m = _nick(make_measurement)
    rgb = np.full((1200, 2400, 3), 128, np.uint8)
    picture = np.asarray(draw_overlay(rgb, m, judged(m), longest_px=2400)).astype(int)
    station = 25
    x, y = m.profile.edge_a_px[station]
    blue = picture[round(y), round(x)]
    assert blue[2] > blue[0] + 80, "edge A is drawn in blue on its pixels"
    inside_wide = picture[595:606, 600:800].reshape(-1, 3).std()
    inside_good = picture[595:606, 240:540].reshape(-1, 3).std()
    assert inside_wide > 5 * max(inside_good, 1), "the span out of tolerance is hatched, the rest is clear"
    in_hole = picture[570:630, 200 + 185 * 8 : 200 + 193 * 8]
    assert (in_hole == 128).all(), "nothing is drawn where nothing was measured"


def test_overlay_of_a_smaller_copy_and_of_a_refusal(make_measurement, make_refusal):
    small = np.full((600, 1200, 3), 128, np.uint8)
    assert draw_overlay(small, make_measurement(), judged(make_measurement())).size == (1200, 600)
    picture = draw_overlay(small, make_refusal())
    assert (np.asarray(picture) != 128).any(), "the reason is written on the photo"
    with pytest.raises(ValueError, match="proportions"):
        draw_overlay(np.zeros((600, 600, 3), np.uint8), make_measurement())


def test_overlay_carries_no_metadata(make_measurement):
    data = overlay_bytes(draw_overlay(np.full((600, 1200, 3), 128, np.uint8), make_measurement()))
    picture = Image.open(io.BytesIO(data))
    assert picture.info == {}
    assert not picture.getexif()


def test_second_line_carries_its_u_by_pattern_and_label(make_measurement):
    before = line_of(_nick(make_measurement).profile, "before: as found", shift_mm=3.0)
    assert before.s_mm[0] == 3.0
    assert np.isnan(before.gap_mm).sum() == 1, "broken at the hole"
    ax = plot(make_measurement(), more=[before]).axes[0]
    line = next(x for x in ax.lines if x.get_label() == "before: as found, hatched: its U")
    first = next(x for x in ax.lines if x.get_label() == "gap")
    assert line.get_linestyle() != first.get_linestyle()
    shades = [c for c in ax.collections if c.get_hatch()]
    assert len(shades) == 1
    assert shades[0].get_hatch() not in {p.get_hatch() for p in ax.patches}, "not the hatch of a span"
    low, high = shades[0].get_datalim(ax.transData).intervaly
    assert high == pytest.approx(5.9 + 0.1)
    assert low == pytest.approx(3.6 - 0.1)
    with pytest.raises(ValueError, match="at most 3"):
        plot(make_measurement(), more=[before] * 4)


def test_limits_that_run_along_the_seam_are_drawn_where_they_are(make_measurement):
    from gapvision.judgement import judge_gap, preset

    m = make_measurement()
    p = m.profile
    verdict = judge_gap(p.s_mm, p.gap_mm, p.expanded_u_mm, preset("door-period"))
    ax = draw_profile(m, verdict).axes[0]
    upper = [x for x in ax.lines if len(x.get_ydata()) == len(p.s_mm) + 2][1].get_ydata()
    assert upper[1] == pytest.approx(6.35 + 0.79375)
    assert upper[-2] == pytest.approx(3.175 + 0.79375)
    words = [t.get_text() for t in ax.texts]
    assert any("too tight" in w for w in words)
    assert any("too wide" in w for w in words)
    short = judge_gap(p.s_mm[:9], p.gap_mm[:9], p.expanded_u_mm[:9], preset("even-close"))
    with pytest.raises(ValueError, match="240 stations"):
        draw_profile(m, verdict=short)


@pytest.mark.parametrize(("unit", "tick", "worst"), [("in", "9", "0.232"), ("fraction", "9", "15/64")])
def test_stations_spans_and_straightness_follow_the_unit(make_measurement, unit, tick, worst):
    fig = plot(_nick(make_measurement), unit=unit)
    figure_bytes(fig)
    ax = fig.axes[0]
    assert ax.get_xlabel() == "station along the seam [in]"
    assert tick in [t.get_text() for t in ax.get_xticklabels()]
    assert f"1 too wide, {worst}" in [t.get_text() for t in ax.texts]
    form = draw_straightness(make_measurement(), unit=unit)
    figure_bytes(form)
    assert form.axes[0].get_ylabel() == "edge A [in]"
    assert "0.004 in (0.10 mm)" in form.axes[0].get_title(loc="left")
    assert "drawn" in form.axes[1].get_xlabel()
    assert len(form.axes[0].get_yticks()) >= 3
