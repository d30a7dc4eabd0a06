"""Decide: does the seam pass, will it still pass under paint, and what gap to set now."""

from __future__ import annotations

import html
from dataclasses import replace

import streamlit as st

from gapvision import words
from gapvision.formats.table import decision_csv
from gapvision.judgement import (
    cautions_for,
    forecast,
    form_checks,
    judge_gap,
    laid_on,
    opposite_check,
    reading_from_measurement,
    verdict_sentence,
)
from gapvision.model import Check, DecisionRule, ExtraLine, FinishForecast, SeamReading, Specification, Verdict
from gapvision.page import decide_spec, widgets
from gapvision.page.books import line_title, load, records, seam_title
from gapvision.page.decide_spec import Place
from gapvision.page.measure_view import measured_again
from gapvision.page.shown import draw_viewer, plot_files, recall
from gapvision.units import sentence_in

_SIGNS = {"in tolerance": "&#10003;", "out of tolerance": "&#10007;", "not proven": "?", "not measured": "-"}


def show(ticket: str) -> None:
    """The whole view, on the photo that Measure showed last, or on the result that Jobs handed over."""
    shown = recall() or measured_again(ticket)
    if shown is None or shown.measurement.profile is None:
        st.info("Measure a seam first, or choose a result in Jobs: the decision is about what is shown there.")
        return
    place = decide_spec.place_of(shown)
    about = "" if shown.seam_id is None or place.seam is None else f", {seam_title(place.seam)}"
    st.write(f"About {shown.photo.name}{about}")
    asked, said, below = st.container(), st.container(), st.container()  # the verdict stands before the details
    with asked:
        spec, rule = decide_spec.choose(shown, place, below)
    if spec is None:
        return
    # Stations keep the photo's own numbers, so that limits and words are those of the plot.
    reading = reading_from_measurement(shown.measurement, spec.name, at_mm=float(shown.measurement.profile.s_mm[0]))
    with below:
        moved, told = _move(reading)
        other = _other_side(spec, place)
    now = _judge(reading, spec, rule, other)
    verdict = _judge(moved, spec, rule, other) if told else now
    with below:
        plan = decide_spec.paint(place)
    future = None
    if plan is not None:
        future = forecast(
            moved.s_mm, moved.gap_mm, moved.expanded_u_mm, spec, plan, rule, spacing_mm=moved.spacing_mm,
            checks=verdict.checks,
        )  # fmt: skip
    with said:
        _say(verdict, f"As it {'would stand ' + told if told else 'stands'}")
        if future is not None:
            _say(future.verdict, "After paint")
    lines = []
    if told:
        lines.append(ExtraLine(moved.s_mm, moved.gap_mm, f"gap {told}", moved.expanded_u_mm))
    if future is not None:
        lines.append(ExtraLine(future.s_mm, future.gap_mm, "gap after paint", future.expanded_u_mm))
    draw_viewer(shown.photo, shown.measurement, shown.band, "viewer_decide", more=lines, verdict=now)
    _checks(verdict)
    if future is not None:
        _set_now(future)
    st.subheader("Download", anchor=False)
    stem = f"{shown.photo.stem}.decided"
    files = plot_files(stem, shown.measurement, widgets.unit(), verdict=now, more=lines)
    csv = ("CSV", f"{stem}.csv", lambda: decision_csv(now, lines).encode("utf-8-sig"))
    widgets.downloads([*files, csv], "decide")
    _cautions(future is not None)


def _judge(reading: SeamReading, spec: Specification, rule: DecisionRule, other: SeamReading | None) -> Verdict:
    """The decision on a reading, with every limit that can be looked at."""
    checks: list[Check] = form_checks(reading, spec, rule)
    if spec.opposite_mm is not None and other is not None:
        checks.append(opposite_check(reading, laid_on(other, reading), spec.opposite_mm, rule))
    return judge_gap(
        reading.s_mm, reading.gap_mm, reading.expanded_u_mm, spec, rule, spacing_mm=reading.spacing_mm, checks=checks
    )


def _other_side(spec: Specification, place: Place) -> SeamReading | None:
    """The same seam on the other side of the car, as the job has it; says so when a limit on it cannot be checked."""
    if spec.opposite_mm is None:
        return None
    seam, job = place.seam, place.job
    if seam is not None and job is not None and seam.side:
        away = {"left": "right", "right": "left"}[seam.side]
        for state in records().seam_states(job.job_id):
            if (state.seam.side, state.seam.name) == (away, seam.name) and state.latest is not None:
                if state.latest.status == "refused":
                    break
                st.write(f"Other side: {seam_title(state.seam)}, {line_title(state.latest)}.")
                return reading_from_measurement(load(state.latest), seam_title(state.seam))
    st.write("The limit on the difference to the other side is not checked: the job has no such seam measured.")
    return None


def _move(reading: SeamReading) -> tuple[SeamReading, str]:
    """Try a move of the panel: away from the gap, and a turn about the middle of the stretch."""
    with st.expander("Try a move of the panel"):
        st.write("Along one seam, a move opens or closes the gap and turns it. Other seams of the panel move too.")
        shift = widgets.length_slider("Open (+) or close (-) the gap", "move_shift", 3.0, 0.1)
        turn = widgets.slope_slider("Open more towards the end of the seam", "move_turn", 10.0, 0.5)
    if shift == 0 and turn == 0:
        return reading, ""
    middle = 0.5 * (float(reading.s_mm[0]) + float(reading.s_mm[-1]))
    gap = reading.gap_mm + shift + turn * (reading.s_mm - middle) / 1000
    say = widgets.lengths()
    return replace(reading, gap_mm=gap), f"moved {say.small(shift, signed=True)}, turned {say.slope(turn)}"


def _say(verdict: Verdict, title: str) -> None:
    unit, say = widgets.unit(), widgets.lengths()
    reasons = "".join(f"<li>{html.escape(sentence_in(r, unit))}</li>" for r in verdict.reasons)
    worst = ""
    if verdict.worst is not None:
        w = verdict.worst
        worst = (
            f"<small>Worst: {say.gap(w.worst_mm)} at {say.place(w.worst_at_mm)}, "
            f"U {say.small(w.worst_u_mm, both=True)}.</small>"
        )
    st.html(
        f'<div class="gv-verdict">{_SIGNS[verdict.state]} {html.escape(title)}: {verdict.state}{worst}'
        f"<small>{html.escape(sentence_in(verdict_sentence(verdict), unit))}</small><small><ul>{reasons}</ul></small></div>"
    )


def _checks(verdict: Verdict) -> None:
    if not verdict.checks:
        return
    st.subheader("Limits on the seam as a whole", anchor=False)
    unit, say = widgets.unit(), widgets.lengths()

    def told(value: float, of: str, signed: bool = False) -> str:
        return say.slope(value) if of == "mm/m" else say.small(value, signed=signed, both=True)

    rows = "".join(
        f"<tr><td>{_SIGNS[c.state]} {c.state}</td><td>{html.escape(c.name)} {html.escape(sentence_in(c.where, unit))}</td>"
        f"<td>{told(c.value, c.unit, signed=True)}, U {told(c.expanded_u, c.unit).removeprefix('+')}</td>"
        f"<td>{told(c.limit, c.unit).removeprefix('+')}</td></tr>"
        for c in verdict.checks
    )
    st.html(
        '<div class="gv-table" tabindex="0" role="region" aria-label="Limits"><table><thead><tr><th scope="col">State</th>'
        '<th scope="col">What</th><th scope="col">Value</th><th scope="col">Limit</th></tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def _set_now(future: FinishForecast) -> None:
    say = widgets.lengths()
    st.subheader("Gap to set now", anchor=False)
    for sentence in words.forecast(future, say):
        st.write(sentence)
    st.write(words.DATA_SHEET)
    widgets.show_notices(future.notices)


def _cautions(painting: bool) -> None:
    """The usual cautions, where they apply."""
    with st.expander("Cautions"):
        for key in cautions_for(moves=True, cuts=True, adds=True, paints=painting):
            st.write(f"- {words.CAUTIONS[key]}")
