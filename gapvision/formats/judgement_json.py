"""Verdicts and forecasts as plain dicts for JSON files, records and exports."""

from __future__ import annotations

import math
from dataclasses import fields
from typing import Any

import numpy as np

from gapvision import __version__, words
from gapvision.formats.specification_file import specification_to_table
from gapvision.judgement.tolerance import verdict_sentence
from gapvision.model import Check, FinishForecast, Span, Specification, Verdict

SCHEMA = "gapvision-verdict/1"
_RENAME = {"expanded_u": "u"}


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
        "sentence": verdict_sentence(verdict),
        "rule": {
            "name": verdict.rule.name,
            "risk": verdict.rule.risk if verdict.rule.name == "risk" else None,
            "words": verdict.rule.words,
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
        "reasons": list(verdict.reasons),
        "worst": None if verdict.worst is None else _record(verdict.worst),
        "spans": [_record(x) for x in verdict.spans],
        "checks": [_record(x) for x in verdict.checks],
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


def _record(item: Span | Check) -> dict[str, Any]:
    out: dict[str, Any] = {}
    for f in fields(item):
        value = getattr(item, f.name)
        out[_RENAME.get(f.name, f.name)] = number(value) if isinstance(value, float) else value
    return out


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
