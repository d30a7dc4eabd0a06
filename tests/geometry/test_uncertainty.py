"""The law of propagation: limits that hold whatever the inputs, and misuse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gapvision.geometry.uncertainty import combine, sensitivities

STD = st.floats(1e-3, 1e3)


@given(st.lists(STD, min_size=1, max_size=6))
def test_combined_is_between_the_largest_and_the_sum(parts):
    total = float(combine(parts))
    assert max(parts) * (1 - 1e-12) <= total <= sum(parts) * (1 + 1e-12)


@given(st.lists(STD, min_size=1, max_size=6))
def test_fully_correlated_parts_add_up_and_independent_ones_do_not(parts):
    """JCGM 100, 5.2.2 note 1: with all correlations +1 the parts add linearly, signs and all."""
    n = len(parts)
    assert float(combine(parts, np.ones((n, n)))) == pytest.approx(sum(parts), rel=1e-9)
    assert float(combine(parts, np.eye(n))) == pytest.approx(float(combine(parts)), rel=1e-12)


def test_opposite_parts_of_one_cause_cancel():
    assert float(combine([3.0, -3.0], np.ones((2, 2)))) == 0


@given(st.lists(st.tuples(st.floats(-1e3, 1e3), STD), min_size=1, max_size=5))
def test_a_sum_moves_by_each_input(inputs):
    values, stds = zip(*inputs, strict=True)
    parts = sensitivities(lambda x: np.stack([x.sum(-1), -x.sum(-1)], -1), values, stds)
    assert parts == pytest.approx(np.stack([stds, np.negative(stds)], 1), rel=1e-6, abs=1e-9)


@pytest.mark.parametrize("call", [lambda: combine([]), lambda: combine([1.0, 2.0], np.eye(3))])
def test_misuse(call):
    with pytest.raises(ValueError, match=r"expected|needed"):
        call()
