"""``gapvision sign``: the shop's key, its signature on a file, and a time stamp that somebody else gives.

One function for each action: see ``_ACTIONS`` at the end.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path

from gapvision.commands._records import add_data
from gapvision.errors import EXIT_NO, EXIT_OK, GapvisionError


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the actions."""
    parser.epilog = f"Example{_ACTIONS['file'][2]}"
    sub = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    for name, (text, _, example) in _ACTIONS.items():
        child = sub.add_parser(name, help=text)
        child.epilog = f"Example{example}"
        if name != "key":
            child.add_argument("file", help="an export, a report, or any other file")
        if name in ("key", "file"):
            child.add_argument("--key", metavar="F.key", help="default: shop.key in the data folder")
            add_data(child)
        if name == "check":
            child.add_argument("--by", metavar="F.pub", help="the public half of the key that must have signed")
            child.add_argument("--root", metavar="F.pem", help="the time stamp service's certificate: checks F.tsr too")


def run(args: argparse.Namespace) -> int:
    """Do the action."""
    return _ACTIONS[args.action][1](args)


def _key_of(args: argparse.Namespace) -> Path:
    from gapvision.formats.signing import KEY
    from gapvision.records import data_folder

    return Path(args.key) if args.key else data_folder(args.data) / KEY


def _key(args: argparse.Namespace) -> int:
    from gapvision.formats.atomic import make_folder
    from gapvision.formats.signing import PUBLIC, make_key, public_of

    path = _key_of(args)
    if path.exists():
        print(f"the shop's key: {path}")
        public = public_of(path)
    else:
        make_folder(path.parent)
        public = make_key(path)
        print(f"made: {path}, for your eyes alone; copy it to a safe place")
    print(f"public half: {public}\nGive away {path.with_suffix(Path(PUBLIC).suffix)}: with it anyone can check.")
    return EXIT_OK


def _file(args: argparse.Namespace) -> int:
    from gapvision.formats.signing import sign

    print(f"written: {sign(Path(args.file), _key_of(args))}")
    return EXIT_OK


def _ask(args: argparse.Namespace) -> int:
    from gapvision.formats.signing import ask_for_stamp

    written = ask_for_stamp(Path(args.file))
    print(f"written: {written}\nSend it to a time stamp service (RFC 3161); keep its answer as {args.file}.tsr.")
    return EXIT_OK


def _check(args: argparse.Namespace) -> int:
    from gapvision.formats.signing import beside, check_signature, check_stamp, public_of

    path, wrong, told = Path(args.file), list[str](), list[str]()
    try:
        if beside(path, ".signature").exists() or args.by or not args.root:
            key, at = check_signature(path)
            told.append(f"signed: {at}, by the clock of who signed, with the key {key}")
            if args.by and public_of(Path(args.by)) != key:
                wrong.append(f"signed with another key than that of {args.by}")
        if args.root:
            at = check_stamp(path, beside(path, ".tsr"), Path(args.root))
            told.append(f"time stamp: {at}, by the service")
    except GapvisionError as error:
        if error.code not in ("signature-bad", "time-stamp-bad"):
            raise
        wrong.append(error.message)
    print(*told, *wrong, "altered" if wrong else "right", sep="\n")
    return EXIT_NO if wrong else EXIT_OK


#: Action -> its help, its function, an example.
_ACTIONS: dict[str, tuple[str, Callable[[argparse.Namespace], int], str]] = {
    "key": ("make the shop's key, or show its public half", _key, ": gapvision sign key"),
    "file": ("sign a file: its signature lies beside it", _file, ": gapvision sign file job_17.zip"),
    "ask": ("write the request for a time stamp of a file", _ask, ": gapvision sign ask job_17.zip"),
    "check": ("say whether signature and time stamp are right", _check,
              ": gapvision sign check job_17.zip --by shop.pub"),
}  # fmt: skip
