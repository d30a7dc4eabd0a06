"""job, add and compare through the command line, on a sample photo and on invented measurement files."""

import json
from pathlib import Path

import numpy as np
import pytest

from gapvision.cli import main
from gapvision.formats.measurement_json import write
from gapvision.records import Store
from gapvision.words import MM
from gapvision.workshop import stored
from tests.records.invented import invented

SAMPLE = Path(__file__).parents[2] / "sample_images" / "backlit_bonnet_gap.jpg"
JPEG = b"\xff\xd8\xff\xe0 an invented picture"


@pytest.fixture
def run(tmp_path, capsys):
    def call(*words, data=tmp_path / "data"):
        code = main([*map(str, words), "--data", str(data)])
        out = capsys.readouterr()
        assert "Traceback" not in out.err
        return code, out.out, out.err

    call.folder = tmp_path / "data"
    return call


def full_job(folder):
    """A job with two stages of one seam and the other side's seam, without measuring."""
    with Store(folder) as store:
        job = store.new_job(reference="17", customer="Zoë", car="roadster")
        left = store.add_seam(job.job_id, "door, rear", side="left")
        right = store.add_seam(job.job_id, "door, rear", side="right")
        for k, (seam, stage, mean) in enumerate(
            [(left, "as found", 5.6), (left, "after fit-up", 4.9), (right, "as found", 4.9)]
        ):
            visit = store.find_visit(job.job_id, stage, on_date=f"2026-03-0{k + 1}")
            content = invented(mean) | {"strip_ends_px": {"A": [[50, 90], [290, 90]]}}
            content["settings"] = {}
            store.save_photo(seam.seam_id, visit.visit_id, JPEG + bytes([k]), ".jpg", content)


def test_new_list_show(run):
    assert run("job", "new", "--reference", "17", "--customer", "Zoë", "--car", "roadster") == (0, "17\n", "")
    assert run("job", "new", "--reference", "17")[0] == 2
    code, out, _ = run("job", "list", "--json")
    (found,) = json.loads(out)
    assert (code, found["reference"], found["customer"], found["seams"]) == (0, "17", "Zoë", 0)
    assert run("job", "list", "zoe")[1].count("roadster") == 1
    assert run("job", "list", "saloon")[1] == "No job has all these words.\n"
    assert "customer: Zoë" in run("job", "show", "17")[1]
    code, _, err = run("job", "show", "18")
    assert code == 2
    assert err == (
        "gapvision: There is no job '18'. See 'gapvision job list' for the references there are. [job-not-found]\n"
    )


@pytest.mark.slow
def test_add_measures_and_stores(run):
    run("job", "new", "--reference", "17")
    words = (
        "add",
        SAMPLE,
        "--job",
        "17",
        "--seam",
        "left bonnet",
        "--stage",
        "as found",
        "--latched",
        "--who",
        "Sam",
        "--nominal",
        "3/16in",
        "--tol",
        "1mm",
    )
    code, out, _ = run(*words)
    assert code == 0
    assert out.startswith("New seam in job 17: left bonnet\n")
    assert "stored as measurement 1" in out
    assert out.endswith("in tolerance (rule: proven)\n")
    shown = json.loads(run("job", "show", "17", "--json")[1])
    (one,) = shown["seams"][0]["measurements"]
    truth = json.loads(SAMPLE.with_suffix(".truth.json").read_text())
    assert one["mean_mm"] == pytest.approx(truth["summary"]["mean_gap"], abs=0.15)
    assert one["conditions"]["latched"] is True
    with Store(run.folder) as store:
        (line,) = store.job_lines(1)
        assert store.photo_bytes(line.photo) == SAMPLE.read_bytes()
        ends = stored(store, line).photo.strip_ends_px()
    lengths = [float(np.hypot(*(a - b))) for a, b in ends.values()]
    assert min(lengths) > 800  # a 240 mm pattern on a photo of some 5 px/mm
    code, out, _ = run("job", "remeasure", "17")
    assert code == 0
    assert len(json.loads(run("job", "show", "17", "--json")[1])["seams"][0]["measurements"]) == 2


@pytest.mark.slow
def test_what_was_stated_stays_with_the_result(run, tmp_path):
    """Measured again, exported and taken in elsewhere: still the same, and in the report."""
    run("job", "new", "--reference", "17")
    common = ("--job", "17", "--seam", "sill", "--stage", "as found")
    stated = ("--edge-a", "rolled:1.5mm", "--edge-b", "rolled:1.8mm", "--step", "-2mm")
    code, out, _ = run("add", SAMPLE, *common, *stated)
    assert code == 0
    assert "step-contradicted" in out
    assert run("job", "remeasure", "17")[0] == 0
    assert run("export", "17", "-o", tmp_path / "job.zip")[0] == 0
    elsewhere = tmp_path / "elsewhere"
    assert run("import", tmp_path / "job.zip", data=elsewhere)[0] == 0
    for folder in (run.folder, elsewhere):
        with Store(folder) as store:
            job = store.job("17")
            lines = [line for seam in store.seams(job.job_id) for line in store.history(seam.seam_id)]
            settings = [store.measurement(line.measurement_id)["settings"] for line in lines]
        assert len(settings) == 2
        for one in settings:
            assert (one["edge_a"], one["edge_a_radius_mm"], one["edge_b_radius_mm"]) == ("rolled", 1.5, 1.8)
            assert (one["step_mm"], one["step_u_mm"]) == (-2.0, 0.2)
    with Store(elsewhere) as store:
        from gapvision.workshop.evidence import seam_evidence

        (seam,) = store.seams(store.job("17").job_id)
        line = store.history(seam.seam_id)[-1]
        remarks = " ".join(seam_evidence(store, seam, line, line, MM).remarks)
    assert "Stated, not measured: edge A rolled, radius 1.50 mm" in remarks
    assert "Face B was stated to stand -2.00 mm" in remarks


@pytest.mark.parametrize(
    ("old", "photo"), [("left_out.json", "grey_primer_cut_edge.jpg"), ("stated_with_taps.json", "gloss_door_arc.jpg")]
)
@pytest.mark.slow
def test_measuring_again_takes_over_all_that_was_stated(run, old, photo):
    """Also of a result of version 1, whose keys had other names and whose left-out spans stood beside its settings."""
    content = json.loads((Path(__file__).parents[1] / "formats" / "kept" / old).read_text(encoding="utf-8"))
    run("job", "new", "--reference", "17")
    with Store(run.folder) as store:
        job = store.job("17")
        seam, visit = store.add_seam(job.job_id, "sill"), store.find_visit(job.job_id, "as found")
        data = SAMPLE.with_name(photo).read_bytes()
        store.save_photo(seam.seam_id, visit.visit_id, data, ".jpg", content, file_name=photo)
    assert run("job", "remeasure", "17")[0] == 0
    with Store(run.folder) as store:
        before, after = (stored(store, line) for line in store.history(seam.seam_id))
    assert after.settings == before.settings
    assert after.method_version > before.method_version
    assert len(after.photo.strips) >= 1
    for span in before.left_out:
        assert not ((after.profile.s_mm >= span.from_mm) & (after.profile.s_mm <= span.to_mm)).any()
    assert after.stated_step_mm == before.stated_step_mm


def test_add_refuses_what_it_cannot_store(run, tmp_path):
    run("job", "new", "--reference", "17")
    bad = tmp_path / "note.jpg"
    bad.write_bytes(b"no picture")
    common = ("--job", "17", "--seam", "sill", "--stage", "as found")
    assert run("add", tmp_path / "missing.jpg", *common)[0] == 2
    assert run("add", bad, *common)[0] == 2
    assert run("add", SAMPLE, "--job", "18", *common[2:])[0] == 2
    import cv2
    import numpy as np

    plain = tmp_path / "plain.jpg"
    cv2.imwrite(str(plain), np.full((600, 800), 128, np.uint8))
    code, out, _ = run("add", plain, *common)
    assert code == 3
    assert out.endswith("plain.jpg: refused, not stored\n")
    assert json.loads(run("job", "show", "17", "--json")[1])["seams"][0]["measurements"] == []
    assert run("add", plain, *common, "--keep-refused")[0] == 3
    assert json.loads(run("job", "show", "17", "--json")[1])["seams"][0]["measurements"][0]["status"] == "refused"


@pytest.mark.slow
def test_several_photos_one_bad(run, tmp_path):
    run("job", "new", "--reference", "17")
    code, out, err = run("add", tmp_path / "no.jpg", SAMPLE, "--job", "17", "--seam", "sill", "--stage", "as found")
    assert code == 2
    assert "stored as measurement 1" in out
    assert "no.jpg: 'no.jpg' was not found." in err.replace(f"{tmp_path}/", "")


def test_compare_before_after_and_left_right(run, tmp_path):
    full_job(run.folder)
    code, out, _ = run("compare", "17", "left door, rear", "--nominal", "4.8mm", "--json", tmp_path / "c.json")
    assert code == 0
    assert "before: no. 1, left door, rear, as found, 2026-03-01" in out
    assert "best alignment" in out
    found = json.loads((tmp_path / "c.json").read_text())
    assert found["mean_change_mm"] == pytest.approx(-0.7, abs=0.01)
    assert found["better_mm"] > 80
    code, out, _ = run("compare", "17", "left door rear", "--datum", "strip")
    assert "strip A, in the same place at both." in out
    assert "shifted by +0.00 mm" in out
    code, out, _ = run("compare", "17", "left door rear", "--mark", "60,150", "60,150")
    assert "tapped in both photos" in out
    code, out, _ = run("compare", "17", "left door rear", "--with", "right door rear", "--datum", "strip")
    assert code == 0
    assert "the second is mirrored" in out


def test_a_coat_s_film_is_told_from_one_seam_only(run):
    full_job(run.folder)
    code, _, err = run("compare", "17", "left door rear", "--with", "right door rear", "--coat", "epoxy primer")
    assert code == 2
    assert "--coat tells what one seam took" in err
    assert not (run.folder / "films.toml").exists()


def test_compare_refuses_one_measurement_and_unknown_stage(run):
    full_job(run.folder)
    assert run("compare", "17", "right door rear")[0] == 2
    code, _, err = run("compare", "17", "left door rear", "--after", "after paint")
    assert code == 2
    assert "stages: as found, after fit-up" in err


def test_compare_two_files(run, tmp_path):
    for name, mean in (("a.json", 5.0), ("b.json", 5.4)):
        (tmp_path / name).write_text(json.dumps(_whole(mean)))
    code, out, _ = run("compare", tmp_path / "a.json", tmp_path / "b.json")
    assert code == 0
    assert "Mean change +0.40 mm (+0.016 in), U 0.14 mm" in out
    assert "maybe-two-seams" not in out, "they waver alike"


EXAMPLE = SAMPLE.parent / "panel_example"
TWO = "Nothing in the two profiles shows that they are of one seam."


@pytest.mark.parametrize(
    ("first", "second"), [("left_rear", "left_front"), ("left_rear", "right_rear"), ("rear_middle", "right_front")]
)
def test_files_of_two_seams_are_not_called_changed_without_a_word(run, tmp_path, first, second):
    """Four seams of one bonnet, drawn and photographed for the example of a plan."""
    files = [EXAMPLE / f"{name}.json" for name in (first, second)]
    code, out, _ = run("compare", *files, "--json", tmp_path / "c.json")
    assert code == 0
    assert " ".join(out.split()).index(TWO) < out.index("Mean change")
    assert "maybe-two-seams" in [n["code"] for n in json.loads((tmp_path / "c.json").read_text())["notices"]]
    # A person who taps what both photos show says so; and so does who compares the two sides of a car.
    for words in (["--mark", "600,500", "600,500"], ["--mirror"]):
        assert "maybe-two-seams" not in run("compare", *files, *words)[1]


@pytest.mark.slow
def test_stages_of_one_seam_pass_as_files_where_the_door_was_only_moved(run, tmp_path, measured_sample):
    """Of the invented job's left door: as found, and after it was hung anew.  Beside the bonnet it is warned of."""
    for name in ("left_door_1", "left_door_2", "left_bonnet_1"):
        write(measured_sample(f"{name}.jpg")[1], tmp_path / f"{name}.json")
    assert "maybe-two-seams" not in run("compare", tmp_path / "left_door_1.json", tmp_path / "left_door_2.json")[1]
    assert "maybe-two-seams" in run("compare", tmp_path / "left_door_1.json", tmp_path / "left_bonnet_1.json")[1]


def test_what_else_speaks_against_one_seam(run, tmp_path):
    for name, kinds in (("left_rear", ("cut", "rolled")), ("left_front", ("rolled", "rolled"))):
        content = json.loads((EXAMPLE / f"{name}.json").read_text())
        content["settings"] |= {"edge_a": kinds[0], "edge_b": kinds[1]}
        (tmp_path / f"{name}.json").write_text(json.dumps(content))
    out = " ".join(run("compare", tmp_path / "left_rear.json", tmp_path / "left_front.json")[1].split())
    assert "their edges were stated as cut and rolled, then as rolled and rolled." in out


def test_the_records_say_which_seams_are_one(run):
    """Stages of one seam are never doubted, though trimming took all that they had in common."""
    full_job(run.folder)
    with Store(run.folder) as store:
        job = store.job("17")
        left = store.seams(job.job_id)[0]
        sill = store.add_seam(job.job_id, "sill", side="right")
        for k, seam in enumerate((left, sill)):
            content = invented(4.8)
            for s, wave in zip(content["stations"], 0.2 * np.sin(np.arange(120) / 6), strict=True):
                s["gap_mm"] = 4.8 + wave
            visit = store.find_visit(job.job_id, "after trimming", on_date="2026-03-09")
            store.save_photo(seam.seam_id, visit.visit_id, JPEG + b"t" + bytes([k]), ".jpg", content)
    out = run("compare", "17", "left door rear")[1]
    assert "alignment-weak" in out
    assert "maybe-two-seams" not in out
    assert "maybe-two-seams" not in run("compare", "17", "left door rear", "--with", "right door rear")[1]
    out = " ".join(run("compare", "17", "left door rear", "--with", "right sill")[1].split())
    assert "'left door, rear' and 'right sill' are two seams: what is told is how they differ, not what changed." in out
    assert out.index("two seams") < out.index("Mean change")


def _whole(mean):
    content = invented(mean)
    for s in content["stations"]:
        s |= {"edge_a_u_mm": 0.02, "edge_b_u_mm": 0.02, "std_u_mm": {"edge": 0.02}}
    return content


def test_bin_and_undo(run):
    full_job(run.folder)
    assert "In the bin: seam right door, rear." in run("job", "delete", "17", "--seam", "right door, rear")[1]
    assert "In the bin: job 17" in run("job", "delete", "17")[1]
    assert run("job", "list")[1] == "No job.\n"
    assert "job 17" in run("job", "bin")[1]
    assert run("job", "undo")[1] == "Brought back: job 17, Zoë.\n"
    assert run("job", "undo")[1] == "Brought back: seam right door, rear.\n"
    assert run("job", "undo")[0] == 2
    run("job", "delete", "17", "--measurement", "1")
    assert run("job", "bin", "--empty", "--yes")[1] == "Removed for good: 1 items, 1 photos.\n"


def test_edit_note_panel(run):
    full_job(run.folder)
    assert run("job", "edit", "17", "--car", "saloon")[0] == 0
    assert run("job", "note", "17", "Hinge pin worn", "--seam", "left door rear")[0] == 0
    out = run("job", "panel", "17", "door", "--side", "left", "--metal", "aluminium", "--length", "3ft")[0]
    assert out == 2
    out = run(
        "job",
        "panel",
        "17",
        "door",
        "--side",
        "left",
        "--metal",
        "aluminium",
        "--length",
        "1020mm",
        "--seams",
        "left door rear",
    )[1]
    assert out == "left door: aluminium, 1020 mm across its gaps\n"
    assert "Hinge pin worn" in run("job", "show", "17")[1]
    assert run("job", "list", "saloon", "hinge")[1].count("saloon") == 1


@pytest.mark.slow
def test_several_photos_of_one_seam_are_one_result(run, monkeypatch, tmp_path):
    """All photos are kept with it, verified, exported and handed to another shop."""
    from gapvision.formats import measurement_json
    from gapvision.intake.photo import read_photo
    from tests.records.invented import invented_set

    names = [tmp_path / f"{name}.jpg" for name in ("b", "a")]
    for path in names:
        path.write_bytes(Path(SAMPLE).read_bytes() + path.name.encode())
    seen = {p.name: read_photo(p).sha256 for p in names}
    together = measurement_json.from_dict(invented_set(seen))
    monkeypatch.setattr("gapvision.several.measure_photos", lambda photos, settings=None: together)
    run("job", "new", "--reference", "17")
    code, out, _ = run("add", *map(str, names), "--one-seam", "--job", "17", "--seam", "bonnet", "--stage", "as found",
                       "--nominal", "4.8mm", "--tol", "0.5mm", "--yes")  # fmt: skip
    assert code == 0
    assert "2 photos together: ok, mean gap" in out
    assert "stored as measurement 1" in out
    assert "a.jpg and 1 more" in run("job", "show", "17")[1]
    (seam,) = json.loads(run("job", "show", "17", "--json")[1])["seams"]
    assert [m["photos_sha256"] for m in seam["measurements"]] == [[seen["a.jpg"], seen["b.jpg"]]]
    assert run("verify")[0] == 0
    assert run("export", "17", "-o", str(tmp_path / "job.zip"))[0] == 0
    assert run("verify", str(tmp_path / "job.zip"))[0] == 0
    assert run("import", str(tmp_path / "job.zip"), data=tmp_path / "other")[0] == 0
    assert "a.jpg and 1 more" in run("job", "show", "17", data=tmp_path / "other")[1]
    assert run("report", "17", "-o", str(tmp_path / "r.pdf"))[0] == 0
    # The same photo for another stage is asked about, whichever of the set it is.
    code, _, err = run("add", str(names[0]), "--job", "17", "--seam", "bonnet", "--stage", "after trimming")
    assert (code, "The same photo is kept for stage 'as found'" in err) == (2, True)
