"""Tables: CSV for spreadsheets, and a summary for the terminal."""

from __future__ import annotations

import csv
import io
import math
import os
import textwrap
from collections.abc import Iterable, Sequence

from gapvision.geometry.spans import Span, find_holes, find_spans, hole_limit_mm
from gapvision.reports.atomic import write_whole
from gapvision.results import Measurement, Notice, Straightness
from gapvision.units import MM_PER_INCH, format_both, format_fraction

_WIDTH = 78
_LABEL = 14

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


def terminal_text(measurement: Measurement, nominal_mm: float | None = None, tolerance_mm: float | None = None) -> str:
    """A summary to read at a terminal: gap, straightness, flush, spans out of tolerance, what to do.

    Parameters
    ----------
    measurement : Measurement
        Measured or refused.
    nominal_mm, tolerance_mm : float, optional
        With both, spans out of tolerance are listed.

    Returns
    -------
    str
        Lines of at most 78 characters (a long file name may be longer).
    """
    m = measurement
    said = {"ok": "measured", "warn": "measured, but look at the warnings", "refused": "refused"}[m.status]
    lines = [f"{m.photo_file}: {said}"]
    if m.status == "refused":
        return "\n".join(lines + list(_notice_lines(m.notices))) + "\n"
    lines += _gap_lines(m)
    lines += _form_lines(m)
    if nominal_mm is not None and tolerance_mm is not None and m.profile is not None:
        p = m.profile
        spans = find_spans(p.s_mm, p.gap_mm, p.expanded_u_mm, nominal_mm, tolerance_mm, hole_limit_mm(p.spacing_mm))
        lines += _span_lines(spans, nominal_mm, tolerance_mm)
    lines += _notice_lines(m.notices)
    return "\n".join(lines) + "\n"


def _gap_lines(m: Measurement) -> list[str]:
    lines: list[str] = []
    if m.summary is not None:
        g = m.summary
        lines.append(_row("gap", f"mean {format_both(g.mean_mm)}, standard deviation {g.std_mm:.2f} mm"))
        lines.append(_row("", f"from {format_both(g.min_mm)} to {format_both(g.max_mm)}"))
        lines.append(_row("taper", f"{g.taper_mm_per_m:+.2f} mm per metre"))
    p = m.profile
    if p is not None and len(p.s_mm):
        u = sorted(p.expanded_u_mm)
        lines.append(_row("uncertainty", f"U (k = 2) {u[len(u) // 2]:.2f} mm typically, {u[-1]:.2f} mm at worst"))
        lines.append(_row("stations", f"{len(p.s_mm)} from {p.s_mm[0]:.0f} to {p.s_mm[-1]:.0f} mm along the seam"))
        holes = find_holes(p.s_mm, hole_limit_mm(p.spacing_mm))
        if holes:
            lines.append(_row("not measured", ", ".join(f"{a:.0f} to {b:.0f} mm" for a, b in holes)))
    return lines


def _form_lines(m: Measurement) -> list[str]:
    lines = [
        _row(f"edge {name}", _form_text(form, m.seam_kind))
        for name, form in (("A", m.straightness_a), ("B", m.straightness_b))
        if form is not None
    ]
    if m.flush is not None:
        who = (
            "level"
            if abs(m.flush.mean_mm) <= m.flush.expanded_u_mm
            else f"face {'B' if m.flush.mean_mm > 0 else 'A'} stands proud"
        )
        lines.append(_row("flush", f"{m.flush.mean_mm:+.2f} mm, U {m.flush.expanded_u_mm:.2f} mm ({who})"))
    return lines


def _form_text(form: Straightness, seam_kind: str) -> str:
    if seam_kind == "curved" and form.fairness_mm is not None:
        cut = "" if form.cutoff_mm is None else f" from a smooth curve (cut-off {form.cutoff_mm:.0f} mm)"
        return f"curved by design: fairness {form.fairness_mm:.2f} mm{cut}"
    text = (
        f"straight within {form.min_zone_mm:.2f} mm (minimum zone; least squares {form.lsq_mm:.2f}), "
        f"U {form.expanded_u_mm:.2f} mm, over {form.span_mm:.0f} mm"
    )
    if form.worst_100_mm is not None and form.worst_100_from_mm is not None:
        a = form.worst_100_from_mm
        text += f"; worst 100 mm: {form.worst_100_mm:.2f} mm, from {a:.0f} to {a + 100:.0f} mm"
    return text


def _span_lines(spans: Sequence[Span], nominal_mm: float, tolerance_mm: float) -> list[str]:
    lines = [_row("tolerance", f"{format_both(nominal_mm)} +- {tolerance_mm:.2f} mm")]
    if not spans:
        return [*lines, _row("", "every measured station reads in tolerance")]
    for k, span in enumerate(spans):
        where = f"{span.from_mm:.0f} to {span.to_mm:.0f} mm" if span.to_mm > span.from_mm else f"{span.from_mm:.0f} mm"
        sure = "" if span.proven else "; within its uncertainty, so not proven"
        text = f"{where}: too {span.side}, worst {format_both(span.worst_mm)} at {span.worst_at_mm:.0f} mm{sure}"
        lines.append(_row("out of tol." if k == 0 else "", text))
    return lines


def _notice_lines(notices: Iterable[Notice]) -> list[str]:
    lines: list[str] = []
    for notice in notices:
        label = {"warning": "warning", "note": "note"}.get(notice.kind, "reason")
        lines.append(_row(label, f"{notice.message} {notice.advice} [{notice.code}]"))
    return lines


def _row(label: str, text: str) -> str:
    joined = text.replace(" mm", "\u00a0mm").replace(" in)", "\u00a0in)")  # a number keeps its unit on its line
    return textwrap.fill(
        joined, _WIDTH, initial_indent=f"  {label:<{_LABEL}}", subsequent_indent=" " * (_LABEL + 2),
        break_long_words=False, break_on_hyphens=False,
    ).replace("\u00a0", " ")  # fmt: skip


def _in_or_out(s: float, gap: float, u: float, nominal_mm: float | None, tolerance_mm: float | None) -> str:
    if nominal_mm is None or tolerance_mm is None or not math.isfinite(gap):
        return ""
    import numpy as np

    found = find_spans(np.array([s]), np.array([gap]), np.array([u]), nominal_mm, tolerance_mm)
    return found[0].side if found else "in"
