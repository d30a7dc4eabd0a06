"""The shop's recipes over all rooms: measure into the records, compare, gather evidence.

Commands and the page call these; each is short, and none of them measures or
judges itself.  Rooms that need the photo libraries are imported when used.
"""

from __future__ import annotations

import hashlib
import re
import unicodedata
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, replace
from datetime import date
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from gapvision import __version__, model, words
from gapvision.errors import GapvisionError, require
from gapvision.formats import bundle_check, measurement_json
from gapvision.formats.car_file import car_from_table
from gapvision.formats.declared import read_declared
from gapvision.formats.film_file import read_films
from gapvision.formats.finish_file import finish_from_table, finish_to_table
from gapvision.formats.job_file import (
    CAR_SCHEMA,
    FINISH_SCHEMA,
    HANG_LIST_SCHEMA,
    NO_PLANS,
    PANEL_SCHEMA,
    CarOfJobFile,
    CarPlace,
    HangList,
    JobFile,
    job_bytes,
    read_content,
    read_job,
)
from gapvision.formats.judgement_json import check_behind, forecast_to_dict, verdict_from_dict, verdict_to_dict
from gapvision.formats.package import Package, write_package
from gapvision.formats.panel_file import layout_from_table
from gapvision.formats.plan_json import PlanFile
from gapvision.formats.sheet_file import read_sheets
from gapvision.formats.specification_file import specification_from_table, specification_to_table
from gapvision.formats.study_file import read_phones
from gapvision.formats.table import csv_text
from gapvision.formats.toml import toml_from_text
from gapvision.judgement import after_paint, judge_measurement, nominal_at, reading_from_measurement, with_taken
from gapvision.judgement import compare as _compare
from gapvision.judgement.car_plan import evenness, learn, pair_checks
from gapvision.judgement.car_rows import Setting, car_reading, first_on_left, seam_line, settings_of_car
from gapvision.judgement.specification import for_photo
from gapvision.judgement.template import TemplateDrawing
from gapvision.judgement.thermal import ThermalChange, thermal_change
from gapvision.model import Measurement
from gapvision.records import (
    TICKS,
    Job,
    MeasurementLine,
    NewPhoto,
    Note,
    Seam,
    Store,
    StoredPhoto,
    StoredPlan,
    Visit,
    conditions_notices,
)
from gapvision.records.words import plain

Point = tuple[float, float]
Progress = Callable[[int, int], None] | None

_SUFFIXES = {"jpeg": ".jpg", "png": ".png", "tiff": ".tif", "webp": ".webp", "heic": ".heic"}


# --- measuring into the records --------------------------------------------------------
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


def wants_other(seam: Seam, spec: model.Specification) -> bool:
    """Whether a seam has a specification that asks for something else than this one; names and source do not count."""
    if seam.spec is None:
        return False
    try:
        return replace(_wanted(seam), name=spec.name, panel=spec.panel, side=spec.side, source=spec.source) != spec
    except GapvisionError:  # kept from another shop or an older program
        return True


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


# --- comparing ------------------------------------------------------------------------
@dataclass(frozen=True, slots=True, kw_only=True)
class Compared:
    """Two results of the records, compared.

    Attributes
    ----------
    comparison : Comparison
        Station by station.
    notices : tuple of Notice
        Conditions that differ, and what the comparison itself noticed.
    thermal : ThermalChange or None
        Effect of the temperature difference if all metal was equally warm; None when not known.
    thermal_panel_only : ThermalChange or None
        The same if only the panel changed its temperature (sun on it): the most it can be.
    """

    before: MeasurementLine
    after: MeasurementLine
    comparison: model.Comparison
    notices: tuple[model.Notice, ...]
    thermal: ThermalChange | None
    thermal_panel_only: ThermalChange | None


def compare_measurements(
    before: Measurement, after: Measurement, *, datum: str = "align", marks: Sequence[tuple[Point, Point]] = (),
    mirror: bool = False, nominal_mm: Any = None, one_seam: bool = False,
) -> model.Comparison:  # fmt: skip
    """Compare two measurements of one seam.

    Parameters
    ----------
    datum : str
        ``align``, ``strip`` (a strip left in its place) or ``mark``.
    marks : sequence of (point before, point after)
        For ``mark``: where the same mark lies in each photo [px].
    mirror : bool
        The second is the other side of the car.
    nominal_mm : float, ndarray or Specification, optional
        Wanted gap [mm].
    one_seam : bool
        Whether somebody says that both are of one seam.  Else ``maybe-two-seams`` warns where nothing shows it.

    Raises
    ------
    GapvisionError
        ``datum-missing``, ``comparison-no-overlap``, ``photo-has-no-profile``.
    """
    first, second = before.profile_in_first, after.profile_in_first
    if first is None or second is None:
        raise GapvisionError("photo-has-no-profile")
    along = mirror and _compare.runs_along(second)
    if mirror:
        second = _compare.mirror_profile(second, along)
    ends_1, ends_2 = before.photo.strip_ends_px(), after.photo.strip_ends_px()
    letters = sorted(set(ends_1) & set(ends_2))
    # Mirrored, the strip's other end lies towards the same end of the car.
    turn = -1 if along else 1
    points_1: list[Point] = [(p[0], p[1]) for k in letters for p in ends_1[k]]
    points_2: list[Point] = [(p[0], p[1]) for k in letters for p in ends_2[k][::turn]]
    strip = None
    if letters:
        strip = _compare.datum_from_points(first, second, points_1, points_2, "strip", " and ".join(letters))
    if datum == "align":
        guess = strip and replace(strip, guessed=True, std_u_mm=_compare.LAID_AGAIN_STD_U_MM)
        found = _compare.datum_by_alignment(first, second, guess=guess)
    elif datum == "mark":
        if not marks:
            raise GapvisionError("datum-missing", "No mark was given.", "Give where the same mark lies in both photos.")
        found = _compare.datum_from_points(first, second, [m[0] for m in marks], [m[1] for m in marks], "mark")
    elif datum == "strip":
        if strip is None:
            raise GapvisionError("datum-missing", "No strip is in both photos.")
        found = strip
    else:
        raise ValueError(f"datum: expected align, strip or mark, got {datum!r}")
    wanted = nominal_mm
    if isinstance(nominal_mm, model.Specification):
        wanted = None
        with suppress(GapvisionError):  # one that runs, on a photo of which nobody said where it lies
            wanted = nominal_at(for_photo(nominal_mm, before.ends_mm)[0], first.s_mm, before.ends_mm or (0.0, 0.0))
    compared = _compare.compare_profiles(
        first, second, found, nominal_mm=wanted, same_print=_same_print(before, after), mirrored=mirror
    )
    if one_seam or mirror or _compare.alike(first, second, found):
        return compared
    return replace(compared, notices=(_maybe_two_seams(before, after), *compared.notices))


def _maybe_two_seams(before: Measurement, after: Measurement) -> model.Notice:
    """What is warned of where nothing shows that two measurements are of one seam, with what speaks against it."""
    against = []
    profiles = [m.profile for m in (before, after)]
    if len({p is not None and p.round_mm is None for p in profiles}) > 1:
        against.append("one goes all round, the other does not")
    kinds = [sorted(k for k in (m.settings.edge_a, m.settings.edge_b) if k) for m in (before, after)]
    if kinds[0] != kinds[1] and all(len(k) == 2 for k in kinds):  # an edge that was trimmed may be another kind
        against.append(f"their edges were stated as {' and '.join(kinds[0])}, then as {' and '.join(kinds[1])}")
    said = f"Nothing shows that the two are of one seam, and {', and '.join(against)}." if against else ""
    return model.Notice(code="maybe-two-seams", message=said)


def _same_print(before: Measurement, after: Measurement) -> bool:
    """Tell whether both show the same strips with the same check lengths, and off no other sheet."""
    one, two = before.scale, after.scale
    if one is None or two is None:
        return False
    alike = all(getattr(one, k) == getattr(two, k) for k in ("strips", "print_scale_along", "print_scale_across"))
    sheets = [{v.letter: v.sheet for v in m.photo.strips if v.sheet is not None} for m in (before, after)]
    alike = alike and all(sheets[0][k] == sheets[1][k] for k in set(sheets[0]) & set(sheets[1]))
    # Without check lines measured, two prints that look alike may differ.
    return alike and one.print_scale_checked and two.print_scale_checked


def compare_lines(
    store: Store, before: MeasurementLine, after: MeasurementLine, *, mirror: bool | None = None, **how: Any
) -> Compared:
    """Compare two results of the records; the rest as :func:`compare_measurements`.

    Left out, ``mirror`` is true when the two belong to a left and a right seam.
    """
    seam_1, seam_2 = store.seam(before.seam_id), store.seam(after.seam_id)
    if mirror is None:
        mirror = {seam_1.side, seam_2.side} == {"left", "right"}
    one, two = (stored(store, x) for x in (before, after))
    comparison = compare_measurements(one, two, mirror=mirror, one_seam=True, **how)
    notices = (*conditions_notices(before.visit.conditions, after.visit.conditions), *comparison.notices)
    if seam_1.seam_id != seam_2.seam_id and not (mirror and seam_1.name == seam_2.name):
        said = f"'{seam_1.full_name}' and '{seam_2.full_name}' are two seams: what is told is how they differ, not what"
        advice = "Compare stages of one seam, or a seam with the same one on the other side of the car."
        notices = (model.Notice(code="maybe-two-seams", message=f"{said} changed.", advice=advice), *notices)
    together = alone = None
    panel = next((p for p in store.panels(seam_1.job_id) if p.panel_id == seam_1.panel_id), None)
    cold, warm = before.visit.conditions.metal_temp_c, after.visit.conditions.metal_temp_c
    if panel is not None and panel.length_mm and cold is not None and warm is not None:
        gaps = 2 * float(comparison.before_mm.mean())
        together = thermal_change(panel.length_mm, warm - cold, panel_metal=panel.metal, gaps_mm=gaps)
        alone = thermal_change(panel.length_mm, warm - cold, 0.0, panel_metal=panel.metal, gaps_mm=gaps)
    return Compared(
        before=before, after=after, comparison=comparison, notices=notices, thermal=together, thermal_panel_only=alone
    )


# --- judging ---------------------------------------------------------------------------
def judge_line(store: Store, line: MeasurementLine, rule: model.DecisionRule | None = None) -> MeasurementLine:
    """Judge a result by its seam's specification and store the verdict; without one, do nothing.

    The rule is, if none is given, to accept only what is proven.
    """
    seam = store.seam(line.seam_id)
    verdict = None if line.status == "refused" else _judged(store, line, seam, rule)
    if verdict is None:
        return line
    spec = _wanted(seam)
    body = verdict_to_dict(verdict, spec, stations=False)
    coats = finish_of(store, seam.job_id)
    if coats is not None:
        body["forecast"] = forecast_to_dict(after_paint(verdict, spec, coats))
    store.add_verdict(line.measurement_id, decision=verdict.state, rule=verdict.rule.name, body=body)
    return store.line(line.measurement_id)


def verdict_of(
    store: Store, line: MeasurementLine, measurement: Measurement | None = None
) -> model.Verdict | None:
    """The decision about a result that every view and paper shows: the stored one, else by its seam's specification.

    ``measurement`` is the result itself, where it is at hand.  None when the seam has no specification either, or the
    photo was refused; ``stored-verdict-bad``, or what the specification raises.
    """
    if line.status == "refused":
        return None
    found = store.verdict(line.measurement_id)
    if found is not None:
        verdict = verdict_from_dict(found.body, measurement or stored(store, line))
        same = verdict.state == found.decision
        require("stored-verdict-bad", same, "The stored verdict contradicts itself.")
        return verdict
    return _judged(store, line, store.seam(line.seam_id), None)


def failed_check(store: Store, line: MeasurementLine) -> model.Check | None:
    """The check that a result's stored verdict rests on where its gap is good; its stations are not read."""
    found = None if line.verdict is None or line.verdict.decision == model.IN else store.verdict(line.measurement_id)
    return None if found is None else check_behind(found.body)


def other_side(store: Store, seam: Seam) -> MeasurementLine | None:
    """Find the latest result of the same seam on the other side of the car."""
    away = {"left": "right", "right": "left"}.get(seam.side)
    states = store.seam_states(seam.job_id) if away else []
    return next((x.latest for x in states if (x.seam.side, x.seam.name) == (away, seam.name)), None)


def _judged(
    store: Store, line: MeasurementLine, seam: Seam, rule: model.DecisionRule | None
) -> model.Verdict | None:
    if seam.spec is None:
        return None
    spec = _wanted(seam)
    if spec.needs_place:
        return None
    opposite = None if spec.opposite_mm is None else other_side(store, seam)
    other = None if opposite is None else reading_from_measurement(stored(store, opposite), seam.name)
    return judge_measurement(stored(store, line), spec, rule, opposite=other)


def _wanted(seam: Seam) -> model.Specification:
    return specification_from_table(seam.spec or {}, f"the specification of seam '{seam.name}'")


def finish_of(store: Store, job_id: int) -> model.FinishPlan | None:
    """The finish plan of a job (see :func:`set_finish`), with the shop's own films where its jobs agree; or None."""
    found = [p for p in store.plans(job_id) if p.body.get("schema") == FINISH_SCHEMA]
    return with_taken(finish_from_table(found[-1].body["finish"]), read_films(store.folder)) if found else None


def set_finish(store: Store, job_id: int, finish: model.FinishPlan) -> None:
    """Keep a finish plan with a job: verdicts made from now on carry the forecast after paint."""
    store.add_plan(job_id, "finish", {"schema": FINISH_SCHEMA, "finish": finish_to_table(finish)})


# --- panels ----------------------------------------------------------------------------
def car_of(store: Store, job_id: int) -> model.Car | None:
    """The whole car that is kept with a job, see :func:`set_car`; or None."""
    kept = _kept_car(store, job_id)
    return None if kept is None else _car_in(kept)


def _car_in(kept: CarOfJobFile) -> model.Car:
    return car_from_table(toml_from_text(kept.file, "the job's car"))


def _needed_car(store: Store, job_id: int) -> tuple[CarOfJobFile, model.Car]:
    """The job's car as it is kept and as it is read; raises ``car-file-bad`` where it has none."""
    kept = _kept_car(store, job_id)
    if kept is None:
        raise GapvisionError("car-file-bad", "The job has no car.", "Take one in with 'gapvision car ... --job'.")
    return kept, _car_in(kept)


def _kept_car(store: Store, job_id: int) -> CarOfJobFile | None:
    found = [p.body for p in store.plans(job_id) if p.body.get("schema") == CAR_SCHEMA]
    return read_declared(CarOfJobFile, found[-1], "the job's car", "car-file-bad") if found else None


def set_car(store: Store, job_id: int, text: str) -> int:
    """Keep a car file with a job and add those of its seams that the job lacks, by their names; how many.

    Raises
    ------
    GapvisionError
        As :func:`gapvision.formats.car_file.car_from_table`; nothing is kept then.
    """
    car = car_from_table(toml_from_text(text, "the car file"), "the car file")
    there = {s.full_name for s in store.seams(job_id)}
    kept = _kept_car(store, job_id)
    places = {} if kept is None else {k: v for k, v in kept.places.items() if k in {s.name for s in car.seams}}
    _keep_car(store, job_id, text, places)
    new = [s for s in car.seams if s.name not in there]
    for seam in new:
        side = next((x for x in ("left", "right") if seam.name.startswith(f"{x} ")), "")
        spec = None if seam.spec is None else specification_to_table(seam.spec)
        store.add_seam(job_id, seam.name.removeprefix(f"{side} "), side=side, spec=spec)
    return len(new)


def _keep_car(store: Store, job_id: int, text: str, places: Mapping[str, CarPlace]) -> None:
    laid = {name: {"at_mm": p.at_mm, "edge": p.edge} for name, p in places.items()}
    store.add_plan(job_id, "car", {"schema": CAR_SCHEMA, "file": text, "places": laid})


@dataclass(frozen=True, slots=True, kw_only=True)
class CarOfJob:
    """A job's car with what was measured of it.

    Attributes
    ----------
    before, now : mapping of str to tuple of SeamReading
        Seam -> its first and its latest result, laid on it.
    places : mapping of str to CarPlace
        Where its photos lie.
    not_placed : mapping of str to float
        Seams that were measured, but of whose photo it is not said where it lies -> the length that was measured [mm].
    not_laid : tuple of (str, str)
        Seams whose result does not lie on the car as it was said, and why.
    key : tuple
        What all of this follows from.
    """

    car: model.Car
    before: Mapping[str, tuple[model.SeamReading, ...]]
    now: Mapping[str, tuple[model.SeamReading, ...]]
    places: Mapping[str, CarPlace]
    not_placed: Mapping[str, float]
    not_laid: tuple[tuple[str, str], ...]
    key: tuple[Any, ...]

    @property
    def measured(self) -> model.MeasuredCar | None:
        """The car with its latest results; None where none could be laid on it."""
        return model.MeasuredCar(car=self.car, readings=self.now) if self.now else None


def car_with_results(store: Store, job_id: int) -> CarOfJob | None:
    """Lay a job's results on its car: each seam's first and latest; None where the job has no car.

    Which way a photo runs follows from which edge in it belongs to which body; where it begins must be said
    (:func:`place_on_car`), or stand in the seam's specification.
    """
    kept = _kept_car(store, job_id)
    if kept is None:
        return None
    car = _car_in(kept)
    before, now = dict[str, tuple[model.SeamReading, ...]](), dict[str, tuple[model.SeamReading, ...]]()
    not_placed, not_laid, key = dict[str, float](), list[tuple[str, str]](), list[Any]()
    for seam, own in _car_lines(store, job_id, car):
        key += [x.uid for x in own]
        at = _place_of(kept, seam)
        if at is None:
            profile = stored(store, own[-1]).profile
            not_placed[seam.name] = 0.0 if profile is None else float(profile.s_mm[-1] - profile.s_mm[0])
            continue
        try:
            now[seam.name] = (_on_car(car, seam, stored(store, own[-1]), at),)
        except GapvisionError as error:
            not_laid.append((seam.name, error.message))
            continue
        with suppress(GapvisionError):  # an older photo may have lain elsewhere
            before[seam.name] = (_on_car(car, seam, stored(store, own[0]), at),)
    places = {name: (p.at_mm, p.edge) for name, p in kept.places.items()}
    return CarOfJob(
        car=car, before=before, now=now, places=kept.places, not_placed=not_placed, not_laid=tuple(not_laid),
        key=(kept.file, tuple(sorted(places.items())), *key),
    )  # fmt: skip


def _car_lines(store: Store, job_id: int, car: model.Car) -> list[tuple[model.CarSeam, list[MeasurementLine]]]:
    """The results of each seam of a car, oldest first; seams without any are left out."""
    lines = [x for x in store.job_lines(job_id) if x.newest and x.status != "refused"]
    named = {s.full_name: s.seam_id for s in store.seams(job_id)}
    found = [(s, [x for x in lines if x.seam_id == named.get(s.name, named.get(s.other_name))]) for s in car.seams]
    return [(s, own) for s, own in found if own]


def _place_of(kept: CarOfJobFile, seam: model.CarSeam) -> CarPlace | None:
    at = kept.places.get(seam.name)
    if at is None and seam.spec is not None and seam.spec.photo_at_mm is not None:
        at = CarPlace(at_mm=seam.spec.photo_at_mm, edge="A" if seam.panel_edge == "A" else "B")
    return at


def taught_car(store: Store, job_id: int, done: Sequence[str]) -> tuple[model.Car, tuple[model.Notice, ...]]:
    """A job's car with what its panels' answers to the hang lists kept taught of its adjusters, and what to say of it.

    Each list is held against the results before it and after it, for the panels that were set by it: those named when
    the next list was kept, of the last one those in ``done``.

    Raises
    ------
    GapvisionError
        ``car-file-bad`` where the job has no car.
    """
    kept, car = _needed_car(store, job_id)
    lists = _hang_lists(store, job_id)
    bodies = [_hang_list_in(p) for p in lists]
    results = _car_lines(store, job_id, car) if lists else []
    told: tuple[model.Notice, ...] = ()
    for k, body in enumerate(bodies):
        set_by = set(done if k + 1 == len(bodies) else bodies[k + 1].done)
        until = lists[k + 1].made_at if k + 1 < len(lists) else ""
        stages: list[dict[str, tuple[model.SeamReading, ...]]] = [{}, {}]
        for seam, own in results:
            at = _place_of(kept, seam)
            first = [x for x in own if x.made_at <= lists[k].made_at]
            then = [x for x in own if x.made_at > lists[k].made_at and (not until or x.made_at <= until)]
            if at is not None and first and then:
                with suppress(GapvisionError):
                    pair = [(_on_car(car, seam, stored(store, x), at),) for x in (first[-1], then[-1])]
                    stages[0][seam.name], stages[1][seam.name] = pair
        known = {s: n for n, s in enumerate(settings_of_car(car))}
        at_mm = np.zeros(len(known))
        for x in body.settings:
            if x.panel in set_by and Setting(x.panel, x.adjuster, x.way) in known:
                at_mm[known[Setting(x.panel, x.adjuster, x.way)]] = x.set_mm
        if at_mm.any() and stages[1]:
            one, two = (model.MeasuredCar(car=car, readings=stage) for stage in stages)
            car, told = learn(one, at_mm, two)
    return car, told


def place_on_car(store: Store, job_id: int, places: Mapping[str, tuple[float, str]]) -> None:
    """Keep where the photos of a car's seams lie: seam -> its first station [mm], the edge of its first body (A or B).

    Raises
    ------
    GapvisionError
        ``car-file-bad`` where the job has no car, or the car no such seam.
    """
    kept, car = _needed_car(store, job_id)
    new = {car.seam(n).name: CarPlace(at_mm=at, edge="A" if edge == "A" else "B") for n, (at, edge) in places.items()}
    _keep_car(store, job_id, kept.file, {**kept.places, **new})


def _on_car(car: model.Car, seam: model.CarSeam, measurement: Measurement, at: CarPlace) -> model.SeamReading:
    laid = replace(seam, panel_edge=at.edge)
    first = reading_from_measurement(measurement, seam.name, panel_edge=at.edge)
    turned = first.panel_on_left != first_on_left(seam_line(car, laid))
    photo = model.PhotoPlace(file=seam.name, at_mm=at.at_mm, reverse=turned)
    return car_reading(car, laid, measurement, photo, f"the photo of '{seam.name}'")


def keep_hang_list(store: Store, job_id: int, plan: model.CarPlan, done: Sequence[str] = ()) -> None:
    """Keep a car's hang list with its job, so that the report carries it and what came of it teaches the next one.

    ``done``: panels that were set by the list that was kept before.
    """
    ways = zip(settings_of_car(plan.measured.car), plan.settings_mm.tolist(), strict=True)
    settings = [{"panel": s.body, "adjuster": s.adjuster, "way": s.way, "set_mm": v} for s, v in ways if v]
    steps = [{"panel": s.panel, "said": list(words.hang_step(s, words.MM))} for s in plan.steps]
    then = [words.edge_work(e, words.MM) for e in plan.edges] + words.edge_remedies(plan.edges)
    body = {
        "schema": HANG_LIST_SCHEMA, "settings": settings, "done": list(done), "steps": steps, "then": then,
        "said": [words.car_words(plan, words.MM)],
    }  # fmt: skip
    store.add_plan(job_id, "hang list", body)


def _hang_lists(store: Store, job_id: int) -> list[StoredPlan]:
    return [p for p in store.plans(job_id) if p.body.get("schema") == HANG_LIST_SCHEMA]


def _hang_list_in(plan: StoredPlan) -> HangList:
    return read_declared(HangList, plan.body, "the hang list", "plan-file-bad")


def _car_evidence(store: Store, job_id: int, seams: Sequence[tuple[str, str]], say: words.Lengths) -> Any:
    """The job's car for its report: states by verdict, evenness, left against right, the hang list kept."""
    from gapvision.reports import evidence as ev

    laid = car_with_results(store, job_id)
    if laid is None:
        return None
    lists = _hang_lists(store, job_id)
    kept = _hang_list_in(lists[-1]) if lists else None
    named = dict(seams)
    states = {s.name: named.get(s.name, named.get(s.other_name, model.HOLE)) for s in laid.car.seams}
    both = [n for n in laid.now if n in laid.before and laid.car.seam(n).spec is not None]
    said, pairs = [], list[tuple[str, ...]]()
    if both:
        then, now = (
            model.MeasuredCar(car=laid.car, readings={n: stage[n] for n in both}) for stage in (laid.before, laid.now)
        )
        said.append(words.evenness_words(evenness(then), evenness(now), len(both), len(laid.car.seams), say))
        first = dict(pair_checks(then))
        for name, check in pair_checks(now):
            was = first.get(name)
            values = (f"{say.small(c.value, signed=True)}, {c.state}" if c else "-" for c in (was, check))
            pairs.append((name, *values))
    return ev.CarEvidence(
        car=laid.car, states=states, said=tuple(said), pairs=tuple(pairs),
        planned=() if kept is None else tuple(kept.said),
        steps=() if kept is None else tuple((s.panel, tuple(s.said)) for s in kept.steps),
        then=() if kept is None else tuple(kept.then),
        made_at="" if kept is None else lists[-1].made_at[:10],
    )  # fmt: skip


def panels_of(store: Store, job_id: int) -> dict[str, dict[str, Any]]:
    """Give the panel files kept with a job (see :func:`set_panel`): by the panel's name, the newest of each."""
    return {p.panel: p.body for p in store.plans(job_id) if p.body.get("schema") == PANEL_SCHEMA}


def panels_beside(store: Store, seam: Seam) -> dict[str, str]:
    """What the job calls the panels of edges ``A`` and ``B`` in a seam's photos, as far as a person said so.

    By the car file where it tells ``panel_edge`` itself, or a panel's file.  Else, under an empty key, a sentence about
    which panels the seam belongs to, if the job knows any.
    """
    title, other = seam.full_name, {"A": "B", "B": "A"}
    with suppress(GapvisionError):  # no car, or one that cannot be read, which the page tells
        kept, car = _needed_car(store, seam.job_id)
        for s in car.seams:
            if title in (s.name, s.other_name):
                said: str = kept.places[s.name].edge if s.name in kept.places else ""
                own = toml_from_text(kept.file, "the job's car").get("seams", ())
                said = said or next((x["panel_edge"] for x in own if x.get("name") == s.name and "panel_edge" in x), "")
                if said in other:
                    return {said: s.one, other[said]: s.other}
                return {"": f"The seam lies between {s.one} and {s.other}."}
    known = dict[str, str]()
    for panel, body in panels_of(store, seam.job_id).items():
        for own in body.get("photos", {}).values():
            if own.get("edge") in other and any(photo.get("seam") == title for photo in own.get("photos", ())):
                known[own["edge"]] = panel
    if not known and seam.panel_id is not None:
        own_panel = next((p for p in store.panels(seam.job_id) if p.panel_id == seam.panel_id), None)
        return {} if own_panel is None else {"": f"It is a seam of the {own_panel.full_name}."}
    return known


def set_panel(store: Store, job_id: int, text: str, photos: dict[str, Any]) -> str:
    """Keep a panel file with a job; return the panel's name.  Errors as :func:`layout_from_table`.

    Parameters
    ----------
    text : str
        The file, which stands alone.
    photos : dict
        By the name of each of its seams: ``edge``, and ``photos``, each with ``seam`` (one of the job),
        ``at_mm`` and ``reverse``.
    """
    name = layout_from_table(toml_from_text(text, "the panel file")).name
    store.add_plan(job_id, name, {"schema": PANEL_SCHEMA, "file": text, "photos": photos})
    return name


def planned(
    store: Store, seam: Seam, line: MeasurementLine
) -> tuple[tuple[str, ...], tuple[TemplateDrawing, ...]]:
    """What the job's newest plan does at a seam, in short: moves, then its edge; and that edge's template.

    Both are empty once it was measured since.

    A plan speaks of the seam where its panel's file, kept with the job, lays a photo of it.
    """
    panels, title = panels_of(store, seam.job_id), seam.full_name
    for p in reversed([p for p in store.plans(seam.job_id) if p.body.get("schema") not in NO_PLANS]):
        laid = panels.get(p.panel, {}).get("photos", {})
        names = [name for name, own in laid.items() if title in (photo.get("seam") for photo in own.get("photos", ()))]
        if not names:
            continue
        if p.made_at < line.made_at:
            return (), ()
        plan = read_declared(PlanFile, p.body, f"the plan of {p.panel}", "plan-file-bad")
        moves = [f"{words.first_up(x.name)}: {x.words}" for x in plan.move.points if x.words[:1].isdigit()]
        at = tuple(f"at the {name} seam (" for name in names)
        edges = [step.partition("): ")[2] for step in plan.steps if any(told in step for told in at)]
        told = (*moves, *(f"Edge of the {p.panel}: {told.rstrip('.')}" for told in edges))
        return told, tuple(d for d in plan.templates if d.seam in names)
    return (), ()


# --- evidence --------------------------------------------------------------------------
def evidence_report(
    store: Store, job_id: int, *, visit_id: int | None = None, paper: str | None = None, units: str | None = None,
    made_on: str | None = None, reader: str = "expert", progress: Progress = None,
) -> bytes:  # fmt: skip
    """Make a paper about a job, or about one visit, as PDF.

    Parameters
    ----------
    visit_id : int, optional
        Only what was measured then; else each seam's first and latest result are set side by side, the others listed.
    paper, units : str, optional
        Default: the shop's settings.
    reader : str
        Who it is for: ``customer``, ``paint-shop`` or ``expert``, who gets everything.

    Raises
    ------
    GapvisionError
        ``job-not-found``; ``measurement-not-found`` when there is nothing to show; ``stored-photo-changed``.
    """
    from gapvision.reports import evidence as ev

    job, visit = store.job(job_id), None if visit_id is None else store.visit(visit_id)
    everything = store.job_lines(job_id, visit_id)
    newest = [x for x in everything if x.newest]
    lines = [x for x in newest if x.status != "refused"]
    require("measurement-not-found", bool(lines), f"Job '{job.reference}' has nothing measured to report.")
    head = ev.Head(**asdict(store.shop()) | {k: v for k, v in (("paper", paper), ("units", units)) if v})
    results = [(s, [x for x in lines if x.seam_id == s.seam_id]) for s in store.seams(job_id)]
    names = {s.seam_id: s.full_name for s, _ in results}
    plans = [p for p in store.plans(job_id) if p.body.get("schema") not in NO_PLANS]
    since = _stored_at(everything)
    measured = [(s, own) for s, own in results if own]
    whole = reader == "expert" or len(measured) == 1
    seams = tuple(_seam_evidence(store, s, own[0], own[-1], head.say, visit_id, whole=whole) for s, own in measured)
    numbers = {s.full_name: k for k, (s, _) in enumerate(results, 1)}
    labels = {s.seam_id: f"seam {numbers[s.full_name]}" if measured[1:] else s.full_name for s, _ in measured}
    files = _file_names(store, newest)
    left = {s.full_name: _why_not(store, s, newest) for s, own in results if not own}
    coats = None
    with suppress(GapvisionError):  # kept from another shop or an older program: the paper goes without
        coats = finish_of(store, job_id)
    whole_car = None
    if visit is None:
        with suppress(GapvisionError):  # likewise
            states = [(s.name, model.HOLE if s.after.verdict is None else s.after.verdict.state) for s in seams]
            whole_car = _car_evidence(store, job_id, states, head.say)
    document = ev.Evidence(
        head=head,
        reference=job.reference, customer=job.customer, car=job.car,
        made_on=made_on or date.today().isoformat(),
        scope="all visits" if visit is None else f"the visit of {visit.on_date}: {visit.stage}",
        seams=seams,
        not_measured={k: why for k, why in left.items() if why or visit is None}, numbers=numbers,
        notes=tuple(filter(None, [job.notes, *(_signed(n) for n in store.notes(job_id))])),
        plans=tuple(plan_evidence(p.panel, p.body, head.say) for p in plans if visit is None),
        whole_car=whole_car,
        photos=tuple(
            ev.PhotoEntry(seam=names[x.seam_id], stage=x.visit.stage + (", refused" if x.status == "refused" else ""),
                          file_name=files.get((x.seam_id, p.original_sha256), p.file_name),
                          sha256=p.original_sha256, taken_at=p.taken_at or "", stored_at=since[x.shot_id])
            for x in newest for p in x.photos
        ),
        program=f"gapvision {__version__}", methods=tuple(sorted({x.method_version for x in lines})),
        warnings=_paper_warnings(store, job_id, newest, seams, labels, since, head.say),
        finish=coats,
        identity=_identity(store, store.origin(job_id)),
        origin=store.origin(job_id),
    )  # fmt: skip
    return ev.write_evidence(document, progress, reader=reader)


def _stored_at(lines: Sequence[MeasurementLine]) -> dict[int, str]:
    """When each photo came into the records: with its first result."""
    since: dict[int, str] = {}
    for x in lines:
        since[x.shot_id] = min(x.made_at, since.get(x.shot_id, x.made_at))
    return since


def _identity(store: Store, origin: str) -> tuple[tuple[str, str], ...]:
    """What tells these very records and programs from others."""
    import platform

    import cv2
    import numpy

    versions = f"gapvision {__version__}, Python {platform.python_version()}, numpy {numpy.__version__}, OpenCV "
    found = [("Head of the records' chain", store.database.head().words), ("Software", versions + cv2.__version__)]
    return (*found, ("Origin", origin)) if origin else tuple(found)


def _file_names(store: Store, lines: Sequence[MeasurementLine]) -> dict[tuple[int, str], str]:
    """What each photo was called when it was measured, by seam and SHA-256.

    A file is kept once; its name there may be the one that it had in another customer's job.
    """
    found = dict[tuple[int, str], str]()
    for x in lines:
        with suppress(GapvisionError):  # a damaged result that no paper shows
            found |= {(x.seam_id, seen.sha256): seen.file for seen in stored(store, x).photos}
    return found


def _signed(note: Note) -> str:
    """A note with who wrote it, and when."""
    return f"{note.text} ({', '.join(filter(None, (note.who, note.made_at[:10])))})"


def _why_not(store: Store, seam: Seam, newest: Sequence[MeasurementLine]) -> str:
    """Why a seam has no result: its last photo was refused, and for what; empty where there is no photo."""
    own = [x for x in newest if x.seam_id == seam.seam_id]
    return f"photo of {own[-1].visit.on_date} refused: {_refusal(store, own[-1])}" if own else ""


def _refusal(store: Store, line: MeasurementLine) -> str:
    with suppress(GapvisionError, IndexError):
        return stored(store, line).notices[0].message
    return "its result cannot be read."


def _paper_warnings(
    store: Store, job_id: int, newest: Sequence[MeasurementLine], seams: Sequence[Any], labels: dict[int, str],
    since: dict[int, str], say: words.Lengths,
) -> tuple[str, ...]:  # fmt: skip
    """What a reader must know first: photos that are missing, days that cannot be, refusals, warnings."""
    told, same = dict[str, list[str]](), dict[str, list[str]]()
    for label, seam in zip(labels.values(), seams, strict=True):
        for shown in filter(None, (seam.before, seam.after)):
            for fault in shown.photo_faults:
                told.setdefault(fault, []).append(f"{label}, {shown.stage}")
    lines = [x for x in newest if x.status != "refused"]
    for x in lines:
        where = f"{labels[x.seam_id]}, {x.visit.stage}"
        for p in x.photos:
            same.setdefault(p.original_sha256, []).append(where)
            about = (job_id, x.visit.stage, x.visit.on_date, p.original_sha256, p.taken_at)
            for n in photo_doubts(store, *about, today=since[x.shot_id][:10]):
                if n.code != "photo-at-two-stages" and where not in told.setdefault(words.notice(n, say)[0], []):
                    told[words.notice(n, say)[0]].append(where)
    for places in same.values():
        if places[1:]:
            told.setdefault("One and the same photo is used for several results.", []).append(" = ".join(places))
    measured = {(x.seam_id, x.visit.visit_id) for x in lines}
    for x in newest:  # an earlier result must not pass for that visit's
        if x.status == "refused" and x.seam_id in labels and (x.seam_id, x.visit.visit_id) not in measured:
            where = f"{labels[x.seam_id]}, {x.visit.stage}"
            told.setdefault(f"The photo was refused: {_refusal(store, x)}", []).append(where)
    for label, seam in zip(labels.values(), seams, strict=True):
        for n in seam.after.measurement.notices:
            if n.kind == "warning":
                told.setdefault(words.notice(n, say)[0], []).append(label)
    return tuple(f"{said} ({_few(places)})" for said, places in told.items())


def _few(places: Sequence[str]) -> str:
    """Places for a line; seams alone, of which there may be many, by their numbers."""
    if len(places) > 1 and all(re.fullmatch(r"seam \d+", x) for x in places):
        return "seams " + ", ".join(x.removeprefix("seam ") for x in places)
    more = len(places) - 3
    return "; ".join(places[:3]) + (f"; and {more} more" if more > 0 else "")


def _seam_evidence(
    store: Store, seam: Seam, first: MeasurementLine, last: MeasurementLine, say: words.Lengths,
    visit_id: int | None = None, *, whole: bool = True,
) -> Any:  # fmt: skip
    """Gather what a paper shows of one seam; the two results are compared only for the whole of it."""
    from gapvision.reports import evidence as ev

    remarks: list[str] = []
    history = store.history(seam.seam_id)
    since = _stored_at(history)
    after = _shown(store, last, since, remarks)
    before = compared = spec = None
    notices = after.measurement.notices
    told = [" ".join(words.notice(n, say)) for n in notices if n.kind != "note"]
    # What a person stated and no photo shows belongs to the evidence.
    told += [words.notice(n, say)[0] for n in notices if n.code == "known-stated"]
    seen = [first, last] if first.visit != last.visit else [last]
    for x, p in ((line, p) for line in seen for p in line.photos):
        about = (seam.job_id, x.visit.stage, x.visit.on_date, p.original_sha256, p.taken_at)
        doubts = (words.notice(n, say)[0] for n in photo_doubts(store, *about, today=x.made_at[:10]))
        told += [f"{x.visit.stage}: {said}" for said in doubts]
    remarks[:0] = told
    with suppress(GapvisionError):  # its verdict says what is wrong with it
        spec = None if seam.spec is None else _wanted(seam)
    if first.measurement_id != last.measurement_id:
        try:
            compared = compare_lines(store, first, last, nominal_mm=spec) if whole else None
            before = _shown(store, first, since, remarks)
        except GapvisionError as error:
            if error.code != "comparison-no-overlap":
                raise
            remarks.append(f"Not compared with the first visit: {error.message}")
        if compared is not None:
            remarks += [" ".join(words.notice(n, say)) for n in compared.notices]
            if compared.thermal is not None and compared.thermal_panel_only is not None:
                remarks.append(words.heat(compared.thermal.per_side_mm, compared.thermal_panel_only.per_side_mm, say))
    kept = store.verdict(last.measurement_id)
    visits = [x for x in history if visit_id in (None, x.visit.visit_id)]
    return ev.SeamEvidence(
        name=seam.full_name, after=after, before=before, comparison=None if compared is None else compared.comparison,
        remarks=tuple(dict.fromkeys(remarks)), panels=panels_beside(store, seam),
        forecast=None if kept is None or after.verdict is None else kept.body.get("forecast"),
        visits=tuple(
            ev.VisitRow(
                number=x.measurement_id, stage=x.visit.stage, on_date=x.visit.on_date, taken_at=x.photo.taken_at or "",
                stored_at=since[x.shot_id], mean_mm=x.mean_mm, min_mm=x.min_mm, max_mm=x.max_mm, u_mm=x.u_mm,
                state=x.status if x.status == "refused" else "not judged" if x.verdict is None else x.verdict.decision,
            )
            for x in visits
        ),
    )  # fmt: skip


def _shown(store: Store, line: MeasurementLine, since: dict[int, str], remarks: list[str]) -> Any:
    """A result with its verdict; a verdict that cannot be read is remarked."""
    from gapvision.reports import evidence as ev

    c, verdict, measurement = line.visit.conditions, None, stored(store, line)
    said = [(tick, "yes" if getattr(c, key) else "no") for key, tick in TICKS.items() if getattr(c, key) is not None]
    metal = "" if c.metal_temp_c is None else f"{c.metal_temp_c:g} °C"
    more = (("car stood", c.support), ("metal", metal), ("remarks", c.remarks))
    said += [(what, text) for what, text in more if text]
    try:
        verdict = verdict_of(store, line, measurement)
    except GapvisionError as error:
        # Kept from another shop or an older program: the evidence is shown without its tolerance.
        remarks.append(f"The tolerance is not shown: {error.message}")
    photos, faults = _photos_of(store, line, measurement)
    remarks += [f"{line.visit.stage}: {fault}" for fault in faults]
    return ev.ShownResult(
        number=line.measurement_id, stage=line.visit.stage, on_date=line.visit.on_date, who=line.visit.who,
        measurement=measurement, photo=photos[0], others=photos[1:],
        file_name=measurement.photo.file, sha256=line.photo.original_sha256, conditions=tuple(said), verdict=verdict,
        taken_at=line.photo.taken_at or "", stored_at=since[line.shot_id], photo_faults=faults,
    )  # fmt: skip


def _photos_of(
    store: Store, line: MeasurementLine, measurement: Measurement
) -> tuple[tuple[bytes | None, ...], tuple[str, ...]]:
    """The photos of a measurement, those behind its first one by their SHA-256, None for a missing one; what is said.

    Raises ``stored-photo-changed`` for whichever of them is another one now.
    """
    kept = {p.original_sha256: p for p in line.others}
    found, faults = list[bytes | None](), list[str]()
    for k, seen in enumerate(measurement.photos):
        of = line.photo if k == 0 else kept.get(seen.sha256)
        found.append(None)
        try:
            found[-1] = None if of is None else store.photo_bytes(of)
        except GapvisionError as error:
            if error.code != "stored-photo-missing":  # no evidence from another photo
                told = f"{line.visit.stage}, {seen.file}: {error.message}"
                raise GapvisionError(error.code, told, error.next_step) from error
            faults.append(f"The photo {seen.file} is missing from the records.")
    return tuple(found), tuple(faults)


def plan_evidence(panel: str, body: dict[str, Any], say: words.Lengths = words.MM) -> Any:
    """Put a stored correction plan (``gapvision-plan/1``) into words and a table for the report.

    ``say`` is the unit of the table; the sentences are those of the file.
    """
    from gapvision.reports import evidence as ev

    def gap(value: float | None) -> str:
        return "-" if value is None else say.gap(value)

    plan = read_declared(PlanFile, body, f"the plan of {panel}", "plan-file-bad")
    first = [n.message for n in plan.notices if n.code == "seams-not-measured"]
    sentences = [*first, *plan.steps, *(f"{p.name}: {p.words}" for p in plan.move.points if p.words)]
    sentences += [*(n.message for n in plan.notices if n.message not in first), *plan.cautions]
    rows = []
    for stretch in plan.stretches:
        for r in stretch.trim.table:
            amount = "-"
            if r.remove_mm:
                amount = words.metal(r.remove_mm, stretch.trim.edge, say)
            at = "-" if r.s_mm is None else say.place(r.s_mm)
            rows.append((stretch.seam, at, gap(r.gap_mm), amount, gap(r.new_gap_mm)))
    heads = ("Seam", "At", "Gap now", "At this panel's edge", "Gap then") if rows else ()
    return ev.PlanEvidence(panel=panel, sentences=tuple(sentences), heads=heads, rows=tuple(rows[:400]))


# --- export and import -----------------------------------------------------------------
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
