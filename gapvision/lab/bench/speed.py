"""Time and memory of a whole measurement against a floor, as ratios.

``python -m gapvision.lab.bench.speed [--photo FILE]``; without photos it draws one of 12 and one of 48 megapixels.
Floor: decoding the JPEG to grey and one ChArUco detection at full size, timed in the same process, turn about.
Cold: a fresh process of the command ``gapvision measure``.
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

_STEPS = ("look_for_strips", "strip_quality", "fit_field", "find_seam", "sample_band", "find_edges", "build_profile")


def draw_photo(folder: Path, megapixels: int) -> Path:
    """Draw the demo's seam at 12 or 48 megapixels."""
    from gapvision.lab.scenes import render_scene
    from gapvision.lab.scenes.samples import SAMPLES

    seed, spec = SAMPLES[0]
    scale = {12: 1, 48: 2}[megapixels]
    camera = replace(spec.camera, width_px=4032 * scale, height_px=3024 * scale, blur_px=0.9 * scale)
    path = folder / f"{megapixels}_megapixels.jpg"
    path.write_bytes(render_scene(replace(spec, camera=camera), seed)[0])
    return path


def _watch_steps(spent: dict[str, float]) -> None:
    """Wrap the recipe's steps so that each adds up its own time; a step inside a step counts for the inner one."""
    import gapvision.recipe as recipe

    open_steps: list[float] = []

    def watched(name: str, step: Callable[..., Any]) -> Callable[..., Any]:
        def run(*args: Any, **kwargs: Any) -> Any:
            open_steps.append(0.0)
            start = time.perf_counter()
            try:
                return step(*args, **kwargs)
            finally:
                took = time.perf_counter() - start
                inner = open_steps.pop()
                spent[name] = spent.get(name, 0.0) + took - inner
                if open_steps:
                    open_steps[-1] += took

        return run

    for name in _STEPS:
        for holder in (recipe, getattr(recipe, "q", None)):
            if holder is not None and hasattr(holder, name):
                setattr(holder, name, watched(name, getattr(holder, name)))


def _peak_mb() -> float:
    """Largest memory that this process has held [MB]."""
    status = Path("/proc/self/status")
    if status.exists():  # getrusage would count the parent's memory too, from before this program was loaded
        line = next(x for x in status.read_text().splitlines() if x.startswith("VmHWM"))
        return int(line.split()[1]) / 1024
    per_mb = 1024**2 if sys.platform == "darwin" else 1024
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / per_mb


def measure_here(photo: Path, repeats: int) -> dict[str, Any]:
    """Time in this process: the first measurement, memory after it, then floor and measurement turn about."""
    import cv2
    import numpy as np

    from gapvision.intake.photo import read_photo
    from gapvision.recipe import measure_photo
    from gapvision.targets import strip

    start = time.perf_counter()
    first = measure_photo(read_photo(photo))
    first_s = time.perf_counter() - start
    peak_mb = _peak_mb()
    spent: dict[str, float] = {}
    _watch_steps(spent)
    data = np.frombuffer(photo.read_bytes(), np.uint8)
    letter = first.scale.strips[0] if first.scale else "A"
    detector = cv2.aruco.CharucoDetector(strip.board(letter))
    decode, detect, reading, whole = [], [], [], []
    steps: list[dict[str, float]] = []
    for _ in range(repeats):
        t0 = time.perf_counter()
        grey: Any = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
        t1 = time.perf_counter()
        detector.detectBoard(grey)
        t2 = time.perf_counter()
        del grey
        spent.clear()
        t3 = time.perf_counter()
        picture = read_photo(photo)
        t4 = time.perf_counter()
        measure_photo(picture)
        t5 = time.perf_counter()
        decode.append(t1 - t0)
        detect.append(t2 - t1)
        reading.append(t4 - t3)
        whole.append(t5 - t3)
        steps.append(dict(spent, rest=t5 - t4 - sum(spent.values())))
    middle = {name: statistics.median(s.get(name, 0.0) for s in steps) for name in (*_STEPS, "rest")}
    return {
        "status": first.status,
        "first_s": first_s,
        "peak_mb": peak_mb,
        "decode_s": statistics.median(decode),
        "detect_s": statistics.median(detect),
        "steps_s": {"read_photo": statistics.median(reading), **middle},
        "warm_s": statistics.median(whole),
    }


def cold_seconds(photo: Path, repeats: int) -> float:
    """Median time of the command in a fresh process, measurement file written."""
    times = []
    with tempfile.TemporaryDirectory() as folder:
        for k in range(repeats):  # nothing is overwritten, so each run writes its own file
            file = Path(folder) / f"m{k}.json"
            words = [sys.executable, "-m", "gapvision", "measure", str(photo), "--json", str(file)]
            start = time.perf_counter()
            done = subprocess.run(words, capture_output=True, text=True, check=False)
            times.append(time.perf_counter() - start)
            if done.returncode not in (0, 3):
                raise RuntimeError(f"gapvision measure failed: {done.stderr}")
    return statistics.median(times)


def report(name: str, found: dict[str, Any], cold_s: float | None) -> str:
    """One photo's figures in words."""
    floor = found["decode_s"] + found["detect_s"]
    lines = [
        f"{name}: {found['status']}",
        f"  floor {1000 * floor:.0f} ms (decode {1000 * found['decode_s']:.0f}, "
        f"one detection {1000 * found['detect_s']:.0f})",
        f"  warm {1000 * found['warm_s']:.0f} ms = {found['warm_s'] / floor:.2f} x floor",
        *(f"    {step:14s} {1000 * s:6.0f} ms  {s / floor:5.2f} x" for step, s in found["steps_s"].items()),
        f"  first in a process {1000 * found['first_s']:.0f} ms = {found['first_s'] / floor:.2f} x floor",
        f"  peak memory of reading and measuring {found['peak_mb']:.0f} MB",
    ]
    if cold_s is not None:
        lines.insert(3 + len(found["steps_s"]), f"  cold command {cold_s:.2f} s = {cold_s / floor:.2f} x floor")
    return "\n".join(lines)


def main(argv: list[str] | None = None) -> int:
    """Print the figures; each photo in a process of its own."""
    parser = argparse.ArgumentParser(prog="python -m gapvision.lab.bench.speed", description=__doc__)
    parser.add_argument("--photo", type=Path, action="append", help="use this photo (may be given again)")
    parser.add_argument("--repeats", type=int, default=5)
    parser.add_argument("--inside", action="store_true", help=argparse.SUPPRESS)
    args = parser.parse_args(argv)
    if args.inside:
        print(json.dumps(measure_here(args.photo[0], args.repeats)))
        return 0
    with tempfile.TemporaryDirectory() as folder:
        photos = args.photo or [draw_photo(Path(folder), size) for size in (12, 48)]
        for photo in photos:
            words = [sys.executable, "-m", "gapvision.lab.bench.speed", "--inside", "--photo", str(photo)]
            done = subprocess.run([*words, "--repeats", str(args.repeats)], capture_output=True, text=True, check=False)
            if done.returncode:
                sys.stderr.write(done.stderr)
                return 1
            print(report(photo.name, json.loads(done.stdout), cold_seconds(photo, max(3, args.repeats // 2))))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
