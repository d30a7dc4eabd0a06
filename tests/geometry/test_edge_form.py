"""Form of both edges of a profile: straight, curved and S-shaped seams, doubtful edges."""

from __future__ import annotations

import numpy as np
import pytest

from gapvision.geometry.edge_form import judge_edges, jump_mm
from gapvision.model import GapProfile

S = np.arange(260.0)


def profile(course: np.ndarray, fault: np.ndarray | float = 0.0, u: float = 0.1) -> GapProfile:
    noise = np.random.default_rng(1).normal(0, 0.01, (2, len(S)))
    n = np.full(len(S), u)
    px = np.zeros((len(S), 2))
    return GapProfile(
        s_mm=S, gap_mm=np.full(len(S), 4.76), expanded_u_mm=n, edge_a_px=px, edge_b_px=px,
        edge_a_mm=course + fault + noise[0],
        edge_b_mm=course + 4.76 + noise[1], edge_a_u_mm=n, edge_b_u_mm=n,
    )  # fmt: skip


NICK = np.where((S >= 100) & (S < 115), 0.5, 0.0)
BUMP = 0.5 * np.where(np.abs(S - 130) < 20, np.cos(np.pi * (S - 130) / 40) ** 2, 0.0)


def test_straight_with_a_nick():
    a, b, kind = judge_edges(profile(0.01 * S, NICK))
    assert kind == "straight"
    assert a.min_zone_mm == pytest.approx(0.53, abs=0.04)
    assert a.worst_100_mm == pytest.approx(0.53, abs=0.04)
    assert a.worst_100_from_mm < 115 < a.worst_100_from_mm + 115
    assert b.min_zone_mm < 0.06
    assert a.fairness_mm is None


@pytest.mark.parametrize("course", [S**2 / 1800, 6 * np.sin(2 * np.pi * S / 430)], ids=["arc", "ess"])
def test_curved_seams_are_judged_by_fairness(course):
    a, b, kind = judge_edges(profile(course, BUMP))
    assert kind == "curved"
    assert a.fairness_mm == pytest.approx(0.53, abs=0.08)
    assert b.fairness_mm < 0.1
    assert a.cutoff_mm == 120


def test_a_dent_of_two_millimetres_is_no_curve():
    assert judge_edges(profile(2 * np.exp(-(((S - 130) / 20) ** 2))))[2] == "straight"


def test_doubtful_edges_are_not_judged():
    assert judge_edges(profile(0 * S, u=0.4))[:2] == (None, None)


def test_a_jump_is_a_short_way_off_the_course_there_and_back():
    s = np.arange(240.0)
    arc = s * s / 1200 - s * 0.2  # a door's arc of 600 mm radius
    assert not jump_mm(arc, 1.0).any()
    assert not jump_mm(arc + 1.0 * np.exp(-(((s - 120) / 15) ** 2)), 1.0).any(), "a dent"
    assert not jump_mm(np.where(s > 120, 2.0, 0.0), 1.0).any(), "a step that stays"
    taped = arc + np.where((s >= 100) & (s < 115), -3.0, 0.0)
    jump = jump_mm(taped, 1.0)
    assert np.all(np.abs(jump[100:115] - 3.0) < 0.3)
    assert not jump[:95].any()
    assert not jump[120:].any()
    assert np.all(jump[::-1] == jump_mm(taped[::-1], 1.0))
