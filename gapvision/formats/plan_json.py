"""Correction plans as JSON (``gapvision-plan/1``): all that the template, the records and other programs need."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

from gapvision import __version__, words
from gapvision.errors import GapvisionError
from gapvision.formats.judgement_json import forecast_to_dict, number, verdict_to_dict
from gapvision.formats.specification_file import specification_to_table
from gapvision.judgement.template import Label, Line, TemplateDrawing, drawings_of_plan
from gapvision.model import CorrectionPlan, StretchPlan

SCHEMA = "gapvision-plan/1"


def plan_to_dict(plan: CorrectionPlan) -> dict[str, Any]:
    """Put a plan into its file's form."""
    m = plan.move
    return {
        "schema": SCHEMA,
        "written_by": f"gapvision {__version__}",
        "panel": plan.panel.name,
        "shape": plan.panel.shape or None,
        "rule": {"name": plan.panel.rule.name, "words": plan.panel.rule.words},
        "states": plan.states,
        "steps": words.steps(plan, words.MM),
        "move": {
            "x_mm": number(m.move.x_mm),
            "y_mm": number(m.move.y_mm),
            "turn_deg": number(m.move.turn_rad * 57.29577951308232, 6),
            "out_mm": number(m.move.out_mm),
            "tilt_x_mm_per_m": number(1000 * m.move.tilt_x_rad),
            "tilt_y_mm_per_m": number(1000 * m.move.tilt_y_rad),
            "centre_mm": list(plan.panel.centre),
            "excess_before_mm": number(m.excess_before_mm),
            "excess_after_mm": number(m.excess_after_mm),
            "flush_excess_before_mm": number(m.step_before_mm),
            "flush_excess_after_mm": number(m.step_after_mm),
            "points": [
                {
                    "name": p.name,
                    "kind": p.kind,
                    "at_mm": list(p.xy),
                    "x_mm": number(p.x_mm),
                    "y_mm": number(p.y_mm),
                    "out_mm": number(p.out_mm),
                    "words": words.point_move(p, plan.panel.words, words.MM),
                }
                for p in m.points
            ],
        },
        "stretches": [_stretch(plan, s) for s in plan.stretches],
        "notices": [words.notice_dict(n) for n in plan.notices],
        "cautions": [words.CAUTIONS[key] for key in plan.cautions],
        "templates": [drawing_to_dict(d) for d in drawings_of_plan(plan)],
    }


def _stretch(plan: CorrectionPlan, stretch: StretchPlan) -> dict[str, Any]:
    t = stretch.trim
    spec = next(s.spec for s in plan.panel.seams if s.name == stretch.seam)
    return {
        "seam": stretch.seam,
        "photo": stretch.photo,
        "specification": specification_to_table(spec),
        "stages": [{"stage": p.stage, **verdict_to_dict(p.verdict)} for p in stretch.stages],
        "trim": {
            "needed": t.needed,
            "line": t.kind,
            "cut_mm": number(t.cut_mm, 1),
            "build_up_mm": number(t.add_mm, 1),
            "short_by_mm": number(t.short_by_mm),
            "short_spans": [_span(x) for x in t.short_spans],
            "spans": [_span(x) for x in t.spans],
            "table": [
                {
                    "s_mm": number(r.s_mm),
                    "gap_mm": number(r.gap_mm),
                    "new_gap_mm": number(r.new_gap_mm),
                    "remove_mm": number(r.remove_mm),
                    "action": r.action,
                }
                for r in t.rows
            ],
        },
        "after_paint": None if stretch.finish is None else forecast_to_dict(stretch.finish),
    }


def _span(span: Any) -> dict[str, Any]:
    return {
        "action": span.action,
        "from_mm": number(span.from_mm),
        "to_mm": number(span.to_mm),
        "largest_mm": number(span.largest_mm),
        "largest_at_mm": number(span.largest_at_mm),
    }


def drawing_to_dict(drawing: TemplateDrawing) -> dict[str, Any]:
    """Put a drawing into a plan file's form; lengths rounded to 1e-4 mm."""

    def lines(group: Sequence[Line]) -> list[list[list[float]]]:
        return [[[round(a, 4), round(b, 4)] for a, b in line] for line in group]

    def words(group: Sequence[Label]) -> list[dict[str, Any]]:
        return [{"x": round(w.x, 4), "y": round(w.y, 4), "text": w.text} for w in group]

    d = drawing
    return {
        "seam": d.seam,
        "photo": d.photo,
        "panel": d.panel,
        "present": lines(d.present),
        "scribe": lines(d.scribe),
        "build_up": lines(d.build_up),
        "ticks": lines(d.ticks),
        "marks": words(d.marks),
        "labels": words(d.labels),
        "into_panel": d.into_panel,
    }


def drawing_from_dict(table: Any) -> TemplateDrawing:
    """Read a drawing back from a plan file.

    Raises
    ------
    GapvisionError
        ``plan-file-bad``.
    """

    def lines(key: str) -> tuple[Line, ...]:
        return tuple(tuple((float(a), float(b)) for a, b in line) for line in table[key])

    def words(key: str) -> tuple[Label, ...]:
        return tuple(Label(x=float(w["x"]), y=float(w["y"]), text=str(w["text"])) for w in table[key])

    try:
        drawing = TemplateDrawing(
            seam=str(table["seam"]),
            photo=str(table["photo"]),
            panel=str(table["panel"]),
            into_panel=float(table["into_panel"]),
            present=lines("present"),
            scribe=lines("scribe"),
            build_up=lines("build_up"),
            ticks=lines("ticks"),
            marks=words("marks"),
            labels=words("labels"),
        )
    except (KeyError, TypeError, ValueError):
        raise GapvisionError("plan-file-bad", "A template in the plan is not complete.") from None
    if not drawing.present or not all(math.isfinite(v) for v in drawing.bounds):
        raise GapvisionError("plan-file-bad", "A template in the plan has no edge.")
    return drawing
