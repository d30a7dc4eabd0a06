"""The short verdict: state, the known worst place, and what to do next."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.judgement import judge_measurement, simple_spec
from gapvision.model import LeftOut, NominalPoint, Notice, Settings, Specification, Step
from gapvision.words import HEED, MM, against, at_a_glance, deciding


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


def test_not_proven_gives_the_measurements_own_advice(make_measurement):
    notice = Notice(code="step-unknown", advice="Lay a strip on each side of the seam.")
    said = glance(make_measurement(gaps(s60=5.22), notices=[notice]))
    assert "Lay a strip on each side of the seam." in said.next_step
    assert said.next_step.endswith(SAY), "where a step measured by hand is stated"


def test_what_was_left_out_by_hand_is_called_left_out(make_measurement):
    m = make_measurement(gaps(s60=5.0), hole=(100, 120))
    m = replace(m, settings=replace(m.settings, left_out=(LeftOut(from_mm=100, to_mm=120, reason="door handle"),)))
    said = glance(m)
    assert (said.state, said.words) == ("holes", "In tolerance beside what was left out")
    assert said.told == ("Left out: 100 to 120 mm (door handle). Nothing is proven there.",)
    assert said.go_on, "no photo measures what a hand left out"
    assert not glance(make_measurement(gaps(s60=5.0), hole=(100, 120))).go_on


def test_without_a_tolerance_and_refused(make_measurement, make_refusal):
    measured = at_a_glance(make_measurement(), None, MM)
    assert measured.state == "measured"
    assert measured.told[0].startswith("Mean gap 4.7"), "what there is to read"
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
    if state == "out":  # where 5.76 to 6.76 mm are allowed it reads 4.76
        verdict = judge_measurement(measurement, running(first, last))
        assert against(said.worst, verdict, MM) == "Limits 5.76 to 6.76 mm (0.227 to 0.266 in): 1.00 mm too tight"


@pytest.mark.parametrize(
    ("gap", "u", "said"),
    [
        (5.6, 0.1, "0.34 mm too wide"),
        (3.2, 0.1, "1.06 mm too tight"),
        (4.5, 0.1, "0.24 mm inside"),
        (5.22, 0.1, "0.04 mm inside, less than U"),  # why it is not proven
        (5.30, 0.1, "0.04 mm too wide, less than U"),
    ],
)
def test_the_worst_place_is_told_with_its_limits_and_whether_u_is_more(make_measurement, gap, u, said):
    measurement = make_measurement(gaps(s90=gap), u_mm=np.full(240, u))
    verdict = judge_measurement(measurement, simple_spec(4.76, 0.5, 0.5))
    assert against(verdict.worst, verdict, MM) == f"Limits 4.26 to 5.26 mm (0.168 to 0.207 in): {said}"


def test_another_limit_that_is_not_kept_is_named_as_the_reason(make_measurement):
    strict = replace(simple_spec(4.76, 0.5, 0.5), straightness_mm=0.02)
    said = glance(make_measurement(gaps()), strict)
    assert said.state == "out"
    straight = "Straightness of this panel's edge (over 239 mm): 0.10 mm, U 0.05 mm, limit 0.02 mm: out of tolerance."
    assert straight in said.told
    verdict = judge_measurement(make_measurement(gaps()), strict)
    assert deciding(verdict, MM, said.told)[-1].startswith("Gap: "), "its gap is not the worst of it"
    tight = judge_measurement(make_measurement(gaps(s90=3.2)), strict)
    assert deciding(tight, MM, ("Straightness.",))[0].startswith("Worst: ")
    # 0.10 mm, U 0.05, under a limit of 0.12 mm is not proven.
    said = glance(make_measurement(gaps()), replace(strict, straightness_mm=0.12))
    assert said.state == "open"
    assert "limit 0.12 mm" in said.told[0]


def test_a_doubtful_photo_does_not_look_like_a_sure_one(make_measurement):
    notice = Notice(code="strip-lifted")
    said = glance(make_measurement(gaps(), notices=[notice]))
    assert said.words == "In tolerance, photo with warnings"
    assert said.next_step == f"{notice.message} {notice.advice}"
    assert not said.go_on, "the next step is not the next seam"
    assert glance(make_measurement(gaps())).go_on
    out = glance(make_measurement(gaps(s90=3.2), notices=[notice]))
    assert (out.state, out.words) == ("out", "Out of tolerance, photo with warnings"), "metal may go by it"
    assert out.next_step.startswith(HEED)
    assert HEED not in glance(make_measurement(gaps(s90=3.2))).next_step


SAY = "Say it below a new photo, under 'What you know of the edges'."
KNOWN = Settings(edge_a="cut", edge_b="rolled")
STATED = Step(mean_mm=0.3, expanded_u_mm=0.2, source="stated")


@pytest.mark.parametrize(
    ("codes", "tilt", "both_sides", "changes", "want"),
    [
        ((), 2.0, True, {"settings": KNOWN}, "Go nearer, then take it again."),
        ((), 2.0, True, {}, f"State how the edges are made, cut or rolled. {SAY}"),
        ((), 2.0, True, {"settings": Settings(edge_a="cut")}, f"State how edge B is made, cut or rolled. {SAY}"),
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
            f"again. State how the edges are made, cut or rolled. {SAY}",
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
    assert (said.state, said.next_step) == ("open", want)
    # In the dark the usual advice stands: the notice's own, else a lamp.
    usual = Notice(code=codes[0]).advice if codes else "Light the gap from behind and go nearer, then take it again."
    assert glance(dark).next_step == usual
