"""Two measurements of one seam, compared."""

from __future__ import annotations

from dataclasses import dataclass

from gapvision.model._checks import FloatArray
from gapvision.model.photo import Notice

WIDER, TIGHTER, SAME = "wider", "tighter", "not proven"
BETTER, WORSE = "better", "worse"


@dataclass(frozen=True, slots=True, kw_only=True)
class Datum:
    """How the second profile was laid on the first.

    Attributes
    ----------
    kind : str
        ``strip``, ``mark`` or ``alignment``.
    named : str
        Name of the strips or the mark, where they have one.
    guessed : bool
        The profiles have no feature in common: the strips, or the middles, are taken to lie in about the same place.
    shift_mm : float
        Station of the first = station of the second + shift [mm].
    std_u_mm : float
        Standard uncertainty of the shift [mm].
    """

    kind: str
    shift_mm: float
    std_u_mm: float
    named: str = ""
    guessed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class ChangeSpan:
    """A run of stations that changed alike.

    Attributes
    ----------
    state : str
        ``wider`` or ``tighter``; with a wanted gap ``better`` or ``worse``.
    from_mm, to_mm : float
        First and last station [mm].
    largest_mm, at_mm, expanded_u_mm : float
        Largest change there, its station, its U (k = 2) [mm].
    """

    state: str
    from_mm: float
    to_mm: float
    largest_mm: float
    at_mm: float
    expanded_u_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Comparison:
    """What changed between two measurements.  n = stations that both have.

    Attributes
    ----------
    s_mm, before_mm, after_mm, change_mm, expanded_u_mm : ndarray, shape (n,)
        On the first measurement's scale; ``change = after - before``; U with k = 2 [mm].
    state : tuple of str, length n
        ``wider``, ``tighter`` or ``not proven`` (the change is within its U).
    judged : tuple of str, length n, or None
        With a wanted gap: ``better``, ``worse`` or ``not proven``.
    mean_change_mm, mean_u_mm : float
        Mean change and its U [mm]; the parts of U that stations share do not average out, so all are taken as shared.
    wider_mm, tighter_mm, unproven_mm : float
        Lengths of seam [mm].
    better_mm, worse_mm : float or None
        With a wanted gap [mm].
    spans : tuple of ChangeSpan
        Runs that changed for sure; with a wanted gap, that got better or worse for sure.
    """

    datum: Datum
    mirrored: bool
    s_mm: FloatArray
    before_mm: FloatArray
    after_mm: FloatArray
    change_mm: FloatArray
    expanded_u_mm: FloatArray
    state: tuple[str, ...]
    judged: tuple[str, ...] | None
    mean_change_mm: float
    mean_u_mm: float
    wider_mm: float
    tighter_mm: float
    unproven_mm: float
    better_mm: float | None
    worse_mm: float | None
    spans: tuple[ChangeSpan, ...]
    notices: tuple[Notice, ...] = ()
