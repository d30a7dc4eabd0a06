"""``gapvision demo-job``: an invented job to try things out with, in a data folder of its own."""

from __future__ import annotations

import argparse

from gapvision.commands._records import Bar, open_store

_FOLDER = "gapvision_demo_job"


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = f"Example: gapvision demo-job; then: gapvision job show DEMO-1 --data {_FOLDER}"
    parser.add_argument("--data", metavar="DIR", help=f"data folder to put it into (default: {_FOLDER}, made here)")


def run(args: argparse.Namespace) -> int:
    """Build it, unless it is there; only in a folder of its own with the invented shop's head."""
    from gapvision.demo_job import SHOP, make_demo_job

    own = args.data is None
    args.data = args.data or _FOLDER
    with open_store(args) as store:
        print(make_demo_job(store, Bar("results")).reference)
        if own and not store.shop().name:
            store.set_shop(**SHOP)
    if own:
        print(f"Look at it with: gapvision job show DEMO-1 --data {args.data}")
    return 0
