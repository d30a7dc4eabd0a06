"""Verdicts as text to read at a terminal."""

from __future__ import annotations

import textwrap

from gapvision import words
from gapvision.model import HOLE, IN, OPEN, OUT, FinishForecast, Span, Verdict
from gapvision.words import MM

WIDTH = 78
#: A mark beside the words, so that a row is found at a glance without colour.
MARKS = {IN: "+", OUT: "X", HOLE: ".", OPEN: "?"}


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
    lines = [f"{title + ': ' if title else ''}{verdict.state.upper()}", wrap(words.verdict_sentence(verdict, MM))]
    lines += _reasons(verdict)
    if verdict.worst is not None:
        excess = verdict.worst.excess_mm
        beyond = f"{MM.small(abs(excess))} {'beyond' if excess > 0 else 'inside'} its limit"
        lines.append(wrap(f"worst station: {words.worst(verdict.worst, MM)}, {beyond}"))
    lines.append(
        wrap(
            f"lengths: in tolerance {verdict.in_mm:.0f} mm, out {verdict.out_mm:.0f} mm, not proven "
            f"{verdict.open_mm:.0f} mm, "
            f"not measured {verdict.hole_mm:.0f} mm"
        )
    )
    lines += ["", "  from     to      state                worst gap", *(_span_row(x) for x in verdict.spans)]
    if verdict.checks:
        lines += ["", "  checks of the seam as a whole"]
        lines += [wrap(words.check(c, MM), f"{MARKS[c.state]} ", "    ") for c in verdict.checks]
    status = "warn" if verdict.doubtful else "ok"
    lines += ["", f"  photo: {words.STATUS[status]}", *(wrap(words.notice_line(n, MM)) for n in verdict.notices)]
    return "\n".join(lines) + "\n"


def _reasons(verdict: Verdict) -> list[str]:
    return [wrap(r, "  - ", "    ") for r in words.reasons(verdict.reasons, verdict.checks, MM)]


def _span_row(span: Span) -> str:
    side = words.span_state(span) if span.state == OUT else f"{span.side} side"
    state = f"{span.state}, {side}" if span.side else span.state
    worst = "" if span.state == HOLE else f"{MM.gap(span.worst_mm)} at {span.worst_at_mm:.0f} mm"
    start, stop = span.whole_mm
    return f"{MARKS[span.state]} {start:6d} {stop:6d}  {state:<28} {worst}".rstrip()


def forecast_text(future: FinishForecast) -> str:
    """The finished gap, what the film takes, where edges may chip, and the gap to set now."""
    gap = future.gap_mm
    lines = [f"after paint: {future.verdict.state.upper()}", wrap(words.verdict_sentence(future.verdict, MM))]
    lines += _reasons(future.verdict)
    lines.append(wrap(f"Finished gap {MM.small_range(gap.min(), gap.max())}."))
    lines += [wrap(x) for x in words.forecast(future, MM)]
    lines += [wrap(words.notice_line(n, MM)) for n in future.notices]
    lines.append(wrap(words.DATA_SHEET))
    return "\n".join(lines) + "\n"
