"""``gapvision job``: open, list, show, note, delete and bring back jobs.

One function for each action, with its arguments beside it: see ``_ACTIONS`` at the end.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

from gapvision.commands._args import (
    add_kept,
    add_shown,
    add_wanted,
    decimal,
    given_rule,
    keep,
    kept_rows,
    nonsense,
    say_of,
)
from gapvision.commands._records import Bar, add_data, agreed, number, open_store, picked, show_table
from gapvision.errors import GapvisionError, require
from gapvision.units import parse_length

if TYPE_CHECKING:
    from gapvision.records import Job, MeasurementLine, Store
    from gapvision.words import Lengths

_TEXTS = ("reference", "customer", "car", "notes")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the actions."""
    sub = parser.add_subparsers(dest="action", metavar="ACTION", required=True)
    for name, (text, run_action, arguments) in _ACTIONS.items():
        child = sub.add_parser(name, help=text)
        if run_action not in (_new, _list, _undo, _bin):
            child.add_argument("job", help="the job's reference")
        for flags, options in arguments:
            child.add_argument(flags, **options)
        child.epilog = f"Example, after 'gapvision demo-job': {_EXAMPLES[name]} --data gapvision_demo_job"
        if run_action is _show:
            add_shown(child)
        if run_action is _edit:
            add_wanted(child, title="what is wanted, and kept: this job's new seams that say nothing else go by it")
            add_kept(child)
        add_data(child)


def run(args: argparse.Namespace) -> int:
    """Do the action."""
    with open_store(args) as store:
        _ACTIONS[args.action][1](store, args)
    return 0


def _new(store: Store, args: argparse.Namespace) -> None:
    print(store.new_job(**picked(args, *_TEXTS), opened_on=args.opened).reference)


def _list(store: Store, args: argparse.Namespace) -> None:
    lines = store.jobs(" ".join(args.words))
    if args.json:
        counts = ("last_on", "seams", "measured", "in_tolerance", "out_of_tolerance", "not_proven")
        heads = ("reference", "customer", "car", "opened_on", "changed_at")
        _print_json([picked(x.job, *heads) | picked(x, *counts) for x in lines])
        return
    rows = [
        (
            x.job.reference, x.last_on or x.job.opened_on, f"{x.measured}/{x.seams}",
            f"{x.in_tolerance}/{x.out_of_tolerance}/{x.not_proven}", x.job.customer, x.job.car,
        )
        for x in lines
    ]  # fmt: skip
    nothing = "No job has all these words." if args.words else "No job."
    show_table(rows, ("job", "last on", "measured", "in/out/open", "customer", "car"), nothing)


def _show(store: Store, args: argparse.Namespace) -> None:
    job = store.job(args.job)
    lines = store.job_lines(job.job_id)
    if args.json:
        _print_json(_as_dict(store, job, lines))
        return
    say = say_of(args)
    print(f"Job {job.reference}, opened {job.opened_on}")
    if origin := store.origin(job.job_id):
        print(f"  origin: {origin}")
    for head in _TEXTS[1:]:
        if text := getattr(job, head):
            print(f"  {head}: {text}")
    for seam in store.seams(job.job_id):
        print(f"\n{seam.full_name}")
        rows = [
            (
                str(x.measurement_id), x.visit.on_date, x.visit.stage, x.status,
                "-" if x.mean_mm is None else say.gap(x.mean_mm),
                " to ".join("-" if v is None else say.gap_alone(v) for v in (x.min_mm, x.max_mm)),
                "-" if x.u_mm is None else say.small(x.u_mm, alone=True), _decision(store, x, say),
                _photos_of(x) if x.newest else f"{_photos_of(x)} measured again since",
            )
            for x in lines
            if x.seam_id == seam.seam_id
        ]  # fmt: skip
        heads = ("no.", "day", "stage", "status", "mean gap", "min to max", "U", "verdict", "photo")
        show_table(rows, heads, "not measured yet")
    notes = store.notes(job.job_id)
    if notes:
        print("\nNotes")
        for n in notes:
            print(f"  {n.made_at[:10]} {n.who}: {n.text}" if n.who else f"  {n.made_at[:10]}: {n.text}")


def _decision(store: Store, line: MeasurementLine, say: Lengths) -> str:
    """A result's verdict; where its gap is good, by what else it is not in tolerance."""
    from gapvision.words import check_briefly
    from gapvision.workshop import failed_check

    why = failed_check(store, line)
    told = () if why is None else (check_briefly(why, say),)
    return ", ".join((line.verdict.decision if line.verdict else "-", *told))


def _photos_of(line: MeasurementLine) -> str:
    more = len(line.others)
    return line.photo.file_name + (f" and {more} more" if more else "")


def _as_dict(store: Store, job: Job, lines: list[MeasurementLine]) -> dict[str, Any]:
    figures = ("status", "mean_mm", "min_mm", "max_mm", "u_mm", "method_version", "newest")
    seams = [
        picked(seam, "name", "side")
        | {
            "measurements": [
                {"number": x.measurement_id}
                | picked(x.visit, "stage", "on_date", "who")
                | picked(x, *figures)
                | {
                    "photo_sha256": x.photo.sha256,
                    "photos_sha256": [p.sha256 for p in x.photos],
                    "verdict": x.verdict.decision if x.verdict else None,
                    "conditions": asdict(x.visit.conditions),
                }
                for x in lines
                if x.seam_id == seam.seam_id
            ]
        }
        for seam in store.seams(job.job_id)
    ]
    remarks = [n.text for n in store.notes(job.job_id)]
    return picked(job, *_TEXTS, "opened_on") | {"origin": store.origin(job.job_id), "seams": seams, "remarks": remarks}


def _print_json(content: Any) -> None:
    print(json.dumps(content, ensure_ascii=False, indent=1))


def _edit(store: Store, args: argparse.Namespace) -> None:
    from gapvision.formats.settings_file import rename_job
    from gapvision.records import data_folder

    old = store.job(args.job)
    keep(args, old.reference)
    new = store.edit_job(old.job_id, **picked(args, *_TEXTS))
    if new.reference != old.reference:
        rename_job(data_folder(args.data), old.reference, new.reference)
    print(new.reference)
    args.units = None
    for what, text in kept_rows(args, new.reference):
        print(f"  {what}: {text or '-'}")


def _panel(store: Store, args: argparse.Namespace) -> None:
    job = store.job(args.job)
    panel = store.put_panel(job.job_id, args.name, side=args.side, metal=args.metal, length_mm=args.length)
    for name in args.seams:
        store.edit_seam(store.find_seam(job.job_id, name).seam_id, panel_id=panel.panel_id)
    size = f", {panel.length_mm:g} mm across its gaps" if panel.length_mm else ""
    print(f"{panel.full_name}: {panel.metal}{size}")


def _note(store: Store, args: argparse.Namespace) -> None:
    job = store.job(args.job)
    seam_id = store.find_seam(job.job_id, args.seam).seam_id if args.seam else None
    store.add_note(job.job_id, args.text, who=args.who, seam_id=seam_id)
    print("noted")


def _remeasure(store: Store, args: argparse.Namespace) -> None:
    from gapvision.workshop import judge_line, measure_again

    job = store.job(args.job)
    lines = [x for x in store.job_lines(job.job_id) if x.newest]
    if args.seam:
        seam_id = store.find_seam(job.job_id, args.seam).seam_id
        lines = [x for x in lines if x.seam_id == seam_id]
    bar = Bar("measuring")
    rows = []
    for done, old in enumerate(lines, 1):
        new = judge_line(store, measure_again(store, old))
        methods = f"{old.method_version} -> {new.method_version}"
        means = number(old.mean_mm, ".3f"), number(new.mean_mm, ".3f")
        rows.append((str(new.measurement_id), old.visit.stage, methods, *means, new.status))
        bar(done, len(lines))
    show_table(rows, ("no.", "stage", "method", "mean before [mm]", "mean now [mm]", "status"), "No photo.")


def _judge(store: Store, args: argparse.Namespace) -> None:
    from gapvision.formats.finish_file import read_finish
    from gapvision.formats.settings_file import read_kept
    from gapvision.records import data_folder
    from gapvision.workshop import judge_line, set_finish

    job = store.job(args.job)
    rule = given_rule(args) or read_kept(data_folder(args.data), job.reference).rule
    if args.finish:
        set_finish(store, job.job_id, read_finish(args.finish))
    rows = []
    for old in (x for x in store.job_lines(job.job_id) if x.newest and x.status != "refused"):
        line = judge_line(store, old, rule)
        seam = store.seam(line.seam_id)
        said = "no specification" if seam.spec is None or line.verdict is None else line.verdict.decision
        verdict = store.verdict(line.measurement_id) if seam.spec is not None else None
        future = verdict.body.get("forecast") if verdict is not None else None
        rows.append((str(line.measurement_id), seam.full_name, line.visit.stage, said,
                     future["verdict"]["verdict"] if future else "-"))  # fmt: skip
    show_table(rows, ("no.", "seam", "stage", "verdict", "after paint"), "Nothing measured.")


def _plan(store: Store, args: argparse.Namespace) -> None:
    from gapvision.formats.declared import read_file, read_json
    from gapvision.formats.plan_json import plan_from_dict

    job = store.job(args.job)
    where = f"'{Path(args.plan).name}'"
    body = read_json(read_file(args.plan), where, "plan-file-bad")
    plan_from_dict(body, where)  # what cannot be read would stop the report later
    panel = body.get("panel")
    require("plan-file-bad", isinstance(panel, str) and panel.strip() != "", f"{where} names no panel.")
    store.add_plan(job.job_id, panel[:200], body)
    print(f"kept: plan for {panel}")


def _delete(store: Store, args: argparse.Namespace) -> None:
    job = store.job(args.job)
    if args.seam and args.measurement is not None:
        raise nonsense("--seam and --measurement contradict each other.", "Give one of them.")
    if args.measurement is not None:
        line = store.line(args.measurement)
        if line.visit.job_id != job.job_id:
            message = f"Job '{job.reference}' has no measurement {args.measurement}."
            raise GapvisionError("measurement-not-found", message)
        item = store.delete("photo", line.shot_id)
    elif args.seam:
        item = store.delete("seam", store.find_seam(job.job_id, args.seam).seam_id)
    else:
        item = store.delete("job", job.job_id)
    print(f"In the bin: {item.label}. 'gapvision job undo {item.bin_id}' brings it back.")


def _undo(store: Store, args: argparse.Namespace) -> None:
    print(f"Brought back: {store.undo_delete(args.number).label}.")


def _bin(store: Store, args: argparse.Namespace) -> None:
    if args.empty:
        count = len(store.bin())
        what = f"{count} item{'s' if count != 1 else ''} in the bin would be removed for good."
        if count and not args.yes and not agreed(what):
            print("Nothing was removed.")
            return
        items, photos = store.empty_bin()
        print(f"Removed for good: {items} items, {photos} photos.")
        return
    rows = [(str(i.bin_id), i.deleted_at[:16].replace("T", " "), i.label) for i in store.bin()]
    show_table(rows, ("no.", "deleted (UTC)", "what"), "The bin is empty.")


def _argument(flags: str, **options: Any) -> tuple[str, dict[str, Any]]:
    return flags, options


#: Action -> a line that works on the demo job.
_EXAMPLES = {
    "new": 'gapvision job new --car "saloon"',
    "list": "gapvision job list",
    "show": "gapvision job show DEMO-1",
    "edit": "gapvision job edit DEMO-1 --nominal 3/16in",
    "panel": "gapvision job panel DEMO-1 sill --metal steel",
    "note": 'gapvision job note DEMO-1 "Hinge pins are new"',
    "judge": "gapvision job judge DEMO-1 --rule simple",
    "plan": "gapvision job plan DEMO-1 plan.json",
    "remeasure": "gapvision job remeasure DEMO-1 --seam 'boot lid, rear'",
    "delete": "gapvision job delete DEMO-1",
    "undo": "gapvision job undo",
    "bin": "gapvision job bin",
}
_JSON = _argument("--json", action="store_true", help="print JSON")

#: Action -> its help, its function, its arguments besides the job and --data.
_ACTIONS: dict[str, tuple[str, Callable[[Store, argparse.Namespace], None], list[tuple[str, dict[str, Any]]]]] = {
    "new": ("open a job", _new, [
        _argument("--reference", default="", help="the shop's own; default: the next free one of the year"),
        _argument("--customer", default=""),
        _argument("--car", default="", help="in free words"),
        _argument("--notes", default=""),
        _argument("--opened", metavar="DAY", help="like 2026-03-31; default: today"),
    ]),
    "list": ("list jobs, the one changed last first", _list, [
        _argument("words", nargs="*", help="only jobs in which all these words occur"),
        _JSON,
    ]),
    "show": ("show a job: its seams, visits, measurements and notes", _show, [_JSON]),
    "edit": ("change a job's head", _edit, [_argument(f"--{name}") for name in _TEXTS]),
    "panel": ("say what a panel is made of and how long it is across its gaps", _panel, [
        _argument("name"),
        _argument("--side", default="", choices=("", "left", "right")),
        _argument("--metal", choices=("steel", "aluminium")),
        _argument("--length", type=parse_length, metavar="LENGTH", help="e.g. 1020mm"),
        _argument("--seams", nargs="+", default=[], metavar="SEAM", help="seams that belong to it"),
    ]),
    "note": ("write something down", _note, [
        _argument("text"),
        _argument("--who", default=""),
        _argument("--seam", default=""),
    ]),
    "judge": ("judge the latest results again, by the seams' specifications", _judge, [
        _argument("--finish", metavar="F.toml", help="finish plan to keep with the job: adds the gap after paint"),
        _argument("--rule", metavar="proven|simple|risk", help="decision rule (default: what is kept, else proven)"),
        _argument("--risk", type=decimal, metavar="SHARE", help="with --rule risk: accepted (default: 0.05)"),
    ]),
    "plan": ("keep a correction plan with the job; the report shows it", _plan, [
        _argument("plan", metavar="PLAN.json", help="written by 'gapvision plan --json'"),
    ]),
    "remeasure": ("measure stored photos again; the old results stay beside the new", _remeasure, [
        _argument("--seam", default="", help="only this seam"),
    ]),
    "delete": ("put a job, or one of its parts, into the bin", _delete, [
        _argument("--seam", default="", help="delete this seam instead of the job"),
        _argument("--measurement", type=int, help="delete the photo of this measurement instead of the job"),
    ]),
    "undo": ("bring back what was deleted last, or a numbered item of the bin", _undo, [
        _argument("number", nargs="?", type=int),
    ]),
    "bin": ("list the bin, or empty it", _bin, [
        _argument("--empty", action="store_true", help="remove for good what is in the bin"),
        _argument("--yes", action="store_true", help="with --empty: do not ask"),
    ]),
}  # fmt: skip
