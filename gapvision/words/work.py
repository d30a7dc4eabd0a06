"""The work card: what to do to a seam now, in three lines that can be read at arm's length."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from gapvision.model import AT_RISK, OPEN, OUT, FinishForecast, Span, Verdict
from gapvision.model.plan import EdgePlan
from gapvision.units import MM_PER_INCH, SHANK_MM, format_fraction
from gapvision.words.answer import not_measured
from gapvision.words.gauges import SHANK_IN, pair
from gapvision.words.lengths import Lengths
from gapvision.words.paper import by_letters
from gapvision.words.plan import trim_span
from gapvision.words.verdict import check_named

_ROUNDING_MM = 1e-6
_MOST_TOLD = 3  # places of one edge on the card: more cannot be read at arm's length; the template shows all


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
    gauges = "; ".join(f"{_gauges(*x[1:], say)}{end}" for x, end in zip(settings, ends, strict=True))
    out = out_of_it(verdict, future)
    now = edge or (f"{'; '.join(plan)}." if plan else _now(verdict, out, future, settings, say))
    # Who is to change nothing must not read "set" below it, and nobody sets a gap by an edge.
    do = "Set" if not edge and (plan or out) else "Wanted:"
    return now, f"{do} {to_set}.", f"{gauges}."


def work_card_of(plan: EdgePlan, say: Lengths) -> tuple[str, str, str]:
    """The work card of one edge's plan."""
    line = edge_deeds(plan, say, most=_MOST_TOLD)
    return work_card(plan.verdict, plan.settings, say, future=plan.future, edge=line)


def edge_deeds(plan: EdgePlan, say: Lengths, *, most: int | None = None) -> str:
    """What is done to one edge, place by place, or to the ``most`` that change most; and whether that is enough."""
    t, where = plan.stretch.trim, f"Edge of panel {plan.edge}"
    if not t.needed:
        return f"{where}: no change of it helps."
    largest = sorted(t.spans, key=lambda x: -x.largest_mm)[:most]
    told = "; ".join(trim_span(x, say) for x in t.spans if x in largest)
    more = len(t.spans) - len(largest)
    others = f" And {more} more place{'s' if more > 1 else ''}: see the template." if more else ""
    after = plan.verdict if plan.future is None else plan.future.verdict
    enough = " Not all of it is proven then." if after.state == OPEN else ""
    if is_out(plan.verdict, plan.future):
        enough = " It does not bring in all of it." if after.state == OUT else " It may still chip."
    return f"{where}: {told}.{others}{enough}"


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


def _now(
    verdict: Verdict,
    out: Sequence[Span],
    future: FinishForecast | None,
    settings: Sequence[tuple[float, float, float, float]],
    say: Lengths,
) -> str:
    """The first line: the worst place that is out, and how far to open or close it there."""
    decides = verdict if future is None else future.verdict
    if not out and decides.state == OUT and (worst_check := decides.by_form) is not None:
        gap = "Not all of the gap is proven" if OPEN in decides.states else "The gap is inside its limits"
        more = sum(c.state == OUT for c in decides.checks) - 1
        others = f", and {more} more (see 'Why' in Decide)" if more else ""
        still = " No move mends that." if worst_check.edge else ""
        return f"{gap}. Out of tolerance: {by_letters(check_named(worst_check, say))}{others}.{still}"
    if not out and decides.state == OPEN and future is not None and verdict.state != OPEN:
        return "Change nothing yet: with the paint to come it is not proven."
    if not out and decides.state == OPEN and not (OPEN in decides.states or decides.by_form):
        return f"Change nothing: in tolerance where it was measured. {not_measured(decides, say)}".strip()
    if not out and decides.state == OPEN:
        return "Change nothing yet: it is not proven. Photograph it again as Measure advises."
    if not out:
        return "Leave the gap as it is" + (": the paint brings it in." if verdict.state == OUT else ".")
    worst, more = out[0], len(out) - 1
    aim = _finished(worst.worst_at_mm, decides, future, settings)
    if worst.state == AT_RISK and aim < worst.worst_mm + worst.excess_mm - _ROUNDING_MM:
        return "It may chip wherever it is set inside its limits: change the limits, the paint, or the smallest gap."
    amount = aim - worst.worst_mm
    where = f"from {say.stretch(*worst.whole_mm)}" if worst.length_mm else f"at {say.place(worst.worst_at_mm)}"
    others = "" if not more else f" And {more} more place{'s' if more > 1 else ''}."
    verb = "Open" if amount > 0 else "Close"
    return f"{verb} it {where}, by up to {say.target(abs(amount))}.{others}"


def _finished(
    at_mm: float,
    decides: Verdict,
    future: FinishForecast | None,
    settings: Sequence[tuple[float, float, float, float]],
) -> float:
    """The gap that comes out where it is set as told: the one wanted, or what is next to it between the gauges [mm]."""
    film, places = 0.0 if future is None else future.loss.loss_mm, [x[0] for x in settings]
    beside = [x[1] - film for x in settings] - np.interp(places, decides.s_mm, decides.nominal_mm)
    return float(np.interp(at_mm, decides.s_mm, decides.nominal_mm) + np.interp(at_mm, places, beside))


def _gauges(set_mm: float, go_mm: float, no_go_mm: float, say: Lengths) -> str:
    if not math.isfinite(go_mm):
        return "No shank tells: U leaves no room between the limits"
    step = float(SHANK_IN) * MM_PER_INCH if say.inch else SHANK_MM
    found = pair(go_mm, no_go_mm, step)
    if found is None or not found[0] * step - _ROUNDING_MM <= set_mm <= found[1] * step + _ROUNDING_MM:
        return "No shank lies between the limits less U: set it by feeler gauges"
    write = format_fraction if say.inch else "{:.1f} mm".format
    go, no_go = (write(k * step) for k in found)
    return f"A {go} drill shank must enter, {no_go} must not"
