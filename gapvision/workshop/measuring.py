"""Photos measured into the records: kept, measured again, and what is doubtful about them."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import replace
from datetime import date
from functools import partial
from pathlib import Path

from gapvision import model
from gapvision.formats import measurement_json
from gapvision.formats.sheet_file import read_sheets
from gapvision.formats.study_file import read_phones
from gapvision.model import Measurement
from gapvision.records import MeasurementLine, NewPhoto, Seam, Store, StoredPhoto, Visit
from gapvision.records.words import plain

_SUFFIXES = {"jpeg": ".jpg", "png": ".png", "tiff": ".tif", "webp": ".webp", "heic": ".heic"}


#: A photo's file as it came, and its name.
File = tuple[bytes, str]


def measure_file(data: bytes, file_name: str, settings: model.Settings | None = None) -> Measurement:
    """Measure a photo's file; one that is refused gives a measurement too.  Errors as ``read_photo`` raises them."""
    return measure_files([(data, file_name)], settings)


def measure_files(files: Sequence[File], settings: model.Settings | None = None) -> Measurement:
    """Measure one seam from the files of one photo or several, as :func:`measure_file` does."""
    from gapvision.intake.photo import read_photo
    from gapvision.several import Shot, measure_photos

    return measure_photos([Shot(name, partial(read_photo, data, name)) for data, name in files], settings)


def add_photos(
    store: Store, seam: Seam, visit: Visit, files: Sequence[File], *, settings: model.Settings | None = None,
    drop_location: bool = False, keep_refused: bool = False,
) -> tuple[MeasurementLine | None, Measurement]:  # fmt: skip
    """Measure one photo of a seam, or several together, and store them with their result.

    Parameters
    ----------
    drop_location : bool
        Store a copy without location data in place of the original.
    keep_refused : bool
        Store what was refused, too.

    Returns
    -------
    line : MeasurementLine or None
        None when it was refused and not kept.
    measurement : Measurement
        For showing.
    """
    measurement = measure_files(files, settings)
    if measurement.status == "refused" and not keep_refused:
        return None, measurement
    return keep_photos(store, seam, visit, files, measurement, drop_location=drop_location), measurement


def keep_photo(
    store: Store, seam: Seam, visit: Visit, data: bytes, file_name: str, measurement: Measurement, *,
    drop_location: bool = False,
) -> MeasurementLine:  # fmt: skip
    """Store a photo whose measurement is at hand already; see :func:`keep_photos`."""
    return keep_photos(store, seam, visit, [(data, file_name)], measurement, drop_location=drop_location)


def keep_photos(
    store: Store, seam: Seam, visit: Visit, files: Sequence[File], measurement: Measurement, *,
    drop_location: bool = False, shot_id: int | None = None,
) -> MeasurementLine:  # fmt: skip
    """Store the photos of a seam whose measurement is at hand already, as one result; nothing is measured again.

    ``shot_id`` as for :meth:`gapvision.records.Store.save_photos`.
    """
    place = {photo.sha256: k for k, photo in enumerate(measurement.photos)}
    new = [_new_photo(data, name, drop_location) for data, name in files]
    new.sort(key=lambda one: (place.get(str(one.original_sha256), len(place)), one.file_name))
    content = measurement_json.to_dict(measurement)
    return store.save_photos(seam.seam_id, visit.visit_id, new, content, shot_id=shot_id)


def _new_photo(data: bytes, file_name: str, drop_location: bool) -> NewPhoto:
    from gapvision.intake.headers import read_header
    from gapvision.intake.safe_copy import safe_copy

    header, original = read_header(data, file_name), hashlib.sha256(data).hexdigest()
    suffix = _SUFFIXES[header.kind]  # by its bytes, not by its name
    if drop_location:
        data, suffix = safe_copy(data, file_name), ".jpg"
    taken = header.exif.taken_at
    return NewPhoto(
        data=data, suffix=suffix, file_name=Path(file_name).name, taken_at=taken, original_sha256=original
    )  # fmt: skip


def stored(store: Store, line: MeasurementLine) -> Measurement:
    """A result of the records, whole; ``measurement-not-found``, ``measurement-file-bad``."""
    number = line.measurement_id
    return measurement_json.from_dict(store.measurement(number), f"measurement {number}")


def measure_again(store: Store, line: MeasurementLine) -> MeasurementLine:
    """Measure stored photos with today's method, with all that was stated for their result; the old one stays."""
    from gapvision.intake.photo import read_photo
    from gapvision.several import Shot, measure_photos

    settings = stored(store, line).settings
    # Check lines that were measured since count as well.
    newest = {check.sheet: check for check in (*settings.sheets, *read_sheets(store.folder))}
    settings = replace(settings, sheets=tuple(newest.values()), proofs=read_phones(store.folder))
    # Measured on the stored copies, but evidence is of the photos as they were taken.
    def read(p: StoredPhoto) -> model.Photo:
        return replace(read_photo(store.photo_bytes(p), p.file_name), sha256=p.original_sha256)

    new = measure_photos([Shot(p.file_name, partial(read, p)) for p in line.photos], settings)
    place = {photo.sha256: k for k, photo in enumerate(new.photos)}
    order = sorted(line.photos, key=lambda p: place.get(p.original_sha256, len(place)))
    return store.add_measurement(line.shot_id, measurement_json.to_dict(new), [p.sha256 for p in order])


def clock_of(data: bytes, file_name: str) -> str | None:
    """When a photo was taken by its camera's clock, ISO 8601."""
    from gapvision.intake.headers import read_header

    return read_header(data, file_name).exif.taken_at


def photo_doubts(
    store: Store, job_id: int | None, stage: str, day: str, sha256: str, taken_at: str | None, *, today: str = "",
    file_name: str = "",
) -> tuple[model.Notice, ...]:
    """What a person is asked before a photo is kept for a stage and a day, and what the report says afterwards.

    ``photo-at-two-stages`` in one job, ``day-to-come`` and ``day-not-the-cameras``; a day more or less is none: a
    camera's clock knows no time zone.  What is no day is for others to refuse.  With its name, ``place-in-file-name``.
    """
    from gapvision.intake.safe_copy import place_in_name

    found = []
    if place := place_in_name(file_name):
        said = f"The file's name seems to tell a place on the map: {place}."
        found.append(model.Notice(code="place-in-file-name", message=said))
    same = [] if job_id is None else store.job_lines(job_id)
    same = [x for x in same if sha256 in (p.original_sha256 for p in x.photos)]
    others = dict.fromkeys(x.visit.stage for x in same if plain(x.visit.stage) != plain(stage))
    if others:
        said = f"The same photo is kept for stage '{next(iter(others))}'."
        found.append(model.Notice(code="photo-at-two-stages", message=said))
    with suppress(ValueError):
        given, clock = date.fromisoformat(day), (taken_at or day)[:10]
        if given > date.fromisoformat(today or date.today().isoformat()):
            found.append(model.Notice(code="day-to-come", message=f"The day {day} has not come yet."))
        if abs((given - date.fromisoformat(clock)).days) > 1:
            said = f"The day given is {day}, but the camera's clock says {clock}."
            found.append(model.Notice(code="day-not-the-cameras", message=said))
    return tuple(found)


def places_in_names(store: Store, job_id: int, visit_id: int | None = None) -> tuple[model.Notice, ...]:
    """What is told with a job's papers and exports, which name its photos: ``place-in-file-name``."""
    from gapvision.intake.safe_copy import place_in_name

    names = dict.fromkeys(p.file_name for x in store.job_lines(job_id, visit_id) for p in x.photos)
    said = "The name of the photo '{}' seems to tell where it was taken, and goes along."
    return tuple(model.Notice(code="place-in-file-name", message=said.format(x)) for x in names if place_in_name(x))
