"""A phone's own lens from the photos of a study: focal length and bending of straight lines, for the fit of the field.

Each photo's fit says a little of the lens, and what it was told before looking is in it.  Here that is taken out again
and what is left of all photos is put together; the result is a prior for further photos of that phone.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gapvision.model import FittedField, FloatArray, Lens
from gapvision.vision.field import LENS, lens_prior

# What photos of one lens differ by, of log focal length, k1 and k2: the lens moves as it focuses and as the stabiliser
# holds it (common practice, no source).  The invented phones of lab/bench/studies came out up to 0.015, 0.002 and 0.007
# off the truth from 15 photos, whose strips lie alike and err alike.
_DIFFERS = np.array([0.01, 0.003, 0.005])
_LEAST_PHOTOS = 5
# Chance of so large a contradiction by a photo of the same lens, three degrees of freedom: 1 in 1000 (chi-squared).
_CONTRADICTED = 16.27
_SAYS_NOTHING = 1e-6


def lens_of(fields: Sequence[FittedField], focal_35mm_mm: float | None) -> Lens | None:
    """The lens that photos of one phone have in common; None where they are too few to say.

    Parameters
    ----------
    fields : sequence of FittedField
        One for each photo, fitted without knowing the lens; all of one size.
    focal_35mm_mm : float or None
        As they were fitted with.
    """
    if len(fields) < _LEAST_PHOTOS:
        return None
    mean, known = lens_prior(fields[0].size_px, focal_35mm_mm)
    told, pull = known, np.zeros(3)
    for field in fields:
        own, own_pull = _told_by(field, mean, known)
        told, pull = told + own, pull + own_pull
    covariance = np.linalg.inv(told) + np.diag(_DIFFERS**2)
    log_f, k1, k2 = mean + np.linalg.solve(told, pull)
    std = np.sqrt(np.diag(covariance))
    alike = covariance / np.outer(std, std)
    return Lens(
        focal_px=float(np.exp(log_f)), k1=float(k1), k2=float(k2), std_u=(float(std[0]), float(std[1]), float(std[2])),
        correlation=(float(alike[0, 1]), float(alike[0, 2]), float(alike[1, 2])),
    )  # fmt: skip


def contradicts(field: FittedField, focal_35mm_mm: float | None, lens: Lens) -> bool:
    """Whether a photo, fitted without knowing the lens, cannot be of it.

    Parameters
    ----------
    field, focal_35mm_mm
        As for :func:`lens_of`.
    lens : Lens
        Of a study.
    """
    mean, known = lens_prior(field.size_px, focal_35mm_mm)
    told, pull = _told_by(field, mean, known)
    off = pull - told @ (np.array([np.log(lens.focal_px), lens.k1, lens.k2]) - mean)
    spread = told + told @ lens.covariance @ told
    return bool(off @ np.linalg.pinv(spread, rcond=_SAYS_NOTHING, hermitian=True) @ off > _CONTRADICTED)


def _told_by(field: FittedField, mean: FloatArray, known: FloatArray) -> tuple[FloatArray, FloatArray]:
    """What the photo alone says: its information on the lens (3, 3), and that times how far it puts it off ``mean``."""
    whole = np.linalg.inv(field.covariance[np.ix_(LENS, LENS)])
    values, ways = np.linalg.eigh(whole - known)
    told = (ways * np.maximum(values, 0.0)) @ ways.T
    # The prior pulled towards its mean with ``known``, so the fit's own pull is all of it.
    return told, whole @ (field.params[LENS] - mean)
