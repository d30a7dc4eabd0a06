"""``gapvision demo``: measure a sample photo and say where its plot is."""

from __future__ import annotations

import argparse
import shutil
from pathlib import Path

_NOMINAL_MM, _TOLERANCE_MM = 4.7625, 0.5  # 3/16 in, common practice, no source
#: What the demo's folder gets of the samples -> its name there.
_COPIES = {
    "left_door_2.jpg": "seam.jpg", "right_door_2.jpg": "other_side.jpg", "door.toml": "door.toml",
    "rear_boot_lid_1.jpg": "square.jpg", "rear_boot_lid_1_lean1.jpg": "left.jpg",
    "rear_boot_lid_1_lean2.jpg": "right.jpg",
}  # fmt: skip


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = "The folder then holds what the examples of the other commands use. Example: gapvision demo"
    parser.add_argument(
        "-o", "--output", default="gapvision_demo", metavar="FOLDER", help="where to write (default: gapvision_demo)"
    )


def run(args: argparse.Namespace) -> int:
    """Measure the sample photo."""
    from gapvision.commands._batch import Order, measure_one
    from gapvision.commands._outputs import in_folders
    from gapvision.errors import EXIT_OK, EXIT_REFUSED, GapvisionError
    from gapvision.formats.atomic import make_folder
    from gapvision.judgement import simple_spec
    from gapvision.samples import DEMO_PHOTO, FOLDER

    folder = Path(args.output)
    if not folder.is_dir() or any(folder.iterdir()):
        folder = in_folders({"": (folder, "")}, set())[""]
    kinds = {"json": "json", "csv": "csv", "plot": "plot.png", "overlay": "marked.jpg"}
    outputs = {kind: folder / f"seam.{end}" for kind, end in kinds.items()}
    make_folder(folder)
    try:
        for name, copy in _COPIES.items():
            shutil.copyfile(FOLDER / name, folder / copy)
    except OSError as error:
        raise GapvisionError("folder-not-writable", f"'{folder}' could not be filled: {error.strerror}.") from None
    spec = simple_spec(_NOMINAL_MM, _TOLERANCE_MM, _TOLERANCE_MM)
    settings = {"print_scale_checked": True}
    order = Order(photo=folder / _COPIES[DEMO_PHOTO.name], spec=spec, settings=settings, outputs=outputs)
    outcome = measure_one(order)
    for failed in (outcome.failed, *outcome.unwritten):
        if failed is not None:
            raise GapvisionError(*failed)
    print(outcome.told)
    if outcome.status == "refused":
        return EXIT_REFUSED
    print(f"The plot is {outputs['plot'].resolve()}")
    print(f"The photo with both edges is {outputs['overlay'].resolve()}")
    print(f"Next: gapvision {order.photo} --nominal 5mm")
    three = " ".join(str(folder / f"{name}.jpg") for name in ("square", "left", "right"))
    print(f"Three photos of one seam, for proof: gapvision measure --one-seam {three} --nominal 3/16in")
    return EXIT_OK
