"""The trim line: never cuts without need, equal to a brute-force search, safe limit, where it fails."""

import itertools

import numpy as np
import pytest

from gapvision import words
from gapvision.judgement import trim_line
from gapvision.model import TrimRules

S = np.arange(0.0, 300.0)
LOW, HIGH = np.full(300, 4.26), np.full(300, 5.26)


def trim(edge, gap, s=S, rules=None, **more):
    n = len(s)
    return trim_line(s, edge, gap, LOW[:n], HIGH[:n], rules, **more)


def test_never_cuts_where_nothing_is_wrong():
    edge = 0.3 * np.sin(S / 20)
    t = trim(edge, 4.76 - edge)
    assert not t.needed
    assert (t.remove_mm == 0).all()
    assert (t.rows, t.spans) == ((), ())


def test_cuts_only_around_the_fault():
    edge = np.where((S >= 100) & (S < 140), 0.8, 0.0)
    t = trim(edge, 4.76 - edge)
    assert [(x.action, x.from_mm, x.to_mm) for x in t.spans] == [("remove", 100, 139)]
    assert t.remove_mm.max() == pytest.approx(0.3, abs=1e-6)  # 3.96 up to 4.26
    assert t.cut_mm == 40
    assert (t.remove_mm[edge == 0] == 0).all()


def test_a_high_place_in_the_band_is_not_cut_with_another():
    edge = np.where((S >= 40) & (S < 80), 0.45, 0.0) + np.where((S >= 200) & (S < 240), 0.9, 0.0)
    t = trim(edge, 4.76 - edge)
    assert (t.remove_mm[S < 150] == 0).all()


@pytest.mark.parametrize("height", [0.9, -0.9])
def test_a_hole_with_a_bulge_in_it_is_said_and_nothing_is_cut_into_it(height):
    # A bulge 80 mm long whose middle 40 mm lie in a hole of the photo: a rounded one, as a knock leaves it.
    bulge = np.where((S > 100) & (S < 180), height * np.sin(np.pi * (S - 100) / 80), 0.0)
    seen = (S <= 120) | (S >= 160)
    t = trim(bulge[seen], (4.76 - bulge)[seen], S[seen])
    do = "remove" if height > 0 else "add"
    assert [x.action for x in t.spans] == [do, "not measured", do]
    hole = t.spans[1]
    assert (hole.from_mm, hole.to_mm) == (120.0, 160.0)
    assert all(x.to_mm <= 120 or x.from_mm >= 160 for x in t.spans if x.action == do)
    (said,) = [n for n in t.notices if n.code == "hole-in-the-trim"]
    assert "120 to 160 mm" in words.notice(said, words.MM)[0]
    assert words.trim_span(hole, words.MM) == "120 to 160 mm was not measured: leave it"


def test_stations_worse_measured_than_what_is_told_are_a_hole():
    # A flat edge: ten stations jump by 1.2 mm and their U says so; no verdict could pass them.
    jump = (S >= 162) & (S <= 171)
    gap = np.where(jump, 4.76 + 1.2, 4.76)
    assert trim(0 * S, gap).needed
    for doubt in (3.0, np.inf):
        t = trim(0 * S, gap, doubt_mm=np.where(jump, doubt, 0.0))
        assert not t.needed
        assert (t.remove_mm == 0).all()
        (said,) = t.notices
        assert said.code == "not-measured-well-enough"
        assert "from 162 to 171 mm" in words.notice(said, words.MM)[0]
    # Told by more than its U, a fault keeps its line, though no verdict could pass a station of it.
    sure = trim(0 * S, gap, doubt_mm=np.full(300, 0.6))
    assert [(x.action, x.from_mm, x.to_mm) for x in sure.spans] == [("add", 162, 171)]


def test_a_true_fault_beside_a_badly_measured_place_keeps_its_cut():
    edge = np.where((S >= 100) & (S < 180), 0.9, 0.0)
    bad = (S >= 130) & (S <= 145)
    t = trim(edge, 4.76 - edge - 2.0 * bad, doubt_mm=np.where(bad, np.inf, 0.0))
    assert [x.action for x in t.spans] == ["remove", "not measured", "remove"]
    assert (t.remove_mm[bad] == 0).all()
    assert t.remove_mm.max() == pytest.approx(0.4, abs=1e-6)  # 3.86 up to 4.26; the bad place asks for nothing
    assert [n.code for n in t.notices if n.code != "safe-limit-missing"] == ["not-measured-well-enough"]


def test_a_hole_away_from_the_fault_is_no_matter():
    edge = np.where((S >= 100) & (S < 140), 0.8, 0.0)
    seen = (S < 200) | (S > 230)
    t = trim(edge[seen], (4.76 - edge)[seen], S[seen])
    assert [x.action for x in t.spans] == ["remove"]
    assert "hole-in-the-trim" not in [n.code for n in t.notices]


def test_one_missing_station_parts_no_cut():
    edge = np.where((S >= 100) & (S < 140), 0.8, 0.0)
    t = trim(np.delete(edge, 120), np.delete(4.76 - edge, 120), np.delete(S, 120))
    assert [(x.action, x.from_mm, x.to_mm) for x in t.spans] == [("remove", 100, 139)]


def test_adds_only_where_the_gap_is_too_wide():
    edge = -np.where((S >= 100) & (S < 140), 0.9, 0.0)
    t = trim(edge, 4.76 - edge)
    assert [x.action for x in t.spans] == ["add"]
    assert (t.remove_mm <= 0).all()
    assert t.gap_mm.max() <= 5.26 + 1e-6
    assert t.add_mm == 40


def test_whole_edge_is_dressed_dead_straight():
    edge = 0.2 * np.sin(S / 15) + 0.3
    t = trim(edge, 4.76 - edge, rules=TrimRules(line="whole"))
    assert np.abs(np.diff(t.new_mm, 2)).max() < 1e-9
    assert (t.remove_mm >= -1e-6).all()  # a trim can do it, so nothing is added


def brute_force(s, edge, gap, low, high):
    """Least sum cut by any line through two of the corners that can bind; tight stations below their limit."""
    n = edge + gap
    tight, wide = gap < low, gap > high
    floor = np.where(wide, edge, np.minimum(edge, n - high))
    ceiling = np.where(tight, n - low, np.inf)
    corners = [(a, b) for k in (floor, ceiling, edge) for a, b in zip(s, k, strict=True) if np.isfinite(b)]
    best = np.inf
    for (xa, ya), (xb, yb) in itertools.combinations(corners, 2):
        if xa == xb:
            continue
        line = ya + (yb - ya) / (xb - xa) * (s - xa)
        if (line >= floor - 1e-9).all() and (line <= ceiling + 1e-9).all():
            best = min(best, float(np.maximum(edge - line, 0).sum()))
    return best


@pytest.mark.parametrize("seed", range(12))
def test_equal_to_brute_force_on_small_cases(seed):
    rng = np.random.default_rng(seed)
    s = np.arange(9.0) * 20
    edge = rng.normal(0, 0.3, 9)
    gap = 4.6 - edge + rng.normal(0, 0.05, 9)
    low, high = np.full(9, 4.26), np.full(9, 5.9)
    t = trim_line(s, edge, gap, low, high, spacing_mm=20.0)
    expected = brute_force(s, edge, gap, low, high)
    if not np.isfinite(expected):
        assert t.short_by_mm > 0
        return
    line_cut = float(np.maximum(edge - t.line_mm, 0).sum()) if t.needed else 0.0
    assert line_cut == pytest.approx(expected, abs=1e-5)
    assert t.remove_mm.sum() <= expected + 1e-5  # stretches that need no cut are left
    assert (t.gap_mm >= 4.26 - 1e-6).all()


def test_impossible_line_says_between_which_stations_and_by_how_much():
    # The neighbour's edge steps by 2 mm in the middle; the band is 1 mm wide: the best line misses it by 0.5 mm.
    neighbour = np.where(S < 150, 4.0, 6.0)
    t = trim(np.zeros(300), neighbour, rules=TrimRules(line="whole"))
    assert t.short_by_mm == pytest.approx(0.5, abs=0.01)
    assert t.short_spans
    (notice,) = [n for n in t.notices if n.code == "line-not-possible"]
    assert "113 to 186 mm by up to 0.49 mm" in words.notice(notice, words.MM)[0]


def test_safe_limit_is_never_passed():
    edge = np.where((S >= 100) & (S < 140), 1.2, 0.0)
    t = trim(edge, 4.76 - edge, rules=TrimRules(safe_limit=((0.0, 0.3),)))
    assert t.remove_mm.max() <= 0.3
    assert t.short_by_mm == pytest.approx(0.4, abs=1e-6)  # 3.56 + 0.3 = 3.86, 0.4 short of 4.26
    assert {n.code for n in t.notices} == {"line-not-possible", "safe-limit-reached"}
    assert "safe-limit-missing" in [n.code for n in trim(edge, 4.76 - edge).notices]


def test_safe_limit_may_vary():
    rules = TrimRules(safe_limit=((100.0, 0.1), (140.0, 0.9)))
    edge = np.where((S >= 100) & (S < 140), 0.8, 0.0)
    t = trim(edge, 4.76 - edge, rules=rules)
    assert (t.remove_mm <= rules.safe_at(S)).all()


def test_fair_line_on_a_curved_seam():
    arc = 20 * (1 - ((S - 150) / 150) ** 2)
    edge = arc + np.where((S >= 100) & (S < 140), 0.9, 0.0)
    t = trim(edge, 4.76 - (edge - arc), curved=True)
    assert t.kind == "fair"
    assert t.needed
    assert (t.gap_mm >= 4.26 - 1e-6).all()
    assert (t.remove_mm[(S < 80) | (S > 160)] == 0).all()
    assert np.abs(np.diff(t.line_mm, 2)).max() < 0.02  # no kinks: an arc of this sag has 0.0018


def test_form_of_the_edge_can_ask_for_a_cut():
    edge = np.where((S >= 100) & (S < 140), 0.4, 0.0)
    assert not trim(edge, 4.9 - edge).needed
    t = trim(edge, 4.9 - edge, straight_limit_mm=0.2)
    assert t.needed
    assert np.ptp(t.new_mm) <= 0.2 + 1e-6


def test_margin_of_the_hand():
    edge = np.where((S >= 100) & (S < 140), 0.8, 0.0)
    t = trim(edge, 4.76 - edge, cut_margin_mm=0.2)
    assert t.gap_mm[S == 120][0] >= 4.46 - 1e-6


def test_trifles_are_left_when_told_so():
    gap = np.full(300, 4.76)
    gap[50] = 4.22
    assert not trim(np.zeros(300), gap, rules=TrimRules(worth_mm=0.05)).needed
    assert trim(np.zeros(300), gap).needed


def test_nothing_is_done_where_it_is_not_allowed():
    t = trim(np.zeros(300), np.full(300, 4.0), rules=TrimRules(allowed=False))
    assert not t.needed
    assert t.short_by_mm == pytest.approx(0.26)


def test_table_every_25_mm_and_at_each_change():
    edge = np.where((S >= 110) & (S < 140), 0.8, 0.0)
    rows = trim(edge, 4.76 - edge).rows
    places = [r.s_mm for r in rows]
    assert set(np.arange(0, 300, 25.0)) <= set(places)
    assert {109.0, 110.0, 139.0, 140.0} <= set(places)
    assert next(r for r in rows if r.s_mm == 125).action == "remove"
    assert next(r for r in rows if r.s_mm == 100).action == "leave"
