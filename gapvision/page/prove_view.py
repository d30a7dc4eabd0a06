"""Prove: gauge pieces of known width, photographed with the shop's own phone; its figures, kept to count in U."""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from datetime import date
from functools import lru_cache
from pathlib import Path
from typing import Any

import streamlit as st

from gapvision.errors import GapvisionError
from gapvision.formats.study_file import FORMAT, Study, study_of, write_phone
from gapvision.intake.headers import phone_of
from gapvision.judgement.study import (
    LEAST_PHOTOS,
    LEAST_PIECES,
    day_of_study,
    judge_study,
    one_phone,
    proof_of,
    reading_of,
)
from gapvision.model import Measurement, PhoneKey, Settings
from gapvision.page import service, sheet_view, widgets
from gapvision.page.inbox import Inbox, InboxPhoto
from gapvision.records import data_folder
from gapvision.reports.gauge_sheet import gauge_sheet_pdf
from gapvision.vision.lens import lens_of
from gapvision.words import notice
from gapvision.words.study import missing_line, proof_line, refused_line, study_lines, study_sentence

_MADE = {"not sure": None, "cut": "cut", "rolled": "rolled"}
_MOST_PIECES = 8
_PLACES = ("one end", "middle", "other end")
_TYPES = ["jpg", "jpeg", "png", "tif", "tiff", "webp", "heic", "heif"]


def show(ticket: str) -> None:
    """The whole view, in the order of the work: build, read, photograph; the answer stands on top."""
    answer = st.container()
    _build()
    study, persons = None, _persons()
    with st.expander("2 Write down the calipers' readings", key="prove_box", expanded=not _read_all()), widgets.telling():
        study = _pieces()
    if study is None:
        answer.info("Photograph three gaps of known width, and U learns what this phone is good for.")
        _kept()
        return
    photos = _photos(ticket, study, persons)
    with answer, widgets.telling():
        _answer(ticket, study, persons, photos)
    _kept()


def _build() -> None:
    with st.expander("1 Build the gauge pieces", key="gauge_box", expanded=not _read_all()):
        st.write(
            "Two straight flats on a plate, the gap set by drill shanks or feeler gauges: three pieces or more, from 3 "
            "to 6 mm, one of them between bare steel rods 3 to 4 mm thick. The sheet says how, draws where things lie, and has room for the readings."
        )
        paper = "a4" if widgets.unit() == "mm" else "letter"
        widgets.downloads([("Sheet to build by, PDF", "gauge_pieces.pdf", lambda: gauge_sheet_pdf(paper))], "gauge")


# --- what was built -----------------------------------------------------------------


def _count() -> int:
    return max(LEAST_PIECES, min(_MOST_PIECES, int(st.session_state.get("study_count", LEAST_PIECES))))


def _typed(k: int) -> list[str]:
    return [str(st.session_state.get(f"study_{k}_{at}", "")).strip() for at in range(len(_PLACES))]


def _read_all() -> bool:
    return all(all(_typed(k)) for k in range(_count()))


def _piece_names() -> list[str]:
    """Of each piece: its number, its first reading, how its edges are made."""
    made = [str(st.session_state.get(f"study_made_{k}", "not sure")) for k in range(_count())]
    return [
        f"piece {k + 1} ({_typed(k)[0]}{'' if made[k] == 'not sure' else f' {made[k]}'})" for k in range(_count())
    ]


def _persons() -> list[str]:
    """Who takes photos, each once; one without a name where none is told."""
    told = str(st.session_state.get("study_persons", ""))
    return list(dict.fromkeys(filter(None, map(str.strip, told.split(","))))) or [""]


def _pieces() -> Study | None:
    """Ask what was built; None while something is missing."""
    widgets.text_fields(
        ("Name of this study: phone and light", "study_name", "e.g. grey phone, workshop light"),
        ("U of the calipers (k = 2)", "study_caliper", "e.g. 0.03mm: their paper says it"),
        ("Who takes photos, with commas between", "study_persons", "empty: one person"),
        ("Day", "study_day", date.today().isoformat()),
    )
    st.write("Both check lines of the strips' sheet, measured with a steel rule; empty where the sheet is remembered.")
    widgets.text_fields(
        ("200 mm line measures", "study_length", "e.g. 198.6mm"),
        ("150 mm line measures", "study_width", "e.g. 149.2mm"),
    )
    st.checkbox("All strips are of one printed sheet, on one kind of magnet", key="study_one_sheet")
    for k in range(_count()):
        st.subheader(f"Piece {k + 1}", anchor=False)
        for at, (column, place) in enumerate(zip(st.columns(len(_PLACES)), _PLACES, strict=True)):
            said = f"Piece {k + 1}, {place}"
            column.text_input(said, key=f"study_{k}_{at}", placeholder="e.g. 4.76mm")
        left, right = st.columns(2)
        left.selectbox(f"Edges of piece {k + 1}", list(_MADE), key=f"study_made_{k}")
        if st.session_state.get(f"study_made_{k}") == "rolled":
            right.text_input(f"Radius of piece {k + 1}: half the rod", key=f"study_radius_{k}", placeholder="e.g. 3mm")
    if _count() < _MOST_PIECES and st.button("One more piece", key="more_pieces"):
        st.session_state["study_count"] = _count() + 1
        st.rerun()
    if not _read_all() or not st.session_state.get("study_caliper", "").strip():
        return None
    return study_of(_table(), data_folder(), "the study")


def _table() -> dict[str, Any]:
    """What was typed, as a study's file has it: the same checks and the same sentences."""

    def length(text: str) -> str:
        return f"{widgets.typed_length(text):.6g}mm"

    def typed(key: str) -> str:
        return str(st.session_state.get(key, "")).strip()

    pieces = []
    for k, name in enumerate(_piece_names()):
        piece: dict[str, Any] = {"name": name, "readings": [length(text) for text in _typed(k)]}
        made = _MADE[typed(f"study_made_{k}") or "not sure"]
        if made:
            radius = typed(f"study_radius_{k}") if made == "rolled" else ""
            piece["edge"] = made + (f":{length(radius)}" if radius else "")
        pieces.append(piece)
    lines = {"check_length": typed("study_length"), "check_width": typed("study_width")}
    return {
        "format": FORMAT, "name": typed("study_name") or "own phone", "pieces": pieces, "photos": [],
        "made_on": typed("study_day") or date.today().isoformat(), "caliper_u": length(typed("study_caliper")),
        "one_sheet": bool(st.session_state.get("study_one_sheet")),
    } | {name: length(text) for name, text in lines.items() if text}  # fmt: skip


# --- photos -------------------------------------------------------------------------


def _slot(piece: int, person: str) -> str:
    """The set of the photos of a piece by a person."""
    return hashlib.sha256(f"{piece} {person}".encode()).hexdigest()[:16]


def _photos(ticket: str, study: Study, persons: Sequence[str]) -> dict[tuple[str, str], list[InboxPhoto]]:
    """Take photos of the piece and person chosen; gives all of them."""
    st.subheader("3 Take the photos", anchor=False)
    names = [piece.name for piece in study.pieces]
    cells = {(name, who): _slot(k, who) for k, name in enumerate(names) for who in persons}
    st.write(
        f"{LEAST_PHOTOS} of each piece{' by each person' if persons[1:] else ''}, in your usual light, main lens, no "
        "zoom: square, then leaning a little. Lift the phone away between two."
    )
    piece = widgets.pick("Piece in front of the phone", names, "study_piece")
    who = widgets.pick("Taken by", persons, "study_who") if persons[1:] else persons[0]
    into = cells[piece, who]
    st.html(
        f'<a class="gv-take" href="/take?ticket={ticket}&amp;into={into}&amp;study=1" target="_self">Photograph '
        f"{widgets.escape(piece)}</a>"
    )
    inbox = Inbox.of_studies()
    files = st.file_uploader("Or choose photos of it", type=_TYPES, accept_multiple_files=True, key="upload_study")
    known = st.session_state.setdefault("taken_in", set())
    for file in files:
        if file.file_id not in known:
            known.add(file.file_id)
            with widgets.telling():
                kept = inbox.add(ticket, file.name, file.getvalue(), into)
                if kept.set_id != into:
                    st.warning(f"{kept.name} is there already, of another piece or person: take each photo anew.")
    everything = inbox.photos(ticket)
    return {cell: [photo for photo in everything if photo.set_id == slot] for cell, slot in cells.items()}


@lru_cache(maxsize=400)
def _phone(path: Path, name: str) -> PhoneKey:
    return phone_of(path.read_bytes(), name)  # a photo in an inbox never changes


def _measured(
    study: Study, photos: dict[tuple[str, str], list[InboxPhoto]]
) -> tuple[dict[tuple[str, str], list[tuple[InboxPhoto, Measurement]]], list[tuple[InboxPhoto, str]]]:
    """What each photo gives, measured one by one; and those that must be taken again, with why."""
    good: dict[tuple[str, str], list[tuple[InboxPhoto, Measurement]]] = {cell: [] for cell in photos}
    again: list[tuple[InboxPhoto, str]] = []
    number, todo = 0, sum(map(len, photos.values()))
    sheets, first = sheet_view.known_sheets(), None
    place = st.empty()
    for (piece, who), some in photos.items():
        settings = Settings(**study.settings_of(piece, sheets))
        for photo in some:
            number += 1
            place.progress(number / todo, text=f"Measuring photo {number} of {todo}")
            try:
                first = first or (photo.name, _phone(photo.path, photo.name))
                one_phone([first, (photo.name, _phone(photo.path, photo.name))])
                m = service.measure([(photo.path, photo.name, photo.sha256)], settings)
            except GapvisionError as error:
                again.append((photo, f"{photo.name} of '{piece}' does not count: {error}"))
                continue
            if m.profile is None:
                said, advice = notice(m.notices[0], widgets.lengths())
                again.append((photo, f"{refused_line(photo.name, piece, said)} {advice}"))
            else:
                good[piece, who].append((photo, m))
    place.empty()
    return good, again


# --- the answer ---------------------------------------------------------------------


def _answer(
    ticket: str, study: Study, persons: Sequence[str], photos: dict[tuple[str, str], list[InboxPhoto]]
) -> None:
    """What is still missing, or the result; then photo by photo."""
    good, again = _measured(study, photos)
    count = {cell: len(some) for cell, some in good.items()}
    pieces, say = {piece.name: piece for piece in study.pieces}, widgets.lengths()
    readings = [
        reading_of(m, pieces[piece], who, study.caliper_u_mm) for (piece, who), some in good.items() for _, m in some
    ]
    left = missing_line(count, LEAST_PHOTOS)
    if min(count.values()) < LEAST_PHOTOS:
        st.html(f'<div class="gv-verdict open" role="status">? {widgets.escape(left)}</div>')
    else:
        measured = [m for some in good.values() for _, m in some]
        phone = one_phone([(p.name, _phone(p.path, p.name)) for some in good.values() for p, _ in some])
        result = judge_study(study.pieces, readings, study.caliper_u_mm)
        lens = lens_of([m.photo.field for m in measured if m.photo.field], phone.focal_35mm_mm)
        lines = "".join(f"<small>{widgets.escape(line)}</small>" for line in study_lines(result, say, lens))
        said = widgets.escape(study_sentence(result, say))
        st.html(f'<div class="gv-verdict" role="status">{said}{lines}</div>')
        st.caption(f"{study.name}, {study.made_on}: {phone.camera or 'a phone that its photos do not name'}. {left}")
        if st.button("Keep for this phone", key="keep_study", type="primary", width="stretch"):
            if not phone.camera:
                raise GapvisionError("phone-not-named")
            day = day_of_study(study.made_on, measured, date.today())
            write_phone(data_folder(), proof_of(result, study.name, day, phone, measured, lens))
            st.session_state["kept_study"] = study.name
        if st.session_state.get("kept_study") == study.name:
            st.success(f"Kept: '{study.name}' counts in U of photos of this phone from now on, for a year.")
            if st.button("Start another study: these photos are removed", key="new_study"):
                for some in photos.values():
                    for photo in some:
                        Inbox.of_studies().remove(ticket, photo.sha256)
                st.session_state["go"] = {f"study_{k}_{at}": "" for k in range(_count()) for at in range(len(_PLACES))}
                st.rerun()
    for photo, words in again:
        st.warning(f"Take it again. {words}")
        if st.button(f"Remove {photo.name}", key=f"drop_{photo.sha256[:12]}"):
            Inbox.of_studies().remove(ticket, photo.sha256)
            st.rerun()
    rows = [
        (photo.name, piece, *([who] if persons[1:] else []), "counts", say.small(r.error_mm, signed=True))
        for ((piece, who), photo), r in zip(
            ((cell, photo) for cell, some in good.items() for photo, _ in some), readings, strict=True
        )
    ]
    if rows:
        with st.expander(f"Photo by photo ({len(rows)})", key="prove_photos_box"):
            heads = ("Photo", "Piece", *(["By"] if persons[1:] else []), "State", "Off the calipers")
            widgets.table("Photos", heads, rows)


def _kept() -> None:
    """Studies that are kept."""
    known = sheet_view.known_phones()
    if known:
        with st.expander(f"Proven phones ({len(known)})", key="phones_box"):
            rows = [(p.name, p.made_on, p.phone.camera, str(p.photos), proof_line(p, widgets.lengths(), date.today())) for p in known]
            widgets.table("Proven phones", ("Study", "Day", "Phone", "Photos", "Figures"), rows)
