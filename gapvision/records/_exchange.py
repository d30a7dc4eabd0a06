"""A whole job out for an export and in again; its form is declared in :mod:`gapvision.formats.job_file`."""

from __future__ import annotations

import hashlib
import itertools
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import Any

from gapvision.errors import GapvisionError, require
from gapvision.formats.declared import read_declared
from gapvision.formats.job_file import ORIGIN_SCHEMA, SCHEMA, JobFile, job_from_data, origin_words
from gapvision.records._common import new_uid, now_utc, update
from gapvision.records._jobs import short_text
from gapvision.records._results import ResultsPart, add_shot
from gapvision.records.types import Conditions, Job


class ExchangePart(ResultsPart):
    """Jobs out and in."""

    def job_data(self, job_id: int) -> JobFile:
        """Return all of a job but its photos' bytes; what is in the bin is left out."""
        panels, seams, visits = self.panels(job_id), self.seams(job_id), self.visits(job_id)
        panel_uid, seam_uid = {p.panel_id: p.uid for p in panels}, {s.seam_id: s.uid for s in seams}
        visit_uid = {v.visit_id: v.uid for v in visits}
        sql = "SELECT s.id, s.uid FROM shots s JOIN visits w ON w.id = s.visit_id WHERE w.job_id = ?"
        shot_uid = dict(map(tuple, self.database.rows(sql, (job_id,))))
        shots: dict[int, dict[str, Any]] = {}
        for line in self.job_lines(job_id):
            belongs = {"seam": seam_uid[line.seam_id], "visit": visit_uid[line.visit.visit_id], "photo": line.photo}
            new = {"uid": shot_uid[line.shot_id], **belongs, "measurements": []}
            content = self.measurement(line.measurement_id)
            verdicts = list(self._verdicts("measurement_id = ? ORDER BY id", line.measurement_id))
            result = asdict(line) | {"content": content, "verdicts": verdicts}
            shot = shots.setdefault(line.shot_id, new)
            result["photos"] = [asdict(p) for p in line.photos] if line.photos != (shot["photo"],) else []
            shot["measurements"].append(result)
        notes = [(n, {"seam": seam_uid.get(n.seam_id or 0), "visit": visit_uid.get(n.visit_id or 0)})
                 for n in self.notes(job_id)]  # fmt: skip
        return job_from_data({
            "schema": SCHEMA,
            "job": self.job(job_id),
            "panels": panels,
            "seams": [asdict(s) | {"panel": panel_uid.get(s.panel_id or 0)} for s in seams],
            "visits": [asdict(v) for v in visits],
            "shots": list(shots.values()),
            "notes": [asdict(n) | belongs for n, belongs in notes],
            "plans": self.plans(job_id),
        })  # fmt: skip

    def take_job(
        self, data: JobFile, photo: Callable[[str], bytes], measured: Callable[[str], dict[str, Any]] | None = None,
        *, measured_by: str = "", seal: str = "",
    ) -> Job:  # fmt: skip
        """Store a job from another shop's export, with a number behind its reference where that is in use here.

        Parameters
        ----------
        data : JobFile
            Checked: as :func:`gapvision.formats.job_file.read_job` or ``job_from_data`` give it.
        photo : callable
            Gives the bytes of a photo by its SHA-256.
        measured : callable, optional
            Gives the content of a measurement that names its file instead.
        measured_by, seal : str
            What the export says of its shop, and its seal: kept as the job's origin.

        Raises
        ------
        GapvisionError
            ``job-data-bad``, ``job-here-already``, ``record-text-bad``, ``value-out-of-range``.
        """
        new: list[Path] = []
        try:
            # Photos first, so that their files are whole before any row names them.
            for entry in (entry for shot in data.shots for entry in shot.all_photos()):
                path, content = self.photos.path(entry.sha256, entry.suffix), photo(entry.sha256)
                same = hashlib.sha256(content).hexdigest() == entry.sha256
                require("job-data-bad", same, "A photo in the export is not the one that its name says.")
                if not path.exists():
                    new.append(path)
                self.photos.keep(content, entry.suffix)
            with self.database.saving():
                job = self._take_rows(data, photo, measured)
                if seal:
                    by = short_text("shop's name", measured_by[:200])
                    body = {"schema": ORIGIN_SCHEMA, "measured_by": by, "imported_at": now_utc(), "seal": seal}
                    self.add_plan(job.job_id, "origin", body)
                return self.job(job.job_id)
        except BaseException:
            with self.database.saving() as db:  # in the writer's turn: nobody stores the same photo meanwhile
                kept = {r[0] for r in db.execute("SELECT sha256 FROM photos")}
                for path in new:
                    if path.stem not in kept:
                        path.unlink(missing_ok=True)
            raise

    def origin(self, job_id: int) -> str:
        """Where an imported job comes from, in words; empty for the shop's own."""
        return origin_words(p.body for p in self.plans(job_id))

    def _take_rows(
        self, data: JobFile, photo: Callable[[str], bytes], measured: Callable[[str], dict[str, Any]] | None
    ) -> Job:
        head = data.job
        with self.database.saving() as db:
            here = db.execute("SELECT 1 FROM jobs WHERE uid = ? AND deleted_at IS NULL", (head.uid,)).fetchone()
            require("job-here-already", here is None)
            db.execute("UPDATE jobs SET uid = ? WHERE uid = ?", (new_uid(), head.uid))  # one that lies in the bin
            reference = self._unused(head.reference)
            job_id = self.new_job(reference=reference, **head.but("uid", "reference")).job_id
            update(db, "jobs", job_id, uid=head.uid)
            panels: dict[str | None, int] = {
                p.uid: self.put_panel(job_id, **p.but("uid")).panel_id for p in data.panels
            }
            seams: dict[str | None, int] = {
                s.uid: self.add_seam(job_id, panel_id=panels.get(s.panel), **s.but("uid", "panel")).seam_id
                for s in data.seams
            }
            visits: dict[str | None, int] = {}
            for k, v in enumerate(data.visits):
                path = f"visits[{k}].conditions"
                found = read_declared(Conditions, v.conditions, "the export's job", "job-data-bad", path=path)
                visits[v.uid] = self.add_visit(job_id, conditions=found, **v.but("uid", "conditions")).visit_id
            for shot in data.shots:
                for entry in shot.all_photos():
                    name = short_text("file name", entry.file_name, most=300)
                    given = entry.but("sha256", "suffix", "file_name")
                    self._note_photo(db, entry.sha256, entry.suffix, photo, file_name=name, **given)
                shot_id = add_shot(db, seams[shot.seam], visits[shot.visit], shot.photo.sha256)
                for m in shot.measurements:
                    self._take_measurement(shot_id, m, measured(m.file) if measured and m.file else m.content or {})
            for n in data.notes:
                seam_id, visit_id = seams.get(n.seam), visits.get(n.visit)
                self.add_note(job_id, seam_id=seam_id, visit_id=visit_id, **n.but("uid", "seam", "visit"))
            for plan in data.plans:
                self.add_plan(job_id, short_text("panel", plan.panel), plan.body, made_at=plan.made_at)
            return self.job(job_id)

    def _take_measurement(self, shot_id: int, m: Any, content: dict[str, Any]) -> None:
        try:
            told = m.but("uid", "verdicts", "content", "file", "photos")
            line = self.add_measurement(shot_id, content, [p.sha256 for p in m.photos], **told)
        except (GapvisionError, TypeError, ValueError, AttributeError, OverflowError):
            raise GapvisionError("job-data-bad", "A measurement in the export cannot be read.") from None
        for v in m.verdicts:
            self.add_verdict(line.measurement_id, **v.but())

    def _unused(self, reference: str) -> str:
        """A reference, with a number behind it when it is in use."""
        reference = short_text("job's reference", reference, least=1)
        taken = {r["reference"] for r in self.database.rows("SELECT reference FROM jobs WHERE deleted_at IS NULL")}
        names = itertools.chain([reference], (f"{reference} ({number})" for number in itertools.count(2)))
        return next(name for name in names if name not in taken)
