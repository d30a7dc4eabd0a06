"""One photo at a glance: in or out, the worst place, and what to do next; for a phone beside the car."""

from __future__ import annotations

from dataclasses import dataclass, replace

from gapvision.model import HOLE, OPEN, OUT, Measurement, Span, Verdict
from gapvision.words.answer import as_measured, not_measured
from gapvision.words.lengths import Lengths
from gapvision.words.notices import notice
from gapvision.words.verdict import HEED, failed_checks, first_up

#: Notices whose advice is to light the gap or to put paper into it.
_ABOUT_LIGHT = ("edge-doubtful", "edge-underexposed", "seam-unfamiliar")
#: Notes of what counts in U already.
_NO_HELP = ("known-stated", "proof-used", "proof-of-another-phone", "proof-too-old")
#: Where a person states what no photo tells, and the notices that ask for it.
_SAID_THERE = "Say it below a new photo, under 'What you know of the edges'."
_TO_SAY = ("sheets-unknown", "step-unknown")
_DOUBTFUL = ", photo with warnings"
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
    told : tuple of str
        What else decides: limits on the seam as a whole, what was left out.
    next_step : str
        What to do, one sentence or two.
    go_on : bool
        Whether this seam needs no other photo.
    """

    state: str
    words: str
    worst: Span | None = None
    told: tuple[str, ...] = ()
    next_step: str = ""
    go_on: bool = False


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
        return Glance(state="refused", words="Photo refused", next_step=advice)
    if verdict is None:
        step = "Say what is wanted, in Decide or below a new photo: then it is judged."
        return Glance(state="measured", words="Measured", told=(as_measured(measurement, say),), next_step=step)
    return replace(_said(measurement, verdict, say), worst=verdict.worst)


def _said(measurement: Measurement, verdict: Verdict, say: Lengths) -> Glance:
    """What a decision comes to."""
    failed = failed_checks(verdict, say)
    if verdict.state == OUT:
        advice = "Decide says what to do to this seam, Panels to the whole panel."
        if verdict.doubtful:  # metal must not go by a photo that may be wrong
            advice = f"{HEED} {advice}"
        words = f"Out of tolerance{_DOUBTFUL if verdict.doubtful else ''}"
        return Glance(state="out", words=words, told=failed, next_step=advice)
    if verdict.state == OPEN and (failed or OPEN in verdict.states):
        return Glance(state="open", words="Not proven", told=failed, next_step=_for_proof(measurement, say))
    holes = [x for x in verdict.spans if x.state == HOLE]
    left_out = [x for x in measurement.left_out if any(h.from_mm < x.to_mm and x.from_mm < h.to_mm for h in holes)]
    if verdict.state == OPEN and len(left_out) >= len(holes):
        told = ", ".join(f"{say.stretch(x.from_mm, x.to_mm)} ({x.reason})" for x in left_out)
        return Glance(
            state="holes", words="In tolerance beside what was left out", go_on=True,
            told=(f"Left out: {told}. Nothing is proven there.",),
            next_step="Check that by hand; go on to the next seam.",
        )  # fmt: skip
    if verdict.state == OPEN:
        step = "Part of the seam was not measured: take that stretch again, or leave it out with a reason."
        where = (not_measured(verdict, say),)
        return Glance(state="holes", words="In tolerance where measured", told=where, next_step=step)
    doubt = next((n for n in verdict.notices if n.kind == "warning"), None)
    if doubt is not None:
        return Glance(state="in", words=f"In tolerance{_DOUBTFUL}", next_step=" ".join(notice(doubt, say)))
    step = "Nothing to change here; go on to the next seam."
    return Glance(state="in", words="In tolerance", next_step=step, go_on=True)


def _for_proof(measurement: Measurement, say: Lengths) -> str:
    """What makes U smaller: the advice of the first notice that has one, else the usual; what fits a lit gap."""
    helpful = [n for n in measurement.notices if n.kind in ("warning", "note") and n.code not in _NO_HELP]
    first = next((n for n in helpful if n.advice), None)
    if measurement.gap_lit == "bright" and (first is None or first.code in (*_ABOUT_LIGHT, "gap-burnt-out")):
        return _with_the_gap_lit(measurement)
    if first is None:
        return "Light the gap from behind and go nearer, then take it again."
    return notice(first, say)[1] + (f" {_SAID_THERE}" if first.code in _TO_SAY else "")


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
        made = f"State how {edges} made, cut or rolled. {_SAID_THERE}"
    if not steps and not made:
        steps.append("go nearer")
    again = f"{first_up(', '.join(steps))}, then take it again." if steps else ""
    return f"{again} {made}".strip()
