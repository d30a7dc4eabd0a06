"""Straightness: invariances, a known worst window, fairness that follows neither bump nor hole."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from gapvision.geometry.straightness import convex_hull, fairness, least_squares_zone, minimum_zone, worst_window

POINTS = st.integers(3, 60).flatmap(
    lambda n: arrays(float, (n, 2), elements=st.floats(-500, 500, allow_nan=False).map(lambda v: round(v, 3)))
)
ANGLE = st.floats(0, 2 * np.pi)


def turned(points: np.ndarray, angle: float, shift: tuple[float, float] = (0.0, 0.0)) -> np.ndarray:
    c, s = np.cos(angle), np.sin(angle)
    return points @ np.array([[c, s], [-s, c]]) + shift


@given(POINTS, ANGLE, st.tuples(st.floats(-1e4, 1e4), st.floats(-1e4, 1e4)))
@pytest.mark.slow
def test_turning_and_moving_change_nothing(points, angle, shift):
    moved = turned(points, angle, shift)
    assert minimum_zone(*moved.T).width == pytest.approx(minimum_zone(*points.T).width, abs=1e-6)


@given(POINTS, ANGLE)
@pytest.mark.slow
def test_least_squares_turns_too(points, angle):
    if np.ptp(points, axis=0).max() == 0:
        return
    _, size, _ = np.linalg.svd(points - points.mean(0), full_matrices=False)
    if size[0] - size[1] < 1e-3 * size[0]:
        return  # a round cloud has no line of its own
    moved = turned(points, angle)
    assert least_squares_zone(*moved.T).width == pytest.approx(least_squares_zone(*points.T).width, rel=1e-6, abs=1e-6)


@given(POINTS)
@pytest.mark.slow
def test_never_above_least_squares(points):
    if np.ptp(points, axis=0).max() == 0:
        return
    assert minimum_zone(*points.T).width <= least_squares_zone(*points.T).width + 1e-9


@given(POINTS)
@pytest.mark.slow
def test_the_zone_holds_every_point(points):
    zone = minimum_zone(*points.T)
    heights = points @ zone.normal - zone.middle
    assert np.abs(heights).max() <= zone.width / 2 + 1e-9
    assert np.hypot(*zone.normal) == pytest.approx(1)


@given(POINTS, ANGLE)
@pytest.mark.slow
def test_no_direction_is_narrower(points, angle):
    assert np.ptp(points @ [np.cos(angle), np.sin(angle)]) >= minimum_zone(*points.T).width - 1e-9


@given(POINTS)
@pytest.mark.slow
def test_mirror_and_order_change_nothing(points):
    width = minimum_zone(*points.T).width
    assert minimum_zone(points[:, 0], -points[:, 1]).width == pytest.approx(width, abs=1e-9)
    assert minimum_zone(*points[::-1].T).width == pytest.approx(width, abs=1e-12)


@given(POINTS)
@pytest.mark.slow
def test_the_hull_is_convex_and_made_of_the_points(points):
    hull = convex_hull(*points.T)
    assert {tuple(p) for p in hull} <= {tuple(p) for p in points}
    if len(hull) > 2:
        a, b, c = hull, np.roll(hull, -1, 0), np.roll(hull, -2, 0)
        cross = (b - a)[:, 0] * (c - b)[:, 1] - (b - a)[:, 1] * (c - b)[:, 0]
        assert (cross > 0).all()


@pytest.mark.parametrize(
    ("points", "width"),
    [([(3, 4)], 0), ([(0, 0), (10, 5)], 0), ([(0, 0), (1, 1), (2, 2), (9, 9)], 0), ([(0, 0), (0, 5), (0, 9)], 0),
     ([(2, 2)] * 5, 0), ([(0, 0), (4, 0), (4, 3), (0, 3)], 3), ([(0, 0), (2, 0), (1, 3**0.5)], 3**0.5)],
    ids=["point", "two", "line", "upright", "same", "box", "triangle"],
)  # fmt: skip
def test_hand_cases(points, width):
    assert minimum_zone(*np.array(points, float).T).width == pytest.approx(width, abs=1e-12)


def test_a_circle_is_as_wide_as_it_is():
    a = np.linspace(0, 2 * np.pi, 2000, endpoint=False)
    assert minimum_zone(np.cos(a), np.sin(a)).width == pytest.approx(2, abs=1e-5)


@pytest.mark.parametrize("bad", [([], []), ([1, 2], [1]), ([1, np.nan], [1, 2]), ([[1, 2]], [[1, 2]])])
def test_misuse(bad):
    with pytest.raises(ValueError, match="points: expected"):
        minimum_zone(*bad)


# --- worst window ------------------------------------------------------------------------


def edge(seed: int = 0, noise: float = 0.01) -> tuple[np.ndarray, np.ndarray]:
    s = np.arange(300.0)
    return s, np.random.default_rng(seed).normal(0, noise, 300) + 0.002 * s


def test_known_worst_window():
    """A kink of 20 mm per m at 200 mm: in a window of 100 mm the deepest triangle stands where it is in the middle."""
    s = np.arange(300.0)
    y = np.where(s > 200, 0.02 * (s - 200), 0.0)
    width, start = worst_window(s, y)
    assert start == 150
    assert width == pytest.approx(0.5 * np.cos(0.01), rel=1e-3)


def test_a_nick_is_in_the_worst_window():
    s, y = edge()
    y[220:235] -= 0.6
    width, start = worst_window(s, y)
    assert 134 <= start <= 199
    assert 0.55 < width < 0.68


@pytest.mark.parametrize("seed", range(5))
def test_equals_trying_every_window(seed):
    s, y = edge(seed, 0.05)
    y += np.cumsum(np.random.default_rng(seed + 50).normal(0, 0.03, 300))
    keep = np.r_[0:80, 95:210, 214:300]
    s, y = s[keep], y[keep]
    every = [
        minimum_zone(s[k], y[k]).width
        for i in range(len(s))
        if s[-1] - s[i] >= 80
        for k in [(s >= s[i]) & (s <= s[i] + 100)]
    ]
    assert worst_window(s, y)[0] == pytest.approx(max(every), abs=1e-12)


@pytest.mark.parametrize("length", [0, 1, 5, 60, 79])
def test_too_short_for_a_window(length):
    assert worst_window(np.arange(float(length)), np.zeros(length)) is None


def test_a_window_that_is_mostly_hole_says_nothing():
    s = np.r_[0:20, 200:230].astype(float)
    assert worst_window(s, s * 0) is None


# --- fairness -----------------------------------------------------------------------------

ARC = np.arange(301.0)
RADIUS_900 = ARC**2 / 1800


def bump(height: float, width: float, at: float = 150.0) -> np.ndarray:
    return height * np.where(np.abs(ARC - at) < width / 2, np.cos(np.pi * (ARC - at) / width) ** 2, 0)


def test_a_fair_arc_is_fair():
    assert fairness(ARC, RADIUS_900).peak_to_valley_mm < 1e-3


@pytest.mark.parametrize("at", [20.0, 30.0, 45.0, 255.0])
@pytest.mark.parametrize("height", [-0.5, 0.3, 1.0])
def test_near_an_end_most_of_a_40_mm_bump_shows(height, at):
    noise = np.random.default_rng(3).normal(0, 0.02, len(ARC))
    result = fairness(ARC, RADIUS_900 + bump(height, 40, at) + noise)
    found = result.deviation_mm[np.abs(ARC - at) < 2].mean()
    assert 0.55 <= found / height <= 1.1


@pytest.mark.parametrize("at", [85.0, 150.0, 215.0])
@pytest.mark.parametrize("height", [-0.5, 0.3, 1.0])
def test_a_40_mm_bump_is_not_followed(height, at):
    noise = np.random.default_rng(3).normal(0, 0.02, len(ARC))
    result = fairness(ARC, RADIUS_900 + bump(height, 40, at) + noise)
    assert result.worst_s_mm == pytest.approx(at, abs=6)
    found = result.deviation_mm[np.abs(ARC - at) < 2].mean()
    assert found == pytest.approx(height, abs=0.05 + 0.03 * abs(height))


@pytest.mark.parametrize(("period", "height"), [(430, 6.0), (480, 9.4), (600, 13.0)])
@pytest.mark.parametrize("phase", range(6))
def test_a_fair_s_curve_is_fair(period, height, phase):
    noise = np.random.default_rng(phase).normal(0, 0.01, len(ARC))
    assert fairness(ARC, height * np.sin(2 * np.pi * ARC / period + phase) + noise).peak_to_valley_mm < 0.12


def test_a_step_of_15_mm_stays_sharp():
    result = fairness(ARC, RADIUS_900 + np.where((ARC >= 100) & (ARC < 115), 0.4, 0.0))
    assert result.peak_to_valley_mm == pytest.approx(0.4, abs=0.02)


@pytest.mark.parametrize("hole", [(100, 130), (60, 140), (2, 40), (260, 299)])
def test_holes_change_little(hole):
    noise = np.random.default_rng(4).normal(0, 0.02, len(ARC))
    y = RADIUS_900 + bump(0.5, 40, 200) + noise
    keep = (ARC < hole[0]) | (ARC > hole[1])
    whole, part = fairness(ARC, y), fairness(ARC[keep], y[keep])
    assert len(part.deviation_mm) == keep.sum()
    away = keep & ((ARC < hole[0] - 15) | (ARC > hole[1] + 15)) & (np.abs(ARC - 200) > 25)
    assert np.abs(part.deviation_mm[away[keep]] - whole.deviation_mm[away]).max() < 0.08


@settings(deadline=None, max_examples=30)
@given(st.floats(-5, 5), st.floats(-0.05, 0.05), st.floats(-1e-3, 1e-3), st.integers(0, 9))
def test_a_parabola_added_changes_nothing(a, b, c, seed):
    y = np.random.default_rng(seed).normal(0, 0.02, len(ARC)) + bump(0.4, 30)
    one, two = fairness(ARC, y), fairness(ARC, y + a + b * ARC + c * ARC**2)
    assert np.abs(one.deviation_mm - two.deviation_mm).max() < 1e-2
