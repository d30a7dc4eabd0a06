"""A panel's outline with its seams drawn by state: colour, pattern, sign and words, never colour alone."""

from __future__ import annotations

import html
import math
import textwrap
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from gapvision.page.drawings import svg_image

Point = tuple[float, float]

#: State -> (colour on the light plate, dash, width, sign, short word).
LOOKS = {
    "in tolerance": ("#1d6b3a", "", 7, "\u2713", "in tolerance"),
    "out of tolerance": ("#b94a00", "3 3", 13, "\u2717", "out of tolerance"),
    "not proven": ("#4a4a9a", "10 4", 9, "?", "not proven"),
    "not measured": ("#6a6a6a", "1.5 5", 4, "-", "not measured"),
    "measured": ("#0b5c93", "14 3 3 3", 7, "\u00b7", "no limits given"),
}
_WIDTH = 360.0
_ASIDE, _ABOVE = 106.0, 62.0  # room for the words beside and above the outline
_TALLEST = 260.0  # of the outline
_SIZE = 15  # 14 px and more on a phone, where the drawing is a little narrower than 360


@dataclass(frozen=True, slots=True)
class DrawnSeam:
    """One seam of the outline: its name, the state of the whole seam, its worst value in few words, and where it runs.

    ``place`` goes from its start to its end in the panel's plane [mm], y upwards; ``stretches`` are the states of what is
    known of it, the rest was not measured; ``worst`` is where the worst value lies.
    """

    name: str
    state: str
    words: str
    place: tuple[Point, ...]
    stretches: tuple[tuple[str, tuple[Point, ...]], ...] = ()
    worst: Point | None = None


def draw_panel(
    name: str,
    seams: Sequence[DrawnSeam],
    outline: Sequence[Point] = (),
    adjusters: Sequence[tuple[str, Point]] = (),
) -> str:
    """Draw a panel as an ``img`` element, 360 wide, so that its text is 14 px and more on a phone.

    Without an outline [mm] only the seams are drawn; adjusters are numbered squares, in this order.
    """
    if not seams:
        raise ValueError("a panel without seams cannot be drawn")
    points = [*(p for seam in seams for p in seam.place), *outline, *(p for _, p in adjusters)]
    xs, ys = [x for x, _ in points], [y for _, y in points]
    span = max(max(xs) - min(xs), 1.0), max(max(ys) - min(ys), 1.0)
    scale = min((_WIDTH - 2 * _ASIDE) / span[0], _TALLEST / span[1])
    height = max(scale * span[1] + 2 * _ABOVE, 190.0, 62.0 * len(seams))
    middle = (max(xs) + min(xs)) / 2, (max(ys) + min(ys)) / 2

    def at(point: Point) -> Point:
        return _WIDTH / 2 + (point[0] - middle[0]) * scale, height / 2 - (point[1] - middle[1]) * scale

    parts = [f'<rect width="{_WIDTH:g}" height="{height:.0f}" rx="8" fill="#f4f6f8"/>']
    if outline:
        parts.append(f'<polygon points="{_list(outline, at)}" fill="#e3e8ee" stroke="#1b1f24" stroke-width="1.5"/>')
    lines = textwrap.wrap(name, 14)[:3]
    parts.append(_text((_WIDTH / 2, height / 2 - 9 * (len(lines) - 1) + 5), lines, 17, bold=True))
    boxes: list[tuple[float, float, float, float]] = []
    words = ""
    for seam in seams:
        shown = seam.stretches or ((seam.state, seam.place),)
        if seam.stretches:
            parts.append(_line("not measured", seam.place, at))
        parts += [_line(state, line, at) for state, line in shown]
        if seam.worst is not None:
            x, y = at(seam.worst)
            parts.append(
                f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="#ffe000" stroke="#1b1f24" stroke-width="2"/>'
            )
        words += _label(seam, [at(p) for p in seam.place], height, boxes)
    for number, (_, place) in enumerate(adjusters, 1):
        x, y = at(place)
        parts.append(
            f'<rect x="{x - 10:.1f}" y="{y - 10:.1f}" width="20" height="20" fill="#fff" stroke="#1b1f24" stroke-width="2"/>'
            + _text((x, y + 5), [str(number)], _SIZE, bold=True)
        )
    label = f"{name}: " + "; ".join(f"{s.name} {s.state}" + (f", {s.words}" if s.words else "") for s in seams)
    return _image("".join(parts) + words, height, label)


def draw_key(states: Sequence[str]) -> str:
    """What the patterns of these states mean, as an ``img`` element."""
    parts = [f'<rect width="{_WIDTH:g}" height="{26 * len(states) + 10}" rx="8" fill="#f4f6f8"/>']
    for k, state in enumerate(states):
        y = 18 + 26 * k
        parts.append(_line(state, ((14.0, y), (84.0, y)), lambda p: p))
        sign = LOOKS[state][3]
        words = "measured, no limits given" if state == "measured" else state
        parts.append(_text((98, y + 5), [f"{sign} {words}"], _SIZE, "start"))
    return _image("".join(parts), 26.0 * len(states) + 10, "Key: " + ", ".join(states))


def along(place: Sequence[Point], from_mm: float, to_mm: float) -> tuple[Point, ...]:
    """Part of a line through points, from one distance along it to another [mm]; its ends are carried on straight."""
    lengths = [math.dist(a, b) for a, b in pairwise(place)]
    starts = [math.fsum(lengths[:k]) for k in range(len(lengths))]

    def point(s: float) -> Point:
        k = max((i for i, start in enumerate(starts) if start <= s), default=0)
        share = (s - starts[k]) / lengths[k]
        (ax, ay), (bx, by) = place[k], place[k + 1]
        return ax + share * (bx - ax), ay + share * (by - ay)

    corners = [place[k] for k in range(1, len(lengths)) if from_mm < starts[k] < to_mm]
    return point(from_mm), *corners, point(to_mm)


def _list(points, at) -> str:  # type: ignore[no-untyped-def]
    return " ".join(f"{x:.1f},{y:.1f}" for x, y in map(at, points))


def _line(state, points, at) -> str:  # type: ignore[no-untyped-def]
    colour, dash, width, _, _ = LOOKS.get(state, LOOKS["not measured"])
    return (
        f'<polyline points="{_list(points, at)}" fill="none" stroke="{colour}" stroke-width="{width}" '
        f'stroke-dasharray="{dash}" stroke-linecap="butt"/>'
    )


def _label(
    seam: DrawnSeam, points: Sequence[Point], height: float, boxes: list[tuple[float, float, float, float]]
) -> str:
    """A seam's words, outside its middle and clear of the words that stand already."""
    half = 0.5 * math.fsum(math.dist(a, b) for a, b in pairwise(points))
    x, y = along(points, half, half)[0]
    dx, dy = x - _WIDTH / 2, y - height / 2
    upright = abs(points[-1][1] - points[0][1]) > abs(points[-1][0] - points[0][0])
    beside = upright and abs(dx) > 4
    _, _, _, sign, state = LOOKS.get(seam.state, LOOKS["not measured"])
    if beside:
        lines = textwrap.wrap(f"{sign} {seam.name}", 12)  # the key says the sign's word
        for part in seam.words.split(", "):
            lines += textwrap.wrap(part, 9 if "/" in part else 10, break_long_words=False)  # "mm/m" is wide
    else:
        lines = [f"{sign} {seam.name}: {state}", *textwrap.wrap(seam.words, 40)]
    lines = [line for line in lines if line]
    wide = 0.56 * _SIZE * max(len(line) for line in lines)
    tall = 1.2 * _SIZE * len(lines)
    if beside:
        anchor = "start" if dx > 0 else "end"
        x += 11 if dx > 0 else -11
        left, top = (x if dx > 0 else x - wide), y - tall / 2
    else:
        anchor = "middle"
        x = min(max(x, wide / 2 + 4), _WIDTH - wide / 2 - 4)
        left, top = x - wide / 2, (y + 12 if dy > 0 else y - 12 - tall)
    places = [min(max(top + 4.0 * k, 2.0), height - tall - 2) for k in sorted(range(-120, 121), key=abs)]
    top = next((y for y in places if not _covered((left, y, wide, tall), boxes)), places[0])
    boxes.append((left, top, wide, tall))
    return _text((x, top + _SIZE), lines, _SIZE, anchor)


def _covered(box: tuple[float, float, float, float], boxes: Sequence[tuple[float, float, float, float]]) -> bool:
    left, top, wide, tall = box
    return any(left < b[0] + b[2] and b[0] < left + wide and top < b[1] + b[3] and b[1] < top + tall for b in boxes)


def _text(middle: Point, lines: Sequence[str], size: int, anchor: str = "middle", *, bold: bool = False) -> str:
    weight = ' font-weight="700"' if bold else ""
    spans = "".join(
        f'<tspan x="{middle[0]:.1f}" dy="{0 if k == 0 else 1.2 * size:.1f}">{html.escape(line)}</tspan>'
        for k, line in enumerate(lines)
        if line
    )
    return (
        f'<text x="{middle[0]:.1f}" y="{middle[1]:.1f}" font-size="{size}" text-anchor="{anchor}" fill="#1b1f24"{weight}>'
        f"{spans}</text>"
    )


def _image(body: str, height: float, label: str) -> str:
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {height:.0f}" font-family="sans-serif">'
        f"{body}</svg>"
    )
    return svg_image(svg, label, 'class="gv-drawn" style="width:100%;max-width:520px;display:block"')
