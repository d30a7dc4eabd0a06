"""The whole car of a job planned on the page: outline, what to do first, hang list, sliders; where its photos lie."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from functools import partial

import numpy as np
import streamlit as st

from gapvision import words
from gapvision.judgement.car_move import way_of
from gapvision.judgement.car_plan import judged, make_car_plan, predict_car
from gapvision.judgement.car_rows import Setting, contradictions, settings_of_car
from gapvision.model import Car, CarPlan, FloatArray, HangStep, MeasuredCar, StagePrediction, seam_state
from gapvision.page import service, widgets
from gapvision.page.books import records
from gapvision.page.car_outline import draw_outline
from gapvision.records import Job
from gapvision.workshop import CarOfJob, car_with_results, keep_hang_list, place_on_car, taught_car

_SLOT_STEP_MM, _FAR_MM = 0.1, 5.0  # of a slider without steps, and without a travel
_CONTRADICT_MM = 0.1  # settings further from what a stiff panel can take are told

Judged = Mapping[str, Sequence[StagePrediction]]


def show(job: Job, states: Mapping[str, str]) -> None:
    """The car that is kept with a job; nothing where none is.

    Parameters
    ----------
    job : Job
        The job.
    states : mapping of str to str
        The job's seams in the order of the page, with the side before the name -> the state of the latest result.
    """
    made = tuple(x.uid for x in records().job_lines(job.job_id))
    key = ("car", job.uid, len(records().plans(job.job_id)), made)
    laid = None
    with widgets.telling():
        laid = service.remembered(key, lambda: car_with_results(records(), job.job_id))
    if laid is None:
        return
    car = laid.car
    numbers = {s.name: n for n, x in enumerate(states, 1) for s in car.seams if x in (s.name, s.other_name)}
    now = {s.name: states.get(s.name, states.get(s.other_name, "")) for s in car.seams}
    outline, todo = st.container(), st.container()
    with todo:
        st.header("What to do to the whole car", anchor=False)
        _places(job, laid)
        measured = laid.measured
        if measured is None:
            st.write("Nothing to plan with yet: a seam counts when it was measured and its photo's place is kept.")
        else:
            _plan(job, laid, measured)
            _try(job, laid, measured, now, numbers)
    with outline:
        st.header("The whole car", anchor=False)
        st.html(draw_outline(car, now, numbers))


# --- where the photos lie ---------------------------------------------------------------


def _places(job: Job, laid: CarOfJob) -> None:
    """Ask where each photo lies on its seam; a place is taken only when a person says so."""
    for name, why in laid.not_laid:
        st.warning(f"{name} is left out: {why}")
    seen = {*laid.now, *dict(laid.not_laid)}
    known: dict[str, tuple[float, str]] = {n: (p.at_mm, p.edge) for n, p in laid.places.items() if n in seen}
    for name, length in laid.not_placed.items():
        seam = laid.car.seam(name)
        known[name] = max(0.0, 0.5 * (seam.length_mm - length)), seam.panel_edge
    if not known:
        return
    todo = f": {len(laid.not_placed)} to say" if laid.not_placed else ""
    with st.expander(f"Where the photos lie on their seams{todo}", key="car_places_box", expanded=bool(todo)):
        st.write(
            "The plan rests on where each photo begins along its seam, counted from the seam's start, and on which "
            "edge in it (A, beside the strip with the lowest letter, or B) is which panel's. What stands here for a "
            "new photo is the middle of its seam: correct it, then keep it."
        )
        said: dict[str, tuple[float, str]] = {}
        for seam in (s for s in laid.car.seams if s.name in known):
            at, edge = known[seam.name]
            new = " (new)" if seam.name in laid.not_placed else ""
            key = f"{job.job_id}_{seam.name}"
            st.session_state.setdefault(f"car_at_{key}", widgets.to_type(round(at, 1)))
            left, right = st.columns(2)
            where = f"of {widgets.lengths().place(seam.length_mm)}, {_from(laid.car, seam.name)}"
            text = left.text_input(f"{seam.name}{new}: begins at, {where}", key=f"car_at_{key}")
            mine = right.selectbox(f"Edge of the {seam.one}", ["A", "B"], "AB".index(edge), key=f"car_edge_{key}")
            with widgets.telling(left):
                said[seam.name] = widgets.typed_length(text), mine
        if st.button("Keep these places", type="primary", key="car_places_go", disabled=len(said) < len(known)):
            place_on_car(records(), job.job_id, said)
            st.rerun()


def _from(car: Car, name: str) -> str:
    """Where a seam starts, in a word: the end that its first place lies at."""
    start, end = (np.array(car.seam(name).place[k]) for k in (0, -1))
    if not (end - start).any():
        return "all round"
    axis = int(np.abs(end - start).argmax())
    words_of = (("front", "rear"), ("left", "right"), ("bottom", "top"))[axis]
    return f"from the {words_of[0] if start[axis] < end[axis] else words_of[1]}"


# --- the plan ---------------------------------------------------------------------------


def _plan(job: Job, laid: CarOfJob, measured: MeasuredCar) -> None:
    """Work out and say what to do, first things first."""
    car = laid.car
    held = st.multiselect("Panels that are done: they stay as they are", car.hang_order, key=f"car_held_{job.job_id}")
    free = [s.name for s in car.seams if s.name not in laid.now]
    anyway = bool(free) and st.checkbox(
        f"Move panels too that have a seam which is not measured ({len(free)})", key="car_free_seams"
    )
    if st.button("Work out what to do", type="primary", key="car_plan_go"):
        st.session_state["car_planned"] = job.job_id
    if st.session_state.get("car_planned") != job.job_id:
        return
    lists = len(records().plans(job.job_id))
    key = ("car plan", laid.key, lists, tuple(held), anyway)

    def planned() -> CarPlan:
        taught, told = taught_car(records(), job.job_id, held)
        own = MeasuredCar(car=taught, readings=measured.readings)
        plan = make_car_plan(own, frozenset(held), free_seams=anyway)
        return replace(plan, notices=(*told, *plan.notices))

    with widgets.telling():
        _say(job, service.remembered(key, planned), held)


def _say(job: Job, plan: CarPlan, done: Sequence[str]) -> None:
    say = widgets.lengths()
    first = next((s for s in plan.steps if s.settings), None)
    st.write(words.car_words(plan, say))
    if first is not None:
        st.html(f'<ol class="gv-card"><li>First: {widgets.escape(_short(first))}</li></ol>')
        st.write(words.car_chance(plan))
    elif plan.edges:
        st.html('<ol class="gv-card"><li>No panel has to be set: work on the edges, below</li></ol>')
    else:
        st.html('<ol class="gv-card"><li>Nothing that is worth a spanner</li></ol>')
    for number, step in enumerate(plan.steps, 1):
        told = list(words.hang_step(step, say))
        if step.settings:
            with st.expander(f"{number}. {_short(step)}", key=f"car_step_{number}", expanded=step is first):
                _listed(told)
        else:
            st.write(f"{number}. {step.panel}: {told[0]}")
    if plan.edges:
        st.subheader("Then the edges", anchor=False)
        _listed([*(words.edge_work(e, say) for e in plan.edges), *words.edge_remedies(plan.edges)])
    if plan.pairs:
        rows = [
            (name, *(f"{say.small(c.value, signed=True)} {c.state}" for c in (now, then)))
            for name, now, then in plan.pairs
        ]
        with st.expander("Left against right, largest difference", key="car_pairs_box"):
            widgets.table("Left against right", ("Seams", "Now", "After the plan"), rows)
    widgets.show_notices(plan.notices)
    widgets.show_cautions(plan.cautions)
    files = [
        (f"Hang list, {label}", f"{job.reference}_hang_list_{paper}.pdf", partial(_paper, plan, paper))
        for label, paper in (("A4", "a4"), ("Letter", "letter"))
    ]
    widgets.downloads(files, "car")
    if st.button("Keep the hang list with the job", key="car_keep_plan"):
        keep_hang_list(records(), job.job_id, plan, done)
        st.success(f"Kept with job {job.reference}; its report for an expert now carries it. Mark each panel as done when it "
                   "is set and photographed: what it really did teaches the next plan.")


def _paper(plan: CarPlan, paper: str) -> bytes:
    from gapvision.reports.car_paper import car_paper

    return car_paper(plan, widgets.lengths(), paper)


def _short(step: HangStep) -> str:
    """A step in few words: the panel, and where it is set."""
    names = list(dict.fromkeys(s.adjuster for s in step.settings))
    return f"{step.panel}: {', '.join(names)}"


def _listed(sentences: Sequence[str]) -> None:
    st.html("<ul>" + "".join(f"<li>{widgets.escape(x)}</li>" for x in sentences) + "</ul>")


# --- sliders ----------------------------------------------------------------------------


def _try(job: Job, laid: CarOfJob, measured: MeasuredCar, now: Mapping[str, str], numbers: Mapping[str, int]) -> None:
    """Set any adjuster and see every gap that changes, on the outline and in numbers."""
    car = laid.car
    with st.expander("Try it: set the adjusters and see the gaps", key="car_try_box"):
        of = job.job_id, laid.key[0]
        store: dict[Setting, float] = st.session_state.setdefault("car_tried", {}).setdefault(of, {})
        if st.session_state.get("car_tried_of") != of:  # the sliders stand as they were left on another car
            st.session_state["car_tried_of"] = of
            for setting in settings_of_car(car):
                st.session_state.pop(_key(setting), None)
        seen, right = st.columns(2)
        with right:
            name = widgets.pick("Panel to set", list(car.hang_order), "car_try_panel")
            for setting in (s for s in settings_of_car(car) if s.body == name):
                store[setting] = _slider(car, setting, store.get(setting, 0.0))
            if any(store.values()) and st.button("Forget all that I tried", key="car_forget"):
                for setting in store:
                    st.session_state.pop(_key(setting), None)
                store.clear()
                st.rerun()
        at = np.array([store.get(s, 0.0) for s in settings_of_car(car)])
        before = service.remembered(("car judged", laid.key), lambda: judged(car, measured.readings))
        after = predict_car(measured, at, before)
        moved = tuple(dict.fromkeys(s.body for s, v in zip(settings_of_car(car), at.tolist(), strict=True) if v))
        with seen:
            st.html(draw_outline(car, {**now, **{k: seam_state(v) for k, v in after.items()}}, numbers, moved))
            if moved:
                st.write(f"Set here: {', '.join(moved)}.")
                _changed(car, before, after)
                _doubts(car, at)
            else:
                st.write("Nothing is set yet: move a slider.")


def _key(setting: Setting) -> str:
    return f"car_try_{setting.body}_{setting.adjuster}_{setting.way}"


def _slider(car: Car, setting: Setting, at: float) -> float:
    way = way_of(car, setting)
    least, most = way.travel or (-_FAR_MM, _FAR_MM)
    step = way.step_mm or _SLOT_STEP_MM
    st.session_state.setdefault(_key(setting), at)
    plus, minus = way.words
    shims = f", in steps of {widgets.lengths().small(way.step_mm, alone=True)}" if way.step_mm else ""
    label = f"{words.first_up(setting.adjuster)}: {plus} (+) or {minus} (-){shims}"
    return widgets.length_slider(label, _key(setting), max(-least, most, step), step)


def _changed(car: Car, before: Judged, after: Judged) -> None:
    """The gaps that change, at the start, middle and end of what was measured."""
    say, rows = widgets.lengths(), []
    for seam in car.seams:
        if after.get(seam.name) is before.get(seam.name):
            continue
        ends = []
        for stage in (before, after):
            gap = np.concatenate([x.reading.gap_mm for x in stage[seam.name]])
            ends.append(" / ".join(say.gap_alone(float(gap[k])) for k in (0, len(gap) // 2, -1)))
        states = [seam_state(tuple(stage[seam.name])) for stage in (before, after)]
        signs = [f"{widgets.SIGNS[s]} {s}" for s in states]
        rows.append((seam.name, f"{ends[0]}, {signs[0]}", f"{ends[1]}, {signs[1]}"))
    widgets.table("Gaps that change", ("Seam", "Now: start / middle / end", "Then"), rows)


def _doubts(car: Car, at: FloatArray) -> None:
    """Say what cannot be set: beyond a travel, or adjusters of a stiff panel that contradict each other."""
    settings = settings_of_car(car)
    for setting, value in zip(settings, at.tolist(), strict=True):
        travel = way_of(car, setting).travel
        if travel is not None and not travel[0] - 1e-6 <= value <= travel[1] + 1e-6:
            st.warning(f"{setting.body}, {setting.adjuster}: further than its travel allows.")
    for name in car.hang_order:
        own = at[[s.body == name for s in settings]]
        rows = contradictions(car.body(name))
        if len(rows) and float(np.abs(rows @ own).max()) > _CONTRADICT_MM:
            st.warning(f"{name}: its adjusters contradict each other; what is shown is the mean that a stiff panel takes.")
