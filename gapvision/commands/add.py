"""``gapvision add``: measure photos of a seam and store them in a job."""

from __future__ import annotations

import argparse
import hashlib
import sys
from datetime import date
from pathlib import Path
from typing import Any

from gapvision.commands._args import (
    add_check_lines,
    add_known,
    add_shown,
    add_wanted,
    decimal,
    given_spec,
    known_of,
    parse_point,
    print_of,
    say_of,
)
from gapvision.commands._records import Bar, add_data, open_store, picked
from gapvision.errors import GapvisionError
from gapvision.model import Measurement, Verdict
from gapvision.records import TICKS
from gapvision.words import Lengths, at_a_glance, coach, notice

_EPILOG = """\
Exit code: 0 stored, 2 unreadable, 3 refused. Example, after 'gapvision demo'
and 'demo-job': gapvision add gapvision_demo/seam.jpg --job DEMO-1 --seam sill
--stage "as found" --data gapvision_demo_job
"""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = _EPILOG
    parser.add_argument("photos", nargs="+", metavar="PHOTO", help="photos of this seam at this stage")
    parser.add_argument("--one-seam", action="store_true", help="up to 40 photos, measured together as one result")
    parser.add_argument("--job", required=True, help="the job's reference")
    parser.add_argument("--seam", required=True, help="its name, like 'left door, rear', or a new one")
    parser.add_argument("--side", default="", choices=("", "left", "right"), help="side of a new seam")
    parser.add_argument("--stage", required=True, help="e.g. 'as found', 'after fit-up', 'after trimming'")
    parser.add_argument("--on", metavar="DAY", help="like 2026-03-31; default: the camera's, else today")
    parser.add_argument("--who", default="", help="who took the photo")
    for name, text in TICKS.items():
        action = argparse.BooleanOptionalAction
        parser.add_argument(f"--{name.split('_')[0]}", dest=name, action=action, default=None, help=text)
    temp = "--metal-temp"
    parser.add_argument("--support", default="", help=f"how the car stands; {temp} C: its degrees")
    parser.add_argument(temp, type=decimal, metavar="C", help=argparse.SUPPRESS)
    add_wanted(parser, rule=False, title="what is wanted of this seam, from now on")
    parser.add_argument("--change-spec", action="store_true", help="replace what the seam is judged by")
    add_check_lines(parser)
    add_known(parser)
    parser.add_argument("--along", nargs="+", type=parse_point, metavar="X,Y", help="points along the seam [px]")
    parser.add_argument("--drop-location", action="store_true", help="store a copy without location data")
    parser.add_argument("--yes", action="store_true", help="a second stage or a doubtful day is right")
    parser.add_argument("--keep-refused", action="store_true", help="store also what cannot be measured")
    add_shown(parser)
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Measure and store."""
    from gapvision.formats.settings_file import read_kept
    from gapvision.formats.specification_file import specification_to_table
    from gapvision.model import Settings
    from gapvision.records import Conditions, data_folder
    from gapvision.workshop import add_photos, clock_of, judge_line, photo_doubts, verdict_of, wants_other

    along = None if args.along is None else tuple(args.along)
    settings = Settings(seam_hint_px=along, **print_of(args), **known_of(args))
    conditions = Conditions(**picked(args, *TICKS), support=args.support, metal_temp_c=args.metal_temp)
    said = conditions != Conditions()
    wanted, say = given_spec(args), say_of(args)
    spec = None if wanted is None else specification_to_table(wanted)
    refused = unreadable = 0
    with open_store(args) as store:
        job = store.job(args.job)
        kept = read_kept(data_folder(args.data), job.reference)
        kept_spec = None if kept.spec is None else specification_to_table(kept.spec)  # a new seam goes by it
        there, seam = _find(store, job, args), None
        visit: Any = None
        if there is not None and wanted is not None and wants_other(there, wanted) and not args.change_spec:
            message = f"Seam '{there.full_name}' has another specification already."
            raise GapvisionError("seam-has-specification", message)
        bar = Bar("measuring")
        groups = [args.photos] if args.one_seam else [[name] for name in args.photos]
        for number, names in enumerate(groups, 1):
            try:
                from gapvision.intake.photo import read_bytes

                files = [read_bytes(name) for name in names]
                clocks = [clock_of(*file) for file in files]
                day = visit.on_date if visit else args.on or (min(filter(None, clocks), default="") or _today())[:10]
                doubts: dict[str, None] = {}
                for (data, file_name), clock in zip(files, clocks, strict=True):
                    about = args.stage, day, hashlib.sha256(data).hexdigest(), clock
                    found = photo_doubts(store, job.job_id, *about, file_name=file_name)
                    doubts |= dict.fromkeys(n.message for n in found)
                if doubts and not args.yes:
                    raise GapvisionError("answer-needed", " ".join(doubts))
                if seam is None:
                    with store.database.saving():
                        seam = there or _new_seam(store, job, args, spec or kept_spec)
                        if wanted is not None and (seam.spec is None or wants_other(seam, wanted)):
                            seam = store.edit_seam(seam.seam_id, spec=spec, who=args.who)
                        visit = store.find_visit(
                            job.job_id,
                            args.stage,
                            on_date=day,
                            who=args.who,
                            conditions=conditions if said else None,
                        )
                line, measurement = add_photos(
                    store,
                    seam,
                    visit,
                    files,
                    settings=settings,
                    drop_location=args.drop_location,
                    keep_refused=args.keep_refused,
                )
                if line is not None:
                    line = judge_line(store, line, kept.rule)
            except GapvisionError as error:
                if len(groups) == 1:
                    raise
                sys.stderr.write(f"{Path(names[0]).name}: {error} [{error.code}]\n")
                unreadable += 1
                continue
            refused += measurement.status == "refused"
            _tell(measurement.photo.file, line, measurement, say)
            if args.one_seam:
                _coach(measurement, None if line is None else verdict_of(store, line, measurement), say)
            if len(groups) > 1:
                bar(number, len(groups))
    return 2 if unreadable else 3 if refused else 0


def _find(store: Any, job: Any, args: argparse.Namespace) -> Any:
    """The seam, or None where it is a new one."""
    try:
        return store.find_seam(job.job_id, args.seam, args.side)
    except GapvisionError as error:
        if error.code != "seam-not-in-job" or "more than one" in error.message:
            raise
    return None


def _new_seam(store: Any, job: Any, args: argparse.Namespace, spec: Any) -> Any:
    """Add the seam and say so."""
    name, side = args.seam, args.side
    first, _, rest = name.partition(" ")
    if not side and first.casefold() in ("left", "right") and rest.strip():
        name, side = rest.strip(), first.casefold()
    seam = store.add_seam(job.job_id, name, side=side, spec=spec)
    print(f"New seam in job {job.reference}: {seam.full_name}")
    return seam


def _today() -> str:
    return date.today().isoformat()


def _coach(measurement: Measurement, verdict: Verdict | None, say: Lengths) -> None:
    from gapvision.judgement.coach import next_photo

    coming = next_photo(measurement)
    if coming is not None:
        print(coach(coming, say, at_a_glance(measurement, verdict, say)))


def _tell(file_name: str, line: Any, measurement: Measurement, say: Lengths) -> None:
    for n in measurement.notices:
        if n.kind != "note":
            print(f"{file_name}: {' '.join(notice(n, say))} [{n.code}]")
    if len(measurement.photos) > 1:
        file_name = f"{len(measurement.photos)} photos together"
    if line is None:
        print(f"{file_name}: refused, not stored")
    elif line.mean_mm is None:
        print(f"{file_name}: refused, stored as measurement {line.measurement_id}")
    else:
        print(
            f"{file_name}: {line.status}, mean gap {say.gap(line.mean_mm)}, {say.gap(line.min_mm)} to"
            f" {say.gap(line.max_mm)}, U {say.small(line.u_mm)}; stored as measurement {line.measurement_id}"
        )
        if line.verdict is not None:
            print(f"{file_name}: {line.verdict.decision} (rule: {line.verdict.rule})")
