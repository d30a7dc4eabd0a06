"""A panel's outline with its seams drawn by state: colour, dash, sign and words, never colour alone."""

from __future__ import annotations

import base64
import html
from collections.abc import Sequence
from dataclasses import dataclass

Point = tuple[float, float]

#: State -> (colour on the light plate, dash, sign).
_LOOK = {
    "in tolerance": ("#1d6b3a", "", "\u2713"),
    "out of tolerance": ("#b94a00", "2 5", "\u2717"),
    "not proven": ("#4a4a4a", "10 5", "?"),
    "not measured": ("#8a8a8a", "1 7", "-"),
    "measured": ("#0b5c93", "", "\u00b7"),
}
_WIDTH, _HEIGHT = 360.0, 300.0
_ASIDE, _ABOVE = 112.0, 62.0  # room for the words beside and above the outline


@dataclass(frozen=True, slots=True)
class DrawnSeam:
    """One seam of the outline.

    Attributes
    ----------
    name, state, words : str
        Name, state and the worst value in words.
    place : tuple of points
        From its start to its end in the panel's plane [mm], y upwards.
    """

    name: str
    state: str
    words: str
    place: tuple[Point, ...]


def draw_panel(name: str, seams: Sequence[DrawnSeam]) -> str:
    """Draw a panel as an ``img`` element, 360 wide, so that its text is 14 px and more on a phone.

    Parameters
    ----------
    name : str
        Name of the panel.
    seams : sequence of DrawnSeam
        At least one.

    Raises
    ------
    ValueError
        Without seams.
    """
    if not seams:
        raise ValueError("a panel without seams cannot be drawn")
    xs = [x for seam in seams for x, _ in seam.place]
    ys = [y for seam in seams for _, y in seam.place]
    span = max(max(xs) - min(xs), 1.0), max(max(ys) - min(ys), 1.0)
    scale = min((_WIDTH - 2 * _ASIDE) / span[0], (_HEIGHT - 2 * _ABOVE) / span[1])
    middle = (max(xs) + min(xs)) / 2, (max(ys) + min(ys)) / 2

    def at(point: Point) -> Point:
        return _WIDTH / 2 + (point[0] - middle[0]) * scale, _HEIGHT / 2 - (point[1] - middle[1]) * scale

    parts = [
        f'<rect width="{_WIDTH:g}" height="{_HEIGHT:g}" rx="8" fill="#f4f6f8"/>',
        _text((_WIDTH / 2, _HEIGHT / 2), [name], 17, bold=True),
    ]
    for seam in seams:
        colour, dash, sign = _LOOK.get(seam.state, _LOOK["not measured"])
        points = [at(p) for p in seam.place]
        line = " ".join(f"{x:.1f},{y:.1f}" for x, y in points)
        parts.append(
            f'<polyline points="{line}" fill="none" stroke="{colour}" stroke-width="6" stroke-dasharray="{dash}" stroke-linecap="butt"/>'
        )
        place, anchor = _beside(points)
        parts.append(_text(place, [f"{sign} {seam.name}", seam.words], 14, anchor))
    label = f"{name}: " + "; ".join(f"{s.name} {s.state}, {s.words}" for s in seams)
    svg = f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {_HEIGHT:g}" font-family="sans-serif">{"".join(parts)}</svg>'
    packed = base64.b64encode(svg.encode()).decode()
    return (
        f'<img alt="{html.escape(label, quote=True)}" style="width:100%;max-width:520px;display:block" '
        f'src="data:image/svg+xml;base64,{packed}">'
    )


def _beside(points: Sequence[Point]) -> tuple[Point, str]:
    """Where a seam's words stand, outside its middle, and how they are set."""
    x = (points[0][0] + points[-1][0]) / 2
    y = (points[0][1] + points[-1][1]) / 2
    dx, dy = x - _WIDTH / 2, y - _HEIGHT / 2
    upright = abs(points[-1][1] - points[0][1]) > abs(points[-1][0] - points[0][0])
    if upright:
        return ((x + 10, y), "start") if dx > 0 else ((x - 10, y), "end")
    return ((x, y + 24), "middle") if dy > 0 else ((x, y - 28), "middle")


def _text(middle: Point, lines: Sequence[str], size: int, anchor: str = "middle", *, bold: bool = False) -> str:
    weight = ' font-weight="700"' if bold else ""
    spans = "".join(
        f'<tspan x="{middle[0]:.1f}" dy="{0 if k == 0 else 1.15 * size:.1f}">{html.escape(line)}</tspan>'
        for k, line in enumerate(lines)
        if line
    )
    return (
        f'<text x="{middle[0]:.1f}" y="{middle[1]:.1f}" font-size="{size}" text-anchor="{anchor}" fill="#1b1f24"{weight}>'
        f"{spans}</text>"
    )
