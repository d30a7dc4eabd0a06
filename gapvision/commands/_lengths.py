"""Arguments that several commands share: lengths, a tolerance band, check lines, what is known of the edges."""

from __future__ import annotations

import argparse
from typing import Any

from gapvision.errors import GapvisionError
from gapvision.units import parse_length


def add_check_lines(parser: argparse.ArgumentParser) -> None:
    """Add --check-length and --check-width."""
    parser.add_argument(
        "--check-length", metavar="LENGTH", help="what the 200 mm check line measures on your print, e.g. 198.6mm"
    )
    parser.add_argument(
        "--check-width", metavar="LENGTH", help="what the 150 mm check line measures; one line given serves for both"
    )


def add_known(parser: argparse.ArgumentParser) -> None:
    """Add --edge-a, --edge-b, --step and --step-u."""
    group = parser.add_argument_group(
        "what you know of the edges",
        "A is the panel that carries the strip with the lowest letter in the photo (with strips on one side only: the "
        "panel with the strips), B the panel across the gap.  What you state replaces a guess and makes U "
        "smaller, most of all in photos taken at a slant.",
    )
    for name in ("a", "b"):
        group.add_argument(
            f"--edge-{name}",
            metavar="cut|rolled[:RADIUS]",
            help=f"how edge {name.upper()} is made: cut, rolled, or rolled with its radius, e.g. rolled:1.5mm "
            "(half the thickness of the rolled edge)",
        )
    group.add_argument(
        "--step",
        metavar="LENGTH",
        help="step between the panels measured by hand, for photos with strips on one side only: how far face B stands "
        "above face A, e.g. 0.8mm; where B lies lower, -0.8mm",
    )
    group.add_argument(
        "--step-u",
        metavar="LENGTH",
        help="U (k = 2) of that step (default: 0.2mm, feeler gauges under a straight-edge)",
    )


def known_of(args: argparse.Namespace) -> dict[str, Any]:
    """What was stated of edges and step, as the settings of a measurement take it; empty: nothing.

    Raises
    ------
    GapvisionError
        ``value-out-of-range`` or ``length-not-understood``.
    """
    known: dict[str, Any] = {}
    for name in ("a", "b"):
        text = getattr(args, f"edge_{name}")
        if text is not None:
            kind, radius = parse_edge(text)
            known |= {f"edge_{name}": kind, f"edge_{name}_radius_mm": radius}
    if args.step is not None:
        known["step_mm"] = parse_length(args.step)
    if args.step_u is not None:
        if args.step is None:
            raise GapvisionError(
                "value-out-of-range", "--step-u belongs to --step.", "Give --step too, or leave it out."
            )
        known["step_u_mm"] = parse_length(args.step_u)
    if known:
        from gapvision.model import Settings

        Settings(**known)  # refuses nonsense once, and not with every photo
    return known


def parse_edge(text: str) -> tuple[str, float | None]:
    """Read how an edge is made, like ``cut``, ``rolled`` or ``rolled:1.5mm``.

    Returns
    -------
    kind : str
        ``cut`` or ``rolled``.
    radius_mm : float or None
        Radius of the roll [mm].

    Raises
    ------
    GapvisionError
        ``value-out-of-range`` or ``length-not-understood``.
    """
    kind, colon, radius = text.strip().lower().partition(":")
    if kind.strip() not in ("cut", "rolled") or (colon and kind.strip() == "cut"):
        raise GapvisionError(
            "value-out-of-range",
            f"'{text}' is not a way to make an edge.",
            "Write cut, rolled, or rolled with its radius like rolled:1.5mm.",
        )
    return kind.strip(), parse_length(radius) if colon else None


def parse_points(words: list[str] | None) -> tuple[tuple[float, float], ...] | None:
    """Read points like ``1200,830`` [px]."""
    if not words:
        return None
    points = []
    for word in words:
        try:
            x, y = (float(part) for part in word.split(","))
        except ValueError:
            raise GapvisionError(
                "value-out-of-range", f"'{word}' is not a point in the photo.", "Write points like 1200,830 2400,845."
            ) from None
        points.append((x, y))
    return tuple(points)
