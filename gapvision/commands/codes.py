"""``gapvision codes``: every refusal, warning and note, and what to do about it."""

from __future__ import annotations

import argparse
import textwrap

from gapvision.codes import CODES
from gapvision.errors import EXIT_OK, EXIT_REFUSED, EXIT_USAGE

_EXIT = {"refusal": EXIT_REFUSED, "warning": EXIT_OK, "note": EXIT_OK, "usage": EXIT_USAGE}
_HEAD = """# Codes

Every refusal, warning and note has a code. A refused photo is not measured; a warning says that a person must look;
a note is good to know; usage is an argument or a file that cannot be used. This page is written by
`gapvision codes --markdown`.

| code | kind | exit code | what it says | what to do |
| --- | --- | --- | --- | --- |
"""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "Example: gapvision codes"
    )
    parser.add_argument("--markdown", action="store_true", help="as a table in Markdown")


def run(args: argparse.Namespace) -> int:
    """Print them, refusals first."""
    entries = [c for kind in _EXIT for c in sorted(CODES.values(), key=lambda c: c.name) if c.kind == kind]
    if args.markdown:
        rows = (f"| `{c.name}` | {c.kind} | {_EXIT[c.kind]} | {c.text} | {c.next_step} |\n" for c in entries)
        print(_HEAD + "".join(rows), end="")
        return EXIT_OK
    for c in entries:
        print(f"{c.name} ({c.kind}, exit code {_EXIT[c.kind]})")
        print(textwrap.fill(f"{c.text} {c.next_step}", 79, initial_indent="  ", subsequent_indent="  "))
    return EXIT_OK
