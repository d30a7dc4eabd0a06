"""Car: the job's seams at a glance, a tap to a seam's page, photos saved by themselves and taken back."""

from datetime import date

import pytest
from streamlit.testing.v1 import AppTest

from gapvision.formats.specification_file import specification_to_table
from gapvision.judgement import simple_spec
from gapvision.model import IN, OPEN, OUT
from gapvision.page import car_view
from gapvision.page.books import records
from gapvision.page.car_view import age, go_to, place_on_car
from gapvision.page.inbox import Inbox
from gapvision.page.server import ENTRY
from gapvision.samples import DEMO_PHOTO
from gapvision.workshop import judge_line, keep_photo


@pytest.fixture
def job(tmp_path, monkeypatch, measured_sample):
    """Two seams: one measured, at 3.83 mm and tight by its limits; one not yet."""
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))
    store = records()
    job = store.new_job(reference="T-1", car="two-seat roadster")
    data, measurement = measured_sample(DEMO_PHOTO.name)
    spec = specification_to_table(simple_spec(4.7625, 0.5, 0.5))
    seam = store.add_seam(job.job_id, "door, rear edge", side="left", spec=spec)
    store.add_seam(job.job_id, "bonnet", side="right", spec=spec)
    line = keep_photo(store, seam, store.find_visit(job.job_id, "as found"), data, DEMO_PHOTO.name, measurement)
    judge_line(store, line)
    return job


def html_of(page):
    return " ".join([x.proto.body for x in page.get("html")] + [m.value for m in page.markdown])


@pytest.mark.slow
def test_the_car_comes_first_with_its_worst_seam_and_a_photo_of_a_seam_is_saved_by_itself(job):
    page = AppTest.from_file(str(ENTRY), default_timeout=60).run()
    assert not page.exception
    assert page.session_state["view"] == "Car"
    said = html_of(page)
    assert "1 of 2 seams out of tolerance; 1 not measured" in said
    assert "Worst: left door, rear edge, 3.83 mm (0.151 in) at 167 mm, U 0.17 mm. Limits 4.27 to 5.26 mm" in said
    assert "0.43 mm too tight" in said
    # The tap, as the drawing's button sends it.
    store = records()
    measured, new = store.seam_states(job.job_id)
    page.session_state["go"] = asked_for(job, measured)
    page.run()
    assert page.title[0].value == "left door, rear edge"
    assert "Out of tolerance" in html_of(page), "the stored result, no photo taken yet"
    page.session_state["go"] = asked_for(job, new)
    page.run()
    assert "Not measured" in html_of(page)
    sha = Inbox().add(page.session_state["ticket"], "own.jpg", DEMO_PHOTO.read_bytes() + b"car").sha256
    page.run()
    assert not page.exception
    (line,) = store.history(new.seam.seam_id)
    assert (line.photo.original_sha256, line.verdict.decision) == (sha, "out of tolerance")
    page.run()
    assert len(store.history(new.seam.seam_id)) == 1, "once"
    page.selectbox(key="known_a").set_value("cut").run()
    assert [x.shot_id for x in store.history(new.seam.seam_id)] == [line.shot_id] * 2, "another result of that photo"
    page.button(key="undo_save").click().run()
    assert store.history(new.seam.seam_id) == []
    assert "Not kept: taken back." in html_of(page)
    # Just measuring: the next photo goes nowhere.
    page.session_state["view"] = "Car"
    page.run()
    page.button(key="just_measure").click().run()
    assert page.title[0].value == "Just measuring: nothing is kept"
    Inbox().add(page.session_state["ticket"], "two.jpg", DEMO_PHOTO.read_bytes() + b"just")
    page.run()
    assert not page.exception
    assert len(store.job_lines(job.job_id)) == 1


def asked_for(job, state):
    """What a tap on a seam asks for."""
    import streamlit as st

    go_to(job, state)
    return st.session_state["go"]


@pytest.mark.parametrize(
    ("title", "side", "place"),
    [
        ("left door, rear edge", "left", (0.12, 0.61)),
        ("bonnet, front", "", (0.5, 0.11)),
        ("boot lid, rear", "", (0.5, 0.95)),
        ("rear wing to sill", "right", (0.88, 0.8)),
        ("something else", "", (0.5, 0.5)),
    ],
)
def test_where_a_seam_stands_on_the_outline(title, side, place):
    assert place_on_car(title, side) == pytest.approx(place)


def test_how_old_a_result_is():
    today = date(2026, 11, 28)
    days = ("2026-11-28", "2026-11-27", "2026-11-08", "2026-03-10", "no day")
    assert [age(day, today) for day in days] == ["today", "1 day old", "2 weeks old", "8 months old", ""]


def test_only_seams_in_tolerance_make_a_car_in_tolerance():
    """A seam without limits, or whose verdict cannot be read, is not one of them."""

    def said(*states):
        return car_view._answer([car_view._Seen(None, word, None) for word in states])

    assert said(IN, IN) == "\u2713 All 2 seams in tolerance"
    assert said(IN, "without limits") == "? 1 of 2 seams without limits"
    several = said("with a damaged verdict", OPEN, OUT, IN)
    assert several == f"\u2717 1 of 4 seams {OUT}; 1 {OPEN}; 1 with a damaged verdict"
