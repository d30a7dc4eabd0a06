"""The linked view of photo and profile: data for the browser's part (viewer.js), which only paints."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gapvision.model import OUT, ExtraLine, FloatArray, GapProfile, Measurement, Verdict
from gapvision.reports.profile_picture import (
    EDGE_A,
    EDGE_B,
    ProfilePicture,
    as_plain,
    build_form,
    build_picture,
    marks_along,
)
from gapvision.words import Lengths

_HERE = Path(__file__).parent
PREVIEW_PX = 1600
FULL_PX = 9000


def viewer_data(
    measurement: Measurement,
    verdict: Verdict | None,
    *,
    preview_url: str,
    full_url: str,
    unit: str = "mm",
    more: Sequence[ExtraLine] = (),
    tappable: bool = False,
) -> dict[str, Any]:
    """Everything the browser draws, as plain lists.

    Parameters
    ----------
    measurement : Measurement
        Measured, or refused (then only the photo is shown, for tapping the seam).
    verdict, unit, more
        As :func:`gapvision.reports.profile_picture.build_picture`.
    preview_url, full_url : str
        The photo small and whole.
    tappable : bool
        Whether points along the seam may be tapped, and spans left out.
    """
    width, height = measurement.photo.width_px, measurement.photo.height_px
    data: dict[str, Any] = {
        "key": f"{measurement.photo.sha256}-{measurement.settings.seam_hint_px}",
        "label": f"Photo {measurement.photo.file} with both edges of the seam. Arrow keys move it, plus and minus zoom.",
        "width": width,
        "height": height,
        "preview_url": preview_url,
        "full_url": full_url,
        "preview_scale": min(1.0, PREVIEW_PX / max(width, height)),
        "tappable": tappable,
        "picture": None,
        "places": [],
        "edges": [],
    }
    profile = measurement.profile
    if profile is None or not len(profile.s_mm):
        return data
    picture, say = build_picture(measurement, verdict, more, unit), Lengths(unit)
    start = len(profile.s_mm) // 2
    if verdict is not None and verdict.worst is not None:
        start = int(np.argmin(np.abs(profile.s_mm - verdict.worst.worst_at_mm)))
    return data | {
        "picture": as_plain(picture),
        "form": as_plain(build_form(measurement, unit)),
        "edges": [
            {"letter": letter, "colour": colour, "dash": dash, "px": np.round(px, 2).tolist()}
            for letter, colour, dash, px in (
                ("A", EDGE_A, "", profile.edge_a_px),
                ("B", EDGE_B, "9 4", profile.edge_b_px),
            )
        ],
        "marks_along": marks_along(profile.s_mm, unit),
        "places": [say.place(float(s)) for s in profile.s_mm],
        "readings": _readings(picture, profile, verdict, say),
        "start_index": start,
    }


def _readings(picture: ProfilePicture, profile: GapProfile, verdict: Verdict | None, say: Lengths) -> list[str]:
    """What each station says: gap, U, state, and the further lines where they have a station beside it."""

    def told(gap: float, u: float | None) -> str:
        return say.gap(gap) + ("" if u is None else f", U {say.small(u, both=True)}")

    readings = [
        f"gap {told(g, u)}" for g, u in zip(profile.gap_mm.tolist(), profile.expanded_u_mm.tolist(), strict=True)
    ]
    if verdict is not None:
        for i, (state, side) in enumerate(zip(verdict.states, verdict.sides, strict=True)):
            readings[i] += f", too {side}" if state == OUT else f", {state}"
    for line in picture.lines[1:]:
        for i, k in enumerate(_beside(profile.s_mm, line.s)):
            if k >= 0:
                readings[i] += f"; {line.label} {told(float(line.y[k]), None if line.u is None else float(line.u[k]))}"
    return readings


def _beside(s: FloatArray, others: FloatArray) -> list[int]:
    """Index of the other line's station nearest to each, within half a millimetre; -1 where there is none."""
    if not len(others):
        return [-1] * len(s)
    near = np.searchsorted((others[1:] + others[:-1]) / 2, s)
    return [int(k) if abs(others[k] - at) <= 0.5 else -1 for k, at in zip(near, s, strict=True)]


def register() -> Any:
    """Make the component; called once per process."""
    import streamlit as st

    html, css, js = ((_HERE / f"viewer.{part}").read_text(encoding="utf-8") for part in ("html", "css", "js"))
    return st.components.v2.component("gapvision_viewer", html=html, css=css, js=js)
