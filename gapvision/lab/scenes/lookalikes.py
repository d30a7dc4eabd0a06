"""What is no gap but may be taken for one: pressed lines, creases, shadows, weld beads, papers, hoses.

Shapes of the sheet are drawn by their slope, lit as the panel's own edge is lit there; a hose is a round body with the
shadow of its contact.  All run along the seam.
"""

from __future__ import annotations

from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.scenes import shading
from gapvision.lab.scenes.scene import Lookalike, SceneSpec

Array = NDArray[Any]
_PAPER_LIGHT, _PAPER_MM, _RIPPLE_MM, _FOLD_MM = 0.85, 46.0, 1.6, 0.15


class _Lit(Protocol):
    """What is needed of a scene: its finishes' light by slope, and how light white is."""

    spec: SceneSpec
    tables: dict[str, NDArray[np.float32]]


def lay(one: Lookalike, view: _Lit, at: tuple[Array, Array, Array], face: Array, factor: Array) -> tuple[Array, Array]:
    """Light of the panel and its local factor with a lookalike on it.

    Parameters
    ----------
    one : Lookalike
        What lies there.
    view : object
        The scene.
    at : tuple of ndarray
        Place along the seam, offset from the lookalike's middle [mm], lean of the line of sight [rad].
    face, factor : ndarray
        Light of the panel and its local factor without it.
    """
    s, x, lean = at
    half = one.width_mm / 2
    inside = np.abs(x) < half
    if one.kind == "shadow":
        return face, factor * (1 - (1 - one.strength) * (_border(half - x, one) * _border(half + x, one)))
    if one.kind == "shadow edge":
        return face, factor * (1 - (1 - one.strength) * _border(x, one))
    white = shading.paper_light(view.spec)
    if one.kind == "papers":
        paper = ~inside & (np.abs(x) < half + _PAPER_MM)
        near = np.exp(-np.clip(half - np.abs(x), 0, None) / 0.3) * inside  # thin paper throws a thin shadow
        return np.where(paper, white, face * (1 - 0.4 * near)), np.where(paper, factor.mean(), factor)
    if one.kind == "hose":
        u = np.clip(x / half, -1, 1)
        up = np.sqrt(1 - u * u)
        gleam = 0.6 * np.exp(-(((u + 0.3) / 0.12) ** 2)) * one.strength
        round_body = white * (one.strength * (0.25 + 0.75 * up) + gleam)
        contact = 1 - 0.75 * np.exp(-np.clip(np.abs(x) - half, 0, None) / (0.25 * half + 0.1))
        return np.where(inside, round_body, face * contact), np.where(inside, factor.mean(), factor)
    if one.kind == "swage":
        slope = -one.strength * np.pi * np.sin(2 * np.pi * x / one.width_mm) * inside
    elif one.kind == "crease":
        slope = np.tanh(x / _FOLD_MM) * 2 * one.strength * np.exp(-np.abs(x) / half)
    else:  # a weld bead: an arc across, ripples along
        ripple = 0.35 * np.sin(2 * np.pi * s / _RIPPLE_MM - 3 * np.abs(x / half))
        slope = (-8 * one.strength * x / one.width_mm + ripple) * inside
        factor = np.where(inside, factor * 0.8, factor)
    angle = np.arctan(slope).astype(np.float32)
    up_b = shading.look_up(view.tables["B"], np.maximum(-angle, 0), -lean)
    lit = np.where(angle > 0, shading.look_up(view.tables["A"], np.maximum(angle, 0), lean), up_b)
    return np.where(angle == 0, face, lit), factor


def _border(x: Array, one: Lookalike) -> Array:
    """From 0 to 1 where x passes 0, as soft as the shadow is."""
    return np.asarray(1 / (1 + np.exp(-1.7 * np.clip(x / max(one.soft_mm, 0.02), -30, 30))))
