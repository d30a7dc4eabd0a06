"""Templates of edges of known shape: arcs and straight lines, laid out with a compass and nothing of the program."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import least_squares

from gapvision.errors import GapvisionError
from gapvision.judgement.template import stretch_drawing
from gapvision.judgement.trim import trim_line
from gapvision.model import Mark, StagePrediction, StretchPlan, TrimRules, TrimSpan

from ._panels import reading

GAP, APART, IN = 4.76, 210.0, 30.0


def punch(name, at):
    return Mark(name=name, at_mm=at, from_edge_mm=IN)


MARKS = (punch("punch 1", 20.0), punch("punch 2", 20.0 + APART))


def drawing(radius, inside, *, on_left=True, remove=0.8, marks=MARKS, noise=0.02, hole=(0, 0), rules=None):
    """Template of a panel whose edge is an arc about one centre with its neighbour's.

    ``radius`` is that of the middle of the gap; ``inside`` says that the panel lies on the centre's side.
    """
    s = np.arange(251.0)
    s = s[(s < hole[0]) | (s > hole[1])]
    bend = 1.0 if inside else -1.0
    own = radius - bend * GAP / 2  # radius of the panel's edge
    angle = (s - 125.0) / radius
    # Offsets towards the neighbour from a straight line, as a photo gives them; the centre lies at -bend * radius.
    edge = bend * (own * np.cos(angle) - radius) + np.random.default_rng(5).normal(0, noise, len(s))
    stretch = reading(s, GAP, edge=edge, panel_on_left=on_left, curved=True)
    low, high = np.full(len(s), 4.0), np.full(len(s), 5.0)
    trim = trim_line(s, edge, np.full(len(s), GAP), low, high)
    spans = (TrimSpan("not measured", *map(float, hole), 0.0, float(hole[0])),) if hole[1] else ()
    trim = replace(trim, remove_mm=np.full(len(s), remove), spans=spans)
    stages = (StagePrediction(stage="as measured", reading=stretch, verdict=None),)
    plan = StretchPlan(seam="x", photo="x.jpg", stages=stages, trim=trim, finish=None, lower_mm=low, upper_mm=high)
    return stretch_drawing(plan, "panel", marks, rules), own, bend


def about(points, radius):
    """How far points lie from the circle of a radius that fits them best [mm]: its centre alone is free."""
    x, y = np.asarray(points).T
    high = y.mean() + radius
    fits = [
        least_squares(lambda c: np.hypot(x - c[0], y - c[1]) - radius, (x.mean(), start)).fun
        for start in (high, high - 2 * radius)
    ]
    return min(fits, key=np.ptp)


@pytest.mark.parametrize("radius", [300.0, 400.0, 600.0, 2000.0, 1e7])
@pytest.mark.parametrize("inside", [True, False])
@pytest.mark.parametrize("on_left", [True, False])
def test_punch_marks_lie_on_the_sheet_as_in_the_metal(radius, inside, on_left):
    sheet, own, bend = drawing(radius, inside, on_left=on_left)
    one, two = ((m.x, m.y) for m in sheet.marks)
    # Both marks lie on the circle of the edge less 30 mm, as many radians apart as the stations are.
    in_the_metal = 2 * (own - bend * IN) * np.sin(APART / 2 / radius)
    assert np.hypot(two[0] - one[0], two[1] - one[1]) == pytest.approx(in_the_metal, abs=0.1)
    assert sheet.marks_apart_mm == pytest.approx(in_the_metal, abs=0.1)


def test_the_issues_own_figures():
    """R 600 mm, marks 30 mm in and 210 mm apart: 197.7 mm in the metal."""
    assert drawing(600.0, True)[0].marks_apart_mm == pytest.approx(197.7, abs=0.1)


@pytest.mark.parametrize("radius", [300.0, 400.0, 600.0, 2000.0])
@pytest.mark.parametrize("inside", [True, False])
def test_edge_new_line_and_ticks_follow_the_arc(radius, inside):
    sheet, own, bend = drawing(radius, inside, noise=0.0)
    (present,), (new,) = sheet.present, sheet.scribe
    assert np.abs(about(present, own)).max() < 0.05
    assert np.abs(about(new, own - bend * 0.8)).max() < 0.05
    # Ticks point to the centre of the arc: their inner ends lie on a circle too, and 25 mm of seam are 25 mm.
    start, stop = (np.array([tick[k] for tick in sheet.ticks if np.ptp(tick, axis=0).max() < 10]) for k in (0, 1))
    assert np.abs(about(start, own - bend * 2.0)).max() < 0.05
    assert np.abs(about(stop, own - bend * 9.0)).max() < 0.05
    steps = np.hypot(*np.diff([t[0] for t in sheet.ticks], axis=0).T)
    assert steps == pytest.approx(2 * (own - bend * 2.0) * np.sin(12.5 / radius), abs=0.05)


def test_marks_in_a_hole_and_beyond_the_photo():
    outside = (punch("punch 1", -40.0), punch("punch 2", 120.0))
    sheet, own, bend = drawing(400.0, True, marks=outside, hole=(100, 140))
    assert sheet.marks_apart_mm == pytest.approx(2 * (own - bend * IN) * np.sin(80 / 400.0), abs=0.2)


def test_a_mark_far_from_the_photo_is_left_out():
    sheet, *_ = drawing(400.0, True, marks=(*MARKS, punch("far", 400.0)))
    assert [m.text for m in sheet.marks] == ["punch 1", "punch 2"]


def test_lines_do_not_reach_over_a_hole():
    sheet, *_ = drawing(400.0, True, hole=(100, 140))
    for lines in (sheet.present, sheet.scribe):
        assert len(lines) == 2
        assert max(np.hypot(*np.diff(line, axis=0).T).max() for line in lines) < 2


def test_a_template_that_does_not_fit_its_marks_is_refused():
    sheet, *_ = drawing(600.0, True)
    sheet.check()
    replace(sheet, measured_apart_mm=197.5).check()
    with pytest.raises(GapvisionError, match=r"197\.[67]\d mm .* 208\.90 mm") as caught:
        replace(sheet, measured_apart_mm=208.9).check()
    assert caught.value.code == "template-marks-differ"
    bare, *_ = drawing(600.0, True, marks=MARKS[:1])
    with pytest.raises(GapvisionError, match="one mark") as caught:
        replace(bare, measured_apart_mm=208.9).check()
    assert caught.value.code == "template-marks-differ"


def test_depths_and_the_safe_line():
    sheet, own, bend = drawing(400.0, True, noise=0.0, rules=TrimRules(safe_limit=((0.0, 3.0),)))
    assert {d.text for d in sheet.depths} == {"0.80"}
    assert len(sheet.depths) == len(sheet.ticks) == 10
    (safe,) = sheet.safe
    assert np.abs(about(safe, own - bend * 3.0)).max() < 0.05
    assert drawing(400.0, True)[0].safe == ()
    assert {d.text for d in drawing(400.0, True, remove=-0.3)[0].depths} == {"+0.30"}


def test_a_hole_is_written_on_the_sheet():
    depths = drawing(400.0, True, hole=(110, 140))[0].depths
    assert [d.text for d in depths if not d.text[0].isdigit()] == ["not measured: leave"]
    assert len(depths) == 11 - 1 + 1  # a tick each 25 mm from 0 to 250, but for the one at 125 mm
