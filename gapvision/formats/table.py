"""Stations as CSV for spreadsheets; the summary for the terminal is in terminal.py."""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from gapvision.formats.atomic import write_whole
from gapvision.geometry.spans import find_spans
from gapvision.model import FloatArray, Measurement, Verdict
from gapvision.units import MM_PER_INCH, format_fraction

if TYPE_CHECKING:
    from gapvision.model import Comparison, ExtraLine

_CSV_COLUMNS = (
    "s [mm]", "s [in]", "gap [mm]", "gap [in]", "gap [nearest 1/64 in]", "U (k=2) [mm]", "U (k=2) [in]",
    "edge A x [px]", "edge A y [px]", "edge B x [px]", "edge B y [px]", "edge A offset [mm]", "edge B offset [mm]",
    "tolerance",
)  # fmt: skip


def csv_text(measurement: Measurement, nominal_mm: float | None = None, tolerance_mm: float | None = None) -> str:
    """Stations as CSV, millimetres and inches side by side.

    Parameters
    ----------
    measurement : Measurement
        A refused one gives the headings alone.
    nominal_mm, tolerance_mm : float, optional
        With both, the last column says ``in``, ``wide`` or ``narrow``.

    Returns
    -------
    str
        Comma separated, decimal points, heading line with units.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(_CSV_COLUMNS)
    p = measurement.profile
    if p is None:
        return out.getvalue()
    for i in range(len(p.s_mm)):
        s, gap, u = float(p.s_mm[i]), float(p.gap_mm[i]), float(p.expanded_u_mm[i])
        writer.writerow([
            f"{s:.2f}", f"{s / MM_PER_INCH:.3f}", f"{gap:.3f}", f"{gap / MM_PER_INCH:.4f}",
            format_fraction(gap).removesuffix(" in"), f"{u:.3f}", f"{u / MM_PER_INCH:.4f}",
            *(f"{v:.2f}" for v in (*p.edge_a_px[i], *p.edge_b_px[i])),
            f"{p.edge_a_mm[i]:.3f}", f"{p.edge_b_mm[i]:.3f}", _in_or_out(s, gap, u, nominal_mm, tolerance_mm),
        ])  # fmt: skip
    return out.getvalue()


def write_csv(
    measurement: Measurement,
    path: str | os.PathLike[str],
    nominal_mm: float | None = None,
    tolerance_mm: float | None = None,
) -> None:
    """Write :func:`csv_text` whole or not at all (UTF-8 with a mark, so that spreadsheets read it right).

    Raises
    ------
    GapvisionError
        ``folder-not-writable``.
    """
    write_whole(path, csv_text(measurement, nominal_mm, tolerance_mm).encode("utf-8-sig"))


def _in_or_out(s: float, gap: float, u: float, nominal_mm: float | None, tolerance_mm: float | None) -> str:
    if nominal_mm is None or tolerance_mm is None or not math.isfinite(gap):
        return ""
    found = find_spans(np.array([s]), np.array([gap]), np.array([u]), nominal_mm, tolerance_mm)
    return found[0].side if found else "in"


def decision_csv(verdict: Verdict, more: Sequence[ExtraLine] = ()) -> str:
    """A judged profile as CSV: gap, U, limits and state at each station, and the further lines of its plot.

    Parameters
    ----------
    verdict : Verdict
        The decision about this profile.
    more : sequence of ExtraLine
        E.g. the forecast after paint, on stations of the profile; where one has none its cells stay empty.

    Returns
    -------
    str
        Comma separated, millimetres and inches side by side, heading line with units.
    """
    head = [*_heads("s"), *_heads("gap"), *_heads("U (k=2)"), *_heads("lower limit"), *_heads("upper limit"), "state"]
    for line in more:
        head += [*_heads(line.label), *_heads(f"U of {line.label}")]
    v = verdict
    columns = [v.s_mm, v.gap_mm, v.expanded_u_mm, v.lower_mm, v.upper_mm]
    rows = [[*(_cells(float(c[i])) for c in columns), [v.states[i]]] for i in range(len(v.s_mm))]
    for line in more:
        u = np.full(len(line.s_mm), math.nan) if line.expanded_u_mm is None else line.expanded_u_mm
        known = {round(float(s), 3): k for k, s in enumerate(line.s_mm)}
        for s, row in zip(v.s_mm, rows, strict=True):
            k = known.get(round(float(s), 3))
            row += [_cells(math.nan if k is None else float(values[k])) for values in (line.gap_mm, u)]
    return _written(head, [[cell for cells in row for cell in cells] for row in rows])


def comparison_csv(comparison: Comparison, before: str = "before", after: str = "after") -> str:
    """Two stages of a seam as CSV: both gaps, the change with its own U and what it says, at each common station.

    Parameters
    ----------
    comparison : Comparison
        What changed.
    before, after : str
        What to call the two.

    Returns
    -------
    str
        Comma separated, millimetres and inches side by side; ``s`` counts as in the photo before.
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


def _cells(length_mm: float) -> list[str]:
    """A length in mm and inch; both empty where there is none."""
    return [f"{length_mm:.3f}", f"{length_mm / MM_PER_INCH:.4f}"] if math.isfinite(length_mm) else ["", ""]


def _written(head: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return out.getvalue()
