"""The answer in a few sentences: what is wrong, where, by how much; each fault said once."""

from __future__ import annotations

import numpy as np

from gapvision.model import HOLE, IN, OPEN, OUT, Measurement, Span, Verdict
from gapvision.words.lengths import Lengths
from gapvision.words.notices import notice
from gapvision.words.verdict import HEED, STATUS, check, first_up, reasons, rule, worst_place

_FULLY = 3  # more spans than this are told by their places alone


def answer(verdict: Verdict, say: Lengths) -> str:
    """What a verdict comes to.

    Parameters
    ----------
    verdict : Verdict
        The decision.
    say : Lengths
        The unit.

    Returns
    -------
    str
        Sentences: spans out of tolerance, worst first; what is not proven, not measured; failed checks; the rest.
    """
    out = sorted((x for x in verdict.marked if x.state == OUT), key=lambda x: -x.excess_mm)
    told = [f"{first_up(_way(x))} {_from(x, say)}, worst {worst_place(x, verdict, say)}." for x in out[:_FULLY]]
    if out[_FULLY:]:
        told.append(f"Also out of tolerance {_places(out[_FULLY:], say)}.")
    unsure = [x for x in verdict.marked if x.state == OPEN]
    if unsure:
        worst = max(unsure, key=lambda x: x.excess_mm)
        why = ": a limit lies within U" if out else f", worst {worst_place(worst, verdict, say)}: a limit lies within U"
        told.append(f"Not proven {_places(unsure, say)}{why}.")
    told += filter(None, [not_measured(verdict, say)])
    failed = [f"{first_up(check(c, say))}." for c in verdict.checks if c.state != IN]
    if IN in verdict.states:
        told.append(f"The rest is {IN}." if told else _all_in(verdict, say) if not failed else _EVERY)
    told += failed
    told += reasons([x for x in verdict.reasons if x.kind in ("u too large", "u ignored", "as written")], (), say)
    if verdict.doubtful:
        told.append(HEED)
    return " ".join(told)


def not_measured(verdict: Verdict, say: Lengths) -> str:
    """Where the seam has holes, in a sentence; empty where it has none."""
    holes = [x for x in verdict.marked if x.state == HOLE]
    return f"Not measured {_places(holes, say)}." if holes else ""


_EVERY = "Every measured station is in tolerance."


def basis(verdict: Verdict, say: Lengths) -> str:
    """By what it was judged: limits, rule, U with its coverage factor."""
    low, high, wanted = verdict.lower_mm, verdict.upper_mm, verdict.nominal_mm
    ends = (0, -1) if np.ptp(wanted) > 1e-9 else (0,)
    limits = ", running to ".join(
        f"{say.limits(float(low[i]), float(high[i]))} around {say.gap(float(wanted[i]))}" for i in ends
    )
    usual, largest = (say.small(float(u)) for u in (np.median(verdict.expanded_u_mm), verdict.expanded_u_mm.max()))
    return (
        f"Limits: {limits}. Rule: {rule(verdict.rule)}. U is {usual} or less at half of the stations, {largest} "
        f"at the worst; k = {verdict.coverage_factor:g} (about 95 %)."
    )


def as_measured(measurement: Measurement, say: Lengths) -> str:
    """What was measured, where nothing is known to judge it by.

    Parameters
    ----------
    measurement : Measurement
        With a profile that has stations.
    """
    profile = measurement.profile
    if profile is None:
        raise ValueError("measurement: expected one with a profile")
    mean = f"Mean gap {say.gap(float(profile.gap_mm.mean()))}"
    return f"{mean}, {_extremes(profile.gap_mm, profile.expanded_u_mm, profile.s_mm, say)}."


def about(measurement: Measurement, verdict: Verdict | None, say: Lengths) -> list[tuple[str, str]]:
    """What a table of stations is of: photo, answer, by what it was judged, U, sheet, what the photo's notices say."""
    scale, profile = measurement.scale, measurement.profile
    rows = [row for photo in measurement.photos for row in (("photo", photo.file), ("SHA-256", photo.sha256))]
    rows.append(("status", STATUS[measurement.status]))
    if verdict is not None:
        rows += [("verdict", verdict.state), ("answer", answer(verdict, say)), ("judged by", basis(verdict, say))]
    elif profile is not None and len(profile.s_mm):
        rows.append(("answer", as_measured(measurement, say)))
    rows.append(("U", "expanded uncertainty, coverage factor k = 2, about 95 %"))
    if scale is not None:
        checked = "measured" if scale.print_scale_checked else "not measured"
        rows += [("strips", ", ".join(scale.strips)), ("check lines of the sheet", checked)]
    return rows + [(n.kind, " ".join(notice(n, say))) for n in measurement.notices]


def _all_in(v: Verdict, say: Lengths) -> str:
    where = say.stretch(float(v.s_mm[0]), float(v.s_mm[-1]))
    return f"In tolerance from {where}: {_extremes(v.gap_mm, v.expanded_u_mm, v.s_mm, say)}."


def _extremes(gap_mm: np.ndarray, u_mm: np.ndarray, s_mm: np.ndarray, say: Lengths) -> str:
    least, most = int(np.argmin(gap_mm)), int(np.argmax(gap_mm))
    ends = [f"{say.gap(float(gap_mm[k]))} at {say.place(float(s_mm[k]))}" for k in (least, most)]
    u = say.small(float(max(u_mm[least], u_mm[most])))
    return f"smallest {ends[0]}, largest {ends[1]}, U {u}"


def _way(span: Span) -> str:
    return f"too {span.side}" if span.side else span.state


def _from(span: Span, say: Lengths) -> str:
    start, stop = span.whole_mm
    return f"from {say.stretch(start, stop)}" if start != stop else f"at {say.place(start)}"


def _places(spans: list[Span], say: Lengths) -> str:
    told = [_from(x, say) for x in sorted(spans, key=lambda x: x.from_mm)]
    return " and ".join([", ".join(told[:-1]), told[-1]] if told[1:] else told)
