"""Measure: choose or take a photo, see at once whether it will do, get the profile."""

from __future__ import annotations

import html
from collections.abc import Sequence
from contextlib import suppress
from functools import partial
from itertools import takewhile
from typing import Any

import streamlit as st
from streamlit.delta_generator import DeltaGenerator

from gapvision.errors import GapvisionError
from gapvision.formats.measurement_json import to_json
from gapvision.formats.table import csv_text
from gapvision.judgement import simple_spec
from gapvision.judgement.coach import next_photo
from gapvision.model import HOLE, LeftOut, Measurement, NextPhoto, Settings, Specification, Verdict
from gapvision.page import edge_view, save_view, service, session, sheet_view, widgets
from gapvision.page import strip as photo_strip
from gapvision.page.books import load, records, show_origin, stored_photo, stored_photos, wanted_of
from gapvision.page.inbox import Inbox, InboxPhoto
from gapvision.page.session import Chosen
from gapvision.page.shown import OnScreen, draw_viewer, forget, judged, plot_files, remember
from gapvision.targets.print_scale import print_scales
from gapvision.words import Glance
from gapvision.workshop import verdict_of

#: How an edge is made, in the words of the choice, and as the settings take it.
_MADE = {"not sure": None, "cut": "cut", "rolled": "rolled"}
_METHODS = {"auto": "learned where it helps", "rules": "rules only"}
_TYPES = ["jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif"]


def show(ticket: str) -> None:
    """The whole view: answer, photo, plot and the next thing to do on one screen; the rest below, in the order of use."""
    said, top, step, kept, photos, sheets, purpose = (st.container() for _ in range(7))
    with photos:
        strip, same = st.container(), st.container()
        _upload(ticket, said)
        photo = _choose(ticket)
        if photo is not None and photo.where != "sample":
            same.checkbox("What I choose now shows the seam of the photo above, and nothing was moved since", key="join_set")
    with purpose:
        saving = save_view.ask_first()
    if photo is None:  # at a seam of a job, of which this visit has no photo yet
        _stored(ticket, top, step, strip)
        return
    together = session.set_of(ticket, photo)
    spec = _wanted()
    settings = _settings(together, spec)
    shown = None
    with widgets.telling(said), said, st.spinner("Measuring", show_time=False):
        if settings is not None:
            shown = _measured(together, spec, settings)
    if shown is None:
        st.session_state.setdefault("_signs", {})[photo.sha256] = widgets.GLANCES["refused"]
        with step:
            _next(ticket, photo, Glance(state="refused", words=""), None)
        with strip:
            photo_strip.show(ticket, photo, together, None)
        return
    measurement, verdict = shown.measurement, judged(shown.measurement, spec)
    coming = next_photo(measurement) if photo.where != "sample" or together[1:] else None
    with top:
        name = f"{len(measurement.photos)} photos together" if measurement.photos[1:] else shown.photo.name
        told = widgets.show_verdict(measurement, verdict, name, coming)
        for one in together:
            st.session_state.setdefault("_signs", {})[one.sha256] = widgets.GLANCES[told.state]
        _viewer(photo, together, measurement, verdict)
    with strip:
        photo_strip.show(ticket, photo, together, measurement)
    with step:
        _next(ticket, photo, told, coming)
    with sheets:
        sheet_view.show(measurement)
    with kept:
        save_view.by_itself(together, measurement, spec)
        _pending(ticket, spec)
    if measurement.profile is not None:
        with saving:
            save_view.offer(together, measurement, spec)
        _leave_out(together, measurement)
    _details(measurement, verdict)
    edge_view.offer(photo, settings)
    with st.expander("Download", key="download_box"):
        _downloads(shown.photo, measurement, verdict)


def _pending(ticket: str, spec: Specification | None) -> None:
    """A set that lost a photo to the one on screen is measured and saved anew as well."""
    sha256 = st.session_state.pop("pending_set", None)
    left = next((p for p in session.taken(ticket) if p.sha256 == sha256), None)
    if left is not None and session.at_seam():
        rest = session.set_of(ticket, left)
        with suppress(GapvisionError):  # it is said when it is looked at
            measurement = service.measure([(p.path, p.name, p.sha256) for p in rest], _settings_typed(rest, spec))
            save_view.kept_by_itself(rest, measurement, spec)


def _stored(ticket: str, top: DeltaGenerator, step: DeltaGenerator, strip: DeltaGenerator) -> None:
    """The seam's latest result out of the records, in the place of a photo just taken."""
    job, seam = save_view.chosen()
    results = [] if seam is None else [x for x in records().history(seam.seam_id) if x.status != "refused"]
    line = results[-1] if results else None
    with top, widgets.telling():
        if seam is None or line is None:
            forget()
            st.html(f'<div class="gv-verdict" role="status">{widgets.SIGNS[HOLE]} Not measured<small>Lay a strip beside '
                    "the seam, photograph it square, then leaning to either side: it is saved by itself.</small></div>")  # fmt: skip
            with step:
                _by_camera(ticket, "Photograph this seam")
            return
        measurement, verdict = load(line), verdict_of(records(), line)
        photo = stored_photo(line)
        remember(OnScreen(photo, measurement, wanted_of(seam), seam.seam_id), line.measurement_id)
        many = f", {len(measurement.photos)} photos together" if measurement.photos[1:] else ""
        told = widgets.show_verdict(measurement, verdict, f"{line.visit.stage}, {line.visit.on_date}{many}")
        show_origin(job)
        with strip:
            photo, number = photo_strip.show_stored(stored_photos(line), measurement)
        draw_viewer(photo, measurement, verdict, "viewer_stored", number=number)
        with step:
            _next(ticket, photo, told, None)
            _details(measurement, verdict)


def _next(
    ticket: str, photo: Chosen, told: Glance, coming: NextPhoto | None
) -> None:
    """The one thing to do next, large; the camera is always one tap away."""
    more = coming is not None and coming.do != "enough"
    camera = ("One more photo of it: nothing was moved", photo.set_id) if more else ("Photograph it again", "")
    if photo.where == "sample":
        _by_camera(ticket, "Take photos with this phone")
    elif told.state == "out":
        st.button("What to do about it", type="primary", key="to_decide", width="stretch", on_click=_open, args=("Decide",))
        _by_camera(ticket, *camera, second=True)
    elif told.go_on and session.at_seam():
        st.button("Next seam", type="primary", key="to_car", width="stretch", on_click=_open, args=("Car",))
        _by_camera(ticket, *camera, second=True)
    else:
        _by_camera(ticket, *(camera if more or not told.go_on else ("Take the next photo", "")))
    if more and photo.where != "sample":
        _by_camera(ticket, "Take it anew: something was moved", second=True)


def _open(view: str) -> None:
    st.session_state["view"] = view


def _details(measurement: Measurement, verdict: Verdict | None) -> None:
    """Spans, numbers, warnings and notes; how many there are stands in the label."""
    # Why a photo was refused, with its drawing, stands in the short verdict already.
    notices = measurement.notices[1:] if measurement.profile is None else measurement.notices
    warnings = sum(n.kind == "warning" for n in notices)
    label = "Spans, numbers and notes" + (f" ({warnings} warning{'s' if warnings > 1 else ''})" if warnings else "")
    with st.expander(label, key="details_box"):
        if measurement.profile is not None:
            st.subheader("Spans to look at", anchor=False)
            widgets.show_spans(measurement, verdict)
            st.subheader("In numbers", anchor=False)
            widgets.show_numbers(measurement)
        if notices:
            st.subheader("Warnings and notes", anchor=False)
            widgets.show_notices(notices)


def measured_again(ticket: str) -> OnScreen | None:
    """What Measure would show of a photo of this ticket: for a reload while another view is open.

    None when no photo was chosen there yet, or when Measure has to say first what is wrong.
    """
    photo = next((p for p in session.photos(ticket) if p.sha256 == st.session_state.get("photo")), None)
    here = session.at_seam()
    with suppress(GapvisionError):
        if photo is not None and (not here or session.seam_of(photo.sha256) == here):
            spec, together = _wanted_typed(), session.set_of(ticket, photo)
            return _measured(together, spec, _settings_typed(together, spec))
    return None


def _measured(together: Sequence[Chosen], spec: Specification | None, settings: Settings) -> OnScreen:
    measurement = service.measure([(p.path, p.name, p.sha256) for p in together], settings)
    first = next(p for p in together if p.sha256 == measurement.photo.sha256)
    shown = OnScreen(first, service.without_spans(measurement, session.excluded(session.key_of(together))), spec)
    remember(shown)
    return shown


# --- photos -----------------------------------------------------------------------


def _by_camera(ticket: str, label: str, into: str = "", *, second: bool = False) -> None:
    """The way to the plain form, for a phone's camera; ``into`` the set that the photo joins."""
    look, more = "gv-take second" if second else "gv-take", f"&amp;into={into}" if into else ""
    more += f"&amp;seam={session.at_seam()}" if session.at_seam() else ""
    st.html(f'<a class="{look}" href="/take?ticket={ticket}{more}" target="_self">{label}</a>')


def _upload(ticket: str, top: DeltaGenerator) -> None:
    """The upload control; what is wrong with a photo goes to the top."""
    shown = next((p for p in session.taken(ticket) if p.sha256 == st.session_state.get("photo")), None)
    into = shown.set_id if shown is not None and st.session_state["join_set"] else ""
    files = st.file_uploader("Or choose photos", type=_TYPES, accept_multiple_files=True, key="upload")
    known = st.session_state.setdefault("taken_in", set())
    fresh = [file for file in files if file.file_id not in known]
    if not fresh:
        return
    bar = top.progress(0.0, text="Keeping photos")
    for k, file in enumerate(fresh):
        known.add(file.file_id)
        with widgets.telling(top):
            kept = Inbox().add(ticket, file.name, file.getvalue(), into)
            session.choose(kept.sha256)
            if fresh[1:] and (said := said_of_several(kept)):  # of one alone the answer says it
                top.warning(f"{kept.name}: {said}")
            bar.progress((k + 1) / len(fresh), text=f"{kept.name} kept")
    bar.empty()
    st.session_state["join_set"] = False  # said of these photos alone: the next may come after something was moved


def said_of_several(photo: InboxPhoto) -> str:
    """What is wrong with a photo that came with others; along a seam strips end at the border, and go on in the next."""
    said, code = service.quick_words(photo)
    return "" if said == service.WILL_DO or code == "strip-damaged" else said


def _choose(ticket: str) -> Chosen | None:
    """The photo on screen: the one chosen, else the newest, else the first sample; at a seam only that seam's photos."""
    everything, seam_id = session.photos(ticket), session.at_seam()
    mine = [p for p in everything if p.where != "sample"]
    newest = mine[0].sha256 if mine else None
    if newest is not None and st.session_state.get("newest") != newest:
        before = st.session_state.get("newest")
        st.session_state["newest"] = newest
        session.choose(newest)
        fresh = list(takewhile(lambda p: p.sha256 != before, mine))  # several may have come at once
        for taken in fresh:
            session.give_to_seam(taken.sha256)
        alone = [p for p in fresh if [q.set_id for q in mine].count(p.set_id) == 1]
        _join(ticket, alone)
        return _choose(ticket)
    if seam_id:
        everything = mine = [p for p in mine if session.seam_of(p.sha256) == seam_id]
    by_hash = {p.sha256: p for p in reversed(everything)}  # one's own photo before a sample with the same bytes
    if not by_hash:
        return None
    return by_hash[
        widgets.pick("Photo", reversed(by_hash), "photo", lambda sha: by_hash[sha].name, everything[0].sha256)
    ]


def _join(ticket: str, fresh: Sequence[Chosen]) -> None:
    """Photos that came at once: at a seam's page they show that seam; elsewhere it is asked."""
    if session.at_seam():
        for photo in fresh[:-1]:
            Inbox().move(ticket, photo.sha256, fresh[-1].set_id)
    st.session_state["came_together"] = () if session.at_seam() else tuple(photo.set_id for photo in fresh)


# --- what is wanted ---------------------------------------------------------------


def _wanted() -> Specification | None:
    """Ask for wanted gap and tolerance; a mistake is said below them in one sentence."""
    wanted = ", ".join(filter(None, (session.text("nominal"), session.text("tolerance")))) or "not said"
    said = st.container()
    with suppress(GapvisionError):  # as others write it; a mistake in the fields is told below them
        say, typed = widgets.lengths(), widgets.typed_tolerance(session.text("tolerance"))
        limits = f"{say.small(typed[0])} either way" if typed[0] == typed[1] else f"-{say.small(typed[0])}, +{say.small(typed[1])}"
        wanted = f"{say.gap(widgets.typed_length(session.text('nominal')))}, {limits}"
    with st.expander(f"What is wanted: {wanted}", key="wanted_box"):
        widgets.text_fields(
            ("Wanted gap", "nominal", "e.g. 3/16in, 4.76mm or 0.1875in"),
            ("Tolerance, either way", "tolerance", "e.g. 0.5mm; or -0.5mm; +0.8mm"),
        )
    with widgets.telling(said):
        return _wanted_typed()
    return None


def _wanted_typed() -> Specification | None:
    """What is wanted, by what stands in the fields; all that the seam asks for, if that is the seam's own."""
    nominal, tolerance, typed = session.text("nominal"), session.text("tolerance"), None
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


def _settings(together: Sequence[Chosen], spec: Specification | None) -> Settings | None:
    """How to measure; None after saying what is wrong."""
    with st.expander("Printed check lines, and how edges are found"):
        st.write(
            "For strips without a sheet's number: measure both check lines on the printed sheet with a steel rule. One "
            "given serves for both. Lengths given here go before what is remembered of a sheet."
        )
        widgets.text_fields(
            ("200 mm line measures", "check_length", "e.g. 198.6mm"),
            ("150 mm line measures", "check_width", "e.g. 149.2mm"),
        )
        st.selectbox("Edges are found by", list(_METHODS), key="edges_method", format_func=_METHODS.__getitem__)
    _known_fields()
    with widgets.telling():
        return _settings_typed(together, spec)
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
            radius = f"Radius of {name.upper()}, if rolled: half its thickness"
            right.text_input(radius, key=f"known_{name}_radius", placeholder="e.g. 1.5mm or 1/16in")
        st.checkbox("It goes all round, as of a fuel flap or a lamp cover", key="known_closed")
        st.checkbox("All strips are of one printed sheet, on one kind of magnet", key="known_one_sheet")
        st.write(
            "With strips on one side only: the step between the faces, read with feeler gauges under a straight-edge, "
            "or a depth gauge, in the middle of the seam. Where B lies lower than A, write a minus before it."
        )
        widgets.text_fields(
            ("B stands above A by", "known_step", "e.g. 0.8mm or -1/32in"),
            ("Read to within (U)", "known_step_u", "0.2mm, if left empty"),
        )
    # Always there, so that the boxes below it stay open: what was stated counts for every photo shown.
    with st.container():
        said = _known_words()
        if said:
            st.caption(f"Stated for the photos shown here: {said}. Change it when the seam changes.")


def _known_words() -> str:
    """What stands in the fields, in short."""
    said = []
    for name in ("a", "b"):
        made = _MADE.get(session.text(f"known_{name}"))
        radius = session.text(f"known_{name}_radius") if made == "rolled" else ""
        if made is not None:
            said.append(f"edge {name.upper()} {made} {radius}".rstrip())
    if step := session.text("known_step"):
        said.append(f"B above A by {step}")
    if st.session_state["known_closed"]:
        said.append("goes all round")
    if st.session_state["known_one_sheet"]:
        said.append("strips of one sheet")
    return ", ".join(said)


def _known_typed() -> dict[str, Any]:
    """The same as settings of a measurement."""
    known: dict[str, Any] = {name: st.session_state[f"known_{name}"] for name in ("one_sheet", "closed")}
    for name in ("a", "b"):
        known[f"edge_{name}"] = made = _MADE.get(session.text(f"known_{name}"))
        if made == "rolled" and (radius := session.text(f"known_{name}_radius")):
            known[f"edge_{name}_radius_mm"] = widgets.typed_length(radius)
    if step := session.text("known_step"):
        known["step_mm"] = widgets.typed_length(step)
        if step_u := session.text("known_step_u"):
            known["step_u_mm"] = widgets.typed_length(step_u)
    return known


def _settings_typed(together: Sequence[Chosen], spec: Specification | None) -> Settings:
    """How to measure, from what stands in the fields; points along the seam are those of the first photo by name."""
    photo = together[0]
    if photo.where == "sample":
        along, across, checked = 1.0, 1.0, True
    else:
        along, across, checked = print_scales(st.session_state["check_length"], st.session_state["check_width"])
    return Settings(
        print_scale_along=along, print_scale_across=across, print_scale_checked=checked,
        sheets=() if checked else sheet_view.known_sheets(), proofs=sheet_view.known_phones(), seam_hint_px=session.seam_points(photo.sha256),
        edges=session.text("edges_method"), tolerance_mm=None if spec is None else spec.half_width_mm, **_known_typed(),
    )  # fmt: skip


# --- what came out ----------------------------------------------------------------


def _viewer(
    photo: Chosen, together: Sequence[Chosen], measurement: Measurement, verdict: Verdict | None
) -> None:  # fmt: skip
    """The linked photo and profile; points tapped on it are measured along."""
    key = session.key_of(together)
    spans = session.excluded(key)
    numbers = {seen.sha256: k for k, seen in enumerate(measurement.photos)}
    if photo.sha256 not in numbers:  # left out: it is seen as it is, and the profile beside another
        st.html(f'<img src="{photo.url("preview")}" alt="Photo {html.escape(photo.name)}, left out" style="width:100%">')
        photo = next(p for p in together if p.sha256 == measurement.photo.sha256)
    number = numbers[photo.sha256]
    asked = draw_viewer(photo, measurement, verdict, "viewer", tappable=photo == together[0], number=number)
    if "points" in asked:
        session.set_seam_points(photo.sha256, asked["points"]["points"])
        st.rerun()
    if "span" in asked:
        span = asked["span"]
        start, stop, reason = float(span["from"]), float(span["to"]), str(span["reason"]).strip()[:200]
        one = LeftOut(from_mm=start, to_mm=stop, reason=reason)
        if reason and start <= stop and one not in spans:
            session.set_excluded(key, [*spans, one])
            st.rerun()
    with st.container():
        if not spans and session.excluded_before(together):
            st.write("Spans that were left out before a photo came or went do not count now: leave them out again.")
        if session.seam_points(photo.sha256):
            st.write("Measured along the points you tapped.")
            if st.button("Forget the points", key="forget_points"):
                session.set_seam_points(photo.sha256, None)
                st.rerun()


def _leave_out(together: Sequence[Chosen], measurement: Measurement) -> None:
    """Leave a span out (a handle, a missing seal), with a reason that goes into the record."""
    key = session.key_of(together)
    spans = session.excluded(key)
    with st.container():
        if spans:
            st.subheader("Left out", anchor=False)
        for k, span in enumerate(spans):
            left, right = st.columns([3, 1])
            stretch = widgets.lengths().stretch(span.from_mm, span.to_mm)
            left.write(f"{stretch}: {span.reason}")
            if right.button("Take back", key=f"take_back_{k}"):
                session.set_excluded(key, spans[:k] + spans[k + 1 :])
                st.rerun()
    with st.expander("Leave a span out by numbers", key="leave_out_box"):
        widgets.empty_after("span_left_out", "span_from", "span_to", "span_reason")
        first, last = (0.0, 0.0) if measurement.profile is None else measurement.profile.s_mm[[0, -1]]
        stretch = widgets.lengths().stretch(float(first), float(last))
        st.write(f"This photo's stations run from {stretch}.")
        example = "e.g. 120mm" if widgets.unit() == "mm" else "e.g. 4 3/4in"
        start, stop = widgets.length_fields(("From station", "span_from", example), ("To station", "span_to", example))
        reason = st.text_input("Reason", key="span_reason", placeholder="e.g. door handle, seal missing").strip()
        if st.button("Leave it out", key="leave_out"):
            if start is None or stop is None or stop <= start or not reason:
                widgets.show_notice(
                    "usage", "value-out-of-range", "The span or its reason is missing.",
                    "Give a span that ends after it starts, and a reason.",
                )  # fmt: skip
            else:
                one = LeftOut(from_mm=start, to_mm=stop, reason=reason[:200])
                session.set_excluded(key, [*spans, one])
                st.session_state["span_left_out"] = True
                st.rerun()


def _downloads(photo: Chosen, measurement: Measurement, verdict: Verdict | None) -> None:
    """Files to take away; each is made when it is asked for."""
    stem, unit, form_of = photo.stem, widgets.unit(), partial(service.straightness_plot, measurement)
    files: list[widgets.File] = [("JSON", f"{stem}.json", lambda: to_json(measurement))]
    if measurement.profile is not None:
        files += [
            ("CSV", f"{stem}.csv", lambda: csv_text(measurement, verdict).encode("utf-8-sig")),
            *plot_files(stem, measurement, verdict, unit),
            ("Straightness, PNG", f"{stem}.straightness.png", partial(form_of, unit, "png")),
            ("Straightness, SVG", f"{stem}.straightness.svg", partial(form_of, unit, "svg")),
            ("Photo with edges, PNG", f"{stem}.overlay.png",
             partial(service.overlay, photo.path, measurement, verdict, unit)),
        ]  # fmt: skip
    widgets.downloads(files, "measure")
