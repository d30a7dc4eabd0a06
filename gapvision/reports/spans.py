"""Spans of a seam against a tolerance band, for plots, pictures and lists.

A span is a run of stations in one state.  The states follow the uncertainty:
``wide`` and ``tight`` are beyond a limit by more than U, ``unproven`` has a limit
inside its U, ``hole`` was not measured.  Everything else is in tolerance.
"""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.model import IN, OUT, GapProfile, Verdict

#: Stations less far out over less than this do not part two spans of one state [mm].
JOIN_MM = 5.0

#: State -> words for people.
STATE_WORDS = {
    "wide": "too wide",
    "tight": "too tight",
    "unproven": "not proven",
    "hole": "not measured",
    "in": "in tolerance",
}


@dataclass(frozen=True, slots=True)
class Band:
    """A constant tolerance band.

    Attributes
    ----------
    nominal_mm, lower_mm, upper_mm : float
        Wanted gap and the limits [mm].
    """

    nominal_mm: float
    lower_mm: float
    upper_mm: float

    def __post_init__(self) -> None:
        if not 0 < self.lower_mm <= self.nominal_mm <= self.upper_mm:
            raise GapvisionError(
                "value-out-of-range",
                f"A gap of {self.nominal_mm:g} mm between {self.lower_mm:g} and {self.upper_mm:g} mm makes no sense.",
                "Give a gap above zero and a tolerance smaller than it.",
            )

    @classmethod
    def around(cls, nominal_mm: float, tolerance_mm: float) -> Band:
        """Make the band nominal +/- tolerance."""
        return cls(nominal_mm, nominal_mm - tolerance_mm, nominal_mm + tolerance_mm)


@dataclass(frozen=True, slots=True)
class Span:
    """A run of stations in one state.

    Attributes
    ----------
    state : str
        A key of STATE_WORDS.
    from_mm, to_mm : float
        First and last station [mm].
    worst_mm, worst_at_mm, worst_u_mm : float
        Gap that is furthest from nominal, its station and its U [mm]; NaN for a hole.
    """

    state: str
    from_mm: float
    to_mm: float
    worst_mm: float = float("nan")
    worst_at_mm: float = float("nan")
    worst_u_mm: float = float("nan")

    @property
    def words(self) -> str:
        """State in words."""
        return STATE_WORDS[self.state]


def judge_stations(profile: GapProfile, band: Band) -> NDArray[np.str_]:
    """State of each station.

    Returns
    -------
    ndarray of str, shape (n,)
        ``wide``, ``tight``, ``unproven`` or ``in``.
    """
    low, high = profile.gap_mm - profile.expanded_u_mm, profile.gap_mm + profile.expanded_u_mm
    state = np.full(len(profile.s_mm), "unproven", dtype="U8")
    state[(low >= band.lower_mm) & (high <= band.upper_mm)] = "in"
    state[low > band.upper_mm] = "wide"
    state[high < band.lower_mm] = "tight"
    return state


def find_spans(profile: GapProfile, band: Band | None) -> list[Span]:
    """Runs that are out of tolerance, not proven or not measured, in order along the seam.

    Parameters
    ----------
    profile : GapProfile
        The measured stations.
    band : Band or None
        Without a band only the holes are found.

    Returns
    -------
    list of Span
        A span also ends at a hole.  Runs of one state that are parted by less than JOIN_MM of stations less
        far out are one span, so that a gap that runs along a limit is not broken into crumbs.
    """
    if band is None:
        return spans_of_states(profile, np.full(len(profile.s_mm), "in", dtype="U8"), np.zeros(len(profile.s_mm)))
    return spans_of_states(profile, judge_stations(profile, band), np.abs(profile.gap_mm - band.nominal_mm))


def spans_of_states(profile: GapProfile, states: NDArray[np.str_], excess_mm: NDArray[np.float64]) -> list[Span]:
    """Runs of stations that are not ``in``, and the holes; as :func:`find_spans`.

    Parameters
    ----------
    states : ndarray of str, shape (n,)
        ``wide``, ``tight``, ``unproven`` or ``in``.
    excess_mm : ndarray, shape (n,)
        The station with the largest in a run is its worst.
    """
    s = profile.s_mm
    spans = [Span("hole", float(s[i]), float(s[i + 1])) for i in _holes(profile)]
    state = np.array(states, dtype="U8")
    for name in ("wide", "tight", "unproven"):
        _close(state, name, profile)
    for first, stop in _runs(state, profile):
        if state[first] == "in":
            continue
        worst = first + int(np.argmax(excess_mm[first:stop]))
        spans.append(
            Span(
                str(state[first]),
                float(s[first]),
                float(s[stop - 1]),
                float(profile.gap_mm[worst]),
                float(s[worst]),
                float(profile.expanded_u_mm[worst]),
            )
        )
    return sorted(spans, key=lambda span: (span.from_mm, span.to_mm))


def verdict_spans(profile: GapProfile, verdict: Verdict) -> tuple[NDArray[np.str_], list[Span]]:
    """States and spans of a judgement in the words of the plots.

    Returns
    -------
    states : ndarray of str, shape (n,)
        ``in``, ``wide``, ``tight`` or ``unproven``.
    spans : list of Span
        Runs that are not in tolerance, and the holes.
    """
    above, below = profile.gap_mm - verdict.upper_mm, verdict.lower_mm - profile.gap_mm
    side = np.where(above >= below, "wide", "tight")
    given = np.array(verdict.states)
    states = np.where(given == IN, "in", np.where(given == OUT, side, "unproven")).astype("U8")
    return states, spans_of_states(profile, states, np.maximum(above, below))


def _runs(state: NDArray[np.str_], profile: GapProfile) -> list[tuple[int, int]]:
    """Index ranges of stations in one state, cut at holes."""
    if not len(state):
        return []
    new = np.ones(len(state), bool)
    new[1:] = state[1:] != state[:-1]
    new[_holes(profile) + 1] = True
    starts = np.flatnonzero(new).tolist()
    return list(zip(starts, [*starts[1:], len(state)], strict=True))


def _close(state: NDArray[np.str_], name: str, profile: GapProfile) -> None:
    """Give short interruptions of a state, by stations less far out, its name (in place)."""
    milder = ("in",) if name == "unproven" else ("in", "unproven")
    s = profile.s_mm
    holes = set((_holes(profile) + 1).tolist())
    runs = [run for run in _runs(state, profile) if state[run[0]] == name]
    for (_, stop), (start, _) in itertools.pairwise(runs):
        between = state[stop:start]
        short = s[start] - s[stop - 1] < JOIN_MM
        if short and np.isin(between, milder).all() and not holes & set(range(stop, start + 1)):
            state[stop:start] = name


def _holes(profile: GapProfile) -> NDArray[np.intp]:
    """Index of the last station before each hole."""
    return np.flatnonzero(np.diff(profile.s_mm) > 1.5 * profile.spacing_mm)


def with_holes(profile: GapProfile, values: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Break a line at the holes, for drawing.

    Returns
    -------
    s_mm, values : ndarray, shape (n + holes,)
        NaN stands in each hole.
    """
    at = _holes(profile) + 1
    middle = (profile.s_mm[at - 1] + profile.s_mm[at]) / 2
    return np.insert(profile.s_mm, at, middle), np.insert(np.asarray(values, float), at, np.nan)
