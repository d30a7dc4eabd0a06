"""Photos along a seam blended: hand-made columns whose truth is known."""

import numpy as np
import pytest

from gapvision.geometry.blending import shares_of

S = np.arange(0.0, 600.0)


def photos(*spans):
    """Where each photo has stations, and how far they lie from its ends."""
    there = np.array([(S >= low) & (S <= high) for low, high in spans])
    to_end = np.array([np.minimum(S - low, high - S) + 1 for low, high in spans])
    return there, np.where(there, to_end, 0.0)


def test_photos_that_differ_by_an_offset_leave_no_step():
    """By 0.14 mm photos tilted to either side differ; a step at a joint is a fault, aim 0.02 mm (issue 23)."""
    there, to_end = photos((0, 400), (200, 599))
    values = np.where(there, np.array([[0.0], [0.14]]), np.nan)
    for surer in ((0.1, 0.1), (0.1, 0.07)):
        one = shares_of(values, there * np.array(surer)[:, None], to_end, 1.0).mean(values)
        assert one[0] == pytest.approx(0.0, abs=1e-9)
        assert one[-1] == pytest.approx(0.14, abs=1e-9)
        assert np.abs(one[5:] - one[:-5]).max() < 0.02


def test_what_one_photo_alone_shows_counts_little_and_what_both_show_stays():
    _, to_end = photos((0, 599), (0, 599))
    rng = np.random.default_rng(4)
    bump = 0.25 * ((S > 290) & (S < 320))
    noise = rng.normal(0, 0.01, (2, len(S)))
    std = np.full((2, len(S)), 0.1)
    by_both = noise + bump
    assert shares_of(by_both, std, to_end, 1.0).mean(by_both)[295:315] == pytest.approx(0.25, abs=0.03)
    # Both are as sure; a third that shows the bump neither tells which of them is wrong.
    _, to_end = photos((0, 599), (0, 599), (0, 599))
    by_one = np.array([noise[0] + bump, noise[1], rng.normal(0, 0.01, len(S))])
    one = shares_of(by_one, np.full((3, len(S)), 0.1), to_end, 1.0).mean(by_one)
    assert np.abs(one).max() < 0.08


def test_values_with_holes_and_photos_that_stand_alone():
    there, to_end = photos((0, 250), (200, 599))
    values = np.where(there, np.sin(S / 40), np.nan)
    assert shares_of(values, there * 0.1, to_end, 1.0).mean(values) == pytest.approx(np.sin(S / 40), abs=1e-9)
