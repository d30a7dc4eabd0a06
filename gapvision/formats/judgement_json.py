"""Verdicts and forecasts as plain dicts for JSON files, records and exports."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any, TypeVar

import numpy as np

from gapvision import __version__, words
from gapvision.errors import GapvisionError
from gapvision.formats.specification_file import specification_from_table, specification_to_table
from gapvision.judgement.tolerance import judge_measurement
from gapvision.model import (
    STATES,
    Check,
    DecisionRule,
    FinishForecast,
    Measurement,
    Reason,
    Span,
    Specification,
    Verdict,
)

SCHEMA = "gapvision-verdict/1"
_RENAME = {"expanded_u": "u"}
_T = TypeVar("_T", Span, Check)
#: What comes of a file that is not what it says.
_WRONG = (LookupError, TypeError, ValueError, ArithmeticError, AttributeError)


def number(value: float | None, digits: int = 4) -> float | None:
    """Round for a file; what is not finite becomes null."""
    if value is None or not math.isfinite(value):
        return None
    return round(float(value), digits)


def verdict_to_dict(verdict: Verdict, spec: Specification | None = None, *, stations: bool = True) -> dict[str, Any]:
    """Put a verdict into its file's form (``gapvision-verdict/1``).

    Parameters
    ----------
    verdict : Verdict
        The decision.
    spec : Specification, optional
        Kept beside it, so that the verdict can be understood alone.
    stations : bool
        Whether every station is listed.
    """
    out: dict[str, Any] = {
        "schema": SCHEMA,
        "written_by": f"gapvision {__version__}",
        "verdict": verdict.state,
        "sentence": words.verdict_sentence(verdict, words.MM),
        "rule": {
            "name": verdict.rule.name,
            "risk": verdict.rule.risk if verdict.rule.name == "risk" else None,
            "words": words.rule(verdict.rule),
        },
        "coverage_factor": verdict.coverage_factor,
        "u_mm": {
            "median": number(float(np.median(verdict.expanded_u_mm))),
            "largest": number(float(verdict.expanded_u_mm.max())),
        },
        "lengths_mm": {
            "in": number(verdict.in_mm, 2),
            "out": number(verdict.out_mm, 2),
            "not_proven": number(verdict.open_mm, 2),
            "not_measured": number(verdict.hole_mm, 2),
        },
        "reasons": words.reasons(verdict.reasons, verdict.checks, words.MM),
        "why": [{"kind": x.kind, **x.values} for x in verdict.reasons],
        "worst": None if verdict.worst is None else _record(verdict.worst),
        "spans": [_record(x) for x in verdict.spans],
        "checks": [_check(x) for x in verdict.checks],
        "photo": _photo(verdict),
        "specification": None if spec is None else specification_to_table(spec),
    }
    if stations:
        columns = (
            verdict.s_mm,
            verdict.gap_mm,
            verdict.expanded_u_mm,
            verdict.lower_mm,
            verdict.upper_mm,
            verdict.probability,
        )
        out["stations"] = [
            {
                "s_mm": number(s),
                "gap_mm": number(g),
                "u_mm": number(u),
                "lower_mm": number(lo),
                "upper_mm": number(hi),
                "probability_in": number(p, 6),
                "state": state,
            }
            for s, g, u, lo, hi, p, state in zip(*columns, verdict.states, strict=True)
        ]
    return out


def verdict_from_dict(body: Mapping[str, Any], measurement: Measurement) -> Verdict:
    """Read back the verdict that was made about a measurement.

    State, spans, checks, lengths and reasons are those of the file; limits and the stations' states, which the
    records do not keep, follow from the file's specification and rule.

    Parameters
    ----------
    body : mapping
        ``gapvision-verdict/1`` with its specification.
    measurement : Measurement
        What was judged.

    Raises
    ------
    GapvisionError
        ``stored-verdict-bad``.
    """
    try:
        spec = specification_from_table(body["specification"], "the specification of the verdict")
        lengths = body["lengths_mm"]
        return replace(
            judge_measurement(measurement, spec, _rule(body)),
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


def told_verdict(body: Mapping[str, Any], say: words.Lengths) -> tuple[str, list[str]]:
    """Sentence and reasons of a stored verdict: as they were written, or in inches where the file has the numbers.

    Parameters
    ----------
    body : mapping
        ``gapvision-verdict/1``.
    say : Lengths
        The unit wanted.
    """
    written = str(body["sentence"]), [str(x) for x in body.get("reasons", [])]
    if not say.inch or "why" not in body:
        return written
    try:
        u, doubtful = (body["u_mm"]["median"], body["u_mm"]["largest"]), body["photo"]["status"] == "warn"
        sentence = words.decision(body["verdict"], _rule(body), u, body["coverage_factor"], say, doubtful=doubtful)
        return sentence, words.reasons(_read_reasons(body), [_read_check(x) for x in body["checks"]], say)
    except (*_WRONG, GapvisionError):
        return written


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
        value = record[_RENAME.get(f.name, f.name)]
        values[f.name] = (math.nan if value is None else float(value)) if f.type == "float" else str(value)
    if values["state"] not in STATES:
        raise ValueError("state")
    return kind(**values)


def _photo(verdict: Verdict) -> dict[str, Any]:
    """What the photo itself says: a verdict is no surer than its photo."""
    return {
        "status": "warn" if verdict.doubtful else "ok",
        "warnings": [words.notice_dict(n) for n in verdict.notices if n.kind == "warning"],
        "notes": [words.notice_dict(n) for n in verdict.notices if n.kind == "note"],
    }


def _record(item: Span | Check) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for f in fields(item):
        value = getattr(item, f.name)
        out[_RENAME.get(f.name, f.name)] = number(value) if isinstance(value, float) else value
    return out


def _check(item: Check) -> dict[str, Any]:
    """A check with its name and place in words too, as the file always had them."""
    return {"name": words.check_name(item), "where": words.check_place(item, words.MM), **_record(item)}


def forecast_to_dict(future: FinishForecast) -> dict[str, Any]:
    """Put a forecast of the finished gap into its file's form."""
    loss = future.loss
    return {
        "verdict": verdict_to_dict(future.verdict, stations=False),
        "film": {
            "loss_mm": number(loss.loss_mm),
            "u_mm": number(2 * loss.std_u_mm),
            "least_mm": number(loss.least_mm),
            "most_mm": number(loss.most_mm),
            "panel_edge_mm": number(loss.panel_mm),
            "neighbour_edge_mm": number(loss.neighbour_mm),
        },
        "chip_limit_mm": number(future.chip_limit_mm),
        "chip_spans": [_record(x) for x in future.chip_spans],
        "notices": [words.notice_dict(n) for n in future.notices],
        "stations": [
            {
                "s_mm": number(s),
                "gap_mm": number(g),
                "u_mm": number(u),
                "set_now_mm": number(n),
                "set_from_mm": number(lo),
                "set_to_mm": number(hi),
            }
            for s, g, u, n, lo, hi in zip(
                future.s_mm,
                future.gap_mm,
                future.expanded_u_mm,
                future.set_now_mm,
                future.set_lower_mm,
                future.set_upper_mm,
                strict=True,
            )
        ],
    }
