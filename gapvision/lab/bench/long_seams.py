"""Measure whole seams from photos along them, and print how right that is.

``python -m gapvision.lab.bench.long_seams FOLDER [--keep DIR]``; photos of a seam share their name up to the last
letter, and a photo counts when ``NAME.truth.json`` lies beside it.  Only ``print_scale`` is taken from the truth, and
that all strips are of one sheet.  Time is what the photos cost in a warm process, over as many floors, as
``bench.sets`` has it.
"""

from __future__ import annotations

import argparse
import json
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.bench.scoring import SetScore, print_scale, score_set, stations_on_truth
from gapvision.lab.bench.sets import Pair, floor_s, sets_of
from gapvision.lab.scenes.truth import edge_form
from gapvision.model import Measurement

FloatArray = NDArray[np.float64]
_BESIDE = 5  # stations either side of a joint, whose mean errors are held against each other


@dataclass(frozen=True, slots=True, kw_only=True)
class LongScore:
    """What one whole seam came to; lengths in mm.

    Attributes
    ----------
    straight_errors_mm, straight_u_mm : tuple of float
        Error of the minimum zone of each straight edge, and its U.
    bow_errors_mm, bow_u_mm : tuple of float
        The same of the bow.
    joint_mm : float
        Largest change of the gap's error from the last stations of one photo to the first of the next.
    usual_mm : float
        The same between any neighbouring stations, 95th percentile: what joints are to be held against.
    taper_error, taper_u : float
        Of the taper [mm per m].
    floors : float
    """

    score: SetScore
    straight_errors_mm: tuple[float, ...] = ()
    straight_u_mm: tuple[float, ...] = ()
    bow_errors_mm: tuple[float, ...] = ()
    bow_u_mm: tuple[float, ...] = ()
    joint_mm: float = np.nan
    usual_mm: float = np.nan
    taper_error: float = np.nan
    taper_u: float = np.nan
    floors: float = np.nan


def score_long(measurement: Measurement, truths: list[dict], floors: float = np.nan) -> LongScore:  # type: ignore[type-arg]
    """Score one measurement of a whole seam."""
    score, profile = score_set(measurement, truths), measurement.profile
    if profile is None:
        return LongScore(score=score, floors=floors)
    at, inside, swapped, s, t_a, t_b = stations_on_truth(profile, measurement, truths)
    error = np.where(inside, profile.gap_mm - np.interp(at, s, t_b - t_a), np.nan)
    change = np.full(len(error), np.nan)
    for i in range(_BESIDE, len(error) - _BESIDE):
        if np.isfinite(error[i - _BESIDE : i + _BESIDE]).all():
            change[i] = error[i : i + _BESIDE].mean() - error[i - _BESIDE : i].mean()
    joints = np.flatnonzero(np.diff(profile.photo) != 0) + 1
    straight, straight_u, bows, bow_u = [], [], [], []
    span = (s >= np.nanmin(at[inside])) & (s <= np.nanmax(at[inside])) & np.isfinite(t_a) & np.isfinite(t_b)
    forms = (measurement.straightness_a, measurement.straightness_b)
    for form, true in zip(forms, (t_b, t_a) if swapped else (t_a, t_b), strict=True):
        if form is None or truths[0]["seam"]["kind"] != "straight" or measurement.seam_kind != "straight":
            continue
        straight.append(form.min_zone_mm - edge_form(s[span], true[span])["min_zone_mm"])
        straight_u.append(form.expanded_u_mm)
        if form.bow_mm is not None and form.bow_u_mm is not None:
            x = (s[span] - 0.5 * (s[span][0] + s[span][-1])) / (0.5 * np.ptp(s[span]))
            arc = float(-np.polyfit(x, true[span], 2)[0])
            bows.append(abs(form.bow_mm) - abs(arc))
            bow_u.append(form.bow_u_mm)
    true_taper = 1000 * np.polyfit(at[inside], np.interp(at[inside], s, t_b - t_a), 1)[0]
    summary, way = measurement.summary, np.sign(np.polyfit(profile.s_mm[inside], at[inside], 1)[0])
    return LongScore(
        score=score,
        straight_errors_mm=tuple(straight),
        straight_u_mm=tuple(straight_u),
        bow_errors_mm=tuple(bows),
        bow_u_mm=tuple(bow_u),
        joint_mm=float(np.nanmax(np.abs(change[joints]))) if np.isfinite(change[joints]).any() else np.nan,
        usual_mm=float(np.nanpercentile(np.abs(change), 95)),
        taper_error=float(way * summary.taper_mm_per_m - true_taper) if summary else np.nan,
        taper_u=float(summary.taper_u_mm_per_m or np.nan) if summary else np.nan,
        floors=floors,
    )


def measure_long(pairs: list[Pair], keep: Path | None = None) -> LongScore:
    """Measure one seam from all its photos."""
    from gapvision.formats import measurement_json
    from gapvision.intake.photo import read_photo
    from gapvision.model import Settings
    from gapvision.recipe import measure_photo
    from gapvision.several import Shot, measure_photos

    truths = [json.loads(truth.read_text(encoding="utf-8")) for _, truth in pairs]
    along, across = print_scale(truths[0])
    settings = Settings(
        print_scale_along=along, print_scale_across=across, print_scale_checked=True, one_sheet=True
    )
    measure_photo(read_photo(pairs[0][0]), settings)  # warm
    files = [photo for photo, _ in pairs]
    floor = floor_s(files, truths[0]["strips"][0]["letter"])
    start = time.perf_counter()
    measurement = measure_photos([Shot(file.name, lambda f=file: read_photo(f)) for file in files], settings)  # type: ignore[misc]
    spent = time.perf_counter() - start
    if keep is not None:
        keep.mkdir(parents=True, exist_ok=True)
        measurement_json.write(measurement, keep / f"{files[0].stem[:-1]}.json")
    return score_long(measurement, truths, spent / floor)


def line(name: str, one: LongScore) -> str:
    """One seam as a row of text."""
    s = one.score
    reach = max(s.reach_mm, 1e-9)
    largest = (max((abs(v) for v in values), default=np.nan) for values in (one.straight_errors_mm, one.bow_errors_mm))
    straight, bow = largest
    within = s.within_u if s.within_u is not None else np.nan
    held = [abs(e) <= u for e, u in zip(one.straight_errors_mm, one.straight_u_mm, strict=True)]
    return (
        f"{name:18s} {s.status:8s} {s.covered_mm / reach:5.2f} {s.useful_mm / reach:6.2f} {s.wrong_mm / reach:6.3f} "
        f"{within:5.2f} {straight:8.3f} {sum(held)}/{len(held)} {bow:6.3f} {max(one.bow_u_mm, default=np.nan):6.3f} "
        f"{one.joint_mm:6.3f} {one.usual_mm:6.3f} {one.taper_error:6.2f} {one.taper_u:5.2f} {one.floors:5.1f}  "
        f"{','.join(s.codes)}"
    )


def main(argv: list[str] | None = None) -> int:
    """Print a row for each seam and the figures of all; exit code 2 if there is nothing to measure."""
    parser = argparse.ArgumentParser(prog="python -m gapvision.lab.bench.long_seams", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--keep", type=Path, metavar="DIR", help="keep the measurement files there")
    parser.add_argument("--only", action="append", help="this seam (may be repeated)")
    args = parser.parse_args(argv)
    sets = {name: pairs for name, pairs in sets_of(args.folder).items() if not args.only or name in args.only}
    if not sets:
        sys.stderr.write(f"There is no photo with a NAME.truth.json beside it in {args.folder}.\n")
        return 2
    print(f"{'seam':18s} {'status':8s} cover useful  wrong  <=U straight in U   bow  bow U "
          f" joint  usual taper  U   time")
    found = []
    for name, pairs in sets.items():
        found.append(measure_long(pairs, args.keep))
        print(line(name, found[-1]), flush=True)
    reach = sum(one.score.reach_mm for one in found)
    errors = np.concatenate([np.abs(one.score.errors_mm) for one in found])
    u = np.concatenate([one.score.expanded_u_mm for one in found])
    straight = [abs(v) for one in found for v in one.straight_errors_mm]
    print(
        f"\n{len(found)} seams: useful {sum(one.score.useful_mm for one in found) / reach:.3f}, "
        f"wrong {sum(one.score.wrong_mm for one in found) / reach:.4f}, within U {np.mean(errors <= u):.3f}, "
        f"straightness error mean {np.mean(straight):.3f} and largest {np.max(straight):.3f} mm, "
        f"joint, largest {np.nanmax([one.joint_mm for one in found]):.3f} mm"
    )
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
