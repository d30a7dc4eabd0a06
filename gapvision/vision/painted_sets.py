"""Is it a gap at all, by several photos of one seam?  By the median of each photo's figures.

A seam changes with light and place, a mark stays as it is; so the median tells where one photo alone does not.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import cv2
import numpy as np

from gapvision.model import FloatArray
from gapvision.vision.band import ROW_MM, Band
from gapvision.vision.edges import SeamEdges
from gapvision.vision.rises import log_light

_ALONG = 9
_LEAST_STATIONS, _LEAST_GAP_MM = 20, 0.8
_EVEN_BESIDE, _EVEN_INSIDE, _MARK = 0.10, 0.10, (-2.9, 2.0)  # as in gapvision.vision.painted
# Of several photos.  Seven of 96 own ray-traced sets (lab/training/whole.py) were measured along tape or pen lines
# beside the seam: five are doubted by these (U of the other two is 0.8 mm and more), none of the other 89 and of 12
# shared ones.
_ALIKE, _EVEN_BY_LINES, _LIGHT_MARK, _MOST_HALO, _AS_PAPER = 0.10, 0.05, 0.5, 0.3, 1.1
_BESIDE_MM, _PANEL_MM, _INSIDE = (0.4, 0.9), (1.0, 3.0), (0.3, 0.4, 0.5, 0.6, 0.7)


class MarkFigures(NamedTuple):
    """What tells a mark from a gap; logarithms of light, medians along the seam.

    Attributes
    ----------
    beside_a, beside_b : float
        How much lighter each panel is right beside the border than further off.
    inside : float
        How much the light changes from the one border to the other.
    mark : float
        How much lighter it is between the borders than on the panels.
    panels : float
        How much lighter panel A is than panel B.
    light : float
        Linear light between the borders, 1 = white.
    """

    beside_a: float
    beside_b: float
    inside: float
    mark: float
    panels: float
    light: float


def all_look_painted(figures: Sequence[MarkFigures | None], paper: Sequence[float]) -> bool:
    """Whether what several photos of one seam show looks like a mark on one panel.

    Parameters
    ----------
    figures : sequence of MarkFigures or None
        Of each photo; None where it shows too little.
    paper : sequence of float
        Linear light of the strips' white paper in each photo.
    """
    seen = [one for one in figures if one is not None]
    if 2 * len(seen) <= len(figures):
        return False
    middle = MarkFigures(*(float(v) for v in np.median(seen, axis=0)))
    darkest = max(abs(middle.beside_a), abs(middle.beside_b))
    alike = abs(middle.panels) < _ALIKE
    between_lines = alike and abs(middle.mark) < _ALIKE and darkest < _EVEN_BY_LINES
    # No paint is lighter than paper; sharpening darkens a panel beside a light mark, on both sides by as much.
    paints = np.median([f.light / white for f, white in zip(figures, paper, strict=True) if f is not None])
    light = middle.mark > _LIGHT_MARK and float(paints) < _AS_PAPER and middle.inside < _EVEN_INSIDE
    haloed = light and alike and darkest < _MOST_HALO and abs(middle.beside_a - middle.beside_b) < _ALIKE
    return _is_mark(middle) or between_lines or haloed


def mark_figures(band: Band, edges: SeamEdges) -> MarkFigures | None:
    """What tells a mark from a gap; None where too few stations show both borders.

    Parameters
    ----------
    band : Band
        Rectified band.
    edges : SeamEdges
        What was taken for the gap's edges.
    """
    at = np.flatnonzero(edges.t_b_mm - edges.t_a_mm > _LEAST_GAP_MM)  # NaN where an edge was not found
    if len(at) < _LEAST_STATIONS:
        return None
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
    beside_a, beside_b = (float(np.median(near - far)) for near, far in zip(beside, panels, strict=True))
    return MarkFigures(
        beside_a,
        beside_b,
        inside=float(np.ptp(inside)),
        mark=float(np.median(inside)) - float(np.median(0.5 * (panels[0] + panels[1]))),
        panels=float(np.median(panels[0] - panels[1])),
        light=float(np.exp(np.median(inside))),
    )


def _is_mark(f: MarkFigures) -> bool:
    even = max(abs(f.beside_a), abs(f.beside_b)) < _EVEN_BESIDE and f.inside < _EVEN_INSIDE
    return even and _MARK[0] < f.mark < _MARK[1]
