"""The move: hand-worked cases, an independent optimiser, travel, out of the plane."""

from dataclasses import replace

import numpy as np
import pytest
from scipy.optimize import differential_evolution

from gapvision import words
from gapvision.judgement import make_plan, predict_move
from gapvision.judgement.move import best_move, gap_change, shift_rows, upper_hull
from gapvision.judgement.panel import on_left_by_place
from gapvision.model import IN, Adjuster, Move, PointMove
from gapvision.words import MM

from ._panels import CENTRE, HINGES, bonnet, spec

EVEN = {name: (lambda s: 4.76 + 0 * s) for name in ("left", "right", "rear")}


def bands(panel, below=0.5, above=0.5):
    return [(np.full(len(r.s_mm), 4.76 - below), np.full(len(r.s_mm), 4.76 + above)) for r in panel.readings]


def displaced(panel, move):
    """The panel as it would be measured if ``move`` put it right."""
    seams = tuple(
        replace(
            s,
            readings=tuple(
                replace(r, gap_mm=r.gap_mm - gap_change(r.xy_mm, r.outward, CENTRE, move)) for r in s.readings
            ),
        )
        for s in panel.seams
    )
    return replace(panel, seams=seams)


def test_gap_change_by_hand():
    # Bonnet 1 mm to the right: left gap + 1, right gap - 1, rear unchanged. Forward 1 mm: rear + 1.
    panel = bonnet(EVEN)
    for move, changes in ((Move(x_mm=1.0), (1, -1, 0)), (Move(y_mm=1.0), (0, 0, 1))):
        for r, expected in zip(panel.readings, changes, strict=True):
            assert gap_change(r.xy_mm, r.outward, CENTRE, move) == pytest.approx(np.full(len(r.s_mm), expected))
    # Turn of 1 mm per m counter-clockwise about the centre: the left rear corner moves to the right by 0.5 mm.
    left = panel.readings[0]
    change = gap_change(left.xy_mm, left.outward, CENTRE, Move(turn_rad=0.001))
    assert change == pytest.approx(0.001 * (500.0 - left.xy_mm[:, 1]))


def test_linear_change_against_a_true_turn():
    panel = bonnet(EVEN)
    turn = 0.003
    c, s = np.cos(turn), np.sin(turn)
    for r in panel.readings:
        away = r.xy_mm - np.array(CENTRE)
        true = -((away @ np.array([[c, s], [-s, c]]) - away) * r.outward).sum(axis=1)
        assert gap_change(r.xy_mm, r.outward, CENTRE, Move(turn_rad=turn)) == pytest.approx(
            true, abs=0.5 * turn**2 * 800
        )


@pytest.mark.parametrize(
    "move",
    [Move(x_mm=1.3), Move(y_mm=-0.7), Move(turn_rad=0.0015), Move(x_mm=-0.4, y_mm=0.9, turn_rad=-0.0011)],
    ids=["shift across", "shift along", "turn", "all three"],
)
def test_pure_moves_are_recovered_exactly(move):
    panel = displaced(bonnet(EVEN), move)
    found = best_move(panel, panel.readings, bands(panel))
    assert (found.move.x_mm, found.move.y_mm) == pytest.approx((move.x_mm, move.y_mm), abs=1e-6)
    assert found.move.turn_rad == pytest.approx(move.turn_rad, abs=1e-9)
    assert found.excess_after_mm == pytest.approx(-0.5, abs=1e-6)


def test_least_movement_when_many_moves_do():
    # All gaps are 0.8 too wide on the left and 0.8 too tight on the right: 0.3 to the left is just enough.
    panel = bonnet({"left": lambda s: 5.56 + 0 * s, "right": lambda s: 3.96 + 0 * s}, aim="band", adjusters=HINGES)
    found = best_move(panel, panel.readings, bands(panel))
    assert found.move.x_mm == pytest.approx(-0.3, abs=1e-6)
    assert (found.move.y_mm, found.move.turn_rad) == pytest.approx((0, 0), abs=1e-6)
    assert words.point_move(found.points[0], panel.words, MM) == "0.30 mm (0.012 in) to the left"
    assert found.points[0].kind == "hinge"


def test_a_panel_in_its_bands_stays():
    panel = bonnet(EVEN, aim="band", adjusters=HINGES)
    found = best_move(panel, panel.readings, bands(panel))
    assert found.is_none
    assert words.point_move(found.points[2], panel.words, MM) == "leave as it is"


def objective(panel, limits):
    rows = np.concatenate([shift_rows(r.xy_mm, r.outward, panel.centre) for r in panel.readings])
    gap = np.concatenate([r.gap_mm for r in panel.readings])
    low, high = (np.concatenate([b[k] for b in limits]) for k in (0, 1))

    def excess(x):
        moved = gap + rows @ np.asarray(x)
        return float(np.maximum(moved - high, low - moved).max())

    return excess


def random_panel(rng):
    names = list(rng.permutation(["left", "right", "rear"]))[: rng.integers(1, 4)]

    def gap(s, a=0.0, b=0.0, noise=0.3):
        return 4.76 + a + b * s / 1000 + noise * rng.standard_normal(len(s))

    slopes = {n: rng.uniform(-2, 2, 2) for n in names}
    gaps = {n: (lambda s, n=n: gap(s, *slopes[n])) for n in names}
    return bonnet(gaps, step=50.0)


@pytest.mark.parametrize("seed", range(6))
def test_never_worse_than_differential_evolution(seed):
    # scipy's differential evolution on the same objective; 200 panels of 1 to 4 seams in gapvision.lab.bench.judgement.
    panel = random_panel(np.random.default_rng(seed))
    limits = bands(panel)
    found = best_move(panel, panel.readings, limits)
    excess = objective(panel, limits)
    other = differential_evolution(excess, [(-5, 5), (-5, 5), (-0.01, 0.01)], seed=seed, tol=1e-8, maxiter=120)
    mine = excess([found.move.x_mm, found.move.y_mm, found.move.turn_rad])
    assert mine <= other.fun + 1e-6
    assert mine == pytest.approx(found.excess_after_mm, abs=1e-6)


def test_sum_of_excess_is_least_among_the_best():
    # A spike that no move can mend leaves slack everywhere else: it must not be wasted.
    def left(s):
        gap = 5.96 + 0 * s
        gap[100] = 1.0
        return gap

    panel = bonnet({"left": left, "right": lambda s: 3.56 + 0 * s}, aim="band")
    limits = bands(panel)
    found = best_move(panel, panel.readings, limits)
    x = [found.move.x_mm, found.move.y_mm, found.move.turn_rad]
    excess = objective(panel, limits)
    assert excess(x) == pytest.approx(found.excess_after_mm, abs=1e-6)
    rows = np.concatenate([shift_rows(r.xy_mm, r.outward, panel.centre) for r in panel.readings])
    gap = np.concatenate([r.gap_mm for r in panel.readings])

    def total(z):
        moved = gap + rows @ np.asarray(z)
        return float(np.maximum(np.maximum(moved - 5.26, 4.26 - moved), 0).sum())

    rng = np.random.default_rng(1)
    for _ in range(400):
        other = np.array(x) + rng.normal(size=3) * [0.3, 0.3, 0.0005]
        if excess(other) <= excess(x) + 1e-7:
            assert total(other) >= total(x) - 1e-4


def test_travel_is_never_left():
    tight = (Adjuster(name="a", xy=(-500.0, 0.0), travel_x=(-0.2, 0.1)), Adjuster(name="b", xy=(500.0, 0.0)), HINGES[2])
    panel = displaced(bonnet(EVEN, adjusters=tight), Move(x_mm=1.0))
    found = best_move(panel, panel.readings, bands(panel))
    assert -0.2 - 1e-6 <= found.points[0].x_mm <= 0.1 + 1e-6
    assert "travel-stops-move" in [n.code for n in found.notices]
    assert "travel-unlimited" not in [n.code for n in found.notices]
    free = displaced(bonnet(EVEN, adjusters=HINGES), Move(x_mm=1.0))
    assert [n.code for n in best_move(free, free.readings, bands(free)).notices] == ["travel-unlimited"]


def test_flush_becomes_shims():
    # The bonnet stands 0.9 proud at the rear and 0.3 low on both sides: exact with three numbers and three heights.
    panel = bonnet(EVEN, adjusters=HINGES)
    height = {"left": -0.3, "right": -0.3, "rear": 0.9}
    readings = [replace(r, step_mm=height[r.seam], step_u_mm=0.1) for r in panel.readings]
    found = best_move(panel, readings, bands(panel), [(0.0, 0.0)] * 3)
    assert found.step_before_mm == pytest.approx(0.9)
    assert found.step_after_mm == pytest.approx(0.0, abs=1e-6)
    # By hand: at the rear (y = 0) - 0.9, in the middle of the sides (y = 502.5) + 0.3, no tilt across.
    slope = 1.2 / 502.5
    assert [p.out_mm for p in found.points] == pytest.approx(
        [-0.9 + slope * 50, -0.9 + slope * 50, -0.9 + slope * 950], abs=1e-3
    )
    assert words.point_move(found.points[0], panel.words, MM).endswith(" in) in")
    assert words.point_move(found.points[2], panel.words, MM).endswith("out (proud)")


def test_flush_that_is_good_needs_no_shim():
    panel = bonnet(EVEN, adjusters=HINGES)
    readings = [replace(r, step_mm=0.2, step_u_mm=0.1) for r in panel.readings]
    found = best_move(panel, readings, bands(panel), [(-0.4, 0.4)] * 3)
    assert found.is_none


def test_predict_move_is_what_the_plan_says():
    panel = displaced(bonnet(EVEN, adjusters=HINGES), Move(x_mm=1.0, turn_rad=0.001))
    plan = make_plan(panel)
    for mine, theirs in zip(predict_move(panel, plan.move.move), plan.stretches, strict=True):
        assert mine.reading.gap_mm == pytest.approx(theirs.stages[1].reading.gap_mm)
        assert mine.verdict.state == theirs.stages[1].verdict.state


def test_aim_least_work_leaves_a_bulge_to_the_trim():
    def right(s):
        return 4.76 - np.where((s > 600) & (s < 640), 1.2, 0.0)

    gaps = {**EVEN, "right": right}
    stays = make_plan(bonnet(gaps, aim="least work"))
    moves = make_plan(bonnet(gaps, aim="band"))
    assert stays.stretches[0].stages[1].verdict.state == IN
    assert moves.stretches[0].stages[1].verdict.state != IN
    assert abs(stays.move.move.x_mm) < 0.5 * abs(moves.move.move.x_mm)
    assert "local-fault-governs" in [n.code for n in moves.notices]


def test_sides_of_the_shapes():
    panel = bonnet(EVEN)
    # Front to rear along the left edge of a bonnet seen from above, the bonnet lies on the left hand.
    assert [on_left_by_place(r) for r in panel.readings] == [True, False, True]


def test_upper_hull():
    x = np.arange(5.0)
    assert upper_hull(x, np.array([0, 1, 0, 2, 0.0])) == [0, 3, 4] or upper_hull(x, np.array([0, 1, 0, 2, 0.0])) == [
        0,
        1,
        3,
        4,
    ]
    assert upper_hull(x, np.zeros(5)) in ([0, 4], [0, 1, 2, 3, 4])
    assert spec().nominal[0].gap_mm == 4.76


@pytest.mark.parametrize("unit", ["mm", "in", "fraction"])
@pytest.mark.parametrize(("off", "u", "step", "told"), [
    (0.62, 0.02, 0.0, True), (0.57, 0.02, 0.0, False), (0.7, 0.02, 0.25, False), (0.7, 0.3, 0.0, False),
])  # fmt: skip
def test_what_no_hand_can_set_is_not_told(off, u, step, told, unit):
    # Left and right are off by so much, each the other way: a plain shift of that less the 0.5 mm allowed would do.
    gaps = {"left": lambda s: 4.76 + off + 0 * s, "right": lambda s: 4.76 - off + 0 * s}
    panel = bonnet(gaps, u=u, rule="simple", aim="band", adjusters=[replace(h, step_mm=step) for h in HINGES])
    plan = make_plan(panel)
    said = words.steps(plan, words.Lengths(unit))[0]
    assert said.startswith("Move the bonnet" if told else "Leave the panel where it is")
    assert plan.move.is_none != told
    assert plan.move.move.x_mm == pytest.approx(-(off - 0.5) if told else 0.0, abs=0.01)
    assert "(0 in)" not in said
    assert " 0 in" not in said


def test_a_small_part_of_a_move_is_left():
    # 0.45 mm across, of which a turn of 0.05 mm at the latch is not worth a word.
    point = PointMove(name="latch", kind="latch", xy=(0.0, 0.0), x_mm=-0.45, y_mm=0.05, out_mm=0.0)
    assert words.point_move(point, bonnet(EVEN).words, MM) == "0.45 mm (0.018 in) to the left"
