"""Sentences in the unit wanted: every number by hand, names never converted."""

import json
from dataclasses import replace

import numpy as np
import pytest

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.formats.judgement_json import told_verdict, verdict_from_dict, verdict_to_dict
from gapvision.judgement import forecast, judge_measurement, judge_reading
from gapvision.judgement.specification import simple_spec
from gapvision.model import (
    Coat,
    Comparison,
    Datum,
    EdgeAlone,
    EdgeProfile,
    FinishPlan,
    Notice,
    PointMove,
    SeamReading,
    SeenPhoto,
    Straightness,
    TrimRow,
    TrimSpan,
)
from gapvision.words import MM, Lengths

IN, FRACTION = Lengths("in"), Lengths("fraction")
WAYS = ("to the right", "to the left", "to the front", "to the rear")
S = np.arange(0.0, 100.0)


def moved(x=0.0, y=0.0, out=0.0, name="hinge (M8 x 25 mm)"):
    return PointMove(name=name, kind="hinge", xy=(0, 0), x_mm=x, y_mm=y, out_mm=out)


@pytest.mark.parametrize(
    ("point", "say", "said"),
    [
        (moved(x=-0.94), MM, "0.94 mm (0.037 in) to the left"),
        (moved(x=1.6, out=-0.4), MM, "1.60 mm (1/16 in full) to the right, 0.40 mm (1/64 in) in"),
        (moved(y=2.3, out=0.006), FRACTION, "3/32 in scant (2.30 mm) to the front"),
        (moved(y=-2.3), IN, "0.091 in (2.30 mm) to the rear"),
        (moved(x=0.004), FRACTION, "leave as it is"),  # what is not told is left, not moved by 0 in
    ],
)
def test_moves(point, say, said):
    assert words.point_move(point, WAYS, say) == said


def test_edges_to_change():
    cut = TrimSpan(action="remove", from_mm=20, to_mm=54, largest_mm=0.31, largest_at_mm=40)
    assert words.trim_span(cut, MM) == "remove up to 0.31 mm (0.012 in) from 20 to 54 mm"
    assert words.trim_span(cut, FRACTION) == "remove up to 0.012 in (0.31 mm) from 25/32 to 2 1/8 in"
    row = TrimRow(s_mm=25, gap_mm=4.5, new_gap_mm=4.8, remove_mm=-0.3, action="add")
    assert words.trim_row(row, "cut", IN) == "add 0.012 in (0.30 mm)"
    assert words.trim_row(replace(row, remove_mm=0.0, action="leave"), "cut", IN) == "leave"


def finished(film_um, allow=0.5):
    coats = (Coat(kind="all", stage=3, coats=1, film_um=film_um, stays=(1.0, 1.0)),)
    spec, plan = simple_spec(4.7625, allow, allow), FinishPlan(coats=coats, smallest_gap_mm=3.0, movement_mm=0.5)
    return forecast(S, np.full(100, 4.9), np.full(100, 0.05), spec, plan)


def test_the_paint_is_never_lost_in_a_fraction():
    """Wanted 3/16 in = 4.7625 mm, limits 4.2625 and 5.2625 mm; film of 0.07 to 0.10 mm on both edges, taken as 0.17."""
    future = finished((70.0, 100.0))
    film, now, chips = words.forecast(future, FRACTION)
    assert (
        film
        == "The coats still to come take 0.006 to 0.008 in (0.14 to 0.20 mm) from the gap, taken as 0.007 in (0.17 mm)."
    )
    # Set 4.9325 mm, between 4.2625 + 0.20 = 4.4625 and 5.2625 + 0.14 = 5.4025 mm: 11.24 and 13.61 64ths.
    assert now.startswith("Gap to set now: 0.194 in (4.93 mm). Within 3/16 to 13/64 in (exactly 4.47 to 5.40 mm) the")
    assert "4.93 mm (0.194 in). Within 4.47 to 5.40 mm (0.176 to 0.212 in)" in words.set_now(future, MM)
    assert chips == "Chipping: every finished gap is proven above 9/64 in (exactly 3.50 mm)."  # 8.82 / 64: up, not down


def test_no_gap_to_set_is_named_where_none_is_sure():
    assert "none is sure" in words.set_now(finished((100.0, 400.0), allow=0.25), MM)


def test_forms():
    edge = Straightness(min_zone_mm=0.31, lsq_mm=0.35, expanded_u_mm=0.05, span_mm=239.0, worst_100_mm=0.2,
                        worst_100_from_mm=20.0)  # fmt: skip
    assert words.form(edge, MM) == (
        "straight within 0.31 mm over 239 mm, U 0.05 mm; worst 100 mm: 0.20 mm, from 20 to 120 mm"
    )
    assert words.form(edge, IN) == (
        "straight within 0.012 in (0.31 mm) over 9.41 in, U 0.002 in (0.05 mm); worst 3.94 in (100 mm): "
        "0.008 in (0.20 mm), from 0.79 to 4.72 in"
    )
    assert words.form(None, IN) == "too little of it could be trusted"


def test_how_profiles_were_laid():
    laid = Datum(kind="strip", named="A and B", shift_mm=0.0, std_u_mm=0.6)
    assert words.datum(laid) == "strip A and B, in the same place at both"
    assert words.datum(replace(laid, guessed=True)).startswith("the strips, taken to lie in about the same place")


def test_a_change_tells_only_what_there_is_and_a_doubtful_place_in_words():
    """20 mm of standard uncertainty are 40 mm with k = 2, which is 1.57 in."""
    laid = Datum(kind="strip", named="A", shift_mm=-0.08, std_u_mm=20.0, guessed=True)
    z = np.zeros(3)
    c = Comparison(
        datum=laid, mirrored=False, s_mm=z, before_mm=z, after_mm=z, change_mm=z, expanded_u_mm=z, state=("",) * 3,
        mean_change_mm=-1.47, mean_u_mm=0.27, wider_mm=0.0, tighter_mm=253.0, unproven_mm=0.0, judged=None,
        better_mm=253.0, worse_mm=0.0, spans=(),
    )  # fmt: skip
    first, _, where, better = words.change(c, MM)
    assert first.endswith("is known to within 40 mm only (k = 2; shifted by -0.08 mm).")
    assert "known to within 1.57 in only" in words.change(c, IN)[0]
    assert (where, better) == ("Surely tighter along 253 mm.", "Surely nearer to the wanted gap along 253 mm.")
    sharp = replace(c, datum=replace(laid, std_u_mm=0.6), wider_mm=3.0, better_mm=0.0)
    first, _, where, none = words.change(sharp, MM)
    assert first.endswith("is known to within 1.20 mm (k = 2; shifted by -0.08 mm).")
    assert where == "Surely wider along 3 mm, surely tighter along 253 mm."
    assert none == "Nowhere surely nearer to the wanted gap, nor surely further from it."
    assert words.change(replace(sharp, worse_mm=9.0), MM)[-1] == "Surely further from the wanted gap along 9 mm."


NOTICES = {
    "line-not-possible": (
        {"line": "fair", "missed_mm": [[20.0, 54.0, 0.31, 40.0]]}, "from 0.79 to 2.13 in by up to 0.012 in"
    ),
    "film-thick": ({"film_um": [254.0, 330.2], "most_um": 300.0}, "10.0 to 13.0 mil (254 to 330 micrometres)"),
    "film-common-practice": ({"coats": ["base coat"]}, "film of base coat"),
    "edge-contradicted": (
        {"edge": "A", "kind": "rolled", "radius_mm": 2.54, "looks": "cut", "looks_radius_mm": 0.1},
        "rolled, radius 0.100 in (2.54 mm), but in the photo it looks cut",
    ),
    "step-contradicted": ({"stated_mm": -2.0, "seen_mm": 0.4}, "stand -0.079 in (-2.00 mm) above"),
    "known-stated": ({"edges": [["B", "cut", None]], "strip": "A", "step_mm": 0.5, "step_u_mm": 0.2}, "U 0.008 in"),
}  # fmt: skip


@pytest.mark.parametrize("code", NOTICES)
def test_notices_tell_their_values_in_the_unit_wanted(code):
    values, said = NOTICES[code]
    message, advice = words.notice(Notice(code=code, values=values), IN)
    assert said in message
    assert advice


@pytest.mark.parametrize("values", [{"edges": "x"}, {"edges": [[1]], "strip": "A"}, {"step_mm": "10" * 9}])
def test_what_a_file_holds_in_place_of_values_leaves_its_sentence(values):
    assert words.notice(Notice(code="known-stated", message="As written.", values=values), IN)[0] == "As written."


def test_files_keep_sentences_in_mm_and_the_values_beside():
    """So that a record of today is readable by any program, and can still be told in inches."""
    told = words.notice_dict(Notice(code="step-contradicted", values={"stated_mm": 2.0, "seen_mm": 0.4}))
    assert "+2.00 mm above face A" in told["message"]
    assert told["values"] == {"stated_mm": 2.0, "seen_mm": 0.4}
    assert set(words.notice_dict(Notice(code="tilt-large"))) == {"code", "message", "advice"}


# --- verdicts ------------------------------------------------------------------------------


def judged(**limits):
    gap = np.full(100, 4.7625)
    gap[20:30] = 5.4
    form = Straightness(min_zone_mm=0.62, lsq_mm=0.7, expanded_u_mm=0.05, span_mm=99.0)
    one = SeamReading(
        seam="rear", photo="1.jpg", s_mm=S, gap_mm=gap, expanded_u_mm=np.full(100, 0.1), panel_edge_mm=0 * S,
        xy_mm=np.zeros((0, 2)), outward=np.zeros((0, 2)), panel_straightness=form,
    )  # fmt: skip
    return judge_reading(one, replace(simple_spec(4.7625, 0.5, 0.5), **limits))


def test_reasons_and_limits_in_the_unit_wanted():
    v = judged(straightness_mm=0.5, taper_mm_per_m=1.25)
    told = {say.unit: words.reasons(v.reasons, v.checks, say) for say in (MM, IN, FRACTION)}
    assert told["mm"][0] == "The gap is out of tolerance along 10 mm."
    assert told["in"][0] == "The gap is out of tolerance along 0.39 in."
    form = "Straightness of this panel's edge"
    assert f"{form} (over 99 mm): 0.62 mm, U 0.05 mm, limit 0.50 mm: out of tolerance." in told["mm"]
    # 0.5 mm is 0.0197 in: a limit of 0.020 in would allow more than it.
    in_inch = f"{form} (over 3 29/32 in): 0.024 in (0.62 mm), U 0.002 in (0.05 mm), limit 0.019 in (0.50 mm)"
    assert f"{in_inch}: out of tolerance." in told["fraction"]
    assert words.check_values(v.checks[0], IN)[2] == "0.0150 in per foot (1.25 mm per metre)"
    assert "U is 0.10 mm or less at half of the stations" in words.verdict_sentence(v, MM)
    assert "U is 0.004 in (0.10 mm) or less at half" in words.verdict_sentence(v, IN)


def test_a_stored_verdict_can_be_told_in_inches_and_an_old_one_as_it_was_written(make_measurement):
    gap = np.full(240, 4.7625)
    gap[20:30] = 5.4
    measurement, spec = make_measurement(gap), replace(simple_spec(4.7625, 0.5, 0.5), straightness_mm=0.02)
    body = json.loads(json.dumps(verdict_to_dict(judge_measurement(measurement, spec), spec, stations=False)))
    assert body["reasons"][0] == "The gap is out of tolerance along 10 mm."
    assert body["checks"][0]["name"] == "straightness of this panel's edge"
    assert body["checks"][0]["where"] == "over 239 mm"
    again = verdict_from_dict(body, measurement)
    assert words.reasons(again.reasons, again.checks, IN)[0] == "The gap is out of tolerance along 0.39 in."
    assert words.check_place(again.checks[0], IN) == "over 9.41 in"
    del body["why"]
    for c in body["checks"]:
        for key in ("kind", "edge", "at_mm", "over_mm", "text"):
            del c[key]
    old = verdict_from_dict(body, measurement)
    assert words.reasons(old.reasons, old.checks, IN) == body["reasons"]
    assert words.check_name(old.checks[0]) == "straightness of this panel's edge (over 239 mm)"


def test_a_report_in_inches_tells_what_a_file_keeps_in_mm():
    v = judged(straightness_mm=0.5)
    body = json.loads(json.dumps(verdict_to_dict(v, stations=False)))
    sentence, why = told_verdict(body, FRACTION)
    assert sentence == words.verdict_sentence(v, FRACTION)
    assert why == words.reasons(v.reasons, v.checks, FRACTION)
    assert told_verdict(body, MM) == (body["sentence"], body["reasons"])
    for wrong in ({"why": [{"kind": "check", "number": 1e999}]}, {"checks": []}, {"rule": None}, {"u_mm": {}}):
        assert told_verdict(body | wrong, FRACTION) == (body["sentence"], body["reasons"])
    del body["why"]
    assert told_verdict(body, FRACTION) == (body["sentence"], body["reasons"])


def test_a_notice_of_a_file_is_told_in_inches_where_it_has_the_numbers():
    entry = words.notice_dict(Notice(code="film-thick", values={"film_um": [254.0, 330.2], "most_um": 300.0}))
    assert "10.0 to 13.0 mil" in words.notice_of(entry, IN)[0]
    for other in ({"code": "unheard-of"}, {"values": "x"}):
        assert words.notice_of(entry | other, IN) == (entry["message"], entry["advice"])


@pytest.mark.parametrize(
    "why",
    [
        [{"kind": "check", "number": 9}],
        [{"kind": "out"}],
        [{"kind": "none"}],
        [{"kind": "open", "length_mm": "x"}],
        "no",
    ],
)
def test_reasons_of_a_file_that_cannot_be_meant_are_refused(make_measurement, why):
    spec = simple_spec(4.7625, 0.5, 0.5)
    body = verdict_to_dict(judge_measurement(make_measurement(), spec), spec, stations=False) | {"why": why}
    with pytest.raises(GapvisionError) as caught:
        verdict_from_dict(body, make_measurement())
    assert caught.value.code == "stored-verdict-bad"


def test_a_closed_edge_says_where_its_stations_count_from():
    """Where the first stations are missing, station 0 is no longer the place nearest to the strip."""
    n, angle = 377, 2 * np.pi * np.arange(377) / 377
    way, spacing = np.stack([np.cos(angle), np.sin(angle)], 1), 2 * np.pi * 60 / 377
    whole = EdgeProfile(
        s_mm=spacing * np.arange(n), place_mm=60 * way, outward=-way, expanded_u_mm=np.full(n, 0.12),
        edge_px=600 * way, spacing_mm=spacing, round_mm=n * spacing,
    )  # fmt: skip
    photo = SeenPhoto(file="hole.jpg", sha256="0" * 64, width_px=4000, height_px=3000)
    edge = EdgeAlone(status="ok", notices=(), photo=photo, profile=whole)
    assert "Station 0 is the place nearest to strip A; stations run clockwise" in words.edge_line(edge, MM)
    told = words.edge_line(replace(edge, profile=whole.picked(np.arange(20, n))), MM)
    assert "Station 0 is the first place that was measured, from that nearest to strip A on" in told
