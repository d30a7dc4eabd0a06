"""Decide: does the seam pass, will it still pass under paint, and what gap to set now."""

from __future__ import annotations

import html
from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import date
from functools import partial

import streamlit as st

from gapvision import words
from gapvision.formats.table import csv_text
from gapvision.judgement import (
    after_paint,
    cautions_for,
    judge_measurement,
    mirror,
    plan_edge,
    reading_from_measurement,
    settings_of,
)
from gapvision.judgement.template import TemplateDrawing, drawings_of_edge
from gapvision.model import (
    EDGES,
    IN,
    OPEN,
    OUT,
    EdgePlan,
    ExtraLine,
    FinishForecast,
    Measurement,
    SeamReading,
    Specification,
    Verdict,
)
from gapvision.page import decide_spec, service, widgets
from gapvision.page.books import line_title, load, records, seam_title, show_origin
from gapvision.page.decide_spec import Place
from gapvision.page.measure_view import measured_again
from gapvision.page.shown import OnScreen, draw_viewer, plot_files, recall
from gapvision.workshop import other_side, planned


def show(ticket: str) -> None:
    """The whole view, on the photo that Measure showed last, or on the result that Jobs handed over.

    The work card stands first, then what it rests on; what is wanted, paint and moves to try are asked for below.
    """
    shown = recall() or measured_again(ticket)
    if shown is None or shown.measurement.profile is None:
        st.info("Measure a seam first, or choose a result in Jobs: the decision is about what is shown there.")
        return
    place = decide_spec.place_of(shown)
    about = "" if place.seam is None else f"{seam_title(place.seam)}: "  # by whose limits it may be judged
    more = len(shown.measurement.photos) - 1
    title = f"{about}{shown.photo.name}{f' and {more} more, measured together' if more else ''}"
    st.container(key="about_box").write(f"About {title}")
    show_origin(place.job)
    card, said, seen, way, printed, asked, below = (st.container() for _ in range(7))
    with asked:
        spec, rule = decide_spec.choose(shown, place, below)
    if spec is None:
        return
    with below:
        paint = decide_spec.paint(place)
        moved, told, deed = _move(shown.measurement)
        other = _other_side(spec, place)
    now = judge_measurement(shown.measurement, spec, rule, opposite=other)
    verdict = judge_measurement(moved, spec, rule, opposite=other) if told else now
    future = None if paint is None else after_paint(verdict, spec, paint)
    plan, drawings = (deed, ()) if told else _planned(shown, place)
    if told and words.is_out(verdict, future):
        plan = (*plan, "this does not bring in all of it")
    work = words.work_card(verdict, settings_of(verdict, future), widgets.lengths(), plan, future=future)
    edge, after, finished = None, verdict, future
    if not (told or plan) and words.is_out(verdict, future):
        with way:
            seam = "seam" if place.seam is None else seam_title(place.seam)
            make = partial(plan_edge, shown.measurement, spec=spec, rule=rule, finish=paint, opposite=other, seam=seam)
            edge = _edge(shown, make)
    if edge is not None:
        work, drawings, told = words.work_card_of(edge, widgets.lengths()), drawings_of_edge(edge), "after this work"
        after, finished = edge.verdict, edge.future
        way.write(f"{words.edge_deeds(edge, widgets.lengths())} The card at the top says so too.")
    with said:
        if told:
            _say(now, "As it stands")
        _say(after, f"As it {'would stand ' + told if told else 'stands'}")
        if finished is not None:
            _say(finished.verdict, "After paint")
    lines = []
    if told:
        lines.append(ExtraLine(after.s_mm, after.gap_mm, f"gap {told}", after.expanded_u_mm))
    if finished is not None:
        lines.append(ExtraLine(finished.s_mm, finished.gap_mm, "gap after paint", finished.expanded_u_mm))
    with seen:
        draw_viewer(shown.photo, shown.measurement, now, "viewer_decide", more=lines, low=True)
    cautions = cautions_for(moves=True, cuts=True, adds=True, paints=future is not None)
    with card:
        _card(work, future)
    with printed:
        paper = partial(_on_paper, shown, now, f"{title} ({_whose(shown, place)})", work, cautions)
        buttons, heed = st.container(), st.container()
        templates = widgets.template_files(drawings, "template", below) if drawings else []
        with buttons:
            widgets.downloads([("Work card, PDF", f"{shown.photo.stem}.card.pdf", paper), *templates], "card")
        if drawings:
            heed.write(widgets.TEMPLATE)
    with below:
        _why(verdict, future)
        widgets.show_notices((*verdict.notices, *(() if edge is None else edge.stretch.trim.notices)))
        with st.expander("Download", key="decide_files"):
            stem = f"{shown.photo.stem}.decided"
            files = plot_files(stem, shown.measurement, now, widgets.unit(), lines)
            csv = ("CSV", f"{stem}.csv", lambda: csv_text(shown.measurement, now, lines).encode("utf-8-sig"))
            widgets.downloads([*files, csv], "decide")
        widgets.show_cautions(cautions)


def _planned(shown: OnScreen, place: Place) -> tuple[Sequence[str], Sequence[TemplateDrawing]]:
    """What the panel's plan does at this seam, with its new edge, if it was made of what is on screen."""
    lines = [] if place.seam is None else [x for x in records().history(place.seam.seam_id) if x.status != "refused"]
    if place.seam is None or not lines or shown.photo.sha256 not in {p.original_sha256 for p in lines[-1].photos}:
        return (), ()
    plan: tuple[Sequence[str], Sequence[TemplateDrawing]] = (), ()
    with widgets.telling():
        plan = planned(records(), place.seam, lines[-1])
        for drawing in plan[1]:
            drawing.check()
        return plan
    return plan[0], ()


def _edge(shown: OnScreen, make: Callable[..., EdgePlan]) -> EdgePlan | None:
    """Ask whether the seam is to be brought in by one of its edges, and what that edge is; its plan, or none."""
    names = {"": "moving a panel", **{edge: f"panel {edge}'s edge" for edge in "AB"}}
    key = f"work_{shown.photo.sha256[:16]}"
    st.session_state.setdefault(key, "")
    chosen = st.segmented_control("Bring it in by", list(names), key=key, format_func=names.__getitem__)
    if not chosen:
        return None
    left, right = st.columns(2)
    made = left.selectbox(
        "That edge is", ["", *EDGES], key=f"{key}_made_{chosen}", format_func=lambda m: m or "as the photo shows it"
    )
    label = "Most that may come off it (fold, flange, spot welds)"
    text = right.text_input(label, key=f"{key}_most_{chosen}", placeholder="e.g. 2mm").strip()
    with widgets.telling():
        return make(chosen, made=made, most_off_mm=widgets.typed_length(text) if text else None)
    return None


def _card(work: Sequence[str], future: FinishForecast | None) -> None:
    """What to do now, in three lines that can be read at arm's length."""
    if future is not None:
        st.subheader("Before paint", anchor=False)  # it may say to change nothing
    st.html(f'<ol class="gv-card">{"".join(f"<li>{html.escape(line)}</li>" for line in work)}</ol>')


def _whose(shown: OnScreen, place: Place) -> str:
    """What tells a card in a pocket from another car's, or last month's: job, car, day of the photo and of the card."""
    job, taken = place.job, (shown.measurement.photo.taken_at or "")[:10]
    told = () if job is None else (job.reference, job.car)
    return ", ".join(filter(None, (*told, taken and f"photo of {taken}", f"card of {date.today().isoformat()}")))


def _on_paper(
    shown: OnScreen, verdict: Verdict, title: str, work: Sequence[str], cautions: Sequence[str]
) -> bytes:
    """The work card for the car's side."""
    told = [words.CAUTIONS[key] for key in cautions]
    return service.work_card(shown.photo.path, shown.measurement, verdict, widgets.unit(), title, work, told)


def _why(verdict: Verdict, future: FinishForecast | None) -> None:
    """What the verdict rests on: sentence, reasons, limits on the seam as a whole, what the film does."""
    say = widgets.lengths()
    with st.expander("Why", key="why_box"):
        st.write(words.verdict_sentence(verdict, say))
        for reason in words.reasons(verdict.reasons, verdict.checks, say):
            st.write(f"- {words.by_letters(reason)}")
        _checks(verdict)
        if future is not None:
            for sentence in words.forecast(future, say):
                st.write(sentence)
            st.write(words.DATA_SHEET)
            widgets.show_notices(future.notices)


def _other_side(spec: Specification, place: Place) -> SeamReading | None:
    """The same seam on the other side of the car, as the job has it; says so when a limit on it cannot be checked."""
    if spec.opposite_mm is None:
        return None
    line = None if place.seam is None else other_side(records(), place.seam)
    if line is None:
        st.write(f"{words.OPPOSITE_UNCHECKED}: the job has no such seam measured.")
        return None
    title = seam_title(records().seam(line.seam_id))
    st.write(f"Other side: {title}, {line_title(line)}.")
    other = reading_from_measurement(load(line), title)
    upright = st.selectbox(
        "The other side's stations run", [False, True], key="opposite_same_way",
        format_func=lambda same: "the same way (seam upright)" if same else "mirrored (seam along the car)",
    )  # fmt: skip
    return mirror(other) if upright else other  # turned once here and once where it is laid on


def _move(measurement: Measurement) -> tuple[Measurement, str, Sequence[str]]:
    """Try a move of the panel: away from the gap, and a turn about the middle of the stretch; told, and as work to do."""
    with st.expander("Try a move of the panel"):
        st.write("Along one seam, a move opens or closes the gap and turns it. Other seams of the panel move too.")
        shift = widgets.length_slider("Open (+) or close (-) the gap", "move_shift", 3.0, 0.1)
        turn = widgets.slope_slider("Open more towards the end of the seam", "move_turn", 10.0, 0.5)
    profile = measurement.profile
    if profile is None or (shift == 0 and turn == 0):
        return measurement, "", ()
    middle = 0.5 * (float(profile.s_mm[0]) + float(profile.s_mm[-1]))
    gap = profile.gap_mm + shift + turn * (profile.s_mm - middle) / 1000
    say = widgets.lengths()
    told, deed = list[str](), list[str]()
    if shift:
        told.append(f"moved {say.small(shift, signed=True)}")
        deed.append(f"{'Open' if shift > 0 else 'Close'} it all along by {say.target(abs(shift))}")
    if turn:
        told.append(f"turned {say.slope(turn)}")
        way = "open" if turn > 0 else "close"
        deed.append(f"turn it to {way} towards the end of the seam, {say.slope(abs(turn), signed=False)}")
    deed[0] = words.first_up(deed[0])
    return replace(measurement, profile=replace(profile, gap_mm=gap)), ", ".join(told), deed


def _say(verdict: Verdict, title: str) -> None:
    say = widgets.lengths()
    told = [words.by_letters(x) for x in words.deciding(verdict, say, words.failed_checks(verdict, say))]
    told += [words.HEED] * verdict.doubtful
    told += filter(None, [words.not_measured(verdict, say)])
    small = "".join(f"<small>{html.escape(line)}</small>" for line in told)
    look = {IN: "in", OUT: "out", OPEN: "open"}[verdict.state]
    st.html(
        f'<div class="gv-verdict {look}">{widgets.SIGNS[verdict.state]} {html.escape(title)}: {verdict.state}{small}</div>'
    )


def _checks(verdict: Verdict) -> None:
    if not verdict.checks:
        return
    st.subheader("Limits on the seam as a whole", anchor=False)
    say = widgets.lengths()
    rows = []
    for c in verdict.checks:
        value, u, limit = words.check_values(c, say, both=True)
        what = f"{words.by_letters(words.check_name(c))} {words.check_place(c, say)}"
        rows.append((f"{widgets.SIGNS[c.state]} {c.state}", what, f"{value}, U {u}", limit))
    widgets.table("Limits", ("State", "What", "Value", "Limit"), rows)
