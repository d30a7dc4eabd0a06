"""Runs and holes on stations whose answer is known by construction."""

import numpy as np
import pytest

from gapvision.geometry.runs import before_holes, holes, runs
from gapvision.model import HOLE

S = np.array([0.0, 1, 2, 6, 7, 20])


def test_a_hole_is_never_bridged():
    assert runs(S, 1.0) == [(0, 3), (3, 5), (5, 6)]
    assert runs(S, 1.0, ["a", "a", "b", "b", "b", "b"]) == [(0, 2), (2, 3), (3, 5), (5, 6)]
    assert runs([], 1.0) == []


@pytest.mark.parametrize(("step", "found"), [(1.49, 0), (1.51, 1), (2.0, 1)])
def test_one_missing_station_is_a_hole(step, found):
    assert len(before_holes([0.0, 1.0, 1.0 + step], 1.0)) == found
    assert len(before_holes(3 * np.array([0.0, 1.0, 1.0 + step]), 3.0)) == found


def test_each_station_stands_for_half_a_spacing_to_either_side():
    assert [(x.state, x.from_mm, x.to_mm, x.whole_mm) for x in holes(S, 1.0)] == [
        (HOLE, 2.5, 5.5, (2, 6)),
        (HOLE, 7.5, 19.5, (7, 20)),
    ]


def test_ends_of_the_seam_count_when_they_are_known():
    assert [(x.from_mm, x.to_mm) for x in holes([3.0, 4.0], 1.0, (0.0, 9.0))] == [(0.0, 3.0), (4.0, 9.0)]
    assert holes([1.0, 2.0], 1.0, (0.0, 3.0)) == []
