"""shop, report, export, import, verify, backup and demo-job through the command line."""

import csv
import io
import json
import re
import zipfile

import pypdfium2
import pytest
from PIL import Image

from gapvision.cli import main
from gapvision.model import IN, OPEN, OUT
from gapvision.records import Store
from tests.records.invented import invented


@pytest.fixture
def run(tmp_path, capsys):
    def call(*words, data=tmp_path / "data"):
        code = main([*map(str, words), "--data", str(data)])
        out = capsys.readouterr()
        assert "Traceback" not in out.err
        return code, out.out, out.err

    call.folder = tmp_path / "data"
    return call


def photo(number):
    """A JPEG with a place in its EXIF and a picture of its own."""
    exif = Image.Exif()
    exif[0x8825] = {1: "N", 2: (48.0, 30.0, 15.0)}
    exif[0x010E] = "private words"
    out = io.BytesIO()
    Image.new("RGB", (400, 300), (90 + 40 * number, 80, 70)).save(out, "JPEG", exif=exif)
    return out.getvalue()


@pytest.fixture
def job(run):
    with Store(run.folder) as store:
        job = store.new_job(reference="17", customer="Zoë Παράδειγμα", car="roadster")
        seam = store.add_seam(
            job.job_id,
            "door, rear",
            side="left",
            spec={"nominal": "4.8mm", "allow_below": "0.5mm", "allow_above": "0.5mm"},
        )
        for k, (stage, mean) in enumerate([("as found", 5.6), ("after fit-up", 4.9)]):
            visit = store.find_visit(job.job_id, stage, on_date=f"2026-03-0{k + 1}")
            content = invented(mean)
            store.save_photo(seam.seam_id, visit.visit_id, photo(k), ".jpg", content, file_name=f"IMG_{k}.jpg")
    return job


def test_shop(run, tmp_path):
    logo = tmp_path / "logo.png"
    Image.new("RGB", (20, 10)).save(logo)
    code, out, _ = run("shop", "--name", "Old Ferry", "--logo", logo, "--paper", "letter", "--units", "inch")
    assert code == 0
    assert out.startswith("name: Old Ferry\n")
    assert "paper: letter\nunits: inch\n" in out
    assert run("shop", "--logo", tmp_path / "none.png")[0] == 2
    (tmp_path / "note.png").write_text("no picture")
    assert run("shop", "--logo", tmp_path / "note.png")[0] == 2
    assert "name: Old Ferry" in run("shop")[1]


@pytest.mark.parametrize(
    ("command", "maker"),
    [("report", "gapvision.workshop.evidence_report"), ("export", "gapvision.workshop.export_job")],
)
def test_nothing_is_made_that_has_no_place_to_go(command, maker, run, job, tmp_path, monkeypatch):
    def make(*args, **named):
        raise AssertionError("it was made")

    monkeypatch.setattr(maker, make)
    target = tmp_path / "none" / "x"
    code, out, err = run(command, "17", "-o", target)
    assert (code, out) == (2, "")
    assert err.startswith(f"gapvision: '{target}' could not be written.")
    assert "[folder-not-writable]" in err


@pytest.mark.slow
def test_report(run, job, tmp_path):
    code, out, _ = run("report", "17", "-o", tmp_path / "r.pdf")
    assert (code, out) == (0, f"written: {tmp_path / 'r.pdf'}\n")
    text = " ".join(p.get_textpage().get_text_range() for p in pypdfium2.PdfDocument(tmp_path / "r.pdf"))
    assert "Zoë Παράδειγμα" in text
    assert "best alignment" in text
    code, _, _ = run("report", "17", "-o", tmp_path / "v.pdf", "--visit", "as found", "--paper", "letter")
    pdf = pypdfium2.PdfDocument(tmp_path / "v.pdf")
    assert pdf[0].get_size() == pytest.approx((612, 792), abs=0.1)
    text = " ".join(p.get_textpage().get_text_range() for p in pdf)
    assert "after fit-up" not in text
    assert run("report", "18", "-o", tmp_path / "x.pdf")[0] == 2
    assert run("report", "17", "-o", tmp_path / "x.pdf", "--visit", "after paint")[0] == 2
    assert run("report", "17", "-o", tmp_path / "none" / "x.pdf")[0] == 2
    run("job", "new", "--reference", "19")
    assert run("report", "19", "-o", tmp_path / "x.pdf")[0] == 2
    assert not (tmp_path / "x.pdf").exists()


@pytest.mark.slow
def test_judge_with_a_finish_plan_and_keep_a_correction_plan(run, job, tmp_path):
    finish, plan = tmp_path / "finish.toml", tmp_path / "plan.json"
    finish.write_text(
        'format = "gapvision-finish/1"\nstage = "bare metal"\nsmallest_gap = "3mm"\n'
        '[[coats]]\nkind = "filler"\ncoats = 2\nfilm = ["100um", "100um"]\nstays = [1.0, 1.0]\non = "both"\n'
        'stage = "high build"\nsource = "the test"\n'
    )
    code, out, _ = run("job", "judge", "17", "--finish", finish, "--rule", "simple")
    assert code == 0
    # By hand: two coats of 0.1 mm on both edges take 0.4 mm from gaps of 5.35 to 5.84 and 4.65 to 5.14 mm;
    # the limits are 4.3 and 5.3 mm.
    ends = [tuple(re.split(" {2,}", r.strip())[-2:]) for r in out.splitlines()[2:]]
    assert ends == [("out of tolerance", "out of tolerance"), ("in tolerance", "out of tolerance")]
    with Store(run.folder) as store:
        future = store.verdict(2).body["forecast"]
        assert future["film"]["loss_mm"] == pytest.approx(0.4)
    plan.write_text(
        json.dumps(
            {
                "schema": "gapvision-plan/1",
                "panel": "left door",
                "steps": ["Move the door 1.0 mm to the rear."],
                "move": {"points": [{"name": "upper hinge", "words": "1.0 mm (3/64 in) to the rear"}]},
                "stretches": [
                    {
                        "seam": "door, rear",
                        "trim": {
                            "table": [
                                {"s_mm": 25.0, "gap_mm": 4.4, "new_gap_mm": 4.8, "remove_mm": 0.4, "action": "remove"}
                            ]
                        },
                    }
                ],
                "cautions": ["Gloves: trimmed edges are sharp."],
            }
        )
    )
    assert run("job", "plan", "17", plan)[:2] == (0, "kept: plan for left door\n")
    assert run("job", "plan", "17", finish)[0] == 2
    assert run("job", "plan", "17", tmp_path / "none.json")[0] == 2
    assert run("report", "17", "-o", tmp_path / "r.pdf")[0] == 0
    text = " ".join(p.get_textpage().get_text_range() for p in pypdfium2.PdfDocument(tmp_path / "r.pdf"))
    text = " ".join(text.split())
    for words in (
        "Correction plan: left door",
        "upper hinge: 1.0 mm",
        "remove 0.40 mm (1/64 in)",
        "Forecast after paint",
        "forecast after paint",
        "Gloves",
    ):
        assert words in text
    assert "plan: finish" not in text


@pytest.mark.slow
def test_export_verify_import(run, job, tmp_path):
    path, other = tmp_path / "job.zip", tmp_path / "other"
    code, out, _ = run("export", "17", "-o", path)
    assert code == 0
    seal = out.split("seal: ")[1].split()[0]
    assert run("verify", path)[0] == 0
    assert run("verify", path, "--seal", seal)[0] == 0
    code, out, _ = run("verify", path, "--seal", "0" * 64)
    assert code == 1
    assert "not the one noted" in out
    with zipfile.ZipFile(path) as z:
        names = z.namelist()
        pictures = [z.read(n) for n in names if n.startswith("photos/")]
        assert len(pictures) == 2
        table = next(n for n in names if n.startswith("tables/"))
        assert z.read(table).decode().splitlines()[0].startswith("s [mm],")
        states = {row["state"] for row in csv.DictReader(io.StringIO(z.read(table).decode()))}
        assert states
        assert states <= {IN, OUT, OPEN}, "with the stored verdict"
        assert z.read("report.pdf").startswith(b"%PDF")
        assert len(json.loads(z.read("job.json"))["shots"]) == 2
    for picture in pictures:
        exif = Image.open(io.BytesIO(picture)).getexif()
        assert 0x8825 not in exif
        assert b"private words" not in picture
    same = Image.open(io.BytesIO(pictures[0])).tobytes()
    assert same in [Image.open(io.BytesIO(photo(k))).tobytes() for k in range(2)]  # the picture itself, bit for bit
    assert run("import", path, data=other)[:2] == (0, "17\n")
    shown = json.loads(run("job", "show", "17", "--json", data=other)[1])
    assert [m["mean_mm"] for m in shown["seams"][0]["measurements"]] == pytest.approx([5.6, 4.9], abs=0.05)
    assert run("verify", data=other)[0] == 0
    code, _, err = run("import", path, data=other)
    assert code == 2
    assert "[job-here-already]" in err


def test_a_visit_alone(run, job, tmp_path):
    assert run("export", "17", "-o", tmp_path / "v.zip", "--visit", "2026-03-01")[0] == 0
    assert run("import", tmp_path / "v.zip", data=tmp_path / "other")[0] == 0
    shown = json.loads(run("job", "show", "17", "--json", data=tmp_path / "other")[1])
    assert [m["stage"] for m in shown["seams"][0]["measurements"]] == ["as found"]


def test_altered_is_told_and_not_imported(run, job, tmp_path):
    path = tmp_path / "job.zip"
    run("export", "17", "-o", path)
    data = path.read_bytes()
    path.write_bytes(data.replace(b"as found", b"as faund", 1))
    code, out, _ = run("verify", path)
    assert (code, out.splitlines()[-1]) == (1, "altered")
    code, _, err = run("import", path, data=tmp_path / "other")
    assert code == 2
    assert "[package-altered]" in err
    assert run("job", "list", data=tmp_path / "other")[1] == "No job.\n"
    (tmp_path / "x.zip").write_bytes(b"none")
    assert run("verify", tmp_path / "x.zip")[0] == 2


def test_export_of_unmeasured_job_has_no_report(run, tmp_path):
    run("job", "new", "--reference", "9")
    assert run("export", "9", "-o", tmp_path / "e.zip")[0] == 0
    assert run("import", tmp_path / "e.zip", data=tmp_path / "other")[1] == "9\n"


def test_backup_and_damage(run, job, tmp_path):
    code, out, _ = run("backup", tmp_path / "copy")
    assert code == 0
    assert re.search(r"the database \(last saved 20.*\) and 2 new photos", out)
    assert "and 0 new photos" in run("backup", tmp_path / "copy")[1]
    assert "roadster" in run("job", "list", data=tmp_path / "copy")[1]
    kept = next((run.folder / "photos").glob("*/*.jpg"))
    kept.write_bytes(b"changed")
    code, out, _ = run("verify")
    assert (code, out.splitlines()[-1]) == (1, "altered")
    assert run("report", "17", "-o", tmp_path / "r.pdf")[0] == 2  # no evidence from a changed photo


@pytest.mark.slow
def test_report_and_export_go_on_without_a_missing_photo_and_say_so(run, job, tmp_path):
    """Without its photo a result is still told; who imports the job gets the ones that can be shown."""
    gone = next((run.folder / "photos").glob("*/*.jpg"))
    gone.unlink()
    said = f"The photo {gone.name} is not in the data folder"
    assert run("report", "17", "-o", tmp_path / "r.pdf")[0] == 0
    text = "".join(page.get_textpage().get_text_bounded() for page in pypdfium2.PdfDocument(tmp_path / "r.pdf"))
    assert re.search(r"The photo \S+\.jpg is missing from the records\. \(", " ".join(text.split()))
    code, out, _ = run("export", "17", "-o", tmp_path / "job.zip")
    assert (code, said in out) == (0, True)
    assert run("verify", tmp_path / "job.zip")[0] == 0
    with zipfile.ZipFile(tmp_path / "job.zip") as z:
        folders = [name.split("/")[0] for name in z.namelist()]
    assert [folders.count(f) for f in ("photos", "measurements", "tables")] == [1, 2, 2]
    assert run("import", tmp_path / "job.zip", data=tmp_path / "other")[0] == 0
    shown = json.loads(run("job", "show", "17", "--json", data=tmp_path / "other")[1])
    assert len(shown["seams"][0]["measurements"]) == 1


@pytest.mark.parametrize(
    "bad",
    [
        {"panel": "door", "steps": "one text"},
        {"panel": "door", "stretches": [{"seam": "sill", "trim": {"table": [{"s_mm": "here"}]}}]},
        {"panel": 5},
        {"panel": ""},
        {},
    ],
)
@pytest.mark.slow
def test_a_malformed_plan_is_not_kept(run, job, tmp_path, bad):
    (tmp_path / "plan.json").write_text(json.dumps({"schema": "gapvision-plan/1", **bad}))
    code, _, err = run("job", "plan", "17", tmp_path / "plan.json")
    assert (code, "[plan-file-bad]" in err) == (2, True)
    assert run("report", "17", "-o", tmp_path / "r.pdf")[0] == 0


def test_data_folder_from_the_environment(run, tmp_path, monkeypatch, capsys):
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path / "from env"))
    assert main(["job", "new", "--reference", "5"]) == 0
    assert (tmp_path / "from env" / "records.sqlite").exists()
    capsys.readouterr()


@pytest.mark.slow
def test_demo_job(run):
    code, out, _ = run("demo-job")
    assert (code, out) == (0, "DEMO-1\n")
    (one,) = json.loads(run("job", "list", "--json")[1])
    assert (one["seams"], one["measured"]) == (4, 4)
    assert one["in_tolerance"] + one["out_of_tolerance"] + one["not_proven"] == 4
    assert run("demo-job")[1] == "DEMO-1\n"
    # The gaps drawn come back: 6.3, 4.85 and 4.75 mm at the middle of the left door's rear edge.
    shown = json.loads(run("job", "show", "DEMO-1", "--json")[1])
    means = [m["mean_mm"] for m in shown["seams"][0]["measurements"]]
    assert means == pytest.approx([6.3, 4.85, 4.75], abs=0.2)
