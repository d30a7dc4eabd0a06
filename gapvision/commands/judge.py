"""``gapvision judge``: does a measured seam pass, and with what certainty?"""

from __future__ import annotations

import argparse
import json
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gapvision.commands._args import add_shown, add_wanted, finish_of, needed_wanted, nonsense, say_of
from gapvision.commands._outputs import outputs_of
from gapvision.commands._records import add_data
from gapvision.errors import GapvisionError
from gapvision.units import parse_length

if TYPE_CHECKING:
    from gapvision.model import FinishPlan, Specification, Verdict
    from gapvision.words import Lengths


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "Exit code: 0 in tolerance, 1 not in tolerance, 2 wrong usage or unreadable input, 3 refused photo. "
        "Example, after 'gapvision demo': gapvision judge gapvision_demo/seam.json --preset even-close"
    )
    parser.add_argument("measurement", metavar="MEASUREMENT.json", help="written by 'gapvision measure --json'")
    add_wanted(parser)
    other = parser.add_argument_group("the other side of the car")
    other.add_argument("--opposite", metavar="F.json", help="measurement of the same seam there")
    other.add_argument("--opposite-limit", type=parse_length, metavar="LENGTH", help="largest difference to it")
    other.add_argument("--opposite-same-way", action="store_true", help="its stations run the same way, not mirrored")
    parser.add_argument("--panel-edge", default="B", choices=("A", "B"), help="this panel's edge (default: B)")
    parser.add_argument("--finish", metavar="F.toml", help="finish plan: also judge the gap after paint")
    add_shown(parser, table="all spans and limits")
    parser.add_argument("--json", metavar="F", help="write the verdict as JSON")
    parser.add_argument("--plot", metavar="F.png", help="draw gap, limits and states")
    parser.add_argument("--job", metavar="REF", help="go by what is kept for this job")
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Judge one seam; 0 in tolerance, 1 not."""
    from gapvision import words
    from gapvision.formats.judgement_json import verdict_to_dict
    from gapvision.formats.measurement_json import read, sheet_of
    from gapvision.judgement import judge_measurement, mirror, reading_from_measurement
    from gapvision.model import IN
    from gapvision.reports.terminal import verdict_text

    stem = Path(args.measurement).stem
    places = {"--json": ("json", args.json, f"{stem}.verdict"), "--plot": ("plot", args.plot, f"{stem}.plot")}
    outputs = outputs_of(places, (args.measurement, args.spec, args.opposite, args.finish))
    spec, rule = needed_wanted(args)
    if not args.opposite and (args.opposite_limit is not None or args.opposite_same_way):
        raise nonsense("--opposite-limit and --opposite-same-way belong to --opposite.", "Give --opposite too.")
    other, say = None, say_of(args)
    if args.opposite:
        if args.opposite_limit is not None:
            spec = replace(spec, opposite_mm=args.opposite_limit)
        if spec.opposite_mm is None:
            raise GapvisionError(
                "specification-nonsense",
                "There is no limit for the difference to the opposite side.",
                "Give --opposite-limit, e.g. 0.8mm.",
            )
        other = reading_from_measurement(read(args.opposite), "opposite", panel_edge=args.panel_edge)
        if args.opposite_same_way:
            other = mirror(other)  # turned once here and once where it is laid on
    measurement = read(args.measurement)
    verdict = judge_measurement(measurement, spec, rule, opposite=other, panel_edge=args.panel_edge)
    title = f"{spec.name}, as it stands" if args.finish else spec.name
    print(verdict_text(verdict, title, say, table=args.table), end="")
    if other is None and spec.opposite_mm is not None:
        print(f"  {words.OPPOSITE_UNCHECKED}: give --opposite.")
    result = verdict_to_dict(verdict, spec) | {"sheet": sheet_of(measurement)}
    passed = verdict.state == IN
    if (finish := finish_of(args)) is not None:
        passed = _after_paint(finish, verdict, spec, say, result)
    for option, path in outputs.items():
        _write(option, path, verdict, f"{spec.name}: {verdict.state}", say, result)
        print(f"written: {path}")
    return 0 if passed else 1


def _after_paint(
    finish: FinishPlan, verdict: Verdict, spec: Specification, say: Lengths, result: dict[str, Any]
) -> bool:
    from gapvision.formats.judgement_json import forecast_to_dict
    from gapvision.judgement import after_paint
    from gapvision.model import IN
    from gapvision.reports.terminal import forecast_text

    future = after_paint(verdict, spec, finish)
    print("\n" + forecast_text(future, say), end="")
    result["after_paint"] = forecast_to_dict(future)
    return future.verdict.state == IN


def _write(option: str, path: Path, verdict: Verdict, title: str, say: Lengths, result: dict[str, Any]) -> None:
    from gapvision.formats.atomic import write_whole

    if option == "--json":
        write_whole(path, (json.dumps(result, indent=1, ensure_ascii=False, allow_nan=False) + "\n").encode())
    else:
        from gapvision.reports.figures import draw_profile, write_figure

        write_figure(draw_profile(verdict, verdict, title=title, unit=say.unit), path)
