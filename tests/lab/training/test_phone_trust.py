"""What trust's samples are made of: print beside a seam, samples joined, the small net's level."""

import cv2
import numpy as np
import pytest

from gapvision.lab.training import trust
from gapvision.lab.training.phone_trust import joined
from gapvision.lab.training.prints import with_print
from gapvision.vision.plain_net import run_net


def test_the_print_s_corners_lie_where_they_are_said_to():
    """OpenCV's own corner finder, started 1 px off, comes back to them."""
    seam = np.full((40, 300, 3), 0.2, np.float32)
    light, view = with_print(seam, 7.0, np.random.default_rng(3))
    assert np.array_equal(light[:40, :300], seam)
    grey = np.round(255 * np.sqrt(np.clip(light[..., 1], 0, 1))).astype(np.uint8)
    off = np.ascontiguousarray((view.corners_px + np.array([0.7, -0.7]))[:, None], np.float32)
    until = (cv2.TERM_CRITERIA_EPS + cv2.TERM_CRITERIA_COUNT, 50, 1e-3)
    found = cv2.cornerSubPix(grey, off, (5, 5), (-1, -1), until)
    away = found[:, 0] - view.corners_px
    assert np.abs(away).max() < 0.3
    assert np.abs(away.mean(0)).max() < 0.05


def test_joined_samples_keep_their_edges():
    def part(edges, seed):
        n = len(edges)
        return {"error": np.arange(n) + 10.0 * seed, "edge": np.array(edges), "seed": np.full(max(edges) + 1, seed)}

    both = joined([part([0, 0, 1], 1), part([0, 1, 1], 2)])
    assert list(both["edge"]) == [0, 0, 1, 2, 3, 3]
    assert list(both["seed"][both["edge"]]) == [1, 1, 1, 2, 2, 2]


def test_the_net_learns_the_share_it_is_asked_for(monkeypatch):
    """Normal errors of two sizes: 93 % lie within 1.812 standard deviations (tables of the normal distribution)."""
    monkeypatch.setattr(trust, "_STEPS", 600)
    monkeypatch.setattr(trust, "_BATCH", 1024)
    rng = np.random.default_rng(1)
    wide = rng.random(20000) < 0.5
    size = np.where(wide, 0.5, 0.05)
    figures = np.column_stack([wide, rng.normal(size=20000)]).astype(float)
    net = trust.fit(figures, rng.normal(0, 1, 20000) * size, level=0.93)
    small = trust._SMALL_MM  # what is added before the logarithm
    said = np.exp(run_net({k: v.astype(float) for k, v in net.items()}, np.array([[1.0, 0.0], [0.0, 0.0]]))[:, 0])
    assert said == pytest.approx([0.906 + small, 0.0906 + small], rel=0.12)
