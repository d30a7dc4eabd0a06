"""Conformance probability and guard bands against values from outside the project."""

import numpy as np
import pytest
from scipy import stats
from scipy.optimize import brentq

from gapvision import words
from gapvision.judgement import conformance_probability, guard_band
from gapvision.judgement.conformity import decide, decide_limit
from gapvision.model import IN, OPEN, OUT, RULES, DecisionRule

#: Worked examples on conformance probability. That these are the published ones of JCGM 106:2012 (7.3.3 example 1 and
#: 2, 7.4) is from memory; the numbers were calculated again with scipy.
EXAMPLES = [
    pytest.param(-5.47, 0.05, -np.inf, -5.40, 0.919, id="one upper limit, JCGM 106 7.3.3 example 1 (from memory)"),
    pytest.param(509.7, 8.6, 490.0, np.inf, 0.989, id="one lower limit, JCGM 106 7.3.3 example 2 (from memory)"),
    pytest.param(13.6, 1.8, 12.5, 16.3, 0.663, id="two limits, JCGM 106 7.4 (from memory)"),
]


@pytest.mark.parametrize(("y", "u", "lower", "upper", "expected"), EXAMPLES)
def test_worked_examples(y, u, lower, upper, expected):
    assert float(conformance_probability(y, u, lower, upper)) == pytest.approx(expected, abs=1e-3)


# Calculated with scipy.stats.norm, apart from the project: gap 3.5 to 4.5 mm, u 0.10 mm.
@pytest.mark.parametrize(
    ("y", "expected"), [(4.0, 0.9999994), (4.4, 0.8413), (4.45, 0.6915), (4.5, 0.5), (4.6, 0.1587)]
)
def test_gap_near_its_limit(y, expected):
    assert float(conformance_probability(y, 0.1, 3.5, 4.5)) == pytest.approx(expected, abs=1e-4)


# z for one limit (normal tables): the guard band of a one-sided demand.
@pytest.mark.parametrize(("p", "z"), [(0.80, 0.842), (0.90, 1.282), (0.95, 1.645), (0.99, 2.326), (0.999, 3.090)])
def test_guard_band_of_a_far_limit_is_the_one_sided_factor(p, z):
    band = guard_band(0.1, 50.0, DecisionRule(name="risk", risk=1 - p))
    assert float(band) == pytest.approx(z * 0.1, abs=1e-4)


# Calculated with scipy's brentq, apart from the project; the one-sided formula would give 0.03551 in the third.
@pytest.mark.parametrize(("width", "u", "half"), [(1.0, 0.10, 0.33551), (0.4, 0.05, 0.11776), (0.4, 0.10, 0.02038)])
def test_guard_band_counts_both_tails(width, u, half):
    assert width / 2 - float(guard_band(u, width, DecisionRule(name="risk", risk=0.05))) == pytest.approx(
        half, abs=1e-5
    )
    check = brentq(
        lambda a: stats.norm.cdf((width / 2 - a) / u) - stats.norm.cdf((-width / 2 - a) / u) - 0.95, 0, width
    )
    assert half == pytest.approx(check, abs=1e-5)


def test_guard_band_says_when_nothing_can_be_accepted():
    assert np.isinf(guard_band(0.2, 0.4, DecisionRule(name="risk", risk=0.05)))
    assert np.isinf(guard_band(0.2, 0.4, DecisionRule()))
    assert float(guard_band(0.2, 0.4, DecisionRule(name="simple"))) == 0


def test_false_accept_at_the_limit():
    # ILAC-G8:09/2019 as quoted by testing laboratories: up to 50 % with w = 0, below 2.5 % with w = U (k = 2).
    assert 1 - float(conformance_probability(4.5, 0.1, -np.inf, 4.5)) == pytest.approx(0.5)
    assert 1 - float(conformance_probability(4.5 - 0.2, 0.1, -np.inf, 4.5)) == pytest.approx(0.02275, abs=1e-5)


@pytest.mark.parametrize(
    ("y", "u", "lower", "upper"), [(4.4, 0.1, 3.5, 4.5), (4.0, 0.4, 3.5, 4.5), (3.45, 0.05, 3.5, 4.5)]
)
def test_monte_carlo_agrees_to_one_percent(y, u, lower, upper):
    draws = np.random.default_rng(20260101).normal(y, u, 400_000)
    share = ((draws >= lower) & (draws <= upper)).mean()
    assert float(conformance_probability(y, u, lower, upper)) == pytest.approx(share, abs=0.01)


@pytest.mark.parametrize("rule", [DecisionRule(), DecisionRule(name="risk", risk=0.05)], ids=["proven", "risk"])
def test_accepted_gaps_are_wrong_no_more_often_than_the_rule_says(rule):
    rng = np.random.default_rng(5)
    true = rng.uniform(3.0, 5.0, 200_000)
    read = true + rng.normal(0, 0.1, len(true))
    state = decide(read, np.full(len(true), 0.2), np.full(len(true), 3.5), np.full(len(true), 4.5), rule)
    wrong = (true < 3.5) | (true > 4.5)
    accepted = state == IN
    near = accepted & (np.abs(read - 4.0) > 0.5 - float(guard_band(0.1, 1.0, rule)) - 0.01)
    assert wrong[accepted].mean() < 0.01
    assert wrong[near].mean() == pytest.approx(0.05 if rule.name == "risk" else 0.0228, abs=0.01)


# Rule -> gap with U 0.2 in a band of 4.0 to 5.0 -> state. Wording of ISO 14253-1 seen on secondary pages only.
@pytest.mark.parametrize(
    ("name", "states"),
    [
        ("proven", [OUT, OPEN, OPEN, IN, IN, OPEN, OUT]),
        ("simple", [OUT, OUT, IN, IN, IN, IN, OUT]),
        ("risk", [OUT, OPEN, OPEN, IN, IN, OPEN, OUT]),
    ],
)
def test_three_way_decision(name, states):
    gap = np.array([3.79, 3.85, 4.15, 4.21, 4.5, 4.9, 5.3])
    full = np.ones(len(gap))
    assert decide(gap, 0.2 * full, 4.0 * full, 5.0 * full, DecisionRule(name=name)).tolist() == states


def test_no_uncertainty_is_no_trouble():
    assert float(conformance_probability(4.0, 0.0, 3.5, 4.5)) == 1
    assert float(conformance_probability(4.6, 0.0, 3.5, 4.5)) == 0


def test_every_rule_decides_guards_and_has_its_words():
    """A rule that is added in one place only must be noticed: it would judge as another."""
    for name in RULES:
        by = DecisionRule(name=name)
        assert decide_limit(0.0, 0.1, 1.0, by) == IN, name
        assert decide_limit(2.0, 0.1, 1.0, by) == OUT, name
        assert 0 <= float(guard_band(np.array([0.05]), np.array([2.0]), by)[0]) < 1, name
        assert words.rule(by), name
        assert words.rule_title(name), name
