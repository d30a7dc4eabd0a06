"""The work card: what to do to a seam now, in three lines that can be read at arm's length."""

from __future__ import annotations

import math
from collections.abc import Sequence

from gapvision.model import OPEN, OUT, Verdict
from gapvision.units import MM_PER_INCH, format_fraction
from gapvision.words.gauges import SHANK_IN, SHANK_MM, pair
from gapvision.words.lengths import Lengths


def work_card(
    verdict: Verdict, settings: Sequence[tuple[float, float, float, float]], say: Lengths, plan: Sequence[str] = ()
) -> tuple[str, str, str]:
    """What to do to the gap, what to set it to, and what to check it by.

    Parameters
    ----------
    verdict : Verdict
        The gap as it stands.
    settings : sequence of (station, gap to set, go, no-go)
        As :func:`gapvision.judgement.settings_of` gives them [mm]; one, or one for each end of the seam.
    say : Lengths
        The unit.
    plan : sequence of str
        What the panel's plan does at this seam, in the place of what the gap alone asks for.
    """
    ends = ("",) if len(settings) == 1 else (" at the start", " at the end")
    to_set = ", ".join(f"{say.target(x[1])}{end}" for x, end in zip(settings, ends, strict=True))
    gauges = "; ".join(f"{_gauges(x[2], x[3], say)}{end}" for x, end in zip(settings, ends, strict=True))
    now = f"{'; '.join(plan)}." if plan else _now(verdict, settings, say)
    # Who is to change nothing must not read "set" below it.
    do = "Set" if plan or OUT in verdict.states else "Wanted:" if verdict.state == OPEN else "Keep"
    return now, f"{do} {to_set}.", f"{gauges}."


def _now(verdict: Verdict, settings: Sequence[tuple[float, float, float, float]], say: Lengths) -> str:
    """The first line: the worst place that is out, and how far to open or close it there."""
    out = sorted((x for x in verdict.spans if x.state == OUT), key=lambda x: -x.excess_mm)
    if not out and verdict.state == OUT:
        return "The gap is inside its limits, but not its form: see 'Why' below."
    if not out:
        unsure = "Change nothing yet: it is not proven. Take it again as Measure advises."
        return unsure if verdict.state == OPEN else "Leave the gap as it is."
    worst, more = out[0], len(out) - 1
    first, last = settings[0], settings[-1]
    along = 0.0 if last is first else (worst.worst_at_mm - first[0]) / (last[0] - first[0])
    amount = first[1] + along * (last[1] - first[1]) - worst.worst_mm
    where = f"from {say.stretch(*worst.whole_mm)}" if worst.length_mm else f"at {say.place(worst.worst_at_mm)}"
    others = "" if not more else f" And {more} more place{'s' if more > 1 else ''}."
    verb = "Open" if amount > 0 else "Close"
    return f"{verb} it {where}, by up to {say.target(abs(amount))}.{others}"


def _gauges(go_mm: float, no_go_mm: float, say: Lengths) -> str:
    if not math.isfinite(go_mm):
        return "No shank tells: U is as large as the limits allow"
    step = float(SHANK_IN) * MM_PER_INCH if say.inch else SHANK_MM
    found = pair(go_mm, no_go_mm, step)
    if found is None:
        return "No shank lies between the limits less U: set it by feeler gauges"
    write = format_fraction if say.inch else "{:.1f} mm".format
    go, no_go = (write(k * step) for k in found)
    return f"A {go} shank must enter, {no_go} must not"
