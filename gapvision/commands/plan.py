"""``gapvision plan``: what to move, trim or build up on a panel, where, by how much, in which order."""

from __future__ import annotations

import argparse
import json
from pathlib import Path


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "Exit code: 0 the plan ends with nothing out of tolerance, 1 something stays out of tolerance after "
        "every step, "
        "2 wrong usage or unreadable input, 3 a refused photo. A whole panel file is in sample_images/panel_example."
    )
    parser.add_argument("panel", metavar="PANEL.toml", help="seams with their places, measurements and specifications")
    parser.add_argument("--json", metavar="F", help="write the plan as JSON")
    parser.add_argument(
        "--plot", metavar="F.png", help="draw each seam before, after the move, after the trim, after paint"
    )


def run(args: argparse.Namespace) -> int:
    """Work out and show the plan."""
    from gapvision.formats.atomic import check_whole, write_whole
    from gapvision.formats.panel_file import read_panel
    from gapvision.judgement import make_plan
    from gapvision.reports.plan_text import plan_text

    if args.json:
        check_whole(args.json)
    if args.plot:
        from gapvision.reports.figures import check_figure, draw_plan, write_figure

        check_figure(args.plot)
    plan = make_plan(read_panel(args.panel))
    print(plan_text(plan), end="")
    if args.json:
        from gapvision.formats.plan_json import plan_to_dict

        content = json.dumps(plan_to_dict(plan), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        write_whole(Path(args.json), content.encode())
    if args.plot:
        write_figure(draw_plan(plan), args.plot)
    return 0 if plan.succeeds else 1
