"""``gapvision compare``: two measurements of a seam, before and after, or left and right."""

from __future__ import annotations

import argparse
import json
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gapvision import words
from gapvision.commands._args import add_shown, nonsense, parse_point, say_of
from gapvision.commands._records import add_data, choose_line, open_store, picked, show_table
from gapvision.errors import GapvisionError
from gapvision.units import parse_length

if TYPE_CHECKING:
    from gapvision.model import Comparison

_EPILOG = """\
Two measurement files can be compared, too. Example, after 'gapvision demo-job':
  gapvision compare DEMO-1 "left door, rear edge" --data gapvision_demo_job
"""


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = _EPILOG
    parser.formatter_class = argparse.RawDescriptionHelpFormatter
    parser.add_argument("first", metavar="JOB", help="the job's reference, or a measurement file")
    parser.add_argument("second", metavar="SEAM", help="the seam's name, or a second measurement file")
    parser.add_argument(
        "--before", default="first", metavar="WHICH", help="stage or measurement number (default: first)"
    )
    parser.add_argument("--after", default="last", metavar="WHICH", help="stage or measurement number (default: last)")
    parser.add_argument(
        "--with", dest="other", metavar="SEAM", help="compare with this seam (left and right are mirrored)"
    )
    parser.add_argument(
        "--datum",
        choices=("align", "strip", "mark"),
        default=None,
        help="how the two are laid on each other: best alignment (default), a strip that was left in its "
        "place, or marks tapped in both photos",
    )
    parser.add_argument(
        "--mark",
        nargs=2,
        type=parse_point,
        action="append",
        metavar=("X,Y", "X,Y"),
        help="the same mark in the photo before and in the one after, pixels; may be repeated",
    )
    parser.add_argument("--mirror", action="store_true", help="mirror the second measurement file")
    parser.add_argument(
        "--nominal", type=parse_length, metavar="LENGTH", help="wanted gap: says what got better and worse"
    )
    text = "only this coat went on in between: tell its film, keep it for the job"
    parser.add_argument("--coat", metavar="KIND", help=text)
    parser.add_argument("--coats", type=int, default=1, metavar="N", help="how many coats of it (default: 1)")
    parser.add_argument("--coat-on", choices=("both", "panel", "neighbour"), default="both", help="which edges took it")
    parser.add_argument("--json", metavar="F", help="write the comparison")
    add_shown(parser)
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Compare, print, write."""
    from gapvision.commands._outputs import outputs_of
    from gapvision.formats.atomic import write_whole
    from gapvision.formats.measurement_json import read
    from gapvision.workshop import compare_lines, compare_measurements

    marks = [(pair[0], pair[1]) for pair in args.mark or []]
    datum = args.datum or ("mark" if marks else "align")
    nominal, say = args.nominal, say_of(args)
    two_files = Path(args.first).suffix.lower() == ".json" and Path(args.second).suffix.lower() == ".json"
    of_records = args.other is not None or (args.before, args.after) != ("first", "last")
    if (marks and datum != "mark") or (args.mirror if not two_files else of_records):
        said = "--mark goes with --datum mark, --mirror with two files, --with, --before and --after with a job's seam."
        raise nonsense(said, "Leave out what does not belong.")
    if args.coat and args.other is not None:
        raise nonsense("--coat tells what one seam took, --with names another seam.", "Leave out one of them.")
    inputs = [args.first, args.second] if two_files else []
    output = outputs_of({"--json": ("json", args.json, "comparison")}, inputs).get("--json")
    if two_files:
        files = [read(args.first), read(args.second)]
        result = compare_measurements(*files, datum=datum, marks=marks, mirror=args.mirror, nominal_mm=nominal)
        print(f"before: {args.first}\nafter:  {args.second}")
        notices = list(result.notices)
        _tell(result, notices, say)
        found: dict[str, Any] = {"before": args.first, "after": args.second}
    else:
        with open_store(args) as store:
            job = store.job(args.first)
            seam = store.find_seam(job.job_id, args.second)
            other = store.find_seam(job.job_id, args.other) if args.other else seam
            before = choose_line(
                store, job, seam, args.before if args.other is None or args.before != "first" else "last"
            )
            after = choose_line(store, job, other, args.after)
            if before.measurement_id == after.measurement_id:
                raise GapvisionError(
                    "measurement-not-found",
                    f"Seam '{seam.name}' has only one measurement to compare.",
                    "Add a photo of another stage, or name two with --before and --after.",
                )
            both = compare_lines(store, before, after, datum=datum, marks=marks, nominal_mm=nominal)
        result = both.comparison
        for word, s, x in (("before", seam, before), ("after", other, after)):
            verdict = f", {x.verdict.decision}" if x.verdict else ""
            print(f"{word + ':':<8}no. {x.measurement_id}, {s.full_name}, {x.visit.stage}, {x.visit.on_date}{verdict}")
        notices = list(both.notices)
        _tell(result, notices, say)
        if both.thermal is not None and both.thermal_panel_only is not None:
            print(words.heat(both.thermal.per_side_mm, both.thermal_panel_only.per_side_mm, say))
        found = {"job": job.reference, "before": before.measurement_id, "after": after.measurement_id}
    if args.coat:
        _film(args, result, found.get("job"), say)
    if output is not None:
        told = {"notices": [words.notice_dict(n) for n in notices]}
        write_whole(output, json.dumps(found | comparison_dict(result) | told, indent=1).encode())
        print(f"written: {output}")
    return 0


def _film(args: argparse.Namespace, result: Comparison, job: str | None, say: words.Lengths) -> None:
    """Tell what a coat took, keep it for the job, and say whether the shop's jobs agree."""
    from gapvision.formats.data_folder import data_folder
    from gapvision.formats.film_file import add_film, read_films
    from gapvision.judgement import agreed_um, film_taken

    if not 1 <= args.coats <= 20:
        raise nonsense(f"{args.coats} coats make no sense.", "Give how many coats went on, 1 to 20.")
    taken = film_taken(result.mean_change_mm, result.mean_u_mm, args.coat, args.coats, args.coat_on, job or "")
    told = f"{say.film(taken.film_um)}, U {say.film(taken.expanded_u_um)}"
    print(f"{args.coat}, one coat on one edge: {told} (k = 2).")
    if job is None:
        print("It is kept for a job of the records only.")
        return
    folder = data_folder(args.data)
    add_film(folder, taken)
    own = [x for x in read_films(folder) if x.kind == args.coat]
    agreed = agreed_um(own)
    if agreed is None:
        print(f"Kept. {len(own)} job(s) so far; it is used once three agree within U.")
    else:
        print(f"Kept. {len(own)} jobs agree: from now on {say.film(*agreed)} instead of the data sheet's range.")


#: What the file's published form calls a gap that got tighter.
_FILE_STATES = {"tighter": "narrower"}


def comparison_dict(c: Comparison) -> dict[str, Any]:
    """Put a comparison into plain numbers and texts."""
    columns = zip(c.s_mm, c.before_mm, c.after_mm, c.change_mm, c.expanded_u_mm, strict=True)
    names = ("s_mm", "before_mm", "after_mm", "change_mm", "u_mm")
    return {
        "schema": "gapvision-comparison/1",
        "datum": {"kind": c.datum.kind, "words": words.datum(c.datum), **picked(c.datum, "shift_mm", "std_u_mm")},
        "mirrored": c.mirrored,
        **picked(c, "mean_change_mm", "mean_u_mm", "wider_mm"),
        "narrower_mm": c.tighter_mm,
        **picked(c, "unproven_mm", "better_mm", "worse_mm"),
        "spans": [
            {
                "state": _FILE_STATES.get(s.state, s.state),
                **picked(s, "from_mm", "to_mm", "largest_mm", "at_mm"),
                "u_mm": s.expanded_u_mm,
            }
            for s in c.spans
        ],
        "stations": [
            {name: round(float(value), 3 if name == "s_mm" else 4) for name, value in zip(names, values, strict=True)}
            | {"state": _FILE_STATES.get(state, state)}
            for values, state in zip(columns, c.state, strict=True)
        ],
    }


def _tell(c: Comparison, notices: list[Any], say: words.Lengths) -> None:
    first = [n for n in notices if n.code == "maybe-two-seams"]  # before anything is called a change
    print("\n".join([*(words.notice_line(n, say) for n in first), *words.change(c, say)]))
    rows = [
        (s.state, say.place(s.from_mm), say.place(s.to_mm), say.small(s.largest_mm, signed=True), say.place(s.at_mm),
         say.small(s.expanded_u_mm))
        for s in c.spans
    ]  # fmt: skip
    if rows:
        show_table(rows, ("change", "from", "to", "largest", "at", "U"))
    for n in notices:
        if n not in first:
            print(words.notice_line(n, say))
