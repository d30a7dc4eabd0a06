"""A measurement as plain text for the terminal."""

from __future__ import annotations

import numpy as np

from gapvision import words
from gapvision.model import HOLE, Measurement, Verdict
from gapvision.units import format_fraction
from gapvision.words import MM

_STEP_MM = 10.0


def describe(measurement: Measurement, verdict: Verdict | None = None) -> str:
    """Everything a person wants to read first, ending in a newline.

    Parameters
    ----------
    measurement : Measurement
        Measured or refused.
    verdict : Verdict, optional
        The decision by one wanted gap; without it no spans are listed.
    """
    lines = [f"{measurement.photo.file}: {words.STATUS[measurement.status]}"]
    if measurement.profile is not None:
        lines += ["", *_summary(measurement), "", *_stations(measurement)]
        if verdict is not None:
            lines += ["", *_spans(verdict)]
    for notice in measurement.notices:
        message, advice = words.notice(notice, MM)
        lines += ["", f"{notice.kind}: {message}", f"  {advice} [{notice.code}]"]
    return "\n".join(lines) + "\n"


def _summary(m: Measurement) -> list[str]:
    profile, summary = m.profile, m.summary
    if profile is None or summary is None or not len(profile.s_mm):
        return []
    u = profile.expanded_u_mm
    worst = {"smallest": int(np.argmin(profile.gap_mm)), "largest": int(np.argmax(profile.gap_mm))}
    rows = [("gap, mean", MM.gap(summary.mean_mm))]
    for name, k in worst.items():
        rows.append((f"gap, {name}", f"{MM.gap(profile.gap_mm[k])} at {profile.s_mm[k]:.0f} mm, U {u[k]:.2f}"))
    rows += [
        (
            "U of the gap",
            f"{np.median(u):.2f} mm in the middle of all stations, up to {u.max():.2f} mm (k = 2, about 95 %)",
        ),
        ("taper", f"{summary.taper_mm_per_m:+.1f} mm per metre"),
        ("evenness", f"{summary.std_mm:.2f} mm standard deviation"),
        ("form of edge A", words.form(m.straightness_a, MM)),
        ("form of edge B", words.form(m.straightness_b, MM)),
        (
            "step",
            f"face B {m.step.mean_mm:+.2f} mm above face A, U {m.step.expanded_u_mm:.2f}"
            if m.step is not None
            else "not known: strips on one side only"
            if m.stated_step_mm is None
            else f"face B {m.stated_step_mm:+.2f} mm above face A, as stated",
        ),
    ]
    if m.scale is not None:
        rows.append(
            (
                "seen",
                f"strips {', '.join(m.scale.strips)} from {m.scale.distance_mm:.0f} mm, "
                f"{m.scale.tilt_across_deg:+.0f} degrees across the seam, {m.scale.px_per_mm:.1f} px per mm",
            )
        )
    return [f"{name:<16}{value}" for name, value in rows]


def _stations(m: Measurement) -> list[str]:
    """Every 10 mm, two columns of stations side by side would be hard to read: one line each."""
    profile = m.profile
    if profile is None or not len(profile.s_mm):
        return []
    lines = ["station    gap       gap     U", "   [mm]   [mm]      [in]  [mm]"]
    first = np.ceil(profile.s_mm[0] / _STEP_MM) * _STEP_MM
    for station in np.arange(first, profile.s_mm[-1] + 1e-6, _STEP_MM):
        k = int(np.argmin(np.abs(profile.s_mm - station)))
        if abs(profile.s_mm[k] - station) > profile.spacing_mm:
            lines.append(f"{station:7.0f}      -         -     -")
            continue
        fraction = format_fraction(profile.gap_mm[k]).removesuffix(" in")
        lines.append(f"{station:7.0f} {profile.gap_mm[k]:6.2f} {fraction:>9} {profile.expanded_u_mm[k]:5.2f}")
    return lines


def _spans(verdict: Verdict) -> list[str]:
    """Limits and decision, then every span to look at, numbered as in the plots."""
    low, high, middle = (float(v[0]) for v in (verdict.lower_mm, verdict.upper_mm, verdict.nominal_mm))
    head = f"tolerance {low:.2f} to {high:.2f} mm around {MM.gap(middle)}: {verdict.state}"
    if not verdict.marked:
        return [f"{head}, the whole measured seam"]
    lines, number = [head], 0
    for span in verdict.marked:
        start, stop = span.whole_mm
        where = f"{start:5d} to {stop} mm"
        if span.state == HOLE:
            lines.append(f"  -  {where}: {words.span_state(span)}")
            continue
        number += 1
        lines.append(f"  {number:<2} {where}: {words.span_state(span)}, worst {words.worst(span, MM)}")
    return lines
