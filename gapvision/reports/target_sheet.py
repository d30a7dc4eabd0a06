"""The printable sheet of strips: vector PDF at true scale, with check lines and a drawn how-to.

Printers scale pages, and not always alike in the two directions, so every
sheet carries two check lines to be measured with a steel rule, and the PDF asks
the viewer not to scale it.
"""

from __future__ import annotations

import io
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Any, NamedTuple

from gapvision.errors import GapvisionError
from gapvision.formats.atomic import write_whole
from gapvision.geometry.runs import runs
from gapvision.reports.target_howto import draw_howto
from gapvision.targets import sheet_code, strip

#: Landscape pages, width x height [mm]: A4 of ISO 216, US Letter 11 x 8.5 in.
PAPERS_MM: dict[str, tuple[float, float]] = {"a4": (297.0, 210.0), "letter": (279.4, 215.9)}
STRIPS_PER_PAGE = 4
_MM = 72 / 25.4  # PDF points per mm
_SIDE_MM = 20.0  # column right of the strips for letters and the line across
_HEAD_MM = 7.0  # room above the strips


class SheetLayout(NamedTuple):
    """Where things lie on one page [mm, from the page's top-left corner, y down].

    The page; the top-left corner of the first strip, margin included; the check line along the strips, and across them.
    """

    width_mm: float
    height_mm: float
    left_mm: float
    top_mm: float
    along_y_mm: float
    across_x_mm: float

    def pattern_origin(self, place: int) -> tuple[float, float]:
        """Origin of the frame of the strip in a place (0 = top) on the page [mm]."""
        return self.left_mm + strip.MARGIN_MM, self.top_mm + place * strip.STRIP_WIDTH_MM + strip.MARGIN_MM

    @property
    def along_mm(self) -> tuple[float, float]:
        """Start and end of the check line along the strips [mm]."""
        return self.left_mm, self.left_mm + strip.CHECK_ALONG_MM

    @property
    def across_mm(self) -> tuple[float, float]:
        """Start and end of the check line across the strips [mm]."""
        start = self.top_mm + (STRIPS_PER_PAGE * strip.STRIP_WIDTH_MM - strip.CHECK_ACROSS_MM) / 2
        return start, start + strip.CHECK_ACROSS_MM


def layout(paper: str) -> SheetLayout:
    """Lay out a page, ``a4`` or ``letter`` in any case; another is refused (``paper-unknown``)."""
    size = PAPERS_MM.get(paper.strip().lower())
    if size is None:
        raise GapvisionError("paper-unknown", f"There is no sheet for paper '{paper}'.")
    width, height = size
    left = (width - strip.STRIP_LENGTH_MM - _SIDE_MM) / 2
    tall = STRIPS_PER_PAGE * strip.STRIP_WIDTH_MM
    top = (height - (_HEAD_MM + tall + 15.0)) / 2 + _HEAD_MM
    return SheetLayout(width, height, left, top, top + tall + 6.0, left + strip.STRIP_LENGTH_MM + 12.0)


def parse_letters(text: str) -> str:
    """Read which strips are wanted, e.g. ``A-D``, ``A,C`` or ``e-h``.

    Returns
    -------
    str
        Letters in the order asked for, each once.

    Raises
    ------
    GapvisionError
        ``strip-letters-not-understood``.

    Examples
    --------
    >>> parse_letters("A-C, F")
    'ABCF'
    """
    found: list[str] = []
    for part in re.split(r"[,\s]+", re.sub(r"\s*-\s*", "-", text.strip().upper())):
        match = re.fullmatch(rf"([{strip.STRIP_LETTERS}])(?:-([{strip.STRIP_LETTERS}]))?", part)
        if match is None or (match[2] or match[1]) < match[1]:
            raise GapvisionError("strip-letters-not-understood", f"'{text}' does not say which strips to print.")
        found += [c for c in strip.STRIP_LETTERS if match[1] <= c <= (match[2] or match[1])]
    return "".join(dict.fromkeys(found))


def sheets_needed(letters: Sequence[str]) -> int:
    """How many pages of strips, each a sheet of its own, the letters take."""
    return -(-len(letters) // STRIPS_PER_PAGE)


def target_sheet_pdf(
    letters: Sequence[str], paper: str = "a4", sheets: Sequence[int] = (), short: str = ""
) -> bytes:
    """Draw the strips, four to a page, and one page of how-to.

    Parameters
    ----------
    letters : sequence of str
        Strip letters, e.g. ``"ABCD"``.
    paper : str
        ``a4`` or ``letter``.
    sheets : sequence of int
        Number of each page of strips (:func:`gapvision.targets.sheet_code.draw_sheet_number`); none: strips without.
    short : str
        Which of the letters are short strips, 120 mm.

    Returns
    -------
    bytes
        PDF; the same bytes for the same input and PDF library.

    Raises
    ------
    GapvisionError
        ``paper-unknown``, or ``strip-letters-not-understood`` if there are none, or a short one is none of them.
    """
    from reportlab.pdfgen.canvas import Canvas

    where = layout(paper)
    if not letters:
        raise GapvisionError("strip-letters-not-understood", "No strip letters were given.")
    if other := set(short) - set(letters):
        raise GapvisionError("strip-letters-not-understood", f"Strip {min(other)} is to be short, but is not printed.")
    pages = [letters[i : i + STRIPS_PER_PAGE] for i in range(0, len(letters), STRIPS_PER_PAGE)]
    numbers: Sequence[int | None] = sheets or [None] * len(pages)
    out = io.BytesIO()
    # invariant: fixed dates and file id, so that the sheets in calibration/ can be made again byte by byte
    pdf: Any = Canvas(out, pagesize=(where.width_mm * _MM, where.height_mm * _MM), invariant=1, pageCompression=1)
    pdf.setTitle(f"gapvision strips {', '.join(letters)}{_of_sheets(sheets)}")
    pdf.setSubject("Print at 100 % (actual size), single-sided, matt paper")
    pdf.setCreator("gapvision")
    pdf.setAuthor("gapvision")
    pdf.setViewerPreference("PrintScaling", "None")
    for page, sheet in zip(pages, numbers, strict=True):
        _start_page(pdf, where)
        _draw_page(pdf, where, page, sheet, short)
        pdf.showPage()
    _start_page(pdf, where)
    draw_howto(pdf, where.width_mm, where.height_mm, numbered=bool(sheets))
    pdf.showPage()
    pdf.save()
    return out.getvalue()


def _of_sheets(sheets: Sequence[int]) -> str:
    return f" of sheet {' and '.join(sheet_code.sheet_text(n) for n in sheets)}" if sheets else ""


def write_target_sheet(
    path: str | Path, letters: Sequence[str], paper: str = "a4", sheets: Sequence[int] = (), short: str = ""
) -> None:
    """Write the PDF; an existing sheet is replaced only once the new one is complete.

    Raises
    ------
    GapvisionError
        ``folder-not-writable`` if the file cannot be written, or as :func:`target_sheet_pdf`.
    """
    write_whole(path, target_sheet_pdf(letters, paper, sheets, short))


def _start_page(pdf: Any, where: SheetLayout) -> None:
    """Turn the page so that x, y are mm from its top-left corner, y down (text is turned back where it is drawn)."""
    pdf.translate(0, where.height_mm * _MM)
    pdf.scale(_MM, -_MM)
    pdf.setFillGray(0)
    pdf.setStrokeGray(0)


def _text(pdf: Any, x: float, y: float, words: str, size_mm: float, bold: bool = False, turn: float = 0.0) -> None:
    pdf.saveState()
    pdf.translate(x, y)
    pdf.rotate(turn)
    pdf.scale(1, -1)
    pdf.setFont("Helvetica-Bold" if bold else "Helvetica", size_mm)
    pdf.drawString(0, 0, words)
    pdf.restoreState()


def _draw_page(pdf: Any, where: SheetLayout, letters: Sequence[str], sheet: int | None, short: str) -> None:
    first, last = letters[0], letters[-1]
    name = f"Strip {first}" if len(letters) == 1 else f"Strips {', '.join(letters[:-1])} and {last}"
    how = f'{name}. Print at 100 % ("actual size") on matt paper. Cut along the grey lines; keep the white margin.'
    if sheet is not None:
        how = f"Sheet {sheet_code.sheet_text(sheet)}. {how} Print once, copy never."
    _text(pdf, where.left_mm, where.top_mm - 2.6, how, 3.2)
    for place, letter in enumerate(letters):
        _draw_strip(pdf, where, place, letter, letter in short)
        if sheet is not None:
            _draw_number(pdf, where, place, sheet, letter in short)
    _draw_cut_lines(pdf, where, [letter in short for letter in letters])
    _draw_check_lines(pdf, where, sheet)


def _draw_strip(pdf: Any, where: SheetLayout, place: int, letter: str, short: bool) -> None:
    x0, y0 = where.pattern_origin(place)
    side = strip.SQUARE_MM
    # One path each: squares that touch would show hairlines between them if they were filled one by one.
    black = pdf.beginPath()
    for r in range(strip.SQUARES_ACROSS):
        for c in range(strip.squares_along(short)):
            if (c + r) % 2 == 0:
                black.rect(x0 + c * side, y0 + r * side, side, side)
    rim = (side - strip.MARKER_MM) / 2
    for c, r in strip.marker_squares(short):
        black.rect(x0 + c * side + rim, y0 + r * side + rim, strip.MARKER_MM, strip.MARKER_MM)
    pdf.setFillGray(0)
    pdf.drawPath(black, stroke=0, fill=1)
    white = pdf.beginPath()
    for (c, r), bits in zip(strip.marker_squares(short), strip.module_grid(letter, short), strict=True):
        for row, line in enumerate(bits):
            for start, stop in _runs(~line):
                white.rect(
                    x0 + c * side + rim + start * strip.MODULE_MM,
                    y0 + r * side + rim + row * strip.MODULE_MM,
                    (stop - start) * strip.MODULE_MM,
                    strip.MODULE_MM,
                )
    pdf.setFillGray(1)
    pdf.drawPath(white, stroke=0, fill=1)
    pdf.setFillGray(0)
    # The letter in the margin at both ends, beside a black square (never beside a marker), and large beside the strip.
    end = x0 + strip.pattern_mm(short)
    _text(pdf, x0 - 3.2, y0 + side / 2 + 1.1, letter, 3.2, bold=True)
    _text(pdf, end + 0.9, y0 + strip.PATTERN_WIDTH_MM / 2 + 1.1, letter, 3.2, bold=True)
    _text(pdf, end + 5.2, y0 + strip.PATTERN_WIDTH_MM / 2 + 2.4, f"{letter} short" if short else letter, 7.0, bold=True)


def _draw_number(pdf: Any, where: SheetLayout, place: int, sheet: int, short: bool) -> None:
    """The sheet's number on one strip: for the camera along both long sides, for people at its left end."""
    x0, y0 = where.pattern_origin(place)
    black = pdf.beginPath()
    for (low, high), cells in zip(sheet_code.cell_rows_mm(), sheet_code.black_cells(sheet), strict=True):
        for start, stop in _runs(cells[: round(strip.pattern_mm(short) / sheet_code.CELL_MM)]):
            black.rect(x0 + start * sheet_code.CELL_MM, y0 + low, (stop - start) * sheet_code.CELL_MM, high - low)
    pdf.setFillGray(0)
    pdf.drawPath(black, stroke=0, fill=1)
    # Beside a black square, like the letter above it: never beside a marker.
    _text(pdf, x0 - 1.4, y0 + strip.PATTERN_WIDTH_MM - 0.3, sheet_code.sheet_text(sheet), 2.0, turn=-90)


def _runs(flags: Any) -> list[tuple[int, int]]:
    """Start and end (exclusive) of each run of True."""
    return [(start, stop) for start, stop in runs(range(len(flags)), 1.0, flags) if flags[start]]


def _draw_cut_lines(pdf: Any, where: SheetLayout, shorts: Sequence[bool]) -> None:
    pdf.saveState()
    pdf.setStrokeGray(0.55)
    pdf.setLineWidth(0.15)
    pdf.setDash(2.0, 1.0)
    right = where.left_mm + strip.STRIP_LENGTH_MM
    count = len(shorts)
    bottom = where.top_mm + count * strip.STRIP_WIDTH_MM
    for i in range(count + 1):
        y = where.top_mm + i * strip.STRIP_WIDTH_MM
        pdf.line(where.left_mm, y, right, y)
    for x in (where.left_mm, right):
        pdf.line(x, where.top_mm, x, bottom)
    end = where.left_mm + strip.SHORT_LENGTH_MM + 2 * strip.MARGIN_MM
    for i, short in enumerate(shorts):
        if short:
            pdf.line(end, where.top_mm + i * strip.STRIP_WIDTH_MM, end, where.top_mm + (i + 1) * strip.STRIP_WIDTH_MM)
    pdf.restoreState()


def _draw_check_lines(pdf: Any, where: SheetLayout, sheet: int | None) -> None:
    pdf.saveState()
    pdf.setLineWidth(0.2)
    (xa, xb), y = where.along_mm, where.along_y_mm
    pdf.line(xa, y, xb, y)
    for x in where.along_mm:
        pdf.line(x, y - 2.5, x, y + 2.5)
    (ya, yb), x = where.across_mm, where.across_x_mm
    pdf.line(x, ya, x, yb)
    for tick in where.across_mm:
        pdf.line(x - 2.5, tick, x + 2.5, tick)
    pdf.restoreState()
    words = "Measure between the middles of the end ticks with a steel rule:"
    _text(pdf, xa + 3, y + 4.2, f"{words} {strip.CHECK_ALONG_MM:.0f} mm if true. This print: __________ mm", 3.2)
    _text(pdf, x + 5.0, yb - 8, f"{strip.CHECK_ACROSS_MM:.0f} mm if true. This print: __________ mm", 3.2, turn=-90)
    if sheet is None:
        _text(pdf, xb + 6, y + 0.6, "Keep both numbers with the strips.", 3.0)
    else:
        _text(pdf, xb + 6, y - 0.6, "Tell gapvision both, once for all:", 3.0)
        _text(pdf, xb + 6, y + 3.2, f"gapvision sheet {sheet}", 3.0, bold=True)
