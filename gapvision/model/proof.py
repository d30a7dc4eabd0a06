"""What a study of gauge pieces says of a phone: how far off it reads, how it repeats, and what that does to U."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import date
from typing import Any

import numpy as np

from gapvision.errors import require
from gapvision.model._checks import FloatArray

#: Parts of U that clean bars can speak of.  Which step is the edge, its depth, reflections and marks never show there.
SMALL_PARTS = ("scale", "picture", "repeat")
#: After this a study is not used any more [days]: phones get new cameras' programs; common practice, no source.
LASTS_DAYS = 366
#: A program's number, of which the first part counts; a build's letters and digits, which every update changes.
_VERSION, _BUILD = re.compile(r"[vV]?(\d{1,3})(?:\.\w+)*"), re.compile(r"(?=.*\d)[A-Z0-9._-]{6,}")


def is_too_old(made_on: str, day: date) -> bool:
    """Whether a study made on a day like ``2026-03-31`` says nothing of that day: more than a year lies between."""
    return abs((day - date.fromisoformat(made_on)).days) > LASTS_DAYS


def program_of(text: str) -> str:
    """A camera program's name and main version, as a photo's tags tell it: a small update changes neither."""
    words = []
    for word in text.split():
        version = _VERSION.fullmatch(word)
        if version:
            words.append(version[1])
        elif not _BUILD.fullmatch(word):
            words.append(word.casefold())
    return " ".join(words)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneKey:
    """Which phone, lens and picture size photos are from, as their tags and pixels tell it.

    Attributes
    ----------
    camera : str
        Maker, model and lens in the photo's tags; empty where they say nothing.
    focal_mm, focal_35mm_mm : float or None
        Focal length, and the same as for 35 mm film [mm]: wide, tele and digital zoom are told apart by them.
    size_px : tuple of int
        Of the picture, the longer side first.
    app : str
        The program that wrote the photo, by name and main version; empty where its tags do not name one.
    zoom : float
        How much of the zoom was made by cutting the picture, 1 without.
    """

    camera: str
    focal_mm: float | None
    focal_35mm_mm: float | None
    size_px: tuple[int, int]
    app: str = ""
    zoom: float = 1.0

    @classmethod
    def of(cls, tags: Any, size_px: tuple[int, int]) -> PhoneKey:
        """From whatever has a photo's tags (``camera``, ``app``, ...), and the picture's two sides."""
        longer, shorter = sorted(size_px, reverse=True)
        told = {name: getattr(tags, name) for name in ("camera", "focal_mm", "focal_35mm_mm", "zoom")}
        return cls(**told, app=program_of(tags.app), size_px=(longer, shorter))

    def differs(self, other: PhoneKey) -> tuple[str, ...]:
        """In what the two differ: ``phone``, ``lens``, ``zoom``, ``picture size``, ``app``; none where they are alike.

        Where the tags say no camera, nobody knows which phone it was.
        """

        def near(a: float | None, b: float | None) -> bool:
            return a is b or (a is not None and b is not None and abs(a - b) <= 0.02 * a)

        alike = {
            "phone": bool(self.camera) and self.camera == other.camera,
            "lens": near(self.focal_mm, other.focal_mm) and near(self.focal_35mm_mm, other.focal_35mm_mm),
            "zoom": near(self.zoom, other.zoom),
            "picture size": self.size_px == other.size_px,
            "app": self.app == other.app,
        }
        return tuple(name for name, same in alike.items() if not same)


@dataclass(frozen=True, slots=True, kw_only=True)
class Lens:
    """A phone's lens as the photos of a study show it together.

    Attributes
    ----------
    focal_px : float
        Focal length [px].
    k1, k2 : float
        How it bends straight lines, as :class:`gapvision.model.FittedField` has it.
    std_u : tuple of float
        What a photo of it may differ by, standard uncertainties: of the focal length as a share of it, of k1 and of k2.
    correlation : tuple of float
        Of focal length and k1, of focal length and k2, of k1 and k2.
    """

    focal_px: float
    k1: float
    k2: float
    std_u: tuple[float, float, float]
    correlation: tuple[float, float, float]

    def __post_init__(self) -> None:
        sound = 10 <= self.focal_px <= 1e6 and abs(self.k1) <= 1 and abs(self.k2) <= 1
        sound = sound and all(0.001 <= u <= 1 for u in self.std_u) and all(abs(c) < 1 for c in self.correlation)
        sound = sound and np.linalg.eigvalsh(self._correlations).min() > 0
        require("proof-file-bad", bool(sound), "Its lens cannot be right.", "Make the study again.")

    @property
    def _correlations(self) -> FloatArray:
        a, b, c = self.correlation
        return np.array([[1.0, a, b], [a, 1.0, c], [b, c, 1.0]])

    @property
    def covariance(self) -> FloatArray:
        """Of the focal length's natural logarithm, k1 and k2, shape (3, 3)."""
        return self._correlations * np.outer(self.std_u, self.std_u)


@dataclass(frozen=True, slots=True, kw_only=True)
class PhoneProof:
    """A phone's own figures from a study, as they enter U.

    Attributes
    ----------
    name, made_on : str
        Of the study; day, like ``2026-03-31``.
    phone : PhoneKey
        Of which photos it speaks.
    photos : int
        How many stand behind it.
    bias_mm, bias_std_u_mm : float
        How much larger than the calipers it reads, and the standard uncertainty of that [mm].
    bias_proven : bool
        Whether the bias is more than chance and the calipers explain; only then it is taken off.
    small_share : float
        What is left of the parts of U that the study can speak of, at most 1.
    growth : float
        By how much the whole U grows, at least 1.
    lens : Lens or None
        The phone's lens, where the study could tell it.
    sheets : tuple of int
        Numbers of the sheets of its strips, where they have numbers.
    print_scales : tuple of (float, float)
        Along and across, of its strips, where their check lines were measured.
    """

    name: str
    made_on: str
    phone: PhoneKey
    photos: int
    bias_mm: float
    bias_std_u_mm: float
    bias_proven: bool
    small_share: float = 1.0
    growth: float = 1.0
    lens: Lens | None = None
    sheets: tuple[int, ...] = ()
    print_scales: tuple[tuple[float, float], ...] = ()

    def __post_init__(self) -> None:
        sound = 0 < self.small_share <= 1 <= self.growth <= 100 and abs(self.bias_mm) <= 10 and self.photos > 0
        sound = sound and 0 <= self.bias_std_u_mm <= 10
        sound = sound and all(0.85 <= scale <= 1.15 for both in self.print_scales for scale in both)
        require("proof-file-bad", sound, "Its figures cannot be right.", "Make the study again.")


@dataclass(frozen=True, slots=True, kw_only=True)
class StudyReading:
    """One photo of a piece.

    Attributes
    ----------
    piece, person, file : str
        Of which piece, by whom, which photo.
    error_mm : float
        Mean gap less what the calipers say [mm].
    std_u_mm : float
        Standard uncertainty that the measurement gives itself, mean over its stations [mm].
    small_std_u_mm : float
        The same, of the parts that a study can speak of alone.
    within_u : float
        Share of its stations that lie within U of the calipers.
    parts_mm : mapping of str to float
        Standard uncertainties by cause, mean over the stations [mm].
    """

    piece: str
    person: str
    file: str
    error_mm: float
    std_u_mm: float
    small_std_u_mm: float
    within_u: float
    parts_mm: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class Source:
    """One row of an analysis of variance: degrees of freedom, sum of squares, mean square, F and its p (or None)."""

    df: int
    sum_of_squares: float
    mean_square: float
    f: float | None = None
    p: float | None = None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Variation:
    """Where the variation of repeated readings comes from.

    Attributes
    ----------
    table : mapping of str to Source
        ``piece``, ``person``, ``piece and person``, ``repeat``, ``total``; only those that the study can tell.
    repeatability_mm, reproducibility_mm, interaction_mm, piece_mm : float
        Standard deviations [mm]: between photos of one piece by one person; between persons; of persons differing
        from piece to piece; between pieces.  None below 0: what comes out negative is 0.
    """

    table: Mapping[str, Source]
    repeatability_mm: float
    reproducibility_mm: float
    interaction_mm: float
    piece_mm: float


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class StudyResult:
    """What a study says.

    Attributes
    ----------
    variation : Variation
        Of the errors, which are the readings less the calipers.
    bias_mm, bias_u_mm : float
        Mean error and its expanded uncertainty (k = 2; the calipers' in it) [mm].
    bias_proven : bool
        Whether it is more than chance and the calipers explain.
    slope, slope_u : float or None
        Change of the error with the size of the gap [mm/mm] and its expanded uncertainty; None from one size alone.
    within : tuple of int
        Photos whose mean lies within their U of the calipers, and all photos.
    stations_within_u : float
        Share of all stations.
    growth, small_share : float
        As in :class:`PhoneProof`.
    thin_rolled : bool
        Whether a piece has rolled edges as thin as those of bodies.
    small_stated_mm, small_seen_mm : float
        Of scale, blur and scatter together: the standard uncertainty that the photos state, and how large, with 95 %
        confidence, what was seen may be [mm].
    largest_part : str
        Cause of the largest part of U.
    readings : tuple of StudyReading
        What it was made from.
    caliper_std_u_mm : float
        Standard uncertainty of the calipers [mm].
    """

    variation: Variation
    bias_mm: float
    bias_u_mm: float
    bias_proven: bool
    slope: float | None
    slope_u: float | None
    within: tuple[int, int]
    stations_within_u: float
    growth: float
    small_share: float
    thin_rolled: bool
    small_stated_mm: float
    small_seen_mm: float
    largest_part: str
    readings: tuple[StudyReading, ...]
    caliper_std_u_mm: float


@dataclass(frozen=True, slots=True, kw_only=True)
class Piece:
    """A gap of known width between two bars.

    Attributes
    ----------
    name : str
    readings_mm : tuple of float
        The calipers' at one end, in the middle and at the other end [mm].
    edge : str or None, radius_mm : float or None
        How its edges are made, where stated: ``cut`` or ``rolled``, and the radius of the rod [mm].
    """

    name: str
    readings_mm: tuple[float, ...]
    edge: str | None = None
    radius_mm: float | None = None

    @property
    def gap_mm(self) -> float:
        """Mean of the readings [mm]."""
        return sum(self.readings_mm) / len(self.readings_mm)

    @property
    def spread_mm(self) -> float:
        """How far the readings lie apart [mm]."""
        return max(self.readings_mm) - min(self.readings_mm)

