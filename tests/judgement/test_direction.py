"""A wanted gap that runs along the seam: which way it runs, and where on it a photo lies.

The truth is the seam itself, 1,000 mm long, a quarter of an inch at the front and an eighth at the rear; photos are cut
out of it and turned round by hand.
"""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.errors import GapvisionError
from gapvision.formats.judgement_json import verdict_from_dict, verdict_to_dict
from gapvision.geometry.leaving_out import leave_out
from gapvision.judgement import (
    after_paint,
    judge_measurement,
    judge_reading,
    needed_u,
    panel_of,
    placed,
    preset,
    reading_from_measurement,
    ready_shape,
)
from gapvision.judgement.linear import slope
from gapvision.judgement.tolerance import outcome
from gapvision.model import HOLE, IN, OPEN, OUT, Coat, FinishPlan, LeftOut, PanelLayout, SeamLayout
from gapvision.words import MM, needs
from gapvision.workshop import compare_measurements
from tests.conftest import hand_made_measurement

from ._panels import reading, spec

FRONT, REAR, LONG = 6.35, 3.175, 1000.0  # 1/4 and 1/8 in
PERIOD = replace(preset("door-period"), taper_mm_per_m=None, length_mm=LONG)


def true_gap(from_front):
    return FRONT + (REAR - FRONT) * from_front / LONG


def photo(from_front, reverse):
    """240 stations of the seam; its strip may have been laid the other way round."""
    gap = true_gap(from_front + np.arange(240.0))
    return hand_made_measurement(gap[::-1] if reverse else gap, np.full(240, 0.1), None, [])


@pytest.mark.parametrize("reverse", [False, True])
@pytest.mark.parametrize("at", [0.0, 120.0, 760.0])
def test_a_strip_laid_the_other_way_round_changes_nothing(at, reverse):
    one = photo(at, reverse)
    told = replace(PERIOD, photo_at_mm=at, photo_reverse=reverse)
    v = judge_measurement(one, told)
    assert v.gap_mm == pytest.approx(v.nominal_mm, abs=1e-4)
    assert OUT not in v.states
    wrong = judge_measurement(one, replace(told, photo_reverse=not reverse))
    assert np.abs(wrong.gap_mm - wrong.nominal_mm).max() > 0.3
    # What of the seam the photo does not show is not measured, wherever it lies.
    assert sum(x.length_mm for x in v.spans if x.state == HOLE) == pytest.approx(LONG - 239, abs=1)
    coats = FinishPlan(coats=(Coat(kind="x", stage=3, coats=1, film_um=(100.0, 100.0), stays=(1.0, 1.0)),))
    assert after_paint(v, told, coats).set_now_mm == pytest.approx(v.nominal_mm + 0.2)


@pytest.mark.parametrize("reverse", [False, True])
@pytest.mark.parametrize("left_out", [[(0, 40)], [(200, 239)], [(-9, 30), (20, 60), (220, 1e9)], [(300, 340)]])
@pytest.mark.parametrize("length", [LONG, None])
def test_what_was_left_out_at_an_end_moves_the_photo_nowhere(reverse, left_out, length):
    """Stations keep their numbers, so each keeps its wanted gap; a span beyond the stations leaves nothing out."""
    one, told = photo(120.0, reverse), replace(PERIOD, photo_at_mm=120.0, photo_reverse=reverse, length_mm=length)
    rest = one
    for start, stop in left_out:
        rest = leave_out(rest, (LeftOut(from_mm=start, to_mm=stop, reason="handle"),))
    whole, v = judge_measurement(one, told), judge_measurement(rest, told)
    stays = np.isin(whole.s_mm, v.s_mm)
    assert stays.sum() == len(v.s_mm)
    for name in ("nominal_mm", "lower_mm", "upper_mm"):
        assert getattr(v, name) == pytest.approx(getattr(whole, name)[stays])
    assert v.states == tuple(np.array(whole.states)[stays])
    brief = outcome(rest, replace(told, taper_mm_per_m=None, jump_10_mm=None, straightness_mm=None,
                                  straightness_100_mm=None, step_mm=None))  # fmt: skip
    assert (brief.in_mm, brief.out_mm) == (v.in_mm, v.out_mm)
    assert verdict_from_dict(verdict_to_dict(v, told, stations=False), rest).states == v.states
    coats = FinishPlan(coats=(Coat(kind="x", stage=3, coats=1, film_um=(100.0, 100.0), stays=(1.0, 1.0)),))
    now = after_paint(v, told, coats)
    assert now.set_now_mm == pytest.approx(v.nominal_mm + 0.2)
    assert now.verdict.nominal_mm == pytest.approx(v.nominal_mm)


@pytest.mark.parametrize("reverse", [False, True])
@pytest.mark.parametrize("at", [(0, 40), (200, 239)])
def test_nor_does_it_on_a_panel_or_a_car(reverse, at):
    one = photo(120.0, reverse)
    rest = leave_out(one, (LeftOut(from_mm=at[0], to_mm=at[1], reason="handle"),))
    whole, cut = (reading_from_measurement(m, "rear", at_mm=120.0, reverse=reverse) for m in (one, rest))
    stays = np.isin(whole.s_mm, cut.s_mm)
    assert stays.sum() == len(cut.s_mm) == 239 - (at[1] - at[0])
    assert cut.gap_mm == pytest.approx(whole.gap_mm[stays])


@pytest.mark.parametrize("reverse", [False, True])
def test_before_and_after_are_held_to_what_is_wanted_there(reverse):
    """The seam as it should be, then 0.6 mm wide of it: worse everywhere; nobody knows where its place was not said."""
    one = photo(700.0, reverse)
    wide = replace(one, profile=replace(one.profile, gap_mm=one.profile.gap_mm + 0.6))
    rest = leave_out(one, (LeftOut(from_mm=0, to_mm=60, reason="handle"),))
    for before in (one, rest):
        told = replace(PERIOD, photo_at_mm=700.0, photo_reverse=reverse)
        both = compare_measurements(before, wide, nominal_mm=told, one_seam=True)
        assert (both.better_mm, both.worse_mm) == (0, len(both.s_mm))
        assert compare_measurements(before, wide, nominal_mm=PERIOD).worse_mm is None
        assert compare_measurements(before, wide, nominal_mm=replace(told, length_mm=300.0)).worse_mm is None


def test_it_is_never_laid_on_one_photo_as_if_that_were_the_whole():
    with pytest.raises(GapvisionError) as caught:
        judge_measurement(photo(0.0, False), PERIOD)
    assert caught.value.code == "photo-place-unknown"
    with pytest.raises(GapvisionError, match="would reach from 900 to 1139 mm of a seam of 1000 mm"):
        judge_measurement(photo(0.0, False), replace(PERIOD, photo_at_mm=900.0))


def laid(shape, seam, runs):
    """What a panel wants along one of its seams at its start and its end."""
    known = ready_shape(shape)
    places = known.places(1000.0, LONG)
    one = placed(reading(np.arange(100.0, 900.0, 10.0), 4.76, seam=seam), places[seam], (500.0, 500.0))
    layout = PanelLayout(name=shape, seams=(), centre=(500.0, 500.0), words=known.directions)
    wanted = replace(PERIOD, direction=runs, length_mm=None)
    made = panel_of(layout, [(SeamLayout(name=seam, place=places[seam], spec=None), wanted, [one])])
    return [p.gap_mm for p in made.seams[0].spec.nominal]


def test_a_seam_has_a_direction_of_its_own():
    assert laid("door", "sill", "front to rear") == [FRONT, REAR]
    assert laid("door", "sill", "rear to front") == [REAR, FRONT]
    assert laid("door", "rear", "bottom to top") == [REAR, FRONT]  # runs downwards
    assert laid("bonnet", "left", "front to rear") == [FRONT, REAR]
    assert laid("boot lid", "rear", "right to left") == [REAR, FRONT]
    with pytest.raises(GapvisionError, match="leads down from its start, but its specification runs front to rear"):
        laid("door", "front", "front to rear")


def test_taper_is_judged_over_the_length_that_it_is_meant_for():
    """A perfect, even seam with U 0.165 mm was 'not proven' because the taper's U over 250 mm is 1.03 mm/m."""
    flat, close = reading(np.arange(251.0), 4.7625, u=0.165), preset("even-close")
    v = judge_reading(flat, close)
    taper = next(c for c in v.checks if c.kind == "taper")
    assert v.state == IN
    assert (taper.state, taper.over_mm) == (HOLE, 600.0)
    assert judge_reading(flat, replace(close, taper_over_mm=None)).state == OPEN
    s = np.arange(601.0)
    long = reading(s, 4.5 + 0.0012 * s, u=0.05)
    assert next(c.state for c in judge_reading(long, close).checks if c.kind == "taper") == OUT


def test_what_u_a_specification_needs_is_what_its_verdict_then_asks_for():
    wanted = spec(4.76, 0.5, 0.5, taper_mm_per_m=1.0, taper_over_mm=600.0)
    need = needed_u(wanted).first
    s = np.linspace(0, 600, 200)
    assert need.kind == "taper"
    _, std = slope(s, np.full(200, 4.76), np.full(200, need.most_mm / 2))
    assert 2 * std == pytest.approx(1.0, rel=0.02)
    assert needed_u(spec(4.76, 0.4, 0.6)).first.most_mm == pytest.approx(0.5)
    assert needed_u(spec(4.76, 0.4, 0.6)).first.advised_mm == pytest.approx(0.25)
    told = " ".join(needs(needed_u(spec(4.76, 0.5, 0.5)), MM))
    assert "U of at most 0.25 mm" in told
    assert "lit from behind" in told
    assert "No way of measuring" in " ".join(needs(needed_u(spec(4.76, 0.1, 0.1)), MM))
