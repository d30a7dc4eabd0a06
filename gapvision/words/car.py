"""What to do to a whole car, in sentences: the hang list panel by panel, whose edge, what the car is like."""

from __future__ import annotations

import math
from collections.abc import Iterator

from gapvision.model import (
    FOLLOWERS,
    HOLE,
    IN,
    OPEN,
    OUT,
    CarPlan,
    EdgeWork,
    HangStep,
    SeamAfter,
    WaySetting,
    seam_state,
)
from gapvision.words.gauges import gauges
from gapvision.words.lengths import Lengths
from gapvision.words.plan import DEEDS, trim_span
from gapvision.words.verdict import first_up

#: Kind of adjuster -> how it is let go; common practice, no source.
_LOOSEN = {
    "slotted hinge": "scribe round it and slacken its screws until it just slides",
    "shimmed hinge": "scribe round it and slacken its bolts, the weight taken off it",
    "striker": "scribe round it and slacken it",
    "bump stop": "slacken its lock nut",
    "buffer": "slacken its lock nut",
    "catch": "slacken it",
    "wing bolt": "slacken the bolt until the wing just shifts",
}
#: Panels that are bolted on and do not open.
_BOLTED = ("front wing", "panel")
_FRACTIONS = {0.25: "1/4", 0.5: "1/2", 0.75: "3/4"}


def car_words(plan: CarPlan, say: Lengths) -> str:
    """The car in one or two sentences: how many seams are in, now and after the plan, and how even it is."""
    names = [s.name for s in plan.measured.car.seams]
    now, then = ([seam_state(stage.get(n, ())) for n in names] for stage in (plan.before, plan.after))
    even = [say.small(v) for v in plan.evenness_mm]
    told = f"{now.count(IN)} of {len(names)} seams in tolerance"
    parts = [f"{now.count(s)} {s}" for s in (OUT, OPEN, HOLE) if s in now]
    told += f" ({', '.join(parts)})" if parts else ""
    if not plan.adjustments:
        return f"{told}. Evenness {even[0]}."
    return (
        f"{told}; after the plan {then.count(IN)}, with {plan.adjustments} adjusters set. Evenness {even[0]} now, "
        f"{even[1]} after it (root mean square of gap minus the gap to have)."
    )


def evenness_words(before_mm: float, now_mm: float, seams: int, of: int, say: Lengths) -> str:
    """How even the car was and is, in one sentence."""
    return (
        f"Evenness over {seams} of {of} seams: {say.small(before_mm)} at their first results, {say.small(now_mm)} at "
        "their latest (root mean square of gap minus the gap to have)."
    )


def hang_step(step: HangStep, say: Lengths) -> Iterator[str]:
    """One panel of the hang list, each sentence short enough to be read beside the car."""
    if not step.settings:
        yield "Leave it: nothing was measured of one of its seams." if step.unmeasured else "Leave it as it is."
        return
    bolted = step.kind in _BOLTED
    shut = "doors and bonnet" if bolted else f"the {step.panel}"
    yield f"Car on its wheels, seals in, {shut} closed: look at its gaps once more."
    if step.follow or any(s.kind in FOLLOWERS for s in step.settings):
        follow = [*step.follow, *dict.fromkeys(s.adjuster for s in step.settings if s.kind in FOLLOWERS)]
        yield f"Slacken the {' and the '.join(follow)}: it must neither lift nor push the {step.panel}."
    for name in dict.fromkeys(s.adjuster for s in step.settings):
        own = [s for s in step.settings if s.adjuster == name]
        ways = "; ".join(way_setting(s, say) for s in own)
        yield f"{first_up(name)}: {_LOOSEN[own[0].kind]}. {first_up(ways)}."
    if step.still:
        yield f"Leave as it is: {', '.join(step.still)}."
    close = "Open and close the door and the bonnet beside it" if bolted else "Close it"
    yield f"Tighten. {close} gently, look all round, then photograph its seams."
    for s in step.seams:
        yield seam_after(s, say)


def way_setting(s: WaySetting, say: Lengths) -> str:
    """How far at one adjuster, in shims or turns where it has them: ``1.00 mm (0.039 in) out, 2 shims of 0.50 mm``."""
    told = f"{say.target(abs(s.set_mm))} {s.word}"
    if s.turn_mm:
        return f"{told}, {_turns(abs(s.set_mm) / s.turn_mm)}"
    if s.step_mm:
        count = round(abs(s.set_mm) / s.step_mm)
        return f"{told}, {count} shim{'s' if count != 1 else ''} of {say.small(s.step_mm, alone=True)}"
    return told


def _turns(turns: float) -> str:
    whole, part = divmod(round(4 * turns) / 4, 1)
    told = " ".join(filter(None, (f"{whole:.0f}" if whole else "", _FRACTIONS.get(part, ""))))
    return f"{told} turn{'s' if turns > 1 else ''}"


def seam_after(s: SeamAfter, say: Lengths) -> str:
    """What one seam's gap is to be after a step, from its start to its end, and the gauges that tell."""
    now, then = (" / ".join(say.gap_alone(v) for v in gaps) for gaps in (s.before_mm, s.after_mm))
    places = " / ".join(say.place(v) for v in s.places_mm)
    told = f"{s.called}: {then} at {places}"
    told += f" (now {now})" if now != then else ""
    # Gauges are for the gap as wanted: where this step does not bring it there yet they would call good work bad.
    fits = all(s.go_mm <= v <= s.no_go_mm for v in s.after_mm)
    gauge = gauges(s.go_mm, s.no_go_mm) if fits else ""
    return f"{told}: {s.state}." + (f" Gauge: {gauge}." if gauge else "")


def edge_work(edge: EdgeWork, say: Lengths) -> str:
    """Whose edge to change at a seam that no move brings in, and how."""
    spans = "; ".join(trim_span(x, say) for x in edge.trim.spans)
    less = "" if math.isinf(edge.other_work) else ", less work than the other edge"
    return f"{first_up(edge.seam)}: no move does it. Change the edge of the {edge.body}{less}: {spans}."


def edge_remedies(edges: tuple[EdgeWork, ...]) -> list[str]:
    """How edges are brought to their lines, with what speaks for and against each way."""
    deeds = dict.fromkeys(x.deed for e in edges for x in e.trim.spans if x.deed)
    return [f"{DEEDS[d][0].capitalize()}: for, {DEEDS[d][1]}; against, {DEEDS[d][2]}." for d in deeds]


def car_chance(plan: CarPlan) -> str:
    """How probable it is that the seams pass when the plan was carried out by hand."""
    own = [s.name for s in plan.measured.measured]
    mean, proven = (sum(of[n] for n in own) for of in (plan.holds, plan.passes))
    return (
        f"Carried out by hand, {mean:.1f} of {len(own)} measured seams can be expected in tolerance, {proven:.1f} of "
        "them proven at the first photo: that is why each panel is photographed before the next, and set once more "
        "where the new plan says so."
    )
