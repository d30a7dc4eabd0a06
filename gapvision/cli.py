"""The command line: parse, call, show; no measuring and no judging here.

Each sub-command lives in its own module of :mod:`gapvision.commands` and is
imported only when it is called, so that ``gapvision --help`` starts at once.
"""

from __future__ import annotations

import argparse
import re
import sys
from collections.abc import Sequence
from importlib import import_module

from gapvision import __version__
from gapvision.codes import CODES
from gapvision.errors import EXIT_OK, EXIT_REFUSED, EXIT_USAGE, GapvisionError

#: Sub-command -> (module in gapvision.commands, one-line help). Each module has
#: ``configure(parser)`` and ``run(args) -> int``.
COMMANDS: dict[str, tuple[str, str]] = {
    "measure": ("measure", "measure photos of a seam"),
    "strips": ("strips", "write a sheet of strips to print"),
    "judge": ("judge", "say whether a measured seam is in tolerance, and with what certainty"),
    "page": ("page", "open the page on this machine, or with --lan on the workshop's network"),
    "plan": ("plan", "say what to move, trim or build up on a panel, where and by how much"),
    "template": ("template", "draw the new edge at true scale, to scribe or to cut by"),
    "demo": ("demo", "measure a sample photo and show where the plot is"),
    "job": ("job", "open, list, show and change jobs"),
    "add": ("add", "measure photos of a seam and store them in a job"),
    "compare": ("compare", "compare two measurements of a seam"),
    "report": ("report", "write the evidence report of a job"),
    "export": ("export", "write a job as one zip with its photos"),
    "import": ("import_", "take a job from an export"),
    "verify": ("verify", "say whether an export, or the data folder, was altered"),
    "backup": ("backup", "copy all records while the program runs"),
    "shop": ("shop", "set the shop's name, logo, paper and units"),
    "codes": ("codes", "list every refusal, warning and note with what to do about it"),
    "demo-job": ("demo_job", "build an invented job to try things out"),
}


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """Build the parser; load the module of ``only`` (or of every command when None)."""
    parser = argparse.ArgumentParser(prog="gapvision", description="The gap along a panel seam, from one photo.")
    parser.add_argument("--version", action="version", version=f"gapvision {__version__}")
    sub = parser.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name, (module, text) in COMMANDS.items():
        child = sub.add_parser(name, help=text, description=text[0].upper() + text[1:] + ".")
        if only is None or only == name:
            import_module(f"gapvision.commands.{module}").configure(child)
    return parser


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit code.

    Returns
    -------
    int
        0 done, 1 a negative answer (see the command), 2 wrong usage or
        unreadable input, 3 photo refused.
    """
    words = _join_minus(list(sys.argv[1:] if argv is None else argv))
    wanted = next((w for w in words if w in COMMANDS), "")
    try:
        args = build_parser(wanted).parse_args(words)
        return int(import_module(f"gapvision.commands.{COMMANDS[args.command][0]}").run(args))
    except GapvisionError as error:
        sys.stderr.write(f"gapvision: {error} [{error.code}]\n")
        return EXIT_USAGE if CODES[error.code].kind == "usage" else EXIT_REFUSED
    except BrokenPipeError:
        return EXIT_OK
    except KeyboardInterrupt:
        sys.stderr.write("gapvision: stopped.\n")
        return 130


def _join_minus(words: list[str]) -> list[str]:
    """Join an option and a length below zero (``--step -0.8mm``): argparse would take the length for an option."""
    out: list[str] = []
    for word in words:
        if out and re.fullmatch(r"--[a-z][a-z-]*", out[-1]) and re.fullmatch(r'-[.,]?\d.*[a-zµμ"″]', word):
            out[-1] += f"={word}"
        else:
            out.append(word)
    return out


if __name__ == "__main__":
    sys.exit(main())
