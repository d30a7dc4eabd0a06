"""Correction plans as text to read at a terminal."""

from __future__ import annotations

from gapvision import words
from gapvision.model import IN, CorrectionPlan, StretchPlan
from gapvision.reports.judgement_text import MARKS, wrap
from gapvision.words import MM


def plan_text(plan: CorrectionPlan) -> str:
    """The plan: steps in order, what each buys, the trim tables, notes and cautions."""
    lines = [f"{plan.panel.name}: plan"]
    lines += [wrap(f"{i}. {step}", "  ", "     ") for i, step in enumerate(words.steps(plan, MM), 1)]
    lines += [
        "",
        "  what each step buys (largest excess: how far the worst station lies beyond its limit, U not counted)",
    ]
    lines.append(wrap("Limits at each stage are for the finished gap plus the film still to come."))
    lines.append(wrap(f"Rule: {words.rule(plan.panel.rule)}."))
    for stretch in plan.stretches:
        lines += ["", *_stretch_lines(stretch)]
    lines += ["", *_move_lines(plan)]
    for stretch in plan.stretches:
        if stretch.trim.needed:
            lines += ["", *_trim_lines(stretch)]
    lines += _finish_lines(plan)
    lines += ["", *(wrap(words.notice_line(n, MM)) for n in plan.notices)]
    lines += ["", "  cautions", *(wrap(words.CAUTIONS[c], "  - ", "    ") for c in plan.cautions)]
    return "\n".join(lines) + "\n"


def _stretch_lines(stretch: StretchPlan) -> list[str]:
    lines = [
        f"  {stretch.seam} ({stretch.photo}{', photo with warnings' if stretch.stages[0].verdict.doubtful else ''})",
        "    stage             gap from    to      excess   in   out  not proven  verdict",
    ]
    for p in stretch.stages:
        v = p.verdict
        excess = v.worst.excess_mm if v.worst is not None else 0.0
        lines.append(
            f"  {MARKS[v.state]} {p.stage:<16} {v.gap_mm.min():6.2f} {v.gap_mm.max():6.2f} mm {excess:+6.2f} "
            f"{v.in_mm:5.0f} {v.out_mm:5.0f} "
            f"{v.open_mm:8.0f}    {v.state}"
        )
        lines += [wrap(words.check(c, MM), "        ", "        ") for c in v.checks if c.state != IN]
    return lines


def _move_lines(plan: CorrectionPlan) -> list[str]:
    m = plan.move
    lines = ["  move"]
    for p in m.points:
        lines.append(wrap(f"{p.name} ({p.kind}): {words.point_move(p, plan.panel.words, MM)}", "    ", "      "))
    lines.append(
        wrap(
            f"largest excess over the limits aimed at: {m.excess_before_mm:+.2f} mm before, "
            f"{m.excess_after_mm:+.2f} mm after (zero or less: all inside)",
            "    ",
        )
    )
    if m.turn_error_mm > 0.02:
        lines.append(
            wrap(f"the turn is large: it is exact to {m.turn_error_mm:.2f} mm only; measure again after it", "    ")
        )
    return lines


def _trim_lines(stretch: StretchPlan) -> list[str]:
    t = stretch.trim
    lines = [f"  new edge at {stretch.seam} ({stretch.photo}), {words.trim_total(t, MM)}"]
    lines += [f"    {words.trim_span(span, MM)}" for span in t.spans]
    lines.append("       at    gap now   new gap   action")
    for r in t.rows:
        lines.append(f"    {r.s_mm:6.0f} {r.gap_mm:8.2f} {r.new_gap_mm:9.2f}   {words.trim_row(r, MM)}")
    return lines


def _finish_lines(plan: CorrectionPlan) -> list[str]:
    """Film, gap to set now and chipping, seam by seam; what they share once."""
    lines: list[str] = []
    for stretch in plan.stretches:
        if stretch.finish is None:
            continue
        film, set_now, *chipping = words.forecast(stretch.finish, MM)
        if not lines:
            lines = ["", "  paint", wrap(film, "    ", "      ")]
        lines.append(wrap(f"{stretch.seam} ({stretch.photo}): {set_now}", "    ", "      "))
        lines += [wrap(x, "      ", "        ") for x in chipping]
    if lines:
        lines.append(wrap(words.DATA_SHEET, "    "))
    return lines
