"""Arguments that several commands share: lengths, a tolerance band, check lines."""

from __future__ import annotations

import argparse

from gapvision.errors import GapvisionError
from gapvision.units import parse_length

CHECK_LENGTH_MM, CHECK_WIDTH_MM = 200.0, 150.0


def add_check_lines(parser: argparse.ArgumentParser) -> None:
    """Add --check-length and --check-width."""
    parser.add_argument(
        "--check-length", metavar="LENGTH", help="what the 200 mm check line measures on your print, e.g. 198.6mm"
    )
    parser.add_argument(
        "--check-width", metavar="LENGTH", help="what the 150 mm check line measures; one line given serves for both"
    )


def print_scales(check_length: str | None, check_width: str | None) -> tuple[float, float, bool]:
    """Print scale along and across the strips, and whether it was measured.

    Parameters
    ----------
    check_length, check_width : str or None
        Measured lengths of the 200 mm and the 150 mm line; bare numbers are mm.

    Returns
    -------
    along, across : float
        Measured over nominal length.
    checked : bool
        False when neither line was measured.
    """
    along = parse_length(check_length, "mm") / CHECK_LENGTH_MM if check_length else None
    across = parse_length(check_width, "mm") / CHECK_WIDTH_MM if check_width else None
    for name, scale, nominal in (("200", along, CHECK_LENGTH_MM), ("150", across, CHECK_WIDTH_MM)):
        if scale is not None and not 0.85 <= scale <= 1.15:
            raise GapvisionError(
                "value-out-of-range",
                f"A {name} mm check line of {scale * nominal:.1f} mm cannot be right.",
                "Measure the line between its end ticks with a steel rule; print the sheet again if it is far off.",
            )
    if along is None and across is None:
        return 1.0, 1.0, False
    return along or across or 1.0, across or along or 1.0, True


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
