"""The plot of the evidence report, as vectors: puts a figure of matplotlib on a page of reportlab."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from matplotlib.backend_bases import RendererBase
from matplotlib.path import Path as MplPath
from matplotlib.transforms import Affine2D
from reportlab.lib.colors import Color
from reportlab.pdfgen.pathobject import PDFPathObject
from reportlab.platypus import Flowable

from gapvision.reports import glyphs
from gapvision.reports.evidence_style import fonts

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
        return glyphs.width(glyphs.tidy(s, self.font), self.font, size), 0.93 * size, 0.21 * size

    def draw_text(
        self, gc: Any, x: float, y: float, s: str, prop: Any, angle: float, ismath: Any = False, mtext: Any = None
    ) -> None:
        del ismath, mtext
        c = self.canvas
        c.saveState()
        c.setFillColor(Color(*gc.get_rgb()))
        c.translate(x, y)
        c.rotate(angle)
        glyphs.draw_line(c, 0, 0, glyphs.tidy(s, self.font), self.font, prop.get_size_in_points())
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

    def _path(self, path: Any, transform: Any) -> PDFPathObject:
        """A path of the page, in PDF's own words (reportlab writes numbers slowly); quadratic curves become cubic."""
        words, last = [], np.zeros(2)
        for points, code in path.iter_segments(transform, simplify=False):
            p = np.asarray(points).reshape(-1, 2)
            if code == MplPath.CURVE3:
                p = np.stack([last + 2 / 3 * (p[0] - last), p[1] + 2 / 3 * (p[0] - p[1]), p[1]])
            last = p[-1]
            letter = {MplPath.MOVETO: "m", MplPath.LINETO: "l", MplPath.CLOSEPOLY: ""}.get(code, "c")
            words.append(" ".join(f"{v:.3f}" for v in p.ravel()) + f" {letter}" if letter else "h")
        return PDFPathObject(words)
