"""The print scale from the check lines as a person measured them."""

from __future__ import annotations

from gapvision.errors import GapvisionError
from gapvision.targets.strip import CHECK_ACROSS_MM, CHECK_ALONG_MM
from gapvision.units import parse_length


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
    along = parse_length(check_length, "mm") / CHECK_ALONG_MM if check_length else None
    across = parse_length(check_width, "mm") / CHECK_ACROSS_MM if check_width else None
    for name, scale, nominal in (("200", along, CHECK_ALONG_MM), ("150", across, CHECK_ACROSS_MM)):
        if scale is not None and not 0.85 <= scale <= 1.15:
            raise GapvisionError(
                "value-out-of-range",
                f"A {name} mm check line of {scale * nominal:.1f} mm cannot be right.",
                "Measure the line between its end ticks with a steel rule; print the sheet again if it is far off.",
            )
    if along is None and across is None:
        return 1.0, 1.0, False
    return along or across or 1.0, across or along or 1.0, True
