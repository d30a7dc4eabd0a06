"""Verdicts: spans, lengths, checks of the seam as a whole."""

import math
from dataclasses import replace

import numpy as np
import pytest

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.geometry.leaving_out import leave_out
from gapvision.judgement import (
    form_checks,
    judge_gap,
    judge_measurement,
    judge_reading,
    laid_on,
    mirror,
    opposite_check,
    simple_spec,
)
from gapvision.judgement.linear import slope, window_jump_factor, window_jumps
from gapvision.judgement.tolerance import outcome, taper_u
from gapvision.model import HOLE, IN, OPEN, OUT, DecisionRule, LeftOut, Notice, Straightness
from gapvision.words import MM

from ._panels import reading, spec

S = np.arange(0.0, 200.0)
U = np.full(200, 0.1)


def why(verdict):
    return words.reasons(verdict.reasons, verdict.checks, MM)


def test_known_worst_and_spans():
    gap = np.full(200, 4.76)
    gap[50:60] = 4.0
    gap[55] = 3.9
    gap[120:130] = 5.21
    v = judge_gap(S, gap, U, spec())
    assert v.state == OUT
    assert [(x.state, x.from_mm, x.to_mm, x.side) for x in v.spans] == [
        (IN, 0, 49, ""),
        (OUT, 50, 59, "tight"),
        (IN, 60, 119, ""),
        (OPEN, 120, 129, "wide"),
        (IN, 130, 199, ""),
    ]
    assert (v.worst.worst_at_mm, v.worst.worst_mm, v.worst.side) == (55, 3.9, "tight")
    assert v.worst.excess_mm == pytest.approx(4.26 - 3.9)
    assert (v.in_mm, v.out_mm, v.open_mm, v.hole_mm) == (180, 10, 10, 0)
    assert "out of tolerance along 10 mm" in why(v)[0]


def test_holes_stop_a_proof_only_when_long():
    gap = np.full(200, 4.76)
    few = np.ones(200, bool)
    few[100:104] = False
    assert judge_gap(S[few], gap[few], U[few], spec()).state == IN
    few[100:120] = False
    v = judge_gap(S[few], gap[few], U[few], spec())
    assert (v.state, v.hole_mm) == (OPEN, 20)
    assert next(x for x in v.spans if x.state == HOLE).from_mm == 99.5
    assert "20 mm of the seam were not measured." in why(v)
    nan = gap.copy()
    nan[100:120] = np.nan
    assert judge_gap(S, nan, U, spec()).hole_mm == 20


@pytest.mark.parametrize("missing", [(0, 20), (60, 80), (220, 240)])
def test_a_hole_of_a_seam_that_closes_counts_wherever_its_stations_begin(make_measurement, missing):
    """Stations of a seam that closes count from the first that was measured: a hole there lies behind the last."""
    n, spacing, (low, high) = 240, 2 * np.pi * 38 / 240, missing
    one = make_measurement(np.full(n, 4.76))
    keep = np.delete(np.arange(n), np.arange(low, high))
    s = spacing * (keep - keep[0])
    closed = replace(one.profile.picked(keep, s_mm=s), spacing_mm=spacing, own_line=True, round_mm=n * spacing)
    whole = replace(one.profile, s_mm=spacing * np.arange(n), spacing_mm=spacing, own_line=True, round_mm=n * spacing)
    wanted = simple_spec(4.76, 0.5, 0.5)
    assert judge_measurement(replace(one, profile=whole), wanted).state == IN
    measured = replace(one, profile=closed)
    v = judge_measurement(measured, wanted)
    assert (v.state, v.hole_mm) == (OPEN, pytest.approx(20 * spacing, abs=1e-3))
    told = outcome(measured, wanted)
    assert (told.state, told.spans) == (v.state, v.spans)


def test_seam_longer_than_the_photo_is_not_proven():
    v = judge_gap(S, np.full(200, 4.76), U, spec(length_mm=600.0))
    assert (v.state, v.hole_mm) == (OPEN, 600 - 199)


def test_a_verdict_says_rule_u_and_coverage_factor():
    text = words.verdict_sentence(judge_gap(S, np.full(200, 4.76), U, spec(), DecisionRule(name="risk", risk=0.1)), MM)
    assert "risk 10 %" in text
    assert "0.10 mm" in text
    assert "k = 2" in text


def test_no_station():
    with pytest.raises(GapvisionError) as caught:
        judge_gap(S, np.full(200, np.nan), U, spec())
    assert caught.value.code == "nothing-to-judge"


def test_hopeless_u_is_said():
    v = judge_gap(S, np.full(200, 4.76), 8 * U, spec())
    assert v.state == OPEN
    assert any("U is so large" in r for r in why(v))


def test_taper_is_judged_beside_the_wanted_taper():
    tapered = spec(taper_mm_per_m=1.0)
    one = reading(S, 4.76 + 0.003 * S)
    check = form_checks(one, tapered, DecisionRule())[0]
    assert check.value == pytest.approx(3.0)
    assert check.state == OUT
    wanted = spec_with_points(tapered)
    assert form_checks(one, wanted, DecisionRule(name="simple"))[0].value == pytest.approx(0.0, abs=1e-9)


def spec_with_points(base):
    from dataclasses import replace

    from gapvision.model import NominalPoint

    return replace(base, nominal=(NominalPoint(0.0, 4.76), NominalPoint(200.0, 5.36)))


def test_slope_and_its_uncertainty_against_monte_carlo():
    # Errors with a correlation of 80 mm: the worst of the lengths tried must not be smaller than their scatter.
    rng = np.random.default_rng(3)
    root = np.linalg.cholesky(np.exp(-np.abs(S[:, None] - S[None]) / 80) + 1e-10 * np.eye(200))
    found = [slope(S, 0.05 * root @ rng.normal(size=200), np.full(200, 0.05))[0] for _ in range(400)]
    claimed = slope(S, S * 0, np.full(200, 0.05))[1]
    assert np.std(found) <= 1.05 * claimed <= 1.6 * np.std(found)


def test_slope_of_independent_points_by_the_textbook():
    # sd of a least-squares slope, N equally spaced points: sd sqrt(12 / (N (N^2 - 1))) per spacing
    from gapvision.judgement.linear import functional_std

    s = np.arange(50.0) * 1000  # so far apart that no correlation is left
    c = s - s.mean()
    assert functional_std(c / (c @ c), s, np.full(50, 0.05)) * 1000 == pytest.approx(
        0.05 * math.sqrt(12 / (50 * 2499)), rel=0.05
    )


def test_step_between_neighbouring_windows():
    gap = 4.76 + np.where(S >= 100, 0.4, 0.0)
    at, step = window_jumps(S, gap, 1.0)
    i = int(np.argmax(np.abs(step)))
    assert (at[i], step[i]) == (100, pytest.approx(0.4))
    check = form_checks(reading(S, gap, 0.02), spec(jump_10_mm=0.3), DecisionRule())[0]
    assert (check.state, words.check_place(check, MM)) == (OUT, "at 100 mm")
    assert 0 < window_jump_factor(1.0) < math.sqrt(2)


def test_steps_skip_holes():
    keep = (S < 90) | (S > 115)
    at, _ = window_jumps(S[keep], S[keep] * 0, 1.0)
    assert not ((at > 88) & (at < 117)).any()


def form(zone, u=0.05, worst=None):
    return Straightness(
        min_zone_mm=zone,
        lsq_mm=zone,
        expanded_u_mm=u,
        span_mm=199,
        worst_100_mm=worst,
        worst_100_from_mm=None if worst is None else 30.0,
    )


def test_straightness_of_each_edge():
    one = reading(S, 4.76, panel_straightness=form(0.4, worst=0.2), neighbour_straightness=form(0.52, worst=0.4))
    checks = form_checks(one, spec(straightness_mm=0.5, straightness_100_mm=0.3), DecisionRule())
    assert [c.state for c in checks] == [IN, IN, OPEN, OUT]
    assert words.check_place(checks[3], MM) == "from 30 to 130 mm"
    assert judge_reading(one, spec(straightness_mm=0.5, straightness_100_mm=0.3)).state == OUT


def test_flush_is_a_check_where_it_was_measured():
    one = reading(S, 4.76, step_mm=-0.7, step_u_mm=0.1)
    assert form_checks(one, spec(step_mm=0.5), DecisionRule())[0].state == OUT
    assert form_checks(reading(S, 4.76), spec(step_mm=0.5), DecisionRule()) == []


def test_opposite_side_mirrored():
    left = reading(S, 4.5 + 0.002 * S)
    right = reading(S, (4.5 + 0.002 * S)[::-1])
    assert opposite_check(left, mirror(right), 0.5, DecisionRule()).value == pytest.approx(0)
    check = opposite_check(left, right, 0.2, DecisionRule())
    assert abs(check.value) == pytest.approx(0.398)
    assert check.expanded_u == pytest.approx(math.hypot(0.1, 0.1))
    assert check.state == OUT
    assert judge_reading(left, spec(opposite_mm=0.2), opposite=right).state == OUT


def other_side(gap, first, u=0.12, form=0.1):
    """A seam whose gap is a function of the place on the car [mm], as a photo of its own counts and turns it."""
    s = np.arange(250.0)
    noise = np.random.default_rng(int(first)).normal(0, 0.01, 250)
    along = reading(s, gap(first + s) + noise, u, edge=form * np.sin((first + s) / 30))
    return along, mirror(along)


def wavy(x):
    return 4.76 + 0.45 * np.sin(x / 23) + 0.3 * np.exp(-(((x - 330) / 12) ** 2))


@pytest.mark.parametrize("apart", [0.0, 30.0, -45.0])
def test_equal_sides_photographed_apart_are_equal(apart):
    left, _ = other_side(wavy, 200.0)
    _, right = other_side(wavy, 200.0 + apart)
    verdict = judge_reading(left, spec(4.76, 2, 2, opposite_mm=0.6), opposite=laid_on(right, left))
    (check,) = verdict.checks
    assert check.state == IN
    assert abs(check.value) < 0.1 + check.expanded_u


def test_the_doubt_of_the_place_is_in_u_where_nothing_tells_it():
    # A plain taper looks alike everywhere: 30 mm further on the same seam is 0.3 mm wider, and that proves nothing.
    left, _ = other_side(lambda x: 4.0 + x / 100, 200.0, form=0.0)
    _, right = other_side(lambda x: 4.0 + x / 100, 230.0, form=0.0)
    laid = laid_on(right, left)
    check = opposite_check(left, laid, 0.25, DecisionRule())
    assert check.state == OPEN
    assert check.expanded_u > 0.3
    assert check.value == pytest.approx(-0.3, abs=0.08)


def test_a_side_that_differs_is_still_out():
    left, _ = other_side(wavy, 200.0)
    _, right = other_side(lambda x: wavy(x) + 1.2, 230.0)
    assert opposite_check(left, laid_on(right, left), 0.6, DecisionRule()).state == OUT


def test_opposite_that_does_not_overlap():
    with pytest.raises(GapvisionError) as caught:
        opposite_check(reading(S, 4.76), reading(S + 1000, 4.76), 0.5, DecisionRule())
    assert caught.value.code == "opposite-does-not-overlap"


def test_mirror_twice_is_nothing():
    one = reading(S[:50], np.linspace(4, 5, 50))
    again = mirror(mirror(one))
    assert np.array_equal(again.gap_mm, one.gap_mm)
    assert again.panel_on_left == one.panel_on_left


def runs_of(gap, keep=None):
    keep = np.ones(200, bool) if keep is None else keep
    return [(words.span_state(x), x.from_mm, x.to_mm) for x in judge_gap(S[keep], gap[keep], U[keep], spec()).marked]


def test_crumbs_are_joined_but_not_over_a_hole():
    gap = np.full(200, 4.76)
    gap[50:60] = gap[63:70] = gap[80:90] = 5.2
    assert runs_of(gap) == [(OPEN, 50, 69), (OPEN, 80, 89)]
    found = runs_of(gap, (S < 60) | (S > 62))
    assert found == [(OPEN, 50, 59), (HOLE, 59.5, 62.5), (OPEN, 63, 69), (OPEN, 80, 89)]


def test_a_proven_run_swallows_short_doubt_but_none_disappears():
    gap = np.full(200, 4.76)
    gap[50:60] = gap[62:70] = 5.6
    gap[60:62] = 5.3  # not proven for 2 mm
    gap[100:130] = 5.3
    gap[115] = 5.9  # one station proven amid doubt stays visible
    assert runs_of(gap) == [("too wide", 50, 69), (OPEN, 100, 114), ("too wide", 115, 115), (OPEN, 116, 129)]
    v = judge_gap(S, gap, U, spec())
    assert (v.out_mm, v.open_mm) == (19, 31), "lengths count stations, each in its own state"


def test_a_large_u_does_not_hide_the_station_that_is_proven_out():
    gap, u = np.full(200, 4.76), U.copy()
    gap[30], gap[90], u[90] = 5.6, 6.0, 2.0
    assert judge_gap(S, gap, u, spec()).worst.worst_at_mm == 30


@pytest.mark.parametrize(("rule", "state"), [("proven", OPEN), ("simple", IN)])
def test_a_gap_on_the_limit_itself_is_inside(rule, state):
    # 4.1 + 0.1 + 0.1 is not 4.3 to a computer.
    limit = simple_spec(4.1, 0.2, 0.2)
    assert judge_gap(S, np.full(200, 4.1 + 0.1 + 0.1), U, limit, DecisionRule(name=rule)).state == state


def test_a_photo_is_judged_by_its_own_stations_with_its_notices(make_measurement):
    from dataclasses import replace

    measured = make_measurement(hole=(0, 19), notices=[Notice(code="strip-lifted")])
    wanted = replace(spec(straightness_mm=0.02), length_mm=240.0)
    v = judge_measurement(measured, wanted)
    assert v.s_mm[0] == 20
    assert v.spans[0].state == HOLE, "its start was not measured"
    assert v.state == OUT
    assert [c.state for c in v.checks] == [OUT, OUT]
    assert v.notices == measured.notices


@pytest.mark.parametrize(
    ("gap", "said"),
    [
        (5.26 + 0.11, "too wide"),
        (5.26 + 0.09, OPEN),
        (5.26 - 0.09, OPEN),
        (5.26 - 0.11, IN),
        (4.26 + 0.11, IN),
        (4.26 + 0.09, OPEN),
        (4.26 - 0.09, OPEN),
        (4.26 - 0.11, "too tight"),
    ],
)
def test_state_at_the_limits(gap, said):
    assert [words.span_state(x) for x in judge_gap(S, np.full(200, gap), U, simple_spec(4.76, 0.5, 0.5)).spans] == [
        said
    ]


@pytest.mark.parametrize(("at", "told"), [((-5, 29), (0, 30)), ((100, 130), (99.5, 130.5)), ((210, 1e9), (209, 239))])
def test_what_a_person_left_out_is_not_measured_wherever_it_lies(make_measurement, at, told):
    """The worst station may lie there; at an end nothing of the photo beyond it would tell."""
    gap = np.where((np.arange(240) >= at[0]) & (np.arange(240) <= at[1]), 3.0, 4.76)
    seam = leave_out(make_measurement(gap_mm=gap), (LeftOut(from_mm=at[0], to_mm=at[1], reason="handle"),))
    verdict = judge_measurement(seam, simple_spec(4.76, 0.5, 0.5))
    holes = [(x.from_mm, x.to_mm) for x in verdict.spans if x.state == HOLE]
    assert (verdict.state, holes) == (OPEN, [told])
    assert verdict.hole_mm == pytest.approx(told[1] - told[0], abs=2)
    assert outcome(seam, simple_spec(4.76, 0.5, 0.5)).state == OPEN


def test_the_tapers_u_is_that_of_a_line_through_stations_that_err_as_one(make_measurement):
    """JCGM 100, 5.2.2: errors that are alike along a stretch leave more doubt in a slope than independent ones, and
    never more than ends that err apart: for n stations over L, 2 u sqrt(12 / n) / L at least, 2 * 2 u / L at most."""
    m = make_measurement(u_mm=0.1)
    told = taper_u(m)
    assert 1000 * 0.1 * math.sqrt(12 / 240) / 239 < told < 1000 * 2 * 0.1 / 239
    whole = replace(m, summary=replace(m.summary, taper_u_mm_per_m=0.33))
    assert taper_u(whole) == 0.33, "of a whole seam it is known better"
    assert ("taper", f"+0.0 mm per metre, U {told:.1f} mm per metre") in words.numbers(m, words.MM, told)
