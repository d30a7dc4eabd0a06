"""Is it a gap at all?  What tells a pen line, chalk, tape or another mark on one panel from a gap between two.

Paint has no depth.  A mark is even from one border to the other, the panel beside it is as light right up to its
borders as further off, since nothing rolls away or is broken there, and no ink on a panel is as dark as a cavity, no
chalk as bright as a lamp behind it.  An edge of a panel is hardly ever like that on both sides of a gap that also shows
nothing of its inside.  Where all of it holds, the gap itself is in doubt.
"""

from __future__ import annotations

import cv2
import numpy as np

from gapvision.model import FloatArray
from gapvision.vision.band import ROW_MM, Band
from gapvision.vision.edges import SeamEdges
from gapvision.vision.rises import log_light

_ALONG = 9
_LEAST_STATIONS, _LEAST_GAP_MM = 20, 0.8
# Logarithms of light.  48 own scenes with lines and no seam: at most 0.02 beside the borders and 0.03 across the
# inside, and -2.6 to 1.0 from panel to mark; of 15 seams on shared photos one was as even, and darker: -3.0.
_EVEN_BESIDE, _EVEN_INSIDE, _MARK = 0.10, 0.10, (-2.9, 2.0)
_BESIDE_MM, _PANEL_MM, _INSIDE = (0.4, 0.9), (1.0, 3.0), (0.3, 0.4, 0.5, 0.6, 0.7)


def looks_painted(band: Band, edges: SeamEdges) -> bool:
    """Whether what was taken for a gap looks like a mark on one panel.

    Parameters
    ----------
    band : Band
        Rectified band.
    edges : SeamEdges
        What was taken for the gap's edges.
    """
    at = np.flatnonzero(edges.t_b_mm - edges.t_a_mm > _LEAST_GAP_MM)  # NaN where an edge was not found
    if len(at) < _LEAST_STATIONS:
        return False
    log = cv2.blur(log_light(band.linear), (_ALONG, 1), borderType=cv2.BORDER_REPLICATE)
    t_a, t_b = edges.t_a_mm[at], edges.t_b_mm[at]

    def level(t: FloatArray) -> FloatArray:
        rows = np.round((t - band.t_mm[0]) / ROW_MM).astype(int)
        return np.asarray(log[np.clip(rows, 0, len(log) - 1), at], float)

    def between(near: float, far: float, edge: FloatArray, outward: int) -> FloatArray:
        return np.asarray(np.median([level(edge + outward * x) for x in np.linspace(near, far, 7)], axis=0), float)

    panels = [between(*_PANEL_MM, edge, way) for edge, way in ((t_a, -1), (t_b, 1))]
    beside = [between(*_BESIDE_MM, edge, way) for edge, way in ((t_a, -1), (t_b, 1))]
    inside = [float(np.median(level(t_a + share * (t_b - t_a)))) for share in _INSIDE]
    mark = float(np.median(inside)) - float(np.median(0.5 * (panels[0] + panels[1])))
    even = all(abs(float(np.median(near - far))) < _EVEN_BESIDE for near, far in zip(beside, panels, strict=True))
    return even and float(np.ptp(inside)) < _EVEN_INSIDE and _MARK[0] < mark < _MARK[1]
