"""The gap along a seam: stations, form of the edges, the profile in numbers."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.model._checks import FloatArray, frozen_array, frozen_columns, one_of


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Course:
    """How far the course of a long seam is left open by the frame that joins its photos.

    Attributes
    ----------
    s_mm : ndarray, shape (k,)
        Knots along the seam [mm], increasing.
    modes_mm : ndarray, shape (m, k)
        Independent ways in which both edges may lie off together across the seam, each as large as its standard
        uncertainty [mm]; shift and turn of the whole are left out.
    """

    s_mm: FloatArray
    modes_mm: FloatArray

    def __post_init__(self) -> None:
        frozen_array(self, "s_mm", (len(self.s_mm),))
        modes = np.asarray(self.modes_mm, float).reshape(-1, len(self.s_mm))
        object.__setattr__(self, "modes_mm", modes)
        frozen_array(self, "modes_mm", modes.shape)

    def std_u_mm(self, s_mm: FloatArray, weights: FloatArray) -> float:
        """Standard uncertainty [mm] of a sum of offsets at places ``s_mm``, each times its weight."""
        each = [float(np.interp(s_mm, self.s_mm, mode) @ weights) for mode in self.modes_mm]
        return float(np.sqrt(np.square(each).sum()))


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
        Standard uncertainties by cause [mm]: edge, scale, print_scale, tilt_step, depth, rim, repeat.
    spacing_mm : float
        Distance between stations [mm].
    photo : ndarray, shape (n,), of int
        Which of the measurement's photos shows the place: ``edge_a_px`` and ``edge_b_px`` are in it.  Default: the
        first.
    step_mm, step_u_mm : ndarray, shape (n,)
        Height of face B over face A at the station and its expanded uncertainty (k = 2) [mm]; NaN where no photos tell
        it there.  Default: nowhere.
    course : Course or None
        Of a seam that was joined from photos along it.
    own_line : bool
        The seam bends round a lid or an opening: offsets count from its own smooth middle, and no straightness or
        taper can be told.
    round_mm : float or None
        Length all round of a seam that closes [mm]: station 0 lies beside the last.
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
    photo: NDArray[np.int64] = field(default_factory=lambda: np.zeros(0, np.int64))
    step_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    step_u_mm: FloatArray = field(default_factory=lambda: np.zeros(0))
    course: Course | None = None
    own_line: bool = False
    round_mm: float | None = None

    def __post_init__(self) -> None:
        for name in _STEP_COLUMNS:
            if len(getattr(self, name)) == 0:
                object.__setattr__(self, name, np.full(len(self.s_mm), np.nan))
        n = frozen_columns(self, *(name for name in COLUMNS if name.endswith("_mm")), *_STEP_COLUMNS)
        for name in ("edge_a_px", "edge_b_px"):
            frozen_array(self, name, (n, 2))
        photo = np.zeros(n, np.int64) if len(self.photo) == 0 else np.array(self.photo, np.int64)
        if photo.shape != (n,) or (photo < 0).any():
            raise ValueError(f"photo: expected {n} numbers of photos")
        photo.setflags(write=False)
        object.__setattr__(self, "photo", photo)

    @property
    def most_seen_in(self) -> int:
        """The photo that shows most of the stations best."""
        return int(np.bincount(self.photo).argmax())

    def picked(self, which: Any, **changes: Any) -> GapProfile:
        """The profile of some of its stations.

        Parameters
        ----------
        which : ndarray or slice
            A mask or numbers of stations, as numpy takes them.
        **changes
            Fields to change on the way, for these stations.
        """
        columns = {name: getattr(self, name)[which] for name in (*COLUMNS, *_STEP_COLUMNS)}
        parts = {name: part[which] for name, part in self.parts_mm.items()}
        return replace(self, **{**columns, "parts_mm": parts, **changes})


#: Fields of a profile that hold one value or place for each station.
COLUMNS = (
    "s_mm", "gap_mm", "expanded_u_mm", "edge_a_px", "edge_b_px", "edge_a_mm", "edge_b_mm", "edge_a_u_mm", "edge_b_u_mm",
    "photo",
)  # fmt: skip
_STEP_COLUMNS = ("step_mm", "step_u_mm")


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
    bow_mm, bow_u_mm : float or None
        Of a whole seam that is straight by design: how far the edge's middle stands off its ends along the arc that
        fits it best, + towards B, and its expanded uncertainty (k = 2) [mm].
    local_mm, local_s_mm : float or None
        How far it leaves that arc most, + towards B, and the station of it [mm].
    """

    min_zone_mm: float
    lsq_mm: float
    expanded_u_mm: float
    span_mm: float
    worst_100_mm: float | None = None
    worst_100_from_mm: float | None = None
    fairness_mm: float | None = None
    cutoff_mm: float | None = None
    bow_mm: float | None = None
    bow_u_mm: float | None = None
    local_mm: float | None = None
    local_s_mm: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class GapSummary:
    """The profile in five numbers [mm], taper in mm per metre; of a whole seam with the taper's U (k = 2)."""

    mean_mm: float
    min_mm: float
    max_mm: float
    std_mm: float
    taper_mm_per_m: float
    taper_u_mm_per_m: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Step:
    """Step in height between the panel faces.

    Attributes
    ----------
    mean_mm, expanded_u_mm : float
        Face B above face A is positive; U with k = 2 [mm].
    source : str
        ``strips`` (on both sides), ``stated`` by a person, or ``assumed``: not known.
    """

    mean_mm: float
    expanded_u_mm: float
    source: str = "strips"

    def __post_init__(self) -> None:
        one_of("source", self.source, "strips", "stated", "assumed")


@dataclass(frozen=True, slots=True, eq=False)
class ExtraLine:
    """A second profile drawn over the first, e.g. a forecast or the state before.

    Attributes
    ----------
    s_mm, gap_mm : ndarray, shape (m,)
        Stations and gaps [mm]; a NaN breaks the line.
    label : str
        What it is.
    expanded_u_mm : ndarray, shape (m,), optional
        U of the gaps [mm]; drawn as a hatched shade.
    """

    s_mm: FloatArray
    gap_mm: FloatArray
    label: str
    expanded_u_mm: FloatArray | None = None
