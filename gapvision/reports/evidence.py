"""The evidence report: a PDF that a customer reads and the next shop can check.

It looks like the workshop's own paper: its name and logo from the settings, and no other.  The photos in it are new
pictures made from the originals' pixels, so that no location gets out.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterable, Sequence
from typing import Any

import numpy as np
from reportlab import platypus, rl_config
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, KeepTogether, Paragraph, Spacer, Table

from gapvision import words
from gapvision.formats.judgement_json import told_verdict
from gapvision.judgement import cautions_for
from gapvision.model import OPEN, OUT, ExtraLine
from gapvision.reports import evidence_style as style
from gapvision.reports.crops import HOW_TO_READ, Stretch, crops_alike
from gapvision.reports.evidence_chart import Plot
from gapvision.reports.evidence_style import para
from gapvision.reports.evidence_types import Evidence, Head, PhotoEntry, PlanEvidence, SeamEvidence, ShownResult
from gapvision.reports.figures import draw_profile
from gapvision.reports.overlay import draw_crop, overlay_bytes
from gapvision.reports.profile_picture import line_of

__all__ = ["Evidence", "Head", "PhotoEntry", "PlanEvidence", "SeamEvidence", "ShownResult", "write_evidence"]

TITLE = "Panel gaps: measured evidence"
_WORST_ROWS = 8
_TALLEST_MM = 85  # a cut-out on paper
_PX_PER_MM = 8  # of a cut-out on paper
_TIGHT = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT")]


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
    page, out, (plain, _, _) = style.PAPERS[evidence.head.paper], io.BytesIO(), style.fonts()
    inside = 6  # reportlab's own padding of a frame
    doc = platypus.SimpleDocTemplate(
        out, pagesize=page, leftMargin=style.MARGIN - inside, rightMargin=style.MARGIN - inside,
        topMargin=style.HEAD_HEIGHT + 8 * mm - inside, bottomMargin=style.MARGIN - 5 * mm + style.FOOT_HEIGHT - inside,
        title=f"{TITLE}, job {evidence.reference}", author=evidence.head.name, subject=evidence.scope,
        creator=evidence.program, producer=evidence.program, lang="en",
    )  # fmt: skip

    def dress(canvas: Any, document: Any) -> None:
        canvas.saveState()
        style.draw_head(canvas, page, evidence.head, TITLE)
        canvas.setFillColor(style.QUIET)
        foot = f"Job {evidence.reference}, {evidence.made_on}"
        text, size = style.shrink_to_fit(foot, plain, 6.8, page[0] - 2 * style.MARGIN - 30 * mm)
        canvas.setFont(plain, size)
        canvas.drawString(style.MARGIN, style.MARGIN - 6 * mm, text)
        canvas.drawRightString(page[0] - style.MARGIN, style.MARGIN - 6 * mm, f"page {document.page}")
        canvas.restoreState()

    story = _Maker(evidence, page[0] - 2 * style.MARGIN).story(progress)
    usual, rl_config.useA85 = rl_config.useA85, 0  # a picture's bytes as they are: as letters they are slow and long
    try:
        doc.build(story, onFirstPage=dress, onLaterPages=dress)
    finally:
        rl_config.useA85 = usual
    return out.getvalue()


class _Maker:
    """Builds the parts of one report in their order."""

    def __init__(self, evidence: Evidence, width: float) -> None:
        self.e, self.width, self.say = evidence, width, evidence.head.say

    def story(self, progress: Callable[[int, int], None] | None) -> list[Flowable]:
        parts = self._opening()
        for number, seam in enumerate(self.e.seams, 1):
            parts += self._seam(seam)
            if progress is not None:
                progress(number, len(self.e.seams))
        for plan in self.e.plans:
            parts += self._plan(plan)
        return parts + self._closing()

    def _opening(self) -> list[Flowable]:
        e = self.e
        about = [("Job", e.reference), ("Customer", e.customer), ("Car", e.car), ("Report made on", e.made_on),
                 ("Shows", e.scope)]  # fmt: skip
        rows = [self._glance_row(seam) for seam in e.seams]
        rows += [(name, "not measured", "-", "-", "-", "-") for name in e.not_measured]
        heads = ("Seam", "Stage", "Mean gap", "Smallest to largest", "U (k = 2)", "Verdict")
        return [
            para(TITLE, "title"), Spacer(1, 2 * mm),
            self._table((), [(k, v or "-") for k, v in about], (0.2, 0.8), labels=True), Spacer(1, 3 * mm),
            para("At a glance", "h2"), self._table(heads, rows, (0.23, 0.15, 0.17, 0.19, 0.12, 0.14)),
            Spacer(1, 2 * mm),
            para("U is the expanded uncertainty of a gap: the true gap lies within plus or minus U of the value with"
                 " about 95 % certainty (coverage factor k = 2).", "quiet"),
            *([para("Notes", "h3"), *(para(n) for n in e.notes)] if e.notes else ()),
        ]  # fmt: skip

    def _glance_row(self, seam: SeamEvidence) -> tuple[str, ...]:
        p, verdict, gap = seam.after.profile, seam.after.verdict, self.say.gap
        state = "Not judged" if verdict is None else words.first_up(verdict.state)
        mean, spread = gap(float(p.gap_mm.mean())), f"{gap(float(p.gap_mm.min()))} to {gap(float(p.gap_mm.max()))}"
        return seam.name, seam.after.stage, mean, spread, self.say.small(float(np.median(p.expanded_u_mm))), state

    def _seam(self, seam: SeamEvidence) -> list[Flowable]:
        shown = [s for s in (seam.before, seam.after) if s is not None]
        pictures = [*self._photos(seam, shown), self._plot(seam)]
        parts = [CondPageBreak(180 * mm), para(seam.name, "h2"), self._facts(shown), Spacer(1, 2 * mm)]
        parts += [KeepTogether(pictures), KeepTogether(self._verdict(seam)), *self._worst(seam)]
        if seam.comparison is not None:
            change = " ".join(words.change(seam.comparison, self.say))
            parts.append(KeepTogether([para("Change", "h3"), para(change)]))
        parts += self._forecast(seam)
        if seam.remarks:
            parts.append(KeepTogether([para("To know", "h3"), *_listed(seam.remarks)]))
        return parts

    def _facts(self, shown: Sequence[ShownResult]) -> Table:
        """What was measured, when and under which conditions."""
        columns = [
            [("stage", s.stage), ("day", s.on_date), ("by", s.who or "-"), *words.numbers(s.measurement, self.say),
             ("edge A", words.form(s.measurement.straightness_a, self.say)),
             ("edge B", words.form(s.measurement.straightness_b, self.say)),
             ("conditions", "; ".join(f"{k}: {v}" for k, v in s.conditions) or "not said"),
             ("photo", f"{s.file_name}, measurement {s.number}")]
            for s in shown
        ]  # fmt: skip
        rows = [(words.first_up(row[0][0]), *(value for _, value in row)) for row in zip(*columns, strict=True)]
        heads = ("", "Before", "After") if len(shown) == 2 else ("", "Measured")
        return self._table(heads, rows, (0.22, *[0.78 / len(shown)] * len(shown)), labels=True)

    def _photos(self, seam: SeamEvidence, shown: Sequence[ShownResult]) -> list[Flowable]:
        """The stretch that both have, else all of it, cut out of the photos, on the stations of the plot."""
        shown = [s for s in shown if s.photo is not None]
        if not shown:
            return []
        c, p = seam.comparison, seam.after.profile
        shift = 0.0 if c is None else c.datum.shift_mm
        start, end = (float(v) for v in (p.s_mm[[0, -1]] if c is None else c.s_mm[[0, -1]] - shift))
        by = {id(seam.before): shift}  # the earlier photo's stations less those of the later one
        wanted = [
            Stretch(photo=s.photo or b"", measurement=s.measurement, from_mm=start + by.get(id(s), 0.0),
                    to_mm=end + by.get(id(s), 0.0), told_mm=-by.get(id(s), 0.0))
            for s in shown
        ]  # fmt: skip
        room = (self.width - 4 * mm * (len(shown) - 1)) / len(shown)
        crops = crops_alike(wanted, round(room / mm * _PX_PER_MM), _TALLEST_MM * _PX_PER_MM - 30)
        if crops is None:
            return []
        cells: list[list[Flowable]] = [[], []]
        for s, crop in zip(shown, crops, strict=True):
            picture = draw_crop(crop, self.say.unit, 2.1 * _PX_PER_MM)
            size = [v / _PX_PER_MM * mm for v in picture.size]
            cells[0].append(platypus.Image(io.BytesIO(overlay_bytes(picture, "JPEG")), *size, hAlign="LEFT"))
            word = "Before" if s is seam.before else "After" if seam.before is not None else "Photo"
            cells[1].append(para(f"{word}: {s.stage}, {s.on_date}. {HOW_TO_READ[crop.rectified]}", "quiet"))
        looks: list[Any] = [(f"{side}PADDING", (0, 0), (-1, -1), 1) for side in ("TOP", "BOTTOM")]
        looks += [*_TIGHT, ("RIGHTPADDING", (0, 1), (-2, 1), 4 * mm), ("VALIGN", (0, 0), (-1, -1), "TOP")]
        return [Table(cells, colWidths=[self.width / len(shown)] * len(shown), style=looks)]

    def _plot(self, seam: SeamEvidence) -> Flowable:
        label, more = seam.after.stage, []
        if seam.before is not None:
            label = f"after: {label}"
            shift = 0.0 if seam.comparison is None else seam.comparison.datum.shift_mm
            more.append(line_of(seam.before.profile, f"before: {seam.before.stage}", -shift))
        rows = (seam.forecast or {}).get("stations")
        if rows:
            s, gap, u = (np.array([r[k] for r in rows], dtype=float) for k in ("s_mm", "gap_mm", "u_mm"))
            more.append(ExtraLine(s, gap, "forecast after paint", u))
        how: dict[str, Any] = {"unit": self.say.unit, "size_in": (self.width / 72, mm), "point": 7.4}
        return Plot(draw_profile(seam.after.profile, seam.after.verdict, more=more, label=label, **how))

    def _verdict(self, seam: SeamEvidence) -> list[Flowable]:
        parts: list[Flowable] = [para("Verdict", "h3")]
        for word, shown in (("Before", seam.before), ("After" if seam.before else "", seam.after)):
            if shown is None:
                continue
            said, verdict = "not judged: no specification was given for this seam.", shown.verdict
            if verdict is not None:
                said = words.verdict_sentence(verdict, self.say)
            parts.append(Paragraph((f"<b>{word}:</b> " if word else "") + style.escape(said), style.styles()["text"]))
            if shown is seam.after and verdict is not None:
                parts += _listed(words.reasons(verdict.reasons, verdict.checks, self.say))
        return parts

    def _worst(self, seam: SeamEvidence) -> list[Flowable]:
        """Table of the worst places of the later result."""
        verdict, say = seam.after.verdict, self.say
        spans = [] if verdict is None else [x for x in verdict.spans if x.state in (OUT, OPEN)]
        spans.sort(key=lambda x: -x.excess_mm)
        rows = [
            (say.place(x.from_mm), say.place(x.to_mm), words.span_state(x), say.gap(x.worst_mm),
             say.place(x.worst_at_mm), say.small(x.worst_u_mm), say.small(x.excess_mm) if x.excess_mm > 0 else "-")
            for x in spans[:_WORST_ROWS]
        ]  # fmt: skip
        if not rows:
            return []
        heads = ("From", "To", "State", "Worst gap", "At", "U (k = 2)", "Beyond its limit")
        title = "Worst places (stations of the later photo)" if seam.before else "Worst places"
        parts = [para(title, "h3"), self._table(heads, rows, (0.1, 0.1, 0.22, 0.19, 0.1, 0.14, 0.15))]
        if len(spans) > _WORST_ROWS:
            parts.append(para(f"and {len(spans) - _WORST_ROWS} more places that are less far out.", "quiet"))
        return [KeepTogether(parts)]

    def _forecast(self, seam: SeamEvidence) -> list[Flowable]:
        f = seam.forecast
        if not f:
            return []
        parts: list[Flowable] = [para("Forecast after paint", "h3")]
        if f.get("film"):
            parts.append(para(words.film(f["film"], self.say)))
        if f.get("verdict"):
            said, why = told_verdict(f["verdict"], self.say)
            parts += [para(said), *_listed(why)]
        return [KeepTogether(parts + _listed(" ".join(words.notice_of(n, self.say)) for n in f.get("notices", [])))]

    def _plan(self, plan: PlanEvidence) -> list[Flowable]:
        parts = [*_ruled(45 * mm), para(f"Correction plan: {plan.panel}", "h2"), *(para(s) for s in plan.sentences)]
        if plan.rows:
            parts += [Spacer(1, 2 * mm), self._table(plan.heads, plan.rows, [1 / len(plan.heads)] * len(plan.heads))]
        return parts

    def _closing(self) -> list[Flowable]:
        e, painted = self.e, any(seam.forecast for seam in self.e.seams)
        metal = bool(e.plans)
        keys = ("conditions", *cautions_for(moves=True, cuts=metal, adds=metal, paints=painted))
        cautions = [words.CAUTIONS[key] for key in keys]
        methods = ", ".join(str(m) for m in e.methods) or "-"
        shown = [r.measurement for s in e.seams for r in (s.before, s.after) if r is not None]
        printed = "; ".join(dict.fromkeys(words.print_scale(m) for m in shown)) or "-"
        parts = [
            *_ruled(60 * mm), para("Cautions", "h2"), *_listed([*cautions, *([words.DATA_SHEET] if painted else ())]),
            para("How it was measured", "h2"),
            para("From one photo a seam with printed strips of known size beside it; gap perpendicular to the seam's"
                 " centre line between the two panel edges, in the panel surface. Stations without a trustworthy edge"
                 f" are left out, not filled in. Print scale of the strips: {printed}. Program: {e.program}; method"
                 f" version: {methods}.", "small"),
        ]  # fmt: skip
        if e.photos:
            rows = [(p.seam, p.stage, p.file_name, f"{p.sha256[:32]} {p.sha256[32:]}") for p in e.photos]
            heads = ("Seam", "Stage", "File", "SHA-256 of the photo as it was taken")
            parts += [para("Photos", "h2"), self._table(heads, rows, (0.24, 0.16, 0.2, 0.4))]
        return [*parts, KeepTogether([para("Signed", "h2"), self._signatures()])]

    def _signatures(self) -> Table:
        names = ("Measured by", "For the shop", "Customer")
        rows = [[Spacer(1, 13 * mm), ""] * 3, [x for n in names for x in (para(n, "small"), "")],
                [x for _ in names for x in (para("Day:", "quiet"), "")]]  # fmt: skip
        lines = [("LINEBELOW", (2 * k, 0), (2 * k, 0), 0.6, style.INK) for k in range(3)]
        return Table(rows, colWidths=[self.width / 3 - 6 * mm, 6 * mm] * 3, style=[*_TIGHT, *lines])

    def _table(
        self, heads: Sequence[str], rows: Iterable[Sequence[str]], shares: Sequence[float], *, labels: bool = False
    ) -> Table:
        """A table of texts under its heads; with ``labels`` the first column names the rows."""
        cells = [[para(x, "headcell") for x in heads]] if heads else []
        cells += [[para(x, "headcell" if labels and k == 0 else "cell") for k, x in enumerate(row)] for row in rows]
        looks: list[Any] = [
            ("VALIGN", (0, 0), (-1, -1), "TOP"), ("LINEBELOW", (0, 0), (-1, -1), 0.3, style.LINE),
            ("LEFTPADDING", (0, 0), (-1, -1), 3), ("RIGHTPADDING", (0, 0), (-1, -1), 3),
            ("TOPPADDING", (0, 0), (-1, -1), 1.6), ("BOTTOMPADDING", (0, 0), (-1, -1), 2.2),
            *([("BACKGROUND", (0, 0), (-1, 0), style.SHADE)] if heads else ()),
        ]  # fmt: skip
        return Table(cells, colWidths=[self.width * s for s in shares], repeatRows=1 if heads else 0, style=looks)


def _listed(sentences: Iterable[str]) -> list[Paragraph]:
    return [para(f"– {x}", "small") for x in sentences]


def _ruled(room: float) -> list[Flowable]:
    """A line across the page, with room for what comes below it."""
    look = {"thickness": 0.8, "color": style.LINE, "spaceBefore": 4 * mm, "spaceAfter": 2}
    return [CondPageBreak(room), platypus.HRFlowable(width="100%", **look)]
