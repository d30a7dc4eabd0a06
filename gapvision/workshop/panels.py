"""Panels of a job: their files, and what the newest plan does at a seam."""

from __future__ import annotations

from contextlib import suppress
from typing import Any

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.formats.declared import read_declared
from gapvision.formats.job_file import NO_PLANS, PANEL_SCHEMA
from gapvision.formats.panel_file import layout_from_table
from gapvision.formats.plan_json import PlanFile
from gapvision.formats.toml import toml_from_text
from gapvision.judgement.template import TemplateDrawing
from gapvision.records import MeasurementLine, Seam, Store
from gapvision.workshop.car import needed_car


def panels_of(store: Store, job_id: int) -> dict[str, dict[str, Any]]:
    """Give the panel files kept with a job (see :func:`set_panel`): by the panel's name, the newest of each."""
    return {p.panel: p.body for p in store.plans(job_id) if p.body.get("schema") == PANEL_SCHEMA}


def panels_beside(store: Store, seam: Seam) -> dict[str, str]:
    """What the job calls the panels of edges ``A`` and ``B`` in a seam's photos, as far as a person said so.

    By the car file where it tells ``panel_edge`` itself, or a panel's file.  Else, under an empty key, a sentence about
    which panels the seam belongs to, if the job knows any.
    """
    title, other = seam.full_name, {"A": "B", "B": "A"}
    with suppress(GapvisionError):  # no car, or one that cannot be read, which the page tells
        kept, car = needed_car(store, seam.job_id)
        for s in car.seams:
            if title in (s.name, s.other_name):
                said: str = kept.places[s.name].edge if s.name in kept.places else ""
                own = toml_from_text(kept.file, "the job's car").get("seams", ())
                said = said or next((x["panel_edge"] for x in own if x.get("name") == s.name and "panel_edge" in x), "")
                if said in other:
                    return {said: s.one, other[said]: s.other}
                return {"": f"The seam lies between {s.one} and {s.other}."}
    known = dict[str, str]()
    for panel, body in panels_of(store, seam.job_id).items():
        for own in body.get("photos", {}).values():
            if own.get("edge") in other and any(photo.get("seam") == title for photo in own.get("photos", ())):
                known[own["edge"]] = panel
    if not known and seam.panel_id is not None:
        own_panel = next((p for p in store.panels(seam.job_id) if p.panel_id == seam.panel_id), None)
        return {} if own_panel is None else {"": f"It is a seam of the {own_panel.full_name}."}
    return known


def set_panel(store: Store, job_id: int, text: str, photos: dict[str, Any]) -> str:
    """Keep a panel file with a job; return the panel's name.  Errors as :func:`layout_from_table`.

    Parameters
    ----------
    text : str
        The file, which stands alone.
    photos : dict
        By the name of each of its seams: ``edge``, and ``photos``, each with ``seam`` (one of the job),
        ``at_mm`` and ``reverse``.
    """
    name = layout_from_table(toml_from_text(text, "the panel file")).name
    store.add_plan(job_id, name, {"schema": PANEL_SCHEMA, "file": text, "photos": photos})
    return name


def planned(
    store: Store, seam: Seam, line: MeasurementLine
) -> tuple[tuple[str, ...], tuple[TemplateDrawing, ...]]:
    """What the job's newest plan does at a seam, in short: moves, then its edge; and that edge's template.

    Both are empty once it was measured since.

    A plan speaks of the seam where its panel's file, kept with the job, lays a photo of it.
    """
    panels, title = panels_of(store, seam.job_id), seam.full_name
    for p in reversed([p for p in store.plans(seam.job_id) if p.body.get("schema") not in NO_PLANS]):
        laid = panels.get(p.panel, {}).get("photos", {})
        names = [name for name, own in laid.items() if title in (photo.get("seam") for photo in own.get("photos", ()))]
        if not names:
            continue
        if p.made_at < line.made_at:
            return (), ()
        plan = read_declared(PlanFile, p.body, f"the plan of {p.panel}", "plan-file-bad")
        moves = [f"{words.first_up(x.name)}: {x.words}" for x in plan.move.points if x.words[:1].isdigit()]
        at = tuple(f"at the {name} seam (" for name in names)
        edges = [step.partition("): ")[2] for step in plan.steps if any(told in step for told in at)]
        told = (*moves, *(f"Edge of the {p.panel}: {told.rstrip('.')}" for told in edges))
        return told, tuple(d for d in plan.templates if d.seam in names)
    return (), ()
