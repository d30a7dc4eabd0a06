"""One edge of a seam brought in without a panel's file: carried out on the metal, and against the panel's plan."""

import io
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest

from gapvision.errors import GapvisionError
from gapvision.judgement import (
    after_paint,
    coat,
    judge_measurement,
    make_plan,
    placed,
    plan_edge,
    reading_from_measurement,
    settings_of,
)
from gapvision.judgement.template import drawings_of_edge
from gapvision.model import (
    AT_RISK,
    IN,
    OUT,
    Adjuster,
    DecisionRule,
    FinishPlan,
    LeftOut,
    NominalPoint,
    Panel,
    PanelSeam,
    Specification,
    TrimRules,
)
from gapvision.reports.template_pdf import write_template
from gapvision.words import MM, edge_deeds, is_out, work_card, work_card_of

from ._panels import spec

U = 0.1
S = np.arange(240.0)
GAPS = {
    "a high place": 4.76 - 1.5 * np.exp(-(((S - 90) / 15) ** 2)),
    "a low place": 4.76 + 1.2 * np.exp(-(((S - 150) / 20) ** 2)),
    "narrow at one end": 3.6 + S / 239,
    "both": 4.76 + 0.9 * np.sin(S / 38),
}


@pytest.mark.parametrize("edge", ["A", "B"])
@pytest.mark.parametrize("gap", GAPS.values(), ids=GAPS)
def test_metal_cut_and_built_up_by_the_plan_is_in_tolerance_wherever_in_u_the_gap_truly_was(
    make_measurement, gap, edge
):
    """The simulation: the true gap lies anywhere within U of what was measured, and the edge is changed as told."""
    m = make_measurement(gap, u_mm=U)
    plan = plan_edge(m, edge, spec(), made="cut")
    remove = plan.stretch.trim.remove_mm
    for error in (-U, 0.0, U, U * np.sin(S / 7)):
        true = gap + error + remove
        assert ((true >= 4.26) & (true <= 5.26)).all()
    assert plan.verdict.state != OUT
    good = np.abs(gap - 4.76) < 0.25
    assert np.abs(remove[good]).max(initial=0.0) < np.abs(remove).max(), "most of the work is where the gap is out"


@pytest.mark.parametrize("finish", [None, FinishPlan(coats=(coat("epoxy primer", 2), coat("top coat", 2)))])
@pytest.mark.parametrize("edge", ["A", "B"])
def test_it_is_the_panels_own_plan_where_the_panel_cannot_move(make_measurement, edge, finish):
    m, place = make_measurement(GAPS["both"], u_mm=U), ((0.0, 0.0), (239.0, 0.0))
    reading = reading_from_measurement(m, "seam", at_mm=0.0, panel_edge=edge)
    still = {"travel_x": (0.0, 0.0), "travel_y": (0.0, 0.0), "travel_out": (0.0, 0.0), "accuracy_mm": 0.0}
    seam = PanelSeam(
        name="seam", place=place, spec=spec(), readings=(placed(reading, place, (120.0, -200.0)),), panel_edge=edge,
        trim=TrimRules(safe_limit=((0.0, 0.8),)), edge="cut",
    )  # fmt: skip
    panel = Panel(
        name="panel", seams=(seam,), centre=(120.0, -200.0), finish=finish,
        adjusters=(Adjuster(name="a", xy=(0.0, -100.0), **still), Adjuster(name="b", xy=(239.0, -100.0), **still)),
    )  # fmt: skip
    whole = make_plan(panel)
    own = plan_edge(m, edge, spec(), finish=finish, made="cut", most_off_mm=0.8)
    assert whole.move.is_none
    assert own.stretch.trim.remove_mm == pytest.approx(whole.stretches[0].trim.remove_mm, abs=1e-6)
    assert own.stretch.trim.remove_mm.max() <= 0.8 + 1e-6, "never beyond what may come off"


def test_paint_to_come_is_allowed_for(make_measurement):
    """In tolerance bare, too tight once painted: the edge goes back by what the film takes."""
    m, finish = make_measurement(4.45, u_mm=U), FinishPlan(coats=(coat("epoxy primer", 4), coat("top coat", 4)))
    now = judge_measurement(m, spec())
    future = after_paint(now, spec(), finish)
    assert (now.state, future.verdict.state) == (IN, OUT)
    assert is_out(now, future)
    plan = plan_edge(m, "B", spec(), finish=finish, made="cut")
    assert plan.future.verdict.state == IN
    for loss in (plan.future.loss.least_mm, plan.future.loss.most_mm):
        assert (4.45 - U + plan.stretch.trim.remove_mm - loss >= 4.26 - 1e-6).all()
    first, do, _ = work_card(now, settings_of(now, future), MM, future=future)
    assert first.startswith("Open it"), "the card goes by the finished gap, as the verdict beside it does"
    assert do.startswith("Set ")


def test_a_gap_that_is_too_wide_until_it_is_painted_is_left_alone(make_measurement):
    m, finish = make_measurement(5.3), FinishPlan(coats=(coat("epoxy primer", 4), coat("top coat", 4)))
    now = judge_measurement(m, spec(), DecisionRule(name="simple"))
    future = after_paint(now, spec(), finish)
    assert (now.state, future.verdict.state) == (OUT, IN)
    assert not is_out(now, future)
    card = work_card(now, settings_of(now, future), MM, future=future)
    assert card[0] == "Leave the gap as it is: the paint brings it in."
    assert card[1].startswith("Wanted: ")


def test_a_gap_that_would_chip_is_opened_and_its_gauge_keeps_clear_of_it(make_measurement):
    finish = FinishPlan(coats=(coat("top coat", 2),), smallest_gap_mm=4.5)
    m = make_measurement(4.6, u_mm=0.05)
    now = judge_measurement(m, spec())
    future = after_paint(now, spec(), finish)
    assert future.verdict.state == IN
    first, _, gauges = work_card(now, settings_of(now, future), MM, future=future)
    assert first.startswith("Open it from 0 to 239 mm")
    go = float(gauges.split()[1])
    assert go >= 4.5 + future.loss.most_mm, "what the gauge lets pass does not chip"
    plan = plan_edge(m, "A", spec(), finish=finish, made="cut")
    assert AT_RISK not in [x.state for x in plan.future.chip_spans]


def test_a_gap_that_runs_is_met_where_the_photo_lies_on_it(make_measurement):
    wanted = (NominalPoint(0.0, 6.0), NominalPoint(1000.0, 3.0))
    runs = Specification(nominal=wanted, allow_below_mm=0.4, allow_above_mm=0.4, photo_at_mm=500.0, length_mm=1000.0)
    plan = plan_edge(make_measurement(4.0, u_mm=0.05), "B", runs, made="cut")
    at = 500.0 + S
    assert (np.abs(4.0 + plan.stretch.trim.remove_mm - (6.0 - 3.0 * at / 1000.0)) <= 0.4).all()
    assert plan.verdict.state != OUT


@pytest.mark.parametrize("finish", [None, FinishPlan(coats=(coat("top coat", 2),))])
def test_stations_keep_their_numbers_where_the_beginning_was_left_out(make_measurement, finish):
    wanted = (NominalPoint(0.0, 6.0), NominalPoint(239.0, 3.0))
    runs = Specification(nominal=wanted, allow_below_mm=0.5, allow_above_mm=0.5, photo_at_mm=0.0)
    whole, part = make_measurement(3.6, u_mm=0.05), make_measurement(3.6, u_mm=0.05, hole=(0.0, 60.0))
    spans = (LeftOut(from_mm=0.0, to_mm=60.0, reason="a handle"),)
    part = replace(part, settings=replace(part.settings, left_out=spans))
    one, two = (plan_edge(m, "B", runs, finish=finish, made="cut") for m in (whole, part))
    assert one.verdict.nominal_mm[61:] == pytest.approx(two.verdict.nominal_mm)
    assert two.stretch.trim.s_mm[0] == 61.0
    for plan in (one, two):
        v = plan.verdict if plan.future is None else plan.future.verdict
        assert (np.abs(v.gap_mm - (6.0 - 3.0 * v.s_mm / 239.0)) <= 0.5).all()


def test_what_the_other_side_asks_for_still_counts(make_measurement):
    m = make_measurement(GAPS["a low place"], u_mm=0.02)
    other = reading_from_measurement(make_measurement(6.5, u_mm=0.02), "other")
    limited = replace(spec(), opposite_mm=0.6)
    plan = plan_edge(m, "B", limited, opposite=other, made="cut")
    assert plan.verdict.state == OUT
    assert plan_edge(m, "B", spec(), made="cut").verdict.state == IN


def test_card_and_template_name_the_same_gauges(make_measurement, tmp_path):
    plan = plan_edge(make_measurement(GAPS["both"], u_mm=U), "A", spec(), made="cut")
    line, wanted, gauges = work_card_of(plan, MM)
    assert line.startswith("Edge of panel A: ")
    assert wanted == "Wanted: 4.76 mm (3/16 in).", "an edge is not set"
    go, no_go = gauges.removeprefix("A ").split(" mm drill shank must enter, ")
    drawings = drawings_of_edge(plan)
    write_template(drawings, tmp_path / "t.pdf")
    with pypdfium2.PdfDocument(io.BytesIO((tmp_path / "t.pdf").read_bytes())) as pdf:
        paper = " ".join(pdf[0].get_textpage().get_text_range().split())
    assert f"a drill shank of {go} mm goes in, one of {no_go.split()[0]} mm does not" in paper


def test_who_does_the_work_is_told_when_it_is_not_enough(make_measurement):
    """The card lies at the car without the verdict that stands beside it on the page."""
    m = make_measurement(GAPS["a low place"], u_mm=0.02)
    other = reading_from_measurement(make_measurement(6.5, u_mm=0.02), "other")
    plan = plan_edge(m, "B", replace(spec(), opposite_mm=0.6), opposite=other, made="cut")
    assert plan.verdict.state == OUT
    assert work_card_of(plan, MM)[0].endswith("It does not bring in all of it.")
    finish = FinishPlan(coats=(coat("top coat", 2),), smallest_gap_mm=6.0)
    chips = plan_edge(make_measurement(GAPS["narrow at one end"], u_mm=0.05), "B", spec(), finish=finish, made="cut")
    assert chips.future.verdict.state != OUT
    assert work_card_of(chips, MM)[0].endswith("It may still chip.")


@pytest.mark.parametrize("radius", [300.0, 600.0])
def test_a_curved_edge_is_judged_by_its_new_form_too(make_measurement, radius):
    """A bump of 1.2 mm on a circle is cut away: what is left of it, against the circle itself."""
    circle = radius - np.sqrt(radius**2 - (S - 119.5) ** 2)
    bump = 1.2 * np.exp(-(((S - 120) / 10) ** 2))
    m = make_measurement(5.1 - bump, u_mm=0.05)
    form = replace(m.straightness_a, fairness_mm=1.1)
    m = replace(
        m, seam_kind="curved", straightness_a=form, straightness_b=replace(form, fairness_mm=0.1),
        profile=replace(m.profile, edge_a_mm=circle - 2.5 + bump, edge_b_mm=circle + 2.6),
    )  # fmt: skip
    plan = plan_edge(m, "A", replace(spec(), straightness_mm=0.8), made="cut")
    left = np.ptp(plan.stretch.trim.new_mm - circle)
    (own,) = [c for c in plan.verdict.checks if c.edge == "panel"]
    assert left < 0.8, "the limit"
    assert own.value == pytest.approx(left, abs=0.1)
    assert plan.verdict.state != OUT
    assert "does not bring in" not in work_card_of(plan, MM)[0]


def test_a_wavy_edge_leaves_the_card_short_and_the_whole_beside_it(make_measurement):
    plan = plan_edge(make_measurement(4.76 + 0.9 * np.sin(S / 6), u_mm=0.05), "A", spec())
    first, whole = work_card_of(plan, MM)[0], edge_deeds(plan, MM)
    assert len(plan.stretch.trim.spans) > 10
    assert (first.count(" by up to "), whole.count(" by up to ")) == (3, len(plan.stretch.trim.spans))
    assert f"And {len(plan.stretch.trim.spans) - 3} more places: see the template." in first


def test_what_may_come_off_is_drawn_and_never_below_zero(make_measurement):
    m = make_measurement(GAPS["narrow at one end"], u_mm=U)
    (drawn,) = drawings_of_edge(plan_edge(m, "A", spec(), made="cut", most_off_mm=0.6))
    below = np.concatenate([np.array(x) for x in drawn.safe]) - np.concatenate([np.array(x) for x in drawn.present])
    assert np.hypot(*below.T) == pytest.approx(0.6, abs=0.01)
    (without,) = drawings_of_edge(plan_edge(m, "A", spec(), made="cut"))
    assert without.safe == ()
    assert drawings_of_edge(plan_edge(m, "A", spec(), made="cut", most_off_mm=0.0)) == []
    with pytest.raises(GapvisionError) as told:
        plan_edge(m, "A", spec(), most_off_mm=-1.0)
    assert told.value.code == "value-out-of-range"


def test_an_edge_that_is_good_has_no_template_and_a_seam_that_goes_round_is_refused(make_measurement):
    good = plan_edge(make_measurement(), "A", spec())
    assert drawings_of_edge(good) == []
    assert work_card_of(good, MM)[0] == "Edge of panel A: no change of it helps."
    m = make_measurement(3.5)
    round_it = replace(m, profile=replace(m.profile, own_line=True))
    with pytest.raises(GapvisionError) as told:
        plan_edge(round_it, "A", spec())
    assert told.value.code == "seam-closes"
