"""Check lines measured once: ``gapvision sheet``, and photos measured with what it remembers."""

import json
from dataclasses import replace

import cv2
import numpy as np
import pytest

from gapvision.cli import main
from gapvision.formats.measurement_json import read
from gapvision.formats.sheet_file import read_sheets
from gapvision.lab.scenes import StripSpec, render_grey
from tests.vision.conftest import PLAIN, SMALL

ONE, TWO = "407122947", "555000116"


@pytest.fixture(autouse=True)
def data(tmp_path, monkeypatch):
    folder = tmp_path / "data"
    monkeypatch.setenv("GAPVISION_DATA", str(folder))
    return folder


def test_told_shown_and_listed(data, capsys):
    assert main(["sheet"]) == 0
    assert "No sheet's check lines are remembered." in capsys.readouterr().out
    words = ["sheet", "407", "122", "947", "--check-length", "198,6", "--check-width", "149.2mm", "--on", "2026-03-31"]
    assert main(words) == 0
    assert main(["sheet", TWO, "--check-length", "200mm", "--check-width", "5 29/32in"]) == 0
    capsys.readouterr()
    assert main(["sheet", ONE]) == 0
    said = capsys.readouterr().out
    assert all(word in said for word in ("407 122 947", "198.60 mm", "149.20 mm", "2026-03-31"))
    assert main(["sheet"]) == 0
    said = capsys.readouterr().out
    assert said.index("407 122 947") < said.index("555 000 116")
    assert [c.print_scale_along for c in read_sheets(data)] == pytest.approx([0.993, 1.0])


def test_told_anew_it_says_what_it_was(capsys):
    for length in ("198.6mm", "198.2mm"):
        assert main(["sheet", ONE, "--check-length", length, "--check-width", "149.2mm"]) == 0
    said = capsys.readouterr().out
    assert said.index("Before it was") < said.rindex("198.60 mm") < said.index("Now it is") < said.rindex("198.20 mm")


@pytest.mark.parametrize(
    ("words", "sentence"),
    [
        ([ONE], "never measured. Measure them with a steel rule"),
        (["407122948"], "'407122948' is not the number of a sheet. Type the nine digits"),
        (["--check-length", "198.6mm"], "not said which sheet that is"),
        ([ONE, "--check-length", "198.6mm"], "--check-width is missing"),
        ([ONE, "--check-width", "149.2mm"], "--check-length is missing"),
        ([ONE, "--check-length", "150mm", "--check-width", "149mm"], "cannot be right"),
        ([ONE, "--check-length", "a bit", "--check-width", "149mm"], "a bit"),
        ([ONE, "--check-length", "198.6", "--check-width", "149", "--on", "yesterday"], "'yesterday' is not a day"),
        ([ONE, "--check-length", "198.6", "--check-width", "149", "--on", "2999-01-01"], "still to come"),
    ],
)
def test_wrong_input_in_words(words, sentence, data, capsys):
    assert main(["sheet", *words]) == 2
    said = capsys.readouterr()
    assert sentence in said.err
    assert "Traceback" not in said.err
    assert not data.exists()


def draw(folder, scale):
    """Strips of two sheets, both printed to one scale, beside a gap of 4.6 mm and more."""
    strips = (StripSpec(letter="A", t_mm=-42, sheet=int(ONE)), StripSpec(letter="B", t_mm=42, sheet=int(TWO)))
    spec = replace(PLAIN, camera=SMALL, strips=strips, print_scale_along=scale, print_scale_across=scale)
    grey, truth = render_grey(spec, seed=5)
    path = folder / "seam.png"
    cv2.imwrite(str(path), grey)
    return path, truth


@pytest.fixture(scope="module")
def photo(tmp_path_factory):
    return draw(tmp_path_factory.mktemp("photo"), 0.992)


def measured(photo, tmp_path, *words, code=0):
    out = tmp_path / "seam.json"
    assert main(["measure", str(photo), "--json", str(out), *words]) == code
    content = json.loads(out.read_text())
    out.unlink()
    return content


@pytest.mark.slow
def test_what_is_remembered_is_used(photo, tmp_path, capsys):
    path, truth = photo
    unchecked = measured(path, tmp_path)
    note = next(n for n in unchecked["notes"] if n["code"] == "print-scale-unchecked")
    assert "407 122 947 (strip A), 555 000 116 (strip B)" in note["message"]
    assert unchecked["sheet"]["strips"] == {"A": int(ONE), "B": int(TWO)}
    assert (unchecked["sheet"]["print_scale_from"], unchecked["sheet"]["print_scale_u"]) == ("assumed", 0.024)

    main(["sheet", ONE, "--check-length", "198.4mm", "--check-width", "148.8mm"])
    half = measured(path, tmp_path)
    note = next(n for n in half["notes"] if n["code"] == "print-scale-unchecked")
    assert "407 122 947" not in note["message"]
    assert half["sheet"]["print_scale_u"] == 0.024

    main(["sheet", TWO, "--check-length", "198.4mm", "--check-width", "148.8mm", "--on", "2026-03-31"])
    known = measured(path, tmp_path)
    assert not [n for n in known["notes"] + known["warnings"] if n["code"] == "print-scale-unchecked"]
    sheet = known["sheet"]
    assert (sheet["print_scale_from"], sheet["print_scale_u"]) == ("check lines of the sheet", 0.002)
    assert (sheet["print_scale_along"], sheet["print_scale_across"]) == (0.992, 0.992)
    assert [c["sheet"] for c in known["settings"]["sheets"]] == [int(ONE), int(TWO)]
    # What is taken for larger than it is makes the gap larger by as much, the depth of the edges and the fit's scatter
    # left aside (0.3 % is 0.014 mm).
    gaps = [np.median([x["gap_mm"] for x in m["stations"]]) for m in (unchecked, known)]
    assert gaps[0] / gaps[1] == pytest.approx(1 / 0.992, abs=0.003)
    assert gaps[1] == pytest.approx(np.median(truth["edges"]["gap"]), abs=0.15)  # cut edges are read inside the panel
    u = [np.median([x["u_mm"] for x in m["stations"]]) for m in (unchecked, half, known)]
    assert u[2] < min(u[:2])


@pytest.mark.slow
def test_the_figures_say_which_check_lines_were_used(photo, tmp_path, capsys):
    path, _ = photo
    main(["sheet", ONE, "--check-length", "198.4mm", "--check-width", "148.8mm", "--on", "2026-03-31"])
    capsys.readouterr()
    main(["measure", str(path), "--table"])
    said = capsys.readouterr().out
    assert "sheet 407 122 947: 0.9920 along (U 0.0015), 0.9920 across (U 0.0020) by its check lines, 2026-03-31" in said
    assert "sheet 555 000 116: check lines not measured" in said
    main(["measure", str(path), "--table", "--check-length", "198.4mm"])
    # one pair of lengths tells the scale of one sheet only, and two are in view
    assert "0.9920 along (U 0.0240), 0.9920 across (U 0.0240), by the check lines given" in capsys.readouterr().out


@pytest.mark.slow
def test_sheets_that_do_not_fit_together_do_when_both_are_told(tmp_path):
    """3 % smaller than the other is taken to be: refused; but the refusal says which sheets it saw."""
    path, _ = draw(tmp_path, 0.97)
    main(["sheet", ONE, "--check-length", "194mm", "--check-width", "145.5mm"])
    apart = measured(path, tmp_path, code=3)
    assert [w["code"] for w in apart["warnings"]] == ["strips-apart"]
    assert "tell the check lines of each sheet" in apart["warnings"][0]["advice"]
    assert {k: v["sheet"] for k, v in apart["photos"][0]["strips"].items()} == {"A": int(ONE), "B": int(TWO)}
    assert [c["sheet"] for c in apart["settings"]["sheets"]] == [int(ONE)]
    main(["sheet", TWO, "--check-length", "194mm", "--check-width", "145.5mm"])
    assert measured(path, tmp_path)["sheet"]["print_scale_across"] == 0.97


@pytest.mark.slow
def test_lengths_given_go_before_what_is_remembered(photo, tmp_path):
    """But one pair of lengths is no measurement of two sheets: U stays wide, and it is said."""
    path, _ = photo
    for sheet in (ONE, TWO):
        main(["sheet", sheet, "--check-length", "180mm", "--check-width", "135mm"])
    stated = measured(path, tmp_path, "--check-length", "198.4mm", "--check-width", "148.8mm")
    assert [w["code"] for w in stated["warnings"]].count("sheets-differ") == 1
    assert stated["sheet"]["print_scale_along"] == 0.992
    assert stated["sheet"]["print_scale_u"] == 0.024
    assert stated["settings"]["sheets"] == []


@pytest.mark.slow
def test_a_stored_photo_measured_again_takes_what_was_told_since(photo, tmp_path, data):
    from gapvision.records import Store
    from gapvision.workshop import measure_again, stored

    path, _ = photo
    main(["job", "new", "--customer", "E. Example", "--car", "coupe", "--reference", "J1"])
    assert main(["add", str(path), "--job", "J1", "--seam", "sill", "--stage", "as found"]) == 0
    for sheet in (ONE, TWO):
        main(["sheet", sheet, "--check-length", "198.4mm", "--check-width", "148.8mm"])
    assert main(["backup", str(tmp_path / "backup")]) == 0
    assert len(read_sheets(tmp_path / "backup")) == 2
    with Store(data) as store:
        seam = store.find_seam(store.job("J1").job_id, "sill")
        (line,) = store.history(seam.seam_id)
        assert not stored(store, line).scale.print_scale_checked
        again = stored(store, measure_again(store, line))
        assert again.scale.print_scale_checked
        assert again.scale.print_scale_along == 0.992
        assert [c.sheet for c in again.settings.sheets] == [int(ONE), int(TWO)]


@pytest.mark.slow
def test_the_file_gives_the_sheets_back(photo, tmp_path):
    path, _ = photo
    main(["sheet", ONE, "--check-length", "198.4mm", "--check-width", "148.8mm"])
    out = tmp_path / "seam.json"
    main(["measure", str(path), "--json", str(out)])
    back = read(out)
    assert {v.letter: (v.sheet, v.print_scale) for v in back.photo.strips} == {
        "A": (int(ONE), pytest.approx((0.992, 0.992))),
        "B": (int(TWO), (1.0, 1.0)),
    }
    assert back.settings.sheets[0].sheet == int(ONE)
