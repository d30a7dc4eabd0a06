"""What a hand sets a gap by: the size that must enter it, and the size that must not."""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from gapvision.model import COVERAGE_FACTOR, FilmLoss, FinishForecast, FloatArray, Verdict
from gapvision.units import SHANK_MM


class Setting(NamedTuple):
    """The gap to set at one place of the seam, and the gauges for it.

    Attributes
    ----------
    at_mm : float
        Station [mm].
    set_mm : float
        The gap to set: the one wanted, plus the film still to come, or what is next to it between the gauges [mm].
    go_mm, no_go_mm : float
        What must enter and what must not: the limits, less U on each side [mm].  NaN where U leaves no room between.
    """

    at_mm: float
    set_mm: float
    go_mm: float
    no_go_mm: float


def between(wanted_mm: ArrayLike, go_mm: ArrayLike, no_go_mm: ArrayLike) -> FloatArray:
    """What is wanted, or what is next to it between two gauges, a shank's step from either, so that it passes both."""
    go, no_go = np.asarray(go_mm, float), np.asarray(no_go_mm, float)
    middle = 0.5 * (go + no_go)
    low, high = np.minimum(go + SHANK_MM, middle), np.maximum(no_go - SHANK_MM, middle)
    return np.asarray(np.clip(np.asarray(wanted_mm, float), low, high), float)


def room_mm(expanded_u_mm: FloatArray, loss: FilmLoss | None = None) -> float:
    """How far inside the limits a gauge must lie: the middle U; of a gap still to be painted what the film's U adds."""
    u = float(sorted(expanded_u_mm)[len(expanded_u_mm) // 2])
    if loss is None:
        return u
    return max(u, math.hypot(u, COVERAGE_FACTOR * loss.std_u_mm) - 0.5 * (loss.most_mm - loss.least_mm))


def settings_of(verdict: Verdict, future: FinishForecast | None = None) -> tuple[Setting, ...]:
    """What to set the gap to, and by which gauges: once where that is the same all along, else at both ends.

    A gap that passes between the gauges lies inside its limits by U, so that the next photo can prove it.

    Parameters
    ----------
    verdict : Verdict
        The gap as it stands; its middle U is taken off the limits.
    future : FinishForecast, optional
        With the film still to come: then the limits are those within which no film can spoil the gap.

    Returns
    -------
    tuple of Setting
        One or two.
    """
    lower, upper, now = verdict.lower_mm, verdict.upper_mm, verdict.nominal_mm
    if future is not None:
        lower, upper, now = future.set_lower_mm, future.set_upper_mm, future.set_now_mm
    u = room_mm(verdict.expanded_u_mm, None if future is None else future.loss)
    same = float(now.max() - now.min()) < 0.005
    found = []
    for k in (0,) if same else (0, len(now) - 1):
        go, no_go = float(lower[k] + u), float(upper[k] - u)
        to_set = float(between(now[k], go, no_go))
        if go >= no_go:
            go, no_go, to_set = math.nan, math.nan, float(now[k])
        found.append(Setting(float(verdict.s_mm[k]), to_set, go, no_go))
    return tuple(found)
