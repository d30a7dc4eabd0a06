"""Does a kill lose or halve what a command writes?  ``python -m gapvision.lab.bench.records_commands``.

Each command runs in a process of its own on a fresh copy of a small shop's records, and is killed with SIGKILL at a
moment by lot within the time it needs.  Then the records are opened and looked at (file, chain, every result, verdict
and photo); every row must be one that was there before or that the whole command makes; what it writes into a folder
must be whole or not there; and the same command, given once more, must come through.  Photos are not measured: their
result is at hand, so that the kills fall where something is written.
"""

from __future__ import annotations

import argparse
import contextlib
import hashlib
import io
import json
import os
import random
import re
import runpy
import shutil
import signal
import sqlite3
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from unittest.mock import patch

from PIL import Image

from gapvision import workshop
from gapvision.formats.measurement_json import from_dict
from gapvision.formats.package import Package
from gapvision.lab.bench._records import invented_measurement, invented_verdict
from gapvision.model import Measurement
from gapvision.records import Store
from gapvision.workshop import measuring

#: Columns that differ from one run to the next.
_OWN = {"id", "uid", "created_at", "changed_at", "made_at", "added_at", "deleted_at", "job_id", "panel_id", "seam_id",
        "visit_id", "shot_id", "measurement_id", "position", "bin_id", "item_id"}  # fmt: skip
_TABLES = ("jobs", "panels", "seams", "visits", "photos", "shots", "measurements", "bodies", "verdicts", "notes",
           "plans", "bin")  # fmt: skip

_TIME = re.compile(r"\d{4}-\d\d-\d\dT[\d:.]+Z")

#: Every command that writes; {data} is the data folder, {out} where files go, {shop} what lies beside.
COMMANDS = (
    "job new --reference 18 --customer Invented --data {data}",
    "job edit 17 --customer Changed --nominal 4.4mm --tol 0.4mm --data {data}",
    "job panel 17 door --metal aluminium --length 1010mm --seams sill --data {data}",
    "job note 17 Worn --data {data}",
    "job judge 17 --data {data}",
    "job plan 17 {shop}/plan.json --data {data}",
    "job remeasure 17 --data {data}",
    "job delete 17 --seam sill --data {data}",
    "job undo --data {data}",
    "job bin --empty --yes --data {data}",
    "add {shop}/photo.jpg --job 17 --seam sill --stage killed --yes --data {data}",
    "shop --name Other --paper letter --data {data}",
    "sheet 407122947 --check-length 198.6mm --check-width 149.2mm --data {data}",
    "import {shop}/next.zip --data {data}",
    "export 17 -o {out}/x.zip --data {data}",
    "report 17 -o {out}/x.pdf --data {data}",
    "backup {out}/copies --data {data}",
    "restore {shop}/copies --data {out}/restored",
    "sign file {out}/signed.zip --data {data}",
    "demo-job --data {out}/demo",
)


def shop(folder: Path) -> None:
    """A small shop's records in ``data``, and what its commands need beside them."""
    data = folder / "data"
    photo = invented_picture()
    (folder / "photo.jpg").write_bytes(photo)
    (folder / "plan.json").write_text(json.dumps({"schema": "gapvision-plan/1", "panel": "door", "steps": ["Move."]}))
    with Store(folder / "next") as store:
        fill(store, "next", photo)
        workshop.export_job(store, store.job("next").job_id, folder / "next.zip")
    with Store(data) as store:
        fill(store, "17", photo)
        gone = store.new_job(reference="gone")
        store.delete("job", gone.job_id)
    for words in (f"backup {folder}/copies --data {data}", f"sign key --data {data}"):
        quiet(words, folder, folder)


def invented_picture() -> bytes:
    """A photo that shows nothing."""
    out = io.BytesIO()
    Image.new("RGB", (800, 600), (90, 80, 70)).save(out, "JPEG")
    return out.getvalue()


def fill(store: Store, reference: str, photo: bytes) -> None:
    """One job with two visits of one seam."""
    job = store.new_job(reference=reference, customer="Sam Sample")
    spec = {"nominal": "4.4mm", "allow_below": "0.4mm", "allow_above": "0.4mm"}
    seam = store.add_seam(job.job_id, "sill", spec=spec)
    for k in range(2):
        visit = store.add_visit(job.job_id, f"stage {k}", on_date=f"2026-01-0{k + 1}")
        result = from_dict(invented_measurement(k, 120))
        line = workshop.keep_photo(store, seam, visit, photo + bytes(k), f"{k}.jpg", result)
        store.add_verdict(line.measurement_id, **invented_verdict(k, 120))


def quiet(words: str, data: Path, out: Path, beside: Path | None = None) -> int:
    """Run a command as the program's own start does; what it prints is of no interest."""
    told = ["gapvision", *(w.format(data=data, out=out, shop=beside) for w in words.split())]
    with (
        open(os.devnull, "w") as nothing, contextlib.redirect_stdout(nothing), contextlib.redirect_stderr(nothing),
        patch.object(sys, "argv", told), patch.object(workshop, "measure_files", measured),
        patch.object(measuring, "measure_files", measured),
    ):  # fmt: skip
        try:
            runpy.run_module("gapvision", run_name="__main__")
        except SystemExit as end:
            return int(end.code or 0)
    return 0


def measured(files: Sequence[tuple[bytes, str]], settings: object = None) -> Measurement:
    """A result at hand, in place of measuring these files."""
    del settings
    found = from_dict(invented_measurement(3, 120))
    seen = sorted((name, hashlib.sha256(data).hexdigest()) for data, name in files)
    return replace(found, photos=tuple(replace(found.photo, file=name, sha256=sha256) for name, sha256 in seen))


def rows_of(data: Path) -> Counter[str]:
    """What the records hold, but for numbers and times."""
    if not (data / "records.sqlite").exists():
        return Counter()
    db = sqlite3.connect(data / "records.sqlite")
    db.row_factory = sqlite3.Row
    found = Counter[str]()
    for table in _TABLES:
        for row in db.execute(f"SELECT * FROM {table}"):
            gone = "deleted_at" in row.keys() and row["deleted_at"] is not None
            kept = {k: _TIME.sub("", repr(row[k])) for k in row.keys() if k not in _OWN}
            found[json.dumps([table, gone, kept])] += 1
    db.close()
    return found


def start(words: str, place: Path, beside: Path) -> int:
    """Run a command in a process of its own; its number."""
    process = os.fork()
    if process == 0:
        code = 99
        try:
            code = quiet(words, place / "data", place / "out", beside)
        finally:
            os._exit(code)
    return process


def fresh(folder: Path, beside: Path, words: str) -> Path:
    """A copy of the shop's records, and an empty folder for files, as a command finds them."""
    shutil.rmtree(folder, ignore_errors=True)
    shutil.copytree(beside / "data", folder / "data")
    (folder / "out").mkdir()
    if "signed.zip" in words:
        shutil.copy(beside / "next.zip", folder / "out" / "signed.zip")
    return folder


def wrong_files(out: Path) -> list[str]:
    """Files that are not whole."""
    wrong = []
    for path in sorted(p for p in out.rglob("*") if p.is_file()):
        if path.suffix == ".zip":
            with Package(path) as package:
                wrong += package.problems()
        elif path.suffix == ".pdf" and not path.read_bytes().rstrip().endswith(b"%%EOF"):
            wrong.append(f"{path.name} is not whole")
    return wrong


def look(data: Path) -> list[str]:
    """What is wrong with a data folder, every photo read."""
    if not (data / "records.sqlite").exists():
        return []
    with Store(data) as store:
        return list(store.verify().problems)


def main() -> int:
    """Kill, look, count; 1 if anything was lost or left half done."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=12, help="of each command")
    parser.add_argument("--commands", type=int, nargs=2, default=(0, len(COMMANDS)), help="from, to: only these")
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    rng, faults, killed, through = random.Random(args.seed), list[str](), 0, 0
    with tempfile.TemporaryDirectory() as name:
        beside, place = Path(name) / "shop", Path(name) / "run"
        beside.mkdir()
        shop(beside)
        before = rows_of(beside / "data")
        for words in COMMANDS[slice(*args.commands)]:
            quiet(words, fresh(place, beside, words) / "data", place / "out", beside)  # all modules are loaded then
            began = time.perf_counter()
            _, status = os.waitpid(start(words, fresh(place, beside, words), beside), 0)
            needs, whole = time.perf_counter() - began, rows_of(place / "data")
            own = " ".join(words.split()[:2])
            if status:
                faults.append(f"{own}: ended with {os.waitstatus_to_exitcode(status)} when it was not killed")
                continue
            for _ in range(args.kills):
                process = start(words, fresh(place, beside, words), beside)
                time.sleep(rng.uniform(0, needs))
                os.kill(process, signal.SIGKILL)
                _, status = os.waitpid(process, 0)
                killed, through = killed + os.WIFSIGNALED(status), through + (not os.WIFSIGNALED(status))
                after = rows_of(place / "data")
                said = look(place / "data") + wrong_files(place / "out")
                for folder in ("copies", "restored", "demo"):
                    said += look(place / "out" / folder)
                if after - (before | whole):
                    said.append("rows that neither were there nor come of it")
                if (before & whole) - after:
                    said.append("rows are lost")
                if not words.startswith("restore") or (place / "out" / "restored" / "records.sqlite").exists():
                    for path in (place / "out").glob("[!s]*"):  # whole, so nothing is written over it
                        shutil.rmtree(path) if path.is_dir() else path.unlink()
                again = words.replace("--reference 18", "--reference 19") if after != before else words
                if after != before and words.startswith(("import", "job undo", "job delete")):
                    again = ""  # it was done
                _, status = os.waitpid(start(again, place, beside), 0) if again else (0, 0)
                if status:
                    said.append(f"given again it ended with {os.waitstatus_to_exitcode(status)}")
                said += look(place / "data")
                faults += [f"{own}: {x}" for x in said]
            print(f"{own}: {args.kills} times, needs {needs:.2f} s, {len(faults)} faults so far", flush=True)
    print(*faults, sep="\n")
    print(f"killed: {killed}; came through before the kill: {through}; faults: {len(faults)}")
    return 1 if faults else 0


if __name__ == "__main__":
    raise SystemExit(main())
