"""The linked view of photo and profile: data for the browser's part (viewer.js)."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.reports.figures import ExtraLine, about_own_line, straightness_words
from gapvision.reports.spans import Band, find_spans, judge_stations
from gapvision.results import GapProfile, Measurement

_HERE = Path(__file__).parent
PREVIEW_PX = 1600
FULL_PX = 9000


def viewer_data(
    measurement: Measurement,
    band: Band | None,
    *,
    preview_url: str,
    full_url: str,
    unit: str = "mm",
    more: Sequence[ExtraLine] = (),
) -> dict[str, Any]:
    """Everything the browser draws, as plain lists.

    Parameters
    ----------
    measurement : Measurement
        Measured, or refused (then only the photo is shown, for tapping the seam).
    band : Band, optional
        Tolerance.
    preview_url, full_url : str
        The photo small and whole.
    unit : str
        ``mm``, ``in`` or ``fraction``.
    more : sequence of ExtraLine
        Further profiles, e.g. a forecast.
    """
    width, height = measurement.width_px, measurement.height_px
    data: dict[str, Any] = {
        "key": f"{measurement.photo_sha256}-{measurement.settings.get('seam_hint_px')}",
        "label": f"Photo {measurement.photo_file} with both edges of the seam. Arrow keys move it, plus and minus zoom.",
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
        "more": [{"label": m.label, "s": _plain(m.s_mm), "g": _plain(m.gap_mm)} for m in more],
        "band": None if band is None else {"lower": band.lower_mm, "upper": band.upper_mm, "nominal": band.nominal_mm},
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
        states=[] if band is None else judge_stations(profile, band).tolist(),
        spans=_spans(profile, band),
        runs=_runs(profile),
        start_index=_start(profile, band),
        forms=[
            {
                "letter": letter,
                "words": straightness_words(letter, form),
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


def _plain(values: NDArray[np.float64], decimals: int = 4) -> list[float | None]:
    """A list that JSON can carry: NaN becomes null."""
    return [round(float(v), decimals) if np.isfinite(v) else None for v in values]


def _spans(profile: GapProfile, band: Band | None) -> list[dict[str, Any]]:
    return [
        {
            "state": span.state,
            "from": span.from_mm,
            "to": span.to_mm,
            "first": int(np.searchsorted(profile.s_mm, span.from_mm - 1e-6)),
            "stop": int(np.searchsorted(profile.s_mm, span.to_mm + 1e-6)),
        }
        for span in find_spans(profile, band)
    ]


def _runs(profile: GapProfile) -> list[list[int]]:
    cuts = (np.flatnonzero(np.diff(profile.s_mm) > 1.5 * profile.spacing_mm) + 1).tolist()
    bounds = [0, *cuts, len(profile.s_mm)]
    return [[i, k] for i, k in itertools.pairwise(bounds)]


def _start(profile: GapProfile, band: Band | None) -> int:
    """Station shown first: the one furthest from nominal, or the middle."""
    if band is None:
        return len(profile.s_mm) // 2
    return int(np.argmax(np.abs(profile.gap_mm - band.nominal_mm)))


def register() -> Any:
    """Make the component; called once per process."""
    import streamlit as st

    html, css, js = ((_HERE / f"viewer.{part}").read_text(encoding="utf-8") for part in ("html", "css", "js"))
    return st.components.v2.component("gapvision_viewer", html=html, css=css, js=js)
