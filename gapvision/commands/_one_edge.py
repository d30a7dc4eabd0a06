"""``gapvision measure --one-edge``: the line of one edge alone."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from gapvision.commands._args import given_spec, known_of, nonsense, print_of, say_of
from gapvision.commands._outputs import outputs_of
from gapvision.errors import EXIT_OK, EXIT_REFUSED


def run_one_edge(args: argparse.Namespace, photos: list[Path]) -> int:
    """Measure it, write what was asked for, say the answer."""
    from gapvision.formats.edge_json import write
    from gapvision.intake.photo import read_photo
    from gapvision.model import Settings
    from gapvision.one_edge import measure_edge
    from gapvision.reports.edge_pictures import edge_overlay, edge_plot, edge_table
    from gapvision.reports.terminal import describe_edge

    _refuse_what_needs_a_gap(args, photos)
    settings = {"edges": args.edges, **print_of(args), **known_of(args)}
    if args.seam is not None:
        if len(args.seam) < 2:
            raise nonsense("One point does not show where the edge runs.", "Give two or more points along it.")
        settings["seam_hint_px"] = tuple(args.seam)
    photo, kinds = photos[0], ("json", "csv", "plot", "overlay")
    ends = {"plot": ".plot", "overlay": ".marked"}
    outputs = outputs_of(
        {f"--{kind}": (kind, getattr(args, kind), photo.stem + ends.get(kind, "")) for kind in kinds}, args.photos
    )
    if args.beside:
        folder = {f"--{kind}": (kind, f"{photo.parent}/", photo.stem + ends[kind]) for kind in ends}
        outputs |= outputs_of({option: x for option, x in folder.items() if option not in outputs})
    measured = measure_edge(read_photo(photo), Settings(**settings))
    say = say_of(args)
    sys.stdout.write(describe_edge(measured, say))
    written = []
    for option, path in outputs.items():
        if option == "--json":
            write(measured, path)
        elif option == "--overlay":
            edge_overlay(measured, photo, path)
        elif measured.profile is None:
            continue
        elif option == "--plot":
            edge_plot(measured, path, say)
        else:
            edge_table(measured, path, args.csv_style)
        written.append(str(path))
    if written:
        print("written: " + ", ".join(written))
    return EXIT_REFUSED if measured.status == "refused" else EXIT_OK


def _refuse_what_needs_a_gap(args: argparse.Namespace, photos: list[Path]) -> None:
    if len(photos) != 1:
        raise nonsense("--one-edge measures one photo.", "Name one photo; take one that shows all of the edge.")
    if args.one_seam:
        raise nonsense("--one-edge and --one-seam contradict each other.", "Leave one of them out.")
    if given_spec(args) is not None or args.rule or args.job:
        raise nonsense("There is no gap to judge where only one edge is there.", "Leave out what is wanted of a gap.")
    if args.edge_b is not None or args.step is not None:
        raise nonsense("There is no edge B where only one edge is there.", "State edge A only; there is no step.")
    if args.taped is not None:
        raise nonsense("A taped distance counts for photos along a seam.", "Leave --taped out.")
    if args.csv is not None and args.csv.lower().endswith(".xlsx"):
        raise nonsense("The line of one edge is written as a table, not as a workbook.", "Give a name like edge.csv.")
