"""Arguments that several commands share, each defined once: what is wanted, check lines, what is known, units."""

from __future__ import annotations

import argparse
import math
from dataclasses import replace
from typing import TYPE_CHECKING, Any

from gapvision.errors import GapvisionError
from gapvision.formats.data_folder import RECORDS, SETTINGS, data_folder
from gapvision.units import parse_edge, parse_length

if TYPE_CHECKING:
    from gapvision.model import DecisionRule, FinishPlan, Specification
    from gapvision.words import Lengths

_TOLERANCE_MM = 0.5  # common practice, no source; as `import gapvision` has it
_PLACE = (
    "Give --photo-at and --seam-length, with --photo-reverse where its stations run towards the seam's start; or judge "
    "the whole seam with 'gapvision plan'."
)
_LIMITS = ("tol", "below", "above")


def nonsense(message: str, next_step: str) -> GapvisionError:
    """Make the refusal of an argument that cannot be meant."""
    return GapvisionError("value-out-of-range", message, next_step)


def decimal(text: str) -> float:
    """Read a number with a decimal point or comma."""
    try:
        value = float(text.strip().replace(",", "."))
    except ValueError:
        value = math.nan
    if not math.isfinite(value):
        raise nonsense(f"'{text}' is not a number.", "Write it like 0.05 or 0,05.")
    return value


# --- what is wanted -------------------------------------------------------------------
def add_wanted(parser: argparse.ArgumentParser, *, rule: bool = True, title: str = "what is wanted") -> None:
    """Add --nominal, --preset, --spec, --tol, --below, --above and, with ``rule``, --rule and --risk."""
    group = parser.add_argument_group(title)
    one = group.add_mutually_exclusive_group()
    one.add_argument("--nominal", type=parse_length, metavar="LENGTH", help="wanted gap, like 3/16in or 4.76mm")
    one.add_argument("--preset", metavar="NAME", help="even-close, even-road, door-period, or your own")
    one.add_argument("--spec", metavar="F.toml", help="specification file")
    texts = ("allowed either way (default: 0.5mm)", "allowed below it; --above: above it", argparse.SUPPRESS)
    for name, text in zip(_LIMITS, texts, strict=True):
        group.add_argument(f"--{name}", type=parse_length, metavar="LENGTH", help=text)
    # The refusal of a wanted gap that runs names these three.
    group.add_argument("--photo-at", type=parse_length, metavar="LENGTH", help=argparse.SUPPRESS)
    group.add_argument("--photo-reverse", action="store_true", help=argparse.SUPPRESS)
    group.add_argument("--seam-length", type=parse_length, metavar="LENGTH", help=argparse.SUPPRESS)
    if rule:
        group.add_argument("--rule", metavar="NAME", help="proven (default), simple or risk")
        group.add_argument("--risk", type=decimal, metavar="SHARE", help="with --rule risk: accepted (default: 0.05)")


def given_spec(args: argparse.Namespace) -> Specification | None:
    """The specification that the arguments give; None when they give none.

    Raises
    ------
    GapvisionError
        ``specification-nonsense`` on arguments that contradict each other; the specification's own.
    """
    from gapvision.model import nonsense as contradiction

    limits = [f"--{name}" for name in _LIMITS if getattr(args, name) is not None]
    if limits and (args.spec or args.preset):
        raise contradiction(
            f"The limits come from the specification, so {limits[0]} has no place.", "Leave it out, or use --nominal."
        )
    if limits and args.nominal is None:
        raise contradiction(f"{limits[0]} belongs to --nominal.", "Give --nominal too, or leave it out.")
    if args.tol is not None and len(limits) > 1:
        raise contradiction(f"--tol and {limits[1]} contradict each other.", "Give --tol, or --below and --above.")
    spec = _wanted_gap(args)
    place = {"photo_at_mm": args.photo_at, "photo_reverse": args.photo_reverse or None, "length_mm": args.seam_length}
    said = {name: value for name, value in place.items() if value is not None}
    if said and spec is None:
        raise contradiction("A photo's place on its seam belongs to a wanted gap.", "Give --preset or --spec too.")
    return spec if spec is None or not said else replace(spec, **said)


def _wanted_gap(args: argparse.Namespace) -> Specification | None:
    from gapvision.formats.settings_file import own_specs
    from gapvision.formats.specification_file import read_specification
    from gapvision.judgement import preset, simple_spec

    if args.nominal is not None:
        around = _TOLERANCE_MM if args.tol is None else args.tol
        below, above = (around if x is None else x for x in (args.below, args.above))
        return simple_spec(args.nominal, below, above)
    if args.spec is not None:
        return read_specification(args.spec)
    return None if args.preset is None else preset(args.preset, own_specs(data_folder(getattr(args, "data", None))))


def given_rule(args: argparse.Namespace) -> DecisionRule | None:
    """The decision rule that the arguments give; None when they give none.  A risk without its rule is refused."""
    from gapvision.model import DecisionRule

    if args.risk is not None and args.rule != "risk":
        raise nonsense("--risk belongs to --rule risk.", "Give --rule risk too, or leave --risk out.")
    if args.rule is None:
        return None
    return DecisionRule(name=args.rule, **({} if args.risk is None else {"risk": args.risk}))


def wanted_of(args: argparse.Namespace) -> tuple[Specification | None, DecisionRule]:
    """What to judge by: what the arguments give, else what is kept for the job, else for the shop."""
    from gapvision.model import DecisionRule

    spec, rule = given_spec(args), given_rule(args)
    job = ""
    if args.job is not None:
        from gapvision.commands._records import open_store

        with open_store(args) as store:
            job = store.job(args.job).reference
    if (data_folder(args.data) / SETTINGS).is_file():
        from gapvision.formats.settings_file import read_kept

        kept = read_kept(data_folder(args.data), job)
        spec, rule = (kept.spec if spec is None else spec), rule or kept.rule
    if spec is not None and spec.needs_place:
        raise GapvisionError("photo-place-unknown", next_step=_PLACE)
    if spec is None and args.rule is not None:
        raise nonsense("--rule judges by a wanted gap, and none is known.", "Give one too, like --nominal 3/16in.")
    return spec, rule or DecisionRule()


def needed_wanted(args: argparse.Namespace) -> tuple[Specification, DecisionRule]:
    """As :func:`wanted_of`; ``specification-nonsense`` where no gap is wanted."""
    spec, rule = wanted_of(args)
    if spec is None:
        said = "It was not said what gap is wanted."
        raise GapvisionError("specification-nonsense", said, "Give --nominal, --preset or --spec.")
    return spec, rule


def finish_of(args: argparse.Namespace) -> FinishPlan | None:
    """The finish plan that --finish names, with what the shop's own seams took; None where it is not given."""
    from gapvision.formats.film_file import read_films
    from gapvision.formats.finish_file import read_finish
    from gapvision.judgement import with_taken

    return with_taken(read_finish(args.finish), read_films(data_folder(args.data))) if args.finish else None


def add_kept(parser: argparse.ArgumentParser) -> None:
    """Add --forget, beside what :func:`add_wanted` adds."""
    parser.add_argument("--forget", action="store_true", help="keep no wanted gap, limits and rule any more")


def keep(args: argparse.Namespace, job: str = "") -> None:
    """Keep what is wanted for the shop, or for a job."""
    from gapvision.formats.settings_file import Kept, write_kept

    said = Kept(given_spec(args), given_rule(args))
    if name := getattr(args, "keep_as", None):
        from gapvision.formats.settings_file import write_own_spec

        if said.spec is None and not args.forget:
            raise nonsense("--keep-as names a specification, and none is given.", "Give --nominal or --spec too.")
        write_own_spec(data_folder(args.data), name, None if args.forget else said.spec)
        return
    if args.forget and said != Kept():
        raise nonsense("--forget and what to keep contradict each other.", "Give one of them.")
    if args.forget or said != Kept():
        write_kept(data_folder(args.data), job, None if args.forget else said)


def kept_rows(args: argparse.Namespace, job: str = "") -> list[tuple[str, str]]:
    """What is kept, for people."""
    from gapvision import words
    from gapvision.formats.settings_file import own_specs, read_kept
    from gapvision.judgement import needed_u

    kept, say = read_kept(data_folder(args.data), job), say_of(args)
    rows = [("rule", "" if kept.rule is None else words.rule(kept.rule))]
    if not job:
        rows.append(("own specifications", ", ".join(own_specs(data_folder(args.data)))))
    if kept.spec is not None:
        rows += [("U that it needs", told) for told in words.needs(needed_u(kept.spec, kept.rule), say)]
    if kept.spec is None:
        return [("wanted gap", ""), *rows]
    points = kept.spec.nominal
    told = " running to ".join(say.gap(p.gap_mm) for p in (points if len(points) == 1 else (points[0], points[-1])))
    allowed = f"{say.most(kept.spec.allow_below_mm)} below, {say.most(kept.spec.allow_above_mm)} above"
    return [("wanted gap", told), ("allowed", allowed), *rows]


# --- units and table -------------------------------------------------------------------
def add_shown(parser: argparse._ActionsContainer, *, table: str = "") -> None:
    """Add --units and, where there is one, --table."""
    if table:
        parser.add_argument("--table", action="store_true", help=f"show {table} too")
    parser.add_argument("--units", choices=("mm", "inch"), help="which stands first (default: the shop's setting)")


def say_of(args: argparse.Namespace) -> Lengths:
    """How to write lengths: in the unit asked for, else in the shop's."""
    from gapvision.words import Lengths

    units = args.units
    if units is None:
        folder = data_folder(args.data)
        if (folder / RECORDS).is_file():
            from gapvision.records import Store

            with Store(folder) as store:
                units = store.shop().units
    return Lengths("fraction" if units == "inch" else "mm")


# --- the photo --------------------------------------------------------------------------
def add_check_lines(parser: argparse._ActionsContainer) -> None:
    """Add --check-length and --check-width."""
    text = "sheet's 200 mm line measures; --check-width: 150 mm"
    parser.add_argument("--check-length", metavar="LENGTH", help=text)
    parser.add_argument("--check-width", metavar="LENGTH", help=argparse.SUPPRESS)


def print_of(args: argparse.Namespace) -> dict[str, Any]:
    """What is known of print and phone, as the settings of a measurement take it: the check lines given, else what is
    remembered of sheets; and the studies kept of phones.

    Raises
    ------
    GapvisionError
        ``value-out-of-range`` or ``length-not-understood``; ``sheet-file-bad``, ``proof-file-bad``.
    """
    from gapvision.targets.print_scale import print_scales

    along, across, checked = print_scales(args.check_length, args.check_width)
    told: dict[str, Any] = {}
    if data_folder(args.data).is_dir():
        from gapvision.formats.sheet_file import read_sheets
        from gapvision.formats.study_file import read_phones

        told = {"proofs": read_phones(data_folder(args.data))}
        if not checked:
            told["sheets"] = read_sheets(data_folder(args.data))
    if checked:
        told |= {"print_scale_along": along, "print_scale_across": across, "print_scale_checked": True}
    return told


def add_known(parser: argparse.ArgumentParser) -> None:
    """Add --edge-a, --edge-b, --step, --step-u, --closed, --one-sheet and --strip-thickness."""
    group = parser.add_argument_group("what you know of the edges (A is the panel with the lowest letter)")
    for name, text in (("a", "cut, rolled, rolled:1.5mm (radius); or --edge-b"), ("b", argparse.SUPPRESS)):
        group.add_argument(f"--edge-{name}", type=parse_edge, metavar="KIND", help=text)
    text = "how far face B stands above A; --step-u: its U"
    group.add_argument("--step", type=parse_length, metavar="LENGTH", help=text)
    group.add_argument("--step-u", type=parse_length, metavar="LENGTH", help=argparse.SUPPRESS)
    text = "taped, far corner to far corner; --taped-u: its U"
    group.add_argument("--taped", type=parse_taped, metavar="A-D=LENGTH", help=text)
    group.add_argument("--taped-u", type=parse_length, metavar="LENGTH", help=argparse.SUPPRESS)
    group.add_argument("--closed", action="store_true", help="it goes all round: a fuel flap, a lamp cover")
    group.add_argument("--one-sheet", action="store_true", help="all strips are of one sheet, on one kind of magnet")
    text = "strip and magnet (default: about 0.5mm)"
    group.add_argument("--strip-thickness", type=parse_length, metavar="LENGTH", help=text)


def known_of(args: argparse.Namespace) -> dict[str, Any]:
    """What was stated of edges and step, as the settings of a measurement take it; empty: nothing.

    Raises
    ------
    GapvisionError
        ``value-out-of-range``.
    """
    known: dict[str, Any] = {}
    for name in ("a", "b"):
        if getattr(args, f"edge_{name}") is not None:
            known[f"edge_{name}"], known[f"edge_{name}_radius_mm"] = getattr(args, f"edge_{name}")
    if args.step is not None:
        known["step_mm"] = args.step
    if args.step_u is not None:
        if args.step is None:
            raise nonsense("--step-u belongs to --step.", "Give --step too, or leave it out.")
        known["step_u_mm"] = args.step_u
    if args.taped_u is not None and args.taped is None:
        raise nonsense("--taped-u belongs to --taped.", "Give --taped too, or leave it out.")
    if args.taped is not None:
        from gapvision.model import Taped

        strips, length = args.taped
        u = {} if args.taped_u is None else {"expanded_u_mm": args.taped_u}
        known["taped"] = Taped(strips=strips, length_mm=length, **u)
    if args.closed:
        known["closed"] = True
    if args.one_sheet:
        known["one_sheet"] = True
    if args.strip_thickness is not None:
        known["strip_thickness_mm"] = args.strip_thickness
    return known


def parse_taped(text: str) -> tuple[tuple[str, str], float]:
    """Read a taped distance like ``A-D=1012.5mm``: two strips, and the length [mm]."""
    strips, equals, length = text.partition("=")
    first, dash, second = strips.strip().upper().partition("-")
    if not equals or not dash:
        raise nonsense(f"'{text}' is not a taped distance.", "Give two strips and the length, like A-D=1012.5mm.")
    return (first, second), parse_length(length)


def parse_point(text: str) -> tuple[float, float]:
    """Read a point like ``1200,830`` [px]."""
    try:
        x, y = (float(part) for part in text.split(","))
    except ValueError:
        x = y = math.nan
    if not math.isfinite(x + y):
        raise nonsense(f"'{text}' is not a point in the photo.", "Write points like 1200,830 2400,845.")
    return x, y
