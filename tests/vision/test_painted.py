"""Marks on one panel, with the seam out of the frame, and seams that must not be taken for marks.

Drawn by the project's own scenes: the strips lie 240 mm beside the seam, about a line that is painted there.
"""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.lab.scenes import Lookalike, StripSpec, render_grey
from gapvision.lab.scenes.scene import EdgeSpec, Line
from gapvision.recipe import measure_photo
from tests.vision.conftest import CAMERA, CHECKED, PLAIN, SMALL, photo_of

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


#: Kind, width, strength, finish, softness of the border.
LOOKALIKES = {
    "hose": ("hose", 5.0, 0.1, "grey_primer", 0.3),
    "black hose on steel": ("hose", 7.5, 0.05, "brushed_steel", 0.3),
    "hose on black": ("hose", 4.0, 0.15, "black_matt", 0.3),
    "weld bead on lead": ("weld", 5.0, 0.2, "lead", 0.3),
    "weld bead on primer": ("weld", 4.0, 0.15, "red_primer", 0.3),
    "pressed line": ("swage", 9.0, 0.17, "green_gloss", 0.3),
    "pressed line on steel": ("swage", 6.0, 0.2, "brushed_steel", 0.3),
    "crease": ("crease", 4.0, 0.3, "cream_gloss", 0.3),
    "shadow of a rod": ("shadow", 4.0, 0.15, "white_primer", 0.2),
    "shadow's edge": ("shadow edge", 1.0, 0.2, "grey_primer", 0.2),
    "margins of two papers": ("papers", 4.0, 1.0, "green_gloss", 0.3),
}


def laid(name, camera, beside=None):
    kind, width, strength, finish, soft = LOOKALIKES[name]
    middle = LINE_T_MM if beside is None else 0.0
    at = middle + (beside or 0.0)
    edge = EdgeSpec(finish=finish)
    strips = (StripSpec(letter="A", t_mm=middle - 46), StripSpec(letter="B", t_mm=middle + 46))
    one = Lookalike(kind=kind, t_mm=at, width_mm=width, strength=strength, soft_mm=soft)
    camera = replace(camera, aim_t_mm=middle)
    spec = replace(PLAIN, edge_a=edge, edge_b=edge, strips=strips, camera=camera, lookalikes=(one,))
    return render_grey(spec, seed=3)


@pytest.mark.parametrize("name", [pytest.param(n, marks=() if n == "hose" else pytest.mark.slow) for n in LOOKALIKES])
def test_what_is_no_gap_passes_no_verdict(name):
    m = measure_photo(photo_of(laid(name, SMALL if name == "hose" else CAMERA)[0]), CHECKED)
    if m.status == "refused":
        return
    assert m.status == "warn"
    assert m.profile.expanded_u_mm.min() > 0.5
    if LOOKALIKES[name][0] in ("hose", "weld", "papers"):
        assert "gap-doubtful" in {n.code for n in m.notices}
        assert np.all(m.profile.expanded_u_mm >= m.profile.gap_mm)


@pytest.mark.slow
@pytest.mark.parametrize("name", ["pressed line", "weld bead on lead"])
def test_a_seam_beside_it_is_found_all_the_same(name):
    grey, truth = laid(name, CAMERA, beside=15.0)
    m = measure_photo(photo_of(grey), CHECKED)
    assert m.status != "refused"
    assert np.median(m.profile.gap_mm) == pytest.approx(np.median(truth["edges"]["gap"]), abs=0.3)


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
