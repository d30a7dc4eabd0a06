"""What the bench does to pictures: size kept, the same every time, and each kind does what its name says."""

import numpy as np
import pytest

from gapvision.lab.bench.phones import KINDS, main


def picture():
    """A black square on white between greys, with a little noise."""
    made = np.full((240, 320, 3), 90.0)
    made[60:180, 80:240] = 200
    made[90:150, 120:200] = 30
    made += np.random.default_rng(2).normal(0, 2, made.shape)
    return np.clip(made, 0, 255).astype(np.uint8)


@pytest.mark.parametrize("kind", KINDS)
def test_a_kind_keeps_the_size_and_is_the_same_every_time(kind):
    once, again = (KINDS[kind](picture(), np.random.default_rng(5)) for _ in range(2))
    assert once.shape == picture().shape
    assert once.dtype == np.uint8
    assert np.array_equal(once, again)
    assert np.array_equal(once, picture()) == (kind == "untouched")


def test_kinds_do_what_they_say():
    black, plain = (slice(100, 140), slice(135, 185)), picture()
    done = {kind: change(plain, np.random.default_rng(5)) for kind, change in KINDS.items()}
    assert done["veiled"][black].mean() > plain[black].mean() + 3
    assert done["sharpened"].max() > plain.max()
    assert done["denoised"][black].std() < done["untouched"][black].std() + 6
    edge = (120, slice(110, 130), 0)  # across the side of the black square
    steepest = {kind: np.abs(np.diff(made[edge].astype(float))).max() for kind, made in done.items()}
    assert steepest["shaken"] < steepest["untouched"] < steepest["sharpened"]


def test_a_folder_without_truth_is_refused(tmp_path, capsys):
    assert main([str(tmp_path)]) == 2
    assert "nothing to measure" in capsys.readouterr().err
