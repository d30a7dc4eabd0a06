"""Chances, tracking, placing and kinds of edges on bands whose truth is a formula."""

import numpy as np
import pytest
from scipy.special import ndtr

from gapvision.intake.light import decode_srgb, encode_srgb
from gapvision.vision import edges as edges_of
from gapvision.vision.band import ROW_MM, Band, CentreLine, no_colour
from gapvision.vision.edges import find_edges
from gapvision.vision.placing import edge_kind, place_edge
from gapvision.vision.rises import gap_is_bright, gap_is_uneven, rule_chances
from gapvision.vision.tracking import best_path, track

T = (np.arange(401) - 200) * ROW_MM


def band_of(linear, px_per_mm=9.0):
    n = linear.shape[1]
    s = np.arange(n, dtype=float)
    line = CentreLine(s_mm=s, points=np.stack([s, np.zeros(n)], 1), normals=np.tile([0.0, 1.0], (n, 1)))
    light = linear.astype(np.float32)
    return Band(
        linear=light,
        peak=encode_srgb(light).astype(np.float32),
        t_mm=T,
        line=line,
        px_per_mm=np.full(n, px_per_mm),
        sight_deg=np.zeros((2, n)),
        chroma=no_colour(*linear.shape),
    )


def gap_band(edge_a, edge_b, inside=0.01, panel=0.4, blur_mm=0.11, noise=0.0, seed=0):
    """A gap between two sharp edges, blurred by a Gaussian: E-08 of the check values, in linear light."""
    a, b = np.broadcast_to(edge_a, (120,)), np.broadcast_to(edge_b, (120,))
    share = ndtr((T[:, None] - a) / blur_mm) * (1 - ndtr((T[:, None] - b) / blur_mm))
    light = panel + (inside - panel) * share
    light = light + np.random.default_rng(seed).normal(0, noise, light.shape)
    return band_of(np.clip(decode_srgb(encode_srgb(np.clip(light, 0, 1))), 0, 1))


@pytest.mark.parametrize(("inside", "panel"), [(0.01, 0.4), (0.02, 0.15), (0.8, 0.1), (0.6, 0.02)])
def test_plain_edges_are_found_in_dark_and_bright_gaps(inside, panel):
    band = gap_band(-2.3, 2.1, inside, panel, noise=0.002)
    edges = find_edges(band, "rules")
    assert abs(np.nanmedian(edges.t_a_mm) + 2.3) < 0.07
    assert abs(np.nanmedian(edges.t_b_mm) - 2.1) < 0.07
    assert edges.bright_share == (1.0 if inside > panel else 0.0)


def test_the_lean_of_stored_grey_is_about_halved():
    """Check value E-08: at half level of stored values a dark gap (0.02 of 0.6) of blur 1 px reads 1.075 px narrow."""
    true, px_per_mm = 4.4, 9.0
    band = gap_band(-2.2, 2.2, inside=0.02, panel=0.6, blur_mm=1.0 / px_per_mm)
    stored = encode_srgb(band.linear[:, 0])
    level = 0.5 * (stored[200] + stored[0])
    first = np.flatnonzero(stored < level)[0]
    left = np.interp(level, stored[[first, first - 1]], T[[first, first - 1]])
    narrow = true + 2 * left
    assert narrow * px_per_mm == pytest.approx(1.075, abs=0.05)
    placed = place_edge(band, np.full(120, 200 + 2.2 / ROW_MM), 1)
    assert abs(np.median(placed.t_mm) - 2.2) < 0.6 * narrow / 2
    assert np.median(placed.std_mm) > 0.4 * abs(np.median(placed.t_mm) - 2.2)


def test_swapping_the_sides_swaps_the_edges():
    band = gap_band(-2.6, 1.9, noise=0.003)
    turned = band_of(band.linear[::-1])
    one, other = find_edges(band, "rules"), find_edges(turned, "rules")
    np.testing.assert_allclose(one.t_a_mm, -other.t_b_mm, atol=0.011)


def test_a_step_in_the_edge_is_not_smoothed_away():
    edge = np.where(np.arange(120) < 60, 2.0, 2.8)
    edges = find_edges(gap_band(-2.0, edge, noise=0.002), "rules")
    assert abs(np.nanmedian(edges.t_b_mm[40:58]) - 2.0) < 0.07
    assert abs(np.nanmedian(edges.t_b_mm[63:80]) - 2.8) < 0.07


def test_path_jumps_at_a_fixed_price_and_ignores_specks():
    chance = np.full((401, 60), 1e-5, np.float32)
    chance[250, :30] = 0.9
    chance[290, 30:] = 0.9
    chance[330, 10] = 0.99  # one lonely speck
    row = best_path(chance)
    assert (np.abs(row[:30] - 250) < 1.5).all()
    assert (np.abs(row[31:] - 290) < 1.5).all()


def test_two_equal_peaks_are_not_trusted():
    chance = np.full((401, 60), 1e-6, np.float32)
    chance[250], chance[270] = 0.5, 0.5
    sure = np.full((401, 60), 1e-6, np.float32)
    sure[250] = 1.0
    two, one = track(chance / chance.sum(0)), track(sure / sure.sum(0))
    assert (two.std_rows >= 14).all()  # half of the chances lie 20 rows away: 20 / sqrt(2)
    assert (one.std_rows < 4).all()


def roll(radius, floor=0.2):
    """Brightness of a matt roll under light from above, by Lambert's cosine law: the face's level down to ``floor``."""

    def light(distance):
        x = np.clip(distance / radius, 0, 1)
        return floor + (1 - floor) * np.cos(np.arcsin(1 - x))

    return light


@pytest.mark.parametrize("radius", [1.6, 2.0, 2.4])
def test_a_hem_is_told_from_a_cut_edge_and_its_radius_from_its_shading(radius):
    distance = T - 2.0
    light = np.where(distance > 0, 0.4 * roll(radius)(np.maximum(distance, 0)), 0.01)
    hem = band_of(np.tile(light[:, None], (1, 120)))
    cut = gap_band(-2.0, 2.0, blur_mm=0.08)
    at = np.full(120, 2.0)
    sure = np.ones(120, bool)
    assert edge_kind(cut, at, 1, sure).kind == "cut"
    found = edge_kind(hem, at, 1, sure)
    assert found.kind == "rolled"
    assert abs(found.depth_mm - radius) < 2 * found.depth_std_mm


def test_a_seal_in_the_gap_is_noticed():
    band = gap_band(-3.0, 3.0)
    lit = band.linear.copy()
    lit[(np.abs(T) < 0.8)] += 0.2
    rows = np.full(120, 200.0)
    a, b = rows - 60, rows + 60
    assert not gap_is_uneven(band, a, b).any()
    assert gap_is_uneven(band_of(lit), a, b).all()
    assert not gap_is_bright(band).any()


def test_chances_sum_to_one():
    for chance in rule_chances(gap_band(-2.0, 2.0, noise=0.01)):
        np.testing.assert_allclose(chance.sum(0), 1, atol=1e-4)


@pytest.mark.parametrize(("stations", "deep_mm"), [(8, 0.5), (13, 0.9), (13, 0.3)])
def test_a_nick_that_the_detector_sees_is_not_bridged(stations, deep_mm):
    """Chances as the detector gives them of a nick: sure inside it and beside it, split at its walls."""
    rows = np.arange(401)[:, None]
    place = np.full(120, 160.0)
    place[50 : 50 + stations] += deep_mm / ROW_MM
    bell = np.exp(-0.5 * ((rows - place) / 1.2) ** 2)
    sure = 0.95 * bell / bell.sum(0) + 0.04 * np.exp(-0.5 * ((rows - 160.0) / 2) ** 2) / 5.01 + 0.01 / 401
    for wall in (50, 49 + stations):
        sure[:, wall] = 0.5 * (sure[:, wall] + sure[:, 20])
    row = track(edges_of._soften(sure.astype(np.float32))).row
    assert np.abs(row - place)[51 : 49 + stations].max() < 3
    assert np.abs(row - place)[:49].max() < 2
