"""The work card: three lines, its amounts and gauges worked out by hand."""

import io
import re
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from gapvision.judgement import after_paint, coat, judge_measurement, settings_of, simple_spec
from gapvision.model import AT_RISK, IN, OPEN, FinishPlan, NominalPoint, SeamAfter, Specification
from gapvision.reports.work_card import work_card_bytes
from gapvision.words import MM, Lengths, set_now, work_card
from gapvision.words.car import seam_after


def gaps(**places):
    gap = np.full(240, 4.76)
    for at, value in places.items():
        gap[int(at[1:])] = value
    return gap


def card(measurement, spec=None, unit="mm"):
    verdict = judge_measurement(measurement, spec or simple_spec(4.76, 0.5, 0.5))
    return work_card(verdict, settings_of(verdict), Lengths(unit))


@pytest.mark.parametrize(
    ("gap", "said"),
    [
        (gaps(), "Leave the gap as it is."),
        (gaps(s90=3.2), "Open it at 90 mm, by up to 1.56 mm (0.061 in)."),
        (gaps(s30=6.0, s90=5.5), "Close it at 30 mm, by up to 1.24 mm (0.049 in). And 1 more place."),
        (gaps(s60=5.22), "Change nothing yet: it is not proven."),
    ],
    ids=["in", "tight", "wide, twice", "not proven"],
)
def test_the_first_line_tells_what_to_do_to_the_gap(make_measurement, gap, said):
    first, second, _ = card(make_measurement(gap))
    assert first.startswith(said)
    do = "Wanted:" if said.split()[0] in ("Leave", "Change") else "Set"
    assert second == f"{do} 4.76 mm (3/16 in).", "who is to change nothing is not told to set it"


def test_gauges_stand_at_the_limits_less_u_rounded_inwards(make_measurement):
    """4.26 + 0.1 = 4.36 and 5.26 - 0.1 = 5.16: in tenths 4.4 and 5.1; 11/64 in is 4.366, 13/64 is 5.159."""
    first, to_set, gauges = card(make_measurement(gaps(s90=3.2)))
    assert (to_set, gauges) == ("Set 4.76 mm (3/16 in).", "A 4.4 mm drill shank must enter, 5.1 mm must not.")
    assert card(make_measurement(), unit="fraction")[2] == "A 11/64 in drill shank must enter, 13/64 in must not."
    assert card(make_measurement(u_mm=0.6))[2] == "No shank tells: U leaves no room between the limits."
    assert card(make_measurement(u_mm=0.46))[2].startswith("No shank lies between the limits less U")
    assert first


def test_a_gap_that_is_in_is_kept_whatever_its_edges_form(make_measurement):
    first, to_set, _ = card(make_measurement(), replace(simple_spec(4.76, 0.5, 0.5), straightness_mm=0.02))
    out = "straightness of edge B 0.10 mm, limit 0.02 mm, and 1 more (see 'Why' in Decide)"
    assert first == f"The gap is inside its limits. Out of tolerance: {out}. No move mends that."
    assert to_set == "Wanted: 4.76 mm (3/16 in)."


def test_a_hole_is_named_where_all_that_was_measured_is_in(make_measurement):
    first, to_set, _ = card(make_measurement(gaps(), hole=(100, 120)))
    assert first == "Change nothing: in tolerance where it was measured. Not measured from 99 to 121 mm."
    assert to_set.startswith("Wanted: ")
    assert "it is not proven" in card(make_measurement(gaps(s60=5.22), hole=(100, 120)))[0]


@pytest.mark.parametrize(("below", "above", "gap"), [(0.0, 0.6, 3.5), (0.5, 0.0, 6.0), (0.5, 0.1, 4.0)])
@pytest.mark.parametrize("u", [0.05, 0.2])
def test_what_is_set_as_told_passes_its_own_gauges(make_measurement, below, above, gap, u):
    """Nothing allowed on one side: the wanted gap itself is no gap that can be proven."""
    verdict = judge_measurement(make_measurement(gap, u_mm=u), simple_spec(4.76, below, above))
    ((_, to_set, go, no_go),) = settings_of(verdict)
    assert 4.76 - below + u - 1e-9 <= to_set <= 4.76 + above - u + 1e-9
    assert go <= to_set <= no_go
    first, second, third = work_card(verdict, settings_of(verdict), MM)
    if third.startswith("A "):
        enters, must_not = (float(x) for x in re.findall(r"\d\.\d", third))
        assert enters <= to_set <= must_not
    amount, told = (float(re.search(r"([\d.]+) mm \(", x)[1]) for x in (first, second))
    assert gap + (amount if first.startswith("Open") else -amount) == pytest.approx(told, abs=0.011)


@pytest.mark.parametrize("smallest", [None, 4.5, 5.0, 5.3])
@pytest.mark.parametrize(("below", "gap"), [(0.5, 4.0), (0.5, 6.3), (0.0, 4.83)])
def test_with_paint_to_come_amount_gap_to_set_and_reasons_name_one_gap(make_measurement, below, gap, smallest):
    finish = FinishPlan(coats=(coat("epoxy primer", 2), coat("top coat", 2)), smallest_gap_mm=smallest)
    spec = simple_spec(4.76, below, 0.6)
    verdict = judge_measurement(make_measurement(gap, u_mm=0.05), spec)
    future = after_paint(verdict, spec, finish)
    first, second, _ = work_card(verdict, settings_of(verdict, future), MM, future=future)
    told = second.removeprefix("Set ").removeprefix("Wanted: ").removesuffix(".")
    if first.startswith("Change"):
        return
    amount = float(re.search(r"([\d.]+) mm \(", first)[1])
    assert gap + (amount if first.startswith("Open") else -amount) == pytest.approx(float(told.split()[0]), abs=0.011)
    reason = set_now(future, MM)
    assert f"Gap to set now: {told.split()[0]} mm" in reason or "none is sure" in reason
    if smallest:
        widest = 5.36 + future.loss.least_mm - future.loss.most_mm
        assert float(told.split()[0]) - future.loss.most_mm >= min(smallest, widest) - 0.01


@pytest.mark.parametrize("u", [0.0, 0.02, 0.1])
def test_what_the_gauges_pass_is_in_tolerance_once_painted_and_chips_nowhere(make_measurement, u):
    finish = FinishPlan(coats=(coat("epoxy primer", 3), coat("top coat", 2)), smallest_gap_mm=4.5)
    spec = simple_spec(4.76, 0.5, 0.5)
    verdict = judge_measurement(make_measurement(4.0, u_mm=u), spec)
    ((_, to_set, go, no_go),) = settings_of(verdict, after_paint(verdict, spec, finish))
    for gap in (go + 1e-4, to_set, no_go - 1e-4):
        future = after_paint(judge_measurement(make_measurement(gap, u_mm=u), spec), spec, finish)
        assert future.verdict.state == IN
        assert AT_RISK not in [x.state for x in future.chip_spans]


def test_where_every_gap_inside_its_limits_chips_it_is_said(make_measurement):
    spec, finish = simple_spec(4.76, 0.5, 0.5), FinishPlan(coats=(coat("top coat", 2),), smallest_gap_mm=6.0)
    verdict = judge_measurement(make_measurement(4.9), spec)
    future = after_paint(verdict, spec, finish)
    card = work_card(verdict, settings_of(verdict, future), MM, future=future)
    assert card[0].startswith("It may chip wherever it is set inside its limits")
    assert card[2].startswith("No shank tells")
    assert "none is sure" in set_now(future, MM)


def test_a_form_that_is_out_is_named_and_no_gap_is_called_good_that_is_not_proven(make_measurement):
    first, _, _ = card(make_measurement(gaps(s60=5.22)), replace(simple_spec(4.76, 0.5, 0.5), straightness_mm=0.02))
    assert first .startswith("Not all of the gap is proven. Out of tolerance: straightness of edge B 0.10 mm,")


def test_a_gap_that_runs_has_both_ends(make_measurement):
    wanted = (NominalPoint(0.0, 5.0), NominalPoint(239.0, 3.0))
    spec = Specification(nominal=wanted, allow_below_mm=0.5, allow_above_mm=0.5, photo_at_mm=0.0)
    gap = np.linspace(5.0, 3.0, 240)
    gap[120] += 2
    first, to_set, gauges = card(make_measurement(gap), spec)
    assert first == "Close it at 120 mm, by up to 2.00 mm (5/64 in full)."
    assert to_set == "Set 5.00 mm (0.197 in) at the start, 3.00 mm (0.118 in) at the end."
    one, two = ("A {} mm drill shank must enter, {} mm must not".format(*x) for x in ((4.6, 5.4), (2.6, 3.4)))
    assert gauges == f"{one} at the start; {two} at the end."


def test_the_card_on_paper_is_one_page_with_its_lines_large(make_measurement):
    lines = card(make_measurement(gaps(s90=3.2)))
    data = work_card_bytes("left door, <rear>", lines, Image.new("RGB", (1200, 900), "grey"), ["Two people."])
    with pypdfium2.PdfDocument(io.BytesIO(data)) as pdf:
        assert len(pdf) == 1
        page = pdf[0].get_textpage()
        raw = page.get_text_range()
        words = " ".join(raw.split())
        for text in ("left door, <rear>", *lines, "Two people."):
            assert text in words
        _, bottom, _, top = page.get_charbox(raw.index("Open it"))
    assert top - bottom > 12, "letters of 23 points can be read at arm's length"


@pytest.mark.parametrize("words", [40, 120, 400])
def test_a_long_card_on_paper_loses_no_line_and_none_lies_on_another(words):
    lines = (" ".join(["back by up to 0.66 mm"] * (words // 5)) + " END.", "Set 4.76 mm.", "A 4.4 mm shank must enter.")
    cautions = [f"Caution {k}: keep hands off." for k in range(12)]
    for paper in ("a4", "letter"):
        data = work_card_bytes("seam", lines, Image.new("RGB", (1800, 1350), "grey"), cautions, paper)
        with pypdfium2.PdfDocument(io.BytesIO(data)) as pdf:
            told = [page.get_textpage() for page in pdf]
            whole = " ".join(" ".join(text.get_text_range() for text in told).split())
            for text in (*lines[1:], "END.", *cautions):
                assert text in whole
            boxes = [x.get_bounds() for page in pdf for x in page.get_objects() if x.type == 3]
            raw = told[0].get_text_range()
            floor = told[0].get_charbox(raw.index("A 4.4"))[1]
        ((_, low, _, high),) = boxes
        assert high - low > 60
        assert len(told) > 1 or high < floor, "the photo lies below what is to be done"


@pytest.mark.parametrize(("last_mm", "told"), [(4.6, True), (3.98, False), (5.6, False)])
def test_a_step_gives_gauges_only_where_it_brings_the_gap_between_them(last_mm, told):
    """A gauge beside a seam that a later panel brings in would call good work bad."""
    step = SeamAfter(
        seam="door, front", called="wing, rear", places_mm=(10.0, 300.0, 600.0), before_mm=(2.5, 3.5, 4.5),
        after_mm=(4.7, 4.4, last_mm), state=OPEN, go_mm=4.12, no_go_mm=5.4,
    )  # fmt: skip
    assert ("Gauge: a drill shank of 4.2 mm goes in" in seam_after(step, MM)) is told
