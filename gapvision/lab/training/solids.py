"""A scene as meshes with their looks: plain arrays, nothing rendered here."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.training.finishes import ALONG_MM, ROLL_MM, SKIN_MM, SurfaceFinish
from gapvision.lab.training.scenes import FAR_MM, EdgeScene, Scene

FloatArray = NDArray[np.float64]
Map = NDArray[np.float32]

_WALL_MM = 45.0
# Of a square of half side 1, counter-clockwise seen from +z, to which it faces.
_CORNERS = np.array([[-1.0, -1, 0], [1, -1, 0], [1, 1, 0], [-1, 1, 0]])
_OUT_OF_SIGHT = _CORNERS + np.array([0.0, 0.0, -5000.0])


@dataclass(frozen=True, slots=True, kw_only=True)
class Plain:
    """The same look all over.

    Attributes
    ----------
    colour : tuple of float
        Red, green, blue, linear, 0 to 1.
    roughness, metal : float
        0 to 1.
    """

    colour: tuple[float, float, float]
    roughness: float
    metal: float


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Print:
    """Matt paper with a picture.

    Attributes
    ----------
    colour : ndarray, shape (rows, columns, 3)
    """

    colour: Map


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class Solid:
    """One mesh over a grid of vertices.

    Attributes
    ----------
    vertices, normals : ndarray, shape (n, m, 3)
        Places [mm] and directions.
    uv : ndarray, shape (n, m, 2)
        Place in the look's maps, 0 to 1.
    look : SurfaceFinish, Print or Plain
    radiance : ndarray, shape (rows, columns, 3), or None
        Light given off towards the normals.
    """

    vertices: FloatArray
    normals: FloatArray
    uv: FloatArray
    look: SurfaceFinish | Print | Plain
    radiance: Map | None = None


# What shines needs a look with a place of its own for every point: light is drawn by its place in the map.
_LAMP = Print(colour=np.full((2, 2, 3), 0.5, np.float32))
_BLACK = Plain(colour=(0.05, 0.05, 0.05), roughness=0.8, metal=0.0)
FACES = {
    "bright": Plain(colour=(0.5, 0.5, 0.5), roughness=0.45, metal=1.0),
    "dark": Plain(colour=(0.03, 0.03, 0.03), roughness=0.45, metal=0.0),
}


def standing(scene: Scene) -> list[Solid]:
    """All that is there under every light: panels, cavity, what lies in the gap and on the panels."""
    out = []
    for edge, side in ((scene.edge_a, -1), (scene.edge_b, 1)):
        vertices, normals = edge_vertices(edge, side)
        part = edge.section
        start = int(
            np.argmax(part.points[:, 0] > -0.5)
            if part.n_skin < 3
            else max(1, np.flatnonzero(np.diff(part.points[:, 1]) < -1e-6)[0])
        )
        uv = _uv(edge.s_mm, part.points, start)
        n = part.n_skin
        out.append(Solid(vertices=vertices[:, :n], normals=normals[:, :n], uv=uv[:, :n], look=edge.finish))
        if n < len(part.points):
            face = edge.finish if edge.face == "skin" else FACES[edge.face]
            out.append(Solid(vertices=vertices[:, n:], normals=normals[:, n:], uv=uv[:, n:], look=face))
    out += _cavity(scene)
    for thing in scene.things:
        if thing["kind"] == "strip":
            out.append(_strip(thing, scene.edge_b.lift_mm if thing["side"] > 0 else 0.0))
        else:
            out.append(bar(thing))
    return out


def blockers(scene: Scene) -> list[Solid]:
    """What throws shadows from the lights into the band."""
    return [_quad(corners, _BLACK) for corners in scene.blockers]


def lights(scene: Scene) -> list[Solid]:
    """Lamps, tubes, windows and the sun."""
    return [light_solid(light) for light in scene.lights]


def glows(scene: Scene) -> list[Solid]:
    """What shines in the gap; empty where nothing does."""
    lamps = (thing for thing in scene.things if thing["kind"] == "bar" and thing["emit"] > 0)
    return [glow(thing, scene.half_length_mm) for thing in lamps]


def idle(look: Print | Plain = _BLACK) -> Solid:
    """A mesh that no ray meets, to fill up a number."""
    return _quad(_OUT_OF_SIGHT, look)


def edge_vertices(edge: EdgeScene, side: int) -> tuple[FloatArray, FloatArray]:
    """Vertices and normals (n_s, n_points, 3) of a panel edge; side -1 = A, +1 = B."""
    return _extrude(
        edge.section.points, edge.section.normals, edge.s_mm, edge.t_mm, np.full(len(edge.s_mm), edge.lift_mm), side
    )


def _extrude(
    points: FloatArray, normals: FloatArray, s: FloatArray, t: FloatArray, z: FloatArray, side: int
) -> tuple[FloatArray, FloatArray]:
    """Draw a section (u, z) along the seam; side -1: u grows with t, side +1: against it."""
    n, m = len(s), len(points)
    vertices = np.empty((n, m, 3))
    vertices[..., 0] = s[:, None]
    vertices[..., 1] = t[:, None] - side * points[None, :, 0]
    vertices[..., 2] = z[:, None] + points[None, :, 1]
    direction = np.stack([np.zeros(m), -side * normals[:, 0], normals[:, 1]], 1)
    return vertices, np.broadcast_to(direction, (n, m, 3))


def _uv(s: FloatArray, points: FloatArray, start: int) -> FloatArray:
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    v = (length - length[start] + SKIN_MM) / (SKIN_MM + ROLL_MM)
    u = (s + ALONG_MM / 2) / ALONG_MM
    return np.stack(np.broadcast_arrays(u[:, None], v[None]), -1)


def _quad(corners: FloatArray, look: SurfaceFinish | Print | Plain, radiance: Map | None = None) -> Solid:
    """Flat quad from its corners in turn; u runs from the first corner to the second."""
    normal = np.cross(corners[1] - corners[0], corners[3] - corners[0])
    normal = normal / np.linalg.norm(normal)
    return Solid(
        vertices=corners[[0, 3, 1, 2]].reshape(2, 2, 3),
        normals=np.broadcast_to(normal, (2, 2, 3)),
        uv=np.array([[[0.0, 0], [0, 1]], [[1, 0], [1, 1]]]),
        look=look,
        radiance=radiance,
    )


def _cavity(scene: Scene) -> list[Solid]:
    red, green, blue = (min(scene.floor_albedo * v, 0.9) for v in scene.floor_hue)
    look = Plain(colour=(red, green, blue), roughness=0.7, metal=0.0)
    d, f, w = scene.depth_mm, FAR_MM, _WALL_MM
    walls = [
        [(-f, -w, -d), (f, -w, -d), (f, w, -d), (-f, w, -d)],
        [(-f, -w, -d), (f, -w, -d), (f, -w, 0), (-f, -w, 0)],
        [(-f, w, -d), (f, w, -d), (f, w, 0), (-f, w, 0)],
        [(-f + 1, -w, -d), (-f + 1, w, -d), (-f + 1, w, 0), (-f + 1, -w, 0)],
        [(f - 1, -w, -d), (f - 1, w, -d), (f - 1, w, 0), (f - 1, -w, 0)],
    ]
    return [_quad(np.array(corners, float), look) for corners in walls]


def bar(thing: dict[str, Any]) -> Solid:
    """A seal, flange, wire or card along the seam."""
    if thing["round"]:
        angle = np.radians(np.linspace(0, 360, 33))
        points = np.stack([thing["half_w"] * np.cos(angle), thing["half_h"] * np.sin(angle)], 1)
        normals = np.stack([np.cos(angle) / thing["half_w"], np.sin(angle) / thing["half_h"]], 1)
    else:
        w, h = thing["half_w"], thing["half_h"]
        points = np.array([[-w, h], [w, h], [w, h], [w, -h], [w, -h], [-w, -h], [-w, -h], [-w, h]])
        normals = np.array([[0, 1], [0, 1], [1, 0], [1, 0], [0, -1], [0, -1], [-1, 0], [-1, 0]], float)
    normals = normals / np.linalg.norm(normals, axis=1, keepdims=True)
    c, s = np.cos(thing["lean"]), np.sin(thing["lean"])
    turn = np.array([[c, -s], [s, c]])
    points, normals = points @ turn.T, normals @ turn.T
    along = np.array([-FAR_MM + 2, -45, -15, 15, 45, FAR_MM - 2])
    t = thing["t"] + thing["yaw"] * along
    vertices, directions = _extrude(points, normals, along, t, np.full(len(along), thing["z"]), -1)
    look = thing["look"]
    return Solid(
        vertices=vertices,
        normals=directions,
        uv=_uv(along, points, 0),
        look=Plain(colour=tuple(look["colour"]), roughness=look["roughness"], metal=look["metal"]),
    )


def glow(thing: dict[str, Any], half_length_mm: float) -> Solid:
    """A shining sheet on top of a bar; with spots of its lamps where it has them."""
    x = np.linspace(-FAR_MM, FAR_MM, 2048)
    strength = 1 + thing["fall_off"] * x / half_length_mm
    if thing["spots_mm"] > 0:
        strength = strength * (0.35 + 1.3 * np.cos(np.pi * x / thing["spots_mm"]) ** 4)
    glow = np.broadcast_to(np.clip(strength, 0.02, 4)[None, :, None], (2, 2048, 3)).astype(np.float32)
    c, sn = np.cos(thing["lean"]), np.sin(thing["lean"])
    cy, sy = np.cos(thing["yaw"]), np.sin(thing["yaw"])
    turn = np.array([[cy, -sy, 0], [sy, cy, 0], [0, 0, 1]]) @ np.array([[1, 0, 0], [0, c, -sn], [0, sn, c]])
    half = np.array([FAR_MM - 2, thing["half_w"], 1])
    middle = np.array([0, thing["t"], thing["z"] + thing["half_h"] + 0.05])
    return _quad((_CORNERS * half) @ turn.T + middle, _LAMP, glow)


def _strip(thing: dict[str, Any], lift: float) -> Solid:
    """A strip of paper with a white margin of 4 mm and black and white squares of 12 mm."""
    side, start = thing["side"], thing["start"]
    cells = np.full((88, 496, 3), 0.78, np.float32)
    for i in range(3):
        for j in range(40):
            if (i + j) % 2 == 0:
                x = int(2 * (12 * j - thing["shift"]))
                cells[8 + 24 * i : 8 + 24 * i + 24, max(x, 0) : max(x + 24, 0)] = 0.035
    along = np.array([-FAR_MM, 0, FAR_MM])
    t = side * start + thing["slope"] * along * 0.5
    z = lift + thing["thick"]
    grid = np.stack([np.stack([along, t, np.full(3, z)], 1), np.stack([along, t + side * 44.0, np.full(3, z)], 1)], 1)
    u = (along + 124.0) / 248.0
    uv = np.stack([np.stack([u, np.zeros(3)], 1), np.stack([u, np.ones(3)], 1)], 1)
    return Solid(vertices=grid, normals=np.broadcast_to([0.0, 0, 1], grid.shape), uv=uv, look=Print(colour=cells))


def light_solid(light: dict[str, Any]) -> Solid:
    """A lamp, tube or window, turned towards the seam's middle."""
    place = np.asarray(light["place"], float)
    forward = -place / np.linalg.norm(place)
    up = np.array([np.cos(light["turn"]), np.sin(light["turn"]), 0.01])
    # The rectangle's long side (x) lies square to "up"; a turn of 0 means a tube along t.
    side = np.cross(up, forward)
    side /= np.linalg.norm(side)
    axes = np.stack([side, np.cross(forward, side), forward])
    half = np.array([*light["half"], 1.0])
    area = 4 * light["half"][0] * light["half"][1]
    power = light["weight"] * float(place @ place) / area
    return _quad((_CORNERS * half) @ axes + place, _LAMP, np.full((2, 2, 3), power, np.float32))
