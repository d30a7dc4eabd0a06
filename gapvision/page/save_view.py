"""Save what was measured into a job: job, seam, stage, conditions."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from dataclasses import replace
from datetime import date
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from gapvision.errors import GapvisionError
from gapvision.formats.specification_file import specification_to_table
from gapvision.model import Measurement, Notice, Specification
from gapvision.page import session, widgets
from gapvision.page.books import records, seam_title, wanted_of
from gapvision.page.session import NEW, Chosen
from gapvision.records import SIDES, STAGES, SUPPORTS, TICKS, Conditions, Job, Seam
from gapvision.workshop import judge_line, keep_photos, photo_doubts

#: What a photo is for: asked before it is taken.
PURPOSES = ("Just measure", "For a job")


def title() -> str:
    """What the photos are for, in short: a job's seam, or nothing that is kept."""
    return _box_title() if st.session_state["what_for"] == PURPOSES[1] else "Just measuring: nothing is kept"


def ask_first() -> DeltaGenerator:
    """Job, seam, stage and conditions, before the photo is taken; or just measure, and choose when saving.

    Gives the place where saving is offered.
    """
    # One box for both, so that it stays open while something is chosen in it.
    with st.expander("Save to a job", key="save_box"):
        for_job = st.segmented_control("What for", PURPOSES, key="what_for", default=None) == PURPOSES[1]
        with widgets.telling():
            _, seam = _choices()
            if session.at_seam() not in (0, -1 if seam is None else seam.seam_id):  # another one was chosen by hand
                st.session_state["at_seam"] = 0 if seam is None else seam.seam_id
                st.rerun()
            if for_job:
                _take_over(seam)
        return st.container()


def _take_over(seam: Seam | None) -> None:
    """Type what is wanted of the seam chosen into the fields, once for each seam."""
    spec = wanted_of(seam)
    if spec is not None and len(spec.nominal) > 1:
        st.info("What is wanted of this seam runs along it: it is judged by that, not by the gap typed below.")
    elif spec is not None and seam is not None and st.session_state.get("spec_of") != seam.seam_id:
        below, above = (widgets.to_type(x) for x in (spec.allow_below_mm, spec.allow_above_mm))
        st.session_state["nominal"] = widgets.to_type(spec.nominal[0].gap_mm)
        st.session_state["tolerance"] = above if below == above else f"-{below}; +{above}"
    st.session_state["spec_of"] = None if seam is None else seam.seam_id


def _box_title() -> str:
    """What was chosen, in short."""
    state = st.session_state
    job, seam = str(state.get("save_job", NEW)), str(state.get("save_seam", NEW))
    if seam == NEW:
        seam = state["new_seam"].strip() or "seam without a name yet"
    if session.at_seam():
        return seam
    return f"{'New job' if job == NEW else job}, {seam}, {state['stage']}"


def by_itself(together: Sequence[Chosen], measurement: Measurement, spec: Specification | None) -> None:
    """At a seam's page its photos are saved without a tap, with undo; what is in doubt is asked first."""
    place = st.container(horizontal=True, vertical_alignment="center", wrap=False, key="kept_box")
    with widgets.telling(place):
        kept, doubt = kept_by_itself(together, measurement, spec)
        if doubt:
            place.warning(f"Not saved by itself: {doubt} Open 'Save to a job' and say that it is right.")
        elif kept.get("taken_back"):
            place.write("Not kept: taken back.")
        elif kept:
            what = f"{len(together)} photos as one result, " if together[1:] else ""
            place.write(f"Saved by itself: {what}{kept['stage']}.{kept.get('wanted', '')}")
            if place.button("Undo", key="undo_save"):
                records().delete("photo", int(kept["shot"]))
                _note_kept(together[0].set_id, {**kept, "taken_back": True})
                st.rerun()


def kept_by_itself(
    together: Sequence[Chosen], measurement: Measurement, spec: Specification | None
) -> tuple[dict[str, Any], str]:
    """What is noted of a set of photos that a seam's page saves by itself, saved now if it was not; or what is in doubt.

    A photo that comes to a set, or goes, gives the set another result: the earlier one stays.
    """
    state, (job, seam) = st.session_state, chosen()
    mine = seam is not None and {session.seam_of(p.sha256) for p in together} == {seam.seam_id}
    if job is None or seam is None or session.at_seam() != seam.seam_id or not mine:
        return {}, ""
    stage, set_id = str(state["stage"]), together[0].set_id
    asked = (replace(measurement.settings, tolerance_mm=None), stage, [p.sha256 for p in together])
    signature = hashlib.sha256(repr(asked).encode()).hexdigest()
    kept = dict(state.get("kept_shots", {}).get(set_id, {}))
    if kept.get("signature") == signature:
        return kept, ""
    if measurement.profile is None:
        return {}, ""
    if kept.get("taken_back") or kept.get("stage", stage) != stage:  # for another stage it is asked about
        kept = {}
    shot = kept.get("shot")
    if not kept:
        doubts = _doubts(together, measurement, job, names=False)
        if doubts:
            return {}, doubts[0].message
        shot = _saved_elsewhere(seam, together, stage)
    told = ""
    if spec is not None and seam.spec is None:
        told = f" Nothing was wanted of this seam yet: {_limits(spec)} is kept with it from now on."
    if kept or shot is None:
        shot = _keep(together, measurement, spec, job, seam, shot)
    kept = {"signature": signature, "shot": shot, "stage": stage, "wanted": told or kept.get("wanted", "")}
    _note_kept(set_id, kept)
    return kept, ""


def _saved_elsewhere(seam: Seam, together: Sequence[Chosen], stage: str) -> int | None:
    """The number under which another window has saved these very photos already."""
    hashes = {p.sha256 for p in together}
    lines = [x for x in records().history(seam.seam_id) if x.newest and x.visit.stage == stage]
    return next((x.shot_id for x in lines if {p.original_sha256 for p in x.photos} == hashes), None)


def _limits(spec: Specification) -> str:
    """The wanted gap and its limits, in short."""
    say = widgets.lengths()
    gap, below, above = say.gap(spec.nominal[0].gap_mm), say.small(spec.allow_below_mm), say.small(spec.allow_above_mm)
    return f"{gap}, {below} below to {above} above"


def _doubts(
    together: Sequence[Chosen], measurement: Measurement, job: Job | None, *, names: bool = True
) -> list[Notice]:
    """What is asked before photos are kept for a stage and a day: of all of them, each thing once."""
    taken = {seen.sha256: seen.taken_at for seen in measurement.photos}
    found: dict[str, Notice] = {}
    for photo in together:
        about = (st.session_state["stage"], _day(measurement), photo.sha256, taken.get(photo.sha256))
        name = photo.name.removeprefix("sample: ") if names else ""
        told = photo_doubts(records(), None if job is None else job.job_id, *about, file_name=name)
        found |= {notice.message: notice for notice in told}
    return list(found.values())


def _note_kept(set_id: str, kept: dict[str, Any]) -> None:
    st.session_state["kept_shots"] = {**st.session_state.get("kept_shots", {}), set_id: kept}


def _keep(
    together: Sequence[Chosen], measurement: Measurement, spec: Specification | None, job: Job, seam: Seam,
    shot: int | None,
) -> int:  # fmt: skip
    """Store photos with their result; of some that are stored already, another result.  Gives the set's number."""
    store, state = records(), st.session_state
    visit = store.find_visit(
        job.job_id, state["stage"], on_date=_day(measurement), who=state["who"], conditions=_conditions()
    )
    files = [(p.path.read_bytes(), p.name.removeprefix("sample: ")) for p in together]
    line = keep_photos(store, seam, visit, files, measurement, shot_id=shot)
    if spec is not None and seam.spec is None:
        store.edit_seam(seam.seam_id, spec=specification_to_table(spec))
    judge_line(store, line, session.rule())
    for span in measurement.left_out:
        # In the record in mm, whatever the page shows.
        words = f"Left out from {span.from_mm:.0f} to {span.to_mm:.0f} mm: {span.reason}"
        store.add_note(job.job_id, words, seam_id=seam.seam_id, visit_id=visit.visit_id, who=state["who"])
    state["seam"] = seam.seam_id
    return line.shot_id


def offer(together: Sequence[Chosen], measurement: Measurement, spec: Specification | None) -> None:
    """The form; without pressing its button nothing is stored, and typed words stay in the draft."""
    # A container that is always there: what comes and goes must not shift the places below, or they fold up.
    with st.container():
        saved = st.session_state.pop("saved", None)
        if saved:
            st.success(saved)
    state = st.session_state
    with widgets.telling():
        job, seam = chosen()
        name = state["new_seam"].strip() if seam is None else seam_title(seam)
        st.write(
            f"Goes to {'a new job' if job is None else 'job ' + job.reference}, "
            f"{f'seam {name}' if name else 'a seam without a name yet'}, stage {state['stage']}."
        )
        if _pressed(together, measurement, job):
            _save(together, measurement, spec, job, seam)


def _pressed(together: Sequence[Chosen], measurement: Measurement, job: Job | None) -> bool:
    """The button that saves; what is in doubt about stage or day is asked first."""
    doubts = _doubts(together, measurement, job)
    with st.container():
        for doubt in doubts:
            st.warning(doubt.message)
        sure = not doubts or st.checkbox("Save it all the same: it is right", key="save_sure")
    return st.button("Save", type="primary", key="save", disabled=not sure)


def _day(measurement: Measurement) -> str:
    """The visit's day: by the camera's clock, else today."""
    return (measurement.photo.taken_at or date.today().isoformat())[:10]


def chosen() -> tuple[Job | None, Seam | None]:
    """The job and the seam chosen above; None: new ones."""
    job = _jobs().get(str(st.session_state.get("save_job")))
    return job, _seams(job).get(str(st.session_state.get("save_seam")))


def _jobs() -> dict[str, Job]:
    return {line.job.reference: line.job for line in records().jobs(limit=200)}


def _seams(job: Job | None) -> dict[str, Seam]:
    return {} if job is None else {seam_title(s): s for s in records().seams(job.job_id)}


def _choices() -> tuple[Job | None, Seam | None]:
    """Ask for job, seam, stage and conditions; None: a new job, a new seam."""
    # Widgets take a new value only before they are drawn: what was saved last is chosen now.
    for key, value in st.session_state.pop("saved_to", {}).items():
        st.session_state[key] = value
    jobs = _jobs()
    if st.session_state.get("save_job") not in jobs:
        st.session_state["save_job"] = NEW
    reference = st.selectbox("Job", [NEW, *jobs], key="save_job")
    job = jobs.get(reference)
    if job is None:
        left, right = st.columns(2)
        left.text_input("Reference", key="new_reference", placeholder="empty: the next free number")
        right.text_input("Customer", key="new_customer")
        st.text_input("Car, in your own words", key="new_car")
    seams = _seams(job)
    before = st.session_state.get("save_job_before", reference)
    st.session_state["save_job_before"] = reference
    if st.session_state.get("save_seam") not in seams:
        # Another job: its first seam is proposed; "new ..." that was chosen stays.
        st.session_state["save_seam"] = next(iter(seams), NEW) if before != reference else NEW
    seam = seams.get(st.selectbox("Seam", [*seams, NEW], key="save_seam"))
    if seam is None:
        left, right = st.columns(2)
        left.text_input("Name of the seam", key="new_seam", placeholder="e.g. door, rear")
        right.selectbox("Side", SIDES, key="new_side", format_func=lambda side: side or "neither")
    st.selectbox("Stage", STAGES, key="stage")
    st.write("How the panel stood, as far as you looked:")
    columns = st.columns(2)
    for k, (key, label) in enumerate(TICKS.items()):
        columns[k % 2].checkbox(label.capitalize(), key=key)
    st.selectbox("The car stood", ["", *SUPPORTS], key="support", format_func=lambda word: word or "not said")
    left, right = st.columns(2)
    left.text_input("Metal temperature [degrees Celsius]", key="metal_temp")
    right.text_input("Who took the photo", key="who")
    st.text_area("Remarks", key="remarks")
    return job, seam


def _conditions() -> Conditions:
    """The checklist; an empty tick is 'not said', because nobody can tell it from 'no'."""
    temperature = st.session_state["metal_temp"].strip().replace(",", ".")
    try:
        degrees = float(temperature) if temperature else None
    except ValueError:
        said = f"'{temperature}' is not a temperature."
        raise GapvisionError("value-out-of-range", said, "Write degrees Celsius, e.g. 18, or nothing.") from None
    ticks: dict[str, Any] = {key: True if st.session_state[key] else None for key in TICKS}
    return Conditions(
        **ticks, support=st.session_state["support"], metal_temp_c=degrees, remarks=st.session_state["remarks"]
    )


def _save(
    together: Sequence[Chosen], measurement: Measurement, spec: Specification | None, job: Job | None,
    seam: Seam | None,
) -> None:  # fmt: skip
    store, state = records(), st.session_state
    _conditions()  # a mistake in them is said before a job is made
    if seam is None and not state["new_seam"].strip():
        raise GapvisionError("record-text-bad", "The seam has no name.", "Write which seam it is, e.g. door, rear.")
    if job is None:
        job = store.new_job(reference=state["new_reference"], customer=state["new_customer"], car=state["new_car"])
    if seam is None:
        seam = store.add_seam(job.job_id, state["new_seam"].strip(), side=state["new_side"])
    shot = _keep(together, measurement, spec, job, seam, None)
    number = next(x.measurement_id for x in reversed(store.history(seam.seam_id)) if x.shot_id == shot)
    state["saved"] = f"Saved as measurement {number} of {seam_title(seam)}, job {job.reference}."
    state["job"] = job.reference
    state["saved_to"] = {"save_job": job.reference, "save_seam": seam_title(seam)}
    st.rerun()
