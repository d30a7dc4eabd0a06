"""``gapvision judge``: does a measured seam pass, and with what certainty?"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gapvision.errors import GapvisionError
from gapvision.units import parse_length

if TYPE_CHECKING:
    from gapvision.model import Specification, Verdict


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "Exit code: 0 in tolerance, 1 out of tolerance or not proven, 2 wrong usage or unreadable input, "
        "3 refused photo. "
        "Ready specifications (common practice): even-close, even-road, door-period."
    )
    parser.add_argument("measurement", metavar="MEASUREMENT.json", help="written by 'gapvision measure --json'")
    wanted = parser.add_mutually_exclusive_group()
    wanted.add_argument("--spec", metavar="F.toml", help="the seam's specification")
    wanted.add_argument("--preset", metavar="NAME", help="a ready specification (common practice)")
    wanted.add_argument("--nominal", metavar="LENGTH", help="wanted gap, e.g. 3/16in or 4.76mm")
    parser.add_argument("--tol", metavar="LENGTH", help="allowed either way, with --nominal (default: 0.5mm)")
    parser.add_argument("--below", metavar="LENGTH", help="allowed below the wanted gap, instead of --tol")
    parser.add_argument("--above", metavar="LENGTH", help="allowed above the wanted gap, instead of --tol")
    parser.add_argument(
        "--rule", default="proven", metavar="proven|simple|risk", help="decision rule (default: proven)"
    )
    parser.add_argument(
        "--risk", type=float, default=0.05, metavar="SHARE", help="accepted risk, with --rule risk (default: 0.05)"
    )
    parser.add_argument("--opposite", metavar="F.json", help="the same seam on the other side of the car")
    parser.add_argument(
        "--opposite-limit", metavar="LENGTH", help="largest difference to it, if the specification has none"
    )
    parser.add_argument(
        "--opposite-same-way", action="store_true", help="its stations run the same way (default: mirrored)"
    )
    parser.add_argument(
        "--panel-edge", default="B", choices=("A", "B"), help="the edge in the photo that is this panel's (default: B)"
    )
    parser.add_argument("--finish", metavar="F.toml", help="finish plan: also judge the gap after paint")
    parser.add_argument("--json", metavar="F", help="write the verdict as JSON")
    parser.add_argument("--plot", metavar="F.png", help="draw gap, limits and states")


def run(args: argparse.Namespace) -> int:
    """Judge one seam; 0 in tolerance, 1 not."""
    from gapvision.formats.atomic import check_whole
    from gapvision.formats.judgement_json import verdict_to_dict
    from gapvision.formats.measurement_json import read
    from gapvision.judgement import judge_measurement, mirror, reading_from_measurement
    from gapvision.model import IN, DecisionRule
    from gapvision.reports.judgement_text import verdict_text

    if args.json:
        check_whole(args.json)
    if args.plot:
        from gapvision.reports.figures import check_figure, draw_profile, write_figure

        check_figure(args.plot)
    rule = DecisionRule(name=args.rule, risk=args.risk)
    spec = _spec(args)
    other = None
    if args.opposite:
        if args.opposite_limit:
            spec = replace(spec, opposite_mm=parse_length(args.opposite_limit))
        if spec.opposite_mm is None:
            raise GapvisionError(
                "specification-nonsense",
                "There is no limit for the difference to the opposite side.",
                "Give --opposite-limit, e.g. 0.8mm.",
            )
        other = reading_from_measurement(read(args.opposite), "opposite", panel_edge=args.panel_edge)
        if args.opposite_same_way:
            other = mirror(other)  # turned once here and once where it is laid on
    verdict = judge_measurement(read(args.measurement), spec, rule, opposite=other, panel_edge=args.panel_edge)
    print(verdict_text(verdict, f"{spec.name}, as it stands" if args.finish else spec.name), end="")
    result = verdict_to_dict(verdict, spec)
    passed = verdict.state == IN
    if args.finish:
        passed = _after_paint(args.finish, verdict, spec, result)
    if args.json:
        _write_json(args.json, result)
    if args.plot:
        write_figure(draw_profile(verdict, verdict, title=f"{spec.name}: {verdict.state}"), args.plot)
    return 0 if passed else 1


def _spec(args: argparse.Namespace) -> Specification:
    from gapvision.formats.specification_file import read_specification
    from gapvision.judgement import preset, simple_spec

    if args.spec or args.preset:
        if args.tol or args.below or args.above:
            raise GapvisionError(
                "specification-nonsense",
                "The limits come from the specification, so --tol, --below and --above have no place.",
                "Leave them out, or use --nominal.",
            )
        return read_specification(args.spec) if args.spec else preset(args.preset)
    if not args.nominal:
        raise GapvisionError(
            "specification-nonsense", "It was not said what gap is wanted.", "Give --nominal, --preset or --spec."
        )
    tol = parse_length(args.tol) if args.tol else 0.5
    below = parse_length(args.below) if args.below else tol
    above = parse_length(args.above) if args.above else tol
    return simple_spec(parse_length(args.nominal), below, above)


def _after_paint(path: str, verdict: Verdict, spec: Specification, result: dict[str, Any]) -> bool:
    from gapvision.formats.finish_file import read_finish
    from gapvision.formats.judgement_json import forecast_to_dict
    from gapvision.judgement import after_paint
    from gapvision.model import IN
    from gapvision.reports.judgement_text import forecast_text

    future = after_paint(verdict, spec, read_finish(path))
    print("\n" + forecast_text(future), end="")
    result["after_paint"] = forecast_to_dict(future)
    return future.verdict.state == IN


def _write_json(path: str, content: dict[str, Any]) -> None:
    from gapvision.formats.atomic import write_whole

    write_whole(Path(path), (json.dumps(content, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode())
