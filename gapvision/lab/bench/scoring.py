"""Hold one measurement against the truth of its photo.

Written apart from every other scorer: a station is placed on the true seam in
the picture itself (nearest place of the line half-way between the true edges),
not by way of a camera model.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.scenes.truth import edge_form
from gapvision.model import GapProfile, Measurement, Straightness

FloatArray = NDArray[np.float64]

TRUSTED_U_MM, USEFUL_ERROR_MM, WRONG_ERROR_MM = 0.25, 0.15, 0.40
_REACH_BEYOND_CORNERS_MM = 12.0  # the outermost corners lie one square inside the strip's pattern
_MIN_CORNERS = 4
_LEAST_CORNERS = 6  # fewer of a strip are not measured by


@dataclass(slots=True, kw_only=True)
class Score:
    """What one photo came to; lengths in mm, shares of the visible seam beside the strips.

    Attributes
    ----------
    errors_mm, expanded_u_mm : ndarray, shape (n,)
        Measured less true gap of the stations that lie on the seam, and their stated U.
    reach_mm, covered_mm, trusted_mm, useful_mm, wrong_mm : float
        Visible seam beside the strips; the part with a station; with U <= 0.25; also right within 0.15; trusted yet
        off by more than 0.40.
    stray : int
        Stations that do not lie on the seam.
    edge_bias_mm : dict
        Median of each true side's error, + read too far inside its panel.
    straightness_mm : list of (error, trusted)
        Error of the minimum zone of each edge, and whether both edges are trusted.
    """

    name: str
    good: bool
    accept: tuple[str, ...]
    status: str
    codes: tuple[str, ...] = ()
    backlit: bool = False
    burnt_out: bool = False
    hard: bool = False
    errors_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    expanded_u_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    reach_mm: float = 0.0
    covered_mm: float = 0.0
    trusted_mm: float = 0.0
    useful_mm: float = 0.0
    wrong_mm: float = 0.0
    stray: int = 0
    edge_bias_mm: dict[str, float] = field(default_factory=dict)
    straightness_mm: list[tuple[float, bool]] = field(default_factory=list)
    flush_error_mm: float | None = None
    flush_counts: bool = False

    @property
    def status_right(self) -> bool:
        """Whether the status is one that the truth accepts."""
        return self.status in self.accept

    @property
    def within_u(self) -> float | None:
        """Share of the errors within the stated U."""
        if not len(self.errors_mm):
            return None
        return float((np.abs(self.errors_mm) <= self.expanded_u_mm).mean())


def print_scale(truth: dict[str, Any]) -> tuple[float, float]:
    """Print scale along and across the strips: all that a measuring run may take from the truth."""
    value = truth["print_scale"]
    return (float(value[0]), float(value[1])) if isinstance(value, list) else (float(value), float(value))


def stated(truth: dict[str, Any]) -> dict[str, Any]:
    """What a user knows who has felt the edges and read the step: settings of a measurement, from the truth."""
    in_view = [strip for strip in truth["strips"] if strip["corners_in_frame"] >= _LEAST_CORNERS]
    side = min(in_view, key=lambda strip: str(strip["letter"]))["side"] if in_view else "A"
    known: dict[str, Any] = {"step_mm": float(truth["flush_mm"]) * (1 if side == "A" else -1)}
    for name, true_side in zip("ab", "AB" if side == "A" else "BA", strict=True):
        edge = truth["edge_types"][true_side]
        known[f"edge_{name}"] = "cut" if edge["type"] == "cut" else "rolled"
        if edge["type"] != "cut":
            known[f"edge_{name}_radius_mm"] = float(edge["r"])
    return known


def _reach(truth: dict[str, Any], s: FloatArray) -> NDArray[np.bool_]:
    """Places of the visible seam that lie beside a strip."""
    beside = np.zeros(len(s), bool)
    for one in truth["strips"]:
        if one["reach_sigma"] and one["corners_in_frame"] >= _MIN_CORNERS:
            low, high = one["reach_sigma"]
            beside |= (s >= low - _REACH_BEYOND_CORNERS_MM) & (s <= high + _REACH_BEYOND_CORNERS_MM)
    return np.asarray(beside & np.array(truth["edges"]["visible"], bool))


def _nearest(points: FloatArray, line: FloatArray, s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Foot of each point on a polyline: its s, and the signed distance [px], + to the left of the line's way."""
    start, way = line[:-1], np.diff(line, axis=0)
    length2 = (way * way).sum(axis=1)
    at, off = np.empty(len(points)), np.empty(len(points))
    for i, p in enumerate(points):
        k = int(((line - p) ** 2).sum(axis=1).argmin())
        best = np.inf
        for j in (max(k - 1, 0), min(k, len(way) - 1)):
            share = float(np.clip(((p - start[j]) @ way[j]) / length2[j], 0, 1))
            gap = p - start[j] - share * way[j]
            distance = float(np.hypot(*gap))
            if distance < best:
                best = distance
                at[i] = s[j] + share * (s[j + 1] - s[j])
                off[i] = distance * np.sign(way[j][0] * gap[1] - way[j][1] * gap[0])
    return at, off


def score(measurement: Measurement, truth: dict[str, Any]) -> Score:
    """Score one measurement.

    Parameters
    ----------
    measurement : Measurement
        As :func:`gapvision.recipe.measure_photo` gives it.
    truth : dict
        From ``NAME.truth.json``.
    """
    edges = truth["edges"]
    s, gap = np.array(edges["s"], float), np.array(edges["gap"], float)
    reach = _reach(truth, s)
    step = float(edges["step_mm"])
    level = (truth.get("render") or {}).get("gap_over_clip")
    made = Score(
        name=truth["name"],
        good=truth["expect"] == "ok",
        accept=tuple(truth["accept"]),
        status=measurement.status,
        codes=tuple(n.code for n in measurement.notices),
        backlit=bool(truth.get("backlight")),
        burnt_out=level is not None and level > 1,
        hard=bool(truth.get("hard_edge")),
        reach_mm=float(reach.sum() * step),
    )
    profile = measurement.profile
    if profile is None:
        return made
    line_a, line_b = np.array(edges["A_px"], float), np.array(edges["B_px"], float)
    middle = 0.5 * (line_a + line_b)
    at, off = _nearest(0.5 * (profile.edge_a_px + profile.edge_b_px), middle, s)
    px_per_mm = np.interp(at, s, np.linalg.norm(line_b - line_a, axis=1) / gap)
    inside = (at >= s[0]) & (at <= s[-1]) & (np.abs(off) / px_per_mm < np.maximum(3.0, np.interp(at, s, gap)))
    made.stray = int((~inside).sum())
    if not inside.any():
        return made
    at, u, px_per_mm = at[inside], profile.expanded_u_mm[inside], px_per_mm[inside]
    error = profile.gap_mm[inside] - np.interp(at, s, gap)
    made.errors_mm, made.expanded_u_mm = error, u
    _cover(made, at, error, u, s, reach, step)
    swapped = _edges(made, profile, inside, px_per_mm, (line_a, line_b), s)
    _form(made, measurement, truth, (float(at.min()), float(at.max())), float((u <= TRUSTED_U_MM).mean()), swapped)
    if measurement.step is not None:
        sign = -1.0 if swapped else 1.0
        made.flush_error_mm = sign * measurement.step.mean_mm - float(truth["flush_mm"])
        made.flush_counts = float(truth["camera"]["distance_mm"]) <= 350
    return made


@dataclass(slots=True, kw_only=True)
class SetScore(Score):
    """What one measurement from a set of photos came to.

    Attributes
    ----------
    radius_errors_mm : list of float
        Measured less true radius of each rolled edge whose radius is told.
    beside_mm : float
        Length of the stations with U <= 0.25 that lie on no seam.
    """

    beside_mm: float = 0.0
    radius_errors_mm: list[float] = field(default_factory=list)


def score_set(measurement: Measurement, truths: Sequence[dict[str, Any]]) -> SetScore:
    """Score one measurement from several photos of one seam.

    Parameters
    ----------
    measurement : Measurement
        Of those photos, or of some of them; which, their files' names tell.
    truths : sequence of dict
        From ``NAME.truth.json`` of each photo.  The seam that counts is what lies beside a strip in any of them.
    """
    first = truths[0]
    seams = [np.array(truth["edges"]["s"], float) for truth in truths]
    s = np.unique(np.round(np.concatenate(seams), 3))
    gap, reach = np.full(len(s), np.nan), np.zeros(len(s), bool)
    for truth, own in zip(truths, seams, strict=True):
        rows = np.searchsorted(s, np.round(own, 3))
        gap[rows] = truth["edges"]["gap"]
        reach[rows] |= _reach(truth, own)
    step = float(first["edges"]["step_mm"])
    made = SetScore(
        name=first["name"][:-1],
        good=True,
        accept=("ok", "warn"),
        status=measurement.status,
        codes=tuple(n.code for n in measurement.notices),
        reach_mm=float(reach.sum() * step),
    )
    profile = measurement.profile
    if profile is None:
        return made
    at, inside, swapped, *_ = stations_on_truth(profile, measurement, truths)
    made.stray = int((~inside).sum())
    made.beside_mm = float((~inside & (profile.expanded_u_mm <= TRUSTED_U_MM)).sum() * profile.spacing_mm)
    if not inside.any():
        return made
    error, u = profile.gap_mm[inside] - np.interp(at[inside], s, gap), profile.expanded_u_mm[inside]
    made.errors_mm, made.expanded_u_mm = error, u
    _cover(made, at[inside], error, u, s, reach, step)
    if measurement.step is not None:
        made.flush_error_mm = (-1.0 if swapped else 1.0) * measurement.step.mean_mm - float(first["flush_mm"])
        made.flush_counts = len({strip["side"] for strip in first["strips"]}) == 2
    read = (measurement.edge_b, measurement.edge_a) if swapped else (measurement.edge_a, measurement.edge_b)
    for side, edge in zip("AB", read, strict=True):
        true = first["edge_types"][side]
        if true["type"] == "hem" and edge is not None and edge.kind != "cut":
            told = edge.radius_mm if edge.radius_mm is not None else edge.depth_mm
            made.radius_errors_mm.append(float(told - true["r"]))
    return made


def stations_on_truth(
    profile: GapProfile, measurement: Measurement, truths: Sequence[dict[str, Any]]
) -> tuple[FloatArray, NDArray[np.bool_], bool, FloatArray, FloatArray, FloatArray]:
    """Where stations lie on the true seam of all photos, whether they do, whether A is its B; its s and both edges."""
    seams = [np.array(truth["edges"]["s"], float) for truth in truths]
    s = np.unique(np.round(np.concatenate(seams), 3))
    t_a, t_b = np.full(len(s), np.nan), np.full(len(s), np.nan)
    at, inside, swapped = np.full(len(profile.s_mm), np.nan), np.zeros(len(profile.s_mm), bool), False
    numbers = {photo.file.rpartition(".")[0]: k for k, photo in enumerate(measurement.photos)}
    for truth, own in zip(truths, seams, strict=True):
        rows = np.searchsorted(s, np.round(own, 3))
        t_a[rows], t_b[rows] = truth["edges"]["tA"], truth["edges"]["tB"]
        mine = np.flatnonzero(profile.photo == numbers.get(truth["name"], -1))
        if not len(mine):
            continue
        line_a, line_b = np.array(truth["edges"]["A_px"], float), np.array(truth["edges"]["B_px"], float)
        read_a, read_b = profile.edge_a_px[mine], profile.edge_b_px[mine]
        at[mine], off = _nearest(0.5 * (read_a + read_b), 0.5 * (line_a + line_b), own)
        here = np.interp(at[mine], own, truth["edges"]["gap"])
        px_per_mm = np.interp(at[mine], own, np.linalg.norm(line_b - line_a, axis=1) / truth["edges"]["gap"])
        inside[mine] = (at[mine] >= own[0]) & (at[mine] <= own[-1]) & (np.abs(off) / px_per_mm < np.maximum(3.0, here))
        to_a = [np.abs(_nearest(p, line_a, own)[1]) for p in (read_a, read_b)]
        swapped = bool(np.median(to_a[0]) > np.median(to_a[1]))
    return at, inside, swapped, s, t_a, t_b


def _cover(
    made: Score, at: FloatArray, error: FloatArray, u: FloatArray, s: FloatArray, reach: NDArray[np.bool_], step: float
) -> None:
    """Fill in the lengths: covered, trusted, useful, wrong."""
    order = np.argsort(at)
    at, error, u = at[order], np.abs(error[order]), u[order]
    spacing = float(np.median(np.diff(at))) if len(at) > 1 else 1.0
    right = np.clip(np.searchsorted(at, s), 1, max(len(at) - 1, 1))
    right = np.minimum(right, len(at) - 1)
    left = np.maximum(right - 1, 0)
    nearest = np.where(np.abs(at[left] - s) <= np.abs(at[right] - s), left, right)
    near = np.abs(at[nearest] - s) <= float(np.clip(0.75 * spacing, 0.5, 5.0))
    covered = reach & near
    trusted = covered & (u[nearest] <= TRUSTED_U_MM)
    made.covered_mm = float(covered.sum() * step)
    made.trusted_mm = float(trusted.sum() * step)
    made.useful_mm = float((trusted & (error[nearest] <= USEFUL_ERROR_MM)).sum() * step)
    made.wrong_mm = float((trusted & (error[nearest] > WRONG_ERROR_MM)).sum() * step)


def _edges(made: Score, profile: Any, inside: Any, px_per_mm: FloatArray, lines: Any, s: FloatArray) -> bool:
    """Fill in the bias of each edge; return whether the run's A is the truth's B."""
    line_a, line_b = lines
    read_a, read_b = profile.edge_a_px[inside], profile.edge_b_px[inside]
    to_a = [np.abs(_nearest(p, line_a, s)[1]) for p in (read_a, read_b)]
    swapped = bool(np.median(to_a[0]) > np.median(to_a[1]))
    if swapped:
        read_a, read_b = read_b, read_a
    _, b_from_a = _nearest(line_b[::50], line_a, s)
    outward = -float(np.sign(np.median(b_from_a)))  # which side of line A is panel A's
    made.edge_bias_mm = {
        "A": float(np.median(outward * _nearest(read_a, line_a, s)[1] / px_per_mm)),
        "B": float(np.median(-outward * _nearest(read_b, line_b, s)[1] / px_per_mm)),
    }
    return swapped


def _form(
    made: Score,
    measurement: Measurement,
    truth: dict[str, Any],
    span: tuple[float, float],
    trusted: float,
    swapped: bool,
) -> None:
    """Fill in the errors of straightness over the measured span of a straight seam."""
    if truth["seam"]["kind"] != "straight":
        return
    edges = truth["edges"]
    s = np.array(edges["s"], float)
    part = (s >= span[0]) & (s <= span[1])
    if part.sum() < 10:
        return
    read: dict[str, Straightness | None] = {"A": measurement.straightness_a, "B": measurement.straightness_b}
    if swapped:
        read = {"A": read["B"], "B": read["A"]}
    for side, key in (("A", "tA"), ("B", "tB")):
        form = read[side]
        if form is not None:
            true = edge_form(s[part], np.array(edges[key], float)[part])["min_zone_mm"]
            made.straightness_mm.append((form.min_zone_mm - true, trusted >= 0.9))
