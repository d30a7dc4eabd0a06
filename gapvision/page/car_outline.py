"""A car's outline on the page: its sides folded out beside its top, each seam by state with a number and a sign."""

from __future__ import annotations

import html
import math
from collections.abc import Mapping, Sequence

import numpy as np

from gapvision.model import HOLE, Car
from gapvision.page.drawings import svg_image
from gapvision.page.panel_drawing import LOOKS
from gapvision.reports.car_outline import folded, middle_of

_WIDTH, _EDGE = 360.0, 16.0
_SIZE = 14.5  # 14 px and more on a phone, where the drawing is a little narrower than 360
_NAMED_MM = 400.0  # shorter panels have no room for their name
_ROOM = 80.0
_TAG = 40.0, 21.0  # room of a number with its sign


def draw_outline(car: Car, states: Mapping[str, str], numbers: Mapping[str, int], changed: Sequence[str] = ()) -> str:
    """Draw a car as an ``img`` element, front to the left, its left side above and its right side below.

    Parameters
    ----------
    car : Car
        The car.
    states : mapping of str to str
        Seam -> its state; a seam that is not named counts as not measured.
    numbers : mapping of str to int
        Seam -> the number it has on the page.
    changed : sequence of str
        Panels that are drawn as moved.
    """
    bodies = [(b, folded(car, b, np.array(b.outline, float))) for b in sorted(car.bodies, key=lambda b: b.moves)]
    corners = np.concatenate([xy for _, xy in bodies])
    least, span = corners.min(axis=0), np.ptp(corners, axis=0)
    scale = (_WIDTH - 2 * _EDGE) / float(span[0])
    height = scale * float(span[1]) + 2 * _EDGE

    def points(xy: np.ndarray) -> str:
        return " ".join(f"{x:.1f},{y:.1f}" for x, y in ((xy - least) * scale + _EDGE).tolist())

    parts = [f'<rect width="{_WIDTH:g}" height="{height:.0f}" rx="8" fill="#f4f6f8"/>']
    for body, xy in bodies:
        fill, dash = ("#e3e8ee", "") if body.moves else ("none", "2 3")
        if body.name in changed:
            fill = "#ffe9a8"
        parts.append(f'<polygon points="{points(xy)}" fill="{fill}" stroke="#1b1f24" stroke-dasharray="{dash}"/>')
        if body.moves and np.ptp(xy[:, 0]) > _NAMED_MM:
            low, high = xy.min(axis=0), xy.max(axis=0)  # above the numbers of its seams at both ends, where there is room
            share = 0.3 if scale * float(high[1] - low[1]) > _ROOM else 0.5
            x, y = ((np.array([0.5, share]) * (high - low) + low - least) * scale + _EDGE).tolist()
            lines = body.name.split(" ", 1) if len(body.name) > 9 else [body.name]
            parts += [_text(x, y + 5 + 17 * (k - (len(lines) - 1) / 2), line) for k, line in enumerate(lines)]
    tags, taken, told = "", list[tuple[float, float]](), []
    for seam in car.seams:
        state = states.get(seam.name, HOLE)
        state = state if state in LOOKS else HOLE
        colour, dash, wide, sign, _ = LOOKS[state]
        line = folded(car, car.body(seam.one), np.array(seam.place, float))
        parts.append(
            f'<polyline points="{points(line)}" fill="none" stroke="{colour}" stroke-width="{0.7 * wide:.1f}" '
            f'stroke-dasharray="{dash}"/>'
        )
        x, y = ((middle_of(line) - least) * scale + _EDGE).tolist()
        x, y = _free(x, y, height, taken)
        taken.append((x, y))
        tags += (
            f'<rect x="{x - _TAG[0] / 2:.1f}" y="{y - _TAG[1] / 2:.1f}" width="{_TAG[0]:g}" height="{_TAG[1]:g}" rx="10" '
            f'fill="{colour}" stroke="#fff"/>'
            + _text(x, y + 5, f"{numbers.get(seam.name, 0)} {sign}", "#fff", bold=True)
        )
        told.append(f"{numbers.get(seam.name, 0)} {seam.name} {state}")
    svg = (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:g} {height:.0f}" font-family="sans-serif">'
        f"{''.join(parts)}{tags}</svg>"
    )
    look = 'class="gv-drawn" style="width:100%;max-width:620px;display:block"'
    return svg_image(svg, f"{car.name}: {'; '.join(told)}", look)


def _free(x: float, y: float, height: float, taken: Sequence[tuple[float, float]]) -> tuple[float, float]:
    """The nearest place for a tag that covers no other and stays in the drawing."""
    wide, tall = _TAG[0] + 2, _TAG[1] + 2
    tries = sorted(((dx, dy) for dx in range(-80, 81, 4) for dy in range(-60, 61, 4)), key=lambda d: math.hypot(*d))
    for dx, dy in tries:
        a = min(max(x + dx, wide / 2), _WIDTH - wide / 2)
        b = min(max(y + dy, tall / 2), height - tall / 2)
        if not any(abs(a - p) < wide and abs(b - q) < tall for p, q in taken):
            return a, b
    return x, y


def _text(x: float, y: float, words: str, colour: str = "#1b1f24", *, bold: bool = False) -> str:
    weight = ' font-weight="700"' if bold else ""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{_SIZE}" text-anchor="middle" fill="{colour}"{weight}>'
        f"{html.escape(words)}</text>"
    )
