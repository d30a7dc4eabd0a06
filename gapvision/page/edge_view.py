"""Measure, where only one edge is there: its line on the photo, and the template of the part to be made."""

from __future__ import annotations

from dataclasses import replace

import streamlit as st

from gapvision.model import EdgeAlone, Settings
from gapvision.page import service, session, widgets
from gapvision.page.session import Chosen


def offer(photo: Chosen, settings: Settings | None) -> None:
    """The fields of one edge alone, closed until they are wanted; nothing is measured before it is asked for."""
    with st.expander("Only one edge is there: make the part", key="one_edge_box"):
        st.write(
            "For an opening before its cover is there. Lay all strips on the panel whose edge is meant. What is stated "
            "of edge A above, and whether it goes all round, counts here too."
        )
        st.checkbox("Measure the edge in this photo", key="one_edge")
        if st.session_state["one_edge"] and settings is not None:
            with widgets.telling(), st.spinner("Measuring", show_time=False):
                _show(photo, _measured(photo, settings))


def _measured(photo: Chosen, settings: Settings) -> EdgeAlone:
    def work() -> EdgeAlone:
        from gapvision.intake.photo import read_photo
        from gapvision.one_edge import measure_edge

        return measure_edge(read_photo(photo.path, photo.name), asked)

    asked = replace(settings, edge_b=None, edge_b_radius_mm=None, step_mm=None, tolerance_mm=None, left_out=())
    return service.remembered(("one edge", photo.sha256, asked), work)


def _show(photo: Chosen, measured: EdgeAlone) -> None:
    from gapvision import words
    from gapvision.formats.edge_json import to_dict
    from gapvision.formats.measurement_json import content_bytes
    from gapvision.intake.photo import read_colour
    from gapvision.judgement.part import part_drawing
    from gapvision.reports.overlay import draw_edge_line, overlay_bytes

    say = widgets.lengths()
    told = words.edge_line(measured, say)
    st.write(told or "No edge could be measured.")
    for notice in measured.notices:
        st.write(" ".join(words.notice(notice, say)))
    picture = draw_edge_line(read_colour(photo.path, max_side_px=1200), measured)
    st.image(overlay_bytes(picture, "JPEG"), caption="The line that was measured, a tick every 10 mm")
    if measured.profile is None:
        return
    widgets.text_fields(("Wanted gap round the part", "part_gap", "e.g. 4mm or 3/16in"), ("The part is called", "part_name", ""))
    gap = session.text("part_gap")
    files = [("The edge as a file, JSON", f"{photo.stem}.edge.json", lambda: content_bytes(to_dict(measured)))]
    if gap:
        drawing = part_drawing(measured, widgets.typed_length(gap), session.text("part_name"))
        files += widgets.template_files([drawing], "part")
        st.write(
            "Print the template at 100 % and measure its check lines with a steel rule. Cut outside the line by its U "
            "and file to fit; metal for a fold comes on top."
        )
    widgets.downloads(files, "one_edge")
