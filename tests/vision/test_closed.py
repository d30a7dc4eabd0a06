"""Seams that close and edges that stand alone: own drawn scenes with exact truth; a circle's offset is a circle."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.errors import GapvisionError
from gapvision.formats import edge_json, measurement_json
from gapvision.judgement import judge_measurement, simple_spec
from gapvision.judgement.part import part_drawing
from gapvision.judgement.readings import reading_from_measurement
from gapvision.lab.scenes import CameraSpec, Defect, EdgeSpec, SceneSpec, StripSpec, render_grey
from gapvision.model import Settings
from gapvision.one_edge import measure_edge
from gapvision.recipe import measure_photo
from gapvision.vision.band import CentreLine
from gapvision.vision.closed import OVERLAP, close_line, length_of, over_the_end
from tests.vision.conftest import photo_of

KNOWN = Settings(closed=True, print_scale_checked=True, one_sheet=True)
CAMERA = CameraSpec(width_px=2400, height_px=1800, distance_mm=330, tilt_across_deg=8, roll_deg=5)
STRIPS = (StripSpec(letter="A", t_mm=-96, on="A"), StripSpec(letter="E", s_mm=-2, t_mm=98, on="A"))
#: A lamp cover of R 60 mm with a bump of its own at the place where the stations begin.
COVER = SceneSpec(
    name="cover", closed_mm=(120, 120, 60), gap_mm=4.76,
    edge_a=EdgeSpec(radius_mm=1.5, wave_mm=0.3, wave_period_mm=40 * np.pi), edge_b=EdgeSpec(radius_mm=1.4),
    defects=(Defect(side="B", s_mm=0.0, height_mm=-0.8, width_mm=30),), strips=STRIPS, camera=CAMERA,
)  # fmt: skip
#: The hole for a fuel flap, R 70 mm; its panel carries a strip of either length.
HOLE = SceneSpec(
    name="hole", closed_mm=(136, 136, 68), gap_mm=4.0, alone=True, camera=CAMERA,
    strips=(StripSpec(letter="A", t_mm=-104, on="A"), StripSpec(letter="C", t_mm=104, on="A", short=True)),
)  # fmt: skip


def test_a_closed_line_has_even_stations_and_begins_beside_the_strip():
    angle = np.linspace(0, 2 * np.pi, 300, endpoint=False)
    line = close_line(60 * np.stack([np.cos(angle), np.sin(angle)], 1), 1.0, np.array([0.0, -90.0]))
    assert len(line.s_mm) == 377
    assert length_of(line) == pytest.approx(2 * np.pi * 60, abs=0.02)
    np.testing.assert_allclose(line.points[0], (0, -60), atol=0.3)
    steps = np.linalg.norm(np.diff(line.points, axis=0, append=line.points[:1]), axis=1)
    assert np.ptp(steps) < 0.01
    np.testing.assert_allclose(line.normals, -line.points / 60, atol=0.01)  # inwards, also at both ends
    twice = over_the_end(line)
    assert isinstance(twice, CentreLine)
    np.testing.assert_allclose(twice.points[:OVERLAP], line.points[-OVERLAP:])


@pytest.fixture(scope="module")
def cover():
    grey, truth = render_grey(COVER, seed=4)
    known = replace(KNOWN, step_mm=0.0, edge_a="rolled", edge_a_radius_mm=1.5, edge_b="rolled", edge_b_radius_mm=1.4)
    return measure_photo(photo_of(grey), known), truth


@pytest.mark.slow
def test_a_cover_is_measured_all_round_without_a_jump_at_the_closing_point(cover):
    measured, truth = cover
    p = measured.profile
    assert measured.seam_kind == "closed"
    assert measured.straightness_a is measured.straightness_b is None
    assert p.round_mm == pytest.approx(2 * np.pi * 60, abs=1.5)
    middle = 0.5 * (np.array(truth["edges"]["A_outline_px"]) + np.array(truth["edges"]["B_outline_px"]))
    near = np.linalg.norm(middle[:, None] - 0.5 * (p.edge_a_px + p.edge_b_px)[None], axis=2).argmin(0)
    error = p.gap_mm - np.array(truth["edges"]["gap"])[near]
    assert np.mean(np.abs(error) <= p.expanded_u_mm) > 0.94
    assert np.mean((p.expanded_u_mm <= 0.25) & (np.abs(error) < 0.15)) > 0.5
    assert len(p.s_mm) > 0.9 * p.round_mm
    steps = np.abs(np.diff(p.gap_mm))
    if p.s_mm[0] == 0 and p.s_mm[-1] > p.round_mm - 1.5:
        assert abs(p.gap_mm[0] - p.gap_mm[-1]) <= max(steps.max(), 0.05)


@pytest.mark.slow
def test_a_closed_seam_is_kept_judged_and_refused_a_plan(cover):
    measured, _ = cover
    again = measurement_json.from_json(measurement_json.to_json(measured))
    assert again.profile.own_line
    assert again.profile.round_mm == pytest.approx(measured.profile.round_mm, abs=1e-4)
    assert judge_measurement(again, simple_spec(4.76, 0.5, 0.5)).state in ("out of tolerance", "not proven")
    with pytest.raises(GapvisionError) as error:
        reading_from_measurement(again, "cover", at_mm=0.0)
    assert error.value.code == "seam-closes"


@pytest.mark.slow
def test_an_edge_alone_gives_the_part_within_its_u():
    """A round hole of 70 mm radius; with a gap of 4 mm the part is a disc of 66 mm."""
    measured = measure_edge(photo_of(render_grey(HOLE, seed=3)[0]), KNOWN)
    p = measured.profile
    assert p.whole
    assert p.round_mm == pytest.approx(2 * np.pi * 70, abs=1.5)
    centre = p.place_mm.mean(0)
    radius = np.linalg.norm(p.place_mm - centre, axis=1)
    assert np.mean(np.abs(radius - 70.0) <= p.expanded_u_mm) > 0.94
    assert p.expanded_u_mm.max() < 0.6
    again = edge_json.from_json(measurement_json.content_bytes(edge_json.to_dict(measured)))
    drawing = part_drawing(again, 4.0)
    line = np.array(drawing.scribe[0])
    off = np.linalg.norm(line - line.mean(0), axis=1) - 66.0
    assert np.abs(off).max() <= drawing.part.u_mm
    with pytest.raises(GapvisionError) as error:
        measurement_json.from_json(measurement_json.content_bytes(edge_json.to_dict(measured)), "hole.json")
    assert error.value.code == "edge-has-no-gap"


@pytest.mark.slow
def test_a_seam_stated_to_be_one_edge_is_refused(scene):
    grey, _ = scene("plain")
    refused = measure_edge(photo_of(grey), Settings(print_scale_checked=True))
    assert refused.status == "refused"
    assert refused.notices[0].code in ("edge-not-alone", "strips-on-both-sides")
