"""Correction plans as text to read at a terminal."""

from __future__ import annotations

from gapvision import words
from gapvision.model import IN, CorrectionPlan, StretchPlan
from gapvision.reports.judgement_text import MARKS, wrap
from gapvision.words import MM, Lengths


def plan_text(plan: CorrectionPlan, say: Lengths = MM) -> str:
    """The plan: steps in order, what each buys, the trim tables, notes and cautions."""
    lines = [f"{plan.panel.name}: plan"]
    first = [n for n in plan.notices if n.code == "seams-not-measured"]
    lines += [wrap(" ".join(words.notice(n, say)), "  ", "  ") for n in first]
    lines += [wrap(f"{i}. {step}", "  ", "     ") for i, step in enumerate(words.steps(plan, say), 1)]
    lines += [
        "",
        "  what each step buys (largest excess: how far the worst station lies beyond its limit, U not counted)",
    ]
    lines.append(wrap("Limits at each stage are for the finished gap plus the film still to come."))
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
            f"{say.small(excess, signed=True, alone=True):>10}{say.place(v.in_mm):>10}{say.place(v.out_mm):>10}"
            f"{say.place(v.open_mm):>12}  {v.state}"
        )
        lines += [wrap(words.check(c, say), "        ", "        ") for c in v.checks if c.state != IN]
    return lines


def _move_lines(plan: CorrectionPlan, say: Lengths) -> list[str]:
    m = plan.move
    lines = ["  move"]
    for p in m.points:
        lines.append(wrap(f"{p.name} ({p.kind}): {words.point_move(p, plan.panel.words, say)}", "    ", "      "))
    lines.append(
        wrap(
            f"largest excess over the limits aimed at: {say.small(m.excess_before_mm, signed=True)} before, "
            f"{say.small(m.excess_after_mm, signed=True)} after (zero or less: all inside)",
            "    ",
        )
    )
    if m.turn_error_mm > 0.02:
        lines.append(
            wrap(f"the turn is large: it is exact to {say.small(m.turn_error_mm)} only; measure again after it", "    ")
        )
    return lines


def _trim_lines(stretch: StretchPlan, say: Lengths) -> list[str]:
    t = stretch.trim
    lines = [f"  new edge at {stretch.seam} ({stretch.photo}), {words.trim_total(t, say)}"]
    lines += [f"    {words.trim_span(span, say)}" for span in t.spans]
    lines.append("          at   gap now   new gap   action")
    for r in t.rows:
        gaps = f"{say.gap_alone(r.gap_mm):>10}{say.gap_alone(r.new_gap_mm):>10}"
        lines.append(f"  {say.place(r.s_mm):>10}{gaps}   {words.trim_row(r, say)}")
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
