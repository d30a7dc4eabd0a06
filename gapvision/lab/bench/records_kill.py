"""Is anything lost when the program is killed while saving?  ``python -m gapvision.lab.bench.records_kill``.

A child process saves photos with their measurements as fast as it can and says
each one once it is saved.  It is killed with SIGKILL at a random moment, again
and again, on the same data folder.  After every kill the database is opened and
checked, and everything that was ever said to be saved must be there, photo byte
for byte.  (A killed program tests the order of writing and the log's recovery;
a power cut, which also loses what the disk holds back, cannot be made here.)
"""

from __future__ import annotations

import argparse
import hashlib
import random
import signal
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from gapvision.lab.bench._records import invented_measurement, invented_photo
from gapvision.records import Store


def child(folder: Path, seam_id: int, visit_id: int) -> None:
    """Save for ever; say each save once it is done."""
    with Store(folder) as store:
        number = 0
        while True:
            number += 1
            photo = invented_photo(number, 200_000)
            line = store.save_photo(seam_id, visit_id, photo, ".jpg", invented_measurement(number, 60))
            sys.stdout.write(f"{line.measurement_id} {hashlib.sha256(photo).hexdigest()}\n")
            sys.stdout.flush()


def main() -> int:
    """Kill, check, count; 1 if anything was lost."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--child", nargs=3, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.child:
        child(Path(args.child[0]), int(args.child[1]), int(args.child[2]))
    rng = random.Random(args.seed)
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name) / "data"
        with Store(folder) as store:
            job = store.new_job(reference="kill")
            seam, visit = store.add_seam(job.job_id, "seam"), store.add_visit(job.job_id, "as found")
        said: dict[int, str] = {}
        unsaid: set[int] = set()
        lost = damaged = early = 0
        for kill in range(args.kills):
            words = [sys.executable, "-m", "gapvision.lab.bench.records_kill", "--child", str(folder),
                     str(seam.seam_id),
                     str(visit.visit_id)]  # fmt: skip
            process = subprocess.Popen(words, stdout=subprocess.PIPE, text=True)
            assert process.stdout is not None
            # Mostly a moment at random after the first save, some saves long; every
            # fifth time any moment from the start of the program on.
            first = ""
            if kill % 5:
                first = process.stdout.readline()
                time.sleep(rng.uniform(0, 0.06))
            else:
                time.sleep(rng.uniform(0.05, 0.6))
            process.send_signal(signal.SIGKILL)
            rest = process.stdout.read()
            process.wait()
            process.stdout.close()
            told = [x for x in (first + rest).splitlines(keepends=True) if x.endswith("\n")]
            early += not told
            said.update((int(a), b) for a, b in (x.split() for x in told))
            with Store(folder) as store:
                damaged += bool(store.database.problems())
                there = {x.measurement_id: x.photo for x in store.history(seam.seam_id)}
                unsaid |= there.keys() - said.keys()
                lost += len(said.keys() - there.keys())
                for number in (int(x.split()[0]) for x in told):
                    photo = there.get(number)
                    if photo is not None:
                        kept = hashlib.sha256(store.photo_bytes(photo)).hexdigest()
                        lost += kept != said[number]
            if (kill + 1) % 20 == 0:
                sys.stderr.write(f"{kill + 1} kills, {len(said)} saves said\n")
        with Store(folder) as store:
            wrong = store.check()
        parts = len(list((folder / "photos").glob("*/.part-*")))
    print(f"kills: {args.kills} (of these {early} before the first save was said)")
    print(f"saves said: {len(said)}; lost: {lost}; found in the database though not yet said: {len(unsaid)}")
    print(f"databases damaged: {damaged}; wrong at the end, every photo checked: {len(wrong)}")
    print(f"half-written photo files left for the next sweep: {parts}")
    return 1 if lost or damaged or wrong else 0


if __name__ == "__main__":
    raise SystemExit(main())
