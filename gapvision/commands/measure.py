"""``gapvision measure``, and ``gapvision seam.jpg``: measure and judge one photo, several, or a folder of them."""

from __future__ import annotations

import argparse
import os
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from gapvision.commands._args import (
    add_check_lines,
    add_known,
    add_shown,
    add_wanted,
    known_of,
    nonsense,
    parse_point,
    print_of,
    say_of,
    wanted_of,
)
from gapvision.commands._outputs import ENDINGS, OWN_PICTURE, check_outputs, in_folders, is_folder
from gapvision.commands._records import Bar, add_data
from gapvision.errors import EXIT_NO, EXIT_OK, EXIT_REFUSED, EXIT_USAGE, GapvisionError
from gapvision.model import IN

if TYPE_CHECKING:
    from gapvision.commands._batch import Order, Outcome

#: Kind of output -> what its name gets before the ending, in a folder.
_KINDS = {"json": "", "csv": "", "plot": ".plot", "overlay": ".marked"}
#: Exit code of a photo stopped by Ctrl+C, as shells have it.
_STOPPED = 130


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.usage = "gapvision [measure] PHOTO... [--nominal LENGTH] [options]"
    parser.epilog = (
        "Without 'measure', --beside is meant. An output is a file, or a folder/. Exit code: 0 in tolerance or not "
        "judged, 1 not in tolerance, 2 unreadable, 3 refused. "
        "Example, after 'gapvision demo': gapvision gapvision_demo/seam.jpg --nominal 3/16in"
    )
    parser.add_argument("photos", nargs="+", metavar="PHOTO", help="photo, or folder of photos")
    parser.add_argument("--one-seam", action="store_true", help="up to 40 photos of one seam, of a place or along it")
    text = "only one edge is there: its line, for a template"
    parser.add_argument("--one-edge", action="store_true", help=text)
    add_wanted(parser)
    add_known(parser)
    photo = parser.add_argument_group("the photo")
    add_check_lines(photo)
    photo.add_argument("--seam", nargs="+", type=parse_point, metavar="X,Y", help="points along the seam [px]")
    photo.add_argument("--edges", default="auto", metavar="auto|rules", help="how edges are found (default: auto)")
    shown = parser.add_argument_group("what is shown and written")
    add_shown(shown, table="every figure, and a station every 10 mm,")
    shown.add_argument("--json", metavar="F", help="measurement file")
    shown.add_argument("--csv", metavar="F.csv", help="stations as a table, or as a workbook: F.xlsx")
    shown.add_argument("--csv-style", metavar="NAME", help="comma (default), semicolon, tab, or auto")
    shown.add_argument("--plot", metavar="F.png", help="the profile (png, svg or pdf)")
    shown.add_argument("--overlay", metavar="F.jpg", help="the marked photo (jpg or png)")
    shown.add_argument("--beside", action="store_true", help="plot and marked photo beside each photo")
    parser.add_argument("--job", metavar="REF", help="go by what is kept for this job")
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Measure, judge, write what was asked for, say the answer."""
    from gapvision.commands._batch import measure_all, measure_one

    photos, many = list_photos(args.photos)
    if args.one_edge:
        from gapvision.commands._one_edge import run_one_edge

        return run_one_edge(args, photos)
    if args.one_seam:
        from gapvision.several import MOST_PHOTOS

        if len(photos) > MOST_PHOTOS:
            raise GapvisionError("photos-too-many", f"--one-seam was given {len(photos)} photos.")
    orders = make_orders(args, photos, many=not args.one_seam and (many or len(photos) > 1))
    if len(orders) == 1:
        bar = Bar("measuring")
        outcome = measure_one(orders[0], (lambda done, all_: bar(done, all_, "")) if orders[0].others else None)
        if outcome.failed is not None:
            raise GapvisionError(*outcome.failed)
        sys.stdout.write(outcome.told)
        outcomes, stopped = [outcome], False
    else:
        outcomes, stopped = measure_all(orders, Bar("measuring"))
        _print_many(outcomes, judged=orders[0].spec is not None)
        if stopped:
            sys.stderr.write(f"gapvision: stopped; {len(outcomes)} of {len(orders)} photos are done.\n")
    _print_written([p for o in outcomes for p in o.written])
    if orders[0].spec is None and any(o.answer for o in outcomes):
        print("Not judged, because no wanted gap is known. Give one, like --nominal 3/16in,")
        print("or keep one for all photos: gapvision shop --nominal 3/16in --tol 0.5mm")
    for code, message, advice in (x for o in outcomes for x in o.unwritten):
        sys.stderr.write(f"gapvision: {message} {advice} [{code}]\n")
    return _STOPPED if stopped else _exit_code(outcomes)


def _exit_code(outcomes: list[Outcome]) -> int:
    if any(o.failed is not None or o.unwritten for o in outcomes):
        return EXIT_USAGE
    if any(o.status == "refused" for o in outcomes):
        return EXIT_REFUSED
    return EXIT_NO if any(o.state not in ("", IN) for o in outcomes) else EXIT_OK


def list_photos(names: list[str]) -> tuple[list[Path], bool]:
    """Photos named one by one, or every photo of a folder, less what gapvision wrote there.

    Returns
    -------
    photos : list of Path
        Without repeats, in the order given; a folder's photos by name.
    from_folder : bool
        Whether any name was a folder.

    Raises
    ------
    GapvisionError
        ``file-not-found`` when a folder holds no photo.
    """
    from gapvision.intake.photo import find_photos

    photos: dict[Path, None] = {}
    from_folder = False
    for name in names:
        path = Path(name)
        if os.path.isdir(path):
            from_folder = True
            inside = [p for p in find_photos(path) if not OWN_PICTURE.search(p.name)]
            if not inside:
                raise GapvisionError("file-not-found", f"There is no photo in '{name}' but what gapvision drew.")
            photos.update(dict.fromkeys(inside))
        else:
            photos[path] = None
    return list(photos), from_folder


def make_orders(args: argparse.Namespace, photos: list[Path], *, many: bool) -> list[Order]:
    """One order per photo: where it lies, how to measure and judge it, what to write."""
    from gapvision.commands._batch import Order
    from gapvision.model import Settings

    spec, rule = wanted_of(args)
    settings = {"edges": args.edges, **print_of(args), **known_of(args)}
    if args.seam is not None:
        if many or len(args.seam) < 2:
            raise nonsense(
                "Points along the seam are meant for one seam, two points or more.",
                "Measure that photo alone, with two or more points.",
            )
        settings["seam_hint_px"] = tuple(args.seam)
    style = _csv_style(args)
    Settings(**settings)  # refuses nonsense once, and not with every photo
    say, taken, orders = say_of(args), set[str](), []
    # Of one seam, the first by name stands for all; points along the seam are in it.
    first, *others = sorted(photos, key=lambda path: path.name) if args.one_seam else [None]
    for photo in photos if first is None else [first]:
        named = {kind: Path(given) for kind in _KINDS if (given := getattr(args, kind)) and not _folder(given, many)}
        folders = {kind: Path(given) for kind in _KINDS if (given := getattr(args, kind)) and kind not in named}
        if many and named:
            kind, path = next(iter(named.items()))
            if path.suffix:
                raise nonsense(
                    f"With several photos --{kind} names a folder, not the file '{path}'.",
                    f"Give a folder, e.g. --{kind} results/.",
                )
        if args.beside:
            folders |= {kind: photo.parent for kind in ("plot", "overlay") if kind not in named | folders}
        ends = {kind: _KINDS[kind] + ENDINGS[kind][1][0] for kind in folders}
        chosen = in_folders({kind: (folder / photo.stem, ends[kind]) for kind, folder in folders.items()}, taken)
        outputs = {kind: (named | chosen)[kind] for kind in _KINDS if kind in named | chosen}
        check_outputs({f"--{kind}": (kind, path) for kind, path in outputs.items()}, photos)
        orders.append(
            Order(
                photo=photo,
                others=tuple(path for path in others if path is not None),
                coached=args.one_seam,
                spec=spec,
                rule=rule,
                settings=settings,
                outputs=outputs,
                say=say,
                table=args.table,
                csv_style=style,
            )
        )
    return orders


def _csv_style(args: argparse.Namespace) -> str:
    from gapvision.formats.table import STYLES, own_style

    if args.csv_style is None:
        return "comma"
    if not args.csv or args.csv.lower().endswith(".xlsx"):
        raise nonsense("--csv-style belongs to --csv.", "Give --csv F.csv too, or leave it out.")
    if args.csv_style not in (*STYLES, "auto"):
        raise nonsense(f"'{args.csv_style}' is not a style of CSV.", "Choose comma, semicolon, tab or auto.")
    return own_style() if args.csv_style == "auto" else args.csv_style


def _folder(given: str, many: bool) -> bool:
    return is_folder(given) or (many and not Path(given).suffix)


def _print_many(outcomes: list[Outcome], *, judged: bool) -> None:
    """What is wrong where, then a line of numbers per photo, then each notice once."""
    width = max(12, *(len(o.file) for o in outcomes)) if outcomes else 12
    for o in outcomes:
        if judged and o.answer and o.state != IN:
            print(f"{o.file}: {o.state.upper()}. {o.answer}")
    print(f"{'photo':<{width}}  {'verdict':<16} {'mean':>7} {'min':>7} {'max':>7} {'U':>6} {'stations':>8}  [mm]")
    for o in outcomes:
        print(f"{o.file:<{width}}  {o.state or o.status:<16} {o.row}".rstrip())
    said: dict[tuple[str, str, str], list[str]] = {}
    for o in outcomes:
        for notice in (*((o.failed,) if o.failed else ()), *o.notices):
            said.setdefault(notice, []).append(o.file)
    for (code, message, advice), files in said.items():
        who = ", ".join(files[:3]) + (f" and {len(files) - 3} more" if files[3:] else "")
        print(f"{who}: {message} {advice} [{code}]")


def _print_written(paths: list[Path]) -> None:
    if paths:
        shown = [str(p) for p in paths[:4]] + ([f"and {len(paths) - 4} more"] if paths[4:] else [])
        print("written: " + ", ".join(shown))
