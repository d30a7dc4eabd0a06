"""``gapvision sheet``: the check lines of printed sheets, measured once and remembered."""

from __future__ import annotations

import argparse
from datetime import date

from gapvision.commands._args import nonsense
from gapvision.commands._records import add_data, show_table
from gapvision.errors import GapvisionError
from gapvision.model import SheetCheck


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "The number stands on the sheet and on each of its strips. Photos of them are measured with what is kept here. "
        "Example: gapvision sheet 407122947 --check-length 198.6mm --check-width 149,2mm"
    )
    parser.add_argument("sheet", nargs="*", metavar="NUMBER", help="nine digits; without it, all sheets are listed")
    parser.add_argument("--check-length", metavar="LENGTH", help="what the 200 mm check line measures on that sheet")
    parser.add_argument("--check-width", metavar="LENGTH", help="what the 150 mm check line measures")
    parser.add_argument("--on", metavar="DAY", help="day of measuring, like 2026-03-31; default: today")
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Remember what is given, then show it; or show what is remembered."""
    from gapvision.formats.sheet_file import read_sheets, write_sheet
    from gapvision.records import data_folder
    from gapvision.targets.sheet_code import parse_sheet, sheet_text

    folder, given = data_folder(args.data), args.check_length or args.check_width
    known = {check.sheet: check for check in read_sheets(folder)}
    if not args.sheet:
        if given or args.on:
            raise nonsense("It is not said which sheet that is.", "Give its number, like gapvision sheet 407122947.")
        _show(list(known.values()))
        return 0
    number = parse_sheet(" ".join(args.sheet))
    before = known.get(number)
    if not given:
        if before is None:
            raise GapvisionError(
                "sheet-unchecked", f"The check lines of sheet {sheet_text(number)} were never measured."
            )
        _show([before])
        return 0
    check = _check(number, args)
    write_sheet(folder, check)
    if before is not None:
        print("Before it was:")
        _show([before])
        print("Now it is:")
    _show([check])
    return 0


def _check(number: int, args: argparse.Namespace) -> SheetCheck:
    """What is to be remembered: both lines, because printers do not scale alike both ways."""
    from gapvision.targets.print_scale import print_scales

    for name in ("check_length", "check_width"):
        if not getattr(args, name):
            raise nonsense(
                f"--{name.replace('_', '-')} is missing: printers do not scale alike both ways.",
                "Measure both check lines with a steel rule and give both lengths.",
            )
    along, across, _ = print_scales(args.check_length, args.check_width)
    day = date.today()
    if args.on:
        try:
            day = date.fromisoformat(args.on)
        except ValueError:
            raise nonsense(f"'{args.on}' is not a day.", "Write it like 2026-03-31.") from None
        if day > date.today():
            raise nonsense(f"{args.on} is still to come.", "Give the day on which the lines were measured.")
    return SheetCheck(sheet=number, print_scale_along=along, print_scale_across=across, checked_on=day.isoformat())


def _show(checks: list[SheetCheck]) -> None:
    from gapvision.formats.sheet_file import check_lengths_mm
    from gapvision.targets.sheet_code import sheet_text

    rows = []
    for check in checks:
        along, across = check_lengths_mm(check)
        rows.append((sheet_text(check.sheet), f"{along:.2f} mm", f"{across:.2f} mm", check.checked_on))
    show_table(rows, ("sheet", "200 mm line", "150 mm line", "measured on"), "No sheet's check lines are remembered.")
