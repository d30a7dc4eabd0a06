"""How deep an outline lies against the light: a mixture of two kinds of edge, against numbers drawn by lot."""

import numpy as np
import pytest

from gapvision.vision.gap import EdgeReading, _outline_depth
from gapvision.vision.placing import CUT_KIND, EdgeKind

NOWHERE = np.zeros(3)
SHEET_MM, SHEET_STD_MM = 1.15, 0.15  # sheet of 18 to 19 gauge, common practice, no source


def seen(kind, silhouette=True, faces_camera=True):
    return _outline_depth(EdgeReading(NOWHERE, NOWHERE, kind, silhouette), faces_camera)


@pytest.mark.parametrize("cut", [0.001, 0.1, 0.5, 0.9, 0.9999, 1.0])
def test_the_cut_part_of_a_doubtful_edge_goes_to_its_lower_rim(cut):
    rng = np.random.default_rng(4)
    n = 400_000
    lower = np.where(rng.random(n) < cut, rng.normal(SHEET_MM, SHEET_STD_MM, n), rng.normal(1.6, 0.3, n))
    got = seen(EdgeKind("unknown", 0.8, 0.7, cut, 1.6, 0.3))
    assert got.depth_mm == pytest.approx(lower.mean(), abs=0.01)
    assert got.depth_std_mm == pytest.approx(lower.std(), abs=0.01)


def test_where_no_lower_rim_shows_the_depth_stays():
    doubtful = EdgeKind("unknown", 0.8, 0.7, 0.5)
    assert seen(doubtful, faces_camera=False) == doubtful
    assert seen(doubtful, silhouette=False) == doubtful
    rolled = EdgeKind.rolled(1.5, 0.3)
    assert seen(rolled) == rolled


def test_a_cut_edge_for_certain_shows_its_lower_rim():
    got = seen(CUT_KIND)
    assert got.depth_mm == pytest.approx(SHEET_MM)
    assert got.depth_std_mm == pytest.approx(SHEET_STD_MM)
