"""Measure sets of photos of one seam singly, by pairs and all together, and print how right that is.

``python -m gapvision.lab.bench.sets FOLDER [--keep DIR]``; photos of a set share their name up to the last letter, and
a photo counts when ``NAME.truth.json`` lies beside it.  Only ``print_scale`` is taken from the truth, and that all
strips are of one sheet.  Intervals hold 95 % of what sets drawn anew by lot from these would give.  Time is what
photos cost, read and measured in a warm process, over as many floors (decoding to grey and one detection of a strip,
as ``bench.speed`` has it).
"""

from __future__ import annotations

import argparse
import itertools
import json
import statistics
import sys
import time
from collections.abc import Callable, Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from gapvision.lab.bench.accuracy import photos_with_truth
from gapvision.lab.bench.scoring import TRUSTED_U_MM, SetScore, print_scale, score_set

SINGLE, PAIRS, TOGETHER = "single photos", "pairs", "all photos"
_RESAMPLES = 1000

Pair = tuple[Path, Path]


@dataclass(frozen=True, slots=True, kw_only=True)
class Measured:
    """What one way of taking photos from a set came to: which photos, by letter, and seconds over floors."""

    way: str
    letters: str
    score: SetScore
    floors: float


def sets_of(folder: Path) -> dict[str, list[Pair]]:
    """Photos and truth files of a folder, by set."""
    made: dict[str, list[Pair]] = {}
    for photo, truth in photos_with_truth(folder):
        made.setdefault(photo.stem[:-1], []).append((photo, truth))
    return made


def ways_of(photos: int) -> list[tuple[str, tuple[int, ...]]]:
    """Every photo, every pair and all photos of a set."""
    ways: list[tuple[str, tuple[int, ...]]] = [(SINGLE, (k,)) for k in range(photos)]
    ways += [(PAIRS, pair) for pair in itertools.combinations(range(photos), 2)] if photos > 2 else []
    return [*ways, (TOGETHER, tuple(range(photos)))] if photos > 1 else ways


def floor_s(photos: Sequence[Path], letter: str) -> float:
    """Time of decoding photos to grey and detecting one strip in each [s]."""
    import cv2

    from gapvision.targets import strip

    detector = cv2.aruco.CharucoDetector(strip.board(letter))
    total = 0.0
    for photo in photos:
        data = np.frombuffer(photo.read_bytes(), np.uint8)
        start = time.perf_counter()
        grey: Any = cv2.imdecode(data, cv2.IMREAD_GRAYSCALE)
        detector.detectBoard(grey)
        total += time.perf_counter() - start
    return total


def measure_set(pairs: list[Pair], keep: Path | None = None, only: Sequence[str] = ()) -> list[Measured]:
    """Measure one set in every way and score it.

    Parameters
    ----------
    pairs : list of (Path, Path)
        Its photos and their truth files, by name.
    keep : Path or None
        Folder for the measurement from all photos, as ``SET.json``, and from pairs and single photos in folders there.
    only : sequence of str
        Ways to take; none: all.
    """
    from gapvision.intake.photo import read_photo
    from gapvision.model import Settings
    from gapvision.recipe import measure_photo
    from gapvision.several import measure_photos

    truths = [json.loads(truth.read_text(encoding="utf-8")) for _, truth in pairs]
    along, across = print_scale(truths[0])
    settings = Settings(
        print_scale_along=along, print_scale_across=across, print_scale_checked=True, one_sheet=True
    )
    measure_photo(read_photo(pairs[0][0]), settings)  # warm
    out = []
    for way, picks in ways_of(len(pairs)):
        if only and way not in only:
            continue
        files = [pairs[k][0] for k in picks]
        floor = floor_s(files, truths[0]["strips"][0]["letter"])
        start = time.perf_counter()
        photos = [read_photo(file) for file in files]
        measurement = measure_photo(photos[0], settings) if len(photos) == 1 else measure_photos(photos, settings)
        spent = time.perf_counter() - start
        letters = "".join(file.stem[-1] for file in files)
        if keep is not None:
            from gapvision.formats import measurement_json

            folder = keep if way == TOGETHER else keep / way.replace(" ", "_")
            folder.mkdir(parents=True, exist_ok=True)
            name = files[0].stem[:-1] + ("" if way == TOGETHER else letters)
            measurement_json.write(measurement, folder / f"{name}.json")
        found = score_set(measurement, [truths[k] for k in picks])
        out.append(Measured(way=way, letters=letters, score=found, floors=spent / floor))
    return out


def _share(part: str) -> Callable[[Sequence[Measured]], float]:
    def take(some: Sequence[Measured]) -> float:
        reach = sum(m.score.reach_mm for m in some)
        return sum(getattr(m.score, part) for m in some) / reach if reach else np.nan

    return take


def _stations(some: Sequence[Measured]) -> tuple[Any, Any]:
    size = np.concatenate([np.abs(m.score.errors_mm) for m in some] or [np.zeros(0)])
    return size, np.concatenate([m.score.expanded_u_mm for m in some] or [np.zeros(0)])


def _p95_trusted(some: Sequence[Measured]) -> float:
    size, u = _stations(some)
    trusted = size[u <= TRUSTED_U_MM]
    return float(np.percentile(trusted, 95)) if len(trusted) else np.nan


def _within(some: Sequence[Measured]) -> float:
    size, u = _stations(some)
    return float((size <= u).mean()) if len(size) else np.nan


def _worst_within(some: Sequence[Measured]) -> float:
    shares = [m.score.within_u for m in some]
    return min((v for v in shares if v is not None), default=np.nan)


def _mean_size(values: Callable[[SetScore], Sequence[float]]) -> Callable[[Sequence[Measured]], float]:
    def take(some: Sequence[Measured]) -> float:
        sizes = [abs(v) for m in some for v in values(m.score)]
        return statistics.fmean(sizes) if sizes else np.nan

    return take


def _steps(one: SetScore) -> Sequence[float]:
    return [one.flush_error_mm] if one.flush_counts and one.flush_error_mm is not None else []


#: Rows of the table: what, how, digits, and whether the least of all sets, that no lot tells an interval of.
FIGURES: tuple[tuple[str, Callable[[Sequence[Measured]], float], int, bool], ...] = (
    ("useful share", _share("useful_mm"), 3, False),
    ("trusted share", _share("trusted_mm"), 3, False),
    ("covered share", _share("covered_mm"), 3, False),
    ("trusted yet off by more than 0.40 mm", _share("wrong_mm"), 4, False),
    ("trusted beside the seam", _share("beside_mm"), 4, False),
    ("95th percentile where trusted, mm", _p95_trusted, 3, False),
    ("right within 0.15 mm, of the stations", lambda m: float(np.mean(_stations(m)[0] <= 0.15)), 3, False),
    ("mean U, mm", lambda m: float(np.mean(_stations(m)[1])), 3, False),
    ("within U, all", _within, 3, False),
    ("within U, worst", _worst_within, 2, True),
    ("radius of rolls, mean error, mm", _mean_size(lambda s: s.radius_errors_mm), 3, False),
    ("step, strips on both sides, mean error, mm", _mean_size(_steps), 3, False),
    ("time over as many floors, median", lambda m: statistics.median(v.floors for v in m), 1, False),
    ("refused, of the measurements", lambda m: float(np.mean([v.score.status == "refused" for v in m])), 3, False),
)


def table(by_set: dict[str, list[Measured]]) -> str:
    """The figures as a Markdown table, a column for each way."""
    ways = [w for w in (SINGLE, PAIRS, TOGETHER) if any(m.way == w for some in by_set.values() for m in some)]
    counts = [f"{w} ({sum(m.way == w for some in by_set.values() for m in some)})" for w in ways]
    rows = ["| figure | " + " | ".join(counts) + " |", "| --- " * (len(ways) + 1) + "|"]
    rng = np.random.default_rng(0)
    lots = [rng.integers(len(by_set), size=len(by_set)) for _ in range(_RESAMPLES)]
    for name, figure, digits, extreme in FIGURES:
        cells = [name]
        for way in ways:
            groups = [[m for m in some if m.way == way] for some in by_set.values()]
            value = figure([m for group in groups for m in group])
            cell = f"{value:.{digits}f}"
            if not extreme and len(groups) > 1 and np.isfinite(value):
                drawn = [figure([m for k in lot for m in groups[k]]) for lot in lots]
                low, high = np.nanpercentile(drawn, [2.5, 97.5])
                cell += f" ({low:.{digits}f} to {high:.{digits}f})"
            cells.append(cell)
        rows.append("| " + " | ".join(cells) + " |")
    return "\n".join(rows)


def line(one: Measured) -> str:
    """One measurement as a row of text."""
    s = one.score
    reach = max(s.reach_mm, 1e-9)
    rms = np.sqrt(np.mean(s.errors_mm**2)) if len(s.errors_mm) else np.nan
    within = s.within_u if s.within_u is not None else np.nan
    mean_u = s.expanded_u_mm.mean() if len(s.expanded_u_mm) else np.nan
    return (
        f"{s.name:34s} {one.letters:4s} {s.status:8s} {s.covered_mm / reach:5.2f} {rms:6.3f} {mean_u:6.3f} "
        f"{within:5.2f} {s.useful_mm / reach:6.2f} {s.wrong_mm / reach:6.3f} {one.floors:5.1f}  {','.join(s.codes)}"
    )


def main(argv: list[str] | None = None) -> int:
    """Print a row for each measurement and the table; exit code 2 if there is nothing to measure."""
    parser = argparse.ArgumentParser(prog="python -m gapvision.lab.bench.sets", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep the measurement files there")
    parser.add_argument("--only", action="append", choices=(SINGLE, PAIRS, TOGETHER), help="this way (may be repeated)")
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="sets measured at a time; 1 for true times")
    args = parser.parse_args(argv)
    sets = sets_of(args.folder)
    if not sets:
        sys.stderr.write(f"There is no photo with a NAME.truth.json beside it in {args.folder}.\n")
        return 2
    one = partial(measure_set, keep=args.keep, only=args.only or ())
    by_set: dict[str, list[Measured]] = {}
    print(f"{'set':34s} {'':4s} {'status':8s} cover    rms mean_u   <=U useful  wrong  time")
    with ProcessPoolExecutor(args.jobs) as pool:
        for name, found in zip(sets, pool.map(one, sets.values()), strict=True):
            by_set[name] = found
            print("\n".join(line(m) for m in found), flush=True)
    print(f"\n{len(by_set)} sets; 95 % intervals over sets in brackets\n\n{table(by_set)}")
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
