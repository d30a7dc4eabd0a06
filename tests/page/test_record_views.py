"""Jobs, panels and decide under AppTest, on records made in the test."""

import base64
import re
from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from streamlit.testing.v1 import AppTest

from gapvision.formats.job_file import ORIGIN_SCHEMA
from gapvision.lab.scenes import CameraSpec, SceneSpec, StripSpec, render_scene
from gapvision.model import DecisionRule
from gapvision.page.books import records
from gapvision.page.inbox import Inbox
from gapvision.page.panel_drawing import DrawnSeam, draw_key, draw_panel
from gapvision.page.server import ENTRY
from gapvision.records import back_up
from gapvision.samples import DEMO_PHOTO
from gapvision.workshop import compare_lines, judge_line, keep_photo, stored


@pytest.fixture
def page(tmp_path, monkeypatch):
    """The page as it opens in Measure, whether there is a job yet or not."""
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))
    page = AppTest.from_file(str(ENTRY), default_timeout=60)
    page.session_state["view"] = "Measure"
    return page


@pytest.fixture
def job(tmp_path, monkeypatch, measured_sample):
    """A job with one seam of a bonnet, at two stages, both with the first sample."""
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))
    store = records()
    job = store.new_job(reference="T-1", customer="Invented", car="two-seat roadster")
    seam = store.add_seam(job.job_id, "bonnet, left", spec=None)
    name = DEMO_PHOTO.name
    data, measurement = measured_sample(name)
    for stage in ("as found", "after fit-up"):
        keep_photo(store, seam, store.find_visit(job.job_id, stage), data, name, measurement)
    return job


def html_of(page):
    return " ".join([x.proto.body for x in page.get("html")] + [m.value for m in page.markdown])


def test_no_job_yet_and_a_new_one(page):
    page.session_state["view"] = "Jobs"
    page.run()
    assert any("No job yet" in i.value for i in page.info)
    page.text_input[0].set_value("T-7")
    next(b for b in page.button if b.label == "Open the job").click().run()
    assert not page.exception
    assert page.selectbox(key="job_choice").value == "T-7"


@pytest.mark.parametrize("view", ["Car", "Decide", "Jobs", "Panels"])
@pytest.mark.slow
def test_every_view_of_an_imported_job_tells_its_origin(page, job, view):
    body = {"measured_by": "The last shop", "imported_at": "2026-03-01T08:00:00Z", "seal": "0" * 64}
    records().add_plan(job.job_id, "origin", {"schema": ORIGIN_SCHEMA, **body})
    told = f"measured by The last shop, imported on 2026-03-01, seal {'0' * 64}"
    page.session_state["view"] = "Jobs"
    page.run()
    if view == "Decide":
        page.button(key="decide_this").click().run()
    else:
        page.session_state["go"] = {"view": view}
        page.run()
    assert not page.exception
    assert any(c.value == f"Job {job.reference} was {told}." for c in page.caption), [c.value for c in page.caption]


@pytest.mark.slow
def test_search_history_and_comparison(page, job):
    page.session_state["view"] = "Jobs"
    page.run()
    assert not page.exception
    words = html_of(page)
    assert "bonnet, left" in words
    assert "Mean change +0.00 mm" in words, "the same photo twice has not changed"
    page.text_input(key="search").set_value("roadster").run()
    assert page.selectbox(key="job_choice").value == job.reference
    page.text_input(key="search").set_value("zeppelin").run()
    assert any("No job has these words" in i.value for i in page.info)


@pytest.mark.slow
def test_a_wanted_gap_that_runs_along_the_seam_has_its_short_verdict(page, job):
    """As one that is the same all along: in, not proven (the limit is the reading itself), out."""
    from gapvision.formats.specification_file import specification_to_table
    from gapvision.model import NominalPoint, Specification

    store = records()
    seam = store.seams(job.job_id)[0]
    stations = store.measurement(store.history(seam.seam_id)[-1].measurement_id)["stations"]
    s, gap = (np.array([one[key] for one in stations]) for key in ("s_mm", "gap_mm"))
    far = float(np.abs(gap - np.interp(s, s[[0, -1]], (4.2, 5.2))).max())
    wanted = (NominalPoint(0.0, 4.2), NominalPoint(1.0, 5.2))
    page.session_state["view"] = "Jobs"
    for room, said, spans in (
        (0.5, "In tolerance", "No span is out of tolerance"),
        (0.0, "Not proven", ">not proven<"),
        (-0.4, "Out of tolerance", ">too "),
    ):
        spec = Specification(nominal=wanted, at_unit="share", photo_at_mm=0.0, allow_below_mm=far + room,
                             allow_above_mm=far + room)
        store.edit_seam(seam.seam_id, spec=specification_to_table(spec))
        page.run()
        assert not page.exception
        words = html_of(page)
        verdict = re.search(r'<div class="gv-verdict.*?</div>', words)[0]
        assert said in verdict
        assert "Worst: " in verdict
        assert spans in words


@pytest.mark.slow
def test_the_short_verdict_is_the_stored_one_with_its_other_limits_and_its_rule(page, job, measured_sample):
    """Seen once: '✗ out of tolerance' and under it '✓ in tolerance, go on to the next seam'."""
    store = records()
    name = "open01_primer.jpg"
    data, content = measured_sample(name)
    limits = {"nominal": "3/16in", "allow_below": "0.5mm", "allow_above": "0.5mm", "straightness": "0.02mm"}
    seam = store.add_seam(job.job_id, "door", spec=limits)
    line = keep_photo(store, seam, store.find_visit(job.job_id, "as found"), data, name, content)
    assert judge_line(store, line, DecisionRule(name="simple")).verdict.decision == "out of tolerance"
    page.session_state["view"] = "Jobs"
    page.session_state["seam"] = seam.seam_id
    page.run()
    assert not page.exception
    verdict = re.search(r'<div class="gv-verdict.*?</div>', html_of(page))[0]
    assert "Out of tolerance" in verdict
    assert "Straightness of" in verdict
    assert "limit 0.02 mm" in verdict
    assert "simple acceptance" in verdict
    assert "next seam" not in verdict
    # What is wanted now changes nothing about what was decided then.
    store.edit_seam(seam.seam_id, spec=limits | {"straightness": "5mm"})
    page.run()
    assert "Out of tolerance" in re.search(r'<div class="gv-verdict.*?</div>', html_of(page))[0]


@pytest.mark.slow
def test_the_last_proven_backup_is_told(page, job, tmp_path_factory):
    page.session_state["view"] = "Jobs"
    page.run()
    assert "No proven backup yet" in html_of(page)
    back_up(records(), tmp_path_factory.mktemp("stick"))
    page.run()
    assert "Last proven backup: less than a day ago." in html_of(page)
    two_days_ago = (datetime.now(UTC) - timedelta(days=2, hours=1)).isoformat()
    with records().database.saving() as db:
        db.execute("UPDATE settings SET value = ? WHERE key = 'records.proven_backup'", (two_days_ago,))
    page.run()
    assert "Last proven backup: 2 days ago." in html_of(page)


@pytest.mark.slow
def test_note_is_kept(page, job):
    page.session_state["view"] = "Jobs"
    page.run()
    page.text_area(key="note_text").set_value("Latch worn").run()
    fresh = AppTest.from_file(str(ENTRY), default_timeout=60)
    fresh.query_params["ticket"] = page.session_state["ticket"]
    fresh.session_state["view"] = "Jobs"
    fresh.run()
    assert fresh.text_area(key="note_text").value == "Latch worn", "typed, not kept, and there after a reload"
    fresh.button(key="keep_note").click().run()
    assert [n.text for n in records().notes(job.job_id)] == ["Latch worn"]
    assert fresh.text_area(key="note_text").value == ""


def reloaded(page):
    """The same page after a reload: a new session that has nothing but the ticket in the address."""
    fresh = AppTest.from_file(str(ENTRY), default_timeout=60)
    fresh.query_params["ticket"] = page.session_state["ticket"]
    fresh.run()
    assert not fresh.exception
    return fresh


@pytest.mark.slow
def test_a_reload_comes_back_to_the_view_job_stage_and_datum(page, job):
    store = records()
    seam = store.seams(job.job_id)[0]
    store.new_job(reference="T-2", customer="", car="newer, so first in the list")
    first, last = (line.measurement_id for line in store.history(seam.seam_id))
    page.session_state["view"] = "Jobs"
    page.run()
    page.selectbox(key="job_choice").set_value("T-1").run()
    stage, before = f"stage_{seam.seam_id}_2", f"before_{seam.seam_id}"
    assert (page.select_slider(key=stage).value, page.selectbox(key=before).value) == (last, first)
    page.select_slider(key=stage).set_value(first).run()
    page.selectbox(key=f"datum_{seam.seam_id}").set_value("strip").run()
    again = reloaded(page)
    assert again.session_state["view"] == "Jobs"
    assert again.selectbox(key="job_choice").value == "T-1"
    assert (again.select_slider(key=stage).value, again.selectbox(key=before).value) == (first, last)
    assert again.selectbox(key=f"datum_{seam.seam_id}").value == "strip"
    assert set(again.query_params) == {"ticket"}, "the address says nothing of customer, car or job"
    again.button(key="decide_this").click().run()
    again = reloaded(again)
    assert any(m.value.startswith("About bonnet, left: ") for m in again.markdown)
    again.session_state["view"] = "Panels"
    again.run()
    again.selectbox(key="panel_shape").set_value("ready shape: door").run()
    again.selectbox(key="panel_side").set_value("left").run()
    again = reloaded(again)
    assert again.selectbox(key="panel_job").value == "T-1"
    assert again.selectbox(key="panel_shape").value == "ready shape: door"
    assert again.selectbox(key="panel_side").value == "left"


def test_a_reload_in_decide_measures_the_photo_of_measure_again(page):
    page.run()
    page.text_input(key="tolerance").set_value("3mm").run()
    page.session_state["view"] = "Decide"
    page.run()
    again = reloaded(page)
    assert again.session_state["view"] == "Decide"
    assert "As it stands: in tolerance" in html_of(again), "by the tolerance typed in Measure"


@pytest.mark.slow
def test_stages_are_laid_on_each_other_by_a_mark(page, job):
    page.session_state["view"] = "Jobs"
    page.run()
    seam = records().seams(job.job_id)[0]
    page.selectbox(key=f"datum_{seam.seam_id}").set_value("mark").run()
    assert not page.exception
    first = next(n for n in page.number_input if n.label == "Mark's station before [mm]")
    second = next(n for n in page.number_input if n.label == "Mark's station after [mm]")
    assert first.value == second.value
    first.set_value(first.value + 20.0).run()
    assert not page.exception
    assert "the mark tapped in both photos" in html_of(page)
    shift = re.search(r"shifted by ([+-]\d+\.\d+) mm", html_of(page))
    assert abs(float(shift[1])) == pytest.approx(20, abs=0.01), "laid 20 mm apart, as the marks say"


def test_decide_needs_a_measurement_then_judges_and_forecasts(page):
    page.session_state["view"] = "Decide"
    page.run()
    assert any("Measure a seam first" in i.value for i in page.info)
    page.session_state["view"] = "Measure"
    page.run()
    page.text_input(key="tolerance").set_value("0.9mm").run()
    page.session_state["view"] = "Decide"
    page.run()
    assert not page.exception
    assert "As it stands: not proven" in html_of(page)
    page.selectbox(key="rule").set_value("simple").run()
    assert "As it stands: out of tolerance" in html_of(page), "3.85 mm reads below the limit of 3.86 mm"
    page.multiselect(key="finish_kinds").set_value(["high-build primer", "top coat"]).run()
    assert not page.exception
    words = html_of(page)
    assert "After paint" in words
    assert "Before paint" in [s.value for s in page.subheader]
    assert "Two-pack" in words
    page.select_slider(key="move_shift").set_value(0.5).run()
    assert "moved +0.50 mm" in html_of(page)
    assert "turned" not in html_of(page)
    assert "<li>Open it all along by 0.50 mm (0.020 in)" in html_of(page)


def free(page):
    """The tick beside the refusal of a plan that leaves seams free."""
    return next(c for c in page.checkbox if c.label.startswith("Plan although nothing was measured of: "))


def test_panel_outline_move_and_plan(page, job):
    page.session_state["view"] = "Panels"
    page.run()
    assert not page.exception
    assert page.multiselect(key="photos_T-1|ready shape: bonnet|left").value == ["bonnet, left"]
    assert any(m.value == "Left: measured, after fit-up" for m in page.markdown), "no limits, so no judgement"
    assert any(m.value == "Right: not measured" for m in page.markdown)
    page.selectbox(key="panel_usual").set_value("even-close").run()
    assert any(m.value.startswith("Left: ") and ", worst 3.8" in m.value for m in page.markdown)
    page.button(key="make_plan").click().run()
    assert not page.exception
    assert "What to do" not in [s.value for s in page.subheader], "two seams are not measured, and nobody asked"
    refused = html_of(page)
    assert "Nothing was measured of the seams right and rear" in refused
    assert "--" not in refused[refused.index("Nothing was measured") :][:400], "the way on is here"
    free(page).check().run()
    assert not page.exception
    assert "What to do" in [s.value for s in page.subheader]
    assert "Not measured: all of right, rear" in html_of(page)
    assert free(reloaded(page)).value, "what was ticked is there after a reload"
    free(page).uncheck().run()
    assert "What to do" not in [s.value for s in page.subheader], "no stale plan stays"
    free(page).check().run()
    page.selectbox(key="panel_shape").set_value("ready shape: boot lid").run()
    page.selectbox(key="panel_shape").set_value("ready shape: bonnet").run()
    assert free(page).value, "and after another panel"
    photos = page.multiselect(key="photos_T-1|ready shape: bonnet|rear")
    photos.set_value(["bonnet, left"]).run()
    assert not free(page).value, "said for other seams"


def test_the_worst_panel_is_proposed_until_a_person_chooses(page, job, measured_sample):
    """By the verdicts kept: out before not measured; of a door its side; what came after the first look counts too."""
    store = records()
    seam = store.seams(job.job_id)[0]

    def shown(page):
        return page.selectbox(key="panel_shape").value, page.session_state["panel_side"]

    def judged(name, side, below):
        wide = {"nominal": "6mm" if below else "3.85mm", "allow_below": "0.5mm", "allow_above": "2mm"}
        one = store.add_seam(job.job_id, name, side=side, spec=wide)
        data, content = measured_sample(DEMO_PHOTO.name)
        keep_photo(store, one, store.find_visit(job.job_id, "after fit-up"), data, DEMO_PHOTO.name, content)

    page.session_state["view"] = "Panels"
    page.run()
    assert shown(page) == ("ready shape: bonnet", ""), "the only one of which something is measured"
    store.edit_seam(seam.seam_id, spec={"nominal": "3.85mm", "allow_below": "1mm", "allow_above": "1mm"})
    judged("door, rear edge", "right", below=True)
    page.run()
    assert shown(page) == ("ready shape: bonnet", ""), "nothing changes under one's hands"
    again = reloaded(page)
    assert not again.exception
    assert shown(again) == ("ready shape: door", "right")
    verdict = re.search(r'<div class="gv-verdict.*?</div>', html_of(again))[0]
    assert "Out of tolerance: rear" in verdict
    assert "Worst: rear, 3.8" in verdict
    assert " mm of the whole seam, U " in verdict, "the photo counts its own stations"
    assert again.multiselect(key="photos_T-1|ready shape: door, right|rear").value == ["right door, rear edge"]
    again.selectbox(key="panel_side").set_value("").run()
    again.selectbox(key="panel_shape").set_value("ready shape: boot lid").run()
    again.selectbox(key="panel_shape").set_value("ready shape: door").run()
    assert shown(again) == ("ready shape: door", "right"), "the side that is measured, where none was said"
    judged("bonnet, rear", "", below=False)
    again.selectbox(key="panel_shape").set_value("ready shape: bonnet").run()
    assert again.multiselect(key="photos_T-1|ready shape: bonnet|rear").value == ["bonnet, rear"], "measured since"
    assert shown(reloaded(again))[0] == "ready shape: bonnet", "a person's choice stays"


@pytest.mark.slow
def test_one_jobs_door_says_nothing_of_the_side_of_anothers(page, job, measured_sample):
    """Two cars in one shop: a person who goes from one to the other and back finds each as it was left."""
    store, sides = records(), {"T-2": "left", "T-3": "right"}
    wanted = {"nominal": "6mm", "allow_below": "0.5mm", "allow_above": "0.5mm"}
    for reference, side in sides.items():
        other = store.new_job(reference=reference)
        one = store.add_seam(other.job_id, "door, rear edge", side=side, spec=wanted)
        data, content = measured_sample(DEMO_PHOTO.name)
        keep_photo(store, one, store.find_visit(other.job_id, "as found"), data, DEMO_PHOTO.name, content)
    page.session_state["view"], page.session_state["job"] = "Panels", "T-2"
    page.run()

    def go(page, reference):
        page.selectbox(key="panel_job").set_value(reference).run()
        assert not page.exception
        return page.selectbox(key="panel_shape").value, page.session_state["panel_side"]

    assert page.session_state["panel_side"] == "left", "proposed"
    assert go(page, "T-1") == ("ready shape: bonnet", "")
    assert go(page, "T-3") == ("ready shape: door", "right")
    page.selectbox(key="panel_shape").set_value("ready shape: bonnet").run()
    page.selectbox(key="panel_shape").set_value("ready shape: door").run()
    assert go(page, "T-2") == ("ready shape: door", "left")
    page.selectbox(key="panel_side").set_value("").run()
    page.selectbox(key="panel_side").set_value("left").run()
    for one in (page, reloaded(page)):
        assert go(one, "T-3") == ("ready shape: door", "right"), "chosen there"
        assert "Out of tolerance: rear" in html_of(one)
        assert go(one, "T-2") == ("ready shape: door", "left")


def test_a_panel_of_which_nothing_is_measured_leads_to_measuring(page):
    records().new_job(reference="T-9")
    page.session_state["view"] = "Panels"
    page.run()
    assert "Nothing is measured of the bonnet" in html_of(page)
    assert "make_plan" not in [b.key for b in page.button]
    page.button(key="panel_measure").click().run()
    assert not page.exception
    assert (page.session_state["view"], page.session_state["save_job"]) == ("Measure", "T-9")


def test_tight_limits_give_a_trim_table_and_templates(page, job):
    from gapvision.formats.specification_file import specification_to_table
    from gapvision.judgement import simple_spec

    store = records()
    store.edit_seam(store.seams(job.job_id)[0].seam_id, spec=specification_to_table(simple_spec(4.76, 0.25, 0.25)))
    page.session_state["view"] = "Panels"
    page.run()
    page.button(key="make_plan").click().run()
    free(page).check().run()
    assert not page.exception
    assert "New edge: left" in [s.value for s in page.subheader]
    page.button(key="keep_plan").click().run()
    assert not page.exception
    assert [p.panel for p in store.plans(job.job_id)] == ["bonnet"]
    assert [b.label for b in page.get("download_button")][:2] == ["Template, A4", "Template, Letter"]
    assert "No line for a cutter" in html_of(page), "nobody has stated that the edge is cut"


def test_saving_keeps_measurement_verdict_conditions_and_what_was_left_out(page):
    page.run()
    page.text_input(key="span_from").set_value("100")
    page.text_input(key="span_to").set_value("140mm")
    page.text_input(key="span_reason").set_value("door handle")
    page.button(key="leave_out").click().run()
    page.text_input(key="new_seam").set_value("bonnet, left")
    page.checkbox(key="latched").set_value(True)
    page.text_input(key="metal_temp").set_value("18,5")
    page.button(key="save").click().run()
    assert not page.exception
    assert any("Saved as measurement" in s.value for s in page.success)
    store = records()
    job = store.jobs("")[0].job
    state = store.seam_states(job.job_id)[0]
    assert state.latest.verdict.decision == "out of tolerance"
    assert state.latest.visit.conditions.latched is True
    assert state.latest.visit.conditions.metal_temp_c == 18.5
    assert state.latest.visit.conditions.doors_closed is None
    content = store.measurement(state.latest.measurement_id)
    assert content["settings"]["left_out"][0]["reason"] == "door handle"
    assert not [s for s in content["stations"] if 100 <= s["s_mm"] <= 140]
    assert set(content["photos"][0]["strips"]) == {"A", "E"}
    assert "door handle" in store.notes(job.job_id)[0].text


@pytest.fixture(scope="module")
def stroke():
    """A gap of 1.4 mm, as wide as a pen's stroke: it is measured only along taps.  The photo, and two taps."""
    camera = CameraSpec(width_px=1600, height_px=1067, distance_mm=300, tilt_across_deg=6)
    strips = (StripSpec(letter="A", t_mm=-42.0), StripSpec(letter="B", t_mm=42.0))
    jpeg, truth = render_scene(SceneSpec(gap_mm=1.4, camera=camera, strips=strips), 3)
    a, b = (np.array(truth["edges"][key], float)[truth["edges"]["visible"]] for key in ("A_px", "B_px"))
    middle = 0.5 * (a + b)
    return jpeg, [middle[len(middle) // 5].tolist(), middle[-len(middle) // 5].tolist()]


@pytest.mark.slow
def test_save_keeps_the_result_on_screen_and_measures_nothing(page, stroke, monkeypatch):
    """A photo that needs two taps; both stages with its strips in their place, so that they are laid on them later."""
    jpeg, taps = stroke
    page.run()
    sha256 = Inbox().add(page.session_state["ticket"], "sill.jpg", jpeg).sha256
    page.run()
    assert "only a thin line was found" in html_of(page)
    assert not [b for b in page.button if b.key == "save"]
    page.session_state["seam_points"] = {sha256: taps}
    page.run()
    assert not page.exception
    shown = page.session_state["shown"].measurement
    look = "look_for_strips"
    for name in ("recipe.measure_photo", f"recipe.{look}", f"vision.detect.{look}", "vision.field.fit_field"):
        monkeypatch.setattr(f"gapvision.{name}", never)
    page.text_input(key="new_seam").set_value("sill")
    page.button(key="save").click().run()
    assert not page.exception
    page.selectbox(key="stage").set_value("after fit-up").run()
    assert "The same photo is kept for stage 'as found'." in [w.value for w in page.warning]
    assert page.button(key="save").disabled, "asked first"
    page.checkbox(key="save_sure").check().run()
    page.button(key="save").click().run()
    assert not page.exception
    store = records()
    (job,) = [one.job for one in store.jobs("")]
    (seam,) = store.seams(job.job_id)
    before, after = store.history(seam.seam_id)
    for line in (before, after):
        kept = stored(store, line)
        assert kept.summary.mean_mm == pytest.approx(shown.summary.mean_mm, abs=1e-5)
        assert np.abs(np.array(kept.settings.seam_hint_px) - taps).max() < 1e-4
        assert np.array_equal(kept.photo.field.params, shown.photo.field.params)
        assert [v.letter for v in kept.photo.strips] == ["A", "B"]
    comparison = compare_lines(store, before, after, datum="strip").comparison
    assert comparison.datum.shift_mm == pytest.approx(0, abs=0.01)


def never(*_args, **_more):
    raise AssertionError("measured once more")


def test_a_seam_without_a_name_is_not_saved(page):
    page.run()
    page.button(key="save").click().run()
    assert "The seam has no name" in html_of(page)
    assert records().jobs("") == []


def test_drawing_has_pattern_sign_and_words_for_each_state():
    seams = [
        DrawnSeam("left", "in tolerance", "4.80 mm", ((0, 0), (0, 900))),
        DrawnSeam("right", "out of tolerance", "6.1 mm", ((900, 0), (900, 900))),
        DrawnSeam("rear", "not proven", "<x>", ((0, 0), (900, 0))),
        DrawnSeam("front", "not measured", "", ((0, 900), (900, 900))),
    ]
    picture = draw_panel("bonnet", seams)
    assert "right out of tolerance, 6.1 mm" in picture
    svg = base64.b64decode(re.search(r"base64,([^\"]+)", picture)[1]).decode()
    assert len(set(re.findall(r'stroke-dasharray="([^"]*)"', svg))) == 4
    shown = set(re.findall(r">([^<>]+)</tspan>", svg))
    assert {"\u2713 left", "\u2717 right", "? rear: not proven", "- front: not measured"} <= shown
    assert "in" not in shown, "inches, or in tolerance?"
    key = base64.b64decode(re.search(r"base64,([^\"]+)", draw_key(["in tolerance", "out of tolerance"]))[1]).decode()
    assert {"\u2713 in tolerance", "\u2717 out of tolerance"} <= set(re.findall(r">([^<>]+)</tspan>", key))
    assert "<x>" not in svg
    assert min(int(n) for n in re.findall(r'font-size="(\d+)"', svg)) >= 14
    with pytest.raises(ValueError, match="without seams"):
        draw_panel("bonnet", [])


@pytest.mark.slow
def test_job_seam_and_stage_can_be_chosen_before_the_photo(page, job):
    from gapvision.formats.specification_file import specification_to_table
    from gapvision.judgement import simple_spec

    store = records()
    seam = store.seams(job.job_id)[0]
    store.edit_seam(seam.seam_id, spec=specification_to_table(simple_spec(5.1, 0.3, 0.3)))
    page.run()
    assert page.title[0].value == "Just measuring: nothing is kept"
    page.session_state["what_for"] = "For a job"
    page.run()
    page.selectbox(key="save_job").set_value("T-1").run()
    assert not page.exception
    assert page.selectbox(key="save_seam").value == "bonnet, left"
    assert page.text_input(key="nominal").value == "5.1mm", "the seam's own specification is typed in"
    assert page.text_input(key="tolerance").value == "0.3mm"
    page.text_input(key="tolerance").set_value("0.4mm").run()
    assert page.text_input(key="tolerance").value == "0.4mm", "and only once"
    page.selectbox(key="stage").set_value("after paint").run()
    assert any("Goes to job T-1, seam bonnet, left, stage after paint." in m.value for m in page.markdown)
    page.checkbox(key="save_sure").check().run()  # the same photo is kept for another stage
    page.button(key="save").click().run()
    assert not page.exception
    (line,) = (x for x in store.history(seam.seam_id) if x.visit.stage == "after paint")
    assert line.visit.on_date == line.photo.taken_at[:10], "by the camera's clock"
    photo = store.history(seam.seam_id)[0].photo
    Inbox().add(page.session_state["ticket"], "own.jpg", store.photo_bytes(photo))
    fresh = reloaded(page)
    assert fresh.title[0].value == "T-1, bonnet, left, after paint"
    box = next(e for e in fresh.expander if e.label == "Save to a job")
    assert not box.proto.expanded, "the verdict comes first on a phone"
    page.selectbox(key="save_seam").set_value("new ...").run()
    assert page.selectbox(key="save_seam").value == "new ..."
    assert not page.exception
