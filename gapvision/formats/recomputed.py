"""Does what a measurement file says as a whole follow from its stations, and its verdict from both?

Looked at when a job comes from another shop, and by ``verify`` for all that is stored.  Cheap looks come first; only
where one of them does not settle it are the figures made anew as they were made in the first place.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from gapvision.geometry.edge_form import LEAST_TRUSTED, TRUSTED_EDGE_U_MM, figures_of, running_median
from gapvision.geometry.lines import fit_line
from gapvision.geometry.straightness import least_squares_zone, tight_widths
from gapvision.geometry.uncertainty import combine
from gapvision.model import COVERAGE_FACTOR, FloatArray, GapProfile, Measurement, Straightness

#: A file's numbers are rounded to 0.001 mm or finer.
ROUNDED_MM = 0.002
_ROUNDED_SHARE = 0.01  # of what cheap looks find of a form
_WINDOWS_APART_MM = 10.0
#: The line of least squares was another one, and the smooth curve not yet the same, in the first version.
_FORM_SHARES = {"lsq_mm": 0.1, "fairness_mm": 0.1}
_FORM = ("min_zone_mm", "lsq_mm", "expanded_u_mm", "span_mm", "worst_100_mm", "fairness_mm")


def contradiction(m: Measurement) -> str:
    """What a measurement says as a whole and its stations do not, in words; empty when all follows from them."""
    p = m.profile
    if p is None:
        return ""
    if m.summary is None or len(p.s_mm) < 2:
        return "the profile has no length"
    gap, told = p.gap_mm, m.summary
    slope = 1000 * fit_line(p.s_mm, gap).slope if len(gap) > 2 else 0.0
    room = {"taper": ROUNDED_MM + 1000 * ROUNDED_MM / float(np.ptp(p.s_mm))}
    pairs = {
        "mean": (told.mean_mm, gap.mean()), "smallest": (told.min_mm, gap.min()), "largest": (told.max_mm, gap.max()),
        "standard deviation": (told.std_mm, gap.std()), "taper": (told.taper_mm_per_m, slope),
    }  # fmt: skip
    wrong = [name for name, (said, found) in pairs.items() if not abs(said - found) <= room.get(name, ROUNDED_MM)]
    if not wrong and not _forms_hold(m, p) and not _forms_follow(m, p):
        wrong = ["straightness"]
    if wrong:
        return f"figures contradict the stations ({', '.join(wrong)})"
    return "U is smaller than its parts" if p.parts_mm and not _u_holds_its_parts(p) else ""


def _u_holds_its_parts(p: GapProfile) -> bool:
    parts = np.array([np.nan_to_num(part) for part in p.parts_mm.values()])
    least = COVERAGE_FACTOR * np.sqrt((parts * parts).sum(axis=0))
    return bool((p.expanded_u_mm >= least - ROUNDED_MM).all())


def _near(told: float | None, found: float | None, share: float = 0.0) -> bool:
    """Whether a figure is the one found, but for rounding and a share of it."""
    if told is None or found is None:
        return told is found
    return abs(told - found) <= ROUNDED_MM + share * abs(found)


def _forms_hold(m: Measurement, p: GapProfile) -> bool:
    """A cheap look at both edges of a seam that is straight by design; what it does not settle is worked out whole."""
    if m.seam_kind != "straight" or m.straightness_a is None or m.straightness_b is None:
        return False
    middle = 0.5 * (p.edge_a_mm + p.edge_b_mm)
    if len(middle) < 10 or np.ptp(middle) > 2.0:  # it may be curved by design
        return False
    edges = ((m.straightness_a, p.edge_a_mm, p.edge_a_u_mm), (m.straightness_b, p.edge_b_mm, p.edge_b_u_mm))
    return all(_form_holds(form, p.s_mm, edge, u) for form, edge, u in edges)


def _form_holds(told: Straightness, s: FloatArray, edge: FloatArray, u: FloatArray) -> bool:
    good = u <= TRUSTED_EDGE_U_MM
    if good.mean() < LEAST_TRUSTED or good.sum() < 10 or told.fairness_mm is not None:
        return False
    s, edge, u = s[good], edge[good], u[good]
    clean, random = running_median(edge), float(np.median(np.abs(np.diff(edge))))
    expanded_u = COVERAGE_FACTOR * float(combine([float(np.median(u)) / COVERAGE_FACTOR, random]))
    held = (
        _near(told.span_mm, float(s[-1] - s[0])) and _near(told.expanded_u_mm, expanded_u)
        and _near(told.lsq_mm, least_squares_zone(s, clean).width)
        and _near(told.min_zone_mm, float(tight_widths(s[None], clean[None])[0]), _ROUNDED_SHARE)
    )  # fmt: skip
    if not held or told.worst_100_mm is None or told.worst_100_from_mm is None:
        return held and told.worst_100_mm is None and s[-1] - s[0] < 99.0
    # The window that is told, and some along the edge: none of these may be worse.
    begin = np.searchsorted(s, [told.worst_100_from_mm - 1e-6, *np.arange(s[0], s[-1] - 100.0, _WINDOWS_APART_MM)])
    begin = np.minimum(begin, len(s) - 1)
    end = np.searchsorted(s, s[begin] + 100.0 + 1e-6, side="right")
    inside = np.minimum(begin[:, None] + np.arange((end - begin).max()), end[:, None] - 1)
    widths = tight_widths(s[inside], clean[inside])
    most = told.worst_100_mm * (1 + _ROUNDED_SHARE) + ROUNDED_MM
    return _near(told.worst_100_mm, float(widths[0]), _ROUNDED_SHARE) and bool(widths.max() <= most)


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
