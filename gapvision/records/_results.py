"""Photos, measurements, verdicts and plans."""

from __future__ import annotations

import json
import sqlite3
import zlib
from typing import Any

import numpy as np

from gapvision import __version__
from gapvision.errors import GapvisionError
from gapvision.records._common import Part, new_id, new_uid, now_utc
from gapvision.records._jobs import JobsPart, visit_of
from gapvision.records._queries import LINES
from gapvision.records.photos import is_hash
from gapvision.records.types import MeasurementLine, SeamState, StoredPhoto, StoredPlan, StoredVerdict

DECISIONS = ("in tolerance", "out of tolerance", "not proven")
STATUSES = ("ok", "warn", "refused")
#: A measurement file is some 100 kB; anything near this is not one [byte].
MAX_BODY_BYTES = 64_000_000


def pack(measurement: dict[str, Any]) -> bytes:
    """Write a measurement as small as it goes without losing a digit."""
    return zlib.compress(json.dumps(measurement, ensure_ascii=False, separators=(",", ":")).encode(), 6)


def unpack(body: bytes) -> dict[str, Any]:
    """Read a measurement back; refuse one that would not fit in memory."""
    worker = zlib.decompressobj()
    text = worker.decompress(body, MAX_BODY_BYTES)
    if worker.unconsumed_tail:
        raise GapvisionError("records-damaged", "A stored measurement is far larger than one can be.")
    found: dict[str, Any] = json.loads(text)
    return found


def _line_of(row: sqlite3.Row) -> MeasurementLine:
    verdict = None
    if row["v_id"] is not None:
        verdict = StoredVerdict(
            verdict_id=row["v_id"],
            measurement_id=row["id"],
            made_at=row["v_made_at"],
            decision=row["v_decision"],
            rule=row["v_rule"],
        )
    return MeasurementLine(
        measurement_id=row["id"],
        uid=row["uid"],
        shot_id=row["shot_id"],
        seam_id=row["seam_id"],
        visit=visit_of(row, "w_"),
        photo=photo_of(row),
        made_at=row["made_at"],
        method_version=row["method_version"],
        program_version=row["program_version"],
        status=row["status"],
        mean_mm=row["mean_mm"],
        min_mm=row["min_mm"],
        max_mm=row["max_mm"],
        u_mm=row["u_mm"],
        newest=bool(row["newest"]),
        verdict=verdict,
    )


def photo_of(row: sqlite3.Row) -> StoredPhoto:
    """Make a photo from its row."""
    return StoredPhoto(
        sha256=row["sha256"],
        original_sha256=row["original_sha256"],
        suffix=row["suffix"],
        size_bytes=row["size_bytes"],
        file_name=row["file_name"],
        taken_at=row["taken_at"],
    )


def _summary(measurement: dict[str, Any]) -> tuple[float | None, float | None, float | None, float | None]:
    """Return mean, least and largest gap and the median U [mm] of a measurement file."""
    gap = measurement.get("gap") or {}
    stations = measurement.get("stations") or []
    u_mm = [float(s["u_mm"]) for s in stations if s.get("u_mm") is not None]
    values = [gap.get(k) for k in ("mean_mm", "min_mm", "max_mm")]
    mean, least, most = (None if v is None else float(v) for v in values)
    return mean, least, most, float(np.median(u_mm)) if u_mm else None


class ResultsPart(JobsPart, Part):
    """What was measured and decided."""

    def save_photo(
        self,
        seam_id: int,
        visit_id: int,
        photo: bytes,
        suffix: str,
        measurement: dict[str, Any],
        *,
        file_name: str = "",
        original_sha256: str | None = None,
    ) -> MeasurementLine:
        """Store a photo of a seam at a visit together with what was measured on it.

        The photo's file is on the disk, whole, before its row is; all rows
        are saved together.  When this returns, they stay saved.

        Parameters
        ----------
        photo : bytes
            The file as it came (or with its location taken out; then give
            ``original_sha256``).
        suffix : str
            Its kind, like ``.jpg``.
        measurement : dict
            A measurement file of the contract in design.md, section 3.

        Raises
        ------
        GapvisionError
            ``seam-not-in-job``, ``visit-not-found``, ``folder-not-writable``,
            ``measurement-file-bad``.
        """
        sha256 = self.photos.keep(photo, suffix.lower())
        original = original_sha256 or sha256
        if not is_hash(original):
            raise ValueError(f"original_sha256: expected a SHA-256, got {original!r}")
        taken = (measurement.get("photo") or {}).get("taken_at")
        with self.database.saving() as db:
            seam, visit = self.seam(seam_id), self.visit(visit_id)
            if seam.job_id != visit.job_id:
                raise ValueError("the seam and the visit belong to different jobs")
            # Emptying the bin may have removed the file just before this turn came.
            if not self.photos.path(sha256, suffix.lower()).exists():
                self.photos.keep(photo, suffix.lower())
            db.execute(
                "INSERT OR IGNORE INTO photos"
                " (sha256, original_sha256, suffix, size_bytes, file_name, taken_at, added_at)"
                " VALUES (?, ?, ?, ?, ?, ?, ?)",
                (sha256, original, suffix.lower(), len(photo), file_name, taken, now_utc()),
            )
            shot_id = new_id(
                db.execute(
                    "INSERT INTO shots (uid, visit_id, seam_id, photo_sha256, created_at) VALUES (?, ?, ?, ?, ?)",
                    (new_uid(), visit_id, seam_id, sha256, now_utc()),
                )
            )
            return self.add_measurement(shot_id, measurement)

    def add_measurement(self, shot_id: int, measurement: dict[str, Any]) -> MeasurementLine:
        """Store another result of a photo beside the ones it has.

        Parameters
        ----------
        measurement : dict
            As for :meth:`save_photo`.
        """
        if measurement.get("status") not in STATUSES:
            raise GapvisionError("measurement-file-bad", "The measurement has no status.")
        with self.database.saving() as db:
            row = db.execute(
                "SELECT w.job_id FROM shots s JOIN visits w ON w.id = s.visit_id WHERE s.id = ?", (shot_id,)
            ).fetchone()
            if row is None:
                raise GapvisionError("measurement-not-found", f"There is no photo number {shot_id}.")
            measurement_id = new_id(
                db.execute(
                    "INSERT INTO measurements (uid, shot_id, made_at, method_version, program_version, status,"
                    " mean_mm, min_mm, max_mm, u_mm) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        new_uid(),
                        shot_id,
                        now_utc(),
                        int(measurement.get("method_version") or 0),
                        str(measurement.get("written_by") or f"gapvision {__version__}"),
                        measurement["status"],
                        *_summary(measurement),
                    ),
                )
            )
            db.execute("INSERT INTO bodies (measurement_id, body) VALUES (?, ?)", (measurement_id, pack(measurement)))
            self._touch(db, row["job_id"])
            return self.line(measurement_id)

    def line(self, measurement_id: int) -> MeasurementLine:
        """Return one result without its stations.

        Raises
        ------
        GapvisionError
            ``measurement-not-found``.
        """
        row = self.database.row(LINES.format(where="m.id = ?"), (measurement_id,))
        if row is None:
            raise GapvisionError("measurement-not-found", f"There is no measurement number {measurement_id}.")
        return _line_of(row)

    def measurement(self, measurement_id: int) -> dict[str, Any]:
        """Return one result whole, as the dict of its measurement file.

        Raises
        ------
        GapvisionError
            ``measurement-not-found``.
        """
        row = self.database.row("SELECT body FROM bodies WHERE measurement_id = ?", (measurement_id,))
        if row is None:
            raise GapvisionError("measurement-not-found", f"There is no measurement number {measurement_id}.")
        return unpack(row["body"])

    def history(self, seam_id: int) -> list[MeasurementLine]:
        """List a seam's results through the stages, oldest day first, every method's result."""
        return [_line_of(r) for r in self.database.rows(LINES.format(where="s.seam_id = ?"), (seam_id,))]

    def job_lines(self, job_id: int, visit_id: int | None = None) -> list[MeasurementLine]:
        """List all results of a job, or of one of its visits."""
        where = "w.job_id = ?" + ("" if visit_id is None else " AND w.id = ?")
        values = (job_id,) if visit_id is None else (job_id, visit_id)
        return [_line_of(r) for r in self.database.rows(LINES.format(where=where), values)]

    def seam_states(self, job_id: int) -> list[SeamState]:
        """Give each seam of a job with its latest result."""
        panels = {p.panel_id: p for p in self.panels(job_id)}
        latest: dict[int, MeasurementLine] = {}
        counts: dict[int, int] = {}
        for line in self.job_lines(job_id):
            counts[line.seam_id] = counts.get(line.seam_id, 0) + 1
            if line.status != "refused":
                latest[line.seam_id] = line
        return [
            SeamState(
                seam=s,
                panel=panels.get(s.panel_id or 0),
                latest=latest.get(s.seam_id),
                results=counts.get(s.seam_id, 0),
            )
            for s in self.seams(job_id)
        ]

    def photo_bytes(self, photo: StoredPhoto) -> bytes:
        """Return a photo as it was stored, checked against its SHA-256.

        Raises
        ------
        GapvisionError
            ``stored-photo-missing`` or ``stored-photo-changed``.
        """
        return self.photos.read(photo.sha256, photo.suffix)

    # --- verdicts and plans -------------------------------------------------------
    def add_verdict(self, measurement_id: int, *, decision: str, rule: str, body: dict[str, Any]) -> StoredVerdict:
        """Store a decision beside the ones a measurement has.

        Parameters
        ----------
        decision : str
            ``in tolerance``, ``out of tolerance`` or ``not proven``.
        rule : str
            Name of the decision rule.
        body : dict
            The judgement room's record, specification included.
        """
        if decision not in DECISIONS:
            raise ValueError(f"decision: expected one of {DECISIONS}, got {decision!r}")
        with self.database.saving() as db:
            job_id = self.line(measurement_id).visit.job_id
            db.execute(
                "INSERT INTO verdicts (measurement_id, made_at, decision, rule, body) VALUES (?, ?, ?, ?, ?)",
                (measurement_id, now_utc(), decision, rule, json.dumps(body, ensure_ascii=False)),
            )
            self._touch(db, job_id)
            found = self.verdict(measurement_id)
            if found is None:  # pragma: no cover - it was inserted a line above
                raise ValueError("the verdict was not stored")
            return found

    def verdict(self, measurement_id: int) -> StoredVerdict | None:
        """Return the latest decision on a measurement, whole, or None."""
        sql = "SELECT * FROM verdicts WHERE measurement_id = ? ORDER BY id DESC LIMIT 1"
        row = self.database.row(sql, (measurement_id,))
        if row is None:
            return None
        return StoredVerdict(
            verdict_id=row["id"],
            measurement_id=measurement_id,
            made_at=row["made_at"],
            decision=row["decision"],
            rule=row["rule"],
            body=json.loads(row["body"]),
        )

    def add_plan(self, job_id: int, panel: str, body: dict[str, Any]) -> StoredPlan:
        """Store a correction plan of a panel."""
        with self.database.saving() as db:
            self.job(job_id)
            plan_id = new_id(
                db.execute(
                    "INSERT INTO plans (uid, job_id, panel, made_at, body) VALUES (?, ?, ?, ?, ?)",
                    (new_uid(), job_id, panel, now_utc(), json.dumps(body, ensure_ascii=False)),
                )
            )
            self._touch(db, job_id)
            return next(p for p in self.plans(job_id) if p.plan_id == plan_id)

    def plans(self, job_id: int) -> list[StoredPlan]:
        """List a job's plans, oldest first."""
        sql = "SELECT * FROM plans WHERE job_id = ? AND deleted_at IS NULL ORDER BY id"
        return [
            StoredPlan(
                plan_id=r["id"],
                uid=r["uid"],
                job_id=r["job_id"],
                panel=r["panel"],
                made_at=r["made_at"],
                body=json.loads(r["body"]),
            )
            for r in self.database.rows(sql, (job_id,))
        ]
