"""Does what a measurement file says as a whole follow from its stations, and its verdict from both?

Looked at when a job comes from another shop, and by ``verify`` for all that is stored.  Cheap looks come first; only
where one of them does not settle it are the figures made anew as they were made in the first place.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from gapvision.geometry.edge_form import LEAST_TRUSTED, TRUSTED_EDGE_U_MM, figures_of, running_medians
from gapvision.geometry.straightness import tight_widths
from gapvision.model import COVERAGE_FACTOR, FloatArray, GapProfile, Measurement, Straightness

#: A file's numbers are rounded to 0.001 mm or finer.
ROUNDED_MM = 0.002
_ROUNDED_SHARE = 0.01  # of what cheap looks find of a form
_WINDOWS_APART_MM = 10.0
#: The line of least squares was another one, and the smooth curve not yet the same, in the first version.
_FORM_SHARES = {"lsq_mm": 0.1, "fairness_mm": 0.1}
_FORM = ("min_zone_mm", "lsq_mm", "expanded_u_mm", "span_mm", "worst_100_mm", "fairness_mm")
_SUMMARY = {
    "mean_mm": "mean", "min_mm": "smallest", "max_mm": "largest", "std_mm": "standard deviation",
    "taper_mm_per_m": "taper",
}  # fmt: skip


def contradiction(m: Measurement) -> str:
    """What a measurement says as a whole and its stations do not, in words; empty when all follows from them."""
    return contradictions([m])[0]


def contradictions(measurements: Sequence[Measurement]) -> list[str]:
    """The same of many at once, which costs far less for each."""
    told = ["" if m.profile is None else "the profile has no length" for m in measurements]
    real = [(k, m, m.profile) for k, m in enumerate(measurements)]
    some = [(k, m, p) for k, m, p in real if p is not None and m.summary is not None and len(p.s_mm) > 1]
    if not some:
        return told
    wrong = _summaries_wrong([(m, p) for _, m, p in some])
    hold = _forms_hold([(m, p) for _, m, p in some])
    for (k, m, p), names, held in zip(some, wrong, hold, strict=True):
        if not names and not held and not _forms_follow(m, p):
            names.append("straightness")
        told[k] = f"figures contradict the stations ({', '.join(names)})" if names else ""
        if not names and p.parts_mm and not _u_holds_its_parts(p):
            told[k] = "U is smaller than its parts"
    return told


def _table(rows: Sequence[FloatArray]) -> FloatArray:
    """Rows of different lengths as one table; shorter ones go on with their last value."""
    out = np.empty((len(rows), max(map(len, rows))))
    for line, row in zip(out, rows, strict=True):
        line[: len(row)], line[len(row) :] = row, row[-1]
    return out


def _inside(rows: Sequence[FloatArray], table: FloatArray) -> tuple[FloatArray, FloatArray]:
    """1 where a row has a value of its own, else 0; and how many it has, as a column."""
    count = np.array([[len(row)] for row in rows], float)
    return (np.arange(table.shape[1]) < count).astype(float), count


def _summaries_wrong(some: Sequence[tuple[Measurement, GapProfile]]) -> list[list[str]]:
    """The names of each summary's figures that its stations do not give."""
    rows = [p.gap_mm for _, p in some]
    gap, s = _table(rows), _table([p.s_mm for _, p in some])
    own, count = _inside(rows, gap)
    mean = (gap * own).sum(axis=1, keepdims=True) / count
    off, ds = (gap - mean) * own, (s - (s * own).sum(axis=1, keepdims=True) / count) * own
    slope = np.where(count[:, 0] > 2, 1000 * (ds * off).sum(axis=1) / (ds * ds).sum(axis=1), 0.0)
    slope[[p.own_line for _, p in some]] = 0.0  # a seam that closes has no taper
    std = np.sqrt((off * off).sum(axis=1) / count[:, 0])
    found = np.stack([mean[:, 0], gap.min(axis=1), gap.max(axis=1), std, slope], axis=1)
    room = np.full(found.shape, ROUNDED_MM)
    room[:, 4] += 1000 * ROUNDED_MM / np.ptp(s, axis=1)
    said = np.array([[getattr(m.summary, name) for name in _SUMMARY] for m, _ in some], float)
    good = np.abs(said - found) <= room  # of what is no number, nothing is
    words = list(_SUMMARY.values())
    return [[word for word, one in zip(words, row, strict=True) if not one] for row in good.tolist()]


def _u_holds_its_parts(p: GapProfile) -> bool:
    parts = np.array(list(p.parts_mm.values()))
    parts = np.where(np.isnan(parts), 0.0, parts)
    least = COVERAGE_FACTOR * np.sqrt((parts * parts).sum(axis=0))
    return bool((p.expanded_u_mm >= least - ROUNDED_MM).all())


def _near(told: float | None, found: float | None, share: float = 0.0) -> bool:
    """Whether a figure is the one found, but for rounding and a share of it."""
    if told is None or found is None:
        return told is found
    return abs(told - found) <= ROUNDED_MM + share * abs(found)


def _forms_hold(some: Sequence[tuple[Measurement, GapProfile]]) -> list[bool]:
    """A cheap look at both edges of seams straight by design; what it does not settle is worked out whole."""
    held, edges, of = [False] * len(some), list[Any](), list[int]()
    for k, (m, p) in enumerate(some):
        middle = 0.5 * (p.edge_a_mm + p.edge_b_mm)
        forms = (m.straightness_a, p.edge_a_mm, p.edge_a_u_mm), (m.straightness_b, p.edge_b_mm, p.edge_b_u_mm)
        # Of a larger sag it may be curved by design.
        if m.seam_kind != "straight" or len(middle) < 10 or np.ptp(middle) > 2.0:
            continue
        mine = [(form, *_trusted(p.s_mm, edge, u)) for form, edge, u in forms if form and form.fairness_mm is None]
        if len(mine) == 2 and all(len(s) for _, s, _, _ in mine):
            edges, of, held[k] = edges + mine, [*of, k, k], True
    for k, good in zip(of, _edges_hold(edges) if edges else (), strict=True):
        held[k] = held[k] and good
    return held


def _trusted(s: FloatArray, edge: FloatArray, u: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
    good = u <= TRUSTED_EDGE_U_MM
    count = int(good.sum())
    if count < LEAST_TRUSTED * len(u) or count < 10:
        return s[:0], s[:0], s[:0]
    return (s, edge, u) if count == len(u) else (s[good], edge[good], u[good])


def _windows(
    table: FloatArray, row: NDArray[np.intp], begin: NDArray[np.intp], end: NDArray[np.intp]
) -> FloatArray:  # fmt: skip
    """Pieces of a table's rows as one table; shorter ones go on with their last value."""
    most = int((end - begin).max())
    if (end - begin == most).all():  # stations without a hole; copied as they lie
        return np.asarray(sliding_window_view(table, most, axis=1)[row, begin])
    return np.asarray(table[row[:, None], np.minimum(begin[:, None] + np.arange(most), end[:, None] - 1)])


def _middle(table: FloatArray, own: FloatArray) -> FloatArray:
    """Median of each row's own values."""
    ordered, count = np.sort(np.where(own > 0, table, np.inf), axis=1), own.sum(axis=1).astype(int)
    row = np.arange(len(table))
    return 0.5 * np.asarray(ordered[row, (count - 1) // 2] + ordered[row, count // 2])


def _edges_hold(edges: Sequence[tuple[Straightness, FloatArray, FloatArray, FloatArray]]) -> list[bool]:
    """Whether what is told of the form of each edge follows from its trusted stations, edges and their U."""
    forms, rows, edge_rows, u_rows = zip(*edges, strict=True)
    s, edge = _table(rows), _table(edge_rows)
    own, count = _inside(rows, s)
    clean = running_medians(edge)
    random = _middle(np.abs(np.diff(edge, axis=1)), own[:, 1:])
    expanded_u = np.hypot(_middle(_table(u_rows), own), COVERAGE_FACTOR * random)
    # The line with the least perpendicular distances, as its second moments give it.
    dx, dy = ((v - (v * own).sum(axis=1, keepdims=True) / count) for v in (s, clean))
    xx, yy, xy = ((a * b * own).sum(axis=1, keepdims=True) for a, b in ((dx, dx), (dy, dy), (dx, dy)))
    turn = 0.5 * np.arctan2(2 * xy, xx - yy)
    found = {
        "span_mm": s[:, -1] - s[:, 0], "expanded_u_mm": expanded_u,
        "lsq_mm": np.ptp(np.cos(turn) * dy - np.sin(turn) * dx, axis=1), "min_zone_mm": tight_widths(s, clean),
    }  # fmt: skip
    share = {"min_zone_mm": _ROUNDED_SHARE}
    held = [
        all(_near(getattr(form, name), float(values[k]), share.get(name, 0.0)) for name, values in found.items())
        for k, form in enumerate(forms)
    ]
    asked = list[tuple[int, float, FloatArray]]()
    for k, (form, x) in enumerate(zip(forms, rows, strict=True)):
        if form.worst_100_mm is None or form.worst_100_from_mm is None:
            held[k] = held[k] and form.worst_100_mm is None and bool(x[-1] - x[0] < 99.0)
        elif held[k]:
            # The window that is told, and some along the edge: none of these may be worse.
            starts = [form.worst_100_from_mm - 1e-6, *np.arange(x[0], x[-1] - 100.0, _WINDOWS_APART_MM)]
            asked.append((k, form.worst_100_mm, np.minimum(np.searchsorted(x, starts), len(x) - 1)))
    if asked:
        row = np.concatenate([np.full(len(at), k) for k, _, at in asked])
        begin = np.concatenate([at for _, _, at in asked])
        end = np.concatenate([np.searchsorted(rows[k], rows[k][at] + 100.0 + 1e-6, side="right") for k, _, at in asked])
        most = np.concatenate([np.full(len(at), told * (1 + _ROUNDED_SHARE) + ROUNDED_MM) for _, told, at in asked])
        first = np.cumsum([0, *(len(at) for _, _, at in asked)])
        enough = most.copy()
        enough[first[:-1]] = 0.0  # of the window that is told the width itself is wanted
        widths = tight_widths(_windows(s, row, begin, end), _windows(clean, row, begin, end), enough)
        for (k, told, _), a, b in zip(asked, first[:-1], first[1:], strict=True):
            held[k] = _near(told, float(widths[a]), _ROUNDED_SHARE) and bool((widths[a:b] <= most[a:b]).all())
    return held


def _forms_follow(m: Measurement, p: GapProfile) -> bool:
    """The same by working the figures out as they were made; stations on the edge of trust may fall either way."""
    for shift in (0.0, 1e-5):
        u = {f"edge_{e}_u_mm": getattr(p, f"edge_{e}_u_mm") + shift for e in "ab"}
        made = figures_of(replace(p, **u) if shift else p)
        pairs = [(getattr(m, f"straightness_{e}"), made[f"straightness_{e}"]) for e in "ab"]
        if m.seam_kind == made["seam_kind"] and all(_same_form(told, found) for told, found in pairs):
            return True
    return False


def _same_form(told: Straightness | None, found: Straightness | None) -> bool:
    if told is None or found is None:
        return told is found
    return all(_near(getattr(told, key), getattr(found, key), _FORM_SHARES.get(key, 0.0)) for key in _FORM)
