"""The strip of photos: those of one seam measured together in one frame, a sign each; see, take out, move."""

from __future__ import annotations

from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

import streamlit as st

from gapvision.model import Measurement
from gapvision.page import session, widgets
from gapvision.page.books import records, seam_title
from gapvision.page.inbox import Inbox
from gapvision.page.session import Chosen

_HERE = Path(__file__).parent
_MOST_SHOWN = 40
_USED = "counts in the result"
#: Where a photo can be moved to: by itself, to a set, to a seam of the job.
_ALONE, _SET, _SEAM = "alone", "set:", "seam:"


def show(ticket: str, shown: Chosen, together: Sequence[Chosen], measurement: Measurement | None) -> None:
    """The photos taken: those on screen first, with what became of each; does what is asked on them."""
    mine = session.taken(ticket)
    if not mine:
        return
    elsewhere = _other_seams()
    data = strip_data(mine[:_MOST_SHOWN], shown, together, measurement, elsewhere)
    asked = getattr(_component()(data=data, key="strip", on_asked_change=lambda: None), "asked", None)
    if asked and str(asked["of"]) != st.session_state.get("strip_done"):
        st.session_state["strip_done"] = str(asked["of"])
        act(ticket, str(asked["what"]), str(asked["photo"]), str(asked["to"]))
        st.rerun()
    loose = [p for p in mine if p.set_id in st.session_state.get("came_together", ())]
    if len({p.set_id for p in loose}) > 1:
        with st.container(horizontal=True):
            if st.button(f"They show one seam: measure the {len(loose)} together", key="measure_together"):
                for one in loose:
                    Inbox().move(ticket, one.sha256, loose[-1].set_id)
                st.session_state["came_together"] = ()
                st.rerun()


def strip_data(
    mine: Sequence[Chosen], shown: Chosen, together: Sequence[Chosen], measurement: Measurement | None,
    elsewhere: Sequence[tuple[str, str]],
) -> dict[str, Any]:  # fmt: skip
    """What the browser's part draws."""
    sets: dict[str, list[Chosen]] = {}
    for photo in mine:
        sets.setdefault(photo.set_id, []).append(photo)
    for photos in sets.values():
        photos.sort(key=lambda p: p.name)
    current = shown.set_id if shown in mine else ""
    order = sorted(sets, key=lambda key: key != current)  # the set on screen first, then the newest
    names = {key: _set_name(sets[key]) for key in order}
    groups = []
    for key in order:
        photos, rows = sets[key], []
        for photo in photos:
            targets = [(_SET + other, f"to {names[other]}") for other in order if other != key]
            targets += [(_ALONE, "on its own")] if len(photos) > 1 else []
            sign, said = _became(photo, together, measurement)
            rows.append({
                "sha256": photo.sha256, "url": photo.url("thumb"), "name": photo.name, "sign": sign, "said": said,
                "shown": photo.sha256 == shown.sha256, "targets": [*targets, *elsewhere],
            })  # fmt: skip
        name = f"Measured together: {len(photos)} photos" if photos[1:] else "On its own"
        groups.append({"name": name, "to": _SET + key, "current": key == current, "photos": rows})
    return {"label": "Photos taken", "groups": groups, "elsewhere": [(_ALONE, "On its own"), *elsewhere]}


def show_stored(photos: Sequence[tuple[Chosen, str]], measurement: Measurement) -> tuple[Chosen, int]:
    """All photos of a stored result, each to be looked at; gives the one to show and its number in the measurement."""
    numbers = {seen.sha256: k for k, seen in enumerate(measurement.photos)}
    own = {photo.sha256: numbers.get(original, numbers.get(photo.sha256, -1)) for photo, original in photos}
    if not photos[1:]:
        return photos[0][0], 0
    wanted = st.session_state.get("stored_photo")
    shown = next((p for p, _ in photos if p.sha256 == wanted and own[p.sha256] >= 0), photos[0][0])
    rows: list[dict[str, Any]] = [
        {"sha256": p.sha256, "url": p.url("thumb"), "name": p.name, "shown": p == shown, "targets": [], "kept": True,
         "sign": "+" if own[p.sha256] >= 0 else "\u2212", "said": _USED if own[p.sha256] >= 0 else "left out"}
        for p, _ in photos
    ]  # fmt: skip
    group = {"name": f"Measured together: {len(photos)} photos", "to": "", "current": True, "photos": rows}
    data = {"label": "Photos of this result", "groups": [group], "elsewhere": []}
    asked = getattr(_component()(data=data, key="strip_stored", on_asked_change=lambda: None), "asked", None)
    if asked and str(asked["of"]) != st.session_state.get("strip_done"):
        st.session_state["strip_done"] = str(asked["of"])
        st.session_state["stored_photo"] = str(asked["photo"])
        st.rerun()
    return shown, max(own[shown.sha256], 0)


def _set_name(photos: Sequence[Chosen]) -> str:
    more = len(photos) - 1
    return photos[0].name + (f" and {more} more" if more else "")


def _became(photo: Chosen, together: Sequence[Chosen], measurement: Measurement | None) -> tuple[str, str]:
    """Sign and words for what became of a photo: of a set whether it counts, of a photo alone its verdict's sign."""
    signs = st.session_state.get("_signs", {})
    if measurement is None or photo not in together or not together[1:]:
        return signs.get(photo.sha256, widgets.GLANCES["measured"]), "" if photo.sha256 in signs else "not looked at"
    if measurement.status == "refused":
        return widgets.GLANCES["refused"], "refused"
    counts = photo.sha256 in [seen.sha256 for seen in measurement.photos]
    return ("+", _USED) if counts else ("\u2212", "left out")


def act(ticket: str, what: str, sha256: str, to: str = "") -> None:
    """Do what was asked on a photo of the strip: ``look``, ``out`` or ``move``."""
    photo = next((p for p in session.taken(ticket) if p.sha256 == sha256), None)
    if photo is None:
        return
    rest = [p for p in session.taken(ticket) if p.set_id == photo.set_id and p != photo]
    if what == "look":
        _look(sha256)
    elif what == "out":
        Inbox().remove(ticket, sha256)
        if rest:
            _look(rest[0].sha256)
    elif what == "move":
        _move(ticket, photo, rest, to)


def _look(sha256: str) -> None:
    """Put a photo on screen with the next run: its list takes a new value only before it is drawn."""
    st.session_state["go"] = {"photo": sha256}


def _move(ticket: str, photo: Chosen, rest: Sequence[Chosen], to: str) -> None:
    into = to.removeprefix(_SET) if to.startswith(_SET) else Inbox.own_set(photo.sha256)
    if into in {p.set_id for p in rest}:  # its set is called after it: the others keep together under another name
        for one in rest:
            Inbox().move(ticket, one.sha256, Inbox.own_set(rest[0].sha256))
        session.rename_set(photo.set_id, Inbox.own_set(rest[0].sha256))
    if not rest and (into != photo.set_id or to.startswith(_SEAM)):
        _take_back(photo.set_id)
    if to.startswith(_SEAM):
        session.give_to_seam(photo.sha256, int(to.removeprefix(_SEAM)))
    Inbox().move(ticket, photo.sha256, into)
    if rest:  # what is saved of them must not speak of this photo any more
        st.session_state["pending_set"] = rest[0].sha256
    _look(rest[0].sha256 if rest and to.startswith(_SEAM) else photo.sha256)


def _take_back(set_id: str) -> None:
    """What was saved by itself of a set that is no more goes into the bin."""
    kept = dict(st.session_state.get("kept_shots", {}))
    gone = kept.pop(set_id, None)
    st.session_state["kept_shots"] = kept
    if gone and not gone.get("taken_back"):
        with widgets.telling():
            records().delete("photo", int(gone["shot"]))


def _other_seams() -> list[tuple[str, str]]:
    """The job's other seams, where a seam's page is open."""
    at = session.at_seam()
    if not at:
        return []
    seams = records().seams(records().seam(at).job_id)
    return [(f"{_SEAM}{seam.seam_id}", f"to {seam_title(seam)}") for seam in seams if seam.seam_id != at]


@lru_cache(maxsize=1)
def _component() -> Any:
    css, js = ((_HERE / f"strip.{part}").read_text(encoding="utf-8") for part in ("css", "js"))
    html = '<div class="strip" tabindex="0" role="region"></div>'
    return st.components.v2.component("gapvision_strip", html=html, css=css, js=js)
