"""The measurement on screen, shared by the views: photo, settings, measurement, tolerance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import streamlit as st

from gapvision.judgement import Verdict
from gapvision.page import service
from gapvision.page.session import Chosen
from gapvision.page.viewer import register, viewer_data
from gapvision.page.widgets import File
from gapvision.reports.figures import ExtraLine
from gapvision.reports.spans import Band
from gapvision.results import Measurement


@dataclass(frozen=True, slots=True, eq=False)
class Shown:
    """What was measured or looked at last; ``seam_id`` when it is a result out of the records."""

    photo: Chosen
    measurement: Measurement
    band: Band | None
    seam_id: int | None = None


def remember(shown: Shown) -> None:
    """Keep it for the other views of this session."""
    st.session_state["shown"] = shown


def recall() -> Shown | None:
    """What Measure showed, or Jobs handed over, last; None before the first measurement."""
    shown = st.session_state.get("shown")
    return shown if isinstance(shown, Shown) else None


@lru_cache(maxsize=1)
def _component() -> Any:
    return register()


def draw_viewer(photo: Chosen, measurement: Measurement, band: Band | None, key: str, **more: Any) -> Any:
    """The linked photo and profile; gives what was asked on it: ``points`` tapped, or a ``span`` to leave out."""
    data = viewer_data(
        measurement,
        band,
        preview_url=photo.url("preview"),
        full_url=photo.url("full"),
        unit=st.session_state["unit"],
        **more,
    )
    result = _component()(data=data, key=key, on_points_change=lambda: None, on_span_change=lambda: None)
    asked = {name: getattr(result, name, None) for name in ("points", "span")}
    return {name: value for name, value in asked.items() if value and value["key"] == data["key"]}


def middle_of(band: Band | None) -> tuple[float | None, float | None]:
    """Middle and half width of a band [mm], for a table that takes no other limits."""
    if band is None:
        return None, None
    return 0.5 * (band.lower_mm + band.upper_mm), 0.5 * (band.upper_mm - band.lower_mm)


def plot_files(
    stem: str,
    measurement: Measurement,
    unit: str,
    *,
    band: Band | None = None,
    verdict: Verdict | None = None,
    more: Sequence[ExtraLine] = (),
) -> list[File]:
    """The plot on screen, with its further lines, as files to take away."""
    return [
        (
            f"Profile, {kind.upper()}",
            f"{stem}.profile.{kind}",
            partial(service.profile_plot, measurement, band, unit, kind, verdict=verdict, more=tuple(more)),
        )
        for kind in ("png", "svg")
    ]
