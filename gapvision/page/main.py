"""The page: choose a view and show it; a fault in one view leaves the others and all photos alone."""

from __future__ import annotations

import logging
from collections.abc import Callable

import streamlit as st

from gapvision.errors import GapvisionError
from gapvision.page import (
    car_view,
    decide_view,
    jobs_view,
    measure_view,
    panel_view,
    prove_view,
    save_view,
    session,
    widgets,
)
from gapvision.page.books import records
from gapvision.page.looks import CSS, STALE

_LOG = logging.getLogger(__name__)

VIEWS: dict[str, Callable[[str], None]] = {
    "Car": car_view.show,
    "Measure": measure_view.show,
    "Decide": decide_view.show,
    "Jobs": jobs_view.show,
    "Panels": panel_view.show,
    "Prove": prove_view.show,
}
#: Done once a year: reached from Jobs, and in the row of views only while it is open.
_SELDOM = "Prove"


def show() -> None:
    """One run of the page."""
    st.set_page_config(page_title="gapvision", layout="wide", initial_sidebar_state="collapsed")
    st.html(CSS)
    st.html(STALE)
    whole = False
    try:
        ticket = session.start()
        # Another view, or another choice in one, can be asked for only before its widgets are drawn.
        for key, value in st.session_state.pop("go", {}).items():
            st.session_state[key] = value
        home = "Car" if records().jobs("", limit=1) else "Measure"  # the car first; without one, what a photo gives
        if st.session_state.get("view") not in VIEWS:
            asked = str(st.query_params.get("view", ""))
            st.session_state["view"] = asked if asked in VIEWS else home
        # Bound to the address, so that the browser's way back leads to the view before.
        name = st.segmented_control(
            "View", [x for x in VIEWS if x != _SELDOM or st.session_state["view"] == x], key="view", label_visibility="collapsed", bind="query-params"
        )
        name = name or home  # back where the address said no view yet
        session.warn_of_another_window(ticket)
        st.title(save_view.title() if name == "Measure" else name, anchor=False)
        VIEWS[name](ticket)
        if name == "Jobs" and st.button("Prove this phone with gauge pieces", key="to_prove", width="stretch"):
            st.session_state["go"] = {"view": _SELDOM}
            st.rerun()
        with st.container(key="gv_unit"):  # at the foot on a phone, at the top where there is room
            widgets.unit_switch()
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
