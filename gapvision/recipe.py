"""The whole recipe: a photo in, a measurement out."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from gapvision import METHOD_VERSION
from gapvision.codes import CODES
from gapvision.errors import GapvisionError
from gapvision.geometry.edge_form import figures_of
from gapvision.geometry.leaving_out import leave_out
from gapvision.limits import print_scale_std
from gapvision.model import (
    COVERAGE_FACTOR,
    Edge,
    FittedField,
    FloatArray,
    GapProfile,
    Measurement,
    Notice,
    PhoneProof,
    Photo,
    ScaleInfo,
    SeamQuality,
    SeenPhoto,
    Settings,
    Step,
    StripView,
)
from gapvision.targets.strip import FACE_HEIGHT_MM
from gapvision.vision.band import Band, CentreLine, sample_band
from gapvision.vision.closed import (
    Round,
    find_round,
    length_of,
    once,
    orient_round,
    over_the_end,
    recentre_closed,
    seam_find,
)
from gapvision.vision.detect import FoundStrips, look_for_strips
from gapvision.vision.doubts import check_lines_contradicted, doubts, strip_notices
from gapvision.vision.edges import SeamEdges, find_edges
from gapvision.vision.field import KnownStrips, fit_field
from gapvision.vision.gap import (
    RIM_SHARE_LEARNED,
    RIM_SHARE_RULES,
    STEP_UNKNOWN,
    EdgeReading,
    build_profile,
)
from gapvision.vision.known import ToldEdge, known_notices, weigh
from gapvision.vision.lens import contradicts
from gapvision.vision.painted import looks_painted
from gapvision.vision.phone import PictureDoubt, either, picture_doubt, veil_light, without_veil
from gapvision.vision.placing import CUT_KIND
from gapvision.vision.proven import of_other_lens, proof_for, with_proof
from gapvision.vision.quality import StripQuality, no_strip_notice, quality_notices, strip_quality, unused_notices
from gapvision.vision.rises import BY_RULES
from gapvision.vision.seam import SeamFind, find_seam, orient, recentre
from gapvision.vision.sheet import printed_to_scale, with_sheets

EDGE_HEIGHT_MM = -1.5  # where the band is drawn: a strip's thickness and a usual edge's depth below the print
_CENTRED_MM = 0.8  # within what the detector is used to: a second look changes little
REFUSE_TILT_DEG = 35.0
_STROKE_MM = 1.7  # chalk and felt-pen lines are 1 to 1.5 mm wide; common practice, no source
_LEAST_STATIONS = 10
# A strip of which little shows helps only beside one that shows well.
_LEAST_CORNERS, _GOOD_CORNERS, _GOOD_LENGTH_MM = 6, 8, 60.0


def measure_photo(photo: Photo, settings: Settings | None = None) -> Measurement:
    """Measure the gap along the seam in one photo.

    Parameters
    ----------
    photo : Photo
        Upright photo.
    settings : Settings, optional
        How to measure.

    Returns
    -------
    Measurement
        Status ``ok`` or ``warn`` with a profile, or ``refused`` with the reason; never raises for a bad photo.
    """
    settings, seen = settings or Settings(), list[StripView]()
    try:
        return leave_out(_measure(photo, replace(settings, left_out=()), seen), settings.left_out)
    except GapvisionError as error:
        return Measurement(
            status="refused",
            notices=(refusal_of(error),),
            photos=(seen_photo(photo, seen),),
            settings=of_seen(settings, seen),
            method_version=METHOD_VERSION,
        )


@dataclass(frozen=True, slots=True, eq=False)
class Look:
    """A photo as far as the seam: its strips, its map, and where the seam runs.

    Attributes
    ----------
    settings : Settings
        Those given, with no other sheets than those in view.
    to_scale : bool
        Whether the check lines of all its strips were measured.
    line : CentreLine
        The seam's, in ``field``'s frame.
    sides : dict of str to str
        Panel of each strip, A or B.
    closed : bool
        Whether the line closes.
    """

    photo: Photo
    settings: Settings
    views: list[StripView]
    to_scale: bool
    quality: StripQuality
    known: KnownStrips
    found: SeamFind
    field: FittedField
    line: CentreLine
    sides: dict[str, str]
    notices: list[Notice]
    closed: bool = False


def look_at(photo: Photo, settings: Settings, seen: list[StripView]) -> Look:
    """Strips, which ``seen`` gets, map, seam and sides of one photo; raises a refusal where they are not to be had."""
    start = map_of(photo, settings, seen)
    settings, views, flat, known, notices = start.settings, start.views, start.flat, start.known, start.notices
    hint = np.array(settings.seam_hint_px, float) if settings.seam_hint_px else None
    all_round: Round | None = None
    to_sides: Callable[..., tuple[FittedField, CentreLine, dict[str, str]]]
    if settings.closed:
        all_round = find_round(photo, flat, views, settings.station_mm, hint)
        found = seam_find(all_round, flat, views)
        to_sides = partial(orient_round, photo, views, found=all_round)
    else:
        found = find_seam(photo, flat, views, settings.station_mm, hint)
        to_sides = partial(orient, photo, views, found=found)
    field, line, sides = to_sides(flat, known=known)
    proof, of_phone = start.proof, start.of_phone
    if proof is not None and proof.lens is not None:
        if contradicts(field, photo.focal_35mm_mm, proof.lens):
            proof, of_phone = None, [of_other_lens(proof)]
        else:
            own = replace(known, lens=proof.lens)
            flat = fit_field(views, flat.size_px, photo.focal_35mm_mm, start=flat, known=own)
            field, line, sides = to_sides(flat, known=own)
    settings = replace(settings, proofs=(proof,) if proof else ())
    notices += strip_notices(field, views, photo.focal_35mm_mm, known)
    refuse_by(notices)
    notices += of_phone
    closed = all_round is not None and all_round.closed
    if all_round is not None and not closed:
        notices.append(Notice(code="seam-in-part"))
    quality = start.quality
    return Look(photo, settings, views, start.to_scale, quality, known, found, field, line, sides, notices, closed)


@dataclass(frozen=True, slots=True, eq=False)
class Start:
    """A photo as far as its map, all its strips taken to lie at one height; attributes as of :class:`Look`."""

    settings: Settings
    views: list[StripView]
    to_scale: bool
    quality: StripQuality
    known: KnownStrips
    flat: FittedField
    notices: list[Notice]
    proof: PhoneProof | None
    of_phone: list[Notice]


def map_of(photo: Photo, settings: Settings, seen: list[StripView]) -> Start:
    """Strips, which ``seen`` gets, and map of one photo; raises a refusal where they are not to be had."""
    looked, size = look_for_strips(photo), (photo.width_px, photo.height_px)
    views = _strips(photo, settings, looked)
    seen.extend(views)
    settings = of_seen(settings, views)
    proof, told_of_phone = proof_for(photo, settings, views)
    to_scale = printed_to_scale(views, settings)
    quality = strip_quality(photo, views)
    notices = [*quality_notices(quality, photo), *unused_notices(looked)]
    refuse_by(notices)
    known = KnownStrips(
        one_sheet=settings.one_sheet,
        thickness_stated=settings.strip_thickness_mm is not None,
        measured=frozenset(c.sheet for c in settings.sheets),
    )
    try:
        flat = fit_field(views, size, photo.focal_35mm_mm, known=known)
    except GapvisionError as error:
        if check_lines_contradicted(photo, views, None, known):
            doubt = CODES["check-lines-doubtful"]
            raise GapvisionError(error.code, doubt.text, doubt.next_step) from error
        raise
    return Start(settings, views, to_scale, quality, known, flat, notices, proof, told_of_phone)


@dataclass(frozen=True, slots=True, eq=False)
class Sighted:
    """A photo as far as its edges.

    Attributes
    ----------
    look : Look
    rectified : Band
        Along its seam, the middle on the gap's.
    edges : SeamEdges
    painted : bool
        Whether it looks like a mark rather than a gap.
    picture : PictureDoubt
    """

    look: Look
    rectified: Band
    edges: SeamEdges
    painted: bool
    picture: PictureDoubt

    def without_pixels(self) -> Sighted:
        """The same without the photo's pixels, of which not all can be held of many; a bright one stays bright."""
        photo = self.look.photo
        level = np.percentile(photo.grey[::8, ::8], 95).astype(photo.grey.dtype)
        small = replace(photo, grey=np.broadcast_to(level, photo.grey.shape), colour=None)
        return replace(self, look=replace(self.look, photo=small))

    def profile(
        self,
        field: FittedField,
        line: CentreLine,
        told: tuple[ToldEdge, ToldEdge],
        step: Step,
        alone: bool = True,
    ) -> GapProfile:
        """The gap by these edges, by a map whose frame has the band's stations at ``line``."""
        settings = self.look.settings
        return build_profile(
            field,
            replace(self.rectified, line=line),
            EDGE_HEIGHT_MM,
            reading_of(self.edges, "a", told[0], self.picture),
            reading_of(self.edges, "b", told[1], self.picture),
            print_scale_checked=self.look.to_scale,
            station_mm=settings.station_mm,
            step=(step.mean_mm, step.expanded_u_mm / COVERAGE_FACTOR),
            face_mm=settings.strip_thickness_mm or FACE_HEIGHT_MM,
            picture_mm=self.picture.common_mm,
            doubted=self.painted and settings.seam_hint_px is None,
            own_line=settings.closed,
            closed=self.look.closed,
            alone=alone,
        )


def sight(look: Look) -> Sighted:
    """Both edges along the seam that was found."""
    photo, settings, field = look.photo, look.settings, look.field
    band, edges = _edges(photo, field, look.line, settings, look.closed)
    # A gap that is lit from behind is no darker for a veil.
    clear = None if edges.lit else without_veil(band, veil_light(look.quality, photo))
    if clear is not None:
        edges = either(edges, find_edges(clear, settings.edges))
    if look.closed:
        band, edges = once(band, edges)
    picture = picture_doubt(look.quality, band.px_per_mm, field.project(band.line.points), lit=edges.lit)
    refuse_tilted(band)
    return Sighted(look, band, edges, looks_painted(band, edges, look.quality.black), picture)


def _measure(photo: Photo, settings: Settings, seen: list[StripView]) -> Measurement:
    """The recipe: strips, which ``seen`` gets, seam, sides, edges, gap; then what is to be said of it."""
    look = look_at(photo, settings, seen)
    settings, views, to_scale = look.settings, look.views, look.to_scale
    found, field, sides, notices = look.found, look.field, look.sides, look.notices
    proof = settings.proofs[0] if settings.proofs else None
    sighted = sight(look)
    band, edges, painted = sighted.rectified, sighted.edges, sighted.painted
    known_a, known_b = settings.known_edges
    told_a, told_b = weigh(edges.kind_a, known_a), weigh(edges.kind_b, known_b)
    step, shown = step_to_use(field, settings), settings.seam_hint_px is not None
    profile = sighted.profile(field, band.line, (told_a, told_b), step)
    if proof is not None:
        profile = with_proof(profile, proof)
    refuse_profile(profile, shown, found.cut_by_frame)
    if painted:
        notices.append(Notice(code="gap-shown" if shown else "gap-doubtful"))
    notices += taped_unused(settings)
    notices += doubts(photo, views, settings, field, found, band, edges, profile, look.known)
    measured = step if step.source == "strips" else None
    one_side = len(set(sides.values())) == 1
    notices += known_notices({"A": told_a, "B": told_b}, settings.known_step, measured, min(sides), one_side)
    notices.sort(key=lambda notice: notice.kind == "note")
    return Measurement(
        status="warn" if any(notice.kind == "warning" for notice in notices) else "ok",
        notices=tuple(notices),
        photos=(seen_photo(photo, views, field),),
        scale=scale_seen(to_scale, views, field, band, sides),
        profile=profile,
        **figures_of(profile),
        step_used=step,
        edge_a=edge_kept(told_a, edges.burnt_a_share),
        edge_b=edge_kept(told_b, edges.burnt_b_share),
        **seen_in_all([look], [edges]),
        settings=settings,
        method_version=METHOD_VERSION,
    )


def seen_in_all(looks: Sequence[Look], edges: Sequence[SeamEdges]) -> dict[str, Any]:
    """What a measurement tells of one photo or of all: the worst of ``quality``, ``gap_lit`` and ``edges_method``."""
    return {
        "quality": SeamQuality(
            blur_px=max(look.quality.blur_px for look in looks),
            seam_score=min(look.found.score for look in looks),
            rival_seam=max(look.found.rival for look in looks),
            burnt_panel_share=max(each.over_share for each in edges),
        ),
        "gap_lit": "bright" if 2 * sum(each.lit for each in edges) > len(edges) else "dark",
        "edges_method": Counter(each.method for each in edges).most_common(1)[0][0],
    }


def taped_unused(settings: Settings) -> list[Notice]:
    """What is to be said where a taped distance was given to a measurement that is not of photos along a seam."""
    why = "The taped distance was not used: it counts for photos along a seam."
    return [] if settings.taped is None else [Notice(code="taped-unused", message=why)]


def refuse_tilted(rectified: Band) -> None:
    """Refuse a photo that was taken too far from the side."""
    if rectified.tilt_deg > REFUSE_TILT_DEG:
        raise GapvisionError(
            "tilt-too-large", f"The camera looked at the seam {rectified.tilt_deg:.0f} degrees from the side."
        )


def refuse_profile(profile: GapProfile, shown: bool, cut_by_frame: bool) -> None:
    """Refuse a profile of too few stations, or one of a stroke unless a person has ``shown`` the seam."""
    if len(profile.s_mm) < _LEAST_STATIONS:
        raise GapvisionError("edges-not-found")
    if float(np.median(profile.gap_mm)) < _STROKE_MM and not shown:
        raise GapvisionError("gap-out-of-frame" if cut_by_frame else "line-too-narrow")


def refusal_of(error: GapvisionError) -> Notice:
    """What is said of photos that were refused; an error that is no refusal goes on."""
    if CODES[error.code].kind != "refusal":
        raise error
    return Notice(code=error.code, message=error.message, advice=error.next_step)


def refuse_by(notices: list[Notice]) -> None:
    """Raise the first refusal among them."""
    for notice in notices:
        if notice.kind == "refusal":
            raise GapvisionError(notice.code, notice.message, notice.advice)


def _strips(photo: Photo, settings: Settings, found: FoundStrips) -> list[StripView]:
    """The strips that show enough of themselves, each to its own print scale."""
    views = [_printed(view, settings) for view in with_sheets(photo, found.views)]
    if not views:
        notice = no_strip_notice(photo, found.mirrored)
        raise GapvisionError(notice.code, notice.message, notice.advice)
    longest = max(float(np.ptp(v.corners_mm[:, 0])) for v in views)
    if max(len(v.corner_ids) for v in views) < _GOOD_CORNERS or longest < _GOOD_LENGTH_MM:
        raise GapvisionError("too-few-corners")
    return [v for v in views if len(v.corner_ids) >= _LEAST_CORNERS]


def of_seen(settings: Settings, views: list[StripView]) -> Settings:
    """The settings with no other sheets than those of the strips."""
    sheets = {view.sheet for view in views}
    return replace(settings, sheets=tuple(check for check in settings.sheets if check.sheet in sheets))


def _printed(view: StripView, settings: Settings) -> StripView:
    """The strip as its sheet's check lines say that it was printed."""
    scale, _ = settings.print_scale_of(view.sheet)
    return replace(view, corners_mm=view.corners_mm * scale, print_scale=scale)


def _edges(
    photo: Photo, field: FittedField, line: CentreLine, settings: Settings, closed: bool
) -> tuple[Band, SeamEdges]:
    """Edges on the band; again with the band's middle on the gap's middle, where it was far from it.

    Of a line that closes, some stations are there twice.
    """

    def look() -> tuple[Band, SeamEdges]:
        whole = over_the_end(line) if closed else line
        apart = length_of(line) / len(line.s_mm) if closed else settings.station_mm
        band = sample_band(photo, field, whole, EDGE_HEIGHT_MM, apart)
        return band, find_edges(band, settings.edges)

    band, edges = look()
    for _ in range(looks_more(edges.middle_mm)):
        centred = recentre_closed if closed else recentre
        line = centred(line, edges.middle_mm, settings.station_mm)
        band, edges = look()
    return band, edges


def looks_more(middle_mm: FloatArray) -> int:
    """How often to look again, by how far the gap's middle lay off the band's."""
    off = np.abs(middle_mm)
    return 0 if np.quantile(off, 0.95) < _CENTRED_MM else 1 if np.median(off) < _CENTRED_MM else 2


def step_to_use(field: FittedField, settings: Settings) -> Step:
    """The step between the faces to measure with: as the strips give it, else as stated, else with wide doubt."""
    if field.step_free:
        return Step(mean_mm=field.step_mm, expanded_u_mm=COVERAGE_FACTOR * field.step_std_mm)
    if settings.step_mm is not None:
        return Step(mean_mm=settings.step_mm, expanded_u_mm=settings.step_u_mm, source="stated")
    mean_mm, std_u_mm = STEP_UNKNOWN
    return Step(mean_mm=mean_mm, expanded_u_mm=COVERAGE_FACTOR * std_u_mm, source="assumed")


def reading_of(edges: SeamEdges, name: str, told: ToldEdge, picture: PictureDoubt) -> EdgeReading:
    """What is known of edge ``a`` or ``b`` before geometry."""
    outwards = (-1 if name == "a" else 1) * picture.inwards_mm * (not edges.lit)
    return EdgeReading(
        t_mm=getattr(edges, f"t_{name}_mm") + outwards,
        std_mm=getattr(edges, f"std_{name}_mm") * picture.factor,
        kind=told.kind,
        silhouette=edges.silhouette_share > 0.5,
        rim_share=RIM_SHARE_RULES if edges.method == BY_RULES else RIM_SHARE_LEARNED,
    )


def edge_kept(told: ToldEdge, burnt_share: float) -> Edge:
    """The edge as it is kept."""
    kind, radius = told.kind, (None, None)
    if kind.kind == "rolled":
        radius = kind.roll_mm, COVERAGE_FACTOR * kind.roll_std_mm
    elif kind == CUT_KIND:  # its outline lies at the foot of the broken corner
        radius = kind.depth_mm, COVERAGE_FACTOR * kind.depth_std_mm
    return Edge(
        kind="other" if kind.kind == "unknown" else kind.kind,
        source="measured" if told.known is None else "stated",
        contradicted=told.contradicted,
        depth_mm=kind.depth_mm,
        depth_std_u_mm=kind.depth_std_mm,
        radius_mm=radius[0],
        radius_u_mm=radius[1],
        burnt_share=burnt_share,
    )


def seen_photo(photo: Photo, views: Sequence[StripView] = (), field: FittedField | None = None) -> SeenPhoto:
    """The photo as it is kept."""
    same = {name: getattr(photo, name) for name in ("file", "sha256", "width_px", "height_px", "taken_at")}
    return SeenPhoto(**same, strips=tuple(views), field=field)


def scale_seen(
    to_scale: bool, views: list[StripView], field: FittedField, rectified: Band, sides: dict[str, str]
) -> ScaleInfo:
    """How the photo was seen; its print scale is that of the strip with the lowest letter."""
    along, across = min(views, key=lambda v: v.letter).print_scale
    return ScaleInfo(
        px_per_mm=float(np.median(rectified.px_per_mm)),
        print_scale_along=along,
        print_scale_across=across,
        print_scale_checked=to_scale,
        print_scale_u=COVERAGE_FACTOR * print_scale_std(to_scale),
        print_scale_along_u=COVERAGE_FACTOR * print_scale_std(to_scale, along=True),
        strips=tuple(sorted(field.letters)),
        tilt_across_deg=float(np.median(rectified.sight_deg[0])),
        tilt_along_deg=float(np.median(rectified.sight_deg[1])),
        distance_mm=float(np.median(field.distance_mm(rectified.line.points))),
        focal_px=field.focal_px,
        focal_source=field.focal_source,
        residual_rms_px=field.rms_px(views),
        strip_sides=sides,
    )
