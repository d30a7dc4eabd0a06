"""The same crop of a seam from any photo of it: seam level, the same stretch, the same scale.

A level crop turns and scales the photo; a rectified one is what a camera square above the panel would see, by the
map that the measurement keeps (:mod:`gapvision.model.field`), so that a millimetre is as long across the seam as along
it, at its beginning as at its end.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
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


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class SeamCrop:
    """A cut-out with the edges in its own place.

    Attributes
    ----------
    jpeg : bytes
        The picture; nothing but pixels, so no location.
    width_px, height_px : int
        Its size.
    edge_a_px, edge_b_px : ndarray, shape (n, 2)
        Edges in the cut-out [px].
    s_mm : ndarray, shape (n,)
        Their stations.
    mm_per_px : float
        Scale of the cut-out; of a level one along the seam only [mm].
    rectified : bool
        Whether it shows the panel square on.
    """

    jpeg: bytes
    width_px: int
    height_px: int
    edge_a_px: FloatArray
    edge_b_px: FloatArray
    s_mm: FloatArray
    mm_per_px: float
    rectified: bool = False


def crop_seam(
    photo: bytes,
    measurement: Measurement,
    from_mm: float,
    to_mm: float,
    *,
    width_px: int = 1000,
    height_mm: float | None = None,
    turned: bool = False,
) -> SeamCrop | None:
    """Cut a stretch of a seam out of its photo.

    Parameters
    ----------
    photo : bytes
        The photo's file.
    measurement : Measurement
        What was measured in it.
    from_mm, to_mm : float
        Stretch to show, stations of this photo [mm].
    width_px : int
        Width of the cut-out.
    height_mm : float, optional
        Height of the cut-out on the panel [mm]; default what the seam needs.
    turned : bool
        Stations run from right to left (the other side of the car).

    Returns
    -------
    SeamCrop or None
        None when fewer than two stations lie in the stretch.
    """
    stretch = _stretch(measurement, from_mm, to_mm)
    if stretch is None:
        return None
    s, a, b = stretch
    height = height_mm or needed_height_mm(measurement, from_mm, to_mm)
    frame = _Frame.along(s, a, b, from_mm, to_mm, height, width_px, turned=turned)
    colours = _decoded(photo, measurement, stretch, width_px)
    at = _shrunk(frame.places(width_px), colours.shape[1] / measurement.photo.width_px)
    return SeamCrop(
        jpeg=_picture(colours, at),
        width_px=width_px,
        height_px=frame.height_px,
        edge_a_px=frame.inside(a),
        edge_b_px=frame.inside(b),
        s_mm=s,
        mm_per_px=frame.mm_per_px,
    )


def rectified_crop(
    photo: bytes,
    measurement: Measurement,
    from_mm: float,
    to_mm: float,
    *,
    width_px: int = 1000,
    height_mm: float | None = None,
    turned: bool = False,
) -> SeamCrop | None:
    """Cut a stretch of a seam out of its photo as a camera square above the panel would see it.

    Parameters
    ----------
    photo, measurement, from_mm, to_mm, width_px, height_mm, turned
        As for :func:`crop_seam`; same stretch, width and height give the same scale whatever the photo.

    Returns
    -------
    SeamCrop or None
        None when fewer than two stations lie in the stretch, when there is no map, or when map and stations disagree
        on lengths by more than 3 %; a level crop is what is left then.

    Notes
    -----
    Rectified at the height of the panels' faces.  The bottom of the gap lies deeper and is seen a little displaced.
    """
    from gapvision.targets.strip import FACE_HEIGHT_MM

    stretch = _stretch(measurement, from_mm, to_mm)
    if stretch is None:
        return None
    colours = _decoded(photo, measurement, stretch, width_px)
    shrink = colours.shape[1] / measurement.photo.width_px
    field = measurement.photo.field or _map_again(photo, measurement, colours, shrink)
    if field is None:
        return None
    height = height_mm or needed_height_mm(measurement, from_mm, to_mm)
    s, a, b = stretch
    with np.errstate(all="ignore"):  # a spoilt file's map may lead anywhere
        a, b = (field.to_panel(edge, -FACE_HEIGHT_MM) for edge in (a, b))  # places on the panel [mm]
        if not (np.isfinite(a).all() and np.isfinite(b).all()):
            return None
        frame = _Frame.along(s, a, b, from_mm, to_mm, height, width_px, turned=turned)
        if not abs(frame.units_per_mm - 1.0) <= _SAME_LENGTH:
            return None
        panel = frame.places(width_px)
        seen = _shrunk(field.project(panel.reshape(-1, 2), -FACE_HEIGHT_MM).reshape(panel.shape), shrink)
    return SeamCrop(
        jpeg=_picture(colours, seen),
        width_px=width_px,
        height_px=frame.height_px,
        edge_a_px=frame.inside(a),
        edge_b_px=frame.inside(b),
        s_mm=s,
        mm_per_px=frame.mm_per_px,
        rectified=True,
    )


def crops_alike(cuts: Sequence[Callable[[Callable[..., SeamCrop | None]], SeamCrop | None]]) -> list[SeamCrop] | None:
    """Cut-outs of one kind, so that they can be compared: all rectified where each can be, else all level.

    Parameters
    ----------
    cuts : sequence of callable
        Each makes one cut-out with the function handed to it, :func:`rectified_crop` or :func:`crop_seam`.

    Returns
    -------
    list of SeamCrop or None
        None when not even level ones can be made of all.
    """
    for kind in (rectified_crop, crop_seam):
        crops = []
        for cut in cuts:
            crop = cut(kind)
            if crop is None:
                break
            crops.append(crop)
        else:
            return crops
    return None


@dataclass(frozen=True, slots=True, kw_only=True, eq=False)
class _Frame:
    """Where a cut-out lies in a plane: the photo's [px], or the panel's [mm].

    Attributes
    ----------
    corner, step_x, step_y : ndarray, shape (2,)
        Place of its first pixel, and the step to the next along and across the seam.
    height_px : int
        Its height.
    mm_per_px : float
        Its scale along the seam [mm].
    units_per_mm : float
        Units of the plane for a millimetre along the seam.
    """

    corner: FloatArray
    step_x: FloatArray
    step_y: FloatArray
    height_px: int
    mm_per_px: float
    units_per_mm: float

    @classmethod
    def along(
        cls,
        s: FloatArray,
        a: FloatArray,
        b: FloatArray,
        from_mm: float,
        to_mm: float,
        height_mm: float,
        width_px: int,
        *,
        turned: bool = False,
    ) -> _Frame:
        """Lay it along the seam, level, with both edges in the middle of its height."""
        middle = (a + b) / 2
        slope = np.stack([np.polyfit(s, middle[:, i], 1) for i in range(2)])  # x and y as lines in s
        along = slope[:, 0] * (-1 if turned else 1)
        units_per_mm = float(np.hypot(*along))
        axis = along / units_per_mm
        # Across: a quarter turn from the axis, so that the cut-out is a turned picture, never a mirrored one.
        across = np.array([-axis[1], axis[0]])
        centre = slope[:, 0] * (from_mm + to_mm) / 2 + slope[:, 1]
        off = (np.concatenate([a, b]) - centre) @ across
        centre = centre + across * float(off.max() + off.min()) / 2
        scale = (to_mm - from_mm) * 1.04 / width_px
        height_px = max(round(height_mm / scale), 8)
        step_x, step_y = axis * units_per_mm * scale, across * units_per_mm * scale
        corner = centre - step_x * (width_px - 1) / 2 - step_y * (height_px - 1) / 2
        return cls(
            corner=corner,
            step_x=step_x,
            step_y=step_y,
            height_px=height_px,
            mm_per_px=scale,
            units_per_mm=units_per_mm,
        )

    def places(self, width_px: int) -> FloatArray:
        """Place of each pixel of the cut-out in the plane, shape (H, W, 2)."""
        x, y = np.meshgrid(np.arange(width_px), np.arange(self.height_px))
        return np.asarray(self.corner + x[..., None] * self.step_x + y[..., None] * self.step_y, dtype=float)

    def inside(self, places: FloatArray) -> FloatArray:
        """Places of the plane, shape (n, 2), as pixels of the cut-out."""
        back = np.linalg.inv(np.stack([self.step_x, self.step_y], axis=1))
        return np.asarray((places - self.corner) @ back.T, dtype=float)


def _stretch(
    measurement: Measurement, from_mm: float, to_mm: float
) -> tuple[FloatArray, FloatArray, FloatArray] | None:
    """Stations of a stretch and where both edges lie in the first photo [px]; None when there are fewer than two."""
    profile = measurement.profile
    if profile is None:
        return None
    on = (profile.s_mm >= from_mm - 0.5) & (profile.s_mm <= to_mm + 0.5) & (profile.photo == 0)
    return (profile.s_mm[on], profile.edge_a_px[on], profile.edge_b_px[on]) if on.sum() >= 2 else None


def _decoded(
    photo: bytes, measurement: Measurement, stretch: tuple[FloatArray, FloatArray, FloatArray], width_px: int
) -> NDArray[np.uint8]:
    """The photo's colours, upright, no larger than a cut-out of that width needs."""
    from gapvision.intake.photo import read_colour

    _, a, _ = stretch
    of_photo = float(np.hypot(*(a[-1] - a[0]))) / max(measurement.photo.width_px, measurement.photo.height_px)
    wanted = 1.3 * width_px / max(of_photo, 0.01)
    return read_colour(photo, int(np.clip(wanted, _LEAST_DECODED_PX, _MOST_DECODED_PX)))


def _map_again(photo: bytes, measurement: Measurement, colours: NDArray[np.uint8], shrink: float) -> FittedField | None:
    """The map of a measurement that keeps none, as files of version 1 do: from its strips, read again."""
    import cv2

    from gapvision.intake.headers import read_header
    from gapvision.vision.detect import find_strips
    from gapvision.vision.field import fit_field

    scale, seen = measurement.scale, measurement.photo
    print_scale = (1.0, 1.0) if scale is None else (scale.print_scale_along, scale.print_scale_across)
    sides = {} if scale is None else scale.strip_sides
    # In the picture that is cut out of: a second decoding would cost more than it gains.
    grey = Photo(grey=np.asarray(cv2.cvtColor(colours, cv2.COLOR_RGB2GRAY)), file=seen.file, sha256="")
    views = [replace(v, corners_px=(v.corners_px + 0.5) / shrink - 0.5) for v in find_strips(grey, *print_scale)]
    if not views:
        return None
    focal = read_header(photo, seen.file).exif.focal_35mm_mm
    side_b = frozenset(letter for letter, side in sides.items() if side.upper() == "B")
    try:
        return fit_field(views, (seen.width_px, seen.height_px), focal, side_b)
    except GapvisionError:  # e.g. of one strip only a single row of corners shows
        return None


def _shrunk(px: FloatArray, shrink: float) -> FloatArray:
    """Places in the full photo as places in the smaller picture [px]."""
    return np.asarray((px + 0.5) * shrink - 0.5, dtype=float)


def _picture(colours: NDArray[np.uint8], at_px: FloatArray) -> bytes:
    """A JPEG of colours at places of shape (H, W, 2) [px]; white outside."""
    import cv2
    from PIL import Image

    # A spoilt file may ask for places at 1e306: they are white like all outside the photo.
    at = np.clip(np.nan_to_num(at_px, nan=-1e4), -1e4, 3e4).astype(np.float32)
    pixels = cv2.remap(
        colours, at[..., 0], at[..., 1], cv2.INTER_CUBIC, borderMode=cv2.BORDER_CONSTANT, borderValue=(255, 255, 255)
    )
    out = io.BytesIO()
    Image.fromarray(np.asarray(pixels)).save(out, "JPEG", quality=85)
    return out.getvalue()


def needed_height_mm(measurement: Measurement, from_mm: float, to_mm: float) -> float:
    """Height that a cut-out needs to show both edges with some panel beside them [mm]."""
    stretch = _stretch(measurement, from_mm, to_mm)
    if stretch is None:
        return _LEAST_HEIGHT_MM
    s, a, b = stretch
    middle = (a + b) / 2
    slope = np.array([np.polyfit(s, middle[:, i], 1)[0] for i in range(2)])
    px_per_mm = float(np.hypot(*slope))
    across = np.array([-slope[1], slope[0]]) / px_per_mm
    off = np.concatenate([a @ across, b @ across]) / px_per_mm
    return max(float(np.ptp(off)) + 2 * _MARGIN_MM, _LEAST_HEIGHT_MM)
