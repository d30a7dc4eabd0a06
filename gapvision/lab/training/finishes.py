"""What a panel is covered with: colour, roughness and metal, as small maps over (along, across).

A map covers ``ALONG_MM`` along the seam and, across, ``SKIN_MM`` of skin to
``ROLL_MM`` round the edge, measured along the sheet.  All finishes are one
surface model with different maps, so that a renderer compiles it once.
"""

from __future__ import annotations

from dataclasses import dataclass

import cv2
import numpy as np
from numpy.typing import NDArray

Map = NDArray[np.float32]

ALONG_MM, SKIN_MM, ROLL_MM = 90.0, 20.0, 10.0
CELL_ALONG_MM, CELL_ACROSS_MM = 0.2, 0.1
SHAPE = (round((SKIN_MM + ROLL_MM) / CELL_ACROSS_MM), round(ALONG_MM / CELL_ALONG_MM))
NAMES = (
    "brushed_steel",
    "ground_steel",
    "aluminium",
    "lead",
    "brazed",
    "primer_grey",
    "primer_white",
    "primer_black",
    "red_oxide",
    "etch_green",
    "guide_coat",
    "gloss",
    "metallic",
    "worn_paint",
    "dusty_paint",
)
# Finishes whose rolls mirror the gap are drawn more often: they are the hard ones.
_WEIGHTS = {
    "gloss": 2.6,
    "metallic": 1.6,
    "brushed_steel": 1.4,
    "ground_steel": 1.4,
    "worn_paint": 1.3,
    "primer_black": 1.3,
}
SHARES = tuple(_WEIGHTS.get(name, 1.0) / sum(_WEIGHTS.get(n, 1.0) for n in NAMES) for name in NAMES)


@dataclass(frozen=True, slots=True, eq=False)
class SurfaceFinish:
    """Maps of one panel, row 0 at the far skin.

    Attributes
    ----------
    name : str
        One of ``NAMES``.
    colour : ndarray, shape (rows, columns, 3)
    roughness, metal : ndarray, shape (rows, columns, 1)
    anisotropy, clear_coat : float
        0 to 1.
    """

    name: str
    colour: Map
    roughness: Map
    metal: Map
    anisotropy: float
    clear_coat: float


def clouds(rng: np.random.Generator, along_mm: float, across_mm: float) -> Map:
    """Smooth noise, mean 0, standard deviation 1, of the given grain."""
    noise = rng.standard_normal(SHAPE).astype(np.float32)
    out = cv2.GaussianBlur(
        noise,
        (0, 0),
        sigmaX=max(along_mm / CELL_ALONG_MM, 0.01),
        sigmaY=max(across_mm / CELL_ACROSS_MM, 0.01),
        borderType=cv2.BORDER_REFLECT,
    )
    return (out - out.mean()) / max(float(out.std()), 1e-6)


def _colour(rng: np.random.Generator, name: str) -> NDArray[np.float64]:
    tint = rng.uniform(0.96, 1.04, 3)
    if name in ("gloss", "metallic", "worn_paint", "dusty_paint"):
        hue = rng.dirichlet([0.7, 0.7, 0.7]) * 3
        value = float(np.exp(rng.uniform(np.log(0.012), np.log(0.75))))
        grey = rng.uniform(0, 1) ** 0.7
        return np.clip(value * (grey + (1 - grey) * hue), 0.004, 0.85)
    base = {
        "brushed_steel": (0.56, 0.55, 0.53),
        "ground_steel": (0.55, 0.54, 0.52),
        "aluminium": (0.88, 0.89, 0.9),
        "lead": (0.42, 0.42, 0.43),
        "brazed": (0.7, 0.52, 0.27),
        "primer_white": (0.72, 0.72, 0.7),
        "primer_black": (0.03, 0.03, 0.032),
        "red_oxide": (0.27, 0.07, 0.045),
        "etch_green": (0.2, 0.27, 0.13),
    }.get(name, (1.0, 1.0, 1.0))
    scale = rng.uniform(0.08, 0.5) if name in ("primer_grey", "guide_coat") else rng.uniform(0.75, 1.15)
    return np.clip(np.array(base) * scale * tint, 0.01, 0.95)


def draw_finish(rng: np.random.Generator, name: str, worn: bool = True) -> SurfaceFinish:
    """Draw one panel's maps.

    Parameters
    ----------
    rng : numpy.random.Generator
    name : str
        One of ``NAMES``.
    worn : bool
        With rust, dust, wear, lines and scratches; without them it is the same panel, far from its edge.

    Returns
    -------
    SurfaceFinish
    """
    colour = np.broadcast_to(_colour(rng, name), (*SHAPE, 3)).astype(np.float32)
    metal = np.zeros(SHAPE, np.float32)
    anisotropy = clear = 0.0
    if name in ("brushed_steel", "ground_steel", "aluminium", "lead", "brazed"):
        metal += 1
        rough = np.full(SHAPE, rng.uniform(0.22, 0.6), np.float32)
        if name in ("brushed_steel", "aluminium", "ground_steel"):
            anisotropy = float(rng.uniform(0.0, 0.85))
            along = rng.random() < 0.5
            grain = clouds(rng, 8.0 if along else 0.05, 0.05 if along else 6.0)
            colour = colour * np.exp(rng.uniform(0.02, 0.22) * grain)[..., None]
        colour = (
            colour * np.exp(rng.uniform(0.02, 0.2) * clouds(rng, rng.uniform(0.5, 6), rng.uniform(0.5, 6)))[..., None]
        )
        rough = rough * np.exp(rng.uniform(0.0, 0.25) * clouds(rng, 2.0, 2.0))
        if rng.random() < 0.3 and worn:
            # Heat tint or flash rust in patches.
            patch = 1 / (1 + np.exp(-3 * (clouds(rng, 5.0, 4.0) - rng.uniform(0.3, 1.5))))
            colour = colour * (1 - patch[..., None] * np.array([0.25, 0.5, 0.7], np.float32) * rng.uniform(0.3, 1))
            rough = rough + 0.3 * patch
    elif name in ("gloss", "metallic", "worn_paint", "dusty_paint"):
        rough = np.full(SHAPE, rng.choice([rng.uniform(0.03, 0.1), rng.uniform(0.1, 0.35)]), np.float32)
        clear = float(rng.uniform(0.5, 1.0)) if name != "dusty_paint" else float(rng.uniform(0.1, 0.6))
        if name == "metallic":
            metal += np.float32(rng.uniform(0.3, 0.8))
            colour = colour * np.exp(0.08 * clouds(rng, 0.1, 0.1))[..., None]
            rough = np.full(SHAPE, rng.uniform(0.3, 0.5), np.float32)
    else:
        rough = np.full(SHAPE, rng.uniform(0.4, 0.95), np.float32)
        colour = colour * np.exp(rng.uniform(0.0, 0.06) * clouds(rng, 0.15, 0.15))[..., None]
    if worn:
        colour, rough, metal = _wear(rng, name, colour, rough, metal)
    return SurfaceFinish(
        name=name,
        colour=np.clip(colour, 0.003, 0.97).astype(np.float32),
        roughness=np.clip(rough, 0.04, 1)[..., None].astype(np.float32),
        metal=np.clip(metal, 0, 1)[..., None].astype(np.float32),
        anisotropy=anisotropy,
        clear_coat=clear,
    )


def _wear(rng: np.random.Generator, name: str, colour: Map, rough: Map, metal: Map) -> tuple[Map, Map, Map]:
    across = (np.arange(SHAPE[0]) * CELL_ACROSS_MM - SKIN_MM)[:, None]  # 0 near the start of the roll
    if name == "guide_coat" or rng.random() < 0.12:
        grain = rng.uniform(0.08, 0.3)
        specks = clouds(rng, grain, grain) > rng.uniform(0.8, 2.3)
        dark = rng.uniform(0.02, 0.3)
        colour = np.where(specks[..., None], colour * dark, colour)
    painted = name.startswith("primer") or name in (
        "red_oxide",
        "etch_green",
        "gloss",
        "worn_paint",
        "guide_coat",
        "dusty_paint",
    )
    if name == "worn_paint" or (painted and rng.random() < 0.15):
        # Sanded through to metal along the edge.
        border = rng.uniform(-2.5, 2.5) + rng.uniform(0.1, 1.2) * clouds(rng, rng.uniform(0.5, 6), 1.0)
        bare = 1 / (1 + np.exp(-(across - border) / rng.uniform(0.03, 0.3)))
        steel = np.array([0.54, 0.53, 0.51], np.float32) * rng.uniform(0.6, 1.1)
        colour = colour * (1 - bare[..., None]) + steel * bare[..., None]
        metal = metal * (1 - bare) + bare
        rough = rough * (1 - bare) + rng.uniform(0.25, 0.5) * bare
    if name == "dusty_paint" or rng.random() < 0.25:
        dust = np.clip(
            rng.uniform(0.0, 0.5) + rng.uniform(0.05, 0.3) * clouds(rng, rng.uniform(0.3, 4), rng.uniform(0.3, 2)),
            0,
            0.9,
        )
        dust = dust * (across < rng.uniform(-1, 2))
        colour = colour * (1 - dust[..., None]) + np.array([0.38, 0.35, 0.31], np.float32) * dust[..., None]
        rough = rough * (1 - dust) + 0.9 * dust
        metal = metal * (1 - dust)
    if rng.random() < 0.2:
        # Grease, a finger mark or a damp patch near the edge: darker and smoother.
        patch = 1 / (1 + np.exp(-4 * (clouds(rng, 4.0, 2.0) - rng.uniform(0.5, 1.5))))
        colour = colour * (1 - 0.5 * patch[..., None])
        rough = rough * (1 - 0.5 * patch)
    for _ in range(int(rng.poisson(0.6))):
        colour, rough, metal = _line(rng, colour, rough, metal)
    for _ in range(int(rng.choice([0, rng.integers(1, 25)], p=[0.7, 0.3]))):
        colour = _scratch(rng, colour)
    return colour, rough, metal


def _line(rng: np.random.Generator, colour: Map, rough: Map, metal: Map) -> tuple[Map, Map, Map]:
    """Pen, chalk, tape or a paint border nearly along the seam, or crossing it."""
    h, w = SHAPE
    canvas = np.zeros((h, w), np.uint8)
    place = SKIN_MM + rng.uniform(-9, 1.0)
    if rng.random() < 0.75:
        a, b = place + rng.normal(0, 0.8), place + rng.normal(0, 0.8)
        ends = (0, a), (ALONG_MM, b)
    else:
        x = rng.uniform(10, 80)
        ends = (x, 0), (x + rng.normal(0, 12), SKIN_MM + rng.uniform(-3, 2))
    kind = rng.choice(["pen", "chalk", "tape", "border"])
    width = {"pen": rng.uniform(0.3, 1.5), "chalk": rng.uniform(0.8, 3), "tape": rng.uniform(3, 12), "border": 40.0}[
        kind
    ]
    p, q = ((int(e[0] / CELL_ALONG_MM), int(e[1] / CELL_ACROSS_MM)) for e in ends)
    if kind == "border":
        cv2.fillPoly(canvas, [np.array([p, q, (q[0], 0), (p[0], 0)], np.int32)], 255)
    elif kind == "tape" and rng.random() < 0.7:
        k = int(width / CELL_ACROSS_MM)
        cv2.fillPoly(canvas, [np.array([p, q, (q[0], q[1] - k), (p[0], p[1] - k)], np.int32)], 255)
    else:
        cv2.line(canvas, p, q, 255, max(1, round(width / CELL_ACROSS_MM)), cv2.LINE_AA)
    mask = canvas.astype(np.float32) / 255
    if kind == "chalk":
        mask = mask * np.clip(0.5 + 0.4 * clouds(rng, 0.2, 0.2), 0, 1)
    shade = (
        np.exp(rng.uniform(np.log(0.01), np.log(0.85)))
        if kind in ("border", "tape")
        else (0.8 if kind == "chalk" else 0.02)
    )
    paint = np.clip(shade * rng.uniform(0.7, 1.2, 3), 0.005, 0.9).astype(np.float32)
    m = mask[..., None]
    return colour * (1 - m) + paint * m, rough * (1 - mask) + rng.uniform(0.3, 0.9) * mask, metal * (1 - mask)


def _scratch(rng: np.random.Generator, colour: Map) -> Map:
    h, w = SHAPE
    canvas = np.zeros((h, w), np.uint8)
    x, y, angle, length = rng.uniform(0, w), rng.uniform(0, h), rng.uniform(0, np.pi), rng.uniform(10, 150)
    cv2.line(
        canvas,
        (int(x), int(y)),
        (int(x + length * np.cos(angle)), int(y + 2 * length * np.sin(angle))),
        255,
        1,
        cv2.LINE_AA,
    )
    m = canvas.astype(np.float32)[..., None] / 255 * rng.uniform(0.2, 0.9)
    return colour * (1 - m) + np.float32(rng.choice([0.03, 0.5])) * m
