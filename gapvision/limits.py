"""Every threshold and constant with its unit and where it comes from.

``status`` is one of: read, computed, measured, common practice, from memory.
A test refuses an empty source, so that no bare number hides in an algorithm.
"""

from __future__ import annotations

from dataclasses import dataclass

_STATUS = ("read", "computed", "measured", "common practice", "from memory")


@dataclass(frozen=True, slots=True)
class Limit:
    """A number with its unit and source.

    Attributes
    ----------
    value : float
        The number.
    unit : str
        Unit, ``1`` for none.
    source : str
        Where it comes from, in words.
    status : str
        read, computed, measured, common practice (no source), from memory (not checked).
    """

    value: float
    unit: str
    source: str
    status: str

    def __post_init__(self) -> None:
        if not self.source or self.status not in _STATUS:
            raise ValueError("a limit needs a source and a known status")


# --- reading photos ---------------------------------------------------------------
MAX_PHOTO_BYTES = Limit(120e6, "byte", "a 108-megapixel phone JPEG stays below 40 MB; three times that", "computed")
MAX_PHOTO_PIXELS = Limit(120e6, "px", "largest common phone sensor is 108 megapixels", "common practice")
MAX_DECODED_BYTES = Limit(
    500e6, "byte", "108 megapixels in 8-bit colour take 324 MB, 48 in 16-bit RGBA 384 MB", "computed"
)
MAX_JPEG_SCANS = Limit(
    100, "1", "usual progressive JPEGs have 10 or 11 scans; thousands are an attack on time", "from memory"
)

# --- measurement files --------------------------------------------------------------
MAX_MEASUREMENT_FILE_BYTES = Limit(
    64e6, "byte", "2 m of seam at 0.2 mm stations take 5 MB; ten times that and more", "computed"
)

# --- measuring and the page ----------------------------------------------------------
LEAST_PX_PER_TOLERANCE = Limit(
    1.5, "px", "below it the place of an edge is hardly surer than the tolerance", "computed"
)

_STD_UNCHECKED_PRINT = 0.012  # anything within 2 % alike; common practice, no source
_STD_CHECKED_PRINT = 0.0010, 0.00075  # of the 150 mm line, the 200 mm line, by a steel rule read to 0.25 mm


def print_scale_std(checked: bool, *, along: bool = False) -> float:
    """Standard uncertainty of a print scale across the strips, or ``along`` them: check lines measured, or not."""
    return _STD_CHECKED_PRINT[along] if checked else _STD_UNCHECKED_PRINT
