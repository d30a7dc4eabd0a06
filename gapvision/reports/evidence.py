"""The evidence report: a PDF that a customer reads and the next shop can check.

It looks like the workshop's own paper: its name and logo from the settings, and
no other.  The photos in it are new pictures made from the originals' pixels, so
that no location gets out.
"""

from __future__ import annotations

import io
from collections.abc import Callable
from functools import partial
from typing import Any

import numpy as np
from reportlab.lib.units import mm
from reportlab.platypus import (
    BaseDocTemplate,
    CondPageBreak,
    Flowable,
    Frame,
    KeepTogether,
    PageTemplate,
    Paragraph,
    Spacer,
    Table,
    TableStyle,
)

from gapvision import words
from gapvision.formats.judgement_json import told_verdict
from gapvision.model import ExtraLine
from gapvision.reports.crops import SeamCrop, crops_alike, needed_height_mm
from gapvision.reports.evidence_chart import Plot, SeamPhoto
from gapvision.reports.evidence_style import (
    FOOT_HEIGHT,
    HEAD_HEIGHT,
    INK,
    LINE,
    MARGIN,
    PAPERS,
    QUIET,
    SHADE,
    draw_head,
    escape,
    fonts,
    para,
    shrink_to_fit,
    styles,
)
from gapvision.reports.evidence_types import Evidence, Head, PhotoEntry, PlanEvidence, SeamEvidence, ShownResult
from gapvision.reports.figures import draw_profile
from gapvision.reports.profile_picture import line_of, ticks

__all__ = ["Evidence", "Head", "PhotoEntry", "PlanEvidence", "SeamEvidence", "ShownResult", "write_evidence"]

TITLE = "Panel gaps: measured evidence"
_WORST_ROWS = 8
_TALLEST = 85 * mm  # a cut-out on paper
#: Whether a cut-out is rectified -> how it is to be read.
_HOW = {True: "Rectified, one scale both ways", False: "Level, not rectified"}
_DECISION = {"in tolerance": "In tolerance", "out of tolerance": "Out of tolerance", "not proven": "Not proven"}

CAUTIONS = (
    "This report judges gap and edge only: never the strength of the body, its crash safety, or whether a closure is"
    " safe to drive with.",
    "After any adjustment, check that bonnet, doors and boot lid latch, that the bonnet's safety catch holds, and that"
    " a propped panel cannot drop, before the car moves.",
    "Gaps move with latches, seals, shims, supports and temperature; compare only what was measured under the"
    " conditions stated.",
    "A forecast after paint is only as good as the film stated; the paint maker's data sheet rules. Lead, two-pack"
    " paint, grinding and welding need their usual protection; local rules and qualified people rule.",
)


def write_evidence(evidence: Evidence, progress: Callable[[int, int], None] | None = None) -> bytes:
    """Make the report.

    Parameters
    ----------
    evidence : Evidence
        What to show.
    progress : callable, optional
        Called with (seams drawn, seams in all).

    Returns
    -------
    bytes
        The PDF.
    """
    fonts()
    page = PAPERS[evidence.head.paper]
    maker = _Maker(evidence, page[0] - 2 * MARGIN)
    story = maker.story(progress)
    out = io.BytesIO()
    frame = Frame(
        MARGIN,
        MARGIN - 5 * mm + FOOT_HEIGHT,
        page[0] - 2 * MARGIN,
        page[1] - HEAD_HEIGHT - 8 * mm - (MARGIN - 5 * mm + FOOT_HEIGHT),
        leftPadding=0,
        rightPadding=0,
        topPadding=2,
        bottomPadding=0,
    )
    doc = BaseDocTemplate(
        out,
        pagesize=page,
        title=f"{TITLE}, job {evidence.reference}",
        author=evidence.head.name,
        subject=evidence.scope,
        creator=evidence.program,
        producer=evidence.program,
        lang="en",
    )

    def dress(canvas: Any, document: Any) -> None:
        canvas.saveState()
        draw_head(canvas, page, evidence.head, TITLE)
        plain, _, _ = fonts()
        canvas.setFont(plain, 6.8)
        canvas.setFillColor(QUIET)
        foot = f"Job {evidence.reference}, {evidence.made_on}"
        text, size = shrink_to_fit(foot, plain, 6.8, page[0] - 2 * MARGIN - 30 * mm)
        canvas.setFont(plain, size)
        canvas.drawString(MARGIN, MARGIN - 6 * mm, text)
        canvas.drawRightString(page[0] - MARGIN, MARGIN - 6 * mm, f"page {document.page}")
        canvas.restoreState()

    doc.addPageTemplates([PageTemplate(id="all", frames=[frame], onPage=dress)])
    doc.build(story)
    return out.getvalue()


class _Maker:
    """Builds the parts of one report in their order."""

    def __init__(self, evidence: Evidence, width: float) -> None:
        self.e, self.width = evidence, width
        self.say = evidence.head.say

    def story(self, progress: Callable[[int, int], None] | None) -> list[Flowable]:
        parts = self._opening()
        for number, seam in enumerate(self.e.seams, 1):
            parts += self._seam(seam)
            if progress is not None:
                progress(number, len(self.e.seams))
        for plan in self.e.plans:
            parts += self._plan(plan)
        return parts + self._closing()

    # --- opening ------------------------------------------------------------------
    def _opening(self) -> list[Flowable]:
        e = self.e
        rows = [("Job", e.reference), ("Customer", e.customer), ("Car", e.car), ("Report made on", e.made_on),
                ("Shows", e.scope)]  # fmt: skip
        head = self._table([(para(k, "headcell"), para(v or "-", "cell")) for k, v in rows], (0.2, 0.8), head=False)
        parts: list[Flowable] = [para(TITLE, "title"), Spacer(1, 2 * mm), head, Spacer(1, 3 * mm)]
        parts.append(para("At a glance", "h2"))
        cells = [
            [para(t, "headcell") for t in ("Seam", "Stage", "Mean gap", "Smallest to largest", "U (k = 2)", "Verdict")]
        ]
        for seam in e.seams:
            cells.append(self._glance_row(seam))
        for name in e.not_measured:
            cells.append([para(name, "cell"), para("not measured", "cell"), *[para("-", "cell") for _ in range(4)]])
        parts.append(self._table(cells, (0.23, 0.15, 0.17, 0.19, 0.12, 0.14)))
        parts.append(Spacer(1, 2 * mm))
        parts.append(para(
            "U is the expanded uncertainty of a gap: the true gap lies within plus or minus U of the value with about"
            " 95 % certainty (coverage factor k = 2).", "quiet"
        ))  # fmt: skip
        if e.notes:
            parts.append(para("Notes", "h3"))
            parts += [para(n, "text") for n in e.notes]
        return parts

    def _glance_row(self, seam: SeamEvidence) -> list[Paragraph]:
        gap = seam.after.summary
        u = float(np.median(seam.after.profile.expanded_u_mm))
        verdict = (seam.after.verdict or {}).get("verdict")
        both = self.say.gap
        spread = f"{both(gap.min_mm)} to {both(gap.max_mm)}"
        return [
            para(seam.name, "cell"), para(seam.after.stage, "cell"), para(both(gap.mean_mm), "cell"),
            para(spread, "cell"), para(self.say.small(u), "cell"),
            para(_DECISION.get(verdict or "", "not judged"), "cell"),
        ]  # fmt: skip

    # --- one seam -----------------------------------------------------------------
    def _seam(self, seam: SeamEvidence) -> list[Flowable]:
        parts: list[Flowable] = [CondPageBreak(180 * mm), para(seam.name, "h2")]
        parts.append(self._what(seam))
        parts.append(Spacer(1, 2 * mm))
        pictures = self._pictures(seam)
        chart = self._chart(seam)
        parts.append(KeepTogether([*pictures, chart]) if pictures else chart)
        parts += self._verdict(seam)
        parts += self._change(seam)
        parts += self._forecast(seam)
        if seam.remarks:
            parts.append(KeepTogether([para("To know", "h3"), *[para(f"– {r}", "small") for r in seam.remarks]]))
        return parts

    def _what(self, seam: SeamEvidence) -> Table:
        """What was measured, when and under which conditions."""
        shown = [s for s in (seam.before, seam.after) if s is not None]
        heads = ["", *(["Before", "After"] if len(shown) == 2 else ["Measured"])]
        rows: list[list[Paragraph]] = [[para(h, "headcell") for h in heads]]
        facts: list[tuple[str, Callable[[ShownResult], str]]] = [
            ("Stage", lambda s: s.stage),
            ("Day", lambda s: s.on_date),
            ("By", lambda s: s.who or "-"),
            ("Mean gap", lambda s: self.say.gap(s.summary.mean_mm)),
            ("Smallest, largest", lambda s: f"{self.say.gap(s.summary.min_mm)}, {self.say.gap(s.summary.max_mm)}"),
            ("Taper", lambda s: self.say.slope(s.summary.taper_mm_per_m)),
            ("Straightness, edge A and B", self._straight),
            ("Step between the faces", self._flush),
            ("Conditions", lambda s: "; ".join(f"{k}: {v}" for k, v in s.conditions) or "not said"),
            ("Photo", lambda s: f"{s.file_name}, measurement {s.number}"),
        ]  # fmt: skip
        for label, tell in facts:
            rows.append([para(label, "headcell"), *[para(tell(s), "cell") for s in shown]])
        return self._table(rows, (0.22, 0.39, 0.39) if len(shown) == 2 else (0.22, 0.78))

    def _straight(self, shown: ShownResult) -> str:
        said = []
        for one in (shown.measurement.straightness_a, shown.measurement.straightness_b):
            form = "not trusted"
            if one is not None:
                form = f"{self.say.small(one.min_zone_mm)}, U {self.say.small(one.expanded_u_mm)}"
            said.append(form)
        return ", ".join(said)

    def _flush(self, shown: ShownResult) -> str:
        step = shown.measurement.step
        if step is None:
            return "not measured"
        return f"B above A by {self.say.small(step.mean_mm, signed=True)}, U {self.say.small(step.expanded_u_mm)}"

    def _on_chart(self, seam: SeamEvidence, shown: ShownResult, s: Any) -> Any:
        """A photo's stations on the chart's scale: that of the later photo, as in the table of worst places."""
        values = np.asarray(s, dtype=float)
        earlier = seam.comparison is not None and shown is seam.before
        return values - seam.comparison.datum.shift_mm if earlier and seam.comparison is not None else values

    def _ranges(self, seam: SeamEvidence) -> tuple[float, float]:
        """The stretch to show, on the chart's scale: what both have, else all of it."""
        if seam.comparison is not None and seam.before is not None:
            s = self._on_chart(seam, seam.before, seam.comparison.s_mm)
        else:
            s = seam.after.profile.s_mm
        return float(s[0]), float(s[-1])

    def _pictures(self, seam: SeamEvidence) -> list[Flowable]:
        start, end = self._ranges(seam)
        stations = ticks(start, end, 6, self.say.unit)
        shown = [s for s in (seam.before, seam.after) if s is not None and s.photo is not None]
        if not shown:
            return []
        width = (self.width - 4 * mm * (len(shown) - 1)) / len(shown)
        spans = []
        for s in shown:
            places = s.profile.s_mm
            on = self._on_chart(seam, s, places)
            inside = places[(on >= start - 0.5) & (on <= end + 0.5)]
            if len(inside) < 2:
                return []
            spans.append((s, float(inside[0]), float(inside[-1])))
        height = max(needed_height_mm(s.measurement, a, b) for s, a, b in spans)
        # A short or strongly curved seam must not outgrow the page.
        width = min(width, _TALLEST * 1.04 * max(end - start, 1.0) / height)
        half = (end - start) / 2

        def cut(s: ShownResult, middle: float, kind: Callable[..., SeamCrop | None]) -> SeamCrop | None:
            return kind(
                s.photo or b"", s.measurement, middle - half, middle + half, width_px=round(width / mm * 8),
                height_mm=height,
            )  # fmt: skip

        crops = crops_alike([partial(cut, s, (a + b) / 2) for s, a, b in spans])
        if crops is None:
            return []
        cells: list[Flowable] = []
        captions: list[Flowable] = []
        for (s, *_), crop in zip(spans, crops, strict=True):
            cells.append(SeamPhoto(width, crop, stations, self._on_chart(seam, s, crop.s_mm)))
            words = "Before" if s is seam.before else ("After" if seam.before is not None else "Photo")
            said = f"{words}: {s.stage}, {s.on_date}. {_HOW[crop.rectified]}."
            captions.append(para(said, "quiet"))
        table = Table([cells, captions], colWidths=[self.width / len(shown)] * len(shown))
        table.setStyle(TableStyle([
            ("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 0),
            ("TOPPADDING", (0, 0), (-1, -1), 1), ("BOTTOMPADDING", (0, 0), (-1, -1), 1),
            ("RIGHTPADDING", (0, 1), (-2, 1), 4 * mm), ("VALIGN", (0, 0), (-1, -1), "TOP"),
        ]))  # fmt: skip
        return [table]

    def _chart(self, seam: SeamEvidence) -> Flowable:
        profile, label, more = seam.after.profile, seam.after.stage, []
        if seam.before is not None:
            label = f"after: {label}"
            shift = 0.0 if seam.comparison is None else seam.comparison.datum.shift_mm
            more.append(line_of(seam.before.profile, f"before: {seam.before.stage}", -shift))
        rows = (seam.forecast or {}).get("stations")
        if rows:
            s, gap, u = (np.array([r[k] for r in rows], dtype=float) for k in ("s_mm", "gap_mm", "u_mm"))
            more.append(ExtraLine(s, gap, "forecast after paint", u))
        size, unit = (self.width / 72, 72 * mm / 72), self.say.unit
        return Plot(draw_profile(profile, seam.judged, more=more, unit=unit, label=label, size_in=size, point=7.4))

    def _verdict(self, seam: SeamEvidence) -> list[Flowable]:
        parts: list[Flowable] = [para("Verdict", "h3")]
        for word, shown in (("Before", seam.before), ("After" if seam.before else "", seam.after)):
            if shown is None:
                continue
            verdict = shown.verdict
            said, why = "not judged: no specification was given for this seam.", list[str]()
            if verdict:
                said, why = told_verdict(verdict, self.say)
            start = f"<b>{word}:</b> " if word else ""
            parts.append(Paragraph(start + escape(said), styles()["text"]))
            if shown is seam.after:
                parts += [para(f"– {r}", "small") for r in why]
        kept: list[Flowable] = [KeepTogether(parts)]
        worst = self._worst(seam)
        if worst is not None:
            kept.append(worst)
        return kept

    def _worst(self, seam: SeamEvidence) -> Flowable | None:
        """Table of the worst places of the later result."""
        spans = [
            s for s in (seam.after.verdict or {}).get("spans", [])
            if s["state"] in ("out of tolerance", "not proven") and s.get("worst_mm") is not None
        ]  # fmt: skip
        if not spans:
            return None
        spans.sort(key=lambda s: -(s.get("excess_mm") or -1e9))
        heads = ("From", "To", "State", "Worst gap", "At", "U (k = 2)", "Beyond its limit")
        rows = [[para(h, "headcell") for h in heads]]
        place = self.say.place
        for s in spans[:_WORST_ROWS]:
            excess = s.get("excess_mm")
            beyond = "-" if excess is None or excess <= 0 else self.say.small(excess)
            state = s["state"] + (f", too {s['side']}" if s["state"] == "out of tolerance" and s.get("side") else "")
            cells = (place(s["from_mm"]), place(s["to_mm"]), state, self.say.gap(s["worst_mm"]),
                     place(s["worst_at_mm"]), self.say.small(s["worst_u_mm"]), beyond)  # fmt: skip
            rows.append([para(c, "cell") for c in cells])
        parts: list[Flowable] = [
            para("Worst places (stations of the later photo)" if seam.before else "Worst places", "h3")
        ]
        parts.append(self._table(rows, (0.1, 0.1, 0.22, 0.19, 0.1, 0.14, 0.15)))
        if len(spans) > _WORST_ROWS:
            parts.append(para(f"and {len(spans) - _WORST_ROWS} more places that are less far out.", "quiet"))
        return KeepTogether(parts)

    def _change(self, seam: SeamEvidence) -> list[Flowable]:
        c = seam.comparison
        if c is None:
            return []
        return [KeepTogether([para("Change", "h3"), para(" ".join(words.change(c, self.say)))])]

    def _forecast(self, seam: SeamEvidence) -> list[Flowable]:
        f = seam.forecast
        if not f:
            return []
        film = f.get("film") or {}
        parts: list[Flowable] = [para("Forecast after paint", "h3")]
        if film:
            parts.append(para(words.film(film, self.say)))
        verdict = f.get("verdict") or {}
        if verdict:
            said, why = told_verdict(verdict, self.say)
            parts += [para(said), *(para(f"– {r}", "small") for r in why)]
        for n in f.get("notices", []):
            parts.append(para(f"– {' '.join(words.notice_of(n, self.say))}", "small"))
        return [KeepTogether(parts)]

    def _plan(self, plan: PlanEvidence) -> list[Flowable]:
        parts: list[Flowable] = [
            CondPageBreak(45 * mm), Spacer(1, 4 * mm), _Rule(self.width),
            para(f"Correction plan: {plan.panel}", "h2"),
        ]  # fmt: skip
        parts += [para(s) for s in plan.sentences]
        if plan.rows:
            rows = [[para(h, "headcell") for h in plan.heads], *[[para(c, "cell") for c in r] for r in plan.rows]]
            parts += [Spacer(1, 2 * mm), self._table(rows, tuple(1 / len(plan.heads) for _ in plan.heads))]
        return parts

    # --- closing ------------------------------------------------------------------
    def _closing(self) -> list[Flowable]:
        e = self.e
        parts: list[Flowable] = [CondPageBreak(60 * mm), Spacer(1, 4 * mm), _Rule(self.width), para("Cautions", "h2")]
        parts += [para(f"– {c}", "small") for c in CAUTIONS]
        parts.append(para("How it was measured", "h2"))
        methods = ", ".join(str(m) for m in e.methods) or "-"
        parts.append(para(
            "From one photo a seam with printed strips of known size beside it; gap perpendicular to the seam's centre"
            " line between the two panel edges, in the panel surface. Stations without a trustworthy edge are left"
            f" out, not filled in. Program: {e.program}; method version: {methods}.", "small"
        ))  # fmt: skip
        if e.photos:
            rows = [[para(h, "headcell") for h in ("Seam", "Stage", "File", "SHA-256 of the photo as it was taken")]]
            for p in e.photos:
                half = f"{p.sha256[:32]} {p.sha256[32:]}"
                rows.append(
                    [para(p.seam, "cell"), para(p.stage, "cell"), para(p.file_name, "cell"), para(half, "cell")]
                )
            parts += [para("Photos", "h2"), self._table(rows, (0.24, 0.16, 0.2, 0.4))]
        parts.append(KeepTogether([para("Signed", "h2"), self._signatures()]))
        return parts

    def _signatures(self) -> Table:
        names = ("Measured by", "For the shop", "Customer")
        rows = [[Spacer(1, 13 * mm), ""] * 3, [x for n in names for x in (para(n, "small"), "")],
                [x for _ in names for x in (para("Day:", "quiet"), "")]]  # fmt: skip
        table = Table(rows, colWidths=[self.width / 3 - 6 * mm, 6 * mm] * 3)
        style: list[Any] = [("LEFTPADDING", (0, 0), (-1, -1), 0), ("RIGHTPADDING", (0, 0), (-1, -1), 0)]
        style += [("LINEBELOW", (2 * k, 0), (2 * k, 0), 0.6, INK) for k in range(3)]
        table.setStyle(TableStyle(style))
        return table

    def _table(self, rows: list[Any], shares: tuple[float, ...], head: bool = True) -> Table:
        table = Table(rows, colWidths=[self.width * s for s in shares], repeatRows=1 if head else 0)
        style: list[Any] = [
            ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LINEBELOW", (0, 0), (-1, -1), 0.3, LINE),
            ("LEFTPADDING", (0, 0), (-1, -1), 3), ("RIGHTPADDING", (0, 0), (-1, -1), 3),
            ("TOPPADDING", (0, 0), (-1, -1), 1.6), ("BOTTOMPADDING", (0, 0), (-1, -1), 2.2),
        ]  # fmt: skip
        if head:
            style.append(("BACKGROUND", (0, 0), (-1, 0), SHADE))
        table.setStyle(TableStyle(style))
        return table


class _Rule(Flowable):  # type: ignore[misc]
    """A thin line across the page."""

    def __init__(self, width: float) -> None:
        super().__init__()
        self.width, self.height = width, 4

    def wrap(self, *_: Any) -> tuple[float, float]:
        return self.width, self.height

    def draw(self) -> None:
        self.canv.setStrokeColor(LINE)
        self.canv.setLineWidth(0.8)
        self.canv.line(0, 2, self.width, 2)
