"""Stations as CSV for spreadsheets."""

from __future__ import annotations

import csv
import io
import math
import os
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from gapvision.formats.atomic import write_whole
from gapvision.model import FloatArray, Measurement, Verdict
from gapvision.units import MM_PER_INCH, format_fraction

if TYPE_CHECKING:
    from gapvision.model import Comparison, ExtraLine

_COLUMNS = (
    "s [mm]", "s [in]", "gap [mm]", "gap [in]", "gap [nearest 1/64 in]", "U (k=2) [mm]", "U (k=2) [in]",
    "edge A x [px]", "edge A y [px]", "edge B x [px]", "edge B y [px]", "edge A offset [mm]", "edge B offset [mm]",
    "lower limit [mm]", "lower limit [in]", "upper limit [mm]", "upper limit [in]", "state", "side",
)  # fmt: skip


def csv_text(measurement: Measurement, verdict: Verdict | None = None, more: Sequence[ExtraLine] = ()) -> str:
    """Stations as CSV, millimetres and inches side by side: commas, decimal points, a heading line with units.

    Parameters
    ----------
    measurement : Measurement
        A refused one gives the headings alone.
    verdict : Verdict, optional
        The decision about this profile: limits, state and, where it is not in tolerance, side of each station.
    more : sequence of ExtraLine
        E.g. the forecast after paint, on stations of the profile; where one has none its cells stay empty.
    """
    head = [*_COLUMNS, *(head for x in more for head in (*_heads(x.label), *_heads(f"U of {x.label}")))]
    p = measurement.profile
    if p is None:
        return _written(head, [])
    rows = []
    judged = {} if verdict is None else _by_station(verdict.s_mm)
    further = [(_by_station(x.s_mm), x) for x in more]
    for i in range(len(p.s_mm)):
        s, gap, u = float(p.s_mm[i]), float(p.gap_mm[i]), float(p.expanded_u_mm[i])
        row = [
            f"{s:.2f}", f"{s / MM_PER_INCH:.3f}", f"{gap:.3f}", f"{gap / MM_PER_INCH:.4f}",
            format_fraction(gap).removesuffix(" in"), f"{u:.3f}", f"{u / MM_PER_INCH:.4f}",
            *(f"{v:.2f}" for v in (*p.edge_a_px[i], *p.edge_b_px[i])),
            f"{p.edge_a_mm[i]:.3f}", f"{p.edge_b_mm[i]:.3f}",
        ]  # fmt: skip
        k = judged.get(_key(s))
        if verdict is None or k is None:
            row += [""] * 6
        else:
            row += [*_cells(verdict.lower_mm[k]), *_cells(verdict.upper_mm[k]), verdict.states[k], verdict.sides[k]]
        for places, line in further:
            j = places.get(_key(s))
            for values in (line.gap_mm, line.expanded_u_mm):
                row += _cells(math.nan if j is None or values is None else values[j])
        rows.append(row)
    return _written(head, rows)


def write_csv(measurement: Measurement, path: str | os.PathLike[str], verdict: Verdict | None = None) -> None:
    """Write :func:`csv_text` as :func:`write_whole` does (UTF-8 with a mark, so that spreadsheets read it right)."""
    write_whole(path, csv_text(measurement, verdict).encode("utf-8-sig"))


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


def _cells(length_mm: float) -> list[str]:
    """A length in mm and inch; both empty where there is none."""
    return [f"{length_mm:.3f}", f"{length_mm / MM_PER_INCH:.4f}"] if math.isfinite(length_mm) else ["", ""]


def _written(head: Sequence[str], rows: Sequence[Sequence[Any]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(head)
    writer.writerows(rows)
    return out.getvalue()
