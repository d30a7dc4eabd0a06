"""The seam found without and with a hint, and what must not pass for one."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.lab.scenes import Inside, Line, render_grey
from gapvision.recipe import measure_photo
from gapvision.vision.band import CentreLine
from gapvision.vision.seam import recentre
from tests.vision.conftest import CHECKED, PLAIN, SMALL, SPECS, photo_of


@pytest.mark.slow
@pytest.mark.parametrize(
    "lines",
    [
        (Line(t_mm=9.0, width_mm=1.4, factor=0.15),),  # felt pen beside the gap
        (Line(t_mm=-8.0, width_mm=1.2, factor=2.5),),  # chalk
        (Line(t_mm=14.0, width_mm=9.0, factor=1.6),),  # masking tape
    ],
    ids=["pen", "chalk", "tape"],
)
def test_lines_along_the_seam_are_not_the_gap(lines, measured):
    grey, _ = render_grey(replace(PLAIN, lines=lines), seed=5)
    with_line = measure_photo(photo_of(grey), CHECKED).summary.mean_mm
    without = measured("plain").summary.mean_mm
    assert with_line == pytest.approx(without, abs=0.15)  # the line lies millimetres away


@pytest.mark.slow
def test_one_strip_finds_the_seam_on_either_side():
    for side in (-42.0, 42.0):
        strip, lit = replace(PLAIN.strips[0], t_mm=side), Inside(kind="backlit", level=0.7)
        spec = replace(PLAIN, camera=SMALL, strips=(strip,), inside=lit)
        grey, truth = render_grey(spec, seed=3)
        m = measure_photo(photo_of(grey), CHECKED)
        assert m.summary.mean_mm == pytest.approx(np.mean(truth["edges"]["gap"]), abs=0.35)


@pytest.mark.slow
def test_hint_of_two_points_gives_the_same_seam(scene, measured):
    grey, truth = scene("arc")
    e = truth["edges"]
    seen = np.flatnonzero(e["visible"])
    mid = 0.5 * (np.array(e["A_px"], float) + np.array(e["B_px"], float))
    points = tuple(tuple(mid[seen[int(k * (len(seen) - 1))]]) for k in (0.25, 0.5, 0.75))
    hinted = measure_photo(photo_of(grey), replace(CHECKED, seam_hint_px=points))
    free = measured("arc")
    assert hinted.summary.mean_mm == pytest.approx(free.summary.mean_mm, abs=0.03)


def test_edge_a_is_beside_the_lowest_letter(scene, measured):
    assert {s.letter: s.side for s in PLAIN.strips} == {"A": "A", "B": "B"}
    _, truth = scene("plain")
    m = measured("plain")
    strip_a = np.mean(next(s["corners_px"] for s in truth["strips"] if s["letter"] == "A"), axis=0)
    middle = len(m.profile.s_mm) // 2
    assert np.linalg.norm(m.profile.edge_a_px[middle] - strip_a) < np.linalg.norm(m.profile.edge_b_px[middle] - strip_a)
    assert m.scale.strip_sides == {"A": "A", "B": "B"}


def test_curved_seams_are_called_curved(measured):
    assert measured("arc").seam_kind == "curved"
    assert SPECS["arc"].seam_radius_mm == 600.0


def straight_line(n=250):
    s = np.arange(n, dtype=float)
    return CentreLine(s_mm=s, points=np.stack([s, np.zeros(n)], 1), normals=np.tile([0.0, 1.0], (n, 1)))


def test_a_stretch_that_follows_a_line_beside_the_seam_is_put_back():
    middle = np.where(np.arange(250) < 40, 5.5, 0.1)
    new = recentre(straight_line(), middle, 1.0)
    assert np.abs(new.points[:, 1] - 0.1).max() < 0.3


@pytest.mark.parametrize("sag_mm", [1.0, 8.0])
def test_a_bend_of_the_seam_itself_is_kept(sag_mm):
    s = np.arange(250.0)
    bend = sag_mm * np.sin(2 * np.pi * s / 250)
    new = recentre(straight_line(), bend, 1.0)
    assert np.abs(np.interp(s[12:-12], new.points[:, 0], new.points[:, 1]) - bend[12:-12]).max() < 0.3
