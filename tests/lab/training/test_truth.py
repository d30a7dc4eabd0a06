"""Truth geometry of the teaching scenes against closed forms."""

from __future__ import annotations

import numpy as np
import pytest

from gapvision.lab.training.camera import aim
from gapvision.lab.training.profiles import outline_u, section


def test_extreme_point_is_at_zero():
    for kind in ("rolled", "flat_hem", "cut", "flange"):
        part = section(kind, 1.2, 1.2, 1.1, lean_deg=2.0)
        assert part.points[: part.n_outline, 0].max() == pytest.approx(0, abs=1e-9)
        np.testing.assert_allclose(np.linalg.norm(part.normals, axis=1), 1)


def test_unknown_kind_is_named():
    with pytest.raises(ValueError, match="kind: expected one of"):
        section("weld", 1, 1, 1)


@pytest.mark.parametrize("tilt", [0.0, 8.0, 20.0])
@pytest.mark.parametrize("radius", [0.8, 2.5])
def test_outline_of_a_round_hem_seen_from_afar(tilt, radius):
    # A circle of radius r about (-r, -r): in the plane through its extreme point the tangent ray from a
    # camera tilted by the angle lies r (1 / cos - 1) further out (elementary geometry; design page, section 4).
    part = section("rolled", radius, radius, 1.1)
    seen = part.points[:, 0] + (part.points[:, 1] + radius) * np.tan(np.radians(tilt))
    _, place = outline_u(seen[None], part.n_outline)
    assert place[0] == pytest.approx(radius * (1 / np.cos(np.radians(tilt)) - 1), abs=0.004)


def test_outline_of_a_cut_edge_is_its_upper_rim():
    part = section("cut", 0.1, 0.0, 1.1)
    # Seen from the far side the lower rim shows further into the gap; the rim a gauge feels stays the truth.
    seen = part.points[:, 0] - part.points[:, 1] * np.tan(np.radians(15))
    _, place = outline_u(seen[None], part.n_outline)
    assert place[0] == pytest.approx(0.1 * np.tan(np.radians(15)), abs=0.005)
    assert part.rim_z_mm == pytest.approx(-0.1)


def test_camera_projects_and_comes_back():
    camera = aim(350.0, 12.0, -7.0, 93.0, 3000.0, (10.0, -4.0))
    points = np.array([[0.0, 0, -1.5], [20, 5, -1.5], [-14, -8, -1.5]])
    np.testing.assert_allclose(camera.to_plane(camera.project(points), -1.5), points[:, :2], atol=1e-9)


def test_camera_square_on_has_its_scale():
    camera = aim(300.0, 0.0, 0.0, 0.0, 3000.0, (0.0, 0.0))
    px = camera.project(np.array([[0.0, 0, 0], [1, 0, 0], [0, 1, 0]]))
    np.testing.assert_allclose(px[0], [2015.5, 1511.5], atol=1e-9)
    assert np.linalg.norm(px[1] - px[0]) == pytest.approx(10.0)
    assert np.linalg.norm(px[2] - px[0]) == pytest.approx(10.0)
