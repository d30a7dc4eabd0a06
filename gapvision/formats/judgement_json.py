"""Verdicts and forecasts as plain dicts for JSON files, records and exports."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from dataclasses import fields, replace
from functools import lru_cache
from typing import Any, TypeVar

import numpy as np

from gapvision import __version__, model, words
from gapvision.errors import GapvisionError
from gapvision.formats.declared import FILE_NAMES, plain_data
from gapvision.formats.specification_file import specification_from_table, specification_to_table
from gapvision.judgement.specification import as_before
from gapvision.judgement.tolerance import Outcome, judge_measurement, outcome
from gapvision.model import IN, OPEN, OUT, RULE_VERSION, STATES, Check, DecisionRule, Measurement, Reason, Span, Verdict

SCHEMA = "gapvision-verdict/1"
_T = TypeVar("_T", Span, Check)
#: What comes of a file that is not what it says.
_WRONG = (LookupError, TypeError, ValueError, ArithmeticError, AttributeError)


def record(item: Any) -> Any:
    """Numbers, or a type with its fields, as they stand in these files: to 1e-4; what is not finite becomes null."""
    return plain_data(item, 4)


def _stations(item: Verdict | model.FinishForecast, **columns: str) -> list[dict[str, Any]]:
    """One record a station; each column by its name in the file."""
    values = [plain_data(getattr(item, column), 6 if column == "probability" else 4) for column in columns.values()]
    return [dict(zip(columns, row, strict=True)) for row in zip(*values, strict=True)]


def verdict_to_dict(
    verdict: Verdict, spec: model.Specification | None = None, *, stations: bool = True
) -> dict[str, Any]:
    """Put a verdict into its file's form (``gapvision-verdict/1``), with every station if wanted.

    With its specification beside it the verdict can be understood alone.
    """
    v, u = verdict, verdict.expanded_u_mm
    out: dict[str, Any] = {
        "schema": SCHEMA,
        "written_by": f"gapvision {__version__}",
        "verdict": v.state,
        "sentence": words.verdict_sentence(v, words.MM),
        "rule": {
            "name": v.rule.name,
            "risk": v.rule.risk if v.rule.name == "risk" else None,
            "version": RULE_VERSION,
            "words": words.rule(v.rule),
        },
        "coverage_factor": v.coverage_factor,
        "u_mm": record({"median": np.median(u), "largest": u.max()}),
        "lengths_mm": plain_data(
            {"in": v.in_mm, "out": v.out_mm, "not_proven": v.open_mm, "not_measured": v.hole_mm}, 2
        ),
        "reasons": words.reasons(v.reasons, v.checks, words.MM),
        "why": [{"kind": x.kind, **x.values} for x in v.reasons],
        "worst": record(v.worst),
        "spans": record(v.spans),
        # Its name and place in words too, as the file always had them.
        "checks": [
            {"name": words.check_name(x), "where": words.check_place(x, words.MM), **record(x)} for x in v.checks
        ],
        "photo": {
            "status": "warn" if v.doubtful else "ok",
            "warnings": [words.notice_dict(n) for n in v.notices if n.kind == "warning"],
            "notes": [words.notice_dict(n) for n in v.notices if n.kind == "note"],
        },
        "specification": None if spec is None else specification_to_table(spec),
    }
    if stations:
        out["stations"] = _stations(
            v, s_mm="s_mm", gap_mm="gap_mm", u_mm="expanded_u_mm", lower_mm="lower_mm", upper_mm="upper_mm",
            probability_in="probability", state="states",
        )  # fmt: skip
    return out


def verdict_from_dict(body: Mapping[str, Any], measurement: Measurement) -> Verdict:
    """Read back the verdict that was made about a measurement; its file has its specification.  ``stored-verdict-bad``.

    State, spans, checks, lengths and reasons are those of the file; limits and the stations' states, which the
    records do not keep, follow from the file's specification and rule.
    """
    try:
        spec = specification_from_table(body["specification"], "the specification of the verdict")
        lengths = body["lengths_mm"]
        if measurement.profile is not None:
            spec = as_before(spec, measurement.profile.s_mm)
        return replace(
            judge_measurement(measurement, spec, _rule(body), version=rule_version(body)),
            state=STATES[STATES.index(body["verdict"])],
            reasons=_read_reasons(body),
            spans=tuple(_read(Span, x) for x in body["spans"]),
            checks=tuple(_read_check(x) for x in body["checks"]),
            worst=None if body["worst"] is None else _read(Span, body["worst"]),
            in_mm=float(lengths["in"]),
            out_mm=float(lengths["out"]),
            open_mm=float(lengths["not_proven"]),
            hole_mm=float(lengths["not_measured"]),
        )
    except (*_WRONG, GapvisionError) as error:
        said = error.message if isinstance(error, GapvisionError) else ""
        raise GapvisionError("stored-verdict-bad", f"The stored verdict cannot be read. {said}".strip()) from None


def judged_again(
    body: Mapping[str, Any], measurement: Measurement, spec: model.Specification | None = None, rule: str = ""
) -> Outcome | None:
    """What the program says of the stations, by a verdict's own specification, rule and version of the rule.

    Parameters
    ----------
    body : dict
        The verdict's file; of one without a record an empty one.
    measurement : Measurement
        What was judged.
    spec : Specification, optional
        The seam's, and ``rule`` by its name: for a verdict without a record.

    Returns
    -------
    Outcome or None
        None where nothing says what was judged by: no specification, or none that can be read.
    """
    if measurement.profile is None:
        return None
    try:
        own = body.get("specification")
        wanted = spec if own is None else _specification(json.dumps(own))
        chosen = _rule(body) if "rule" in body else DecisionRule(name=rule or DecisionRule().name)
        if wanted is None:
            return None
        before = as_before(wanted, measurement.profile.s_mm)
        return outcome(measurement, before, chosen, version=rule_version(body))
    except (*_WRONG, GapvisionError):
        return None


@lru_cache(maxsize=64)
def _specification(text: str) -> model.Specification:
    """Many verdicts have the same one."""
    return specification_from_table(json.loads(text), "the specification of the verdict")


def rule_version(body: Mapping[str, Any]) -> int:
    """The version of the rule by which a verdict was made; 0 before there were any."""
    rule = body.get("rule")
    found = rule.get("version") if isinstance(rule, dict) else None
    return found if isinstance(found, int) else 0


def disagreement(body: Mapping[str, Any], decision: str, judged: Outcome) -> str:
    """What of a stored verdict is not what its stations give, in words; empty when all is.

    Stretches and checks are compared where the version of the rule is known.  Where the other side of the car was
    judged with it, which the file does not hold, the verdict may be worse but not better.
    """
    beside = isinstance(body.get("specification"), dict) and body["specification"].get("opposite") is not None
    better = {IN: 0, OPEN: 1, OUT: 2}
    if decision != judged.state and not (beside and better.get(decision, -1) > better[judged.state]):
        return f"the verdict contradicts the stations: it is '{decision}', they give '{judged.state}'"
    if beside or not 1 <= rule_version(body) <= RULE_VERSION:
        return ""
    lengths = {"in": judged.in_mm, "out": judged.out_mm, "not_proven": judged.open_mm, "not_measured": judged.hole_mm}
    spans = [(x.state, x.from_mm, x.to_mm) for x in judged.spans]
    try:
        told = [(x["state"], float(x["from_mm"]), float(x["to_mm"])) for x in body["spans"]]
        same = [x[0] for x in told] == [x[0] for x in spans]
        near = [max(abs(x[1] - y[1]), abs(x[2] - y[2])) <= 0.01 for x, y in zip(told, spans, strict=False)]
        same = same and all(near)
        same = same and all(abs(float(body["lengths_mm"][k]) - v) <= 0.02 for k, v in lengths.items())
        checks = [(x["state"], float(x["value"])) for x in body["checks"]]
        made = [(x.state, x.value) for x in judged.checks]
        same = same and len(checks) == len(made)
        same = same and all(a[0] == b[0] and abs(a[1] - b[1]) <= 0.01 for a, b in zip(checks, made, strict=True))
    except _WRONG:
        return ""  # a verdict that is told in words only, or one that cannot be read: told when it is
    return "" if same else "the verdict's stretches or checks contradict the stations"


def told_verdict(body: Mapping[str, Any], say: words.Lengths) -> tuple[str, list[str]]:
    """Sentence and reasons of a stored verdict: as they were written, or in inches where the file has the numbers."""
    written = str(body["sentence"]), [str(x) for x in body.get("reasons", [])]
    if not say.inch or "why" not in body:
        return written
    try:
        u, doubtful = (body["u_mm"]["median"], body["u_mm"]["largest"]), body["photo"]["status"] == "warn"
        sentence = words.decision(body["verdict"], _rule(body), u, body["coverage_factor"], say, doubtful=doubtful)
        return sentence, words.reasons(_read_reasons(body), [_read_check(x) for x in body["checks"]], say)
    except (*_WRONG, GapvisionError):
        return written


def check_behind(body: Mapping[str, Any]) -> Check | None:
    """The check that a stored verdict rests on where its gap is good; None too where its file cannot tell."""
    try:
        lengths = body["lengths_mm"]
        checks = [_read_check(x) for x in body["checks"]]
        long = {"out_mm": float(lengths["out"]), "open_mm": float(lengths["not_proven"])}
        return model.check_behind(body["verdict"], checks, **long)
    except _WRONG:
        return None


def _rule(body: Mapping[str, Any]) -> DecisionRule:
    return DecisionRule(name=body["rule"]["name"], risk=body["rule"].get("risk") or DecisionRule().risk)


def _read_reasons(body: Mapping[str, Any]) -> tuple[Reason, ...]:
    """Reasons as data; those of an older program as it wrote them."""
    if "why" not in body:
        return tuple(Reason("as written", {"text": str(x)}) for x in body["reasons"])
    found = tuple(
        Reason(x["kind"], {k: v if k == "text" else float(v) for k, v in x.items() if k != "kind"}) for x in body["why"]
    )
    if any(not 0 <= int(x.values["number"]) < len(body["checks"]) for x in found if x.kind == "check"):
        raise ValueError("number")
    return found


def _read_check(record: Mapping[str, Any]) -> Check:
    """A check; of an older program its name and place are texts."""
    if "kind" not in record:
        text = f"{record['name']} ({record['where']})" if record["where"] else str(record["name"])
        record = {"kind": "", "edge": "", "at_mm": None, "over_mm": None, "text": text, **record}
    elif not record["text"]:
        words.check_name(_read(Check, record))  # a kind and an edge that there are
    return _read(Check, record)


def _read(kind: type[_T], record: Mapping[str, Any]) -> _T:
    values: dict[str, Any] = {}
    for f in fields(kind):
        value = record[FILE_NAMES.get(f.name, f.name)]
        values[f.name] = (math.nan if value is None else float(value)) if f.type == "float" else str(value)
    if values["state"] not in STATES:
        raise ValueError("state")
    return kind(**values)


def forecast_to_dict(future: model.FinishForecast) -> dict[str, Any]:
    """Put a forecast of the finished gap into its file's form."""
    loss = future.loss
    return {
        "verdict": verdict_to_dict(future.verdict, stations=False),
        "film": record(
            {
                "loss_mm": loss.loss_mm,
                "u_mm": 2 * loss.std_u_mm,
                "least_mm": loss.least_mm,
                "most_mm": loss.most_mm,
                "panel_edge_mm": loss.panel_mm,
                "neighbour_edge_mm": loss.neighbour_mm,
            }
        ),
        "chip_limit_mm": record(future.chip_limit_mm),
        "chip_spans": record(future.chip_spans),
        "notices": [words.notice_dict(n) for n in future.notices],
        "stations": _stations(
            future, s_mm="s_mm", gap_mm="gap_mm", u_mm="expanded_u_mm", set_now_mm="set_now_mm",
            set_from_mm="set_lower_mm", set_to_mm="set_upper_mm",
        ),
    }  # fmt: skip
