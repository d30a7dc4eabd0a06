"""Stations as CSV for spreadsheets; the summary for the terminal is in terminal.py."""

from __future__ import annotations

import csv
import io
import math
import os

from gapvision.geometry.spans import find_spans
from gapvision.reports.atomic import write_whole
from gapvision.results import Measurement
from gapvision.units import MM_PER_INCH, format_fraction

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
    import numpy as np

    found = find_spans(np.array([s]), np.array([gap]), np.array([u]), nominal_mm, tolerance_mm)
    return found[0].side if found else "in"
