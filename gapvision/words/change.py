"""Two measurements of a seam, compared, in sentences."""

from __future__ import annotations

from gapvision.model import Comparison, Datum
from gapvision.units import MM_PER_INCH
from gapvision.words.lengths import Lengths

_GUESSED = "because the profiles have no feature in common"
_LONG_MM = 5.0  # a doubt that nobody expects of a place [mm]


def datum(laid: Datum) -> str:
    """How the two profiles were laid on each other."""
    if laid.kind == "mark":
        return f"the mark {laid.named}".strip() + " tapped in both photos"
    if laid.guessed:
        where = "the strips, taken to lie in about the same place" if laid.kind == "strip" else "their middles"
        return f"{where}, {_GUESSED}"
    if laid.kind == "strip":
        return f"strip {laid.named}, in the same place at both"
    return "best alignment of the two profiles"


def change(c: Comparison, say: Lengths) -> list[str]:
    """What changed, in a few sentences: how they were laid on each other, the mean, along how much of the seam."""
    sure = "larger" if abs(c.mean_change_mm) > c.mean_u_mm else "not larger"
    within, mirrored = 2 * c.datum.std_u_mm, ", the second is mirrored" if c.mirrored else ""
    known = say.place(within) if within >= _LONG_MM else say.small(within)
    told = [
        f"The two visits were laid on each other by {datum(c.datum)}{mirrored}. "
        f"Where one lies on the other along the seam is known to within {known}{' only' if within >= _LONG_MM else ''} "
        f"(k = 2; shifted by {say.small(c.datum.shift_mm, signed=True)}).",
        f"Mean change {say.small(c.mean_change_mm, signed=True, both=True)}, U {say.small(c.mean_u_mm)} (k = 2): "
        f"{sure} than its uncertainty.",
    ]
    told += _along(say, ("Surely wider", c.wider_mm), ("surely tighter", c.tighter_mm), ("not proven", c.unproven_mm))
    if c.better_mm is not None and c.worse_mm is not None:
        further = "surely further from it" if c.better_mm > 0 else "surely further from the wanted gap"
        nearer = _along(say, ("Surely nearer to the wanted gap", c.better_mm), (further, c.worse_mm))
        told += nearer or ["Nowhere surely nearer to the wanted gap, nor surely further from it."]
    return told


def _along(say: Lengths, *ways: tuple[str, float]) -> list[str]:
    """Along how much of the seam each holds; what holds nowhere is left out."""
    there = ", ".join(f"{what} along {say.place(length)}" for what, length in ways if length > 0)
    return [f"{there[:1].upper()}{there[1:]}."] if there else []


def heat(all_metal_mm: float, panel_only_mm: float, say: Lengths) -> str:
    """What the difference in temperature does to the gap [mm]; both are far below what a rule shows."""
    together, alone = (_tiny(x, say) for x in (all_metal_mm, panel_only_mm))
    return (
        f"Effect of the temperature difference on the gap: {together} a side if all metal was equally warm; {alone} a "
        "side if only the panel was."
    )


def _tiny(length_mm: float, say: Lengths) -> str:
    metric = f"{length_mm:+.3f} mm"
    return f"{length_mm / MM_PER_INCH:+.4f} in ({metric})" if say.inch else metric
