"""Plots and overlay: the marks are where the numbers say; pixels and artists are read back, not eyeballed."""

import io
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from gapvision.errors import GapvisionError
from gapvision.judgement import judge_measurement, preset, simple_spec
from gapvision.model import ExtraLine
from gapvision.reports import overlay
from gapvision.reports.figures import draw_profile, draw_straightness, figure_bytes, write_figure
from gapvision.reports.overlay import draw_overlay, overlay_bytes
from gapvision.reports.profile_picture import line_of


def judged(measurement):
    """The measurement with its verdict: 4.76 mm wanted, 0.5 mm either way."""
    return measurement, judge_measurement(measurement, simple_spec(4.76, 0.5, 0.5))


def _nick(make_measurement):
    gap = np.full(240, 4.76)
    gap[50:81] = 5.9
    gap[120:131] = 3.6
    return make_measurement(gap, hole=(180, 199))


def test_profile_plot_shades_and_labels_each_span(make_measurement):
    ax = draw_profile(*judged(_nick(make_measurement))).axes[0]
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
    fig = draw_profile(*judged(make_measurement()), unit=unit)
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
    fig = draw_profile(*judged(make_measurement()), more=[ExtraLine(s, np.full(240, 4.2), "after paint")])
    assert "after paint" in [line.get_label() for line in fig.axes[0].lines]


def test_stated_exaggeration_is_the_drawn_one(make_measurement):
    fig = draw_straightness(make_measurement())
    figure_bytes(fig)
    ax = fig.axes[0]
    stated = float(fig.texts[-1].get_text().split("Drawn ")[1].split(" times")[0])
    box = ax.get_window_extent()
    along = box.width / abs(np.diff(ax.get_xlim())[0])
    across = box.height / abs(np.diff(ax.get_ylim())[0])
    assert across / along == pytest.approx(stated, rel=1e-6)


@pytest.mark.slow
def test_same_input_same_bytes_and_formats(make_measurement, tmp_path):
    m = make_measurement()
    assert figure_bytes(draw_profile(*judged(m))) == figure_bytes(draw_profile(*judged(m)))
    assert figure_bytes(draw_profile(*judged(m)), "svg").startswith(b"<?xml")
    write_figure(draw_profile(*judged(m)), tmp_path / "p.pdf")
    assert (tmp_path / "p.pdf").read_bytes().startswith(b"%PDF")
    with pytest.raises(GapvisionError) as caught:
        write_figure(draw_profile(*judged(m)), tmp_path / "p.bmp")
    assert caught.value.code == "value-out-of-range"


def test_refused_photo_has_no_plot(make_refusal):
    with pytest.raises(ValueError, match="refused"):
        draw_profile(make_refusal())


def test_overlay_marks_edges_and_spans_where_they_are(make_measurement):
    m = _nick(make_measurement)
    rgb = np.full((1200, 2400, 3), 128, np.uint8)
    picture = np.asarray(draw_overlay(rgb, *judged(m), longest_px=2400)).astype(int)
    station = 25
    x, y = m.profile.edge_a_px[station]
    blue = picture[round(y), round(x)]
    assert blue[2] > blue[0] + 80, "edge A is drawn in blue on its pixels"
    inside_wide = picture[595:606, 600:800].reshape(-1, 3).std()
    inside_good = picture[595:606, 240:540].reshape(-1, 3).std()
    assert inside_wide > 5 * max(inside_good, 1), "the span out of tolerance is hatched, the rest is clear"
    in_hole = picture[570:630, 200 + 185 * 8 : 200 + 193 * 8]
    assert (in_hole == 128).all(), "nothing is drawn where nothing was measured"


@pytest.mark.parametrize("wide_px", [300, 430, 900])
def test_no_words_stand_on_others_in_a_small_picture(make_measurement, monkeypatch, wide_px):
    """As papers show twelve seams: letters, names of strips, stations and spans, at the size of their print."""
    pens = []
    monkeypatch.setattr(overlay._Pens, "on", lambda self, picture: pens.append(self) or picture)
    rgb = np.full((1200, 2400, 3), 128, np.uint8)
    draw_overlay(rgb, *judged(_nick(make_measurement)), longest_px=wide_px, letter_px=16.8, strips=True)
    plates = pens[0].taken
    assert len(plates) >= 4, "both letters, and more"
    for k, one in enumerate(plates):
        for two in plates[:k]:
            assert one[0] >= two[2] or two[0] >= one[2] or one[1] >= two[3] or two[1] >= one[3], (one, two)


def test_overlay_of_a_smaller_copy_and_of_a_refusal(make_measurement, make_refusal):
    small = np.full((600, 1200, 3), 128, np.uint8)
    assert draw_overlay(small, *judged(make_measurement())).size == (1200, 600)
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
    ax = draw_profile(*judged(make_measurement()), more=[before]).axes[0]
    line = next(x for x in ax.lines if x.get_label() == "before: as found, hatched: its U")
    first = next(x for x in ax.lines if x.get_label() == "gap")
    assert np.isnan(line.get_ydata()).sum() == 1, "broken at the hole"
    assert line.get_linestyle() != first.get_linestyle()
    shades = [c for c in ax.collections if c.get_hatch()]
    assert len(shades) == 1
    assert shades[0].get_hatch() not in {p.get_hatch() for p in ax.patches}, "not the hatch of a span"
    low, high = shades[0].get_datalim(ax.transData).intervaly
    assert high == pytest.approx(5.9 + 0.1)
    assert low == pytest.approx(3.6 - 0.1)
    with pytest.raises(ValueError, match="at most 3"):
        draw_profile(*judged(make_measurement()), more=[before] * 4)


def test_a_running_limit_is_drawn(make_measurement):
    m = make_measurement()
    ax = draw_profile(m, judge_measurement(m, replace(preset("door-period"), photo_at_mm=0.0))).axes[0]
    lower = next(k for k, x in enumerate(ax.lines) if x.get_label() == "limits")
    upper = ax.lines[lower + 1].get_ydata()
    assert upper[1] == pytest.approx(6.35 + 0.79375)
    assert upper[-2] == pytest.approx(3.175 + 0.79375)
    words = [t.get_text() for t in ax.texts]
    assert any("too tight" in w for w in words)
    assert any("too wide" in w for w in words)
    with pytest.raises(ValueError, match="240 stations"):
        draw_profile(m, judged(_nick(make_measurement))[1])


@pytest.mark.parametrize(("unit", "tick", "worst"), [("in", "9", "0.232"), ("fraction", "9", "15/64 scant")])
def test_stations_spans_and_straightness_follow_the_unit(make_measurement, unit, tick, worst):
    fig = draw_profile(*judged(_nick(make_measurement)), unit=unit)
    figure_bytes(fig)
    ax = fig.axes[0]
    assert ax.get_xlabel() == "station along the seam [in]"
    assert tick in [t.get_text() for t in ax.get_xticklabels()]
    assert f"1 too wide, {worst}" in [t.get_text() for t in ax.texts]
    form = draw_straightness(make_measurement(), unit=unit)
    figure_bytes(form)
    assert form.axes[0].get_ylabel() == "edge A [in]"
    assert "0.004 in (0.10 mm)" in form.axes[0].get_title(loc="left")
    assert "times steeper" in form.texts[-1].get_text()
    assert len(form.axes[0].get_yticks()) >= 3
