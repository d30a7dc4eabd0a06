"""What to do next for a surer gap."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class NextPhoto:
    """What to do next.

    Attributes
    ----------
    do : str
        ``enough``; ``lean`` or ``square``: another photo; ``check-lines``: they matter more than another photo.
    over : str
        Panel over which the phone leans, ``A`` or ``B``; empty when it is not to lean.
    strip : str
        A strip on that panel; empty when none lies there.
    lamp : str
        ``dim`` or ``light`` the gap for it; empty: as it is, but moved.
    u_now_mm, u_next_mm : float
        Median expanded uncertainty now, and with that photo [mm].
    """

    do: str
    over: str = ""
    strip: str = ""
    lamp: str = ""
    u_now_mm: float
    u_next_mm: float
