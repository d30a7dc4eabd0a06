"""The short verdict: state, the known worst place, and what to do next."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.judgement import judge_measurement, simple_spec
from gapvision.model import LeftOut, NominalPoint, Notice, Settings, Specification, Step
from gapvision.words import MM, at_a_glance


def glance(measurement, spec=None, rule=None):
    """The short verdict by a wanted gap of 4.76 +- 0.5 mm, or another specification."""
    return at_a_glance(measurement, judge_measurement(measurement, spec or simple_spec(4.76, 0.5, 0.5), rule), MM)


def gaps(**places):
    gap = np.full(240, 4.76)
    for at, value in places.items():
        gap[int(at[1:])] = value
    return gap


@pytest.mark.parametrize(
    ("gap", "hole", "state", "worst_at", "beyond"),
    [
        (gaps(s30=4.9, s90=4.5), None, "in", 90, -0.24),
        (gaps(s30=5.9, s90=3.2), None, "out", 90, 1.06),
        (gaps(s30=5.9), (100, 120), "out", 30, 0.64),
        (gaps(s60=5.22), None, "open", 60, -0.04),
        (gaps(s60=5.0), (100, 120), "holes", 60, -0.26),
    ],
    ids=["in", "tight is worse than wide", "out with a hole", "open", "in where measured"],
)
def test_state_and_worst(make_measurement, gap, hole, state, worst_at, beyond):
    said = glance(make_measurement(gap, hole=hole))
    assert said.state == state
    assert said.worst.worst_at_mm == worst_at
    assert said.worst.excess_mm == pytest.approx(beyond, abs=1e-6)
    assert said.next_step


def test_a_large_u_does_not_hide_the_station_that_is_proven_out(make_measurement):
    gap, u = gaps(s30=5.6, s90=6.0), np.full(240, 0.1)
    u[90] = 2.0
    said = glance(make_measurement(gap, u_mm=u))
    assert (said.state, said.worst.worst_at_mm) == ("out", 30)
    assert "0.34 mm too wide" in said.next_step


def test_not_proven_gives_the_measurements_own_advice(make_measurement):
    notice = Notice(code="step-unknown", advice="Lay a strip on each side of the seam.")
    said = glance(make_measurement(gaps(s60=5.22), notices=[notice]))
    assert said.next_step.endswith("Lay a strip on each side of the seam.")


def test_what_was_left_out_by_hand_is_called_left_out(make_measurement):
    m = make_measurement(gaps(s60=5.0), hole=(100, 120))
    m = replace(m, settings=replace(m.settings, left_out=(LeftOut(from_mm=100, to_mm=120, reason="door handle"),)))
    said = glance(m)
    assert (said.state, said.words) == ("holes", "In tolerance beside what was left out")
    assert "Left out: 100 to 120 mm (door handle)." in said.next_step
    assert "not measured" not in said.next_step


def test_without_a_tolerance_and_refused(make_measurement, make_refusal):
    assert at_a_glance(make_measurement(), None, MM).state == "measured"
    refused = make_refusal("strip-not-found")
    said = at_a_glance(refused, None, MM)
    assert (said.state, said.worst) == ("refused", None)
    assert said.next_step == refused.notices[0].advice


def running(first, last):
    """A wanted gap that runs from the seam's start to its end, allowed 0.5 mm either way."""
    return Specification(
        nominal=(NominalPoint(0.0, first), NominalPoint(239.0, last)), allow_below_mm=0.5, allow_above_mm=0.5,
        photo_at_mm=0.0,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("first", "last", "state", "worst_at", "beyond"),
    [
        (4.76, 4.76, "in", 0, -0.5),  # as the constant band says
        (4.56, 4.96, "in", 0, -0.3),  # 0.2 mm off at either end
        (4.76, 5.24, "open", 239, -0.02),  # 0.02 mm inside the limit at the end, U 0.1
        (4.26, 6.26, "out", 239, 1.0),  # wanted 1.5 mm more than there is
    ],
)
def test_a_wanted_gap_that_runs_along_the_seam_is_judged_where_it_is(
    make_measurement, first, last, state, worst_at, beyond
):
    measurement = make_measurement(gaps(), u_mm=np.full(240, 0.1))
    said = glance(measurement, running(first, last))
    assert (said.state, said.worst.worst_at_mm) == (state, worst_at)
    assert said.worst.excess_mm == pytest.approx(beyond, abs=1e-6)
    if first == last:
        assert (said.state, said.next_step) == (glance(measurement).state, glance(measurement).next_step)
    if state == "out":
        assert "1.00 mm too tight" in said.next_step


def test_another_limit_that_is_not_kept_is_named_as_the_reason(make_measurement):
    strict = replace(simple_spec(4.76, 0.5, 0.5), straightness_mm=0.02)
    said = glance(make_measurement(gaps()), strict)
    assert said.state == "out"
    assert (
        "Straightness of this panel's edge (over 239 mm): +0.10 mm, U 0.05 mm, limit 0.02 mm: out of tolerance."
        in said.next_step
    )
    assert "too wide" not in said.next_step
    assert "too tight" not in said.next_step
    # 0.10 mm, U 0.05, under a limit of 0.12 mm is not proven.
    said = glance(make_measurement(gaps()), replace(strict, straightness_mm=0.12))
    assert said.state == "open"
    assert "limit 0.12 mm" in said.next_step


def test_a_doubtful_photo_does_not_look_like_a_sure_one(make_measurement):
    notice = Notice(code="strip-lifted")
    said = glance(make_measurement(gaps(), notices=[notice]))
    assert said.words == "In tolerance, photo with warnings"
    assert said.next_step == f"{notice.message} {notice.advice}"


KNOWN = Settings(edge_a="cut", edge_b="rolled")
STATED = Step(mean_mm=0.3, expanded_u_mm=0.2, source="stated")


@pytest.mark.parametrize(
    ("codes", "tilt", "both_sides", "changes", "want"),
    [
        ((), 2.0, True, {"settings": KNOWN}, "Go nearer, then take it again."),
        ((), 2.0, True, {}, "State how the edges are made, cut or rolled."),
        ((), 2.0, True, {"settings": Settings(edge_a="cut")}, "State how edge B is made, cut or rolled."),
        (
            ("gap-burnt-out",),
            2.0,
            True,
            {"settings": KNOWN},
            "Dim the lamp behind the gap until it is not burnt out, then take it again.",
        ),
        (
            ("edge-doubtful",),
            -9.0,
            False,
            {"settings": KNOWN},
            "Hold the camera square above the gap, lay a strip on each side of the seam, then take it again.",
        ),
        (("edge-doubtful",), 2.0, False, {"settings": KNOWN, "step_used": STATED}, "Go nearer, then take it again."),
        (
            ("edge-underexposed", "gap-burnt-out"),
            2.0,
            True,
            {},
            "Dim the lamp behind the gap until it is not burnt out, bring more light on to the panel, then take it "
            "again. State how the edges are made, cut or rolled.",
        ),
        (("strip-lifted", "edge-doubtful"), 2.0, True, {}, Notice(code="strip-lifted").advice),
        (("print-scale-unchecked",), 2.0, True, {}, Notice(code="print-scale-unchecked").advice),
    ],
)
def test_a_gap_that_is_lit_already_is_not_to_be_lit(make_measurement, codes, tilt, both_sides, changes, want):
    dark = make_measurement(gaps(s60=5.22), notices=[Notice(code=code) for code in codes])
    changes = ({} if both_sides else {"step_used": None}) | changes
    dark = replace(dark, scale=replace(dark.scale, tilt_across_deg=tilt), **changes)
    said = glance(replace(dark, gap_lit="bright"))
    assert (said.state, said.next_step) == ("open", f"A limit lies within U. {want}")
    # In the dark the usual advice stands: the notice's own, else a lamp.
    usual = Notice(code=codes[0]).advice if codes else "Light the gap from behind and go nearer, then take it again."
    assert glance(dark).next_step == f"A limit lies within U. {usual}"
