"""The page: choose a view and show it; a fault in one view leaves the others and all photos alone."""

from __future__ import annotations

import logging
from collections.abc import Callable

import streamlit as st

from gapvision.errors import GapvisionError
from gapvision.page import decide_view, jobs_view, measure_view, panel_view, session, widgets
from gapvision.page.looks import CSS

_LOG = logging.getLogger(__name__)

VIEWS: dict[str, Callable[[str], None]] = {
    "Measure": measure_view.show,
    "Decide": decide_view.show,
    "Jobs": jobs_view.show,
    "Panels": panel_view.show,
}
_TITLES = {"Measure": "Measure a seam"}


def show() -> None:
    """One run of the page."""
    st.set_page_config(page_title="gapvision", layout="wide", initial_sidebar_state="collapsed")
    st.html(CSS)
    whole = False
    try:
        ticket = session.start()
        if st.session_state.get("view") not in VIEWS:
            st.session_state["view"] = "Measure"
        name = st.segmented_control("View", list(VIEWS), key="view", label_visibility="collapsed") or "Measure"
        with st.container(horizontal=True, vertical_alignment="center", horizontal_alignment="distribute"):
            st.title(_TITLES.get(name, name), anchor=False, width="content")
            widgets.unit_switch()
        VIEWS[name](ticket)
        session.keep(ticket)
        whole = True
    except Exception as error:
        # The one place that stops a crash (Streamlit's own control flow passes): what was typed is kept, whatever came.
        if "ticket" in st.session_state:
            session.keep(st.session_state["ticket"])
        if isinstance(error, GapvisionError):
            widgets.show_error(error)
            return
        _LOG.exception("a view failed")
        st.error("This view failed. Photos and notes are kept: reload the page to go on. The program's log says more.")
    finally:
        session.look_around(whole=whole)
