"""The part that is to be made to one edge alone: the edge's outline less the wanted gap, at true scale.

Frame as of every template, seen as the camera saw the panel: x to the right, y up, never mirrored.
"""

from __future__ import annotations

import math

import numpy as np

from gapvision.errors import GapvisionError, require
from gapvision.judgement.template import TICK_MM, Label, Line, PartToMake, TemplateDrawing
from gapvision.model import EdgeAlone, EdgeProfile, FloatArray

_GAPS_MM = (0.2, 30.0)
_FINE_MM = 0.1
_TOUCHES_MM = 0.02
_ROUNDS = 4
_DRAWN_MM = 0.5  # between the points of the line that is drawn
_UPRIGHT = 1.05
_LEAST_LINE = 8  # stations; a shorter piece of line is of no use


def part_drawing(measured: EdgeAlone, gap_mm: float, name: str = "") -> TemplateDrawing:
    """Draw the part that fits an edge with a gap.

    Parameters
    ----------
    measured : EdgeAlone
        The edge; the part lies on the side that is not its panel.
    gap_mm : float
        Wanted gap all along [mm].
    name : str
        What the part is called.

    Raises
    ------
    GapvisionError
        ``measurement-was-refused``, ``value-out-of-range``, ``part-too-large``.
    """
    profile = measured.profile
    if profile is None:
        raise GapvisionError("measurement-was-refused", f"No edge could be measured in '{measured.photo.file}'.")
    low, high = _GAPS_MM
    require("value-out-of-range", low <= gap_mm <= high, f"A gap of {gap_mm:g} mm around a part makes no sense here.")
    turn = _level(profile)
    edge, outward = profile.place_mm @ turn, profile.outward @ turn
    centre = 0.5 * (edge.min(0) + edge.max(0))
    pieces = [np.arange(i, k) % len(edge) for i, k in _pieces(profile)]
    require("part-too-large", bool(pieces), "Too little of the edge was measured to draw a part.")
    course = np.concatenate([_fine(edge[p]) for p in pieces])
    lines = [x for p in pieces if (x := _beside(edge[p], outward[p], course, gap_mm)) is not None]
    require("part-too-large", bool(lines))
    whole = profile.whole and len(lines) == 1 and float(np.linalg.norm(lines[0][-1] - lines[0][0])) < 3 * _DRAWN_MM
    if whole:
        lines = [np.concatenate([lines[0], lines[0][:1]])]

    def drawn(places: FloatArray) -> Line:
        x, y = ((places - centre) * [1.0, -1.0]).T
        return tuple(zip(x.tolist(), y.tolist(), strict=True))

    every = max(1, round(TICK_MM / profile.spacing_mm))
    at = np.arange(0, len(edge), every)
    ticks = [np.stack([edge[k] - 2 * outward[k], edge[k] - 9 * outward[k]]) for k in at]
    numbers = drawn(edge[at] - 12.5 * outward[at])
    beside = drawn(np.stack(_sides(edge, outward, lines[0], gap_mm, whole)))
    texts = ("panel: this side stays", f"{name or 'part'}: cut outside the line, then file to it")
    return TemplateDrawing(
        seam="one edge alone",
        photo=measured.photo.file,
        panel=name or "part",
        present=tuple(drawn(edge[piece]) for piece in pieces),
        scribe=tuple(drawn(line) for line in lines),
        build_up=(),
        ticks=tuple(drawn(tick) for tick in ticks),
        marks=(),
        labels=tuple(
            Label(x=x, y=y, text=f"{s:.0f}") for s, (x, y) in zip(profile.s_mm[at], numbers, strict=True)
        ),
        into_panel=1.0,
        edge="cut",
        part=PartToMake(
            gap_mm=gap_mm,
            u_mm=float(profile.expanded_u_mm.max()),
            whole=whole,
            words=tuple(Label(x=x, y=y, text=text) for text, (x, y) in zip(texts, beside, strict=True)),
        ),
    )


def _level(profile: EdgeProfile) -> FloatArray:
    """Turn, never mirrored, that lays the line's longer way level."""
    spread = profile.place_mm - profile.place_mm.mean(0)
    if profile.round_mm is not None:
        wide, high = np.ptp(spread, axis=0)
        return np.array([[0.0, 1.0], [-1.0, 0.0]]) if high > _UPRIGHT * wide else np.eye(2)
    _, _, axes = np.linalg.svd(spread, full_matrices=False)
    c, d = axes[0] * (1.0 if axes[0, 0] >= 0 else -1.0)
    return np.array([[c, -d], [d, c]])


def _pieces(profile: EdgeProfile) -> list[tuple[int, int]]:
    """First and behind the last station of each unbroken piece; of a whole line the first comes again at its end."""
    n = len(profile.s_mm)
    if profile.whole:
        return [(0, n + 1)]
    breaks = np.flatnonzero(np.diff(profile.s_mm) > 1.5 * profile.spacing_mm) + 1
    pieces = [(int(i), int(k)) for i, k in zip([0, *breaks], [*breaks, n], strict=True)]
    round_mm = profile.round_mm
    if len(pieces) > 1 and round_mm and profile.s_mm[0] + round_mm - profile.s_mm[-1] < 1.5 * profile.spacing_mm:
        (_, stop), (start, _) = pieces[0], pieces[-1]  # the last goes on in the first
        pieces = [(start, n + stop), *pieces[1:-1]]
    return [(i, k) for i, k in pieces if k - i >= _LEAST_LINE]


def _fine(places: FloatArray) -> FloatArray:
    """Places along a line, 0.1 mm apart or less, its own among them."""
    longest = float(np.linalg.norm(np.diff(places, axis=0), axis=1).max())
    each = max(1, math.ceil(longest / _FINE_MM))
    at = np.linspace(0, len(places) - 1, each * (len(places) - 1) + 1)
    return np.stack([np.interp(at, np.arange(len(places)), places[:, k]) for k in range(2)], 1)


def _beside(places: FloatArray, outward: FloatArray, course: FloatArray, gap_mm: float) -> FloatArray | None:
    """The line that lies the gap away from all of the edge, beside one piece of it; None where there is no room.

    Each place goes square out by the gap, then along the way from the nearest place of the whole edge until it is the
    gap away: round an outer corner that draws the arc, in an inner one both sides end where they meet.
    """
    from scipy.spatial import cKDTree

    own = _fine(places)
    along = np.linspace(0, len(places) - 1, len(own))
    ways = np.stack([np.interp(along, np.arange(len(outward)), outward[:, k]) for k in range(2)], 1)
    tree, mine = cKDTree(course), cKDTree(own)
    line = own + gap_mm * ways
    for _ in range(_ROUNDS):
        away, nearest = tree.query(line)
        line = course[nearest] + gap_mm * (line - course[nearest]) / np.maximum(away, 1e-9)[:, None]
    away, _ = tree.query(line)
    beside, order = mine.query(line)
    right = ((line - own[order]) * ways[order]).sum(1) > 0
    keep = (np.abs(away - gap_mm) < _TOUCHES_MM) & (beside < gap_mm + _TOUCHES_MM) & right
    if keep.sum() < _LEAST_LINE:
        return None
    line, order = line[keep], order[keep]
    line = line[np.argsort(order, kind="stable")]
    apart = np.linalg.norm(np.diff(line, axis=0), axis=1)
    steps = np.concatenate([[0.0], np.cumsum(apart)])
    every = np.searchsorted(steps, np.arange(0.0, steps[-1], _DRAWN_MM))
    return np.asarray(line[np.unique([*every, len(line) - 1])])


def _sides(edge: FloatArray, outward: FloatArray, line: FloatArray, gap_mm: float, closes: bool) -> list[FloatArray]:
    """Where to write what lies on either side: on the panel, and on the part."""
    k = len(edge) // 2
    part = 0.5 * (line.min(0) + line.max(0)) if closes else edge[k] + (gap_mm + 12) * outward[k]
    return [edge[k] - 20 * outward[k], part]
