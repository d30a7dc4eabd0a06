"""A verdict in sentences: state and rule, reasons, spans, limits on the seam as a whole."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gapvision.model import HOLE, IN, OPEN, OUT, Check, DecisionRule, Reason, Span, Verdict
from gapvision.words.lengths import Lengths

#: Status of a measured photo -> words.
STATUS = {"ok": "measured", "warn": "measured, with warnings", "refused": "refused"}
#: Before what the metal may be worked by.
HEED = "The photo was measured with warnings: heed them first."
_RULES = {
    "proven": "accept only what is proven: the limits are moved inwards by U",
    "simple": "simple acceptance: the measured value alone is compared with the limits (JCGM 106)",
    "risk": "guard band by a stated risk: the probability of being in tolerance must reach 1 - risk (JCGM 106)",
}
_RULE_TITLES = {
    "proven": "accept only what is proven",
    "simple": "accept what reads inside (simple acceptance)",
    "risk": "accept up to a stated risk (JCGM 106)",
}
_CHECKS = {
    "taper": "taper beside the wanted one",
    "jump": "jump of the gap over 10 mm",
    "straightness": "straightness of {edge}",
    "straightness_100": "straightness of {edge} over 100 mm",
    "fairness": "fairness of {edge}",
    "step": "step between the faces (this panel above its neighbour)",
    "opposite": "difference to the opposite side",
}
#: The same for places with little room.
_BRIEFLY = {
    "taper": "taper",
    "jump": "jump over 10 mm",
    "straightness": "straightness",
    "straightness_100": "straightness over 100 mm",
    "fairness": "fairness",
    "step": "step",
    "opposite": "difference to the opposite side",
}
_EDGES = {"panel": "this panel's edge", "neighbour": "the neighbour's edge", "": ""}
_REASONS = {
    "out": "The gap is out of tolerance along {length}.",
    "open": "Along {length} the limit lies within U, so neither pass nor fail is proven there.",
    "holes": "{length} of the seam were not measured.",
    "u too large": "U is so large against the tolerance that most of the seam cannot be proven whatever the gap is; "
    "photograph it as the advice says, or allow more.",
    "u ignored": "Simple acceptance takes no account of U, which is as large as the tolerance at {stations:.0f} "
    "stations.",
    "all in": "Every measured station is in tolerance under the rule, and so is all else that has a limit.",
    "as written": "{text}",
}


def rule_title(name: str) -> str:
    """A decision rule in a few words, for a list to choose from."""
    return _RULE_TITLES[name]


def rule(by: DecisionRule) -> str:
    """The decision rule, with its risk where it has one."""
    return _RULES[by.name] + (f"; risk {100 * by.risk:g} %" if by.name == "risk" else "")


def verdict_sentence(v: Verdict, say: Lengths) -> str:
    """State, rule, U with its coverage factor, and whether the photo has warnings."""
    u = (float(np.median(v.expanded_u_mm)), float(v.expanded_u_mm.max()))
    return decision(v.state, v.rule, u, v.coverage_factor, say, doubtful=v.doubtful)


def decision(
    state: str, by: DecisionRule, u_mm: tuple[float, float], factor: float, say: Lengths, *, doubtful: bool
) -> str:
    """As :func:`verdict_sentence`, from the numbers that a file keeps: ``u_mm`` is U in the middle and at the worst."""
    usual, largest = (say.small(u) for u in u_mm)
    told = (
        f"{first_up(state)}. Rule: {rule(by)}. U is {usual} or less at half of the stations, {largest} at the worst; "
        f"coverage factor k = {factor:g} (about 95 %)."
    )
    return told + (f" {HEED}" if doubtful else "")


def reasons(why: Sequence[Reason], checks: Sequence[Check], say: Lengths) -> list[str]:
    """Why, in sentences; a reason of the kind ``check`` stands for one of the checks."""
    told = []
    for x in why:
        if x.kind == "check":
            told.append(f"{first_up(check(checks[int(x.values['number'])], say))}.")
        else:
            length = {"length": say.place(float(x.values["length_mm"]))} if "length_mm" in x.values else {}
            told.append(_REASONS[x.kind].format(**x.values, **length))
    return told


def check_name(of: Check) -> str:
    """What was checked."""
    return of.text or _CHECKS[of.kind].format(edge=_EDGES[of.edge])


def check_place(of: Check, say: Lengths) -> str:
    """Where along the seam, or along how much of it; empty where that says nothing."""
    if np.isfinite(of.at_mm):
        long = np.isfinite(of.over_mm)
        return f"from {say.stretch(of.at_mm, of.at_mm + of.over_mm)}" if long else f"at {say.place(of.at_mm)}"
    return f"over {say.place(of.over_mm)}" if np.isfinite(of.over_mm) else ""


def check_values(of: Check, say: Lengths, *, both: bool = False) -> tuple[str, str, str]:
    """Value, U and limit."""
    if of.unit == "mm/m":
        u = say.slope(of.expanded_u, signed=False, decimals=2)
        return say.slope(of.value, decimals=2), u, say.most_slope(of.limit)
    signed = of.kind not in ("straightness", "straightness_100", "fairness")  # which are never negative
    small = say.small(of.value, signed=signed, both=both), say.small(of.expanded_u, both=both)
    return *small, say.most(of.limit, both=both)


def check(of: Check, say: Lengths) -> str:
    """A limit on the seam as a whole: what, where, value, U, limit, state."""
    return f"{_check(of, say)}: {'too little of the seam was measured to tell' if of.state == HOLE else of.state}"


def _check(of: Check, say: Lengths) -> str:
    place, (value, u, limit) = check_place(of, say), check_values(of, say)
    where = f" ({place})" if place else ""
    return f"{check_name(of)}{where}: {value}, U {u}, limit {limit}"


def check_named_briefly(of: Check) -> str:
    """What was checked, in a word or two."""
    return of.text or _BRIEFLY[of.kind]


def check_named(of: Check, say: Lengths) -> str:
    """What was checked, value and limit, for who has to mend it."""
    value, _, limit = check_values(of, say)
    return f"{check_name(of)} {value}, limit {limit}"


def check_briefly(of: Check, say: Lengths) -> str:
    """What was checked, value, U and limit, in the unit alone: for places with little room."""
    value, u, limit = (told.partition(" (")[0] for told in check_values(of, say))
    told = f"{check_named_briefly(of)} {value}, U {u}, limit {limit}"
    return told.replace(" per metre", "/m").replace(" per foot", "/ft")


def span_state(span: Span) -> str:
    """A span's state: which way it is out, else the state itself."""
    return f"too {span.side}" if span.state == OUT and span.side else span.state


def worst(span: Span, say: Lengths, of: str = "", *, both: bool = False) -> str:
    """The worst station of a span: gap, place and, in words, of what it is counted, U."""
    if span.state == HOLE:
        return ""
    u = say.small(span.worst_u_mm, both=both)
    return f"{say.gap(span.worst_mm)} at {say.place(span.worst_at_mm)}{of}, U {u}"


def failed_checks(v: Verdict, say: Lengths) -> tuple[str, ...]:
    """The limits on the seam as a whole that the state rests on, in sentences."""
    return tuple(f"{first_up(check(c, say))}." for c in v.checks if v.state != IN and c.state == v.state)


def deciding(of: Verdict, say: Lengths, told: Sequence[str]) -> list[str]:
    """The worst gap with its limits, and what else was told; what the state rests on stands first."""
    if of.worst is None:
        return list(told)
    gap = f"{worst(of.worst, say, both=True)}. {against(of.worst, of, say)}."
    return [f"Worst: {gap}", *told] if of.state in (IN, *of.states) else [*told, f"Gap: {gap}"]


def furthest(of: Verdict, say: Lengths, counted: str = "") -> str:
    """What of a seam is worst: the worst gap with its limits, or the failed check where the gap is good.

    ``counted`` says of what its place is counted, where that is not plain.
    """
    if of.by_form is not None:
        return _check(of.by_form, say)
    return "" if of.worst is None else f"{worst(of.worst, say, counted)}. {against(of.worst, of, say)}"


def furthest_briefly(of: Verdict, say: Lengths) -> str:
    """The same for places with little room: worst gap and U, or the failed check."""
    if of.by_form is not None:
        return check_briefly(of.by_form, say)
    if of.worst is None:
        return ""
    return f"{say.gap_alone(of.worst.worst_mm)}, U {say.small(of.worst.worst_u_mm, alone=True)}"


def against(span: Span, of: Verdict, say: Lengths) -> str:
    """The limits where a span is worst, and how far its gap lies beyond or inside them; whether U is more than that."""
    k = int(np.argmin(np.abs(of.s_mm - span.worst_at_mm)))
    excess = span.excess_mm
    way = "inside" if excess <= 0 else "too tight" if span.worst_mm < of.nominal_mm[k] else "too wide"
    doubt = ", less than U" if span.state == OPEN or abs(excess) < span.worst_u_mm else ""
    limits = say.limits(float(of.lower_mm[k]), float(of.upper_mm[k]))
    return f"Limits {limits}: {say.small(abs(excess))} {way}{doubt}"


def worst_place(span: Span, of: Verdict, say: Lengths) -> str:
    """The worst station of a span: gap, place, how far from the wanted gap and its limit, U."""
    at = f"{say.gap(span.worst_mm)} at {say.place(span.worst_at_mm)}"
    return f"{at}, {_distances(span, of, say)}, U {say.small(span.worst_u_mm)}"


def _distances(span: Span, of: Verdict, say: Lengths) -> str:
    """How far the worst station of a span lies from the wanted gap, and beyond or inside its limit."""
    wanted = float(of.nominal_mm[int(np.argmin(np.abs(of.s_mm - span.worst_at_mm)))])
    off, excess = span.worst_mm - wanted, span.excess_mm
    return (
        f"{say.small(abs(off))} {'below' if off < 0 else 'above'} the wanted gap, {say.small(abs(excess))} "
        f"{'beyond' if excess > 0 else 'inside'} the limit"
    )


#: Said wherever a verdict leaves that limit out; what to do follows it.
OPPOSITE_UNCHECKED = "The limit on the difference to the other side is not checked"


def first_up(text: str) -> str:
    """Begin a sentence."""
    return text[:1].upper() + text[1:]
