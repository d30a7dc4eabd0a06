"""``gapvision car``: a car file of a ready shape, the state of all its seams, the car's outline, its seams in a job."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from gapvision.commands._args import add_shown, nonsense, say_of
from gapvision.commands._records import add_data, open_store
from gapvision.errors import require

if TYPE_CHECKING:
    from gapvision.model import Car


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "Example: gapvision car mine.toml --shape 'two-seat roadster' --size door_length=940mm; add the photos' "
        "measurements to its seams, then: gapvision plan mine.toml"
    )
    parser.add_argument("car", metavar="CAR.toml", help="the car's file; with --shape it is written")
    parser.add_argument("--shape", metavar="NAME", help="two-seat roadster or two-door coupe: write a new file of it")
    parser.add_argument("--size", metavar="NAME=LENGTH", action="append", default=[], help="a size of that car")
    parser.add_argument(
        "--drawing", metavar="F.dxf", help="take its sizes from lines or dimensions on layers named after them"
    )
    parser.add_argument("--preset", metavar="NAME", default="even-close", help="what is wanted of all its seams")
    parser.add_argument("--plot", metavar="F.png", help="draw the car's outline, each seam by its state")
    parser.add_argument("--job", metavar="REF", help="keep the car with a job, and give it the car's seams")
    add_shown(parser)
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Write, show, draw, or take into a job."""
    from gapvision.commands._outputs import outputs_of
    from gapvision.formats.car_file import read_car
    from gapvision.judgement.car_plan import judged
    from gapvision.model import OUT, seam_state
    from gapvision.reports.car_text import car_text

    outputs = outputs_of({"--plot": ("plot", args.plot, "car.plot")}, [args.car])
    if args.shape:
        _write(args)
    elif args.size or args.drawing:
        raise nonsense("A size or a drawing belongs to --shape.", "Change the sizes in the car file instead.")
    car, measured = read_car(args.car)
    state = {} if measured is None else judged(car, measured.readings)
    print(car_text(car, state, say_of(args)), end="")
    states = {name: seam_state(x) for name, x in state.items()}
    if args.plot:
        from gapvision.reports.car_outline import draw_car
        from gapvision.reports.figures import write_figure

        write_figure(draw_car(car, states), outputs["--plot"])
        print(f"written: {outputs['--plot']}")
    if args.job:
        _into_job(args, car)
    return 1 if OUT in states.values() else 0


def _write(args: argparse.Namespace) -> None:
    from pathlib import Path

    import tomli_w

    from gapvision.formats.atomic import check_whole, write_whole
    from gapvision.formats.car_file import car_file
    from gapvision.units import parse_length

    sizes = {} if args.drawing is None else _drawn(args)
    for text in args.size:
        name, found, length = text.partition("=")
        if not found:
            raise nonsense(f"'{text}' is no size.", "Write it like door_length=940mm.")
        sizes[name.strip()] = parse_length(length)
    path = Path(args.car)
    require("output-taken", not path.exists(), f"'{path}' is there already, and nothing is overwritten.")
    check_whole(path)
    table = car_file(path.stem, args.shape, sizes, args.preset)
    write_whole(path, tomli_w.dumps(table).encode())
    print(f"written: {path}")


def _drawn(args: argparse.Namespace) -> dict[str, float]:
    """Sizes from a drawing, each said, so that who typed none sees what was taken."""
    from gapvision.formats.car_drawing import read_drawing

    drawn, say = read_drawing(args.drawing), say_of(args)
    print("from the drawing: " + ", ".join(f"{name} {say.place(v)}" for name, v in drawn.sizes_mm.items()))
    if drawn.left_out:
        print(f"not read: {len(drawn.left_out)} other layer{'s' if drawn.left_out[1:] else ''}")
    return drawn.sizes_mm


def _into_job(args: argparse.Namespace, car: Car) -> None:
    """Keep the car with a job and give it the car's seams; those that it has stay as they are."""
    from pathlib import Path

    from gapvision.workshop import set_car

    with open_store(args) as store:
        job = store.job(args.job)
        added = set_car(store, job.job_id, Path(args.car).read_text(encoding="utf-8-sig"))
    print(f"job {job.reference}: {added} of {len(car.seams)} seams added")
