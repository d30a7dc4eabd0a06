"""The photo chain of the teaching scenes on pictures with known answers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from gapvision.lab.training.photo import PhotoChain, draw_chain, take_photo, to_grey_linear

PLAIN = PhotoChain(
    blur_px=0.45,
    defocus_px=0,
    motion_px=0,
    motion_deg=0,
    glare=0,
    glare_px=10,
    noise_shot=0,
    noise_read=0,
    mosaic=False,
    denoise=0,
    local_tone=0,
    local_px=20,
    contrast=0,
    lift=0,
    shoulder=0,
    sharpen=0,
    sharpen_px=1,
    quality=97,
    seed=1,
)


def flat(level: float) -> np.ndarray:
    return np.full((48, 64, 3), level, np.float32)


@pytest.mark.parametrize("level", [0.02, 0.2, 0.7])
def test_plain_chain_keeps_light(level):
    assert np.median(to_grey_linear(take_photo(flat(level), PLAIN))) == pytest.approx(level, rel=0.03, abs=0.001)


def test_light_above_clipping_is_white():
    assert (take_photo(flat(5.0), PLAIN) >= 254).all()


def test_blur_keeps_an_edge_in_place():
    light = flat(0.1)
    light[:, 32:] = 0.5
    for chain in (PLAIN, replace(PLAIN, blur_px=1.5), replace(PLAIN, defocus_px=1.6), replace(PLAIN, motion_px=3.0)):
        row = to_grey_linear(take_photo(light, chain))[24]
        half = np.interp(0.3, row[26:38], np.arange(26, 38))
        assert half == pytest.approx(31.5, abs=0.12)


def test_mosaic_keeps_colours_in_their_places():
    light = np.broadcast_to(np.array([0.6, 0.3, 0.1], np.float32), (48, 64, 3)).copy()
    plain = take_photo(light, PLAIN)[24, 32].astype(int)
    mosaic = take_photo(light, replace(PLAIN, mosaic=True))[24, 32].astype(int)
    assert np.abs(plain - mosaic).max() <= 3


def test_sharpening_overshoots():
    light = flat(0.1)
    light[:, 32:] = 0.5
    row = to_grey_linear(take_photo(light, replace(PLAIN, sharpen=1.5)))[24]
    assert row[33:36].max() > 0.52
    assert row[28:31].min() < 0.095


def test_noise_depends_on_the_seed_alone():
    chain = draw_chain(np.random.default_rng(4))
    light = flat(0.3)
    np.testing.assert_array_equal(take_photo(light, chain), take_photo(light, chain))
    noisy = replace(PLAIN, noise_shot=0.02)
    assert (take_photo(light, noisy) != take_photo(light, replace(noisy, seed=2))).any()
