"""``gapvision template``: the new edge at true scale, to scribe or to cut by."""

from __future__ import annotations

import argparse
from pathlib import Path
from typing import TYPE_CHECKING

from gapvision.errors import GapvisionError

if TYPE_CHECKING:
    from gapvision.judgement.template import TemplateDrawing


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "plan", metavar="PLAN", help="a panel file (.toml), or a plan written by 'gapvision plan --json'"
    )
    parser.add_argument("--seam", metavar="NAME", help="only this seam (default: every seam whose edge is changed)")
    parser.add_argument("--paper", default="a4", metavar="a4|letter", help="paper in the printer (default: a4)")
    parser.add_argument(
        "-o", "--output", metavar="F.pdf", help="PDF to print (default: template.pdf, unless only --dxf is given)"
    )
    parser.add_argument("--dxf", metavar="F.dxf", help="the same lines for a plasma or laser cutter")


def run(args: argparse.Namespace) -> int:
    """Write the template."""
    from gapvision.formats.atomic import check_whole

    output = args.output or (None if args.dxf else "template.pdf")
    for path in (output, args.dxf):
        if path:
            check_whole(path)
    drawings = _drawings(args.plan)
    if args.seam:
        drawings = [d for d in drawings if d.seam == args.seam]
    if not drawings:
        message = f"The plan changes no edge at a seam '{args.seam}'." if args.seam else "The plan changes no "
        "edge, so there is no line to draw."
        raise GapvisionError("template-has-no-line", message)
    if output:
        from gapvision.reports.template_pdf import write_template

        pages = write_template(drawings, output, args.paper.lower())
        print(
            f"Wrote {output}: {pages} page{'s' if pages != 1 else ''}. Print at 100 %, then measure both "
            f"check lines with a steel rule."
        )
    if args.dxf:
        from gapvision.reports.template_dxf import write_dxf

        write_dxf(drawings, args.dxf)
        print(f"Wrote {args.dxf}: millimetres; the line to cut is on the layer SCRIBE.")
    return 0


def _drawings(path: str) -> list[TemplateDrawing]:
    if Path(path).suffix.lower() != ".toml":
        from gapvision.formats.plan_json import read_plan

        return list(read_plan(path).templates)
    from gapvision.formats.panel_file import read_panel
    from gapvision.judgement import make_plan
    from gapvision.judgement.template import drawings_of_plan

    return drawings_of_plan(make_plan(read_panel(path)))
