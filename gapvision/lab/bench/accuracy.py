"""Measure every photo in a folder that has truth, and print how right the numbers and their U are.

``python -m gapvision.lab.bench.accuracy FOLDER [--keep DIR]``; a photo counts when ``NAME.truth.json`` lies beside it.
Only ``print_scale`` is taken from the truth; with ``--stated`` also what a user may state of the edges and the step.
"""

from __future__ import annotations

import argparse
import json
import math
import sys
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from gapvision.lab.bench.scoring import TRUSTED_U_MM, Score, print_scale, score, stated

_RIGHT_PHOTO = 0.9  # useful over this share of its seam, a photo has come out right
_PICTURES = (".jpg", ".jpeg", ".png", ".tif", ".tiff", ".webp", ".heic")


@dataclass(frozen=True, slots=True, kw_only=True)
class Totals:
    """All photos together; shares of the visible seam beside the strips of all good photos. None: nothing to say."""

    photos: int
    good: int
    coverage: float | None
    trusted_share: float | None
    useful_share: float | None
    wrong_share: float | None
    bias_mm: float | None
    rms_mm: float | None
    p95_mm: float | None
    max_mm: float | None
    trusted_p95_mm: float | None
    mean_u_mm: float | None
    within_u: float | None
    worst_within_u: float | None
    stray: int
    useful_backlit_share: float | None
    flush_mean_error_mm: float | None
    flush_max_error_mm: float | None
    straightness_mean_error_mm: float | None
    straightness_trusted_mean_error_mm: float | None
    good_status_right: int
    good_refused: int
    bad: int
    bad_status_right: int
    right_photos: int
    right_photos_ok: int


def photos_with_truth(folder: Path) -> list[tuple[Path, Path]]:
    """Photos of a folder and their truth files, by name."""
    made = []
    for truth in sorted(folder.glob("*.truth.json")):
        stem = truth.name.removesuffix(".truth.json")
        photo = next((p for p in (folder / f"{stem}{e}" for e in _PICTURES) if p.exists()), None)
        if photo is not None:
            made.append((photo, truth))
    return made


def measure_and_score(
    photo: Path,
    truth_file: Path,
    keep: Path | None = None,
    state: bool = False,
    edges: str = "auto",
    one_sheet: bool = False,
) -> Score:
    """Measure one photo as a user would who typed in the check lengths (``state``: and the edges), and score it."""
    from gapvision.intake.photo import read_photo
    from gapvision.model import Settings
    from gapvision.recipe import measure_photo

    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    along, across = print_scale(truth)
    settings = Settings(
        print_scale_along=along,
        print_scale_across=across,
        print_scale_checked=True,
        edges=edges,
        one_sheet=one_sheet,
        **(stated(truth) if state else {}),
    )
    measurement = measure_photo(read_photo(photo), settings)
    if keep is not None:
        from gapvision.formats import measurement_json

        measurement_json.write(measurement, keep / f"{photo.stem}.json")
    return score(measurement, truth)


def score_folder(
    folder: Path,
    keep: Path | None = None,
    jobs: int = 2,
    state: bool = False,
    edges: str = "auto",
    one_sheet: bool = False,
) -> list[Score]:
    """Score all photos of a folder; one process each, ``jobs`` at a time."""
    pairs = photos_with_truth(folder)
    one = partial(measure_and_score, keep=keep, state=state, edges=edges, one_sheet=one_sheet)
    if jobs <= 1:
        return [one(photo, truth) for photo, truth in pairs]
    with ProcessPoolExecutor(jobs) as pool:
        return list(pool.map(one, *zip(*pairs, strict=True))) if pairs else []


def totals(scores: Sequence[Score]) -> Totals:
    """Put the scores of many photos together."""
    good = [s for s in scores if s.good]
    bad = [s for s in scores if not s.good]
    reach = sum(s.reach_mm for s in good)
    errors = np.concatenate([s.errors_mm for s in good] or [np.zeros(0)])
    u = np.concatenate([s.expanded_u_mm for s in good] or [np.zeros(0)])
    size = np.abs(errors)

    def share(part: str) -> float | None:
        return sum(getattr(s, part) for s in good) / reach if reach else None

    def of(values: Any, how: Any) -> float | None:
        return float(how(values)) if len(values) else None

    lit = [s for s in good if s.backlit and not s.burnt_out]
    lit_reach = sum(s.reach_mm for s in lit)
    flush = [abs(s.flush_error_mm) for s in good if s.flush_counts and s.flush_error_mm is not None]
    forms = [(abs(e), trusted) for s in good for e, trusted in s.straightness_mm]
    right = [s for s in good if s.reach_mm and s.useful_mm > _RIGHT_PHOTO * s.reach_mm]
    return Totals(
        photos=len(scores),
        good=len(good),
        coverage=share("covered_mm"),
        trusted_share=share("trusted_mm"),
        useful_share=share("useful_mm"),
        wrong_share=share("wrong_mm"),
        bias_mm=of(errors, np.mean),
        rms_mm=of(errors, lambda e: math.sqrt(np.mean(e * e))),
        p95_mm=of(size, lambda e: np.percentile(e, 95)),
        max_mm=of(size, np.max),
        trusted_p95_mm=of(size[u <= TRUSTED_U_MM], lambda e: np.percentile(e, 95)),
        mean_u_mm=of(u, np.mean),
        within_u=of(size <= u, np.mean),
        worst_within_u=min((s.within_u for s in good if s.within_u is not None), default=None),
        stray=sum(s.stray for s in good),
        useful_backlit_share=sum(s.useful_mm for s in lit) / lit_reach if lit_reach else None,
        flush_mean_error_mm=of(flush, np.mean),
        flush_max_error_mm=of(flush, np.max),
        straightness_mean_error_mm=of([e for e, _ in forms], np.mean),
        straightness_trusted_mean_error_mm=of([e for e, trusted in forms if trusted], np.mean),
        good_status_right=sum(s.status_right for s in good),
        good_refused=sum(s.status == "refused" for s in good),
        bad=len(bad),
        bad_status_right=sum(s.status_right for s in bad),
        right_photos=len(right),
        right_photos_ok=sum(s.status == "ok" for s in right),
    )


def _number(value: float | None, width: int = 6, digits: int = 3) -> str:
    return f"{value:{width}.{digits}f}" if value is not None and math.isfinite(value) else "-".rjust(width)


def photo_line(s: Score) -> str:
    """One row of the table."""
    size = np.abs(s.errors_mm)
    any_ = len(size) > 0
    zone = max((abs(e) for e, _ in s.straightness_mm), default=None)
    right = "yes" if s.status_right else ("soft" if s.good and s.status == "warn" else "NO")
    cells = [
        _number(s.covered_mm / s.reach_mm if s.reach_mm else None, 5, 2),
        f"{s.stray:5d}",
        _number(float(s.errors_mm.mean()) if any_ else None),
        _number(float(np.sqrt((size**2).mean())) if any_ else None),
        _number(float(np.percentile(size, 95)) if any_ else None),
        _number(float(size.max()) if any_ else None),
        _number(float(s.expanded_u_mm.mean()) if any_ else None),
        _number(s.within_u, 5, 2),
        _number(s.useful_mm / s.reach_mm if s.reach_mm else None, 6, 2),
        _number(s.wrong_mm / s.reach_mm if s.reach_mm else None, 5, 2),
        _number(zone, 6, 2),
        _number(s.flush_error_mm, 6, 2),
        _number(s.edge_bias_mm.get("A"), 6, 2),
        _number(s.edge_bias_mm.get("B"), 6, 2),
    ]
    light = "back" if s.backlit else ""
    return f"{s.name[:30]:30s} {light:4s} {s.status:7s} {right:5s} {' '.join(cells)}  {', '.join(s.codes)}"


HEADER = (
    f"{'photo':30s} {'lit':4s} {'status':7s} {'right':5s} cover stray   bias    rms    p95    max mean U  in U "
    "useful wrong  zone  flush edge A edge B  codes"
)


def totals_text(t: Totals) -> str:
    """The totals in words."""
    ok = _number(t.right_photos_ok / t.right_photos if t.right_photos else None, 0, 2)
    return "\n".join(
        [
            f"{t.good} good photos, lengths in mm; shares of the visible seam beside the strips:",
            f"  coverage {_number(t.coverage, 0)}, trusted (U <= 0.25) {_number(t.trusted_share, 0)}, "
            f"useful (also right within 0.15) {_number(t.useful_share, 0)}, "
            f"trusted yet off by more than 0.40 {_number(t.wrong_share, 0, 4)}",
            f"  useful where lit from behind and not burnt out {_number(t.useful_backlit_share, 0)}",
            f"  error of the gap: bias {_number(t.bias_mm, 0)}, RMS {_number(t.rms_mm, 0)}, "
            f"95 % below {_number(t.p95_mm, 0)}, largest {_number(t.max_mm, 0)}; "
            f"where trusted 95 % below {_number(t.trusted_p95_mm, 0)}; stray stations {t.stray}",
            f"  mean U {_number(t.mean_u_mm, 0)}; errors within U {_number(t.within_u, 0)}, "
            f"worst photo {_number(t.worst_within_u, 0)}",
            f"  minimum-zone straightness, mean error {_number(t.straightness_mean_error_mm, 0)}, "
            f"where trusted {_number(t.straightness_trusted_mean_error_mm, 0)}",
            f"  flush, strips on both sides within 350 mm: mean error {_number(t.flush_mean_error_mm, 0)}, "
            f"largest {_number(t.flush_max_error_mm, 0)}",
            f"  status right {t.good_status_right} of {t.good}, refused {t.good_refused}; "
            f"photos that came out right {t.right_photos}, of these answered ok {ok}",
            f"{t.bad} bad photos: status right {t.bad_status_right} of {t.bad}",
        ]
    )


def main(argv: list[str] | None = None) -> int:
    """Print the table; exit code 2 if there is nothing to measure."""
    parser = argparse.ArgumentParser(prog="python -m gapvision.lab.bench.accuracy", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep the measurement files there")
    parser.add_argument("--stated", action="store_true", help="state edges and step as they truly are")
    parser.add_argument(
        "--edges", choices=("auto", "rules"), default="auto", help="rules: leave the learned edge detector out"
    )
    parser.add_argument("--one-sheet", action="store_true", help="state that all strips come from one sheet")
    parser.add_argument("--jobs", type=int, default=2, metavar="N", help="photos measured at a time")
    args = parser.parse_args(argv)
    if not photos_with_truth(args.folder):
        sys.stderr.write(f"There is no photo with a NAME.truth.json beside it in {args.folder}.\n")
        return 2
    if args.keep is not None:
        args.keep.mkdir(parents=True, exist_ok=True)
    scores = score_folder(args.folder, args.keep, args.jobs, args.stated, args.edges, args.one_sheet)
    print(HEADER)
    for one in scores:
        print(photo_line(one))
    print()
    print(totals_text(totals(scores)))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
