"""The whole car of a job on the page: its outline, where its photos lie, what to do, sliders; and in its report."""

import re

import pypdfium2
import pytest
import tomli_w
from streamlit.testing.v1 import AppTest

from gapvision.errors import GapvisionError
from gapvision.formats.car_file import car_file
from gapvision.judgement.car_move import way_of
from gapvision.judgement.car_plan import make_car_plan
from gapvision.judgement.car_rows import settings_of_car
from gapvision.lab.bench.make_car_example import measurement_of
from gapvision.model import IN, OUT
from gapvision.page.books import records
from gapvision.page.car_outline import draw_outline
from gapvision.page.server import ENTRY
from gapvision.records import Store
from gapvision.workshop import (
    car_of,
    car_with_results,
    evidence_report,
    export_job,
    import_job,
    keep_hang_list,
    keep_photo,
    place_on_car,
    set_car,
    taught_car,
)
from tests.judgement._cars import displaced, ready
from tests.page._car_job import EXAMPLE, car_job, photo


def alt_of(page):
    """What the outlines on the page say to who cannot see them."""
    said = " ".join(x.proto.body for x in page.get("html"))
    return re.findall(r'alt="([^"]*)"', said)


def test_the_outline_says_each_seam_with_its_number_and_state():
    car = ready()
    names = [s.name for s in car.seams]
    drawn = draw_outline(car, {names[0]: OUT, names[1]: IN}, {n: k for k, n in enumerate(names, 1)})
    (said,) = re.findall(r'alt="([^"]*)"', drawn)
    assert f"1 {names[0]} out of tolerance" in said
    assert f"2 {names[1]} in tolerance" in said
    assert f"3 {names[2]} not measured" in said


def test_a_photo_counts_only_when_its_place_on_the_seam_was_said(tmp_path):
    with Store(tmp_path) as store:
        others = {s.name for s in ready().seams} - {"left door, rear"}
        job = car_job(store, placed=False, ready=False, leave_out=others)
        laid = car_with_results(store, job.job_id)
        assert laid.measured is None
        assert set(laid.not_placed) == {"left door, rear"}
        at, edge = laid.car.seam("left door, rear").photos[0].at_mm, laid.car.seam("left door, rear").panel_edge
        place_on_car(store, job.job_id, {"left quarter, front": (at, edge)})  # by its other name
        laid = car_with_results(store, job.job_id)
        (reading,) = laid.now["left door, rear"]
        assert reading.s_mm[0] == pytest.approx(at)
        # Taken for the other body's edge, the photo is turned round: its gaps then run the other way.
        place_on_car(store, job.job_id, {"left door, rear": (at, "B" if edge == "A" else "A")})
        (turned,) = car_with_results(store, job.job_id).now["left door, rear"]
        assert turned.gap_mm[::-1] == pytest.approx(reading.gap_mm)
        place_on_car(store, job.job_id, {"left door, rear": (500.0, edge)})
        laid = car_with_results(store, job.job_id)
        assert "left door, rear" not in laid.now
        assert "would reach from 500 to" in dict(laid.not_laid)["left door, rear"]
        with pytest.raises(GapvisionError, match="no seam 'left door, top'"):
            place_on_car(store, job.job_id, {"left door, top": (at, edge)})


@pytest.mark.slow
def test_what_a_panel_did_after_a_hang_list_teaches_the_next_plan(tmp_path):
    """The door's hinges make 0.7 of what the list told: only when the door is said to be done is that learnt."""
    others = {s.name for s in ready().seams if not s.name.startswith("left door")}
    with Store(tmp_path) as store:
        job = car_job(store, leave_out=others, ready=False)
        laid = car_with_results(store, job.job_id)
        plan = make_car_plan(laid.measured, frozenset(laid.car.hang_order) - {"left door"}, free_seams=True)
        keep_hang_list(store, job.job_id, plan)
        done = displaced(laid.measured, 0.7 * plan.settings_mm)
        seams = {s.full_name: s for s in store.seams(job.job_id)}
        visit = store.find_visit(job.job_id, "after the first step")
        for number, (name, (reading,)) in enumerate(done.readings.items()):
            measurement = measurement_of(reading, f"{name}.jpg", laid.places[name].edge == "A", every=1)
            keep_photo(store, seams[name], visit, photo(7, number), f"{name}.jpg", measurement)
        ways = [x for x in settings_of_car(laid.car) if plan.settings_mm[settings_of_car(laid.car).index(x)]]
        assert {way_of(taught_car(store, job.job_id, ())[0], x).response for x in ways} == {1.0}
        taught, told = taught_car(store, job.job_id, ["left door"])
        large = [x for x in ways if abs(plan.settings_mm[settings_of_car(laid.car).index(x)]) > 1.0]
        assert large
        for x in large:
            assert 0.55 < way_of(taught, x).response < 0.9, x
        assert "panel-flexes" not in {n.code for n in told}


@pytest.mark.slow
def test_the_report_and_the_export_carry_the_car(tmp_path):
    others = {s.name for s in ready().seams if not s.name.startswith("left door")}
    with Store(tmp_path / "one") as store:
        job = car_job(store, leave_out=others)
        plan = make_car_plan(car_with_results(store, job.job_id).measured, free_seams=True)
        keep_hang_list(store, job.job_id, plan)
        pdf = pypdfium2.PdfDocument(evidence_report(store, job.job_id))
        said = " ".join(" ".join(p.get_textpage().get_text_range() for p in pdf).split())
        bare = store.new_job(reference="T-2")
        set_car(store, bare.job_id, (EXAMPLE / "as_found.toml").read_text(encoding="utf-8"))
        place_on_car(store, bare.job_id, {"bonnet, left": (60.0, "A")})
        keep_hang_list(store, bare.job_id, plan)
        export_job(store, bare.job_id, tmp_path / "job.zip")
    assert "The whole car Evenness over 3 of 14 seams" in said
    assert "Hang list of 20" in said
    assert all(f"{k}. {panel}" in said for k, panel in enumerate(plan.measured.car.hang_order, 1))
    with Store(tmp_path / "two") as store:
        other = import_job(store, tmp_path / "job.zip")
        laid = car_with_results(store, other.job_id)
        assert (laid.car, laid.places["bonnet, left"].at_mm) == (car_of(store, other.job_id), 60.0)
        assert "hang list" in [p.panel for p in store.plans(other.job_id)]


@pytest.mark.slow
def test_a_job_with_a_car_is_planned_on_its_page_and_another_shows_none(tmp_path, monkeypatch):
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))
    job, without = car_job(records(), ready=False), records().new_job(reference="T-2")
    bare = records().new_job(reference="T-3")
    set_car(records(), bare.job_id, tomli_w.dumps(car_file("grey car", "two-seat roadster", {})))

    def opened(job):
        page = AppTest.from_file(str(ENTRY), default_timeout=120)
        page.session_state["view"] = "Car"
        page.session_state["car_job"] = job.reference
        page.run()
        assert not page.exception
        return page

    assert not [x for x in opened(without).header if "car" in x.value]
    page = opened(bare)
    assert "14 right door, front not measured" in alt_of(page)[0]
    assert "Nothing to plan with yet" in " ".join(m.value for m in page.markdown)
    page = opened(job)
    (outline, tried) = alt_of(page)
    assert outline == tried
    page.select_slider("car_try_left door_upper hinge_0").set_value(1.0).run()
    assert not page.exception
    assert "left door, sill" in " ".join(x.proto.body for x in page.get("html") if "Gaps that change" in x.proto.body)
    page.button("car_plan_go").click().run()
    assert not page.exception
    said = " ".join(x.proto.body for x in page.get("html"))
    assert "First: left door" in said
    page.button("car_keep_plan").click().run()
    assert "its report for an expert now carries it" in " ".join(x.value for x in page.success)


@pytest.mark.slow
def test_what_was_tried_on_one_car_is_not_set_on_another(tmp_path, monkeypatch):
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))
    one, two = (car_job(records(), name, ready=False) for name in ("CAR-1", "CAR-2"))
    page = AppTest.from_file(str(ENTRY), default_timeout=120)
    page.session_state["view"], page.session_state["car_job"] = "Car", one.reference
    page.run()
    slider = "car_try_left door_upper hinge_0"
    page.select_slider(slider).set_value(1.0).run()
    for job, tried in ((two, 0.0), (one, 1.0)):
        page.selectbox("car_job").set_value(job.reference).run()
        assert not page.exception
        assert page.select_slider(slider).value == tried
        said = [m.value for m in page.markdown]
        assert ("Nothing is set yet: move a slider." in said) == (not tried)
