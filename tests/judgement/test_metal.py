"""What may be done to an edge: a fold is never filed through.  Ways and their reach are common practice, no source."""

import json
from dataclasses import replace

import numpy as np
import pytest

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.formats.plan_json import plan_to_dict
from gapvision.judgement import make_plan
from gapvision.judgement.metal import filed_mm
from gapvision.judgement.template import drawings_of_plan
from gapvision.model import Adjuster, DecisionRule, TrimRules
from gapvision.reports.terminal import plan_text
from gapvision.workshop import plan_evidence

from ._panels import bonnet

S = np.arange(0.0, 1000.0, 5.0)


def plan(deep, edge="", seen="", *, stated=False, wide=False, trim=None, skin=0.8):
    """A bonnet whose right edge has a bulge (or a dent) ``deep`` mm beyond its limit between 600 and 640 mm."""
    bump = np.where((S > 600) & (S < 640), -deep if wide else deep, 0.0)
    level = 5.26 if wide else 4.26

    def right(_):
        return level - bump

    panel = bonnet({"right": right, "rear": lambda s: 4.76 + 0 * s}, aim="least work", trim=trim)
    seam = panel.seams[0]
    one = replace(seam.readings[0], panel_edge_mm=bump, edge_seen=seen, edge_stated=stated, expanded_u_mm=0 * S)
    seam = replace(seam, edge=edge, skin_mm=skin, readings=(one,), trim=trim or TrimRules(hand_mm=0.0))
    still = {"travel_x": (0, 0), "travel_y": (0, 0), "travel_out": (0, 0)}
    bolts = tuple(Adjuster(name=str(k), xy=xy, **still) for k, xy in enumerate([(-500.0, 50.0), (500.0, 50.0)]))
    rule = DecisionRule(name="simple")
    return make_plan(replace(panel, seams=(seam, panel.seams[1]), rule=rule, adjusters=bolts))


def done(made):
    return [x.deed for x in made.stretches[0].trim.spans]


def everything_said(made):
    """All that a person reads of a plan: terminal, JSON, report, template."""
    report = plan_evidence("bonnet", json.loads(json.dumps(plan_to_dict(made))))
    return plan_text(made) + " ".join([*report.sentences, *(cell for row in report.rows for cell in row)])


@pytest.mark.parametrize(
    ("deep", "edge", "deed"),
    [
        (0.1, "folded", "file lightly"),
        (0.3, "folded", "dress"),
        (0.74, "folded", "fold closer"),
        (1.8, "folded", "fold anew"),
        (0.74, "wired", "wire anew"),
        (0.74, "flanged", "bend anew"),
        (0.74, "leaded", "file lead"),
        (0.74, "cut", "file"),
        (0.74, "", "fold closer"),
    ],
)
def test_what_an_edge_is_decides_what_is_done(deep, edge, deed):
    made = plan(deep, edge)
    assert done(made) == [deed]
    told = everything_said(made)
    assert ("remove" in told) == (edge in ("cut", "leaded"))


def test_the_same_photo_that_calls_an_edge_rolled_never_has_it_filed():
    made = plan(0.74, seen="rolled")
    assert done(made) == ["fold closer"]
    assert "remove" not in everything_said(made)
    assert "edge-not-stated" in [n.code for n in made.notices]
    assert "safe-limit-missing" not in [n.code for n in made.notices]
    # A person's word that it is rolled does not say over what.
    assert "edge-not-stated" in [n.code for n in plan(0.74, seen="rolled", stated=True).notices]


def test_cut_from_the_photo_alone_is_asked_about_and_a_contradiction_is_warned_of():
    assert "edge-not-stated" in [n.code for n in plan(0.74, seen="cut").notices]
    assert "edge-not-stated" not in [n.code for n in plan(0.74, seen="cut", stated=True).notices]
    assert "edge-looks-other" in [n.code for n in plan(0.74, "cut", seen="rolled").notices]


def test_a_fold_is_filed_by_a_small_part_of_its_skin_whatever_is_said():
    s = np.array([0.0, 100.0])
    assert filed_mm("folded", TrimRules(), 0.8, s) == pytest.approx([0.16, 0.16])
    assert filed_mm("folded", TrimRules(safe_limit=((0.0, 0.3),)), 0.8, s) == pytest.approx([0.3, 0.3])
    assert (filed_mm("folded", TrimRules(safe_limit=((0.0, 3.0),)), 0.8, s) < 0.8).all()
    assert (filed_mm("wired", TrimRules(safe_limit=((0.0, 3.0),)), 0.8, s) < 0.8).all()
    assert np.isinf(filed_mm("cut", TrimRules(), 0.8, s)).all()


def test_no_edge_goes_further_than_anything_brings_it():
    made = plan(3.6, "folded")
    assert made.stretches[0].trim.remove_mm.max() <= 3.0 + 1e-6
    assert not made.succeeds
    assert "safe-limit-reached" in [n.code for n in made.notices]


def test_out_goes_by_hammer_first_and_by_metal_last():
    for deep, deed in ((0.3, "dress"), (1.5, "fold anew"), (2.5, "build up")):
        assert done(plan(deep, "folded", wide=True)) == [deed]


def test_each_way_says_what_speaks_for_and_against_it():
    for deed, (told, good, bad) in words.plan.DEEDS.items():
        assert told, deed
        assert good, deed
        assert bad, deed
    told = plan_text(plan(0.74, "folded"))
    assert "Close the fold further: for," in told


def test_no_machine_gets_a_line_through_a_fold():
    for edge, seen, stated in (("folded", "", False), ("", "", False), ("", "cut", False)):
        with pytest.raises(GapvisionError, match="a machine would cut through it"):
            drawings_of_plan(plan(0.74, edge, seen, stated=stated))[0].check_cutter()
    drawings_of_plan(plan(0.74, "cut"))[0].check_cutter()
    drawings_of_plan(plan(0.74, "", "cut", stated=True))[0].check_cutter()
