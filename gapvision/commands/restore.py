"""``gapvision restore``: take a backup back."""

from __future__ import annotations

import argparse
from pathlib import Path

from gapvision.commands._records import Bar, add_data, show_backup
from gapvision.errors import EXIT_NO, EXIT_OK


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "--data names the new, empty folder. Exit code 1: a photo is missing. "
        "Example, after 'gapvision backup copies': gapvision restore copies --data restored"
    )
    parser.add_argument("folder", metavar="FOLDER", help="written by 'gapvision backup'")
    parser.add_argument("--generation", default="", metavar="DAY", help="default: the newest that is sound")
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Copy back."""
    from gapvision.formats.data_folder import copy_told
    from gapvision.records import data_folder, restore

    source, target = Path(args.folder), data_folder(args.data)
    done = restore(source, target, args.generation, Bar("copying photos"))
    copy_told(source, target)
    show_backup(f"restored to {target}", done)
    return EXIT_NO if done.missing else EXIT_OK
