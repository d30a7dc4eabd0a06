"""What may be done to an edge: what it is decides.  All of this is common practice, no source."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np

from gapvision.model import FloatArray, Notice, SeamLayout, SeamReading, TrimLine, TrimRules, TrimSpan

#: Share of the skin's thickness that may be filed off a fold, and the most that a stated safe limit may make of it.
_FILED_SHARE, _FILED_MOST = 0.2, 0.5
_ROUNDING_MM = 1e-6  # of the solver, at the limit itself


@dataclass(frozen=True, slots=True)
class Remedy:
    """One way to bring an edge back or out; ``words.REMEDIES`` says it, and what speaks for and against it.

    Attributes
    ----------
    deed : str
        A key of ``words.DEEDS``.
    back_mm, out_mm : float
        How far it brings the edge back, and out [mm]; 0: not that way, ``inf``: as far as the safe limit.
    """

    deed: str
    back_mm: float = 0.0
    out_mm: float = 0.0


_DRESS, _BUILD = Remedy("dress", 0.5, 0.5), Remedy("build up", out_mm=np.inf)
#: What an edge is -> what may be done to it, in the order in which it is tried.
REMEDIES: dict[str, tuple[Remedy, ...]] = {
    "cut": (Remedy("file", np.inf), _BUILD),
    "folded": (_DRESS, Remedy("fold closer", 1.0), Remedy("fold anew", 3.0, 2.0), _BUILD),
    "wired": (_DRESS, Remedy("wire anew", 3.0, 2.0), _BUILD),
    "flanged": (_DRESS, Remedy("bend anew", 3.0, 3.0), _BUILD),
    "leaded": (Remedy("file lead", np.inf), Remedy("lead up", out_mm=np.inf)),
}


def edge_of(seam: SeamLayout, reading: SeamReading) -> tuple[str, bool]:
    """What a seam's edge is, one of EDGES or empty for not known, and whether a person said so."""
    if seam.edge:
        return seam.edge, True
    # Rolled says that it is turned over, not whether over itself, a wire or a flange: of these a fold bears least.
    told = {"cut": "cut", "rolled": "folded"}.get(reading.edge_seen, "")
    return told, reading.edge_stated and told == "cut"


def filed_mm(edge: str, rules: TrimRules, skin_mm: float, s_mm: FloatArray) -> FloatArray:
    """Most that may be filed off at each station [mm]: off a fold a small part of the skin, never through it."""
    if edge in ("cut", "leaded"):
        return rules.safe_at(s_mm)
    if not rules.safe_limit:
        return np.full(s_mm.shape, _FILED_SHARE * skin_mm)
    return np.minimum(rules.safe_at(s_mm), _FILED_MOST * skin_mm)


def edge_rules(seam: SeamLayout, reading: SeamReading) -> TrimRules:
    """Trim rules of a seam, no edge brought back further than anything brings one of its kind."""
    most = max(r.back_mm for r in REMEDIES[edge_of(seam, reading)[0] or "folded"])
    if np.isinf(most):
        return seam.trim
    return replace(seam.trim, safe_limit=tuple((s, min(v, most)) for s, v in seam.trim.safe_limit) or ((0.0, most),))


def with_deeds(trim: TrimLine, seam: SeamLayout, reading: SeamReading) -> TrimLine:
    """Say of each span how its edge is brought to the new line; an edge that is not known is taken for a fold."""
    edge, stated = edge_of(seam, reading)
    looks = "" if reading.edge_seen != "rolled" or edge != "cut" else reading.edge_seen
    trim = replace(trim, edge=edge, edge_stated=stated)
    if not trim.needed:
        return trim
    filed = filed_mm(edge, seam.trim, seam.skin_mm, trim.s_mm)
    spans = tuple(replace(x, deed=_deed(x, edge, filed, trim.s_mm)) for x in trim.spans)
    notices = [n for n in trim.notices if n.code != "safe-limit-missing" or edge in ("cut", "leaded")]
    return replace(trim, spans=spans, notices=(*notices, *_notices(seam.name, edge, stated, looks)))


def _deed(span: TrimSpan, edge: str, filed: FloatArray, s_mm: FloatArray) -> str:
    if span.action not in ("remove", "add"):
        return ""
    if span.action == "remove" and edge not in ("cut", "leaded"):
        inside = (s_mm >= span.from_mm) & (s_mm <= span.to_mm)
        if span.largest_mm <= filed[inside].min(initial=np.inf):
            return "file lightly"
    ways = ((r.deed, r.back_mm if span.action == "remove" else r.out_mm) for r in REMEDIES[edge or "folded"])
    return next(deed for deed, most in ways if span.largest_mm <= most + _ROUNDING_MM)


def _notices(seam: str, edge: str, stated: bool, looks: str) -> Iterator[Notice]:
    if not stated:
        yield Notice(code="edge-not-stated", values={"seam": seam, "edge": edge})
    if looks:
        yield Notice(code="edge-looks-other", values={"seam": seam, "edge": edge, "looks": looks})
