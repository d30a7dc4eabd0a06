"""Measure: choose or take a photo, see at once whether it will do, get the profile."""

from __future__ import annotations

import html
from functools import partial
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from gapvision.errors import GapvisionError
from gapvision.judgement import simple_spec
from gapvision.model import LeftOut, Measurement, Settings, Specification, Verdict
from gapvision.page import save_view, service, session, sheet_view, widgets
from gapvision.page.inbox import Inbox, InboxPhoto
from gapvision.page.session import Chosen
from gapvision.page.shown import OnScreen, draw_viewer, judged, plot_files, remember, wanted_of
from gapvision.targets.print_scale import print_scales

#: How an edge is made, in the words of the choice, and as the settings take it.
_MADE = {"not sure": None, "cut": "cut", "rolled": "rolled"}
_TYPES = ["jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif"]


def show(ticket: str) -> None:
    """The whole view."""
    save_view.ask_first(taken=bool(Inbox().photos(ticket)))
    _by_camera(ticket)
    # Photo and short verdict stand first, on a phone's first screen, though what they rest on is asked for below them.
    top = st.container()
    _upload(ticket, top)
    with top:
        photo = _choose(ticket)
    spec = _wanted()
    settings = _settings(photo, spec)
    if settings is None:
        return
    try:
        with top, st.spinner("Measuring", show_time=False):
            measurement = service.measure(photo.path, photo.name, photo.sha256, settings)
    except GapvisionError as error:
        with top:
            widgets.show_error(error)
        return
    measurement = service.without_spans(measurement, session.excluded(photo.sha256))
    sheet_view.show(measurement)
    remember(OnScreen(photo, measurement, spec))
    verdict = judged(measurement, spec)
    with top:
        widgets.show_verdict(measurement, verdict)
    show_result(photo, measurement, verdict)
    if measurement.profile is not None:
        _leave_out(photo, measurement)
        save_view.offer(photo, measurement, spec)
    _downloads(photo, measurement, verdict)


def measured_again(ticket: str) -> OnScreen | None:
    """What Measure would show of a photo of this ticket: for a reload while another view is open.

    None when no photo was chosen there yet, or when Measure has to say first what is wrong.
    """
    photo = next((p for p in session.photos(ticket) if p.sha256 == st.session_state.get("photo")), None)
    if photo is None:
        return None
    try:
        spec = _wanted_typed()
        measurement = service.measure(photo.path, photo.name, photo.sha256, _settings_typed(photo, spec))
    except GapvisionError:
        return None
    shown = OnScreen(photo, service.without_spans(measurement, session.excluded(photo.sha256)), spec)
    remember(shown)
    return shown


def show_result(photo: Chosen, measurement: Measurement, verdict: Verdict | None) -> None:
    """Photo with edges, profile, spans, numbers, notices."""
    _viewer(photo, measurement, verdict)
    with st.container():
        if measurement.profile is not None:
            st.subheader("Spans to look at", anchor=False)
            widgets.show_spans(measurement, verdict)
            st.subheader("In numbers", anchor=False)
            widgets.show_numbers(measurement)
        # Why a photo was refused, with its drawing, stands in the short verdict already.
        notices = measurement.notices[1:] if measurement.profile is None else measurement.notices
        if notices:
            st.subheader("Warnings and notes", anchor=False)
            widgets.show_notices(notices)


# --- photos -----------------------------------------------------------------------


def _by_camera(ticket: str) -> None:
    """The way to the plain form, for a phone's camera."""
    st.html(
        f'<p><a class="gv-take" href="/take?ticket={ticket}" target="_self" style="display:block;text-align:center;min-height:52px;line-height:52px;'
        'border-radius:8px;background:#0b5c93;color:#fff;font-weight:700;text-decoration:none">Take photos with this phone</a></p>'
    )


def _upload(ticket: str, top: DeltaGenerator) -> None:
    """The upload control; what is to be said of each photo goes to the top."""
    files = st.file_uploader("Or choose photos", type=_TYPES, accept_multiple_files=True, key="upload")
    known = st.session_state.setdefault("taken_in", set())
    fresh = [file for file in files if file.file_id not in known]
    if not fresh:
        return
    bar = top.progress(0.0, text="Keeping photos")
    for k, file in enumerate(fresh):
        known.add(file.file_id)
        try:
            kept = Inbox().add(ticket, file.name, file.getvalue())
        except GapvisionError as error:
            with top:
                widgets.show_error(error)
            continue
        session.choose(kept.sha256)
        with top:
            _quick_words(kept)
        bar.progress((k + 1) / len(fresh), text=f"{kept.name} kept")
    bar.empty()


def _quick_words(kept: InboxPhoto) -> None:
    """Say at once whether the photo will do."""
    try:
        notices = service.quick_look(kept.path, kept.name, kept.sha256)
    except GapvisionError as error:
        st.warning(f"{kept.name}: {error}")
        return
    if notices:
        st.warning(f"{kept.name}: {notices[0].message} {notices[0].advice}")
    else:
        st.success(f"{kept.name}: good")


def _choose(ticket: str) -> Chosen:
    """The photo on screen: the one chosen, else the newest, else the first sample."""
    everything = session.photos(ticket)
    by_hash = {p.sha256: p for p in reversed(everything)}  # one's own photo before a sample with the same bytes
    by_hash = dict(reversed(by_hash.items()))
    mine = [p for p in everything if p.where != "sample"]
    newest = mine[0].sha256 if mine else None
    if newest is not None and st.session_state.get("newest") != newest:
        st.session_state["newest"] = newest
        session.choose(newest)
    if st.session_state.get("photo") not in by_hash:
        session.choose(everything[0].sha256)
    _thumbnails(mine)
    chosen = st.selectbox("Photo", list(by_hash), format_func=lambda sha: by_hash[sha].name, key="photo")
    return by_hash[chosen]


def _thumbnails(mine: list[Chosen]) -> None:
    if not mine:
        return
    rows = "".join(
        f'<figure style="margin:0"><img src="{p.url("thumb")}" alt="" loading="lazy" style="height:84px;border-radius:6px;display:block">'
        f'<figcaption style="font-size:14px;max-width:112px;overflow:hidden;text-overflow:ellipsis;white-space:nowrap">{html.escape(p.name)}</figcaption></figure>'
        for p in mine[:12]
    )
    st.html(
        f'<div style="display:flex;gap:10px;overflow-x:auto" tabindex="0" role="region" aria-label="Photos taken">{rows}</div>'
    )


# --- what is wanted ---------------------------------------------------------------


def _wanted() -> Specification | None:
    """Ask for wanted gap and tolerance; a mistake is said below them in one sentence."""
    left, right = st.columns(2)
    left.text_input("Wanted gap", key="nominal", placeholder="e.g. 3/16in, 4.76mm or 0.1875in")
    right.text_input("Tolerance, either way", key="tolerance", placeholder="e.g. 0.5mm; or -0.5mm; +0.8mm")
    try:
        return _wanted_typed()
    except GapvisionError as error:
        widgets.show_error(error)
        return None


def _wanted_typed() -> Specification | None:
    """What is wanted, by what stands in the fields; all that the seam asks for, if that is the seam's own."""
    nominal, tolerance = (str(st.session_state[key]).strip() for key in ("nominal", "tolerance"))
    typed = None
    if nominal and tolerance.replace(";", "").strip():
        typed = simple_spec(widgets.typed_length(nominal), *widgets.typed_tolerance(tolerance))
    for_job = st.session_state["what_for"] == save_view.PURPOSES[1]
    own = wanted_of(save_view.chosen()[1]) if for_job else None
    if own is None or (typed is not None and len(own.nominal) == 1 and not _same(own, typed)):
        return typed
    return own


def _same(one: Specification, two: Specification) -> bool:
    """Whether both want the same gap within the same limits, as far as they can be typed."""
    figures = ((x.nominal[0].gap_mm, x.allow_below_mm, x.allow_above_mm) for x in (one, two))
    return all(abs(a - b) < 1e-3 for a, b in zip(*figures, strict=True))


def _settings(photo: Chosen, spec: Specification | None) -> Settings | None:
    """How to measure; None after saying what is wrong."""
    with st.expander("Printed check lines and edges"):
        st.write(
            "For strips without a sheet's number: measure both check lines on the printed sheet with a steel rule. One "
            "given serves for both. Lengths given here go before what is remembered of a sheet."
        )
        left, right = st.columns(2)
        left.text_input("200 mm line measures", key="check_length", placeholder="e.g. 198.6mm")
        right.text_input("150 mm line measures", key="check_width", placeholder="e.g. 149.2mm")
        st.selectbox(
            "Edges",
            ["auto", "rules"],
            key="edges_method",
            format_func=lambda method: "rules only" if method == "rules" else "learned where it helps",
        )
    _known_fields()
    try:
        return _settings_typed(photo, spec)
    except GapvisionError as error:
        widgets.show_error(error)
        return None


def _known_fields() -> None:
    """What a hand at the car knows of the edges and no photo tells."""
    with st.expander("What you know of the edges", key="known_box"):
        st.write(
            "Leave out what you do not know. **A** is the panel that carries the strip with the lowest letter; with "
            "strips on one side only, the panel with the strips. **B** is the panel across the gap. What you state "
            "makes U smaller, most of all where the camera was not square above the gap."
        )
        for name in ("a", "b"):
            left, right = st.columns(2)
            left.selectbox(f"Edge {name.upper()} is", list(_MADE), key=f"known_{name}")
            right.text_input(
                f"Radius of {name.upper()}, if rolled: half its thickness",
                key=f"known_{name}_radius",
                placeholder="e.g. 1.5mm or 1/16in",
            )
        st.write(
            "With strips on one side only: the step between the faces, read with feeler gauges under a straight-edge, "
            "or a depth gauge, in the middle of the seam. Where B lies lower than A, write a minus before it."
        )
        left, right = st.columns(2)
        left.text_input("B stands above A by", key="known_step", placeholder="e.g. 0.8mm or -1/32in")
        right.text_input("Read to within (U)", key="known_step_u", placeholder="0.2mm, if left empty")
    # Always there, so that the boxes below it stay open: what was stated counts for every photo shown.
    with st.container():
        said = _known_words()
        if said:
            st.caption(f"Stated for the photos shown here: {said}. Change it when the seam changes.")


def _known_words() -> str:
    """What stands in the fields, in short."""
    state, said = st.session_state, []
    for name in ("a", "b"):
        made = _MADE.get(str(state[f"known_{name}"]))
        radius = str(state[f"known_{name}_radius"]).strip() if made == "rolled" else ""
        if made is not None:
            said.append(f"edge {name.upper()} {made} {radius}".rstrip())
    step = str(state["known_step"]).strip()
    if step:
        said.append(f"B above A by {step}")
    return ", ".join(said)


def _known_typed() -> dict[str, Any]:
    """The same as settings of a measurement.

    Raises
    ------
    GapvisionError
        ``length-not-understood``.
    """
    state = st.session_state
    known: dict[str, Any] = {f"edge_{name}": _MADE.get(str(state[f"known_{name}"])) for name in ("a", "b")}
    for name in ("a", "b"):
        radius = str(state[f"known_{name}_radius"]).strip()
        if radius and known[f"edge_{name}"] == "rolled":
            known[f"edge_{name}_radius_mm"] = widgets.typed_length(radius)
    step, step_u = (str(state[key]).strip() for key in ("known_step", "known_step_u"))
    if step:
        known["step_mm"] = widgets.typed_length(step)
        if step_u:
            known["step_u_mm"] = widgets.typed_length(step_u)
    return known


def _settings_typed(photo: Chosen, spec: Specification | None) -> Settings:
    """How to measure, from what stands in the fields."""
    if photo.where == "sample":
        along, across, checked = 1.0, 1.0, True
    else:
        along, across, checked = print_scales(st.session_state["check_length"], st.session_state["check_width"])
    return Settings(
        print_scale_along=along,
        print_scale_across=across,
        print_scale_checked=checked,
        sheets=() if checked else sheet_view.known_sheets(),
        seam_hint_px=session.seam_points(photo.sha256),
        tolerance_mm=None if spec is None else spec.half_width_mm,
        edges=st.session_state["edges_method"],
        **_known_typed(),
    )


# --- what came out ----------------------------------------------------------------


def _viewer(photo: Chosen, measurement: Measurement, verdict: Verdict | None) -> None:
    """The linked photo and profile; points tapped on it are measured along."""
    spans = session.excluded(photo.sha256)
    asked = draw_viewer(photo, measurement, verdict, "viewer", tappable=True)
    if "points" in asked:
        session.set_seam_points(photo.sha256, asked["points"]["points"])
        st.rerun()
    if "span" in asked:
        span = asked["span"]
        start, stop, reason = float(span["from"]), float(span["to"]), str(span["reason"]).strip()[:200]
        one = LeftOut(from_mm=start, to_mm=stop, reason=reason)
        if reason and start <= stop and one not in spans:
            session.set_excluded(photo.sha256, [*spans, one])
            st.rerun()
    with st.container():
        if session.seam_points(photo.sha256):
            st.write("Measured along the points you tapped.")
            if st.button("Forget the points", key="forget_points"):
                session.set_seam_points(photo.sha256, None)
                st.rerun()


def _leave_out(photo: Chosen, measurement: Measurement) -> None:
    """Leave a span out (a handle, a missing seal), with a reason that goes into the record."""
    spans = session.excluded(photo.sha256)
    with st.container():
        if spans:
            st.subheader("Left out", anchor=False)
        for k, span in enumerate(spans):
            left, right = st.columns([3, 1])
            stretch = widgets.lengths().stretch(span.from_mm, span.to_mm)
            left.write(f"{stretch}: {span.reason}")
            if right.button("Take back", key=f"take_back_{k}"):
                session.set_excluded(photo.sha256, spans[:k] + spans[k + 1 :])
                st.rerun()
    with st.expander("Leave a span out by numbers", key="leave_out_box"):
        # Not a form: what is typed in one is lost when a phone drops the page before it is sent.
        if st.session_state.pop("span_left_out", False):
            for key in ("span_from", "span_to", "span_reason"):
                st.session_state[key] = ""
        first, last = (0.0, 0.0) if measurement.profile is None else measurement.profile.s_mm[[0, -1]]
        stretch = widgets.lengths().stretch(float(first), float(last))
        st.write(f"This photo's stations run from {stretch}.")
        left, right = st.columns(2)
        example = "e.g. 120mm" if widgets.unit() == "mm" else "e.g. 4 3/4in"
        with left:
            start = widgets.length_field("From station", "span_from", example=example)
        with right:
            stop = widgets.length_field("To station", "span_to", example=example)
        reason = st.text_input("Reason", key="span_reason", placeholder="e.g. door handle, seal missing").strip()
        if st.button("Leave it out", key="leave_out"):
            if start is None or stop is None or stop <= start or not reason:
                widgets.show_notice(
                    "usage", "value-out-of-range", "The span or its reason is missing.",
                    "Give a span that ends after it starts, and a reason.",
                )  # fmt: skip
            else:
                one = LeftOut(from_mm=start, to_mm=stop, reason=reason[:200])
                session.set_excluded(photo.sha256, [*spans, one])
                st.session_state["span_left_out"] = True
                st.rerun()


def _downloads(photo: Chosen, measurement: Measurement, verdict: Verdict | None) -> None:
    """Files to take away; each is made when it is asked for."""
    from gapvision.formats.measurement_json import to_json
    from gapvision.formats.table import csv_text

    st.subheader("Download", anchor=False)
    stem, unit, form_of = photo.stem, widgets.unit(), partial(service.straightness_plot, measurement)
    files: list[widgets.File] = [("JSON", f"{stem}.json", lambda: to_json(measurement))]
    if measurement.profile is not None:
        files += [
            ("CSV", f"{stem}.csv", lambda: csv_text(measurement, verdict).encode("utf-8-sig")),
            *plot_files(stem, measurement, verdict, unit),
            *(
                (f"Straightness, {kind.upper()}", f"{stem}.straightness.{kind}", partial(form_of, unit, kind))
                for kind in ("png", "svg")
            ),
            (
                "Photo with edges, PNG",
                f"{stem}.overlay.png",
                lambda: service.overlay(photo.path, measurement, verdict, unit),
            ),
        ]
    widgets.downloads(files, "measure")
