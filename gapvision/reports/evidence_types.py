"""What an evidence report is made from: plain values, gathered by who calls it."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any, NamedTuple

from gapvision.model import Car, Comparison, FinishPlan, GapProfile, Measurement, Verdict
from gapvision.words import Lengths


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The shop's own head: ``logo`` a PNG or JPEG file, ``paper`` a4 or letter, ``units`` mm or inch, the first one."""

    name: str = ""
    address: str = ""
    contact: str = ""
    logo: bytes | None = None
    paper: str = "a4"
    units: str = "mm"

    @property
    def say(self) -> Lengths:
        """Writes lengths in the shop's unit; inches in decimals, so that gap, limits and U can be compared."""
        return Lengths("mm" if self.units == "mm" else "in")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownResult:
    """One result as it is shown.

    Attributes
    ----------
    measurement : Measurement
        As it is kept; never of a refused photo.
    photo : bytes or None
        The photo's file; only its picture gets into the report.
    others : tuple of (bytes or None)
        The further photos of a measurement of several.
    taken_at, stored_at : str
        By the camera's clock, and when it came into the records (UTC).
    conditions : tuple of (what, said)
        The checklist in words.
    verdict : Verdict or None
        The decision about it, for text, tables and plot alike.
    photo_faults : tuple of str
        Photos that are missing.
    """

    number: int
    stage: str
    on_date: str
    who: str
    measurement: Measurement
    photo: bytes | None
    file_name: str
    sha256: str
    conditions: tuple[tuple[str, str], ...] = ()
    verdict: Verdict | None = None
    others: tuple[bytes | None, ...] = ()
    taken_at: str = ""
    stored_at: str = ""
    photo_faults: tuple[str, ...] = ()

    @property
    def photos(self) -> tuple[bytes | None, ...]:
        """All of them, in the order of the measurement's."""
        return (self.photo, *self.others)

    @property
    def profile(self) -> GapProfile:
        """Its stations."""
        if self.measurement.profile is None:
            raise ValueError("a refused photo has nothing to show")
        return self.measurement.profile


class VisitRow(NamedTuple):
    """One result of a seam in the list of all of them; lengths in mm, None where the photo was refused."""

    number: int
    stage: str
    on_date: str
    taken_at: str
    stored_at: str
    mean_mm: float | None
    min_mm: float | None
    max_mm: float | None
    u_mm: float | None
    state: str


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeamEvidence:
    """One seam of the report.

    Attributes
    ----------
    before : ShownResult or None
        An earlier result, to be set against ``after``.
    comparison : Comparison or None
        Of the two.
    remarks : tuple of str
        Warnings and notes that belong to this seam, in words.
    forecast : dict or None
        After paint, as the judgement's forecast in its file's form.
    visits : tuple of VisitRow
        Every result that the report's scope holds.
    panels : mapping of str to str
        What the panels of edges ``A`` and ``B`` are called, as far as the job knows; see :func:`gapvision.words.sides`.
    """

    name: str
    after: ShownResult
    before: ShownResult | None = None
    comparison: Comparison | None = None
    remarks: tuple[str, ...] = ()
    forecast: dict[str, Any] | None = None
    visits: tuple[VisitRow, ...] = ()
    panels: Mapping[str, str] = field(default_factory=dict)


class PlanEvidence(NamedTuple):
    """A correction plan in words and one table."""

    panel: str
    sentences: tuple[str, ...] = ()
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


class CarEvidence(NamedTuple):
    """The whole car of a job: its seams' states, left against right (first and latest), and the hang list kept."""

    car: Car
    states: dict[str, str]
    said: tuple[str, ...] = ()
    pairs: tuple[tuple[str, ...], ...] = ()
    planned: tuple[str, ...] = ()
    steps: tuple[tuple[str, tuple[str, ...]], ...] = ()
    then: tuple[str, ...] = ()
    made_at: str = ""


class PhotoEntry(NamedTuple):
    """A line in the list of photos."""

    seam: str
    stage: str
    file_name: str
    sha256: str
    taken_at: str = ""
    stored_at: str = ""


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """A whole report: one source for all papers.

    Attributes
    ----------
    scope : str
        ``all visits`` or the visit in words.
    not_measured : mapping of str to str
        Seams without a result -> why, empty where there is no photo.
    numbers : mapping of str to int
        Seams -> their numbers in the job, the same on every paper about it; default: those measured are counted.
    warnings : tuple of str
        What must be known before anything else is believed.
    finish : FinishPlan or None
        The coats stated for the job.
    identity : tuple of (what, said)
        What tells these very records and programs from others.
    origin : str
        Where an imported job comes from; empty for the shop's own.
    """

    head: Head
    reference: str
    customer: str
    car: str
    made_on: str
    scope: str
    seams: tuple[SeamEvidence, ...]
    not_measured: Mapping[str, str] = field(default_factory=dict)
    numbers: Mapping[str, int] = field(default_factory=dict)
    notes: tuple[str, ...] = ()
    plans: tuple[PlanEvidence, ...] = ()
    whole_car: CarEvidence | None = None
    photos: tuple[PhotoEntry, ...] = ()
    program: str = ""
    methods: tuple[int, ...] = ()
    warnings: tuple[str, ...] = ()
    finish: FinishPlan | None = None
    identity: tuple[tuple[str, str], ...] = ()
    origin: str = ""
