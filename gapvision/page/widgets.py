"""Small parts of the page that several views use."""

from __future__ import annotations

import html
from collections.abc import Mapping, Sequence
from typing import Any

import streamlit as st

from gapvision.errors import GapvisionError
from gapvision.page.drawings import drawing_for
from gapvision.page.viewer import reason_of
from gapvision.reports.spans import Band, find_spans
from gapvision.results import Measurement, Notice
from gapvision.units import format_both, format_fraction, format_inch, format_mm, parse_length

UNITS = {"mm": "mm", "in": "inch decimals", "fraction": "inch fractions"}


def show_length(length_mm: float, unit: str) -> str:
    """A length in the unit chosen, the other system beside it."""
    if unit == "mm":
        return format_both(length_mm)
    first = format_inch(length_mm) if unit == "in" else format_fraction(length_mm)
    return f"{first} ({format_mm(length_mm)})"


def short_length(length_mm: float, unit: str) -> str:
    """A length in the unit chosen, alone: for places with little room."""
    return {"in": format_inch, "fraction": format_fraction}.get(unit, format_mm)(length_mm)


def length_field(label: str, key: str, default_unit: str = "mm", example: str | None = None) -> float | None:
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
        return parse_length(text, default_unit)
    except GapvisionError as error:
        show_error(error)
        return None


def show_error(error: GapvisionError) -> None:
    """A refusal with its advice and a drawing of what to do."""
    show_notice("refusal", error.code, error.message, error.next_step)


def show_notices(notices: tuple[Notice, ...]) -> None:
    """Warnings and notes with their advice, worst first."""
    for notice in notices:
        show_notice(notice.kind, notice.code, notice.message, notice.advice)


def show_notice(kind: str, code: str, message: str, advice: str) -> None:
    """One notice: kind, what was seen, what to do, drawing."""
    word = {"refusal": "Refused", "usage": "Not possible", "warning": "Warning"}.get(kind, "Note")
    picture = drawing_for(code) if kind in ("refusal", "warning", "usage") else ""
    role = ' role="alert"' if kind in ("refusal", "usage") else ""
    css = "refusal" if kind == "usage" else kind
    st.html(
        f'<div class="gv-note {css}"{role}><b>{word}: {html.escape(message)}</b><br>{html.escape(advice)}{picture}</div>'
    )


def show_verdict(measurement: Measurement, band: Band | None) -> None:
    """One plain sentence about the seam, with a sign that is no colour."""
    if measurement.profile is None:
        st.html('<div class="gv-verdict">&#10007; Refused<small>This photo cannot be measured.</small></div>')
        return
    if band is None:
        st.html('<div class="gv-verdict">Measured<small>Give a wanted gap and a tolerance to judge it.</small></div>')
        return
    states = {span.state for span in find_spans(measurement.profile, band)}
    if states & {"wide", "tight"}:
        sign, words, more = "&#10007;", "Out of tolerance", "At least one span is proven out of tolerance."
    elif "unproven" in states:
        sign, words, more = "?", "Not proven", "A limit lies within the uncertainty U along part of the seam."
    elif "hole" in states:
        sign, words, more = "?", "In tolerance where measured", "Part of the seam could not be measured."
    else:
        sign, words, more = "&#10003;", "In tolerance", "Every station with its uncertainty U lies inside the limits."
    st.html(f'<div class="gv-verdict">{sign} {words}<small>{more} U: k = 2, about 95 %.</small></div>')


def show_numbers(measurement: Measurement, unit: str) -> None:
    """The seam in a few numbers."""
    summary, profile = measurement.summary, measurement.profile
    if summary is None or profile is None:
        return
    import numpy as np

    rows = [
        ("Mean gap", show_length(summary.mean_mm, unit)),
        ("Smallest", show_length(summary.min_mm, unit)),
        ("Largest", show_length(summary.max_mm, unit)),
        ("U, middle of all stations", f"{float(np.median(profile.expanded_u_mm)):.2f} mm"),
        ("Taper", f"{summary.taper_mm_per_m:+.1f} mm per metre"),
        ("Evenness (std. dev.)", f"{summary.std_mm:.2f} mm"),
        (
            "Flush, B above A",
            "not known"
            if measurement.flush is None
            else f"{measurement.flush.mean_mm:+.2f} mm, U {measurement.flush.expanded_u_mm:.2f}",
        ),
    ]
    cells = "".join(f"<div><span>{name}</span><b>{html.escape(value)}</b></div>" for name, value in rows)
    st.html(f'<div class="gv-numbers">{cells}</div>')


def show_spans(
    measurement: Measurement, band: Band | None, unit: str, left_out: Sequence[Mapping[str, Any]] = ()
) -> None:
    """List of spans that are out of tolerance, not proven or not measured."""
    if measurement.profile is None:
        return
    spans = find_spans(measurement.profile, band)
    if not spans:
        st.write("No span is out of tolerance." if band else "The whole seam was measured.")
        return
    body, number = "", 0
    for span in spans:
        mark, worst = "-", ""
        reason = reason_of(span, left_out)
        words = f"left out: {html.escape(reason)}" if reason else span.words
        if span.state != "hole":
            number += 1
            mark = str(number)
            worst = f"{show_length(span.worst_mm, unit)} at {span.worst_at_mm:.0f} mm, U {span.worst_u_mm:.2f}"
        body += f"<tr><td>{mark}</td><td>{words}</td><td>{span.from_mm:.0f} to {span.to_mm:.0f} mm</td><td>{worst}</td></tr>"
    st.html(
        '<div class="gv-table" tabindex="0" role="region" aria-label="Spans"><table><thead><tr><th scope="col">No.</th><th scope="col">State</th>'
        f'<th scope="col">From, to</th><th scope="col">Worst</th></tr></thead><tbody>{body}</tbody></table></div>'
    )
