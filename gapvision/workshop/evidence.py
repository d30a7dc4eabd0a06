"""Papers about a job or a visit: what its records hold, gathered for the reports."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import asdict
from datetime import date
from typing import Any

from gapvision import __version__, model, words
from gapvision.errors import GapvisionError, require
from gapvision.formats.declared import read_declared
from gapvision.formats.job_file import NO_PLANS
from gapvision.formats.plan_json import PlanFile
from gapvision.model import Measurement
from gapvision.records import TICKS, MeasurementLine, Note, Seam, Store
from gapvision.workshop.car import car_evidence
from gapvision.workshop.comparing import compare_lines
from gapvision.workshop.judging import finish_of, verdict_of, wanted_of_seam
from gapvision.workshop.measuring import photo_doubts, stored
from gapvision.workshop.panels import panels_beside

Progress = Callable[[int, int], None] | None


def evidence_report(
    store: Store, job_id: int, *, visit_id: int | None = None, paper: str | None = None, units: str | None = None,
    made_on: str | None = None, reader: str = "expert", progress: Progress = None,
) -> bytes:  # fmt: skip
    """Make a paper about a job, or about one visit, as PDF.

    Parameters
    ----------
    visit_id : int, optional
        Only what was measured then; else each seam's first and latest result are set side by side, the others listed.
    paper, units : str, optional
        Default: the shop's settings.
    reader : str
        Who it is for: ``customer``, ``paint-shop`` or ``expert``, who gets everything.

    Raises
    ------
    GapvisionError
        ``job-not-found``; ``measurement-not-found`` when there is nothing to show; ``stored-photo-changed``.
    """
    from gapvision.reports import evidence as ev

    job, visit = store.job(job_id), None if visit_id is None else store.visit(visit_id)
    everything = store.job_lines(job_id, visit_id)
    newest = [x for x in everything if x.newest]
    lines = [x for x in newest if x.status != "refused"]
    require("measurement-not-found", bool(lines), f"Job '{job.reference}' has nothing measured to report.")
    head = ev.Head(**asdict(store.shop()) | {k: v for k, v in (("paper", paper), ("units", units)) if v})
    results = [(s, [x for x in lines if x.seam_id == s.seam_id]) for s in store.seams(job_id)]
    names = {s.seam_id: s.full_name for s, _ in results}
    plans = [p for p in store.plans(job_id) if p.body.get("schema") not in NO_PLANS]
    since = _stored_at(everything)
    measured = [(s, own) for s, own in results if own]
    whole = reader == "expert" or len(measured) == 1
    seams = tuple(seam_evidence(store, s, own[0], own[-1], head.say, visit_id, whole=whole) for s, own in measured)
    numbers = {s.full_name: k for k, (s, _) in enumerate(results, 1)}
    labels = {s.seam_id: f"seam {numbers[s.full_name]}" if measured[1:] else s.full_name for s, _ in measured}
    files = _file_names(store, newest)
    left = {s.full_name: _why_not(store, s, newest) for s, own in results if not own}
    coats = None
    with suppress(GapvisionError):  # kept from another shop or an older program: the paper goes without
        coats = finish_of(store, job_id)
    whole_car = None
    if visit is None:
        with suppress(GapvisionError):  # likewise
            states = [(s.name, model.HOLE if s.after.verdict is None else s.after.verdict.state) for s in seams]
            whole_car = car_evidence(store, job_id, states, head.say)
    document = ev.Evidence(
        head=head,
        reference=job.reference, customer=job.customer, car=job.car,
        made_on=made_on or date.today().isoformat(),
        scope="all visits" if visit is None else f"the visit of {visit.on_date}: {visit.stage}",
        seams=seams,
        not_measured={k: why for k, why in left.items() if why or visit is None}, numbers=numbers,
        notes=tuple(filter(None, [job.notes, *(_signed(n) for n in store.notes(job_id))])),
        plans=tuple(plan_evidence(p.panel, p.body, head.say) for p in plans if visit is None),
        whole_car=whole_car,
        photos=tuple(
            ev.PhotoEntry(seam=names[x.seam_id], stage=x.visit.stage + (", refused" if x.status == "refused" else ""),
                          file_name=files.get((x.seam_id, p.original_sha256), p.file_name),
                          sha256=p.original_sha256, taken_at=p.taken_at or "", stored_at=since[x.shot_id])
            for x in newest for p in x.photos
        ),
        program=f"gapvision {__version__}", methods=tuple(sorted({x.method_version for x in lines})),
        warnings=_paper_warnings(store, job_id, newest, seams, labels, since, head.say),
        finish=coats,
        identity=_identity(store, store.origin(job_id)),
        origin=store.origin(job_id),
    )  # fmt: skip
    return ev.write_evidence(document, progress, reader=reader)


def _stored_at(lines: Sequence[MeasurementLine]) -> dict[int, str]:
    """When each photo came into the records: with its first result."""
    since: dict[int, str] = {}
    for x in lines:
        since[x.shot_id] = min(x.made_at, since.get(x.shot_id, x.made_at))
    return since


def _identity(store: Store, origin: str) -> tuple[tuple[str, str], ...]:
    """What tells these very records and programs from others."""
    import platform

    import cv2
    import numpy

    versions = f"gapvision {__version__}, Python {platform.python_version()}, numpy {numpy.__version__}, OpenCV "
    found = [("Head of the records' chain", store.database.head().words), ("Software", versions + cv2.__version__)]
    return (*found, ("Origin", origin)) if origin else tuple(found)


def _file_names(store: Store, lines: Sequence[MeasurementLine]) -> dict[tuple[int, str], str]:
    """What each photo was called when it was measured, by seam and SHA-256.

    A file is kept once; its name there may be the one that it had in another customer's job.
    """
    found = dict[tuple[int, str], str]()
    for x in lines:
        with suppress(GapvisionError):  # a damaged result that no paper shows
            found |= {(x.seam_id, seen.sha256): seen.file for seen in stored(store, x).photos}
    return found


def _signed(note: Note) -> str:
    """A note with who wrote it, and when."""
    return f"{note.text} ({', '.join(filter(None, (note.who, note.made_at[:10])))})"


def _why_not(store: Store, seam: Seam, newest: Sequence[MeasurementLine]) -> str:
    """Why a seam has no result: its last photo was refused, and for what; empty where there is no photo."""
    own = [x for x in newest if x.seam_id == seam.seam_id]
    return f"photo of {own[-1].visit.on_date} refused: {_refusal(store, own[-1])}" if own else ""


def _refusal(store: Store, line: MeasurementLine) -> str:
    with suppress(GapvisionError, IndexError):
        return stored(store, line).notices[0].message
    return "its result cannot be read."


def _paper_warnings(
    store: Store, job_id: int, newest: Sequence[MeasurementLine], seams: Sequence[Any], labels: dict[int, str],
    since: dict[int, str], say: words.Lengths,
) -> tuple[str, ...]:  # fmt: skip
    """What a reader must know first: photos that are missing, days that cannot be, refusals, warnings."""
    told, same = dict[str, list[str]](), dict[str, list[str]]()
    for label, seam in zip(labels.values(), seams, strict=True):
        for shown in filter(None, (seam.before, seam.after)):
            for fault in shown.photo_faults:
                told.setdefault(fault, []).append(f"{label}, {shown.stage}")
    lines = [x for x in newest if x.status != "refused"]
    for x in lines:
        where = f"{labels[x.seam_id]}, {x.visit.stage}"
        for p in x.photos:
            same.setdefault(p.original_sha256, []).append(where)
            about = (job_id, x.visit.stage, x.visit.on_date, p.original_sha256, p.taken_at)
            for n in photo_doubts(store, *about, today=since[x.shot_id][:10]):
                if n.code != "photo-at-two-stages" and where not in told.setdefault(words.notice(n, say)[0], []):
                    told[words.notice(n, say)[0]].append(where)
    for places in same.values():
        if places[1:]:
            told.setdefault("One and the same photo is used for several results.", []).append(" = ".join(places))
    measured = {(x.seam_id, x.visit.visit_id) for x in lines}
    for x in newest:  # an earlier result must not pass for that visit's
        if x.status == "refused" and x.seam_id in labels and (x.seam_id, x.visit.visit_id) not in measured:
            where = f"{labels[x.seam_id]}, {x.visit.stage}"
            told.setdefault(f"The photo was refused: {_refusal(store, x)}", []).append(where)
    for label, seam in zip(labels.values(), seams, strict=True):
        for n in seam.after.measurement.notices:
            if n.kind == "warning":
                told.setdefault(words.notice(n, say)[0], []).append(label)
    return tuple(f"{said} ({_few(places)})" for said, places in told.items())


def _few(places: Sequence[str]) -> str:
    """Places for a line; seams alone, of which there may be many, by their numbers."""
    if len(places) > 1 and all(re.fullmatch(r"seam \d+", x) for x in places):
        return "seams " + ", ".join(x.removeprefix("seam ") for x in places)
    more = len(places) - 3
    return "; ".join(places[:3]) + (f"; and {more} more" if more > 0 else "")


def seam_evidence(
    store: Store, seam: Seam, first: MeasurementLine, last: MeasurementLine, say: words.Lengths,
    visit_id: int | None = None, *, whole: bool = True,
) -> Any:  # fmt: skip
    """Gather what a paper shows of one seam; the two results are compared only for the whole of it."""
    from gapvision.reports import evidence as ev

    remarks: list[str] = []
    history = store.history(seam.seam_id)
    since = _stored_at(history)
    after = _shown(store, last, since, remarks)
    before = compared = spec = None
    notices = after.measurement.notices
    told = [" ".join(words.notice(n, say)) for n in notices if n.kind != "note"]
    # What a person stated and no photo shows belongs to the evidence.
    told += [words.notice(n, say)[0] for n in notices if n.code == "known-stated"]
    seen = [first, last] if first.visit != last.visit else [last]
    for x, p in ((line, p) for line in seen for p in line.photos):
        about = (seam.job_id, x.visit.stage, x.visit.on_date, p.original_sha256, p.taken_at)
        doubts = (words.notice(n, say)[0] for n in photo_doubts(store, *about, today=x.made_at[:10]))
        told += [f"{x.visit.stage}: {said}" for said in doubts]
    remarks[:0] = told
    with suppress(GapvisionError):  # its verdict says what is wrong with it
        spec = None if seam.spec is None else wanted_of_seam(seam)
    if first.measurement_id != last.measurement_id:
        try:
            compared = compare_lines(store, first, last, nominal_mm=spec) if whole else None
            before = _shown(store, first, since, remarks)
        except GapvisionError as error:
            if error.code != "comparison-no-overlap":
                raise
            remarks.append(f"Not compared with the first visit: {error.message}")
        if compared is not None:
            remarks += [" ".join(words.notice(n, say)) for n in compared.notices]
            if compared.thermal is not None and compared.thermal_panel_only is not None:
                remarks.append(words.heat(compared.thermal.per_side_mm, compared.thermal_panel_only.per_side_mm, say))
    kept = store.verdict(last.measurement_id)
    visits = [x for x in history if visit_id in (None, x.visit.visit_id)]
    return ev.SeamEvidence(
        name=seam.full_name, after=after, before=before, comparison=None if compared is None else compared.comparison,
        remarks=tuple(dict.fromkeys(remarks)), panels=panels_beside(store, seam),
        forecast=None if kept is None or after.verdict is None else kept.body.get("forecast"),
        visits=tuple(
            ev.VisitRow(
                number=x.measurement_id, stage=x.visit.stage, on_date=x.visit.on_date, taken_at=x.photo.taken_at or "",
                stored_at=since[x.shot_id], mean_mm=x.mean_mm, min_mm=x.min_mm, max_mm=x.max_mm, u_mm=x.u_mm,
                state=x.status if x.status == "refused" else "not judged" if x.verdict is None else x.verdict.decision,
            )
            for x in visits
        ),
    )  # fmt: skip


def _shown(store: Store, line: MeasurementLine, since: dict[int, str], remarks: list[str]) -> Any:
    """A result with its verdict; a verdict that cannot be read is remarked."""
    from gapvision.reports import evidence as ev

    c, verdict, measurement = line.visit.conditions, None, stored(store, line)
    said = [(tick, "yes" if getattr(c, key) else "no") for key, tick in TICKS.items() if getattr(c, key) is not None]
    metal = "" if c.metal_temp_c is None else f"{c.metal_temp_c:g} °C"
    more = (("car stood", c.support), ("metal", metal), ("remarks", c.remarks))
    said += [(what, text) for what, text in more if text]
    try:
        verdict = verdict_of(store, line, measurement)
    except GapvisionError as error:
        # Kept from another shop or an older program: the evidence is shown without its tolerance.
        remarks.append(f"The tolerance is not shown: {error.message}")
    photos, faults = _photos_of(store, line, measurement)
    remarks += [f"{line.visit.stage}: {fault}" for fault in faults]
    return ev.ShownResult(
        number=line.measurement_id, stage=line.visit.stage, on_date=line.visit.on_date, who=line.visit.who,
        measurement=measurement, photo=photos[0], others=photos[1:],
        file_name=measurement.photo.file, sha256=line.photo.original_sha256, conditions=tuple(said), verdict=verdict,
        taken_at=line.photo.taken_at or "", stored_at=since[line.shot_id], photo_faults=faults,
    )  # fmt: skip


def _photos_of(
    store: Store, line: MeasurementLine, measurement: Measurement
) -> tuple[tuple[bytes | None, ...], tuple[str, ...]]:
    """The photos of a measurement, those behind its first one by their SHA-256, None for a missing one; what is said.

    Raises ``stored-photo-changed`` for whichever of them is another one now.
    """
    kept = {p.original_sha256: p for p in line.others}
    found, faults = list[bytes | None](), list[str]()
    for k, seen in enumerate(measurement.photos):
        of = line.photo if k == 0 else kept.get(seen.sha256)
        found.append(None)
        try:
            found[-1] = None if of is None else store.photo_bytes(of)
        except GapvisionError as error:
            if error.code != "stored-photo-missing":  # no evidence from another photo
                told = f"{line.visit.stage}, {seen.file}: {error.message}"
                raise GapvisionError(error.code, told, error.next_step) from error
            faults.append(f"The photo {seen.file} is missing from the records.")
    return tuple(found), tuple(faults)


def plan_evidence(panel: str, body: dict[str, Any], say: words.Lengths = words.MM) -> Any:
    """Put a stored correction plan (``gapvision-plan/1``) into words and a table for the report.

    ``say`` is the unit of the table; the sentences are those of the file.
    """
    from gapvision.reports import evidence as ev

    def gap(value: float | None) -> str:
        return "-" if value is None else say.gap(value)

    plan = read_declared(PlanFile, body, f"the plan of {panel}", "plan-file-bad")
    first = [n.message for n in plan.notices if n.code == "seams-not-measured"]
    sentences = [*first, *plan.steps, *(f"{p.name}: {p.words}" for p in plan.move.points if p.words)]
    sentences += [*(n.message for n in plan.notices if n.message not in first), *plan.cautions]
    rows = []
    for stretch in plan.stretches:
        for r in stretch.trim.table:
            amount = "-"
            if r.remove_mm:
                amount = words.metal(r.remove_mm, stretch.trim.edge, say)
            at = "-" if r.s_mm is None else say.place(r.s_mm)
            rows.append((stretch.seam, at, gap(r.gap_mm), amount, gap(r.new_gap_mm)))
    heads = ("Seam", "At", "Gap now", "At this panel's edge", "Gap then") if rows else ()
    return ev.PlanEvidence(panel=panel, sentences=tuple(sentences), heads=heads, rows=tuple(rows[:400]))
