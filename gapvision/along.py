"""Photos side by side along one seam in, one measurement of the whole seam out.

Each photo is measured by itself; one adjustment of all (:mod:`gapvision.vision.chain_field`) says where the photos lie
to each other; then each photo's edges are carried on to one common line, where those of neighbouring photos go over
into each other.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from itertools import combinations
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from gapvision import METHOD_VERSION
from gapvision.codes import CODES
from gapvision.errors import GapvisionError
from gapvision.geometry.blending import shares_of
from gapvision.geometry.edge_form import figures_of
from gapvision.geometry.uncertainty import combine
from gapvision.limits import print_scale_std
from gapvision.model import (
    COVERAGE_FACTOR,
    Course,
    FloatArray,
    GapProfile,
    Measurement,
    Notice,
    ScaleInfo,
    Settings,
    Step,
    StripView,
)
from gapvision.recipe import (
    EDGE_HEIGHT_MM,
    Sighted,
    edge_kept,
    of_seen,
    refuse_profile,
    scale_seen,
    seen_in_all,
    seen_photo,
    step_to_use,
)
from gapvision.targets.strip import FACE_HEIGHT_MM
from gapvision.vision.band import CentreLine
from gapvision.vision.chain_field import Chain, ChainPhoto, fit_chain
from gapvision.vision.doubts import by_photo, doubts_of_several
from gapvision.vision.field import KnownStrips
from gapvision.vision.gap import straight_offsets
from gapvision.vision.known import ToldEdge, known_notices, weigh
from gapvision.vision.placing import EdgeKind
from gapvision.vision.proven import bias_left_in, with_proofs_of_set
from gapvision.vision.seam import line_through, recentre

T = TypeVar("T")

# Parts of U that change their sign with the side from which a photo looks; so much of them differs from photo to photo.
_TURN_WITH_SIDE, _NOT_COMMON = ("depth", "tilt_step"), 0.25
# A photo whose gap is off by more than this along so many stations took something else for an edge.
_SEEN_OTHERWISE_MM, _LEAST_SHARED = 0.6, 20
_OTHERWISE = "This photo shows another gap than the photos beside it, where they show the same place."
_WHY = "Look at its drawn edges; if they lie right, something was moved between the photos: take it again."
_KNOT_MM = 40.0
_NEAR_MM, _HOLE_MM = 6.0, 1.6
_SMOOTH_STATIONS = 21
_LEAST_MODE_MM = 1e-4
# The step that a photo with strips on one side takes over from its neighbours may have changed by so much.
_STEP_CHANGES_MM = 0.3
_WORKERS = 2
# By so much a printer may stretch paper more one way than the other; common practice, no source.
_UNEVEN_PRINT = 0.003


def measure_chain(sighted: Sequence[Sighted], settings: Settings, notices: Sequence[Notice] = ()) -> Measurement | None:
    """Measure a whole seam from photos along it.

    Parameters
    ----------
    sighted : sequence of Sighted
        The photos, each with its own edges, in the order in which they were taken.
    settings : Settings
        How to measure.
    notices : sequence of Notice
        What was to be said of photos that are not among these.

    Returns
    -------
    Measurement or None
        None where no two photos hang together.

    Raises
    ------
    GapvisionError
        A refusal: what refuses a photo, and ``field-not-converged``.
    """
    to_scale = all(one.look.to_scale for one in sighted)
    chain = fit_chain(
        [_chain_photo(one) for one in sighted], _known(sighted), settings.taped, print_scale_std(to_scale, along=True)
    )
    if len(chain.kept) < 2:
        return None
    printed = _printed(chain, to_scale)
    kept = [sighted[k] for k in chain.kept]
    told = _told(kept, chain, settings)
    steps = _steps(chain, settings)
    laid = [_on_panel(k, one, chain, told, steps[k], settings, printed) for k, one in enumerate(kept)]
    line = _common_line([_own_line(k, one, chain, settings) for k, one in enumerate(kept)], settings.station_mm)
    profile, differing = _fused(laid, line, chain, settings)
    proofs = [proof for one in kept for proof in one.look.settings.proofs]
    profile = with_proofs_of_set(profile, proofs)
    settings = replace(settings, proofs=tuple(dict.fromkeys(proofs)))
    step, said = _mean_step(steps, chain.flipped), [*notices, *chain.notices]
    other = Notice(code="seams-differ", message=_OTHERWISE, advice=_WHY)
    said += [replace(other, photos=(kept[k].look.photo.file,)) for k in differing]
    return _made(kept, chain, profile, told, step, settings, said, len(line.s_mm), printed)


def two_at_a_time(
    work: Sequence[Callable[[], T]], progress: Callable[[int, int], object] | None = None
) -> list[T | GapvisionError]:
    """Do pieces of work on two cores; those that are refused give their error.  An interrupt ends it.

    Parameters
    ----------
    work : sequence of callable
        Each gives its result or raises.  After an interrupt what was begun is not waited for: none may write files.
    progress : callable, optional
        Called with (pieces done, pieces in all).

    Raises
    ------
    GapvisionError
        What is no refusal.
    """
    done = list[T | GapvisionError]()

    def one(piece: Callable[[], T]) -> T | GapvisionError:
        try:
            return piece()
        except GapvisionError as error:
            if CODES[error.code].kind != "refusal":
                raise
            return error

    pool, wait = ThreadPoolExecutor(_WORKERS), True
    try:
        for result in pool.map(one, work):
            done.append(result)
            if progress is not None:
                progress(len(done), len(work))
    except KeyboardInterrupt:
        wait = False  # a photo takes seconds
        raise
    finally:
        pool.shutdown(wait=wait, cancel_futures=True)
    return done


@dataclass(frozen=True, slots=True)
class _Printed:
    """Print scale across the strips and along them, over what check lines say, each with its standard uncertainty."""

    across: float
    across_std: float
    along: float
    along_std: float


def _printed(chain: Chain, to_scale: bool) -> _Printed:
    """What check lines and a taped distance say of the print scale.

    A tape along the strips tells of lengths across them only where no check line does.
    """
    along, across = print_scale_std(to_scale, along=True), print_scale_std(to_scale)
    if chain.scale is None:
        return _Printed(1.0, across, 1.0, along)
    times, std = chain.scale.times, chain.scale.std_u
    if to_scale:
        return _Printed(1.0, across if times != 1.0 else max(across, std), times, std)
    return _Printed(times, float(np.hypot(std, _UNEVEN_PRINT)), times, std)


def _known(sighted: Sequence[Sighted]) -> KnownStrips:
    first = sighted[0].look.known
    return replace(first, measured=frozenset().union(*(one.look.known.measured for one in sighted)))


def _chain_photo(one: Sighted) -> ChainPhoto:
    look, line = one.look, one.rectified.line
    return ChainPhoto(
        file=look.photo.file,
        views=look.views,
        field=look.field,
        focal_35mm_mm=look.photo.focal_35mm_mm,
        sides=look.sides,
        middle_mm=line.points + line.normals * one.edges.middle_mm[:, None],
    )


def _told(kept: list[Sighted], chain: Chain, settings: Settings) -> tuple[ToldEdge, ToldEdge]:
    """Both edges as all photos' shading says together: an edge is made alike all along."""
    kinds: tuple[list[EdgeKind], list[EdgeKind]] = ([], [])
    for one, flipped in zip(kept, chain.flipped, strict=True):
        kinds[flipped].append(one.edges.kind_a)
        kinds[not flipped].append(one.edges.kind_b)
    a, b = (weigh(_one_kind(some), known) for some, known in zip(kinds, settings.known_edges, strict=True))
    return a, b


def _one_kind(kinds: list[EdgeKind]) -> EdgeKind:
    """What several photos say of how an edge is made; their doubt stays: finish and light are alike in all."""
    weight = np.array([1 / max(k.depth_std_mm, 0.05) ** 2 for k in kinds])
    weight /= weight.sum()
    mean = {
        name: float(weight @ [getattr(k, name) for k in kinds])
        for name in ("depth_mm", "depth_std_mm", "cut_chance", "roll_mm", "roll_std_mm")
    }
    apart = float(np.sqrt(weight @ (np.array([k.depth_mm for k in kinds]) - mean["depth_mm"]) ** 2))
    names = {k.kind for k in kinds}
    mean["depth_std_mm"] = float(np.hypot(mean["depth_std_mm"], apart if len(names) > 1 else 0.0))
    return EdgeKind(names.pop() if len(names) == 1 else "unknown", **mean)


def _steps(chain: Chain, settings: Settings) -> list[Step]:
    """The step with which each photo is measured, in its own order of A and B."""
    free = [k for k, fitted in enumerate(chain.fields) if fitted.step_free]
    out = []
    for k, fitted in enumerate(chain.fields):
        sign = -1 if chain.flipped[k] else 1
        if fitted.step_free or not free:
            step = step_to_use(fitted, settings)
            out.append(step if fitted.step_free else replace(step, mean_mm=sign * step.mean_mm))
            continue
        near = min(free, key=lambda j: abs(j - k))
        other = chain.fields[near]
        u = COVERAGE_FACTOR * float(np.hypot(other.step_std_mm, _STEP_CHANGES_MM))
        out.append(Step(mean_mm=other.step_mm * (sign if not chain.flipped[near] else -sign), expanded_u_mm=u))
    return out


def _mean_step(steps: list[Step], flipped: tuple[bool, ...]) -> Step:
    best = min(steps, key=lambda step: step.expanded_u_mm)
    same = [-s.mean_mm if f else s.mean_mm for s, f in zip(steps, flipped, strict=True) if s.source == best.source]
    u = float(np.hypot(best.expanded_u_mm, np.ptp(same) / 2))
    return replace(best, mean_mm=float(np.mean(same)), expanded_u_mm=u)


@dataclass(frozen=True, slots=True, eq=False)
class _OnPanel:
    """A photo's own profile, and where its edges lie in the common frame, from A to B as all have them."""

    profile: GapProfile
    a: FloatArray
    b: FloatArray
    up_mm: FloatArray  # height of the middle in its own frame
    side: FloatArray  # +1 where it looks from side B, else -1


def _on_panel(
    k: int,
    one: Sighted,
    chain: Chain,
    told: tuple[ToldEdge, ToldEdge],
    step: Step,
    settings: Settings,
    printed: _Printed,
) -> _OnPanel:
    fitted, own, line = chain.fields[k], one.look.field, one.rectified.line
    flipped = chain.flipped[k]
    if flipped:
        told = (told[1], told[0])
    # The band's stations, drawn with the photo's own map, in the adjusted one.
    points = fitted.to_panel(own.project(line.points, EDGE_HEIGHT_MM), EDGE_HEIGHT_MM)
    across = fitted.to_panel(own.project(line.points + line.normals, EDGE_HEIGHT_MM), EDGE_HEIGHT_MM) - points
    normals = across / np.linalg.norm(across, axis=1, keepdims=True)
    profile = one.profile(fitted, CentreLine(line.s_mm, points, normals), told, step, alone=False)
    face = settings.strip_thickness_mm or FACE_HEIGHT_MM
    up_a = -face - told[0].kind.depth_mm
    up_b = (fitted.step_mm if fitted.step_free else step.mean_mm) - face - told[1].kind.depth_mm
    a, b = (
        chain.to_common(k, fitted.to_panel(px, up)) for px, up in ((profile.edge_a_px, up_a), (profile.edge_b_px, up_b))
    )
    profile = _to_print(profile, printed)
    up = np.full(len(a), 0.5 * (up_a + up_b))
    if flipped:
        profile = replace(
            profile, edge_a_px=profile.edge_b_px, edge_b_px=profile.edge_a_px,
            edge_a_u_mm=profile.edge_b_u_mm, edge_b_u_mm=profile.edge_a_u_mm,
        )  # fmt: skip
        a, b = b, a
    # A profile has no stations where an edge was not found: those that are there tell by their places along the seam.
    rows = np.searchsorted(line.s_mm, profile.s_mm - 1e-6).clip(0, len(line.s_mm) - 1)
    side = np.where((one.rectified.sight_deg[0][rows] > 0) != flipped, 1.0, -1.0)
    return _OnPanel(profile, a, b, up, side)


def _to_print(profile: GapProfile, printed: _Printed) -> GapProfile:
    """A photo's gap by what is known of the print scale from all photos."""
    gap = profile.gap_mm * printed.across
    parts = profile.parts_mm | {"print_scale": gap * printed.across_std}
    u = COVERAGE_FACTOR * combine(list(parts.values()))
    return replace(profile, gap_mm=gap, parts_mm=parts, expanded_u_mm=u)


def _own_line(k: int, one: Sighted, chain: Chain, settings: Settings) -> tuple[FloatArray, FloatArray]:
    """The middle of the gap by one photo in the common frame, and the direction from A to B, shapes (n, 2)."""
    line = recentre(one.rectified.line, one.edges.middle_mm, settings.station_mm)
    fitted, own = chain.fields[k], one.look.field

    def carried(places: FloatArray) -> FloatArray:
        return chain.to_common(k, fitted.to_panel(own.project(places, EDGE_HEIGHT_MM), EDGE_HEIGHT_MM))

    points = carried(line.points)
    return points, (carried(line.points + line.normals) - points) * (-1 if chain.flipped[k] else 1)


# --- one line ------------------------------------------------------------------------


def _common_line(lines: list[tuple[FloatArray, FloatArray]], station_mm: float) -> CentreLine:
    """The photos' own lines joined to one, its normals from A to B."""
    (points, across), *waiting = lines
    while waiting:
        away = [_apart(points, other) for other, _ in waiting]
        other, _ = waiting.pop(int(np.argmin(away)))
        points = _joined(points, other)
    padded = np.pad(points, ((_SMOOTH_STATIONS // 2,) * 2, (0, 0)), mode="reflect", reflect_type="odd")
    kernel = np.ones(_SMOOTH_STATIONS) / _SMOOTH_STATIONS
    smooth = np.stack([np.convolve(padded[:, i], kernel, mode="valid") for i in range(2)], 1)
    line = line_through(smooth, station_mm)
    near = np.linalg.norm(line.points[:, None] - lines[0][0][None, :: max(1, len(across) // 8)], axis=2).argmin(0)
    way = (line.normals[near] * across[:: max(1, len(across) // 8)]).sum()
    return line if way > 0 else replace(line, normals=-line.normals)


def _apart(points: FloatArray, other: FloatArray) -> float:
    """Least distance between two lines; below 0 by how much they overlap [mm]."""
    near = np.linalg.norm(points[:, None, :] - other[None, ::4], axis=2).min(0)
    beside = int((near < _NEAR_MM).sum())
    return -float(beside) if beside else float(near.min())


def _joined(points: FloatArray, other: FloatArray) -> FloatArray:
    """A line with what another one shows beyond its ends; where both run side by side they go over into each other."""
    apart = np.linalg.norm(other[:, None] - points[None], axis=2)
    nearest, near = apart.argmin(1), apart.min(1)
    beside = np.flatnonzero((near < _NEAR_MM) & (nearest > 0) & (nearest < len(points) - 1))
    if not len(beside):
        # Nothing of the seam between them was seen: a straight piece joins the ends that are nearest.
        ends = [(np.linalg.norm(p[-1] - q[0]), p, q) for p in (points, points[::-1]) for q in (other, other[::-1])]
        _, p, q = min(ends, key=lambda e: e[0])
        n = max(2, round(float(np.linalg.norm(q[0] - p[-1]))))
        return np.concatenate([p, p[-1] + np.linspace(0, 1, n)[1:-1, None] * (q[0] - p[-1]), q])
    if nearest[beside[-1]] < nearest[beside[0]]:
        return _joined(points, other[::-1])
    first, last = beside[0], beside[-1]
    out = points.copy()
    here, there = slice(nearest[first], nearest[last] + 1), slice(first, last + 1)
    n = nearest[last] + 1 - nearest[first]
    along = np.linspace(0, 1, last + 1 - first)
    beside_other = np.stack([np.interp(np.linspace(0, 1, n), along, other[there, i]) for i in range(2)], 1)
    # Each line's own end counts least.
    head, tail = other[:first], other[last + 1 :]
    ramp = np.linspace(0, 1, n)
    share = np.maximum(ramp if len(tail) else 0.0, (1 - ramp) if len(head) else 0.0) * np.ones(n)
    out[here] = (1 - share[:, None]) * points[here] + share[:, None] * beside_other
    parts = [head if len(head) else out[: nearest[first]], out[here], tail if len(tail) else out[nearest[last] + 1 :]]
    return np.concatenate(parts)


# --- one profile ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class _AtStations:
    """A photo's edges at the stations of the common line: columns (n,), NaN where it has none."""

    t_a: FloatArray
    t_b: FloatArray
    gap: FloatArray
    u: FloatArray
    row: NDArray[np.int64]  # its own station there
    to_end_mm: FloatArray  # from where its own edges begin or end, 0 where it has none
    side: FloatArray  # +1 where it looks from side B, else -1


def _fused(
    laid: list[_OnPanel], line: CentreLine, chain: Chain, settings: Settings
) -> tuple[GapProfile, list[int]]:
    """The profile of all photos, and which of them show another gap than those beside them."""
    seen = [_at_stations(one, line, settings.station_mm) for one in laid]
    to_end = np.array([one.to_end_mm for one in seen])
    pick = np.flatnonzero(to_end.max(0) > 0)
    if not len(pick):
        raise GapvisionError("edges-not-found")
    to_end = to_end[:, pick]

    def column(name: str) -> FloatArray:
        return np.array([getattr(one, name)[pick] for one in seen])

    gaps = column("gap")
    shares = shares_of(gaps, column("u") / COVERAGE_FACTOR, to_end, settings.station_mm)
    t_a, t_b, gap = shares.mean(column("t_a")), shares.mean(column("t_b")), shares.mean(gaps)
    apart = np.nan_to_num(gaps - gap)

    def mean(values: list[FloatArray], weight: FloatArray) -> FloatArray:
        return np.asarray((weight * np.nan_to_num(np.array(values)[:, pick])).sum(0))

    names = list(laid[0].profile.parts_mm)
    # What photos of one phone and finish err by is mostly shared: fused, it grows no smaller.
    parts = {
        name: mean([one.profile.parts_mm[name][s.row] for one, s in zip(laid, seen, strict=True)], shares.detail)
        for name in names
    }
    # The depth of an edge's outline and the step are taken alike in all photos: seen from A's side they move the edge
    # one way, from B's the other.
    for name in _TURN_WITH_SIDE:
        signed = mean(
            [s.side * one.profile.parts_mm[name][s.row] for one, s in zip(laid, seen, strict=True)], shares.offset
        )
        parts[name] = np.hypot(signed, _NOT_COMMON * parts[name])
    parts["repeat"] = combine([parts["repeat"], np.sqrt((shares.detail * apart**2).sum(0))])
    photo = shares.offset.argmax(0)
    rows = np.array([s.row for s in seen])[photo, pick]

    def of_photo(name: str) -> FloatArray:
        return np.array([getattr(laid[k].profile, name)[row] for k, row in zip(photo, rows, strict=True)])

    u_a, u_b = (
        mean([getattr(one.profile, name)[s.row] for one, s in zip(laid, seen, strict=True)], shares.detail)
        for name in ("edge_a_u_mm", "edge_b_u_mm")
    )
    normals, points = line.normals[pick], line.points[pick]
    a, b = points + t_a[:, None] * normals, points + t_b[:, None] * normals
    offset_a, offset_b = straight_offsets(a, b, normals)
    s = line.s_mm[pick] - line.s_mm[pick[0]]
    px_a, px_b = of_photo("edge_a_px"), of_photo("edge_b_px")
    up = np.array([laid[k].up_mm[0] for k in photo])
    profile = GapProfile(
        s_mm=s,
        gap_mm=gap,
        expanded_u_mm=COVERAGE_FACTOR * combine(list(parts.values())),
        edge_a_px=px_a,
        edge_b_px=px_b,
        edge_a_mm=offset_a,
        edge_b_mm=offset_b,
        edge_a_u_mm=u_a,
        edge_b_u_mm=u_b,
        parts_mm=parts,
        spacing_mm=settings.station_mm,
        photo=photo,
        course=_course(s, photo, 0.5 * (px_a + px_b), up, normals, chain),
    )
    return profile, _differing(gaps, column("u"), apart, to_end > 0)


def _differing(gaps: FloatArray, u: FloatArray, apart: FloatArray, there: NDArray[np.bool_]) -> list[int]:
    """Photos that show another gap than those beside them: by more than U of the difference, or far from all together.

    Of two that differ, the one that differs from more of the others.
    """
    shared, counts = there.sum(0) > 1, np.zeros(len(gaps), int)
    for j, k in combinations(range(len(gaps)), 2):
        both = there[j] & there[k]
        if both.sum() >= _LEAST_SHARED:
            by_u = np.abs(gaps[j] - gaps[k])[both] / np.hypot(u[j], u[k])[both]
            counts[[j, k]] += float(np.median(by_u)) > 1.0
    far = [
        (at := own & shared).sum() >= _LEAST_SHARED and float(np.median(np.abs(off[at]))) > _SEEN_OTHERWISE_MM
        for own, off in zip(there, apart, strict=True)
    ]
    return np.flatnonzero(far | ((counts > 0) & (counts == counts.max()))).tolist()


def _at_stations(one: _OnPanel, line: CentreLine, station_mm: float) -> _AtStations:
    n = len(line.s_mm)
    # A station of the photo belongs to the nearest of the common line; beyond it, to none.
    middle = 0.5 * (one.a + one.b)
    nearest = _nearest(middle, line.points)
    along = np.stack([line.normals[:, 1], -line.normals[:, 0]], 1)
    s, t = [], []
    for edge in (one.a, one.b):
        off = edge - line.points[nearest]
        s.append(line.s_mm[nearest] + (off * along[nearest]).sum(1) * _sense(line, along))
        t.append((off * line.normals[nearest]).sum(1))
    order = np.argsort(0.5 * (s[0] + s[1]), kind="stable")
    of_middle = 0.5 * (s[0] + s[1])[order]
    after = np.clip(np.searchsorted(of_middle, line.s_mm), 1, len(order) - 1)
    low, high = of_middle[after - 1], of_middle[after]
    inside = (line.s_mm >= low - 0.5 * station_mm) & (line.s_mm <= high + 0.5 * station_mm)
    inside &= high - low < _HOLE_MM * station_mm
    row = np.asarray(order[np.where(line.s_mm - low < high - line.s_mm, after - 1, after)], np.int64)

    def at(values: FloatArray, places: FloatArray) -> FloatArray:
        by = np.argsort(places, kind="stable")
        return np.where(inside, np.interp(line.s_mm, places[by], values[by]), np.nan)

    gap, u = (at(getattr(one.profile, name), 0.5 * (s[0] + s[1])) for name in ("gap_mm", "expanded_u_mm"))
    none = np.flatnonzero(~np.concatenate([[False], inside, [False]])) - 1
    after = np.searchsorted(none, np.arange(n)).clip(1, len(none) - 1)
    to_end = np.minimum(np.abs(none[after] - np.arange(n)), np.arange(n) - none[after - 1]) * station_mm
    to_end = np.where(inside, to_end, 0.0)
    return _AtStations(at(t[0], s[0]), at(t[1], s[1]), gap, u, row, to_end, one.side[row])


def _sense(line: CentreLine, along: FloatArray) -> float:
    ahead = line.points[-1 if len(line.points) < 8 else 7] - line.points[0]
    return 1.0 if float(along[: 8].sum(0) @ ahead) > 0 else -1.0


def _nearest(places: FloatArray, points: FloatArray) -> NDArray[np.int64]:
    out = [np.linalg.norm(part[:, None] - points[None], axis=2).argmin(1) for part in np.array_split(places, 8)]
    return np.asarray(np.concatenate(out), np.int64)


def _course(
    s: FloatArray, photo: NDArray[np.int64], px: FloatArray, up: FloatArray, normals: FloatArray, chain: Chain
) -> Course:
    """How far the frame leaves the seam's course open: modes at knots, less shift and turn of the whole."""
    n = max(3, round(float(s[-1] - s[0]) / _KNOT_MM) + 1)
    at = np.unique(np.searchsorted(s, np.linspace(s[0], s[-1], n)).clip(0, len(s) - 1))
    spread = chain.course(photo[at], px[at], up[at], normals[at])
    flat = np.stack([np.ones(len(at)), s[at] - s[at].mean()], 1)
    free = np.eye(len(at)) - flat @ np.linalg.pinv(flat)
    values, vectors = np.linalg.eigh(free @ spread @ free)
    modes = (vectors * np.sqrt(np.maximum(values, 0.0))).T[::-1]
    return Course(s_mm=s[at], modes_mm=modes[np.abs(modes).max(1) > _LEAST_MODE_MM])


# --- what is to be said --------------------------------------------------------------


def _made(
    kept: list[Sighted],
    chain: Chain,
    profile: GapProfile,
    told: tuple[ToldEdge, ToldEdge],
    step: Step,
    settings: Settings,
    notices: list[Notice],
    stations: int,
    printed: _Printed,
) -> Measurement:
    looks, seen, hinted = [one.look for one in kept], [one.edges for one in kept], settings.seam_hint_px is not None
    to_scale = all(look.to_scale for look in looks)
    refuse_profile(profile, hinted, any(look.found.cut_by_frame for look in looks))
    views = [v for look in looks for v in look.views]
    settings = of_seen(settings, views)
    notices = [*notices, *by_photo([(look.photo.file, bias_left_in(look.notices)) for look in looks])]
    if any(one.painted for one in kept):
        notices.append(Notice(code="gap-shown" if hinted else "gap-doubtful"))
    notices += doubts_of_several(
        [(look.photo, _not_cut_off(look.views, views), look.found) for look in looks],
        settings,
        chain.fields,
        [one.rectified for one in kept],
        seen,
        profile,
        looks[0].known,
        stations,
        [look.views for look in looks],
    )
    measured = step if step.source == "strips" else None
    sides = {letter: side for of_photo in reversed(chain.sides) for letter, side in of_photo.items()}
    one_side = len(set(sides.values())) == 1
    notices += known_notices({"A": told[0], "B": told[1]}, settings.known_step, measured, min(sides), one_side)
    notices.sort(key=lambda notice: notice.kind == "note")
    order = sorted(range(len(kept)), key=lambda k: looks[k].photo.file)
    profile = replace(profile, photo=np.argsort(order)[profile.photo])
    first = order[0]
    burnt = [
        (e.burnt_b_share, e.burnt_a_share) if f else (e.burnt_a_share, e.burnt_b_share)
        for e, f in zip(seen, chain.flipped, strict=True)
    ]
    burnt_a, burnt_b = np.mean(burnt, axis=0)
    return Measurement(
        status="warn" if any(notice.kind == "warning" for notice in notices) else "ok",
        notices=tuple(notices),
        photos=tuple(
            replace(
                seen_photo(looks[k].photo, looks[k].views, chain.fields[k]),
                frame=(float(chain.places[k][0]), float(chain.places[k][1]), float(chain.places[k][2])),
            )
            for k in order
        ),
        scale=_scale(
            scale_seen(to_scale, looks[first].views, chain.fields[first], kept[first].rectified, sides), printed
        ),
        profile=profile,
        **figures_of(profile),
        step_used=step,
        edge_a=edge_kept(told[0], float(burnt_a)),
        edge_b=edge_kept(told[1], float(burnt_b)),
        **seen_in_all(looks, seen),
        settings=settings,
        method_version=METHOD_VERSION,
    )


def _scale(scale: ScaleInfo, printed: _Printed) -> ScaleInfo:
    return replace(
        scale,
        print_scale_along=scale.print_scale_along * printed.along,
        print_scale_across=scale.print_scale_across * printed.across,
        print_scale_u=COVERAGE_FACTOR * printed.across_std,
        print_scale_along_u=COVERAGE_FACTOR * printed.along_std,
    )


def _not_cut_off(views: Sequence[StripView], everywhere: Sequence[StripView]) -> list[StripView]:
    """A photo's strips but those of which another photo shows more: a strip may well end at the picture's border."""
    most: dict[str, int] = {}
    for v in everywhere:
        most[v.letter] = max(most.get(v.letter, 0), len(v.corner_ids))
    return [v for v in views if len(v.corner_ids) == most[v.letter]]
