"""Drawings of the evidence report, as vectors: the gap along the seam, and the photo with its edges."""

from __future__ import annotations

import io
import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any

import numpy as np
from reportlab.lib.units import mm
from reportlab.lib.utils import ImageReader
from reportlab.platypus import Flowable

from gapvision.model import FloatArray
from gapvision.reports.crops import SeamCrop
from gapvision.reports.evidence_style import (
    AFTER,
    ALARM,
    BAND,
    BAND_EDGE,
    BEFORE,
    INK,
    LINE,
    QUIET,
    fonts,
    shrink_to_fit,
)
from gapvision.units import format_fraction
from gapvision.words import Lengths


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Curve:
    """One profile to draw: stations, gap and U [mm], each shape (n,)."""

    label: str
    s_mm: FloatArray
    gap_mm: FloatArray
    u_mm: FloatArray


def nice_step(span: float, most: int) -> float:
    """Return a step of 1, 2 or 5 times a power of ten that cuts a span into at most so many parts."""
    raw = max(span, 1e-9) / max(most, 1)
    power = 10.0 ** math.floor(math.log10(raw))
    return next(f * power for f in (1, 2, 5, 10) if f * power >= raw * 0.999999)


def nice_inch_step(span_in: float, most: int) -> float:
    """Return a step of a binary fraction of an inch."""
    step = 1 / 64
    while span_in / step > most:
        step *= 2
    return step


class GapChart(Flowable):  # type: ignore[misc]
    """The gap along the seam, before and after, with the tolerance band.

    Parameters
    ----------
    width, height : float
        On paper [pt].
    after, before : Curve
        ``before`` may be None; its stations already lie on the scale of the chart.
    band : (s, lower, upper) or None
        The tolerance along the chart's stations [mm].
    out_mm : list of (from, to, state)
        Stretches to mark below the curves.
    """

    def __init__(
        self,
        width: float,
        height: float,
        say: Lengths,
        after: Curve,
        before: Curve | None = None,
        band: tuple[FloatArray, FloatArray, FloatArray] | None = None,
        out_mm: list[tuple[float, float, str]] | None = None,
        forecast: Curve | None = None,
    ) -> None:
        super().__init__()
        self.width, self.height = width, height
        self.say, self.after, self.before, self.band = say, after, before, band
        self.marks = out_mm or []
        self.forecast = forecast

    def wrap(self, *_: Any) -> tuple[float, float]:
        """Size on paper."""
        return self.width, self.height

    def _limits(self) -> tuple[float, float, float, float]:
        curves = [c for c in (self.after, self.before, self.forecast) if c is not None and len(c.s_mm)]
        s = np.concatenate([c.s_mm for c in curves])
        low = [float((c.gap_mm - c.u_mm).min()) for c in curves]
        high = [float((c.gap_mm + c.u_mm).max()) for c in curves]
        if self.band is not None:
            low.append(float(self.band[1].min()))
            high.append(float(self.band[2].max()))
        pad = 0.08 * max(max(high) - min(low), 0.5)
        return float(s.min()), float(s.max()), min(low) - pad, max(high) + pad

    def draw(self) -> None:
        """Draw all of it."""
        c = self.canv
        plain, _, _ = fonts()
        s0, s1, g0, g1 = self._limits()
        left, bottom, top = 14 * mm, 12 * mm, 7 * mm
        w, h = self.width - left - 3 * mm, self.height - bottom - top

        def x(s: float) -> float:
            return float(left + w * (s - s0) / max(s1 - s0, 1e-9))

        def y(g: float) -> float:
            return float(bottom + h * (g - g0) / (g1 - g0))

        if self.band is not None:
            self._draw_band(c, x, y)
        self._draw_axes(c, plain, (s0, s1, g0, g1), (x, y), (left, bottom, w, h))
        for curve, colour, dash in ((self.before, BEFORE, (4, 2)), (self.forecast, QUIET, (1, 1.6))):
            if curve is not None:
                self._draw_curve(c, curve, x, y, colour, dash)
        self._draw_u(c, self.after, x, y)
        self._draw_curve(c, self.after, x, y, AFTER, ())
        self._draw_marks(c, plain, x, bottom, h)
        self._draw_legend(c, plain)

    def _draw_band(self, c: Any, x: Any, y: Any) -> None:
        s, lower, upper = self.band  # type: ignore[misc]
        path = c.beginPath()
        path.moveTo(x(s[0]), y(lower[0]))
        for a, b in zip(s[1:], lower[1:], strict=True):
            path.lineTo(x(a), y(b))
        for a, b in zip(s[::-1], upper[::-1], strict=True):
            path.lineTo(x(a), y(b))
        path.close()
        c.setFillColor(BAND)
        c.drawPath(path, stroke=0, fill=1)
        c.setStrokeColor(BAND_EDGE)
        c.setLineWidth(0.6)
        c.setDash(1.5, 1.5)
        for values in (lower, upper):
            line = c.beginPath()
            line.moveTo(x(s[0]), y(values[0]))
            for a, b in zip(s[1:], values[1:], strict=True):
                line.lineTo(x(a), y(b))
            c.drawPath(line, stroke=1, fill=0)
        c.setDash()

    def _draw_axes(self, c: Any, font: str, limits: Any, maps: Any, frame: Any) -> None:
        s0, s1, g0, g1 = limits
        x, y = maps
        left, bottom, w, h = frame
        c.setStrokeColor(LINE)
        c.setFillColor(INK)
        c.setLineWidth(0.4)
        c.setFont(font, 6.4)
        inch = self.say.inch
        k = 25.4 if inch else 1.0
        step = (nice_inch_step((g1 - g0) / k, 6) if inch else nice_step(g1 - g0, 6)) * k
        g = math.ceil(g0 / step) * step
        while g <= g1 + 1e-9:
            c.line(left, y(g), left + w, y(g))
            decimals = 0 if step >= 1 else 1 if step >= 0.1 else 2
            text = format_fraction(g).removesuffix(" in") if inch else f"{g:.{decimals}f}"
            c.drawRightString(left - 1.5 * mm, y(g) - 2, text)
            g += step
        step = nice_step((s1 - s0) / k, 8) * k
        s = math.ceil(s0 / step) * step
        while s <= s1 + 1e-9:
            c.line(x(s), bottom, x(s), bottom - 2)
            c.drawCentredString(x(s), bottom - 8.5, f"{s / k:g}")
            s += step
        c.setStrokeColor(INK)
        c.setLineWidth(0.6)
        c.line(left, bottom, left + w, bottom)
        c.line(left, bottom, left, bottom + h)
        unit = "in" if inch else "mm"
        c.drawCentredString(left + w / 2, bottom - 17, f"along the seam [{unit}]")
        c.saveState()
        c.translate(7, bottom + h / 2)
        c.rotate(90)
        c.drawCentredString(0, 0, f"gap [{unit}]")
        c.restoreState()

    def _runs(self, curve: Curve) -> list[slice]:
        """Stretches without a hole."""
        if len(curve.s_mm) < 2:
            return [slice(0, len(curve.s_mm))]
        steps = np.diff(curve.s_mm)
        cuts = np.flatnonzero(steps > 1.6 * float(np.median(steps))) + 1
        edges = [0, *cuts.tolist(), len(curve.s_mm)]
        return [slice(a, b) for a, b in pairwise(edges)]

    def _draw_curve(self, c: Any, curve: Curve, x: Any, y: Any, colour: Any, dash: tuple[float, ...]) -> None:
        c.setStrokeColor(colour)
        c.setLineWidth(1.1)
        c.setDash(*dash) if dash else c.setDash()
        for part in self._runs(curve):
            s, g = curve.s_mm[part], curve.gap_mm[part]
            if len(s) < 2:
                continue
            path = c.beginPath()
            path.moveTo(x(s[0]), y(g[0]))
            for a, b in zip(s[1:], g[1:], strict=True):
                path.lineTo(x(a), y(b))
            c.drawPath(path, stroke=1, fill=0)
        c.setDash()

    def _draw_u(self, c: Any, curve: Curve, x: Any, y: Any) -> None:
        """Bars of U at some stations: they print well and hide nothing."""
        c.setStrokeColor(AFTER)
        c.setLineWidth(0.45)
        every = max(len(curve.s_mm) // 24, 1)
        for s, g, u in zip(curve.s_mm[::every], curve.gap_mm[::every], curve.u_mm[::every], strict=True):
            c.line(x(s), y(g - u), x(s), y(g + u))
            for end in (g - u, g + u):
                c.line(x(s) - 1.2, y(end), x(s) + 1.2, y(end))

    def _draw_marks(self, c: Any, font: str, x: Any, bottom: float, height: float) -> None:
        """Stretches out of tolerance: slanted strokes, and cross strokes where not proven."""
        del height, font
        for start, end, state in self.marks:
            x0, x1 = x(start), max(x(end), x(start) + 1.5)
            c.setStrokeColor(ALARM if state == "out of tolerance" else QUIET)
            c.setLineWidth(0.7)
            c.rect(x0, bottom + 0.8, x1 - x0, 4.2, stroke=1, fill=0)
            if state == "out of tolerance":
                at = x0
                while at < x1:
                    far = min(at + 4.2, x1)
                    c.line(at, bottom + 0.8, far, bottom + 0.8 + (far - at))
                    at += 3

    def _draw_legend(self, c: Any, font: str) -> None:
        entries: list[tuple[str, Any, Any]] = []
        if self.before is not None:
            entries.append((self.before.label, BEFORE, (4, 2)))
        entries.append((f"{self.after.label} (bars: U, k = 2)", AFTER, ()))
        if self.forecast is not None:
            entries.append((self.forecast.label, QUIET, (1, 1.6)))
        if self.band is not None:
            entries.append(("tolerance", BAND_EDGE, (1.5, 1.5)))
        if any(m[2] == "out of tolerance" for m in self.marks):
            entries.append(("out of tolerance", ALARM, "strokes"))
        if any(m[2] != "out of tolerance" for m in self.marks):
            entries.append(("not proven", QUIET, "box"))
        at, y = 14 * mm, self.height - 4 * mm
        room = (self.width - at) / len(entries)
        for label, colour, dash in entries:
            c.setStrokeColor(colour)
            c.setLineWidth(1.1)
            if isinstance(dash, str):
                c.rect(at, y - 0.2, 14, 4, stroke=1, fill=0)
                if dash == "strokes":
                    for k in range(4):
                        c.line(at + 3 * k, y - 0.2, at + 3 * k + 4, y + 3.8)
            else:
                c.setDash(*dash) if dash else c.setDash()
                c.line(at, y + 2, at + 14, y + 2)
                c.setDash()
            c.setFillColor(INK)
            text, size = shrink_to_fit(label, font, 6.6, room - 20, least=4.8)
            c.setFont(font, size)
            c.drawString(at + 17, y, text)
            at += room


class SeamPhoto(Flowable):  # type: ignore[misc]
    """A cut-out of the photo with both edges and stations drawn over it.

    Parameters
    ----------
    width : float
        On paper [pt].
    crop : SeamCrop
        The cut-out.
    stations_mm : list of float
        Stations that get a tick and a number, on the chart's scale.
    s_chart_mm : ndarray, shape (n,)
        The crop's stations on the chart's scale.
    """

    def __init__(
        self, width: float, crop: SeamCrop, say: Lengths, stations_mm: list[float], s_chart_mm: FloatArray
    ) -> None:
        super().__init__()
        self.width = width
        self.scale = width / crop.width_px
        self.picture_height = crop.height_px * self.scale
        self.height = self.picture_height + 11
        self.crop, self.say, self.stations, self.s_chart = crop, say, stations_mm, s_chart_mm

    def wrap(self, *_: Any) -> tuple[float, float]:
        """Size on paper."""
        return self.width, self.height

    def draw(self) -> None:
        """Draw all of it."""
        c, k = self.canv, self.scale
        plain, _, _ = fonts()
        base = self.height - self.picture_height
        c.drawImage(ImageReader(io.BytesIO(self.crop.jpeg)), 0, base, self.width, self.picture_height)
        c.saveState()
        frame = c.beginPath()
        frame.rect(0, base, self.width, self.picture_height)
        c.clipPath(frame, stroke=0)
        for edge in (self.crop.edge_a_px, self.crop.edge_b_px):
            points = np.stack([(edge[:, 0] + 0.5) * k, self.height - (edge[:, 1] + 0.5) * k], axis=1)
            # A white line under the dark one is seen on any paint.
            for colour, line in ((INK, 1.5), ("white", 0.7)):
                c.setStrokeColor(colour)
                c.setLineWidth(line)
                self._polyline(c, points)
        self._ticks(c, k)
        c.restoreState()
        c.setStrokeColor(LINE)
        c.setLineWidth(0.5)
        c.rect(0, base, self.width, self.picture_height, stroke=1, fill=0)
        self._numbers(c, plain, k)

    def _polyline(self, c: Any, points: FloatArray) -> None:
        gaps = np.flatnonzero(np.diff(self.crop.s_mm) > 1.6 * float(np.median(np.diff(self.crop.s_mm)))) + 1
        for part in np.split(points, gaps):
            if len(part) > 1:
                path = c.beginPath()
                path.moveTo(*part[0])
                for p in part[1:]:
                    path.lineTo(*p)
                c.drawPath(path, stroke=1, fill=0)

    def _place(self, station: float) -> int | None:
        """The crop's station nearest to one of the chart's, if it is there."""
        i = int(np.argmin(np.abs(self.s_chart - station)))
        return i if abs(self.s_chart[i] - station) < 3 else None

    def _ticks(self, c: Any, k: float) -> None:
        for station in self.stations:
            i = self._place(station)
            if i is None:
                continue
            a, b = self.crop.edge_a_px[i], self.crop.edge_b_px[i]
            for colour, line in ((INK, 1.3), ("white", 0.5)):
                c.setStrokeColor(colour)
                c.setLineWidth(line)
                c.line(
                    (a[0] + 0.5) * k, self.height - (a[1] + 0.5) * k, (b[0] + 0.5) * k, self.height - (b[1] + 0.5) * k
                )

    def _numbers(self, c: Any, font: str, k: float) -> None:
        c.setFillColor(QUIET)
        c.setFont(font, 6)
        unit = 25.4 if self.say.inch else 1.0
        for station in self.stations:
            i = self._place(station)
            if i is not None:
                at = (self.crop.edge_a_px[i, 0] + self.crop.edge_b_px[i, 0] + 1) / 2 * k
                c.drawCentredString(min(max(at, 8), self.width - 8), 3, f"{station / unit:g}")
