"""Effective numbers of samples and degrees of freedom: limits, known processes, misuse."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gapvision.geometry.uncertainty import combine, coverage_factor, effective_count, effective_dof, expected_range

STD = st.floats(1e-3, 1e3)


@given(st.lists(STD, min_size=1, max_size=6))
def test_combined_is_between_the_largest_and_the_sum(parts):
    total = float(combine(*parts))
    assert max(parts) * (1 - 1e-12) <= total <= sum(parts) * (1 + 1e-12)


@given(st.lists(st.tuples(STD, st.floats(1, 100)), min_size=1, max_size=6))
def test_effective_freedom_is_between_the_least_and_the_sum(parts):
    """Welch and Satterthwaite: never fewer than the least, never more than all together."""
    dof = effective_dof([p for p, _ in parts], [d for _, d in parts])
    assert min(d for _, d in parts) * (1 - 1e-9) <= dof <= sum(d for _, d in parts) * (1 + 1e-9)


def test_exactly_known_parts_have_infinite_freedom():
    assert effective_dof([1.0, 2.0], [math.inf, math.inf]) == math.inf
    assert coverage_factor(0.95, effective_dof([0.0], [3])) == pytest.approx(1.96, abs=1e-3)


def test_independent_noise_counts_nearly_in_full():
    rng = np.random.default_rng(1)
    counts = [effective_count(rng.normal(size=400)) for _ in range(50)]
    assert 300 < np.median(counts) <= 400


@pytest.mark.parametrize("rho", [0.3, 0.6, 0.9])
def test_a_first_order_process(rho):
    """n (1 - rho) / (1 + rho) for lag-one correlation rho (textbook result)."""
    rng = np.random.default_rng(2)
    counts = []
    for _ in range(40):
        e = rng.normal(size=3000)
        x = np.empty(3000)
        x[0] = e[0] / math.sqrt(1 - rho**2)
        for i in range(1, 3000):
            x[i] = rho * x[i - 1] + e[i]
        counts.append(effective_count(x))
    assert np.median(counts) == pytest.approx(3000 * (1 - rho) / (1 + rho), rel=0.12)


def test_repeating_every_sample_halves_the_count():
    x = np.random.default_rng(3).normal(size=500)
    assert effective_count(np.repeat(x, 2)) == pytest.approx(effective_count(x), rel=0.25)


def test_counts_stay_within_their_limits():
    assert effective_count(np.zeros(9)) == 1
    assert effective_count(np.array([4.0])) == 1
    assert effective_count(np.linspace(-1, 1, 200)) < 5
    assert effective_count(np.tile([1.0, -1.0], 50)) == 100


def test_ranges_grow():
    values = [expected_range(n) for n in (1, 2, 3, 10, 300)]
    assert values[0] == pytest.approx(0, abs=1e-12)
    assert values[1] == pytest.approx(2 / math.sqrt(math.pi), abs=1e-6)
    assert values == sorted(values)


@pytest.mark.parametrize(
    "call",
    [lambda: combine(), lambda: effective_dof([1.0], [1, 2]), lambda: effective_dof([1.0], [0]),
     lambda: coverage_factor(1.0), lambda: coverage_factor(0.95, 0), lambda: effective_count(np.array([])),
     lambda: effective_count(np.array([np.nan, 1])),
     lambda: expected_range(0)],
)  # fmt: skip
def test_misuse(call):
    with pytest.raises(ValueError, match=r"expected|needed"):
        call()
