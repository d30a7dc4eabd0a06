"""Panels: each panel's outline with its seams by state, and what to do to the metal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from typing import Any, NamedTuple

import numpy as np
import streamlit as st

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.formats.plan_json import plan_to_dict
from gapvision.formats.settings_file import own_specs
from gapvision.judgement import PRESETS, make_plan, panel_of, point_moves, predict_move, preset, read_on_seam
from gapvision.judgement.template import drawings_of_plan
from gapvision.model import HOLE, IN, OPEN, OUT, CorrectionPlan, Measurement, Move, Span, Specification, Verdict
from gapvision.model.panel import Panel, PanelLayout, PhotoPlace, SeamLayout, SeamReading, path_length
from gapvision.page import panel_source, widgets
from gapvision.page.books import load, records, seam_title, show_origin, wanted_of
from gapvision.page.panel_drawing import DrawnSeam, along, draw_key, draw_panel
from gapvision.page.panel_source import Source
from gapvision.records import SeamState, data_folder

_NO_LIMITS = "no limits given"
_WORST_FIRST = (OUT, OPEN, IN)
_STAY = Move()


def show(ticket: str) -> None:
    """The whole view."""
    del ticket
    lines = records().jobs("", limit=200)
    if not lines:
        st.info("No job yet: save a measurement to a job first, or let Jobs make the demo job to look around.")
        return
    jobs = {line.job.reference: line.job for line in lines}
    job = jobs[widgets.pick("Job", jobs, "panel_job", usual=st.session_state.get("job"))]
    st.session_state["job"] = job.reference
    show_origin(job)
    source = panel_source.choose(job)
    # The drawing stands first, though what it shows is asked for below it.
    top, asked = st.container(), st.container()
    layout = None
    with widgets.telling(top):
        layout = source.layout()
    if layout is None:
        panel_source.edit(source, job, source.photos, ("in +x", "in -x", "in +y", "in -y"))
        return
    with asked:
        chosen, photos = _photos(source, layout, records().seam_states(job.job_id))
    panel_source.edit(source, job, photos, layout.words)
    with widgets.telling():
        known = [(c.seam, c.spec, c.readings) for c in chosen if c.readings and c.spec is not None]
        panel = panel_of(layout, known) if known else None
        with top:
            _draw(layout, layout.name, chosen, panel)
        if panel is not None:
            _plan(panel, layout, chosen)


# --- which photo lies where -------------------------------------------------------


class _Chosen(NamedTuple):
    """One seam of the panel with the job's seams that were photographed along it."""

    seam: SeamLayout
    spec: Specification | None
    readings: tuple[SeamReading, ...]
    stages: tuple[str, ...]


def _photos(source: Source, layout: PanelLayout, states: list[SeamState]) -> tuple[list[_Chosen], dict[str, Any]]:
    """Ask which of the job's seams lies where; proposed by its words or as kept, changed by the person."""
    by_title = {seam_title(s.seam): s for s in states if s.latest is not None}
    held = {**source.photos, **st.session_state.get("panel_photos", {}).get(source.key, {})}
    chosen: list[_Chosen] = []
    with st.expander("Which seam is where", expanded=not by_title, key="panel_photos_box"):
        if not by_title:
            st.write("No seam of this job is measured yet: save a measurement to it.")
        shops = own_specs(data_folder())
        usual = widgets.pick(
            "Wanted where neither the panel's file nor the job says it", [_NO_LIMITS, *PRESETS, *shops], "panel_usual",
            lambda key: PRESETS[key][0] if key in PRESETS else key,
        )  # fmt: skip
        for seam in layout.seams:
            kept = held.get(seam.name) or {"edge": seam.panel_edge, "photos": _propose(by_title, layout.name, seam)}
            one, held[seam.name] = _one_seam(source, layout, seam, kept, by_title)
            if one.spec is None and usual != _NO_LIMITS:
                one = one._replace(spec=preset(usual, shops))
            chosen.append(one)
    st.session_state["panel_photos"] = {**st.session_state.get("panel_photos", {}), source.key: held}
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
        label = f"{word}: this panel's edge in the photo"
        edge = st.selectbox(label, ["A", "B"], index="AB".index(edge), key=f"edge_{key}")
    seam = replace(seam, panel_edge=edge)
    readings, stages, spec, lies = [], [], seam.spec, []
    for k, title in enumerate(titles):
        state = by_title[title]
        measurement = None if state.latest is None else load(state.latest)
        if state.latest is None or measurement is None or measurement.profile is None:
            continue
        photo = _lie(layout, seam, measurement, before.get(title, {}), k, f"{key}|{title}", title)
        lies.append({"seam": title, "at_mm": photo.at_mm or 0.0, "reverse": photo.reverse})
        spec = spec or wanted_of(state.seam)
        try:
            readings.append(read_on_seam(layout, seam, measurement, photo, f"{word}, photo of {title}"))
            stages.append(state.latest.visit.stage)
        except GapvisionError as error:
            widgets.show_notice("usage", error.code, error.message, "Change which way its stations run, or the edge.")
    return _Chosen(seam, spec, tuple(readings), tuple(stages)), {"edge": edge, "photos": lies}


def _lie(
    layout: PanelLayout,
    seam: SeamLayout,
    shown: Measurement,
    before: Mapping[str, Any],
    number: int,
    key: str,
    title: str,
) -> PhotoPlace:
    """Ask how one photo lies on its seam: as before, else as the file says, else in the middle, the way round that fits."""
    if "at_mm" in before:
        at_mm, reverse = float(before["at_mm"]), bool(before["reverse"])
    else:
        told = seam.photos[number] if number < len(seam.photos) else PhotoPlace()
        long = 0.0 if shown.profile is None else float(np.ptp(shown.profile.s_mm))
        middle = max(0.0, 0.5 * (path_length(seam.place) - long))
        at_mm = float(round(middle)) if told.at_mm is None else told.at_mm
        reverse = told.reverse == _fits(layout, seam, shown, told.reverse)
    left, right = st.columns(2)
    at_mm = widgets.length_number(left, f"{title}: begins, from the seam's start", f"at_{key}", at_mm, 0.0, 5000.0, 5.0)
    way = right.selectbox(
        f"{title}: stations run", ["forward", "backward"], index=int(reverse), key=f"way_{key}",
        format_func=lambda w: "from the seam's start" if w == "forward" else "towards the seam's start",
    )  # fmt: skip
    return PhotoPlace(at_mm=at_mm, reverse=way == "backward")


def _fits(layout: PanelLayout, seam: SeamLayout, measurement: Measurement, reverse: bool) -> bool:
    """Whether the photo shows the panel on the side of the seam where it lies."""
    with suppress(GapvisionError):
        read_on_seam(layout, seam, measurement, PhotoPlace(at_mm=0.0, reverse=reverse), "")
        return True
    return False


def _propose(by_title: Mapping[str, SeamState], panel: str, seam: SeamLayout) -> list[dict[str, Any]]:
    """The first of the job's seams whose words name the panel and this seam of it."""
    for title, state in by_title.items():
        folded = f"{title} {state.panel.name if state.panel else ''}".casefold()
        rest = folded.replace(panel.casefold(), "")
        if all(word in folded for word in panel.casefold().split()) and seam.name.casefold() in rest:
            return [{"seam": title}]
    return []


# --- what is seen -----------------------------------------------------------------


def _draw(layout: PanelLayout, title: str, chosen: Sequence[_Chosen], panel: Panel | None, move: Move = _STAY) -> None:
    """The panel with its seams by state, their worst values, and a list that says the same in words."""
    verdicts: dict[str, list[Verdict]] = {}
    if panel is not None:
        stages = iter(predict_move(panel, move))
        verdicts = {seam.name: [next(stages).verdict for _ in seam.readings] for seam in panel.seams}
    drawn = [_drawn(one, verdicts.get(one.seam.name, [])) for one in chosen]
    st.html(draw_panel(title, drawn, layout.outline, [(a.name, a.xy) for a in layout.adjusters]))
    known = [IN, OUT, OPEN, "not measured"]
    st.html(draw_key([*known, "measured"] if any(seam.state == "measured" for seam in drawn) else known))
    if any(seam.worst for seam in drawn):
        st.write(
            "Number and ringed dot: the worst gap of each seam and its place. Thin dots along a seam: not photographed."
        )
    say = widgets.lengths()
    for one, seam in zip(chosen, drawn, strict=True):
        judged = verdicts.get(seam.name, [])
        told = [f"{seam.name.capitalize()}: {seam.state}"]
        if (w := _worst(judged)) is not None:
            u = say.small(w.worst_u_mm, both=True)
            told.append(f"worst {say.gap(w.worst_mm)}, U {u}, {say.place(w.worst_at_mm)} from its start")
        told += one.stages[:1]
        if any(v.doubtful for v in judged):
            told.append("photo with warnings")
        st.write(", ".join(told))
    for number, adjuster in enumerate(layout.adjusters, 1):
        st.write(f"{number}. {adjuster.name} ({adjuster.kind}): {words.travel(adjuster, layout.words, say)}")


def _drawn(one: _Chosen, verdicts: Sequence[Verdict]) -> DrawnSeam:
    """One seam as it is drawn."""
    name, place = one.seam.name, one.seam.place
    if not one.readings:
        return DrawnSeam(name, "not measured", "", place)
    if not verdicts:
        ends = [along(place, float(r.s_mm[0]), float(r.s_mm[-1])) for r in one.readings]
        return DrawnSeam(name, "measured", "", place, tuple(("measured", line) for line in ends))
    spans = [span for verdict in verdicts for span in verdict.spans if span.state != HOLE]
    drawn = DrawnSeam(
        name=name, state=next((s for s in _WORST_FIRST if any(v.state == s for v in verdicts)), OPEN), words="", place=place,
        stretches=tuple((x.state, along(place, x.from_mm, max(x.to_mm, x.from_mm + 1.0))) for x in spans),
    )  # fmt: skip
    worst = _worst(verdicts)
    if worst is None:
        return drawn
    at = worst.worst_at_mm
    say = widgets.lengths()
    told = f"{say.gap_alone(worst.worst_mm)}, U {say.small(worst.worst_u_mm, alone=True)}"
    return replace(drawn, words=told, worst=along(place, at, at + 1.0)[0])


def _worst(verdicts: Sequence[Verdict]) -> Span | None:
    """The station furthest beyond its limit."""
    return max((v.worst for v in verdicts if v.worst is not None), key=lambda w: w.excess_mm, default=None)


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
    if move != _STAY:
        _draw(layout, f"{panel.name}, moved", chosen, panel, move)
        for told, adjuster in zip(point_moves(panel, move), panel.adjusters, strict=True):
            far = _beyond(told.x_mm, adjuster.travel_x) or _beyond(told.y_mm, adjuster.travel_y)
            said = f"{told.name}: {words.point_move(told, panel.words, say)}"
            st.write(f"\u2717 {said}: further than its travel allows" if far else f"\u2713 {said}")
    free = bool(panel.free) and st.checkbox(
        f"Plan although nothing was measured of: {', '.join(panel.free)}", key="free_seams"
    )
    if st.button("Work out what to do", key="make_plan", type="primary"):
        st.session_state["plan_shown"] = True
    if st.session_state.get("plan_shown"):
        plan = make_plan(panel, free_seams=free)
        _say(plan)
        _templates(plan)
        _keep(plan)


def _beyond(value_mm: float, travel: tuple[float, float] | None) -> bool:
    return travel is not None and not travel[0] - 0.005 <= value_mm <= travel[1] + 0.005


def _keep(plan: CorrectionPlan) -> None:
    """Keep the plan with the job, so that its report carries it."""
    if st.button("Keep the plan with the job", key="keep_plan"):
        job = records().job(st.session_state["panel_job"])
        records().add_plan(job.job_id, plan.panel.name, plan_to_dict(plan))
        st.success(f"Kept with job {job.reference}; its report now carries the plan.")


def _templates(plan: CorrectionPlan) -> None:
    """The new edges at true scale, to scribe or to cut by; made when asked for."""
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

    st.write(widgets.TEMPLATE)
    widgets.downloads(widgets.template_files(drawings, "template"), "template")


def _say(plan: CorrectionPlan) -> None:
    """The plan in words: steps in order, what each stage buys, cautions."""
    st.subheader("What to do", anchor=False)
    first = tuple(n for n in plan.notices if n.code == "seams-not-measured")
    widgets.show_notices(first)
    for number, step in enumerate(words.steps(plan, widgets.lengths()), 1):
        st.write(f"{number}. {step}")
    if not plan.move.is_none or any(x.trim.needed for x in plan.stretches):
        st.write(words.chance(plan))
    for told in words.stage_states(plan):
        st.write(told)
    say = widgets.lengths()
    for stretch in plan.stretches:  # how much to remove or add, every 25 mm and at each change
        t = stretch.trim
        if t.needed:
            st.subheader(f"New edge: {stretch.seam}", anchor=False)
            st.write(f"A {words.trim_total(t, say)}.")
            for told in words.remedies(t):
                st.write(told)
            rows = [
                (say.place(r.s_mm), say.gap(r.gap_mm), say.target(r.new_gap_mm, r.gap_mm), words.trim_row(r, t.edge, say))
                for r in t.rows
            ]
            widgets.table("New edge", ("At", "Gap now", "New gap", "Metal"), rows)
    widgets.show_notices(tuple(n for n in plan.notices if n not in first))
    widgets.show_cautions(plan.cautions)
