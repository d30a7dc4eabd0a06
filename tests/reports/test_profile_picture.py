"""One description, three painters: each shows the description's lines, spans and words, none of its own."""

import io
import json
import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pypdfium2
import pytest
from PIL import Image
from reportlab.pdfgen.canvas import Canvas

from gapvision.judgement import judge_measurement, preset, simple_spec
from gapvision.model import HOLE, ExtraLine, LeftOut
from gapvision.page.viewer import reading, viewer_data
from gapvision.reports.evidence_chart import Plot
from gapvision.reports.figures import draw_profile, figure_bytes
from gapvision.reports.profile_picture import (
    SPANS,
    as_plain,
    build_form,
    build_picture,
    line_of,
    listed_spans,
    marks_along,
    on_one_scale,
    place_labels,
    ticks,
)
from gapvision.words import MM, span_state


def nick(make_measurement):
    """Too wide from 50 to 80, too tight from 120 to 130, not proven from 150 to 159, a hole from 180 to 199."""
    gap = np.full(240, 4.76)
    gap[50:81], gap[120:131], gap[150:160] = 5.9, 3.6, 5.3
    m = make_measurement(gap, hole=(180, 199))
    return m, judge_measurement(m, simple_spec(4.76, 0.5, 0.5))


def test_marks_are_the_verdicts_spans_numbered_in_order(make_measurement):
    m, verdict = nick(make_measurement)
    marks = build_picture(m, verdict).marks
    assert [(k.number, k.labels[0]) for k in marks] == [
        (1, "1 too wide, 5.90"),
        (2, "2 too tight, 3.60"),
        (3, "3 not proven, 5.30"),
        (0, "not measured"),
    ]
    assert [(k.start, k.stop) for k in marks] == [(s.from_mm, s.to_mm) for s in verdict.marked]
    first = marks[0]
    assert m.profile.s_mm[[first.first, first.last - 1]].tolist() == [50, 80]
    assert len({k.look.hatch for k in marks}) == 4, "a pattern of its own for each state: colour is never the only sign"


def test_without_a_verdict_only_holes_are_marked_and_nothing_is_in_the_zone(make_measurement):
    m, _ = nick(make_measurement)
    picture = build_picture(m)
    assert [k.words for k in picture.marks] == [HOLE]
    assert picture.zone is None
    assert picture.lines[0].runs == ((0, 180), (180, 220))
    span = LeftOut(from_mm=180, to_mm=199, reason="door handle")
    said = replace(m, settings=replace(m.settings, left_out=(span,)))
    assert build_picture(said).marks[0].labels == ("left out: door handle", "left out")


def test_zone_follows_running_limits_from_border_to_border(make_measurement):
    m = make_measurement()
    picture = build_picture(m, judge_measurement(m, replace(preset("door-period"), photo_at_mm=0.0)))
    zone = picture.zone
    assert (zone.s[0], zone.s[-1]) == (picture.places.low, picture.places.high)
    # The ready specification: 1/4 in at one end, 1/8 in at the other, 1/32 in either way.
    assert zone.upper[[0, -1]] == pytest.approx([6.35 + 0.79375, 3.175 + 0.79375], abs=1e-5)
    assert zone.nominal[[0, -1]] == pytest.approx([6.35, 3.175], abs=1e-5)


@pytest.mark.slow
def test_every_painter_shows_every_line_span_and_tick(make_measurement):
    m, verdict = nick(make_measurement)
    before = line_of(make_measurement(np.full(240, 5.0)).profile, "before: as found", 3.0)
    picture = build_picture(m, verdict, [before])
    fig = draw_profile(m, verdict, more=[before])
    # SVG and PNG
    svg = figure_bytes(fig, "svg").decode()
    # The page
    data = viewer_data(m, verdict, more=[before], preview_url="p", full_url="f")
    page = json.loads(json.dumps(data, allow_nan=False))["picture"]
    assert page == as_plain(picture) == json.loads(json.dumps(as_plain(picture)))
    assert [k["labels"] for k in page["marks"]] == [list(k.labels) for k in picture.marks]
    assert [line["label"] for line in page["lines"]] == ["gap", "before: as found"]
    # The report
    out = io.BytesIO()
    canvas = Canvas(out, pagesize=(600, 400))
    Plot(draw_profile(m, verdict, more=[before], size_in=(7, 3), point=7.4)).drawOn(canvas, 20, 20)
    canvas.save()
    sheet = pypdfium2.PdfDocument(out.getvalue())[0].get_textpage().get_text_range()
    marked = [p for p in fig.axes[0].patches if p.get_hatch()]
    assert len(marked) == len(page["marks"]) == len(picture.marks) == 4
    words = [mark.labels[0] for mark in picture.marks]
    words += [word for axis in (picture.places, picture.gaps, picture.others) for _, word in axis.many]
    words += [picture.places.name, picture.gaps.name, picture.others.name, "before: as found, hatched: its U", "limits"]
    for word in words:
        assert f">{word}<" in svg
        assert word in sheet
    assert f"<title>{picture.alt}</title>" in svg
    with Image.open(io.BytesIO(figure_bytes(fig))) as png:
        assert png.text["Description"] == picture.alt


def test_the_page_tells_each_station_with_its_state_and_the_further_lines(make_measurement):
    m, verdict = nick(make_measurement)
    before = line_of(make_measurement(np.full(240, 5.0)).profile, "before", 2.6)
    data = viewer_data(m, verdict, more=[before], preview_url="p", full_url="f", unit="in")
    assert data["places"][60] == "2.36 in"
    assert reading(data, 60) == (
        "gap 0.232 in (5.90 mm), U 0.004 in (0.10 mm), too wide; before 0.197 in (5.00 mm), U 0.004 in (0.10 mm)"
    )
    assert reading(data, 1).endswith("in tolerance"), "the other line has no station within half a millimetre"
    assert data["start_index"] == 120, "the one furthest beyond"
    assert {len(part["at"]) for part in data["readings"]} == {len(data["places"])} == {len(m.profile.s_mm)}


def test_a_refused_photo_has_only_its_photo(make_refusal):
    data = viewer_data(make_refusal(), None, preview_url="p", full_url="f", tappable=True)
    assert (data["picture"], data["places"], data["edges"]) == (None, [], [])
    for build in (build_picture, build_form):
        with pytest.raises(ValueError, match="refused"):
            build(make_refusal())


def test_wrong_verdict_too_many_lines_and_unknown_units_are_faults(make_measurement):
    m, verdict = nick(make_measurement)
    with pytest.raises(ValueError, match="240 stations"):
        build_picture(make_measurement(), verdict)
    with pytest.raises(ValueError, match="at most 3"):
        build_picture(m, verdict, [line_of(m.profile, "before")] * 4)
    with pytest.raises(ValueError, match="unit"):
        build_picture(m, verdict, unit="ell")


def test_labels_never_lie_on_each_other_and_every_number_that_has_room_is_there(make_measurement):
    gap = np.full(240, 4.76)
    for k in range(20):
        gap[12 * k : 12 * k + 3] = 5.9 if k % 2 else 3.6
    m = make_measurement(gap)
    picture = build_picture(m, judge_measurement(m, simple_spec(4.76, 0.5, 0.5)))
    assert len(picture.marks) == 20
    for rows, letter in ((1, 2.0), (3, 2.0), (3, 1.0), (1, 9.0)):
        placed = place_labels(picture, letter, rows)
        for row in range(rows):
            ends = [(x - letter * len(w) / 2, x + letter * len(w) / 2) for w, x, r in placed if r == row]
            assert all(a[1] <= b[0] for a, b in pairwise(ends))
            assert all(picture.places.low <= a and b <= picture.places.high for a, b in ends)
        if letter < 9:
            assert [int(re.match(r"\d+", w)[0]) for w, *_ in placed] == list(range(1, 21))


@pytest.mark.parametrize(
    ("low", "high", "unit", "least", "words"),
    [
        (-2, 252, "mm", None, ["0", "50", "100", "150", "200", "250"]),
        (-2, 252, "in", None, ["0", "1", "2", "3", "4", "5", "6", "7", "8", "9"]),
        (-2, 252, "fraction", None, ["0", "1", "2", "3", "4", "5", "6", "7", "8", "9"]),
        (4.0, 5.4, "mm", 0.001, ["4.0", "4.2", "4.4", "4.6", "4.8", "5.0", "5.2", "5.4"]),
        (4.3, 5.2, "fraction", 1 / 64, ["11/64", "3/16", "13/64"]),
        (4.3, 5.2, "in", 0.001, ["0.170", "0.175", "0.180", "0.185", "0.190", "0.195", "0.200"]),
    ],
)
def test_ticks_are_round_in_the_unit(low, high, unit, least, words):
    found = ticks(low, high, 10, unit, least)
    assert [word for _, word in found] == words
    assert all(low - 1e-9 <= at <= high + 1e-9 for at, _ in found)


def test_form_turns_about_its_own_line_up_towards_a(make_measurement):
    m = make_measurement()
    form = build_form(m)
    # Made by hand: edge A = -gap/2 + 0.05 sin(s/30), so its form is that wave; up is towards A, so its sign turns.
    s = m.profile.s_mm
    wave = -0.05 * np.sin(s / 30)
    np.testing.assert_allclose(form.lines[0].y, wave - np.polyval(np.polyfit(s, wave, 1), s), atol=1e-9)
    assert form.words[0].startswith("Edge A: straight within 0.10 mm")
    assert form.times(19.9) == 15
    assert form.times(0.2) == 1
    for most in np.geomspace(1, 3000, 40):
        assert most / 1.51 <= form.times(most) <= most
        half = form.reach * most / form.times(most)
        shown = [at for at, _ in form.heights if abs(at) <= half]
        assert 3 <= len(shown) <= 7, "enough to read, few enough to stay apart"


def test_edges_are_drawn_the_way_up_that_the_photo_shows(make_measurement):
    m = make_measurement()
    p = m.profile
    turned = replace(m, profile=replace(p, edge_a_px=p.edge_b_px, edge_b_px=p.edge_a_px))  # panel B above in the photo
    one, two = build_form(m), build_form(turned)
    assert "up is towards panel A" in one.note
    assert "up is towards panel B" in two.note
    np.testing.assert_allclose(two.lines[0].y, -one.lines[0].y, atol=1e-12)


def test_pictures_beside_each_other_have_one_scale(make_measurement):
    pictures = on_one_scale([build_picture(make_measurement(np.full(240, g))) for g in (3.0, 6.0)])
    assert pictures[0].gaps == pictures[1].gaps
    assert pictures[0].gaps.low < 3.0 - 0.1
    assert pictures[1].gaps.high > 6.0 + 0.1


def test_a_wild_u_and_what_lies_beside_the_stations_do_not_squeeze_the_plot(make_measurement):
    u = np.full(240, 0.1)
    u[100] = 30.0
    m = make_measurement(u_mm=u)
    far = ExtraLine(np.arange(500.0, 600.0), np.full(100, 40.0), "elsewhere")
    picture = build_picture(m, more=[far])
    assert picture.gaps.high < 6
    assert len(picture.lines[1].s) == 0
    figure_bytes(draw_profile(m, more=[far]))


def test_marks_along_stations_that_were_measured(make_measurement):
    m, _ = nick(make_measurement)
    mm = marks_along(m.profile.s_mm, "mm")
    assert [m.profile.s_mm[i] for i, *_ in mm] == [*range(0, 180, 10), *range(200, 240, 10)]
    assert [words for _, long, words in mm if long] == ["0", "50", "100", "150", "200"]
    assert [words for _, long, words in marks_along(m.profile.s_mm, "fraction") if long] == ["0", "2", "4", "6", "8"]


def test_what_a_person_wrote_is_no_formula(make_measurement):
    m, _ = nick(make_measurement)
    line = line_of(m.profile, r"before: $\frac{$")
    assert r"before: $\frac{$" in figure_bytes(draw_profile(m, more=[line], title="5 $ or 6 $"), "svg").decode()


def test_reasons_belong_to_holes_only(make_measurement):
    m, verdict = nick(make_measurement)
    said = replace(m, settings=replace(m.settings, left_out=(LeftOut(from_mm=0, to_mm=239, reason="handle"),)))
    told = [(number, words) for number, words, *_ in listed_spans(said, verdict, MM)]
    assert told == [("1", "too wide"), ("2", "too tight"), ("3", "not proven"), ("-", "left out: handle")]
    assert set(SPANS) >= {span_state(span) for span in verdict.marked}
