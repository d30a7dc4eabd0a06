"""``gapvision demo``: measure a sample photo and say where its plot is."""

from __future__ import annotations

import argparse
from pathlib import Path

_NOMINAL_MM, _TOLERANCE_MM = 4.7625, 0.5  # 3/16 in, common practice, no source


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.add_argument(
        "-o", "--output", default="gapvision_demo", metavar="FOLDER", help="where to write (default: gapvision_demo)"
    )


def run(args: argparse.Namespace) -> int:
    """Measure the sample photo."""
    from gapvision.commands._batch import Order, measure_one
    from gapvision.errors import EXIT_OK, EXIT_REFUSED, GapvisionError
    from gapvision.judgement import simple_spec
    from gapvision.samples import DEMO_PHOTO

    folder = Path(args.output)
    outputs = {
        "json": folder / f"{DEMO_PHOTO.stem}.json",
        "csv": folder / f"{DEMO_PHOTO.stem}.csv",
        "plot": folder / f"{DEMO_PHOTO.stem}.plot.png",
        "overlay": folder / f"{DEMO_PHOTO.stem}.overlay.png",
    }
    spec = simple_spec(_NOMINAL_MM, _TOLERANCE_MM, _TOLERANCE_MM)
    order = Order(photo=DEMO_PHOTO, spec=spec, print_scale_checked=True, outputs=outputs)
    outcome = measure_one(order)
    if outcome.failed is not None:
        raise GapvisionError(*outcome.failed)
    print(outcome.table)
    if outcome.status == "refused":
        return EXIT_REFUSED
    print(f"The plot is {outputs['plot'].resolve()}")
    print(f"The photo with both edges is {outputs['overlay'].resolve()}")
    return EXIT_OK
