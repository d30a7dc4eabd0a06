"""Were two visits made under the same conditions?  Latches, seals and supports move panels."""

from __future__ import annotations

from gapvision.model import Notice
from gapvision.records.types import TICKS, Conditions
from gapvision.records.words import plain

_WORDS = {True: "yes", False: "no", None: "not said"}
#: A panel in the sun is tens of degrees off; below this nobody can tell [K].
_TEMPERATURE_STEP_K = 5.0


def conditions_notices(before: Conditions, after: Conditions) -> tuple[Notice, ...]:
    """Warn when two visits differ in something that moves a panel.

    ``conditions-differ`` is one warning naming all differences, ``conditions-not-said`` a note naming what nobody
    ticked.
    """
    differ, unsaid = [], []
    for name, words in TICKS.items():
        a, b = getattr(before, name), getattr(after, name)
        if a is None or b is None:
            unsaid.append(words)
        elif a != b:
            differ.append(f"{words}: {_WORDS[a]} before, {_WORDS[b]} after")
    if not before.support or not after.support:
        unsaid.append("how the car stood")
    elif plain(before.support) != plain(after.support):
        differ.append(f"the car stood {before.support} before, {after.support} after")
    if before.metal_temp_c is None or after.metal_temp_c is None:
        unsaid.append("metal temperature")
    elif abs(after.metal_temp_c - before.metal_temp_c) >= _TEMPERATURE_STEP_K:
        differ.append(f"metal at {before.metal_temp_c:g} °C before, {after.metal_temp_c:g} °C after")
    told = {
        "conditions-differ": f"The conditions differ: {'; '.join(differ)}." if differ else "",
        "conditions-not-said": f"Not said at both visits: {', '.join(unsaid)}." if unsaid else "",
    }
    return tuple(Notice(code=code, message=message) for code, message in told.items() if message)
