"""Edges from several photos, on chance curves drawn exactly: an outline that a camera sees of a circle, no pictures."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.model import KnownEdge
from gapvision.vision.gap import CORNER_MM
from gapvision.vision.joint_edges import EdgeLook, Face, PhotoLook, join_edges
from gapvision.vision.learned import DEPTH_BIN_MM

H = -1.5  # the band's height
FACE = -0.5  # of a panel under a strip of usual thickness
N = 40
SQUARE, FROM_A, FROM_B = 0.03, -0.27, 0.28  # tangents of the line of sight: 2, -15 and +16 degrees
T = (np.arange(401) - 200) * 0.05
C_A, C_B = -2.0 + 0.2 * np.sin(np.arange(N) / 9), 2.3 + np.linspace(0, 0.3, N)


def outline(c, radius, face, slope, outward):
    """Where a circle's outermost ray towards the gap meets the band: searched over the circle's points."""
    angle = np.linspace(0, 2 * np.pi, 4001)[:, None]
    x = outward * radius + radius * np.cos(angle)
    z = face - radius + radius * np.sin(angle)
    on_band = x + slope * (H - z)
    return c + (on_band.min(0) if outward > 0 else on_band.max(0))


def look_at(slope, radii=(1.3, 1.9), faces=(FACE, FACE), std=0.05, wrong=(0.0, 0.0), share=0.0, burnt=False):
    """A photo's curves: a sharp one at each outline, ``share`` of it moved ``wrong`` mm further into the panel."""
    edges = []
    for c, radius, face, aside, outward in zip((C_A, C_B), radii, faces, wrong, (-1, 1), strict=True):
        t = outline(c, radius, face, slope, outward)
        curve = sum(
            w * np.exp(-0.5 * ((T[:, None] - at) / 0.05) ** 2)
            for w, at in ((1 - share, t), (share, t + outward * aside))
        )
        chosen = t + outward * aside * (share > 0.5)
        edges.append(
            EdgeLook(
                (curve / curve.sum(0)).astype(np.float32),
                chosen,
                np.full(N, std),
                np.full(N, burnt),
                np.full((1, N), np.nan, np.float32),
            )
        )
    no = np.zeros(N, bool)
    return PhotoLook(np.full(N, slope), ~no, no, no, (edges[0], edges[1]))


LEVEL = Face(FACE, 0.0)


def join(*looks, faces=(LEVEL, LEVEL), known=(None, None)):
    return join_edges(list(looks), faces, H, known)


def test_three_views_tell_place_and_depth():
    a, b = join(look_at(SQUARE), look_at(FROM_A), look_at(FROM_B))
    np.testing.assert_allclose(a.t_mm, C_A, atol=0.03)
    np.testing.assert_allclose(b.t_mm, C_B, atol=0.03)
    assert a.told.kind.depth_mm == pytest.approx(1.3, abs=0.1)
    assert b.told.kind.depth_mm == pytest.approx(1.9, abs=0.1)
    assert (a.told.kind.kind, b.told.kind.kind) == ("rolled", "rolled")
    one, _ = join(look_at(SQUARE))
    assert a.told.kind.depth_std_mm < 0.6 * one.told.kind.depth_std_mm


def test_a_cut_edge_is_told_by_parallax():
    a, b = join(*(look_at(k, radii=(0.15, 1.5)) for k in (SQUARE, FROM_A, FROM_B)))
    assert a.told.kind.cut_chance > 0.8 > 0.2 > b.told.kind.cut_chance
    # What the border of its broken corner is usually taken too far in for is put right; rolls have none.
    np.testing.assert_allclose(a.t_mm, C_A + CORNER_MM * a.told.kind.cut_chance, atol=0.03)
    np.testing.assert_allclose(b.t_mm, C_B, atol=0.03)


def test_outline_is_where_each_photo_shows_it():
    looks = [look_at(k) for k in (SQUARE, FROM_A, FROM_B)]
    a, b = join(*looks)
    for look in looks:
        for edge, outward, own in ((a, -1, look.edges[0]), (b, 1, look.edges[1])):
            np.testing.assert_allclose(edge.outline_mm(look.slope, H, outward), own.t_mm, atol=0.05)


def test_a_photo_that_is_not_trusted_does_not_draw_the_edge_in():
    wrong = look_at(FROM_A, wrong=(0.5, 0.5), share=1.0, std=0.25)
    a, b = join(look_at(SQUARE), wrong, look_at(FROM_B))
    np.testing.assert_allclose(a.t_mm, C_A, atol=0.05)
    np.testing.assert_allclose(b.t_mm, C_B, atol=0.05)


def test_a_reflection_that_all_photos_share_widens_u():
    views = (SQUARE, FROM_A, FROM_B)
    clear, _ = join(*(look_at(k) for k in views))
    doubtful, _ = join(*(look_at(k, wrong=(0.6, 0.6), share=0.5, std=0.3) for k in views))
    assert np.median(doubtful.std_mm) > 2 * np.median(clear.std_mm)
    assert np.median(doubtful.std_mm) > 0.15


def test_no_number_of_photos_is_surer_than_the_surest_of_them():
    for std, least in ((0.05, 0.05), (0.1, 0.087), (0.3, 0.3)):
        one, three = (join(*(look_at(k, std=std) for k in views))[1] for views in ([SQUARE], (SQUARE, FROM_A, FROM_B)))
        assert one.shared_std_mm.min() > least
        np.testing.assert_allclose(three.shared_std_mm, one.shared_std_mm, rtol=1e-3)
        surest, _ = join(look_at(SQUARE, std=std), look_at(FROM_A, std=0.04))
        assert surest.shared_std_mm.max() < max(one.shared_std_mm.min(), 0.06)


def test_photos_that_contradict_each_other_are_all_doubted():
    """Three values of equal weight, one 0.5 mm off: by hand, (100 - 2) / (1200 - 400) / 3 is 0.20 mm squared."""
    wrong = look_at(SQUARE, wrong=(0.5, 0.5), share=1.0)
    for edge in join(wrong, look_at(FROM_A), look_at(FROM_B)):
        assert 0.12 < np.median(edge.shared_std_mm) < 0.3
    slightly = look_at(SQUARE, wrong=(0.08, 0.08), share=1.0)
    for edge in join(slightly, look_at(FROM_A), look_at(FROM_B)):
        assert np.median(edge.shared_std_mm) < 0.06


def said_by_shading(look, depth):
    """The same look, of which the detector says how deep the outline lies, to 0.25 mm."""
    bins = np.arange(16)[:, None] * DEPTH_BIN_MM
    logits = np.repeat(-0.5 * ((bins - depth) / 0.25) ** 2, N, axis=1).astype(np.float32)
    return replace(look, edges=tuple(replace(edge, depth_logits=logits) for edge in look.edges))


def test_an_edge_moved_between_the_photos_does_not_pass_for_a_deeper_one():
    """Drawn: B stands 0.6 mm nearer in one photo of two; 31 degrees apart, 1.1 mm of depth would show as much."""
    still = [said_by_shading(look_at(k, radii=(1.5, 1.9)), 1.7) for k in (FROM_A, FROM_B)]
    moved = said_by_shading(look_at(FROM_B, radii=(1.5, 1.9), wrong=(0.0, -0.6), share=1.0), 1.7)
    (a, b), (a_still, b_still) = join(still[0], moved), join(*still)
    u = 2 * np.hypot(b.std_mm, b.shared_std_mm)
    assert ((np.abs(b.t_mm - C_B) < u) & (np.abs(b.t_mm - (C_B - 0.6)) < u)).all()
    np.testing.assert_allclose(a.shared_std_mm, a_still.shared_std_mm, atol=0.001)
    assert max(a.shared_std_mm.max(), b_still.shared_std_mm.max()) < 0.06


def test_two_burnt_out_photos_count_as_one():
    one = join(look_at(SQUARE, burnt=True), look_at(FROM_A))
    two = join(look_at(SQUARE, burnt=True), look_at(SQUARE, burnt=True), look_at(FROM_A))
    for single, double in zip(one, two, strict=True):
        np.testing.assert_allclose(double.t_mm, single.t_mm, atol=1e-3)
        np.testing.assert_allclose(double.std_mm, single.std_mm, rtol=1e-2)


@pytest.mark.parametrize("step", [-0.7, 0.0, 0.6])
def test_strips_on_one_side_need_neither_step_nor_depth(step):
    looks = [look_at(k, faces=(FACE, FACE + step)) for k in (SQUARE, FROM_A, FROM_B)]
    a, b = join(*looks, faces=(Face(FACE, 0.0), Face(FACE, 0.5)))
    np.testing.assert_allclose(b.t_mm - a.t_mm, C_B - C_A, atol=0.04)
    assert b.height_mm == pytest.approx(FACE + step - 1.9, abs=0.1)


def test_strips_thicker_than_thought_change_radii_within_their_u_and_not_the_gap():
    """Magnets 0.8 mm thick where 0.5 is taken: the faces lie 0.3 mm lower than thought, both alike."""
    views = [look_at(slope, faces=(FACE - 0.3, FACE - 0.3)) for slope in (SQUARE, FROM_A, FROM_B)]
    doubted = Face(FACE, 0.35)
    a, b = join(*views, faces=(doubted, doubted))
    np.testing.assert_allclose(b.t_mm - a.t_mm, C_B - C_A, atol=0.05)
    for edge, radius in ((a, 1.3), (b, 1.9)):
        off = abs(edge.told.kind.depth_mm - radius)
        assert off == pytest.approx(0.3, abs=0.12)
        assert off < 2 * edge.told.kind.depth_std_mm
    sure, _ = join(*views)
    assert sure.told.kind.depth_std_mm < 0.8 * a.told.kind.depth_std_mm


def test_a_face_that_rises_along_the_seam_is_seen_to():
    ramp = np.linspace(-0.4, 0.4, N)
    looks = [look_at(k, faces=(FACE, FACE + ramp)) for k in (SQUARE, FROM_A, FROM_B)]
    a, b = join(*looks)
    middle = slice(10, -10)  # at the ends the mean over neighbours leans towards the middle
    np.testing.assert_allclose(b.rise_mm[middle], ramp[middle], atol=0.06)
    np.testing.assert_allclose(a.rise_mm, 0.0, atol=0.02)
    assert np.abs(b.rise_mm - ramp).max() < 2 * b.rise_std_mm.min()


def test_photos_from_one_direction_tell_no_rise():
    a, _ = join(look_at(SQUARE), look_at(SQUARE + 0.01))
    assert np.isnan(a.rise_mm).all()


def test_what_is_stated_counts():
    looks = look_at(SQUARE), look_at(FROM_A)
    a, _ = join(*looks, known=(KnownEdge("rolled", 1.3), KnownEdge("rolled", 1.9)))
    free, _ = join(*looks)
    assert a.told.source == "stated"
    assert a.told.kind.depth_std_mm < free.told.kind.depth_std_mm
    assert np.median(a.std_mm) < np.median(free.std_mm)


def test_a_place_that_no_photo_shows_has_no_trust():
    look = look_at(SQUARE)
    hidden = PhotoLook(look.slope, np.arange(N) < 30, look.bright, look.lit, look.edges)
    a, _ = join(hidden)
    assert a.std_mm[33:].min() > 1.5 * np.median(a.std_mm[5:25])


def test_looks_of_other_lengths_are_a_mistake_of_the_caller():
    with pytest.raises(ValueError, match="looks"):
        join()
