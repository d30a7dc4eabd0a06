"""``gapvision measure`` from the command line to its files and exit codes, on the sample photos."""

import csv
import json
import shutil
from pathlib import Path

import numpy as np
import pytest

from gapvision.cli import main
from gapvision.commands._args import parse_edge, parse_point
from gapvision.commands._outputs import in_folders
from gapvision.errors import GapvisionError
from gapvision.samples import DEMO_PHOTO
from gapvision.targets.print_scale import print_scales

SAMPLES = Path(__file__).parents[2] / "sample_images"
GOOD = SAMPLES / "backlit_bonnet_gap.jpg"


@pytest.mark.slow
def test_one_photo_and_its_files(tmp_path, capsys):
    out = {
        kind: tmp_path / f"deep/{kind}.{end}"
        for kind, end in (("json", "json"), ("csv", "csv"), ("plot", "png"), ("overlay", "jpg"))
    }
    words = [str(GOOD), "--nominal", "3/16in", "--tol", "0.5mm", "--check-length", "200mm"]
    for kind, path in out.items():
        words += [f"--{kind}", str(path)]
    code, said = main(["measure", *words]), " ".join(capsys.readouterr().out.split())
    assert code == (0 if ": IN TOLERANCE" in said else 1)
    assert "Limits: 4.27 to 5.26 mm (0.168 to 0.207 in) around 4.76 mm (3/16 in)." in said
    content = json.loads(out["json"].read_text())
    assert content["schema"] == "gapvision-measurement/2"
    assert content["scale"]["print_scale_across"] == 1.0
    rows = list(csv.reader(out["csv"].read_text(encoding="utf-8-sig").splitlines()))
    assert len(rows) == len(content["stations"]) + 1
    assert out["plot"].read_bytes().startswith(b"\x89PNG")
    assert out["overlay"].read_bytes().startswith(b"\xff\xd8")
    # The sample's truth is the generator's; it was not used to measure.
    truth = json.loads((SAMPLES / "backlit_bonnet_gap.truth.json").read_text())["edges"]
    mean = sum(g for g, v in zip(truth["gap"], truth["visible"], strict=True) if v) / sum(map(bool, truth["visible"]))
    assert content["gap"]["mean_mm"] == pytest.approx(mean, abs=0.25)


@pytest.mark.parametrize(
    ("words", "code"),
    [
        (["missing.jpg"], "file-not-found"),
        (["x.jpg", "--tol", "1mm"], "specification-nonsense"),
        (["x.jpg", "--nominal", "3/16in", "--tol", "1mm", "--below", "1mm"], "specification-nonsense"),
        (["x.jpg", "--preset", "even-close", "--above", "1mm"], "specification-nonsense"),
        (["x.jpg", "--nominal", "3/16in", "--risk", "0,1"], "value-out-of-range"),
        (["x.jpg", "--rule", "simple"], "value-out-of-range"),
        (["x.jpg", "--nominal", "3/16in", "--rule", "risk", "--risk", "much"], "value-out-of-range"),
        (["x.jpg", "--nominal", "3/16in", "--rule", "kind"], "rule-unknown"),
        (["x.jpg", "--nominal", "3/16in", "--spec", "f.toml"], "command-not-understood"),
        (["x.jpg", "--nominal", "4,76"], "length-not-understood"),
        (["x.jpg", "--nominal", "3/16", "--tol", "1mm"], "length-not-understood"),
        (["x.jpg", "--nominal", "2mm", "--tol", "3mm"], "specification-nonsense"),
        (["x.jpg", "--check-length", "20mm"], "value-out-of-range"),
        (["x.jpg", "--seam", "10,10"], "value-out-of-range"),
        (["x.jpg", "--seam", "10", "20"], "value-out-of-range"),
        (["x.jpg", "--edges", "guess"], "value-out-of-range"),
        (["x.jpg", "--edge-a", "folded"], "value-out-of-range"),
        (["x.jpg", "--edge-b", "cut:1mm"], "value-out-of-range"),
        (["x.jpg", "--edge-a", "rolled:"], "length-not-understood"),
        (["x.jpg", "--edge-a", "rolled:1.5"], "length-not-understood"),
        (["x.jpg", "--edge-a", "rolled:20mm"], "value-out-of-range"),
        (["x.jpg", "--step", "2in"], "value-out-of-range"),
        (["x.jpg", "--step-u", "0.1mm"], "value-out-of-range"),
        (["x.jpg", "y.jpg", "--json", "one.json"], "value-out-of-range"),
    ],
)
def test_wrong_usage_is_one_sentence_and_exit_code_2(words, code, capsys, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["measure", *words]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert f"[{code}]" in said
    assert "Traceback" not in said


@pytest.mark.parametrize(
    ("option", "name", "said"),
    [
        ("--plot", "p.xyz", "A plot cannot be written as 'p.xyz'. End its name with .png, .svg or .pdf."),
        ("--overlay", "p.svg", "A picture cannot be written as 'p.svg'. End its name with .png or .jpg."),
        ("--plot", "taken/p.png", "The folder '{}/taken' could not be made: File exists."),
        ("--json", "taken/deep/p.json", "The folder '{}/taken/deep' could not be made: Not a directory."),
        ("--csv", "t.jpg", "A table cannot be written as 't.jpg'. End its name with .csv or .xlsx."),
        ("--json", "t.csv", "A result cannot be written as 't.csv'. End its name with .json."),
        ("--plot", "new/earlier.json", "A plot cannot be written as 'earlier.json'."),
        ("--csv", "new/EARLIER", "--json and --csv name the same file"),
    ],
)
def test_an_order_that_cannot_be_met_is_refused_before_the_photo_is_read(
    option, name, said, tmp_path, capsys, monkeypatch
):
    def read(path):
        raise AssertionError("the photo was read")

    monkeypatch.setattr("gapvision.intake.photo.read_photo", read)
    (tmp_path / "taken").write_text("a file where a folder is wanted")
    before = sorted(tmp_path.rglob("*"))
    earlier = tmp_path / "new/earlier"
    # A good order beside the bad one makes no folder either.
    assert main(["measure", str(GOOD), "--json", str(earlier), option, str(tmp_path / name)]) == 2
    assert capsys.readouterr().err.startswith(f"gapvision: {said.format(tmp_path)}")
    assert sorted(tmp_path.rglob("*")) == before


def test_what_stands_where_a_file_is_ordered_stays(tmp_path, capsys):
    words = []
    for kind, name in (("json", "p.json"), ("csv", "p.csv"), ("plot", "p.png"), ("overlay", "p.jpg")):
        (tmp_path / name).write_text("older result")
        words += [f"--{kind}", str(tmp_path / name)]
    assert main(["measure", str(GOOD), *words]) == 2
    assert "p.json' is there already, and nothing is overwritten. Give another name" in capsys.readouterr().err
    assert {p.name: p.read_text() for p in tmp_path.iterdir()} == dict.fromkeys(
        ("p.json", "p.csv", "p.png", "p.jpg"), "older result"
    )


@pytest.mark.slow
def test_refused_photo_gets_its_file_and_exit_code_3(tmp_path, capsys):
    from PIL import Image

    sharp = np.random.default_rng(3).integers(0, 2, (150, 200), np.uint8).repeat(8, 0).repeat(8, 1) * 200 + 20
    Image.fromarray(sharp).save(tmp_path / "plain.jpg")
    out = tmp_path / "plain.json"
    assert main(["measure", str(tmp_path / "plain.jpg"), "--json", str(out), "--plot", str(tmp_path / "p.png")]) == 3
    content = json.loads(out.read_text())
    assert content["status"] == "refused"
    assert content["stations"] == []
    assert content["warnings"][0]["code"] == "strip-not-found"
    assert content["warnings"][0]["advice"]
    assert not (tmp_path / "p.png").exists()
    assert "strip-not-found" in capsys.readouterr().out


@pytest.mark.slow
def test_folder_one_bad_photo_does_not_stop_the_rest(tmp_path, capsys):
    folder, out = tmp_path / "photos", tmp_path / "out"
    folder.mkdir()
    shutil.copy(DEMO_PHOTO, folder / "good.jpg")
    (folder / "bad.jpg").write_text("not a picture")
    assert main(["measure", str(folder), "--json", str(out)]) == 2
    said = capsys.readouterr()
    assert "2/2" in said.err
    assert "[#" in said.err
    assert json.loads((out / "good.json").read_text())["status"] == "ok"
    assert not (out / "bad.json").exists()
    assert "bad.jpg" in said.out


def test_many_photos_with_no_place_for_their_files_are_not_read(tmp_path, monkeypatch, capsys):
    def read(path):
        raise AssertionError("the photo was read")

    monkeypatch.setattr("gapvision.intake.photo.read_photo", read)
    (tmp_path / "taken").write_text("a file where a folder is wanted")
    assert main(["measure", str(GOOD), str(GOOD.with_name("open01_primer.jpg")), "--csv", f"{tmp_path}/taken/"]) == 2
    said = f"gapvision: The folder '{tmp_path / 'taken'}' could not be made: File exists."
    assert capsys.readouterr().err.startswith(said)


@pytest.mark.parametrize(
    ("text", "want"),
    [
        ("cut", ("cut", None)),
        (" Rolled ", ("rolled", None)),
        ("rolled:1.5mm", ("rolled", 1.5)),
        ("rolled: 1/16in", ("rolled", 1.5875)),
        ("ROLLED:0,06in", ("rolled", 1.524)),
    ],
)
def test_how_an_edge_is_made(text, want):
    assert parse_edge(text) == want


@pytest.mark.slow
def test_what_is_stated_reaches_the_file_also_below_zero(tmp_path, capsys):
    out = tmp_path / "seam.json"
    one_sided = SAMPLES / "gloss_door_arc.jpg"
    words = ["--edge-a", "rolled:1/16in", "--edge-b", "rolled", "--step", "-0.5mm", "--step-u", "0.3mm"]
    assert main(["measure", str(one_sided), *words, "--table", "--json", str(out)]) == 0
    content = json.loads(out.read_text())
    stated = {k: content["settings"][k] for k in ("edge_a", "edge_a_radius_mm", "edge_b", "edge_b_radius_mm")}
    assert stated == {"edge_a": "rolled", "edge_a_radius_mm": 1.5875, "edge_b": "rolled", "edge_b_radius_mm": None}
    assert (content["settings"]["step_mm"], content["settings"]["step_u_mm"]) == (-0.5, 0.3)
    assert content["step"] == {"mean_mm": -0.5, "u_mm": 0.3, "source": "stated"}
    assert content["flush"] is None
    said = capsys.readouterr().out
    assert "face B -0.50 mm above face A, as stated" in said
    assert "A is the panel with strip E" in said


def test_empty_folder(tmp_path, capsys):
    assert main(["measure", str(tmp_path)]) == 2
    assert "file-not-found" in capsys.readouterr().err


def test_same_names_and_earlier_results_get_a_number(tmp_path):
    taken = set()
    (tmp_path / "old.csv").touch()
    places = [{"json": (tmp_path / n, ".json"), "csv": (tmp_path / n, ".csv")} for n in ("seam", "seam", "old", "Seam")]
    names = [[p.name for p in in_folders(place, taken).values()] for place in places]
    # "Seam" is the same file as "seam" to some disks.
    assert names == [[f"{n}.json", f"{n}.csv"] for n in ("seam", "seam-2", "old-2", "Seam-3")]


@pytest.mark.parametrize(
    ("along", "across", "want"),
    [
        (None, None, (1.0, 1.0, False)),
        ("198.6mm", None, (0.993, 0.993, True)),
        (None, "149.25", (0.995, 0.995, True)),
        ("202mm", "149.25mm", (1.01, 0.995, True)),
        ("7.874in", None, (0.999998, 0.999998, True)),
    ],
)
def test_print_scale_is_measured_over_nominal(along, across, want):
    assert print_scales(along, across) == pytest.approx(want)


def test_points():
    assert [parse_point(text) for text in ("12,30", "5.5,6")] == [(12.0, 30.0), (5.5, 6.0)]
    for text in ("1;2", "1", "1,2,3", "nan,1", "1,inf"):
        with pytest.raises(GapvisionError):
            parse_point(text)


@pytest.mark.slow
def test_demo(tmp_path, capsys):
    assert main(["demo", "-o", str(tmp_path / "demo")]) == 0
    said = capsys.readouterr().out
    plot = next(line.removeprefix("The plot is ") for line in said.splitlines() if line.startswith("The plot is "))
    assert Path(plot).read_bytes().startswith(b"\x89PNG")


@pytest.mark.parametrize("name", ["gloss_door_arc", pytest.param("grey_primer_cut_edge", marks=pytest.mark.slow)])
def test_the_table_says_of_every_station_what_judge_says(name, tmp_path, capsys):
    """Seen once: 'in' at 139 and 38 stations that ``judge`` with the same limits called not proven."""
    limits = ["--nominal", "3/16in", "--tol", "0.5mm"]
    files = {kind: str(tmp_path / f"m.{kind}") for kind in ("json", "csv")}
    main(["measure", str(SAMPLES / f"{name}.jpg"), *limits, "--json", files["json"], "--csv", files["csv"]])
    said = capsys.readouterr().out
    main(["judge", files["json"], *limits, "--json", str(tmp_path / "v.json")])
    judged = json.loads((tmp_path / "v.json").read_text())
    rows = list(csv.DictReader(Path(files["csv"]).read_text(encoding="utf-8-sig").splitlines()))
    assert [row["state"] for row in rows] == [station["state"] for station in judged["stations"]]
    assert [row["s [mm]"] for row in rows] == [f"{station['s_mm']:.2f}" for station in judged["stations"]]
    assert said.startswith(f"{name}.jpg: {judged['verdict'].upper()}\n")
