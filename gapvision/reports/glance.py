"""One photo at a glance: in or out, the worst place, and what to do next; for a phone beside the car."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gapvision.model import FloatArray, GapProfile, Measurement, Verdict
from gapvision.reports.spans import Band, Span, find_spans, verdict_spans
from gapvision.words import MM, Lengths

#: Notices whose advice is to light the gap or to put paper into it.
_ABOUT_LIGHT = ("edge-doubtful", "edge-underexposed", "seam-unfamiliar")
_SQUARE_DEG = 5.0  # seen further from the side the tilt counts, as in the warning 'tilt-large'


@dataclass(frozen=True, slots=True, kw_only=True)
class Glance:
    """The short verdict.

    Attributes
    ----------
    state : str
        ``in``, ``out``, ``open`` (not proven), ``holes`` (in where measured), ``measured`` (no tolerance given)
        or ``refused``.
    words : str
        The state for people.
    worst : Span or None
        The station furthest beyond its limit, or nearest to it; without a tolerance None.
    beyond_mm : float
        How far the worst lies beyond its limit; negative: inside [mm].
    next_step : str
        What to do, one sentence or two.
    """

    state: str
    words: str
    worst: Span | None = None
    beyond_mm: float = float("nan")
    next_step: str = ""


def at_a_glance(
    measurement: Measurement, band: Band | None, verdict: Verdict | None = None, say: Lengths = MM
) -> Glance:
    """Say in short what a measurement means.

    Parameters
    ----------
    measurement : Measurement
        Measured or refused.
    band : Band, optional
        Tolerance, the same all along the seam.
    verdict : Verdict, optional
        A judgement of this profile's stations, whose limits may run along the seam; it counts instead of the band.
    """
    profile = measurement.profile
    if profile is None or not len(profile.s_mm):
        advice = measurement.notices[0].advice if measurement.notices else ""
        return Glance(state="refused", words="Refused", next_step=advice)
    if verdict is not None:
        lower, upper, spans = verdict.lower_mm, verdict.upper_mm, verdict_spans(profile, verdict)[1]
    elif band is not None:
        lower, upper = (np.full(len(profile.s_mm), limit) for limit in (band.lower_mm, band.upper_mm))
        spans = find_spans(profile, band)
    else:
        return Glance(
            state="measured", words="Measured", next_step="Give a wanted gap and a tolerance, then it is judged."
        )
    worst, beyond, wide = _worst(profile, lower, upper)
    states = {span.state for span in spans}
    if states & {"wide", "tight"}:
        side = "too wide" if wide else "too tight"
        step = f"It is {say.small(beyond)} {side} there. Decide tries a move; Panels works out what to do to the metal."
        return Glance(state="out", words="Out of tolerance", worst=worst, beyond_mm=beyond, next_step=step)
    if "unproven" in states:
        return Glance(
            state="open", words="Not proven", worst=worst, beyond_mm=beyond, next_step=_for_proof(measurement)
        )
    if "hole" in states:
        step = "Part of the seam was not measured: take that stretch again, or leave it out with a reason."
        return Glance(state="holes", words="In tolerance where measured", worst=worst, beyond_mm=beyond, next_step=step)
    step = "Nothing to change here; go on to the next seam."
    return Glance(state="in", words="In tolerance", worst=worst, beyond_mm=beyond, next_step=step)


def _worst(profile: GapProfile, lower_mm: FloatArray, upper_mm: FloatArray) -> tuple[Span, float, bool]:
    """The station with the largest excess over its limit, that excess, and whether it is towards wide.

    Of those proven out, when there are any.
    """
    above, below = profile.gap_mm - upper_mm, lower_mm - profile.gap_mm
    excess = np.maximum(above, below)
    proven = excess > profile.expanded_u_mm
    i = int(np.argmax(np.where(proven, excess, -np.inf) if proven.any() else excess))
    s, gap, u = (float(v[i]) for v in (profile.s_mm, profile.gap_mm, profile.expanded_u_mm))
    return Span("worst", s, s, gap, s, u), float(excess[i]), bool(above[i] >= below[i])


def _for_proof(measurement: Measurement) -> str:
    """What makes U smaller: the advice of the first notice that has one, else the usual; what fits a lit gap."""
    words = "A limit lies within U."
    helpful = [n for n in measurement.notices if n.kind in ("warning", "note") and n.code != "known-stated"]
    first = next((n for n in helpful if n.advice), None)
    if measurement.gap_lit == "bright" and (first is None or first.code in (*_ABOUT_LIGHT, "gap-burnt-out")):
        return f"{words} {_with_the_gap_lit(measurement)}"
    return (
        f"{words} {'Light the gap from behind and go nearer, then take it again.' if first is None else first.advice}"
    )


def _with_the_gap_lit(measurement: Measurement) -> str:
    """What still helps where the gap is lit from behind already: of all that does, what this photo lacks."""
    codes = {n.code for n in measurement.notices}
    steps = []
    if "gap-burnt-out" in codes:
        steps.append("dim the lamp behind the gap until it is not burnt out")
    if "edge-underexposed" in codes:
        steps.append("bring more light on to the panel")
    if measurement.scale is not None and abs(measurement.scale.tilt_across_deg) > _SQUARE_DEG:
        steps.append("hold the camera square above the gap")
    if measurement.step is None and measurement.stated_step_mm is None:
        steps.append("lay a strip on each side of the seam")
    unknown = [name for name in "AB" if measurement.settings.get(f"edge_{name.lower()}") is None]
    made = ""
    if unknown:
        edges = f"edge {unknown[0]} is" if len(unknown) == 1 else "the edges are"
        made = f"State how {edges} made, cut or rolled."
    if not steps and not made:
        steps.append("go nearer")
    again = ", ".join(steps)
    return " ".join(
        part for part in (f"{again[:1].upper()}{again[1:]}, then take it again." if again else "", made) if part
    )
