"""What U a specification needs, said before anything is measured, and which way of measuring gives it."""

from __future__ import annotations

import numpy as np

from gapvision.geometry.lines import fit_line
from gapvision.judgement.conformity import guard_band
from gapvision.judgement.linear import functional_std, window_jump_factor
from gapvision.model import COVERAGE_FACTOR, DecisionRule, Need, Needs, Specification, Way

#: Share of a limit that is left to the work where U is as small as advised; common practice, no source.
_FOR_THE_WORK = 0.5
_PHOTO_MM = 250.0  # what one photo shows of a seam, where no length is given
_STATIONS = 200


#: Measured on 2026-11-28 with method 9 on good photos of shared/photos, nothing stated of sheets and edges:
#: 3 photos lit so, 4 of primed or matt panels over a dark gap, 5 with strips on one side, 8 of bare metal or gloss.
WAYS = (Way("lit", 0.22, 0.30), Way("dark", 0.19, 0.31), Way("one side", 0.29, 0.54), Way("bare", 0.31, 1.08))


def needed_u(spec: Specification, rule: DecisionRule | None = None) -> Needs:
    """What U of the gap a specification needs, and which ways of measuring gave one that proves something.

    Notes
    -----
    The U of taper and jump follow from that of the gap under the worst correlation along the seam, as in the verdict.
    A rule that takes no account of U is advised the same, though it proves nothing.
    """
    half = spec.half_width_mm
    needs = [_need("gap", half, 1.0, rule)]
    if spec.taper_mm_per_m is not None:
        s = np.linspace(0.0, spec.taper_over_mm or spec.length_mm or _PHOTO_MM, _STATIONS)
        factor = 1000 * functional_std(fit_line(s, s).slope_weights, s, np.ones(_STATIONS))
        needs.append(_need("taper", spec.taper_mm_per_m, factor, rule))
    if spec.jump_10_mm is not None:
        needs.append(_need("jump", spec.jump_10_mm, window_jump_factor(1.0), rule))
    first = min(needs, key=lambda x: x.advised_mm)
    return Needs(first, tuple(w for w in WAYS if w.most_mm <= first.most_mm))


def _need(kind: str, limit: float, factor: float, rule: DecisionRule | None) -> Need:
    """U of the gap whose guard band is the whole limit, and the share of it that is not left to the work."""
    if rule is None or rule.name != "risk":
        return Need(kind, limit / factor, _FOR_THE_WORK * limit / factor)
    tries = np.linspace(1e-3, 1.0, 1000) * limit  # standard uncertainties
    bands = guard_band(tries, 2 * limit, rule)
    most, advised = (float(tries[bands <= share * limit].max(initial=0.0)) for share in (1.0, _FOR_THE_WORK))
    return Need(kind, COVERAGE_FACTOR * most / factor, COVERAGE_FACTOR * advised / factor)
