"""Results as text to read at a terminal: the answer first, tables for who asks for them."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable

import numpy as np

from gapvision import words
from gapvision.judgement import cautions_for, taper_u
from gapvision.model import HOLE, IN, OPEN, OUT, EdgeAlone, GapProfile, Measurement, Notice, Span, Verdict
from gapvision.model.finish import FinishForecast
from gapvision.model.plan import CorrectionPlan, EdgePlan, StretchPlan
from gapvision.words import MM, Lengths

WIDTH = 78
#: A mark beside the words, so that a row is found at a glance without colour.
MARKS = {IN: "+", OUT: "X", HOLE: ".", OPEN: "?"}
_STEP_MM = 10.0


def describe(
    measurement: Measurement, verdict: Verdict | None = None, say: Lengths = MM, *, table: bool = False
) -> str:
    """Everything a person wants to read first, ending in a newline.

    Parameters
    ----------
    measurement : Measurement
        Measured or refused.
    verdict : Verdict, optional
        The decision by one wanted gap.
    say : Lengths
        The unit.
    table : bool
        With every figure, and a station every 10 mm.
    """
    profile, title = measurement.profile, words.photo_names(measurement)
    if verdict is not None:
        told = verdict_text(verdict, title, say, table=table)
    else:
        lines = [f"{title}: {words.STATUS[measurement.status]}"]
        if profile is not None and len(profile.s_mm):
            lines.append(wrap(words.as_measured(measurement, say)))
        told = "\n".join([*lines, *notice_lines(measurement.notices, say)]) + "\n"
    if table and profile is not None and len(profile.s_mm):
        told += "\n".join(["", *_summary(measurement, say), "", *_stations(profile, say)]) + "\n"
    return told


def describe_edge(measured: EdgeAlone, say: Lengths = MM) -> str:
    """What a person wants to read of one edge alone, ending in a newline."""
    lines = [f"{measured.photo.file}: {words.STATUS[measured.status]}"]
    if told := words.edge_line(measured, say):
        lines.append(wrap(told))
    return "\n".join([*lines, *notice_lines(measured.notices, say)]) + "\n"


def _summary(m: Measurement, say: Lengths) -> list[str]:
    rows = [*words.numbers(m, say, taper_u(m)), ("form of edge A", words.form(m.straightness_a, say))]
    rows.append(("form of edge B", words.form(m.straightness_b, say)))
    if m.scale is not None:
        seen = f"strips {', '.join(m.scale.strips)} from {say.place(m.scale.distance_mm)}, "
        seen += f"{m.scale.tilt_across_deg:+.0f} degrees across the seam, {m.scale.px_per_mm:.1f} px per mm"
        rows += [("seen", seen), ("print scale", words.print_scale(m))]
    return [f"{name:<16}{value}" for name, value in rows]


def _stations(p: GapProfile, say: Lengths) -> list[str]:
    """A station every 10 mm: place, gap in both systems, U."""
    lines = [f"{'station':>9}  {'gap':<22} U"]
    for station in np.arange(np.ceil(p.s_mm[0] / _STEP_MM) * _STEP_MM, p.s_mm[-1] + 1e-6, _STEP_MM):
        k = int(np.argmin(np.abs(p.s_mm - station)))
        hole = abs(p.s_mm[k] - station) > p.spacing_mm
        gap, u = ("-", "-") if hole else (say.gap(float(p.gap_mm[k])), say.small(float(p.expanded_u_mm[k])))
        lines.append(f"{say.place(float(station)):>9}  {gap:<22} {u}")
    return lines


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
    finished = f"Finished gap {say.small_range(future.gap_mm.min(), future.gap_mm.max())}."
    told = [words.answer(future.verdict, say), finished, *words.forecast(future, say)]
    notices = [words.notice_line(n, say) for n in future.notices]
    lines = [f"after paint: {future.verdict.state.upper()}", *map(wrap, [*told, *notices, words.DATA_SHEET])]
    return "\n".join(lines) + "\n"


def plan_text(plan: CorrectionPlan, say: Lengths = MM) -> str:
    """The plan: steps in order, what each buys, the trim tables, notes and cautions."""
    lines = [f"{plan.panel.name}: plan"]
    first = [n for n in plan.notices if n.code == "seams-not-measured"]
    lines += [wrap(" ".join(words.notice(n, say)), "  ", "  ") for n in first]
    lines += [wrap(f"{i}. {step}", "  ", "     ") for i, step in enumerate(words.steps(plan, say), 1)]
    lines.append(wrap(words.chance(plan), "  ", "  "))
    heading = "  what each step buys (largest excess: how far the worst station lies beyond its limit, U not counted)"
    lines += ["", heading, wrap("Limits at each stage are for the finished gap plus the film still to come.")]
    lines.append(wrap(f"Rule: {words.rule(plan.panel.rule)}."))
    for stretch in plan.stretches:
        lines += ["", *_stretch_lines(stretch, say)]
    lines += ["", *_move_lines(plan, say)]
    for stretch in plan.stretches:
        if stretch.trim.needed:
            lines += ["", *_trim_lines(stretch, say)]
    lines += _finish_lines(plan, say)
    lines += ["", *(wrap(words.notice_line(n, say)) for n in plan.notices if n not in first)]
    lines += ["", "  cautions", *(wrap(words.CAUTIONS[c], "  - ", "    ") for c in plan.cautions)]
    return "\n".join(lines) + "\n"


def edge_plan_text(now: Verdict, plan: EdgePlan, say: Lengths = MM) -> str:
    """What to do to one edge of a seam, how it stands then, notes and cautions."""
    t = plan.stretch.trim
    told = f"As it stands: {now.state}. After this work: {plan.verdict.state}."
    told += "" if plan.future is None else f" After paint: {plan.future.verdict.state}."
    lines = [wrap(line) for line in (*words.work_card_of(plan, say), told)]
    if t.needed:
        lines += _trim_lines(plan.stretch, say)
    lines += [*notice_lines(t.notices, say), "  cautions"]
    keys = cautions_for(moves=False, cuts=t.cut_mm > 0, adds=t.add_mm > 0, paints=plan.future is not None)
    return "\n".join([*lines, *(wrap(words.CAUTIONS[c], "  - ", "    ") for c in keys)]) + "\n"


def _stretch_lines(stretch: StretchPlan, say: Lengths) -> list[str]:
    lines = [
        f"  {stretch.seam} ({stretch.photo}{', photo with warnings' if stretch.stages[0].verdict.doubtful else ''})",
        "    stage             gap from        to     excess        in       out  not proven  verdict",
    ]
    for p in stretch.stages:
        v = p.verdict
        excess = v.worst.excess_mm if v.worst is not None else 0.0
        lines.append(
            f"  {MARKS[v.state]} {p.stage:<16}{say.gap_alone(v.gap_mm.min()):>10}{say.gap_alone(v.gap_mm.max()):>10} "
            f"{say.small(excess, signed=True, alone=True):>10} {say.place(v.in_mm):>9} {say.place(v.out_mm):>9}"
            f" {say.place(v.open_mm):>11}  {v.state}"
        )
        lines += [wrap(words.check(c, say), "        ", "        ") for c in v.checks if c.state != IN]
    return lines


def _move_lines(plan: CorrectionPlan, say: Lengths) -> list[str]:
    m, lines = plan.move, ["  move"]
    for p in m.points:
        lines.append(wrap(f"{p.name} ({p.kind}): {words.point_move(p, plan.panel.words, say)}", "    ", "      "))
    before, after = (say.small(x, signed=True) for x in (m.excess_before_mm, m.excess_after_mm))
    told = f"{before} before, {after} after (zero or less: all inside)"
    lines.append(wrap(f"largest excess over the limits aimed at: {told}", "    "))
    if m.turn_error_mm > 0.02:
        told = f"the turn is large: it is exact to {say.small(m.turn_error_mm)} only; measure again after it"
        lines.append(wrap(told, "    "))
    return lines


def _trim_lines(stretch: StretchPlan, say: Lengths) -> list[str]:
    t = stretch.trim
    lines = [f"  new edge at {stretch.seam} ({stretch.photo}), {words.trim_total(t, say)}"]
    lines += [wrap(words.trim_span(span, say), "    ", "      ") for span in t.spans]
    lines += [wrap(x, "    ", "      ") for x in words.remedies(t)]
    wide = 10 if say.unit == "mm" else 16  # 13/64 in scant
    lines.append(f"          at{'gap now':>{wide}}{'new gap':>{wide}}   action")
    for r in t.rows:
        gaps = f"{say.gap_alone(r.gap_mm):>{wide}}{say.gap_alone(r.new_gap_mm):>{wide}}"
        lines.append(f"  {say.place(r.s_mm):>10}{gaps}   {words.trim_row(r, t.edge, say)}")
    return lines


def _finish_lines(plan: CorrectionPlan, say: Lengths) -> list[str]:
    """Film, gap to set now and chipping, seam by seam; what they share once."""
    lines: list[str] = []
    for stretch in plan.stretches:
        if stretch.finish is None:
            continue
        film, set_now, *chipping = words.forecast(stretch.finish, say)
        if not lines:
            lines = ["", "  paint", wrap(film, "    ", "      ")]
        lines.append(wrap(f"{stretch.seam} ({stretch.photo}): {set_now}", "    ", "      "))
        lines += [wrap(x, "      ", "        ") for x in chipping]
    if lines:
        lines.append(wrap(words.DATA_SHEET, "    "))
    return lines
