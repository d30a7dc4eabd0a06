"""The page's door to the records: one open store for the process, and the pictures of stored photos."""

from __future__ import annotations

from functools import lru_cache
from pathlib import Path

import streamlit as st

from gapvision.formats.specification_file import specification_from_table
from gapvision.model import Measurement, Specification, Verdict
from gapvision.page import service
from gapvision.page.session import Chosen
from gapvision.page.widgets import lengths
from gapvision.records import Job, MeasurementLine, Seam, Store, data_folder
from gapvision.workshop import stored, verdict_of


@lru_cache(maxsize=4)
def _open(folder: Path) -> Store:
    return Store(folder)


def records() -> Store:
    """The shop's records; safe to use from several visits at once."""
    return _open(data_folder())


def show_origin(job: Job | None) -> None:
    """Where a job came from that another shop measured: on every view that shows it."""
    if job is not None and (origin := records().origin(job.job_id)):
        st.caption(f"Job {job.reference} was {origin}.")


def stored_photo(line: MeasurementLine) -> Chosen:
    """A stored result's first photo as the viewer knows photos."""
    return stored_photos(line)[0][0]


def stored_photos(line: MeasurementLine) -> list[tuple[Chosen, str]]:
    """All photos of a stored result as the viewer knows photos, each with its original's SHA-256."""
    found = []
    for photo in line.photos:
        path = records().photos.path(photo.sha256, photo.suffix)
        found.append((Chosen(path, photo.file_name or path.name, photo.sha256, "record"), photo.original_sha256))
    return found


def load(line: MeasurementLine) -> Measurement:
    """A stored result, as it was measured."""
    return stored(records(), line)


def decided(line: MeasurementLine, seam: Seam) -> Verdict | None:
    """The decision about a result, kept in memory because many are read at once; what :func:`verdict_of` raises."""
    given = 0 if line.verdict is None else line.verdict.verdict_id
    return service.decided((line.uid, given, repr(seam.spec)), lambda: verdict_of(records(), line))


def stored_path(sha256: str) -> Path | None:
    """Where a stored photo lies; None when no record has it."""
    row = records().database.row("SELECT suffix FROM photos WHERE sha256 = ?", (sha256,))
    return None if row is None else records().photos.path(sha256, row["suffix"])


def seam_title(seam: Seam) -> str:
    """Side and name of a seam."""
    return seam.full_name


def wanted_of(seam: Seam | None) -> Specification | None:
    """What is wanted of a seam of the records; the tolerance typed in Measure is not meant here."""
    if seam is None or not seam.spec:
        return None
    return specification_from_table(seam.spec, f"the specification of {seam_title(seam)}")


def line_title(line: MeasurementLine) -> str:
    """Stage, day, mean gap and U of a result, in the unit chosen on the page."""
    say = lengths()
    u = "" if line.u_mm is None else f", U {say.small(line.u_mm, alone=True)}"
    gap = "refused" if line.mean_mm is None else f"mean {say.gap_alone(line.mean_mm)}{u}"
    old = "" if line.newest else ", older method"
    return f"{line.visit.stage}, {line.visit.on_date}: {gap}{old}"
