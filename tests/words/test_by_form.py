"""A seam that is out by its form alone: every place that sums it up tells the failed check, not its good gap."""

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from gapvision import words
from gapvision.cli import main
from gapvision.formats.judgement_json import check_behind, verdict_from_dict, verdict_to_dict
from gapvision.judgement import judge_measurement, simple_spec
from gapvision.page import car_view, jobs_view
from gapvision.records import Store
from gapvision.reports.car_text import car_text
from gapvision.words import MM, Lengths
from gapvision.workshop import judge_line, keep_photo
from tests.conftest import hand_made_measurement
from tests.records.invented import invented

#: The hand-made edges lie within 0.10 mm, U 0.05 mm; over 100 mm within 0.09 mm.
BENT = replace(simple_spec(4.76, 0.5, 0.5), straightness_mm=0.02, straightness_100_mm=0.03)
SHORT = "straightness 0.10 mm, U 0.05 mm, limit 0.02 mm"
LONG = "straightness of this panel's edge (over 239 mm): 0.10 mm, U 0.05 mm, limit 0.02 mm"


def judged(spec=BENT, level=4.76):
    return judge_measurement(hand_made_measurement(np.full(240, level)), spec)


def seen(verdict, name="door", seam_id=1):
    seam = SimpleNamespace(seam_id=seam_id, side="", full_name=name, name=name, spec=None)
    return car_view._Seen(SimpleNamespace(seam=seam, latest=None), verdict.state, verdict)


def test_the_check_that_is_furthest_over_is_the_one_told():
    """Of 0.10 over 0.02 and 0.09 over 0.03 mm the first; none where the gap is out too, or all is in."""
    assert (judged().state, set(judged().states)) == ("out of tolerance", {"in tolerance"})
    assert judged().by_form.kind == "straightness"
    assert judged(level=3.2).by_form is None
    assert judged(simple_spec(4.76, 0.5, 0.5)).by_form is None
    doubtful = judged(replace(BENT, straightness_mm=0.12, straightness_100_mm=None))
    assert (doubtful.state, doubtful.by_form.limit) == ("not proven", 0.12)
    # The gap is not proven, but out the seam is by its edge.
    assert judged(level=5.22).by_form.kind == "straightness"


def test_the_car_tells_it_on_the_seam_and_as_the_worst():
    row = car_view._drawn([seen(judged())])["seams"][0]
    assert (row["sign"], row["state"], row["worst"]) == ("\u2717", "out of tolerance", SHORT)
    answer = car_view._answer([seen(judged()), seen(judged(simple_spec(4.76, 0.5, 0.5)), "sill", 2)])
    assert answer.endswith(f"<small>Worst: door, {LONG}.</small>".replace("'", "&#x27;"))


@pytest.mark.parametrize(
    ("kind", "told"),
    [
        ({"taper_mm_per_m": 0.5}, "taper +4.00 mm/m, U "),
        ({"jump_10_mm": 0.01}, "jump over 10 mm +0.04 mm, U "),
    ],
)
def test_each_kind_is_short_enough_for_the_seam_s_tile(kind, told):
    spec = replace(simple_spec(4.76, 0.9, 0.9), **kind)
    measurement = hand_made_measurement(4.76 + 0.004 * (np.arange(240.0) - 120), u_mm=0.02)
    verdict = judge_measurement(measurement, spec)
    row = car_view._drawn([seen(verdict)])["seams"][0]
    assert row["worst"].startswith(told)
    assert "limit" in row["worst"]
    for unit in ("mm", "in", "fraction"):
        assert len(words.check_briefly(verdict.by_form, Lengths(unit))) < 80


def test_a_seam_out_by_its_form_comes_behind_those_out_by_their_gap_and_before_the_rest():
    bent, tight, doubtful, right = judged(), judged(level=3.2), judged(level=5.22), judged(simple_spec(4.76, 0.5, 0.5))
    doubtful = judged(simple_spec(4.76, 0.5, 0.5), level=5.22)
    given = [right, doubtful, bent, tight]
    assert sorted(given, key=lambda v: v.rank, reverse=True) == [tight, bent, doubtful, right]
    order = car_view._drawn([seen(v, str(k), k) for k, v in enumerate(given)])["seams"]
    assert [row["id"] for row in order] == [3, 2, 1, 0]
    named = [("right", right), ("doubtful", doubtful), ("bent", bent)]
    assert words.worst_seam(named, MM) == f"Worst: 3. bent, {words.by_letters(LONG)}."
    assert "edge B" in words.by_letters(LONG)
    assert words.worst_seam([*named, ("tight", tight)], MM).startswith("Worst: 4. tight, 3.20 mm")


def test_papers_say_by_what_it_is_out():
    assert words.fit_answer([("door", judged())]) == "No: door is out of tolerance, by its straightness."
    assert words.which_way(judged(level=3.2)) == "too tight"
    assert words.which_way(judged(simple_spec(4.76, 0.5, 0.5))) == ""


def test_a_car_file_s_seams_too():
    car = SimpleNamespace(name="car", seams=[SimpleNamespace(name="door", other_name="a to b")], hang_order=())
    told = car_text(car, {"door": (SimpleNamespace(verdict=judged()),)})
    assert "door (a to b): out of tolerance, " + SHORT in " ".join(told.split())


def test_a_stored_verdict_tells_it_without_its_stations():
    body = verdict_to_dict(judged(), BENT, stations=False)
    assert check_behind(body) == replace(judged().by_form, value=pytest.approx(0.1))
    assert check_behind(verdict_to_dict(judged(level=3.2), BENT, stations=False)) is None
    assert check_behind({"verdict": "out of tolerance"}) is None, "of another program"
    assert verdict_from_dict(body, hand_made_measurement(np.full(240, 4.76))).by_form.kind == "straightness"


def test_jobs_on_the_page_and_on_the_command_line(tmp_path, monkeypatch, capsys):
    """The invented gap lies from 4.55 to 5.05 mm: inside its limits, but its edges are not straight to 0.02 mm."""
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))
    from gapvision.formats.measurement_json import from_dict
    from gapvision.formats.specification_file import specification_to_table
    from gapvision.samples import DEMO_PHOTO

    measurement = from_dict(invented(4.8, u_mm=0.02))
    spec = replace(simple_spec(4.8, 0.5, 0.5), straightness_mm=0.02)
    with Store(tmp_path) as store:
        job = store.new_job(reference="17")
        seam = store.add_seam(job.job_id, "sill", spec=specification_to_table(spec))
        visit = store.find_visit(job.job_id, "as found", on_date="2026-01-01")
        line = judge_line(store, keep_photo(store, seam, visit, DEMO_PHOTO.read_bytes(), "a.jpg", measurement))
        assert line.verdict.decision == "out of tolerance"
        told = words.check_briefly(check_behind(store.verdict(line.measurement_id).body), MM)
        assert told.startswith("straightness 0.")
        monkeypatch.setattr(jobs_view, "records", lambda: store)
        assert jobs_view.state_of(store.seam_states(job.job_id)[0]) == ("\u2717", f"out of tolerance, {told}")
    assert main(["job", "show", "17", "--data", str(tmp_path)]) == 0
    assert f"out of tolerance, {told}" in " ".join(capsys.readouterr().out.split())
