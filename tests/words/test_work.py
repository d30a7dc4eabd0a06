"""The work card: three lines, its amounts and gauges worked out by hand."""

import io
from dataclasses import replace

import numpy as np
import pypdfium2
import pytest
from PIL import Image

from gapvision.judgement import judge_measurement, settings_of, simple_spec
from gapvision.model import OPEN, NominalPoint, SeamAfter, Specification
from gapvision.reports.work_card import work_card_bytes
from gapvision.words import MM, Lengths, work_card
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
    do = {"Leave": "Keep", "Change": "Wanted:"}.get(said.split()[0], "Set")
    assert second == f"{do} 4.76 mm (3/16 in).", "who is to change nothing is not told to set it"


def test_gauges_stand_at_the_limits_less_u_rounded_inwards(make_measurement):
    """4.26 + 0.1 = 4.36 and 5.26 - 0.1 = 5.16: in tenths 4.4 and 5.1; 11/64 in is 4.366, 13/64 is 5.159."""
    first, to_set, gauges = card(make_measurement(gaps(s90=3.2)))
    assert (to_set, gauges) == ("Set 4.76 mm (3/16 in).", "A 4.4 mm shank must enter, 5.1 mm must not.")
    assert card(make_measurement(), unit="fraction")[2] == "A 11/64 in shank must enter, 13/64 in must not."
    assert card(make_measurement(u_mm=0.6))[2] == "No shank tells: U is as large as the limits allow."
    assert card(make_measurement(u_mm=0.46))[2].startswith("No shank lies between the limits less U")
    assert first


def test_a_gap_that_is_in_is_kept_whatever_its_edges_form(make_measurement):
    first, to_set, _ = card(make_measurement(), replace(simple_spec(4.76, 0.5, 0.5), straightness_mm=0.02))
    assert first == "The gap is inside its limits, but not its form: see 'Why' below."
    assert to_set == "Keep 4.76 mm (3/16 in)."


def test_a_gap_that_runs_has_both_ends(make_measurement):
    wanted = (NominalPoint(0.0, 5.0), NominalPoint(239.0, 3.0))
    spec = Specification(nominal=wanted, allow_below_mm=0.5, allow_above_mm=0.5, photo_at_mm=0.0)
    gap = np.linspace(5.0, 3.0, 240)
    gap[120] += 2
    first, to_set, gauges = card(make_measurement(gap), spec)
    assert first == "Close it at 120 mm, by up to 2.00 mm (5/64 in full)."
    assert to_set == "Set 5.00 mm (0.197 in) at the start, 3.00 mm (0.118 in) at the end."
    one, two = ("A {} mm shank must enter, {} mm must not".format(*x) for x in ((4.6, 5.4), (2.6, 3.4)))
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


@pytest.mark.parametrize(("last_mm", "told"), [(4.6, True), (3.98, False), (5.6, False)])
def test_a_step_gives_gauges_only_where_it_brings_the_gap_between_them(last_mm, told):
    """A gauge beside a seam that a later panel brings in would call good work bad."""
    step = SeamAfter(
        seam="door, front", called="wing, rear", places_mm=(10.0, 300.0, 600.0), before_mm=(2.5, 3.5, 4.5),
        after_mm=(4.7, 4.4, last_mm), state=OPEN, go_mm=4.12, no_go_mm=5.4,
    )  # fmt: skip
    assert ("Gauge: a drill shank of 4.2 mm goes in" in seam_after(step, MM)) is told
