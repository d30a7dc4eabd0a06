"""Every surface says the same of every station and every span: drawn by lot are profile, specification and rule."""

import csv
import io
import itertools
import json
import re
from dataclasses import replace
from functools import partial
from unittest.mock import patch

import numpy as np
import pypdfium2
import pytest
from hypothesis import HealthCheck, Phase, given, settings
from hypothesis import strategies as st
from PIL import Image

from gapvision.formats.judgement_json import verdict_from_dict, verdict_to_dict
from gapvision.formats.table import csv_text
from gapvision.judgement import judge_measurement, simple_spec
from gapvision.model import HOLE, IN, OPEN, OUT, DecisionRule, NominalPoint, Notice
from gapvision.page.viewer import reading, viewer_data
from gapvision.records import Store
from gapvision.reports import evidence as ev
from gapvision.reports import overlay
from gapvision.reports.figures import draw_profile
from gapvision.reports.terminal import MARKS, describe, verdict_text
from gapvision.words import MM, answer, at_a_glance, span_state
from gapvision.workshop import evidence_report
from tests.conftest import hand_made_measurement
from tests.records.invented import invented


def hundredths(low, high):
    """Lengths as people write them."""
    return st.integers(round(100 * low), round(100 * high)).map(lambda k: k / 100)


rules = st.one_of(
    st.sampled_from([DecisionRule(name="proven"), DecisionRule(name="simple")]),
    hundredths(0.01, 0.3).map(lambda risk: DecisionRule(name="risk", risk=risk)),
)


@st.composite
def specifications(draw):
    spec = simple_spec(draw(hundredths(4.0, 5.5)), draw(hundredths(0.05, 1.0)), draw(hundredths(0.05, 1.0)))
    if draw(st.booleans()):
        ends = (NominalPoint(0.0, draw(hundredths(4.0, 5.5))), NominalPoint(1.0, draw(hundredths(4.0, 5.5))))
        spec = replace(spec, nominal=ends, at_unit="share", photo_at_mm=0.0, photo_reverse=draw(st.booleans()))
    limits = {
        "straightness_mm": hundredths(0.01, 0.3),
        "taper_mm_per_m": hundredths(0.1, 10),
        "jump_10_mm": hundredths(0.05, 1),
        # A photo of 240 stations lies on its seam, or is refused.
        "length_mm": hundredths(240 if spec.photo_at_mm is not None else 200, 300),
    }
    chosen = {name: draw(st.none() | values) for name, values in limits.items()}
    return replace(spec, largest_hole_mm=draw(hundredths(0, 30)), **chosen)


#: A gap with steps in it, a U that changes along the seam, perhaps a hole, perhaps warnings.
profiles = st.fixed_dictionaries(
    {
        "level": hundredths(4.0, 5.5),
        "steps": st.lists(st.tuples(st.integers(0, 239), st.integers(1, 60), hundredths(-1.5, 1.5)), max_size=6),
        "hole": st.none() | st.tuples(st.integers(0, 200), st.integers(0, 30)),
        "u": st.tuples(hundredths(0.0, 0.8), st.integers(0, 239), hundredths(0.0, 0.8)),
        "codes": st.sampled_from([(), ("strip-lifted",), ("step-unknown",)]),
    }
)


def measured(level, steps, hole, u, codes):
    gap, first_u = np.full(240, level), np.full(240, u[0])
    for at, long, up in steps:
        gap[at : at + long] += up
    first_u[u[1] :] = u[2]
    left_out = None if hole is None else (hole[0], hole[0] + hole[1])
    notices = [Notice(code=code) for code in codes]
    one = hand_made_measurement(gap, first_u, left_out, notices)
    doubtful = any(n.kind == "warning" for n in notices)
    return replace(one, status="warn" if doubtful else "ok")


def spans_in_evidence(measurement, verdict):
    """The spans that the report marks in its plot, and all its words."""
    shown = ev.ShownResult(
        number=1, stage="as found", on_date="2026-03-02", who="", measurement=measurement, photo=None,
        file_name="1.jpg", sha256="0" * 64, verdict=verdict,
    )  # fmt: skip
    report = ev.Evidence(
        head=ev.Head(), reference="1", customer="", car="", made_on="2026-03-02", scope="all visits",
        seams=(ev.SeamEvidence(name="door", after=shown),),
    )  # fmt: skip
    plot, text = read_report(lambda: ev.write_evidence(report))
    return marked(plot.axes[0]), text


def read_report(make):
    """The last plot of a report, and all its words."""
    with patch("gapvision.reports.evidence.Plot", wraps=ev.Plot) as plot:
        pdf = pypdfium2.PdfDocument(make())
    return plot.call_args.args[0], " ".join(" ".join(page.get_textpage().get_text_bounded() for page in pdf).split())


def test_report_of_a_seam_that_was_never_judged_shows_one_verdict(tmp_path):
    """Its plot, the plot's description, the table and the text: all judged by the seam's specification, or none."""
    out = io.BytesIO()
    Image.new("RGB", (400, 300)).save(out, "JPEG")
    with Store(tmp_path) as store:
        job = store.new_job(reference="17")
        visit = store.add_visit(job.job_id, "as found", on_date="2026-01-01")
        wanted = {"nominal": "4.0mm", "allow_below": "0.2mm", "allow_above": "0.2mm"}
        for name, spec in (("sill", wanted), ("top", None)):
            seam = store.add_seam(job.job_id, name, spec=spec)
            store.save_photo(seam.seam_id, visit.visit_id, out.getvalue(), ".jpg", invented(4.8))
            plot, text = read_report(lambda: evidence_report(store, job.job_id))
            assert ("Out of tolerance." in plot.get_label()) == (spec is not None)
            assert text.count("Out of tolerance. Rule") == 1
            assert "1 too wide" in text
            assert ("not judged: no specification" in text) == (spec is None)


def hatched(axes):
    """The spans that a plot shades."""
    return [p for p in axes.patches if p.get_hatch()]


def marked(axes):
    """Where the spans of a plot lie."""
    return [(round(p.get_x(), 3), round(p.get_x() + p.get_width(), 3)) for p in hatched(axes)]


drawn_by_lot = partial(
    settings, deadline=None, suppress_health_check=[HealthCheck.too_slow], phases=set(Phase) - {Phase.explain}
)


@drawn_by_lot(max_examples=8)
@given(profiles, specifications(), rules)
def test_every_surface_says_the_same_of_every_station_and_span(profile, spec, rule):
    says_the_same(profile, spec, rule)


@pytest.mark.slow
@drawn_by_lot(max_examples=25)
@given(profiles, specifications(), rules)
def test_so_it_does_for_many_more(profile, spec, rule):
    says_the_same(profile, spec, rule)


def says_the_same(profile, spec, rule):
    measurement = measured(**profile)
    verdict = judge_measurement(measurement, spec, rule)
    assert len(verdict.states) == len(measurement.profile.s_mm)

    table = list(csv.DictReader(io.StringIO(csv_text(measurement, verdict))))
    assert [row["state"] for row in table] == list(verdict.states)
    assert [row["side"] for row in table] == list(verdict.sides)

    body = json.loads(json.dumps(verdict_to_dict(verdict, spec)))
    assert body["verdict"] == verdict.state
    assert [x["state"] for x in body["stations"]] == list(verdict.states)
    assert [(x["state"], round(x["from_mm"], 3)) for x in body["spans"]] == [
        (x.state, round(x.from_mm, 3)) for x in verdict.spans
    ]
    assert body["photo"]["status"] == measurement.status

    again = verdict_from_dict(verdict_to_dict(verdict, spec, stations=False), measurement)
    assert (again.state, again.states, again.reasons) == (verdict.state, verdict.states, verdict.reasons)
    assert [(span_state(x), round(x.from_mm, 3)) for x in again.spans] == [
        (span_state(x), round(x.from_mm, 3)) for x in verdict.spans
    ]

    # Drawn up to the frame, which lies 2 mm beyond the stations; a single station half a millimetre to either side.
    first, last = measurement.profile.s_mm[[0, -1]]
    drawn = [(max(x.from_mm, first - 2), min(x.to_mm, last + 2)) for x in verdict.marked]
    drawn = [(a - 0.5, b + 0.5) if b - a < 1 else (a, b) for a, b in drawn]
    drawn = [(round(float(a), 3), round(float(b), 3)) for a, b in drawn]
    count = itertools.count(1)
    spans = [(0 if x.state == HOLE else next(count), span_state(x)) for x in verdict.marked]

    data = viewer_data(measurement, verdict, preview_url="", full_url="")
    for i, (state, side) in enumerate(zip(verdict.states, verdict.sides, strict=True)):
        assert reading(data, i).endswith(f", too {side}" if state == OUT else f", {state}")
    marks = data["picture"]["marks"]
    assert [(x["number"], x["words"]) for x in marks] == spans
    assert [(round(x["start"], 3), round(x["stop"], 3)) for x in marks] == drawn

    plot = draw_profile(measurement, verdict).axes[0]
    assert marked(plot) == drawn
    hatches = {(p.get_hatch(), span_state(x)) for p, x in zip(hatched(plot), verdict.marked, strict=True)}
    assert len(hatches) == len({hatch for hatch, _ in hatches}) == len({span_state(x) for x in verdict.marked})
    told = [t.get_text() for t in plot.texts]
    names = {number: words for number, words in spans if number}
    for label in told:
        number, _, words = label.partition(" ")
        if number.isdigit():
            assert words.partition(",")[0] in (names[int(number)], ""), "the label's number is that of its span"
    with patch.object(overlay, "_hatch") as pen:
        overlay.draw_overlay(np.zeros((120, 240, 3), np.uint8), measurement, verdict)
    assert [(c.args[1].number, c.args[1].words) for c in pen.call_args_list] == [x for x in spans if x[0]]

    said = verdict_text(verdict, table=True)
    assert said.startswith(verdict.state.upper())
    rows = re.findall(r"^([+X?.]) +(-?\d+) +\d+  (?:out of tolerance, )?([a-z]+(?: [a-z]+)*)", said, re.M)
    assert rows == [(MARKS[x.state], str(x.whole_mm[0]), span_state(x)) for x in verdict.spans]
    assert describe(measurement, verdict, table=True).startswith(f"seam.jpg: {said}")
    # The answer names every place that is not in tolerance.
    told = answer(verdict, MM)
    for x in verdict.marked:
        start, stop = x.whole_mm
        assert (f"from {start} to {stop} mm" if start != stop else f"at {start} mm") in told
    assert told.count("Not proven") == (OPEN in {x.state for x in verdict.marked})
    assert ("The rest is in tolerance." in told) == (IN in verdict.states and len(verdict.marked) > 0)
    assert ("\n  warning: " in said) == verdict.doubtful

    short = at_a_glance(measurement, verdict, MM)
    assert short.state in {IN: ("in",), OUT: ("out",), OPEN: ("open", "holes")}[verdict.state]
    assert short.worst is verdict.worst

    body = verdict_to_dict(verdict, spec, stations=False)
    places, report = spans_in_evidence(measurement, verdict_from_dict(body, measurement))
    assert places == drawn
    assert verdict.state.capitalize() in report
