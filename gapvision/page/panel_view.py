"""Panels: each panel's outline with its seams by state, and what to do to the metal."""

from __future__ import annotations

import math
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np
import streamlit as st

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.formats.specification_file import specification_from_table
from gapvision.judgement import PRESETS, make_plan, panel_of, point_moves, predict_move, preset, read_on_seam
from gapvision.model import (
    HOLE,
    IN,
    OPEN,
    OUT,
    CorrectionPlan,
    Measurement,
    Move,
    Panel,
    PanelLayout,
    PhotoPlace,
    SeamLayout,
    SeamReading,
    Specification,
    Verdict,
    path_length,
)
from gapvision.page import panel_source, widgets
from gapvision.page.books import load, records, seam_title
from gapvision.page.panel_drawing import DrawnSeam, along, draw_key, draw_panel
from gapvision.page.panel_source import Source
from gapvision.records import SeamState

_NO_LIMITS = "no limits given"
_WORST_FIRST = (OUT, OPEN, IN)


def show(ticket: str) -> None:
    """The whole view."""
    del ticket
    lines = records().jobs("", limit=200)
    if not lines:
        st.info("No job yet: save a measurement to a job first, or let Jobs make the demo job to look around.")
        return
    references = [line.job.reference for line in lines]
    if st.session_state.get("panel_job") not in references:
        wanted = st.session_state.get("job")
        st.session_state["panel_job"] = wanted if wanted in references else references[0]
    reference = st.selectbox("Job", references, key="panel_job")
    st.session_state["job"] = reference
    job = next(x.job for x in lines if x.job.reference == reference)
    source = panel_source.choose(job)
    # The drawing stands first, though what it shows is asked for below it.
    top, asked = st.container(), st.container()
    try:
        layout = source.layout()
    except GapvisionError as error:
        with top:
            widgets.show_error(error)
        panel_source.edit(source, job, source.photos, ("in +x", "in -x", "in +y", "in -y"))
        return
    with asked:
        chosen, photos = _photos(source, layout, records().seam_states(job.job_id))
    panel_source.edit(source, job, photos, layout.words)
    try:
        measured = _measured(chosen)
        with top:
            _draw(layout, layout.name, measured, chosen)
        if measured:
            _plan(panel_of(layout, [(m.seam, m.spec, m.readings) for m in measured]), layout, chosen)
    except GapvisionError as error:
        widgets.show_error(error)


# --- which photo lies where -------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _Chosen:
    """One seam of the panel with the job's seams that were photographed along it."""

    seam: SeamLayout
    spec: Specification | None
    readings: tuple[SeamReading, ...]
    stages: tuple[str, ...]


@dataclass(frozen=True, slots=True, eq=False)
class _Measured:
    """A seam that can be judged."""

    seam: SeamLayout
    spec: Specification
    readings: tuple[SeamReading, ...]


def _photos(source: Source, layout: PanelLayout, states: list[SeamState]) -> tuple[list[_Chosen], dict[str, Any]]:
    """Ask which of the job's seams lies where; proposed by its words or as kept, changed by the person."""
    by_title = {seam_title(s.seam): s for s in states if s.latest is not None}
    held = {**source.photos, **st.session_state.get("panel_photos", {}).get(source.key, {})}
    chosen: list[_Chosen] = []
    with st.expander("Which seam is where", expanded=not by_title, key="panel_photos_box"):
        if not by_title:
            st.write("No seam of this job is measured yet: save a measurement to it.")
        usuals = [_NO_LIMITS, *PRESETS]
        if st.session_state.get("panel_usual") not in usuals:
            st.session_state["panel_usual"] = _NO_LIMITS
        usual = st.selectbox(
            "Wanted where neither the panel's file nor the job says it",
            usuals,
            key="panel_usual",
            format_func=lambda key: PRESETS[key][0] if key in PRESETS else key,
        )
        for seam in layout.seams:
            kept = held.get(seam.name) or {"edge": seam.panel_edge, "photos": _propose(by_title, layout.name, seam)}
            one, held[seam.name] = _one_seam(source, layout, seam, kept, by_title)
            if one.spec is None and usual in PRESETS:
                one = replace(one, spec=preset(usual))
            chosen.append(one)
    known = dict(st.session_state.get("panel_photos", {}))
    known[source.key] = held
    st.session_state["panel_photos"] = known
    stages = {stage for one in chosen for stage in one.stages}
    if len(stages) > 1:
        st.warning(
            f"These seams were photographed at different stages ({', '.join(sorted(stages))}): advice for the whole "
            "panel needs all of them at the same one."
        )
    return chosen, {seam.name: held[seam.name] for seam in layout.seams if held.get(seam.name, {}).get("photos")}


def _one_seam(
    source: Source, layout: PanelLayout, seam: SeamLayout, kept: Mapping[str, Any], by_title: Mapping[str, SeamState]
) -> tuple[_Chosen, dict[str, Any]]:
    """Ask for one seam's photos, and how each lies on it."""
    key = f"{source.key}|{seam.name}"
    word = seam.name.capitalize()
    before = {photo["seam"]: photo for photo in kept.get("photos", [])}
    titles = st.multiselect(
        f"{word}: measured as", list(by_title), default=[t for t in before if t in by_title], key=f"photos_{key}"
    )
    edge = str(kept.get("edge", seam.panel_edge))
    if titles:
        edge = st.selectbox(
            f"{word}: this panel's edge in the photo", ["A", "B"], index="AB".index(edge), key=f"edge_{key}"
        )
    seam = replace(seam, panel_edge=edge)
    readings, stages, spec, lies = [], [], seam.spec, []
    for k, title in enumerate(titles):
        state = by_title[title]
        if state.latest is None:
            continue
        measurement = load(state.latest)
        if measurement.profile is None:
            continue
        photo = _lie(layout, seam, measurement, before.get(title, {}), k, f"{key}|{title}", title)
        lies.append({"seam": title, "at_mm": photo.at_mm or 0.0, "reverse": photo.reverse})
        if spec is None and state.seam.spec:
            spec = specification_from_table(state.seam.spec)
        try:
            readings.append(read_on_seam(layout, seam, measurement, photo, f"{word}, photo of {title}"))
            stages.append(state.latest.visit.stage)
        except GapvisionError as error:
            widgets.show_notice("usage", error.code, error.message, "Change which way its stations run, or the edge.")
    return _Chosen(seam, spec, tuple(readings), tuple(stages)), {"edge": edge, "photos": lies}


def _lie(
    layout: PanelLayout,
    seam: SeamLayout,
    measurement: Measurement,
    before: Mapping[str, Any],
    number: int,
    key: str,
    title: str,
) -> PhotoPlace:
    """Ask how one photo lies on its seam."""
    s = measurement.profile.s_mm if measurement.profile is not None else np.zeros(2)
    if "at_mm" in before:
        at_mm, reverse = float(before["at_mm"]), bool(before["reverse"])
    else:
        told = seam.photos[number] if number < len(seam.photos) else PhotoPlace()
        middle = max(0.0, 0.5 * (path_length(seam.place) - float(s[-1] - s[0])))
        at_mm = float(round(middle)) if told.at_mm is None else told.at_mm
        reverse = told.reverse
        if not _fits(layout, seam, measurement, reverse):
            reverse = not reverse
    left, right = st.columns(2)
    at_mm = widgets.length_number(left, f"{title}: begins, from the seam's start", f"at_{key}", at_mm, 0.0, 5000.0, 5.0)
    way = right.selectbox(
        f"{title}: stations run", ["forward", "backward"], index=int(reverse), key=f"way_{key}",
        format_func=lambda w: "from the seam's start" if w == "forward" else "towards the seam's start",
    )  # fmt: skip
    return PhotoPlace(at_mm=at_mm, reverse=way == "backward")


def _fits(layout: PanelLayout, seam: SeamLayout, measurement: Measurement, reverse: bool) -> bool:
    """Whether the photo shows the panel on the side of the seam where it lies."""
    try:
        read_on_seam(layout, seam, measurement, PhotoPlace(at_mm=0.0, reverse=reverse), "")
    except GapvisionError:
        return False
    return True


def _propose(by_title: Mapping[str, SeamState], panel: str, seam: SeamLayout) -> list[dict[str, Any]]:
    """The first of the job's seams whose words name the panel and this seam of it."""
    for title, state in by_title.items():
        folded = f"{title} {state.panel.name if state.panel else ''}".casefold()
        rest = folded.replace(panel.casefold(), "")
        if all(word in folded for word in panel.casefold().split()) and seam.name.casefold() in rest:
            return [{"seam": title}]
    return []


# --- what is seen -----------------------------------------------------------------


def _measured(chosen: Sequence[_Chosen]) -> list[_Measured]:
    """The seams that were photographed and have limits."""
    return [_Measured(c.seam, c.spec, c.readings) for c in chosen if c.readings and c.spec is not None]


def _draw(
    layout: PanelLayout,
    title: str,
    measured: Sequence[_Measured],
    chosen: Sequence[_Chosen],
    move: Move | None = None,
) -> None:
    """The panel with its seams by state, their worst values, and a list that says the same in words."""
    verdicts: dict[str, list[Verdict]] = {}
    if measured:
        panel = panel_of(layout, [(m.seam, m.spec, m.readings) for m in measured])
        stages = iter(predict_move(panel, move or Move()))
        verdicts = {m.seam.name: [next(stages).verdict for _ in m.readings] for m in measured}
    drawn = [_drawn(one, verdicts.get(one.seam.name, [])) for one in chosen]
    st.html(draw_panel(title, drawn, layout.outline, [(a.name, a.xy) for a in layout.adjusters]))
    known = ["in tolerance", "out of tolerance", "not proven", "not measured"]
    shown = {seam.state for seam in drawn}
    st.html(draw_key([*known, "measured"] if "measured" in shown else known))
    if any(seam.worst for seam in drawn):
        st.write(
            "Number and yellow dot: the worst gap of each seam and its place. Thin dots along a seam: not photographed."
        )
    for one, seam in zip(chosen, drawn, strict=True):
        stage = f", {one.stages[0]}" if one.stages else ""
        if any(v.doubtful for v in verdicts.get(seam.name, [])):
            stage += ", photo with warnings"
        st.write(
            f"{seam.name.capitalize()}: {seam.state}"
            + (f", {_in_full(verdicts[seam.name])}{stage}" if seam.worst else stage)
        )
    for number, adjuster in enumerate(layout.adjusters, 1):
        far = words.travel(adjuster, layout.words, widgets.lengths())
        st.write(f"{number}. {adjuster.name} ({adjuster.kind}): {far}")


def _drawn(one: _Chosen, verdicts: Sequence[Verdict]) -> DrawnSeam:
    """One seam as it is drawn."""
    name, place = one.seam.name, one.seam.place
    if not one.readings:
        return DrawnSeam(name, "not measured", "", place)
    if not verdicts:
        ends = [along(place, float(r.s_mm[0]), float(r.s_mm[-1])) for r in one.readings]
        return DrawnSeam(name, "measured", "", place, tuple(("measured", line) for line in ends))
    state = next((s for s in _WORST_FIRST if any(v.state == s for v in verdicts)), OPEN)
    stretches = tuple(
        (span.state, along(place, span.from_mm, max(span.to_mm, span.from_mm + 1.0)))
        for verdict in verdicts
        for span in verdict.spans
        if span.state != HOLE
    )
    worst = _worst(verdicts)
    if worst is None or worst.worst is None:
        return DrawnSeam(name, state, "", place, stretches)
    at = worst.worst.worst_at_mm
    told = widgets.lengths().gap_alone(worst.worst.worst_mm)
    return DrawnSeam(name, state, told, place, stretches, along(place, at, at + 1.0)[0])


def _worst(verdicts: Sequence[Verdict]) -> Verdict | None:
    """The verdict with the largest excess."""
    known = [v for v in verdicts if v.worst is not None]
    return max(known, key=lambda v: v.worst.excess_mm if v.worst else -math.inf, default=None)


def _in_full(verdicts: Sequence[Verdict]) -> str:
    """The worst value with its place and U."""
    verdict = _worst(verdicts)
    if verdict is None or verdict.worst is None:
        return ""
    w, say = verdict.worst, widgets.lengths()
    u = say.small(w.worst_u_mm, both=True)
    return f"worst {say.gap(w.worst_mm)}, U {u}, {say.place(w.worst_at_mm)} from its start"


# --- what to do -------------------------------------------------------------------


def _plan(panel: Panel, layout: PanelLayout, chosen: Sequence[_Chosen]) -> None:
    """Try moves with sliders, and work out the best one and the trim."""
    right, left, front, back = panel.words
    say = widgets.lengths()
    st.subheader("Try a move", anchor=False)
    st.write(
        "Check under 'Which seam is where' how each photo lies and which edge is this panel's: the advice rests on it."
    )
    x = widgets.length_slider(f"{right} (+) or {left} (-)", "panel_x", 5.0, 0.1)
    y = widgets.length_slider(f"{front} (+) or {back} (-)", "panel_y", 5.0, 0.1)
    turn = widgets.slope_slider("Turn, counter-clockwise (+)", "panel_turn", 10.0, 0.5)
    move = Move(x_mm=x, y_mm=y, turn_rad=turn / 1000)
    if move != Move():
        measured = [_Measured(s, seam.spec, seam.readings) for s, seam in _pairs(chosen, panel)]
        _draw(layout, f"{panel.name}, moved", measured, chosen, move)
        for told, adjuster in zip(point_moves(panel, move), panel.adjusters, strict=True):
            far = _beyond(told.x_mm, adjuster.travel_x) or _beyond(told.y_mm, adjuster.travel_y)
            said = f"{told.name}: {words.point_move(told, panel.words, say)}"
            st.write(f"\u2717 {said}: further than its travel allows" if far else f"\u2713 {said}")
    if st.button("Work out what to do", key="make_plan", type="primary"):
        st.session_state["plan_shown"] = True
    if st.session_state.get("plan_shown"):
        plan = make_plan(panel)
        _say(plan)
        _templates(plan)
        _keep(plan)


def _pairs(chosen: Sequence[_Chosen], panel: Panel) -> list[tuple[SeamLayout, Any]]:
    layouts = {one.seam.name: one.seam for one in chosen}
    return [(layouts[seam.name], seam) for seam in panel.seams]


def _beyond(value_mm: float, travel: tuple[float, float] | None) -> bool:
    return travel is not None and not travel[0] - 0.005 <= value_mm <= travel[1] + 0.005


def _keep(plan: CorrectionPlan) -> None:
    """Keep the plan with the job, so that its report carries it."""
    from gapvision.formats.plan_json import plan_to_dict

    if st.button("Keep the plan with the job", key="keep_plan"):
        job = records().job(st.session_state["panel_job"])
        records().add_plan(job.job_id, plan.panel.name, plan_to_dict(plan))
        st.success(f"Kept with job {job.reference}; its report now carries the plan.")


def _templates(plan: CorrectionPlan) -> None:
    """The new edges at true scale, to scribe or to cut by; made when asked for."""
    from gapvision.judgement.template import drawings_of_plan

    drawings = drawings_of_plan(plan)
    if not drawings:
        st.write("No edge has to be changed, so there is no template.")
        return
    try:
        for drawing in drawings:
            drawing.check()
    except GapvisionError as error:
        st.error(str(error))
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
    first = tuple(n for n in plan.notices if n.code == "seams-not-measured")
    widgets.show_notices(first)
    for number, step in enumerate(words.steps(plan, widgets.lengths()), 1):
        st.write(f"{number}. {step}")
    for stage, state in plan.states.items():
        st.write(f"{stage.capitalize()}: {state}")
    _trims(plan)
    widgets.show_notices(tuple(n for n in plan.notices if n not in first))
    with st.expander("Cautions"):
        for key in plan.cautions:
            st.write(f"- {words.CAUTIONS[key]}")


def _trims(plan: CorrectionPlan) -> None:
    """How much to remove or add, every 25 mm and at each change."""
    for stretch in plan.stretches:
        if not stretch.trim.needed:
            continue
        st.subheader(f"New edge: {stretch.seam}", anchor=False)
        t = stretch.trim
        say = widgets.lengths()
        st.write(f"A {words.trim_total(t, say)}.")
        rows = [
            (say.place(r.s_mm), say.gap(r.gap_mm), say.target(r.new_gap_mm, r.gap_mm), words.trim_row(r, say))
            for r in t.rows
        ]
        widgets.table("New edge", ("At", "Gap now", "New gap", "Metal"), rows)
