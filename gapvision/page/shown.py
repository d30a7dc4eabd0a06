"""The measurement on screen, shared by the views: photo, settings, measurement, tolerance."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache, partial
from typing import Any

import numpy as np
import streamlit as st

from gapvision.errors import GapvisionError
from gapvision.formats.specification_file import specification_from_table
from gapvision.judgement import nominal_at
from gapvision.model import ExtraLine, GapProfile, Measurement, Verdict
from gapvision.page import service
from gapvision.page.books import load, records, stored_photo
from gapvision.page.session import Chosen
from gapvision.page.viewer import register, viewer_data
from gapvision.page.widgets import File
from gapvision.records import Seam
from gapvision.reports.spans import Band


@dataclass(frozen=True, slots=True, eq=False)
class OnScreen:
    """What was measured or looked at last; ``seam_id`` when it is a result out of the records."""

    photo: Chosen
    measurement: Measurement
    band: Band | None
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
    again = OnScreen(stored_photo(line), measurement, own_band(seam, measurement.profile), seam.seam_id)
    remember(again, number)
    return again


def own_band(seam: Seam, profile: GapProfile | None) -> Band | None:
    """A seam's own tolerance, where it is the same all along; the tolerance typed in Measure is not meant here."""
    if seam.spec is None or profile is None:
        return None
    spec = specification_from_table(seam.spec)
    wanted = nominal_at(spec, profile.s_mm, (float(profile.s_mm[0]), float(profile.s_mm[-1])))
    if float(np.ptp(wanted)) > 1e-9:
        return None
    return Band(float(wanted[0]), float(wanted[0]) - spec.allow_below_mm, float(wanted[0]) + spec.allow_above_mm)


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
