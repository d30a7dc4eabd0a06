"""What a person states of photos on a panel is checked: place, direction, side, and whether photos agree."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.formats.plan_json import plan_to_dict
from gapvision.judgement import make_plan, panel_of, placed, read_on_seam, ready_shape
from gapvision.model import Course, PanelLayout, PhotoPlace, SeamLayout
from gapvision.reports.terminal import plan_text
from gapvision.workshop import plan_evidence

from ._panels import CENTRE, bonnet, reading, spec
from .test_plan import measurement


def layout_of(shape, side=""):
    known = ready_shape(shape)
    places = known.places(1000.0, 700.0)
    seams = tuple(SeamLayout(name=name, place=place, spec=spec()) for name, place in places.items())
    centre = (500.0, 350.0) if shape == "door" else (0.0, 350.0)
    ways = {"words": known.directions, "lid": known.lid, "side": side}
    return PanelLayout(name=shape, shape=shape, seams=seams, centre=centre, **ways)


def lay(layout, name, **how):
    seam = next(s for s in layout.seams if s.name == name)
    return read_on_seam(layout, seam, measurement(b_above=how.pop("b_above", True)), PhotoPlace(**how), "photo a.json")


@pytest.mark.parametrize(("at", "inside"), [(0.0, True), (601.0, True), (620.0, False), (990.0, False), (-20.0, False)])
def test_stations_lie_on_the_seam(at, inside):
    # The photo shows 99 mm of seam; the seam of the door is 700 mm long.
    if inside:
        assert lay(layout_of("door"), "rear", at_mm=at).s_mm[0] == at
        return
    with pytest.raises(GapvisionError, match=r"the seam is 700 mm .* long") as caught:
        lay(layout_of("door"), "rear", at_mm=at)
    assert caught.value.code == "panel-file-bad"
    assert f"{at:.0f} to {at + 99:.0f} mm" in caught.value.message


def test_a_place_that_is_not_said_is_asked_for():
    with pytest.raises(GapvisionError, match=r"Photo a\.json: it is not said where along the seam") as caught:
        lay(layout_of("door"), "rear")
    assert "at = " in caught.value.next_step


@pytest.mark.parametrize(("span_mm", "at"), [(660.0, 20.0), (610.0, 45.0), (705.0, -2.5), (580.0, None)])
def test_a_whole_seam_needs_no_place_where_it_fills_its_seam(span_mm, at):
    """The door's seam is 700 mm long: what is left on both sides is shared, and more than 100 mm of it is asked for."""
    layout = layout_of("door")
    seam = next(s for s in layout.seams if s.name == "rear")
    one = measurement(b_above=True)
    s = np.linspace(0, span_mm, len(one.profile.s_mm))
    course = Course(s_mm=s[[0, -1]], modes_mm=np.zeros((1, 2)))
    whole = replace(one, profile=replace(one.profile, s_mm=s, course=course))
    if at is None:
        with pytest.raises(GapvisionError, match="it is not said where along the seam"):
            read_on_seam(layout, seam, whole, PhotoPlace(), "photo a.json")
    else:
        assert read_on_seam(layout, seam, whole, PhotoPlace(), "photo a.json").s_mm[0] == pytest.approx(at)


# From outside the left side of the car its front is at the left: on the rear seam, which runs downwards, a person who
# looks down along it has the door on the right hand. From outside the right side it is the other way round.
@pytest.mark.parametrize(("side", "reverse", "good"), [
    ("left", True, True), ("left", False, False), ("right", False, True), ("right", True, False),
])  # fmt: skip
def test_a_door_that_lies_on_the_wrong_side_is_refused(side, reverse, good):
    layout = layout_of("door", side)
    if good:
        assert lay(layout, "rear", at_mm=100.0, reverse=reverse).photo == "a.jpg"
        return
    with pytest.raises(GapvisionError, match="on the other side of the seam"):
        lay(layout, "rear", at_mm=100.0, reverse=reverse)


def test_doors_whose_photos_contradict_each_other_are_refused():
    layout = layout_of("door")
    rear, front = (next(s for s in layout.seams if s.name == name) for name in ("rear", "front"))
    # Rear and front lie on opposite sides of the door: seen alike, one of them is said wrong.
    one, same = lay(layout, "rear", at_mm=100.0), lay(layout, "front", at_mm=100.0)
    with pytest.raises(GapvisionError, match="'rear' and 'front'") as caught:
        panel_of(layout, [(rear, spec(), [one]), (front, spec(), [same])])
    assert "side" in caught.value.next_step
    turned = lay(layout, "front", at_mm=100.0, reverse=True)
    assert len(panel_of(layout, [(rear, spec(), [one]), (front, spec(), [turned])]).readings) == 2


def two_photos(differ, u=0.2, first=(0, 500), second=(400, 900)):
    panel = bonnet({"left": lambda s: 4.9 + 0 * s}, u=u)
    seam = panel.seams[0]
    photos = tuple(
        placed(reading(np.arange(*ends, 5.0), gap, u, seam="left", spacing=5.0), seam.place, CENTRE)
        for ends, gap in ((first, 4.9), (second, 4.9 + differ))
    )
    return replace(panel, seams=(replace(seam, readings=photos),))


def test_photos_of_one_stretch_that_contradict_each_other_give_no_plan():
    with pytest.raises(GapvisionError, match=r"0\.60 mm .* from 400 to 495 mm, .* U of 0\.28 mm") as caught:
        make_plan(two_photos(0.6))
    assert caught.value.code == "photos-disagree"


@pytest.mark.parametrize("how", [{"differ": 0.25}, {"differ": 0.6, "second": (500, 900)}, {"differ": 0.6, "u": 0.5}])
def test_photos_that_agree_or_do_not_overlap_are_planned(how):
    assert len(make_plan(two_photos(**how)).stretches) == 2


def test_what_was_not_measured_is_said_first():
    layout = layout_of("door", "left")
    rear = next(s for s in layout.seams if s.name == "rear")
    panel = panel_of(layout, [(rear, spec(), [lay(layout, "rear", at_mm=100.0, reverse=True)])])
    assert panel.free == ("front", "sill", "top")
    with pytest.raises(GapvisionError, match="front, sill and top") as caught:
        make_plan(panel)
    assert caught.value.code == "seams-left-free"
    plan = make_plan(panel, free_seams=True)
    assert plan.notices[0].code == "seams-not-measured"
    told = plan_text(plan).splitlines()[1]
    assert "Not measured: all of front, sill, top; rear but for 99 mm in 700 mm." in " ".join(plan_text(plan).split())
    assert told.strip().startswith("Not measured: all of front")
    assert plan_text(plan).count("all of front") == 1
    # An upright seam shows how far the door sits back and how it is turned, never how high: plane geometry.
    assert "Nothing measured tells how far it sits up or down" in " ".join(plan_text(plan).split())
    kept = plan_evidence("door", plan_to_dict(plan))
    assert kept.sentences[0].startswith("Not measured: all of front, sill, top")


def test_a_seam_that_the_panel_does_not_have_is_not_missed():
    """A roadster's door has no seam along its top."""
    layout = replace(layout_of("door", "left"), without=("top", "front", "sill"))
    rear = next(s for s in layout.seams if s.name == "rear")
    panel = panel_of(layout, [(rear, spec(), [lay(layout, "rear", at_mm=100.0, reverse=True)])])
    assert panel.free == ()
    assert make_plan(panel).notices[0].code == "seams-not-measured"  # 99 mm in 700 mm of the one that is there


def test_a_panel_measured_all_round_says_nothing_of_it():
    panel = bonnet({name: (lambda s: 4.76 + 0 * s) for name in ("left", "right", "rear")}, aim="band")
    rear = panel.seams[2]
    whole = replace(rear.readings[0], s_mm=rear.readings[0].s_mm * 1.2)
    plan = make_plan(replace(panel, seams=(*panel.seams[:2], replace(rear, readings=(whole,)))))
    assert "seams-not-measured" not in [n.code for n in plan.notices]
    assert words.steps(plan, words.MM) == ["Nothing to do: every gap that was measured is in tolerance, and stays so."]


def test_overlapping_photos_count_once():
    seam = two_photos(0.0).seams[0]
    assert seam.covered_mm == 895.0


@pytest.mark.parametrize(("side", "warned"), [("", True), ("left", False)])
def test_a_door_of_which_the_side_is_not_said_was_not_checked(side, warned):
    """Else a wrong edge turns every move round, and nothing says so."""
    layout = layout_of("door", side)
    rear = next(seam for seam in layout.seams if seam.name == "rear")
    panel = panel_of(layout, [(rear, spec(), [lay(layout, "rear", at_mm=100.0, reverse=True)])])
    assert ("panel-side-unknown" in {notice.code for notice in make_plan(panel, free_seams=True).notices}) == warned
