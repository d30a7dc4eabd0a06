"""Leave stations out of a measurement, and work its numbers out again from what stays."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from gapvision.geometry.edge_form import figures_of
from gapvision.model import LeftOut, Measurement


def leave_out(measurement: Measurement, spans: Sequence[LeftOut]) -> Measurement:
    """Take spans out of a profile: they become holes.

    Parameters
    ----------
    measurement : Measurement
        A measured or refused photo; it is not changed.
    spans : sequence of LeftOut
        What to leave out beside what is left out already.

    Returns
    -------
    Measurement
        With summary, straightness and holes of what stays, and the spans, as far as there were stations, among its
        settings.  If nothing would stay, the measurement as it was.
    """
    profile = measurement.profile
    if profile is None or not spans:
        return measurement
    keep = np.ones(len(profile.s_mm), bool)
    for span in spans:
        keep &= (profile.s_mm < span.from_mm - 1e-6) | (profile.s_mm > span.to_mm + 1e-6)
    if not keep.any():
        return measurement
    first, last = measurement.ends_mm or (0.0, 0.0)
    within = [x for x in spans if x.from_mm <= last and x.to_mm >= first]
    spans = [replace(x, from_mm=max(x.from_mm, first), to_mm=min(x.to_mm, last)) for x in within]
    settings = replace(measurement.settings, left_out=(*measurement.left_out, *spans))
    if keep.all():
        return replace(measurement, settings=settings)
    stays = profile.picked(keep)
    return replace(measurement, profile=stays, settings=settings, **figures_of(stays))
