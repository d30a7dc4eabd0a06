"""Draw one seam scene from a seed: plain numbers only, nothing rendered here.

World: s along the seam, t across (A negative, B positive), z up from panel A's
skin, mm.  The band of interest is ``HALF_LENGTH_MM`` either side of s = 0, unless a longer one is asked for.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.training.camera import Camera, aim
from gapvision.lab.training.finishes import NAMES, SHARES, SurfaceFinish, draw_finish
from gapvision.lab.training.profiles import Section, section

FloatArray = NDArray[np.float64]

HALF_LENGTH_MM = 28.0
BEYOND_BAND_MM = 17.0  # so far beyond the band an edge is drawn finely
_LONGEST_HALF_MM = 110.0
HALF_WIDTH_MM = 13.0
FAR_MM = 150.0
_CORNER_MM, _BROKEN_MM = (0.02, 0.3), (0.1, 0.4)  # how far the corner of a cut edge is broken
_BARE_STEEL, _BARE_SHARE = ("brushed_steel", "ground_steel"), 0.6
FILLINGS = ("empty", "seal", "flange", "pinch_weld", "wires", "card", "lamp")


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class EdgeScene:
    """One panel edge.

    Attributes
    ----------
    kind : str
        Kind of section.
    section : Section
    s_mm, t_mm : ndarray, shape (n,)
        Offset of the touched point along the seam [mm].
    lift_mm : float
        Height of the skin at the edge [mm].
    finish : SurfaceFinish
    face : str
        Finish of a cut face: ``skin``, ``bright`` or ``dark``.
    """

    kind: str
    section: Section
    s_mm: FloatArray
    t_mm: FloatArray
    lift_mm: float
    finish: SurfaceFinish
    face: str


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Scene:
    """Everything a renderer needs.

    Attributes
    ----------
    seed : int
    edge_a, edge_b : EdgeScene
    camera : Camera
    px_per_mm : float
    filling, light : str
    things : list of dict
        Bodies in the gap and on the panels: kind, numbers, look.
    depth_mm, floor_albedo : float
        The cavity.
    floor_hue : tuple of float
        Its red, green and blue for an albedo of 1.
    lights : list of dict
        Area lights of the key pass.
    blockers : list of ndarray, shape (4, 3)
        Quads that throw shadows.
    sky : ndarray, shape (h, w, 3)
        Surroundings of the fill pass.
    half_length_mm : float
        Half the length of the band of interest.
    """

    seed: int
    edge_a: EdgeScene
    edge_b: EdgeScene
    camera: Camera
    px_per_mm: float
    filling: str
    light: str
    things: list[dict[str, Any]]
    depth_mm: float
    floor_albedo: float
    floor_hue: tuple[float, float, float]
    lights: list[dict[str, Any]]
    blockers: list[FloatArray]
    sky: NDArray[np.float32]
    half_length_mm: float = HALF_LENGTH_MM


def draw_scene(seed: int, half_length_mm: float = HALF_LENGTH_MM, broken: bool = False) -> Scene:
    """Draw the scene of a seed.

    Parameters
    ----------
    seed : int
    half_length_mm : float
        Half the length of the band of interest, at most 110 mm: beyond it nothing is drawn finely.
    broken : bool
        Both edges are cut and their corners broken by 0.1 to 0.4 mm, three in five of them bare steel: the commonest
        state in a shop.

    Returns
    -------
    Scene
    """
    if not 10 <= half_length_mm <= _LONGEST_HALF_MM:
        raise ValueError(f"half_length_mm: expected 10 to {_LONGEST_HALF_MM:.0f}, got {half_length_mm}")
    rng = np.random.default_rng([seed, 31])
    gap = float(np.clip(np.exp(rng.normal(np.log(4.3), 0.4)), 1.2, 9.5))
    same = rng.random() < 0.6
    finishes = np.array(SHARES)
    if broken:
        bare = np.isin(NAMES, _BARE_STEEL)
        finishes = np.where(bare, _BARE_SHARE / bare.sum(), (1 - _BARE_SHARE) * finishes / finishes[~bare].sum())
    name_a = str(rng.choice(NAMES, p=finishes))
    name_b = name_a if same else str(rng.choice(NAMES, p=finishes))
    flush = float(rng.choice([0.0, rng.normal(0, 0.8)], p=[0.4, 0.6]))
    fine_mm = half_length_mm + BEYOND_BAND_MM
    edge_a = _draw_edge(rng, -gap / 2, name_a, 0.0, -1, fine_mm, broken)
    edge_b = _draw_edge(rng, gap / 2, name_b, flush, 1, fine_mm, broken)
    px_per_mm = float(np.exp(rng.uniform(np.log(5), np.log(14))))
    camera = _draw_camera(rng, px_per_mm)
    filling = str(rng.choice(FILLINGS, p=[0.3, 0.2, 0.15, 0.08, 0.05, 0.06, 0.16]))
    depth = float(np.exp(rng.uniform(np.log(8), np.log(60))))
    things = draw_filling(rng, filling, gap, depth) + _draw_outside(rng, gap)
    light, lights = draw_lights(rng, camera)
    # Drawn apart: what else a number draws stays as it is.
    floor_hue = _dress(np.random.default_rng([seed, 57]), things, edge_a.finish, edge_b.finish)
    return Scene(
        seed=seed,
        edge_a=edge_a,
        edge_b=edge_b,
        camera=camera,
        px_per_mm=px_per_mm,
        filling=filling,
        light=light,
        things=things,
        depth_mm=depth,
        floor_albedo=float(np.exp(rng.uniform(np.log(0.01), np.log(0.5)))),
        floor_hue=floor_hue,
        lights=lights,
        blockers=draw_blockers(rng, lights, camera),
        sky=draw_sky(rng),
        half_length_mm=half_length_mm,
    )


def _draw_edge(
    rng: np.random.Generator, offset: float, finish_name: str, lift: float, side: int, fine_mm: float, broken: bool
) -> EdgeScene:
    kind = "cut" if broken else str(rng.choice(["rolled", "flat_hem", "cut", "flange"], p=[0.58, 0.08, 0.31, 0.03]))
    sheet = float(rng.uniform(0.8, 1.5))
    if kind == "rolled":
        radius = float(rng.uniform(0.8, 2.5))
        depth = radius * float(rng.choice([1.0, rng.uniform(0.8, 1.2)]))
    elif kind == "flat_hem":
        depth = sheet * float(rng.uniform(0.9, 1.25))
        radius = float(rng.uniform(0.35, 0.9)) * depth
    elif kind == "cut":
        low, high = _BROKEN_MM if broken else _CORNER_MM
        radius, depth = float(np.exp(rng.uniform(np.log(low), np.log(high)))), 0.0
    else:
        radius, depth = float(rng.uniform(1.0, 3.5)), float(rng.uniform(5, 14))
    s = np.concatenate(
        [
            np.arange(-FAR_MM, -fine_mm, 15.0),
            np.arange(-fine_mm, fine_mm + 0.01, 0.4),
            np.append(np.arange(fine_mm + 15, FAR_MM - 1, 15.0), FAR_MM),
        ]
    )
    t = np.full_like(s, offset)
    for _ in range(4):
        wave = np.exp(rng.uniform(np.log(15), np.log(200)))
        t += rng.normal(0, 0.0016) * wave * np.sin(2 * np.pi * s / wave + rng.uniform(0, 6.3))
    t += rng.normal(0, 0.006) * s
    if rng.random() < 0.25:
        # A dent, a pinch or a built-up place; sometimes as abrupt as a nick.
        place, width = rng.uniform(-25, 25), np.exp(rng.uniform(np.log(0.6), np.log(15)))
        t += rng.normal(0, 0.35) * np.exp(-(((s - place) / width) ** 2))
    if kind == "cut" and rng.random() < 0.55:
        grain = np.exp(rng.uniform(np.log(0.3), np.log(3)))
        t += rng.choice([rng.uniform(0.01, 0.06), rng.uniform(0.05, 0.2)]) * _rough(rng, s, grain)
    elif rng.random() < 0.3:
        t += rng.uniform(0.01, 0.05) * _rough(rng, s, rng.uniform(1, 5))
    near = np.abs(s) <= fine_mm + 0.01
    t[~near] = np.where(s[~near] < 0, t[near][0], t[near][-1])
    lean = float(rng.choice([0.0, rng.normal(0, 3.0)], p=[0.4, 0.6]))
    crown = float(rng.choice([0.0, rng.uniform(0, 0.002)]))
    shape = section(kind, radius, depth, sheet, -lean if side > 0 else lean, crown)
    face = str(rng.choice(["skin", "bright", "dark"], p=[0.4, 0.35, 0.25]))
    return EdgeScene(
        kind=kind, section=shape, s_mm=s, t_mm=t, lift_mm=lift, finish=draw_finish(rng, finish_name), face=face
    )


def _rough(rng: np.random.Generator, s: FloatArray, grain_mm: float) -> FloatArray:
    fine = np.arange(s[0], s[-1] + 0.1, 0.1)
    x = np.arange(-4 * grain_mm, 4 * grain_mm + 0.1, 0.1)
    kernel = np.exp(-0.5 * (x / grain_mm) ** 2)
    noise = np.convolve(
        rng.standard_normal(len(fine) + len(kernel) - 1), kernel / np.sqrt((kernel**2).sum()), mode="valid"
    )[: len(fine)]
    return np.interp(s, fine, noise)


def _draw_camera(rng: np.random.Generator, px_per_mm: float) -> Camera:
    focal = float(rng.uniform(2700, 3300))
    across = float(np.clip(rng.normal(0, 9), -25, 25))
    along = float(np.clip(rng.normal(0, 8), -25, 25))
    roll = float(rng.choice([0, 90, 180, 270]) + rng.choice([rng.normal(0, 2.5), rng.uniform(-12, 12)], p=[0.7, 0.3]))
    target = float(rng.uniform(-60, 60)), float(rng.choice([rng.normal(0, 12), rng.uniform(-50, 50)]))
    return aim(focal / px_per_mm, across, along, roll, focal, target)


def _look(rng: np.random.Generator, kind: str) -> dict[str, Any]:
    if kind == "rubber":
        return {
            "colour": [float(rng.uniform(0.015, 0.07))] * 3,
            "roughness": float(rng.uniform(0.3, 0.7)),
            "metal": 0.0,
        }
    if kind == "paper":
        return {"colour": [float(rng.uniform(0.65, 0.88))] * 3, "roughness": 0.9, "metal": 0.0}
    value = float(np.exp(rng.uniform(np.log(0.03), np.log(0.8))))
    tint = rng.uniform(0.6, 1.1, 3)
    return {
        "colour": np.clip(value * tint, 0.01, 0.9).tolist(),
        "roughness": float(rng.uniform(0.2, 0.9)),
        "metal": float(rng.random() < 0.2),
    }


def draw_filling(rng: np.random.Generator, filling: str, gap: float, depth: float) -> list[dict[str, Any]]:
    """Draw what lies in a gap of this width over a cavity of this depth [mm]."""
    things: list[dict[str, Any]] = []

    def bar(z: float, t: float, half_w: float, half_h: float, look: str, round_: bool, lean: float = 0.0) -> None:
        things.append(
            {
                "kind": "bar",
                "z": z,
                "t": t,
                "half_w": half_w,
                "half_h": half_h,
                "look": _look(rng, look),
                "round": round_,
                "lean": lean,
                "yaw": float(rng.normal(0, 0.008)),
                "emit": 0.0,
            }
        )

    def seal() -> None:
        radius = rng.uniform(1.5, 6)
        top = rng.uniform(2.5, max(3.0, min(16, depth - 2)))
        t = rng.normal(0, 0.5 * gap)
        bar(-top - radius, t, radius * rng.uniform(0.6, 1.2), radius, "rubber", True)
        if rng.random() < 0.4:
            bar(
                -top - rng.uniform(0, 3),
                t + rng.normal(0, 2),
                rng.uniform(1.5, 5),
                rng.uniform(0.3, 0.8),
                "rubber",
                True,
                float(rng.normal(0, 0.5)),
            )

    def flange() -> None:
        side = rng.choice([-1, 1])
        z = -rng.uniform(3.0, max(4.0, min(25, depth - 1)))
        reach = rng.uniform(-0.3 * gap, 1.5 * gap)
        half = rng.uniform(5, 15)
        bar(
            z,
            side * (gap / 2 + half) - side * reach,
            half,
            rng.uniform(0.4, 1.2),
            "paint",
            False,
            float(rng.normal(0, 0.12)),
        )

    if filling == "seal":
        seal()
        if rng.random() < 0.3:
            flange()
    elif filling == "flange":
        flange()
        if rng.random() < 0.35:
            flange()
        if rng.random() < 0.2:
            seal()
    elif filling == "pinch_weld":
        top = rng.uniform(3, max(4, min(20, depth - 1)))
        bar(
            -0.5 * (top + depth),
            rng.normal(0, 0.3 * gap),
            rng.uniform(0.8, 1.5),
            0.5 * (depth - top) + 0.5,
            "paint",
            False,
        )
        if rng.random() < 0.4:
            flange()
    elif filling == "wires":
        for _ in range(int(rng.integers(1, 5))):
            radius = rng.uniform(0.5, 2.5)
            bar(
                -rng.uniform(3 + radius, max(4 + radius, min(20, depth))),
                rng.normal(0, 0.5 * gap),
                radius,
                radius,
                str(rng.choice(["rubber", "paint"])),
                True,
            )
    elif filling == "card":
        bar(
            -rng.uniform(3, max(3.5, min(30, depth - 0.5))),
            rng.normal(0, 3),
            rng.uniform(gap, 20),
            0.15,
            "paper",
            False,
            float(rng.normal(0, 0.08)),
        )
    elif filling == "lamp":
        z = -rng.uniform(3, max(3.5, min(40, depth - 0.5)))
        if rng.random() < 0.5:
            half, t = rng.uniform(gap, 25), rng.normal(0, 3)
        else:
            half, t = rng.uniform(2.0, 5.5), rng.normal(0, 0.3 * gap)
        bar(z, t, half, 0.2, "paper", False, float(rng.normal(0, 0.08)))
        things[-1]["emit"] = 1.0
        things[-1]["spots_mm"] = float(rng.choice([0.0, rng.uniform(6, 18)]))
        things[-1]["fall_off"] = float(rng.normal(0, 0.3))
        if rng.random() < 0.15:
            seal()
    return things


def _dress(
    rng: np.random.Generator, things: list[dict[str, Any]], finish_a: SurfaceFinish, finish_b: SurfaceFinish
) -> tuple[float, float, float]:
    """Paint what is painted along with the panels; returns the hue of the cavity.

    A gap's flanges and walls often wear a panel's own colour, primer or rust, so that colour alone makes no edge.
    """

    def hue(finish: SurfaceFinish) -> FloatArray:
        mean = finish.colour.mean((0, 1)).astype(float)
        return np.clip(mean / max(float(mean.mean()), 1e-3), 0.05, 2.5)

    for thing in things:
        look = thing.get("look", {})
        if len(set(look.get("colour", [0.0]))) > 1 and rng.random() < 0.4:
            level = float(np.mean(look["colour"]))
            look["colour"] = np.clip(level * hue(finish_a if rng.random() < 0.5 else finish_b), 0.004, 0.9).tolist()
    choice = rng.random()
    if choice < 0.35:
        own = hue(finish_a if rng.random() < 0.5 else finish_b)
    elif choice < 0.55:
        own = np.array([1.5, 0.9, 0.6]) ** rng.uniform(0.2, 1.2)  # rust and old primer
    else:
        own = rng.uniform(0.92, 1.08, 3)
    return float(own[0]), float(own[1]), float(own[2])


def _draw_outside(rng: np.random.Generator, gap: float) -> list[dict[str, Any]]:
    """Strips of printed paper, sealer beads and loose bits on the panels."""
    things: list[dict[str, Any]] = []
    for side in (-1, 1):
        if rng.random() < 0.5:
            start = gap / 2 + 0.5 + (rng.uniform(3, 9) if rng.random() < 0.3 else rng.uniform(9, 40))
            things.append(
                {
                    "kind": "strip",
                    "side": side,
                    "start": float(start),
                    "thick": float(rng.uniform(0.2, 0.8)),
                    "shift": float(rng.uniform(0, 24)),
                    "slope": float(rng.normal(0, 0.02)),
                }
            )
        if rng.random() < 0.06:
            things.append(
                {
                    "kind": "bar",
                    "z": 0.0,
                    "t": side * (gap / 2 + rng.uniform(2.5, 8)),
                    "half_w": float(rng.uniform(0.8, 2.5)),
                    "half_h": float(rng.uniform(0.4, 1.2)),
                    "look": _look(rng, "paint"),
                    "round": True,
                    "lean": 0.0,
                    "yaw": float(rng.normal(0, 0.01)),
                    "emit": 0.0,
                }
            )
    return things


def draw_lights(rng: np.random.Generator, camera: Camera) -> tuple[str, list[dict[str, Any]]]:
    """Draw the key lights: their name, and places, sizes and weights."""
    name = str(
        rng.choice(
            ["bulb", "tube", "window", "sun", "flash", "tubes", "softbox"], p=[0.2, 0.16, 0.2, 0.12, 0.08, 0.14, 0.1]
        )
    )
    lights: list[dict[str, Any]] = []

    def quad(place: FloatArray, half: tuple[float, float], turn: float, weight: float) -> None:
        lights.append({"place": place, "half": half, "turn": turn, "weight": weight})

    def around(low_deg: float, high_deg: float, distance: float) -> FloatArray:
        off, turn = np.radians(rng.uniform(low_deg, high_deg)), rng.uniform(0, 2 * np.pi)
        return distance * np.array([np.sin(off) * np.cos(turn), np.sin(off) * np.sin(turn), np.cos(off)])

    if name == "bulb":
        quad(around(5, 75, rng.uniform(400, 1600)), (float(rng.uniform(8, 40)),) * 2, 0.0, 1.0)
    elif name in ("tube", "tubes"):
        turn = float(rng.choice([0.0, np.pi / 2, rng.uniform(0, np.pi)]))
        for _ in range(1 if name == "tube" else int(rng.integers(2, 5))):
            quad(
                around(0, 60, rng.uniform(700, 2500)),
                (float(rng.uniform(300, 750)), float(rng.uniform(10, 60))),
                turn,
                float(rng.uniform(0.5, 1)),
            )
    elif name == "window":
        quad(
            around(35, 82, rng.uniform(1000, 3500)),
            (float(rng.uniform(300, 1200)), float(rng.uniform(300, 900))),
            0.0,
            1.0,
        )
    elif name == "sun":
        quad(around(10, 78, 5000), (22.0, 22.0), 0.0, 1.0)
    elif name == "flash":
        quad(camera.centre + np.array([rng.uniform(8, 25), rng.uniform(8, 25), 6.0]), (3.0, 3.0), 0.0, 1.0)
    else:
        quad(
            around(10, 60, rng.uniform(500, 1200)), (float(rng.uniform(80, 300)), float(rng.uniform(80, 300))), 0.0, 1.0
        )
    return name, lights


def draw_blockers(rng: np.random.Generator, lights: list[dict[str, Any]], camera: Camera) -> list[FloatArray]:
    """Quads between a light and the band that throw an edge of shadow into it, clear of the camera's view."""
    out: list[FloatArray] = []
    if rng.random() > 0.45:
        return out
    corners = np.array([[x, y, 0.0] for x in (-40, 40) for y in (-16, 16)])
    for _ in range(int(rng.integers(1, 3))):
        source = lights[int(rng.integers(len(lights)))]["place"]
        for _ in range(12):
            foot = np.array([rng.uniform(-22, 22), rng.uniform(-7, 7), 0.0])
            share = rng.uniform(0.04, 0.5)
            middle = foot + share * (source - foot)
            angle = float(
                rng.choice(
                    [rng.normal(0, 0.06), rng.normal(np.pi / 2, 0.3), rng.uniform(0, np.pi)], p=[0.45, 0.3, 0.25]
                )
            )
            along = np.array([np.cos(angle), np.sin(angle), 0.0])
            side = np.array([-along[1], along[0], 0.0]) * rng.choice([-1, 1])
            width = rng.choice([rng.uniform(4, 30), 300.0], p=[0.35, 0.65]) * (1 - share)
            length = 250.0
            quad = np.stack(
                [
                    middle - length * along,
                    middle + length * along,
                    middle + length * along + width * side,
                    middle - length * along + width * side,
                ]
            )
            if middle[2] > 6 and not hides(quad, camera, corners):
                out.append(quad)
                break
    return out


def hides(quad: FloatArray, camera: Camera, corners: FloatArray) -> bool:
    """Whether a level quad stands in the camera's view of the band."""
    z = quad[0, 2]
    if z >= camera.centre[2]:
        return False
    share = (z - corners[:, 2]) / (camera.centre[2] - corners[:, 2])
    seen = corners + share[:, None] * (camera.centre - corners)
    middle, u, v = quad.mean(0), quad[1] - quad[0], quad[3] - quad[0]
    lo, hi = seen[:, :2].min(0) - 8, seen[:, :2].max(0) + 8
    grid = (
        np.stack(np.meshgrid(np.linspace(lo[0], hi[0], 9), np.linspace(lo[1], hi[1], 9)), -1).reshape(-1, 2)
        - middle[:2]
    )
    a = np.abs(grid @ u[:2]) / (u[:2] @ u[:2])
    b = np.abs(grid @ v[:2]) / (v[:2] @ v[:2])
    return bool(((a < 0.5) & (b < 0.5)).any())


def draw_sky(rng: np.random.Generator) -> NDArray[np.float32]:
    """Surroundings as a small latitude picture: top row overhead, with bright and dark patches."""
    h, w = 48, 96
    up = np.linspace(1, -1, h)[:, None]
    sky = np.full((h, w), 1.0) * (0.25 + 0.75 * np.clip(up + rng.uniform(0, 0.8), 0, 1.2))
    for _ in range(int(rng.integers(0, 8))):
        y, x, dy, dx = rng.integers(0, 30), rng.integers(0, w), rng.integers(1, 12), rng.integers(2, 30)
        value = rng.choice([rng.uniform(0.01, 0.25), rng.uniform(2, 12)])
        sky[y : y + dy, x : x + dx] = value
    if rng.random() < 0.4:
        sky *= 1 + 0.9 * np.sin(np.linspace(0, 2 * np.pi, w) + rng.uniform(0, 6.3))[None]
    tint = rng.uniform(0.85, 1.1, 3)
    return np.maximum(sky[..., None] * tint, 0.003).astype(np.float32)
