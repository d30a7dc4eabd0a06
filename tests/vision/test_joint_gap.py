"""Gap and U from three photos of one seam whose outlines are those of circles, projected by the cameras themselves."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.lab.training.camera import PHOTO_HEIGHT_PX, PHOTO_WIDTH_PX, aim
from gapvision.model import StripView
from gapvision.targets.strip import FACE_HEIGHT_MM, corners_mm
from gapvision.vision.band import CentreLine
from gapvision.vision.field import KnownStrips, fit_field
from gapvision.vision.joint_edges import EdgeLook, Face, PhotoLook, join_edges
from gapvision.vision.joint_gap import joint_profile

H, N = -1.5, 61
TILTS_DEG = (2.0, -15.0, 16.0)
SEAM_T, GAP_MM, STEP_MM = 40.0, 4.4, 0.3
RADII = (1.4, 1.8)
T = (np.arange(401) - 200) * 0.05
SIZE = (PHOTO_WIDTH_PX, PHOTO_HEIGHT_PX)


def outline_px(camera, side):
    """Pixels of a rolled edge's points, (points of the circle, stations, 2): the camera's own projection."""
    radius, face = RADII[side], STEP_MM * side
    outward = 1 if side else -1
    angle = np.linspace(0, 2 * np.pi, 721)[:, None]
    s = np.linspace(-30, 30, N)[None]
    across = outward * (GAP_MM / 2 + radius) + radius * np.cos(angle)
    place = np.stack(np.broadcast_arrays(s, across, face - radius + radius * np.sin(angle)), -1)
    return camera.project(place.reshape(-1, 3)).reshape(len(angle), N, 2)


def strip_views(camera):
    """Strip A 40 mm before the seam, strip B as far behind it and as much higher as the step."""
    corners = corners_mm()
    for letter, across, up in (("A", -SEAM_T, 0.0), ("B", SEAM_T, STEP_MM)):
        place = np.stack(
            [corners[:, 0] - 120, across + 18 - corners[:, 1], np.full(len(corners), up + FACE_HEIGHT_MM)], 1
        )
        yield StripView(
            letter=letter, corner_ids=np.arange(len(corners)), corners_px=camera.project(place), corners_mm=corners
        )


@pytest.fixture(scope="module")
def three():
    cameras = [aim(310.0, tilt, 1.0, 1.0, 3000.0, (0.0, 0.0)) for tilt in TILTS_DEG]
    s = np.linspace(-30, 30, N)
    fields, looks = [], []
    for camera in cameras:
        views = list(strip_views(camera))
        focal, alike = 3000 / np.hypot(*SIZE) * 43.267, KnownStrips(one_sheet=True)
        field = fit_field(views, SIZE, focal, frozenset("B"), known=alike)
        # The strip's frame has its t pointing the other way of the scene's, and lies 40 mm from the seam.
        points = np.stack([s, np.full(N, -SEAM_T)], 1)
        normals = np.tile([0.0, -1.0], (N, 1))
        line = CentreLine(s - s[0], points, normals)
        sight = field.sight(points)
        edges = []
        for side, farthest in ((0, np.max), (1, np.min)):
            px = outline_px(camera, side)
            at = field.to_panel(px.reshape(-1, 2), H).reshape(*px.shape)
            t = farthest(-(at[..., 1] + SEAM_T), axis=0)
            curve = np.exp(-0.5 * ((T[:, None] - t) / 0.05) ** 2)
            nothing = np.full((1, N), np.nan, np.float32)
            edges.append(
                EdgeLook((curve / curve.sum(0)).astype(np.float32), t, np.full(N, 0.05), np.zeros(N, bool), nothing)
            )
        no = np.zeros(N, bool)
        looks.append(PhotoLook(-sight[:, 1] / sight[:, 2], ~no, no, no, (edges[0], edges[1])))
        fields.append(field)
    return cameras, line, fields, looks


def profile_of(three, which):
    _, line, fields, looks = three
    fields, looks = [fields[i] for i in which], [looks[i] for i in which]
    faces = Face(-FACE_HEIGHT_MM, 0.0), Face(-FACE_HEIGHT_MM + fields[0].step_mm, fields[0].step_std_mm)
    edges = join_edges(looks, faces, H)
    return joint_profile(fields, line, looks, edges, H, print_scale_checked=True, station_mm=1.0), edges


def test_gap_and_radii_of_rolls_that_three_photos_see(three):
    profile, (a, b) = profile_of(three, (0, 1, 2))
    np.testing.assert_allclose(profile.gap_mm, GAP_MM, atol=0.04)
    assert a.told.kind.depth_mm == pytest.approx(RADII[0], abs=0.12)
    assert b.told.kind.depth_mm == pytest.approx(RADII[1], abs=0.12)
    assert np.abs(profile.gap_mm - GAP_MM).max() < profile.expanded_u_mm.min()


def test_pixels_lie_on_the_outlines_of_the_photo_that_is_named(three):
    profile, _ = profile_of(three, (0, 1, 2))
    for k in np.unique(profile.photo):
        in_it = profile.photo == k
        for side, px in ((0, profile.edge_a_px), (1, profile.edge_b_px)):
            near = np.linalg.norm(outline_px(three[0][k], side)[:, :, None] - px[in_it], axis=-1).min((0, 1))
            assert near.max() < 5  # the stations of the two are not the same ones, 1 mm is 9 px
    assert set(profile.photo) <= {0, 1, 2}


def test_more_photos_narrow_the_depth_and_never_what_they_share(three):
    one, _ = profile_of(three, (0,))
    pair, _ = profile_of(three, (0, 1))
    all_three, _ = profile_of(three, (0, 1, 2))
    shared = [p.parts_mm["shared"] for p in (one, pair, all_three)]
    assert min(s.min() for s in shared) == max(s.max() for s in shared) > 0.05
    assert all_three.parts_mm["depth"].mean() < pair.parts_mm["depth"].mean()
    assert all_three.expanded_u_mm.min() > 2 * shared[0].min()


def test_photos_that_do_not_agree_on_a_step_are_not_trusted(three):
    """A posterior wider than 0.15 mm is rival steps: a quarter more of it is far more than a quarter more of U."""
    _, line, fields, looks = three
    faces = Face(-FACE_HEIGHT_MM, 0.0), Face(-FACE_HEIGHT_MM + fields[0].step_mm, fields[0].step_std_mm)
    edges = join_edges(looks, faces, H)
    u = []
    for std in (0.14, 0.2, 0.25):
        a, b = (replace(edge, std_mm=np.full(N, std), depth_part_mm=np.zeros(N)) for edge in edges)
        profile = joint_profile(fields, line, looks, (a, b), H, print_scale_checked=True, station_mm=1.0)
        u.append(float(profile.expanded_u_mm.mean()))
    assert u[0] < 0.3 < u[1] < u[2]
    assert u[2] / u[1] > 2


def test_where_photos_have_the_seam_in_two_places_u_reaches_from_one_to_the_other(three):
    _, line, fields, looks = three
    faces = Face(-FACE_HEIGHT_MM, 0.0), Face(-FACE_HEIGHT_MM + fields[0].step_mm, fields[0].step_std_mm)
    edges = join_edges(looks, faces, H)
    apart = np.where(np.arange(N) > 40, 1.5, 0.0)
    with_it, without = (
        joint_profile(fields, line, looks, edges, H, print_scale_checked=True, station_mm=1.0, seam_mm=mm)
        for mm in (apart, 0.0)
    )
    np.testing.assert_allclose(with_it.expanded_u_mm, np.hypot(without.expanded_u_mm, 2 * apart))


def test_where_an_edge_jumps_u_is_as_large_as_the_jump(three):
    """As of one photo: tape over an edge or a clip leaves its course for a short way, and all photos show it so."""
    _, line, fields, looks = three
    faces = Face(-FACE_HEIGHT_MM, 0.0), Face(-FACE_HEIGHT_MM + fields[0].step_mm, fields[0].step_std_mm)
    a, b = join_edges(looks, faces, H)
    there = np.zeros(N, bool)
    there[28:33] = True
    jumping = replace(a, t_mm=a.t_mm - np.where(there, 1.5, 0.0))
    profile, usual = (
        joint_profile(fields, line, looks, (edge, b), H, print_scale_checked=True, station_mm=2.0)  # long enough
        for edge in (jumping, a)
    )
    assert np.all(profile.expanded_u_mm[there] > 1.4)
    np.testing.assert_allclose(profile.expanded_u_mm[:20], usual.expanded_u_mm[:20], atol=0.02)
