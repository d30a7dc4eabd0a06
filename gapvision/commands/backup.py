"""``gapvision backup``: copy the records while the program runs."""

from __future__ import annotations

import argparse
from pathlib import Path

from gapvision.commands._records import Bar, add_data, open_store


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "The backup is itself a data folder: open it with --data. A later backup copies only new photos. "
        "Example, after 'gapvision demo-job': gapvision backup copies --data gapvision_demo_job"
    )
    parser.add_argument("folder", metavar="FOLDER", help="where to, best on another disk")
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Copy."""
    from gapvision.formats.settings_file import copy_settings
    from gapvision.formats.sheet_file import copy_sheets
    from gapvision.records import data_folder

    with open_store(args) as store:
        copied = store.backup(Path(args.folder), Bar("copying photos"))
    copy_settings(data_folder(args.data), Path(args.folder))
    copy_sheets(data_folder(args.data), Path(args.folder))
    print(f"backed up to {args.folder}: the database and {copied} new photos")
    return 0
