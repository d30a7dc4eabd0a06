"""What papers say of a whole job: is the fit right, which panel is A, what to paint, how to check it."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence

import numpy as np

from gapvision.model import IN, OPEN, OUT, Coat, DecisionRule, FinishPlan, Measurement, Verdict
from gapvision.units import MM_PER_INCH
from gapvision.words.finish import NO_ROOM
from gapvision.words.lengths import Lengths
from gapvision.words.verdict import check_named_briefly, furthest, worst_place

#: What stands in brackets, or one length or a range in mm.
_IN_MM = re.compile(r"\([^()]*\)|([+-]?\d+(?:\.\d+)?(?: to [+-]?\d+(?:\.\d+)?)?) mm\b(?! per| \([^()]* in\))")
#: Begins the notes of a job that nobody took for a customer; every paper about it says so.
INVENTED = "Everything in this job is invented."
_SQUARE_MM = 12.0  # of the printed strip
_MOST_NAMES, _SHORT_NAME, _LONGEST_NAME = 3, 30, 80

#: A decision rule for who never heard of one.
_PLAIN_RULES = {
    "proven": "A seam counts as right only where the gap with all its doubt (U) lies inside the limits.",
    "simple": "A seam counts as right where the measured gap lies inside the limits; the doubt of the measurement (U) "
    "is not counted.",
    "risk": "A seam counts as right where the gap lies inside the limits with a probability of {sure:g} % and more.",
}


def fit_answer(
    seams: Sequence[tuple[str, Verdict | None]], missing: Sequence[str] = (), numbers: Sequence[int] = ()
) -> str:
    """Is the fit right?  One sentence.

    Parameters
    ----------
    seams : sequence of (name, Verdict or None)
        What was measured, in the order of its numbers; None: nobody said what is wanted.
    missing : sequence of str
        Seams that were not measured.
    numbers : sequence of int
        What each of those measured is called by; default: counted from 1.
    """
    by: dict[str, list[tuple[int, str, str]]] = {state: [] for state in (IN, OUT, OPEN, "")}
    for number, (name, verdict) in zip(numbers or range(1, len(seams) + 1), seams, strict=True):
        by["" if verdict is None else verdict.state].append((number, name, which_way(verdict)))
    heed = any(v is not None and v.doubtful for _, v in seams)
    if by[OUT]:
        lead = "No"
    elif by[OPEN]:
        lead = "Not proven"
    elif by[""] or missing:
        lead = "Not known of all" if by[IN] else "Not known"
    else:
        lead = "Yes, if the photos can be trusted (see the warnings)" if heed else "Yes"
    if len(seams) == 1 and not missing:
        name, verdict = seams[0]
        said = "was measured, but nobody stated what gap is wanted"
        if verdict is not None:
            state = f"is {verdict.state}{' either way' if verdict.state == OPEN else ''}"
            said = ", ".join(filter(None, (state, which_way(verdict))))
        return f"{lead}: {_cut(name)} {said}."
    many, told = len(seams) + len(missing), list[str]()
    if by[IN]:
        told.append(f"{_of(len(by[IN]), many)} in tolerance")
    for state, one, several in (
        (OUT, "is out of tolerance", "are out of tolerance"),
        (OPEN, "is not proven either way", "are not proven either way"),
        ("", "was measured without a wanted gap to judge by", "were measured without a wanted gap to judge by"),
    ):
        if found := by[state]:
            told.append(f"{len(found)} {one if len(found) == 1 else several} ({_which(found)})")
    if missing:
        told.append(f"{len(missing)} {'was' if len(missing) == 1 else 'were'} not measured")
    return f"{lead}: {', '.join(told)}."


def worst_seam(seams: Sequence[tuple[str, Verdict | None]], say: Lengths, numbers: Sequence[int] = ()) -> str:
    """Which seam is furthest out, where and by how much; empty where none is out and all is proven.

    ``seams`` and ``numbers`` as in :func:`fit_answer`.
    """
    counted = zip(numbers or range(1, len(seams) + 1), seams, strict=True)
    found = [(k, name, v) for k, (name, v) in counted if v is not None]
    found = [x for x in found if x[2].by_form or (x[2].state != IN and x[2].worst and x[2].state == x[2].worst.state)]
    if not found:
        return ""
    k, name, v = max(found, key=lambda x: (*x[2].rank, -x[0]))
    told = by_letters(furthest(v, say)) if v.by_form or v.worst is None else worst_place(v.worst, v, say)
    return f"Worst: {f'{k}. {_cut(name)}, ' if seams[1:] else ''}{told}."


def which_way(verdict: Verdict | None) -> str:
    """Which way the gap of a seam is out of tolerance, or by what else it is; empty where it is not."""
    if verdict is None or verdict.state != OUT:
        return ""
    if verdict.by_form is not None:
        return by_letters(f"by its {check_named_briefly(verdict.by_form)}")
    sides = {x.side for x in verdict.spans if x.state == OUT}
    told = [f"too {side}" for side in ("tight", "wide") if side in sides]
    return told[0] if len(told) == 1 else " in one place, ".join(told) + (" in another" if told else "")


def plain_rule(by: DecisionRule) -> str:
    """A decision rule in a sentence for a customer."""
    return _PLAIN_RULES[by.name].format(sure=100 * (1 - by.risk))


def wanted_gap(verdict: Verdict, say: Lengths) -> tuple[str, str]:
    """The wanted gap and the limits of a seam; of one that runs from one width to another at its start and end."""
    low, high, wanted = verdict.lower_mm, verdict.upper_mm, verdict.nominal_mm
    ends = (0, -1) if np.ptp(wanted) > 1e-9 else (0,)
    gaps = [say.target(float(wanted[i])) for i in ends]
    limits = [say.limits(float(low[i]), float(high[i])) for i in ends]
    return (_running(gaps), _running(limits))


def wanted_briefly(verdict: Verdict, say: Lengths) -> str:
    """The wanted gap with its limits in one unit alone."""
    low, high, wanted = verdict.lower_mm, verdict.upper_mm, verdict.nominal_mm
    ends = (0, -1) if np.ptp(wanted) > 1e-9 else (0,)
    limits = [say.limits(float(low[i]), float(high[i])).partition(" (")[0] for i in ends]
    return _running([f"{say.gap_alone(float(wanted[i]))} ({x})" for i, x in zip(ends, limits, strict=True)])


#: How to tell them, for who has no names of panels.
WHICH_IS_A = "Panel A is the one on whose side the strip with the lowest letter lies."


def sides(m: Measurement, panels: Mapping[str, str] | None = None) -> str:
    """Which panel is A and which is B, as the upright photo shows them that shows most of the seam.

    ``panels`` are their names, of ``A`` and of ``B``; under an empty key a sentence about both.
    """
    p = m.profile
    if p is None or not len(p.photo):
        return ""
    photo = p.most_seen_in
    x, y = (p.edge_b_px - p.edge_a_px)[p.photo == photo].mean(0)
    a, b = ("above", "below") if abs(y) >= abs(x) else ("to the left of", "to the right of")
    if (y if abs(y) >= abs(x) else x) < 0:
        a, b = b, a
    lying = m.scale.strip_sides if m.scale is not None else {}
    on = {side: ", ".join(k for k in sorted(lying) if lying[k] == side) for side in "AB"}
    with_strips = {s: f" (strip {on[s]} lies on it)" if on[s] else "" for s in "AB"}
    names = panels or {}
    on_car = {side: f", the {names[side]}," if names.get(side) else "" for side in "AB"}
    said = f"Panel A{on_car['A']} lies {a} the gap{with_strips['A']}, panel B{on_car['B']} {b} it{with_strips['B']}."
    return " ".join(filter(None, (said, names.get("", ""), "" if {"A", "B"} & set(names) else WHICH_IS_A)))


#: A job's seams are judged with edge B as this panel's.
_BY_LETTER = {
    "this panel's edge": "edge B", "the neighbour's edge": "edge A", "this panel above its neighbour": "face B above A",
}  # fmt: skip


def by_letters(text: str) -> str:
    """A sentence about a panel and its neighbour for a paper, where nobody knows which is which."""
    for of, letter in _BY_LETTER.items():
        text = text.replace(of, letter)
    return text


def edges_made(m: Measurement, say: Lengths) -> str:
    """How both edges are made, as far as known."""
    told = []
    for letter, edge in (("A", m.edge_a), ("B", m.edge_b)):
        made = "not known" if edge is None or edge.kind == "other" else f"{edge.kind}, {edge.source}"
        radius = "" if edge is None or edge.radius_mm is None else f", radius {say.small(edge.radius_mm)}"
        told.append(f"edge {letter} {made}{radius}")
    return "; ".join(told)


def coat_row(coat: Coat, plan: FinishPlan, say: Lengths) -> tuple[str, ...]:
    """A coat for a table: kind, number, film of one coat on the flat, share left on an edge, where, state, source."""
    stays = " to ".join(f"{100 * x:.0f}" for x in dict.fromkeys(coat.stays))
    on = {"both": "both edges", "panel": "the panel's edge alone", "neighbour": "its neighbour's alone"}[coat.on]
    state = "on already" if plan.is_on(coat) else "to come"
    film = say.film(*dict.fromkeys(coat.film_um))
    return coat.kind, str(coat.coats), film, f"{stays} %", on, state, coat.source


def gap_to_keep(stations: Sequence[dict[str, float]], say: Lengths) -> str:
    """The gap to set before paint and the limits for it, from a forecast's stations; at both ends where it runs."""
    if any(x["set_from_mm"] > x["set_to_mm"] for x in stations):
        return f"none is sure: {NO_ROOM}"
    now = [x["set_now_mm"] for x in stations]
    ends = stations[:1] if max(now) - min(now) < 0.005 else (stations[0], stations[-1])
    told = [say.to_set(x["set_now_mm"], x["set_from_mm"], x["set_to_mm"]) for x in ends]
    return _running([f"{gap}, within {limits}" for gap, limits in told])


def check_by_hand(m: Measurement, say: Lengths) -> str:
    """How one station can be checked with a rule in the photo itself."""
    p = m.profile
    if p is None or not len(p.s_mm):
        return ""
    k = len(p.s_mm) // 2
    (ax, ay), (bx, by) = p.edge_a_px[k], p.edge_b_px[k]
    px, gap, u = float(np.hypot(bx - ax, by - ay)), float(p.gap_mm[k]), float(p.expanded_u_mm[k])
    square = f"{px / gap * _SQUARE_MM:.0f} pixels" if gap > 0 else "-"
    return (
        f"In '{m.photos[int(p.photo[k])].file}', station {say.place(float(p.s_mm[k]))}: edge A at x {ax:.1f}, "
        f"y {ay:.1f}, edge B at x {bx:.1f}, y {by:.1f} (pixels of the upright photo from its upper left corner), "
        f"{px:.1f} pixels apart, is told as {say.gap(gap)}, U {say.small(u)}. A square of the strip beside it "
        f"({say.small(_SQUARE_MM, alone=True)} when printed to size) must measure about {square} there, but for the "
        "camera's slant and the depth of the edges."
    )


def as_inches(text: str) -> str:
    """A sentence that was written in mm, with inches first; what tells inches beside its mm already stays."""

    def told(found: re.Match[str]) -> str:
        if found[1] is None:  # what stands in brackets
            return found[0]
        inches = " to ".join(f"{float(x) / MM_PER_INCH:.3f}" for x in found[1].split(" to "))
        return f"{inches} in ({found[1]} mm)"

    return _IN_MM.sub(told, text)


def _running(told: Sequence[str]) -> str:
    return told[0] if len(set(told)) == 1 else f"{told[0]} at the start, {told[1]} at the end"


def _of(some: int, many: int) -> str:
    return f"all {many} are" if some == many else f"{some} of {many} seams {'is' if some == 1 else 'are'}"


def _which(found: Sequence[tuple[int, str, str]]) -> str:
    """Seams by number, and by name where that is short, each with which way it is out."""
    if len(found) <= _MOST_NAMES and all(len(name) <= _SHORT_NAME for _, name, _ in found):
        return "; ".join(f"{number}. {name}{': ' * bool(way)}{way}" for number, name, way in found)
    told = (f"{number} {way}".rstrip() for number, _, way in found)
    return f"number{'s' * (len(found) > 1)} {'; '.join(told) if any(way for *_, way in found) else ', '.join(told)}"


def _cut(name: str) -> str:
    return name if len(name) <= _LONGEST_NAME else name[: _LONGEST_NAME - 1].rstrip() + "…"
