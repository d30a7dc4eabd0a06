"""Decide: does the seam pass, will it still pass under paint, and what gap to set now."""

from __future__ import annotations

import html
from dataclasses import replace

import numpy as np
import streamlit as st

from gapvision.formats.table import decision_csv
from gapvision.judgement import (
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
from gapvision.units import format_place, format_slope, format_small, sentence_in

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
        moved, words = _move(reading)
        other = _other_side(spec, place)
    now = _judge(reading, spec, rule, other)
    verdict = _judge(moved, spec, rule, other) if words else now
    with below:
        plan = decide_spec.paint(place)
    future = None
    if plan is not None:
        future = forecast(
            moved.s_mm, moved.gap_mm, moved.expanded_u_mm, spec, plan, rule, spacing_mm=moved.spacing_mm,
            checks=verdict.checks,
        )  # fmt: skip
    with said:
        _say(verdict, f"As it {'would stand ' + words if words else 'stands'}")
        if future is not None:
            _say(future.verdict, "After paint")
    lines = []
    if words:
        lines.append(ExtraLine(moved.s_mm, moved.gap_mm, f"gap {words}", moved.expanded_u_mm))
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
    words = f"moved {shift:+.1f} mm, turned {turn:+.1f} mm per metre"
    return replace(reading, gap_mm=gap), sentence_in(words, widgets.unit())


def _say(verdict: Verdict, title: str) -> None:
    unit = widgets.unit()
    reasons = "".join(f"<li>{html.escape(sentence_in(r, unit))}</li>" for r in verdict.reasons)
    worst = ""
    if verdict.worst is not None:
        w = verdict.worst
        worst = (
            f"<small>Worst: {widgets.show_length(w.worst_mm, unit)} at {format_place(w.worst_at_mm, unit)}, "
            f"U {format_small(w.worst_u_mm, unit)}.</small>"
        )
    st.html(
        f'<div class="gv-verdict">{_SIGNS[verdict.state]} {html.escape(title)}: {verdict.state}{worst}'
        f"<small>{html.escape(sentence_in(verdict_sentence(verdict), unit))}</small><small><ul>{reasons}</ul></small></div>"
    )


def _checks(verdict: Verdict) -> None:
    if not verdict.checks:
        return
    st.subheader("Limits on the seam as a whole", anchor=False)
    unit = widgets.unit()

    def told(value: float, of: str, signed: bool = False) -> str:
        return format_slope(value, unit) if of == "mm/m" else format_small(value, unit, signed=signed)

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
    unit = widgets.unit()
    st.subheader("Gap to set now", anchor=False)
    middle = len(future.s_mm) // 2
    loss, aim, low, high = (
        future.loss,
        *(float(v[middle]) for v in (future.set_now_mm, future.set_lower_mm, future.set_upper_mm)),
    )
    st.write(
        f"The coats still to come take {format_small(loss.least_mm, unit)} to {format_small(loss.most_mm, unit)} from the "
        f"gap. In the middle of the seam set {widgets.show_length(aim, unit)} now, and stay within "
        f"{widgets.show_length(low, unit)} to {widgets.show_length(high, unit)}."
    )
    if np.isfinite(future.chip_limit_mm):
        risky = [s for s in future.chip_spans if s.state != "in tolerance"]
        for span in risky:
            stretch = widgets.show_stretch(span.from_mm, span.to_mm, unit)
            st.write(f"Edges may chip from {stretch}: finished gap {widgets.show_length(span.worst_mm, unit)}.")
        if not risky:
            st.write("No place is at risk of chipping by the smallest gap stated.")
    widgets.show_notices(future.notices)


def _cautions(painting: bool) -> None:
    """The usual cautions, where they apply."""
    words = [
        "This tool judges fit, never structural or crash strength.",
        "Moving a panel: mind pinch points, prop the bonnet, and let it hold on its latch and safety catch before the car moves.",
        "Cutting and grinding: eyes, ears, lungs, sparks; old filler may be lead.",
    ]
    if painting:
        words.append("Two-pack primers and paints need the protection that their data sheets ask for.")
    words.append("The local rules, the product data sheets and qualified people rule.")
    with st.expander("Cautions"):
        for word in words:
            st.write(f"- {word}")
