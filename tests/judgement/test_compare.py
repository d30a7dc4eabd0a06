"""Before and after: known moves come back, and the stated U of the change holds."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.judgement import compare as c
from gapvision.model import GapProfile


def shape(s):
    return 0.25 * np.sin(s / 23) + 0.12 * np.sin(s / 9 + 1) + 0.3 * np.exp(-(((s - 130) / 8) ** 2))


def profile(start=0.0, n=260, *, shift=0.0, add=0.0, slope=0.0, u=0.08, noise=0.0, seed=0, holes=(), print_u=0.03):
    """A seam whose station ``s`` lies at place ``s + shift`` of the car."""
    s = start + np.arange(n, dtype=float)
    s = s[~np.isin(np.arange(n), list(holes))]
    place = s + shift
    rng = np.random.default_rng(seed)
    gap = 4.8 + shape(place) + add + slope * place / 1000 + noise * rng.normal(size=len(s))
    px = np.stack([100 + 5 * place, 800 + 0.2 * place], 1)
    half = np.stack([0 * gap, gap * 2.5], 1)
    edge = gap / 2
    small = np.full(len(s), 0.02)
    return GapProfile(
        s_mm=s,
        gap_mm=gap,
        expanded_u_mm=np.full(len(s), u),
        edge_a_px=px - half,
        edge_b_px=px + half,
        edge_a_mm=-edge,
        edge_b_mm=edge,
        edge_a_u_mm=small,
        edge_b_u_mm=small,
        parts_mm={"print_scale": np.full(len(s), print_u)},
    )


def still(shift=0.0, std=0.0):
    return c.Datum(kind="mark", shift_mm=shift, std_u_mm=std)


def test_change_and_its_u_by_hand():
    got = c.compare_profiles(profile(u=0.06), profile(add=-0.3, u=0.08), still())
    assert got.change_mm == pytest.approx(-0.3)
    assert got.expanded_u_mm == pytest.approx(0.1)  # 0.06 and 0.08 in quadrature
    assert set(got.state) == {"tighter"}
    assert (got.tighter_mm, got.wider_mm, got.unproven_mm) == (260, 0, 0)
    assert (got.mean_change_mm, got.mean_u_mm) == (pytest.approx(-0.3), pytest.approx(0.1))


def test_same_print_takes_the_shared_scale_error_out():
    apart = c.compare_profiles(profile(), profile(add=0.1), still()).expanded_u_mm
    together = c.compare_profiles(profile(), profile(add=0.1), still(), same_print=True).expanded_u_mm
    assert apart**2 - together**2 == pytest.approx(4 * 2 * 0.03**2)


def test_a_change_within_its_u_is_not_proven():
    got = c.compare_profiles(profile(), profile(add=0.1), still())
    assert set(got.state) == {"not proven"}
    assert got.spans == ()


def test_better_and_worse_against_a_wanted_gap():
    before, after = profile(slope=-8), profile(slope=8)
    got = c.compare_profiles(before, after, still(), nominal_mm=8.0)
    assert set(got.judged) == {"better", "not proven"}
    got = c.compare_profiles(after, before, still(), nominal_mm=8.0)
    assert set(got.judged) == {"worse", "not proven"}
    assert got.worse_mm > 150


def test_overshooting_the_wanted_gap_is_worse_though_the_change_was_meant():
    got = c.compare_profiles(profile(add=0.3), profile(add=-3.0), still(), nominal_mm=4.8)
    assert set(got.judged) == {"worse"}


def test_known_worst_place():
    before = profile()
    gap = before.gap_mm.copy()
    gap[70:90] += 0.4
    gap[80] += 0.5
    got = c.compare_profiles(before, replace(before, gap_mm=gap), still())
    (span,) = got.spans
    assert (span.state, span.from_mm, span.to_mm, span.at_mm) == ("wider", 70, 89, 80)
    assert span.largest_mm == pytest.approx(0.9)


def test_holes_stay_holes():
    got = c.compare_profiles(profile(holes=range(50, 60)), profile(add=1, holes=range(100, 110)), still(0.4))
    assert not ((got.s_mm >= 50) & (got.s_mm < 60)).any()
    assert not ((got.s_mm > 100) & (got.s_mm < 109.4)).any()
    assert len(got.spans) == 3


def test_steep_gap_and_unsure_datum_widen_u():
    wide = c.compare_profiles(profile(), profile(), still(std=3.0)).expanded_u_mm
    slim = c.compare_profiles(profile(), profile(), still(std=0.0)).expanded_u_mm
    assert wide.max() > 1.8 * slim.max()
    assert wide.min() == pytest.approx(slim.min(), abs=0.02)


@pytest.mark.parametrize("shift", [-31.0, -3.5, 0.0, 0.4, 17.25])
@pytest.mark.parametrize(("add", "slope"), [(0.0, 0.0), (-0.8, 0.0), (0.5, 6.0)])
def test_alignment_finds_a_known_shift_though_the_panel_moved(shift, add, slope):
    before = profile(noise=0.02, seed=1)
    after = profile(shift=shift, add=add, slope=slope, noise=0.02, seed=2)
    datum = c.datum_by_alignment(before, after)
    assert datum.shift_mm == pytest.approx(shift, abs=max(2 * datum.std_u_mm, 0.3))
    assert datum.std_u_mm < 3


def test_alignment_of_featureless_profiles_says_so():
    s = np.arange(200.0)
    flat = profile(n=200)

    def plain(seed):
        gap = 5 + 0.02 * np.random.default_rng(seed).normal(size=len(s))
        return replace(flat, gap_mm=gap, edge_a_mm=-gap / 2, edge_b_mm=gap / 2)

    datum = c.datum_by_alignment(plain(1), plain(2))
    assert datum.std_u_mm > 40
    assert words.datum(datum) == "their middles, because the profiles have no feature in common"
    guess = c.Datum(kind="strip", guessed=True, shift_mm=4.0, std_u_mm=20.0)
    assert c.datum_by_alignment(plain(1), plain(2), guess=guess) is guess
    got = c.compare_profiles(plain(1), plain(2), datum)
    assert [n.code for n in got.notices] == ["alignment-weak"]


@pytest.mark.slow
def test_alignment_is_not_fooled_when_trimming_took_the_features_away():
    # Before: bumps; after: another smooth waviness.  Many chance alignments, none of them right.
    s = np.arange(250.0)
    for seed in range(8):
        rng = np.random.default_rng(seed)
        flat = profile(n=250, seed=seed, noise=0.02)
        wave = sum(0.05 * np.sin(2 * np.pi * s / p + rng.uniform(0, 7)) for p in (120, 180, 75))
        gap = 4.8 + wave + 0.02 * rng.normal(size=len(s))
        other = replace(flat, gap_mm=gap, edge_a_mm=-gap / 2, edge_b_mm=gap / 2)
        datum = c.datum_by_alignment(flat, other)
        assert datum.std_u_mm > 6 or abs(datum.shift_mm) < 2 * datum.std_u_mm, seed


def test_u_of_the_change_holds_its_level():
    # 300 seeded pairs: errors drawn as stated (k = 2), datum error drawn as stated.
    inside = total = 0
    rng = np.random.default_rng(5)
    for k in range(300):
        u, std = 0.1, 0.8
        off = std * rng.normal()
        before = profile(noise=u / 2, seed=2 * k, u=u)
        after = profile(shift=off, add=0.2, noise=u / 2, seed=2 * k + 1, u=u)
        got = c.compare_profiles(before, after, still(std=std))
        inside += int((np.abs(got.change_mm - 0.2) <= got.expanded_u_mm).sum())
        total += len(got.change_mm)
    assert 0.93 < inside / total < 0.985  # interpolation between stations averages some noise away


def test_points_give_the_datum():
    before, after = profile(), profile(shift=12.0)
    at = [(100 + 5 * 77.0, 830.0), (100 + 5 * 150.0, 700.0)]
    datum = c.datum_from_points(before, after, at, at, "mark", "scribed line")
    assert datum.shift_mm == pytest.approx(12.0, abs=0.05)
    assert words.datum(datum) == "the mark scribed line tapped in both photos"
    assert datum.std_u_mm == pytest.approx(1.2 * 2**0.5, abs=0.02)
    worse = c.datum_from_points(before, after, at, [at[0], (at[1][0] + 50, at[1][1])])
    assert worse.std_u_mm > 4  # 10 mm of disagreement between the two points


def test_station_at_goes_on_straight_beyond_the_ends():
    p = profile()
    assert c.station_at(p, (100 + 5 * 300.0, 860.0)) == pytest.approx(300, abs=0.1)
    assert c.station_at(p, (100 - 5 * 20.0, 796.0)) == pytest.approx(-20, abs=0.1)


def test_mirroring_twice_changes_nothing_and_keeps_gaps():
    p = profile(start=10, holes=(3, 4))
    for along in (True, False):
        twice = c.mirror_profile(c.mirror_profile(p, along), along)
        for name in ("s_mm", "gap_mm", "edge_a_px", "edge_a_mm"):
            assert getattr(twice, name) == pytest.approx(getattr(p, name))
    assert c.mirror_profile(p).gap_mm == pytest.approx(p.gap_mm[::-1])
    assert c.runs_along(p)


def test_left_and_right_mirrored():
    left = profile()
    right = c.mirror_profile(profile(add=0.5))  # as seen from the other side of the car
    datum = c.datum_by_alignment(left, c.mirror_profile(right))
    got = c.compare_profiles(left, c.mirror_profile(right), datum, mirrored=True)
    assert datum.shift_mm == pytest.approx(0, abs=0.3)
    assert got.change_mm == pytest.approx(0.5, abs=0.05)


@pytest.mark.parametrize("shift", [240.0, -500.0])
def test_too_little_in_common_is_refused(shift):
    with pytest.raises(GapvisionError) as caught:
        c.compare_profiles(profile(), profile(), still(shift))
    assert caught.value.code == "comparison-no-overlap"
