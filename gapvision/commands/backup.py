"""``gapvision backup``: copy the records while the program runs."""

from __future__ import annotations

import argparse
from pathlib import Path

from gapvision.commands._records import Bar, add_data, open_store, show_backup
from gapvision.errors import EXIT_NO, EXIT_OK


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "The last ten backups are kept, and one of each month before; the folder opens with --data. Exit code 1: a "
        "photo is missing. Example, after 'gapvision demo-job': gapvision backup copies --data gapvision_demo_job"
    )
    parser.add_argument("folder", metavar="FOLDER", help="where to, best on another disk")
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Copy."""
    from gapvision.formats.data_folder import copy_told
    from gapvision.records import back_up, data_folder

    with open_store(args) as store:
        done = back_up(store, Path(args.folder), Bar("copying photos"))
    copy_told(data_folder(args.data), Path(args.folder))
    show_backup(f"backed up to {args.folder}, and opened there", done)
    return EXIT_NO if done.missing else EXIT_OK
