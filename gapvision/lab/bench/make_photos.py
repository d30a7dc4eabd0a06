"""Draw invented photos with exact truth into a folder.

``python -m gapvision.lab.bench.make_photos FOLDER`` draws the samples that lie in ``sample_images``;
``--random 20 --seed 7`` draws twenty scenes by lot instead, ``--demo`` the photos that ship with the
program (``gapvision/samples``), without their truth.
"""

from __future__ import annotations

import argparse
import json
from pathlib import Path

from gapvision.lab.scenes import SceneSpec, render_scene
from gapvision.lab.scenes.demo import DEMO
from gapvision.lab.scenes.samples import SAMPLES, random_scene


def main(argv: list[str] | None = None) -> int:
    """Draw, and say what was written."""
    parser = argparse.ArgumentParser(prog="python -m gapvision.lab.bench.make_photos", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--demo", action="store_true", help="draw the demo job's photos, without truth")
    parser.add_argument("--random", type=int, default=0, metavar="N", help="draw N scenes by lot, not the samples")
    parser.add_argument("--seed", type=int, default=0)
    args = parser.parse_args(argv)
    args.folder.mkdir(parents=True, exist_ok=True)
    scenes: list[tuple[int, SceneSpec]] = list(DEMO if args.demo else SAMPLES)
    if args.random:
        scenes = [(i, random_scene(i, args.seed)) for i in range(args.random)]
    for seed, spec in scenes:
        jpeg, truth = render_scene(spec, seed)
        (args.folder / f"{spec.name}.jpg").write_bytes(jpeg)
        if not args.demo:
            (args.folder / f"{spec.name}.truth.json").write_text(json.dumps(truth), encoding="utf-8")
        print(f"{spec.name}: {len(jpeg) / 1e6:.2f} MB")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
