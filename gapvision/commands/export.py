"""``gapvision export``: a job as one zip for the next shop."""

from __future__ import annotations

import argparse

from gapvision.commands._records import Bar, add_data, open_store, visit_of, warn_of_places


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = "Example, after 'gapvision demo-job': gapvision export DEMO-1 --data gapvision_demo_job"
    parser.add_argument("job", help="the job's reference")
    parser.add_argument("-o", "--output", metavar="F.zip", help="default: a new job_JOB.zip")
    parser.add_argument("--visit", metavar="STAGE", help="only this visit: its stage, or its day")
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Write the zip."""
    from gapvision.commands._outputs import outputs_of, plain_name
    from gapvision.formats.package import Package
    from gapvision.workshop import export_job

    with open_store(args) as store:
        job = store.job(args.job)
        visit = visit_of(store, job, args.visit)
        warn_of_places(store, job, visit)
        output = outputs_of({"-o": ("zip", args.output or "./", f"job_{plain_name(job.reference)}")})["-o"]
        seal = export_job(store, job.job_id, output, visit_id=visit, progress=Bar("packing"))
    with Package(output) as package:
        for said in package.manifest.get("missing", ()):
            print(f"missing: {said}")
    print(f"written: {output}\nseal: {seal}")
    print("Note the seal: 'gapvision verify' shows it again, and only an unaltered zip has it.")
    return 0
