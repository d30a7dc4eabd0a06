"""What to do next for a surer gap, in a sentence."""

from __future__ import annotations

from gapvision.model import NextPhoto
from gapvision.words.lengths import Lengths

_LAMPS = {
    "": " Move the lamp or a hand, so that reflections move.",
    "dim": " Dim the lamp behind the gap for it.",
    "light": " Put white paper or a dimmed lamp behind the gap for it, if you can.",
}


def coach(told: NextPhoto, say: Lengths) -> str:
    """What the next photo should be and what it would do to U.

    Parameters
    ----------
    told : NextPhoto
        From :func:`gapvision.judgement.coach.next_photo`.
    say : Lengths
        The unit.
    """
    brings = f"U would go from {say.small(told.u_now_mm)} to about {say.small(told.u_next_mm)}"
    if told.do == "enough":
        return f"Enough: another photo would bring little, U is {say.small(told.u_now_mm)}."
    if told.do == "check-lines":
        return f"Next: measure the sheet's check lines; {brings}."
    where = "square above the seam"
    if told.over:
        where = f"leaning about 15 degrees over panel {told.over}"
        where += f", the one with strip {told.strip}" if told.strip else ", the one without a strip"
    return f"Next: one more photo {where}; {brings}.{_LAMPS[told.lamp]}"
