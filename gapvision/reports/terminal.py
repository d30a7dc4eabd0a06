"""A measurement as plain text for the terminal: the answer first, the table of stations for who asks for it."""

from __future__ import annotations

import numpy as np

from gapvision import words
from gapvision.model import Measurement, Verdict
from gapvision.reports.judgement_text import notice_lines, verdict_text, wrap
from gapvision.words import MM, Lengths

_STEP_MM = 10.0


def describe(
    measurement: Measurement, verdict: Verdict | None = None, say: Lengths = MM, *, table: bool = False
) -> str:
    """Everything a person wants to read first, ending in a newline.

    Parameters
    ----------
    measurement : Measurement
        Measured or refused.
    verdict : Verdict, optional
        The decision by one wanted gap.
    say : Lengths
        The unit.
    table : bool
        With every figure, and a station every 10 mm.
    """
    profile, title = measurement.profile, measurement.photo.file
    if verdict is not None:
        told = verdict_text(verdict, title, say, table=table)
    else:
        lines = [f"{title}: {words.STATUS[measurement.status]}"]
        if profile is not None and len(profile.s_mm):
            lines.append(wrap(words.as_measured(measurement, say)))
        told = "\n".join([*lines, *notice_lines(measurement.notices, say)]) + "\n"
    if table and profile is not None and len(profile.s_mm):
        told += "\n".join(["", *_summary(measurement, say), "", *_stations(measurement, say)]) + "\n"
    return told


def _summary(m: Measurement, say: Lengths) -> list[str]:
    profile, summary = m.profile, m.summary
    if profile is None or summary is None:
        return []
    u = profile.expanded_u_mm
    rows = [("gap, mean", say.gap(summary.mean_mm))]
    for name, k in (("smallest", int(np.argmin(profile.gap_mm))), ("largest", int(np.argmax(profile.gap_mm)))):
        at = say.place(float(profile.s_mm[k]))
        rows.append((f"gap, {name}", f"{say.gap(float(profile.gap_mm[k]))} at {at}, U {say.small(float(u[k]))}"))
    usual, most = (say.small(float(x)) for x in (np.median(u), u.max()))
    step = m.step.mean_mm if m.step is not None else m.stated_step_mm
    how = ", as stated" if m.step is None else f", U {say.small(m.step.expanded_u_mm)}"
    rows += [
        ("U of the gap", f"{usual} in the middle of all stations, up to {most} (k = 2, about 95 %)"),
        ("taper", say.slope(summary.taper_mm_per_m)),
        ("evenness", f"{say.small(summary.std_mm)} standard deviation"),
        ("form of edge A", words.form(m.straightness_a, say)),
        ("form of edge B", words.form(m.straightness_b, say)),
        (
            "step",
            "not known: strips on one side only"
            if step is None
            else f"face B {say.small(step, signed=True)} above face A{how}",
        ),
    ]
    if m.scale is not None:
        seen = f"strips {', '.join(m.scale.strips)} from {say.place(m.scale.distance_mm)}, "
        seen += f"{m.scale.tilt_across_deg:+.0f} degrees across the seam, {m.scale.px_per_mm:.1f} px per mm"
        rows += [("seen", seen), ("print scale", words.print_scale(m))]
    return [f"{name:<16}{value}" for name, value in rows]


def _stations(m: Measurement, say: Lengths) -> list[str]:
    """A station every 10 mm: place, gap in both systems, U."""
    profile = m.profile
    if profile is None:
        return []
    lines = [f"{'station':>9}  {'gap':<22} U"]
    first = np.ceil(profile.s_mm[0] / _STEP_MM) * _STEP_MM
    for station in np.arange(first, profile.s_mm[-1] + 1e-6, _STEP_MM):
        k = int(np.argmin(np.abs(profile.s_mm - station)))
        hole = abs(profile.s_mm[k] - station) > profile.spacing_mm
        gap, u = float(profile.gap_mm[k]), float(profile.expanded_u_mm[k])
        told = f"{'-':<22} -" if hole else f"{say.gap(gap):<22} {say.small(u)}"
        lines.append(f"{say.place(float(station)):>9}  {told}")
    return lines
