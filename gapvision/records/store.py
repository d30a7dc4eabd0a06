"""The store: one data folder with the database and the photos; its bin, its backup, and the shop's own head."""

from __future__ import annotations

import base64
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from pathlib import Path
from typing import Any

from gapvision.errors import GapvisionError, require
from gapvision.formats.atomic import make_folder
from gapvision.formats.data_folder import RECORDS
from gapvision.records._common import insert, made_of, name_in_use, now_utc, update
from gapvision.records._exchange import ExchangePart
from gapvision.records._jobs import short_text
from gapvision.records.database import Database
from gapvision.records.photos import PhotoFolder
from gapvision.records.types import BinItem, Shop
from gapvision.records.verifying import Verified, look_at_results

PHOTO_FOLDER_NAME = "photos"
MAX_LOGO_BYTES = 2_000_000
_LOGO_STARTS = (b"\x89PNG\r\n\x1a\n", b"\xff\xd8\xff")
_SHOP_CHOICES = {"paper": ("a4", "letter"), "units": ("mm", "inch")}
_SET = "INSERT INTO settings VALUES (?, ?) ON CONFLICT (key) DO UPDATE SET value = excluded.value"
ALL_PHOTOS = "SELECT sha256, suffix FROM photos ORDER BY sha256"

#: What can be deleted -> table, what a person calls the item, and the job it belongs to.
_KINDS: dict[str, tuple[str, str, str]] = {
    "job": ("jobs", "'job ' || reference || ', ' || customer", "id"),
    "seam": ("seams", "'seam ' || trim(side || ' ' || name)", "job_id"),
    "visit": ("visits", "'visit ' || stage || ', ' || on_date", "job_id"),
    "photo": ("shots", "'photo number ' || id", "(SELECT job_id FROM visits WHERE visits.id = visit_id)"),
    "note": ("notes", "'note ' || substr(text, 1, 40)", "job_id"),
    "plan": ("plans", "'plan for ' || panel", "job_id"),
}

#: Called with (done, all) after each step of long work.
Progress = Callable[[int, int], None]


class Store(ExchangePart):
    """Jobs and their evidence in one data folder.  Safe to use from several threads.

    Parameters
    ----------
    folder : Path
        Made if missing.

    Raises
    ------
    GapvisionError
        ``folder-not-writable``, ``records-newer``, ``records-damaged``.

    Examples
    --------
    >>> import tempfile
    >>> with tempfile.TemporaryDirectory() as folder, Store(Path(folder)) as store:
    ...     store.new_job(reference="17", car="two-seat roadster").reference
    '17'
    """

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        make_folder(folder)
        self.database = Database(folder / RECORDS)
        self.photos = PhotoFolder(folder / PHOTO_FOLDER_NAME)
        self.photos.sweep()

    def close(self) -> None:
        """Close the database; the object cannot be used afterwards."""
        self.database.close()

    def __enter__(self) -> Store:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def check(self, progress: Progress | None = None) -> list[str]:
        """Check the database and every photo; return what is wrong, in words."""
        return list(self.verify(progress).problems)

    def verify(
        self, progress: Progress | None = None, *, photos: bool = True, results_progress: Progress | None = None,
        workers: int = 1,
    ) -> Verified:  # fmt: skip
        """Look at all that is stored: the file, its rows and their chain, every result and verdict, every photo.

        Parameters
        ----------
        progress, results_progress : callable, optional
            Called with (photos read, all), and with (results worked out again, all).
        photos : bool
            False leaves the photos unread.
        workers : int
            Processes that work results out again; more than one only from a program's main file.
        """
        with ThreadPoolExecutor(1) as beside:  # the chain is one long walk, results are worked out meanwhile
            walk = beside.submit(self.database.look)
            problems, remarks, results = look_at_results(self.database, results_progress, workers)
            wrong, chain = walk.result()
        if chain.removed:
            remarks = [*remarks, f"{chain.removed} rows were removed for good, through the bin"]
        rows = self.database.rows(ALL_PHOTOS) if photos else []
        for number, row in enumerate(rows, 1):
            try:
                self.photos.read(row["sha256"], row["suffix"])
            except (GapvisionError, ValueError) as error:  # the second: its row is damaged
                problems.append(getattr(error, "message", str(error)))
            if progress is not None:
                progress(number, len(rows))
        return Verified(
            problems=(*wrong, *problems), remarks=tuple(remarks), results=results, photos=len(rows),
            head=self.database.head(), speaks_from=chain.speaks_from,
        )  # fmt: skip

    # --- the bin: what is deleted can be brought back until it is emptied -------------
    def delete(self, kind: str, item_id: int) -> BinItem:
        """Put something into the bin, with all that hangs on it; ``bin-item-not-found``.

        Its kind is ``job``, ``seam``, ``visit``, ``photo`` (its ``shot_id``), ``note`` or ``plan``.
        """
        table, label, job = _KINDS[kind]
        with self.database.saving() as db:
            row = db.execute(
                f"SELECT {label} AS label, {job} AS job_id FROM {table} WHERE id = ? AND deleted_at IS NULL", (item_id,)
            ).fetchone()
            if row is None:
                raise GapvisionError("bin-item-not-found", f"There is no {kind} number {item_id}.")
            stamp = now_utc()
            update(db, table, item_id, deleted_at=stamp)
            insert(db, "bin", kind=kind, item_id=item_id, label=row["label"], deleted_at=stamp)
            self._touch(db, row["job_id"])
            return self.bin()[0]

    def bin(self) -> list[BinItem]:
        """List what is in the bin, the latest first."""
        return [made_of(BinItem, r) for r in self.database.rows("SELECT * FROM bin ORDER BY id DESC")]

    def undo_delete(self, bin_id: int | None = None) -> BinItem:
        """Bring something back, by default what was deleted last.

        Refused with ``bin-item-not-found``; ``job-exists`` or ``seam-exists`` when another one has its name meanwhile.
        """
        with self.database.saving() as db:
            item = next((i for i in self.bin() if bin_id in (None, i.bin_id)), None)
            if item is None:
                raise GapvisionError("bin-item-not-found", "There is nothing like that in the bin.")
            table, _, job = _KINDS[item.kind]
            code = "job-exists" if item.kind == "job" else "seam-exists"
            advice = "Rename the other one first, then bring this back."
            with name_in_use(code, f"The name of the {item.label} is in use again.", advice):
                db.execute(f"UPDATE {table} SET deleted_at = NULL WHERE id = ?", (item.item_id,))
            db.execute("DELETE FROM bin WHERE id = ?", (item.bin_id,))
            self._touch(db, db.execute(f"SELECT {job} FROM {table} WHERE id = ?", (item.item_id,)).fetchone()[0])
            return item

    def empty_bin(self) -> tuple[int, int]:
        """Remove for good what is in the bin, and photos that nothing needs any more; return how many of each."""
        with self.database.saving() as db:
            items = self.bin()
            for item in items:
                db.execute(f"DELETE FROM {_KINDS[item.kind][0]} WHERE id = ?", (item.item_id,))
            db.execute("DELETE FROM bin")
            unused = db.execute(
                "DELETE FROM photos WHERE NOT EXISTS (SELECT 1 FROM shots WHERE shots.photo_sha256 = photos.sha256)"
                " AND NOT EXISTS (SELECT 1 FROM set_photos WHERE set_photos.photo_sha256 = photos.sha256)"
                " RETURNING sha256, suffix"
            ).fetchall()
        # Files go after their rows, and under the writer's turn, so that a photo
        # that another phone just stored again is not taken from under its row.
        with self.database.saving() as db:
            kept = {r[0] for r in db.execute("SELECT sha256 FROM photos")}
            gone = [r for r in unused if r["sha256"] not in kept]
            for row in gone:
                self.photos.path(row["sha256"], row["suffix"]).unlink(missing_ok=True)
        return len(items), len(gone)

    # --- the backup (see backup.py) -----------------------------------------------------
    def proven_backup(self) -> str:
        """When a whole backup of these records was last made and opened again, UTC; empty for never."""
        row = self.database.row("SELECT value FROM settings WHERE key = 'records.proven_backup'")
        return "" if row is None else row["value"]

    def note_backup(self) -> None:
        """Note that one was just made; where nothing can be saved, nothing is noted."""
        with suppress(GapvisionError), self.database.saving() as db:
            db.execute(_SET, ("records.proven_backup", now_utc()))

    # --- the shop's own head for its documents ------------------------------------------
    def shop(self) -> Shop:
        """The shop's head; empty before it was set."""
        rows = self.database.rows("SELECT key, value FROM settings WHERE key LIKE 'shop.%'")
        found: dict[str, Any] = {r["key"].removeprefix("shop."): r["value"] for r in rows}
        found["logo"] = base64.b64decode(found.get("logo", "")) or None
        return Shop(**{k: v for k, v in found.items() if k in Shop.__dataclass_fields__})

    def set_shop(self, *, logo: bytes | None = None, **texts: str | None) -> Shop:
        """Change what is given; ``shop-setting-bad``, ``record-text-bad``.

        Parameters
        ----------
        logo : bytes, optional
            A PNG or JPEG file of at most 2 MB; an empty one takes it away.
        **texts
            ``name``, ``address``, ``contact``; ``paper``: ``a4`` or ``letter``; ``units``: ``mm`` or ``inch``, which
            one stands first in reports.
        """
        new = {k: short_text(f"shop's {k}", text, most=500) for k, text in texts.items() if text is not None}
        for key, allowed in _SHOP_CHOICES.items():
            value = new.get(key, allowed[0])
            require("shop-setting-bad", value in allowed, f"'{value}' is not one of {' or '.join(allowed)}.")
        picture = not logo or (len(logo) <= MAX_LOGO_BYTES and logo.startswith(_LOGO_STARTS))
        require("shop-setting-bad", picture, "The logo is not a PNG or JPEG of at most 2 MB.")
        if logo is not None:
            new["logo"] = base64.b64encode(logo).decode()
        with self.database.saving() as db:
            rows = [(f"shop.{k}", v) for k, v in new.items()]
            db.executemany(_SET, rows)
        return self.shop()
