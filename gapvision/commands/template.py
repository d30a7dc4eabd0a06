"""``gapvision template``: the new edge at true scale, to scribe or to cut by."""

from __future__ import annotations

import argparse
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING

from gapvision.commands._args import nonsense
from gapvision.commands.plan import add_free
from gapvision.errors import GapvisionError
from gapvision.units import parse_length

if TYPE_CHECKING:
    from gapvision.judgement.template import TemplateDrawing

_MOST_TOOL_MM = 10.0


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "Example, after 'gapvision demo': gapvision template gapvision_demo/door.toml --free-seams "
        "-o gapvision_demo/template.pdf"
    )
    parser.add_argument(
        "plan",
        metavar="PLAN",
        help="a panel file (.toml), a plan written by 'gapvision plan --json', or an edge by 'measure --one-edge'",
    )
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
    outputs = outputs_of(places, [args.plan])
    drawings = _part(args) or _drawings(args.plan, args.free_seams)
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


def _part(args: argparse.Namespace) -> list[TemplateDrawing]:
    """The part to one edge alone; none where the file is of something else."""
    from gapvision.formats.declared import read_file
    from gapvision.formats.edge_json import from_json, is_edge
    from gapvision.judgement.part import part_drawing

    data = b"" if Path(args.plan).suffix.lower() == ".toml" else read_file(args.plan)
    if not is_edge(data):
        if args.gap or args.part:
            raise nonsense(
                "--gap and --part are for an edge alone.", "Give the file that 'gapvision measure --one-edge' wrote."
            )
        return []
    if not args.gap:
        raise nonsense("It is not said what gap the part is to have.", "Give it, like --gap 4mm.")
    if args.seam or args.free_seams or args.marks_apart:
        raise nonsense("--seam, --free-seams and --marks-apart are for a plan.", "Leave them out.")
    return [part_drawing(from_json(data, Path(args.plan).name), parse_length(args.gap), args.part or "")]


def _drawings(path: str, free_seams: bool) -> list[TemplateDrawing]:
    if Path(path).suffix.lower() != ".toml":
        from gapvision.formats.plan_json import read_plan

        return list(read_plan(path).templates)
    from gapvision.formats.panel_file import read_panel
    from gapvision.judgement import make_plan
    from gapvision.judgement.template import drawings_of_plan

    return drawings_of_plan(make_plan(read_panel(path), free_seams=free_seams))
