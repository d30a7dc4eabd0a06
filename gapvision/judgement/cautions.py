"""Which cautions apply to what a plan does; their sentences stand in :mod:`gapvision.words`."""

from __future__ import annotations

from gapvision.judgement.shapes import SHAPES


def cautions_for(*, moves: bool, cuts: bool, adds: bool, paints: bool, shape: str = "") -> tuple[str, ...]:
    """Choose the cautions that a plan needs, in the order of its steps: keys of ``words.CAUTIONS``.

    Parameters
    ----------
    moves, cuts, adds, paints : bool
        What the plan does.
    shape : str
        A name of :data:`SHAPES`, or empty.
    """
    keys = ["fit-only", "rules"]
    if moves:
        keys.append("pinch")
        # All of them where the shape is not known: a caution too many hurts nobody.
        known = (SHAPES[shape],) if shape in SHAPES else SHAPES.values()
        keys += [key for one in known for key in one.cautions]
    if cuts:
        keys += ["grinding", "safe-limit", "lead"]
    if adds:
        keys += ["lead", "welding"]
    if paints:
        keys.append("two-pack")
    return tuple(dict.fromkeys(keys))
