"""Is it a gap at all?  What tells a pen line, chalk, tape or another mark on one panel from a gap between two.

Paint has no depth.  A mark is even from one border to the other, the panel beside it is as light right up to its
borders as further off, since nothing rolls away or is broken there, and no ink on a panel is as dark as a cavity, no
chalk as bright as a lamp behind it.  An edge of a panel is hardly ever like that on both sides of a gap that also shows
nothing of its inside.  Where all of it holds, the gap itself is in doubt.

A weld bead or a hose is not even, but it lies on one sheet: the panel is the same on both its sides.  A bead throws
back light as the panel does, which is the same right up to it; a hose is round: darkest at its sides and lightest along
its middle, and its sides are not as dark as a cavity.
"""

from __future__ import annotations

import math

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
# Logarithms of light: the same panel on both sides, even right up to a bead. Own drawn scenes: 0.02 on beads and hoses.
# Of 32 shared photos five show a painted flange in the gap, lighter than toner; none has the same even panel beside it.
_SAME, _EVEN_UP_TO_IT = 0.15, 0.05
# Against the light of printed black; toner throws back about 5 % of white (common practice, no source), black rubber
# and paint no less. Darkest place inside: dark gaps below 0.26, hoses drawn 0.4 and more, beads 3 and more.
_NO_CAVITY, _ROUND_DARKEST, _ROUND = 0.75, 0.3, 1.25
_SHINES = 6.0  # half as light as paper: no lamp that is turned low is darker and round
_ACROSS = np.linspace(0.12, 0.88, 20)


def looks_painted(band: Band, edges: SeamEdges, print_black: float = math.nan) -> bool:
    """Whether what was taken for a gap looks like a mark on one panel, or like something that lies on it.

    Parameters
    ----------
    band : Band
        Rectified band.
    edges : SeamEdges
        What was taken for the gap's edges.
    print_black : float
        Linear light of the strips' black; NaN: not known.
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
    rises = [abs(float(np.median(near - far))) for near, far in zip(beside, panels, strict=True)]
    if max(rises) < _EVEN_BESIDE and float(np.ptp(inside)) < _EVEN_INSIDE and _MARK[0] < mark < _MARK[1]:
        return True
    if abs(float(np.median(panels[0] - panels[1]))) > _SAME or not print_black > 0:  # also of a NaN
        return False
    light = cv2.blur(np.nan_to_num(band.linear), (_ALONG, 1), borderType=cv2.BORDER_REPLICATE)
    rows = np.round((t_a + _ACROSS[:, None] * (t_b - t_a) - band.t_mm[0]) / ROW_MM).astype(int)
    across = np.median(light[np.clip(rows, 0, len(light) - 1), at[None]], axis=1) / print_black
    if edges.lit:
        return float(across.max()) < _SHINES and _is_round(across)
    return (float(across.min()) > _NO_CAVITY and max(rises) < _EVEN_UP_TO_IT) or _is_round(across)


def _is_round(across: FloatArray) -> bool:
    """Whether light across it, against printed black, is a round body's: darkest at both sides, never a cavity's."""
    half = len(across) // 2
    sides = max(float(across[:3].min()), float(across[-3:].min()))
    middle = float(np.median(across[half - 4 : half + 4]))
    rising = float(np.mean(np.diff(across)[: half - 3] > 0)), float(np.mean(np.diff(across)[-(half - 3) :] < 0))
    return min(rising) > 0.7 and middle > _ROUND * sides and float(across.min()) > _ROUND_DARKEST
