"""``gapvision plan``: what to move, trim or build up on a panel, where, by how much, in which order."""

from __future__ import annotations

import argparse
import json
from dataclasses import replace

from gapvision.commands._args import add_shown, say_of
from gapvision.commands._records import add_data


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "Exit code: 0 the plan ends with nothing out of tolerance, 1 something stays out of tolerance, 2 wrong usage "
        "or unreadable input, 3 refused photo. Example, after 'gapvision demo': "
        "gapvision plan gapvision_demo/door.toml --free-seams"
    )
    parser.add_argument("panel", metavar="PANEL.toml", help="seams with their places, measurements and specifications")
    parser.add_argument("--json", metavar="F", help="write the plan as JSON")
    parser.add_argument(
        "--plot", metavar="F.png", help="draw each seam before, after the move, after the trim, after paint"
    )
    add_free(parser)
    add_shown(parser)
    add_data(parser)


def add_free(parser: argparse.ArgumentParser) -> None:
    """Add the switch that asks for a plan of a panel whose seams were not all measured."""
    text = "plan although nothing was measured of some seams; the first line says which, and what that leaves free"
    parser.add_argument("--free-seams", action="store_true", help=text)


def run(args: argparse.Namespace) -> int:
    """Work out and show the plan."""
    from gapvision.commands._outputs import outputs_of
    from gapvision.formats.atomic import write_whole
    from gapvision.formats.data_folder import data_folder
    from gapvision.formats.film_file import read_films
    from gapvision.formats.panel_file import read_panel
    from gapvision.judgement import make_plan, with_taken
    from gapvision.reports.terminal import plan_text

    places = {"--json": ("json", args.json, "plan"), "--plot": ("plot", args.plot, "plan.plot")}
    outputs = outputs_of(places, [args.panel])
    say = say_of(args)
    panel = read_panel(args.panel)
    if panel.finish is not None:
        panel = replace(panel, finish=with_taken(panel.finish, read_films(data_folder(args.data))))
    plan = make_plan(panel, free_seams=args.free_seams)
    print(plan_text(plan, say), end="")
    if args.json:
        from gapvision.formats.plan_json import plan_to_dict

        content = json.dumps(plan_to_dict(plan), indent=1, ensure_ascii=False, allow_nan=False) + "\n"
        write_whole(outputs["--json"], content.encode())
    if args.plot:
        from gapvision.reports.figures import draw_plan, write_figure

        write_figure(draw_plan(plan), outputs["--plot"])
    if outputs:
        print("written: " + ", ".join(map(str, outputs.values())))
    return 0 if plan.succeeds else 1
