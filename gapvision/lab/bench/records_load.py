"""How fast the records are when a shop has many of them: ``python -m gapvision.lab.bench.records_load``.

Fills a fresh data folder with jobs and measurements, then times the jobs list,
searches and one seam's history, each as the median of repeated calls on a newly
opened store; and the report of a job with twelve seams.
"""

from __future__ import annotations

import argparse
import os
import statistics
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

from gapvision.lab.bench._records import (
    CARS,
    PEOPLE,
    SEAMS,
    STAGES,
    invented_measurement,
    invented_photo,
    invented_verdict,
)
from gapvision.model import Measurement
from gapvision.records import Store

LIMIT_S = 0.2
LIMIT_REPORT_S = 10.0
LIMIT_VERIFY_S = 20.0


def fill(folder: Path, jobs: int, measurements: int) -> None:
    """Make the records: as many measurements as asked, spread evenly over the jobs."""
    per_job = max(measurements // jobs, 1)
    number = 0
    with Store(folder) as store:
        for k in range(jobs):
            with store.database.saving():  # one save per job, so that filling does not take all day
                job = store.new_job(
                    reference=f"{2020 + k % 7}-{k:05d}", customer=f"{PEOPLE[k % 5]} {k}", car=CARS[k % 5],
                    notes=f"Sills renewed, lead loading on pillar {k % 13}." * 3, opened_on=f"2026-01-{1 + k % 28:02d}",
                )  # fmt: skip
                seams = [
                    store.add_seam(job.job_id, SEAMS[m % 6], side=("left", "right")[m // 6 % 2])
                    for m in range(max(1, min(per_job // 2, 12)))
                ]
                visits = [store.add_visit(job.job_id, s, on_date=f"2026-02-{1 + m:02d}") for m, s in enumerate(STAGES)]
                photo = invented_photo(k)  # one file serves a whole job: the rows are what is timed
                for m in range(per_job):
                    number += 1
                    line = store.save_photo(
                        seams[m % len(seams)].seam_id, visits[m // len(seams) % 5].visit_id, photo,
                        ".jpg", invented_measurement(number), file_name=f"{number}.jpg",
                    )  # fmt: skip
                    store.add_verdict(line.measurement_id, **invented_verdict(number))


def median_s(work: Callable[[], object], times: int = 7) -> float:
    """Median time of some calls [s]."""
    taken = []
    for _ in range(times):
        start = time.perf_counter()
        work()
        taken.append(time.perf_counter() - start)
    return statistics.median(taken)


def twelve_seam_report(folder: Path, width_px: int) -> float:
    """Time the report of a job with twelve seams, each with two real photos [s]."""
    from gapvision.lab.scenes import render_scene
    from gapvision.lab.scenes.demo import demo_scene
    from gapvision.workshop import evidence_report, keep_photo, measure_file

    scenes = [demo_scene("left_door", k, width_px) for k in range(2)]
    photos = [render_scene(spec, seed)[0] for seed, spec in scenes]
    with Store(folder) as store:
        job = store.new_job(reference="report")
        visits = [store.add_visit(job.job_id, s, on_date=f"2026-02-0{1 + k}") for k, s in enumerate(STAGES[:2])]
        measured: list[Measurement] = []
        for k in range(12):
            seam = store.add_seam(job.job_id, f"seam {k + 1}", spec={"nominal": "4.8mm", "allow_below": "0.5mm",
                                                                     "allow_above": "0.5mm"})  # fmt: skip
            for j, visit in enumerate(visits):
                if len(measured) < 2:
                    measured.append(measure_file(photos[j], f"{j}.jpg"))
                keep_photo(store, seam, visit, photos[j], f"{j}.jpg", measured[j])
        start = time.perf_counter()
        evidence_report(store, job.job_id)
        return time.perf_counter() - start


def main() -> int:
    """Fill, time, print; 1 if a figure is over its limit."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--jobs", type=int, default=2000)
    parser.add_argument("--measurements", type=int, default=20000)
    parser.add_argument("--photo-width", type=int, default=4032, help="of the photos in the report [px]; 0: no report")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "data"
        start = time.perf_counter()
        fill(folder, args.jobs, args.measurements)
        size = sum(p.stat().st_size for p in folder.glob("records.sqlite*")) / 1e6
        print(f"filled: {args.jobs} jobs, {args.measurements} measurements in {time.perf_counter() - start:.0f} s;"
              f" database {size:.0f} MB")  # fmt: skip
        start = time.perf_counter()
        store = Store(folder)
        worst = show("open the records", time.perf_counter() - start, LIMIT_S)
        with store:
            job = store.job(f"{2020 + (args.jobs // 2) % 7}-{args.jobs // 2:05d}")
            seam = store.seams(job.job_id)[0]
            visit = store.visits(job.job_id)[0]

            def save() -> None:
                photo = invented_photo(0, 4_000_000)
                store.save_photo(seam.seam_id, visit.visit_id, photo, ".jpg", invented_measurement(0))

            for name_, work in (
                ("jobs list, all", lambda: store.jobs()),
                ("jobs list, first 50", lambda: store.jobs(limit=50)),
                ("search, one word in a fifth of the jobs", lambda: store.jobs("coupe")),
                ("search, three words", lambda: store.jobs("пример left 7")),
                ("search, no hit", lambda: store.jobs("zeppelin")),
                ("one seam's history", lambda: store.history(seam.seam_id)),
                ("a job's seams at a glance", lambda: store.seam_states(job.job_id)),
                ("one measurement whole", lambda: store.measurement(1)),
                ("save a photo of 4 MB with its measurement", save),
            ):
                worst = max(worst, show(name_, median_s(work), LIMIT_S))
            start, processor = time.perf_counter(), time.process_time()
            found = store.database.look()[1]
            show("the file, its rows and their chain alone", time.perf_counter() - start, LIMIT_VERIFY_S)
            start = time.perf_counter()
            verified = store.verify(photos=False, workers=os.cpu_count() or 1)
            worst = max(worst, show("verify, photos not read", time.perf_counter() - start, LIMIT_VERIFY_S))
            processor = time.process_time() - processor
            print(f"verified: {verified.results} results, {len(verified.problems)} problems; chain from "
                  f"{found.speaks_from}; this process {processor:.1f} s of processor")  # fmt: skip
            if verified.problems:
                print(*verified.problems[:5], sep="\n")
        if args.photo_width == 0:
            return 1 if worst > 1 else 0
        worst = max(
            worst, show("report, 12 seams, 24 photos", twelve_seam_report(folder, args.photo_width), LIMIT_REPORT_S)
        )
    return 1 if worst > 1 else 0


def show(name: str, seconds: float, limit_s: float) -> float:
    """Print one figure as soon as it is known; return its share of the limit."""
    print(f"{name:<42} {seconds:8.4f} s   {seconds / limit_s:6.3f} of its limit", flush=True)
    return seconds / limit_s


if __name__ == "__main__":
    raise SystemExit(main())
