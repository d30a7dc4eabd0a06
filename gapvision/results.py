"""The types that flow between rooms: data with its shape checked, no algorithms.

Conventions
-----------
* Points are (x, y) in pixels of the upright photo; the centre of the top-left
  pixel is (0, 0).
* Lengths are millimetres; the unit is in the field name.
* ``std_u_...`` is a standard uncertainty, ``expanded_u_...`` an expanded one
  (coverage factor 2, about 95 %, JCGM 100).
* A station that cannot be measured is left out (a hole); it is never filled in.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.codes import CODES

COVERAGE_FACTOR = 2.0

FloatArray = NDArray[np.float64]


def _frozen_array(obj: Any, name: str, shape: tuple[int | None, ...]) -> int:
    """Copy a field into a read-only float array and check its shape; return its first length."""
    value = np.array(getattr(obj, name), dtype=float)
    want = tuple("any" if d is None else d for d in shape)
    if value.ndim != len(shape) or any(d is not None and d != v for d, v in zip(shape, value.shape, strict=True)):
        raise ValueError(f"{name}: expected shape {want}, got {value.shape}")
    value.setflags(write=False)
    object.__setattr__(obj, name, value)
    return int(value.shape[0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """A warning or note that travels with a measurement.

    Attributes
    ----------
    code : str
        Registered code.
    message, advice : str
        What was seen, and what to do.
    """

    code: str
    message: str = ""
    advice: str = ""

    def __post_init__(self) -> None:
        entry = CODES.get(self.code)
        if entry is None:
            raise ValueError(f"unregistered code {self.code!r}")
        if not self.message:
            object.__setattr__(self, "message", entry.text)
        if not self.advice:
            object.__setattr__(self, "advice", entry.next_step)

    @property
    def kind(self) -> str:
        """``warning``, ``note`` or ``refusal``."""
        return CODES[self.code].kind


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Photo:
    """An upright photo, ready to measure.

    Attributes
    ----------
    grey : ndarray, shape (H, W), uint8 or uint16
        Luma, encoded as stored (sRGB transfer curve), upright.
    file : str
        File name without its folder, for people.
    sha256 : str
        Of the bytes of the file.
    focal_35mm_mm : float or None
        Focal length as for 35 mm film from EXIF [mm].
    taken_at : str or None
        EXIF time, ISO 8601 without zone.
    colour : ndarray, shape (ceil(H / 2), ceil(W / 2), 3), uint8, or None
        Blue, green, red at half size, stored alike and upright; None for a grey photo.  Pixel p of the grey lies at
        (p + 0.5) / 2 - 0.5.
    """

    grey: NDArray[Any]
    file: str
    sha256: str
    focal_mm: float | None = None
    focal_35mm_mm: float | None = None
    taken_at: str | None = None
    exif_orientation: int = 1
    colour: NDArray[np.uint8] | None = None

    def __post_init__(self) -> None:
        if self.grey.ndim != 2 or self.grey.dtype not in (np.uint8, np.uint16):
            raise ValueError(f"grey: expected (H, W) uint8 or uint16, got {self.grey.shape} {self.grey.dtype}")
        half = (-(-self.height_px // 2), -(-self.width_px // 2), 3)
        if self.colour is not None and (self.colour.shape != half or self.colour.dtype != np.uint8):
            raise ValueError(f"colour: expected {half} uint8, got {self.colour.shape} {self.colour.dtype}")

    @property
    def width_px(self) -> int:
        """Width of the upright photo [px]."""
        return int(self.grey.shape[1])

    @property
    def height_px(self) -> int:
        """Height of the upright photo [px]."""
        return int(self.grey.shape[0])


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StripView:
    """One strip found in a photo.

    Attributes
    ----------
    letter : str
        A to H.
    corner_ids : ndarray, shape (m,)
        ChArUco corner numbers of the strip.
    corners_px : ndarray, shape (m, 2)
        Sub-pixel corners [px].
    corners_mm : ndarray, shape (m, 2)
        The same corners in the strip's own frame, print scale applied [mm].
    """

    letter: str
    corner_ids: NDArray[np.int64]
    corners_px: FloatArray
    corners_mm: FloatArray

    def __post_init__(self) -> None:
        n = _frozen_array(self, "corners_px", (None, 2))
        _frozen_array(self, "corners_mm", (n, 2))


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class GapProfile:
    """The gap along one seam.  n = measured stations only.

    Attributes
    ----------
    s_mm : ndarray, shape (n,)
        Distance along the centre line [mm], increasing.
    gap_mm, expanded_u_mm : ndarray, shape (n,)
        Gap and its expanded uncertainty (k = 2) [mm].
    edge_a_px, edge_b_px : ndarray, shape (n, 2)
        Where each edge lies in the photo [px].
    edge_a_mm, edge_b_mm : ndarray, shape (n,)
        Offset of each edge across the seam from a straight reference [mm].
    parts_mm : dict of str to ndarray, shape (n,)
        Standard uncertainties by cause [mm]: edge, scale, print_scale, tilt_flush, depth, repeat.
    spacing_mm : float
        Distance between stations [mm].
    """

    s_mm: FloatArray
    gap_mm: FloatArray
    expanded_u_mm: FloatArray
    edge_a_px: FloatArray
    edge_b_px: FloatArray
    edge_a_mm: FloatArray
    edge_b_mm: FloatArray
    edge_a_u_mm: FloatArray
    edge_b_u_mm: FloatArray
    parts_mm: dict[str, FloatArray] = field(default_factory=dict)
    spacing_mm: float = 1.0

    def __post_init__(self) -> None:
        n = _frozen_array(self, "s_mm", (None,))
        for name in ("gap_mm", "expanded_u_mm", "edge_a_mm", "edge_b_mm", "edge_a_u_mm", "edge_b_u_mm"):
            _frozen_array(self, name, (n,))
        for name in ("edge_a_px", "edge_b_px"):
            _frozen_array(self, name, (n, 2))
        if n > 1 and not (np.diff(self.s_mm) > 0).all():
            raise ValueError("s_mm: expected increasing stations")


@dataclass(frozen=True, slots=True, kw_only=True)
class Straightness:
    """Form of one edge over a span.

    Attributes
    ----------
    min_zone_mm : float
        Minimum zone over the whole edge [mm].
    lsq_mm : float
        Peak to valley about the least-squares line [mm].
    expanded_u_mm : float
        Expanded uncertainty (k = 2) [mm].
    span_mm : float
        Length of edge that was judged [mm].
    worst_100_mm, worst_100_from_mm : float or None
        Largest minimum zone over any 100 mm, and the station where that 100 mm starts [mm].
    fairness_mm : float or None
        Peak to valley from a smooth curve, on seams curved by design [mm].
    cutoff_mm : float or None
        Cut-off wavelength of that curve [mm].
    """

    min_zone_mm: float
    lsq_mm: float
    expanded_u_mm: float
    span_mm: float
    worst_100_mm: float | None = None
    worst_100_from_mm: float | None = None
    fairness_mm: float | None = None
    cutoff_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GapSummary:
    """The profile in five numbers [mm], taper in mm per metre."""

    mean_mm: float
    min_mm: float
    max_mm: float
    std_mm: float
    taper_mm_per_m: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Flush:
    """Step in height between the panel faces; face B above face A is positive [mm]."""

    mean_mm: float
    expanded_u_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleInfo:
    """How the photo was seen: scale, pose and strips in view."""

    px_per_mm: float
    print_scale_along: float
    print_scale_across: float
    print_scale_checked: bool
    strips: tuple[str, ...]
    tilt_across_deg: float
    tilt_along_deg: float
    distance_mm: float
    focal_px: float
    focal_source: str
    residual_rms_px: float
    strip_sides: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """Everything measured from one photo, or the reason why not.

    Attributes
    ----------
    status : str
        ``ok``, ``warn`` or ``refused``.
    notices : tuple of Notice
        Warnings and notes, worst first; on a refused photo the refusal.
    profile : GapProfile or None
        None when refused.
    """

    status: str
    notices: tuple[Notice, ...]
    photo_file: str
    photo_sha256: str
    width_px: int
    height_px: int
    taken_at: str | None
    scale: ScaleInfo | None = None
    profile: GapProfile | None = None
    summary: GapSummary | None = None
    flush: Flush | None = None
    straightness_a: Straightness | None = None
    straightness_b: Straightness | None = None
    seam_kind: str = "straight"
    edges_method: str = "rules"
    settings: dict[str, Any] = field(default_factory=dict)
    method_version: int = 0
    gap_lit: str = "dark"
    camera: dict[str, Any] = field(default_factory=dict)

    def __post_init__(self) -> None:
        if self.status not in ("ok", "warn", "refused"):
            raise ValueError(f"status: expected ok, warn or refused, got {self.status!r}")
        if (self.profile is None) != (self.status == "refused"):
            raise ValueError("a refused photo has no profile, and every other one has")

    @property
    def stated_step_mm(self) -> float | None:
        """Step of face B above face A that a person stated and that was used [mm]; None: none was."""
        step = self.camera.get("flush_used_mm")
        if self.camera.get("flush_from") != "stated" or isinstance(step, bool) or not isinstance(step, int | float):
            return None
        return float(step)
