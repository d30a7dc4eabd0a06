"""Marks on one panel, with the seam out of the frame, and seams that must not be taken for marks.

Drawn by the project's own scenes: the strips lie 240 mm beside the seam, about a line that is painted there.
"""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.lab.scenes import StripSpec, render_grey
from gapvision.lab.scenes.scene import EdgeSpec, Line
from gapvision.recipe import measure_photo
from tests.vision.conftest import CAMERA, CHECKED, PLAIN, photo_of

LINE_T_MM = -240.0
MARKS = {
    "felt pen": (3.0, 0.15, "grey_primer"),
    "felt pen on white": (2.5, 0.08, "white_primer"),
    "wide pen on steel": (5.0, 0.3, "brushed_steel"),
    "chalk": (3.0, 2.0, "red_primer"),
    "chalk on gloss": (4.0, 1.6, "green_gloss"),
}


def marked(name):
    width, factor, finish = MARKS[name]
    edge = EdgeSpec(finish=finish)
    strips = (StripSpec(letter="A", t_mm=LINE_T_MM - 42), StripSpec(letter="B", t_mm=LINE_T_MM + 42))
    camera = replace(CAMERA, aim_t_mm=LINE_T_MM)
    line = Line(t_mm=LINE_T_MM, width_mm=width, factor=factor)
    spec = replace(PLAIN, edge_a=edge, edge_b=edge, strips=strips, camera=camera, lines=(line,))
    return render_grey(spec, seed=3)[0]


QUICK = ("felt pen on white", "chalk")  # a dark one and a bright one


@pytest.mark.parametrize("name", [pytest.param(n, marks=() if n in QUICK else pytest.mark.slow) for n in MARKS])
def test_a_mark_on_one_panel_is_doubted_and_passes_no_verdict(name):
    m = measure_photo(photo_of(marked(name)), CHECKED)
    if m.status == "refused":
        return
    assert "gap-doubtful" in {n.code for n in m.notices}
    assert m.status == "warn"
    assert np.all(m.profile.expanded_u_mm >= m.profile.gap_mm)


@pytest.mark.slow
def test_two_points_overrule_and_the_result_says_so():
    grey = marked("felt pen")
    found = measure_photo(photo_of(grey), CHECKED)
    a, b = found.profile.edge_a_px, found.profile.edge_b_px
    ends = tuple(tuple(0.5 * (a[k] + b[k])) for k in (5, -5))
    shown = measure_photo(photo_of(grey), replace(CHECKED, seam_hint_px=ends))
    assert "gap-shown" in {n.code for n in shown.notices}
    assert np.median(shown.profile.expanded_u_mm) < 0.5 * np.median(shown.profile.gap_mm)


@pytest.mark.parametrize("name", ["plain", "rolled", "backlit", "arc", "flush"])
@pytest.mark.slow
def test_a_seam_is_no_mark(measured, name):
    assert not {"gap-doubtful", "gap-shown"} & {n.code for n in measured(name).notices}
