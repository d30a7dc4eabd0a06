"""Drawings of the evidence report, as vectors: the plot of the gap, and the photo with its edges."""

from __future__ import annotations

import io
from collections.abc import Iterable
from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.backend_bases import RendererBase
from matplotlib.path import Path as MplPath
from matplotlib.transforms import Affine2D
from reportlab.lib.colors import Color
from reportlab.lib.utils import ImageReader
from reportlab.pdfbase import pdfmetrics
from reportlab.platypus import Flowable

from gapvision.geometry.runs import runs
from gapvision.model import FloatArray
from gapvision.reports.crops import SeamCrop
from gapvision.reports.evidence_style import INK, LINE, QUIET, fonts
from gapvision.reports.profile_picture import Tick

if TYPE_CHECKING:
    from matplotlib.figure import Figure

_HATCH_PT = 44.0  # one tile of a hatch


class Plot(Flowable):  # type: ignore[misc]
    """A figure of ``figures.py`` as vectors on the page, in its own size; its words stay words."""

    def __init__(self, figure: Figure) -> None:
        super().__init__()
        figure.set_dpi(72)
        self.figure = figure
        self.width, self.height = (72 * v for v in figure.get_size_inches())

    def wrap(self, *_: Any) -> tuple[float, float]:
        """Size on paper."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw all of it."""
        self.figure.draw(_Paper(self.canv, self.width, self.height))


class _Paper(RendererBase):
    """Puts what matplotlib draws on a page of the report; one dot is one point."""

    def __init__(self, canvas: Any, width: float, height: float) -> None:
        super().__init__()
        self.canvas, self.size, self.font = canvas, (width, height), fonts()[0]

    def flipy(self) -> bool:
        return False

    def get_canvas_width_height(self) -> tuple[float, float]:
        return self.size

    def points_to_pixels(self, points: Any) -> Any:
        return points

    def get_text_width_height_descent(self, s: str, prop: Any, ismath: Any) -> tuple[float, float, float]:
        del ismath
        size = prop.get_size_in_points()
        return pdfmetrics.stringWidth(s, self.font, size), 0.93 * size, 0.21 * size

    def draw_text(
        self, gc: Any, x: float, y: float, s: str, prop: Any, angle: float, ismath: Any = False, mtext: Any = None
    ) -> None:
        del ismath, mtext
        c = self.canvas
        c.saveState()
        c.setFillColor(Color(*gc.get_rgb()))
        c.translate(x, y)
        c.rotate(angle)
        c.setFont(self.font, prop.get_size_in_points())
        c.drawString(0, 0, s)
        c.restoreState()

    def draw_path(self, gc: Any, path: Any, transform: Any, rgbFace: Any = None) -> None:
        c, (red, green, blue, alpha) = self.canvas, gc.get_rgb()
        c.saveState()
        box, (clip, moved) = gc.get_clip_rectangle(), gc.get_clip_path()
        if box is not None:
            c.clipPath(self._path(MplPath.unit_rectangle(), Affine2D().scale(*box.size).translate(*box.min)), stroke=0)
        if clip is not None:
            c.clipPath(self._path(clip, moved), stroke=0)
        c.setStrokeColor(Color(red, green, blue, alpha))
        c.setLineWidth(gc.get_linewidth())
        start, dashes = gc.get_dashes()
        if dashes is not None:
            c.setDash(list(dashes), start)
        if rgbFace is not None:
            own = gc.get_alpha() if gc.get_forced_alpha() or len(rgbFace) == 3 else rgbFace[3]
            c.setFillColor(Color(*rgbFace[:3], own))
        drawn, tile = self._path(path, transform), gc.get_hatch_path()
        c.drawPath(drawn, stroke=int(gc.get_linewidth() > 0), fill=int(rgbFace is not None))
        if tile is not None:
            c.clipPath(drawn, stroke=0)
            c.setStrokeColor(Color(*gc.get_hatch_color()))
            c.setLineWidth(0.5)
            strokes, bounds = self._path(tile, Affine2D().scale(_HATCH_PT)), path.get_extents(transform)
            for x in np.arange(np.floor(bounds.x0 / _HATCH_PT), bounds.x1 / _HATCH_PT):
                for y in np.arange(np.floor(bounds.y0 / _HATCH_PT), bounds.y1 / _HATCH_PT):
                    c.saveState()
                    c.translate(_HATCH_PT * x, _HATCH_PT * y)
                    c.drawPath(strokes, stroke=1, fill=0)
                    c.restoreState()
        c.restoreState()

    def _path(self, path: Any, transform: Any) -> Any:
        """A path of the page; quadratic curves become cubic ones."""
        made, last = self.canvas.beginPath(), np.zeros(2)
        for points, code in path.iter_segments(transform, simplify=False):
            p = np.asarray(points).reshape(-1, 2)
            if code == MplPath.MOVETO:
                made.moveTo(*p[0])
            elif code == MplPath.LINETO:
                made.lineTo(*p[0])
            elif code == MplPath.CURVE3:
                made.curveTo(*(last + 2 / 3 * (p[0] - last)), *(p[1] + 2 / 3 * (p[0] - p[1])), *p[1])
            elif code == MplPath.CURVE4:
                made.curveTo(*p.ravel())
            else:
                made.close()
                continue
            last = p[-1]
        return made


class SeamPhoto(Flowable):  # type: ignore[misc]
    """A cut-out of the photo with both edges and stations drawn over it.

    Parameters
    ----------
    width : float
        On paper [pt].
    crop : SeamCrop
        The cut-out.
    stations : sequence of Tick
        Stations that get a tick and what they are called, on the chart's scale.
    s_chart_mm : ndarray, shape (n,)
        The crop's stations on the chart's scale.
    """

    def __init__(self, width: float, crop: SeamCrop, stations: Iterable[Tick], s_chart_mm: FloatArray) -> None:
        super().__init__()
        self.width, self.crop, self.scale = width, crop, width / crop.width_px
        self.picture_height = crop.height_px * self.scale
        self.height = self.picture_height + 11
        nearest = [(int(np.argmin(np.abs(s_chart_mm - at))), at, words) for at, words in stations]
        self.stations = [(i, words) for i, at, words in nearest if abs(s_chart_mm[i] - at) < 3]

    def wrap(self, *_: Any) -> tuple[float, float]:
        """Size on paper."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw all of it."""
        c, k, crop = self.canv, self.scale, self.crop
        base = self.height - self.picture_height
        c.drawImage(ImageReader(io.BytesIO(crop.jpeg)), 0, base, self.width, self.picture_height)
        c.saveState()
        frame = c.beginPath()
        frame.rect(0, base, self.width, self.picture_height)
        c.clipPath(frame, stroke=0)
        a, b = (
            np.stack([(edge[:, 0] + 0.5) * k, self.height - (edge[:, 1] + 0.5) * k], axis=1)
            for edge in (crop.edge_a_px, crop.edge_b_px)
        )
        spacing = float(np.median(np.diff(crop.s_mm)))
        parts = runs(crop.s_mm, spacing)
        for line in [edge[start:stop] for edge in (a, b) for start, stop in parts]:
            _cased(c, line, 1.5, 0.7)
        for i, _ in self.stations:
            _cased(c, np.array([a[i], b[i]]), 1.3, 0.5)
        c.restoreState()
        c.setStrokeColor(LINE)
        c.setLineWidth(0.5)
        c.rect(0, base, self.width, self.picture_height, stroke=1, fill=0)
        plain, _, _ = fonts()
        c.setFillColor(QUIET)
        c.setFont(plain, 6)
        for i, words in self.stations:
            c.drawCentredString(min(max((a[i, 0] + b[i, 0]) / 2, 8), self.width - 8), 3, words)


def _cased(c: Any, points: FloatArray, outer: float, inner: float) -> None:
    """A white line on a dark one, which is seen on any paint."""
    path = c.beginPath()
    path.moveTo(*points[0])
    for point in points[1:]:
        path.lineTo(*point)
    for colour, line in ((INK, outer), ("white", inner)):
        c.setStrokeColor(colour)
        c.setLineWidth(line)
        c.drawPath(path, stroke=1, fill=0)
