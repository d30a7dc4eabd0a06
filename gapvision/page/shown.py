"""The measurement on screen, shared by the views: photo, measurement, what is wanted."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import streamlit as st

from gapvision.errors import GapvisionError
from gapvision.formats.specification_file import specification_from_table
from gapvision.judgement import judge_measurement
from gapvision.model import ExtraLine, Measurement, Specification, Verdict
from gapvision.page import service, session
from gapvision.page.books import load, records, seam_title, stored_photo
from gapvision.page.session import Chosen
from gapvision.page.viewer import register, viewer_data
from gapvision.page.widgets import File
from gapvision.records import Seam


@dataclass(frozen=True, slots=True, eq=False)
class OnScreen:
    """What was measured or looked at last; ``seam_id`` when it is a result out of the records."""

    photo: Chosen
    measurement: Measurement
    spec: Specification | None
    seam_id: int | None = None


def remember(shown: OnScreen, measurement_id: int | None = None) -> None:
    """Keep it for the other views; of a result out of the records also its number, so that a reload finds it."""
    st.session_state["shown"] = shown
    st.session_state["from_record"] = measurement_id


def recall() -> OnScreen | None:
    """What Measure showed, or Jobs handed over, last; None before the first measurement.

    After a reload only the number of a result out of the records is known: then it is read again.
    """
    shown = st.session_state.get("shown")
    if isinstance(shown, OnScreen):
        return shown
    number = st.session_state.get("from_record")
    if not isinstance(number, int):
        return None
    try:
        line = records().line(number)
        seam, measurement = records().seam(line.seam_id), load(line)
    except GapvisionError:  # deleted in the meantime
        return None
    again = OnScreen(stored_photo(line), measurement, wanted_of(seam), seam.seam_id)
    remember(again, number)
    return again


def wanted_of(seam: Seam | None) -> Specification | None:
    """What is wanted of a seam of the records; the tolerance typed in Measure is not meant here."""
    if seam is None or not seam.spec:
        return None
    return specification_from_table(seam.spec, f"the specification of {seam_title(seam)}")


def judged(measurement: Measurement, spec: Specification | None) -> Verdict | None:
    """The decision by the rule chosen; None without a tolerance or a profile."""
    if spec is None or measurement.profile is None:
        return None
    return judge_measurement(measurement, spec, session.rule())


@lru_cache(maxsize=1)
def _component() -> Any:
    return register()


def draw_viewer(photo: Chosen, measurement: Measurement, verdict: Verdict | None, key: str, **more: Any) -> Any:
    """The linked photo and profile; gives what was asked on it: ``points`` tapped, or a ``span`` to leave out."""
    data = viewer_data(
        measurement,
        verdict,
        preview_url=photo.url("preview"),
        full_url=photo.url("full"),
        unit=st.session_state["unit"],
        **more,
    )
    result = _component()(data=data, key=key, on_points_change=lambda: None, on_span_change=lambda: None)
    asked = {name: getattr(result, name, None) for name in ("points", "span")}
    return {name: value for name, value in asked.items() if value and value["key"] == data["key"]}


def plot_files(
    stem: str, measurement: Measurement, verdict: Verdict | None, unit: str, more: Sequence[ExtraLine] = ()
) -> list[File]:
    """The plot on screen, with its further lines, as files to take away."""
    return [
        (
            f"Profile, {kind.upper()}",
            f"{stem}.profile.{kind}",
            partial(service.profile_plot, measurement, verdict, unit, kind, tuple(more)),
        )
        for kind in ("png", "svg")
    ]
