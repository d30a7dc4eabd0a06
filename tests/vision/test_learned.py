"""The learned detector's contract: shapes, sums, symmetry, a plain gap found.

Checked against analytic bands: a bell-blurred slot of known width, no renderer.
"""

from __future__ import annotations

from math import erf

import numpy as np
import pytest

from gapvision.vision import learned
from gapvision.vision.band import no_colour


def slot(
    t_a: float,
    t_b: float,
    n_s: int = 60,
    inside: float = 0.01,
    panel: float = 0.25,
    blur_mm: float = 0.08,
    seed: int = 0,
) -> np.ndarray:
    t = (np.arange(learned.N_T) - learned.N_T // 2) * learned.ROW_MM
    step = np.vectorize(lambda x: 0.5 * (1 + erf(x / blur_mm / 2**0.5)))
    cover = step(t - t_a) - step(t - t_b)
    band = panel + (inside - panel) * cover[:, None] * np.ones((1, n_s))
    noise = np.random.default_rng(seed).normal(0, 0.002, band.shape)
    return np.maximum(band + noise, 0).astype(np.float32)


def looked_at(band, px_per_mm, sight_deg=(0.0, 0.0)):
    return learned.Look(band, px_per_mm, np.array(sight_deg), no_colour(*band.shape))


def turned(look):
    """The mirror picture of a band, sides swapped."""
    sight = np.stack([-look.sight_deg[0], look.sight_deg[1]])
    return learned.Look(look.linear[::-1], look.px_per_mm, sight, look.chroma[:, ::-1])


def chances(band, px_per_mm):
    return learned.opinions(looked_at(band, px_per_mm)).chances


def mean_place(chance: np.ndarray) -> np.ndarray:
    rows = np.arange(len(chance))
    peak = chance.argmax(0)
    near = np.abs(rows[:, None] - peak[None]) <= 4
    return ((chance * near * rows[:, None]).sum(0) / (chance * near).sum(0) - learned.N_T // 2) * learned.ROW_MM


@pytest.mark.parametrize("n_s", [1, 7, 64, 243])
def test_shapes_and_sums(n_s):
    a, b = chances(slot(-2.0, 2.0, n_s), 9.0)
    for chance in (a, b):
        assert chance.shape == (401, n_s)
        assert chance.dtype == np.float32
        assert np.isfinite(chance).all()
        assert (chance >= 0).all()
        np.testing.assert_allclose(chance.sum(0), 1, atol=1e-4)


@pytest.mark.parametrize(("t_a", "t_b", "ppm"), [(-2.38, 2.38, 9.0), (-1.1, 2.9, 6.5), (-3.4, 1.6, 12.0)])
def test_plain_dark_gap_is_found(t_a, t_b, ppm):
    a, b = chances(slot(t_a, t_b, blur_mm=0.8 / ppm), ppm)
    assert np.abs(np.median(mean_place(a)) - t_a) < 0.1
    assert np.abs(np.median(mean_place(b)) - t_b) < 0.1


def test_plain_bright_gap_is_found():
    """Measured 2026-11-27: each edge 0.10 mm too far in; real edges mirror the light along their rim, these do not."""
    a, b = chances(slot(-2.0, 2.5, inside=0.8, panel=0.12), 9.0)
    assert np.abs(np.median(mean_place(a)) + 2.0) < 0.12
    assert np.abs(np.median(mean_place(b)) - 2.5) < 0.12


def test_the_last_channel_shows_a_step_of_one_grey_level():
    """A roll that mirrors a dark gap: stored 6 of 255 beside 4 (sRGB, IEC 61966-2-1)."""
    from gapvision.intake.light import decode_srgb

    dark, faint = (float(decode_srgb(np.float64(v / 255))) for v in (4, 6))
    band = slot(-2.0, 2.0, inside=dark, seed=1)
    band[:] = np.where(np.abs(np.arange(401)[:, None] - 200) < 40, dark, band)
    band[225:240] = faint
    shown = learned.features(looked_at(band, 9.0))[:, 200:260].mean(2)
    steps = shown[:, 30] - shown[:, 10]
    assert steps[7] > 0.15
    assert abs(steps[0]) < 0.1
    assert steps[7] > 2 * abs(steps[0])


def test_swapping_sides_swaps_the_answers():
    band = slot(-1.5, 2.6, seed=3)
    band[260:280] *= 1.6
    a, b = chances(band, 8.0)
    mirror_a, mirror_b = chances(band[::-1], 8.0)
    np.testing.assert_allclose(mirror_a[::-1], b, atol=2e-4)
    np.testing.assert_allclose(mirror_b[::-1], a, atol=2e-4)


def test_the_mirror_picture_of_the_channels_is_what_the_mirror_picture_gives():
    rng = np.random.default_rng(4)
    band = slot(-1.5, 2.6, seed=3)
    band[:70, 20:] = np.nan
    chroma = rng.normal(0, 0.3, (2, learned.N_COLOUR, 60)).astype(np.float32)
    look = learned.Look(band, rng.uniform(7, 9, 60), np.stack([np.linspace(-9, 4, 60), np.full(60, 5.0)]), chroma)
    shown = learned.features(look)
    np.testing.assert_array_equal(learned.mirrored(shown), learned.features(turned(look)))
    changed = np.abs(shown - learned.mirrored(shown)).max((1, 2)) > 0
    assert np.flatnonzero(~changed).tolist() == [4, 5, 9]  # offset, resolution, line of sight along the seam


def test_swapping_sides_swaps_the_depths_and_turns_the_line_of_sight():
    band = slot(-1.5, 2.6, seed=3)
    band[260:280] *= 1.6
    look = looked_at(band, 8.0, (12.0, 5.0))
    said, mirrored = learned.opinions(look), learned.opinions(turned(look))
    np.testing.assert_allclose(mirrored.chances[0][::-1], said.chances[1], atol=2e-4)
    for edge in (0, 1):
        weight = said.chances[edge]
        own = said.depth_logits(edge, weight)
        assert own.shape == (learned.DEPTH_BINS, 60)
        np.testing.assert_allclose(mirrored.depth_logits(1 - edge, weight[::-1]), own, atol=2e-3)
    other = learned.opinions(looked_at(band, 8.0, (-12.0, 5.0)))
    assert np.abs(other.chances[0] - said.chances[0]).max() > 1e-3


def test_depth_is_read_as_mean_spread_and_chance_of_a_cut_edge():
    place = np.arange(learned.DEPTH_BINS) * learned.DEPTH_BIN_MM
    bell = -0.5 * ((place - 1.4) / 0.3) ** 2
    one = bell[:, None] * learned._facts()["depth_temperature"]["temperature"][0]
    rolled = learned.depth_reading(one)
    assert rolled.mean_mm == pytest.approx(1.4, abs=0.01)
    assert rolled.std_mm == pytest.approx(0.3, abs=0.01)
    assert rolled.cut < 0.01
    # Two hundred stations of one seam are a little surer than one of them, not fourteen times; five hundred no more.
    many, more = (learned.depth_reading(np.repeat(one, n, axis=1)) for n in (200, 500))
    assert many.mean_mm == pytest.approx(1.4, abs=0.01)
    assert 0.85 < many.std_mm / rolled.std_mm < 0.96
    assert more == pytest.approx(many)
    sharp = learned.depth_reading(np.where(place < 0.1, 9.0, 0.0)[:, None])
    assert sharp.cut > 0.99
    assert sharp.mean_mm < 0.1


def test_same_band_same_answer():
    band = slot(-2.0, 2.0, seed=5)
    first = chances(band, 9.0)
    second = chances(band, 9.0)
    np.testing.assert_array_equal(first[0], second[0])
    np.testing.assert_array_equal(first[1], second[1])


def test_places_outside_the_photo_do_no_harm():
    band = slot(-2.0, 2.0)
    band[:90] = np.nan
    band[:, :5] = np.nan
    a, b = chances(band, np.full(60, 9.0))
    assert np.isfinite(a).all()
    assert np.isfinite(b).all()
    assert np.abs(np.median(mean_place(a)[10:]) + 2.0) < 0.1
    assert np.isfinite(learned.strangeness(band, 9.0))


def test_a_band_of_noise_is_stranger_than_a_gap():
    noise = np.random.default_rng(0).random((401, 60)).astype(np.float32)
    assert learned.strangeness(noise, 9.0) > 1.0 > learned.strangeness(slot(-2.0, 2.0), 9.0)


def test_wrong_shape_is_named():
    with pytest.raises(ValueError, match=r"expected \(401, n_s\)"):
        chances(np.zeros((400, 10), np.float32), 9.0)


def test_version_and_size():
    from importlib.resources import files

    assert learned.model_version().startswith("edges-")
    assert len(files("gapvision.vision.models").joinpath("edges.onnx").read_bytes()) < 3_000_000


def coloured(hue, n_s=40):
    """A panel of one colour on side A, down to t = -2 mm; all else grey."""
    t = (np.arange(learned.N_COLOUR) - learned.N_COLOUR // 2) * 2 * learned.ROW_MM
    chroma = np.zeros((2, len(t), n_s), np.float32)
    chroma[:, t < -2.0] = np.asarray(hue, np.float32)[:, None, None]
    return learned.Look(slot(-2.0, 2.0, n_s), 9.0, np.zeros(2), chroma)


def test_colour_is_told_by_its_distance_from_each_panels_own():
    own_a, own_b = learned.features(coloured((0.3, -0.4)))[10:12, : learned.N_T]
    far = np.tanh(learned.COLOUR.gain * 0.5)  # the hue's length
    t = (np.arange(learned.N_T) - learned.N_T // 2) * learned.ROW_MM
    for away, on_a in ((own_a, 0.0), (own_b, far)):
        np.testing.assert_allclose(away[t < -2.3], on_a, atol=1e-5)
        np.testing.assert_allclose(away[t > -1.7], far - on_a, atol=1e-5)


def test_no_hue_counts_for_more_than_another():
    length, angles = 0.5, np.radians([0, 50, 130, 220, 300])
    seen = [learned.features(coloured((length * np.cos(a), length * np.sin(a)))) for a in angles]
    for one in seen[1:]:
        np.testing.assert_allclose(one, seen[0], atol=1e-5)


def test_a_grey_photo_has_no_colour_anywhere():
    assert not learned.features(looked_at(slot(-2.0, 2.0, 30), 9.0))[10:12].any()


def test_colour_changes_sides_with_the_picture():
    look = coloured((0.5, 0.2))
    there, back = learned.features(look), learned.features(turned(look))
    np.testing.assert_allclose(back[10, : learned.N_T], there[11, : learned.N_T][::-1], atol=1e-6)
    np.testing.assert_allclose(back[11, : learned.N_T], there[10, : learned.N_T][::-1], atol=1e-6)


def test_colour_is_looked_at():
    """Where panel and gap are alike in light, colour moves the chances towards the colour's end."""
    look = coloured((0.8, -0.6))
    flat = look._replace(linear=np.where(np.arange(learned.N_T)[:, None] < 240, 0.1, look.linear).astype(np.float32))
    near = np.abs((np.arange(learned.N_T) - learned.N_T // 2) * learned.ROW_MM + 2.0) < 0.4
    with_colour = learned.opinions(flat).chances[0][near].sum(0).mean()
    without = learned.opinions(flat._replace(chroma=np.zeros_like(flat.chroma))).chances[0][near].sum(0).mean()
    assert with_colour > 2 * without
