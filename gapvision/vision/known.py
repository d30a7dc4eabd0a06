"""What the user knows of an edge, weighed against what its shading says (as the detector or the rules read it).

A person can feel whether an edge was cut or rolled, and half a hem's thickness is
its radius; no photo tells that as surely.  So what is stated replaces the guess
from the shading.  Where the shading plainly contradicts it, one of the two is
wrong (or A and B were mixed up), and the depth is left open between both.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from gapvision.model import KnownEdge, KnownStep, Notice, Step
from gapvision.targets.strip import STRIP_LETTERS
from gapvision.vision.placing import CUT_KIND, EdgeKind

#: Sheet gauge, and how true a hem is folded over its length; common practice, no source.
RADIUS_STD_MM = 0.20
# A rolled edge's widest point lies 1 to 2.5 mm below the face, any of it alike; common practice, no source.
_ROLL_DEPTH_MM, _ROLL_DEPTH_STD_MM = 1.75, 1.5 / np.sqrt(12)
# On 670 own ray-traced scenes the detector called 1 in 100 cut edges rolled, and no rolled edge cut with less doubt
# than 0.20 mm; a radius lay further off than three standard uncertainties for 2 in 1000.
_SURE_CUT_STD_MM = 0.20
_PLAIN_FACTOR = 3.0


@dataclass(frozen=True, slots=True)
class ToldEdge:
    """An edge after shading and user were both heard.

    Attributes
    ----------
    kind : EdgeKind
        To measure with.
    shading : EdgeKind
        What the shading said.
    known : KnownEdge or None
        What the user stated.
    contradicted : bool
        Whether the shading plainly says otherwise.
    """

    kind: EdgeKind
    shading: EdgeKind
    known: KnownEdge | None = None
    contradicted: bool = False

    @property
    def source(self) -> str:
        """Where the kind comes from, for the measurement file."""
        if self.known is None:
            return "shading"
        return "stated, contradicted by the shading" if self.contradicted else "stated"


def weigh(shading: EdgeKind, known: KnownEdge | None) -> ToldEdge:
    """Take what is known of an edge in place of what its shading says.

    Parameters
    ----------
    shading : EdgeKind
        What the detector said, or without it :func:`gapvision.vision.placing.edge_kind`.
    known : KnownEdge or None
        What the user states; None leaves the shading's answer.

    Returns
    -------
    ToldEdge
        A roll's outline lies its radius below the face.  Where the shading plainly says otherwise, the kind is
        ``unknown`` and the depth anything between both.
    """
    if known is None:
        return ToldEdge(shading, shading)
    stated = CUT_KIND if known.kind == "cut" else _rolled(shading, known.radius_mm)
    if not _contradicts(shading, stated):
        return ToldEdge(stated, shading, known)
    # One of two answers is right and nothing says which: the middle, half their distance as doubt.
    middle = 0.5 * (shading.depth_mm + stated.depth_mm)
    half = 0.5 * abs(shading.depth_mm - stated.depth_mm)
    doubt = float(np.hypot(half, max(shading.depth_std_mm, stated.depth_std_mm)))
    cut = 0.5 * (shading.cut_chance + stated.cut_chance)
    roll = stated if stated.kind == "rolled" else shading
    open_kind = EdgeKind("unknown", middle, doubt, cut, roll.roll_mm, roll.roll_std_mm)
    return ToldEdge(open_kind, shading, known, contradicted=True)


def known_notices(
    edges: dict[str, ToldEdge], step: KnownStep | None, seen: Step | None, lowest_letter: str, one_side: bool = False
) -> list[Notice]:
    """What was stated and used, so that it travels with the numbers; and where the photo says otherwise.

    Parameters
    ----------
    edges : dict of str to ToldEdge
        By name, A and B.
    step : KnownStep or None
        As stated.
    seen : Step or None
        As the strips give it, where they lie on both sides.
    lowest_letter : str
        Of the strips in view: its panel is A, so that a person can see which panel was taken for which.
    one_side : bool
        Strips were read on one side of the seam only.
    """
    out, said = [], []
    for name, edge in edges.items():
        if edge.known is None:
            continue
        said.append([name, edge.known.kind, edge.known.radius_mm])
        if edge.contradicted:
            values = {"edge": name, "kind": edge.known.kind, "radius_mm": edge.known.radius_mm}
            values |= {"looks": edge.shading.kind, "looks_radius_mm": edge.shading.depth_mm}
            out.append(Notice(code="edge-contradicted", values=values))
    used = step if seen is None else None
    if step is not None and seen is not None:
        if abs(seen.mean_mm - step.mean_mm) > float(np.hypot(seen.expanded_u_mm, step.expanded_u_mm)):
            values = {"stated_mm": step.mean_mm, "seen_mm": seen.mean_mm}
            out.append(Notice(code="step-contradicted", values=values))
    if said or used is not None:
        # The first letter's panel is A whatever else lies there; any other strip may be second to one that was missed.
        alike = len({edge.known for edge in edges.values()}) <= 1 and (step is None or step.mean_mm == 0)
        if one_side and not alike and lowest_letter != STRIP_LETTERS[0]:
            message = f"Strip {lowest_letter} is the first that was read, and no strip on the other side of the seam"
            message += f", so {lowest_letter}'s panel was taken for A. What was stated of A and B was used that way."
            out.append(Notice(code="stated-side-unsure", message=message))
        stated = {} if used is None else {"step_mm": used.mean_mm, "step_u_mm": used.expanded_u_mm}
        out.append(Notice(code="known-stated", values={"edges": said, "strip": lowest_letter} | stated))
    return out


def _rolled(shading: EdgeKind, radius_mm: float | None) -> EdgeKind:
    if radius_mm is not None:
        return EdgeKind.rolled(radius_mm, RADIUS_STD_MM)
    # The shading's depth is drawn towards the usual hem already, so the two are not averaged: the surer one counts.
    if shading.kind == "rolled" and shading.depth_std_mm < _ROLL_DEPTH_STD_MM:
        return EdgeKind.rolled(shading.roll_mm, shading.roll_std_mm)
    return EdgeKind.rolled(_ROLL_DEPTH_MM, float(_ROLL_DEPTH_STD_MM))


def _contradicts(shading: EdgeKind, stated: EdgeKind) -> bool:
    if shading.kind == "unknown":
        return False
    if shading.kind != stated.kind:
        return shading.kind == "rolled" or shading.depth_std_mm < _SURE_CUT_STD_MM
    apart = abs(shading.depth_mm - stated.depth_mm)
    return stated.kind == "rolled" and apart > _PLAIN_FACTOR * np.hypot(shading.depth_std_mm, stated.depth_std_mm)
