"""The pages of a paper: the shop's head, the seam that goes on, page N of M."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from reportlab.lib.units import mm
from reportlab.pdfgen.canvas import Canvas
from reportlab.platypus import Flowable

from gapvision.reports import evidence_style as style
from gapvision.reports import glyphs
from gapvision.reports.evidence_types import Head


class Mark(Flowable):  # type: ignore[misc]
    """Takes no room; notes on which page a section begins, and with an empty name where it ends."""

    def __init__(self, name: str) -> None:
        super().__init__()
        self.name = name

    def wrap(self, *_: Any) -> tuple[float, float]:
        """Size on paper."""
        return 0.0, 0.0

    def draw(self) -> None:
        """Note the page."""
        self.canv.marks.append((self.canv.getPageNumber(), self.name))


class Scaled(Flowable):  # type: ignore[misc]
    """What was laid out on a larger page, drawn smaller."""

    def __init__(self, content: Flowable, scale: float) -> None:
        super().__init__()
        self.content, self.scale = content, scale

    def wrap(self, width: float, height: float) -> tuple[float, float]:
        """Size on paper."""
        return tuple(self.scale * v for v in self.content.wrapOn(self.canv, width / self.scale, height / self.scale))

    def draw(self) -> None:
        """Draw it."""
        self.canv.scale(self.scale, self.scale)
        self.content.drawOn(self.canv, 0, 0)


def numbered(page: tuple[float, float], head: Head, title: str, foot: str) -> Callable[..., Canvas]:
    """Make the maker of a canvas that dresses its pages at the end, when all that they say is known."""

    class Numbered(Canvas):  # type: ignore[misc]
        def __init__(self, *args: Any, **named: Any) -> None:
            super().__init__(*args, **named)
            self.marks: list[tuple[int, str]] = []
            self.kept: list[dict[str, Any]] = []

        def showPage(self) -> None:
            self.kept.append(dict(self.__dict__))
            self._startPage()

        def save(self) -> None:
            kept, marks = self.kept, self.marks
            for number, state in enumerate(kept, 1):
                self.__dict__.update(state)
                self.saveState()
                style.draw_head(self, page, head, title, _going_on(marks, number))
                _draw_foot(self, page, foot, f"page {number} of {len(kept)}")
                self.restoreState()
                super().showPage()
            super().save()

    return Numbered


def _going_on(marks: list[tuple[int, str]], page: int) -> str:
    """The section that began on an earlier page and is not at its end yet."""
    name = next((x for number, x in reversed(marks) if number < page), "")
    return f"continued: {name}" if name else ""


def _draw_foot(canvas: Any, page: tuple[float, float], foot: str, number: str) -> None:
    plain, _, _ = style.fonts()
    canvas.setFillColor(style.QUIET)
    text, size = style.shrink_to_fit(foot, plain, 6.8, page[0] - 2 * style.MARGIN - 30 * mm)
    glyphs.draw_line(canvas, style.MARGIN, style.MARGIN - 6 * mm, text, plain, size)
    canvas.setFont(plain, 6.8)
    canvas.drawRightString(page[0] - style.MARGIN, style.MARGIN - 6 * mm, number)
