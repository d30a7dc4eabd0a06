"""Correction plans as JSON (``gapvision-plan/1``): all that the template, the records and other programs need."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Annotated, Any

import msgspec
from msgspec import Meta, field

from gapvision import __version__, words
from gapvision.errors import GapvisionError
from gapvision.formats.declared import Loose, Refused, place, read_declared, read_json
from gapvision.formats.judgement_json import forecast_to_dict, number, verdict_to_dict
from gapvision.formats.specification_file import specification_to_table
from gapvision.judgement.template import TemplateDrawing, drawings_of_plan
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
        "rule": {"name": plan.panel.rule.name, "words": words.rule(plan.panel.rule)},
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
    table: dict[str, Any] = _rounded(msgspec.to_builtins(drawing))
    return table


def _rounded(value: Any) -> Any:
    if isinstance(value, dict):
        return {k: _rounded(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(v) for v in value]
    return round(value, 4) if isinstance(value, float) else value


# --- reading ------------------------------------------------------------------------

Number = Annotated[float, Meta(gt=-1e6, lt=1e6)]


class _Notice(Loose):
    message: str


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
    notices: tuple[_Notice, ...] = ()
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
    if plan.schema != SCHEMA:
        raise GapvisionError("plan-file-bad", f"{place(where)} is not a plan of gapvision.")
    return plan


def read_plan(path: str | Path) -> PlanFile:
    """Read a plan file; errors as :func:`plan_from_dict` and ``file-not-found``."""
    try:
        data = Path(path).read_bytes()
    except OSError:
        raise GapvisionError("file-not-found", f"'{path}' was not found or may not be read.") from None
    where = f"'{Path(path).name}'"
    return plan_from_dict(read_json(data, where, "plan-file-bad"), where)
