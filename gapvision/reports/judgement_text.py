"""Verdicts as text to read at a terminal."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

from gapvision import words
from gapvision.model import HOLE, IN, OPEN, OUT, FinishForecast, Notice, Span, Verdict
from gapvision.words import MM, Lengths

WIDTH = 78
#: A mark beside the words, so that a row is found at a glance without colour.
MARKS = {IN: "+", OUT: "X", HOLE: ".", OPEN: "?"}


def wrap(text: str, first: str = "  ", rest: str = "  ") -> str:
    """Fold a sentence to the terminal's width."""
    return textwrap.fill(
        text, WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False, break_on_hyphens=False
    )


def verdict_text(verdict: Verdict, title: str = "", say: Lengths = MM, *, table: bool = False) -> str:
    """The answer, by what it was judged, and what the photo's notices say; each fault once.

    Parameters
    ----------
    verdict : Verdict
        The decision.
    title : str
        What was judged.
    say : Lengths
        The unit.
    table : bool
        Every span and every limit on the seam as a whole, too.
    """
    lines = [f"{title + ': ' if title else ''}{verdict.state.upper()}", wrap(words.answer(verdict, say))]
    lines.append(wrap(words.basis(verdict, say)))
    if table:
        lines += ["", "  from     to      state                worst gap"]
        lines += [_span_row(x, say) for x in verdict.spans]
        if verdict.checks:
            lines += ["", "  limits on the seam as a whole"]
            lines += [wrap(words.check(c, say), f"{MARKS[c.state]} ", "    ") for c in verdict.checks]
        lines.append("")
    return "\n".join([*lines, *notice_lines(verdict.notices, say)]) + "\n"


def notice_lines(notices: Iterable[Notice], say: Lengths) -> list[str]:
    """Warnings and notes, each with what to do."""
    return [wrap(words.notice_line(n, say)) for n in notices]


def _span_row(span: Span, say: Lengths) -> str:
    side = words.span_state(span) if span.state == OUT else f"{span.side} side"
    state = f"{span.state}, {side}" if span.side else span.state
    worst = words.worst(span, say)
    start, stop = span.whole_mm
    return f"{MARKS[span.state]} {start:6d} {stop:6d}  {state:<28} {worst}".rstrip()


def forecast_text(future: FinishForecast, say: Lengths = MM) -> str:
    """The finished gap, what the film takes, where edges may chip, and the gap to set now."""
    gap = future.gap_mm
    lines = [f"after paint: {future.verdict.state.upper()}", wrap(words.answer(future.verdict, say))]
    lines.append(wrap(f"Finished gap {say.small_range(gap.min(), gap.max())}."))
    lines += [wrap(x) for x in words.forecast(future, say)]
    lines += notice_lines(future.notices, say)
    lines.append(wrap(words.DATA_SHEET))
    return "\n".join(lines) + "\n"
