"""What the records room hands out: plain, frozen rows.

Dates a person gives (``on_date``, ``opened_on``) are local days, ISO 8601.
Times the program stamps (``..._at``) are UTC, ISO 8601 ending in ``Z``.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Annotated, Any

from msgspec import Meta

#: Stages a seam usually goes through.  Any other words are welcome too.
STAGES = ("as found", "after fit-up", "after trimming", "before primer", "after paint")

SIDES = ("", "left", "right")
METALS = ("steel", "aluminium")

#: How the car may stand.  Any other words are welcome too.
SUPPORTS = ("on its wheels", "on axle stands", "on a two-post lift", "on a body jig", "bare shell on a trolley")


#: What a person ticks of the conditions, and its words.
TICKS = {
    "latched": "latched",
    "seal_fitted": "rubber seal fitted",
    "shims_tight": "shims tight",
    "hinges_tight": "hinges tight",
    "doors_closed": "doors closed",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class Conditions:
    """The checklist a person ticks before the photo; None is 'not said'.

    Attributes
    ----------
    latched, seal_fitted, shims_tight, hinges_tight, doors_closed : bool or None
        What holds the panel where it is.
    support : str
        How the car stands (see :data:`SUPPORTS`); empty when not said.
    metal_temp_c : float or None
        Temperature of the metal [degree Celsius].
    remarks : str
        Anything else.
    """

    latched: bool | None = None
    seal_fitted: bool | None = None
    shims_tight: bool | None = None
    hinges_tight: bool | None = None
    doors_closed: bool | None = None
    support: str = ""
    metal_temp_c: Annotated[float, Meta(ge=-60, le=200)] | None = None
    remarks: str = ""


class _OnASide:
    """What stands on one side of the car, or on neither."""

    __slots__ = ()
    name: str
    side: str

    @property
    def full_name(self) -> str:
        """Side and name, like ``left door``."""
        return f"{self.side} {self.name}".strip()


@dataclass(frozen=True, slots=True, kw_only=True)
class Job:
    """One car in the shop."""

    job_id: int
    uid: str
    reference: str
    customer: str
    car: str
    notes: str
    opened_on: str
    created_at: str
    changed_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class JobLine:
    """One line of the jobs list: the job and its state at a glance.

    Attributes
    ----------
    seams, measured, in_tolerance, out_of_tolerance, not_proven : int
        How many seams the job has, how many were measured, and what the latest verdict of each says.
    last_on : str
        Day of the latest visit, empty before the first one.
    """

    job: Job
    seams: int = 0
    measured: int = 0
    in_tolerance: int = 0
    out_of_tolerance: int = 0
    not_proven: int = 0
    last_on: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPanel(_OnASide):
    """One panel of a car, of one of METALS; its length across its gaps [mm], for the effect of temperature."""

    panel_id: int
    uid: str
    job_id: int
    name: str
    side: str
    metal: str
    length_mm: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Seam(_OnASide):
    """One seam of a car: its specification in its file's form, and its place in lists."""

    seam_id: int
    uid: str
    job_id: int
    panel_id: int | None
    name: str
    side: str
    spec: dict[str, Any] | None
    position: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Visit:
    """One round of photos: a stage, a day, a person, the conditions."""

    visit_id: int
    uid: str
    job_id: int
    stage: str
    on_date: str
    who: str
    conditions: Conditions
    notes: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPhoto:
    """A photo in the data folder, by the SHA-256 of its bytes.

    ``original_sha256`` is that of the bytes as the phone made them: another one only when location data was taken out
    before the photo was stored.
    """

    sha256: str
    original_sha256: str
    suffix: str
    size_bytes: int
    file_name: str
    taken_at: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class NewPhoto:
    """A photo's file to be stored, of that kind (``.jpg``); ``original_sha256`` where its location was taken out."""

    data: bytes
    suffix: str
    file_name: str = ""
    taken_at: str | None = None
    original_sha256: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredVerdict:
    """A decision on one measurement, by the rule of that name, and its file ``gapvision-verdict/1`` as ``body``."""

    verdict_id: int
    measurement_id: int
    made_at: str
    decision: str
    rule: str
    body: dict[str, Any] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class MeasurementLine:
    """One result in a seam's history, without its stations.

    Attributes
    ----------
    shot_id : int
        The photo of this seam at this visit; several results with the same
        ``shot_id`` are the same photo measured again.
    newest : bool
        True on the latest result of its photo.
    mean_mm, min_mm, max_mm : float or None
        Gap [mm]; None on a refused photo.
    u_mm : float or None
        Median expanded uncertainty (k = 2) of the stations [mm].
    verdict : StoredVerdict or None
        The latest decision, without its body.
    others : tuple of StoredPhoto
        Of a set of photos measured together, those behind ``photo``, with what was left out of it last.
    """

    measurement_id: int
    uid: str
    shot_id: int
    seam_id: int
    visit: Visit
    photo: StoredPhoto
    made_at: str
    method_version: int
    program_version: str
    status: str
    mean_mm: float | None
    min_mm: float | None
    max_mm: float | None
    u_mm: float | None
    newest: bool
    verdict: StoredVerdict | None
    others: tuple[StoredPhoto, ...] = ()

    @property
    def photos(self) -> tuple[StoredPhoto, ...]:
        """All photos that were given to be measured."""
        return (self.photo, *self.others)


@dataclass(frozen=True, slots=True, kw_only=True)
class SeamState:
    """A seam with its latest result, for a job's page at a glance."""

    seam: Seam
    panel: StoredPanel | None
    latest: MeasurementLine | None
    results: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Note:
    """Something a person wrote down."""

    note_id: int
    uid: str
    job_id: int
    seam_id: int | None
    visit_id: int | None
    text: str
    who: str
    made_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class StoredPlan:
    """A correction plan in its file's form; or a job's coats, or a panel file (see formats.job_file)."""

    plan_id: int
    uid: str
    job_id: int
    panel: str
    made_at: str
    body: dict[str, Any]


@dataclass(frozen=True, slots=True, kw_only=True)
class BinItem:
    """Something deleted that can be brought back."""

    bin_id: int
    kind: str
    item_id: int
    label: str
    deleted_at: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Shop:
    """The shop's own head on its documents."""

    name: str = ""
    address: str = ""
    contact: str = ""
    logo: bytes | None = None
    paper: str = "a4"
    units: str = "mm"
