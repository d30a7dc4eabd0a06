"""``gapvision strips``: write a sheet of strips to print, with its own number."""

from __future__ import annotations

import argparse
from pathlib import Path

from gapvision.errors import GapvisionError


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = "Example: gapvision strips --paper letter --letters A,E"
    parser.add_argument("--paper", default="a4", metavar="a4|letter", help="paper in the printer (default: a4)")
    parser.add_argument("--letters", default="A-D", metavar="A-D", help="strips to print, A to H, e.g. A-D or A,C")
    text = "which of them are short, 120 mm: for fuel flaps, lamp covers, the ends of sills"
    parser.add_argument("--short", metavar="C,D", help=text)
    parser.add_argument("--no-number", action="store_true", help="no sheet's number: nothing is remembered of it")
    parser.add_argument("-o", "--output", default="strips.pdf", metavar="FILE.pdf", help="where to write the sheet")


def run(args: argparse.Namespace) -> int:
    """Write the sheet and say how to print it."""
    from gapvision.reports.target_sheet import parse_letters, sheets_needed, write_target_sheet
    from gapvision.targets.sheet_code import draw_sheet_number, sheet_text

    letters = parse_letters(args.letters)
    short = parse_letters(args.short) if args.short else ""
    path = Path(args.output)
    if path.suffix.lower() != ".pdf":
        raise GapvisionError(
            "folder-not-writable", f"'{path}' does not end in .pdf.", "Give a file name like strips.pdf."
        )
    sheets = [] if args.no_number else [draw_sheet_number() for _ in range(sheets_needed(letters))]
    write_target_sheet(path, letters, args.paper, sheets, short)
    print(f"Wrote {path}: strip{'s' if len(letters) > 1 else ''} {', '.join(letters)} and a page that shows their use.")
    if not sheets:
        print('Print it at 100 % ("actual size"), measure both check lines with a steel rule and keep the numbers.')
        return 0
    print(f"It is sheet {' and '.join(sheet_text(n) for n in sheets)}: print it once, copy it never.")
    print('Print at 100 % ("actual size"), measure both check lines with a steel rule, and tell them once, like:')
    for sheet in sheets:
        print(f"  gapvision sheet {sheet} --check-length 198.6mm --check-width 149.2mm")
    return 0
