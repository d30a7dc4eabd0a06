"""What was measured, in sentences and in a few numbers."""

from __future__ import annotations

import numpy as np

from gapvision.limits import print_scale_std
from gapvision.model import COVERAGE_FACTOR, Measurement, Straightness
from gapvision.words.lengths import Lengths


def photo_names(m: Measurement) -> str:
    """The photo's name, or of several the first, the last and how many."""
    names = [photo.file for photo in m.photos]
    return names[0] if len(names) == 1 else f"{names[0]} to {names[-1]}, {len(names)} photos"


def print_scale(m: Measurement) -> str:
    """Where the print scale comes from: along and across each sheet, and which check lines told it."""
    scale = m.scale
    known = (None, None) if scale is None else (scale.print_scale_along_u, scale.print_scale_u)
    if scale is not None and m.by_tape:
        by = "the check lines and the taped distance" if scale.print_scale_checked else "the taped distance"
        return f"{_both(scale.print_scale_along, scale.print_scale_across, known)}, by {by}"
    if m.settings.print_scale_checked:
        return f"{_both(m.settings.print_scale_along, m.settings.print_scale_across, known)}, by the check lines given"
    told = {check.sheet: check for check in m.settings.sheets}
    parts = []
    for sheet in sorted({view.sheet for view in m.photo.strips}, key=lambda n: n or 0):
        name = "strips of no known sheet" if sheet is None else f"sheet {sheet:,}".replace(",", " ")
        how = "check lines not measured"
        if check := told.get(sheet or 0):
            u_along, u_across = (COVERAGE_FACTOR * print_scale_std(True, along=a) for a in (True, False))
            how = _both(check.print_scale_along, check.print_scale_across, (u_along, u_across))
            how += f" by its check lines, {check.checked_on}"
        parts.append(f"{name}: {how}")
    return "; ".join(parts) or "check lines not measured"


def _both(along: float, across: float, known: tuple[float | None, float | None]) -> str:
    """The print scale both ways, each with its U where that is known."""
    u = ["" if value is None else f" (U {value:.4f})" for value in known]
    return f"{along:.4f} along{u[0]}, {across:.4f} across{u[1]}"


def numbers(m: Measurement, say: Lengths, taper_u: float, *, both: bool = False) -> list[tuple[str, str]]:
    """The gap of a seam in a few numbers, and the step: what each is called, and its value.

    Parameters
    ----------
    m : Measurement
        Measured or refused; a refused photo has none.
    taper_u : float
        U of the taper, as :func:`gapvision.judgement.taper_u` gives it [mm per metre].
    both : bool
        As in :meth:`Lengths.small`.
    """
    p, gap = m.profile, m.summary
    if p is None or gap is None or not len(p.s_mm):
        return []

    def at(k: int) -> str:
        u = say.small(float(p.expanded_u_mm[k]), both=both)
        return f"{say.gap(float(p.gap_mm[k]))} at {say.place(float(p.s_mm[k]))}, U {u}"

    usual, most = (say.small(float(u), both=both) for u in (np.median(p.expanded_u_mm), p.expanded_u_mm.max()))
    step = "not known: strips on one side only"
    if m.step is not None:
        u = say.small(m.step.expanded_u_mm, both=both)
        step = f"face B {say.small(m.step.mean_mm, signed=True, both=both)} above face A, U {u}"
    elif m.stated_step_mm is not None:
        step = f"face B {say.small(m.stated_step_mm, signed=True, both=both)} above face A, as stated"
    return [
        ("mean gap", f"{say.gap(gap.mean_mm)}, U {usual}"),
        ("smallest gap", at(int(np.argmin(p.gap_mm)))),
        ("largest gap", at(int(np.argmax(p.gap_mm)))),
        ("U of the gap", f"{usual} or less at half of the stations, up to {most} (k = 2, about 95 %)"),
        ("taper", f"{say.slope(gap.taper_mm_per_m)}, U {say.slope(taper_u, signed=False)}"),
        ("evenness", f"{say.small(gap.std_mm, both=both)} standard deviation"),
        ("step", step),
    ]


def form(edge: Straightness | None, say: Lengths) -> str:
    """The form of one edge, without a full stop."""
    if edge is None:
        return "too little of it could be trusted"
    if edge.fairness_mm is not None and edge.cutoff_mm is not None:
        fair = say.small(edge.fairness_mm)
        return f"curved by design, fair within {fair} of a smooth curve (waves under {say.place(edge.cutoff_mm)})"
    zone, u = say.small(edge.min_zone_mm), say.small(edge.expanded_u_mm)
    told = f"straight within {zone} over {say.place(edge.span_mm)}, U {u}"
    if edge.worst_100_mm is not None and edge.worst_100_from_mm is not None:
        start = edge.worst_100_from_mm
        long = "3.94 in (100 mm)" if say.inch else "100 mm"
        told += f"; worst {long}: {say.small(edge.worst_100_mm)}, from {say.stretch(start, start + 100)}"
    if edge.bow_mm is not None and edge.bow_u_mm is not None and edge.local_mm is not None:
        bow, doubt, way = abs(edge.bow_mm), say.small(edge.bow_u_mm), "B" if edge.bow_mm > 0 else "A"
        over = f"bows {say.small(bow)} towards {way}, U {doubt}" if bow > edge.bow_u_mm else f"no bow beyond U, {doubt}"
        told += f"; {over}; most off that arc: {say.small(abs(edge.local_mm))} at {say.place(edge.local_s_mm or 0.0)}"
    return told
