"""The hang list of a whole car on paper: its outline now and after, each panel in the order of the work."""

from __future__ import annotations

import io
from collections.abc import Iterator
from typing import Any

from reportlab.lib.units import mm
from reportlab.platypus import Image, KeepTogether, SimpleDocTemplate, Spacer

from gapvision import words
from gapvision.model import CarPlan, seam_state
from gapvision.reports.car_outline import draw_car
from gapvision.reports.evidence_style import MARGIN, PAPERS, para
from gapvision.reports.figures import figure_bytes
from gapvision.words import MM, Lengths


def car_paper(plan: CarPlan, say: Lengths = MM, paper: str = "a4") -> bytes:
    """Write the hang list as a PDF; the same plan gives the same bytes.

    Parameters
    ----------
    plan : CarPlan
        The plan.
    say : Lengths
        The unit.
    paper : str
        ``a4`` or ``letter``.
    """
    buffer = io.BytesIO()
    page = PAPERS[paper]
    margins = {f"{side}Margin": MARGIN for side in ("left", "right", "top", "bottom")}
    document = SimpleDocTemplate(buffer, pagesize=page, title=f"Hang list: {plan.measured.car.name}", **margins,
                                 invariant=1)  # fmt: skip
    document.build(list(_story(plan, say, page[0] - 2 * MARGIN)))
    return buffer.getvalue()


def _story(plan: CarPlan, say: Lengths, room: float) -> Iterator[Any]:
    car = plan.measured.car
    yield para(f"Hang list: {car.name}", "title")
    yield para(words.car_words(plan, say), "answer")
    for told in plan.notices:
        yield para(words.notice_line(told, say))
    yield Spacer(1, 2 * mm)
    for title, stage in (("as measured", plan.before), ("after the plan", plan.after)):
        states = {name: seam_state(x) for name, x in stage.items()}
        picture = figure_bytes(draw_car(car, states, f"{car.name}, {title}"), "png", 130)
        yield Image(io.BytesIO(picture), 0.86 * room, 0.62 * room)
    yield para("Beware", "h2")
    yield from (para(words.CAUTIONS[key]) for key in plan.cautions)
    for number, step in enumerate(plan.steps, 1):
        lines = [para(f"{number}. {step.panel}", "h2"), *(para(f"- {x}") for x in words.hang_step(step, say))]
        yield KeepTogether(lines)
    if plan.edges:
        yield para("Then the edges", "h2")
        yield from (para(f"- {words.edge_work(e, say)}") for e in plan.edges)
        yield from (para(x, "quiet") for x in words.edge_remedies(plan.edges))
    if plan.pairs:
        yield para("Left against right, largest difference now and after", "h2")
        for name, now, then in plan.pairs:
            values = [f"{say.small(c.value, signed=True)} {c.state}" for c in (now, then)]
            yield para(f"- {name}: {'; '.join(values)}")
