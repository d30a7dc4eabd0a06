"""Arguments that several commands share: lengths, a tolerance band, check lines."""

from __future__ import annotations

import argparse

from gapvision.errors import GapvisionError


def add_check_lines(parser: argparse.ArgumentParser) -> None:
    """Add --check-length and --check-width."""
    parser.add_argument(
        "--check-length", metavar="LENGTH", help="what the 200 mm check line measures on your print, e.g. 198.6mm"
    )
    parser.add_argument(
        "--check-width", metavar="LENGTH", help="what the 150 mm check line measures; one line given serves for both"
    )


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
