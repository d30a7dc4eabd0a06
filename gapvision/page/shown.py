"""The measurement on screen, shared by the views: photo, measurement, what is wanted."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from functools import lru_cache, partial
from typing import Any, NamedTuple

import streamlit as st

from gapvision.errors import GapvisionError
from gapvision.judgement import judge_measurement
from gapvision.model import ExtraLine, Measurement, Specification, Verdict
from gapvision.page import service, session, widgets
from gapvision.page.books import load, records, stored_photo, wanted_of
from gapvision.page.session import Chosen
from gapvision.page.viewer import register, viewer_data


class OnScreen(NamedTuple):
    """What was measured or looked at last; ``seam_id`` when it is a result out of the records."""

    photo: Chosen
    measurement: Measurement
    spec: Specification | None
    seam_id: int | None = None


def remember(shown: OnScreen, measurement_id: int | None = None) -> None:
    """Keep it for the other views; of a result out of the records also its number, so that a reload finds it."""
    st.session_state["shown"] = shown
    st.session_state["from_record"] = measurement_id


def forget() -> None:
    """Nothing is on screen: what another seam showed must not be decided about in its place."""
    st.session_state["shown"] = st.session_state["from_record"] = None


def recall() -> OnScreen | None:
    """What Measure showed, or Jobs handed over, last; None before the first measurement.

    After a reload only the number of a result out of the records is known: then it is read again.
    """
    shown = st.session_state.get("shown")
    if isinstance(shown, OnScreen):
        return shown
    number = st.session_state.get("from_record")
    with suppress(GapvisionError):  # deleted in the meantime
        if isinstance(number, int):
            line = records().line(number)
            seam, measurement = records().seam(line.seam_id), load(line)
            remember(OnScreen(stored_photo(line), measurement, wanted_of(seam), seam.seam_id), number)
            return recall()
    return None


def judged(measurement: Measurement, spec: Specification | None) -> Verdict | None:
    """The decision by the rule chosen; None without a tolerance or a profile."""
    if spec is None or spec.needs_place or measurement.profile is None:
        return None
    return judge_measurement(measurement, spec, session.rule())


@lru_cache(maxsize=1)
def _component() -> Any:
    return register()


def draw_viewer(photo: Chosen, measurement: Measurement, verdict: Verdict | None, key: str, **more: Any) -> Any:
    """The linked photo and profile; gives what was asked on it: ``points`` tapped, or a ``span`` to leave out."""
    preview, full = photo.url("preview"), photo.url("full")
    data = viewer_data(measurement, verdict, preview_url=preview, full_url=full, unit=widgets.unit(), **more)
    result = _component()(data=data, key=key, on_points_change=lambda: None, on_span_change=lambda: None)
    asked = {name: getattr(result, name, None) for name in ("points", "span")}
    return {name: value for name, value in asked.items() if value and value["key"] == data["key"]}


def plot_files(
    stem: str, measurement: Measurement, verdict: Verdict | None, unit: str, more: Sequence[ExtraLine] = ()
) -> list[widgets.File]:
    """The plot on screen, with its further lines, as files to take away."""
    make = partial(service.profile_plot, measurement, verdict, unit, more)
    return [(f"Profile, {kind.upper()}", f"{stem}.profile.{kind}", partial(make, kind)) for kind in ("png", "svg")]
