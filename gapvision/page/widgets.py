"""Small parts of the page that several views use."""

from __future__ import annotations

import html
from collections.abc import Callable, Iterable, Sequence
from itertools import count
from typing import Any

import streamlit as st

from gapvision.errors import GapvisionError
from gapvision.geometry.runs import holes
from gapvision.model import HOLE, IN, OPEN, OUT, DecisionRule, Measurement, Notice, Verdict
from gapvision.page.drawings import drawing_for
from gapvision.reports.profile_picture import reason_of
from gapvision.units import MM_PER_INCH, parse_length
from gapvision.words import UNIT_NAMES, Lengths, at_a_glance, notice, rule, span_state, worst

#: State -> a sign that is no colour.
SIGNS = {IN: "\u2713", OUT: "\u2717", OPEN: "?", HOLE: "-"}
_GLANCES = {"in": SIGNS[IN], "out": SIGNS[OUT], "refused": SIGNS[OUT], "open": "?", "holes": "?", "measured": "\u00b7"}


def unit() -> str:
    """The unit that the page's switch asks for."""
    return str(st.session_state.get("unit", "mm"))


def lengths() -> Lengths:
    """Writes lengths in that unit."""
    return Lengths(unit())


def unit_switch() -> None:
    """One switch for all views."""
    st.selectbox(
        "Show lengths in",
        list(UNIT_NAMES),
        format_func=lambda name: UNIT_NAMES[name],
        key="unit",
        label_visibility="collapsed",
        width=170,
    )


def length_slider(label: str, key: str, reach_mm: float, step_mm: float) -> float:
    """A slider either way from nothing, its places told in the unit chosen [mm]."""
    steps = round(reach_mm / step_mm)
    places = [round(k * step_mm, 3) + 0.0 for k in range(-steps, steps + 1)]
    if st.session_state.get(key) not in places:
        st.session_state[key] = 0.0

    def told(mm: float) -> str:
        return f"{mm:+.1f} mm" if unit() == "mm" else f"{mm / MM_PER_INCH:+.3f} in"

    return float(st.select_slider(label, places, key=key, format_func=told))


def slope_slider(label: str, key: str, reach: float, step: float) -> float:
    """As :func:`length_slider`, for a slope [mm per metre]."""
    steps = round(reach / step)
    places = [round(k * step, 3) + 0.0 for k in range(-steps, steps + 1)]
    if st.session_state.get(key) not in places:
        st.session_state[key] = 0.0
    return float(st.select_slider(label, places, key=key, format_func=lengths().slope))


def length_number(
    place: Any, label: str, key: str, usual_mm: float, least_mm: float, most_mm: float, step_mm: float
) -> float:
    """A number field with its unit in the label, in the unit chosen; it survives another unit and a reload.

    Parameters
    ----------
    place : container
        Where it stands.
    key : str
        Of the field; its value is held in mm beside it.
    usual_mm, least_mm, most_mm, step_mm : float
        First value, limits, step of its buttons [mm].

    Returns
    -------
    float
        Length [mm].
    """
    held, inch = f"held_{key}", unit() != "mm"
    one, decimals = (MM_PER_INCH, 2) if inch else (1.0, 0 if step_mm >= 5 else 1)
    at_mm = min(max(float(st.session_state.get(held, usual_mm)), least_mm), most_mm)
    shown = round(at_mm / one, decimals)
    low, high = (least_mm / one, most_mm / one) if not inch else (round(least_mm / one, 2), round(most_mm / one, 2))
    value = place.number_input(
        f"{label} [{'in' if inch else 'mm'}]", low, high, min(max(shown, low), high), 0.25 if inch else step_mm,
        format=f"%.{decimals}f", key=f"{key}_in" if inch else key,
    )  # fmt: skip
    if abs(value - shown) > 1e-9 or held not in st.session_state:
        at_mm = at_mm if abs(value - shown) <= 1e-9 else float(value) * one  # as it was, not as rounded for showing
        st.session_state[held] = at_mm
    return at_mm


def typed_length(text: str) -> float:
    """Read a length that was typed on the page [mm].

    A bare number is taken for mm while the page shows mm, and refused otherwise: else another unit chosen later would
    silently change what was typed.  A bare fraction is always refused: nobody means 3/16 mm.

    Raises
    ------
    GapvisionError
        ``length-not-understood``.
    """
    return parse_length(text, "mm" if unit() == "mm" and "/" not in text else None)


def length_field(label: str, key: str, example: str | None = None) -> float | None:
    """A text field for a length; a mistake is said below it in one sentence.

    Returns
    -------
    float or None
        Length [mm]; None when empty or not understood.
    """
    text = st.text_input(label, key=key, placeholder=example)
    if not text.strip():
        return None
    try:
        return typed_length(text)
    except GapvisionError as error:
        show_error(error)
        return None


def typed_tolerance(text: str) -> tuple[float, float]:
    """Read how far a gap may lie below and above: one length for both, or two parted by a semicolon [mm].

    Raises
    ------
    GapvisionError
        ``length-not-understood``.
    """
    parts = [part.strip() for part in text.split(";") if part.strip()]
    if not 1 <= len(parts) <= 2:
        raise GapvisionError(
            "length-not-understood", f"'{text}' is {'more than two lengths' if parts else 'no length'}."
        )
    below, above = (abs(typed_length(part)) for part in (parts * 2 if len(parts) == 1 else parts))
    return below, above


def show_error(error: GapvisionError) -> None:
    """A refusal with its advice and a drawing of what to do."""
    show_notice("refusal", error.code, error.message, error.next_step)


def show_notices(notices: tuple[Notice, ...]) -> None:
    """Warnings and notes with their advice, worst first."""
    for one in notices:
        show_notice(one.kind, one.code, *notice(one, lengths()))


def show_notice(kind: str, code: str, message: str, advice: str) -> None:
    """One notice: kind, what was seen, what to do, drawing."""
    word = {"refusal": "Refused", "usage": "Not possible", "warning": "Warning"}.get(kind, "Note")
    picture = drawing_for(code) if kind in ("refusal", "warning", "usage") else ""
    role = ' role="alert"' if kind in ("refusal", "usage") else ""
    css = "refusal" if kind == "usage" else kind
    st.html(
        f'<div class="gv-note {css}"{role}><b>{word}: {html.escape(message)}</b><br>{html.escape(advice)}{picture}</div>'
    )


def show_verdict(measurement: Measurement, verdict: Verdict | None) -> None:
    """In or out, the worst place, what to do next; with a sign that is no colour."""
    say = lengths()
    said = at_a_glance(measurement, verdict, say)
    lines = [] if said.worst is None else [f"Worst: {worst(said.worst, say, both=True)} (k = 2, about 95 %)."]
    picture = ""
    if said.state == "refused" and measurement.notices:
        lines.append(notice(measurement.notices[0], say)[0])
        picture = drawing_for(measurement.notices[0].code)
    if said.next_step:
        lines.append(f"Next: {said.next_step}")
    if verdict is not None and verdict.rule.name != DecisionRule().name:
        lines.append(f"Rule: {rule(verdict.rule)}.")
    small = "".join(f"<small>{html.escape(line)}</small>" for line in lines) + picture
    st.html(f'<div class="gv-verdict {said.state}">{_GLANCES[said.state]} {said.words}{small}</div>')


def show_numbers(measurement: Measurement) -> None:
    """The seam in a few numbers."""
    summary, profile, say = measurement.summary, measurement.profile, lengths()
    if summary is None or profile is None:
        return
    import numpy as np

    rows = [
        ("Mean gap", say.gap(summary.mean_mm)),
        ("Smallest", say.gap(summary.min_mm)),
        ("Largest", say.gap(summary.max_mm)),
        ("U, middle of all stations", say.small(float(np.median(profile.expanded_u_mm)), both=True)),
        ("Taper", say.slope(summary.taper_mm_per_m)),
        ("Evenness (std. dev.)", say.small(summary.std_mm, both=True)),
        (
            "Step, B above A",
            f"{say.small(measurement.step.mean_mm, signed=True, both=True)}, "
            f"U {say.small(measurement.step.expanded_u_mm, both=True)}"
            if measurement.step is not None
            else "not known"
            if measurement.stated_step_mm is None
            else f"{say.small(measurement.stated_step_mm, signed=True, both=True)}, as stated",
        ),
    ]
    cells = "".join(f"<div><span>{name}</span><b>{html.escape(value)}</b></div>" for name, value in rows)
    st.html(f'<div class="gv-numbers">{cells}</div>')


def show_spans(measurement: Measurement, verdict: Verdict | None) -> None:
    """List of spans that are out of tolerance, not proven or not measured; without a verdict only the last."""
    profile = measurement.profile
    if profile is None:
        return
    spans = verdict.marked if verdict is not None else holes(profile.s_mm, profile.spacing_mm)
    if not spans:
        st.write("The whole seam was measured." if verdict is None else "No span is out of tolerance.")
        return
    rows, numbers = [], count(1)
    for span in spans:
        mark, at_worst = ("-", "") if span.state == HOLE else (str(next(numbers)), worst(span, lengths(), both=True))
        reason = reason_of(span, measurement.left_out)
        words = f"left out: {reason}" if reason else span_state(span)
        rows.append((mark, words, lengths().stretch(*span.whole_mm), at_worst))
    table("Spans", ("No.", "State", "From, to", "Worst"), rows)


def table(label: str, heads: Sequence[str], rows: Iterable[Sequence[str]]) -> None:
    """A table of texts that moves sideways where a phone has no room for it."""
    head = "".join(f'<th scope="col">{x}</th>' for x in heads)
    body = "".join(f"<tr>{''.join(f'<td>{html.escape(x)}</td>' for x in row)}</tr>" for row in rows)
    st.html(
        f'<div class="gv-table" tabindex="0" role="region" aria-label="{label}"><table><thead><tr>{head}</tr></thead>'
        f"<tbody>{body}</tbody></table></div>"
    )


#: Label, file name, and what makes its bytes when it is asked for.
File = tuple[str, str, Callable[[], bytes]]
_MIME = {
    "json": "application/json",
    "csv": "text/csv",
    "png": "image/png",
    "svg": "image/svg+xml",
    "pdf": "application/pdf",
    "zip": "application/zip",
    "dxf": "image/vnd.dxf",
}


def downloads(files: Sequence[File], key: str) -> None:
    """Buttons for files to take away, as many in a row as there is room; each file is made when it is asked for."""
    with st.container(horizontal=True):
        for label, name, make in files:
            mime = _MIME[name.rsplit(".", 1)[1]]
            st.download_button(label, make, name, mime, on_click="ignore", key=f"download_{key}_{label}")
