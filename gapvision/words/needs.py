"""What U a specification needs, in sentences, and which way of measuring gives it."""

from __future__ import annotations

from gapvision.model import Needs
from gapvision.words.lengths import Lengths

#: Way to measure -> its words.
_WAYS = {
    "lit": "the gap lit from behind without burning out, camera square on, within 350 mm, strips on both sides",
    "dark": "primed or matt panels over a dark gap, within 350 mm, strips on both sides",
    "one side": "strips on one side only",
    "bare": "bare metal or gloss paint over a dark gap",
}
_KINDS = {"gap": "the gap", "taper": "the taper", "jump": "the jump over 10 mm"}


def needs(needed: Needs, say: Lengths) -> list[str]:
    """What U is needed, for which limit, and what gives it."""
    first = needed.first
    told = [
        f"U of at most {say.most(first.advised_mm)} leaves half of the room between the limits to work in (the "
        f"strictest is {_KINDS[first.kind]}); from {say.most(first.most_mm)} on nothing can be proven."
    ]
    if not needed.ways:
        return [*told, "No way of measuring tried so far gives that from one photo: allow more, or use a gauge."]
    ways = "; ".join(f"{_WAYS[w.name]} ({say.small_range(w.least_mm, w.most_mm)})" for w in needed.ways)
    return [*told, f"What gave a U small enough to prove something: {ways}."]
