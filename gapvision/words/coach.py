"""What to do next for a surer gap, in a sentence."""

from __future__ import annotations

from gapvision.model import NextPhoto
from gapvision.words.glance import Glance
from gapvision.words.lengths import Lengths

_LAMPS = {
    "": " Move the lamp or a hand, so that reflections move.",
    "dim": " Dim the lamp behind the gap for it.",
    "light": " Put white paper or a dimmed lamp behind the gap for it, if you can.",
}


def coach(told: NextPhoto, say: Lengths, judged: Glance | None = None) -> str:
    """What the next photo should be and what it would do to U.

    Parameters
    ----------
    told : NextPhoto
        From :func:`gapvision.judgement.coach.next_photo`.
    say : Lengths
        The unit.
    judged : Glance, optional
        What the verdict says in short: where it proves nothing, no photos are enough.
    """
    brings = f"U would go from {say.small(told.u_now_mm)} to about {say.small(told.u_next_mm)}"
    if told.do == "enough":
        little = f"another photo of the same kind would bring little, U is {say.small(told.u_now_mm)}."
        if judged is not None and judged.state in ("open", "holes"):
            return f"Not proven, but {little} Next: {judged.next_step}"
        return f"Enough: {little}"
    if told.do == "check-lines":
        return f"Next: measure the sheet's check lines; {brings}."
    where = "square above the seam"
    if told.over:
        where = f"leaning about 15 degrees over panel {told.over}"
        where += f", the one with strip {told.strip}" if told.strip else ", the one without a strip"
    return f"Next: one more photo {where}; {brings}.{_LAMPS[told.lamp]}"
