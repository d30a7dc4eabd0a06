"""What to warn of once a seam is measured: what keeps its numbers from being trusted, and what would help."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from gapvision.errors import GapvisionError
from gapvision.geometry.edge_form import jump_mm
from gapvision.limits import LEAST_PX_PER_TOLERANCE
from gapvision.model import FittedField, GapProfile, Notice, Photo, Settings, StripView
from gapvision.targets.strip import corner_ids
from gapvision.vision.band import Band
from gapvision.vision.edges import SeamEdges, is_unfamiliar
from gapvision.vision.field import KnownStrips, are_alike, fit_field, odd_strip, step_if_alike_mm, strips_apart
from gapvision.vision.rises import BY_RULES
from gapvision.vision.seam import SeamFind
from gapvision.vision.sheet import print_notices

_LARGE_STEP_MM = 3.0  # between panels that are hung: common practice, no source
_APART_DEVIATIONS = 3.0
_TILT_COUNTS_DEG = 5.0
_LIFTED_RMS_PX = 0.5  # usual: 0.06 to 0.13
_RIVAL_SHARE = 0.72
_TRUSTED_U_MM = 0.25
_WHOLE_SHARE = 0.72  # of its corners: 28 of a whole strip
_BURNT_SHARE = 0.3
_DIM = "Dim the lamp behind the gap until the gap is bright but not pure white, and take the photo again."
_EVEN_OUT = "Spread the light behind the gap evenly with white paper, keep other light off, and take the photo again."
# A check line read wrong by 1 mm leaves the corners 0.4 px off (one shared photo), where the usual is 0.06 to 0.13.
_EVEN_PRINT, _UNEVEN_TIMES, _UNEVEN_RMS_PX = 0.001, 2.0, 0.2


def doubts(
    photo: Photo,
    views: list[StripView],
    settings: Settings,
    field: FittedField,
    found: SeamFind,
    band: Band,
    edges: SeamEdges,
    profile: GapProfile,
    likeness: KnownStrips,
) -> list[Notice]:
    """Warnings and notes about a measured seam, from what it was measured with.

    Parameters
    ----------
    photo, views, settings, likeness
        The photo, its strips, how it was to be measured, and what is known of the strips.
    field, found, band, edges, profile
        What each part of the recipe gave.
    """
    out = _of_photo(photo, views, views, settings, field, found, band, edges, likeness)
    return out + _of_seam(settings, field, [band], [edges], profile, len(band.line.s_mm))


def doubts_of_several(
    photos: list[tuple[Photo, list[StripView], SeamFind]],
    settings: Settings,
    fields: Sequence[FittedField],
    rectified: list[Band],
    edges: list[SeamEdges],
    profile: GapProfile,
    likeness: KnownStrips,
    stations: int | None = None,
    printed: Sequence[list[StripView]] = (),
) -> list[Notice]:
    """The same of a seam that was measured from several photos; what is about one of them names it.

    Parameters
    ----------
    photos : list of (Photo, list of StripView, SeamFind)
        Each photo, its strips, and the seam as it was found in it.
    settings, profile, likeness
        As for :func:`doubts`.
    fields, rectified, edges
        Of each photo.
    stations : int, optional
        How many the whole seam has; left out: as many as the first photo's band.
    printed : sequence of list of StripView, optional
        Each photo's strips whose check lines count, where ``photos`` leaves out those that it cuts off.
    """
    each = [
        (photo.file, _of_photo(photo, views, strips, settings, field, found, band, said, likeness))
        for (photo, views, found), strips, field, band, said in zip(
            photos, printed or [views for _, views, _ in photos], fields, rectified, edges, strict=True
        )
    ]
    stations = stations or len(rectified[0].line.s_mm)
    return [*by_photo(each), *_of_seam(settings, fields[0], rectified, edges, profile, stations)]


def by_photo(each: list[tuple[str, list[Notice]]]) -> list[Notice]:
    """Notices of several photos, alike ones once, each with the files that it is about; none where it is about all."""
    about: dict[tuple[str, str, str, str], tuple[Notice, list[str]]] = {}
    for file, notices in each:
        for notice in notices:
            key = (notice.code, notice.message, notice.advice, str(sorted(notice.values.items())))
            about.setdefault(key, (notice, []))[1].append(file)
    return [
        notice if len(files) == len(each) else replace(notice, photos=tuple(sorted(files)))
        for notice, files in about.values()
    ]


def _of_photo(
    photo: Photo,
    views: list[StripView],
    printed: list[StripView],
    settings: Settings,
    field: FittedField,
    found: SeamFind,
    band: Band,
    edges: SeamEdges,
    likeness: KnownStrips,
) -> list[Notice]:
    white = 250 if photo.grey.dtype == np.uint8 else 64250
    burnt_out = edges.over_share > 0.7 and float((photo.grey[::8, ::8] >= white).mean()) > 0.05
    rules_only = settings.edges == "auto" and edges.method == BY_RULES
    hidden = [v.letter for v in views if len(v.corner_ids) < _WHOLE_SHARE * len(corner_ids(v.short))]
    out = [
        *_lifted(field, views, photo, likeness),
        *_if(found.rival > _RIVAL_SHARE and settings.seam_hint_px is None, "two-seams"),
        *_if(burnt_out, "edge-overexposed"),
        *_if(edges.under_share > 0.5, "edge-underexposed"),
        *_if(rules_only and is_unfamiliar(band), "seam-unfamiliar"),
        *_if(edges.burnt_share > _BURNT_SHARE, "gap-burnt-out"),
        *print_notices(printed, settings),
        *_if(photo.focal_35mm_mm is None, "focal-unknown"),
    ]
    if hidden:
        message = f"Part of strip {', '.join(hidden)} is hidden, dirty, torn or out of view."
        out.append(Notice(code="strip-damaged", message=message))
    return out


def _of_seam(
    settings: Settings,
    field: FittedField,
    bands: list[Band],
    edges: list[SeamEdges],
    profile: GapProfile,
    stations: int,
) -> list[Notice]:
    tolerance, px_per_mm = settings.tolerance_mm, max(float(np.median(band.px_per_mm)) for band in bands)
    jumps = any(jump_mm(edge, profile.spacing_mm).any() for edge in (profile.edge_a_mm, profile.edge_b_mm))
    # Photos from both sides leave no tilt of their own; one photo of a gap that is well lit is enough.
    tilt, best = min(band.tilt_deg for band in bands), min(edges, key=lambda said: (not said.lit, said.burnt_share))
    return [
        *_if(jumps, "edge-jumps"),
        *of_stations(profile, stations, tilt, _what_helps(settings, field.step_free), best),
        *_if(not field.step_free and settings.step_mm is None, "step-unknown"),
        *_if(tolerance is not None and px_per_mm * tolerance < LEAST_PX_PER_TOLERANCE.value, "resolution-low"),
    ]


def strip_notices(
    field: FittedField, views: list[StripView], focal_35mm_mm: float | None, known: KnownStrips
) -> list[Notice]:
    """Whether the strips fit together: refused where they do not, a warning of a step that few bodies have.

    Parameters
    ----------
    field, views, focal_35mm_mm, known
        The fit, and what it was made from.
    """
    apart = strips_apart(field, views, known)
    if max(abs(apart.step_mm), abs(field.step_mm)) < _LARGE_STEP_MM and apart.deviations < _APART_DEVIATIONS:
        unknown = field.step_free and not are_alike(views, known)
        return _if(unknown, "sheets-unknown")
    odd = odd_strip(field, views, focal_35mm_mm, known)
    if apart.deviations >= _APART_DEVIATIONS:
        message = f"Strips {', '.join(sorted(field.letters))} do not fit together: they were printed to different "
        message += "sizes, or one lies far above its panel."
        return [Notice(code="strips-apart", message=message + (f" Without strip {odd} the others fit." if odd else ""))]
    step = step_if_alike_mm(field, views, focal_35mm_mm, known)
    if abs(step) < _LARGE_STEP_MM:
        return _if(not are_alike(views, known), "sheets-unknown")
    return [Notice(code="step-large", values={"odd": odd, "step_mm": step, "alike": are_alike(views, known)})]


def check_lines_contradicted(
    photo: Photo, views: list[StripView], field: FittedField | None, known: KnownStrips
) -> bool:
    """Whether the strips fit the photo far better when they are taken to be printed as long as wide.

    Parameters
    ----------
    photo, views, known
        The photo, its strips printed as the check lines say, and what is known of them.
    field : FittedField or None
        Fitted to them; None where none fits.
    """
    if all(abs(along / across - 1) < _EVEN_PRINT for along, across in (v.print_scale for v in views)):
        return False
    if field is not None and field.rms_px(views) <= _UNEVEN_RMS_PX:  # the usual photo: no second fit is needed
        return False
    even = [replace(v, corners_mm=v.corners_mm * np.mean(v.print_scale) / v.print_scale) for v in views]
    size, raised = (photo.width_px, photo.height_px), frozenset(field.raised if field else ())
    try:
        left = fit_field(even, size, photo.focal_35mm_mm, raised, known=known).rms_px(even)
    except GapvisionError:
        return False
    return field is None or field.rms_px(views) > max(_UNEVEN_TIMES * left, _UNEVEN_RMS_PX)


def _lifted(field: FittedField, views: list[StripView], photo: Photo, known: KnownStrips) -> list[Notice]:
    """Warn of strips whose corners lie on no plane of their own, whatever the rest of the picture does."""
    if check_lines_contradicted(photo, views, field, known):
        return [Notice(code="check-lines-doubtful")]
    bent = []
    for view in views:
        u, v = ((view.corners_mm - view.corners_mm.mean(0)) / np.maximum(np.ptp(view.corners_mm, axis=0), 1.0)).T
        plane = np.stack([np.ones_like(u), u, v, u * u, u * v], 1)  # a plane seen in perspective, to second order
        left = field.residual_px(view)
        left = left - plane @ np.linalg.lstsq(plane, left, rcond=None)[0]
        if float(np.sqrt((left**2).mean())) > _LIFTED_RMS_PX:
            bent.append(view.letter)
    if not bent:
        return []
    which = f"Strip {bent[0]} does" if len(bent) == 1 else f"Strips {', '.join(sorted(bent))} do"
    return [Notice(code="strip-lifted", message=f"{which} not lie flat on the panel.")]


def _if(holds: bool, code: str) -> list[Notice]:
    return [Notice(code=code)] if holds else []


def _what_helps(settings: Settings, both_sides: bool) -> str:
    """What the user could still state that a tilted photo does not tell; begins with a blank, or is empty."""
    out = ""
    if not both_sides and settings.step_mm is None:
        out += " A strip on each side would tell the step between the panels; or measure it by hand and state it."
    if None in settings.known_edges:
        out += " State how the edges are made, cut or rolled, if you know it."
    return out


def of_stations(profile: GapProfile, stations: int, tilt: float, helps: str, edges: SeamEdges) -> list[Notice]:
    """What keeps the stations from being trusted, and what to do about it.

    Parameters
    ----------
    profile : GapProfile
        As measured.
    stations : int
        How many the band has.
    tilt : float
        How far off square the camera looked [deg].
    helps : str
        What a person could still state; begins with a blank, or is empty.
    edges : SeamEdges
        Whether the gap is lit, and burnt out.
    """
    sure = float((profile.expanded_u_mm <= _TRUSTED_U_MM).sum()) / stations
    if sure >= 0.5:
        return [Notice(code="coverage-low")] if len(profile.s_mm) < 0.7 * stations else []
    size = dict.fromkeys(("edge", "repeat", "tilt_step", "depth", "rim"), 0.0)
    size |= {name: float(np.median(part)) for name, part in profile.parts_mm.items()}
    edge = float(np.hypot(size["edge"], size["repeat"]))
    tilted = float(np.hypot(size["tilt_step"], np.hypot(size["depth"], size["rim"])))
    if max(tilted, edge) < size["print_scale"]:
        return [Notice(code="print-scale-matters")]
    out = []
    if tilted > 0.6 * edge and tilt > _TILT_COUNTS_DEG:
        message = f"The camera looked at the seam {tilt:.0f} degrees from the side.{helps}"
        out.append(Notice(code="tilt-large", message=message))
    if edge > 0.6 * tilted or not out:
        # Who has lit the gap already is not told to light it.
        lit = _DIM if edges.burnt_share > _BURNT_SHARE else _EVEN_OUT
        out.append(Notice(code="edge-doubtful", advice=lit if edges.lit else ""))
    return out
