"""Car: the job's seams around an outline of the car, each with sign, worst gap and age; a tap leads to its page."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any, NamedTuple

import streamlit as st

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.model import HOLE, IN, OPEN, OUT, Verdict
from gapvision.page import car_plan, jobs_view, save_view, widgets
from gapvision.page.books import decided, load, records, seam_title, show_origin, stored_photo, wanted_of
from gapvision.page.shown import OnScreen, remember
from gapvision.records import Job, SeamState

_HERE = Path(__file__).parent
#: Where parts of a car lie on the outline, seen from above with the front up: word -> share of its length.
_ALONG = {
    "bonnet": 0.2, "front wing": 0.2, "boot": 0.86, "rear wing": 0.8, "wing": 0.2, "door": 0.52, "sill": 0.55,
    "roof": 0.5, "front": 0.2, "rear": 0.86,
}  # fmt: skip
#: How far the ends of a part lie from its middle, as share of the car's length.
_END = {"front": -0.09, "rear": 0.09}
_ACROSS = {"left": 0.12, "right": 0.88, "": 0.5}


class _Seen(NamedTuple):
    """One seam at a glance."""

    state: SeamState
    word: str
    verdict: Verdict | None


def show(ticket: str) -> None:
    """The whole view."""
    del ticket
    lines = records().jobs("", limit=200)
    if not lines:
        st.info("No job yet. Open one for the car: its seams stand here then. Just measuring needs none.")
        if st.button("Open a job", type="primary", key="open_job", width="stretch"):
            st.session_state["go"] = {"view": "Jobs"}
            st.rerun()
        _just_measure()
        return
    jobs = {line.job.reference: line.job for line in lines}
    told = {ref: ", ".join(filter(None, (ref, job.car))) for ref, job in jobs.items()}
    job = jobs[widgets.pick("Car", jobs, "car_job", told.__getitem__, st.session_state.get("job"), labelled=False)]
    st.session_state["job"] = job.reference
    show_origin(job)
    seen = [_look(state) for state in records().seam_states(job.job_id)]
    st.html(f'<div class="gv-verdict {_colour(seen)}" role="status">{_answer(seen)}</div>')
    _next(job, seen)
    if seen:
        asked = _component()(data=_drawn(seen), key="car", on_seam_change=lambda: None)
        chosen = getattr(asked, "seam", None)
        if chosen and str(chosen.get("of")) != st.session_state.get("car_taken"):
            st.session_state["car_taken"] = str(chosen.get("of"))
            one = next((x for x in seen if x.state.seam.seam_id == int(chosen["id"])), None)
            if one is not None:
                go_to(job, one.state)
                st.rerun()
    car_plan.show(job, {x.state.seam.full_name: x.word for x in seen})
    _just_measure()
    _add_seam(job)
    if any(x.state.latest is not None for x in seen):
        jobs_view.report(job)


def go_to(job: Job, state: SeamState) -> None:
    """Ask for a seam's page: its next photo goes to this seam, at the stage of the job's latest visit."""
    visits = records().visits(job.job_id)
    st.session_state["go"] = {
        "view": "Measure", "what_for": save_view.PURPOSES[1], "save_job": job.reference,
        "save_seam": seam_title(state.seam), "stage": visits[-1].stage if visits else "as found",
        "at_seam": state.seam.seam_id, "seam": state.seam.seam_id,
    }  # fmt: skip


def _next(job: Job, seen: Sequence[_Seen]) -> None:
    """The one thing to do next for this car, large: the worst seam first, then what is not known, then the report."""
    words_of = {OUT: "what to do about", OPEN: "photograph again:", "not measured": "photograph"}
    for word, told in words_of.items():
        these = [x for x in seen if x.word == word]
        if not these:
            continue
        one = max(these, key=_rank)
        if st.button(f"Next: {told} {seam_title(one.state.seam)}", type="primary", key="car_next", width="stretch"):
            if word == OUT and one.state.latest is not None:
                _to_card(one.state)
            else:
                go_to(job, one.state)
            st.rerun()
        return
    if seen and all(x.word == IN for x in seen):
        st.write("Next: hand over the report, below.")


def _to_card(state: SeamState) -> None:
    """Ask for the work card of a seam's latest result."""
    line = state.latest
    if line is not None:
        shown = OnScreen(stored_photo(line), load(line), wanted_of(state.seam), state.seam.seam_id)
        remember(shown, line.measurement_id)
        st.session_state["go"] = {"view": "Decide", "seam": state.seam.seam_id}


def _look(state: SeamState) -> _Seen:
    """The verdict on a seam's latest result."""
    if state.latest is None:
        return _Seen(state, "not measured", None)
    try:
        verdict = decided(state.latest, state.seam)
    except GapvisionError:
        return _Seen(state, "with a damaged verdict", None)
    return _Seen(state, "without limits" if verdict is None else verdict.state, verdict)


def _rank(one: _Seen) -> tuple[float, ...]:
    """How bad: as papers have it; what has no verdict last."""
    return (-1.0,) if one.verdict is None else one.verdict.rank


def _answer(seen: Sequence[_Seen]) -> str:
    """The car in one or two sentences."""
    if not seen:
        return "No seam yet. <small>Add the first one below, or save a measurement to this job.</small>"
    count = Counter(x.word for x in seen if x.word != IN)  # whatever it is, it is not in tolerance
    all_of = f" of {len(seen)} seam{'s' if len(seen) != 1 else ''}"  # said once
    order = sorted(count, key=lambda word: (word != OUT, word != OPEN))
    told = [f"{count[word]}{'' if k else all_of} {word}" for k, word in enumerate(order)]
    head = "; ".join(told) or f"All {len(seen)} seams in tolerance"
    sign = widgets.SIGNS[OUT if count[OUT] else OPEN if count else IN]
    worst = max(seen, key=_rank)
    far = "" if worst.verdict is None else words.furthest(worst.verdict, widgets.lengths())
    if not far:
        return f"{sign} {head}"
    return f"{sign} {head}<small>Worst: {widgets.escape(f'{seam_title(worst.state.seam)}, {far}')}.</small>"


def _colour(seen: Sequence[_Seen]) -> str:
    states = {x.word for x in seen}
    return "out" if OUT in states else "in" if states == {"in tolerance"} else "open"


def _drawn(seen: Sequence[_Seen]) -> dict[str, Any]:
    """What the browser's part draws."""
    rows = []
    for number, one in sorted(enumerate(seen, 1), key=lambda x: _rank(x[1]), reverse=True):  # the worst first
        state, title = one.state, seam_title(one.state.seam)
        side = state.seam.side or next((s for s in ("left", "right") if s in title.casefold().split()), "")
        value = "" if one.verdict is None else words.furthest_briefly(one.verdict, widgets.lengths())
        old = "" if state.latest is None else age(state.latest.visit.on_date)
        if one.verdict is not None and one.verdict.doubtful:
            old = f"{old}, photo with warnings".lstrip(", ")
        rows.append({
            "id": state.seam.seam_id, "number": number, "side": side, "name": title.removeprefix(f"{side} ") or title,
            "sign": widgets.SIGNS.get(one.word, widgets.SIGNS[HOLE] if state.latest is None else "\u00b7"),
            "state": one.word, "colour": _STATES.get(one.word, "none"), "worst": value, "age": old,
            "at": place_on_car(title, side),
        })  # fmt: skip
    return {"seams": rows}


_STATES = {IN: "in", OUT: "out", OPEN: "open"}


def place_on_car(title: str, side: str) -> tuple[float, float]:
    """Where a seam's number stands on the outline, as shares of its width and length, by the words of its name."""
    said = title.casefold()
    part = next((word for word in _ALONG if word in said), "")
    along = _ALONG.get(part, 0.5)
    rest = said.replace(part, "", 1) if part else said
    along += next((shift for word, shift in _END.items() if word in rest and word not in part), 0.0)
    return _ACROSS[side], along


def age(day: str, today: date | None = None) -> str:
    """How long ago a day was, in words."""
    try:
        days = ((today or date.today()) - date.fromisoformat(day)).days
    except ValueError:
        return ""
    if days < 1:
        return "today"
    number, unit = (days, "day") if days < 14 else (days // 7, "week") if days < 70 else (days // 30, "month")
    return f"{number} {unit}{'s' if number > 1 else ''} old"


def _just_measure() -> None:
    if st.button("Just measure: nothing is kept", key="just_measure", width="stretch"):
        just = {"view": "Measure", "what_for": save_view.PURPOSES[0], "at_seam": 0}
        st.session_state["go"] = just
        st.rerun()


def _add_seam(job: Job) -> None:
    """One more seam for this car."""
    with st.expander("Add a seam to this car", key="car_seam_box"), widgets.telling():
        widgets.empty_after("car_seam_added", "car_seam")
        name = st.text_input("Which seam", key="car_seam", placeholder="e.g. door, rear edge")
        side = st.selectbox("Its side", ["", "left", "right"], key="car_side", format_func=lambda s: s or "neither")
        if st.button("Add the seam", key="car_seam_go") and name.strip():
            records().add_seam(job.job_id, name.strip(), side=side)
            st.session_state["car_seam_added"] = True
            st.rerun()


@lru_cache(maxsize=1)
def _component() -> Any:
    css, js = ((_HERE / f"car.{part}").read_text(encoding="utf-8") for part in ("css", "js"))
    return st.components.v2.component("gapvision_car", html='<div class="car"></div>', css=css, js=js)


