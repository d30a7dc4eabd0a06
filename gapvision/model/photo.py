"""A photo, the strips seen in it, and the words that travel with what was measured."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.codes import CODES
from gapvision.model._checks import FloatArray, frozen_array


@dataclass(frozen=True, slots=True, kw_only=True)
class Notice:
    """A warning or note that travels with a measurement.

    Attributes
    ----------
    code : str
        Registered code.
    message, advice : str
        What was seen, and what to do: the registry's sentences, or those of a file.
    values : mapping
        What the sentences of :func:`gapvision.words.notice` tell of this case: lengths [mm], names; empty where the
        message says all.
    photos : tuple of str
        Files that it is about, where a measurement is made from several and it is not about all.
    """

    code: str
    message: str = ""
    advice: str = ""
    values: Mapping[str, Any] = field(default_factory=dict)
    photos: tuple[str, ...] = ()

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
    camera : str
        Maker, model and lens as EXIF names them; empty where it does not.
    app : str
        The program that wrote the file, likewise.
    zoom : float
        Digital zoom by EXIF, 1 without.
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
    camera: str = ""
    app: str = ""
    zoom: float = 1.0
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
    print_scale : tuple of float
        Printed over nominal length along and across this strip, as applied.
    sheet : int or None
        Number of the printed sheet that the strip was cut from, read off it; None: not known.
    short : bool
        A short strip: the first 120 mm of a whole one, with the same numbers of corners.
    """

    letter: str
    corner_ids: NDArray[np.int64]
    corners_px: FloatArray
    corners_mm: FloatArray
    print_scale: tuple[float, float] = (1.0, 1.0)
    sheet: int | None = None
    short: bool = False

    def __post_init__(self) -> None:
        n = frozen_array(self, "corners_px", (None, 2))
        frozen_array(self, "corners_mm", (n, 2))
