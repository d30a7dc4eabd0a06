"""One edge alone: where an aperture's edge runs before its cover is there."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np

from gapvision.model._checks import FloatArray, frozen_array, frozen_columns, one_of
from gapvision.model.measurement import Edge, ScaleInfo, SeenPhoto
from gapvision.model.photo import Notice
from gapvision.model.settings import Settings

_COLUMNS = ("s_mm", "place_mm", "outward", "expanded_u_mm", "edge_px")


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeProfile:
    """The line of one edge on its panel.  n = measured stations only.

    Attributes
    ----------
    s_mm : ndarray, shape (n,)
        Distance along the edge [mm], increasing.
    place_mm : ndarray, shape (n, 2)
        Where the edge lies in the face of the panel as the camera sees it, x to the right and y down [mm]; lengths are
        true along the panel, also where it is bent.
    outward : ndarray, shape (n, 2)
        Unit vectors square to the edge, away from the panel.
    expanded_u_mm : ndarray, shape (n,)
        Expanded uncertainty (k = 2) of the place across the edge, within the whole line [mm].
    edge_px : ndarray, shape (n, 2)
        Where the edge lies in the photo [px].
    parts_mm : dict of str to ndarray, shape (n,)
        Standard uncertainties that make up U, by cause [mm].
    spacing_mm : float
        Distance between stations [mm].
    round_mm : float or None
        Length all round of an edge that closes [mm]; None of one that does not.
    """

    s_mm: FloatArray
    place_mm: FloatArray
    outward: FloatArray
    expanded_u_mm: FloatArray
    edge_px: FloatArray
    parts_mm: dict[str, FloatArray] = field(default_factory=dict)
    spacing_mm: float = 1.0
    round_mm: float | None = None

    def __post_init__(self) -> None:
        n = frozen_columns(self, "s_mm", "expanded_u_mm")
        for name in ("place_mm", "outward", "edge_px"):
            frozen_array(self, name, (n, 2))

    def picked(self, which: Any) -> EdgeProfile:
        """The line at some of its stations: a mask or numbers, as numpy takes them."""
        columns = {name: getattr(self, name)[which] for name in _COLUMNS}
        return replace(self, **columns, parts_mm={name: part[which] for name, part in self.parts_mm.items()})

    @property
    def whole(self) -> bool:
        """Whether the edge closes and no station of it is missing."""
        return self.round_mm is not None and len(self.s_mm) * self.spacing_mm > self.round_mm - self.spacing_mm / 2


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class EdgeAlone:
    """What was measured of one edge alone, or the reason why not; it has no gap.

    Attributes
    ----------
    status : str
        ``ok``, ``warn`` or ``refused``.
    notices : tuple of Notice
        Warnings and notes, worst first; on a refused photo the refusal.
    photo : SeenPhoto
    scale : ScaleInfo or None
        How the photo was seen.
    profile : EdgeProfile or None
        None when refused.
    edge : Edge or None
        How the edge is made.
    settings : Settings
        All that was stated; ``edge_a`` is this edge's.
    """

    status: str
    notices: tuple[Notice, ...]
    photo: SeenPhoto
    scale: ScaleInfo | None = None
    profile: EdgeProfile | None = None
    edge: Edge | None = None
    settings: Settings = field(default_factory=Settings)
    method_version: int = 0

    def __post_init__(self) -> None:
        one_of("status", self.status, "ok", "warn", "refused")
        if (self.profile is None) != (self.status == "refused"):
            raise ValueError("a refused photo has no profile, and every other one has")

    @property
    def median_u_mm(self) -> float:
        """Median U of the places [mm]; NaN without any."""
        p = self.profile
        return float(np.median(p.expanded_u_mm)) if p is not None and len(p.s_mm) else float("nan")
