"""``gapvision import``: take a job from another shop's export."""

from __future__ import annotations

import argparse

from gapvision.commands._records import Bar, add_data, open_store


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "Example, after 'gapvision demo-job' and 'gapvision export DEMO-1 --data gapvision_demo_job': "
        "gapvision import job_DEMO-1.zip --data elsewhere"
    )
    parser.add_argument("zip", metavar="F.zip", help="made by 'gapvision export'")
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Check and store."""
    from gapvision.workshop import import_job

    with open_store(args) as store:
        job = import_job(store, args.zip, progress=Bar("checking"))
        print(job.reference)
    return 0
