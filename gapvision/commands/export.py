"""``gapvision export``: a job as one zip for the next shop."""

from __future__ import annotations

import argparse

from gapvision.commands._records import Bar, add_data, open_store, visit_of


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("job", help="the job's reference")
    parser.add_argument("-o", "--output", required=True, metavar="F.zip")
    parser.add_argument("--visit", metavar="STAGE", help="only this visit: its stage, or its day")
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Write the zip."""
    from gapvision.formats.atomic import check_whole
    from gapvision.workshop import export_job

    with open_store(args) as store:
        job = store.job(args.job)
        visit = visit_of(store, job, args.visit)
        check_whole(args.output)
        seal = export_job(store, job.job_id, args.output, visit_id=visit, progress=Bar("packing"))
    print(f"written: {args.output}\nseal: {seal}")
    print("Note the seal: 'gapvision verify' shows it again, and only an unaltered zip has it.")
    return 0
