"""Verdicts as text to read at a terminal."""

from __future__ import annotations

import math
import textwrap

from gapvision.judgement.tolerance import verdict_sentence
from gapvision.model import HOLE, IN, OUT, Check, FinishForecast, Span, Verdict
from gapvision.units import format_both

WIDTH = 78
#: A mark beside the words, so that a row is found at a glance without colour.
MARKS = {IN: "+", OUT: "X", HOLE: ".", "not proven": "?"}


def wrap(text: str, first: str = "  ", rest: str = "  ") -> str:
    """Fold a sentence to the terminal's width."""
    return textwrap.fill(
        text, WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False, break_on_hyphens=False
    )


def verdict_text(verdict: Verdict, title: str = "") -> str:
    """The verdict with its reasons, spans and checks.

    Parameters
    ----------
    verdict : Verdict
        The decision.
    title : str
        Name of the seam.
    """
    lines = [f"{title + ': ' if title else ''}{verdict.state.upper()}", wrap(verdict_sentence(verdict))]
    lines += [wrap(r, "  - ", "    ") for r in verdict.reasons]
    if verdict.worst is not None:
        w = verdict.worst
        beyond = f"{abs(w.excess_mm):.2f} mm {'beyond' if w.excess_mm > 0 else 'inside'} its limit"
        lines.append(
            wrap(
                f"worst station: {format_both(w.worst_mm)} at {w.worst_at_mm:.0f} mm, U {w.worst_u_mm:.2f} mm, {beyond}"
            )
        )
    lines.append(
        wrap(
            f"lengths: in tolerance {verdict.in_mm:.0f} mm, out {verdict.out_mm:.0f} mm, not proven "
            f"{verdict.open_mm:.0f} mm, "
            f"not measured {verdict.hole_mm:.0f} mm"
        )
    )
    lines += ["", "  from     to      state                worst gap", *(_span_row(x) for x in verdict.spans)]
    if verdict.checks:
        lines += ["", "  checks of the seam as a whole", *(_check_row(c) for c in verdict.checks)]
    return "\n".join(lines) + "\n"


def _span_row(span: Span) -> str:
    state = span.state + (f", too {span.side}" if span.state == OUT else f", {span.side} side" if span.side else "")
    worst = "" if span.state == HOLE else f"{format_both(span.worst_mm)} at {span.worst_at_mm:.0f} mm"
    return f"{MARKS[span.state]} {span.from_mm:6.0f} {span.to_mm:6.0f}  {state:<28} {worst}".rstrip()


def _check_row(check: Check) -> str:
    value = f"{check.value:+.2f} {check.unit}, U {check.expanded_u:.2f}, limit {check.limit:.2f}"
    where = f" ({check.where})" if check.where else ""
    return wrap(f"{check.name}{where}: {value}: {check.state}", f"{MARKS[check.state]} ", "    ")


def forecast_text(future: FinishForecast) -> str:
    """The finished gap, what the film takes, where edges may chip, and the gap to set now."""
    gap = future.gap_mm
    lines = [f"after paint: {future.verdict.state.upper()}", wrap(verdict_sentence(future.verdict))]
    lines += [wrap(r, "  - ", "    ") for r in future.verdict.reasons]
    lines.append(wrap(f"{film_line(future)}; finished gap {gap.min():.2f} to {gap.max():.2f} mm"))
    lines += [wrap(set_now_line(future)), *(wrap(x) for x in chip_lines(future))]
    lines += [wrap(f"note: {n.message} {n.advice} [{n.code}]") for n in future.notices]
    lines.append(wrap("The paint maker's data sheet rules over every film named here."))
    return "\n".join(lines) + "\n"


def film_line(future: FinishForecast) -> str:
    """What the film still to come takes from the gap."""
    loss = future.loss
    taken = f"{loss.least_mm:.2f} to {loss.most_mm:.2f} mm"
    return f"film still to come takes {taken} from the gap, taken as {loss.loss_mm:.2f} mm"


def set_now_line(future: FinishForecast) -> str:
    """The gap to set now, and the limits within which the film cannot spoil it."""
    lo, hi, now = future.set_lower_mm, future.set_upper_mm, future.set_now_mm
    if not (lo <= hi).all():
        return "gap to set now: none is sure, because the doubt about the film is larger than the tolerance"
    if float(now.max() - now.min()) < 0.005:
        what, where = format_both(now[0]), ""
    else:
        what, where = f"{format_both(now[0])} at the start to {format_both(now[-1])} at the end", " at the start"
    safe = f"between {lo[0]:.2f} and {hi[0]:.2f} mm{where}"
    return f"gap to set now: {what}; {safe} the finished gap is in tolerance whatever the film does within its range"


def chip_lines(future: FinishForecast) -> list[str]:
    """Where finished edges may chip."""
    if not math.isfinite(future.chip_limit_mm):
        return ["chipping: not judged, because no smallest finished gap was stated"]
    limit = format_both(future.chip_limit_mm)
    if not future.chip_spans:
        return [f"chipping: every finished gap is proven above {limit}"]
    return [
        f"chipping, {x.from_mm:.0f} to {x.to_mm:.0f} mm: {x.state}, smallest finished gap {format_both(x.worst_mm)} "
        f"at {x.worst_at_mm:.0f} mm, limit {limit}"
        for x in future.chip_spans
    ]
