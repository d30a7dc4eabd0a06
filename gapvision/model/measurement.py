"""Everything measured from photos of one seam, and what it was measured from."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from gapvision.model._checks import FloatArray, one_of
from gapvision.model.field import FittedField
from gapvision.model.photo import Notice, StripView
from gapvision.model.profile import GapProfile, GapSummary, Step, Straightness
from gapvision.model.settings import LeftOut, Settings

_FACE_MM = 0.5  # thickness of a strip where none is stated, as Settings has it


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeenPhoto:
    """A photo that was measured, and what was seen in it.

    Attributes
    ----------
    file : str
        File name without its folder, for people.
    sha256 : str
        Of the bytes of the file.
    width_px, height_px : int
        Of the upright photo.
    taken_at : str or None
        EXIF time, ISO 8601 without zone.
    strips : tuple of StripView
        The strips that were read.
    told_ends_px : mapping of str to ndarray, shape (2, 2)
        Ends of the strips' patterns, as a file tells them that keeps no map; see :meth:`strip_ends_px`.
    field : FittedField or None
        The map fitted to them.
    frame : tuple of float
        Where the map's frame lies in that of the whole seam: s, t [mm] and turn [rad]; zeros but along a long seam.
    """

    file: str
    sha256: str
    width_px: int
    height_px: int
    taken_at: str | None = None
    strips: tuple[StripView, ...] = ()
    told_ends_px: Mapping[str, FloatArray] = field(default_factory=dict)
    field: FittedField | None = None
    frame: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def strip_ends_px(self) -> dict[str, FloatArray]:
        """Where the two ends of each strip's pattern lie in the photo, (2, 2) each [px].

        Two photos of a strip that was left in its place are laid on each other by them.
        """
        if self.field is None:
            return dict(self.told_ends_px)
        return {letter: self.field.strip_ends_px(letter) for letter in self.field.letters}


@dataclass(frozen=True, slots=True, kw_only=True)
class ScaleInfo:
    """How the first photo was seen: scale, pose and strips in view.

    ``print_scale_u`` and ``print_scale_along_u`` are expanded uncertainties (k = 2) of the print scale across the
    strips and along them; None where a file does not tell them.
    """

    px_per_mm: float
    print_scale_along: float
    print_scale_across: float
    print_scale_checked: bool = False
    print_scale_u: float | None = None
    print_scale_along_u: float | None = None
    strips: tuple[str, ...]
    tilt_across_deg: float
    tilt_along_deg: float
    distance_mm: float
    focal_px: float
    focal_source: str
    residual_rms_px: float
    strip_sides: dict[str, str] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Edge:
    """How one edge of the seam is made, as far as known.

    Attributes
    ----------
    kind : str
        ``cut``, ``rolled``, or ``other``: not told, anything between the two.
    source : str
        ``stated`` by a person, or ``measured`` from its shading.
    contradicted : bool
        Whether its shading plainly says otherwise than was stated; the kind is ``other`` then.
    depth_mm, depth_std_u_mm : float
        Depth of its outline below the panel's face, and the standard uncertainty [mm].
    radius_mm, radius_u_mm : float or None
        Radius of a rolled edge, or broken corner of a cut one, and its expanded uncertainty (k = 2) [mm]; None where
        the kind is not sure.
    burnt_share : float or None
        Share of the stations where the gap beside it is burnt out.
    """

    kind: str
    source: str
    contradicted: bool = False
    depth_mm: float
    depth_std_u_mm: float
    radius_mm: float | None = None
    radius_u_mm: float | None = None
    burnt_share: float | None = None

    def __post_init__(self) -> None:
        one_of("kind", self.kind, "cut", "rolled", "other")
        one_of("source", self.source, "stated", "measured")


@dataclass(frozen=True, slots=True, kw_only=True)
class SeamQuality:
    """How well the photo showed the seam; None where a file does not tell it.

    Attributes
    ----------
    blur_px : float
        Standard deviation of the lens's blur, from the strips [px].
    seam_score : float
        Mean contrast of the seam in log light.
    rival_seam : float
        The same of the next best line elsewhere, relative to the seam's.
    burnt_panel_share : float
        Share of the stations where a panel beside the gap is burnt out, the worse of the two.
    """

    blur_px: float | None = None
    seam_score: float | None = None
    rival_seam: float | None = None
    burnt_panel_share: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Measurement:
    """Everything measured from photos of one seam, or the reason why not.

    Attributes
    ----------
    status : str
        ``ok``, ``warn`` or ``refused``.
    notices : tuple of Notice
        Warnings and notes, worst first; on a refused photo the refusal.
    photos : tuple of SeenPhoto
        What it was measured from, by file name; at least one.
    scale : ScaleInfo or None
        How the first of them was seen.
    profile : GapProfile or None
        None when refused.
    step_used : Step or None
        The step between the faces that the gap was measured with, and where it comes from.
    edge_a, edge_b : Edge or None
        How the edges are made.
    settings : Settings
        All that was stated, the spans left out among it.
    """

    status: str
    notices: tuple[Notice, ...]
    photos: tuple[SeenPhoto, ...]
    scale: ScaleInfo | None = None
    profile: GapProfile | None = None
    summary: GapSummary | None = None
    step_used: Step | None = None
    straightness_a: Straightness | None = None
    straightness_b: Straightness | None = None
    edge_a: Edge | None = None
    edge_b: Edge | None = None
    quality: SeamQuality | None = None
    seam_kind: str = "straight"
    gap_lit: str = "dark"
    edges_method: str = "rules"
    settings: Settings = field(default_factory=Settings)
    method_version: int = 0

    def __post_init__(self) -> None:
        one_of("status", self.status, "ok", "warn", "refused")
        if (self.profile is None) != (self.status == "refused"):
            raise ValueError("a refused photo has no profile, and every other one has")
        if not self.photos or list(self.photos) != sorted(self.photos, key=lambda p: p.file):
            raise ValueError("photos: expected one or more, by file name")
        if self.profile is not None and (self.profile.photo >= len(self.photos)).any():
            raise ValueError("photo: a station's photo is not there")

    @property
    def photo(self) -> SeenPhoto:
        """The first photo, that most seams have only."""
        return self.photos[0]

    @property
    def profile_in_first(self) -> GapProfile | None:
        """The profile with all edges where they lie in the first photo, as far as maps can tell."""
        return self.profile_in(0)

    def profile_in(self, number: int) -> GapProfile | None:
        """The profile with all edges where they lie in one of the photos, counted from 0."""
        p, maps = self.profile, [photo.field for photo in self.photos]
        to = maps[number]
        if p is None or (p.photo == number).all() or to is None:
            return p
        face = self.settings.strip_thickness_mm or _FACE_MM
        step = 0.0 if self.step_used is None else self.step_used.mean_mm
        px = {}
        for name, edge, up in (("edge_a_px", self.edge_a, 0.0), ("edge_b_px", self.edge_b, step)):
            height = up - face - (0.0 if edge is None else edge.depth_mm)
            px[name] = getattr(p, name).copy()
            for k, fitted in enumerate(maps):
                there = p.photo == k
                if k != number and fitted is not None and there.any():
                    place = fitted.to_panel(px[name][there], height)
                    place = _into(self.photos[number].frame, _out_of(self.photos[k].frame, place))
                    px[name][there] = _drawn_on(to, place, height)
        return replace(p, photo=np.full_like(p.photo, number), **px)

    @property
    def step(self) -> Step | None:
        """Step between the faces as the strips on both sides give it; None: not measured."""
        return self.step_used if self.step_used is not None and self.step_used.source == "strips" else None

    @property
    def stated_step_mm(self) -> float | None:
        """Step of face B above face A that a person stated and that was used [mm]; None: none was."""
        return self.step_used.mean_mm if self.step_used is not None and self.step_used.source == "stated" else None

    @property
    def by_tape(self) -> bool:
        """Whether a taped distance told lengths along the seam."""
        return self.settings.taped is not None and not any(n.code.startswith("taped-") for n in self.notices)

    @property
    def left_out(self) -> tuple[LeftOut, ...]:
        """Spans that a person left out, with the reasons."""
        return self.settings.left_out

    @property
    def ends_mm(self) -> tuple[float, float] | None:
        """First and last station, those that a person left out at an end too [mm]; None where there is none.

        Stations keep their numbers when some are left out, so a photo's place on its seam counts from these.
        """
        if self.profile is None or not len(self.profile.s_mm):
            return None
        first, last = float(self.profile.s_mm[0]), float(self.profile.s_mm[-1])
        spans = [x for x in self.left_out if x.from_mm <= x.to_mm]  # older files hold them as they were typed
        return min([first, *(max(x.from_mm, 0.0) for x in spans)]), max([last, *(x.to_mm for x in spans)])

    def to_table(self) -> dict[str, FloatArray]:
        """Columns with one entry a station, as ``pandas.DataFrame`` takes them.

        Returns
        -------
        dict of str to ndarray, shape (n,)
            ``s_mm``, ``gap_mm``, ``expanded_u_mm``; of each edge its offset, that offset's U and its place in the
            photo, whose number in ``photos`` is ``photo``; the standard uncertainties that make up U, ``std_u_..._mm``.
            No columns when the photo was refused.
        """
        p = self.profile
        if p is None:
            return {}
        table = {name: getattr(p, name) for name in ("s_mm", "gap_mm", "expanded_u_mm", "photo")}
        for edge in ("edge_a", "edge_b"):
            table |= {f"{edge}{end}": getattr(p, f"{edge}{end}") for end in ("_mm", "_u_mm")}
            table[f"{edge}_x_px"], table[f"{edge}_y_px"] = getattr(p, f"{edge}_px").T
        return table | {f"std_u_{name}_mm": part for name, part in p.parts_mm.items()}


def _out_of(frame: tuple[float, float, float], places: FloatArray) -> FloatArray:
    """Places (m, 2) of a photo's frame in that of the whole seam [mm]."""
    c, d = np.cos(frame[2]), np.sin(frame[2])
    return np.asarray(places @ np.array([[c, d], [-d, c]]) + frame[:2])


def _into(frame: tuple[float, float, float], places: FloatArray) -> FloatArray:
    c, d = np.cos(frame[2]), np.sin(frame[2])
    return np.asarray((places - np.array(frame[:2])) @ np.array([[c, -d], [d, c]]))


def _drawn_on(to: FittedField, places: FloatArray, height_mm: float) -> FloatArray:
    """Places in a photo [px]; those far outside it where its middle's scale puts them: no lens is known out there."""
    middle = (np.array(to.size_px, float) - 1) / 2
    centre = to.to_panel(middle[None], height_mm)[0]
    ways = to.project(centre + np.eye(2), height_mm) - middle
    far = np.linalg.norm(places - centre, axis=1) > np.hypot(*to.size_px) / np.linalg.norm(ways[0])
    px = to.project(np.where(far[:, None], centre, places), height_mm)
    return np.where(far[:, None], middle + (places - centre) @ ways, px)
