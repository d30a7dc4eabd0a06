"""How deep an outline lies against the light: a mixture of two kinds of edge, against numbers drawn by lot."""

import numpy as np
import pytest

from gapvision.vision.gap import EdgeReading, _outline_depth
from gapvision.vision.placing import CUT_DEPTH_MM, CUT_DEPTH_STD_MM, CUT_KIND, EdgeKind

NOWHERE = np.zeros(3)
SHEET_MM, SHEET_STD_MM = 1.15, 0.15  # sheet of 18 to 19 gauge, common practice, no source


def seen(kind, silhouette=True, faces_camera=True):
    return _outline_depth(EdgeReading(NOWHERE, NOWHERE, kind, silhouette), faces_camera)


@pytest.mark.parametrize("cut", [0.1, 0.5, 0.9])
def test_the_cut_part_of_a_doubtful_edge_goes_to_its_lower_rim(cut):
    rng = np.random.default_rng(4)
    n = 400_000
    is_cut = rng.random(n) < cut
    roll = rng.normal(1.6, 0.3, n)
    upper = np.where(is_cut, rng.normal(CUT_DEPTH_MM, CUT_DEPTH_STD_MM, n), roll)
    lower = np.where(is_cut, rng.normal(SHEET_MM, SHEET_STD_MM, n), roll)
    got = seen(EdgeKind("unknown", float(upper.mean()), float(upper.std()), cut))
    assert got.depth_mm == pytest.approx(lower.mean(), abs=0.01)
    assert got.depth_std_mm == pytest.approx(lower.std(), abs=0.01)


def test_where_no_lower_rim_shows_the_depth_stays():
    doubtful = EdgeKind("unknown", 0.8, 0.7, 0.5)
    assert seen(doubtful, faces_camera=False) == doubtful
    assert seen(doubtful, silhouette=False) == doubtful
    rolled = EdgeKind("hem", 1.5, 0.3, 0.0)
    assert seen(rolled) == rolled


def test_a_cut_edge_for_certain_shows_its_lower_rim():
    got = seen(CUT_KIND)
    assert got.depth_mm == SHEET_MM
    assert SHEET_STD_MM <= got.depth_std_mm < 0.2
