"""``gapvision prove``: a study of gauge pieces with the shop's own phone, and what is kept of it."""

from __future__ import annotations

import argparse
import hashlib
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING

from gapvision.commands._args import add_shown, nonsense, say_of
from gapvision.commands._records import Bar, add_data, show_table
from gapvision.errors import EXIT_OK, GapvisionError, require

if TYPE_CHECKING:
    from gapvision.formats.study_file import Study
    from gapvision.model import Measurement, PhoneKey


def configure(parser: argparse.ArgumentParser) -> None:
    """Add the arguments."""
    parser.epilog = (
        "Three gauge pieces or more, five photos of each: the sheet says how to build them. "
        "Without a file, what is kept is listed. Example: gapvision prove --example study.toml"
    )
    parser.add_argument("study", nargs="?", metavar="STUDY.toml", help="what was built, and the photos of it")
    parser.add_argument("--keep", action="store_true", help="let the figures count in U of this phone's photos")
    parser.add_argument("--example", metavar="F.toml", help="write a study's file to fill in")
    parser.add_argument("--sheet", metavar="F.pdf", help="write the sheet that says how to build the pieces")
    parser.add_argument("--paper", default="a4", metavar="a4|letter", help="paper in the printer (default: a4)")
    add_shown(parser)
    add_data(parser)


def run(args: argparse.Namespace) -> int:
    """Write what is asked for; measure and judge the study; or list what is kept."""
    from gapvision.formats.atomic import write_whole
    from gapvision.formats.study_file import EXAMPLE, read_phones, read_study
    from gapvision.records import data_folder
    from gapvision.words.study import proof_line

    if args.keep and not args.study:
        raise nonsense("There is nothing to keep.", "Name the study's file too.")
    if args.example:
        if Path(args.example).exists():
            raise nonsense(f"'{args.example}' is there already.", "Name a new file; it could be a filled-in one.")
        write_whole(args.example, EXAMPLE.encode())
        print(f"written: {args.example}")
    if args.sheet:
        from gapvision.reports.gauge_sheet import gauge_sheet_pdf

        write_whole(args.sheet, gauge_sheet_pdf(args.paper))
        print(f"written: {args.sheet}")
    if args.study:
        return _prove(read_study(args.study), args)
    if not args.example and not args.sheet:
        say, today = say_of(args), date.today()
        rows = [
            (p.name, p.made_on, p.phone.camera, str(p.photos), proof_line(p, say, today))
            for p in read_phones(data_folder(args.data))
        ]
        show_table(rows, ("study", "day", "phone", "photos", "figures"), "No phone was proven yet.")
    return EXIT_OK


def _prove(study: Study, args: argparse.Namespace) -> int:
    from gapvision.formats.study_file import write_phone
    from gapvision.judgement.study import day_of_study, judge_study, proof_of, reading_of
    from gapvision.records import data_folder
    from gapvision.vision.lens import lens_of
    from gapvision.words.study import refused_line, study_lines, study_sentence

    folder = data_folder(args.data)
    phone = _phone(study)
    measured = _measure(study, folder)
    pieces = {piece.name: piece for piece in study.pieces}
    readings = [
        reading_of(m, pieces[piece], person, study.caliper_u_mm)
        for (piece, person, _), m in zip(study.photos, measured, strict=True)
        if m.profile is not None
    ]
    for (piece, _, path), m in zip(study.photos, measured, strict=True):
        if m.profile is None:
            print(refused_line(path.name, piece, m.notices[0].message))
    result = judge_study(study.pieces, readings, study.caliper_u_mm)
    lens = lens_of([m.photo.field for m in measured if m.profile and m.photo.field], phone.focal_35mm_mm)
    print(f"{study.name}, {study.made_on}: {phone.camera or 'a phone that its photos do not name'}")
    print(study_sentence(result, say_of(args)))
    for line in study_lines(result, say_of(args), lens):
        print(f"  {line}")
    if not args.keep:
        print("Not kept. With --keep these figures count in U of this phone's photos.")
        return EXIT_OK
    if not phone.camera:
        raise GapvisionError("phone-not-named")
    day = day_of_study(study.made_on, measured, date.today())
    proof = proof_of(result, study.name, day, phone, measured, lens)
    print(f"kept: {write_phone(folder, proof)}")
    return EXIT_OK


def _phone(study: Study) -> PhoneKey:
    """The one phone, lens and picture size of all photos, of which none is a copy of another."""
    from gapvision.formats.declared import read_file
    from gapvision.intake.headers import phone_of
    from gapvision.judgement.study import one_phone

    keys, seen = [], dict[str, str]()
    for _, _, path in study.photos:
        data = read_file(path)
        same = seen.setdefault(hashlib.sha256(data).hexdigest(), path.name)
        require("study-photo-twice", same == path.name, f"'{path.name}' is the same photo as '{same}'.")
        keys.append((path.name, phone_of(data, path.name)))
    return one_phone(keys)


def _measure(study: Study, folder: Path) -> list[Measurement]:
    """All photos on all cores, each with what is stated of its piece; no study that is kept counts here."""
    from tempfile import TemporaryDirectory

    from gapvision.commands._batch import Order, measure_all
    from gapvision.formats import measurement_json
    from gapvision.formats.sheet_file import read_sheets

    sheets = read_sheets(folder)
    with TemporaryDirectory() as place:
        orders = []
        for k, (name, _, path) in enumerate(study.photos):
            outputs = {"json": Path(place) / f"{k}.json"}
            orders.append(Order(photo=path, settings=study.settings_of(name, sheets), outputs=outputs))
        outcomes, stopped = measure_all(orders, Bar("measuring"))
        if stopped:
            raise KeyboardInterrupt
        for outcome in outcomes:
            for said in (outcome.failed, *outcome.unwritten):
                if said is not None:
                    raise GapvisionError(*said)
        return [measurement_json.read(order.outputs["json"]) for order in orders]
