"""What the user states of edges and step: weighed against the shading, and held against exact truth of drawn scenes.

Truth: the generator's geometry (gapvision.lab.scenes), which measuring never reads.  Signs: face B above face A is
positive, A is the panel with the lowest strip letter.
"""

from dataclasses import replace

import numpy as np
import pytest

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.formats.measurement_json import from_dict, from_json, to_dict, to_json
from gapvision.lab.scenes import EdgeSpec, StripSpec, render_grey
from gapvision.model import KnownEdge, KnownStep, Settings, Step
from gapvision.recipe import measure_photo
from gapvision.vision.known import known_notices, weigh
from gapvision.vision.placing import CUT_KIND, UNKNOWN_KIND, EdgeKind
from tests.vision.conftest import CAMERA, CHECKED, PLAIN, photo_of
from tests.vision.test_measure import errors

LOOKS_ROLLED = EdgeKind.rolled(1.5, 0.42)
SLANTED = replace(CAMERA, tilt_across_deg=14)
ROLLED = replace(
    PLAIN,
    camera=replace(CAMERA, tilt_across_deg=-14),
    edge_a=EdgeSpec(radius_mm=2.2),
    edge_b=EdgeSpec(radius_mm=1.4),
)
ALIKE = replace(CHECKED, one_sheet=True)  # as the scenes draw their strips: else the step's doubt drowns the edges'
STATED = replace(ALIKE, edge_a="rolled", edge_a_radius_mm=2.2, edge_b="rolled", edge_b_radius_mm=1.4)


def codes(measurement):
    return [n.code for n in measurement.notices]


def part(measurement, name):
    return float(np.median(measurement.profile.parts_mm[name]))


def within_u(measurement, truth):
    return float((np.abs(errors(measurement, truth)) <= measurement.profile.expanded_u_mm).mean())


# --- weighing ------------------------------------------------------------------------
def test_nothing_stated_leaves_the_shading():
    told = weigh(LOOKS_ROLLED, None)
    assert (told.kind, told.contradicted, told.source) == (LOOKS_ROLLED, False, "shading")


@pytest.mark.parametrize("shading", [UNKNOWN_KIND, LOOKS_ROLLED])
def test_a_stated_radius_is_the_depth_of_the_outline(shading):
    told = weigh(shading, KnownEdge("rolled", 1.7))
    assert (told.kind.kind, told.kind.depth_mm, told.source) == ("rolled", 1.7, "stated")
    assert told.kind.depth_std_mm < shading.depth_std_mm


def test_rolled_without_a_radius_is_any_usual_hem_unless_the_shading_tells_more():
    """1 to 2.5 mm, any of it alike (common practice, no source): mean 1.75, standard deviation 1.5 / sqrt(12)."""
    kind = weigh(UNKNOWN_KIND, KnownEdge("rolled")).kind
    assert (kind.depth_mm, kind.depth_std_mm) == pytest.approx((1.75, 0.4330127), abs=1e-6)
    assert weigh(LOOKS_ROLLED, KnownEdge("rolled")).kind == LOOKS_ROLLED
    assert weigh(replace(LOOKS_ROLLED, depth_std_mm=0.5), KnownEdge("rolled")).kind == kind


def test_cut_is_believed_where_the_shading_tells_nothing():
    assert weigh(UNKNOWN_KIND, KnownEdge("cut")).kind == CUT_KIND


@pytest.mark.parametrize(
    ("shading", "known"),
    [
        (LOOKS_ROLLED, KnownEdge("cut")),
        (CUT_KIND, KnownEdge("rolled", 1.5)),
        (CUT_KIND, KnownEdge("rolled")),
        (replace(LOOKS_ROLLED, depth_mm=1.4), KnownEdge("rolled", 3.2)),  # thickness given for the radius
    ],
)
def test_a_plain_contradiction_leaves_room_for_both(shading, known):
    told = weigh(shading, known)
    assert told.contradicted
    assert told.kind.kind == "unknown"
    stated = {"cut": CUT_KIND.depth_mm, "rolled": known.radius_mm or 1.75}[known.kind]
    for depth in (shading.depth_mm, stated):
        assert abs(told.kind.depth_mm - depth) <= told.kind.depth_std_mm
    (notice, said) = known_notices({"A": told}, None, None, "C")
    assert (notice.code, notice.kind, said.code) == ("edge-contradicted", "warning", "known-stated")
    assert "strip C" in words.notice(said, words.MM)[0]


def test_an_unsure_shading_contradicts_nobody():
    assert not weigh(EdgeKind("cut", 0.13, 0.45, 0.9), KnownEdge("rolled", 1.5)).contradicted
    assert not weigh(LOOKS_ROLLED, KnownEdge("rolled", 2.4)).contradicted


@pytest.mark.parametrize(("stated", "warned"), [(0.5, False), (0.35, False), (0.1, True), (-0.5, True)])
def test_a_stated_step_is_held_against_the_strips(stated, warned):
    """The larger of 0.2 and 0.15 alone is no bound: two values disagree beyond the root sum of squares, 0.25."""
    found = known_notices({}, KnownStep(stated, 0.2), Step(mean_mm=0.5, expanded_u_mm=0.15), "A")
    assert [n.code for n in found] == (["step-contradicted"] if warned else [])


@pytest.mark.parametrize(
    ("letter", "one_side", "known", "step", "warned"),
    [
        ("B", True, ("cut", "rolled"), None, True),
        ("B", True, ("cut", None), None, True),
        ("C", True, ("cut", "cut"), KnownStep(0.5, 0.2), True),
        ("B", True, ("cut", "cut"), KnownStep(0.0, 0.2), False),  # the same either way round
        ("A", True, ("cut", "rolled"), None, False),  # no letter comes before A
        ("B", False, ("cut", "rolled"), None, False),  # strips on both sides: none was missed
        ("B", True, (None, None), None, False),
    ],
)
def test_what_may_belong_to_the_other_panel_is_warned_about(letter, one_side, known, step, warned):
    told = {
        name: weigh(UNKNOWN_KIND, None if kind is None else KnownEdge(kind))
        for name, kind in zip("AB", known, strict=True)
    }
    found = known_notices(told, step, None, letter, one_side)
    assert [n.code for n in found if n.kind == "warning"] == (["stated-side-unsure"] if warned else [])
    assert all(f"trip {letter}" in words.notice(n, words.MM)[0] for n in found)


# --- measured, against exact truth ----------------------------------------------------
@pytest.fixture(scope="module")
def rolled():
    grey, truth = render_grey(ROLLED, seed=8)
    return grey, truth, measure_photo(photo_of(grey), ALIKE)


@pytest.fixture(scope="module")
def stated(rolled):
    """The same photo measured with what is true of its edges."""
    return measure_photo(photo_of(rolled[0]), STATED)


@pytest.mark.slow
def test_stated_radii_shrink_u_and_the_error_stays_within(rolled, stated):
    _, truth, guessed = rolled
    assert part(stated, "depth") < 0.85 * part(guessed, "depth")
    assert np.median(stated.profile.expanded_u_mm) < 0.9 * np.median(guessed.profile.expanded_u_mm)
    assert within_u(stated, truth) > 0.9
    assert abs(np.median(errors(stated, truth))) < abs(np.median(errors(guessed, truth)))
    assert "known-stated" in codes(stated)
    assert "edge-contradicted" not in codes(stated)
    assert (stated.edge_a.source, guessed.edge_a.source) == ("stated", "measured")


@pytest.mark.slow
def test_a_roll_that_looks_cut_to_the_rules_in_this_light(rolled):
    """From the other side edge B is lit evenly and passes for cut with the rules: U must hold, the detector knows."""
    grey, truth = render_grey(replace(ROLLED, camera=SLANTED, edge_b=EdgeSpec(radius_mm=2.3)), seed=8)
    by_rules = measure_photo(photo_of(grey), replace(CHECKED, edges="rules"))
    assert by_rules.edge_b.kind == "cut", "else this scene shows nothing"
    assert within_u(by_rules, truth) > 0.9
    guessed = measure_photo(photo_of(grey), CHECKED)
    assert guessed.edge_b.kind == "rolled"
    stated = measure_photo(photo_of(grey), replace(STATED, edge_b_radius_mm=2.3))
    assert "edge-contradicted" not in codes(stated)
    for one in (guessed, stated):
        assert within_u(one, truth) > 0.9
    assert part(stated, "depth") < part(guessed, "depth") < part(by_rules, "depth")


@pytest.mark.slow
def test_edges_stated_as_cut_that_are_rolled_are_warned_about(rolled):
    grey, truth, guessed = rolled
    wrong = measure_photo(photo_of(grey), replace(CHECKED, edge_a="cut", edge_b="cut"))
    assert codes(wrong).count("edge-contradicted") == 2
    assert wrong.status == "warn"
    assert np.median(wrong.profile.expanded_u_mm) > np.median(guessed.profile.expanded_u_mm)
    assert within_u(wrong, truth) > 0.9


@pytest.mark.slow
@pytest.mark.parametrize(("strip_t", "sign"), [(-42.0, 1.0), (42.0, -1.0)])
def test_a_stated_step_with_strips_on_one_side(strip_t, sign):
    """With the strips on the scene's side B, that panel is A, and the same step has the other sign."""
    # Dull faces: a bright one that shows at a slant leaves a doubt about the edge that hides the step's effect.
    edge = replace(PLAIN.edge_a, face_factor=0.3)
    strips = (StripSpec(letter="C", t_mm=strip_t),)
    spec = replace(PLAIN, step_mm=1.0, camera=SLANTED, strips=strips, edge_a=edge, edge_b=edge)
    grey, truth = render_grey(spec, seed=9)
    not_known = measure_photo(photo_of(grey), CHECKED)
    stated = measure_photo(photo_of(grey), replace(CHECKED, step_mm=sign * 1.0))
    other_sign = measure_photo(photo_of(grey), replace(CHECKED, step_mm=-sign * 1.0))
    assert part(stated, "tilt_step") == pytest.approx(part(not_known, "tilt_step") / 5, rel=0.05)  # 0.1 for 0.5 mm
    assert within_u(stated, truth) > 0.9
    size = [abs(np.median(errors(m, truth))) for m in (stated, not_known, other_sign)]
    assert size[0] < 0.12 < size[1] < size[2]
    assert within_u(other_sign, truth) < 0.5, "the sign counts"
    assert stated.step is None, "stated is not measured"
    assert stated.stated_step_mm == sign
    assert "step-unknown" in codes(not_known)
    assert "step-unknown" not in codes(stated)


@pytest.mark.slow
def test_with_strips_on_both_sides_the_solved_step_stays(measured):
    plain = measured("flush", ALIKE)
    right, wrong = (measured("flush", replace(ALIKE, step_mm=f)) for f in (0.95, -1.0))
    for m in (right, wrong):
        assert m.step == plain.step
        np.testing.assert_array_equal(m.profile.gap_mm, plain.profile.gap_mm)
        np.testing.assert_array_equal(m.profile.expanded_u_mm, plain.profile.expanded_u_mm)
    assert "step-contradicted" not in codes(right)
    assert "step-contradicted" in codes(wrong)


# --- settings -------------------------------------------------------------------------
@pytest.mark.parametrize(
    "bad",
    [
        dict(edge_a="folded"),
        dict(edge_b=["cut"]),
        dict(edge_a_radius_mm=1.5),
        dict(edge_b="cut", edge_b_radius_mm=1.5),
        dict(edge_a="rolled", edge_a_radius_mm=0.0),
        dict(edge_a="rolled", edge_a_radius_mm="1.5"),
        dict(step_mm=40.0),
        dict(step_mm=float("nan")),
        dict(step_mm=0.5, step_u_mm=0.0),
    ],
)
def test_nonsense_is_refused_in_words(bad):
    with pytest.raises(GapvisionError) as caught:
        Settings(**bad)
    assert caught.value.code == "value-out-of-range"
    assert caught.value.next_step


@pytest.mark.slow
def test_the_measurement_file_says_what_was_stated(rolled, stated):
    _, _, guessed = rolled
    again = from_json(to_json(stated))
    assert again.settings == STATED
    assert (again.edge_b.kind, again.edge_b.source, again.edge_b.depth_mm) == ("rolled", "stated", 1.4)
    assert (again.edge_b.radius_mm, again.edge_b.radius_u_mm) == (1.4, 0.4)
    # A file written before any of this could be stated is read as one in which nothing was.
    old = to_dict(guessed)
    later = ("step_mm", "step_u_mm", "one_sheet", "strip_thickness_mm")
    for name in ("edge_a", "edge_a_radius_mm", "edge_b", "edge_b_radius_mm", *later):
        del old["settings"][name]
    assert from_dict(old).settings == CHECKED
