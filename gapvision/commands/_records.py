"""What the commands on the records share: the data folder, the way to name things, a progress bar."""

from __future__ import annotations

import argparse
import sys
import time
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, TextIO

from gapvision.errors import GapvisionError

if TYPE_CHECKING:
    from gapvision.records import Backup, Job, MeasurementLine, Seam, Store


def add_data(parser: argparse.ArgumentParser) -> None:
    """Add --data."""
    parser.add_argument("--data", metavar="DIR", help="data folder (default: GAPVISION_DATA, else your own)")


def open_store(args: argparse.Namespace) -> Store:
    """Open the records of ``--data``."""
    from gapvision.records import Store, data_folder

    return Store(data_folder(args.data))


def choose_line(store: Store, job: Job, seam: Seam, which: str) -> MeasurementLine:
    """Return one result of a seam by its number, its stage, or ``first`` / ``last``.

    Of a stage that was photographed several times, the latest result.
    """
    lines = [x for x in store.history(seam.seam_id) if x.status != "refused"]
    if not lines:
        raise GapvisionError(
            "measurement-not-found", f"Seam '{seam.name}' of job '{job.reference}' has no measurement."
        )
    if which in ("first", "last"):
        return lines[0 if which == "first" else -1]
    if which.isdigit():
        found = [x for x in lines if x.measurement_id == int(which)]
    else:
        found = [x for x in lines if x.visit.stage.casefold() == which.casefold()]
    if not found:
        stages = ", ".join(dict.fromkeys(x.visit.stage for x in lines))
        raise GapvisionError("measurement-not-found", f"There is no measurement '{which}' (stages: {stages}).")
    return found[-1]


class Bar:
    """Progress: one moving line on a terminal, a line every few seconds elsewhere.

    Parameters
    ----------
    label : str
        What is going on.
    """

    def __init__(self, label: str, stream: TextIO | None = None) -> None:
        self.label = label
        self.stream = stream or sys.stderr
        self.moving = self.stream.isatty()
        self._shown_at = 0.0

    def __call__(self, done: int, total: int, name: str = "") -> None:
        """Show how far it is, and what was done last."""
        now = time.monotonic()
        last = done >= total
        if not last and now - self._shown_at < (0.1 if self.moving else 5.0):
            return
        self._shown_at = now
        full = round(24 * done / max(total, 1))
        line = f"{self.label} [{'#' * full}{'.' * (24 - full)}] {done}/{total} {name}".rstrip()
        self.stream.write(f"\r{line[:79]:<79}" + ("\n" if last else "") if self.moving else line + "\n")
        self.stream.flush()


def show_table(rows: Sequence[tuple[str, ...]], heads: tuple[str, ...], nothing: str = "") -> None:
    """Print a plain table, or a sentence when it has no rows; the last column is not padded."""
    from unicodedata import east_asian_width

    def width(text: str) -> int:
        return sum(2 if east_asian_width(c) in "WF" else 1 for c in text)

    everything = [heads, *rows]
    widths = [max(width(r[i]) for r in everything) for i in range(len(heads))]
    lines = [
        "  ".join(cell + " " * (w - width(cell)) for cell, w in zip(row, widths, strict=True)).rstrip()
        for row in everything
    ]
    lines.insert(1, "  ".join("-" * w for w in widths))
    print("\n".join(lines) if rows else nothing)


def show_backup(head: str, done: Backup) -> None:
    """Say what a backup, or the way back, did."""
    for name in done.unsound:
        print(f"passed over, not sound: {name}")
    for said in done.missing:
        print(f"missing: {said}")
    day = done.saved_at[:16].replace("T", " ")
    print(f"{head}: the database (last saved {day} UTC) and {done.copied} new photos")


def warn_of_places(store: Store, job: Job, visit: int | None) -> None:
    """Say which photos' names tell a place: they go out of the house now."""
    from gapvision import words
    from gapvision.workshop import places_in_names

    for told in places_in_names(store, job.job_id, visit):
        sys.stderr.write(words.notice_line(told, words.MM) + "\n")


def agreed(what: str) -> bool:
    """Ask at a terminal whether it shall be done; anywhere else --yes must have said so."""
    if not sys.stdin.isatty():
        raise GapvisionError("answer-needed", what)
    return input(f"{what} Do it? [y/N] ").strip().casefold() in ("y", "yes")


def number(value: float | None, form: str = ".2f") -> str:
    """A number, or a dash where there is none."""
    return "-" if value is None else format(value, form)


def picked(thing: object, *names: str) -> dict[str, Any]:
    """Some attributes as a dict."""
    return {name: getattr(thing, name) for name in names}


def visit_of(store: Store, job: Job, which: str | None) -> int | None:
    """Return the number of the visit named by its stage or day; None for none."""
    if which is None:
        return None
    visits = store.visits(job.job_id)
    found = [v for v in visits if which.casefold() == v.stage.casefold() or which == v.on_date]
    if not found:
        names = "; ".join(f"{v.stage}, {v.on_date}" for v in visits) or "none yet"
        raise GapvisionError("visit-not-found", f"Job '{job.reference}' has no visit '{which}' (its visits: {names}).")
    return found[-1].visit_id
