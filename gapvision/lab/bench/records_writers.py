"""Do many writers at once lose anything?  ``python -m gapvision.lab.bench.records_writers``.

Eight processes (programs on one machine) and, in a second run, eight threads of
one process (phones on the page) save photos with their measurements into one
data folder, open jobs and notes in between, and count what they were told is
saved.  Afterwards everything must be there.
"""

from __future__ import annotations

import argparse
import hashlib
import multiprocessing
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from gapvision.lab.bench._records import invented_measurement, invented_photo
from gapvision.records import Store

Said = list[tuple[int, str]]


def save_some(store: Store, writer: int, saves: int) -> Said:
    """Open an own job and save photos into the shared one; return what was said to be saved."""
    shared = store.job("shared")
    seam = store.seams(shared.job_id)[writer % 4]
    own = store.new_job(customer=f"writer {writer}")  # the shop's own numbers must not collide either
    said: Said = []
    for k in range(saves):
        photo = invented_photo(writer * 1000 + k, 300_000)
        visit = store.find_visit(shared.job_id, "as found", on_date="2026-01-02", who="all")
        line = store.save_photo(seam.seam_id, visit.visit_id, photo, ".jpg", invented_measurement(k, 120))
        said.append((line.measurement_id, hashlib.sha256(photo).hexdigest()))
        if k % 5 == 0:
            store.add_note(own.job_id, f"note {k}")
    return said


def _process(task: tuple[str, int, int]) -> Said:
    folder, writer, saves = task
    with Store(Path(folder)) as store:
        return save_some(store, writer, saves)


def run(kind: str, writers: int, saves: int) -> int:
    """One run; print its counts; return how many saves were lost."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "data"
        with Store(folder) as store:
            job = store.new_job(reference="shared")
            for k in range(4):
                store.add_seam(job.job_id, f"seam {k}")
        start = time.perf_counter()
        if kind == "processes":
            with multiprocessing.get_context("spawn").Pool(writers) as pool:
                results = pool.map(_process, [(str(folder), w, saves) for w in range(writers)], chunksize=1)
        else:
            with Store(folder) as shared, ThreadPoolExecutor(writers) as threads:
                results = list(threads.map(lambda w: save_some(shared, w, saves), range(writers)))
        taken = time.perf_counter() - start
        said = dict(pair for result in results for pair in result)
        with Store(folder) as store:
            there = {x.measurement_id: x.photo.sha256 for x in store.job_lines(store.job("shared").job_id)}
            wrong = store.check()
            jobs, visits = len(store.jobs()), len(store.visits(job.job_id))
        lost = sum(there.get(number) != sha256 for number, sha256 in said.items()) + len(wrong)
        lost += abs(jobs - writers - 1) + abs(len(said) - writers * saves) + abs(visits - 1)
    print(
        f"{writers} {kind}: {len(said)} saves said, {lost} lost or wrong, {jobs - 1} jobs opened,"
        f" {visits} shared visit, {taken:.1f} s, {1000 * taken / max(len(said), 1):.1f} ms a save"
    )
    return lost


def main() -> int:
    """Both runs; 1 if anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--writers", type=int, default=8)
    parser.add_argument("--saves", type=int, default=50, help="by each writer")
    args = parser.parse_args()
    return 1 if sum(run(kind, args.writers, args.saves) for kind in ("processes", "threads")) else 0


if __name__ == "__main__":
    raise SystemExit(main())
