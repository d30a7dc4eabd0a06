"""``gapvision demo-job``: an invented job to try things out with."""

from __future__ import annotations

import argparse

from gapvision.commands._records import Bar, add_data, open_store


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Build it, unless it is there."""
    from gapvision.demo_job import make_demo_job

    with open_store(args) as store:
        print(make_demo_job(store, Bar("photos")).reference)
    return 0
