"""Jobs: the list, one job's seams at a glance, one seam through the stages, before and after."""

from __future__ import annotations

import tempfile
from datetime import UTC, datetime
from functools import partial
from pathlib import Path

import numpy as np
import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from gapvision import words
from gapvision.demo_job import make_demo_job
from gapvision.formats.table import comparison_csv, csv_text
from gapvision.model import Comparison, ExtraLine, Verdict
from gapvision.page import before_after, widgets
from gapvision.page.books import line_title, load, records, seam_title, show_origin, stored_photo, wanted_of
from gapvision.page.shown import OnScreen, draw_viewer, plot_files, remember
from gapvision.records import Job, JobLine, MeasurementLine, Seam, SeamState
from gapvision.reports.profile_picture import line_of
from gapvision.workshop import (
    Point,
    compare_lines,
    evidence_report,
    export_job,
    failed_check,
    places_in_names,
    verdict_of,
)

_MOST = 100
_JOB_FIELDS = ("job_reference", "job_customer", "job_car", "job_notes")
_DATUMS = {
    "align": "the shape of the profiles",
    "strip": "a strip left in its place",
    "mark": "a mark that both photos show",
}


def show(ticket: str) -> None:
    """The whole view."""
    del ticket
    _new_job()
    words = st.text_input("Search", key="search", placeholder="any word: reference, customer, car, seam, note")
    lines = records().jobs(words, limit=_MOST)
    if not lines:
        st.info("No job has these words." if words.strip() else "No job yet. Make one here, or save a measurement.")
        if not words.strip():
            _demo_job()
        return
    titles = {line.job.reference: _title(line) for line in lines}
    wanted = st.session_state.get("job")
    reference = widgets.pick(f"Job ({len(lines)} found)", titles, "job_choice", titles.__getitem__, wanted)
    job = next(line.job for line in lines if line.job.reference == reference)
    st.session_state["job"] = reference
    _about(job)
    states = records().seam_states(job.job_id)
    _at_a_glance(states)
    measured = [s for s in states if s.latest is not None]
    if measured:
        _history(measured)
    report(job)
    _backup()


def _title(line: JobLine) -> str:
    parts = ", ".join(p for p in (line.job.reference, line.job.car, line.job.customer) if p)
    return f"{parts} ({line.seams} seam{'' if line.seams == 1 else 's'}, {line.measured} measured)"


def _new_job() -> None:
    widgets.empty_after("job_opened", *_JOB_FIELDS)
    with st.expander("New job", key="new_job_box"), widgets.telling():
        reference = st.text_input("Reference", key="job_reference", placeholder="empty: the next free number")
        customer = st.text_input("Customer", key="job_customer")
        car = st.text_input("Car, in your own words", key="job_car")
        notes = st.text_area("Notes", key="job_notes")
        if st.button("Open the job", key="open_job"):
            job = records().new_job(reference=reference, customer=customer, car=car, notes=notes)
            st.session_state["job_choice"] = st.session_state["job"] = job.reference
            st.session_state["job_opened"] = True
            st.rerun()


def _about(job: Job) -> None:
    show_origin(job)
    if job.notes:
        st.write(job.notes)
    for note in records().notes(job.job_id)[-5:]:
        st.write(f"Note, {note.made_at[:10]} {note.who}: {note.text}")
    widgets.empty_after("note_kept", "note_text")
    text = st.text_area("Add a note", key="note_text", height=90)
    if st.button("Keep the note", key="keep_note") and text.strip():
        records().add_note(job.job_id, text.strip(), who=st.session_state["who"])
        st.session_state["note_kept"] = True
        st.rerun()


def _at_a_glance(states: list[SeamState]) -> None:
    """Each seam with its latest state."""
    st.subheader("Seams", anchor=False)
    if not states:
        st.write("No seam yet: save a measurement to this job.")
        return
    rows, say = [], widgets.lengths()
    for state in states:
        line, gap, stage = state.latest, "", ""
        if line is not None:
            stage = f"{line.visit.stage}, {line.visit.on_date}"
            if line.mean_mm is not None:
                gap = f"{say.gap_alone(line.mean_mm)}, U {say.small(line.u_mm or 0.0, alone=True)}"
        rows.append((seam_title(state.seam), " ".join(state_of(state)), gap, stage))
    widgets.table("Seams", ("Seam", "State", "Mean gap", "Stage"), rows)


def state_of(state: SeamState) -> tuple[str, str]:
    """Sign and words for a seam's latest result: its verdict, and why where its gap is good; else 'measured'."""
    if state.latest is None:
        return "-", "not measured"
    if state.latest.verdict is not None:
        word, why = state.latest.verdict.decision, failed_check(records(), state.latest)
    else:
        verdict = verdict_of(records(), state.latest)
        word, why = ("measured", None) if verdict is None else (verdict.state, verdict.by_form)
    more = () if why is None else (words.check_briefly(why, widgets.lengths()),)
    return widgets.SIGNS.get(word, "\u00b7"), ", ".join((word, *more))


def _history(measured: list[SeamState]) -> None:
    """One seam through its stages; an earlier result can be laid under it."""
    st.subheader("One seam through the stages", anchor=False)
    by_id = {s.seam.seam_id: s.seam for s in measured}
    wanted = st.session_state.get("seam")
    seam = by_id[widgets.pick("Seam", by_id, "seam_choice", lambda i: seam_title(by_id[i]), wanted)]
    st.session_state["seam"] = seam.seam_id
    lines = [line for line in records().history(seam.seam_id) if line.status != "refused"]
    after = _stage(seam, lines)
    measurement = load(after)
    verdict = _decided(after)
    widgets.show_verdict(measurement, verdict)
    more: list[ExtraLine] = []
    comparison, before = None, None
    if len(lines) > 1:
        others = {line.measurement_id: line for line in lines if line is not after}
        key = f"before_{seam.seam_id}"
        before = others[widgets.pick("Compare with", others, key, lambda i: line_title(others[i]))]
        said, pictures, warned = st.container(), st.container(), st.container()
        with said:
            more, comparison = _compare(seam, before, after, warned)
        with pictures:
            before_after.show(before, after, comparison)
    draw_viewer(stored_photo(after), measurement, verdict, "viewer_job", more=more)
    widgets.show_spans(measurement, verdict)
    widgets.show_notices(measurement.notices)
    # Another view can be opened only before its switch is drawn: by what is called when the button was pressed.
    shown = OnScreen(stored_photo(after), measurement, wanted_of(seam), seam.seam_id)
    st.button("Decide about this result", key="decide_this", on_click=_decide, args=(shown, after.measurement_id))
    st.subheader("Download this plot", anchor=False)
    stem = f"{seam_title(seam)} {after.visit.stage}".replace(" ", "_").replace(",", "")
    numbers = partial(csv_text, measurement, verdict)
    if comparison is not None and before is not None:  # of both stages, with their change
        numbers = partial(comparison_csv, comparison, before.visit.stage, after.visit.stage)
    csv = ("Profile, CSV", f"{stem}.csv", lambda: numbers().encode("utf-8-sig"))
    widgets.downloads([*plot_files(stem, measurement, verdict, widgets.unit(), more), csv], "jobs")


def _decided(line: MeasurementLine) -> Verdict | None:
    """The decision about a result; None without one, or after saying why it cannot be shown."""
    with widgets.telling():
        return verdict_of(records(), line)
    return None


def _stage(seam: Seam, lines: list[MeasurementLine]) -> MeasurementLine:
    """Ask which of a seam's results is looked at: the newest, until another is chosen."""
    if len(lines) == 1:
        return lines[0]
    by_id = {line.measurement_id: line for line in lines}
    numbers = {i: k for k, i in enumerate(by_id, 1)}
    key = f"stage_{seam.seam_id}_{len(lines)}"  # one more result, and the newest is looked at again
    if st.session_state.get(key) not in by_id:
        st.session_state[key] = lines[-1].measurement_id
    chosen = st.select_slider(
        "From before to after", list(by_id), key=key, format_func=lambda i: f"{numbers[i]}. {by_id[i].visit.stage}, {by_id[i].visit.on_date}"
    )
    return by_id[chosen]


def _decide(shown: OnScreen, measurement_id: int) -> None:
    remember(shown, measurement_id)
    st.session_state["view"] = "Decide"


def _compare(
    seam: Seam, before: MeasurementLine, after: MeasurementLine, warned: DeltaGenerator
) -> tuple[list[ExtraLine], Comparison | None]:
    """What changed, in words, and the profile before on the stations of after; warnings go below the pictures."""
    datum = widgets.pick("Lay them on each other by", _DATUMS, f"datum_{seam.seam_id}", _DATUMS.__getitem__)
    marks = _marks(seam, before, after) if datum == "mark" else ()
    compared = None
    with widgets.telling():
        wanted = wanted_of(seam)
        compared = compare_lines(records(), before, after, datum=datum, marks=marks, nominal_mm=wanted)
    if compared is None:
        return [], None
    c = compared.comparison
    st.write(" ".join(words.change(c, widgets.lengths())))
    with warned:
        widgets.show_notices(compared.notices)
    earlier = load(before).profile
    if earlier is None:
        return [], c
    # The comparison runs on the stations of 'before'; the plot shows those of 'after'.
    return [line_of(earlier, f"before: {before.visit.stage}", -c.datum.shift_mm)], c


def _marks(seam: Seam, before: MeasurementLine, after: MeasurementLine) -> tuple[tuple[Point, Point], ...]:
    """Ask at which station of each photo the same mark lies; where that is in the photos."""
    st.write("Read the mark's station in each photo (choose the stage above to see it), and write both here.")
    places = []
    for column, (word, line) in zip(st.columns(2), (("before", before), ("after", after)), strict=True):
        profile = load(line).profile_in_first
        if profile is None:
            return ()
        first, last = float(profile.s_mm[0]), float(profile.s_mm[-1])
        at = widgets.length_number(
            column, f"Mark's station {word}", f"mark_{word}_{seam.seam_id}_{line.measurement_id}",
            round(0.5 * (first + last)) + 0.0, first, last, 1.0,
        )  # fmt: skip
        middle = 0.5 * (profile.edge_a_px + profile.edge_b_px)
        places.append(tuple(float(np.interp(at, profile.s_mm, middle[:, k])) for k in (0, 1)))
    (x1, y1), (x2, y2) = places
    return (((x1, y1), (x2, y2)),)


def report(job: Job) -> None:
    """Evidence for the customer: the report as PDF, and the whole job as one sealed file; made when asked for."""
    st.header("Evidence", anchor=False)
    unit = "mm" if widgets.unit() == "mm" else "inch"

    def package() -> bytes:
        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / "job.zip"
            export_job(records(), job.job_id, path)
            return path.read_bytes()

    widgets.show_notices(places_in_names(records(), job.job_id))
    papers = (("Report for the customer", "customer"), ("Report for the paint shop", "paint-shop"),
              ("Report for an expert", "expert"))  # fmt: skip
    files: list[widgets.File] = [
        (f"{label}, PDF", f"{job.reference}_{reader}.pdf",
         partial(evidence_report, records(), job.job_id, units=unit, reader=reader))
        for label, reader in papers
    ]  # fmt: skip
    files.append(("Whole job, ZIP", f"{job.reference}.zip", package))
    widgets.downloads(files, "job")


def _backup() -> None:
    """When the records were last copied whole, and the copy opened."""
    made = records().proven_backup()
    days = (datetime.now(UTC) - datetime.fromisoformat(made)).days if made else 0
    ago = f"{days} day{'' if days == 1 else 's'} ago" if days else "less than a day ago"
    said = f"Last proven backup: {ago}." if made else "No proven backup yet: 'gapvision backup FOLDER' makes one."
    st.write(said)


def _demo_job() -> None:
    """Make the invented job: its photos are measured, which takes a while."""
    st.write("To look around first, let the program make an invented job with drawn photos.")
    if st.button("Make the demo job", key="demo_job"):
        bar = st.progress(0.0, text="Measuring")

        def told(done: int, total: int) -> None:
            bar.progress(done / total, text=f"{done} of {total} results")

        make_demo_job(records(), told)
        st.rerun()
