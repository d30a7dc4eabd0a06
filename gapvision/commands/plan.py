"""``gapvision plan``: what to move, trim or build up on a panel, where, by how much, in which order."""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from gapvision.commands._args import add_shown, say_of
from gapvision.commands._records import add_data
from gapvision.errors import require

if TYPE_CHECKING:
    from gapvision.model import Notice
    from gapvision.words import Lengths


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "Exit code: 0 the plan ends with nothing out of tolerance, 1 something stays out of tolerance, 2 wrong usage "
        "or unreadable input, 3 refused photo. Example, after 'gapvision demo': "
        "gapvision plan gapvision_demo/door.toml --free-seams"
    )
    parser.add_argument("panel", metavar="PANEL.toml", help="panel or car: seams, measurements, what is wanted")
    parser.add_argument("--json", metavar="F", help="write the plan as JSON")
    parser.add_argument(
        "--plot", metavar="F.png", help="draw each seam before, after the move, after the trim, after paint; or the car"
    )
    add_free(parser)
    parser.add_argument("--pdf", metavar="F", help="of a car: the hang list on paper, with its outline")
    parser.add_argument("--did", nargs=2, metavar=("CAR.toml", "PLAN.json"), help="of a car: learn from the last round")
    parser.add_argument(
        "--learnt", metavar="NEW.toml", help="with --did: write the car's file anew, with what its adjusters answer"
    )
    parser.add_argument(
        "--done", metavar="PANEL", action="append", default=[], help="of a car: this panel stays, plan the rest anew"
    )
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
    from gapvision.formats.car_file import FORMAT as CAR
    from gapvision.formats.data_folder import data_folder
    from gapvision.formats.film_file import read_films
    from gapvision.formats.panel_file import read_panel
    from gapvision.formats.toml import read_toml
    from gapvision.judgement import make_plan, with_taken
    from gapvision.reports.terminal import plan_text

    require("value-out-of-range", not args.learnt or args.did, "--learnt belongs to --did.", "Give both.")
    places = {"--json": ("json", args.json, "plan"), "--plot": ("plot", args.plot, "plan.plot")}
    places["--pdf"] = ("pdf", args.pdf, "plan")
    places["--learnt"] = ("toml", args.learnt, "car")
    outputs = outputs_of(places, [args.panel, *(args.did or ())])
    say = say_of(args)
    table = read_toml(args.panel)
    if table.get("format") == CAR or "bodies" in table:
        return _plan_car(args, outputs, say)
    said = "--pdf, --did and --done belong to the plan of a whole car."
    require("value-out-of-range", not (args.pdf or args.did or args.done), said, "Leave them out, or give a car file.")
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


def _plan_car(args: argparse.Namespace, outputs: Mapping[str, Path], say: Lengths) -> int:
    """The hang list of a whole car; after a round of work with what its panels really did."""
    from gapvision.formats.atomic import write_whole
    from gapvision.formats.car_file import learnt_file, read_car
    from gapvision.formats.car_plan_json import car_plan_bytes, read_settings
    from gapvision.judgement.car_plan import learn, make_car_plan
    from gapvision.model import OUT, MeasuredCar, seam_state
    from gapvision.reports.car_text import car_plan_text

    car, measured = read_car(args.panel)
    said = "No seam of the car has a measurement."
    require("car-file-bad", measured is not None, said, "Give its seams [[seams.photos]] with their files.")
    assert measured is not None
    for name in args.done:
        known = f"The panels of this car: {', '.join(car.hang_order)}."
        require("value-out-of-range", name in car.hang_order, f"'{name}' is no panel of this car that moves.", known)
    told: tuple[Notice, ...] = ()
    if args.did:
        _, before = read_car(args.did[0])
        none = f"'{args.did[0]}' has no measurement."
        require("car-file-bad", before is not None, none, "Give the car as it was before.")
        assert before is not None
        learnt, told = learn(before, read_settings(args.did[1], before.car), measured)
        measured = MeasuredCar(car=replace(car, bodies=learnt.bodies), readings=measured.readings)
    plan = make_car_plan(measured, frozenset(args.done), free_seams=args.free_seams)
    plan = replace(plan, notices=(*told, *plan.notices))
    print(car_plan_text(plan, say), end="")
    if args.json:
        write_whole(outputs["--json"], car_plan_bytes(plan))
    if args.learnt:
        write_whole(outputs["--learnt"], learnt_file(args.panel, measured.car, outputs["--learnt"].parent))
    if args.plot:
        from gapvision.reports.car_outline import draw_car
        from gapvision.reports.figures import write_figure

        states = {name: seam_state(x) for name, x in plan.before.items()}
        write_figure(draw_car(car, states, f"{car.name}, as measured"), outputs["--plot"])
    if args.pdf:
        from gapvision.reports.car_paper import car_paper

        write_whole(outputs["--pdf"], car_paper(plan, say))
    if outputs:
        print("written: " + ", ".join(map(str, outputs.values())))
    return 1 if any(seam_state(x) == OUT for x in plan.after.values()) and not plan.edges else 0
