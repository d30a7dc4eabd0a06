"""The first five minutes: one short command, what it writes and what it never touches, what is said once."""

import os
import re
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import pytest

from gapvision.cli import build_parser, main
from gapvision.formats.measurement_json import read
from gapvision.samples import DEMO_PHOTO

EXAMPLE = Path(__file__).parents[2] / "sample_images" / "panel_example"


@pytest.fixture
def here(tmp_path, monkeypatch):
    """An empty folder with one photo, and no records yet."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path / "data"))
    shutil.copy(DEMO_PHOTO, tmp_path / "seam.jpg")
    return tmp_path


@pytest.fixture
def measured(here, monkeypatch):
    """The photo counts as measured: what is tried lies before and behind measuring."""
    one = read(EXAMPLE / "left_rear.json")
    monkeypatch.setattr("gapvision.several.measure_photos", lambda photos, settings=None, progress=None: one)
    monkeypatch.setattr("gapvision.recipe.measure_photo", lambda photo, settings=None: one)
    return one


def names(folder):
    return sorted(p.name for p in folder.iterdir())


@pytest.mark.slow
def test_one_short_command_and_a_second_one_beside_it(here, capsys):
    """The sample's nick is drawn from 150 to 180 mm, 1.1 mm deep in a gap of about 4.85 mm (samples' maker)."""
    assert main(["seam.jpg", "--nominal", "3/16in"]) == 1
    said = " ".join(capsys.readouterr().out.split())
    found = re.search(
        r"^seam.jpg: OUT OF TOLERANCE Too tight from (\d+) to (\d+) mm, worst ([\d.]+) mm \(0\.\d+ in\) at (\d+) mm, "
        r"([\d.]+) mm below the wanted gap, ([\d.]+) mm beyond the limit, U [\d.]+ mm\.",
        said,
    )
    start, stop, worst, at, below, beyond = (float(x) for x in found.groups())
    assert 140 < start < at < stop < 190
    assert worst + below == pytest.approx(4.7625, abs=0.011)
    assert below - beyond == pytest.approx(0.5, abs=0.011)
    assert "The rest is in tolerance." in said
    assert said.count("too tight") + said.count("Too tight") == 1
    assert names(here) == ["seam.jpg", "seam.marked.jpg", "seam.plot.png"]
    kept = {p: p.read_bytes() for p in here.iterdir()}
    assert main(["seam.jpg", "--nominal", "3/16in"]) == 1
    assert names(here) == ["seam.jpg", "seam.marked-2.jpg", "seam.marked.jpg", "seam.plot-2.png", "seam.plot.png"]
    assert {p: p.read_bytes() for p in kept} == kept
    # What gapvision drew is no photo: the folder holds one.
    assert main(["measure", ".", "--nominal", "3/16in", "--beside"]) == 1
    assert names(here)[1:4] == ["seam.marked-2.jpg", "seam.marked-3.jpg", "seam.marked.jpg"]


def test_without_a_wanted_gap_it_says_what_to_give(measured, capsys):
    assert main(["seam.jpg"]) == 0
    said = capsys.readouterr().out
    assert said.startswith("left_rear.jpg: measured")
    assert "Mean gap" in said
    assert "gapvision shop --nominal 3/16in" in said


@pytest.mark.slow
def test_what_is_said_once_holds_until_a_job_or_the_line_says_otherwise(measured, capsys):
    def state(*words):
        capsys.readouterr()
        code = main(list(words))
        return code, capsys.readouterr().out

    assert main(["shop", "--nominal", "5.6mm", "--tol", "1/32in", "--units", "inch"]) == 0
    code, out = state("seam.jpg")
    assert (code, "IN TOLERANCE" in out) == (0, True)
    assert re.search(r"\d/\d+ in( full| scant)? \(\d\.\d\d mm\)", out)
    assert main(["job", "new", "--reference", "17"]) == 0
    assert main(["job", "edit", "17", "--nominal", "3/16in", "--rule", "simple"]) == 0
    assert state("seam.jpg", "--job", "17")[0] == 1
    assert state("seam.jpg", "--job", "17", "--nominal", "5.6mm", "--units", "mm")[0] == 0
    code, out = state("judge", str(EXAMPLE / "left_rear.json"), "--job", "17")
    assert (code, "simple acceptance" in out) == (1, True)
    assert state("seam.jpg", "--job", "18")[0] == 2
    assert main(["job", "edit", "17", "--reference", "2026-9"]) == 0
    assert state("seam.jpg", "--job", "2026-9")[0] == 1
    assert main(["backup", "copy"]) == 0
    assert Path("copy/settings.toml").read_text() == Path("data/settings.toml").read_text()
    assert main(["shop", "--forget"]) == 0
    assert "Not judged" in state("seam.jpg")[1]
    Path("data/settings.toml").write_text('format = "gapvision-settings/1"\n[shop.wanted]\nnominal = "3"\n')
    assert main(["seam.jpg"]) == 2
    assert "settings.toml', shop.wanted.nominal: '3' has no unit." in capsys.readouterr().err


def test_a_new_seam_goes_by_what_is_kept(measured, capsys):
    main(["job", "new", "--reference", "17"])
    main(["job", "edit", "17", "--nominal", "5.6mm", "--tol", "1/32in"])
    assert main(["add", "seam.jpg", "--job", "17", "--seam", "sill", "--stage", "as found"]) == 0
    assert capsys.readouterr().out.endswith("in tolerance (rule: proven)\n")


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["seam.jpg", "--csv", "seam.jpg"], "--csv names 'seam.jpg', which is to be read."),
        (["judge", "m.json", "--nominal", "5mm", "--json", "m.json"], "--json names 'm.json', which is to be read."),
        (["seam.jpg", "--json", "x", "--csv", "x"], "--json and --csv name the same file 'x'."),
        (["seam.jpg", "--json", "m.json"], "'m.json' is there already, and nothing is overwritten."),
        (["compare", "m.json", "m.json", "--json", "link"], "--json names 'link', which is to be read."),
        (["seam.jpg", "--json", "link"], "'link' is there already"),
        (["template", "m.json", "-o", "seam.jpg"], "A document cannot be written as 'seam.jpg'."),
        (["seam.jpg", "--overlay", "seam.csv"], "A picture cannot be written as 'seam.csv'."),
    ],
)
def test_an_output_takes_nothing_s_place(measured, words, said, capsys):
    shutil.copy(EXAMPLE / "left_rear.json", "m.json")
    os.symlink("m.json", "link")
    before = {p: Path(p).read_bytes() for p in os.listdir()}
    assert main(words) == 2
    assert said in capsys.readouterr().err
    assert {p: Path(p).read_bytes() for p in os.listdir()} == before


def test_a_folder_is_made_and_gives_new_names(measured):
    for _ in range(2):
        main(["seam.jpg", "--json", "results/", "--csv", "results/"])
    assert names(Path("results")) == ["seam-2.csv", "seam-2.json", "seam.csv", "seam.json"]


def test_what_cannot_be_written_is_still_printed_and_a_full_disk_is_called_full(measured, capsys, monkeypatch):
    import errno

    def full(path):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("gapvision.formats.atomic.whole_file", full)
    assert main(["measure", "seam.jpg", "--nominal", "5.6mm", "--json", "m.json", "--csv", "m.csv"]) == 2
    said = capsys.readouterr()
    assert "OF TOLERANCE" in said.out or "IN TOLERANCE" in said.out
    assert said.err.splitlines() == [
        f"gapvision: The disk is full: '{name}' could not be written. Make room on it and try again; nothing was "
        "overwritten. [disk-full]"
        for name in ("m.json", "m.csv")
    ]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["mesure", "x"], "There is no command and no photo 'mesure'. Did you mean measure?"),
        (["judge", "m.json", "--nominl", "3mm"], "'--nominl' is not known here. Did you mean --nominal?"),
        (["job", "lst"], "'lst' is not known here. Did you mean list?"),
        (["job", "new", "--custmer", "x"], "'--custmer' is not known here. Did you mean --customer?"),
        (["--nominal", "3mm"], "'--nominal' is not known here."),
        (["verify", "--seal", "1"], "--seal belongs to an export."),
        (["judge", "m.json", "--nominal", "3mm", "--opposite-limit", "1mm"], "belong to --opposite."),
        (["template", "m.json", "--dxf", "x.dxf", "--paper", "a4"], "--paper is for a PDF"),
        (["job", "delete", "1", "--seam", "x", "--measurement", "1"], "--seam and --measurement contradict"),
        (["shop", "--forget", "--nominal", "3mm"], "--forget and what to keep contradict each other."),
        (["job", "judge", "1", "--risk", "0.1"], "--risk belongs to --rule risk."),
    ],
)
def test_nearest_word_and_options_that_do_not_belong(here, words, said, capsys):
    if "delete" in words or "1" in words:
        main(["job", "new", "--reference", "1"])
    assert main(words) == 2
    err = capsys.readouterr().err
    assert said in err
    assert err.count("\n") == 1


def test_alone_it_says_what_to_do_first(capsys):
    assert main([]) == 0
    said = capsys.readouterr().out
    assert said.index("gapvision demo") < said.index("gapvision strips") < said.index("gapvision seam.jpg")


def helps():
    """The help of every command and of every action of one."""
    root = build_parser()
    for parser in [root, *root._subparsers._group_actions[0].choices.values()]:
        yield parser.prog, parser
        for inner in (parser._subparsers._group_actions if parser._subparsers and parser is not root else []):
            yield from ((p.prog, p) for p in inner.choices.values())


@pytest.mark.parametrize(("name", "parser"), helps(), ids=lambda x: x if isinstance(x, str) else "")
def test_help_is_one_screen_with_one_example(name, parser, monkeypatch):
    monkeypatch.setenv("COLUMNS", "80")
    lines = parser.format_help().splitlines()
    assert len(lines) <= 40
    assert max(map(len, lines)) <= 80
    if parser.epilog is not None or name not in ("gapvision", "gapvision job"):
        assert " ".join(lines).count("Example") == 1


@pytest.mark.slow
def test_the_shell_completes_commands_and_options(tmp_path):
    def completed(line):
        out = tmp_path / "out"
        env = os.environ | {
            "_ARGCOMPLETE": "1", "COMP_LINE": line, "COMP_POINT": str(len(line)), "COMP_TYPE": "9",
            "_ARGCOMPLETE_STDOUT_FILENAME": str(out), "_ARGCOMPLETE_IFS": "\n",
        }  # fmt: skip
        subprocess.run([sys.executable, "-m", "gapvision.cli"], env=env, check=False, timeout=60)
        return out.read_text().split("\n")

    assert completed("gapvision jud") == ["judge "]
    assert "--nominal" in completed("gapvision judge m.json --no")[0]


@pytest.mark.slow
def test_ctrl_c_stops_within_a_second_and_lists_what_is_done(here):
    Path("many").mkdir()
    for k in range(12):
        shutil.copy("seam.jpg", f"many/{k:02}.jpg")
    words = [sys.executable, "-m", "gapvision.cli", "many", "--nominal", "3/16in"]
    env = os.environ | {"PYTHONPATH": str(Path(__file__).parents[2])}
    run = subprocess.Popen(
        words, env=env, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, start_new_session=True,
        preexec_fn=lambda: signal.signal(signal.SIGINT, signal.SIG_DFL),  # a job in the background has it off
    )  # fmt: skip
    deadline = time.monotonic() + 240
    while len(list(Path("many").glob("*.marked.jpg"))) < 4 and time.monotonic() < deadline:
        time.sleep(0.05)
    os.killpg(run.pid, signal.SIGINT)  # as the terminal does: to all of them
    pressed = time.monotonic()
    out, err = run.communicate(timeout=60)
    took = time.monotonic() - pressed
    assert run.returncode == 130
    assert re.search(r"gapvision: stopped; \d+ of 12 photos are done\.", err)
    assert "Traceback" not in err + out
    done = len(re.findall(r"^\d\d\.jpg +(?:out of tolerance|not proven|in tolerance) ", out, re.M))
    assert 1 <= done < 12
    assert not list(Path("many").glob(".part-*"))
    # One second is what a person waits; the machine of the tests may be busy with others.
    assert took < 3
