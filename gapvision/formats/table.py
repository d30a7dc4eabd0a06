"""Stations as tables for spreadsheets: CSV in the style that a spreadsheet reads, and workbooks (XLSX)."""

from __future__ import annotations

import csv
import io
import locale
import math
import os
from collections.abc import Sequence
from typing import TYPE_CHECKING

from gapvision.formats.atomic import write_whole
from gapvision.model import FloatArray, Measurement, Verdict
from gapvision.units import MM_PER_INCH, format_fraction, nearest_fraction

if TYPE_CHECKING:
    from gapvision.model import Comparison, ExtraLine

_FRACTION = "gap [nearest 1/64 in]"
_COLUMNS = (
    "s [mm]", "s [in]", "gap [mm]", "gap [in]", _FRACTION, "U (k=2) [mm]", "U (k=2) [in]",
    "edge A x [px]", "edge A y [px]", "edge B x [px]", "edge B y [px]", "edge A offset [mm]", "edge B offset [mm]",
    "lower limit [mm]", "lower limit [in]", "upper limit [mm]", "upper limit [in]", "state", "side",
)  # fmt: skip


#: How CSV is written -> (what stands between the cells, decimal mark); a spreadsheet reads that of its own country.
STYLES = {"comma": (",", "."), "semicolon": (";", ","), "tab": ("\t", ".")}
#: A cell: a text, or a number with its decimals; NaN stays empty.
Cell = str | tuple[float, int]


def csv_text(
    measurement: Measurement, verdict: Verdict | None = None, more: Sequence[ExtraLine] = (), style: str = "comma"
) -> str:
    """Stations as CSV, millimetres and inches side by side, a heading line with units.

    Parameters
    ----------
    measurement : Measurement
        A refused one gives the headings alone.
    verdict : Verdict, optional
        The decision about this profile: limits, state and, where it is not in tolerance, side of each station.
    more : sequence of ExtraLine
        E.g. the forecast after paint, on stations of the profile; where one has none its cells stay empty.
    style : str
        A key of STYLES.  Fractions carry their unit, so that none is taken for a date.
    """
    return _written(*_stations(measurement, verdict, more), style)


def own_style() -> str:
    """The style that this machine's spreadsheets read, by its decimal mark."""
    before = locale.setlocale(locale.LC_NUMERIC)
    try:
        locale.setlocale(locale.LC_NUMERIC, "")
        return "semicolon" if locale.localeconv()["decimal_point"] == "," else "comma"
    except locale.Error:
        return "comma"
    finally:
        locale.setlocale(locale.LC_NUMERIC, before)


def write_csv(
    measurement: Measurement, path: str | os.PathLike[str], verdict: Verdict | None = None, style: str = "comma"
) -> None:
    """Write :func:`csv_text` as :func:`write_whole` does (UTF-8 with a mark, so that spreadsheets read it right)."""
    write_whole(path, csv_text(measurement, verdict, style=style).encode("utf-8-sig"))


def workbook(
    measurement: Measurement,
    verdict: Verdict | None = None,
    about: Sequence[tuple[str, str]] = (),
    plot: bytes | None = None,
) -> bytes:
    """Stations as a workbook (XLSX): real numbers, fractions of an inch as numbers too, the plot on a sheet of its own.

    Parameters
    ----------
    measurement, verdict
        As :func:`csv_text`.
    about : sequence of (what, text)
        For the first sheet.
    plot : bytes, optional
        A PNG.

    Returns
    -------
    bytes
        Without dates: the same input gives the same bytes.
    """
    import datetime

    import xlsxwriter

    out = io.BytesIO()
    with xlsxwriter.Workbook(out, {"in_memory": True}) as book:
        book.set_properties({"created": datetime.datetime(2000, 1, 1)})
        bold, first = book.add_format({"bold": True}), book.add_worksheet("about")
        first.set_column(0, 1, 30)
        for row, (what, text) in enumerate(about):
            first.write_string(row, 0, what, bold)
            first.write_string(row, 1, text)
        if plot is not None:
            book.add_worksheet("plot").insert_image(0, 0, "plot.png", {"image_data": io.BytesIO(plot)})
        sheet, (head, rows) = book.add_worksheet("stations"), _stations(measurement, verdict, ())
        sheet.freeze_panes(1, 0)
        sheet.set_column(0, len(head) - 1, 14)
        forms = {k: book.add_format({"num_format": "0." + "0" * k}) for k in (2, 3, 4)}
        fraction = book.add_format({"num_format": "# ?/??"})
        for column, name in enumerate(head):
            sheet.write_string(0, column, name, bold)
        for row, cells in enumerate(rows, 1):
            for column, cell in enumerate(cells):
                if isinstance(cell, str):
                    if head[column] == _FRACTION:
                        sheet.write_number(row, column, float(nearest_fraction(float(rows[row - 1][2][0]))), fraction)
                    elif cell:
                        sheet.write_string(row, column, cell)
                elif math.isfinite(cell[0]):
                    sheet.write_number(row, column, round(*cell), forms[cell[1]])
    return out.getvalue()


def _stations(
    measurement: Measurement, verdict: Verdict | None, more: Sequence[ExtraLine]
) -> tuple[list[str], list[list[Cell]]]:
    """Headings, and a row of cells for each station."""
    photos = [photo.file for photo in measurement.photos]
    several = len(photos) > 1  # pixels say nothing without the photo that they are of
    head = [*_COLUMNS, *["photo"] * several]
    head += [name for x in more for name in (*_heads(x.label), *_heads(f"U of {x.label}"))]
    p, rows = measurement.profile, list[list[Cell]]()
    judged = {} if verdict is None else _by_station(verdict.s_mm)
    further = [(_by_station(x.s_mm), x) for x in more]
    for i in range(0 if p is None else len(p.s_mm)):
        assert p is not None  # else there is no row
        s, gap, u = float(p.s_mm[i]), float(p.gap_mm[i]), float(p.expanded_u_mm[i])
        row: list[Cell] = [
            (s, 2), (s / MM_PER_INCH, 3), (gap, 3), (gap / MM_PER_INCH, 4), format_fraction(gap), *_cells(u),
            *((float(v), 2) for v in (*p.edge_a_px[i], *p.edge_b_px[i])),
            (float(p.edge_a_mm[i]), 3), (float(p.edge_b_mm[i]), 3),
        ]  # fmt: skip
        k = judged.get(_key(s))
        if verdict is None or k is None:
            row += [""] * 6
        else:
            row += [*_cells(verdict.lower_mm[k]), *_cells(verdict.upper_mm[k]), verdict.states[k], verdict.sides[k]]
        row += [photos[p.photo[i]]] * several
        for places, line in further:
            j = places.get(_key(s))
            for values in (line.gap_mm, line.expanded_u_mm):
                row += _cells(math.nan if j is None or values is None else values[j])
        rows.append(row)
    return head, rows


def _key(s_mm: float) -> float:
    return round(float(s_mm), 3)


def _by_station(s_mm: FloatArray) -> dict[float, int]:
    return {_key(s): k for k, s in enumerate(s_mm)}


def comparison_csv(comparison: Comparison, before: str = "before", after: str = "after") -> str:
    """Two stages of a seam as CSV: both gaps, the change with its own U and what it says, at each common station.

    Millimetres and inches side by side; ``s`` counts as in the photo before.
    """
    c = comparison
    head = [*_heads("s"), *_heads(f"gap {before}"), *_heads(f"gap {after}"), *_heads("change")]
    head += [*_heads("U of change (k=2)"), "change is", *(["against the wanted gap"] if c.judged else [])]
    columns: list[FloatArray] = [c.s_mm, c.before_mm, c.after_mm, c.change_mm, c.expanded_u_mm]
    rows = [
        [*(cell for v in columns for cell in _cells(float(v[i]))), c.state[i], *([c.judged[i]] if c.judged else [])]
        for i in range(len(c.s_mm))
    ]
    return _written(head, rows)


def _heads(name: str) -> list[str]:
    return [f"{name} [mm]", f"{name} [in]"]


def _cells(length_mm: float) -> list[Cell]:
    """A length in mm and inch; both empty where there is none."""
    return [(float(length_mm), 3), (float(length_mm) / MM_PER_INCH, 4)]


def _written(head: Sequence[str], rows: Sequence[Sequence[Cell]], style: str = "comma") -> str:
    between, mark = STYLES[style]
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n", delimiter=between)
    writer.writerow(head)
    writer.writerows([_shown(cell, mark) for cell in row] for row in rows)
    return out.getvalue()


def _shown(cell: Cell, mark: str) -> str:
    if isinstance(cell, str):
        return cell
    return f"{cell[0]:.{cell[1]}f}".replace(".", mark) if math.isfinite(cell[0]) else ""
