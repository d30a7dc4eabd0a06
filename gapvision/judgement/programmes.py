"""The linear programmes behind move and trim: a handful of unknowns, however many stations there are.

``soft_a @ x + soft_b`` is an excess, wanted at or below zero; ``hard_a @ x <= hard_b`` is never broken.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from gapvision.model import FloatArray


def _solved(cost: FloatArray, **programme: Any) -> Any:
    from scipy.optimize import linprog

    best = linprog(cost, method="highs", **programme)
    if best.x is None:
        raise RuntimeError(f"linear programme failed: {best.message}")
    return best


def least_excess(
    soft_a: FloatArray, soft_b: FloatArray, hard_a: FloatArray, hard_b: FloatArray, *, floor: bool = True
) -> tuple[FloatArray, float]:
    """Make the largest excess least, with ``floor`` only down to zero; the unknowns, and that excess."""
    k = soft_a.shape[1]
    best = _solved(
        np.eye(k + 1)[k],
        A_ub=np.block([[soft_a, -np.ones((len(soft_a), 1))], [hard_a, np.zeros((len(hard_a), 1))]]),
        b_ub=np.concatenate([-soft_b, hard_b]),
        bounds=[(None, None)] * k + [(0.0 if floor else None, None)],
    )
    x = np.asarray(best.x[:k], float)
    excess = float((soft_a @ x + soft_b).max())
    return x, max(excess, 0.0) if floor else excess


def least_sum(
    soft_a: FloatArray,
    soft_b: FloatArray,
    weight: FloatArray,
    hard_a: FloatArray,
    hard_b: FloatArray,
    linear: FloatArray | None = None,
) -> FloatArray:
    """Make the sum of weight times excess, where it is above zero, plus ``linear @ x`` least.

    Solved through its dual, which has one row per unknown and one bounded column per station: the simplex method
    then works on a handful of rows whatever the number of stations.
    """
    top = np.concatenate([weight, np.full(len(hard_a), np.inf)])
    best = _solved(
        -np.concatenate([soft_b, -hard_b]),
        A_eq=np.concatenate([soft_a, hard_a]).T,
        b_eq=np.zeros(soft_a.shape[1]) if linear is None else -linear,
        bounds=np.column_stack([np.zeros(len(top)), top]),
    )
    return np.asarray(best.eqlin.marginals, float)


def least_movement(
    hard_a: FloatArray, hard_b: FloatArray, points: FloatArray, start: FloatArray
) -> FloatArray:
    """Make the sum of ``|points @ x|`` least; ``start`` where rounding leaves no room for another x."""
    k, q = hard_a.shape[1], len(points)
    one = np.eye(q)
    try:
        best = _solved(
            np.concatenate([np.zeros(k), np.ones(q)]),
            A_ub=np.block([[hard_a, np.zeros((len(hard_a), q))], [points, -one], [-points, -one]]),
            b_ub=np.concatenate([hard_b, np.zeros(2 * q)]),
            bounds=[(None, None)] * k + [(0, None)] * q,
        )
    except RuntimeError:
        return start
    return np.asarray(best.x[:k], float)
