"""The work card: what to do to a seam now, in three lines that can be read at arm's length."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from gapvision.model import AT_RISK, OPEN, OUT, FinishForecast, Span, Verdict
from gapvision.model.plan import EdgePlan
from gapvision.units import MM_PER_INCH, format_fraction
from gapvision.words.gauges import SHANK_IN, SHANK_MM, pair
from gapvision.words.lengths import Lengths
from gapvision.words.plan import trim_span


def work_card(
    verdict: Verdict,
    settings: Sequence[tuple[float, float, float, float]],
    say: Lengths,
    plan: Sequence[str] = (),
    *,
    future: FinishForecast | None = None,
    edge: str = "",
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
    future : FinishForecast, optional
        With paint still to come: then the finished gap decides.
    edge : str
        What is done to an edge instead.
    """
    ends = ("",) if len(settings) == 1 else (" at the start", " at the end")
    to_set = ", ".join(f"{say.target(x[1])}{end}" for x, end in zip(settings, ends, strict=True))
    gauges = "; ".join(f"{_gauges(x[2], x[3], say)}{end}" for x, end in zip(settings, ends, strict=True))
    out, decides = out_of_it(verdict, future), verdict if future is None else future.verdict
    now = edge or (f"{'; '.join(plan)}." if plan else _now(verdict, out, decides, say))
    # Who is to change nothing must not read "set" below it, and nobody sets a gap by an edge.
    do = "Wanted:" if edge else "Set" if plan or out else "Wanted:" if decides.state == OPEN else "Keep"
    return now, f"{do} {to_set}.", f"{gauges}."


def work_card_of(plan: EdgePlan, say: Lengths) -> tuple[str, str, str]:
    """The work card of one edge's plan."""
    t, where = plan.stretch.trim, f"Edge of panel {plan.edge}"
    told = "; ".join(trim_span(x, say) for x in t.spans) if t.needed else "no change of it helps"
    line = f"{where}: {told}." + (" It does not bring in all of it." if t.needed and t.short_by_mm else "")
    return work_card(plan.verdict, plan.settings, say, future=plan.future, edge=line)


def out_of_it(verdict: Verdict, future: FinishForecast | None = None) -> list[Span]:
    """The places to work on, worst first: out of tolerance or at risk of chipping, once painted where it will be."""
    spans = [x for x in (verdict if future is None else future.verdict).spans if x.state == OUT]
    if future is not None and not spans:
        spans = [x for x in future.chip_spans if x.state == AT_RISK]
    return sorted(spans, key=lambda x: -x.excess_mm)


def is_out(verdict: Verdict, future: FinishForecast | None = None) -> bool:
    """Whether there is work to do: gap or form out of tolerance, or a gap that chips."""
    decides = verdict if future is None else future.verdict
    return decides.state == OUT or bool(out_of_it(verdict, future))


def _now(verdict: Verdict, out: Sequence[Span], decides: Verdict, say: Lengths) -> str:
    """The first line: the worst place that is out, and how far to open or close it there."""
    painted = decides is not verdict
    if not out and decides.state == OUT:
        return "The gap is inside its limits, but not its form: see 'Why' below."
    if not out and decides.state == OPEN and painted and verdict.state != OPEN:
        return "Change nothing yet: with the paint to come it is not proven."
    if not out and decides.state == OPEN:
        return "Change nothing yet: it is not proven. Take it again as Measure advises."
    if not out:
        return "Leave the gap as it is" + (": the paint brings it in." if verdict.state == OUT else ".")
    worst, more = out[0], len(out) - 1
    wanted = float(np.interp(worst.worst_at_mm, decides.s_mm, decides.nominal_mm))
    amount = max(wanted - worst.worst_mm, worst.excess_mm if worst.state == AT_RISK else -math.inf)
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
