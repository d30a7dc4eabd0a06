"""``gapvision report``: the evidence report of a job or a visit as PDF."""

from __future__ import annotations

import argparse

from gapvision.commands._args import add_shown
from gapvision.commands._outputs import outputs_of, plain_name
from gapvision.commands._records import Bar, add_data, open_store, visit_of, warn_of_places


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = "Example, after 'gapvision demo-job': gapvision report DEMO-1 --data gapvision_demo_job"
    parser.add_argument("job", help="the job's reference")
    parser.add_argument("-o", "--output", metavar="F.pdf", help="default: a new report_JOB.pdf")
    parser.add_argument("--visit", metavar="STAGE", help="only this visit: its stage, or its day")
    parser.add_argument("--paper", choices=("a4", "letter"), help="default: the shop's setting")
    add_shown(parser)
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Make the report."""
    from gapvision.formats.atomic import write_whole
    from gapvision.workshop import evidence_report

    with open_store(args) as store:
        job = store.job(args.job)
        visit = visit_of(store, job, args.visit)
        warn_of_places(store, job, visit)
        output = outputs_of({"-o": ("pdf", args.output or "./", f"report_{plain_name(job.reference)}")})["-o"]
        pdf = evidence_report(
            store, job.job_id, visit_id=visit, paper=args.paper, units=args.units, progress=Bar("drawing seams")
        )
    write_whole(output, pdf)
    print(f"written: {output}")
    return 0
