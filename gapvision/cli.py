"""The command line: parse, call, show; no measuring and no judging here.

Each sub-command lives in its own module of :mod:`gapvision.commands` and is
imported only when it is called, so that ``gapvision --help`` starts at once.
"""

from __future__ import annotations

import argparse
import difflib
import os
import re
import sys
from collections.abc import Sequence
from importlib import import_module
from typing import Any, NoReturn

from gapvision import __version__
from gapvision.codes import CODES
from gapvision.errors import EXIT_OK, EXIT_REFUSED, EXIT_USAGE, GapvisionError

#: Sub-command -> (module in gapvision.commands, one-line help). Each module has
#: ``configure(parser)`` and ``run(args) -> int``.
COMMANDS: dict[str, tuple[str, str]] = {
    "measure": ("measure", "measure photos of a seam, and judge them where a wanted gap is known"),
    "strips": ("strips", "write a sheet of strips to print"),
    "sheet": ("sheet", "remember what the check lines of a printed sheet measure"),
    "prove": ("prove", "prove a phone on gauge pieces, and let its figures count in U"),
    "judge": ("judge", "say whether a measured seam is in tolerance, and with what certainty"),
    "page": ("page", "open the page on this machine, or with --lan on the workshop's network"),
    "car": ("car", "write a whole car's file, show and draw the state of its seams"),
    "plan": ("plan", "say what to move, trim or build up on a panel or a whole car, where and by how much"),
    "template": ("template", "draw the new edge at true scale, to scribe or to cut by"),
    "demo": ("demo", "measure a sample photo and show where the plot is"),
    "job": ("job", "open, list, show and change jobs"),
    "add": ("add", "measure photos of a seam and store them in a job"),
    "compare": ("compare", "compare two measurements of a seam"),
    "report": ("report", "write the evidence report of a job"),
    "export": ("export", "write a job as one zip with its photos"),
    "import": ("import_", "take a job from an export"),
    "verify": ("verify", "say whether an export, or the data folder, was altered"),
    "sign": ("sign", "sign an export or report with the shop's key, ask for a time stamp, check both"),
    "backup": ("backup", "copy all records while the program runs"),
    "restore": ("restore", "take a backup back into an empty folder"),
    "shop": ("shop", "set the shop's name, logo, paper, units, and what gap it wants"),
    "codes": ("codes", "list every refusal, warning and note with what to do about it"),
    "demo-job": ("demo_job", "build an invented job to try things out"),
}
_FIRST = """\
gapvision gives the gap along a panel seam, from one phone photo with a printed strip beside it.

  gapvision demo                             measures a sample photo; nothing to print
  gapvision strips                           writes the sheet to print and to lay beside the seam
  gapvision seam.jpg --nominal 3/16in        measures and judges your photo
  gapvision page                             does all of it in the browser, also for a phone

All commands: gapvision --help
"""
_NEAR = 0.6
#: Exit code of a command that Ctrl+C stopped, as shells have it.
_STOPPED = 130


class _OneScreen(argparse.HelpFormatter):
    """Help without empty lines, its options wider and its usage shorter than usual, so that it stays on one screen."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, max_help_position=28, width=min(int(os.environ.get("COLUMNS", 80)), 100))

    def start_section(self, heading: str | None) -> None:
        """Leave out headings that say nothing."""
        super().start_section(None if heading in ("positional arguments", "options") else heading)

    def format_help(self) -> str:
        """Close up what argparse leaves open."""
        return re.sub(r"\n\n+(?=.)", "\n", super().format_help())

    def add_usage(self, usage: str | None, actions: Any, groups: Any, prefix: str | None = None) -> None:
        """Positional arguments alone; the options follow below anyhow."""
        named = [a for a in actions if not a.option_strings]
        if usage is None and len(actions) > len(named):
            usage = " ".join(["%(prog)s", *([self._format_args(a, a.metavar or a.dest) for a in named]), "[options]"])
        super().add_usage(usage, actions, groups, prefix)


class Parser(argparse.ArgumentParser):
    """A parser whose faults are one sentence with the nearest word."""

    def __init__(self, **options: Any) -> None:
        super().__init__(**dict[str, Any]({"formatter_class": _OneScreen, "add_help": False} | options))
        self.add_argument("-h", "--help", action="help", help=argparse.SUPPRESS)

    def error(self, message: str) -> NoReturn:
        """Refuse what cannot be understood."""
        said, near = message[:1].upper() + message[1:] + ".", ""
        if found := re.search(r"unrecognized arguments: (.*)", message, re.DOTALL):
            word = next((w for w in found[1].split() if w.startswith("-")), found[1].split(" ")[0])
            said = f"'{_plain(word)}' is not known here."
            near = _nearest(word.partition("=")[0], self._option_string_actions)
        elif found := re.search(r"invalid choice: '(.*)' \(choose from (.*)\)", message, re.DOTALL):
            choices = re.findall(r"[\w-]+", found[2])
            said, near = f"'{_plain(found[1])}' is not known here.", _nearest(found[1], choices)
            near = near or (f"Choose {' or '.join(choices)}." if len(choices) < 4 else "")
        raise GapvisionError("command-not-understood", _plain(said), near or f"See '{self.prog} --help'.")


def build_parser(only: str | None = None) -> argparse.ArgumentParser:
    """Build the parser; load the module of ``only`` (or of every command when None)."""
    parser = Parser(prog="gapvision", description="The gap along a panel seam, from one photo.")
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
    if "_ARGCOMPLETE" in os.environ:  # the shell asks how a line can go on
        import argcomplete

        argcomplete.autocomplete(build_parser())
    words = _join_minus(list(sys.argv[1:] if argv is None else argv))
    for stream in (sys.stdout, sys.stderr):  # a file's name may hold what the terminal cannot show
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
    try:
        if not words:
            sys.stdout.write(_FIRST)
            return EXIT_OK
        if any("\0" in word for word in words):
            raise GapvisionError("command-not-understood", "A word holds a character that no name can have.")
        words = _with_command(words)
        args = _parse(words)
        return int(import_module(f"gapvision.commands.{COMMANDS[args.command][0]}").run(args))
    except GapvisionError as error:
        sys.stderr.write(f"gapvision: {error} [{error.code}]\n")
        return EXIT_USAGE if CODES[error.code].kind == "usage" else EXIT_REFUSED
    except BrokenPipeError:
        return EXIT_OK
    except OSError as error:  # what no command foresaw of a name, a folder or a disk
        said = f"'{_plain(str(error.filename))}' cannot be used: {error.strerror}."
        sys.stderr.write(f"gapvision: {said} [file-not-found]\n")
        return EXIT_USAGE
    except KeyboardInterrupt:
        sys.stderr.write("gapvision: stopped.\n")
        return _STOPPED


def program() -> int:
    """Run one command as a program of its own, which Ctrl+C ends at once: work begun in threads is not waited for."""
    code = main()
    if code == _STOPPED:
        for stream in (sys.stdout, sys.stderr):
            stream.flush()
        os._exit(code)
    return code


def _parse(words: list[str]) -> Any:
    """Read the arguments; what is unknown is told by the command's own parser, which knows what is near."""
    parser = build_parser(words[0])
    args, unknown = parser.parse_known_args(words)
    if unknown:
        children = next(a for a in parser._actions if isinstance(a, argparse._SubParsersAction))
        child = children.choices[args.command]
        inner = next((a for a in child._actions if isinstance(a, argparse._SubParsersAction)), None)
        (inner.choices[args.action] if inner else child).error(f"unrecognized arguments: {' '.join(unknown)}")
    return args


def _with_command(words: list[str]) -> list[str]:
    """Put 'measure' before a photo or a folder that is named alone; a misspelt command is told."""
    first = words[0]
    if first in COMMANDS or first in ("-h", "--help", "--version"):
        return words
    photos = [w for w in words if not w.startswith("-") and (os.path.exists(w) or re.search(r"[./\\]", w))]
    if first.startswith("-") and not photos:
        raise GapvisionError("command-not-understood", f"'{_plain(first)}' is not known here.", "")
    if first.startswith("-") or first in photos:
        return ["measure", "--beside", *words]
    near = _nearest(first, COMMANDS) or "Name a photo, a folder of photos, or a command: see 'gapvision --help'."
    raise GapvisionError("command-not-understood", f"There is no command and no photo '{_plain(first)}'.", near)


def _nearest(word: str, known: Any) -> str:
    found = difflib.get_close_matches(word, list(known), 1, _NEAR)
    return f"Did you mean {found[0]}?" if found else ""


def _plain(text: str) -> str:
    """Text of one line that can be shown, whatever was typed."""
    shown = "".join(c if c.isprintable() else "?" for c in text)
    return shown if len(shown) <= 300 else shown[:300] + "…"


def _join_minus(words: list[str]) -> list[str]:
    """Join an option and a length below zero (``--step -0.8mm``): argparse would take the length for an option."""
    out: list[str] = []
    for word in words:
        if out and re.fullmatch(r"--[a-z][a-z-]*", out[-1]) and re.fullmatch(r'[-−][.,]?\d.*[a-zµμ"″]', word):
            out[-1] += f"={word}"
        else:
            out.append(word)
    return out


if __name__ == "__main__":
    sys.exit(program())
