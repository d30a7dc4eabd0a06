"""Several photos of one seam in, one measurement out: the recipe for what one photo cannot tell."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Any

import numpy as np

from gapvision import METHOD_VERSION
from gapvision.along import measure_chain, two_at_a_time
from gapvision.errors import GapvisionError, require
from gapvision.geometry.edge_form import figures_of
from gapvision.geometry.leaving_out import leave_out
from gapvision.model import (
    COVERAGE_FACTOR,
    FittedField,
    FloatArray,
    Measurement,
    Notice,
    Photo,
    SeenPhoto,
    Settings,
    Step,
)
from gapvision.recipe import (
    EDGE_HEIGHT_MM,
    Look,
    Sighted,
    edge_kept,
    look_at,
    looks_more,
    measure_photo,
    of_seen,
    refusal_of,
    refuse_profile,
    refuse_tilted,
    scale_seen,
    seen_in_all,
    seen_photo,
    sight,
    step_to_use,
    taped_unused,
)
from gapvision.targets.strip import FACE_HEIGHT_MM
from gapvision.vision.band import Band, CentreLine, normals_along, sample_band
from gapvision.vision.doubts import by_photo, doubts_of_several
from gapvision.vision.edges import Choice, SeamEdges, choose_edges, edges_of, find_edges
from gapvision.vision.field import THICKNESS_STATED_STD_MM, THICKNESS_STD_MM
from gapvision.vision.joint_edges import Face, JointEdge, PhotoLook, join_edges, photo_look
from gapvision.vision.joint_field import JointFields, fit_jointly
from gapvision.vision.joint_gap import joint_profile
from gapvision.vision.known import known_notices
from gapvision.vision.painted import looks_painted
from gapvision.vision.painted_sets import all_look_painted, mark_figures
from gapvision.vision.phone import PictureDoubt, picture_doubt, veil_light, without_veil
from gapvision.vision.proven import bias_left_in, with_proofs_of_set
from gapvision.vision.seam import moved, recentre

#: How many photos of one seam are measured together, and how many of them show one place.
MOST_PHOTOS = 40
_MOST_OF_ONE_PLACE = 6
# Photos of one place are aimed at it by hand to some tens of millimetres; along a seam they go on by about 200.
_APART_MM = 90.0
# Photos whose own lines lie further apart show that one of them took something else for the seam.
_LINES_APART_MM, _LINES_APART_SHARE, _OTHER_SEAM_MM = 1.5, 0.1, 3.0
# A gap's middle that one photo puts this far from where the surest does, or a gap that is so much wider there, at
# stations that both are sure of: another state of the seam, or a lone strip that was moved.
_SEEN_ELSEWHERE_MM, _SEEN_WIDER_MM, _SURE_STD_MM, _LEAST_SURE = 0.8, 1.2, 0.2, 20


#: Gives what is remembered under a key, or what is made now: one photo's own part is the same in every set.
Remember = Callable[[Any, Callable[[], Any]], Any]


def _forget(key: Any, make: Callable[[], Any]) -> Any:
    del key
    return make()


@dataclass(frozen=True, slots=True)
class Shot:
    """A photo that is read when its turn comes: its file's name, and what reads it."""

    file: str
    read: Callable[[], Photo]


def measure_photos(
    photos: Sequence[Photo | Shot],
    settings: Settings | None = None,
    progress: Callable[[int, int], object] | None = None,
    remember: Remember = _forget,
) -> Measurement:
    """Measure the gap along one seam from several photos of it.

    Parameters
    ----------
    photos : sequence of Photo or Shot
        Two to forty photos of the same panels in the same state: from different places, or side by side along the
        seam, each with one strip or more that lies in its neighbour too.  One is measured as
        :func:`gapvision.recipe.measure_photo` does.
    settings : Settings, optional
        How to measure.  Points along the seam (``seam_hint_px``) are in the first photo by file name.
    progress : callable, optional
        Called with (photos looked at, photos in all).
    remember : callable, optional
        Gives what it remembers under a key, or calls what makes it: where photos join a set one after the other, what
        each tells by itself is worked out once.

    Returns
    -------
    Measurement
        Status ``ok`` or ``warn`` with one profile, whose ``photo`` says which photo shows a station best; photos that
        do not fit in are left out and named.  Or ``refused`` with the reason; never raises for a bad photo.

    Raises
    ------
    GapvisionError
        ``photos-too-many``, also for none; what a :class:`Shot` raises when it is read.
    """
    settings = settings or Settings()
    if not 1 <= len(photos) <= MOST_PHOTOS:
        raise GapvisionError("photos-too-many", f"{len(photos)} photos of one seam cannot be measured together.")
    shots = sorted((_shot(photo) for photo in photos), key=lambda shot: shot.file)
    if len(shots) == 1:
        return measure_photo(shots[0].read(), settings)
    require("closed-needs-one-photo", not settings.closed)
    seen = list[SeenPhoto]()
    try:
        return leave_out(_measure(shots, replace(settings, left_out=()), seen, progress, remember), settings.left_out)
    except GapvisionError as error:
        return Measurement(
            status="refused",
            notices=(refusal_of(error),),
            photos=tuple(sorted(seen, key=lambda photo: photo.file)),
            settings=of_seen(settings, []),
            method_version=METHOD_VERSION,
        )


def _shot(photo: Photo | Shot) -> Shot:
    return photo if isinstance(photo, Shot) else Shot(photo.file, lambda: photo)


@dataclass(frozen=True, slots=True, eq=False)
class _Own:
    """A photo by itself: how far it was looked at, its edges on its own line, and how sure it is of them [mm]."""

    look: Look
    line: CentreLine
    edges: SeamEdges
    doubt_mm: float


@dataclass(frozen=True, slots=True, eq=False)
class _Shown:
    """A photo on the common band."""

    band: Band
    choice: Choice
    edges: SeamEdges
    picture: PictureDoubt
    look: PhotoLook


def _measure(
    shots: list[Shot],
    settings: Settings,
    seen: list[SeenPhoto],
    progress: Callable[[int, int], object] | None,
    remember: Remember,
) -> Measurement:
    """A set of one place is looked at together; photos along a seam each by itself, then joined."""
    looks, notices = _looks(shots, settings, seen, progress, remember)
    shots_by_name = {shot.file: shot for shot in shots}
    if (len(looks) > 1 and isinstance(looks[0], Sighted)) or _side_by_side(looks):
        sighted = two_at_a_time([partial(_sight, look) for look in looks])
        whole = [one for one in sighted if isinstance(one, Sighted)]
        errors = [(look, one) for look, one in zip(looks, sighted, strict=True) if isinstance(one, GapvisionError)]
        notices += [_refused(_look_of(look).photo.file, error) for look, error in errors]
        if not whole:
            raise errors[0][1]
        made = measure_chain(whole, settings, notices) if len(whole) > 1 else None
        if made is not None:
            return made
        first = whole[0].look
        return _with(measure_photo(shots_by_name[first.photo.file].read(), _own_settings(first, settings)), notices)
    return _of_one_place([_look_of(look) for look in looks], settings, notices, remember)


def _look_of(look: Look | Sighted) -> Look:
    return look.look if isinstance(look, Sighted) else look


def _sight(look: Look | Sighted) -> Sighted:
    return look if isinstance(look, Sighted) else sight(look)


def _side_by_side(looks: Sequence[Look | Sighted]) -> bool:
    """Whether photos lie along a seam: two that share a strip show places apart beside it, or it was carried on."""
    seen: dict[str, list[FloatArray]] = {}
    for look in map(_look_of, looks):
        middle = look.line.points.mean(0)
        for k, letter in enumerate(look.field.letters):
            s, t, turn = look.field.strip_place(k)
            c, d = np.cos(turn), np.sin(turn)
            seen.setdefault(letter, []).append(np.array([[c, d], [-d, c]]) @ (middle - [s, t]))
    return any(float(np.ptp(places, axis=0).max()) > _APART_MM for places in map(np.array, seen.values()))


def _of_one_place(
    looks: list[Look], settings: Settings, notices: list[Notice], remember: Remember = _forget
) -> Measurement:
    own, more = _each(looks, remember)
    told, notices = notices, [*notices, *more]
    if len(own) == 1:
        return _alone(own[0].look, settings, notices)
    sides, crossed = _sides(own)
    # The surest first: of two that contradict each other it stays.  Points on the seam make their photo the surest.
    joint = _joint_fields(own, sides)
    notices += joint.notices
    kept = [own[k] for k in joint.kept]
    if len(kept) == 1:
        return _alone(kept[0].look, settings, notices)
    line, apart, other = _common_line(kept, joint.fields, sides)
    if other is not None:
        return _without(other, looks, settings, kept, told, "by the strip that it shares, its seam lies elsewhere")
    step = step_to_use(joint.fields[0], settings)
    faces = _faces(step, settings)
    shown, edges = _see(kept, joint.fields, line, settings, faces)
    again = looks_more(0.5 * (edges[0].t_mm + edges[1].t_mm))
    for _ in range(min(again, 1)):
        line = recentre(line, 0.5 * (edges[0].t_mm + edges[1].t_mm), settings.station_mm)
        shown, edges = _see(kept, joint.fields, line, settings, faces)
    odd = _seen_otherwise(shown, edges)
    if odd is not None:
        return _without(odd, looks, settings, kept, told, "it shows the seam elsewhere, or in another state")
    return _made(settings, kept, joint, line, step, shown, edges, notices, sides, [*apart, *crossed])


def _without(
    odd: int, looks: list[Look], settings: Settings, kept: list[_Own], notices: list[Notice], why: str
) -> Measurement:
    """The measurement without one of the kept photos, which is named."""
    out = kept[odd].look
    if out.settings.seam_hint_px is not None:  # the points along the seam were its own
        settings = replace(settings, seam_hint_px=None)
    told = _of_one_place([look for look in looks if look is not out], settings, notices)
    return _with(told, [Notice(code="photo-left-out", message=f"{out.photo.file} was left out: {why}.")])


def _looks(
    shots: list[Shot],
    settings: Settings,
    seen: list[SeenPhoto],
    progress: Callable[[int, int], object] | None,
    remember: Remember = _forget,
) -> tuple[list[Look | Sighted], list[Notice]]:
    """Each photo by itself, two at a time; those that are refused or given twice are left out and named.

    Of more photos than one place needs, only what was seen in them is kept.
    """
    many = len(shots) > _MOST_OF_ONE_PLACE

    def one(k: int) -> Look | Sighted:
        photo = shots[k].read()
        seen.append(seen_photo(photo))
        how = settings if k == 0 else replace(settings, seam_hint_px=None)
        bare = replace(photo, colour=None, grey=np.empty((0, 0), photo.grey.dtype))  # pixels would fill the memory
        key = ("look", photo.file, photo.sha256, replace(how, tolerance_mm=None))
        kept = remember(key, lambda: replace(look_at(photo, how, []), photo=bare))
        look = replace(kept, photo=photo, notices=list(kept.notices))
        return sight(look).without_pixels() if many else look

    done = two_at_a_time([partial(one, k) for k in range(len(shots))], progress)
    notices, looks, given = list[Notice](), list[Look | Sighted](), dict[str, str]()
    for shot, each in zip(shots, done, strict=True):
        if isinstance(each, GapvisionError):
            notices.append(_refused(shot.file, each))
            continue
        # By file name, not by which of two threads was first: the points along the seam are the first photo's.
        twice = given.setdefault(_look_of(each).photo.sha256, shot.file)
        if twice == shot.file:
            looks.append(each)
        else:
            notices.append(_twice(shot.file, twice))
    if not looks:
        raise next(each for each in done if isinstance(each, GapvisionError))
    return looks, notices


def _twice(file: str, other: str) -> Notice:
    return Notice(code="photo-left-out", message=f"{file} was left out: it is the same photo as {other}.")


def _refused(file: str, error: GapvisionError) -> Notice:
    return Notice(code="photo-left-out", message=f"{file} was left out: {error.message}", advice=error.next_step)


def _each(looks: list[Look], remember: Remember) -> tuple[list[_Own], list[Notice]]:
    """Each photo's edges by itself, the surest first; those that are refused are left out and named."""
    own, notices, refused = list[_Own](), list[Notice](), list[GapvisionError]()

    def one(look: Look) -> _Own:
        key = ("own", look.photo.file, look.photo.sha256, replace(look.settings, tolerance_mm=None))
        line, edges, doubt = remember(key, lambda: _own_edges(look, look.settings))
        return _Own(look=look, line=line, edges=edges, doubt_mm=doubt)

    for look, each in zip(looks, two_at_a_time([partial(one, look) for look in looks]), strict=True):
        if isinstance(each, GapvisionError):
            refused.append(each)
            notices.append(_refused(look.photo.file, each))
        else:
            own.append(each)
    if not own:
        raise refused[0]
    return sorted(own, key=lambda each: each.doubt_mm), notices


def _own_edges(look: Look, settings: Settings) -> tuple[CentreLine, SeamEdges, float]:
    band = sample_band(look.photo, look.field, look.line, EDGE_HEIGHT_MM, settings.station_mm)
    refuse_tilted(band)
    edges = find_edges(band, settings.edges)
    doubt = float(np.median(np.hypot(edges.std_a_mm, edges.std_b_mm)))
    line = recentre(look.line, edges.middle_mm, settings.station_mm)
    return line, edges, doubt if settings.seam_hint_px is None else 0.0


def _alone(look: Look, settings: Settings, notices: list[Notice]) -> Measurement:
    """What the one photo that is left tells."""
    return _with(measure_photo(look.photo, _own_settings(look, settings)), notices)


def _own_settings(look: Look, settings: Settings) -> Settings:
    return replace(settings, seam_hint_px=look.settings.seam_hint_px)


def _with(measurement: Measurement, more: list[Notice]) -> Measurement:
    if measurement.status == "refused":
        return replace(measurement, notices=(*measurement.notices, *more))
    return replace(measurement, status="warn", notices=(*more, *measurement.notices))


def _sides(own: list[_Own]) -> tuple[dict[str, str], list[Notice]]:
    """The panel of every strip as the surest photos have it, handed over by the strips that photos share."""
    sides, notices, waiting = dict(own[0].look.sides), list[Notice](), list(own[1:])
    while waiting:
        linked = [each for each in waiting if set(each.look.sides) & set(sides)]
        if not linked:
            break
        waiting.remove(linked[0])
        mine = linked[0].look.sides
        same = [sides[letter] == side for letter, side in mine.items() if letter in sides]
        flipped = not any(same)
        if len(set(same)) > 1:
            notices.append(Notice(code="seams-differ", photos=(linked[0].look.photo.file,)))
            continue
        for letter, side in mine.items():
            sides.setdefault(letter, side if not flipped else "AB"[side == "A"])
    if sides[min(sides)] == "B":
        sides = {letter: "AB"[side == "A"] for letter, side in sides.items()}
    return sides, notices


def _joint_fields(own: list[_Own], sides: dict[str, str]) -> JointFields:
    return fit_jointly(
        [each.look.views for each in own],
        [each.look.field for each in own],
        replace(own[0].look.known, measured=frozenset().union(*(each.look.known.measured for each in own))),
        focals_35mm_mm=[each.look.photo.focal_35mm_mm for each in own],
        side_b=frozenset(letter for letter, side in sides.items() if side == "B"),
        names=[each.look.photo.file for each in own],
    )


def _common_line(
    kept: list[_Own], fields: Sequence[FittedField], sides: dict[str, str]
) -> tuple[CentreLine, list[Notice], int | None]:
    """The line of the surest photo, made longer by the others, its normals from A to B; who has another line.

    Where two others or more have the seam in one place that the surest leaves, it lies there.

    Where one strip alone joins a photo to the rest, a line far off is another seam or a strip that was moved: that
    photo's number is told.
    """
    carried = [_carried(each, field, sides) for each, field in zip(kept, fields, strict=True)]
    line, notices = _where_most_have_it(carried), list[Notice]()
    for k, (each, other) in enumerate(zip(kept, carried, strict=True)):
        if k == 0:
            continue
        off = _off(line, other)
        elsewhere = {letter for one in kept if one is not each for letter in one.look.sides}
        seen = off[np.isfinite(off)]
        if len(seen) and float(np.median(np.abs(seen))) > _OTHER_SEAM_MM and len(elsewhere & set(each.look.sides)) < 2:
            return line, notices, k
        if np.mean(np.abs(off[np.isfinite(off)]) > _LINES_APART_MM) > _LINES_APART_SHARE:
            notices.append(Notice(code="seams-differ", photos=(each.look.photo.file,)))
        else:
            line = _longer(line, other)
    return line, notices, None


def _carried(each: _Own, field: FittedField, sides: dict[str, str]) -> CentreLine:
    """A photo's own line in the common frame."""
    own, line = each.look.field, each.line

    def carry(places: FloatArray) -> FloatArray:
        return field.to_panel(own.project(places, EDGE_HEIGHT_MM), EDGE_HEIGHT_MM)

    points = carry(line.points)
    normals = normals_along(points, float(line.s_mm[1] - line.s_mm[0]))
    across = carry(line.points + line.normals) - points
    letter = min(each.look.sides)
    flipped = each.look.sides[letter] != sides.get(letter, each.look.sides[letter])
    if ((across * normals).sum() > 0) == flipped:
        normals = -normals
    return CentreLine(s_mm=line.s_mm, points=points, normals=normals)


def _off(line: CentreLine, other: CentreLine) -> FloatArray:
    """How far another line lies off beside each station, NaN where it does not reach, shape (n,) [mm]."""
    apart = other.points[None] - line.points[:, None]
    along = np.stack([line.normals[:, 1], -line.normals[:, 0]], 1)
    ahead = np.abs((apart * along[:, None]).sum(2))
    near = ahead.argmin(1)
    rows = np.arange(len(near))
    off = (apart[rows, near] * line.normals).sum(1)
    return np.where(ahead[rows, near] < 1.0, off, np.nan)


def _where_most_have_it(carried: list[CentreLine]) -> CentreLine:
    """The first line, moved to where it leaves all others, two or more, that have the seam in one place."""
    line = carried[0]
    others = np.array([_off(line, other) for other in carried[1:]])
    low, high = np.nan_to_num(others, nan=np.inf).min(0), np.nan_to_num(others, nan=-np.inf).max(0)
    agreed = np.flatnonzero((np.isfinite(others).sum(0) > 1) & (high - low < _LINES_APART_MM))
    middle = 0.5 * (low[agreed] + high[agreed])
    middle = np.where(np.abs(middle) > _LINES_APART_MM, middle, 0.0)
    if not middle.any():
        return line
    return moved(line, np.interp(np.arange(len(line.s_mm)), agreed, middle), float(line.s_mm[1] - line.s_mm[0]))


def _seen_by_one(carried: list[CentreLine], line: CentreLine) -> FloatArray:
    """Standard uncertainty of the seam itself at each station [mm]: where no two photos that reach it have it there."""
    off = np.sort(np.abs([_off(line, other) for other in carried]), axis=0)  # NaN last
    return np.where(off[1] > _LINES_APART_MM, off[1] / COVERAGE_FACTOR, 0.0)


def _longer(line: CentreLine, other: CentreLine) -> CentreLine:
    """The line, with what another one shows beyond its ends."""
    station = float(line.s_mm[1] - line.s_mm[0])
    first, last = line.points[0], line.points[-1]
    ahead = [first - line.points[min(12, len(line.points) - 1)], last - line.points[max(-13, -len(line.points))]]
    ahead = [way / np.linalg.norm(way) for way in ahead]
    before, after = ((other.points - end) @ way for end, way in zip((first, last), ahead, strict=True))
    near = other.points[np.argsort(before)], other.points[np.argsort(after)]
    head, tail = near[0][np.sort(before) > station][::-1], near[1][np.sort(after) > station]
    if len(head) + len(tail) == 0:
        return line
    points = np.concatenate([head, line.points, tail])
    normals = normals_along(points, station)
    middle = len(head) + len(line.points) // 2
    if normals[middle] @ line.normals[len(line.points) // 2] < 0:
        normals = -normals
    return CentreLine(s_mm=np.arange(len(points), dtype=float) * station, points=points, normals=normals)


def _faces(step: Step, settings: Settings) -> tuple[Face, Face]:
    """Heights of both panels' faces below the strips' print, as far as they are known."""
    stated = settings.strip_thickness_mm
    face, std = stated or FACE_HEIGHT_MM, THICKNESS_STD_MM if stated is None else THICKNESS_STATED_STD_MM
    step_std = step.expanded_u_mm / COVERAGE_FACTOR
    return Face(-face, std), Face(step.mean_mm - face, float(np.hypot(std, step_std)))


def _see(
    kept: list[_Own],
    fields: Sequence[FittedField],
    line: CentreLine,
    settings: Settings,
    faces: tuple[Face, Face],
) -> tuple[list[_Shown], tuple[JointEdge, JointEdge]]:
    """All photos on the common band, and both edges from them together."""
    work = [partial(_on_band, each.look, field, line, settings) for each, field in zip(kept, fields, strict=True)]
    shown = list[_Shown]()
    for each in two_at_a_time(work):
        if isinstance(each, GapvisionError):
            raise each
        shown.append(each)
    return shown, join_edges([each.look for each in shown], faces, EDGE_HEIGHT_MM, settings.known_edges)


def _on_band(look: Look, field: FittedField, line: CentreLine, settings: Settings) -> _Shown:
    band = sample_band(look.photo, field, line, EDGE_HEIGHT_MM, settings.station_mm)
    choice = choose_edges(band, settings.edges)
    edges = edges_of(band, choice)
    picture = picture_doubt(look.quality, band.px_per_mm, field.project(band.line.points), lit=edges.lit)
    # A gap that is lit from behind is no darker for a veil.
    clear = None if edges.lit else without_veil(band, veil_light(look.quality, look.photo))
    said = photo_look(band, choice, None if clear is None else choose_edges(clear, settings.edges))
    blurred = np.hypot(picture.inwards_mm, picture.common_mm)
    a, b = (replace(edge, std_mm=np.hypot(edge.std_mm * picture.factor, blurred)) for edge in said.edges)
    return _Shown(band, choice, edges, picture, replace(said, edges=(a, b)))


def _seen_otherwise(shown: list[_Shown], edges: tuple[JointEdge, JointEdge]) -> int | None:
    """The photo that shows the gap elsewhere or otherwise than the surest one does; None where all agree.

    Where a lone strip was moved, nothing else tells it.
    """
    places = []
    for each in shown:
        seen = []
        for edge, look, outward in zip(edges, each.look.edges, (-1, 1), strict=True):
            slant = edge.outline_mm(each.look.slope, EDGE_HEIGHT_MM, outward) - edge.t_mm
            seen.append(np.where(look.std_mm < _SURE_STD_MM, look.t_mm - slant, np.nan))
        places.append(seen)
    for k in range(1, len(shown)):
        a, b = (places[k][side] - places[0][side] for side in (0, 1))
        both = np.isfinite(a) & np.isfinite(b)
        if both.sum() < _LEAST_SURE:
            continue
        middle, wider = float(np.median(0.5 * (a + b)[both])), float(np.median((b - a)[both]))
        if abs(middle) > _SEEN_ELSEWHERE_MM or abs(wider) > _SEEN_WIDER_MM:
            return k
    return None


def _made(
    settings: Settings,
    kept: list[_Own],
    joint: JointFields,
    line: CentreLine,
    step: Step,
    shown: list[_Shown],
    edges: tuple[JointEdge, JointEdge],
    notices: list[Notice],
    sides: dict[str, str],
    own_lines: list[Notice],
) -> Measurement:
    """The measurement from all that was seen, its photos by file name."""
    order = sorted(range(len(kept)), key=lambda k: kept[k].look.photo.file)
    kept, shown = [kept[k] for k in order], [shown[k] for k in order]
    fields = [joint.fields[k] for k in order]
    looks, hinted = [each.look for each in kept], settings.seam_hint_px is not None
    to_scale = all(look.to_scale for look in looks)
    painted = all(
        looks_painted(each.band, each.edges, look.quality.black) for each, look in zip(shown, looks, strict=True)
    )
    marks = [mark_figures(each.band, each.edges) for each in shown]
    painted |= all_look_painted(marks, [look.quality.paper for look in looks])
    profile = joint_profile(
        fields,
        line,
        [each.look for each in shown],
        edges,
        EDGE_HEIGHT_MM,
        print_scale_checked=to_scale,
        station_mm=settings.station_mm,
        picture_mm=np.mean([each.picture.common_mm for each in shown], axis=0),
        doubted=painted and not hinted,
        seam_mm=_seen_by_one([_carried(*each, sides) for each in zip(kept, fields, strict=True)], line),
    )
    proofs = [proof for look in looks for proof in look.settings.proofs]
    profile = with_proofs_of_set(profile, proofs)
    settings = replace(settings, proofs=tuple(dict.fromkeys(proofs)))
    refuse_profile(profile, hinted, any(look.found.cut_by_frame for look in looks))
    views = [v for look in looks for v in look.views]
    settings = of_seen(settings, views)
    told_a, told_b = edges[0].told, edges[1].told
    notices = [*notices, *own_lines, *taped_unused(settings)]
    notices += by_photo([(look.photo.file, bias_left_in(look.notices)) for look in looks])
    if painted:
        notices.append(Notice(code="gap-shown" if hinted else "gap-doubtful"))
    notices += doubts_of_several(
        [(look.photo, look.views, look.found) for look in looks],
        settings,
        fields,
        [each.band for each in shown],
        [each.edges for each in shown],
        profile,
        looks[0].known,
    )
    measured = step if step.source == "strips" else None
    used = {letter: side for letter, side in sides.items() if letter in fields[0].letters}
    one_side = len(set(used.values())) == 1
    notices += known_notices({"A": told_a, "B": told_b}, settings.known_step, measured, min(used), one_side)
    notices.sort(key=lambda notice: notice.kind == "note")
    seen = [each.edges for each in shown]
    first = [v for v in views if v.letter in {x.letter for x in looks[0].views}]
    return Measurement(
        status="warn" if any(notice.kind == "warning" for notice in notices) else "ok",
        notices=tuple(notices),
        photos=tuple(seen_photo(look.photo, look.views, field) for look, field in zip(looks, fields, strict=True)),
        scale=scale_seen(to_scale, first[: len(looks[0].views)], fields[0], shown[0].band, used),
        profile=profile,
        **figures_of(profile),
        step_used=step,
        edge_a=edge_kept(told_a, min(each.burnt_a_share for each in seen)),
        edge_b=edge_kept(told_b, min(each.burnt_b_share for each in seen)),
        **seen_in_all(looks, seen),
        settings=settings,
        method_version=METHOD_VERSION,
    )
