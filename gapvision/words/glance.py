"""One photo at a glance: in or out, the worst place, and what to do next; for a phone beside the car."""

from __future__ import annotations

from dataclasses import dataclass

from gapvision.model import HOLE, OPEN, OUT, Measurement, Span, Verdict
from gapvision.words.lengths import Lengths
from gapvision.words.notices import notice
from gapvision.words.verdict import check, first_up

#: Notices whose advice is to light the gap or to put paper into it.
_ABOUT_LIGHT = ("edge-doubtful", "edge-underexposed", "seam-unfamiliar")
#: Notes of what counts in U already.
_NO_HELP = ("known-stated", "proof-used", "proof-of-another-phone", "proof-too-old")
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
        The verdict's worst station; without a tolerance None.
    next_step : str
        What to do, one sentence or two.
    """

    state: str
    words: str
    worst: Span | None = None
    next_step: str = ""


def at_a_glance(measurement: Measurement, verdict: Verdict | None, say: Lengths) -> Glance:
    """Say in short what a measurement means.

    Parameters
    ----------
    measurement : Measurement
        Measured or refused.
    verdict : Verdict or None
        The decision about it; None without a tolerance.
    """
    if measurement.profile is None or not len(measurement.profile.s_mm):
        advice = notice(measurement.notices[0], say)[1] if measurement.notices else ""
        return Glance(state="refused", words="Refused", next_step=advice)
    if verdict is None:
        return Glance(
            state="measured", words="Measured", next_step="Give a wanted gap and a tolerance, then it is judged."
        )
    state, words, step = _said(measurement, verdict, say)
    return Glance(state=state, words=words, worst=verdict.worst, next_step=step)


def _said(measurement: Measurement, verdict: Verdict, say: Lengths) -> tuple[str, str, str]:
    """State, words and next step of a decision."""
    failed = [f"{first_up(check(c, say))}." for c in verdict.checks if c.state == verdict.state]
    if verdict.state == OUT:
        if verdict.worst is not None and OUT in verdict.states:
            failed.insert(0, f"It is {say.small(verdict.worst.excess_mm)} too {verdict.worst.side} there.")
        advice = "Decide tries a move; Panels works out what to do to the metal."
        return "out", "Out of tolerance", " ".join([*failed, advice])
    if verdict.state == OPEN and (failed or OPEN in verdict.states):
        limit = ["A limit lies within U."] if OPEN in verdict.states else []
        return "open", "Not proven", " ".join([*limit, *failed, _for_proof(measurement, say)])
    holes = [x for x in verdict.spans if x.state == HOLE]
    left_out = [x for x in measurement.left_out if any(h.from_mm < x.to_mm and x.from_mm < h.to_mm for h in holes)]
    if verdict.state == OPEN and len(left_out) >= len(holes):
        told = ", ".join(f"{say.stretch(x.from_mm, x.to_mm)} ({x.reason})" for x in left_out)
        return "holes", "In tolerance beside what was left out", f"Left out: {told}. Nothing is proven there."
    if verdict.state == OPEN:
        step = "Part of the seam was not measured: take that stretch again, or leave it out with a reason."
        return "holes", "In tolerance where measured", step
    doubt = next((n for n in verdict.notices if n.kind == "warning"), None)
    if doubt is not None:
        return "in", "In tolerance, photo with warnings", " ".join(notice(doubt, say))
    return "in", "In tolerance", "Nothing to change here; go on to the next seam."


def _for_proof(measurement: Measurement, say: Lengths) -> str:
    """What makes U smaller: the advice of the first notice that has one, else the usual; what fits a lit gap."""
    helpful = [n for n in measurement.notices if n.kind in ("warning", "note") and n.code not in _NO_HELP]
    first = next((n for n in helpful if n.advice), None)
    if measurement.gap_lit == "bright" and (first is None or first.code in (*_ABOUT_LIGHT, "gap-burnt-out")):
        return _with_the_gap_lit(measurement)
    return "Light the gap from behind and go nearer, then take it again." if first is None else notice(first, say)[1]


def _with_the_gap_lit(measurement: Measurement) -> str:
    """What still helps where the gap is lit from behind already: of all that does, what this photo lacks."""
    m, codes = measurement, {n.code for n in measurement.notices}
    lacks = {
        "dim the lamp behind the gap until it is not burnt out": "gap-burnt-out" in codes,
        "bring more light on to the panel": "edge-underexposed" in codes,
        "hold the camera square above the gap": m.scale is not None and abs(m.scale.tilt_across_deg) > _SQUARE_DEG,
        "lay a strip on each side of the seam": m.step is None and m.stated_step_mm is None,
    }
    steps = [step for step, lacking in lacks.items() if lacking]
    unknown = [name for name, known in zip("AB", measurement.settings.known_edges, strict=True) if known is None]
    made = ""
    if unknown:
        edges = f"edge {unknown[0]} is" if len(unknown) == 1 else "the edges are"
        made = f"State how {edges} made, cut or rolled."
    if not steps and not made:
        steps.append("go nearer")
    again = f"{first_up(', '.join(steps))}, then take it again." if steps else ""
    return f"{again} {made}".strip()
