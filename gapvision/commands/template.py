"""``gapvision template``: the new edge at true scale, to scribe or to cut by."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from gapvision.commands._args import add_shown, add_wanted, finish_of, needed_wanted, nonsense, say_of
from gapvision.commands._records import add_data
from gapvision.commands.plan import add_free
from gapvision.errors import GapvisionError
from gapvision.model import EDGES, OPEN
from gapvision.units import parse_length

if TYPE_CHECKING:
    from gapvision.judgement.template import TemplateDrawing

_MOST_TOOL_MM = 10.0
_OF_MEASUREMENT = ("edge", "made", "most_off", "nominal", "preset", "spec", "rule", "finish", "job")


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "Example, after 'gapvision demo': gapvision template gapvision_demo/door.toml --free-seams "
        "-o gapvision_demo/template.pdf"
    )
    parser.add_argument(
        "plan",
        metavar="PLAN",
        help="a panel file (.toml), a plan written by 'gapvision plan --json', a measurement, or an edge by "
        "'measure --one-edge'",
    )
    parser.add_argument("--edge", choices=("A", "B"), help="of a measurement: the edge that is worked on")
    parser.add_argument("--made", choices=EDGES, help="of a measurement: what that edge is")
    parser.add_argument("--most-off", metavar="LENGTH", help="of a measurement: the most that may come off that edge")
    add_wanted(parser, title="of a measurement: what is wanted")
    parser.add_argument("--finish", metavar="F.toml", help="of a measurement: the paint still to come")
    parser.add_argument("--job", metavar="REF", help="of a measurement: go by what is kept for this job")
    parser.add_argument("--gap", metavar="LENGTH", help="of an edge alone: the wanted gap round the part to be made")
    parser.add_argument("--part", metavar="NAME", help="what that part is called")
    parser.add_argument("--seam", metavar="NAME", help="only this seam (default: every seam whose edge is changed)")
    add_free(parser)
    parser.add_argument("--paper", metavar="a4|letter", help="paper in the printer (default: a4)")
    parser.add_argument(
        "-o", "--output", metavar="F.pdf", help="PDF to print (default: template.pdf, unless only --dxf is given)"
    )
    parser.add_argument(
        "--marks-apart",
        metavar="LENGTH",
        help="from the first punch mark to the last, straight, as measured on the panel: a template that differs by "
        "more than 0.3 mm is refused",
    )
    parser.add_argument("--dxf", metavar="F.dxf", help="the same lines for a plasma or laser cutter")
    text = "what the cutter's tool takes away: adds a path beside the line"
    parser.add_argument("--tool-width", metavar="LENGTH", help=text)
    add_shown(parser)
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Write the template."""
    from gapvision.commands._outputs import outputs_of

    if args.dxf and args.paper and not args.output:
        raise nonsense("--paper is for a PDF, and only --dxf is given.", "Give -o too, or leave it out.")
    if args.tool_width and not args.dxf:
        raise nonsense("--tool-width is for a cutter's file.", "Give --dxf too, or leave it out.")
    tool_mm = parse_length(args.tool_width) if args.tool_width else 0.0
    if not 0 <= tool_mm <= _MOST_TOOL_MM:
        raise nonsense(f"A tool {tool_mm:g} mm wide cuts no edge.", "Give the width of the cut itself, e.g. 1.2mm.")
    pdf = args.output or (None if args.dxf else "./")
    places = {"-o": ("pdf", pdf, "template"), "--dxf": ("dxf", args.dxf, "template")}
    outputs = outputs_of(places, [args.plan, args.spec, args.finish])
    drawings = _drawings(args)
    if args.seam:
        drawings = [d for d in drawings if d.seam == args.seam]
    if not drawings:
        message = f"The plan changes no edge at a seam '{args.seam}'." if args.seam else ""
        raise GapvisionError("template-has-no-line", message)
    if args.marks_apart:
        apart = parse_length(args.marks_apart)
        if len(drawings) > 1:
            raise nonsense("--marks-apart is for one seam, and the plan changes more.", "Name it with --seam.")
        drawings = [replace(d, measured_apart_mm=apart) for d in drawings]
    for drawing in drawings if args.dxf else ():
        drawing.check_cutter()  # before the paper is written
    if "-o" in outputs:
        from gapvision.reports.template_pdf import write_template

        output = outputs["-o"]
        pages = write_template(drawings, output, (args.paper or "a4").lower())
        print(
            f"Wrote {output}: {pages} page{'s' if pages != 1 else ''}. Print at 100 %, then measure both "
            f"check lines with a steel rule."
        )
    if args.dxf:
        from gapvision.reports.template_dxf import write_dxf

        write_dxf(drawings, outputs["--dxf"], tool_mm)
        layer = "CUT_PATH, half of the tool beside the new edge" if tool_mm else "SCRIBE"
        print(f"Wrote {outputs['--dxf']}: millimetres; the line to cut is on the layer {layer}.")
    return 0


def _drawings(args: argparse.Namespace) -> list[TemplateDrawing]:
    """What is to be drawn, by what kind of file it is."""
    from gapvision.formats.declared import read_file
    from gapvision.formats.edge_json import is_edge
    from gapvision.formats.measurement_json import is_measurement

    data = b"" if Path(args.plan).suffix.lower() == ".toml" else read_file(args.plan)
    part, edge = is_edge(data), is_measurement(data)
    own = {name: getattr(args, name) for name in _OF_MEASUREMENT}
    for kind, given, file in (
        (part, {name: getattr(args, name) for name in ("gap", "part")}, "an edge alone, by 'measure --one-edge'"),
        (edge, own, "a measurement, by 'measure --json'"),
        (not (part or edge), {"free-seams": args.free_seams}, "a panel"),
        (not (part or edge), {"seam": args.seam, "marks-apart": args.marks_apart}, "a panel or a plan"),
    ):
        if wrong := [f"--{name.replace('_', '-')}" for name, value in given.items() if value and not kind]:
            raise nonsense(f"{wrong[0]} is for {file}, and '{Path(args.plan).name}' is not that.", "Leave it out.")
    if part:
        return [_part(args, data)]
    if edge:
        return _edge(args, data)
    if data:
        from gapvision.formats.plan_json import read_plan

        return list(read_plan(args.plan).templates)
    from gapvision.formats.panel_file import read_panel
    from gapvision.judgement import make_plan
    from gapvision.judgement.template import drawings_of_plan

    return drawings_of_plan(make_plan(read_panel(args.plan), free_seams=args.free_seams))


def _part(args: argparse.Namespace, data: bytes) -> TemplateDrawing:
    """The part to one edge alone."""
    from gapvision.formats.edge_json import from_json
    from gapvision.judgement.part import part_drawing

    if not args.gap:
        raise nonsense("It is not said what gap the part is to have.", "Give it, like --gap 4mm.")
    return part_drawing(from_json(data, Path(args.plan).name), parse_length(args.gap), args.part or "")


def _edge(args: argparse.Namespace, data: bytes) -> list[TemplateDrawing]:
    """The new line of one edge of a measured seam; says what is to be done to it."""
    from gapvision.formats.measurement_json import from_json
    from gapvision.judgement import after_paint, judge_measurement, plan_edge
    from gapvision.judgement.template import drawings_of_edge
    from gapvision.reports.terminal import edge_plan_text
    from gapvision.words import OPPOSITE_UNCHECKED, is_out

    if not args.edge:
        raise nonsense("It is not said which edge is worked on.", "Give --edge A or B, as the marked photo shows.")
    (spec, rule), finish = needed_wanted(args), finish_of(args)
    measurement, name = from_json(data, Path(args.plan).name), Path(args.plan).stem
    now = judge_measurement(measurement, spec, rule)
    future = None if finish is None else after_paint(now, spec, finish)
    if not is_out(now, future):
        state = now.state if future is None else f"{future.verdict.state} after paint"
        told = f"The gap is {state}, so no edge has to be changed."
        what = "Change nothing before it is proven." if OPEN in state else "Leave it as it is."
        raise GapvisionError("template-has-no-line", told, what)
    most = None if args.most_off is None else parse_length(args.most_off)
    plan = plan_edge(
        measurement, args.edge, spec, rule, finish=finish, seam=name, made=args.made or "", most_off_mm=most
    )
    print(edge_plan_text(now, plan, say_of(args)), end="")
    if spec.opposite_mm is not None:
        print(f"  {OPPOSITE_UNCHECKED}: 'gapvision judge --opposite' and the page do.")
    if not (drawings := drawings_of_edge(plan)):
        told = f"No change of edge {args.edge} helps, so there is no line to draw."
        raise GapvisionError("template-has-no-line", told, "Try the other edge, or move the panel.")
    return drawings
