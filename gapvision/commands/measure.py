"""``gapvision measure``: measure one photo, several, or a folder of them."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from gapvision.commands._lengths import add_check_lines, add_known, known_of, parse_points
from gapvision.errors import GapvisionError
from gapvision.targets.print_scale import print_scales
from gapvision.units import parse_length

if TYPE_CHECKING:
    from gapvision.commands._batch import Order, Outcome
    from gapvision.model import Specification

_KINDS = {"json": ".json", "csv": ".csv", "plot": ".png", "overlay": ".png"}
_EPILOG = """\
Lengths are written as 4.76mm, 0.1875in or 3/16in.  With several photos, --json, --csv, --plot and
--overlay name folders, and each photo gets a file of its own name there.  Exit code: 0 measured,
2 a photo could not be read or an argument not be understood, 3 a photo was refused.
"""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = _EPILOG
    parser.add_argument("photos", nargs="+", metavar="PHOTO", help="photo, or folder of photos")
    parser.add_argument("--nominal", metavar="LENGTH", help="wanted gap, e.g. 3/16in or 4.76mm")
    parser.add_argument("--tol", metavar="LENGTH", help="tolerance either way, e.g. 0.5mm")
    add_check_lines(parser)
    add_known(parser)
    parser.add_argument(
        "--seam", nargs="+", metavar="X,Y", help="two or more points along the seam, pixels of the upright photo"
    )
    parser.add_argument("--edges", default="auto", metavar="auto|rules", help="how edges are found (default: auto)")
    parser.add_argument("--json", metavar="F", help="write the measurement file")
    parser.add_argument("--csv", metavar="F", help="write the stations as a table")
    parser.add_argument("--plot", metavar="F.png", help="draw the profile (png, svg or pdf)")
    parser.add_argument("--overlay", metavar="F.png", help="draw edges and stations on the photo (png or jpg)")


def run(args: argparse.Namespace) -> int:
    """Measure, write what was asked for, print the tables."""
    from gapvision.commands._batch import measure_all, measure_one
    from gapvision.errors import EXIT_OK, EXIT_REFUSED, EXIT_USAGE

    photos, from_folder = list_photos(args.photos)
    spec = specification_of(args.nominal, args.tol)
    orders = make_orders(args, photos, spec, many=from_folder or len(photos) > 1)
    if len(orders) == 1 and not from_folder:
        outcome = measure_one(orders[0])
        if outcome.failed is not None:
            raise GapvisionError(*outcome.failed)
        sys.stdout.write(outcome.table)
        return EXIT_REFUSED if outcome.status == "refused" else EXIT_OK
    outcomes = measure_all(orders)
    _print_many(outcomes, judged=spec is not None)
    if any(o.failed is not None for o in outcomes):
        return EXIT_USAGE
    return EXIT_REFUSED if any(o.status == "refused" for o in outcomes) else EXIT_OK


def list_photos(names: list[str]) -> tuple[list[Path], bool]:
    """Photos named one by one, or every photo of a folder.

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
        if path.is_dir():
            from_folder = True
            inside = find_photos(path)
            photos.update(dict.fromkeys(inside))
        else:
            photos[path] = None
    return list(photos), from_folder


def specification_of(nominal: str | None, tolerance: str | None) -> Specification | None:
    """What is wanted, from the two arguments; both or none."""
    if nominal is None and tolerance is None:
        return None
    if nominal is None or tolerance is None:
        raise GapvisionError(
            "value-out-of-range",
            "A tolerance needs a wanted gap, and a wanted gap a tolerance.",
            "Give both, e.g. --nominal 3/16in --tol 0.5mm.",
        )
    from gapvision.judgement import simple_spec

    around = parse_length(tolerance)
    return simple_spec(parse_length(nominal), around, around)


def make_orders(args: argparse.Namespace, photos: list[Path], spec: Specification | None, *, many: bool) -> list[Order]:
    """One order per photo: where it lies, how to measure it, what to write."""
    from gapvision.commands._batch import Order

    along, across, checked = print_scales(args.check_length, args.check_width)
    if args.edges not in ("auto", "rules"):
        raise GapvisionError(
            "value-out-of-range", f"'{args.edges}' is not a way to find edges.", "Use --edges auto or --edges rules."
        )
    hint = parse_points(args.seam)
    if hint is not None and (many or len(hint) < 2):
        raise GapvisionError(
            "value-out-of-range",
            "Points along the seam are meant for one photo, two points or more.",
            "Measure that photo alone, with two or more points.",
        )
    known = known_of(args)
    names = _own_names(photos)
    orders = []
    for photo, name in zip(photos, names, strict=True):
        outputs = {}
        for kind, ending in _KINDS.items():
            target = getattr(args, kind)
            if target is None:
                continue
            path = Path(target)
            if many and path.suffix and not path.is_dir():
                raise GapvisionError(
                    "value-out-of-range",
                    f"With several photos --{kind} names a folder, not the file '{target}'.",
                    f"Give a folder, e.g. --{kind} results.",
                )
            outputs[kind] = (
                path / f"{name}{'.overlay' if kind == 'overlay' else ''}{ending}" if many or path.is_dir() else path
            )
        orders.append(
            Order(
                photo=photo,
                spec=spec,
                print_scale_along=along,
                print_scale_across=across,
                print_scale_checked=checked,
                seam=hint,
                edges=args.edges,
                known=known,
                outputs=outputs,
            )
        )
    return orders


def _own_names(photos: list[Path]) -> list[str]:
    """Names without ending, told apart by a number where two photos share one."""
    seen: dict[str, int] = {}
    names = []
    for photo in photos:
        seen[photo.stem] = seen.get(photo.stem, 0) + 1
        names.append(photo.stem if seen[photo.stem] == 1 else f"{photo.stem}-{seen[photo.stem]}")
    return names


def _print_many(outcomes: list[Outcome], *, judged: bool) -> None:
    """One line per photo, then why photos were refused or not read."""
    width = max(12, *(len(o.file) for o in outcomes))
    tail = "  out of / not proven [mm]" if judged else ""
    print(f"{'photo':<{width}}  {'status':<8} {'mean':>7} {'min':>7} {'max':>7} {'U':>6} {'stations':>8}{tail}")
    for o in outcomes:
        line = f"{o.file:<{width}}  {o.status:<8} "
        if o.failed is None and o.status != "refused":
            line += f"{o.mean_mm:7.2f} {o.min_mm:7.2f} {o.max_mm:7.2f} {o.u_mm:6.2f} {o.stations:8d}"
            if judged:
                line += f"  {o.out_mm:6.0f} / {o.open_mm:.0f}"
        print(line.rstrip())
    for o in outcomes:
        if o.failed is not None:
            code, message, advice = o.failed
            print(f"{o.file}: {message} {advice} [{code}]")
        for code, message, advice in o.warnings:
            print(f"{o.file}: {message} {advice} [{code}]")
