"""Jobs, their panels, seams, visits and notes."""

from __future__ import annotations

import json
import sqlite3
from datetime import date
from typing import Any

from gapvision.errors import GapvisionError
from gapvision.records._common import Part, new_id, new_uid, now_utc, today
from gapvision.records._queries import COUNTS
from gapvision.records.types import SIDES, Conditions, Job, JobLine, Note, Seam, StoredPanel, Visit
from gapvision.records.words import conditions_for, note_words, plain

METALS = ("steel", "aluminium")
_MAX_TEXT = 20_000
_MAX_NAME = 200


def short_text(what: str, text: str, least: int = 0, most: int = _MAX_NAME) -> str:
    """Tidy a text a person typed, and refuse one that is empty or far too long."""
    tidy = text.strip() if most > _MAX_NAME else " ".join(text.split())
    tidy = "".join(c for c in tidy if c in "\n\t" or c.isprintable())
    if len(tidy) < least:
        raise GapvisionError("record-text-bad", f"The {what} is empty.")
    if len(tidy) > most:
        raise GapvisionError("record-text-bad", f"The {what} is longer than {most} characters.")
    return tidy


def _day(text: str | None) -> str:
    """Check a day, or take today."""
    if not text:
        return today()
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise GapvisionError("record-text-bad", f"'{text}' is not a day.", "Write the day like 2026-03-31.") from None


def _side(text: str) -> str:
    if text not in SIDES:
        raise GapvisionError("record-text-bad", f"'{text}' is not a side of the car.", "Use left or right, or none.")
    return text


def job_of(row: sqlite3.Row) -> Job:
    """Make a job from its row."""
    return Job(
        job_id=row["id"],
        uid=row["uid"],
        reference=row["reference"],
        customer=row["customer"],
        car=row["car"],
        notes=row["notes"],
        opened_on=row["opened_on"],
        created_at=row["created_at"],
        changed_at=row["changed_at"],
    )


def panel_of(row: sqlite3.Row) -> StoredPanel:
    """Make a panel from its row."""
    return StoredPanel(
        panel_id=row["id"],
        uid=row["uid"],
        job_id=row["job_id"],
        name=row["name"],
        side=row["side"],
        metal=row["metal"],
        length_mm=row["length_mm"],
    )


def seam_of(row: sqlite3.Row) -> Seam:
    """Make a seam from its row."""
    return Seam(
        seam_id=row["id"],
        uid=row["uid"],
        job_id=row["job_id"],
        panel_id=row["panel_id"],
        name=row["name"],
        side=row["side"],
        spec=None if row["spec"] is None else json.loads(row["spec"]),
        position=row["position"],
    )


def visit_of(row: sqlite3.Row, prefix: str = "") -> Visit:
    """Make a visit from its row."""
    return Visit(
        visit_id=row[prefix + "id"],
        uid=row[prefix + "uid"],
        job_id=row[prefix + "job_id"],
        stage=row[prefix + "stage"],
        on_date=row[prefix + "on_date"],
        who=row[prefix + "who"],
        conditions=Conditions.from_dict(json.loads(row[prefix + "conditions"])),
        notes=row[prefix + "notes"],
    )


class JobsPart(Part):
    """Jobs and what hangs on them."""

    # --- jobs ---------------------------------------------------------------------
    def new_job(
        self, *, reference: str = "", customer: str = "", car: str = "", notes: str = "", opened_on: str | None = None
    ) -> Job:
        """Open a job.

        Parameters
        ----------
        reference : str
            The shop's own; empty: the next free one of the year, like ``2026-014``.
        customer, car, notes : str
            In free words.
        opened_on : str, optional
            Day, ISO 8601; today if left out.

        Raises
        ------
        GapvisionError
            ``job-exists`` or ``record-text-bad``.
        """
        day, stamp = _day(opened_on), now_utc()
        reference = short_text("job's reference", reference)
        values = [short_text("customer", customer), short_text("car", car, most=2000)]
        values.append(short_text("notes", notes, most=_MAX_TEXT))
        with self.database.saving() as db:
            reference = reference or self._free_reference(db, day[:4])
            try:
                job_id = new_id(
                    db.execute(
                        "INSERT INTO jobs (uid, reference, customer, car, notes, opened_on, created_at, changed_at)"
                        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                        (new_uid(), reference, *values, day, stamp, stamp),
                    )
                )
            except sqlite3.IntegrityError:
                raise GapvisionError("job-exists", f"There is a job '{reference}' already.") from None
            self._touch(db, job_id)
            return self.job(job_id)

    @staticmethod
    def _free_reference(db: sqlite3.Connection, year: str) -> str:
        """Return the next reference of a year; jobs in the bin keep theirs."""
        taken = {r[0] for r in db.execute("SELECT reference FROM jobs WHERE reference LIKE ?", (year + "-%",))}
        numbers = [int(t[5:]) for t in taken if t[5:].isdigit()]
        return f"{year}-{max(numbers, default=0) + 1:03d}"

    def job(self, which: int | str) -> Job:
        """Return a job by its number in the database or by its reference.

        Raises
        ------
        GapvisionError
            ``job-not-found``.
        """
        column = "id" if isinstance(which, int) else "reference"
        row = self.database.row(f"SELECT * FROM jobs WHERE {column} = ? AND deleted_at IS NULL", (which,))
        if row is None and isinstance(which, str):
            row = self._by_plain_reference(which)
        if row is None:
            raise GapvisionError("job-not-found", f"There is no job '{which}'.")
        return job_of(row)

    def _by_plain_reference(self, reference: str) -> sqlite3.Row | None:
        """Find a reference written in another case; only when there is just one."""
        rows = self.database.rows("SELECT * FROM jobs WHERE deleted_at IS NULL")
        same = [r for r in rows if plain(r["reference"]) == plain(reference)]
        return same[0] if len(same) == 1 else None

    def edit_job(
        self,
        job_id: int,
        *,
        reference: str | None = None,
        customer: str | None = None,
        car: str | None = None,
        notes: str | None = None,
    ) -> Job:
        """Change what is given; leave the rest."""
        new: dict[str, str] = {}
        if reference is not None:
            new["reference"] = short_text("job's reference", reference, least=1)
        if customer is not None:
            new["customer"] = short_text("customer", customer)
        if car is not None:
            new["car"] = short_text("car", car, most=2000)
        if notes is not None:
            new["notes"] = short_text("notes", notes, most=_MAX_TEXT)
        with self.database.saving() as db:
            self.job(job_id)
            for column, value in new.items():
                try:
                    db.execute(f"UPDATE jobs SET {column} = ? WHERE id = ?", (value, job_id))
                except sqlite3.IntegrityError:
                    raise GapvisionError("job-exists", f"There is a job '{value}' already.") from None
            self._touch(db, job_id)
            return self.job(job_id)

    def jobs(self, words: str = "", *, limit: int | None = None, start: int = 0) -> list[JobLine]:
        """List jobs, the one changed last first.

        Parameters
        ----------
        words : str
            Each word must occur somewhere in the job: reference, customer,
            car, notes, seams, panels, stages, people.  Case and accents do not
            matter, and part of a word is enough.
        limit, start : int
            A part of the list.
        """
        where, values = conditions_for(words)
        rows = self.database.rows(
            f"SELECT * FROM jobs j WHERE {where} ORDER BY j.changed_at DESC, j.id DESC LIMIT ? OFFSET ?",
            (*values, -1 if limit is None else limit, start),
        )
        counts = self._counts([r["id"] for r in rows])
        return [JobLine(job=job_of(r), **counts[r["id"]]) for r in rows]

    def _counts(self, job_ids: list[int]) -> dict[int, dict[str, Any]]:
        """Count seams and the latest decisions of many jobs in two queries."""
        wanted = set(job_ids)
        only = "" if len(wanted) > 50 else f" AND e.job_id IN ({','.join('?' * len(wanted))})"
        values = tuple(wanted) if only else ()
        found: dict[int, dict[str, Any]] = {
            i: {"seams": 0, "measured": 0, "in_tolerance": 0, "out_of_tolerance": 0, "not_proven": 0, "last_on": ""}
            for i in wanted
        }
        for row in self.database.rows(COUNTS.format(only=only), values):
            if row["job_id"] in found:
                found[row["job_id"]].update({k: row[k] for k in row.keys() if k != "job_id"})
        return found

    def _touch(self, db: sqlite3.Connection, job_id: int) -> None:
        """Note that a job changed, and its words."""
        db.execute("UPDATE jobs SET changed_at = ? WHERE id = ?", (now_utc(), job_id))
        note_words(db, job_id)

    # --- panels -------------------------------------------------------------------
    def put_panel(
        self, job_id: int, name: str, *, side: str = "", metal: str | None = None, length_mm: float | None = None
    ) -> StoredPanel:
        """Add a panel, or change the metal or length of the one of that name and side.

        Parameters
        ----------
        metal : str, optional
            ``steel`` (taken if never said) or ``aluminium``.
        length_mm : float, optional
            Length across its gaps [mm], 50 to 5000.

        Raises
        ------
        GapvisionError
            ``record-text-bad`` or ``value-out-of-range``.
        """
        name, side = short_text("panel's name", name, least=1), _side(side)
        if metal is not None and metal not in METALS:
            raise GapvisionError("record-text-bad", f"'{metal}' is not a metal known here.", "Use steel or aluminium.")
        if length_mm is not None and not 50 <= length_mm <= 5000:
            raise GapvisionError("value-out-of-range", f"A panel {length_mm:g} mm long makes no sense here.")
        with self.database.saving() as db:
            self.job(job_id)
            db.execute(
                "INSERT INTO panels (uid, job_id, name, side, metal, length_mm)"
                " VALUES (:uid, :job, :name, :side, coalesce(:metal, 'steel'), :length)"
                " ON CONFLICT (job_id, name, side) DO UPDATE SET"
                " metal = coalesce(:metal, metal), length_mm = coalesce(:length, length_mm)",
                {"uid": new_uid(), "job": job_id, "name": name, "side": side, "metal": metal, "length": length_mm},
            )
            self._touch(db, job_id)
            row = db.execute(
                "SELECT * FROM panels WHERE job_id = ? AND name = ? AND side = ?", (job_id, name, side)
            ).fetchone()
            return panel_of(row)

    def panels(self, job_id: int) -> list[StoredPanel]:
        """List a job's panels."""
        return [panel_of(r) for r in self.database.rows("SELECT * FROM panels WHERE job_id = ? ORDER BY id", (job_id,))]

    # --- seams --------------------------------------------------------------------
    def add_seam(
        self, job_id: int, name: str, *, side: str = "", panel_id: int | None = None, spec: dict[str, Any] | None = None
    ) -> Seam:
        """Add a seam.

        Parameters
        ----------
        spec : dict, optional
            Its specification, as the judgement room writes it.

        Raises
        ------
        GapvisionError
            ``seam-exists`` or ``record-text-bad``.
        """
        name, side = short_text("seam's name", name, least=1), _side(side)
        with self.database.saving() as db:
            self.job(job_id)
            last = db.execute("SELECT coalesce(max(position), 0) FROM seams WHERE job_id = ?", (job_id,)).fetchone()[0]
            text = None if spec is None else json.dumps(spec)
            try:
                seam_id = new_id(
                    db.execute(
                        "INSERT INTO seams (uid, job_id, panel_id, name, side, spec, position)"
                        " VALUES (?, ?, ?, ?, ?, ?, ?)",
                        (new_uid(), job_id, panel_id, name, side, text, last + 1),
                    )
                )
            except sqlite3.IntegrityError:
                raise GapvisionError("seam-exists", f"The job has a seam '{name}' already.") from None
            self._touch(db, job_id)
            return self.seam(seam_id)

    def seam(self, seam_id: int) -> Seam:
        """Return a seam by its number.

        Raises
        ------
        GapvisionError
            ``seam-not-in-job``.
        """
        row = self.database.row("SELECT * FROM seams WHERE id = ? AND deleted_at IS NULL", (seam_id,))
        if row is None:
            raise GapvisionError("seam-not-in-job", f"There is no seam number {seam_id}.")
        return seam_of(row)

    def seams(self, job_id: int) -> list[Seam]:
        """List a job's seams in their order."""
        sql = "SELECT * FROM seams WHERE job_id = ? AND deleted_at IS NULL ORDER BY position, id"
        return [seam_of(r) for r in self.database.rows(sql, (job_id,))]

    def find_seam(self, job_id: int, name: str, side: str = "") -> Seam:
        """Return a seam by its name; case, accents and the side's place in the words do not matter.

        Parameters
        ----------
        name : str
            ``left door, rear``, or ``door, rear`` with ``side='left'``.

        Raises
        ------
        GapvisionError
            ``seam-not-in-job``, with the names there are.
        """

        def key(text: str) -> str:
            return " ".join(plain(text.replace(",", " ")).split())

        seams = self.seams(job_id)
        exact = [s for s in seams if key(s.name) == key(name) and (not side or s.side == side)]
        loose = [s for s in seams if sorted(key(f"{s.side} {s.name}").split()) == sorted(key(f"{side} {name}").split())]
        for found in (exact, loose):
            if len(found) == 1:
                return found[0]
        names = "; ".join(f"{s.side} {s.name}".strip() for s in seams) or "none yet"
        wrong = "more than one seam" if exact or loose else "no seam"
        asked = f"{side} {name}".strip()
        raise GapvisionError("seam-not-in-job", f"The job has {wrong} '{asked}' (its seams: {names}).")

    def edit_seam(self, seam_id: int, *, spec: dict[str, Any] | None = None, panel_id: int | None = None) -> Seam:
        """Set a seam's specification or panel; what is left out stays."""
        with self.database.saving() as db:
            seam = self.seam(seam_id)
            if spec is not None:
                db.execute("UPDATE seams SET spec = ? WHERE id = ?", (json.dumps(spec), seam_id))
            if panel_id is not None:
                db.execute("UPDATE seams SET panel_id = ? WHERE id = ?", (panel_id, seam_id))
            self._touch(db, seam.job_id)
            return self.seam(seam_id)

    # --- visits -------------------------------------------------------------------
    def add_visit(
        self,
        job_id: int,
        stage: str,
        *,
        on_date: str | None = None,
        who: str = "",
        conditions: Conditions | None = None,
        notes: str = "",
    ) -> Visit:
        """Add a round of photos at one stage."""
        stage, day = short_text("stage", stage, least=1), _day(on_date)
        who, notes = short_text("person", who), short_text("notes", notes, most=_MAX_TEXT)
        with self.database.saving() as db:
            self.job(job_id)
            visit_id = new_id(
                db.execute(
                    "INSERT INTO visits (uid, job_id, stage, on_date, who, conditions, notes, created_at)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
                    (
                        new_uid(),
                        job_id,
                        stage,
                        day,
                        who,
                        json.dumps((conditions or Conditions()).to_dict()),
                        notes,
                        now_utc(),
                    ),
                )
            )
            self._touch(db, job_id)
            return self.visit(visit_id)

    def find_visit(
        self,
        job_id: int,
        stage: str,
        *,
        on_date: str | None = None,
        who: str = "",
        conditions: Conditions | None = None,
    ) -> Visit:
        """Return the visit of that stage, day, person and conditions; add it if there is none.

        Eight phones that photograph at one stage so share one visit.
        """
        stage, day, who = short_text("stage", stage, least=1), _day(on_date), short_text("person", who)
        with self.database.saving():
            for visit in self.visits(job_id):
                same = (plain(visit.stage), visit.on_date, plain(visit.who)) == (plain(stage), day, plain(who))
                if same and conditions in (None, visit.conditions):
                    return visit
            return self.add_visit(job_id, stage, on_date=day, who=who, conditions=conditions)

    def visit(self, visit_id: int) -> Visit:
        """Return a visit by its number.

        Raises
        ------
        GapvisionError
            ``visit-not-found``.
        """
        row = self.database.row("SELECT * FROM visits WHERE id = ? AND deleted_at IS NULL", (visit_id,))
        if row is None:
            raise GapvisionError("visit-not-found", f"There is no visit number {visit_id}.")
        return visit_of(row)

    def visits(self, job_id: int) -> list[Visit]:
        """List a job's visits by day."""
        sql = "SELECT * FROM visits WHERE job_id = ? AND deleted_at IS NULL ORDER BY on_date, id"
        return [visit_of(r) for r in self.database.rows(sql, (job_id,))]

    def edit_visit(
        self, visit_id: int, *, conditions: Conditions | None = None, notes: str | None = None, who: str | None = None
    ) -> Visit:
        """Change a visit's conditions, notes or person; what is left out stays."""
        with self.database.saving() as db:
            visit = self.visit(visit_id)
            if conditions is not None:
                text = json.dumps(conditions.to_dict())
                db.execute("UPDATE visits SET conditions = ? WHERE id = ?", (text, visit_id))
            if notes is not None:
                tidy = short_text("notes", notes, most=_MAX_TEXT)
                db.execute("UPDATE visits SET notes = ? WHERE id = ?", (tidy, visit_id))
            if who is not None:
                db.execute("UPDATE visits SET who = ? WHERE id = ?", (short_text("person", who), visit_id))
            self._touch(db, visit.job_id)
            return self.visit(visit_id)

    # --- notes --------------------------------------------------------------------
    def add_note(
        self, job_id: int, text: str, *, who: str = "", seam_id: int | None = None, visit_id: int | None = None
    ) -> Note:
        """Write something down beside a job, one of its seams or visits."""
        text, who = short_text("note", text, least=1, most=_MAX_TEXT), short_text("person", who)
        with self.database.saving() as db:
            self.job(job_id)
            note_id = new_id(
                db.execute(
                    "INSERT INTO notes (uid, job_id, seam_id, visit_id, text, who, made_at)"
                    " VALUES (?, ?, ?, ?, ?, ?, ?)",
                    (new_uid(), job_id, seam_id, visit_id, text, who, now_utc()),
                )
            )
            self._touch(db, job_id)
            return next(n for n in self.notes(job_id) if n.note_id == note_id)

    def notes(self, job_id: int) -> list[Note]:
        """List a job's notes, oldest first."""
        sql = "SELECT * FROM notes WHERE job_id = ? AND deleted_at IS NULL ORDER BY id"
        return [
            Note(
                note_id=r["id"],
                uid=r["uid"],
                job_id=r["job_id"],
                seam_id=r["seam_id"],
                visit_id=r["visit_id"],
                text=r["text"],
                who=r["who"],
                made_at=r["made_at"],
            )
            for r in self.database.rows(sql, (job_id,))
        ]
