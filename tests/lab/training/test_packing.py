"""Bands packed for another machine come back as they were."""

import numpy as np

from gapvision.lab.training.packing import held_out, pack, unpack


def shard(seeds):
    rng = np.random.default_rng(3)
    band = rng.uniform(0, 1.1, (len(seeds), 401, 12)).astype(np.float16)
    band[0, :40] = np.nan
    return {
        "band": band,
        "truth": rng.normal(0, 2, (len(seeds), 2, 12)).astype(np.float32),
        "px_per_mm": rng.uniform(5, 14, len(seeds)),
        "chroma": rng.normal(0, 0.4, (len(seeds), 2, 201, 12)).astype(np.float16),
        "group": np.array([["gloss", "gloss", "rolled", "cut", "empty", "sun"]] * len(seeds)),
        "seed": np.array(seeds),
    }


def test_light_comes_back_to_a_level_and_all_else_exactly():
    whole = shard([20, 20, 30])
    back = unpack(pack(whole))
    assert set(back) == set(whole)
    for key in ("truth", "px_per_mm", "group", "seed"):
        assert np.array_equal(back[key], whole[key])
    assert np.array_equal(np.isnan(back["band"]), np.isnan(whole["band"]))
    # Half a level of 1/4096, and what float16 itself rounds by near 1.
    off = np.abs(back["band"].astype(float) - whole["band"].astype(float))
    assert np.nanmax(off) <= 0.5 / 4096 + 2.0**-11
    assert np.abs(back["chroma"].astype(float) - whole["chroma"].astype(float)).max() <= 0.5 / 24 + 2.0**-10


def test_smooth_bands_become_much_smaller():
    whole = shard([20] * 4)
    whole["band"] = np.broadcast_to(np.linspace(0, 1, 401)[None, :, None], (4, 401, 12)).astype(np.float16)
    whole["chroma"] = np.zeros((4, 2, 201, 12), np.float16)
    assert len(pack(whole)) < whole["band"].nbytes / 4


def test_only_scenes_held_out_are_packed_and_so_many_photographs_of_each():
    some = held_out(shard([19, 20, 20, 20, 21, 30, 41]), 2)
    assert some["seed"].tolist() == [20, 20, 30]
    assert len(some["band"]) == len(some["truth"]) == 3


def test_a_folder_without_any_gives_empty_parts():
    assert len(held_out(shard([1, 2, 3]), 2)["seed"]) == 0
