"""Correction plans as JSON (``gapvision-plan/1``): all that the template, the records and other programs need."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any

from msgspec import Meta, field

from gapvision import __version__, words
from gapvision.errors import require
from gapvision.formats.declared import Loose, Refused, place, plain_data, read_declared, read_file, read_json
from gapvision.formats.judgement_json import forecast_to_dict, record, verdict_to_dict
from gapvision.formats.specification_file import specification_to_table
from gapvision.judgement.template import TemplateDrawing, drawings_of_plan
from gapvision.model import CorrectionPlan, StretchPlan

SCHEMA = "gapvision-plan/1"


def plan_to_dict(plan: CorrectionPlan) -> dict[str, Any]:
    """Put a plan into its file's form."""
    m, move = plan.move, plan.move.move
    return {
        "schema": SCHEMA,
        "written_by": f"gapvision {__version__}",
        "panel": plan.panel.name,
        "shape": plan.panel.shape or None,
        "rule": {"name": plan.panel.rule.name, "words": words.rule(plan.panel.rule)},
        "states": plan.states,
        "probability": round(plan.passes, 3),
        "steps": words.steps(plan, words.MM),
        "move": record(
            {
                "x_mm": move.x_mm,
                "y_mm": move.y_mm,
                "out_mm": move.out_mm,
                "tilt_x_mm_per_m": 1000 * move.tilt_x_rad,
                "tilt_y_mm_per_m": 1000 * move.tilt_y_rad,
                "centre_mm": plan.panel.centre,
                "excess_before_mm": m.excess_before_mm,
                "excess_after_mm": m.excess_after_mm,
                "flush_excess_before_mm": m.step_before_mm,
                "flush_excess_after_mm": m.step_after_mm,
                "points": [
                    {
                        "name": p.name,
                        "kind": p.kind,
                        "at_mm": p.xy,
                        "x_mm": p.x_mm,
                        "y_mm": p.y_mm,
                        "out_mm": p.out_mm,
                        "words": words.point_move(p, plan.panel.words, words.MM),
                    }
                    for p in m.points
                ],
            }
        )
        | {"turn_deg": plain_data(math.degrees(move.turn_rad), 6)},
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
            "edge": t.edge,
            "edge_stated": t.edge_stated,
            "remedies": words.remedies(t),
            "cut_mm": plain_data(t.cut_mm, 1),
            "build_up_mm": plain_data(t.add_mm, 1),
            "short_by_mm": record(t.short_by_mm),
            "short_spans": record(t.short_spans),
            "spans": record(t.spans),
            "table": record(t.rows),
        },
        "after_paint": None if stretch.finish is None else forecast_to_dict(stretch.finish),
    }


def drawing_to_dict(drawing: TemplateDrawing) -> dict[str, Any]:
    """Put a drawing into a plan file's form; lengths rounded to 1e-4 mm."""
    table: dict[str, Any] = record(drawing)
    return table


# --- reading ------------------------------------------------------------------------

Number = Annotated[float, Meta(gt=-1e6, lt=1e6)]


class ToldNotice(Loose):
    """A notice in words."""

    message: str
    advice: str
    code: str = ""


class _Point(Loose):
    name: str
    words: str = ""


class _Move(Loose):
    points: tuple[_Point, ...] = ()


class _Row(Loose):
    s_mm: Number | None = None
    gap_mm: Number | None = None
    new_gap_mm: Number | None = None
    remove_mm: Number | None = None


class _Trim(Loose):
    edge: str = "cut"
    table: tuple[_Row, ...] = ()


class _Stretch(Loose):
    seam: str
    trim: _Trim = field(default_factory=_Trim)


class PlanFile(Loose):
    """What is read back of a plan: its words, its tables, its templates."""

    schema: str = ""
    steps: tuple[str, ...] = ()
    move: _Move = field(default_factory=_Move)
    stretches: tuple[_Stretch, ...] = ()
    notices: tuple[ToldNotice, ...] = ()
    cautions: tuple[str, ...] = ()
    templates: tuple[TemplateDrawing, ...] = ()

    def check(self) -> None:
        """Refuse a template without an edge."""
        for k, drawing in enumerate(self.templates):
            if not any(drawing.present) or not all(math.isfinite(v) for v in drawing.bounds):
                raise Refused("The template has no edge.", path=f".templates[{k}]")


def plan_from_dict(content: Any, where: str = "the plan") -> PlanFile:
    """Read a plan back; the way back of :func:`plan_to_dict` for what :class:`PlanFile` holds.

    Raises
    ------
    GapvisionError
        ``plan-file-bad``.
    """
    plan = read_declared(PlanFile, content, where, "plan-file-bad")
    require("plan-file-bad", plan.schema == SCHEMA, f"{place(where)} is not a plan of gapvision.")
    return plan


def read_plan(path: str | Path) -> PlanFile:
    """Read a plan file; errors as :func:`plan_from_dict` and :func:`read_file`."""
    where = f"'{Path(path).name}'"
    return plan_from_dict(read_json(read_file(path), where, "plan-file-bad"), where)
