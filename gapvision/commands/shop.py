"""``gapvision shop``: the shop's own head for its documents, and what it wants of its gaps."""

from __future__ import annotations

import argparse
from pathlib import Path

from gapvision.commands._args import add_kept, add_wanted, keep, kept_rows
from gapvision.commands._records import add_data, open_store
from gapvision.errors import GapvisionError


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = "Example: gapvision shop --nominal 3/16in --tol 0.5mm --units inch"
    parser.add_argument("--name")
    parser.add_argument("--address")
    parser.add_argument("--contact")
    parser.add_argument("--logo", metavar="F.png", help="PNG or JPEG of at most 2 MB; an empty name takes it away")
    parser.add_argument("--paper", choices=("a4", "letter"))
    parser.add_argument("--units", choices=("mm", "inch"), help="which stands first, here and in reports")
    add_wanted(parser, title="what is wanted, and kept: photos and new seams that say nothing else go by it")
    parser.add_argument("--keep-as", metavar="NAME", help="keep what is given as your own, for --preset")
    add_kept(parser)
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Change what is given, then show all."""
    logo = None
    if args.logo is not None:
        try:
            logo = Path(args.logo).read_bytes() if args.logo else b""
        except OSError:
            raise GapvisionError("file-not-found", f"'{args.logo}' was not found.") from None
    with open_store(args) as store:
        keep(args)
        shop = store.set_shop(
            name=args.name, address=args.address, contact=args.contact, logo=logo, paper=args.paper, units=args.units
        )
    for what, text in (("name", shop.name), ("address", shop.address), ("contact", shop.contact),
                       ("logo", f"{len(shop.logo)} bytes" if shop.logo else ""), ("paper", shop.paper),
                       ("units", shop.units), *kept_rows(args)):  # fmt: skip
        print(f"{what}: {text or '-'}")
    return 0
