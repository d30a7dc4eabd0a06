"""What a coat really took from a gap, and what several jobs together say of the shop's own film."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from gapvision.errors import require
from gapvision.model import COVERAGE_FACTOR, FinishPlan, TakenFilm
from gapvision.units import MM_PER_MICROMETRE

#: So many jobs must agree before their film is used; common practice, no source.
LEAST_JOBS = 3
MEASURED = "measured on this shop's own edges"


def film_taken(change_mm: float, expanded_u_mm: float, kind: str, coats: int, on: str, job: str) -> TakenFilm:
    """Film of one coat on one edge, from the change of the mean gap.

    Parameters
    ----------
    change_mm, expanded_u_mm : float
        Gap after the coats minus gap before, and its U (k = 2) [mm].
    kind, coats, on : str, int, str
        What was put on, how many coats of it, on ``both``, ``panel`` or ``neighbour``.
    job : str
        Its reference.

    Raises
    ------
    GapvisionError
        ``finish-nonsense`` where the gap grew by more than U: something else than paint moved.
    """
    require(
        "finish-nonsense",
        change_mm <= expanded_u_mm,
        f"The gap grew by {change_mm:.2f} mm while {kind} went on.",
        "Compare two photos with nothing but paint between them, the panel not moved.",
    )
    shares = coats * (2 if on == "both" else 1) * MM_PER_MICROMETRE
    return TakenFilm(kind=kind, job=job, film_um=-change_mm / shares, expanded_u_um=expanded_u_mm / shares)


def agreed_um(taken: Sequence[TakenFilm]) -> tuple[float, float] | None:
    """Least and most film of one coat on an edge, where three jobs or more agree within U; None where they do not.

    The range holds the mean's doubt and the scatter from job to job, both with the coverage factor 2.
    """
    newest = list({x.job: x for x in taken}.values())
    if len(newest) < LEAST_JOBS:
        return None
    film, u = (np.array([getattr(x, name) for x in newest]) for name in ("film_um", "expanded_u_um"))
    weight = 1 / np.maximum(u, 1e-6) ** 2
    mean, mean_u = float((film * weight).sum() / weight.sum()), float(1 / np.sqrt(weight.sum()))
    if (np.abs(film - mean) > np.hypot(u, mean_u)).any() or mean <= 0:
        return None
    half = float(np.hypot(mean_u, COVERAGE_FACTOR * film.std(ddof=1)))
    return max(0.0, mean - half), mean + half


def with_taken(plan: FinishPlan, taken: Sequence[TakenFilm]) -> FinishPlan:
    """The same plan with the shop's own film in the place of each range that its jobs agree on."""
    coats = []
    for coat in plan.coats:
        own = agreed_um([x for x in taken if x.kind == coat.kind])
        coats.append(coat if own is None else replace(coat, film_um=own, stays=(1.0, 1.0), source=MEASURED))
    return replace(plan, coats=tuple(coats))
