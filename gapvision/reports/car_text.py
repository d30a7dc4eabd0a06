"""A car's state and its hang list as text to read at a terminal."""

from __future__ import annotations

from collections.abc import Mapping

from gapvision import words
from gapvision.model import Car, CarPlan, StagePrediction, seam_state
from gapvision.reports.terminal import MARKS, notice_lines, wrap
from gapvision.words import MM, Lengths


def car_text(car: Car, judged: Mapping[str, tuple[StagePrediction, ...]], say: Lengths = MM) -> str:
    """Each seam of a car with its state and worst gap, under both its names."""
    lines = [f"{car.name}: {len(car.seams)} seams, {len(car.hang_order)} panels that move"]
    for seam in car.seams:
        stretches = judged.get(seam.name, ())
        state = seam_state(stretches)
        one, told = max((x.verdict for x in stretches), key=lambda v: v.rank, default=None), ""
        if one is not None and one.by_form is not None:
            told = f", {words.check_briefly(one.by_form, say)}"
        elif one is not None and one.worst is not None:
            told = f", worst {say.gap_alone(one.worst.worst_mm)} at {say.place(one.worst.worst_at_mm)}"
        lines.append(wrap(f"{MARKS[state]} {seam.name} ({seam.other_name}): {state}{told}", "  ", "      "))
    return "\n".join(lines) + "\n"


def car_plan_text(plan: CarPlan, say: Lengths = MM) -> str:
    """The hang list: the answer, each panel in the order of the work, whose edge to change, what to beware of."""
    car = plan.measured.car
    lines = [f"{car.name}: what to do, in order", wrap(words.car_words(plan, say))]
    lines += notice_lines(plan.notices, say)
    if plan.adjustments:
        lines.append(wrap(words.car_chance(plan)))
    for number, step in enumerate(plan.steps, 1):
        lines += ["", f"{number}. {step.panel}"]
        lines += [wrap(sentence, "   - ", "     ") for sentence in words.hang_step(step, say)]
    if plan.edges:
        lines += ["", "Then the edges"]
        lines += [wrap(words.edge_work(e, say), "   - ", "     ") for e in plan.edges]
        lines += [wrap(x, "     ", "     ") for x in words.edge_remedies(plan.edges)]
    if plan.pairs:
        lines += ["", "Left against right, largest difference now and after"]
        for name, now, then in plan.pairs:
            values = [f"{say.small(c.value, signed=True)} {c.state}" for c in (now, then)]
            lines.append(wrap(f"{MARKS[then.state]} {name}: {'; '.join(values)}", "  ", "      "))
    lines += ["", "Beware"]
    lines += [wrap(words.CAUTIONS[key], "   - ", "     ") for key in plan.cautions]
    return "\n".join(lines) + "\n"
