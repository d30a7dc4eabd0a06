"""The linear programmes behind move and trim: a handful of unknowns, however many stations there are.

``soft_a @ x + soft_b`` is an excess, wanted at or below zero; ``hard_a @ x <= hard_b`` is never broken.
"""

from __future__ import annotations

import ctypes
import os
from collections.abc import Iterator
from contextlib import contextmanager
from threading import Lock
from typing import Any

import numpy as np

from gapvision.model import FloatArray

_RIDGE = 1e-5  # a movement that no gap asks for is not made


_ONE_AT_A_TIME = Lock()  # of those who point standard output elsewhere


@contextmanager
def unprinted() -> Iterator[None]:
    """Let nothing reach standard output that C code prints meanwhile.

    The search of HiGHS 1.12 for whole numbers prints a line of its own now and then, whatever its options say (its
    issue 2783); a program that reads what a command prints would take it for an answer.
    """
    with _ONE_AT_A_TIME:
        try:
            kept, nowhere = os.dup(1), os.open(os.devnull, os.O_WRONLY)
        except OSError:  # no standard output: nothing can be printed
            yield
            return
        _flush()
        os.dup2(nowhere, 1)
        try:
            yield
        finally:
            _flush()  # what waits in C's own buffer, or it would come out later
            os.dup2(kept, 1)
            os.close(kept)
            os.close(nowhere)


def _flush() -> None:
    try:
        ctypes.CDLL("ucrtbase" if os.name == "nt" else None).fflush(None)
    except (OSError, AttributeError):
        return


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


def least_squares(a: FloatArray, b: FloatArray, hard_a: FloatArray, hard_b: FloatArray) -> FloatArray:
    """Make ``|a @ x + b|`` least; the shortest x of those that do; ``hard_a @ x <= hard_b`` must hold at x = 0.

    Exact, as the least-distance problem of Lawson and Hanson (Solving Least Squares Problems, chapter 23; from memory).
    """
    from scipy.optimize import nnls

    k = a.shape[1]
    ridge = _RIDGE * max(1.0, float(np.linalg.norm(a, 2)))
    q, r = np.linalg.qr(np.concatenate([a, ridge * np.eye(k)]))
    free = -q.T @ np.concatenate([b, np.zeros(k)])  # r @ x = free + u, and |u| is to be least
    rows = -hard_a @ np.linalg.inv(r)
    least = -hard_b - rows @ free  # rows @ u >= least
    if not (least > 0).any():
        return np.asarray(np.linalg.solve(r, free), float)
    scale = max(1.0, float(np.abs(least).max()))
    ends = np.concatenate([rows.T, least[None] / scale])
    weights, _ = nnls(ends, np.eye(k + 1)[k])
    rest = ends @ weights - np.eye(k + 1)[k]
    return np.asarray(np.linalg.solve(r, free - scale * rest[:k] / rest[k]), float)
