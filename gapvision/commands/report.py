"""``gapvision report``: a paper about a job or a visit as PDF, for the customer, the paint shop or an expert."""

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
    parser.add_argument(
        "--for",
        dest="reader",
        choices=("customer", "paint-shop", "expert"),
        default="expert",
        help="who reads it: two pages in plain words, what painting needs, or everything (default: expert)",
    )
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
        name = f"report_{plain_name(job.reference)}" + (f"_{args.reader}" if args.reader != "expert" else "")
        output = outputs_of({"-o": ("pdf", args.output or "./", name)})["-o"]
        how = {"paper": args.paper, "units": args.units, "reader": args.reader}
        pdf = evidence_report(store, job.job_id, visit_id=visit, **how, progress=Bar("drawing seams"))
    write_whole(output, pdf)
    print(f"written: {output}")
    return 0
