"""Decide: does the seam pass, will it still pass under paint, and what gap to set now."""

from __future__ import annotations

import html
from dataclasses import replace

import numpy as np
import streamlit as st

from gapvision.judgement import (
    PRESETS,
    DecisionRule,
    FinishForecast,
    FinishPlan,
    SeamReading,
    SeamSpec,
    Verdict,
    coat,
    forecast,
    form_checks,
    judge_gap,
    preset,
    reading_from_measurement,
    simple_spec,
    verdict_sentence,
)
from gapvision.judgement.films import FILMS
from gapvision.judgement.types import STAGES
from gapvision.page import widgets
from gapvision.page.shown import Shown, draw_viewer, recall
from gapvision.reports.figures import ExtraLine

_OWN = "the tolerance typed in Measure"
_RULES = {
    "proven": "accept only what is proven (ISO 14253-1)",
    "simple": "accept what reads inside (simple acceptance)",
    "risk": "accept up to a stated risk (JCGM 106)",
}
_SIGNS = {"in tolerance": "&#10003;", "out of tolerance": "&#10007;", "not proven": "?", "not measured": "-"}


def show(ticket: str) -> None:
    """The whole view, on the photo that Measure showed last."""
    del ticket
    shown = recall()
    if shown is None or shown.measurement.profile is None:
        st.info("Measure a seam first; the decision is about the photo shown there.")
        return
    st.write(f"About {shown.photo.name}")
    spec, rule = _wanted(shown)
    if spec is None:
        return
    reading = reading_from_measurement(shown.measurement, spec.name)
    moved, words = _move(reading)
    checks = form_checks(moved, spec, rule)
    verdict = judge_gap(
        moved.s_mm, moved.gap_mm, moved.expanded_u_mm, spec, rule, spacing_mm=moved.spacing_mm, checks=checks
    )
    plan = _finish()
    future = None
    if plan is not None:
        future = forecast(
            moved.s_mm, moved.gap_mm, moved.expanded_u_mm, spec, plan, rule, spacing_mm=moved.spacing_mm, checks=checks
        )
    _say(verdict, f"As it {'would stand ' + words if words else 'stands'}")
    if future is not None:
        _say(future.verdict, "After paint")
    lines = []
    if words:
        lines.append(ExtraLine(moved.s_mm, moved.gap_mm, f"gap {words}"))
    if future is not None:
        lines.append(ExtraLine(future.s_mm, future.gap_mm, "gap after paint"))
    draw_viewer(
        shown.photo, shown.measurement, shown.band, "viewer_decide", more=lines, verdict=verdict if not words else None
    )
    _checks(verdict)
    if future is not None:
        _set_now(future)
    _cautions(future is not None)


def _wanted(shown: Shown) -> tuple[SeamSpec | None, DecisionRule]:
    left, right = st.columns(2)
    names = [_OWN, *PRESETS]
    name = left.selectbox(
        "What is wanted", names, key="spec_name", format_func=lambda n: n if n == _OWN else PRESETS[n][0]
    )
    rule_name = right.selectbox("Decision rule", list(_RULES), key="rule", format_func=lambda n: _RULES[n])
    risk = 0.05
    if rule_name == "risk":
        risk = right.slider("Accepted risk of being wrong [%]", 1, 20, 5, key="risk") / 100
    rule = DecisionRule(name=rule_name, risk=risk)
    if name != _OWN:
        spec = preset(name)
        st.write(f"Source of this specification: {spec.source}.")
        return spec, rule
    if shown.band is None:
        st.info("Give a wanted gap and a tolerance in Measure, or choose a ready specification.")
        return None, rule
    b = shown.band
    return simple_spec(b.nominal_mm, b.nominal_mm - b.lower_mm, b.upper_mm - b.nominal_mm), rule


def _move(reading: SeamReading) -> tuple[SeamReading, str]:
    """Try a move of the panel: away from the gap, and a turn about the middle of the stretch."""
    with st.expander("Try a move of the panel"):
        st.write("Along one seam, a move opens or closes the gap and turns it. Other seams of the panel move too.")
        shift = st.slider("Open (+) or close (-) the gap [mm]", -3.0, 3.0, 0.0, 0.1, key="move_shift")
        turn = st.slider("Open more towards the end of the seam [mm per metre]", -10.0, 10.0, 0.0, 0.5, key="move_turn")
    if shift == 0 and turn == 0:
        return reading, ""
    middle = 0.5 * (float(reading.s_mm[0]) + float(reading.s_mm[-1]))
    gap = reading.gap_mm + shift + turn * (reading.s_mm - middle) / 1000
    return replace(reading, gap_mm=gap), f"moved {shift:+.1f} mm, turned {turn:+.1f} mm per metre"


def _finish() -> FinishPlan | None:
    """Coats still to come."""
    with st.expander("Paint"):
        st.write("Typical dry films of one coat; the paint maker's data sheet rules.")
        stage = st.selectbox("The photo shows", list(STAGES), key="finish_stage")
        kinds = st.multiselect("Coats, in all", list(FILMS), key="finish_kinds")
        coats = []
        for kind in kinds:
            film = FILMS[kind]
            left, right = st.columns(2)
            count = left.number_input(f"{kind}: coats", 1, 9, 1, key=f"coats_{kind}")
            low, high = right.slider(
                f"{kind}: film of one coat [micrometre]", 0.0, 400.0, film.film_um, 1.0, key=f"film_{kind}"
            )
            right.write(f"{film.status}: {film.source}")
            changed = {} if (low, high) == film.film_um else {"film_um": (low, high)}
            coats.append(coat(kind, int(count), **changed))
        left, right = st.columns(2)
        with left:
            smallest = widgets.length_field("Smallest finished gap that does not chip", "smallest_gap")
        with right:
            movement = widgets.length_field("Allowance for swing and movement", "movement")
    if not coats:
        return None
    return FinishPlan(coats=tuple(coats), stage=stage, smallest_gap_mm=smallest, movement_mm=movement or 0.0)


def _say(verdict: Verdict, title: str) -> None:
    reasons = "".join(f"<li>{html.escape(r)}</li>" for r in verdict.reasons)
    st.html(
        f'<div class="gv-verdict">{_SIGNS[verdict.state]} {html.escape(title)}: {verdict.state}'
        f"<small>{html.escape(verdict_sentence(verdict))}</small><small><ul>{reasons}</ul></small></div>"
    )


def _checks(verdict: Verdict) -> None:
    if not verdict.checks:
        return
    st.subheader("Limits on the seam as a whole", anchor=False)
    rows = "".join(
        f"<tr><td>{_SIGNS[c.state]} {c.state}</td><td>{html.escape(c.name)} {html.escape(c.where)}</td>"
        f"<td>{c.value:+.2f} {c.unit}, U {c.expanded_u:.2f}</td><td>{c.limit:.2f} {c.unit}</td></tr>"
        for c in verdict.checks
    )
    st.html(
        '<div class="gv-table" tabindex="0" role="region" aria-label="Limits"><table><thead><tr><th scope="col">State</th>'
        '<th scope="col">What</th><th scope="col">Value</th><th scope="col">Limit</th></tr></thead>'
        f"<tbody>{rows}</tbody></table></div>"
    )


def _set_now(future: FinishForecast) -> None:
    unit = st.session_state["unit"]
    st.subheader("Gap to set now", anchor=False)
    middle = len(future.s_mm) // 2
    st.write(
        f"The coats still to come take {future.loss.least_mm:.2f} to {future.loss.most_mm:.2f} mm from the gap. In the "
        f"middle of the seam set {widgets.show_length(float(future.set_now_mm[middle]), unit)} now, and stay within "
        f"{future.set_lower_mm[middle]:.2f} to {future.set_upper_mm[middle]:.2f} mm."
    )
    if np.isfinite(future.chip_limit_mm):
        risky = [s for s in future.chip_spans if s.state != "in tolerance"]
        if risky:
            for span in risky:
                st.write(
                    f"Edges may chip from {span.from_mm:.0f} to {span.to_mm:.0f} mm: finished gap {span.worst_mm:.2f} mm."
                )
        else:
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
