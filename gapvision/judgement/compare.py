"""Two measurements of one seam, station by station, with the uncertainty of the change.

Both profiles are put on one scale along the seam by a stated datum: the same
strip left in its place, a mark tapped in both photos, or the best alignment of
the two profiles.  A left and a right seam are compared the same way after the
right one is mirrored.  No pixels are read here; stations carry theirs.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.geometry.runs import HOLE_SPACINGS, runs
from gapvision.model import (
    BETTER,
    COVERAGE_FACTOR,
    SAME,
    TIGHTER,
    WIDER,
    WORSE,
    ChangeSpan,
    Comparison,
    Datum,
    FloatArray,
    GapProfile,
    Notice,
)
from gapvision.units import format_inch, format_mm

#: Standard uncertainty of a point tapped in a photo [mm]; computed: 2 mm either way, evenly likely.
TAP_STD_U_MM = 1.2
#: The same of a strip that was left in its place, or put back to a mark [mm]; computed: 1 mm either way.
STRIP_STD_U_MM = 0.6
#: Less seam than this in both photos tells nothing of what changed [mm].
LEAST_OVERLAP_MM = 40.0
_STRIDE_MM = 1.0
#: What of a profile is compared to lay it on another.
_SHOWN = ("gap_mm", "edge_a_mm", "edge_b_mm")
#: Errors of neighbouring stations go together over about this length [mm].
_CORRELATED_MM = 5.0
_WEAK_STD_U_MM = 6.0
#: The place found must fit at least twice as well as any place further away than this.
_VALLEY_MM = 15.0
_CLEAR_SHARE = 0.5
#: So much of how two profiles waver must be the same, or nothing shows that they are of one seam.  Measured on photos
#: whose truth is known: of 264 pairs of different seams 7 had a clear place on each other and reached 0.57 at most;
#: pairs of one seam whose edges showed well reached 0.98; drawn seams that bow alike 0.86.
_ALIKE = 0.9
#: Strips that people lay in about the same place each time [mm]; common practice, no source.
LAID_AGAIN_STD_U_MM = 20.0


def mirror_profile(profile: GapProfile, along: bool = True) -> GapProfile:
    """Mirror a seam, so that the other side of the car can be laid on it.

    Parameters
    ----------
    profile : GapProfile
        Of a left or right seam.
    along : bool
        True: stations run the other way (a seam that lies along the car, seen
        from its own side).  False: the edges change places (an upright seam).

    Returns
    -------
    GapProfile
        The same gaps.
    """
    if not along:
        p = profile
        a, b = ("edge_a_px", "edge_a_u_mm"), ("edge_b_px", "edge_b_u_mm")
        turned = {to: getattr(p, of) for to, of in zip(a + b, b + a, strict=True)}
        return replace(p, edge_a_mm=-p.edge_b_mm, edge_b_mm=-p.edge_a_mm, **turned)
    ends = profile.s_mm[0] + profile.s_mm[-1] if len(profile.s_mm) else 0.0
    return profile.picked(slice(None, None, -1), s_mm=(ends - profile.s_mm)[::-1])


def runs_along(profile: GapProfile) -> bool:
    """Tell whether a seam lies more level than upright in its photo."""
    middle = (profile.edge_a_px + profile.edge_b_px) / 2
    width, height = np.abs(middle[-1] - middle[0])
    return bool(width >= height)


def station_at(profile: GapProfile, point_px: tuple[float, float]) -> float:
    """Find the station beside a point of the photo.

    Parameters
    ----------
    profile : GapProfile
        At least two stations.
    point_px : (x, y)
        A tapped mark, or an end of a strip [px].

    Returns
    -------
    float
        Distance along the seam [mm]; beyond the ends it goes on straight.
    """
    if len(profile.s_mm) < 2:
        raise ValueError("profile: expected two stations or more")
    middle = (profile.edge_a_px + profile.edge_b_px) / 2
    point = np.asarray(point_px, dtype=float)
    legs, starts = np.diff(middle, axis=0), middle[:-1]
    length2 = np.maximum((legs**2).sum(1), 1e-12)
    along = ((point - starts) * legs).sum(1) / length2
    inside = np.clip(along, 0, 1)
    gap2 = ((starts + inside[:, None] * legs - point) ** 2).sum(1)
    best = int(np.argmin(gap2))
    step = profile.s_mm[best + 1] - profile.s_mm[best]
    beyond = (best == 0 and along[0] < 0) or (best == len(legs) - 1 and along[-1] > 1)
    if beyond:  # over a longer leg, so that the noise of two stations does not turn it
        k = min(len(middle) - 1, 30)
        i, j = (0, k) if best == 0 and along[0] < 0 else (len(middle) - 1 - k, len(middle) - 1)
        leg = middle[j] - middle[i]
        share = float(((point - middle[i]) @ leg) / (leg @ leg))
        return float(profile.s_mm[i] + share * (profile.s_mm[j] - profile.s_mm[i]))
    return float(profile.s_mm[best] + inside[best] * step)


def datum_from_points(
    before: GapProfile,
    after: GapProfile,
    before_px: list[tuple[float, float]],
    after_px: list[tuple[float, float]],
    kind: str = "mark",
    what: str = "",
) -> Datum:
    """Lay two profiles on each other by points that both photos show.

    Parameters
    ----------
    before, after : GapProfile
        ``after`` already mirrored if it is of the other side.
    before_px, after_px : list of (x, y)
        The same one or more points in each photo [px].
    kind : str
        ``mark`` (tapped) or ``strip`` (ends of a strip left in its place).
    what : str
        Name of the strip or mark.

    Returns
    -------
    Datum
        With several points the mean shift, and a U that their disagreement widens.
    """
    if not before_px or len(before_px) != len(after_px):
        raise ValueError(f"expected as many points in both photos, got {len(before_px)} and {len(after_px)}")
    pairs = zip(before_px, after_px, strict=True)
    shifts = np.array([station_at(before, b) - station_at(after, a) for b, a in pairs])
    # A tap is made in both photos; a strip's own corners are sharp, its place is not.
    own = TAP_STD_U_MM * math.sqrt(2) if kind == "mark" else STRIP_STD_U_MM
    spread = float(np.ptp(shifts)) / 2
    return Datum(kind=kind, named=what, shift_mm=float(shifts.mean()), std_u_mm=math.hypot(own, spread))


def datum_by_alignment(
    before: GapProfile, after: GapProfile, reach_mm: float | None = None, guess: Datum | None = None
) -> Datum:
    """Lay two profiles on each other where their waviness agrees best.

    Gap and both edges are compared after a straight line is taken off each, so
    that a panel that was moved as a whole still finds its place.  The place
    counts only if it is one clear valley: an edge that was trimmed has lost its
    waviness, and then any place fits as badly as any other.

    Parameters
    ----------
    before, after : GapProfile
        Of the same seam.
    reach_mm : float, optional
        Largest shift tried either way [mm]; default 40 % of the shorter profile.
    guess : Datum, optional
        Taken when the profiles have no clear place; default: middle on middle,
        with the whole reach as its uncertainty.

    Returns
    -------
    Datum
        Its U comes from how sharply the agreement falls off.

    Raises
    ------
    GapvisionError
        ``comparison-no-overlap``.
    """
    shortest = min(_span(before), _span(after))
    if shortest < LEAST_OVERLAP_MM:
        told = f"{format_mm(shortest, 0)} ({format_inch(shortest, 1)})"
        raise GapvisionError("comparison-no-overlap", f"One of the profiles is only {told} long.")
    reach = 0.4 * shortest if reach_mm is None else reach_mm
    start = (before.s_mm[0] + before.s_mm[-1] - after.s_mm[0] - after.s_mm[-1]) / 2
    offsets = np.arange(-round(reach / _STRIDE_MM), round(reach / _STRIDE_MM) + 1) * _STRIDE_MM
    costs = np.array([_disagreement(before, after, start + o)[0] for o in offsets])
    if not np.isfinite(costs).any():
        raise GapvisionError("comparison-no-overlap")
    best = int(np.nanargmin(costs))
    away = np.abs(offsets - offsets[best]) > _VALLEY_MM
    clear = away.any() and costs[best] < _CLEAR_SHARE * np.nanmin(np.where(away, costs, np.nan))
    inside = 0 < best < len(costs) - 1 and np.isfinite(costs[best - 1 : best + 2]).all()
    if not (clear and inside):
        return guess or Datum(
            kind="alignment", guessed=True, shift_mm=float(start), std_u_mm=float(reach / math.sqrt(3))
        )
    shift = start + offsets[best]
    low, mid, high = costs[best - 1 : best + 2]
    bend = low - 2 * mid + high
    if bend > 0:
        shift += _STRIDE_MM * 0.5 * (low - high) / bend
    cost, steepness = _disagreement(before, after, shift)
    std = math.sqrt(max(cost, 1.0) * _CORRELATED_MM / steepness) if steepness > 0 else math.inf
    # A rival place that fits nearly as well is a place where it could be.
    near = costs < 1.25 * max(cost, 1e-12)
    rival = float(np.abs(start + offsets[near] - shift).max()) / math.sqrt(3) if near.any() else 0.0
    std = min(max(std, rival, 0.3), reach / math.sqrt(3))
    return Datum(kind="alignment", shift_mm=float(shift), std_u_mm=float(std))


def _span(profile: GapProfile) -> float:
    return float(profile.s_mm[-1] - profile.s_mm[0]) if len(profile.s_mm) else 0.0


def _disagreement(before: GapProfile, after: GapProfile, shift_mm: float) -> tuple[float, float]:
    """Mean square difference in units of noise, and the sum of squared slopes in the same units."""
    on, _ = _common(before, after, shift_mm)
    if len(on) < 0.6 * min(len(before.s_mm), len(after.s_mm)) or len(on) < 10:
        return math.nan, 0.0
    s = before.s_mm[on]
    total, steep = 0.0, 0.0
    for name in _SHOWN:
        first = getattr(before, name)[on]
        second = np.interp(s - shift_mm, after.s_mm, getattr(after, name))
        a, b = _wavy(s, first), _wavy(s, second)
        noise2 = _noise2(a) + _noise2(b)
        total += float(((b - a) ** 2).mean()) / noise2
        steep += float((np.gradient(_smooth((a + b) / 2), s) ** 2).sum()) / noise2
    return total / 3, steep / 3


def alike(before: GapProfile, after: GapProfile, datum: Datum) -> bool:
    """Whether two profiles show that they are of one seam: they waver alike, or a person said what stayed in place.

    What wavers less than the gap's own uncertainty may be the camera's, and is alike on any seam.

    Parameters
    ----------
    before, after : GapProfile
        As for :func:`compare_profiles`.
    datum : Datum
        How they were laid on each other.
    """
    if datum.kind != "alignment" or datum.guessed:
        return not datum.guessed
    on, _ = _common(before, after, datum.shift_mm)
    s, shares, wave = before.s_mm[on], list[float](), list[float]()
    for name in _SHOWN:
        a = _wavy(s, getattr(before, name)[on])
        b = _wavy(s, np.interp(s - datum.shift_mm, after.s_mm, getattr(after, name)))
        shares.append(1 - float(((b - a) ** 2).sum() / max((a**2).sum() + (b**2).sum(), 1e-12)))
        wave += [float(a.std()), float(b.std())]
    std_u = max(float(np.median(p.expanded_u_mm)) for p in (before, after)) / COVERAGE_FACTOR
    return min(wave[:2]) > std_u and sum(shares) / len(shares) >= _ALIKE


def _wavy(s: FloatArray, values: FloatArray) -> FloatArray:
    slope, base = np.polyfit(s, values, 1)
    return np.asarray(values - slope * s - base, dtype=float)


def _noise2(values: FloatArray) -> float:
    """Square of the station-to-station noise, from second differences; floor 0.01 mm."""
    bend = np.diff(values, 2)
    return max(float(np.median(np.abs(bend)) / 0.6745 / math.sqrt(6)) ** 2, 0.01**2)


def _smooth(values: FloatArray) -> FloatArray:
    """Mean over five stations, the ends repeated."""
    from scipy.ndimage import uniform_filter1d

    return np.asarray(uniform_filter1d(values, 5, mode="nearest"), dtype=float)


def _common(before: GapProfile, after: GapProfile, shift_mm: float) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Stations of the first that lie between two neighbouring stations of the second; and the left one of these.

    A hole in either stays a hole.
    """
    if len(after.s_mm) < 2:
        return np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp)
    at = before.s_mm - shift_mm
    left = np.clip(np.searchsorted(after.s_mm, at, side="right") - 1, 0, len(after.s_mm) - 2)
    inside = (at >= after.s_mm[0] - 1e-9) & (at <= after.s_mm[-1] + 1e-9)
    close = after.s_mm[left + 1] - after.s_mm[left] <= HOLE_SPACINGS * max(after.spacing_mm, 1e-9)
    on = np.flatnonzero(inside & close)
    return on, left[on]


def compare_profiles(
    before: GapProfile,
    after: GapProfile,
    datum: Datum,
    *,
    nominal_mm: FloatArray | float | None = None,
    same_print: bool = False,
    mirrored: bool = False,
) -> Comparison:
    """Compare two measurements station by station.

    Parameters
    ----------
    before, after : GapProfile
        ``after`` already mirrored if it is of the other side.
    datum : Datum
        From :func:`datum_from_points` or :func:`datum_by_alignment`.
    nominal_mm : float or ndarray, shape (m,), optional
        Wanted gap at the first profile's stations [mm]; then it is said what got better and what worse.
    same_print : bool
        Both photos show the same printed strips with the same check lengths:
        the error of the print's scale is shared and cancels in the change.
    mirrored : bool
        Only carried along, for the words.

    Returns
    -------
    Comparison
        On stations that both have; holes stay holes.

    Raises
    ------
    GapvisionError
        ``comparison-no-overlap`` when less than 40 mm are in both.

    Notes
    -----
    U of the change: both standard uncertainties in quadrature (JCGM 100, 5.1.2,
    taken as independent: where they are not, the true one is smaller), and what
    the later gap does within the uncertainty of the datum: its local slope, or
    its scatter over that reach, whichever is more.
    """
    on, left = _common(before, after, datum.shift_mm)
    s = before.s_mm[on]
    if len(s) < 2 or s[-1] - s[0] < LEAST_OVERLAP_MM:
        raise GapvisionError("comparison-no-overlap")
    at = s - datum.shift_mm
    first, second = before.gap_mm[on], np.interp(at, after.s_mm, after.gap_mm)
    var_1 = (before.expanded_u_mm[on] / COVERAGE_FACTOR) ** 2
    u_2 = np.maximum(after.expanded_u_mm[left], after.expanded_u_mm[left + 1])
    var_2 = (u_2 / COVERAGE_FACTOR) ** 2
    var = var_1 + var_2
    if same_print and "print_scale" in before.parts_mm and "print_scale" in after.parts_mm:
        p_1 = np.nan_to_num(before.parts_mm["print_scale"][on])
        p_2 = np.interp(at, after.s_mm, np.nan_to_num(after.parts_mm["print_scale"]))
        var = var - p_1**2 - p_2**2 + (p_1 - p_2) ** 2
    var = var + place_std(after, at, datum.std_u_mm) ** 2
    u = COVERAGE_FACTOR * np.sqrt(np.maximum(var, 0))
    change = second - first
    state = tuple(WIDER if c > w else TIGHTER if c < -w else SAME for c, w in zip(change, u, strict=True))
    judged = None
    if nominal_mm is not None:
        wanted = np.broadcast_to(np.asarray(nominal_mm, dtype=float), before.s_mm.shape)[on]
        moved = np.abs(second - wanted) - np.abs(first - wanted)
        judged = tuple(BETTER if m < -w else WORSE if m > w else SAME for m, w in zip(moved, u, strict=True))
    step = float(before.spacing_mm)
    weak = datum.std_u_mm > _WEAK_STD_U_MM
    return Comparison(
        datum=datum,
        mirrored=mirrored,
        s_mm=s,
        before_mm=first,
        after_mm=second,
        change_mm=change,
        expanded_u_mm=u,
        state=state,
        judged=judged,
        mean_change_mm=float(change.mean()),
        mean_u_mm=float(u.mean()),
        wider_mm=step * state.count(WIDER),
        tighter_mm=step * state.count(TIGHTER),
        unproven_mm=step * state.count(SAME),
        better_mm=None if judged is None else step * judged.count(BETTER),
        worse_mm=None if judged is None else step * judged.count(WORSE),
        spans=tuple(_spans(s, change, u, judged or state, step)),
        notices=(Notice(code="alignment-weak"),) if weak else (),
    )


def place_std(after: GapProfile, at: FloatArray, std_mm: float) -> FloatArray:
    """Standard uncertainty of the later gap from not knowing quite where it lies [mm]."""
    smooth = _smooth(after.gap_mm)
    slope = np.interp(at, after.s_mm, np.gradient(smooth, after.s_mm))
    reach = math.sqrt(3) * std_mm  # evenly likely over plus or minus this
    steps = np.linspace(-reach, reach, 13)
    around = np.interp((at[:, None] + steps).ravel(), after.s_mm, smooth).reshape(len(at), -1)
    # Beyond the profile's ends its slope goes on; np.interp would hold the value.
    taper = abs(float(np.polyfit(after.s_mm, after.gap_mm, 1)[0])) * std_mm
    off = np.sqrt(((around - np.interp(at, after.s_mm, smooth)[:, None]) ** 2).mean(1))
    return np.asarray(np.maximum.reduce([np.abs(slope) * min(std_mm, 3.0), off, np.full(len(at), taper)]), dtype=float)


def _spans(
    s: FloatArray, change: FloatArray, u: FloatArray, state: tuple[str, ...], step: float
) -> Iterator[ChangeSpan]:
    """Gather neighbouring stations of one state; a hole ends a run."""
    for start, stop in runs(s, step, state):
        if state[start] != SAME:
            i = start + int(np.argmax(np.abs(change[start:stop])))
            names = ("from_mm", "to_mm", "largest_mm", "at_mm", "expanded_u_mm")
            values = (float(v) for v in (s[start], s[stop - 1], change[i], s[i], u[i]))
            yield ChangeSpan(state=state[start], **dict(zip(names, values, strict=True)))
