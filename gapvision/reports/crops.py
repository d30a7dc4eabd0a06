"""The same crop of a seam from any photo of it: seam level, the same stretch, the same scale.

A level crop turns and scales the photo; a rectified one is what a camera square above the panel would see, by the
map that the measurement keeps (:mod:`gapvision.model.field`), so that a millimetre is as long across the seam as along
it, at its beginning as at its end.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError
from gapvision.model import FittedField, FloatArray, Measurement, Photo

_MARGIN_MM = 14.0
_LEAST_HEIGHT_MM = 34.0
#: Longest side of the decoded photo [px]: enough for the cut-out, and for the strips of an old file to be read again.
_LEAST_DECODED_PX, _MOST_DECODED_PX = 1600, 2600
#: Stations and the map of the strips must agree on lengths this well, or the map is not that of this measurement.
_SAME_LENGTH = 0.03
_NODE_PX = 16  # between places that the map is asked for; what bends less than 0.01 px lies between them

#: Whether a cut-out is rectified -> how it is to be read.
HOW_TO_READ = {
    True: "Rectified to the plane of the panels by the strips: one scale along the seam and across it.",
    False: "Level, not rectified: one scale along the seam only; across it the scale may differ a little.",
}


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class Stretch:
    """What to cut out: from where to where by the photo's stations; ``told_mm`` is added where these are told.

    ``index`` is the photo's among those of the measurement.
    """

    photo: bytes
    measurement: Measurement
    from_mm: float
    to_mm: float
    told_mm: float = 0.0
    index: int = 0

    def edges(self) -> tuple[FloatArray, FloatArray, FloatArray] | None:
        """Stations, and where both edges lie in the photo [px]; None when there are fewer than two.

        Of photos measured together also those stations that another one shows best, where they lie in this one.
        """
        p, seen = self.measurement.profile_in(self.index), self.measurement.photos[self.index]
        if p is None:
            return None
        on = (p.s_mm >= self.from_mm - 0.5) & (p.s_mm <= self.to_mm + 0.5) & (p.photo == self.index)
        for edge in (p.edge_a_px, p.edge_b_px):
            on &= ((edge > -0.5) & (edge < np.array([seen.width_px, seen.height_px]) - 0.5)).all(axis=1)
        return (p.s_mm[on], p.edge_a_px[on], p.edge_b_px[on]) if on.sum() >= 2 else None

    def needed_height_mm(self) -> float:
        """Height that a cut-out needs to show both edges with some panel beside them [mm]."""
        found = self.edges()
        if found is None:
            return _LEAST_HEIGHT_MM
        s, a, b = found
        along = np.polyfit(s, (a + b) / 2, 1)[0]
        off = np.concatenate([a, b]) @ np.array([-along[1], along[0]]) / np.hypot(*along) ** 2
        return max(float(np.ptp(off)) + 2 * _MARGIN_MM, _LEAST_HEIGHT_MM)


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeamCrop:
    """A cut-out with the edges in its own place.

    Attributes
    ----------
    pixels : ndarray, shape (H, W, 3), uint8
        The picture; nothing but pixels, so no location.
    edge_a_px, edge_b_px : ndarray, shape (n, 2)
        Edges in the cut-out [px].
    s_mm : ndarray, shape (n,)
        What their stations are called.
    mm_per_px : float
        Scale of the cut-out; of a level one along the seam only [mm].
    """

    pixels: NDArray[np.uint8]
    edge_a_px: FloatArray
    edge_b_px: FloatArray
    s_mm: FloatArray
    mm_per_px: float
    rectified: bool


def crops_alike(wanted: Sequence[Stretch], width_px: int, tallest_px: float = np.inf) -> list[SeamCrop] | None:
    """Cut-outs of one size and kind, so that they can be compared: all rectified where each can be, else all level.

    Parameters
    ----------
    wanted : sequence of Stretch
        Of one length.
    width_px, tallest_px : int
        Width of the cut-outs; it shrinks where they would be taller than allowed.

    Returns
    -------
    list of SeamCrop or None
        None when not even level ones can be made of all.
    """
    height = max(x.needed_height_mm() for x in wanted)
    width_px = max(round(min(width_px, tallest_px * 1.04 * (wanted[0].to_mm - wanted[0].from_mm) / height)), 8)
    for rectified in (True, False):
        crops = [cut_seam(x, rectified=rectified, width_px=width_px, height_mm=height) for x in wanted]
        if None not in crops:
            return [crop for crop in crops if crop is not None]
    return None


def cut_seam(
    wanted: Stretch, *, rectified: bool = True, width_px: int = 1000, height_mm: float | None = None
) -> SeamCrop | None:
    """Cut a stretch of a seam out of its photo; the same length, width and height give the same scale.

    Parameters
    ----------
    wanted : Stretch
        The photo, what was measured in it, and the stretch.
    rectified : bool
        As a camera square above the panel would see it: at the height of the panels' faces.  The bottom of the gap lies
        deeper and is seen a little displaced.
    width_px : int
        Width of the cut-out.
    height_mm : float, optional
        Height of the cut-out on the panel [mm]; default what the seam needs.

    Returns
    -------
    SeamCrop or None
        None when fewer than two stations lie in the stretch; of a rectified one, too, when there is no map, or when map
        and stations disagree on lengths by more than 3 %: a level crop is what is left then.
    """
    from gapvision.targets.strip import FACE_HEIGHT_MM

    found, seen, field = wanted.edges(), wanted.measurement.photos[wanted.index], None
    if found is None:
        return None
    s, a, b = found
    colours = _decoded(wanted, float(np.hypot(*(a[-1] - a[0]))), width_px)
    shrink = colours.shape[1] / seen.width_px
    if rectified:
        field = seen.field or _map_again(wanted, colours, shrink)
        if field is None:
            return None
    with np.errstate(all="ignore"):  # a spoilt file's map may lead anywhere
        if field is not None:
            a, b = (field.to_panel(edge, -FACE_HEIGHT_MM) for edge in (a, b))  # places on the panel [mm]
            if not (np.isfinite(a).all() and np.isfinite(b).all()):
                return None
        height = height_mm or wanted.needed_height_mm()
        frame = _Frame.along(s, a, b, (wanted.from_mm, wanted.to_mm), height, width_px)
        if field is not None and not abs(frame.units_per_mm - 1.0) <= _SAME_LENGTH:
            return None
        panel = frame.places(*(-(-n // _NODE_PX) + 1 for n in (frame.width_px, frame.height_px)))
        at = panel if field is None else field.project(panel.reshape(-1, 2), -FACE_HEIGHT_MM).reshape(panel.shape)
        at = _between(_between(at, frame.height_px, 0), frame.width_px, 1)
    return SeamCrop(
        pixels=_picture(colours, (at + 0.5) * shrink - 0.5), edge_a_px=frame.inside(a), edge_b_px=frame.inside(b),
        s_mm=s + wanted.told_mm, mm_per_px=frame.mm_per_px, rectified=rectified,
    )  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Frame:
    """Where a cut-out lies in the photo's plane [px] or the panel's [mm]: its first pixel, steps to the next."""

    corner: FloatArray
    step_x: FloatArray
    step_y: FloatArray
    width_px: int
    height_px: int
    mm_per_px: float  # along the seam
    units_per_mm: float  # units of the plane for a millimetre along the seam

    @classmethod
    def along(
        cls, s: FloatArray, a: FloatArray, b: FloatArray, ends_mm: tuple[float, float], height_mm: float, width_px: int
    ) -> _Frame:
        """Lay it along the seam, level, with both edges in the middle of its height."""
        along, start = np.polyfit(s, (a + b) / 2, 1)  # the middle as a line in s
        across = np.array([-along[1], along[0]])  # a quarter turn: a turned picture, never a mirrored one
        units = float(np.hypot(*along))
        centre = start + along * (ends_mm[0] + ends_mm[1]) / 2
        off = (np.concatenate([a, b]) - centre) @ across / units**2
        centre = centre + across * float(off.max() + off.min()) / 2
        scale = (ends_mm[1] - ends_mm[0]) * 1.04 / width_px
        height_px = max(round(height_mm / scale), 8)
        x, y = along * scale, across * scale
        corner = centre - x * (width_px - 1) / 2 - y * (height_px - 1) / 2
        size = {"width_px": width_px, "height_px": height_px}
        return cls(corner=corner, step_x=x, step_y=y, mm_per_px=scale, units_per_mm=units, **size)

    def places(self, columns: int, rows: int) -> FloatArray:
        """Places in the plane, spread evenly from corner pixel to corner pixel, shape (rows, columns, 2)."""
        x, y = np.meshgrid(np.linspace(0, self.width_px - 1, columns), np.linspace(0, self.height_px - 1, rows))
        return np.asarray(self.corner + x[..., None] * self.step_x + y[..., None] * self.step_y, dtype=float)

    def inside(self, places: FloatArray) -> FloatArray:
        """Places of the plane, shape (n, 2), as pixels of the cut-out."""
        back = np.linalg.inv(np.stack([self.step_x, self.step_y], axis=1))
        return np.asarray((places - self.corner) @ back.T, dtype=float)


def _between(nodes: FloatArray, size: int, axis: int) -> FloatArray:
    """Fill in the pixels between evenly spread nodes by straight lines along an axis."""
    places = np.linspace(0, nodes.shape[axis] - 1, size)
    first = np.minimum(places.astype(int), nodes.shape[axis] - 2)
    share = np.expand_dims(places - first, tuple(k for k in range(3) if k != axis))
    return np.asarray(np.take(nodes, first, axis) * (1 - share) + np.take(nodes, first + 1, axis) * share, float)


def _decoded(wanted: Stretch, long_px: float, width_px: int) -> NDArray[np.uint8]:
    """The photo's colours, upright, no larger than a cut-out of that width of a seam that long needs."""
    from gapvision.intake.photo import read_colour

    seen = wanted.measurement.photos[wanted.index]
    most = 1.3 * width_px / max(long_px / max(seen.width_px, seen.height_px), 0.01)
    return read_colour(wanted.photo, int(np.clip(most, _LEAST_DECODED_PX, _MOST_DECODED_PX)))


def _map_again(wanted: Stretch, colours: NDArray[np.uint8], shrink: float) -> FittedField | None:
    """The map of a measurement that keeps none, as files of version 1 do: from its strips, read again."""
    import cv2

    from gapvision.intake.headers import read_header
    from gapvision.vision.detect import find_strips
    from gapvision.vision.field import fit_field

    scale, seen = wanted.measurement.scale, wanted.measurement.photos[wanted.index]
    print_scale = (1.0, 1.0) if scale is None else (scale.print_scale_along, scale.print_scale_across)
    sides = {} if scale is None else scale.strip_sides
    # In the picture that is cut out of: a second decoding would cost more than it gains.
    grey = Photo(grey=np.asarray(cv2.cvtColor(colours, cv2.COLOR_RGB2GRAY)), file=seen.file, sha256="")
    views = [replace(v, corners_px=(v.corners_px + 0.5) / shrink - 0.5) for v in find_strips(grey, *print_scale)]
    if not views:
        return None
    focal = read_header(wanted.photo, seen.file).exif.focal_35mm_mm
    side_b = frozenset(letter for letter, side in sides.items() if side.upper() == "B")
    try:
        return fit_field(views, (seen.width_px, seen.height_px), focal, side_b)
    except GapvisionError:  # e.g. of one strip only a single row of corners shows
        return None


def _picture(colours: NDArray[np.uint8], at_px: FloatArray) -> NDArray[np.uint8]:
    """Colours at places of shape (H, W, 2) [px]; white outside."""
    import cv2

    # A spoilt file may ask for places at 1e306: they are white like all outside the photo.
    at = np.clip(np.nan_to_num(at_px, nan=-1e4), -1e4, 3e4).astype(np.float32)
    white = (255, 255, 255)
    return np.asarray(
        cv2.remap(colours, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=white),
        dtype=np.uint8,
    )
