"""Panels: each panel's outline with its seams by state, and what to do to the metal."""

from __future__ import annotations

import math
import tempfile
from dataclasses import dataclass
from functools import partial
from pathlib import Path

import numpy as np
import streamlit as st

from gapvision.errors import GapvisionError
from gapvision.judgement import Verdict, reading_from_measurement, simple_spec, spec_from_table
from gapvision.judgement.move import Move
from gapvision.judgement.panel import Panel, PanelSeam, middle_of, placed, shape_seams
from gapvision.judgement.plan import CorrectionPlan, make_plan, predict_move
from gapvision.page import widgets
from gapvision.page.books import records, seam_title
from gapvision.page.jobs_view import load
from gapvision.page.panel_drawing import DrawnSeam, draw_panel
from gapvision.records import SeamState
from gapvision.results import Measurement
from gapvision.units import format_both

_SIZES = {"bonnet": (1300.0, 1100.0), "door": (950.0, 700.0), "boot lid": (1100.0, 700.0)}
_NONE = "none"
Place = tuple[tuple[float, float], ...]


def show(ticket: str) -> None:
    """The whole view."""
    del ticket
    lines = records().jobs("", limit=200)
    if not lines:
        st.info("No job yet: save a measurement to a job first.")
        return
    references = [line.job.reference for line in lines]
    if st.session_state.get("panel_job") not in references:
        wanted = st.session_state.get("job")
        st.session_state["panel_job"] = wanted if wanted in references else references[0]
    reference = st.selectbox("Job", references, key="panel_job")
    st.session_state["job"] = reference
    states = records().seam_states(next(x.job.job_id for x in lines if x.job.reference == reference))
    left, right = st.columns(2)
    shape = left.selectbox("Panel", list(_SIZES), key="panel_shape")
    side = (
        right.selectbox("Side", ["", "left", "right"], key="panel_side", format_func=lambda s: s or "neither")
        if shape == "door"
        else ""
    )
    width, height = _size(shape)
    places, words = shape_seams(shape, width, height)
    chosen = _match(states, shape, side, places)
    try:
        seams, drawn = _seams(chosen, places)
        st.html(draw_panel(f"{side} {shape}".strip(), drawn))
        _list(drawn)
        if seams:
            _plan(seams, places, words, shape)
    except GapvisionError as error:
        widgets.show_error(error)


def _size(shape: str) -> tuple[float, float]:
    """Width and length (doors: length and height) of the ready shape [mm]."""
    first, second = (
        ("Along the car [mm]", "Upwards [mm]") if shape == "door" else ("Across the car [mm]", "Along the car [mm]")
    )
    left, right = st.columns(2)
    width = left.number_input(first, 100.0, 3000.0, _SIZES[shape][0], 10.0, format="%.0f", key=f"width_{shape}")
    height = right.number_input(second, 100.0, 3000.0, _SIZES[shape][1], 10.0, format="%.0f", key=f"height_{shape}")
    return float(width), float(height)


@dataclass(frozen=True, slots=True)
class _Matched:
    """One of the job's seams as a side of the panel: which edge is the panel's, where and which way its photo lies."""

    state: SeamState
    measurement: Measurement
    edge: str
    at_mm: float
    reverse: bool


def _match(states: list[SeamState], shape: str, side: str, places: dict[str, Place]) -> dict[str, _Matched]:
    """Which of the job's seams is which side of the panel; proposed by its words, changed by the person."""
    by_title = {seam_title(s.seam): s for s in states if s.latest is not None}
    chosen: dict[str, _Matched] = {}
    with st.expander("Which seam is where", expanded=not by_title):
        for name, place in places.items():
            options = [_NONE, *by_title]
            key = f"match_{shape}_{side}_{name}"
            if st.session_state.get(key) not in options:
                st.session_state[key] = _propose(by_title, shape, side, name)
            state = by_title.get(st.selectbox(name.capitalize(), options, key=key))
            if state is None or state.latest is None:
                continue
            measurement = load(state.latest)
            if measurement.profile is None:
                continue
            edge, at_mm, reverse = _lie(name, key, place, measurement)
            chosen[name] = _Matched(state, measurement, edge, at_mm, reverse)
    return chosen


def _lie(name: str, key: str, place: Place, measurement: Measurement) -> tuple[str, float, bool]:
    """Ask how the photo lies on its seam."""
    s = measurement.profile.s_mm if measurement.profile is not None else np.zeros(2)
    middle = max(0.0, 0.5 * (math.dist(place[0], place[-1]) - float(s[-1] - s[0])))
    left, centre, right = st.columns(3)
    edge = left.selectbox(
        f"{name.capitalize()}: this panel's edge in the photo", ["A", "B"], index=1, key=f"edge_{key}"
    )
    at_mm = centre.number_input(
        f"{name.capitalize()}: measured stretch begins [mm from the seam's start]", 0.0, 5000.0, float(round(middle)), 5.0,
        format="%.0f", key=f"at_{key}",
    )  # fmt: skip
    way = right.selectbox(
        f"{name.capitalize()}: stations run", ["forward", "backward"], key=f"way_{key}",
        format_func=lambda w: "from the seam's start" if w == "forward" else "towards the seam's start",
    )  # fmt: skip
    return edge, float(at_mm), way == "backward"


def _propose(by_title: dict[str, SeamState], shape: str, side: str, name: str) -> str:
    """The first seam whose words name the panel and this side of it."""
    for title, state in by_title.items():
        words = f"{title} {state.panel.name if state.panel else ''}".casefold()
        if shape not in words or (side and side not in words):
            continue
        if name in words.replace(shape, ""):
            return title
    return _NONE


def _seams(chosen: dict[str, _Matched], places: dict[str, Place]) -> tuple[list[PanelSeam], list[DrawnSeam]]:
    """The measured seams placed on the panel, and all sides for drawing."""
    centre = middle_of(list(places.values()))
    seams, drawn = [], []
    for name, place in places.items():
        match = chosen.get(name)
        if match is None:
            drawn.append(_drawn(name, place, None))
            continue
        spec = spec_from_table(match.state.seam.spec) if match.state.seam.spec else simple_spec(4.7625, 0.5, 0.5)
        reading = reading_from_measurement(
            match.measurement, name, at_mm=match.at_mm, reverse=match.reverse, panel_edge=match.edge
        )
        seams.append(PanelSeam(name=name, place=place, spec=spec, readings=(placed(reading, place, centre),)))
        verdict = predict_move(Panel(name="panel", seams=(seams[-1],), centre=centre), Move())[0].verdict
        drawn.append(_drawn(name, place, verdict))
    return seams, drawn


def _drawn(name: str, place: Place, verdict: Verdict | None) -> DrawnSeam:
    """One side of the panel as it is drawn."""
    if verdict is None:
        return DrawnSeam(name, "not measured", "", place)
    worst = "" if verdict.worst is None else f"worst {verdict.worst.worst_mm:.2f} mm"
    return DrawnSeam(name, verdict.state, worst, place)


def _list(drawn: list[DrawnSeam]) -> None:
    for seam in drawn:
        st.write(f"{seam.name.capitalize()}: {seam.state}" + (f", {seam.words}" if seam.words else ""))


def _plan(
    seams: list[PanelSeam],
    places: dict[str, Place],
    words: tuple[str, str, str, str],
    shape: str,
) -> None:
    """Try moves with sliders, and work out the best one and the trim."""
    centre = middle_of(list(places.values()))
    panel = Panel(name=shape, seams=tuple(seams), centre=centre, words=words, shape=shape)
    st.subheader("Try a move", anchor=False)
    st.write(
        "Check under 'Which seam is where' how each photo lies and which edge is this panel's: the advice rests on it."
    )
    x = st.slider(f"{words[0]} (+) or {words[1]} (-) [mm]", -5.0, 5.0, 0.0, 0.1, key="panel_x")
    y = st.slider(f"{words[2]} (+) or {words[3]} (-) [mm]", -5.0, 5.0, 0.0, 0.1, key="panel_y")
    turn = st.slider("Turn, counter-clockwise (+) [mm per metre]", -10.0, 10.0, 0.0, 0.5, key="panel_turn")
    moved = predict_move(panel, Move(x_mm=x, y_mm=y, turn_rad=turn / 1000))
    shown = {stage_seam.name: stage.verdict for stage_seam, stage in zip(seams, moved, strict=True)}
    st.html(
        draw_panel(
            f"{shape}, moved" if (x, y, turn) != (0, 0, 0) else shape,
            [_drawn(name, place, shown.get(name)) for name, place in places.items()],
        )
    )
    if st.button("Work out what to do", key="make_plan", type="primary"):
        st.session_state["plan_shown"] = True
    if st.session_state.get("plan_shown"):
        plan = make_plan(panel)
        _say(plan)
        _templates(plan)
        _keep(plan)


def _keep(plan: CorrectionPlan) -> None:
    """Keep the plan with the job, so that its report carries it."""
    from gapvision.reports.plan_json import plan_to_dict

    if st.button("Keep the plan with the job", key="keep_plan"):
        job = records().job(st.session_state["panel_job"])
        records().add_plan(job.job_id, plan.panel.name, plan_to_dict(plan))
        st.success(f"Kept with job {job.reference}; its report now carries the plan.")


def _templates(plan: CorrectionPlan) -> None:
    """The new edges at true scale, to scribe or to cut by; made when asked for."""
    from gapvision.reports.template_drawing import drawings_of_plan

    drawings = drawings_of_plan(plan)
    if not drawings:
        st.write("No edge has to be changed, so there is no template.")
        return

    def make(name: str) -> bytes:
        from gapvision.reports.template_dxf import write_dxf
        from gapvision.reports.template_pdf import write_template

        with tempfile.TemporaryDirectory() as folder:
            path = Path(folder) / name
            if name.endswith(".dxf"):
                write_dxf(drawings, path)
            else:
                write_template(drawings, path, "letter" if "letter" in name else "a4")
            return path.read_bytes()

    st.write("Print the template at 100 % and measure its check lines with a steel rule before you scribe.")
    files = {
        "Template, A4": "template_a4.pdf",
        "Template, Letter": "template_letter.pdf",
        "Line for a cutter, DXF": "template.dxf",
    }
    for column, (label, name) in zip(st.columns(3), files.items(), strict=True):
        mime = "image/vnd.dxf" if name.endswith(".dxf") else "application/pdf"
        column.download_button(
            label, partial(make, name), name, mime, on_click="ignore", width="stretch", key=f"template_{name}"
        )


def _say(plan: CorrectionPlan) -> None:
    """The plan in words: steps in order, what each stage buys, cautions."""
    st.subheader("What to do", anchor=False)
    for number, step in enumerate(plan.steps, 1):
        st.write(f"{number}. {step}")
    for stage, state in plan.states.items():
        st.write(f"{stage.capitalize()}: {state}")
    _trims(plan)
    widgets.show_notices(plan.notices)
    with st.expander("Cautions"):
        for word in plan.cautions:
            st.write(f"- {word}")


def _trims(plan: CorrectionPlan) -> None:
    """How much to remove or add, every 25 mm and at each change."""
    for stretch in plan.stretches:
        if not stretch.trim.needed:
            continue
        st.subheader(f"New edge: {stretch.seam}", anchor=False)
        t = stretch.trim
        st.write(f"A {t.kind} line: cut {t.cut_mm:.0f} mm, build up {t.add_mm:.0f} mm.")
        rows = ""
        for row in t.rows:
            metal = row.action if row.action == "leave" else f"{row.action} {format_both(abs(row.remove_mm))}"
            rows += f"<tr><td>{row.s_mm:.0f} mm</td><td>{row.gap_mm:.2f}</td><td>{row.new_gap_mm:.2f}</td><td>{metal}</td></tr>"
        st.html(
            '<div class="gv-table" tabindex="0" role="region" aria-label="New edge"><table><thead><tr><th scope="col">At</th>'
            '<th scope="col">Gap now [mm]</th><th scope="col">New gap [mm]</th><th scope="col">Metal</th></tr></thead>'
            f"<tbody>{rows}</tbody></table></div>"
        )
