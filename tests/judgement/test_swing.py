"""The gap while a panel opens, against outlines drawn point by point and turned by hand."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision import words
from gapvision.formats.finish_file import finish_from_table, finish_to_table
from gapvision.judgement import forecast, simple_spec
from gapvision.judgement.swing import smallest_in_motion
from gapvision.model import FinishPlan, Swing

HINGE = Swing(axis_in_mm=40.0, axis_below_mm=25.0, depth_mm=4.0, radius_mm=1.2, neighbour_radius_mm=0.8, step_mm=0.3)


def outline(radius, depth, way):
    """Points of an edge's outline, face at n = 0, its furthest point at u = 0, the panel towards ``way``."""
    half = np.linspace(0, np.pi / 2, 30)
    down = np.linspace(-radius, -depth + radius, 50)
    top = np.stack([way * radius * (1 - np.cos(half)), radius * (np.sin(half) - 1)], 1)
    foot = np.stack([way * radius * (1 - np.cos(half)), -depth + radius * (1 - np.sin(half))], 1)
    return np.concatenate([top, np.stack([0 * down, down], 1), foot])


def by_points(gap, w):
    other = outline(w.neighbour_radius_mm, w.neighbour_depth_mm, -1.0)
    panel = outline(w.radius_mm, w.depth_mm, 1.0) + np.array([gap, w.step_mm])
    axis = np.array([gap + w.axis_in_mm, w.step_mm - w.axis_below_mm])
    found = []
    for deg in np.arange(0, w.open_deg, 0.25):
        t = np.radians(deg)
        x, y = (panel - axis).T
        moved = np.stack([x * np.cos(t) - y * np.sin(t), x * np.sin(t) + y * np.cos(t)], 1) + axis
        found.append(np.hypot(*(moved[:, None] - other[None]).transpose(2, 0, 1)).min())
    return min(found)


@pytest.mark.parametrize(
    "changes", [{}, {"step_mm": -1.0}, {"axis_below_mm": 60.0}, {"axis_in_mm": 8.0, "depth_mm": 6.0}]
)
def test_the_smallest_gap_on_the_way(changes):
    w = replace(HINGE, **changes)
    told, _ = smallest_in_motion(np.array([4.0, 6.0]), w)
    for gap, one in zip((4.0, 6.0), told, strict=True):
        found = by_points(gap, w)
        if one > 0.05:
            assert one == pytest.approx(found, abs=0.06)  # points lie up to 0.1 mm apart
        else:
            assert found < 0.12


def test_an_axis_below_the_face_brings_the_edge_nearer_one_in_the_face_does_not():
    gap = np.array([4.0])
    near, at = smallest_in_motion(gap, HINGE)
    assert near[0] < 3.9
    assert at[0] > 0
    far, at = smallest_in_motion(gap, replace(HINGE, axis_below_mm=0.0, step_mm=0.0))
    assert far[0] == pytest.approx(4.0, abs=0.05)


def test_the_forecast_tells_it_and_what_was_typed_goes_before():
    s, gap = np.arange(100.0), np.full(100, 4.0)
    plan = FinishPlan(coats=(), smallest_gap_mm=2.0, swing=HINGE)
    told = forecast(s, gap, 0 * s, simple_spec(4.0, 0.5, 0.5), plan)
    least = smallest_in_motion(gap, HINGE)[0][0]
    assert told.motion_mm == pytest.approx(least)
    assert told.chip_limit_mm == pytest.approx(2.0 + 4.0 - least)
    assert "While it opens" in " ".join(words.forecast(told, words.MM))
    typed = forecast(s, gap, 0 * s, simple_spec(4.0, 0.5, 0.5), replace(plan, movement_mm=0.5))
    assert typed.chip_limit_mm == 2.5
    again = finish_from_table(finish_to_table(plan))
    assert again.swing == HINGE
