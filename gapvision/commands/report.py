"""``gapvision report``: the evidence report of a job or a visit as PDF."""

from __future__ import annotations

import argparse

from gapvision.commands._records import Bar, add_data, open_store, visit_of


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument("job", help="the job's reference")
    parser.add_argument("-o", "--output", required=True, metavar="F.pdf")
    parser.add_argument("--visit", metavar="STAGE", help="only this visit: its stage, or its day")
    parser.add_argument("--paper", choices=("a4", "letter"), help="default: the shop's setting")
    parser.add_argument("--units", choices=("mm", "inch"), help="which stands first; default: the shop's setting")
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Make the report."""
    from gapvision.formats.atomic import check_whole, write_whole
    from gapvision.workshop import evidence_report

    with open_store(args) as store:
        job = store.job(args.job)
        visit = visit_of(store, job, args.visit)
        check_whole(args.output)
        pdf = evidence_report(
            store, job.job_id, visit_id=visit, paper=args.paper, units=args.units, progress=Bar("drawing seams")
        )
    write_whole(args.output, pdf)
    print(f"written: {args.output}")
    return 0
