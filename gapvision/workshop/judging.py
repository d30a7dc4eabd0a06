"""The verdict on a result that every view and paper shows, by what its job wants; the job's paint."""

from __future__ import annotations

from dataclasses import replace

from gapvision import model
from gapvision.errors import GapvisionError, require
from gapvision.formats.film_file import read_films
from gapvision.formats.finish_file import finish_from_table, finish_to_table
from gapvision.formats.job_file import FINISH_SCHEMA
from gapvision.formats.judgement_json import check_behind, forecast_to_dict, verdict_from_dict, verdict_to_dict
from gapvision.formats.specification_file import specification_from_table
from gapvision.judgement import after_paint, judge_measurement, reading_from_measurement, with_taken
from gapvision.model import Measurement
from gapvision.records import MeasurementLine, Seam, Store
from gapvision.workshop.measuring import stored


def wants_other(seam: Seam, spec: model.Specification) -> bool:
    """Whether a seam has a specification that asks for something else than this one; names and source do not count."""
    if seam.spec is None:
        return False
    try:
        kept = wanted_of_seam(seam)
        return replace(kept, name=spec.name, panel=spec.panel, side=spec.side, source=spec.source) != spec
    except GapvisionError:  # kept from another shop or an older program
        return True


def judge_line(store: Store, line: MeasurementLine, rule: model.DecisionRule | None = None) -> MeasurementLine:
    """Judge a result by its seam's specification and store the verdict; without one, do nothing.

    The rule is, if none is given, to accept only what is proven.
    """
    seam = store.seam(line.seam_id)
    verdict = None if line.status == "refused" else _judged(store, line, seam, rule)
    if verdict is None:
        return line
    spec = wanted_of_seam(seam)
    body = verdict_to_dict(verdict, spec, stations=False)
    coats = finish_of(store, seam.job_id)
    if coats is not None:
        body["forecast"] = forecast_to_dict(after_paint(verdict, spec, coats))
    store.add_verdict(line.measurement_id, decision=verdict.state, rule=verdict.rule.name, body=body)
    return store.line(line.measurement_id)


def verdict_of(
    store: Store, line: MeasurementLine, measurement: Measurement | None = None
) -> model.Verdict | None:
    """The decision about a result that every view and paper shows: the stored one, else by its seam's specification.

    ``measurement`` is the result itself, where it is at hand.  None when the seam has no specification either, or the
    photo was refused; ``stored-verdict-bad``, or what the specification raises.
    """
    if line.status == "refused":
        return None
    found = store.verdict(line.measurement_id)
    if found is not None:
        verdict = verdict_from_dict(found.body, measurement or stored(store, line))
        same = verdict.state == found.decision
        require("stored-verdict-bad", same, "The stored verdict contradicts itself.")
        return verdict
    return _judged(store, line, store.seam(line.seam_id), None)


def failed_check(store: Store, line: MeasurementLine) -> model.Check | None:
    """The check that a result's stored verdict rests on where its gap is good; its stations are not read."""
    found = None if line.verdict is None or line.verdict.decision == model.IN else store.verdict(line.measurement_id)
    return None if found is None else check_behind(found.body)


def other_side(store: Store, seam: Seam) -> MeasurementLine | None:
    """Find the latest result of the same seam on the other side of the car."""
    away = {"left": "right", "right": "left"}.get(seam.side)
    states = store.seam_states(seam.job_id) if away else []
    return next((x.latest for x in states if (x.seam.side, x.seam.name) == (away, seam.name)), None)


def _judged(
    store: Store, line: MeasurementLine, seam: Seam, rule: model.DecisionRule | None
) -> model.Verdict | None:
    if seam.spec is None:
        return None
    spec = wanted_of_seam(seam)
    if spec.needs_place:
        return None
    opposite = None if spec.opposite_mm is None else other_side(store, seam)
    other = None if opposite is None else reading_from_measurement(stored(store, opposite), seam.name)
    return judge_measurement(stored(store, line), spec, rule, opposite=other)


def wanted_of_seam(seam: Seam) -> model.Specification:
    """What is wanted of a seam of the records; refused where that cannot be read, or there is none."""
    return specification_from_table(seam.spec or {}, f"the specification of seam '{seam.name}'")


def finish_of(store: Store, job_id: int) -> model.FinishPlan | None:
    """The finish plan of a job (see :func:`set_finish`), with the shop's own films where its jobs agree; or None."""
    found = [p for p in store.plans(job_id) if p.body.get("schema") == FINISH_SCHEMA]
    return with_taken(finish_from_table(found[-1].body["finish"]), read_films(store.folder)) if found else None


def set_finish(store: Store, job_id: int, finish: model.FinishPlan) -> None:
    """Keep a finish plan with a job: verdicts made from now on carry the forecast after paint."""
    store.add_plan(job_id, "finish", {"schema": FINISH_SCHEMA, "finish": finish_to_table(finish)})
