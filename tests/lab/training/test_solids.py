"""Scenes as meshes: what the renderer is given, without the renderer."""

import numpy as np
import pytest

from gapvision.lab.training.bands import columns_mm, draw_rectifier, edge_truth
from gapvision.lab.training.scenes import draw_scene
from gapvision.lab.training.solids import Plain, glows, idle, lights, standing

SEEDS = range(7000, 7025)


def corners(solid):
    return solid.vertices.reshape(-1, 3)


@pytest.fixture(scope="module")
def scenes():
    return [draw_scene(seed) for seed in SEEDS]


@pytest.mark.slow
def test_a_lamp_is_where_it_was_drawn_as_large_and_faces_the_seam(scenes):
    for scene in scenes:
        for drawn, solid in zip(scene.lights, lights(scene), strict=True):
            a, b, c, _ = corners(solid)
            np.testing.assert_allclose(corners(solid).mean(0), drawn["place"], atol=1e-6)
            sides = sorted([np.linalg.norm(b - a), np.linalg.norm(c - a)])
            np.testing.assert_allclose(sides, sorted(2 * np.array(drawn["half"])), rtol=1e-6)
            towards = -drawn["place"] / np.linalg.norm(drawn["place"])
            np.testing.assert_allclose(solid.normals[0, 0], towards, atol=1e-6)


def test_a_lamp_lights_the_seam_alike_whatever_its_size_and_distance(scenes):
    """Irradiance of a small source square on: radiance x area / distance squared (inverse square law)."""
    for scene in scenes:
        for drawn, solid in zip(scene.lights, lights(scene), strict=True):
            area = 4 * drawn["half"][0] * drawn["half"][1]
            irradiance = float(solid.radiance.mean()) * area / float(drawn["place"] @ drawn["place"])
            assert irradiance == pytest.approx(drawn["weight"], rel=1e-5)


def test_every_place_of_what_shines_has_a_place_of_its_own_in_its_map(scenes):
    """Light is drawn by places in the map: where all points share one, next to none is sent out."""
    shining = [solid for scene in scenes for solid in lights(scene) + glows(scene)]
    assert any(scene.filling == "lamp" for scene in scenes)
    for solid in shining:
        assert not isinstance(solid.look, Plain)  # a plain look gives every point the same place
        uv = solid.uv.reshape(-1, 2)
        np.testing.assert_allclose(np.ptp(uv, axis=0), 1.0)
        assert len(np.unique(uv, axis=0)) == len(uv)


def test_a_glow_lies_on_top_of_its_lamp(scenes):
    for scene in scenes:
        drawn = [t for t in scene.things if t["kind"] == "bar" and t["emit"] > 0]
        for thing, solid in zip(drawn, glows(scene), strict=True):
            middle = corners(solid).mean(0)
            np.testing.assert_allclose(middle[1], thing["t"], atol=1e-6)
            assert 0 < middle[2] - (thing["z"] + thing["half_h"]) < 0.1
            assert solid.normals[0, 0, 2] > 0.8


def test_a_scene_fits_the_number_of_meshes_that_all_are_filled_up_to(scenes):
    """The renderer fills up to 20 meshes, two of them printed strips and up to two blockers."""
    for scene in scenes:
        assert len(standing(scene)) + len(scene.blockers) <= 20
    assert corners(idle())[:, 2].max() < -1000


def test_a_longer_seam_is_the_same_in_its_middle_and_goes_on(scenes):
    for short in scenes[:5]:
        long = draw_scene(short.seed, 104.0)
        rect = draw_rectifier(np.random.default_rng(1), long)
        assert len(columns_mm(rect)) == 204
        for one, other, side in ((short.edge_a, long.edge_a, -1), (short.edge_b, long.edge_b, 1)):
            middle = np.abs(one.s_mm) < 45
            np.testing.assert_allclose(np.interp(one.s_mm[middle], other.s_mm, other.t_mm), one.t_mm[middle], atol=1e-6)
            outline, extreme = edge_truth(other, side, long.camera, rect)
            assert np.isfinite(outline).all()
            assert np.ptp(extreme[:60]) > 0.01  # not drawn as a straight line beyond the middle


def test_a_seam_too_long_to_be_drawn_is_refused():
    with pytest.raises(ValueError, match="half_length_mm: expected 10 to 110, got 140"):
        draw_scene(1, 140.0)
