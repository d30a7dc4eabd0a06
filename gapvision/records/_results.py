"""Photos, measurements, verdicts and plans."""

from __future__ import annotations

import json
import sqlite3
import statistics
from collections.abc import Callable, Iterator, Sequence
from typing import Any

from gapvision import __version__
from gapvision.errors import GapvisionError, require
from gapvision.formats.measurement_packed import pack, unpack
from gapvision.model import IN, OPEN, OUT
from gapvision.records._common import from_json, insert, made_of, new_uid, now_utc
from gapvision.records._jobs import JobsPart, visit_of
from gapvision.records._queries import LINES
from gapvision.records.photos import is_hash
from gapvision.records.types import MeasurementLine, NewPhoto, SeamState, StoredPhoto, StoredPlan, StoredVerdict

STATUSES = ("ok", "warn", "refused")


def _line_of(row: sqlite3.Row) -> MeasurementLine:
    verdict = None
    if row["v_id"] is not None:
        verdict = made_of(StoredVerdict, row, "v_", measurement_id=row["id"], body={})
    names = ("sha256", "original_sha256", "suffix", "size_bytes", "file_name", "taken_at")
    others = tuple(StoredPhoto(**dict(zip(names, told, strict=True))) for told in json.loads(row["others"]))
    return made_of(
        MeasurementLine, row, visit=visit_of(row, "w_"), photo=made_of(StoredPhoto, row), newest=bool(row["newest"]),
        verdict=verdict, others=others,
    )  # fmt: skip


def _summary(measurement: dict[str, Any]) -> dict[str, float | None]:
    """Return mean, least and largest gap and the median U [mm] of a measurement file."""
    gap = measurement.get("gap") or {}
    found = {k: None if gap.get(k) is None else float(gap[k]) for k in ("mean_mm", "min_mm", "max_mm")}
    u_mm = [float(s["u_mm"]) for s in measurement.get("stations") or [] if s.get("u_mm") is not None]
    return {**found, "u_mm": statistics.median(u_mm) if u_mm else None}


def add_shot(db: sqlite3.Connection, seam_id: int, visit_id: int, sha256: str) -> int:
    """Note that a stored photo shows a seam at a visit; return its number."""
    belongs = {"visit_id": visit_id, "seam_id": seam_id, "photo_sha256": sha256}
    return insert(db, "shots", uid=new_uid(), **belongs, created_at=now_utc())


class ResultsPart(JobsPart):
    """What was measured and decided."""

    def save_photo(
        self, seam_id: int, visit_id: int, photo: bytes, suffix: str, measurement: dict[str, Any], *,
        file_name: str = "", original_sha256: str | None = None,
    ) -> MeasurementLine:  # fmt: skip
        """Store one photo of a seam at a visit with what was measured on it; see :meth:`save_photos`."""
        taken = (measurement.get("photo") or {}).get("taken_at")
        new = NewPhoto(
            data=photo, suffix=suffix, file_name=file_name, taken_at=taken, original_sha256=original_sha256
        )  # fmt: skip
        return self.save_photos(seam_id, visit_id, [new], measurement)

    def save_photos(
        self, seam_id: int, visit_id: int, photos: Sequence[NewPhoto], measurement: dict[str, Any], *,
        shot_id: int | None = None,
    ) -> MeasurementLine:  # fmt: skip
        """Store photos of a seam at a visit together with what was measured on them, as one result.

        The photos' files are on the disk, whole, before their rows are; all rows
        are saved together.  When this returns, they stay saved.

        Parameters
        ----------
        photos : sequence of NewPhoto
            The files as they came, the measurement's own in its order, then those that it left out.
        measurement : dict
            A measurement file, as :mod:`gapvision.formats.measurement_json` writes it.
        shot_id : int, optional
            Photos came to a set that is stored already, or went: its number; the earlier results stay.

        Raises
        ------
        GapvisionError
            ``seam-not-in-job``, ``visit-not-found``, ``folder-not-writable``, ``measurement-file-bad``.
        """
        for one in photos:
            if one.original_sha256 and not is_hash(one.original_sha256):
                raise ValueError(f"original_sha256: expected a SHA-256, got {one.original_sha256!r}")
        kept = {self.photos.keep(one.data, one.suffix.lower()): one for one in photos}
        with self.database.saving() as db:
            if self.seam(seam_id).job_id != self.visit(visit_id).job_id:
                raise ValueError("the seam and the visit belong to different jobs")
            for sha256, one in kept.items():
                given = {"file_name": one.file_name, "taken_at": one.taken_at}
                first = one.original_sha256 or sha256
                self._note_photo(
                    db, sha256, one.suffix.lower(), lambda sha: kept[sha].data, original_sha256=first, **given
                )
            if shot_id is None:
                shot_id = add_shot(db, seam_id, visit_id, next(iter(kept)))
            return self.add_measurement(shot_id, measurement, tuple(kept))

    def _note_photo(
        self, db: sqlite3.Connection, sha256: str, suffix: str, photo: Callable[[str], bytes], **given: str | None
    ) -> None:
        """Write the row of a photo just kept; emptying the bin may have removed row and file before this turn came."""
        path = self.photos.path(sha256, suffix)
        if not path.exists():
            self.photos.keep(photo(sha256), suffix)
        if db.execute("SELECT 1 FROM photos WHERE sha256 = ?", (sha256,)).fetchone() is None:
            size = path.stat().st_size
            insert(db, "photos", sha256=sha256, suffix=suffix, size_bytes=size, added_at=now_utc(), **given)

    def add_measurement(
        self, shot_id: int, measurement: dict[str, Any], photos: Sequence[str] = (), **told: Any
    ) -> MeasurementLine:
        """Store another result of a photo, or of a set of them, as for :meth:`save_photos`, beside the ones it has.

        ``photos`` are the SHA-256 of the set's stored photos; ``told`` is what an export says of the result:
        ``made_at``, ``method_version``, ``program_version``.
        """
        require("measurement-file-bad", measurement.get("status") in STATUSES, "The measurement has no status.")
        with self.database.saving() as db:
            row = db.execute(
                "SELECT w.job_id, s.photo_sha256 FROM shots s JOIN visits w ON w.id = s.visit_id WHERE s.id = ?",
                (shot_id,),
            ).fetchone()
            if row is None:
                raise GapvisionError("measurement-not-found", f"There is no photo number {shot_id}.")
            own = {
                "made_at": now_utc(),
                "method_version": int(measurement.get("method_version") or 0),
                "program_version": str(measurement.get("written_by") or f"gapvision {__version__}"),
            }
            measurement_id = insert(
                db, "measurements", uid=new_uid(), shot_id=shot_id, status=measurement["status"], **(own | told),
                **_summary(measurement),
            )  # fmt: skip
            insert(db, "bodies", measurement_id=measurement_id, body=pack(measurement))
            for place, sha256 in enumerate(photos if tuple(photos) != (row["photo_sha256"],) else ()):
                insert(db, "set_photos", measurement_id=measurement_id, place=place, photo_sha256=sha256)
            self._touch(db, row["job_id"])
            return self.line(measurement_id)

    def line(self, measurement_id: int) -> MeasurementLine:
        """One result without its stations; ``measurement-not-found``."""
        row = self.database.row(LINES.format(where="m.id = ?"), (measurement_id,))
        if row is None:
            raise GapvisionError("measurement-not-found", f"There is no measurement number {measurement_id}.")
        return _line_of(row)

    def measurement(self, measurement_id: int) -> dict[str, Any]:
        """One result whole, as the dict of its measurement file; ``measurement-not-found``."""
        row = self.database.row("SELECT body FROM bodies WHERE measurement_id = ?", (measurement_id,))
        if row is None:
            raise GapvisionError("measurement-not-found", f"There is no measurement number {measurement_id}.")
        return unpack(row["body"])

    def history(self, seam_id: int) -> list[MeasurementLine]:
        """List a seam's results through the stages, oldest day first, every method's result."""
        return [_line_of(r) for r in self.database.rows(LINES.format(where="s.seam_id = ?"), (seam_id,))]

    def job_lines(self, job_id: int, visit_id: int | None = None) -> list[MeasurementLine]:
        """List all results of a job, or of one of its visits."""
        where, values = "w.job_id = ?", [job_id]
        if visit_id is not None:
            where, values = f"{where} AND w.id = ?", [job_id, visit_id]
        return [_line_of(r) for r in self.database.rows(LINES.format(where=where), values)]

    def seam_states(self, job_id: int) -> list[SeamState]:
        """Give each seam of a job with its latest result."""
        panels = {p.panel_id: p for p in self.panels(job_id)}
        lines: dict[int, list[MeasurementLine]] = {}
        for line in self.job_lines(job_id):
            lines.setdefault(line.seam_id, []).append(line)
        found = []
        for seam in self.seams(job_id):
            results = lines.get(seam.seam_id, [])
            latest = next((x for x in reversed(results) if x.status != "refused"), None)
            panel = panels.get(seam.panel_id or 0)
            found.append(SeamState(seam=seam, panel=panel, latest=latest, results=len(results)))
        return found

    def photo_bytes(self, photo: StoredPhoto) -> bytes:
        """A photo as it was stored; ``stored-photo-missing``, or ``stored-photo-changed`` by its SHA-256."""
        return self.photos.read(photo.sha256, photo.suffix)

    # --- verdicts and plans -------------------------------------------------------
    def add_verdict(
        self, measurement_id: int, *, decision: str, rule: str, body: dict[str, Any], made_at: str | None = None
    ) -> StoredVerdict:
        """Store a decision by a rule, its file as ``body``, beside the ones a measurement has."""
        if decision not in (IN, OUT, OPEN):
            raise ValueError(f"decision: expected one of {(IN, OUT, OPEN)}, got {decision!r}")
        with self.database.saving() as db:
            job_id = self.line(measurement_id).visit.job_id
            verdict_id = insert(
                db, "verdicts", measurement_id=measurement_id, made_at=made_at or now_utc(), decision=decision,
                rule=rule, body=json.dumps(body, ensure_ascii=False),
            )  # fmt: skip
            self._touch(db, job_id)
            return next(self._verdicts("id = ?", verdict_id))

    def verdict(self, measurement_id: int) -> StoredVerdict | None:
        """The latest decision on a measurement, whole, or None."""
        return next(self._verdicts("measurement_id = ? ORDER BY id DESC LIMIT 1", measurement_id), None)

    def _verdicts(self, where: str, number: int) -> Iterator[StoredVerdict]:
        for row in self.database.rows(f"SELECT * FROM verdicts WHERE {where}", (number,)):
            yield made_of(StoredVerdict, row, body=from_json(row["body"]))

    def add_plan(self, job_id: int, panel: str, body: dict[str, Any], *, made_at: str | None = None) -> StoredPlan:
        """Store a correction plan of a panel, or what else is kept among the plans."""
        with self.database.saving() as db:
            self.job(job_id)
            row = {"job_id": job_id, "panel": panel, "made_at": made_at or now_utc()}
            plan_id = insert(db, "plans", uid=new_uid(), **row, body=json.dumps(body, ensure_ascii=False))
            self._touch(db, job_id)
            return next(p for p in self.plans(job_id) if p.plan_id == plan_id)

    def plans(self, job_id: int) -> list[StoredPlan]:
        """List a job's plans, oldest first."""
        return [made_of(StoredPlan, r, body=from_json(r["body"])) for r in self._rows("plans", job_id)]
