"""The linked view of photo and profile: data for the browser's part (viewer.js), which only paints."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gapvision.model import OUT, ExtraLine, FloatArray, Measurement, Verdict
from gapvision.reports import profile_picture as pp
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
    number: int = 0,
    low: bool = False,
) -> dict[str, Any]:
    """Everything the browser draws, as plain lists; of a refused photo only the photo, for tapping the seam.

    ``verdict``, ``unit`` and ``more`` as for :func:`gapvision.reports.profile_picture.build_picture`; the addresses are
    those of the photo small and whole; ``tappable``: points along the seam may be tapped, and spans left out;
    ``number``: which of the measurement's photos is shown, counted from 0;
    ``low``: photo and plot share the screen with more above them.
    """
    seen = measurement.photos[number]
    width, height = seen.width_px, seen.height_px
    data: dict[str, Any] = {
        "key": f"{seen.sha256}-{measurement.settings.seam_hint_px}",
        "label": f"Photo {seen.file} with both edges of the seam. Arrow keys move it, plus and minus zoom.",
        "width": width,
        "height": height,
        "preview_url": preview_url,
        "full_url": full_url,
        "preview_scale": min(1.0, PREVIEW_PX / max(width, height)),
        "tappable": tappable,
        "low": low,
        "picture": None,
        "places": [],
        "edges": [],
        "worst": False,
    }
    profile = measurement.profile_in(number)
    if profile is None or not len(profile.s_mm):
        return data
    picture, form, say = pp.build_picture(measurement, verdict, more, unit), pp.build_form(measurement, unit), Lengths(unit)
    start = len(profile.s_mm) // 2
    if verdict is not None and verdict.worst is not None:
        start = int(np.argmin(np.abs(profile.s_mm - verdict.worst.worst_at_mm)))
    plain = pp.as_plain(form)
    for line in plain["lines"]:  # they stand on the gap's stations
        del line["s"], line["runs"]
    edges = (("A", pp.EDGE_A, "", profile.edge_a_px), ("B", pp.EDGE_B, "9 4", profile.edge_b_px))
    return data | {
        "picture": pp.as_plain(picture),
        "form": plain,
        "edges": [{"letter": x, "colour": c, "dash": dash, "px": np.round(px, 2).tolist()} for x, c, dash, px in edges],
        "marks_along": pp.marks_along(profile.s_mm, unit),
        "places": [say.place(float(s)) for s in profile.s_mm],
        "readings": _readings(picture, verdict, say),
        "start_index": start,
        "worst": verdict is not None and verdict.worst is not None,
    }


def _readings(picture: pp.ProfilePicture, verdict: Verdict | None, say: Lengths) -> list[dict[str, list[Any]]]:
    """What each station says, in parts: gap, U, state, and the further lines where they have a station beside it.

    Of each part the different words, and which of them each station has: they are few, the stations many.
    """
    s, columns = picture.lines[0].s, []
    for line in picture.lines:
        beside, first = _beside(s, line.s), line is picture.lines[0]
        name = "gap" if first else f"; {line.label}"
        columns.append([f"{name} {say.gap(float(line.y[k]))}" if k >= 0 else "" for k in beside])
        if line.u is not None:
            columns.append([f", U {say.small(float(line.u[k]), both=True)}" if k >= 0 else "" for k in beside])
        if first and verdict is not None:
            told = zip(verdict.states, verdict.sides, strict=True)
            columns.append([f", too {side}" if state == OUT else f", {state}" for state, side in told])
    found: list[dict[str, list[Any]]] = []
    for column in columns:
        number = {words: k for k, words in enumerate(dict.fromkeys(column))}
        found.append({"words": list(number), "at": [number[words] for words in column]})
    return found


def reading(data: dict[str, Any], i: int) -> str:
    """What station ``i`` says, as the browser puts it together."""
    return "".join(part["words"][part["at"][i]] for part in data["readings"])


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
