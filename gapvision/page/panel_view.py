"""Panels: each panel's outline with its seams by state, and what to do to the metal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import replace
from functools import partial
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
from gapvision.page import panel_source, save_view, widgets
from gapvision.page.books import decided, load, records, seam_title, show_origin, wanted_of
from gapvision.page.panel_drawing import DrawnSeam, along, draw_key, draw_panel
from gapvision.page.panel_source import Offer, Source
from gapvision.records import Job, SeamState, data_folder

_NO_LIMITS = "no limits given"
_WORST_FIRST = (OUT, OPEN, IN)
_STAY = Move()
#: State of a seam -> how it is told, in the order in which they are told.
_STATE_WORDS = {
    OUT: OUT, OPEN: OPEN, IN: IN, "measured": "measured, no limits given", "not measured": "not measured",
}  # fmt: skip
#: Here the way on is a tick, not an option of a command.
_FREE_ADVICE = (
    "A move could spoil them unseen: photograph them first. One that the panel does not have belongs under 'without' in "
    "its specification. Or tick:"
)


def show(ticket: str) -> None:
    """The whole view: which panel, how it stands, what to do; below, folded, what that rests on."""
    del ticket
    lines = records().jobs("", limit=200)
    if not lines:
        st.info("No job yet: save a measurement to a job first, or let Jobs make the demo job to look around.")
        return
    jobs = {line.job.reference: line.job for line in lines}
    one, other = st.columns((2, 3), wrap=False)
    job = jobs[widgets.pick("Job", jobs, "panel_job", usual=st.session_state.get("job"), place=one, labelled=False)]
    st.session_state["job"] = job.reference
    show_origin(job)
    states = records().seam_states(job.job_id)
    # Laid first and filled later: the answer stands above what it rests on.
    with st.container(key="panel_body"):
        picture, answer, below = (st.container(key=f"panel_{part}") for part in ("picture", "answer", "below"))
    source = panel_source.choose(job, other, below, partial(_badness, states))
    layout = None
    with widgets.telling(picture):
        layout = source.layout()
    with below:
        if layout is None:
            panel_source.edit(source, job, source.photos, ("in +x", "in -x", "in +y", "in -y"))
            return
        chosen, photos = _photos(source, layout, states)
        panel_source.edit(source, job, photos, layout.words)
    with widgets.telling(answer):
        known = [(c.seam, c.spec, c.readings) for c in chosen if c.readings and c.spec is not None]
        panel = panel_of(layout, known) if known else None
        seen = _look(chosen, panel)
        with picture:
            _draw(layout, layout.name, seen)
        with answer:
            _state(layout, seen)
            if panel is None:
                _to_measure(job, seen)
            else:
                _plan(source, panel)
        with below:
            if panel is not None:
                _try_a_move(layout, chosen, panel)
            _in_words(layout, seen)


# --- which photo lies where -------------------------------------------------------


class _Chosen(NamedTuple):
    """One seam of the panel with the job's seams that were photographed along it.

    ``misfit``: a photo was named that cannot be laid on it.
    """

    seam: SeamLayout
    spec: Specification | None
    readings: tuple[SeamReading, ...]
    stages: tuple[str, ...]
    misfit: bool = False


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
            proposed = _propose(by_title, layout.name, seam.name)
            kept = held.get(seam.name) or {"edge": seam.panel_edge, "photos": proposed}
            one, held[seam.name] = _one_seam(source, layout, seam, kept, by_title)
            if not proposed and not held[seam.name]["photos"]:
                del held[seam.name]  # nobody took one away: what is measured later is proposed then
            if one.spec is None and usual != _NO_LIMITS:
                one = one._replace(spec=preset(usual, shops))
            chosen.append(one)
    st.session_state["panel_photos"] = {**st.session_state.get("panel_photos", {}), source.key: held}
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
    misfit = len(readings) < len(lies)
    return _Chosen(seam, spec, tuple(readings), tuple(stages), misfit), {"edge": edge, "photos": lies}


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


def _propose(by_title: Mapping[str, SeamState], panel: str, seam: str) -> list[dict[str, Any]]:
    """The first of the job's seams whose words name the panel and this seam of it."""
    for title, state in by_title.items():
        folded = f"{title} {state.panel.name if state.panel else ''}".casefold()
        rest = folded.replace(panel.casefold(), "")
        if all(word in folded for word in panel.casefold().split()) and seam.casefold() in rest:
            return [{"seam": title}]
    return []


def _badness(states: Sequence[SeamState], offer: Offer) -> tuple[float, ...]:
    """How badly a panel stands, by its worst seam as papers have it; of which nothing is measured last."""
    by_title = {seam_title(s.seam): s for s in states if s.latest is not None}
    held = {**offer.photos, **st.session_state.get("panel_photos", {}).get(offer.key, {})}
    worst: tuple[float, ...] = (-2.0,)
    for name in offer.seams:
        photos = held[name]["photos"] if name in held else _propose(by_title, offer.panel, name)
        of = (by_title[photo["seam"]] for photo in photos if photo["seam"] in by_title)
        worst = max([worst, *(_badness_of(state) for state in of)])
    return worst


def _badness_of(state: SeamState) -> tuple[float, ...]:
    line, verdict = state.latest, None
    if line is None or line.status == "refused":
        return (-2.0,)
    with suppress(GapvisionError):
        verdict = decided(line, state.seam)
    return (-1.0,) if verdict is None else verdict.rank


# --- what is seen -----------------------------------------------------------------


class _Seen(NamedTuple):
    """One seam of the panel as it is drawn, and the verdicts on its photos."""

    of: _Chosen
    drawn: DrawnSeam
    verdicts: tuple[Verdict, ...]

    @property
    def name(self) -> str:
        return self.of.seam.name


def _look(chosen: Sequence[_Chosen], panel: Panel | None, move: Move = _STAY) -> list[_Seen]:
    """Judge the seams as they stand, or after a move."""
    verdicts: dict[str, list[Verdict]] = {}
    if panel is not None:
        stages = iter(predict_move(panel, move))
        verdicts = {seam.name: [next(stages).verdict for _ in seam.readings] for seam in panel.seams}
    told = [(one, tuple(verdicts.get(one.seam.name, ()))) for one in chosen]
    return [_Seen(one, _drawn(one, of), of) for one, of in told]


def _draw(layout: PanelLayout, title: str, seen: Sequence[_Seen]) -> None:
    """The panel with its seams by state and their worst values."""
    st.html(draw_panel(title, [one.drawn for one in seen], layout.outline, [(a.name, a.xy) for a in layout.adjusters]))


def _state(layout: PanelLayout, seen: Sequence[_Seen]) -> None:
    """The panel in one or two sentences."""
    by_state = {state: [one for one in seen if one.drawn.state == state] for state in _STATE_WORDS}
    first = next(state for state, these in by_state.items() if these)
    head, *told = [
        f"{words.first_up(said)}: {_names(by_state[state])}" for state, said in _STATE_WORDS.items() if by_state[state]
    ]
    told = [f"{one}." for one in told]
    colour, sign = {OUT: "out", OPEN: "open"}.get(first, "measured"), widgets.SIGNS.get(first, widgets.SIGNS[HOLE])
    if first == "not measured":
        head, told = f"Nothing is measured of the {layout.name}", []
    elif first == "measured":
        sign = widgets.GLANCES["measured"]
    elif first == IN:
        colour, head = "measured" if told else "in", f"In tolerance where measured: {_names(by_state[IN])}"
    of = [(v, one.name) for one in by_state[first] for v in one.verdicts if v.state == first]
    if of:
        worst, name = max(of, key=lambda x: x[0].rank)
        if said := words.furthest(worst, widgets.lengths(), " of the whole seam"):  # a photo has its own stations
            told.insert(0, f"Worst: {name}, {said}.")
    if doubtful := [one for one in seen if any(v.doubtful for v in one.verdicts)]:
        told.append(f"Photo with warnings: {_names(doubtful)}.")
    if misfits := [one for one in seen if one.of.misfit]:
        told.append(f"A photo does not fit: {_names(misfits)}. See 'Which seam is where'.")
    if by_state["measured"]:
        told.append("Say under 'Which seam is where' what is wanted there.")
    stages = {stage for one in seen for stage in one.of.stages}
    if len(stages) > 1:
        told.append(
            f"Photographed at different stages ({', '.join(sorted(stages))}): advice for the whole panel needs all of "
            "them at the same one."
        )
    small = "".join(f"<small>{widgets.escape(x)}</small>" for x in told)
    st.html(f'<div class="gv-verdict {colour}" role="status">{sign} {widgets.escape(head)}{small}</div>')


def _checks(one: _Seen) -> list[str]:
    """The limits on a seam as a whole that its state rests on."""
    failed = [x for v in one.verdicts for x in words.failed_checks(v, widgets.lengths())]
    return [f"{words.first_up(one.name)}: {x}" for x in failed]


def _names(seen: Sequence[_Seen]) -> str:
    return ", ".join(one.name for one in seen)


def _to_measure(job: Job, seen: Sequence[_Seen]) -> None:
    """Where nothing is measured, that comes next."""
    if any(one.of.readings or one.of.misfit for one in seen):
        return
    if st.button("Measure a seam of it", type="primary", key="panel_measure", width="stretch"):
        st.session_state["go"] = {
            "view": "Measure", "what_for": save_view.PURPOSES[1], "save_job": job.reference, "at_seam": 0,
        }  # fmt: skip
        st.rerun()


def _in_words(layout: PanelLayout, seen: Sequence[_Seen]) -> None:
    """What the drawing shows, in words: its signs, each seam, each adjuster."""
    say = widgets.lengths()
    with st.expander("The drawing in words", key="panel_words_box"):
        for one in seen:
            told = [f"{words.first_up(one.name)}: {one.drawn.state}"]
            if (w := _worst(one.verdicts)) is not None:
                u = say.small(w.worst_u_mm, both=True)
                told.append(f"worst {say.gap(w.worst_mm)}, U {u}, {say.place(w.worst_at_mm)} from its start")
            told += one.of.stages[:1]
            if any(v.doubtful for v in one.verdicts):
                told.append("photo with warnings")
            st.write(", ".join(told))
            for said in _checks(one):
                st.write(said)
        for number, adjuster in enumerate(layout.adjusters, 1):
            st.write(f"{number}. {adjuster.name} ({adjuster.kind}): {words.travel(adjuster, layout.words, say)}")
        known = [IN, OUT, OPEN, "not measured"]
        st.html(draw_key([*known, "measured"] if any(one.drawn.state == "measured" for one in seen) else known))
        st.write(
            "Number and ringed dot: the worst gap of each seam and its place. Thin dots along a seam: not photographed."
        )


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
    of = max(verdicts, key=lambda v: v.rank)
    drawn = replace(drawn, words=words.furthest_briefly(of, widgets.lengths()))
    if of.worst is None or of.by_form is not None:  # a failed check has no one place
        return drawn
    at = of.worst.worst_at_mm
    return replace(drawn, worst=along(place, at, at + 1.0)[0])


def _worst(verdicts: Sequence[Verdict]) -> Span | None:
    """The station furthest beyond its limit."""
    return max((v.worst for v in verdicts if v.worst is not None), key=lambda w: w.excess_mm, default=None)


# --- what to do -------------------------------------------------------------------


def _plan(source: Source, panel: Panel) -> None:
    """The best move and the trim, when asked for; of a panel with seams that nobody measured only when told to."""
    if st.button("Work out what to do", key="make_plan", type="primary", width="stretch"):
        st.session_state["plan_shown"] = source.key
    if st.session_state.get("plan_shown") != source.key:
        return
    refused, asked = st.container(), False
    if panel.free:  # for these seams of this panel alone
        names = ", ".join(panel.free)
        asked = st.checkbox(f"Plan although nothing was measured of: {names}", key=f"free_{source.key}|{names}")
    try:
        plan = make_plan(panel, free_seams=asked)
    except GapvisionError as error:
        with refused:
            if error.code == "seams-left-free":  # without a drawing, which would part the words from their tick
                widgets.show_notice("refusal", "", error.message, _FREE_ADVICE)
            else:
                widgets.show_error(error)
        return
    _say(plan)
    _templates(plan)
    _keep(plan)
    _edges(plan)


def _try_a_move(layout: PanelLayout, chosen: Sequence[_Chosen], panel: Panel) -> None:
    """Sliders, and right above them the panel as they would move it."""
    right, left, front, back = panel.words
    say = widgets.lengths()
    with st.expander("Try a move", key="panel_move_box"):
        picture = st.container()
        x = widgets.length_slider(f"{right} (+) or {left} (-)", "panel_x", 5.0, 0.1)
        y = widgets.length_slider(f"{front} (+) or {back} (-)", "panel_y", 5.0, 0.1)
        turn = widgets.slope_slider("Turn, counter-clockwise (+)", "panel_turn", 10.0, 0.5)
        move = Move(x_mm=x, y_mm=y, turn_rad=turn / 1000)
        with picture:
            moved = "not moved" if move == _STAY else "moved"
            _draw(layout, f"{panel.name}, {moved}", _look(chosen, panel, move))
        if move == _STAY:
            return
        for told, adjuster in zip(point_moves(panel, move), panel.adjusters, strict=True):
            far = _beyond(told.x_mm, adjuster.travel_x) or _beyond(told.y_mm, adjuster.travel_y)
            said = f"{told.name}: {words.point_move(told, panel.words, say)}"
            st.write(f"\u2717 {said}: further than its travel allows" if far else f"\u2713 {said}")


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
    """The plan in words: steps in order, what each stage buys, warnings."""
    st.subheader("What to do", anchor=False)
    if any(n.code == "seams-not-measured" for n in plan.notices):  # in full below: the steps begin on the first screen
        st.html('<div class="gv-note warning"><b>Warning: what was not measured is left free, as told below.</b></div>')
    say = widgets.lengths()
    for number, step in enumerate(words.steps(plan, say), 1):
        st.write(f"{number}. {step}")
    if not plan.move.is_none or any(x.trim.needed for x in plan.stretches):
        st.write(words.chance(plan))
    for told in words.stage_states(plan):
        st.write(told)
    st.write(
        "The advice rests on how each photo lies and on which edge is this panel's: check both under 'Which seam is where'."
    )
    widgets.show_notices(tuple(sorted(plan.notices, key=lambda n: n.code != "seams-not-measured")))


def _edges(plan: CorrectionPlan) -> None:
    """How much to remove or add, every 25 mm and at each change; and the cautions."""
    say = widgets.lengths()
    for stretch in plan.stretches:
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
    widgets.show_cautions(plan.cautions)
