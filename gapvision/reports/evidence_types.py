"""What an evidence report is made from: plain values, gathered by who calls it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from gapvision.model import Comparison, GapProfile, GapSummary, Measurement, Verdict
from gapvision.words import Lengths


@dataclass(frozen=True, slots=True, kw_only=True)
class Head:
    """The shop's own head.

    Attributes
    ----------
    logo : bytes or None
        PNG or JPEG file.
    paper : str
        ``a4`` or ``letter``.
    units : str
        ``mm`` or ``inch``: which stands first.
    """

    name: str = ""
    address: str = ""
    contact: str = ""
    logo: bytes | None = None
    paper: str = "a4"
    units: str = "mm"

    @property
    def say(self) -> Lengths:
        """Writes lengths in the shop's unit."""
        return Lengths("mm" if self.units == "mm" else "fraction")


@dataclass(frozen=True, slots=True, kw_only=True)
class ShownResult:
    """One result as it is shown.

    Attributes
    ----------
    measurement : Measurement
        As it is kept.
    photo : bytes or None
        The photo's file; only its picture gets into the report.
    verdict : dict or None
        ``gapvision-verdict/1``.
    conditions : tuple of (what, said)
        The checklist in words.
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
    verdict: dict[str, Any] | None = None

    @property
    def summary(self) -> GapSummary:
        """Its gap in five numbers."""
        if self.measurement.summary is None:
            raise ValueError("a refused photo has nothing to show")
        return self.measurement.summary

    @property
    def profile(self) -> GapProfile:
        """Its stations; a refused photo is never shown."""
        if self.measurement.profile is None:
            raise ValueError("a refused photo has nothing to show")
        return self.measurement.profile


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeamEvidence:
    """One seam of the report.

    Attributes
    ----------
    before : ShownResult or None
        An earlier result, to be set against ``after``.
    comparison : Comparison or None
        Of the two.
    judged : Verdict or None
        The judgement of ``after``, for its plot.
    remarks : tuple of str
        Warnings and notes that belong to this seam, in words.
    forecast : dict or None
        After paint, as the judgement's forecast in its file's form.
    """

    name: str
    after: ShownResult
    before: ShownResult | None = None
    comparison: Comparison | None = None
    judged: Verdict | None = None
    remarks: tuple[str, ...] = ()
    forecast: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class PlanEvidence:
    """A correction plan in words and one table."""

    panel: str
    sentences: tuple[str, ...] = ()
    heads: tuple[str, ...] = ()
    rows: tuple[tuple[str, ...], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class PhotoEntry:
    """A line in the list of photos."""

    seam: str
    stage: str
    file_name: str
    sha256: str


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """A whole report.

    Attributes
    ----------
    made_on : str
        Day, ISO 8601.
    scope : str
        ``all visits``, or the visit in words.
    not_measured : tuple of str
        Seams of the job without a result.
    """

    head: Head
    reference: str
    customer: str
    car: str
    made_on: str
    scope: str
    seams: tuple[SeamEvidence, ...]
    not_measured: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    plans: tuple[PlanEvidence, ...] = ()
    photos: tuple[PhotoEntry, ...] = ()
    program: str = ""
    methods: tuple[int, ...] = field(default_factory=tuple)
