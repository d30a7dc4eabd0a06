"""What the page remembers between two runs of its script: in the session, and on disk under the ticket."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict
from pathlib import Path
from typing import Any, NamedTuple

import streamlit as st
from streamlit.errors import StreamlitAPIException

from gapvision.model import DecisionRule, LeftOut
from gapvision.page.inbox import Inbox
from gapvision.records import TICKS
from gapvision.samples import list_samples

#: What Decide judges by when nothing else is chosen.
OWN_TOLERANCE = "the tolerance typed in Measure"
#: The entry of a list that makes a new job or seam.
NEW = "new ..."

_TEXTS = (
    "check_length check_width photo remarks who metal_temp support known_a_radius known_b_radius known_step known_step_u "
    "new_reference new_customer new_car new_seam new_side note_text job_reference job_customer job_car job_notes "
    "smallest_gap movement panel_shape panel_usual panel_side car_seam car_side search span_from span_to span_reason part_gap part_name"
)
#: Widgets whose content is kept in the draft, with what they hold at first.
DEFAULTS: dict[str, Any] = {
    **dict.fromkeys(_TEXTS.split(), ""),
    **dict.fromkeys((*TICKS, "known_one_sheet", "known_closed", "one_edge", "join_set"), False),
    **dict.fromkeys(("move_shift", "move_turn", "panel_x", "panel_y", "panel_turn"), 0.0),
    **dict.fromkeys(("known_a", "known_b"), "not sure"),
    **dict.fromkeys(("save_job", "save_seam"), NEW),
    "view": "",
    "nominal": "3/16in",
    "tolerance": "0.5mm",
    "unit": "mm",
    "edges_method": "auto",
    "stage": "as found",
    "what_for": "Just measure",
    "spec_name": OWN_TOLERANCE,
    "rule": "proven",
    "finish_stage": "bare metal",
    "finish_kinds": [],
    "risk": 5,
}
#: Widgets that come by number (coats, films, a specification's lines, a seam's stages, which edge is worked on) begin with one of these words;
#: kept likewise.
PREFIXES = ("coats_", "film_", "spec_", "held_", "add_", "stage_", "before_", "datum_", "sheet_", "study_", "work_", "free_")
#: What else the draft holds, as it was made on the page.
_FREE = (
    *("seam_points", "excluded", "newest", "job", "seam", "panel_drafts", "panel_photos", "panel_chosen", "panel_sides", "plan_shown", "from_record"),
    *("decide_seam", "save_job_before", "at_seam", "for_seam", "kept_shots", "came_together"),
)


class Chosen(NamedTuple):
    """The photo on screen: where it lies, its name, its address for the browser."""

    path: Path
    name: str
    sha256: str
    where: str
    set_id: str = ""

    @property
    def stem(self) -> str:
        """Its name for files made from it."""
        return self.name.removeprefix("sample: ").rsplit(".", 1)[0].replace(" ", "_")

    def url(self, size: str) -> str:
        """Address of the photo, ``thumb``, ``preview`` or ``full``."""
        return f"/photo/{self.where}/{self.sha256}/{size}.jpg"


def start() -> str:
    """Find or make the ticket, and bring back the draft after a reload."""
    state, inbox = st.session_state, Inbox()
    ticket = str(st.query_params.get("ticket", ""))
    if not Inbox.is_ticket(ticket):
        ticket = state.get("ticket") or inbox.new_ticket()
        st.query_params["ticket"] = ticket
    if state.get("ticket") != ticket:
        first = "ticket" not in state
        state["ticket"] = ticket
        draft = state["_kept"] = inbox.load_draft(ticket)
        state["_turn"] = draft.pop("_turn", 0)
        for key, value in DEFAULTS.items():
            if first and key in state and key not in draft:
                continue  # a fresh visit for which a view was chosen already
            kept = draft.get(key, value)
            state[key] = kept if isinstance(kept, type(value)) else value
        for key in draft:
            if key in _FREE or _is_numbered(key):
                state[key] = draft[key]
    _hold()
    return ticket


def _hold() -> None:
    """Give the widgets that were not on screen in the last run their values again: Streamlit forgets those.

    One that was on screen is left alone: a value set here goes to the browser, over what is being typed just now.
    """
    state = st.session_state
    seen, kept = state.get("_on_screen", ()), state.get("_kept") or {}
    for key in (*DEFAULTS, *filter(_is_numbered, kept)):
        if key not in state or key not in seen:
            state[key] = state.get(key, kept.get(key, DEFAULTS.get(key)))


def look_around(*, whole: bool) -> None:
    """Note which widgets the run that ends has drawn; of one cut short, what it did not come to may still be on screen."""
    seen = set() if whole else set(st.session_state.get("_on_screen", ()))
    for key in (*DEFAULTS, *_numbered()):
        try:
            if key in st.session_state:
                st.session_state[key] = st.session_state[key]
        except StreamlitAPIException:  # Streamlit's way to say that the widget is on screen
            seen.add(key)
    st.session_state["_on_screen"] = seen


def on_screen(key: str) -> bool:
    """Whether the run before has drawn the widget of one of the keys kept."""
    return key in st.session_state.get("_on_screen", ())


def keep(ticket: str) -> None:
    """Write what was typed and chosen to disk, when it changed."""
    draft = {key: st.session_state.get(key, value) for key, value in DEFAULTS.items()}
    draft |= {key: st.session_state[key] for key in (*_FREE, *_numbered()) if key in st.session_state}
    if st.session_state.get("_kept") != draft and not st.session_state.get("_elsewhere"):
        if Inbox().load_draft(ticket).get("_turn", 0) != st.session_state.get("_turn", 0):
            st.session_state["_elsewhere"] = True  # said by the next run, which comes at once
            st.rerun()
        st.session_state["_turn"] = st.session_state.get("_turn", 0) + 1
        Inbox().save_draft(ticket, draft | {"_turn": st.session_state["_turn"]})
        st.session_state["_kept"] = draft


def warn_of_another_window(ticket: str) -> None:
    """Where another window with this page's address has typed since: say so, and write nothing over it unasked."""
    if not st.session_state.get("_elsewhere"):
        return
    st.warning("Another window has this page open and has changed something since. What you type here is not kept.")
    with st.container(horizontal=True):
        if st.button("Show what stands there", key="take_theirs"):
            del st.session_state["ticket"], st.session_state["_elsewhere"]
            st.rerun()
        if st.button("Go on here", key="keep_mine"):
            st.session_state["_turn"] = Inbox().load_draft(ticket).get("_turn", 0)
            st.session_state["_elsewhere"] = False
            st.session_state["_kept"] = None
            st.rerun()


def _numbered() -> list[str]:
    """Keys of the widgets that come by number."""
    return [k for k in map(str, st.session_state) if _is_numbered(k)]


def _is_numbered(key: str) -> bool:
    return key.startswith(PREFIXES) and key not in DEFAULTS


def photos(ticket: str) -> list[Chosen]:
    """Photos of the inbox, newest first, then the samples."""
    mine = [Chosen(p.path, p.name, p.sha256, ticket, p.set_id) for p in reversed(Inbox().photos(ticket))]
    return mine + [Chosen(s.path, f"sample: {s.title}", s.sha256, "sample", s.set_id) for s in list_samples()]


def taken(ticket: str) -> list[Chosen]:
    """One's own photos, newest first; at a seam's page only that seam's."""
    seam = at_seam()
    return [p for p in photos(ticket) if p.where != "sample" and (not seam or seam_of(p.sha256) == seam)]


def set_of(ticket: str, photo: Chosen) -> list[Chosen]:
    """All photos that are measured together with one, by name, with it."""
    alike = [p for p in photos(ticket) if (p.where, p.set_id) == (photo.where, photo.set_id)]
    seam = seam_of(photo.sha256)
    return sorted((p for p in alike if p == photo or seam_of(p.sha256) == seam), key=lambda p: p.name)


def rename_set(old: str, new: str) -> None:
    """What was saved by itself of a set goes on under its new name."""
    kept = dict(st.session_state.get("kept_shots", {}))
    if old in kept:
        kept[new] = kept.pop(old)
        st.session_state["kept_shots"] = kept


def rule() -> DecisionRule:
    """The decision rule chosen in Decide, by which the whole page judges."""
    name, risk = st.session_state["rule"], st.session_state["risk"]
    return DecisionRule(name=name, risk=risk / 100) if name == "risk" else DecisionRule(name=name)


def text(key: str) -> str:
    """What stands in a field."""
    return str(st.session_state[key]).strip()


def choose(sha256: str) -> None:
    """Put a photo on screen."""
    st.session_state["photo"] = sha256


def at_seam() -> int:
    """Number of the seam whose page is open; 0 where photos are taken for none."""
    if st.session_state["what_for"] != "For a job":
        st.session_state["at_seam"] = 0
    return int(st.session_state.get("at_seam", 0))


def seam_of(sha256: str) -> int:
    """The seam that a photo was taken for; 0: none."""
    return int(st.session_state.get("for_seam", {}).get(sha256, 0))


def give_to_seam(sha256: str, seam_id: int = 0) -> None:
    """Note that a photo shows a seam: by default the one whose page is open."""
    if seam := seam_id or at_seam():
        st.session_state["for_seam"] = {**st.session_state.get("for_seam", {}), sha256: seam}


def seam_points(sha256: str) -> tuple[tuple[float, float], ...] | None:
    """Points tapped along the seam of a photo."""
    points = st.session_state.get("seam_points", {}).get(sha256)
    return tuple((float(x), float(y)) for x, y in points) if points else None


def set_seam_points(sha256: str, points: list[list[float]] | None) -> None:
    """Keep, or with None forget, the points tapped on a photo."""
    others = {k: v for k, v in st.session_state.get("seam_points", {}).items() if k != sha256}
    st.session_state["seam_points"] = others | ({sha256: points} if points else {})


def key_of(together: Sequence[Chosen]) -> str:
    """What a set of photos is remembered by, as long as none comes or goes."""
    return "+".join(photo.sha256 for photo in together)


def excluded_before(together: Sequence[Chosen]) -> bool:
    """Whether spans were left out when one of these photos was measured alone or with others."""
    kept = st.session_state.get("excluded", {})
    return any(spans and photo.sha256 in key for key, spans in kept.items() for photo in together)


def excluded(sha256: str) -> tuple[LeftOut, ...]:
    """Spans of a photo that a person has left out."""
    return tuple(LeftOut(**span) for span in st.session_state.get("excluded", {}).get(sha256, []))


def set_excluded(sha256: str, spans: Sequence[LeftOut]) -> None:
    """Keep the spans left out of a photo."""
    kept = [asdict(span) for span in spans]
    st.session_state["excluded"] = {**st.session_state.get("excluded", {}), sha256: kept}
