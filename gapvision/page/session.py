"""What the page remembers between two runs of its script: in the session, and on disk under the ticket."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import Any

import streamlit as st
from streamlit.errors import StreamlitAPIException

from gapvision.model import DecisionRule, LeftOut
from gapvision.page.inbox import Inbox
from gapvision.samples import list_samples

#: What Decide judges by when nothing else is chosen.
OWN_TOLERANCE = "the tolerance typed in Measure"

#: Widgets whose content is kept in the draft, with what they hold at first.
DEFAULTS: dict[str, Any] = {
    "view": "Measure",
    "nominal": "3/16in",
    "tolerance": "0.5mm",
    "check_length": "",
    "check_width": "",
    "unit": "mm",
    "photo": "",
    "remarks": "",
    "who": "",
    "metal_temp": "",
    "support": "",
    "latched": False,
    "seal_fitted": False,
    "shims_tight": False,
    "hinges_tight": False,
    "doors_closed": False,
    "edges_method": "auto",
    "known_a": "not sure",
    "known_a_radius": "",
    "known_b": "not sure",
    "known_b_radius": "",
    "known_step": "",
    "known_step_u": "",
    "new_reference": "",
    "new_customer": "",
    "new_car": "",
    "new_seam": "",
    "new_side": "",
    "note_text": "",
    "job_reference": "",
    "job_customer": "",
    "job_car": "",
    "job_notes": "",
    "stage": "as found",
    "what_for": "Just measure",
    "save_job": "new ...",
    "save_seam": "new ...",
    "spec_name": OWN_TOLERANCE,
    "rule": "proven",
    "smallest_gap": "",
    "movement": "",
    "finish_stage": "bare metal",
    "finish_kinds": [],
    "risk": 5,
    "move_shift": 0.0,
    "move_turn": 0.0,
    "panel_x": 0.0,
    "panel_y": 0.0,
    "panel_turn": 0.0,
    "panel_shape": "",
    "panel_usual": "",
    "panel_side": "",
    "search": "",
    "span_from": "",
    "span_to": "",
    "span_reason": "",
}
#: Widgets that come by number (coats, films, a specification's lines, a seam's stages) begin with one of these words;
#: kept likewise.
PREFIXES = ("coats_", "film_", "spec_", "held_", "add_", "stage_", "before_", "datum_", "sheet_")


#: What else the draft holds, as it was made on the page.
_FREE = (
    "seam_points",
    "excluded",
    "newest",
    "job",
    "seam",
    "panel_drafts",
    "panel_photos",
    "plan_shown",
    "from_record",
    "decide_seam",
    "save_job_before",
)


@dataclass(frozen=True, slots=True)
class Chosen:
    """The photo on screen: where it lies, its name, its address for the browser."""

    path: Path
    name: str
    sha256: str
    where: str

    @property
    def stem(self) -> str:
        """Its name for files made from it."""
        return self.name.removeprefix("sample: ").rsplit(".", 1)[0].replace(" ", "_")

    def url(self, size: str) -> str:
        """Address of the photo, ``thumb``, ``preview`` or ``full``."""
        return f"/photo/{self.where}/{self.sha256}/{size}.jpg"


def start() -> str:
    """Find or make the ticket, and bring back the draft after a reload.

    Returns
    -------
    str
        The ticket.
    """
    inbox = Inbox()
    ticket = st.query_params.get("ticket", "")
    if not Inbox.is_ticket(ticket):
        ticket = st.session_state.get("ticket") or inbox.new_ticket()
        st.query_params["ticket"] = ticket
    if st.session_state.get("ticket") != ticket:
        first = "ticket" not in st.session_state
        st.session_state["ticket"] = ticket
        draft = st.session_state["_kept"] = inbox.load_draft(ticket)
        for key, value in DEFAULTS.items():
            if first and key in st.session_state and key not in draft:
                continue  # a fresh visit for which a view was chosen already
            kept = draft.get(key, value)
            st.session_state[key] = kept if isinstance(kept, type(value)) else value
        for key in draft:
            if key in _FREE or (key.startswith(PREFIXES) and key not in DEFAULTS):
                st.session_state[key] = draft[key]
    _hold()
    return str(ticket)


def _hold() -> None:
    """Give the widgets that were not on screen in the last run their values again: Streamlit forgets those.

    One that was on screen is left alone: a value set here goes to the browser, over what is being typed just now.
    """
    seen, kept = st.session_state.get("_on_screen", ()), st.session_state.get("_kept") or {}
    for key in (*DEFAULTS, *(k for k in kept if k.startswith(PREFIXES) and k not in DEFAULTS)):
        if key in st.session_state and key in seen:
            continue
        usual = kept.get(key, DEFAULTS.get(key))
        st.session_state[key] = st.session_state.get(key, usual)


def look_around(*, whole: bool) -> None:
    """Note which of these widgets the run that ends has drawn.

    Parameters
    ----------
    whole : bool
        False when the run was cut short by a newer one: then what it did not come to may still be on screen.
    """
    seen = set() if whole else set(st.session_state.get("_on_screen", ()))
    for key in (*DEFAULTS, *_numbered()):
        try:
            if key in st.session_state:
                st.session_state[key] = st.session_state[key]
        except StreamlitAPIException:  # Streamlit's way to say that the widget is on screen
            seen.add(key)
    st.session_state["_on_screen"] = seen


def keep(ticket: str) -> None:
    """Write what was typed and chosen to disk, when it changed."""
    draft = {key: st.session_state.get(key, value) for key, value in DEFAULTS.items()}
    draft |= {key: st.session_state[key] for key in (*_FREE, *_numbered()) if key in st.session_state}
    if st.session_state.get("_kept") != draft:
        Inbox().save_draft(ticket, draft)
        st.session_state["_kept"] = draft


def _numbered() -> list[str]:
    """Keys of the widgets that come by number."""
    return [str(k) for k in st.session_state if str(k).startswith(PREFIXES) and str(k) not in DEFAULTS]


def photos(ticket: str) -> list[Chosen]:
    """Photos of the inbox, newest first, then the samples."""
    mine = [Chosen(p.path, p.name, p.sha256, ticket) for p in reversed(Inbox().photos(ticket))]
    return mine + [Chosen(s.path, f"sample: {s.title}", s.sha256, "sample") for s in list_samples()]


def rule() -> DecisionRule:
    """The decision rule chosen in Decide, by which the whole page judges."""
    name, risk = st.session_state["rule"], st.session_state["risk"]
    return DecisionRule(name=name, risk=risk / 100) if name == "risk" else DecisionRule(name=name)


def choose(sha256: str) -> None:
    """Put a photo on screen."""
    st.session_state["photo"] = sha256


def seam_points(sha256: str) -> tuple[tuple[float, float], ...] | None:
    """Points tapped along the seam of a photo."""
    points = st.session_state.get("seam_points", {}).get(sha256)
    return tuple((float(x), float(y)) for x, y in points) if points else None


def set_seam_points(sha256: str, points: list[list[float]] | None) -> None:
    """Keep, or with None forget, the points tapped on a photo."""
    known = dict(st.session_state.get("seam_points", {}))
    if points:
        known[sha256] = points
    else:
        known.pop(sha256, None)
    st.session_state["seam_points"] = known


def excluded(sha256: str) -> tuple[LeftOut, ...]:
    """Spans of a photo that a person has left out."""
    return tuple(LeftOut(**span) for span in st.session_state.get("excluded", {}).get(sha256, []))


def set_excluded(sha256: str, spans: Sequence[LeftOut]) -> None:
    """Keep the spans left out of a photo."""
    kept = [asdict(span) for span in spans]
    st.session_state["excluded"] = {**st.session_state.get("excluded", {}), sha256: kept}
