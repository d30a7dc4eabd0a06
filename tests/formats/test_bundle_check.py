"""The checker that goes along with an export: its answers are the program's own, on sound bundles and altered ones."""

import csv
import hashlib
import io
import json
import math
import shutil
import subprocess
import sys
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from gapvision.formats import bundle_check
from gapvision.formats.judgement_json import disagreement, judged_again, verdict_from_dict, verdict_to_dict
from gapvision.formats.measurement_json import from_dict, to_dict
from gapvision.formats.package import Package
from gapvision.formats.specification_file import specification_from_table, specification_to_table
from gapvision.geometry.leaving_out import leave_out
from gapvision.judgement import judge_measurement
from gapvision.judgement.specification import as_before
from gapvision.model import IN, OPEN, OUT, DecisionRule, LeftOut, NominalPoint, Specification
from gapvision.records import Store
from gapvision.workshop import export_job, judge_line
from tests.records.invented import invented

RUNNING = (NominalPoint(0.0, 6.35), NominalPoint(1.0, 3.175))
SPECS = {
    "even": Specification(nominal=(NominalPoint(0.0, 4.7625),), allow_below_mm=0.3, allow_above_mm=0.2),
    "runs": Specification(nominal=RUNNING, at_unit="share", allow_below_mm=1.2, allow_above_mm=1.4, length_mm=150,
                          photo_at_mm=7.0),
    "steps": Specification(
        nominal=(NominalPoint(10.0, 4.6), NominalPoint(60.0, 5.0)), allow_below_mm=0.4, allow_above_mm=0.3,
        photo_at_mm=0.0,
    ),
    "back": Specification(nominal=RUNNING, at_unit="share", allow_below_mm=0.5, allow_above_mm=0.4, length_mm=400,
                          photo_at_mm=120.0, photo_reverse=True),
}


@pytest.fixture(scope="module")
def bundle(tmp_path_factory):
    """An export unpacked, of results by every rule: folder, zip."""
    folder, picture = tmp_path_factory.mktemp("bundle"), io.BytesIO()
    Image.new("RGB", (400, 300)).save(picture, "JPEG")
    with Store(folder / "data") as store:
        job = store.new_job(reference="17")
        visit = store.add_visit(job.job_id, "as found", on_date="2026-01-01")
        for name, spec in SPECS.items():
            for k, rule in enumerate(("proven", "simple", "risk")):
                seam = store.add_seam(job.job_id, f"{name} {rule}", spec=specification_to_table(spec))
                given = seam.seam_id, visit.visit_id, picture.getvalue(), ".jpg"
                line = store.save_photo(*given, invented(4.6 + 0.1 * k, u_mm=0.12))
                judge_line(store, line, DecisionRule(name=rule))
        export_job(store, job.job_id, folder / "job.zip")
    with Package(folder / "job.zip") as package:
        for file in package.files:
            place = folder / "unpacked" / file.name
            place.parent.mkdir(parents=True, exist_ok=True)
            place.write_bytes(package.read(file.name))
        (folder / "unpacked" / "manifest.json").write_bytes(package.manifest_bytes)
    return folder / "unpacked", folder / "job.zip"


def ask(place, capsys):
    code = bundle_check.main([str(place)])
    return code, capsys.readouterr().out


@pytest.mark.slow
def test_a_sound_bundle_agrees_alone_in_its_folder_and_as_a_zip(bundle, capsys):
    folder, packed = bundle
    alone = [sys.executable, "-I", "-S", folder / "check.py"]  # without any package but Python's own
    done = subprocess.run(alone, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stdout.splitlines()[-1]) == (0, "All agrees."), done.stdout
    assert f"limits and state of {12 * 120} stations" in done.stdout
    assert ask(packed, capsys) == (0, done.stdout)
    report = folder / "report.pdf"
    assert report.read_bytes().startswith(b"%PDF")
    sound = report.read_bytes()
    report.write_bytes(sound + b"%")
    code, told = ask(folder, capsys)
    report.write_bytes(sound)
    assert (code, told.splitlines()[-1]) == (1, "1 thing is wrong.")


@pytest.mark.parametrize("name", SPECS)
@pytest.mark.parametrize("rule", ["proven", "simple", "risk"])
def test_its_states_and_limits_are_the_programs(name, rule):
    """Also right on a limit, and with a U larger than the tolerance."""
    content, spec = invented(4.7), SPECS[name]
    for k, s in enumerate(content["stations"]):
        s["u_mm"] = (0.02, 0.3, 0.5, 0.9)[k % 4]
        s["gap_mm"] = round(s["gap_mm"], 4) if k % 5 else 4.9625
    verdict = judge_measurement(from_dict(content), spec, DecisionRule(name=rule))
    found = bundle_check.states(content, specification_to_table(spec), {"name": rule, "risk": None})
    assert tuple(x[3] for x in found) == verdict.states
    assert len(set(verdict.states)) >= 2
    assert np.allclose([x[1] for x in found], verdict.lower_mm)
    assert np.allclose([x[2] for x in found], verdict.upper_mm)


@pytest.mark.parametrize("name", SPECS)
@pytest.mark.parametrize("at", [(0.0, 30.0), (90.0, 119.0)])
@pytest.mark.parametrize("version", [1, 2])
def test_so_they_are_where_a_person_left_out_an_end(name, at, version):
    """By the rule's version that the verdict names: the first laid the photo by the first station that was left."""
    spec, one = SPECS[name], leave_out(from_dict(invented(4.7)), (LeftOut(from_mm=at[0], to_mm=at[1]),))
    verdict = judge_measurement(one, spec, version=version)
    content, rule = json.loads(json.dumps(to_dict(one))), {"name": "proven", "risk": None, "version": version}
    found = bundle_check.states(content, specification_to_table(spec), rule)
    assert tuple(x[3] for x in found) == verdict.states
    assert np.allclose([x[1] for x in found], verdict.lower_mm)
    old = replace(spec, photo_at_mm=None, photo_reverse=False)
    v = judge_measurement(one, as_before(old, one.profile.s_mm), version=1)
    found = bundle_check.states(content, specification_to_table(old), {"name": "proven", "risk": None, "version": 1})
    assert np.allclose([x[1] for x in found], v.lower_mm)


@pytest.mark.parametrize("at", [(0.0, 30.0), (90.0, 119.0)])
def test_an_honest_verdict_of_the_first_version_stands_and_a_changed_one_does_not(at):
    """A wanted gap that runs, an end left out: the two versions decide otherwise; each is held to its own."""
    one = leave_out(from_dict(invented(4.7)), (LeftOut(from_mm=at[0], to_mm=at[1]),))
    spec = Specification(
        nominal=(NominalPoint(0.0, 4.0), NominalPoint(1.0, 5.4)), at_unit="share", allow_below_mm=0.45,
        allow_above_mm=0.45, photo_at_mm=30.0, length_mm=180.0,
    )  # fmt: skip
    states = set()
    for version in (1, 2):
        verdict = judge_measurement(one, spec, version=version)
        body = verdict_to_dict(verdict, spec, stations=False)
        body["rule"]["version"] = version
        judged = judged_again(body, one)
        assert disagreement(body, verdict.state, judged) == ""
        assert verdict_from_dict(body, one).states == verdict.states
        other = OUT if verdict.state == IN else IN
        assert "contradicts" in disagreement(body, other, judged)
        states.add(verdict.states)
    assert len(states) == (2 if at[0] == 0.0 else 1), "what is left out at the end moves nothing here"


@pytest.mark.parametrize("version", [1, 2])
def test_a_seam_with_a_long_hole_is_not_passed_with_or_without_its_spans(make_measurement, version):
    """What was not measured is not proven: whoever writes 'in tolerance' over it is found."""
    m = make_measurement(4.76, u_mm=0.05)
    spans = (LeftOut(from_mm=30.0, to_mm=60.0, reason="a handle"),)
    m = replace(leave_out(m, spans), settings=replace(m.settings, left_out=spans))
    spec = Specification(nominal=(NominalPoint(0.0, 4.76),), allow_below_mm=0.5, allow_above_mm=0.5)
    verdict = judge_measurement(m, spec, version=version)
    assert verdict.state == OPEN
    body = verdict_to_dict(verdict, spec)
    body["rule"]["version"] = version
    content = to_dict(m)
    found = bundle_check.states(content, body["specification"], body["rule"])
    assert not bundle_check.verdict_wrong(found, {"decision": OPEN, "body": body}, content["spacing_mm"])
    for one in ({**body, "verdict": IN}, {**body, "verdict": IN, "spans": []}):
        assert bundle_check.verdict_wrong(found, {"decision": IN, "body": one}, content["spacing_mm"])
    allowed = replace(spec, largest_hole_mm=40.0)
    good = verdict_to_dict(judge_measurement(m, allowed), allowed)
    assert good["verdict"] == IN
    assert not bundle_check.verdict_wrong(found, {"decision": IN, "body": good}, content["spacing_mm"])


@pytest.mark.parametrize("beside", [-4e-5, -1e-5, 0.0, 1e-5, 4e-5])
def test_a_gap_beside_its_limit_has_one_state_here_and_there(make_measurement, beside):
    """Files hold five decimals, and five count."""
    m = from_dict(to_dict(make_measurement(4.26 + 0.1 + beside, u_mm=0.1)))
    spec = Specification(nominal=(NominalPoint(0.0, 4.76),), allow_below_mm=0.5, allow_above_mm=0.5)
    verdict = judge_measurement(m, spec)
    body = verdict_to_dict(verdict, spec)
    assert [x[3] for x in bundle_check.states(to_dict(m), body["specification"], body["rule"])] == list(verdict.states)


def test_a_verdict_of_a_program_that_asked_for_no_place_is_read_as_it_was_made():
    """Its running gap lay on the photo as if that were the seam: the checker of its export says the same limits."""
    content = invented(4.7)
    for name in ("runs", "steps"):
        old = replace(SPECS[name], photo_at_mm=None)
        one = from_dict(content)
        v = judge_measurement(one, as_before(old, one.profile.s_mm), DecisionRule())
        found = bundle_check.states(content, specification_to_table(old), {"name": "proven", "risk": None})
        assert np.allclose([x[1] for x in found], v.lower_mm)


@pytest.mark.parametrize("text", ["4.7625mm", "3/16in", "1 1/2in", "0.476cm", "187.5thou", '0.1875"'])
def test_it_reads_lengths_as_the_program_does(text):
    table = {"nominal": text, "allow_below": "1mm", "allow_above": "1mm"}
    assert math.isclose(bundle_check.length_mm(text), specification_from_table(table).nominal[0].gap_mm)


def with_true_hashes(folder):
    """Who alters a bundle may well make its manifest anew."""
    manifest = json.loads((folder / "manifest.json").read_text())
    for entry in manifest["files"]:
        entry["sha256"] = hashlib.sha256((folder / entry["name"]).read_bytes()).hexdigest()
    (folder / "manifest.json").write_text(json.dumps(manifest))


def change_json(path, change):
    content = json.loads(path.read_text())
    change(content)
    path.write_text(json.dumps(content))


def change_table(path, column, value):
    rows = list(csv.reader(io.StringIO(path.read_text())))
    rows[40][rows[0].index(column)] = value
    with path.open("w", newline="") as file:
        csv.writer(file).writerows(rows)


def widen(content):
    for s in content["stations"]:
        s["gap_mm"] += 1.18


def pass_it(job):
    verdict = job["shots"][0]["measurements"][0]["verdicts"][-1]
    verdict["decision"] = verdict["body"]["verdict"] = "in tolerance"


ALTERED = {
    "a photo": (lambda f: next((f / "photos").iterdir()).write_bytes(b"another"), "altered, its SHA-256"),
    "the paper": (lambda f: (f / "report.pdf").write_bytes(b"%PDF"), "report.pdf: altered"),
    "a file more": (lambda f: (f / "more.txt").write_text(""), "more.txt: not in the manifest"),
    "a file less": (lambda f: (f / "report.pdf").unlink(), "report.pdf: missing"),
}
ALTERED_WELL = {
    "gaps": (lambda m, t, f: change_json(m, widen), "mean_mm is told as"),
    "a mean": (lambda m, t, f: change_json(m, lambda c: c["gap"].update(mean_mm=4.76)), "mean_mm is told as 4.76"),
    "U": (lambda m, t, f: change_json(m, lambda c: c["stations"][7].update(u_mm=0.01)), "the gap or U is another than"),
    "a table's gap": (lambda m, t, f: change_table(t, "gap [mm]", "4.762"), "another than the measurement's"),
    "a state": (lambda m, t, f: change_table(t, "state", "out of tolerance"), "the table says out of tolerance"),
    "a limit": (lambda m, t, f: change_table(t, "upper limit [mm]", "9.000"), "the table says otherwise"),
    "a verdict": (lambda m, t, f: change_json(f / "job.json", pass_it), "its stations and checks give"),
    "a station less": (lambda m, t, f: change_json(m, lambda c: c["stations"].pop()), "stations, the measurement has"),
    "no number": (lambda m, t, f: change_json(m, lambda c: c["stations"][3].update(gap_mm="x")), "cannot be checked"),
}


@pytest.mark.parametrize("what", ALTERED)
@pytest.mark.slow
def test_an_altered_file_is_found(bundle, tmp_path, capsys, what):
    alter, said = ALTERED[what]
    folder = shutil.copytree(bundle[0], tmp_path / "b")
    alter(folder)
    code, told = ask(folder, capsys)
    assert (code, said in told) == (1, True), told


@pytest.mark.parametrize("what", ALTERED_WELL)
def test_what_contradicts_itself_is_found_behind_true_hashes(bundle, tmp_path, capsys, what):
    alter, said = ALTERED_WELL[what]
    folder = shutil.copytree(bundle[0], tmp_path / "b")
    measured = min((folder / "measurements").iterdir())
    alter(measured, folder / "tables" / f"{measured.stem}.csv", folder)
    with_true_hashes(folder)
    code, told = ask(folder, capsys)
    assert (code, said in told) == (1, True), told
