"""What the next photo would bring, beside the verdict: the two say nothing against each other."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.cli import main
from gapvision.judgement import judge_measurement, simple_spec
from gapvision.model import NextPhoto
from gapvision.samples import DEMO_PHOTO
from gapvision.words import MM, at_a_glance, coach
from tests.conftest import hand_made_measurement

ENOUGH = NextPhoto(do="enough", u_now_mm=0.12, u_next_mm=0.12)
MORE = NextPhoto(do="lean", over="B", strip="E", u_now_mm=0.3, u_next_mm=0.2)
LITTLE = "another photo of the same kind would bring little, U is 0.12 mm."


def glance(level, hole=None, spec=None):
    measurement = hand_made_measurement(np.full(240, level), u_mm=0.12, hole=hole)
    return at_a_glance(measurement, judge_measurement(measurement, spec or simple_spec(4.76, 0.5, 0.5)), MM)


@pytest.mark.parametrize(
    ("level", "hole", "state"),
    [(4.76, None, "in"), (3.2, None, "out"), (5.22, None, "open"), (4.76, (90, 120), "holes")],
)
def test_enough_is_said_only_of_what_is_decided(level, hole, state):
    judged = glance(level, hole)
    assert judged.state == state
    said = coach(ENOUGH, MM, judged)
    assert said.startswith("Enough: ") == (state in ("in", "out"))
    if state in ("open", "holes"):
        assert said == f"Not proven, but {LITTLE} Next: {judged.next_step}"
    assert coach(ENOUGH, MM) == f"Enough: {LITTLE}", "without a wanted gap there is nothing to prove"
    assert coach(MORE, MM, judged) == coach(MORE, MM)


def test_a_form_that_is_not_proven_is_no_enough_either():
    judged = glance(4.76, spec=replace(simple_spec(4.76, 0.5, 0.5), straightness_mm=0.12))
    assert coach(ENOUGH, MM, judged).startswith("Not proven, but ")


@pytest.fixture
def here(tmp_path, monkeypatch):
    """Three photos that were measured together at 5.22 mm, and of which the coach wants no other."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path / "data"))
    data = DEMO_PHOTO.read_bytes()
    for name in ("a.jpg", "b.jpg", "c.jpg"):
        (tmp_path / name).write_bytes(data + name.encode())
    one = hand_made_measurement(np.full(240, 5.22), u_mm=0.12)
    monkeypatch.setattr("gapvision.several.measure_photos", lambda photos, settings=None, progress=None: one)
    monkeypatch.setattr("gapvision.judgement.coach.next_photo", lambda measurement: ENOUGH)
    return tmp_path


@pytest.mark.parametrize(("tol", "said"), [("0.5mm", "Not proven, but "), ("1mm", "Enough: "), ("0.1mm", "Enough: ")])
def test_add_says_so(here, capsys, tol, said):
    main(["job", "new", "--reference", "17"])
    words = ["add", "a.jpg", "b.jpg", "c.jpg", "--one-seam", "--job", "17", "--seam", "sill", "--stage", "as found"]
    assert main([*words, "--nominal", "4.76mm", "--tol", tol]) == 0
    told = capsys.readouterr().out
    assert said + LITTLE in told
    assert ("Enough" in told) != ("not proven (rule" in told)


@pytest.mark.parametrize(("tol", "said"), [("0.5mm", "Not proven, but "), ("1mm", "Enough: "), (None, "Enough: ")])
def test_measure_says_so(here, capsys, tol, said):
    wanted = [] if tol is None else ["--nominal", "4.76mm", "--tol", tol]
    assert main(["measure", "a.jpg", "b.jpg", "c.jpg", "--one-seam", *wanted]) in (0, 1)
    told = " ".join(capsys.readouterr().out.split())
    assert said + LITTLE in told
    assert ("Enough" in told) != ("NOT PROVEN" in told)
