"""Small parts of the page that several views use."""

from __future__ import annotations

import html
import tempfile
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, nullcontext
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, cast

import streamlit as st

from gapvision import words
from gapvision.errors import GapvisionError
from gapvision.judgement import taper_u
from gapvision.model import HOLE, IN, OPEN, OUT, DecisionRule, Measurement, NextPhoto, Notice, Verdict
from gapvision.page.drawings import drawing_for
from gapvision.reports.profile_picture import listed_spans
from gapvision.units import MM_PER_INCH, parse_length
from gapvision.words import UNIT_NAMES, Lengths

if TYPE_CHECKING:
    from gapvision.judgement.template import TemplateDrawing

_T = TypeVar("_T")
#: State -> a sign that is no colour.
SIGNS = {IN: "\u2713", OUT: "\u2717", OPEN: "?", HOLE: "-"}
#: The short verdict's state -> its sign.
GLANCES = {"in": SIGNS[IN], "out": SIGNS[OUT], "refused": "!", "open": "?", "holes": "?", "measured": "\u00b7"}


def escape(text: str) -> str:
    """Write a text into HTML."""
    return html.escape(text, quote=True)


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
        width=170,
    )


def pick(
    label: str, options: Iterable[_T], key: str, told: Callable[[_T], str] = str, usual: Any = None, place: Any = st,
    *, labelled: bool = True, changed: Callable[[], None] | None = None,
) -> _T:  # fmt: skip
    """A list to choose from; what is not in it any more gives way to what is usual, else to its first entry."""
    known = list(options)
    if st.session_state.get(key) not in known:
        st.session_state[key] = usual if usual in known else known[0]
    seen = "visible" if labelled else "collapsed"
    return cast(
        _T, place.selectbox(label, known, key=key, format_func=told, label_visibility=seen, on_change=changed)
    )


def text_fields(*fields: tuple[str, str, str]) -> list[str]:
    """Fields for texts, two in a row: label, key, example."""
    texts: list[str] = []
    for row in range(0, len(fields), 2):
        for column, (label, key, example) in zip(st.columns(2), fields[row : row + 2], strict=False):
            texts.append(column.text_input(label, key=key, placeholder=example or None))
    return texts


def empty_after(done: str, *keys: str) -> None:
    """Empty these fields in the run after ``done`` was set: a widget takes a new value only before it is drawn.

    No form does it: what is typed in one is lost when a phone drops the page, or when a line of it is refused.
    """
    if st.session_state.pop(done, False):
        for key in keys:
            st.session_state[key] = ""


def warn_of_change(what: str, kept: str, *, changed_here: bool) -> None:
    """Say when what is kept was changed in another window while it is being changed here: keeping would replace it."""
    seen = st.session_state.setdefault("_kept_seen", {})
    if not changed_here or what not in seen:
        seen[what] = kept
    elif seen[what] != kept:
        st.warning("Another window has changed this meanwhile. Keeping what stands here replaces what was kept there.")


@contextmanager
def telling(place: Any = None) -> Iterator[None]:
    """Say what is wrong, here or in a place, in one sentence instead of failing."""
    try:
        yield
    except GapvisionError as error:
        with place or nullcontext():
            show_error(error)


def length_slider(label: str, key: str, reach_mm: float, step_mm: float) -> float:
    """A slider either way from nothing, its places told in the unit chosen [mm]."""
    return _slider(label, key, reach_mm, step_mm, _told_shift)


def slope_slider(label: str, key: str, reach: float, step: float) -> float:
    """As :func:`length_slider`, for a slope [mm per metre]."""
    return _slider(label, key, reach, step, lengths().slope)


def _slider(label: str, key: str, reach: float, step: float, told: Callable[[float], str]) -> float:
    steps = round(reach / step)
    places = [round(k * step, 3) + 0.0 for k in range(-steps, steps + 1)]
    held, state = f"held_{key}", st.session_state
    if state.get(f"_unit_of_{key}") != unit():  # Streamlit knows a place by its words, and takes the first for unknown ones
        state[f"_unit_of_{key}"], state[key] = unit(), state.get(held, state.get(key))
    if state.get(key) not in places:
        state[key] = 0.0
    state[held] = float(st.select_slider(label, places, key=key, format_func=told))
    return float(state[held])


def _told_shift(mm: float) -> str:
    return f"{mm:+.1f} mm" if unit() == "mm" else f"{mm / MM_PER_INCH:+.3f} in"


def length_number(
    place: Any, label: str, key: str, usual_mm: float, least_mm: float, most_mm: float, step_mm: float
) -> float:
    """A number field [mm] with its unit in the label, in the unit chosen; it survives another unit and a reload."""
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
    """
    return parse_length(text, "mm" if unit() == "mm" and "/" not in text else None)


def to_type(length_mm: float) -> str:
    """A length to be changed: in inch only where four decimals are all of it."""
    inch = round(length_mm / MM_PER_INCH, 4)
    exact = abs(inch * MM_PER_INCH - length_mm) < 1e-4
    return f"{inch:g}in" if unit() != "mm" and exact else f"{length_mm:.6g}mm"


def length_fields(*fields: tuple[str, str, str]) -> list[float | None]:
    """As :func:`text_fields`, for lengths [mm]; a mistake is said below its field in one sentence, and counts as empty."""
    found: list[float | None] = []
    for column, (label, key, example) in zip(st.columns(len(fields)), fields, strict=True):
        found.append(None)
        text = column.text_input(label, key=key, placeholder=example or None)
        with telling(column):
            found[-1] = typed_length(text) if text.strip() else None
    return found


def typed_tolerance(text: str) -> tuple[float, float]:
    """Read how far a gap may lie below and above: one length for both, or two parted by a semicolon [mm]."""
    parts = [part.strip() for part in text.split(";") if part.strip()]
    if not 1 <= len(parts) <= 2:
        said = f"'{text}' is {'more than two lengths' if parts else 'no length'}."
        raise GapvisionError("length-not-understood", said)
    below, above = (abs(typed_length(part)) for part in (parts * 2 if len(parts) == 1 else parts))
    return below, above


def show_error(error: GapvisionError) -> None:
    """A refusal with its advice and a drawing of what to do."""
    show_notice("refusal", error.code, error.message, error.next_step)


def show_notices(notices: tuple[Notice, ...]) -> None:
    """Warnings and notes with their advice, worst first."""
    for one in notices:
        show_notice(one.kind, one.code, *words.notice(one, lengths()))


def show_notice(kind: str, code: str, message: str, advice: str) -> None:
    """One notice: kind, what was seen, what to do, drawing."""
    word = {"refusal": "Refused", "usage": "Not possible", "warning": "Warning"}.get(kind, "Note")
    picture = drawing_for(code) if kind in ("refusal", "warning", "usage") else ""
    role = ' role="alert"' if kind in ("refusal", "usage") else ""
    css = "refusal" if kind == "usage" else kind
    said = f"<b>{word}: {html.escape(message)}</b><br>{html.escape(advice)}"
    st.html(f'<div class="gv-note {css}"{role}>{said}{picture}</div>')


def show_verdict(
    measurement: Measurement, verdict: Verdict | None, photo: str = "", coming: NextPhoto | None = None
) -> words.Glance:
    """In or out, the worst place, what to do next; with a sign that is no colour.  Gives what it says.

    ``coming``: what the next photo of it should be; where nothing is proven yet it is the next thing to do.
    """
    say = lengths()
    said = words.at_a_glance(measurement, verdict, say)
    lines, picture = list(said.told) if verdict is None else words.deciding(verdict, say, said.told), ""
    lines = [words.by_letters(line) for line in lines]  # as the photo names them
    if said.state == "refused" and measurement.notices:
        lines.append(words.notice(measurement.notices[0], say)[0])
        picture = drawing_for(measurement.notices[0].code)
    coached = "" if coming is None or coming.do == "enough" else words.coach(coming, say)
    if said.next_step and not (coached and said.state in ("open", "in")):
        lines.append(f"Next: {said.next_step}")
    if coached and said.state != "out":
        lines.append(coached)
    if verdict is not None and verdict.rule.name != DecisionRule().name:
        lines.append(f"Rule: {words.rule(verdict.rule)}.")
    small = "".join(f"<small>{html.escape(line)}</small>" for line in lines) + picture
    of = f"<em>{html.escape(photo)}</em>" if photo else ""
    st.html(f'<div class="gv-verdict {said.state}" role="status">{GLANCES[said.state]} {said.words}{of}{small}</div>')
    return said


def show_numbers(measurement: Measurement) -> None:
    """The seam in a few numbers."""
    rows = words.numbers(measurement, lengths(), taper_u(measurement), both=True)
    cells = "".join(
        f"<div><span>{words.first_up(name)}</span><b>{html.escape(value)}</b></div>" for name, value in rows
    )
    st.html(f'<div class="gv-numbers">{cells}</div>')


def show_spans(measurement: Measurement, verdict: Verdict | None) -> None:
    """List of spans that are out of tolerance, not proven or not measured; without a verdict only the last."""
    if measurement.profile is None:
        return
    spans = listed_spans(measurement, verdict, lengths(), both=True)
    if not spans:
        st.write("The whole seam was measured." if verdict is None else "No span is out of tolerance.")
        return
    rows = [(number, told, lengths().stretch(*span.whole_mm), at_worst) for number, told, span, at_worst in spans]
    table("Spans", ("No.", "State", "From, to", "Worst"), rows)


def show_cautions(keys: Iterable[str]) -> None:
    """The usual cautions, where they apply."""
    with st.expander("Cautions"):
        for key in keys:
            st.write(f"- {words.CAUTIONS[key]}")


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
_MIME = {"svg": "image/svg+xml", "csv": "text/csv", "png": "image/png", "dxf": "image/vnd.dxf"}


TEMPLATE = "Print the template at 100 % and measure its check lines with a steel rule before you scribe."


def template_files(drawings: Sequence[TemplateDrawing], stem: str, place: Any = None) -> list[File]:
    """The template at true scale, to scribe by, and its line to cut by where all edges are fit for a cutter.

    Where they are not, that is said here, or in a place.
    """

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

    names = [("Template, A4", f"{stem}_a4.pdf"), ("Template, Letter", f"{stem}_letter.pdf")]
    try:
        for drawing in drawings:
            drawing.check_cutter()
        names.append(("Line for a cutter, DXF", f"{stem}.dxf"))
    except GapvisionError as error:
        (place or st).write(f"No line for a cutter: {error}")
    return [(label, name, partial(make, name)) for label, name in names]


def downloads(files: Sequence[File], key: str) -> None:
    """Buttons for files to take away, as many in a row as there is room; each file is made when it is asked for."""
    with st.container(horizontal=True):
        for label, name, make in files:
            kind = name.rsplit(".", 1)[1]
            mime = _MIME.get(kind, f"application/{kind}")
            st.download_button(label, make, name, mime, on_click="ignore", key=f"download_{key}_{label}")
