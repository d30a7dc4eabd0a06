"""What to do to a panel, in sentences: the steps, the move at each adjuster, the new edge."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from gapvision.model import FOLLOWERS, IN, NOT_MEASURED, OPEN, Adjuster, CorrectionPlan, PointMove
from gapvision.model.plan import STAGES_OF_PLAN, TrimLine, TrimRow, TrimSpan
from gapvision.words.gauges import gauges
from gapvision.words.lengths import Lengths
from gapvision.words.verdict import first_up

_OUT, _IN = "out (proud)", "in"
#: Edges that may lose metal all along.
_FILED = ("cut", "leaded")
#: Deed -> its words, what speaks for it, what against. All of this is common practice, no source.
DEEDS = {
    "file": ("remove", "exact and quick", "metal that is off is off; keep off fold, flange and spot welds"),
    "file lightly": ("file lightly", "takes off a high place", "a fold is thin at its bend: stop at the figure told"),
    "dress": (
        "dress with hammer and dolly", "no metal is lost, it can be undone", "0.5 mm at most; it marks the face"
    ),
    "fold closer": (
        "close the fold further", "no metal is lost", "only where the fold stands open; a crushed fold cracks"
    ),
    "fold anew": (
        "open the fold and fold it anew", "moves the edge by millimetres", "folded twice, old metal cracks: anneal or "
        "expect to weld; adhesive and paint in it burn and fume",
    ),
    "wire anew": ("open the edge and roll it over its wire anew", "moves the edge by millimetres", "old metal cracks"),
    "bend anew": (
        "bend the flange anew", "moves the edge by millimetres", "spot welds in the flange must come apart first"
    ),
    "build up": ("add", "brings out what is too short", "heat warps the skin; filler alone on an edge breaks off"),
    "file lead": ("remove", "lead files easily", "lead is poison: no dry sanding, no power tools; stop at the steel"),
    "lead up": ("add", "lead on tinned steel holds on an edge", "lead is poison, and heat warps the skin"),
}  # fmt: skip


def steps(plan: CorrectionPlan, say: Lengths) -> list[str]:
    """What to do, in order: move, change the edges, paint."""
    changes = any(x.trim.needed for x in plan.stretches)
    if plan.move.is_none and not changes and plan.states[plan.last_stage] == IN:
        told = ["Nothing to do: every gap that was measured is in tolerance, and stays so."]
    elif plan.move.is_none:
        told = ["Leave the panel where it is: no move that a hand can set brings the gaps further into their limits."]
    else:
        told = list(_move(plan, say))
    for x in plan.stretches:
        if x.trim.needed:
            parts = "; ".join(trim_span(span, say) for span in x.trim.spans)
            told.append(f"Then change the edge at the {x.seam} seam ({x.photo}): {parts}.")
    finish = plan.stretches[0].finish
    if finish is not None and finish.loss.loss_mm > 0:
        film = say.small_range(finish.loss.least_mm, finish.loss.most_mm)
        told.append(f"Then prime and paint: the film still to come takes {film} from each gap.")
    return told


def _move(plan: CorrectionPlan, say: Lengths) -> Iterator[str]:
    """The move in the order of the work, each step short enough to be read under the car."""
    panel, points = plan.panel, plan.move.points
    it, setting = panel.name, [p for p in points if p.kind not in FOLLOWERS] or list(points)
    following = [p for p in points if p not in setting]
    yield f"Move the {it} first. Car on its wheels, seals in, the {it} closed: look at its gaps once more."
    hinges = any(p.kind == "hinge" for p in points)
    if hinges or panel.adjusters:
        yield "Scribe round each hinge." if hinges else "Mark where each adjuster stands."
    if panel.shape == "door":
        yield "Slacken the striker: hinges move a door, the striker only follows."
    elif following:
        yield f"Slacken the {following[0].name}: it only follows."
    for p in setting:
        if any(p.ways_mm):
            yield f"{first_up(p.name)}: {point_move(p, panel.words, say)}."
    if still := [p.name for p in setting if not any(p.ways_mm)]:
        yield f"Leave as it is: {', '.join(still)}."
    for p in following:
        way = f", by about {point_move(p, panel.words, say)}" if any(p.ways_mm) else ""
        yield f"{first_up(p.name)}: let it follow{way}; it must neither lift nor push the {it}."
    yield "Tighten. Close it gently, look all round, then measure."
    by_gauge: dict[str, list[str]] = {}
    for x in plan.stretches:
        if (limits := x.stages[1].verdict.gauged_mm) and (told := gauges(*limits)):
            by_gauge.setdefault(told, []).append(x.seam)
    for told, seams in by_gauge.items():
        yield f"Check by hand, {', '.join(dict.fromkeys(seams))}: {told}."


def chance(plan: CorrectionPlan) -> str:
    """How probable it is that the panel passes when the plan was carried out."""
    by_seam: dict[str, float] = {}
    for x in plan.stretches:
        by_seam[x.seam] = min(by_seam.get(x.seam, 1.0), x.passes)
    seams = ", ".join(f"{name} {_share(share)}" for name, share in by_seam.items())
    return (
        f"Carried out so, with the setting error of each adjuster, new photos of what was measured will prove it in "
        f"tolerance with a probability of {_share(plan.passes)} ({seams})."
    )


def stage_states(plan: CorrectionPlan) -> Iterator[str]:
    """The panel's state at each stage; where only what was not measured is in doubt, that is said."""
    trims = any(x.trim.needed for x in plan.stretches)
    for k, (stage, state) in enumerate(plan.states.items()):
        if stage == STAGES_OF_PLAN[2] and not trims:
            continue
        verdicts = [x.stages[k].verdict for x in plan.stretches]
        unsure = any(OPEN in (*v.states, *(c.state for c in v.checks)) for v in verdicts)
        told = "in tolerance where it was measured" if state == OPEN and not unsure else state
        yield f"{first_up(stage)}: {told}"


def _share(probability: float) -> str:
    return "under 1 %" if probability < 0.01 else "over 99 %" if probability > 0.99 else f"{100 * probability:.0f} %"


def point_move(point: PointMove, directions: Sequence[str], say: Lengths) -> str:
    """What to do at one adjuster, e.g. ``0.94 mm (0.037 in) to the left``.

    Parameters
    ----------
    point : PointMove
        The move there.
    directions : four str
        The panel's words for plus and minus x, plus and minus y.
    say : Lengths
        The unit.
    """
    right, left, front, back = directions
    ways = zip(point.ways_mm, ((right, left), (front, back), (_OUT, _IN)), strict=True)
    told = ((v, plus if v > 0 else minus) for v, (plus, minus) in ways if v)
    parts = [f"{say.target(abs(v))} {way}{_steps(point, v, say)}" for v, way in told]
    return ", ".join(parts) or "leave as it is"


def _steps(point: PointMove, v: float, say: Lengths) -> str:
    """How many shims, or steps of another adjuster, make a movement."""
    if not point.step_mm:
        return ""
    count, what = round(abs(v) / point.step_mm), "shim" if "shim" in point.kind else "step"
    return f" ({count} {what}{'s' if count != 1 else ''} of {say.small(point.step_mm, alone=True)})"


def travel(adjuster: Adjuster, directions: Sequence[str], say: Lengths) -> str:
    """How far an adjuster can still go each way, in the panel's own words for its directions."""
    right, left, front, back = directions
    ways = ((adjuster.travel_x, left, right), (adjuster.travel_y, back, front), (adjuster.travel_out, _IN, "out"))
    parts = [f"{say.most(abs(far[0]))} {minus}, {say.most(far[1])} {plus}" for far, minus, plus in ways if far]
    return "; ".join(parts) or "travel not given, taken as enough"


def trim_span(span: TrimSpan, say: Lengths) -> str:
    """Where the edge goes back or out, how, and the most of it; a hole is to be left."""
    where, most = say.stretch(span.from_mm, span.to_mm), say.target(span.largest_mm)
    if span.action == NOT_MEASURED:
        return f"{where} was not measured: leave it"
    deed = DEEDS[span.deed][0] if span.deed else span.action
    if deed in ("remove", "add"):
        return f"{deed} up to {most} from {where}"
    return f"{deed} from {where}, {'back' if span.action == 'remove' else 'out'} by up to {most}"


def trim_total(trim: TrimLine, say: Lengths) -> str:
    """The new edge in one line: its kind, and how much of it comes back and out."""
    edge = f" of an edge that is {trim.edge}" if trim.edge else " of an edge not known"
    back, out = ("cut", "build up") if trim.edge in _FILED else ("back", "out")
    return f"{trim.kind} line{edge}: {back} {say.place(trim.cut_mm)}, {out} {say.place(trim.add_mm)}"


def metal(remove_mm: float, edge: str, say: Lengths) -> str:
    """How far an edge goes back (positive) or out at one station: a fold is never said to lose metal."""
    back, out = ("remove", "add") if edge in _FILED else ("back", "out")
    return f"{back if remove_mm > 0 else out} {say.target(abs(remove_mm))}"


def trim_row(row: TrimRow, edge: str, say: Lengths) -> str:
    """What to do to the metal at one station."""
    return row.action if row.action == "leave" else metal(row.remove_mm, edge, say)


def remedies(trim: TrimLine) -> list[str]:
    """How the edge is brought to its line, with what speaks for and against each way: those that the spans need."""
    deeds = dict.fromkeys(x.deed for x in trim.spans if x.deed)
    return [f"{DEEDS[d][0].capitalize()}: for, {DEEDS[d][1]}; against, {DEEDS[d][2]}." for d in deeds]
