"""A whole job as plain data: out for an export, and in again with every field checked."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable
from typing import Any

from gapvision.errors import GapvisionError
from gapvision.records._common import new_uid
from gapvision.records._jobs import METALS, short_text
from gapvision.records._results import DECISIONS, STATUSES, ResultsPart, add_shot, pack
from gapvision.records.photos import SUFFIXES, is_hash
from gapvision.records.types import SIDES, Conditions, Job

SCHEMA = "gapvision-job/1"
#: More than any shop's job has; anything above is refused.
_MOST = 20_000


class ExchangePart(ResultsPart):
    """Jobs out and in."""

    def job_data(self, job_id: int) -> dict[str, Any]:
        """Return all of a job but its photos, as JSON can hold it.

        Returns
        -------
        dict
            ``schema``, ``job``, ``panels``, ``seams``, ``visits``, ``shots``
            (each with its photo and measurements), ``notes``, ``plans``.
            What is in the bin is left out.
        """
        job = self.job(job_id)
        panels = {p.panel_id: p for p in self.panels(job_id)}
        seams, visits = self.seams(job_id), self.visits(job_id)
        seam_uid, visit_uid = {s.seam_id: s.uid for s in seams}, {v.visit_id: v.uid for v in visits}
        shot_uid = {
            r["id"]: r["uid"]
            for r in self.database.rows(
                "SELECT s.id, s.uid FROM shots s JOIN visits w ON w.id = s.visit_id WHERE w.job_id = ?", (job_id,)
            )
        }
        shots: dict[int, dict[str, Any]] = {}
        for line in self.job_lines(job_id):
            shot = shots.setdefault(
                line.shot_id,
                {
                    "uid": shot_uid[line.shot_id],
                    "seam": seam_uid[line.seam_id],
                    "visit": visit_uid[line.visit.visit_id],
                    "photo": {
                        "sha256": line.photo.sha256,
                        "original_sha256": line.photo.original_sha256,
                        "suffix": line.photo.suffix,
                        "file_name": line.photo.file_name,
                        "taken_at": line.photo.taken_at,
                    },
                    "measurements": [],
                },
            )
            verdicts = self.database.rows(
                "SELECT made_at, decision, rule, body FROM verdicts WHERE measurement_id = ? ORDER BY id",
                (line.measurement_id,),
            )
            shot["measurements"].append(
                {
                    "uid": line.uid,
                    "made_at": line.made_at,
                    "method_version": line.method_version,
                    "program_version": line.program_version,
                    "content": self.measurement(line.measurement_id),
                    "verdicts": [{**dict(v), "body": json.loads(v["body"])} for v in verdicts],
                }
            )
        return {
            "schema": SCHEMA,
            "job": {
                "uid": job.uid,
                "reference": job.reference,
                "customer": job.customer,
                "car": job.car,
                "notes": job.notes,
                "opened_on": job.opened_on,
            },
            "panels": [
                {"uid": p.uid, "name": p.name, "side": p.side, "metal": p.metal, "length_mm": p.length_mm}
                for p in panels.values()
            ],
            "seams": [
                {
                    "uid": s.uid,
                    "panel": panels[s.panel_id].uid if s.panel_id in panels else None,
                    "name": s.name,
                    "side": s.side,
                    "spec": s.spec,
                }
                for s in seams
            ],
            "visits": [
                {
                    "uid": v.uid,
                    "stage": v.stage,
                    "on_date": v.on_date,
                    "who": v.who,
                    "notes": v.notes,
                    "conditions": v.conditions.to_dict(),
                }
                for v in visits
            ],
            "shots": list(shots.values()),
            "notes": [
                {
                    "uid": n.uid,
                    "seam": seam_uid.get(n.seam_id or 0),
                    "visit": visit_uid.get(n.visit_id or 0),
                    "text": n.text,
                    "who": n.who,
                    "made_at": n.made_at,
                }
                for n in self.notes(job_id)
            ],
            "plans": [
                {"uid": p.uid, "panel": p.panel, "made_at": p.made_at, "body": p.body} for p in self.plans(job_id)
            ],
        }

    def take_job(self, data: dict[str, Any], photo: Callable[[str], bytes]) -> Job:
        """Store a job from another shop's export; all of it or nothing.

        Parameters
        ----------
        data : dict
            As :meth:`job_data` gives it.
        photo : callable
            Gives the bytes of a photo by its SHA-256.

        Returns
        -------
        Job
            With a number behind its reference where that is in use here.

        Raises
        ------
        GapvisionError
            ``job-data-bad``, ``job-here-already``.
        """
        try:
            return self._take(data, photo)
        except (KeyError, TypeError, ValueError, AttributeError, RecursionError, OverflowError) as error:
            raise GapvisionError("job-data-bad") from error

    def _take(self, data: dict[str, Any], photo: Callable[[str], bytes]) -> Job:
        if data["schema"] != SCHEMA:
            raise GapvisionError("job-data-bad", "The export is of a form that this gapvision does not know.")
        head = data["job"]
        for part in ("panels", "seams", "visits", "shots", "notes", "plans"):
            if not isinstance(data[part], list) or len(data[part]) > _MOST:
                raise ValueError(part)
        # Photos first, so that their files are whole before any row names them.
        for shot in data["shots"]:
            self._take_photo(shot["photo"], photo)
        with self.database.saving() as db:
            if db.execute("SELECT 1 FROM jobs WHERE uid = ? AND deleted_at IS NULL", (_uid(head),)).fetchone():
                raise GapvisionError("job-here-already")
            db.execute("UPDATE jobs SET uid = ? WHERE uid = ?", (new_uid(), head["uid"]))  # one that lies in the bin
            job = self.new_job(
                reference=self._unused(_text(head["reference"])),
                customer=_text(head["customer"]),
                car=_text(head["car"]),
                notes=_text(head["notes"]),
                opened_on=_text(head["opened_on"]),
            )
            db.execute("UPDATE jobs SET uid = ? WHERE id = ?", (head["uid"], job.job_id))
            panels = {_uid(p): self._take_panel(job.job_id, p) for p in data["panels"]}
            seams = {
                _uid(s): self.add_seam(
                    job.job_id,
                    _text(s["name"]),
                    side=_one_of(s["side"], SIDES),
                    panel_id=None if s["panel"] is None else panels[s["panel"]],
                    spec=_dict_or_none(s["spec"]),
                ).seam_id
                for s in data["seams"]
            }
            visits = {
                _uid(v): self.add_visit(
                    job.job_id,
                    _text(v["stage"]),
                    on_date=_text(v["on_date"]),
                    who=_text(v["who"]),
                    conditions=_conditions(v["conditions"]),
                    notes=_text(v["notes"]),
                ).visit_id
                for v in data["visits"]
            }
            for shot in data["shots"]:
                shot_id = add_shot(db, seams[shot["seam"]], visits[shot["visit"]], shot["photo"]["sha256"])
                self._take_measurements(shot_id, shot["measurements"])
            for n in data["notes"]:
                note = self.add_note(
                    job.job_id,
                    _text(n["text"]),
                    who=_text(n["who"]),
                    seam_id=seams.get(n["seam"]),
                    visit_id=visits.get(n["visit"]),
                )
                db.execute("UPDATE notes SET made_at = ? WHERE id = ?", (_text(n["made_at"]), note.note_id))
            for p in data["plans"]:
                plan = self.add_plan(job.job_id, short_text("panel", _text(p["panel"])), _dict(p["body"]))
                db.execute("UPDATE plans SET made_at = ? WHERE id = ?", (_text(p["made_at"]), plan.plan_id))
            return self.job(job.job_id)

    def _take_photo(self, entry: dict[str, Any], photo: Callable[[str], bytes]) -> None:
        sha256, original, suffix = entry["sha256"], entry["original_sha256"], entry["suffix"]
        if not (is_hash(sha256) and is_hash(original) and suffix in SUFFIXES):
            raise ValueError("photo")
        name = short_text("file name", _text(entry["file_name"]), most=300)
        taken = None if entry["taken_at"] is None else _text(entry["taken_at"])
        data = photo(sha256)
        if hashlib.sha256(data).hexdigest() != sha256:
            raise GapvisionError("job-data-bad", "A photo in the export is not the one that its name says.")
        self.photos.keep(data, suffix)
        with self.database.saving() as db:
            self._note_photo(db, sha256, data, suffix, original, name, taken)

    def _take_panel(self, job_id: int, p: dict[str, Any]) -> int:
        length = p["length_mm"]
        return self.put_panel(
            job_id,
            _text(p["name"]),
            side=_one_of(p["side"], SIDES),
            metal=_one_of(p["metal"], METALS),
            length_mm=None if length is None else float(length),
        ).panel_id

    def _take_measurements(self, shot_id: int, entries: list[dict[str, Any]]) -> None:
        for m in entries:
            content = _dict(m["content"])
            _one_of(content["status"], STATUSES)
            line = self.add_measurement(shot_id, content)
            with self.database.saving() as db:
                db.execute(
                    "UPDATE measurements SET made_at = ?, method_version = ?, program_version = ? WHERE id = ?",
                    (_text(m["made_at"]), int(m["method_version"]), _text(m["program_version"]), line.measurement_id),
                )
                db.execute("UPDATE bodies SET body = ? WHERE measurement_id = ?", (pack(content), line.measurement_id))
                for v in m["verdicts"]:
                    verdict = self.add_verdict(
                        line.measurement_id,
                        decision=_one_of(v["decision"], DECISIONS),
                        rule=_text(v["rule"]),
                        body=_dict(v["body"]),
                    )
                    db.execute(
                        "UPDATE verdicts SET made_at = ? WHERE id = ?", (_text(v["made_at"]), verdict.verdict_id)
                    )

    def _unused(self, reference: str) -> str:
        """Return a reference, with a number behind it when it is in use."""
        reference = short_text("job's reference", reference, least=1)
        taken = {r["reference"] for r in self.database.rows("SELECT reference FROM jobs WHERE deleted_at IS NULL")}
        number = 2
        free = reference
        while free in taken:
            free, number = f"{reference} ({number})", number + 1
        return free


def _text(value: Any) -> str:
    if not isinstance(value, str) or len(value) > 100_000:
        raise ValueError("text")
    return value


def _uid(entry: dict[str, Any]) -> str:
    uid = _text(entry["uid"])
    if not 1 <= len(uid) <= 64:
        raise ValueError("uid")
    return uid


def _one_of(value: Any, allowed: tuple[str, ...]) -> str:
    if value not in allowed:
        raise ValueError(f"one of {allowed}")
    return str(value)


def _dict(value: Any) -> dict[str, Any]:
    if not isinstance(value, dict):
        raise ValueError("dict")
    return value


def _dict_or_none(value: Any) -> dict[str, Any] | None:
    return None if value is None else _dict(value)


def _conditions(value: Any) -> Conditions:
    found = Conditions.from_dict(_dict(value))
    for name in ("latched", "seal_fitted", "shims_tight", "hinges_tight", "doors_closed"):
        if getattr(found, name) not in (True, False, None):
            raise ValueError(name)
    temperature = found.metal_temp_c
    if temperature is not None and not (isinstance(temperature, int | float) and -60 <= temperature <= 200):
        raise ValueError("metal_temp_c")
    _text(found.support)
    _text(found.remarks)
    return found
