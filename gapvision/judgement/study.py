"""A study of gauge pieces: where the variation of a phone's readings comes from, and what that does to its U.

The analysis of variance is that of a crossed study with random pieces and persons, as measurement-system-analysis
handbooks have it (repeatability, reproducibility, their interaction).  The errors against the calipers are analysed,
not the readings: the pieces' own widths are known and differ on purpose.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from statistics import fmean

import numpy as np
from numpy.typing import NDArray

from gapvision.errors import GapvisionError, require
from gapvision.model import (
    COVERAGE_FACTOR,
    SMALL_PARTS,
    FloatArray,
    Lens,
    Measurement,
    PhoneKey,
    PhoneProof,
    Piece,
    Source,
    StudyReading,
    StudyResult,
    Variation,
    is_too_old,
)

#: Fewest pieces, and photos of each by each person.
LEAST_PIECES, LEAST_PHOTOS = 3, 5
#: An interaction less sure than this counts as repeatability (a usual choice of the handbooks; from memory).
_POOL_ABOVE_P = 0.25
_THIN_MM = 2.0  # radius of a roll over wire or of a hemmed edge at most; common practice, no source
_SWAPPED_MM = 0.5  # off by more than this, and nearer to another piece: sizes of pieces lie 1 mm apart and more
_SIDE = 0.05  # each way, of the limits of a tolerance interval


def crossed_variation(values: Sequence[Sequence[Sequence[float]]] | NDArray[np.float64]) -> Variation:
    """Analysis of variance of readings of every piece by every person, as often each.

    Parameters
    ----------
    values : array_like, shape (pieces, persons, repeats)
        Two or more pieces and repeats, one person or more.

    Returns
    -------
    Variation
        With one person neither ``person`` nor ``piece and person`` is in its table.  An interaction that is not sure
        (p above 0.25) is pooled with the repeats for the standard deviations; the table keeps it apart.
    """
    from scipy.stats import f as f_distribution

    y = np.asarray(values, float)
    pieces, persons, repeats = y.shape
    if pieces < 2 or repeats < 2:
        raise ValueError("two or more pieces and two or more repeats are needed")
    grand, of_piece, of_person, cell = y.mean(), y.mean((1, 2)), y.mean((0, 2)), y.mean(2)
    ss_piece = persons * repeats * float(((of_piece - grand) ** 2).sum())
    ss_person = pieces * repeats * float(((of_person - grand) ** 2).sum())
    ss_cell = repeats * float(((cell - of_piece[:, None] - of_person + grand) ** 2).sum())
    ss_repeat = float(((y - cell[..., None]) ** 2).sum())
    df_both, df_repeat = (pieces - 1) * (persons - 1), pieces * persons * (repeats - 1)

    def row(df: int, total: float, against: tuple[float, int] | None = None) -> Source:
        square = total / df
        if against is None or against[0] <= 0:
            return Source(df=df, sum_of_squares=total, mean_square=square)
        ratio = square / against[0]
        chance = float(f_distribution.sf(ratio, df, against[1]))
        return Source(df=df, sum_of_squares=total, mean_square=square, f=ratio, p=chance)

    repeat = row(df_repeat, ss_repeat)
    table, both = {}, None
    if persons > 1:
        both = row(df_both, ss_cell, (repeat.mean_square, df_repeat))
        table = {
            "piece": row(pieces - 1, ss_piece, (both.mean_square, df_both)),
            "person": row(persons - 1, ss_person, (both.mean_square, df_both)),
            "piece and person": both,
        }
    else:
        table = {"piece": row(pieces - 1, ss_piece, (repeat.mean_square, df_repeat))}
    total = float(((y - grand) ** 2).sum())
    table |= {"repeat": repeat, "total": row(y.size - 1, total)}
    error, df_error = repeat.mean_square, df_repeat
    if both is not None and both.p is not None and both.p > _POOL_ABOVE_P:
        df_error += df_both
        error = (ss_repeat + ss_cell) / df_error
        below, interaction = error, 0.0
    elif both is not None:
        below, interaction = both.mean_square, max(0.0, (both.mean_square - error) / repeats)
    else:
        below, interaction = error, 0.0
    person = max(0.0, (table["person"].mean_square - below) / (pieces * repeats)) if persons > 1 else 0.0
    piece = max(0.0, (table["piece"].mean_square - below) / (persons * repeats))
    deviations = [float(np.sqrt(v)) for v in (error, person, interaction, piece)]
    return Variation(
        table=table, repeatability_mm=deviations[0], reproducibility_mm=deviations[1], interaction_mm=deviations[2],
        piece_mm=deviations[3],
    )  # fmt: skip


def reading_of(m: Measurement, piece: Piece, person: str, caliper_expanded_u_mm: float) -> StudyReading:
    """What one measured photo of a piece adds to a study; errors against the calipers [mm]."""
    p = m.profile
    if p is None:
        raise ValueError("a refused photo is no reading")
    parts = {name: float(np.sqrt((part**2).mean())) for name, part in p.parts_mm.items()}
    known = np.sqrt(p.expanded_u_mm**2 + caliper_expanded_u_mm**2 + piece.spread_mm**2)
    return StudyReading(
        piece=piece.name,
        person=person,
        file=m.photo.file,
        error_mm=float(p.gap_mm.mean()) - piece.gap_mm,
        std_u_mm=float(p.expanded_u_mm.mean()) / COVERAGE_FACTOR,
        small_std_u_mm=float(np.sqrt(sum(parts.get(name, 0.0) ** 2 for name in SMALL_PARTS))),
        within_u=float((np.abs(p.gap_mm - piece.gap_mm) <= known).mean()),
        parts_mm=parts,
    )


def judge_study(
    pieces: Sequence[Piece],
    readings: Sequence[StudyReading],
    caliper_expanded_u_mm: float,
) -> StudyResult:
    """What a study says of a phone.

    Parameters
    ----------
    pieces, readings : sequence of Piece, of StudyReading
        Every piece photographed by every person, as often each.
    caliper_expanded_u_mm : float
        Expanded uncertainty (k = 2) of the calipers [mm].

    Raises
    ------
    GapvisionError
        ``study-too-small`` where pieces or photos are missing, with which; ``study-pieces-swapped`` where photos of a
        piece show the width of another; ``study-piece-off`` where they show that of none.
    """
    _not_swapped(pieces, readings)
    errors = _crossed(pieces, readings)
    variation = crossed_variation(errors)
    caliper = caliper_expanded_u_mm / COVERAGE_FACTOR
    of_piece = errors.mean((1, 2))
    bias = float(of_piece.mean())
    # What is alike in one piece (its edges, its calipers' reading) does not average out over its photos, nor what is
    # alike in one person.
    chance = float(np.hypot(of_piece.std(ddof=1) / np.sqrt(len(pieces)), _of_persons(errors)))
    # Seams are further pieces: what is taken off must hold for one more, whose edges may be of another kind.
    for_another = float(np.hypot(of_piece.std(ddof=1) * np.sqrt(1 + 1 / len(pieces)), _of_persons(errors)))
    proven = abs(bias) > max(COVERAGE_FACTOR, _t(len(pieces) - 1)) * for_another + COVERAGE_FACTOR * caliper
    bias_std = float(np.hypot(chance, caliper))
    taken_off = bias * bool(proven)
    left = errors - taken_off
    z = np.array([_in_own_u(r, taken_off, pieces, caliper, bias_std) for r in readings])
    near = int((np.abs(z) <= COVERAGE_FACTOR).sum())
    of_pieces = [z[[r.piece == piece.name for r in readings]] for piece in pieces]
    small_stated, small_seen = _small_parts(left, readings)
    slope, slope_u = _slope(pieces, of_piece)
    causes: dict[str, float] = {}
    for r in readings:
        for name, part in r.parts_mm.items():
            causes[name] = causes.get(name, 0.0) + part**2
    return StudyResult(
        variation=variation,
        bias_mm=bias,
        bias_u_mm=COVERAGE_FACTOR * bias_std,
        bias_proven=bool(proven),
        slope=slope,
        slope_u=slope_u,
        within=(near, len(readings)),
        stations_within_u=fmean(r.within_u for r in readings),
        growth=max(growth_of(z), growth_for_another(of_pieces)),
        small_share=min(1.0, small_seen / small_stated) if 0 < small_seen and small_stated else 1.0,
        thin_rolled=any(p.radius_mm is not None and p.radius_mm <= _THIN_MM for p in pieces),
        small_stated_mm=small_stated,
        small_seen_mm=small_seen,
        largest_part=max(causes, key=lambda name: causes[name], default=""),
        readings=tuple(readings),
        caliper_std_u_mm=caliper,
    )


def one_phone(keys: Sequence[tuple[str, PhoneKey]]) -> PhoneKey:
    """The one phone, lens and picture size of all photos; ``keys``: each file's name, and what its tags say.

    Raises
    ------
    GapvisionError
        ``study-too-small`` without photos; ``study-of-several-phones`` with the first photo that differs.
    """
    require("study-too-small", bool(keys), "There are no photos.")
    first, phone = keys[0]
    for name, key in keys:
        # Where no photo names its phone they may be of one all the same; such a study is judged, and not kept.
        others = [what for what in key.differs(phone) if what != "phone" or key.camera != phone.camera]
        said = f"'{name}' is of another {' and another '.join(others)} than '{first}'."
        require("study-of-several-phones", not others, said)
    return phone


def day_of_study(stated: str, measured: Sequence[Measurement], today: date) -> str:
    """The day from which a study ages: the stated one, or that of its first photo where the camera's clock says so.

    Raises
    ------
    GapvisionError
        ``study-too-old`` when that lies more than a year back, ``study-to-come`` when the stated one is still to come.
    """
    said = f"{stated} is still to come."
    require("study-to-come", date.fromisoformat(stated) <= today, said)
    days = [(m.photo.taken_at or stated)[:10] for m in measured]
    day = min([stated, *days])
    by = f"'{measured[days.index(day)].photo.file}' was taken on {day}" if day in days else f"It was made on {day}"
    require("study-too-old", not is_too_old(day, today), f"{by}, more than a year ago: nothing of it would count.")
    return day


def proof_of(
    result: StudyResult,
    name: str,
    made_on: str,
    phone: PhoneKey,
    measured: Sequence[Measurement] = (),
    lens: Lens | None = None,
) -> PhoneProof:
    """The figures of a study as they enter U; of ``measured``, its photos, the strips are noted."""
    seen = [m for m in measured if m.profile is not None]
    views = [view for m in seen for photo in m.photos for view in photo.strips]
    checked = bool(seen) and all(m.scale is not None and m.scale.print_scale_checked for m in seen)
    return PhoneProof(
        sheets=tuple(sorted({view.sheet for view in views if view.sheet is not None})),
        print_scales=tuple(sorted({view.print_scale for view in views})) if checked else (),
        lens=lens,
        name=name,
        made_on=made_on,
        phone=phone,
        photos=len(result.readings),
        bias_mm=result.bias_mm,
        bias_std_u_mm=result.bias_u_mm / COVERAGE_FACTOR,
        bias_proven=result.bias_proven,
        small_share=result.small_share,
        growth=result.growth,
    )


def growth_of(z: FloatArray) -> float:
    """By how much U must grow so that 95 of 100 such errors lie within it; errors in standard uncertainties, (n,).

    The larger of what their root mean square and their 95 % quantile ask for: few large ones count as well.
    """
    size = np.sort(np.abs(z))
    quantile = size[min(len(size) - 1, int(np.ceil(0.95 * len(size))) - 1)] / COVERAGE_FACTOR
    return float(max(1.0, np.sqrt((size**2).mean()), quantile))


def growth_for_another(z: Sequence[FloatArray]) -> float:
    """By how much U must grow so that one more piece lies within it, 95 times of 100; ``z``: each piece's errors (n,).

    The errors of one piece are alike, as its edges are, so its photos count as one: a prediction interval by Student's
    t for one more error of the same spread about 0, from as many as there are pieces.
    """
    n = len(z)
    spread = np.sqrt(np.mean([(each**2).mean() for each in z]))
    return float(max(1.0, spread * _t(n) * np.sqrt(1 + 1 / n) / COVERAGE_FACTOR))


def _crossed(pieces: Sequence[Piece], readings: Sequence[StudyReading]) -> FloatArray:
    """Errors by piece, person and repeat; refused where one is missing."""
    require("study-too-small", len(pieces) >= LEAST_PIECES, f"{len(pieces)} pieces are too few; take {LEAST_PIECES}.")
    persons = list(dict.fromkeys(r.person for r in readings))
    cells = [
        [[r.error_mm for r in readings if (r.piece, r.person) == (piece.name, person)] for person in persons]
        for piece in pieces
    ]
    for piece, row in zip(pieces, cells, strict=True):
        for person, cell in zip(persons, row, strict=True):
            who = f" by {person}" if person else ""
            said = f"Only {len(cell)} measured photos of piece '{piece.name}'{who}; {LEAST_PHOTOS} are needed."
            require("study-too-small", len(cell) >= LEAST_PHOTOS, said)
    require("study-too-small", bool(persons), "There are no photos.")
    # Some may have more photos than others: the first ones of each count, as the table wants as many everywhere.
    fewest = min(len(cell) for row in cells for cell in row)
    return np.array([[cell[:fewest] for cell in row] for row in cells])


def _not_swapped(pieces: Sequence[Piece], readings: Sequence[StudyReading]) -> None:
    """Refuse photos that are all far off their own piece: a reading or a photo is of another."""
    for piece in pieces:
        off = [(r.error_mm, COVERAGE_FACTOR * r.std_u_mm) for r in readings if r.piece == piece.name]
        if not off:
            continue
        # The middle of its photos: one misread photo does not accuse a piece.
        error, u = float(np.median([x for x, _ in off])), fmean(u for _, u in off)
        if abs(error) <= max(u, _SWAPPED_MM):
            continue
        nearest = min(pieces, key=lambda p: abs(piece.gap_mm + error - p.gap_mm))
        said = f"The photos of piece '{piece.name}' show the width of piece '{nearest.name}'."
        of_none = nearest is piece or abs(piece.gap_mm + error - nearest.gap_mm) > u
        require("study-pieces-swapped", of_none, said)
        said = (
            f"The photos of piece '{piece.name}' show {piece.gap_mm + error:.2f} mm, its readings say "
            f"{piece.gap_mm:.2f} mm, and their U is {u:.2f} mm."
        )
        raise GapvisionError("study-piece-off", said)


def _of_persons(errors: FloatArray) -> float:
    """Standard uncertainty of the mean over persons, of what is alike in one person."""
    persons = errors.mean((0, 2))
    return float(persons.std(ddof=1) / np.sqrt(len(persons))) if len(persons) > 1 else 0.0


def _in_own_u(
    r: StudyReading, taken_off: float, pieces: Sequence[Piece], caliper: float, bias_std: float
) -> float:
    """A photo's error in its own standard uncertainties, the calipers' and the bias's doubt with them."""
    spread = next(p.spread_mm for p in pieces if p.name == r.piece) / np.sqrt(12)  # anywhere between its readings
    return float((r.error_mm - taken_off) / np.sqrt(r.std_u_mm**2 + caliper**2 + spread**2 + bias_std**2))


def _small_parts(left: FloatArray, readings: Sequence[StudyReading]) -> tuple[float, float]:
    """The parts that clean bars show, as stated, and how large with 95 % confidence what was seen may be [mm].

    All that was seen, whatever its cause, bounds those parts from above.  Its upper confidence limit has the degrees of
    freedom of Satterthwaite's formula, as the photos of one piece, and of one person, are no independent ones.
    """
    from scipy.stats import chi2

    pieces, persons, repeats = left.shape
    stated = fmean(r.small_std_u_mm**2 for r in readings)
    cells = left.mean(2)
    df_repeat = pieces * persons * (repeats - 1)
    repeat = float(((left - cells[..., None]) ** 2).sum()) / df_repeat
    between, df_between = float((cells**2).mean()), pieces
    total = between + repeat * (1 - 1 / repeats)
    if total <= 0:
        return float(np.sqrt(stated)), 0.0
    df = total**2 / (between**2 / df_between + (repeat * (1 - 1 / repeats)) ** 2 / df_repeat)
    upper = total * df / float(chi2.ppf(_SIDE, df))
    return float(np.sqrt(stated)), float(np.sqrt(upper))


def _slope(pieces: Sequence[Piece], of_piece: FloatArray) -> tuple[float | None, float | None]:
    """Change of the error with the gap's size, least squares, and its expanded uncertainty at 95 %."""
    size = np.array([p.gap_mm for p in pieces])
    x = size - size.mean()
    if len(size) < 3 or np.ptp(size) < 0.5:
        return None, None
    slope = float((x * of_piece).sum() / (x**2).sum())
    rest = of_piece - of_piece.mean() - slope * x
    std = float(np.sqrt((rest**2).sum() / (len(size) - 2) / (x**2).sum()))
    return slope, _t(len(size) - 2) * std


def _t(df: int) -> float:
    from scipy.stats import t

    return float(t.ppf(0.975, df))
