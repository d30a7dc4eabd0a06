"""A whole job as a file of an export (``gapvision-job/1``), and what of it must be sound before it is stored."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping
from typing import Annotated, Any, Final, Literal, TypeVar

import msgspec
from msgspec import Meta, field

from gapvision.errors import GapvisionError, require
from gapvision.formats.car_file import car_from_table
from gapvision.formats.declared import Loose, Refused, place, read_declared, read_json
from gapvision.formats.finish_file import finish_from_table
from gapvision.formats.judgement_json import disagreement, judged_again
from gapvision.formats.measurement_json import from_dict
from gapvision.formats.panel_file import layout_from_table
from gapvision.formats.plan_json import Number, PlanFile, ToldNotice
from gapvision.formats.recomputed import contradiction
from gapvision.formats.specification_file import specification_from_table
from gapvision.formats.toml import toml_from_text
from gapvision.model import Measurement, Specification

SCHEMA: Final = "gapvision-job/1"
#: Kept among a job's plans: its coats, and a panel file with where the job's photos lie on it.
FINISH_SCHEMA = "gapvision-finish-of-job/1"
PANEL_SCHEMA = "gapvision-panel-of-job/1"
#: The whole car's file, from which the job's seams come.
CAR_SCHEMA = "gapvision-car-of-job/1"
#: The car's hang list as it was planned, in words.
HANG_LIST_SCHEMA = "gapvision-hang-list-of-job/1"
#: Where an imported job comes from: kept with it, and handed on.
ORIGIN_SCHEMA = "gapvision-origin-of-job/1"
#: What is kept among a job's plans and is none.
NO_PLANS = (FINISH_SCHEMA, PANEL_SCHEMA, CAR_SCHEMA, HANG_LIST_SCHEMA, ORIGIN_SCHEMA)
_WHERE, _CODE = "the export's job", "job-data-bad"

#: A job of 5000 results with their verdicts stays below both; whatever stands in them, it fits into 100 MB of memory.
_MOST_BYTES, _MOST_ITEMS = 20_000_000, 1_000_000
#: What would move the cursor, colour a screen, or turn the direction of reading round where the text is printed.
_CODES = re.compile("[\x01-\x08\x0b-\x1f\x7f-\x9f\u200e\u200f\u2028-\u202e\u2066-\u2069]")

T = TypeVar("T")
#: More than any shop's job has; anything above is refused.
Many = Annotated[list[T], Meta(max_length=20_000)]
Text = Annotated[str, Meta(max_length=100_000, pattern=r"\A[^\x00]*\Z")]
Uid = Annotated[str, Meta(min_length=1, max_length=64)]
Stamp = Annotated[str, Meta(pattern=r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.\d+)?(Z|[+-]\d\d:\d\d)?\Z")]
Hash = Annotated[str, Meta(pattern=r"^[0-9a-f]{64}\Z")]


class _Row(Loose):
    uid: Uid


class _Head(_Row):
    reference: Text
    customer: Text
    car: Text
    notes: Text
    opened_on: Text


class _Panel(_Row):
    name: Text
    side: Text
    metal: Text
    length_mm: float | None


class _Seam(_Row):
    panel: str | None
    name: Text
    side: Text
    spec: dict[str, Any] | None


class _Visit(_Row):
    stage: Text
    on_date: Text
    who: Text
    notes: Text
    conditions: dict[str, Any]


class _Photo(Loose):
    sha256: Hash
    original_sha256: Hash
    suffix: Annotated[str, Meta(pattern=r"^\.(jpe?g|png|tiff?|webp|hei[cf])\Z")]
    file_name: Text
    taken_at: Annotated[str, Meta(max_length=40)] | None


class _Verdict(Loose):
    made_at: Stamp
    decision: Literal["in tolerance", "out of tolerance", "not proven"]
    rule: Text
    body: dict[str, Any]


class _Measurement(_Row, omit_defaults=True):
    made_at: Stamp
    method_version: Annotated[int, Meta(ge=0, le=1_000_000)]
    program_version: Text
    verdicts: list[_Verdict]
    content: dict[str, Any] | None = None
    file: str | None = None
    #: All photos of a set that was measured together; none: the shot's own.
    photos: Annotated[list[_Photo], Meta(max_length=200)] = msgspec.field(default_factory=list)


class _Shot(_Row):
    seam: str
    visit: str
    photo: _Photo
    measurements: list[_Measurement]

    def all_photos(self) -> list[_Photo]:
        """Its own photo, and all those of its results."""
        return [self.photo, *(p for m in self.measurements for p in m.photos)]


class _Note(_Row):
    seam: str | None
    visit: str | None
    text: Text
    who: Text
    made_at: Stamp


class _Plan(_Row):
    panel: Text
    made_at: Stamp
    body: dict[str, Any]


class JobFile(Loose):
    """All of a job but its photos' bytes."""

    job: _Head
    panels: Many[_Panel]
    seams: Many[_Seam]
    visits: Many[_Visit]
    shots: Many[_Shot]
    notes: Many[_Note]
    plans: Many[_Plan]
    schema: Literal["gapvision-job/1"]

    def check(self) -> None:
        """Refuse a seam, photo or result that belongs to nothing in the file."""
        panels, seams, visits = ({row.uid for row in rows} for rows in (self.panels, self.seams, self.visits))
        for k, seam in enumerate(self.seams):
            if seam.panel is not None and seam.panel not in panels:
                raise Refused("The panel is not in the export.", path=f".seams[{k}].panel")
        for k, shot in enumerate(self.shots):
            if shot.seam not in seams or shot.visit not in visits:
                raise Refused("The photo's seam or visit is not in the export.", path=f".shots[{k}]")


class _Span(Loose):
    state: str
    from_mm: Number
    to_mm: Number
    worst_mm: Number | None = None
    worst_at_mm: Number | None = None
    worst_u_mm: Number | None = None
    excess_mm: Number | None = None


class _Film(Loose):
    least_mm: Number
    most_mm: Number
    loss_mm: Number


class _Station(Loose):
    s_mm: Number
    gap_mm: Number
    u_mm: Number


class _Judged(Loose):
    """What the report reads of a verdict."""

    verdict: str
    sentence: str
    reasons: list[str]
    spans: list[_Span]
    forecast: _Forecast | None = None


class _Forecast(Loose):
    verdict: _Judged
    film: _Film
    stations: list[_Station]
    notices: list[ToldNotice]


class _PhotoOnPanel(Loose):
    seam: str
    at_mm: Number
    reverse: bool


class _SeamOnPanel(Loose):
    edge: str
    photos: list[_PhotoOnPanel]


class _PanelOfJob(Loose):
    file: str
    photos: dict[str, _SeamOnPanel]

    def check(self) -> None:
        layout_from_table(toml_from_text(self.file, "the panel file"))


class CarPlace(Loose):
    """Where a seam's photo lies on the car: its first station along it [mm], and the edge of the first body."""

    at_mm: Number
    edge: Literal["A", "B"]


class CarOfJobFile(Loose):
    """A car kept with a job: its file, and where its seams' photos lie."""

    file: str
    places: dict[str, CarPlace] = field(default_factory=dict)

    def check(self) -> None:
        """Refuse a car file that cannot be read."""
        car_from_table(toml_from_text(self.file, "the car file"))


class HangListStep(Loose):
    """One panel of a hang list that is kept."""

    panel: str
    said: list[str]


class HangListSetting(Loose):
    """What a hang list sets one way of an adjuster to."""

    panel: str
    adjuster: str
    way: int
    set_mm: Number


class HangList(Loose):
    """A hang list that is kept with a job, in words and settings; ``done``: panels of the list before that were set."""

    settings: list[HangListSetting]
    done: list[str]
    said: list[str]
    steps: list[HangListStep]
    then: list[str]


class _FinishOfJob(Loose):
    finish: dict[str, Any]

    def check(self) -> None:
        finish_from_table(self.finish)


class _OriginOfJob(Loose):
    measured_by: Annotated[str, Meta(max_length=200)]
    imported_at: Stamp
    seal: Hash


def origin_words(bodies: Iterable[Mapping[str, Any]]) -> str:
    """Where an imported job comes from, in words; empty for the shop's own."""
    told = [b for b in bodies if b.get("schema") == ORIGIN_SCHEMA]
    ways = [f"imported on {b['imported_at'][:10]}, seal {b['seal']}" for b in told]
    return f"measured by {told[0]['measured_by'] or 'another shop'}, {'; then '.join(ways)}" if told else ""


def job_from_data(data: Any) -> JobFile:
    """Read a job with its measurements' contents in it; ``job-data-bad`` with the place."""
    return read_declared(JobFile, data, _WHERE, _CODE)


def read_job(data: bytes, give: Callable[[str], bytes]) -> JobFile:
    """Read an export's job, so that nothing in it can stop a report once it is stored.

    ``data`` are the bytes of ``job.json``; ``give`` gives a file of the export by its name.  The measurements' contents
    are looked at, but not kept: :func:`read_content` gives each again.

    Raises
    ------
    GapvisionError
        ``job-data-bad``, ``measurement-file-bad``, and as plans, finish and panel files raise.
    """
    job = job_from_data(_plain_json(data, _WHERE))
    _refuse_nul(data, _WHERE)
    wanted = {}
    for seam in job.seams:
        if seam.spec is not None:
            wanted[seam.uid] = _specification(seam.spec)
    for k, i, m in ((k, i, m) for k, shot in enumerate(job.shots) for i, m in enumerate(shot.measurements)):
        path = f"shots[{k}].measurements[{i}]"
        if m.file is None or m.content is not None:
            raise GapvisionError(_CODE, f"{place(_WHERE, path)}: 'file' is missing.")
        measured = from_dict(read_content(give(m.file), m.file), "a measurement of the export")
        wrong = contradiction(measured)
        require(_CODE, not wrong, f"{place(_WHERE, path)}: {wrong}.")
        kept = {p.original_sha256 for p in m.photos or (job.shots[k].photo,)}
        own = len(measured.photos) + len(m.photos) < 2 or all(seen.sha256 in kept for seen in measured.photos)
        require(_CODE, own, f"{place(_WHERE, path)}: the photos with it are not those that it was measured from.")
        for v, verdict in enumerate(m.verdicts):
            _check_verdict(verdict, measured, wanted.get(job.shots[k].seam), f"{path}.verdicts[{v}]")
    for k, plan in enumerate(job.plans):
        kinds: dict[Any, type[Loose]] = {
            FINISH_SCHEMA: _FinishOfJob, PANEL_SCHEMA: _PanelOfJob, CAR_SCHEMA: CarOfJobFile,
            HANG_LIST_SCHEMA: HangList, ORIGIN_SCHEMA: _OriginOfJob,
        }  # fmt: skip
        kind = kinds.get(str(plan.body.get("schema")), PlanFile)
        read_declared(kind, plan.body, _WHERE, _CODE, path=f"plans[{k}].body")
    return job


def read_content(data: bytes, name: str) -> dict[str, Any]:
    """A measurement file of an export as it is stored: ``job-data-bad``."""
    where = f"the export's file '{name}'"
    content = _plain_json(data, where)
    _refuse_nul(data, where)
    if not isinstance(content, dict):
        raise GapvisionError(_CODE, f"{place(_WHERE, name)}: a table is expected.")
    return content


def _check_verdict(verdict: _Verdict, measured: Measurement, wanted: Specification | None, at: str) -> None:
    """Refuse a verdict that the stations contradict, and one of which nothing says what it was judged by."""
    if verdict.body:
        read_declared(_Judged, verdict.body, _WHERE, _CODE, path=f"{at}.body")
        rule = verdict.body.get("rule")
        beside = verdict.body["verdict"] == verdict.decision
        require(_CODE, beside, f"{place(_WHERE, at)}: the verdict contradicts the stations or its own record.")
        named = not isinstance(rule, dict) or rule.get("name") == verdict.rule
        require(_CODE, named, f"{place(_WHERE, at)}: the rule is not that of its record.")
    judged = judged_again(verdict.body, measured, wanted, verdict.rule)
    if judged is None:
        raise GapvisionError(_CODE, f"{place(_WHERE, at)}: nothing says what it was judged by.")
    wrong = disagreement(verdict.body, verdict.decision, judged)
    require(_CODE, not wrong, f"{place(_WHERE, at)}: {wrong}.")


def _specification(table: dict[str, Any]) -> Specification | None:
    """What is wanted of a seam; one that cannot be read is told where it is used."""
    try:
        return specification_from_table(table)
    except GapvisionError:
        return None


def _plain_json(data: bytes, where: str) -> Any:
    """JSON that is small enough, its texts without codes that a screen would obey."""
    items = data.count(b",") + data.count(b"[") + 4 * data.count(b"{")
    require(_CODE, len(data) <= _MOST_BYTES and items <= _MOST_ITEMS, f"{place(where)} is larger than any job's.")
    return _without_codes(read_json(data, where, _CODE))


def _refuse_nul(data: bytes, where: str) -> None:
    """JSON cannot hold the byte itself, but can name it."""
    require(_CODE, b"\\u0000" not in data, f"{place(where)}: a text holds a NUL byte.")


def _without_codes(value: Any) -> Any:
    if isinstance(value, str):
        return value if value.isprintable() else _CODES.sub("", value)
    if isinstance(value, list):
        return [_without_codes(v) for v in value] if any(isinstance(v, str | list | dict) for v in value) else value
    if isinstance(value, dict):
        return {_without_codes(k): _without_codes(v) for k, v in value.items()}
    return value


def job_bytes(job: JobFile) -> bytes:
    """The file's bytes."""
    return msgspec.json.format(msgspec.json.encode(job), indent=1)
