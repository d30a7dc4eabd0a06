"""The part to an edge alone: its line against shapes whose offset is known by hand."""

import numpy as np
import pytest

from gapvision.errors import GapvisionError
from gapvision.judgement.part import part_drawing
from gapvision.model import EdgeAlone, EdgeProfile, SeenPhoto, Settings

PHOTO = SeenPhoto(file="hole.jpg", sha256="0" * 64, width_px=4000, height_px=3000)


def measured(places, outward, *, spacing=1.0, round_mm=None, u=0.1, keep=slice(None)):
    """An edge as if it had been measured, without error."""
    n = len(places)
    profile = EdgeProfile(
        s_mm=np.arange(n) * spacing, place_mm=places, outward=outward, expanded_u_mm=np.full(n, u),
        edge_px=10 * places, spacing_mm=spacing, round_mm=round_mm,
    )  # fmt: skip
    return EdgeAlone(status="ok", notices=(), photo=PHOTO, profile=profile.picked(keep), settings=Settings(closed=True))


def circle(radius, *, void_inside=True, **more):
    """A round opening, or a round lid; stations clockwise as seen, y down."""
    n = round(2 * np.pi * radius)
    angle = 2 * np.pi * np.arange(n) / n
    way = np.stack([np.cos(angle), np.sin(angle)], 1)
    spacing = 2 * np.pi * radius / n
    return measured(radius * way, -way if void_inside else way, spacing=spacing, round_mm=n * spacing, **more)


def polygon(corners, *, void_inside=True):
    """A closed row of straight sides, stations 1 mm apart; the outward ways are those of the sides, none rounded."""
    corners = np.array(corners, float)
    places, ways = [], []
    for a, b in zip(corners, np.roll(corners, -1, axis=0), strict=True):
        side = b - a
        n = round(float(np.linalg.norm(side)))
        places.append(a + side * np.arange(n)[:, None] / n)
        inward = np.array([-side[1], side[0]]) / np.linalg.norm(side)  # clockwise with y down: to the right hand
        ways.append(np.tile(inward if void_inside else -inward, (n, 1)))
    places, ways = np.concatenate(places), np.concatenate(ways)
    return measured(places, ways, round_mm=float(len(places)))


def line_of(drawing):
    assert len(drawing.scribe) == 1
    return np.array(drawing.scribe[0])


@pytest.mark.parametrize(("void_inside", "radius"), [(True, 56.0), (False, 64.0)])
def test_the_offset_of_a_circle_is_a_circle(void_inside, radius):
    drawing = part_drawing(circle(60.0, void_inside=void_inside), 4.0)
    line = line_of(drawing)
    np.testing.assert_allclose(np.hypot(*line.T), radius, atol=0.03)
    assert drawing.part.whole
    assert drawing.scribe[0][0] == drawing.scribe[0][-1]


def test_a_rectangle_shrinks_by_the_gap_on_every_side_and_keeps_sharp_corners():
    line = line_of(part_drawing(polygon([(0, 0), (120, 0), (120, 80), (0, 80)]), 5.0))
    np.testing.assert_allclose(np.ptp(line, axis=0), (110, 70), atol=0.05)
    for corner in [(-55, -35), (55, -35), (55, 35), (-55, 35)]:
        assert np.linalg.norm(line - corner, axis=1).min() < 0.6  # between points 0.5 mm apart


def test_round_an_outer_corner_goes_an_arc():
    """An opening with a corner that points into it, as an L has: by hand, the offset there is an arc of the gap."""
    ell = [(0, 0), (120, 0), (120, 60), (60, 60), (60, 120), (0, 120)]
    drawing = part_drawing(polygon(ell), 6.0)
    line = line_of(drawing)
    corner = np.array(drawing.present[0])[240]  # the L's inner corner, 120 + 60 + 60 mm along
    near = np.linalg.norm(line - corner, axis=1)
    assert near.min() == pytest.approx(6.0, abs=0.03)
    assert (near < 6.05).sum() > 10


def test_no_point_of_the_part_is_nearer_to_the_edge_than_the_gap():
    for edge in (polygon([(0, 0), (90, 0), (130, 70), (20, 95)]), circle(60.0)):
        drawing = part_drawing(edge, 4.5)
        course = np.array([p for x in drawing.present for p in x])
        apart = np.linalg.norm(line_of(drawing)[:, None] - course[None], axis=2).min(1)
        assert apart.min() > 4.5 - 0.03
        assert apart.max() < 4.6


def test_the_part_is_drawn_as_the_camera_sees_it_never_mirrored():
    """A shape without symmetry: going clockwise as seen, its long side comes after its short one."""
    drawing = part_drawing(polygon([(0, 0), (150, 0), (150, 40), (0, 90)]), 3.0)
    x, y = np.array(drawing.present[0]).T
    assert float((x[:-1] * y[1:] - x[1:] * y[:-1]).sum()) < 0  # clockwise with y up
    left, right = (y[np.abs(x - x.min()) < 0.6], y[np.abs(x - x.max()) < 0.6])
    assert np.ptp(left) > np.ptp(right)  # the high side stays on the left


def test_a_line_that_lies_upright_is_laid_level():
    s = np.arange(200.0)
    places = np.stack([np.zeros(200), s], 1)
    drawing = part_drawing(measured(places, np.tile([1.0, 0.0], (200, 1))), 4.0)
    edge, line = (np.array(x[0]) for x in (drawing.present, drawing.scribe))
    assert np.ptp(edge[:, 1]) < 1e-6
    assert abs(line[:, 1].mean() - edge[:, 1].mean()) == pytest.approx(4.0, abs=0.01)


def test_a_hole_in_the_edge_is_a_hole_in_the_part():
    keep = np.ones(377, bool)
    keep[100:140] = False
    drawing = part_drawing(circle(60.0, keep=keep), 4.0)
    assert not drawing.part.whole
    line = np.concatenate([np.array(x) for x in drawing.scribe])
    gap_at = 60 * np.array([np.cos(120 / 60), -np.sin(120 / 60)])
    assert np.linalg.norm(line - gap_at, axis=1).min() > 15
    np.testing.assert_allclose(np.hypot(*(line).T), 56.0, atol=0.05)


def test_no_part_is_left_where_the_gap_is_too_wide():
    with pytest.raises(GapvisionError) as error:
        part_drawing(circle(25.0), 28.0)
    assert error.value.code == "part-too-large"


@pytest.mark.parametrize("gap", [0.0, -4.0, 100.0])
def test_a_gap_that_cannot_be_meant_is_refused(gap):
    with pytest.raises(GapvisionError) as error:
        part_drawing(circle(60.0), gap)
    assert error.value.code == "value-out-of-range"
