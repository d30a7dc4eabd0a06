"""Jobs, their panels, seams, visits and notes."""

from __future__ import annotations

import json
import sqlite3
from contextlib import suppress
from dataclasses import asdict
from datetime import date, datetime
from typing import Any

from gapvision.errors import GapvisionError, require
from gapvision.records._common import Part, from_json, insert, made_of, name_in_use, new_uid, now_utc, update
from gapvision.records._queries import COUNTS
from gapvision.records.types import METALS, SIDES, Conditions, Job, JobLine, Note, Seam, StoredPanel, Visit
from gapvision.records.words import conditions_for, note_words, plain
from gapvision.units import MM_PER_INCH, parse_length

_MAX_NAME = 200
#: Longest text of the fields that may be longer than a name.
_MOST = {"car": 2000, "notes": 20_000, "note": 20_000}


def short_text(what: str, text: str, least: int = 0, most: int | None = None) -> str:
    """Tidy a text a person typed, and refuse one that is empty or far too long."""
    most = most or _MOST.get(what, _MAX_NAME)
    tidy = text.strip() if most > _MAX_NAME else " ".join(text.split())
    tidy = "".join(c for c in tidy if c in "\n\t" or c.isprintable())
    require("record-text-bad", len(tidy) >= least, f"The {what} is empty.")
    require("record-text-bad", len(tidy) <= most, f"The {what} is longer than {most} characters.")
    return tidy


def _day(text: str | None) -> str:
    """Check a day, or take today."""
    if not text:
        return datetime.now().date().isoformat()
    try:
        return date.fromisoformat(text).isoformat()
    except ValueError:
        raise GapvisionError("record-text-bad", f"'{text}' is not a day.", "Write the day like 2026-03-31.") from None


def _side(text: str) -> str:
    require("record-text-bad", text in SIDES, f"'{text}' is not a side of the car.", "Use left or right, or none.")
    return text


def _seam(row: sqlite3.Row) -> Seam:
    return made_of(Seam, row, spec=None if row["spec"] is None else from_json(row["spec"]))


#: What the lines of a specification's file are called; of others the file's own names.
_WANTED = {
    "nominal": "wanted gap", "allow_below": "allowed below it", "allow_above": "allowed above it",
    "taper_mm_per_m": "taper in mm per metre", "jump_10": "jump over 10 mm",
    "straightness_100": "straightness over 100 mm", "step": "step between the faces",
    "opposite": "difference to the other side", "largest_hole": "longest stretch without a reading",
}  # fmt: skip


def _wants(spec: dict[str, Any]) -> dict[str, str]:
    """A specification in words; of one from another shop's export nobody knows what it holds."""

    def told(value: Any) -> str:
        if isinstance(value, list):
            return ", ".join(map(told, value))
        if isinstance(value, dict):
            return " ".join(map(told, value.values()))
        said = str(value)[:200]
        with suppress(GapvisionError):
            length_mm = parse_length(said)
            return f"{length_mm:.2f} mm ({length_mm / MM_PER_INCH:.3f} in)"
        return said

    named = ("format", "name", "panel", "side", "source")
    found = [(_WANTED.get(key, key.replace("_", " ")), told(value)) for key, value in spec.items() if key not in named]
    return {key[:200]: value[:2000] for key, value in found}


def _differing(one: dict[str, str], other: dict[str, str]) -> str:
    """What one of them asks for and the other does not."""
    return "; ".join(f"{key} {value}" for key, value in one.items() if other.get(key) != value)[:2000] or "nothing"


def visit_of(row: sqlite3.Row, prefix: str = "") -> Visit:
    """Make a visit from its row."""
    said = from_json(row[prefix + "conditions"])  # a later version may have more of them
    conditions = Conditions(**{k: v for k, v in said.items() if k in Conditions.__dataclass_fields__})
    return made_of(Visit, row, prefix, conditions=conditions)


class JobsPart(Part):
    """Jobs and what hangs on them."""

    # --- jobs ---------------------------------------------------------------------
    def new_job(
        self, *, reference: str = "", customer: str = "", car: str = "", notes: str = "", opened_on: str | None = None
    ) -> Job:
        """Open a job; ``job-exists`` or ``record-text-bad``.

        Parameters
        ----------
        reference : str
            The shop's own; empty: the next free one of the year, like ``2026-014``.
        customer, car, notes : str
            In free words.
        opened_on : str, optional
            Day, ISO 8601; today if left out.
        """
        day, stamp = _day(opened_on), now_utc()
        reference = short_text("job's reference", reference)
        texts = _job_texts(customer=customer, car=car, notes=notes)
        with self.database.saving() as db:
            reference = reference or self._free_reference(db, day[:4])
            with name_in_use("job-exists", f"There is a job '{reference}' already."):
                job_id = insert(
                    db, "jobs", uid=new_uid(), reference=reference, **texts, opened_on=day, created_at=stamp,
                    changed_at=stamp,
                )  # fmt: skip
            self._touch(db, job_id)
            return self.job(job_id)

    @staticmethod
    def _free_reference(db: sqlite3.Connection, year: str) -> str:
        """The next reference of a year; jobs in the bin keep theirs."""
        taken = db.execute("SELECT reference FROM jobs WHERE reference LIKE ?", (year + "-%",))
        numbers = [int(r[0][5:]) for r in taken if r[0][5:].isdigit()]
        return f"{year}-{max(numbers, default=0) + 1:03d}"

    def job(self, which: int | str) -> Job:
        """A job by its number in the database or by its reference; ``job-not-found``."""
        column = "id" if isinstance(which, int) else "reference"
        rows = self.database.rows(f"SELECT * FROM jobs WHERE {column} = ? AND deleted_at IS NULL", (which,))
        if not rows and isinstance(which, str):  # written in another case; only when there is just one
            every = self.database.rows("SELECT * FROM jobs WHERE deleted_at IS NULL")
            rows = [r for r in every if plain(r["reference"]) == plain(which)]
        require("job-not-found", len(rows) == 1, f"There is no job '{which}'.")
        return made_of(Job, rows[0])

    def edit_job(self, job_id: int, *, reference: str | None = None, **texts: str | None) -> Job:
        """Change what is given of ``reference``, ``customer``, ``car`` and ``notes``; errors as :meth:`new_job`."""
        if reference is not None:
            reference = short_text("job's reference", reference, least=1)
        tidy = _job_texts(**texts)
        with self.database.saving() as db:
            self.job(job_id)
            with name_in_use("job-exists", f"There is a job '{reference}' already."):
                update(db, "jobs", job_id, reference=reference, **tidy)
            self._touch(db, job_id)
            return self.job(job_id)

    def jobs(self, words: str = "", *, limit: int | None = None, start: int = 0) -> list[JobLine]:
        """List jobs, the one changed last first, or a part of that list.

        Each word, or part of one, must occur somewhere in the job: reference, customer, car, notes, seams, panels,
        stages, people.  Case and accents do not matter.
        """
        where, values = conditions_for(words)
        rows = self.database.rows(
            f"SELECT * FROM jobs j WHERE {where} ORDER BY j.changed_at DESC, j.id DESC LIMIT ? OFFSET ?",
            (*values, -1 if limit is None else limit, start),
        )
        only = "" if len(rows) > 50 else f" AND e.job_id IN ({','.join('?' * len(rows))})"
        found = self.database.rows(COUNTS.format(only=only), 2 * [r["id"] for r in rows] if only else ())
        counts = {r["job_id"]: {k: r[k] for k in r.keys() if k != "job_id"} for r in found}  # of jobs with seams
        return [JobLine(job=made_of(Job, r), **counts.get(r["id"], {})) for r in rows]

    def _touch(self, db: sqlite3.Connection, job_id: int) -> None:
        """Note that a job changed, and its words."""
        update(db, "jobs", job_id, changed_at=now_utc())
        note_words(db, job_id)

    # --- panels -------------------------------------------------------------------
    def put_panel(
        self, job_id: int, name: str, *, side: str = "", metal: str | None = None, length_mm: float | None = None
    ) -> StoredPanel:
        """Add a panel, or change the metal or length of the one of that name and side.

        Its metal is ``steel`` (taken if never said) or ``aluminium``, its length across its gaps 50 to 5000 [mm];
        ``record-text-bad`` or ``value-out-of-range``.
        """
        name, side = short_text("panel's name", name, least=1), _side(side)
        said, advice = f"'{metal}' is not a metal known here.", "Use steel or aluminium."
        require("record-text-bad", metal is None or metal in METALS, said, advice)
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
            return next(p for p in self.panels(job_id) if (p.name, p.side) == (name, side))

    def panels(self, job_id: int) -> list[StoredPanel]:
        """List a job's panels."""
        rows = self.database.rows("SELECT * FROM panels WHERE job_id = ? ORDER BY id", (job_id,))
        return [made_of(StoredPanel, r) for r in rows]

    # --- seams --------------------------------------------------------------------
    def add_seam(
        self, job_id: int, name: str, *, side: str = "", panel_id: int | None = None, spec: dict[str, Any] | None = None
    ) -> Seam:
        """Add a seam, with its specification in its file's form; ``seam-exists`` or ``record-text-bad``."""
        name, side = short_text("seam's name", name, least=1), _side(side)
        with self.database.saving() as db:
            self.job(job_id)
            last = db.execute("SELECT coalesce(max(position), 0) FROM seams WHERE job_id = ?", (job_id,)).fetchone()[0]
            with name_in_use("seam-exists", f"The job has a seam '{name}' already."):
                seam_id = insert(
                    db, "seams", uid=new_uid(), job_id=job_id, panel_id=panel_id, name=name, side=side,
                    spec=None if spec is None else json.dumps(spec), position=last + 1,
                )  # fmt: skip
            self._touch(db, job_id)
            return self.seam(seam_id)

    def seam(self, seam_id: int) -> Seam:
        """A seam by its number; ``seam-not-in-job``."""
        return _seam(self._row("seams", seam_id, "seam-not-in-job", "seam"))

    def seams(self, job_id: int) -> list[Seam]:
        """List a job's seams in their order."""
        return [_seam(r) for r in self._rows("seams", job_id, "position, id")]

    def find_seam(self, job_id: int, name: str, side: str = "") -> Seam:
        """A seam by its name: ``left door, rear``, or ``door, rear`` with ``side='left'``.

        Case, accents and the side's place in the words do not matter; ``seam-not-in-job`` with the names there are.
        """

        def key(text: str) -> str:
            return " ".join(plain(text.replace(",", " ")).split())

        seams = self.seams(job_id)
        exact = [s for s in seams if key(s.name) == key(name) and (not side or s.side == side)]
        loose = [s for s in seams if sorted(key(s.full_name).split()) == sorted(key(f"{side} {name}").split())]
        for found in (exact, loose):
            if len(found) == 1:
                return found[0]
        names = "; ".join(s.full_name for s in seams) or "none yet"
        wrong = "more than one seam" if exact or loose else "no seam"
        asked = f"{side} {name}".strip()
        raise GapvisionError("seam-not-in-job", f"The job has {wrong} '{asked}' (its seams: {names}).")

    def edit_seam(
        self, seam_id: int, *, spec: dict[str, Any] | None = None, panel_id: int | None = None, who: str = ""
    ) -> Seam:
        """Set a seam's specification or panel; what is left out stays.  A note says which specification it had."""
        with self.database.saving() as db:
            seam = self.seam(seam_id)
            was, now = _wants(seam.spec or {}), _wants(spec or {})
            if spec is not None and seam.spec is not None and was != now:
                said = f"Before: {_differing(was, now)}. Now: {_differing(now, was)}."
                text = f"What is wanted of {seam.full_name} was changed. {said}"
                self.add_note(seam.job_id, text, who=who, seam_id=seam_id)
            update(db, "seams", seam_id, spec=None if spec is None else json.dumps(spec), panel_id=panel_id)
            self._touch(db, seam.job_id)
            return self.seam(seam_id)

    # --- visits -------------------------------------------------------------------
    def add_visit(
        self, job_id: int, stage: str, *, on_date: str | None = None, who: str = "",
        conditions: Conditions | None = None, notes: str = "",
    ) -> Visit:  # fmt: skip
        """Add a round of photos at one stage; its day is ISO 8601, today if left out; ``record-text-bad``."""
        texts = {"stage": short_text("stage", stage, least=1), "on_date": _day(on_date)}
        texts |= {"who": short_text("person", who), "notes": short_text("notes", notes)}
        texts["conditions"] = json.dumps(asdict(conditions or Conditions()))
        with self.database.saving() as db:
            self.job(job_id)
            visit_id = insert(db, "visits", uid=new_uid(), job_id=job_id, **texts, created_at=now_utc())
            self._touch(db, job_id)
            return self.visit(visit_id)

    def find_visit(
        self, job_id: int, stage: str, *, on_date: str | None = None, who: str = "",
        conditions: Conditions | None = None,
    ) -> Visit:  # fmt: skip
        """The visit of that stage, day, person and conditions, added if there is none: eight phones share one."""
        stage, day, who = short_text("stage", stage, least=1), _day(on_date), short_text("person", who)
        with self.database.saving():
            for visit in self.visits(job_id):
                same = (plain(visit.stage), visit.on_date, plain(visit.who)) == (plain(stage), day, plain(who))
                if same and conditions in (None, visit.conditions):
                    return visit
            return self.add_visit(job_id, stage, on_date=day, who=who, conditions=conditions)

    def visit(self, visit_id: int) -> Visit:
        """A visit by its number; ``visit-not-found``."""
        return visit_of(self._row("visits", visit_id, "visit-not-found", "visit"))

    def visits(self, job_id: int) -> list[Visit]:
        """List a job's visits by day."""
        return [visit_of(r) for r in self._rows("visits", job_id, "on_date, id")]

    # --- notes --------------------------------------------------------------------
    def add_note(
        self, job_id: int, text: str, *, who: str = "", seam_id: int | None = None, visit_id: int | None = None,
        made_at: str | None = None,
    ) -> Note:  # fmt: skip
        """Write something down beside a job, one of its seams or visits; ``record-text-bad``."""
        text, who = short_text("note", text, least=1), short_text("person", who)
        with self.database.saving() as db:
            self.job(job_id)
            note_id = insert(
                db, "notes", uid=new_uid(), job_id=job_id, seam_id=seam_id, visit_id=visit_id, text=text, who=who,
                made_at=made_at or now_utc(),
            )  # fmt: skip
            self._touch(db, job_id)
            return next(n for n in self.notes(job_id) if n.note_id == note_id)

    def notes(self, job_id: int) -> list[Note]:
        """List a job's notes, oldest first."""
        return [made_of(Note, r) for r in self._rows("notes", job_id)]


def _job_texts(**texts: str | None) -> dict[str, str]:
    """Tidy those of a job's texts that are given."""
    return {name: short_text(name, text) for name, text in texts.items() if text is not None}
