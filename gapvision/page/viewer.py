"""The linked view of photo and profile: data for the browser's part (viewer.js)."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.runs import holes, runs
from gapvision.model import HOLE, IN, OPEN, ExtraLine, GapProfile, LeftOut, Measurement, Span, Verdict
from gapvision.reports.figures import about_own_line, look_of
from gapvision.words import Lengths
from gapvision.words import form as form_words

_HERE = Path(__file__).parent
PREVIEW_PX = 1600
FULL_PX = 9000


def viewer_data(
    measurement: Measurement,
    verdict: Verdict | None = None,
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
    verdict : Verdict, optional
        A judgement of this profile; without it only the holes are marked.
    preview_url, full_url : str
        The photo small and whole.
    unit : str
        ``mm``, ``in`` or ``fraction``.
    more : sequence of ExtraLine
        Further profiles, e.g. a forecast.
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
        "unit": unit,
        "s": [],
        "g": [],
        "u": [],
        "ax": [],
        "ay": [],
        "bx": [],
        "by": [],
        "states": [],
        "spans": [],
        "runs": [],
        "forms": [],
        "more": [_extra(line) for line in more],
        "band": None,
        "tappable": tappable,
        "start_index": 0,
    }
    profile = measurement.profile
    if profile is None or not len(profile.s_mm):
        return data
    data.update(
        s=_plain(profile.s_mm, 3),
        g=_plain(profile.gap_mm, 4),
        u=_plain(profile.expanded_u_mm, 4),
        ax=_plain(profile.edge_a_px[:, 0], 2),
        ay=_plain(profile.edge_a_px[:, 1], 2),
        bx=_plain(profile.edge_b_px[:, 0], 2),
        by=_plain(profile.edge_b_px[:, 1], 2),
        runs=_runs(profile),
        **_judged(profile, verdict, measurement.left_out),
        forms=[
            {
                "letter": letter,
                "words": f"Edge {letter}: {form_words(form, Lengths(unit))}",
                "about": "parabola" if measurement.seam_kind == "curved" else "line",
                "y": _plain(about_own_line(profile.s_mm, offset, curved=measurement.seam_kind == "curved")),
                "u": _plain(u),
            }
            for letter, offset, u, form in (
                ("A", profile.edge_a_mm, profile.edge_a_u_mm, measurement.straightness_a),
                ("B", profile.edge_b_mm, profile.edge_b_u_mm, measurement.straightness_b),
            )
        ],
    )
    return data


def _extra(line: ExtraLine) -> dict[str, Any]:
    """A further profile; ``u`` is null where its U is not known."""
    u = line.expanded_u_mm
    return {
        "label": line.label,
        "s": _plain(line.s_mm),
        "g": _plain(line.gap_mm),
        "u": None if u is None else _plain(u),
    }


def _plain(values: NDArray[np.float64], decimals: int = 4) -> list[float | None]:
    """A list that JSON can carry: NaN becomes null."""
    return [round(float(v), decimals) if np.isfinite(v) else None for v in values]


def _judged(profile: GapProfile, verdict: Verdict | None, left_out: Sequence[LeftOut]) -> dict[str, Any]:
    """Limits, states, spans and the station shown first: the one furthest beyond, or the middle."""
    n = len(profile.s_mm)
    band, states, start = None, ["in"] * n, n // 2
    spans: Sequence[Span] = holes(profile.s_mm, profile.spacing_mm)
    if verdict is not None:
        band = {"lower": _plain(verdict.lower_mm), "upper": _plain(verdict.upper_mm)}
        spans = verdict.marked
        looks = {IN: "in", OPEN: "unproven"}
        states = [looks.get(state, side) for state, side in zip(verdict.states, verdict.sides, strict=True)]
        if verdict.worst is not None:
            start = int(np.argmin(np.abs(profile.s_mm - verdict.worst.worst_at_mm)))
    return {
        "band": band,
        "states": states,
        "spans": [_span(profile, span) | {"reason": reason_of(span, left_out)} for span in spans],
        "start_index": start,
    }


def reason_of(span: Span, left_out: Sequence[LeftOut]) -> str:
    """Why a hole is there: the reason a person gave, or nothing."""
    if span.state != HOLE:
        return ""
    return "; ".join(x.reason for x in left_out if x.from_mm < span.to_mm and x.to_mm > span.from_mm)


def _span(profile: GapProfile, span: Span) -> dict[str, Any]:
    return {
        "state": look_of(span),
        "from": span.from_mm,
        "to": span.to_mm,
        "first": int(np.searchsorted(profile.s_mm, span.from_mm - 1e-6)),
        "stop": int(np.searchsorted(profile.s_mm, span.to_mm + 1e-6)),
    }


def _runs(profile: GapProfile) -> list[list[int]]:
    return [list(run) for run in runs(profile.s_mm, profile.spacing_mm)]


def register() -> Any:
    """Make the component; called once per process."""
    import streamlit as st

    html, css, js = ((_HERE / f"viewer.{part}").read_text(encoding="utf-8") for part in ("html", "css", "js"))
    return st.components.v2.component("gapvision_viewer", html=html, css=css, js=js)
