"""From a measurement to a stretch of a seam on its panel: which edge is whose, which way it runs, where it lies."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from gapvision.errors import GapvisionError, require
from gapvision.judgement.compare import LAID_AGAIN_STD_U_MM, LEAST_OVERLAP_MM, datum_by_alignment, place_std
from gapvision.model import COVERAGE_FACTOR, Datum, GapProfile, Measurement, SeamReading

_LEAST_STATIONS = 10  # fewer have no waviness


def reading_from_measurement(
    measurement: Measurement,
    seam: str = "seam",
    *,
    at_mm: float | None = None,
    reverse: bool = False,
    panel_edge: str = "B",
) -> SeamReading:
    """Place a measurement on its seam.

    Parameters
    ----------
    measurement : Measurement
        Measured, not refused.
    seam : str
        Name of the seam.
    at_mm : float, optional
        Where the photo's first station, left out or not, lies along the seam [mm]; None: stations keep the photo's
        own numbers.
    reverse : bool
        True when the photo's stations run against the seam's direction; its last station then lies at ``at_mm``.
    panel_edge : str
        ``A`` or ``B``: the edge that belongs to the panel that is moved or trimmed.

    Returns
    -------
    SeamReading
        Not yet placed in the panel's plane.

    Raises
    ------
    GapvisionError
        ``measurement-was-refused``; ``seam-closes`` where a seam that goes round is to be placed on a panel.

    Notes
    -----
    In a measurement, offsets of both edges count from A towards B.  Here the
    panel's own edge counts towards its neighbour, whichever it is.
    """
    p = measurement.profile
    if p is None or len(p.s_mm) == 0:
        said = measurement.notices[0].message if measurement.notices else ""
        refused = f"'{measurement.photo.file}' was refused, so there is no gap to judge. {said}".strip()
        raise GapvisionError("measurement-was-refused", refused)
    if at_mm is not None and p.own_line:
        raise GapvisionError("seam-closes", f"The seam in '{measurement.photo.file}' goes round a lid or an opening.")
    edge = f"'{panel_edge}' is not an edge in the photo."
    require("panel-file-bad", panel_edge in ("A", "B"), edge, "Write A or B for panel_edge.")
    own = p.edge_a_mm if panel_edge == "A" else -p.edge_b_mm
    order = slice(None, None, -1) if reverse else slice(None)
    s, ends = p.s_mm[order], measurement.ends_mm
    # What was left out at an end moves the photo nowhere.
    begins = s[0] if at_mm is None or ends is None else ends[1] if reverse else ends[0]
    s = (p.s_mm[0] if at_mm is None else at_mm) + np.abs(s - begins)
    forms = (measurement.straightness_a, measurement.straightness_b)
    own_form, other_form = forms if panel_edge == "A" else forms[::-1]
    made = measurement.edge_a if panel_edge == "A" else measurement.edge_b
    step, step_u = math.nan, math.nan
    if measurement.step is not None:
        step = measurement.step.mean_mm * (1 if panel_edge == "B" else -1)
        step_u = measurement.step.expanded_u_mm
    return SeamReading(
        seam=seam,
        photo=measurement.photo.file,
        s_mm=s,
        gap_mm=p.gap_mm[order],
        expanded_u_mm=p.expanded_u_mm[order],
        panel_edge_mm=own[order],
        xy_mm=np.zeros((0, 2)),
        outward=np.zeros((0, 2)),
        spacing_mm=p.spacing_mm,
        step_mm=step,
        step_u_mm=step_u,
        panel_straightness=own_form,
        neighbour_straightness=other_form,
        curved=measurement.seam_kind == "curved",
        closed=p.own_line,
        edge_seen=made.kind if made is not None and made.kind != "other" else "",
        edge_stated=made is not None and made.source == "stated" and not made.contradicted,
        panel_on_left=_on_left(measurement, panel_edge) != reverse,
        notices=measurement.notices,
    )


def mirror(reading: SeamReading, length_mm: float | None = None) -> SeamReading:
    """Count a seam from its other end, so that left and right seams of a car can be laid on one another.

    Parameters
    ----------
    length_mm : float, optional
        Length of the seam; None: the first and last station change places.
    """
    end = float(reading.s_mm[0] + reading.s_mm[-1]) if length_mm is None else length_mm
    names = ("gap_mm", "expanded_u_mm", "panel_edge_mm", "xy_mm", "outward")
    turned = {name: getattr(reading, name)[::-1] for name in names}
    return replace(reading, s_mm=(end - reading.s_mm)[::-1], panel_on_left=not reading.panel_on_left, **turned)


def laid_on(other: SeamReading, reading: SeamReading) -> SeamReading:
    """Lay the other side's seam on ``reading``: counted the same way round, and where their waviness agrees.

    Where both have no feature in common, middle lies on middle, as people lay their strips.  What the gap does within
    the doubt of the place goes into U.
    """
    turned = mirror(other)
    shift = 0.5 * float(reading.s_mm[0] + reading.s_mm[-1] - turned.s_mm[0] - turned.s_mm[-1])
    laid, profile = Datum(kind="strip", guessed=True, shift_mm=shift, std_u_mm=LAID_AGAIN_STD_U_MM), _profile(turned)
    if min(len(reading.s_mm), len(turned.s_mm)) < _LEAST_STATIONS:
        return replace(turned, s_mm=turned.s_mm + shift)
    if min(np.ptp(reading.s_mm), np.ptp(turned.s_mm)) >= LEAST_OVERLAP_MM:
        laid = datum_by_alignment(_profile(reading), profile, guess=laid)
    std = np.hypot(turned.expanded_u_mm / COVERAGE_FACTOR, place_std(profile, turned.s_mm, laid.std_u_mm))
    return replace(turned, s_mm=turned.s_mm + laid.shift_mm, expanded_u_mm=COVERAGE_FACTOR * std)


def _profile(reading: SeamReading) -> GapProfile:
    """A stretch as a profile, to be laid on another; its places in the photo do not count."""
    r, none, nowhere = reading, np.zeros(len(reading.s_mm)), np.zeros((len(reading.s_mm), 2))
    return GapProfile(
        s_mm=r.s_mm, gap_mm=r.gap_mm, expanded_u_mm=r.expanded_u_mm, spacing_mm=r.spacing_mm,
        edge_a_mm=r.panel_edge_mm, edge_b_mm=r.panel_edge_mm + r.gap_mm,
        edge_a_px=nowhere, edge_b_px=nowhere, edge_a_u_mm=none, edge_b_u_mm=none,
    )  # fmt: skip


def _on_left(measurement: Measurement, panel_edge: str) -> bool:
    """Say on which side of increasing s the panel lies, seen from outside: from the edges' pixels (y down)."""
    p = measurement.profile_in_first
    assert p is not None
    if len(p.s_mm) < 2:
        return True
    mid = 0.5 * (p.edge_a_px + p.edge_b_px)
    along = mid[-1] - mid[0]
    to_b = np.median(p.edge_b_px - p.edge_a_px, axis=0)
    b_on_right = along[0] * to_b[1] - along[1] * to_b[0] > 0
    return bool(b_on_right) == (panel_edge == "A")
