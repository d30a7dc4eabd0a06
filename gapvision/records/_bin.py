"""The bin: what is deleted can be brought back until the bin is emptied."""

from __future__ import annotations

import sqlite3

from gapvision.errors import GapvisionError
from gapvision.records._common import now_utc
from gapvision.records._results import ResultsPart
from gapvision.records.types import BinItem

# Kind -> table, what a person calls the item, and the job it belongs to.
_KINDS: dict[str, tuple[str, str, str]] = {
    "job": ("jobs", "'job ' || reference || ', ' || customer", "id"),
    "seam": ("seams", "'seam ' || trim(side || ' ' || name)", "job_id"),
    "visit": ("visits", "'visit ' || stage || ', ' || on_date", "job_id"),
    "photo": ("shots", "'photo number ' || id", "(SELECT job_id FROM visits WHERE visits.id = visit_id)"),
    "note": ("notes", "'note ' || substr(text, 1, 40)", "job_id"),
    "plan": ("plans", "'plan for ' || panel", "job_id"),
}


class BinPart(ResultsPart):
    """Deleting, bringing back, and emptying the bin."""

    def delete(self, kind: str, item_id: int) -> BinItem:
        """Put something into the bin, with all that hangs on it.

        Parameters
        ----------
        kind : str
            ``job``, ``seam``, ``visit``, ``photo`` (its ``shot_id``), ``note`` or ``plan``.

        Raises
        ------
        GapvisionError
            ``bin-item-not-found``.
        """
        table, label, job = _KINDS[kind]
        with self.database.saving() as db:
            row = db.execute(
                f"SELECT {label} AS label, {job} AS job_id FROM {table} WHERE id = ? AND deleted_at IS NULL", (item_id,)
            ).fetchone()
            if row is None:
                raise GapvisionError("bin-item-not-found", f"There is no {kind} number {item_id}.")
            stamp = now_utc()
            db.execute(f"UPDATE {table} SET deleted_at = ? WHERE id = ?", (stamp, item_id))
            db.execute(
                "INSERT INTO bin (kind, item_id, label, deleted_at) VALUES (?, ?, ?, ?)",
                (kind, item_id, row["label"], stamp),
            )
            self._touch(db, row["job_id"])
            return self.bin()[0]

    def bin(self) -> list[BinItem]:
        """List what is in the bin, the latest first."""
        return [
            BinItem(bin_id=r["id"], kind=r["kind"], item_id=r["item_id"], label=r["label"], deleted_at=r["deleted_at"])
            for r in self.database.rows("SELECT * FROM bin ORDER BY id DESC")
        ]

    def undo_delete(self, bin_id: int | None = None) -> BinItem:
        """Bring something back, by default what was deleted last.

        Raises
        ------
        GapvisionError
            ``bin-item-not-found``; ``job-exists`` or ``seam-exists`` when its
            name was given to another one meanwhile.
        """
        with self.database.saving() as db:
            items = [i for i in self.bin() if bin_id in (None, i.bin_id)]
            if not items:
                raise GapvisionError("bin-item-not-found", "There is nothing like that in the bin.")
            item = items[0]
            table, _, job = _KINDS[item.kind]
            try:
                db.execute(f"UPDATE {table} SET deleted_at = NULL WHERE id = ?", (item.item_id,))
            except sqlite3.IntegrityError:
                code = "job-exists" if item.kind == "job" else "seam-exists"
                advice = "Rename the other one first, then bring this back."
                raise GapvisionError(code, f"The name of the {item.label} is in use again.", advice) from None
            db.execute("DELETE FROM bin WHERE id = ?", (item.bin_id,))
            row = db.execute(f"SELECT {job} FROM {table} WHERE id = ?", (item.item_id,)).fetchone()
            self._touch(db, row[0])
            return item

    def empty_bin(self) -> tuple[int, int]:
        """Remove for good what is in the bin, and photos that nothing needs any more.

        Returns
        -------
        tuple of int
            How many items and how many photo files went.
        """
        with self.database.saving() as db:
            items = self.bin()
            for item in items:
                db.execute(f"DELETE FROM {_KINDS[item.kind][0]} WHERE id = ?", (item.item_id,))
            db.execute("DELETE FROM bin")
            unused = db.execute(
                "SELECT sha256, suffix FROM photos WHERE NOT EXISTS"
                " (SELECT 1 FROM shots WHERE shots.photo_sha256 = photos.sha256)"
            ).fetchall()
            db.executemany("DELETE FROM photos WHERE sha256 = ?", [(r["sha256"],) for r in unused])
        # Files go after their rows, and under the writer's turn, so that a photo
        # that another phone just stored again is not taken from under its row.
        with self.database.saving() as db:
            gone = 0
            for row in unused:
                if db.execute("SELECT 1 FROM photos WHERE sha256 = ?", (row["sha256"],)).fetchone() is None:
                    self.photos.path(row["sha256"], row["suffix"]).unlink(missing_ok=True)
                    gone += 1
        return len(items), gone
