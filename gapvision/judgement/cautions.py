"""Which cautions apply to what a plan does; their sentences stand in :mod:`gapvision.words`."""

from __future__ import annotations


def cautions_for(*, moves: bool, cuts: bool, adds: bool, paints: bool, shape: str = "") -> tuple[str, ...]:
    """Choose the cautions that a plan needs, in the order of its steps: keys of ``words.CAUTIONS``.

    Parameters
    ----------
    moves, cuts, adds, paints : bool
        What the plan does.
    shape : str
        ``bonnet``, ``boot lid``, ``door`` or empty.
    """
    keys = ["fit-only", "rules"]
    if moves:
        keys.append("pinch")
        if shape in ("bonnet", "boot lid", ""):
            keys.append("prop")
        if shape in ("bonnet", ""):
            keys.append("latch")
        if shape in ("door", "boot lid", ""):
            keys.append("door-latch")
    if cuts:
        keys += ["grinding", "safe-limit", "lead"]
    if adds:
        keys += ["lead", "welding"]
    if paints:
        keys.append("two-pack")
    return tuple(dict.fromkeys(keys))
