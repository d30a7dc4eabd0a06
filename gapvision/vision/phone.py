"""What a phone does to a picture after it was taken, told by the strips, and what an edge's doubt gains by it.

The strips are black-and-white print of known shape that lies beside the seam.  They show how far the picture is blurred
across the seam, whether sharpening drew halos, whether noise was smeared away, and whether stray light lies over the
black.  The detector and its trust
were taught on pictures of one kind of phone; where the strips look otherwise, the edges are less sure.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import cv2
import numpy as np

from gapvision.model import FloatArray, Photo
from gapvision.vision.band import Band
from gapvision.vision.edges import SeamEdges
from gapvision.vision.quality import StripQuality, darkest_light

_USUAL_BLUR_PX = 1.0  # of a focused photo; up to here the detector was taught
_NEAR_SIDES, _MOST_OF_THEM = 8, 0.75
# The detector puts both edges of a dark gap inwards by 0.8 to 1.4 of the blur beyond the usual (own drawn seams, shaken
# by 5 and 7 px): this much is put right, and what may be left, either way, goes into U.
_BLUR_MOVES, _BLUR_SHARE = 0.7, 0.5
# On photos of two generators sharpened by lot (radius 0.7 to 3 px, amount 0.5 to 2) 97 % of the errors lay within U
# with this.
_HALO, _HALO_FACTOR = (0.1, 0.3), (1.0, 1.1)
_FINE_PX_PER_MM, _COARSE_FACTOR = (2.5, 5.0), (1.6, 1.0)
# A picture whose noise was smeared away: next to no grain on white, and what there is independent from pixel to pixel.
# Of 3541 photographs of 886 own ray-traced seams gone over by phones drawn by lot, so flagged were 57 % of those put
# through non-local means and 4 % of the untouched; 95 % of the edges' errors in them lay within 1.26 of U, in all
# others within 1.02.
_SMEARED_RUN, _SMEARED_LEVELS, _SMEARED_FACTOR = (1.2, 1.25), (0.9, 1.0), 1.25
# Noise half taken out: more of it than usual, from pixel to pixel, and uneven, here gone and there left.  With it went
# faint outlines, of which a lit gap has none.  Of 56 ray-traced photos put through non-local means (noise 10, strength
# 11) 46 show it, untouched or with noise alone next to none; 0.86 of their errors lay within U, with this 0.94.
_LEFT_RUN, _LEFT_LEVELS, _LEFT_TAIL, _LEFT_FACTOR = (1.2, 1.3), (1.3, 1.6), (3.7, 4.1), 1.4
_PRINT_BLACK = 0.05  # of white, toner on paper in diffuse light; common practice, no source
_LEAST_VEIL, _MOST_VEIL, _INSIDE_MM, _SMOOTH_STATIONS, _TAKEN_AWAY = 0.012, 0.1, 3.0, 15, 0.9


@dataclass(frozen=True, slots=True, eq=False)
class PictureDoubt:
    """What the picture adds to an edge's doubt.

    Attributes
    ----------
    factor : float
        By which each edge's own standard uncertainty grows.
    inwards_mm : ndarray, shape (n_s,)
        How far blur has moved the edges of a dark gap into it at each station [mm].
    common_mm : ndarray, shape (n_s,)
        How far both edges may lie too far in, or both too far out, standard uncertainty at each station [mm].
    """

    factor: float
    inwards_mm: FloatArray
    common_mm: FloatArray


def picture_doubt(
    quality: StripQuality, px_per_mm: FloatArray, stations_px: FloatArray, *, lit: bool = False
) -> PictureDoubt:
    """What blur, halos and too few pixels add to the doubt of the edges.

    Parameters
    ----------
    quality : StripQuality
        How the photo shows its strips.
    px_per_mm : ndarray, shape (n_s,)
        Resolution across the seam at each station.
    stations_px : ndarray, shape (n_s, 2)
        Where the stations lie in the photo.
    lit : bool
        The gap is lit from behind: no outline is faint.
    """
    blur = np.zeros(len(px_per_mm))
    if len(quality.side_blur_px) >= _NEAR_SIDES:
        away = np.linalg.norm(np.nan_to_num(stations_px)[:, None] - quality.sides_px[None], axis=2)
        near = np.argpartition(away, _NEAR_SIDES - 1, axis=1)[:, :_NEAR_SIDES]
        blur = np.quantile(quality.side_blur_px[near], _MOST_OF_THEM, axis=1)
    grain = quality.grain
    smeared = np.interp(grain.run, _SMEARED_RUN, (1, 0)) * np.interp(grain.levels, _SMEARED_LEVELS, (1, 0))
    left = np.interp(grain.run, _LEFT_RUN, (1, 0)) * np.interp(grain.levels, _LEFT_LEVELS, (0, 1))
    left *= np.interp(grain.tail, _LEFT_TAIL, (0, 1)) * (not lit)
    noise = 1 + (_SMEARED_FACTOR - 1) * smeared + (_LEFT_FACTOR - 1) * left
    coarse = np.interp(np.median(px_per_mm), _FINE_PX_PER_MM, _COARSE_FACTOR)
    excess_mm = np.sqrt(np.maximum(blur**2 - _USUAL_BLUR_PX**2, 0.0)) / px_per_mm
    return PictureDoubt(
        factor=float(coarse * np.interp(quality.halo, _HALO, _HALO_FACTOR) * noise),
        inwards_mm=_BLUR_MOVES * excess_mm,
        common_mm=_BLUR_SHARE * excess_mm,
    )


def veil_light(quality: StripQuality, photo: Photo) -> float:
    """Stray light that may lie over the picture, as a share of white: from the print's black.

    A veil lies over everything, so it is no brighter than the darkest places of the picture either.
    """
    if not np.isfinite(quality.contrast):
        return 0.0
    black = (1 - quality.contrast) / (1 + quality.contrast)
    return float(np.clip(min(black - _PRINT_BLACK, darkest_light(photo)), 0.0, _MOST_VEIL))


def without_veil(band: Band, veil: float) -> Band | None:
    """The band without the light that lies evenly over its darkest places; None where that is next to nothing.

    Parameters
    ----------
    band : Band
        Rectified band.
    veil : float
        Most light to take away, of white.
    """
    inside = np.abs(band.t_mm) < _INSIDE_MM
    light = np.where(np.isfinite(band.linear[inside]), band.linear[inside], 1.0)
    floor = np.quantile(light, 0.05, axis=0).astype(np.float32)
    floor = cv2.blur(floor[None], (_SMOOTH_STATIONS, 1), borderType=cv2.BORDER_REPLICATE)[0]
    away = np.minimum(_TAKEN_AWAY * floor, veil)
    if float(np.median(away)) < _LEAST_VEIL:
        return None
    return replace(band, linear=np.maximum(band.linear - away[None], 0).astype(np.float32))


def either(seen: SeamEdges, otherwise: SeamEdges) -> SeamEdges:
    """Edges as seen, with the doubt that they may lie where another look at the same band put them.

    Parameters
    ----------
    seen, otherwise : SeamEdges
        Both looks.
    """
    a, b = (
        doubt_of_two(*(getattr(look, f"{figure}_{name}_mm") for look in (seen, otherwise) for figure in ("t", "std")))
        for name in "ab"
    )
    return replace(seen, std_a_mm=a, std_b_mm=b)


def doubt_of_two(t_mm: FloatArray, std_mm: FloatArray, other_t_mm: FloatArray, other_std_mm: FloatArray) -> FloatArray:
    """Standard uncertainty of an edge that another look at the same band puts elsewhere, shape (n_s,) [mm].

    Parameters
    ----------
    t_mm, std_mm, other_t_mm, other_std_mm : ndarray, shape (n_s,)
        Place, NaN where there is none, and standard uncertainty by either look [mm].
    """
    apart = 0.5 * np.nan_to_num(t_mm - other_t_mm)
    return np.sqrt(np.maximum(std_mm, other_std_mm) ** 2 + apart**2)
