"""Draw sets of three photos of one seam, ray-traced, with exact truth, into a folder.

``python -m gapvision.lab.bench.make_sets FOLDER --sets 60``; needs the extra ``train``.  What is there already is not
drawn again, so that a run that was cut off goes on.  `gapvision.lab.bench.sets` measures the folder.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from multiprocessing import get_context
from pathlib import Path


def draw_one(number: int, folder: Path, seed: int, variant: str, rays: tuple[int, int], stop_at: float) -> str:
    """Draw the photos of one set that are not there yet; returns the set's name, or why it was left out."""
    import cv2

    from gapvision.lab.training.whole import draw_set, take_view

    cv2.setNumThreads(1)
    views = draw_set(number, seed)
    for view in views:
        name = view.spec.name
        if (folder / f"{name}.truth.json").exists():
            continue
        if time.time() > stop_at:
            return f"{name[:-1]}: out of time"
        try:
            jpeg, truth = take_view(view, variant, *rays)
        except RuntimeError as error:  # one bad scene must not end a long run; it is named and left out
            return f"{name}: left out, {error}"
        (folder / f"{name}.jpg").write_bytes(jpeg)
        (folder / f"{name}.truth.json").write_text(json.dumps(truth), encoding="utf-8")
    return views[0].spec.name[:-1]


def main(argv: list[str] | None = None) -> int:
    """Draw, and say what was written."""
    parser = argparse.ArgumentParser(prog="python -m gapvision.lab.bench.make_sets", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--sets", type=int, default=60)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--seed", type=int, default=0)
    variant = os.environ.get("GAPVISION_VARIANT", "llvm_ad_rgb")
    parser.add_argument("--variant", default=variant, help="Mitsuba's")
    parser.add_argument("--workers", type=int, default=1 if "llvm" in variant else os.cpu_count() or 1)
    parser.add_argument("--fine", type=int, default=24, help="rays for each pixel along the seam")
    parser.add_argument("--coarse", type=int, default=6, help="and elsewhere")
    parser.add_argument("--minutes", type=float, default=600.0)
    args = parser.parse_args(argv)
    args.folder.mkdir(parents=True, exist_ok=True)
    one = partial(
        draw_one, folder=args.folder, seed=args.seed, variant=args.variant, rays=(args.fine, args.coarse),
        stop_at=time.time() + 60 * args.minutes,
    )  # fmt: skip
    numbers = range(args.first, args.first + args.sets)
    started = time.time()
    with ProcessPoolExecutor(args.workers, mp_context=get_context("spawn")) as pool:
        for k, name in enumerate(pool.map(one, numbers)):
            print(f"{name}  ({k + 1} of {args.sets}, {time.time() - started:.0f} s)", flush=True)
    sys.stdout.flush()
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
