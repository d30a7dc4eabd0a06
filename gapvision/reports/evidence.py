"""Papers about a job from one source: for the customer, for the paint shop, and for an expert, who gets everything.

They look like the workshop's own paper: its name and logo from the settings, and no other.  The photos in them are new
pictures made from the originals' pixels, so that no location gets out.
"""

from __future__ import annotations

import io
import re
from collections.abc import Callable, Iterable, Sequence
from contextlib import suppress
from itertools import zip_longest
from typing import Any

import numpy as np
from reportlab import platypus, rl_config
from reportlab.lib.units import mm
from reportlab.platypus import CondPageBreak, Flowable, KeepInFrame, KeepTogether, PageBreak, Paragraph, Spacer, Table
from reportlab.platypus.flowables import _listWrapOn

from gapvision import words
from gapvision.formats.judgement_json import told_verdict
from gapvision.judgement import cautions_for, taper_u
from gapvision.model import OPEN, OUT, ExtraLine, Verdict
from gapvision.reports import evidence_style as style
from gapvision.reports.car_outline import draw_car
from gapvision.reports.crops import HOW_TO_READ, Stretch, crops_alike
from gapvision.reports.evidence_chart import Plot
from gapvision.reports.evidence_pages import Mark, Scaled, numbered
from gapvision.reports.evidence_style import para
from gapvision.reports.evidence_types import (
    CarEvidence,
    Evidence,
    Head,
    PhotoEntry,
    PlanEvidence,
    SeamEvidence,
    ShownResult,
    VisitRow,
)
from gapvision.reports.figures import draw_profile, figure_bytes
from gapvision.reports.overlay import decoded_px, draw_crop, draw_overlay, overlay_bytes
from gapvision.reports.profile_picture import line_of

__all__ = [
    "READERS", "CarEvidence", "Evidence", "Head", "PhotoEntry", "PlanEvidence", "SeamEvidence", "ShownResult",
    "VisitRow",
    "write_evidence",
]  # fmt: skip

#: Who a paper is for -> its title.
READERS = {
    "customer": "How the panels fit",
    "paint-shop": "Panel gaps for the paint shop",
    "expert": "Panel gaps: measured evidence",
}
_WORST_ROWS = 8
_MOST_WARNINGS = 4  # in the customer's paper; the expert's has all
_TALLEST_MM = 85  # a cut-out on paper
_LONGEST_SEAM_MM = 10_000  # longer than any photo shows
_WHOLE_MM = 62  # a whole photo
_PX_PER_MM = 8  # of a picture on paper
_SCALES = (1.0, 0.95, 0.9, 0.85, 0.8, 0.75, 0.7, 0.6)  # of the customer's first page
_MOST_PICTURES = 12  # of a customer's second page; of more the best photo of each result
_LABELLED_MM = 60  # narrower than this words would hide a photo
_UNSEEN_MM = 0.005  # two decimals do not show it
_PADDING = 6  # reportlab's own, of a frame
_TIGHT = [(f"{side}PADDING", (0, 0), (-1, -1), 0) for side in ("LEFT", "RIGHT")]
_STATES = {"in tolerance": "yes", "out of tolerance": "no"}
_NOW_ONLY = "That is the gap as it stands. What it is after the coats still to come stands under 'Gap to keep'."
_NO_COATS = (
    "No coats were stated for this job, so nobody knows what paint takes from the gaps. State them, on the page under"
    " Decide, Paint, or with 'gapvision job judge {job} --finish coats.toml'; then this paper tells the gap to keep."
)
_NO_FORECAST = (
    "None of the results was judged with these coats yet: judge the job again, on the page or with 'gapvision job"
    " judge {job}'; then this paper tells the gap to keep."
)
#: Of a warning its first sentence, what follows, and where.
_ADVICE = re.compile(r"^(.+?\.) .*(\([^()]*\))$")
_NO_PHOTO = "The photo cannot be shown."
_ABOUT_U = (
    "U is the expanded uncertainty of a gap: the true gap lies within plus or minus U of the value with about 95 %"
    " certainty (coverage factor k = 2)."
)


def write_evidence(
    evidence: Evidence, progress: Callable[[int, int], None] | None = None, *, reader: str = "expert"
) -> bytes:
    """Make a paper.

    Parameters
    ----------
    evidence : Evidence
        What to show.
    progress : callable, optional
        Called with (seams drawn, seams in all).
    reader : str
        Who it is for: a key of READERS.

    Returns
    -------
    bytes
        The PDF.
    """
    page, out, title = style.PAPERS[evidence.head.paper], io.BytesIO(), READERS[reader]
    doc = platypus.SimpleDocTemplate(
        out, pagesize=page, leftMargin=style.MARGIN - _PADDING, rightMargin=style.MARGIN - _PADDING,
        topMargin=style.HEAD_HEIGHT + 8 * mm - _PADDING,
        bottomMargin=style.MARGIN - 5 * mm + style.FOOT_HEIGHT - _PADDING,
        title=f"{title}, job {evidence.reference}", author=evidence.head.name, subject=evidence.scope,
        creator=evidence.program, producer=evidence.program, lang="en",
    )  # fmt: skip
    maker = _Maker(evidence, title, page[0] - 2 * style.MARGIN, doc.height - 2 * _PADDING)
    story = {"customer": maker.for_customer, "paint-shop": maker.for_paint_shop, "expert": maker.for_expert}[reader]
    usual, rl_config.useA85 = rl_config.useA85, 0  # a picture's bytes as they are: as letters they are slow and long
    try:
        origin = re.sub(r"(seal [0-9a-f]{12})[0-9a-f]{52}", r"\1...", evidence.origin)
        foot = ", ".join(filter(None, (f"Job {evidence.reference}", evidence.made_on, origin)))
        doc.build(story(progress or (lambda *_: None)), canvasmaker=numbered(page, evidence.head, title, foot))
    finally:
        rl_config.useA85 = usual
    return out.getvalue()


class _Maker:
    """Builds the parts of the papers in their order."""

    def __init__(self, evidence: Evidence, title: str, width: float, height: float) -> None:
        self.e, self.title, self.width, self.height, self.say = evidence, title, width, height, evidence.head.say
        self.numbers = evidence.numbers or {s.name: k for k, s in enumerate(evidence.seams, 1)}

    def for_expert(self, progress: Callable[[int, int], None]) -> list[Flowable]:
        """Everything."""
        parts = [*self._opening(), *self._warnings(), *self._glance()]
        parts += [para("Notes", "h3"), *(para(n) for n in self.e.notes)] if self.e.notes else []
        parts += [] if self.e.whole_car is None else self._whole_car(self.e.whole_car)
        for number, seam in enumerate(self.e.seams, 1):
            parts += [CondPageBreak(150 * mm), Mark(_short(self._name(seam))), *self._seam(seam), Mark("")]
            progress(number, len(self.e.seams))
        for plan in self.e.plans:
            parts += self._plan(plan)
        if self.e.whole_car is not None:
            parts += self._hang_list(self.e.whole_car)
        return parts + self._closing()

    def for_customer(self, progress: Callable[[int, int], None]) -> list[Flowable]:
        """Two pages: the answer, and the pictures."""
        keys = cautions_for(moves=False, cuts=False, adds=False, paints=False)
        whole, first, scale = self.width, list[Flowable](), 1.0
        for scale in _SCALES:  # the largest at which all of it fits on one page
            self.width = whole / scale
            first = [*self._opening(), *self._plain_glance(), *self._warnings(_MOST_WARNINGS)]
            if len(self.e.seams) == 1:
                first += [para("The gap along the seam", "h3"), self._plot(self.e.seams[0], forecast=False)]
            if _listWrapOn(first, self.width, None)[1] <= self.height / scale:
                break
        page = Scaled(KeepInFrame(self.width, self.height / scale, first, mode="shrink"), scale)
        self.width = whole
        second = [para("The seams in pictures", "h2"), *self._gallery(progress), Spacer(1, 2 * mm)]
        second += [*_listed(words.CAUTIONS[key] for key in ("conditions", *keys)), para("Signed", "h3")]
        return [page, PageBreak(), KeepInFrame(whole, self.height, [*second, self._signatures()], mode="shrink")]

    def for_paint_shop(self, progress: Callable[[int, int], None]) -> list[Flowable]:
        """The gap to keep, the film assumed, the edges at risk."""
        now = [para(_NOW_ONLY, "small")] if any(s.forecast for s in self.e.seams) else []
        parts = [*self._opening(), *now, *self._coats()]
        parts += [*self._to_keep(), *self._at_risk()] if any(s.forecast for s in self.e.seams) else self._wanted()
        parts += self._warnings()
        for number, seam in enumerate(self.e.seams, 1):
            pictures = [*self._whole([seam.after], 90), self._plot(seam, before=False)]
            made = para(f"{words.first_up(words.edges_made(seam.after.measurement, self.say))}.")
            sides = para(words.sides(seam.after.measurement, panels=seam.panels))
            begin = Mark(_short(self._name(seam))), para(self._name(seam), "h2")
            parts += [KeepTogether([*begin, made, sides, *pictures]), *self._forecast(seam), Mark("")]
            progress(number, len(self.e.seams))
        keys = ("conditions", *cautions_for(moves=False, cuts=False, adds=False, paints=True), "lead")
        cautions = [*(words.CAUTIONS[key] for key in keys), words.DATA_SHEET]
        signed = para("Signed", "h2"), self._signatures()
        return [*parts, *_ruled(95 * mm), KeepTogether([para("Cautions", "h2"), *_listed(cautions), *signed])]

    def _name(self, seam: SeamEvidence) -> str:
        """What a seam is called: by number and name where there are several."""
        return self._numbered(seam.name)

    def _numbered(self, name: str) -> str:
        alone = len(self.e.seams) == 1 or name not in self.numbers
        return name if alone else f"{self.numbers[name]}. {name}"

    def _which(self, seam: SeamEvidence) -> str:
        """A seam for a table: its name, how much of it was measured, what its panels are called."""
        named = "".join(f"; {side}: {seam.panels[side]}" for side in "AB" if seam.panels.get(side))
        return f"{_short(self._name(seam))} ({self._stretch(seam.after)} measured{named})"

    def _again(self, seam: SeamEvidence) -> str:
        """A seam in the further rows of a table, which may stand on another page."""
        return "" if len(self.e.seams) == 1 else f"{self.numbers[seam.name]}."

    def _about_a(self) -> str:
        """How to tell panel A, where a seam's panels have no names."""
        return "" if all({"A", "B"} & set(s.panels) for s in self.e.seams) else words.WHICH_IS_A

    def _inch(self, sentences: Iterable[str]) -> list[str]:
        """Sentences that were written in mm, in the paper's unit."""
        return [words.as_inches(x) if self.say.inch else x for x in sentences]

    # --- the first page -----------------------------------------------------------------
    def _opening(self) -> list[Flowable]:
        e = self.e
        about = [("Job", e.reference), ("Customer", e.customer), ("Car", e.car), ("Paper made on", e.made_on),
                 ("Shows", e.scope), ("Printed strips", self._strips())]  # fmt: skip
        invented = [para(words.INVENTED, "answer")] if any(n.startswith(words.INVENTED) for n in e.notes) else []
        seams = [(s.name, s.after.verdict) for s in e.seams]
        rules = {v.rule: None for _, v in seams if v is not None}
        numbers = [self.numbers[s.name] for s in e.seams]
        worst = words.worst_seam(seams, self.say, numbers)
        said = words.plain_rule if self.title != READERS["expert"] else lambda r: f"Rule: {words.rule(r)}."
        return [
            para(self.title, "title"), *invented, Spacer(1, 2 * mm),
            self._table((), [(k, v or "-") for k, v in about], (0.2, 0.8), labels=True), Spacer(1, 2 * mm),
            para("Is the fit right?", "h2"), para(words.fit_answer(seams, tuple(e.not_measured), numbers), "answer"),
            *([para(worst)] if worst else []), *(para(said(rule), "small") for rule in rules), Spacer(1, 2 * mm),
        ]  # fmt: skip

    def _strips(self) -> str:
        """Whether the printed strips were checked, which every gap rests on."""
        by: dict[bool, list[str]] = {True: [], False: []}
        for s in self.e.seams:
            scale = s.after.measurement.scale
            by[scale is not None and scale.print_scale_checked].append(str(self.numbers[s.name]))
        if not by[False]:
            return "checked: their check lines were measured"
        not_so = "" if not by[True] else f" for seam{'s' * (len(by[False]) > 1)} {', '.join(by[False])}"
        return f"NOT checked{not_so}: nobody measured their check lines; U allows for a usual printer"

    def _glance(self) -> list[Flowable]:
        heads = ("Seam", "Result", "Wanted gap, limits", "Smallest to largest", "Mean", "U in the middle", "Verdict")
        rows = [row for seam in self.e.seams for row in self._glance_rows(seam)]
        rows += [(name, told, *5 * ("-",)) for name, told in self._not_measured()]
        table = self._table(heads, rows, (0.18, 0.15, 0.19, 0.18, 0.1, 0.09, 0.11))
        return [para("At a glance", "h3"), table, Spacer(1, 1.5 * mm), para(f"{_ABOUT_U} {self._about_a()}", "quiet")]

    def _glance_rows(self, seam: SeamEvidence) -> list[tuple[str, ...]]:
        rows, name, above = list[tuple[str, ...]](), self._which(seam), ""
        for word, shown in (("before: ", seam.before), ("after: " if seam.before else "", seam.after)):
            if shown is None:
                continue
            verdict, wanted = shown.verdict, "not stated"
            if verdict is not None:
                wanted = "; ".join(words.wanted_gap(verdict, self.say))
            state = "Not judged" if verdict is None else words.first_up(_state(verdict))
            rows.append((self._again(seam) if rows else name, f"{word}{shown.stage}, {shown.on_date}",
                         "as above" if wanted == above else wanted, *self._numbers(shown), state))  # fmt: skip
            above = wanted
        return rows

    def _not_measured(self) -> list[tuple[str, str]]:
        """Seams without a result, and what to say of them."""
        left = self.e.not_measured.items()
        return [(_short(self._numbered(name)), f"not measured{': ' * bool(why)}{why}") for name, why in left]

    def _numbers(self, shown: ShownResult) -> tuple[str, str, str]:
        """Smallest to largest gap with the U of both, mean, U in the middle of all stations."""
        p, say = shown.profile, self.say
        ends = [int(p.gap_mm.argmin()), int(p.gap_mm.argmax())]
        spread = self._range(*(float(p.gap_mm[k]) for k in ends))
        us = list(dict.fromkeys(say.small(float(p.expanded_u_mm[k]), alone=True) for k in ends))
        if us[1:]:
            us[0] = us[0].rsplit(" ", 1)[0]
        middle = say.small(float(np.median(p.expanded_u_mm)), alone=True)
        return f"{spread}, U {' and '.join(us)}", say.small(float(p.gap_mm.mean()), alone=True), middle

    def _reading(self, shown: ShownResult) -> str:
        """Smallest to largest gap, and the day it was read: an old reading must not pass for today's."""
        return f"{self._numbers(shown)[0]} ({shown.on_date})"

    def _range(self, least_mm: float, most_mm: float) -> str:
        """From one gap to another; in inches as decimals, because 1/64 in may hold both."""
        return f"{self.say.small(least_mm, alone=True).rsplit(' ', 1)[0]} to {self.say.small(most_mm, alone=True)}"

    def _stretch(self, shown: ShownResult) -> str:
        p = shown.profile
        return self.say.place(float(p.s_mm[-1] - p.s_mm[0]))

    def _plain_glance(self) -> list[Flowable]:
        """The table for a customer: what is wanted, what it was, what it is, whether that is right."""
        rows, twice = [], any(s.before is not None for s in self.e.seams)
        for s in self.e.seams:
            verdict, now = s.after.verdict, self._reading(s.after)
            was = "measured once" if s.before is None else self._reading(s.before)
            right = "not judged" if verdict is None else _STATES.get(verdict.state, verdict.state)
            right = ", ".join(filter(None, (right, words.which_way(verdict))))
            rows.append((self._which(s), self._wish(s), *([was] if twice else ()), now, right))
        none = ("-", "-") if twice else ("-",)
        rows += [(name, *none, told, "-") for name, told in self._not_measured()]
        heads = ("Seam", "Wanted gap (limits)", *(("Before", "Last measured") if twice else ("Measured",)), "Right?")
        shares = (0.25, 0.2, 0.22, 0.22, 0.11) if twice else (0.33, 0.25, 0.29, 0.13)
        said = (
            "The gap is told from its smallest to its largest value along the part of the seam that the photo shows,"
            " each with its U, and the day it was measured. U is the doubt of the measurement: the true gap lies within"
            f" plus or minus U with about 95 % certainty. {self._about_a()}"
        )
        return [self._table(heads, rows, shares), Spacer(1, 1.5 * mm), para(said, "quiet")]

    def _warnings(self, most: int | None = None) -> list[Flowable]:
        told = self._inch(self.e.warnings)
        if self.title == READERS["customer"]:  # what was seen; what to do about it is for the shop
            told = [_ADVICE.sub(r"\1 \2", x) for x in told]
        if not told:
            return []
        shown = told if most is None else told[:most]
        more = [] if len(shown) == len(told) else [f"and {len(told) - len(shown)} more, in the expert's paper."]
        return [para("Mind", "h3"), *_listed([*shown, *more])]

    # --- a seam -------------------------------------------------------------------------
    def _seam(self, seam: SeamEvidence) -> list[Flowable]:
        shown = [s for s in (seam.before, seam.after) if s is not None]
        parts: list[Flowable] = [para(self._name(seam), "h2"), self._facts(shown), Spacer(1, 2 * mm)]
        later = "In the later photo: " if seam.before is not None else ""  # the earlier one may be held otherwise
        sides = para(f"{later}{words.sides(seam.after.measurement, panels=seam.panels)}", "small")
        parts += [KeepTogether([*self._whole(shown, _WHOLE_MM), sides])]
        parts += [KeepTogether([*self._photos(seam, shown), self._plot(seam)])]
        parts += [KeepTogether(self._verdict(seam)), *self._worst(seam)]
        if seam.comparison is not None:
            change = " ".join(words.change(seam.comparison, self.say))
            parts.append(KeepTogether([para("Change", "h3"), para(change)]))
        parts += self._forecast(seam)
        if seam.remarks:
            parts.append(KeepTogether([para("To know", "h3"), *_listed(self._inch(seam.remarks))]))
        return [*parts, *self._parts_of_u(seam.after), *self._visits(seam)]

    def _parts_of_u(self, shown: ShownResult) -> list[Flowable]:
        """What U is made of, the largest first."""
        p = shown.profile
        if not p.parts_mm:
            return []
        parts = {name: np.nan_to_num(part) for name, part in p.parts_mm.items()}
        rows, none, whole = [], [], np.maximum(sum(part**2 for part in parts.values()), 1e-12)
        for name, part in sorted(parts.items(), key=lambda x: -float(np.median(x[1]))):
            if part.max() < _UNSEEN_MM:
                none.append(name.replace("_", " "))
                continue
            share = f"{100 * float(np.median(part**2 / whole)):.0f} %"
            usual, most = (self.say.small(float(v)) for v in (np.median(part), part.max()))
            rows.append((name.replace("_", " "), words.U_PARTS.get(name, "-"), usual, most, share))
        heads = ("Part of U", "Comes from", "In the middle", "Largest", "Share")
        said = "Standard uncertainties; U is twice the root of the sum of their squares. Share: of that sum."
        said += f" Too small to be told in these digits: {', '.join(none)}." if none else ""
        return [KeepTogether([para("What U is made of", "h3"), self._table(heads, rows, (0.14, 0.44, 0.16, 0.16, 0.1)),
                              para(said, "quiet")])]  # fmt: skip

    def _visits(self, seam: SeamEvidence) -> list[Flowable]:
        """Every result in the report's scope."""
        say, rows = self.say, []
        for v in seam.visits:
            gaps = "-"
            if v.min_mm is not None and v.max_mm is not None:
                gaps = self._range(v.min_mm, v.max_mm)
            mean = "-" if v.mean_mm is None else say.small(v.mean_mm, alone=True)
            u = "-" if v.u_mm is None else say.small(v.u_mm, alone=True)
            days = v.on_date, _clock(v.taken_at), _clock(v.stored_at)
            rows.append((str(v.number), v.stage, *days, mean, gaps, u, v.state))
        heads = ("No.", "Stage", "Day given", "Camera's clock", "Stored (UTC)", "Mean", "Smallest to largest",
                 "U in the middle", "Verdict")  # fmt: skip
        if not rows:
            return []
        table = self._table(heads, rows, (0.05, 0.13, 0.11, 0.12, 0.12, 0.1, 0.15, 0.09, 0.13))
        return [KeepTogether([para("Every result of this seam", "h3"), table])]

    def _facts(self, shown: Sequence[ShownResult]) -> Table:
        """What was measured, when and under which conditions."""
        forms = [(s.measurement.straightness_a, s.measurement.straightness_b) for s in shown]
        edges = [self._inch(words.form(x, self.say) for x in both) for both in forms]
        columns = [
            [("stage", s.stage), ("day given", s.on_date), ("by", s.who or "-"),
             *words.numbers(s.measurement, self.say, taper_u(s.measurement)),
             ("edge A", edges[k][0]), ("edge B", edges[k][1]),
             ("edges", words.edges_made(s.measurement, self.say)),
             ("conditions", "; ".join(f"{k}: {v}" for k, v in s.conditions) or "not said"),
             ("camera's clock", _clock(s.taken_at) or "-"), ("stored (UTC)", _clock(s.stored_at) or "-"),
             ("photo", f"{', '.join(p.file for p in s.measurement.photos) if s.others else s.file_name}, measurement"
              f" {s.number}")]
            for k, s in enumerate(shown)
        ]  # fmt: skip
        rows = [(words.first_up(row[0][0]), *(value for _, value in row)) for row in zip(*columns, strict=True)]
        heads = ("", "Before", "After") if len(shown) == 2 else ("", "Measured")
        return self._table(heads, rows, (0.22, *[0.78 / len(shown)] * len(shown)), labels=True)

    def _whole(self, shown: Sequence[ShownResult], tallest_mm: float) -> list[Flowable]:
        """Whole photos with strips and edges, beside each other."""
        photos = [(s, k) for s in shown for k in range(len(s.photos))]
        columns = max(min(len(photos), 3), 1)
        wide = self.width / columns - 3 * mm
        cells: list[Flowable] = []
        for s, k in photos:
            picture = self._picture(s, k, (wide / mm, tallest_mm))
            if picture is None and s.photos[k] is not None:  # a result that is not of this photo
                continue
            which = _which_photo(s, k) or "The whole photo, strips and edges marked."
            word = f"{_words_of(s, shown)}{s.stage}, {s.on_date}. {which if picture or s.others else ''}"
            cells.append(_stacked([picture or para(_NO_PHOTO, "quiet"), para(word, "quiet")], wide))
        return [_grid(cells, columns, self.width)] if cells else []

    def _picture(
        self, shown: ShownResult, photo: int, box_mm: tuple[float, float], *, labels: bool = True
    ) -> Flowable | None:
        """One photo as a whole; None where it is missing, or its measurement cannot be of it."""
        from gapvision.intake.photo import read_colour

        m, data = shown.measurement, shown.photos[photo] if photo < len(shown.photos) else None
        if data is None or photo >= len(m.photos):
            return None
        seen, p = m.photos[photo], shown.profile
        size = np.array([seen.width_px, seen.height_px])
        places = np.concatenate([p.edge_a_px[p.photo == photo], p.edge_b_px[p.photo == photo]])
        # A spoilt file may tell places far outside the picture, and stations without an end.
        if min(size) < 1 or not (np.isfinite(places).all() and (np.abs(places - size / 2) <= size).all()):
            return None
        if not np.abs(p.s_mm).max() <= _LONGEST_SEAM_MM:
            return None
        box = (box_mm[0] * _PX_PER_MM, box_mm[1] * _PX_PER_MM)
        longest = decoded_px(seen.width_px, seen.height_px, box)
        how: dict[str, Any] = {"longest_px": longest, "letter_px": 2.1 * _PX_PER_MM, "strips": True, "photo": photo}
        how["labels"] = labels
        try:
            pixels = read_colour(data, longest)
            picture = draw_overlay(pixels, m, shown.verdict, unit=self.say.unit, **how)
        except ValueError:  # of another shape than the photo that was measured
            return None
        return _image(picture)

    def _photos(self, seam: SeamEvidence, shown: Sequence[ShownResult]) -> list[Flowable]:
        """The stretch that both have, else all of it, cut out of the photos, on the stations of the plot."""
        shown = [s for s in shown if s.photo is not None and not s.others]
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
            cells[0].append(_image(picture))
            said = f"{_words_of(s, shown)}{s.stage}, {s.on_date}. {HOW_TO_READ[crop.rectified]}"
            cells[1].append(para(said, "quiet"))
        looks: list[Any] = [(f"{side}PADDING", (0, 0), (-1, -1), 1) for side in ("TOP", "BOTTOM")]
        looks += [*_TIGHT, ("RIGHTPADDING", (0, 1), (-2, 1), 4 * mm), ("VALIGN", (0, 0), (-1, -1), "TOP")]
        return [Table(cells, colWidths=[self.width / len(shown)] * len(shown), style=looks)]

    def _plot(self, seam: SeamEvidence, *, before: bool = True, forecast: bool = True) -> Flowable:
        label, more = seam.after.stage, []
        if seam.before is not None and before:
            label = f"after: {label}"
            shift = 0.0 if seam.comparison is None else seam.comparison.datum.shift_mm
            more.append(line_of(seam.before.profile, f"before: {seam.before.stage}", -shift))
        rows = (seam.forecast or {}).get("stations")
        if rows and forecast:
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
                wanted, limits = words.wanted_gap(verdict, self.say)
                said = f"{words.verdict_sentence(verdict, self.say)} Wanted gap {wanted}; limits {limits}."
            parts.append(Paragraph((f"<b>{word}:</b> " if word else "") + style.escape(said), style.styles()["text"]))
            if shown is seam.after and verdict is not None:
                why = self._inch(words.reasons(verdict.reasons, verdict.checks, self.say))
                parts += _listed(map(words.by_letters, why))
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
            parts += [*(para(x) for x in self._inch([said])), *_listed(map(words.by_letters, self._inch(why)))]
        notices = self._inch(" ".join(words.notice_of(n, self.say)) for n in f.get("notices", []))
        return [KeepTogether(parts + _listed(notices))]

    def _plan(self, plan: PlanEvidence) -> list[Flowable]:
        parts = [*_ruled(45 * mm), para(f"Correction plan: {plan.panel}", "h2")]
        parts += [para(x) for x in self._inch(plan.sentences)]
        if plan.rows:
            parts += [Spacer(1, 2 * mm), self._table(plan.heads, plan.rows, [1 / len(plan.heads)] * len(plan.heads))]
        return parts

    def _whole_car(self, car: CarEvidence) -> list[Flowable]:
        """The car's outline with each seam by its latest verdict, how even it is, left against right."""
        numbers = {s.name: self.numbers.get(s.name, self.numbers.get(s.other_name, 0)) for s in car.car.seams}
        drawn = draw_car(car.car, car.states, f"{car.car.name}, latest results", numbers)
        picture = io.BytesIO(figure_bytes(drawn, "png", 130))
        outline = platypus.Image(picture, 0.86 * self.width, 0.62 * self.width)
        parts = [KeepTogether([para("The whole car", "h2"), outline, *(para(x) for x in car.said)])]
        if car.pairs:
            heads = ("Left against right", "Largest difference, first results", "Largest difference, latest results")
            parts += [Spacer(1, 2 * mm), self._table(heads, car.pairs, (0.5, 0.25, 0.25))]
        return parts

    def _hang_list(self, car: CarEvidence) -> list[Flowable]:
        """What the hang list kept with the job says, panel by panel."""
        if not car.steps:
            return []
        parts: list[Flowable] = [*_ruled(45 * mm), para(f"Hang list of {car.made_at}", "h2")]
        parts += [para(x) for x in self._inch(car.planned)]
        for number, (panel, said) in enumerate(car.steps, 1):
            listed = [para(f"- {x}") for x in self._inch(said)]
            parts.append(KeepTogether([para(f"{number}. {panel}", "h3"), *listed]))
        return parts + [para(f"- {x}") for x in self._inch(car.then)]

    def _closing(self) -> list[Flowable]:
        e, painted = self.e, any(seam.forecast for seam in self.e.seams)
        metal = bool(e.plans) or (e.whole_car is not None and bool(e.whole_car.steps))
        keys = ("conditions", *cautions_for(moves=True, cuts=metal, adds=metal, paints=painted))
        cautions = [words.CAUTIONS[key] for key in keys]
        methods = ", ".join(str(m) for m in e.methods) or "-"
        shown = [r.measurement for s in e.seams for r in (s.before, s.after) if r is not None]
        printed = "; ".join(dict.fromkeys(words.print_scale(m) for m in shown)) or "-"
        parts = [
            *_ruled(60 * mm), para("Cautions", "h2"), *_listed([*cautions, *([words.DATA_SHEET] if painted else ())]),
            para("How it was measured", "h2"),
            para("From one photo a seam, or several, with printed strips of known size beside it; gap perpendicular to"
                 " the seam's centre line between the two panel edges, in the panel surface. Stations without a"
                 f" trustworthy edge are left out, not filled in. Print scale of the strips: {printed}. Program:"
                 f" {e.program}; method version: {methods}.", "small"),
        ]  # fmt: skip
        if e.identity:
            parts.append(self._table((), e.identity, (0.2, 0.8), labels=True))
        if e.photos:
            rows = [(_short(self._numbered(p.seam)), p.stage, p.file_name, _clock(p.taken_at) or "-",
                     _clock(p.stored_at) or "-", f"{p.sha256[:32]} {p.sha256[32:]}") for p in e.photos]  # fmt: skip
            heads = ("Seam", "Stage", "File", "Camera's clock", "Stored (UTC)", "SHA-256 of the photo as it was taken")
            parts += [para("Photos", "h2"), self._table(heads, rows, (0.15, 0.11, 0.19, 0.11, 0.11, 0.33))]
        # Whoever signs has something to sign on the same page.
        return [*parts, KeepTogether([*self._checking(), para("Signed", "h2"), self._signatures()])]

    def _checking(self) -> list[Flowable]:
        """How to check it without this program."""
        told = [
            "Hashes: the SHA-256 of a photo's file, by any program (sha256sum; on Windows certutil -hashfile FILE"
            " SHA256), must be the one above.",
            "Numbers: the export of this job (gapvision export) holds this paper, the photos without their location,"
            " every result as JSON and CSV, and check.py: 'python check.py', in the folder that it was unpacked to,"
            " recomputes hashes, means and the state of each station, and needs nothing but Python itself.",
            "The state of a station by hand: it is in tolerance if gap - U and gap + U both lie inside the limits, out"
            " of tolerance if both lie beyond one of them, else not proven (the rule 'accept only what is proven').",
            "At the car: a feeler gauge or taper gauge at the stations named here; stations count from the first one"
            " marked in the photo.",
            *(words.check_by_hand(s.after.measurement, self.say) for s in self.e.seams[:1]),
        ]
        return [para("How to check this without gapvision", "h2"), *_listed(told)]

    # --- the customer's pictures ----------------------------------------------------------
    def _gallery(self, progress: Callable[[int, int], None]) -> list[Flowable]:
        """A picture of each seam, of few seams before and after."""
        seams, cells = self.e.seams, list[Flowable]()
        pairs = len(seams) <= 3
        shown = [[r for r in (s.before if pairs else None, s.after) if r is not None] for s in seams]
        photos = [[(r, k) for r in of for k in range(len(r.photos))] for of in shown]
        if sum(map(len, photos)) > _MOST_PICTURES:
            photos = [[(r, r.profile.most_seen_in) for r in of] for of in shown]
        columns, wide, tall = self._layout([len(x) for x in photos], pairs=pairs)
        for number, (seam, of, pictures) in enumerate(zip(seams, shown, photos, strict=True), 1):
            names = f" {', '.join(f'{side} is the {seam.panels[side]}' for side in 'AB' if seam.panels.get(side))}."
            told = set[int]()
            for s, k in pictures:
                verdict = "not judged" if s.verdict is None else _state(s.verdict)
                said = f"{_words_of(s, of)}{s.stage}, {s.on_date}: gap {self._numbers(s)[0]}, {verdict}."
                said += names if len(names) > 2 and len(seams) > 1 else ""
                under = f"{'' if s.number in told else said} {_which_photo(s, k)}".strip()
                told.add(s.number)
                labels = wide > _LABELLED_MM * mm
                picture = self._picture(s, k, (wide / mm, tall), labels=labels) or para(_NO_PHOTO, "quiet")
                name = para(_short(self._name(seam)), "headcell")
                cells.append(_stacked([picture, name, para(under, "quiet")], wide))
            if pairs:
                cells += [Spacer(1, 1)] * (-len(cells) % columns)
            progress(number, len(seams))
        parts: list[Flowable] = [_grid(cells, columns, self.width)] if cells else []
        said = "The printed strips give the scale. Edge A is the full line, edge B the dashed one; the numbers along"
        said += " the seam are stations"
        said += f" in {'mm' if self.say.unit == 'mm' else 'inches'}."
        one = words.sides(seams[0].after.measurement, panels=seams[0].panels) if len(seams) == 1 else words.WHICH_IS_A
        return [*parts, para(f"{said} {one}", "quiet")]

    def _layout(self, many: Sequence[int], *, pairs: bool) -> tuple[int, float, float]:
        """Columns that make the pictures largest, their width, and their greatest height [mm]; ``many`` of each seam.

        A seam before and after begins a row of its own.  Narrow captions are longer.
        """
        found = list[tuple[float, int, float, float]]()
        for columns in (2, 3, 4):
            rows = sum(-(-k // columns) for k in many) if pairs else -(-sum(many) // columns)
            wide = self.width / columns - 3 * mm
            tall = max((self.height - 58 * mm) / max(rows, 1) / mm - 6 - 4 * columns, 20)
            found.append((min(wide / mm, tall * 4 / 3), columns, wide, tall))
        return max(found)[1:]

    # --- the paint shop -------------------------------------------------------------------
    def _coats(self) -> list[Flowable]:
        plan, parts = self.e.finish, [para("Film assumed", "h2")]
        if plan is None:
            said = _NO_COATS.format(job=self.e.reference)
            return [*parts, para(said)]
        rows = [words.coat_row(coat, plan, self.say) for coat in plan.coats]
        heads = ("Coat", "Coats", "Film of one on the flat", "Stays on the edge", "On", "State", "Source")
        parts.append(self._table(heads, rows, (0.16, 0.07, 0.19, 0.1, 0.11, 0.11, 0.26)))
        losses = dict.fromkeys(words.film(s.forecast["film"], self.say) for s in self.e.seams if s.forecast)
        return [*parts, Spacer(1, 1 * mm), *(para(x) for x in losses), para(words.DATA_SHEET, "small")]

    def _to_keep(self) -> list[Flowable]:
        """For each seam the gap now, the gap to set before paint, and what paint makes of the gap as it is."""
        rows = []
        for s in self.e.seams:
            rows_of = (s.forecast or {}).get("stations") or []
            keep = then = state = "-"
            if rows_of:
                gaps = [r["gap_mm"] for r in rows_of]
                worst = max(r["u_mm"] for r in rows_of)
                keep = "not told"
                with suppress(LookupError, TypeError, ValueError):  # of another program
                    keep = words.gap_to_keep(rows_of, self.say)
                then = f"{self._range(min(gaps), max(gaps))}, U up to {self.say.small(worst, alone=True)}"
                state = str(((s.forecast or {}).get("verdict") or {}).get("verdict", "-"))
            rows.append((self._which(s), self._wish(s), self._reading(s.after), keep, then, state))
        rows += [(name, "-", told, *3 * ("-",)) for name, told in self._not_measured()]
        heads = ("Seam", "Wanted after paint (limits)", "Gap as measured", "Gap to set before these coats",
                 "Gap after paint, if left as it is", "Then it is")  # fmt: skip
        said = f"Gaps are told from smallest to largest. {_ABOUT_U} {self._about_a()}"
        table = self._table(heads, rows, (0.2, 0.15, 0.16, 0.21, 0.16, 0.12))
        return [CondPageBreak(40 * mm), para("Gap to keep", "h2"), table, Spacer(1, 1 * mm), para(said, "quiet")]

    def _wanted(self) -> list[Flowable]:
        """For each seam the wanted gap and the gap as it is, where nothing is known of the gap after paint."""
        rows = []
        for s in self.e.seams:
            verdict = s.after.verdict
            state = "not judged" if verdict is None else _state(verdict)
            rows.append((self._which(s), self._wish(s), self._reading(s.after), state))
        rows += [(name, "-", told, "-") for name, told in self._not_measured()]
        heads = ("Seam", "Wanted gap (limits)", "Gap as measured", "It is")
        said = f"Gaps are told from smallest to largest. {_ABOUT_U} {self._about_a()}"
        no_forecast = [para(_NO_FORECAST.format(job=self.e.reference))] if self.e.finish is not None else []
        table = self._table(heads, rows, (0.25, 0.25, 0.28, 0.22))
        return [*no_forecast, para("Wanted gap", "h2"), table, Spacer(1, 1 * mm), para(said, "quiet")]

    def _wish(self, seam: SeamEvidence) -> str:
        """The wanted gap with its limits."""
        verdict = seam.after.verdict
        return "not stated" if verdict is None else words.wanted_briefly(verdict, self.say)

    def _at_risk(self) -> list[Flowable]:
        """Where finished edges may chip."""
        rows, said, say = [], list[str](), self.say
        for s in self.e.seams:
            limit = (s.forecast or {}).get("chip_limit_mm")
            if not s.forecast:
                said.append(f"{self._name(s)}: no forecast after paint.")
                continue
            if not isinstance(limit, int | float):
                said.append(f"{self._name(s)}: not judged, because no smallest finished gap was stated.")
                continue
            spans = (s.forecast or {}).get("chip_spans") or []
            found = list[tuple[str, ...]]()
            try:
                for x in spans:
                    worst = say.gap(x["worst_mm"]), say.place(x["worst_at_mm"]), say.least_gap(limit)
                    name = self._again(s) if found else _short(self._name(s))
                    ends = [say.place(x[k]) for k in ("from_mm", "to_mm")]
                    along = ends[0] if ends[0] == ends[1] else say.stretch(x["from_mm"], x["to_mm"])
                    found.append((name, along, str(x["state"]), *worst))
            except (LookupError, TypeError, ValueError):  # of another program
                said.append(f"{self._name(s)}: the places at risk cannot be read; take all of it for one.")
                continue
            rows += found
            if not spans:
                said.append(f"{self._name(s)}: every finished gap is proven above {say.least_gap(limit)}.")
        heads = ("Seam", "Along", "State", "Smallest finished gap", "At", "Limit")
        table = [self._table(heads, rows, (0.24, 0.16, 0.16, 0.18, 0.1, 0.16))] if rows else []
        return [CondPageBreak(30 * mm), para("Edges at risk of chipping", "h2"), *table, *_listed(said)]

    def _signatures(self) -> Table:
        names = ("Measured by", "For the shop", "Customer")
        rows = [[Spacer(1, 13 * mm), ""] * 3, [x for n in names for x in (para(n, "small"), "")],
                [x for _ in names for x in (para("Day:", "quiet"), "")]]  # fmt: skip
        lines = [("LINEBELOW", (2 * k, 0), (2 * k, 0), 0.6, style.INK) for k in range(3)]
        widths = [self.width / 3 - 6 * mm, 6 * mm] * 3
        return Table(rows, colWidths=widths, style=[*_TIGHT, *lines], hAlign="LEFT")

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
        how: dict[str, Any] = {"repeatRows": 1 if heads else 0, "style": looks, "hAlign": "LEFT"}
        return Table(cells, colWidths=[self.width * s for s in shares], **how)


def _state(verdict: Verdict) -> str:
    """A verdict in a few words: which way a seam is out, or by what."""
    return ", ".join(filter(None, (verdict.state, words.which_way(verdict))))


def _image(picture: Any) -> Flowable:
    size = [v / _PX_PER_MM * mm for v in picture.size]
    return platypus.Image(io.BytesIO(overlay_bytes(picture, "JPEG")), *size, hAlign="LEFT")


def _grid(cells: Sequence[Flowable], columns: int, width: float) -> Table:
    """Cells beside and below each other."""
    rows = [list(row) for row in zip_longest(*[iter(cells)] * columns, fillvalue="")]
    looks: list[Any] = [*_TIGHT, ("VALIGN", (0, 0), (-1, -1), "TOP")]
    looks += [(f"{side}PADDING", (0, 0), (-1, -1), 1.5) for side in ("TOP", "BOTTOM")]
    return Table(rows, colWidths=[width / columns] * columns, style=looks, hAlign="LEFT")


def _stacked(parts: Sequence[Flowable], width: float) -> Table:
    """One below the other, in one cell."""
    looks = [*_TIGHT, *((f"{side}PADDING", (0, 0), (-1, -1), 0.7) for side in ("TOP", "BOTTOM"))]
    return Table([[x] for x in parts], colWidths=[width], style=looks, hAlign="LEFT")


def _words_of(one: ShownResult, shown: Sequence[ShownResult]) -> str:
    return "" if len(shown) == 1 else "Before: " if one is shown[0] else "After: "


def _which_photo(shown: ShownResult, k: int) -> str:
    """Which of several photos it is; each station is marked only in the one that shows it best."""
    if not shown.others:
        return ""
    other = "" if (shown.profile.photo == k).any() else ": the others show the edges better, and have them marked"
    return f"Photo {k + 1} of {len(shown.photos)}{other}."


def _short(name: str) -> str:
    # Long names mostly differ in their last words.
    if len(name) <= 50:
        return name
    start, end = name[:34].rpartition(" ")[0], name[-16:].partition(" ")[2]
    return f"{start or name[:33]}… {end or name[-15:]}"


def _clock(stamp: str) -> str:
    """A moment to the minute, without the letters of ISO 8601."""
    return stamp[:16].replace("T", " ")


def _listed(sentences: Iterable[str]) -> list[Paragraph]:
    return [para(f"– {x}", "small") for x in sentences]


def _ruled(room: float) -> list[Flowable]:
    """A line across the page, with room for what comes below it."""
    look = {"thickness": 0.8, "color": style.LINE, "spaceBefore": 4 * mm, "spaceAfter": 2}
    return [CondPageBreak(room), platypus.HRFlowable(width="100%", **look)]
