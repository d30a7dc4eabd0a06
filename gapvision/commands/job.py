"""``gapvision job``: open, list, show, note, delete and bring back jobs."""

from __future__ import annotations

import argparse
import json
from typing import Any

from gapvision.commands._records import add_data, open_store, table
from gapvision.units import format_both, parse_length


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the actions."""
    sub = parser.add_subparsers(dest="action", metavar="ACTION", required=True)

    new = sub.add_parser("new", help="open a job")
    new.add_argument("--reference", default="", help="the shop's own; default: the next free one of the year")
    new.add_argument("--customer", default="")
    new.add_argument("--car", default="", help="in free words")
    new.add_argument("--notes", default="")
    new.add_argument("--opened", metavar="DAY", help="like 2026-03-31; default: today")

    show = sub.add_parser("list", help="list jobs, the one changed last first")
    show.add_argument("words", nargs="*", help="only jobs in which all these words occur")
    show.add_argument("--json", action="store_true", help="print JSON")

    one = sub.add_parser("show", help="show a job: its seams, visits, measurements and notes")
    one.add_argument("job", help="the job's reference")
    one.add_argument("--json", action="store_true", help="print JSON")

    edit = sub.add_parser("edit", help="change a job's head")
    edit.add_argument("job")
    for name in ("reference", "customer", "car", "notes"):
        edit.add_argument(f"--{name}")

    panel = sub.add_parser("panel", help="say what a panel is made of and how long it is across its gaps")
    panel.add_argument("job")
    panel.add_argument("name")
    panel.add_argument("--side", default="", choices=("", "left", "right"))
    panel.add_argument("--metal", choices=("steel", "aluminium"))
    panel.add_argument("--length", metavar="LENGTH", help="e.g. 1020mm")
    panel.add_argument("--seams", nargs="+", default=[], metavar="SEAM", help="seams that belong to it")

    note = sub.add_parser("note", help="write something down")
    note.add_argument("job")
    note.add_argument("text")
    note.add_argument("--who", default="")
    note.add_argument("--seam", default="")

    judged = sub.add_parser("judge", help="judge the latest results again, by the seams' specifications")
    judged.add_argument("job")
    judged.add_argument("--finish", metavar="F.toml", help="finish plan to keep with the job: adds the gap after paint")
    judged.add_argument("--rule", default="proven", choices=("proven", "simple", "risk"))
    judged.add_argument("--risk", type=float, default=0.05, metavar="SHARE")

    plan = sub.add_parser("plan", help="keep a correction plan with the job; the report shows it")
    plan.add_argument("job")
    plan.add_argument("plan", metavar="PLAN.json", help="written by 'gapvision plan --json'")

    again = sub.add_parser("remeasure", help="measure stored photos again; the old results stay beside the new")
    again.add_argument("job")
    again.add_argument("--seam", default="", help="only this seam")

    gone = sub.add_parser("delete", help="put a job, or one of its parts, into the bin")
    gone.add_argument("job")
    gone.add_argument("--seam", default="", help="delete this seam instead of the job")
    gone.add_argument("--measurement", type=int, help="delete the photo of this measurement instead of the job")

    undo = sub.add_parser("undo", help="bring back what was deleted last, or a numbered item of the bin")
    undo.add_argument("number", nargs="?", type=int)

    kept = sub.add_parser("bin", help="list the bin, or empty it")
    kept.add_argument("--empty", action="store_true", help="remove for good what is in the bin")

    for child in (new, show, one, edit, panel, note, judged, plan, again, gone, undo, kept):
        add_data(child)


def run(args: argparse.Namespace) -> int:
    """Do the action."""
    with open_store(args) as store:
        return int(_ACTIONS[args.action](store, args))


def _new(store: Any, args: argparse.Namespace) -> int:
    job = store.new_job(
        reference=args.reference, customer=args.customer, car=args.car, notes=args.notes, opened_on=args.opened
    )
    print(job.reference)
    return 0


def _list(store: Any, args: argparse.Namespace) -> int:
    lines = store.jobs(" ".join(args.words))
    if args.json:
        print(
            json.dumps(
                [
                    {
                        "reference": x.job.reference,
                        "customer": x.job.customer,
                        "car": x.job.car,
                        "opened_on": x.job.opened_on,
                        "changed_at": x.job.changed_at,
                        "last_on": x.last_on,
                        "seams": x.seams,
                        "measured": x.measured,
                        "in_tolerance": x.in_tolerance,
                        "out_of_tolerance": x.out_of_tolerance,
                        "not_proven": x.not_proven,
                    }
                    for x in lines
                ],
                ensure_ascii=False,
                indent=1,
            )
        )
        return 0
    if not lines:
        print("No job." if not args.words else "No job has all these words.")
        return 0
    rows = [
        (
            x.job.reference,
            x.last_on or x.job.opened_on,
            f"{x.measured}/{x.seams}",
            _glance(x),
            x.job.customer,
            x.job.car,
        )
        for x in lines
    ]
    print(table(rows, ("job", "last on", "measured", "in/out/open", "customer", "car")), end="")
    return 0


def _glance(line: Any) -> str:
    return f"{line.in_tolerance}/{line.out_of_tolerance}/{line.not_proven}"


def _show(store: Any, args: argparse.Namespace) -> int:
    job = store.job(args.job)
    lines = store.job_lines(job.job_id)
    if args.json:
        print(json.dumps(_as_dict(store, job, lines), ensure_ascii=False, indent=1))
        return 0
    print(f"Job {job.reference}, opened {job.opened_on}")
    for head, text in (("customer", job.customer), ("car", job.car), ("notes", job.notes)):
        if text:
            print(f"  {head}: {text}")
    for state in store.seam_states(job.job_id):
        seam = state.seam
        print(f"\n{f'{seam.side} {seam.name}'.strip()}")
        rows = []
        for x in (y for y in lines if y.seam_id == seam.seam_id):
            gap = "-" if x.mean_mm is None else format_both(x.mean_mm)
            spread = "-" if x.min_mm is None else f"{x.min_mm:.2f} to {x.max_mm:.2f}"
            verdict = x.verdict.decision if x.verdict else "-"
            old = "" if x.newest else "measured again since"
            rows.append(
                (
                    str(x.measurement_id),
                    x.visit.on_date,
                    x.visit.stage,
                    x.status,
                    gap,
                    spread,
                    "-" if x.u_mm is None else f"{x.u_mm:.2f}",
                    verdict,
                    f"{x.photo.file_name} {old}".strip(),
                )
            )
        if rows:
            heads = ("no.", "day", "stage", "status", "mean gap", "min to max [mm]", "U [mm]", "verdict", "photo")
            print(table(rows, heads), end="")
        else:
            print("not measured yet")
    notes = store.notes(job.job_id)
    if notes:
        print("\nNotes")
        for n in notes:
            print(f"  {n.made_at[:10]} {n.who}: {n.text}" if n.who else f"  {n.made_at[:10]}: {n.text}")
    return 0


def _as_dict(store: Any, job: Any, lines: Any) -> dict[str, Any]:
    seams = []
    for seam in store.seams(job.job_id):
        seams.append(
            {
                "name": seam.name,
                "side": seam.side,
                "measurements": [
                    {
                        "number": x.measurement_id,
                        "stage": x.visit.stage,
                        "on_date": x.visit.on_date,
                        "who": x.visit.who,
                        "status": x.status,
                        "mean_mm": x.mean_mm,
                        "min_mm": x.min_mm,
                        "max_mm": x.max_mm,
                        "u_mm": x.u_mm,
                        "method_version": x.method_version,
                        "newest": x.newest,
                        "photo_sha256": x.photo.sha256,
                        "verdict": x.verdict.decision if x.verdict else None,
                        "conditions": x.visit.conditions.to_dict(),
                    }
                    for x in lines
                    if x.seam_id == seam.seam_id
                ],
            }
        )
    return {
        "reference": job.reference,
        "customer": job.customer,
        "car": job.car,
        "notes": job.notes,
        "opened_on": job.opened_on,
        "seams": seams,
        "remarks": [n.text for n in store.notes(job.job_id)],
    }


def _edit(store: Any, args: argparse.Namespace) -> int:
    job = store.job(args.job)
    new = {k: getattr(args, k) for k in ("reference", "customer", "car", "notes")}
    print(store.edit_job(job.job_id, **new).reference)
    return 0


def _panel(store: Any, args: argparse.Namespace) -> int:
    job = store.job(args.job)
    length = parse_length(args.length, "mm") if args.length else None
    panel = store.put_panel(job.job_id, args.name, side=args.side, metal=args.metal, length_mm=length)
    for name in args.seams:
        store.edit_seam(store.find_seam(job.job_id, name).seam_id, panel_id=panel.panel_id)
    size = f", {panel.length_mm:g} mm across its gaps" if panel.length_mm else ""
    print(f"{f'{panel.side} {panel.name}'.strip()}: {panel.metal}{size}")
    return 0


def _note(store: Any, args: argparse.Namespace) -> int:
    job = store.job(args.job)
    seam_id = store.find_seam(job.job_id, args.seam).seam_id if args.seam else None
    store.add_note(job.job_id, args.text, who=args.who, seam_id=seam_id)
    print("noted")
    return 0


def _remeasure(store: Any, args: argparse.Namespace) -> int:
    from gapvision.commands._records import Bar
    from gapvision.workshop import judge_line, measure_again

    job = store.job(args.job)
    lines = [x for x in store.job_lines(job.job_id) if x.newest]
    if args.seam:
        seam_id = store.find_seam(job.job_id, args.seam).seam_id
        lines = [x for x in lines if x.seam_id == seam_id]
    bar = Bar("measuring")
    rows = []
    for number, old in enumerate(lines, 1):
        new = judge_line(store, measure_again(store, old))
        rows.append(
            (
                str(new.measurement_id),
                old.visit.stage,
                f"{old.method_version} -> {new.method_version}",
                "-" if old.mean_mm is None else f"{old.mean_mm:.3f}",
                "-" if new.mean_mm is None else f"{new.mean_mm:.3f}",
                new.status,
            )
        )
        bar(number, len(lines))
    print(
        table(rows, ("no.", "stage", "method", "mean before [mm]", "mean now [mm]", "status"))
        if rows
        else "No photo.\n",
        end="",
    )
    return 0


def _judge(store: Any, args: argparse.Namespace) -> int:
    from gapvision.formats.finish_file import read_finish
    from gapvision.model import DecisionRule
    from gapvision.workshop import judge_line, set_finish

    job = store.job(args.job)
    rule = DecisionRule(name=args.rule, risk=args.risk)
    if args.finish:
        set_finish(store, job.job_id, read_finish(args.finish))
    rows = []
    for old in (x for x in store.job_lines(job.job_id) if x.newest and x.status != "refused"):
        line = judge_line(store, old, rule)
        seam = store.seam(line.seam_id)
        said = "no specification" if seam.spec is None or line.verdict is None else line.verdict.decision
        verdict = store.verdict(line.measurement_id) if seam.spec is not None else None
        future = verdict.body.get("forecast") if verdict is not None else None
        rows.append((str(line.measurement_id), f"{seam.side} {seam.name}".strip(), line.visit.stage, said,
                     future["verdict"]["verdict"] if future else "-"))  # fmt: skip
    print(table(rows, ("no.", "seam", "stage", "verdict", "after paint")) if rows else "Nothing measured.\n", end="")
    return 0


def _plan(store: Any, args: argparse.Namespace) -> int:
    from pathlib import Path

    from gapvision.errors import GapvisionError

    job = store.job(args.job)
    try:
        body = json.loads(Path(args.plan).read_text(encoding="utf-8"))
        panel = str(body["panel"]) if body["schema"] == "gapvision-plan/1" else ""
    except OSError:
        raise GapvisionError("file-not-found", f"'{args.plan}' was not found.") from None
    except (ValueError, KeyError, TypeError, RecursionError):
        panel = ""
    if not panel:
        raise GapvisionError("job-data-bad", f"'{args.plan}' is not a correction plan.",
                             "Choose a file written by 'gapvision plan --json'.")  # fmt: skip
    store.add_plan(job.job_id, panel[:200], body)
    print(f"kept: plan for {panel}")
    return 0


def _delete(store: Any, args: argparse.Namespace) -> int:
    job = store.job(args.job)
    if args.measurement is not None:
        line = store.line(args.measurement)
        if line.visit.job_id != job.job_id:
            from gapvision.errors import GapvisionError

            raise GapvisionError(
                "measurement-not-found", f"Job '{job.reference}' has no measurement {args.measurement}."
            )
        item = store.delete("photo", line.shot_id)
    elif args.seam:
        item = store.delete("seam", store.find_seam(job.job_id, args.seam).seam_id)
    else:
        item = store.delete("job", job.job_id)
    print(f"In the bin: {item.label}. 'gapvision job undo {item.bin_id}' brings it back.")
    return 0


def _undo(store: Any, args: argparse.Namespace) -> int:
    print(f"Brought back: {store.undo_delete(args.number).label}.")
    return 0


def _bin(store: Any, args: argparse.Namespace) -> int:
    if args.empty:
        items, photos = store.empty_bin()
        print(f"Removed for good: {items} items, {photos} photos.")
        return 0
    items = store.bin()
    if not items:
        print("The bin is empty.")
        return 0
    print(
        table(
            [(str(i.bin_id), i.deleted_at[:16].replace("T", " "), i.label) for i in items],
            ("no.", "deleted (UTC)", "what"),
        ),
        end="",
    )
    return 0


_ACTIONS = {
    "new": _new,
    "list": _list,
    "show": _show,
    "edit": _edit,
    "panel": _panel,
    "note": _note,
    "remeasure": _remeasure,
    "judge": _judge,
    "plan": _plan,
    "delete": _delete,
    "undo": _undo,
    "bin": _bin,
}
