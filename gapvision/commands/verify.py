"""``gapvision verify``: was an exported zip altered; are the stored records and photos sound?"""

from __future__ import annotations

import argparse
import os
import re
from dataclasses import replace

from gapvision.commands._records import Bar, add_data, open_store
from gapvision.errors import GapvisionError


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "Exit code: 0 intact, 1 altered, 2 not a file made by 'gapvision export'. "
        "Example, after 'gapvision demo-job': gapvision verify --data gapvision_demo_job"
    )
    parser.add_argument("zip", nargs="?", metavar="F.zip", help="an export; left out: the data folder itself")
    parser.add_argument("--without-photos", action="store_true", help="leave the photos unread")
    parser.add_argument("--seal", help="the seal noted when the zip was made")
    parser.add_argument("--head", type=_head, metavar="N:HASH", help="head of the chain, noted from a report or export")
    add_data(parser)


def _head(text: str) -> tuple[int, str]:
    """A head as it stands on papers."""
    found = re.fullmatch(r"(\d{1,15}):([0-9a-fA-F]{64})", "".join(text.split()))
    if found is None:
        raise argparse.ArgumentTypeError(f"'{text}' is not a head like 12:0f3a... with 64 digits")
    return int(found[1]), found[2].lower()


def run(args: argparse.Namespace) -> int:
    """Check every byte."""
    if args.zip is None:
        if args.seal:
            raise GapvisionError("value-out-of-range", "--seal belongs to an export.", "Name its zip, too.")
        with open_store(args) as store:
            bars = {"progress": Bar("checking photos"), "results_progress": Bar("working out results")}
            found = store.verify(**bars, photos=not args.without_photos, workers=os.cpu_count() or 1)
            if args.head and store.database.link(args.head[0]) != args.head[1]:
                said = "the chain does not hold the head that was noted: the records were replaced or made anew"
                found = replace(found, problems=(*found.problems, said))
        for said in (*found.problems, *(f"note: {remark}" for remark in found.remarks)):
            print(said)
        photos = "not read" if args.without_photos else str(found.photos)
        print(f"worked out again: {found.results} results; photos: {photos}")
        print(f"chain: {found.head.words}, speaks from {found.speaks_from[:16].replace('T', ' ') or '-'} UTC on")
        whole = "the database is as it was" if args.without_photos else "the database and every photo are as they were"
        print("altered" if found.problems else f"intact: {whole} stored")
        return 1 if found.problems else 0
    from gapvision.formats.package import Package

    with Package(args.zip) as package:
        wrong = package.problems(Bar("checking"))
        if args.seal and args.seal.strip().lower() != package.seal:
            wrong.append("the seal: not the one noted when the zip was made")
        for w in wrong:
            print(w)
        if wrong:
            print("altered")
            return 1
        about = package.manifest
        print(f"intact: {len(package.files)} files\nseal: {package.seal}")
        # Whoever made the zip wrote this: as plain text, without codes that move the cursor or colour the screen.
        said = f"job {about.get('job')}, {about.get('written_by')}"
        if about.get("chain"):
            said += f", chain {about['chain']}"
        print(f"it says of itself: {''.join(c if c.isprintable() else '?' for c in said)[:200]}")
    return 0
