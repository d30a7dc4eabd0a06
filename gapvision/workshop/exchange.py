"""A job as one sealed file, out and in."""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Callable, Sequence
from contextlib import suppress
from functools import partial
from pathlib import Path
from typing import Any

from gapvision import __version__
from gapvision.errors import GapvisionError, require
from gapvision.formats import bundle_check, measurement_json
from gapvision.formats.job_file import JobFile, job_bytes, read_content, read_job
from gapvision.formats.judgement_json import verdict_from_dict
from gapvision.formats.package import Package, write_package
from gapvision.formats.specification_file import specification_from_table
from gapvision.formats.table import csv_text
from gapvision.judgement import judge_measurement
from gapvision.records import Job, Store, StoredPhoto
from gapvision.workshop.evidence import Progress, evidence_report


def export_job(
    store: Store, job_id: int, path: str | Path, *, visit_id: int | None = None, progress: Progress = None
) -> str:
    """Write a job, or one visit of it, as one zip: photos, results as JSON and CSV, the expert's paper, ``check.py``.

    What is in it can be checked without gapvision: see :mod:`gapvision.formats.bundle_check`.

    Every photo in it is a copy without location data; a JPEG's picture is the same bit for bit.  Photos that are
    missing here are listed in the manifest as ``missing``.

    Returns
    -------
    str
        The seal: SHA-256 of the manifest.

    Raises
    ------
    GapvisionError
        ``job-not-found``, ``folder-not-writable``, ``package-too-large``, ``stored-photo-changed``.
    """
    data = store.job_data(job_id)
    if visit_id is not None:
        _keep_visit(data, store.visit(visit_id).uid)
    photos = {p.sha256: p for x in store.job_lines(job_id, visit_id) for p in x.photos}
    safe, missing = dict[str, str](), dict[str, str]()
    for sha256, photo in photos.items():
        # A copy's name is its own SHA-256, so it is made once to learn it and once
        # more to write it: photos of a large job never stay in memory together.
        try:
            safe[sha256] = hashlib.sha256(_safe_photo(store, photo)).hexdigest()
        except GapvisionError as error:
            if error.code != "stored-photo-missing":
                raise
            missing[sha256] = error.message
    files: list[tuple[str, Callable[[], bytes]]] = [
        (f"photos/{copy}.jpg", partial(_safe_photo, store, photos[sha256]))
        for copy, sha256 in {copy: sha256 for sha256, copy in safe.items()}.items()  # two photos may have one copy
    ]
    names = {s.uid: f"{s.side} {s.name}".strip() for s in data.seams}
    wanted = {s.uid: s.spec for s in data.seams}
    for number, shot in enumerate(data.shots, 1):
        seen = [p for m in shot.measurements for p in (m.content or {}).get("photos") or ()]
        called = {p["sha256"]: p["file"] for p in seen if isinstance(p, dict) and {"sha256", "file"} <= p.keys()}
        for own in shot.all_photos():
            own.sha256, own.suffix = safe.get(own.sha256, own.sha256), ".jpg"
            own.file_name = called.get(own.original_sha256, own.file_name)  # else what another job called it
        for k, m in enumerate(shot.measurements, 1):
            stem = f"{number:03d}-{k}-{_slug(names[shot.seam])}"
            content, m.content, m.file = m.content, None, f"measurements/{stem}.json"
            files.append((m.file, partial(measurement_json.content_bytes, content or {})))
            files.append((f"tables/{stem}.csv", partial(_csv_bytes, content, m.verdicts, wanted[shot.seam])))
    if any(x.newest and x.status != "refused" for x in store.job_lines(job_id, visit_id)):
        files.append(("report.pdf", partial(evidence_report, store, job_id, visit_id=visit_id)))
    # A result without its photo goes along to be read, but not into another shop's records.
    for s in data.shots:
        s.measurements = [m for m in s.measurements if not missing.keys() & {p.sha256 for p in m.photos}]
    data.shots = [s for s in data.shots if s.measurements and s.photo.sha256 not in missing]
    files += [("check.py", Path(bundle_check.__file__).read_bytes), ("job.json", partial(job_bytes, data))]
    about: dict[str, Any] = {
        "written_by": f"gapvision {__version__}", "job": data.job.reference, "shop": store.shop().name,
        "chain": store.database.head().words,
        "note": "Photos are copies without location data; the original's SHA-256 stands in job.json. To check all of"
        " it without gapvision: python check.py",
    }  # fmt: skip
    if missing:
        about["missing"] = list(missing.values())
    return write_package(path, files, about, progress=progress)


def _keep_visit(data: JobFile, uid: str) -> None:
    data.visits = [v for v in data.visits if v.uid == uid]
    data.shots = [s for s in data.shots if s.visit == uid]
    data.notes = [n for n in data.notes if n.visit in (None, uid)]
    data.plans = []


def _safe_photo(store: Store, photo: StoredPhoto) -> bytes:
    from gapvision.intake.safe_copy import safe_copy

    return safe_copy(store.photo_bytes(photo), photo.file_name or "photo")


def _csv_bytes(content: Any, verdicts: Sequence[Any], spec: dict[str, Any] | None) -> bytes:
    """A measurement file's stations as CSV, with its latest verdict, else that by its seam's specification."""
    measurement, verdict = measurement_json.from_dict(content), None
    if measurement.profile is not None:
        with suppress(GapvisionError):  # kept from another shop or an older program: the table goes without
            if verdicts:
                verdict = verdict_from_dict(verdicts[-1].body, measurement)
            elif spec is not None:
                verdict = judge_measurement(measurement, specification_from_table(spec))
    return csv_text(measurement, verdict).encode()


def _slug(text: str) -> str:
    plain = unicodedata.normalize("NFKD", text.casefold()).encode("ascii", "ignore").decode()
    return "-".join(re.findall("[a-z0-9]+", plain))[:60] or "seam"


def import_job(store: Store, path: str | Path, *, progress: Progress = None) -> Job:
    """Take a job from a zip made by :func:`export_job`; nothing is stored unless every byte of it is intact.

    Raises
    ------
    GapvisionError
        ``file-not-found``, ``package-bad``, ``package-unsafe``, ``package-altered``, ``job-data-bad``,
        ``job-here-already``.
    """
    from gapvision.intake.headers import read_header

    with Package(path) as package:
        wrong = package.problems(progress)
        require("package-altered", not wrong, f"The export was altered: {'; '.join(wrong[:3])}.")
        job = read_job(package.read("job.json"), package.read)

        def photo(sha256: str) -> bytes:
            found = package.read(f"photos/{sha256}.jpg")
            read_header(found, "a photo of the export")  # a picture, and not larger than gapvision opens
            return found

        def content(name: str) -> dict[str, Any]:
            return read_content(package.read(name), name)

        said = package.manifest.get("shop")
        by = said if isinstance(said, str) else ""
        return store.take_job(job, photo, content, measured_by=by, seal=package.seal)
