"""Ray-trace a scene with Mitsuba 3: one pass for each group of lights, to be mixed later.

``llvm_ad_rgb`` needs a libLLVM (environment variable DRJIT_LIBLLVM_PATH, version
19 worked, 14 did not), ``cuda_ad_rgb`` an Nvidia card, ``scalar_rgb`` nothing.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.training.camera import PHOTO_HEIGHT_PX, PHOTO_WIDTH_PX
from gapvision.training.finishes import ALONG_MM, ROLL_MM, SKIN_MM, Finish
from gapvision.training.scenes import FAR_MM, HALF_LENGTH_MM, HALF_WIDTH_MM, EdgeScene, Scene

FloatArray = NDArray[np.float64]

_MAX_DEPTH = 6
_WALL_MM = 45.0
_MARGIN_PX = 24


def crop_box(scene: Scene) -> tuple[int, int, int, int]:
    """Part of the photo that holds the band with a margin: x0, y0, width, height [px]."""
    corners = np.array(
        [[s, t, z] for s in (-HALF_LENGTH_MM, HALF_LENGTH_MM) for t in (-HALF_WIDTH_MM, HALF_WIDTH_MM) for z in (0.0,)]
    )
    px = scene.camera.project(corners)
    x0, y0 = np.floor(px.min(0)).astype(int) - _MARGIN_PX
    x1, y1 = np.ceil(px.max(0)).astype(int) + _MARGIN_PX
    x0, y0 = max(x0, 0), max(y0, 0)
    x1, y1 = min(x1, PHOTO_WIDTH_PX), min(y1, PHOTO_HEIGHT_PX)
    return x0, y0, max(x1 - x0, 16), max(y1 - y0, 16)


def render_passes(scene: Scene, samples: int, variant: str) -> dict[str, NDArray[np.float32]]:
    """Render a scene under each group of lights alone.

    Parameters
    ----------
    scene : Scene
    samples : int
        Rays per pixel and pass.
    variant : str
        Mitsuba's variant.

    Returns
    -------
    dict
        ``key``, ``fill`` and, where something in the gap shines, ``lamp``: pictures (H, W, 3), linear light.
    """
    import mitsuba as mi

    if mi.variant() != variant:
        mi.set_variant(variant)
    shapes, lamps = _shapes(mi, scene)
    base = {
        "type": "scene",
        "integrator": {"type": "path", "max_depth": _MAX_DEPTH, "rr_depth": 12},
        "sensor": _sensor(mi, scene, samples),
        **shapes,
    }
    groups: dict[str, dict[str, Any]] = {
        "key": {f"light{i}": _area_light(mi, light) for i, light in enumerate(scene.lights)},
        "fill": {
            "sky": {
                "type": "envmap",
                "bitmap": mi.Bitmap(scene.sky),
                "to_world": mi.ScalarTransform4f().rotate([1, 0, 0], 90),
            }
        },
    }
    if lamps:
        groups["lamp"] = lamps
    out = {}
    for k, (name, emitters) in enumerate(groups.items()):
        things = dict(base)
        for j, quad in enumerate(scene.blockers if name == "key" else []):
            things[f"blocker{j}"] = _quad_mesh(mi, quad, _plain(mi, [0.05] * 3, 0.8, 0.0))
        world = mi.load_dict({**things, **emitters})
        image = np.array(mi.render(world, seed=(scene.seed * 7 + k) % 2**31), dtype=np.float32)
        out[name] = _without_fireflies(image)
    return out


def _without_fireflies(image: NDArray[np.float32]) -> NDArray[np.float32]:
    """Take down single pixels far above every neighbour: rays that met a light by luck."""
    import cv2

    level = image.max(2)
    ring = np.ones((3, 3), np.uint8)
    ring[1, 1] = 0
    cap = 1.5 * cv2.dilate(level, ring) + 1e-6
    return image * np.minimum(1, cap / np.maximum(level, 1e-9))[..., None]


def _sensor(mi: Any, scene: Scene, samples: int) -> dict[str, Any]:
    cam = scene.camera
    right, down, forward = cam.rotation
    world = np.eye(4)
    world[:3, 0], world[:3, 1], world[:3, 2], world[:3, 3] = -right, -down, forward, cam.centre
    x0, y0, w, h = crop_box(scene)
    return {
        "type": "perspective",
        "fov_axis": "x",
        "fov": float(np.degrees(2 * np.arctan(PHOTO_WIDTH_PX / 2 / cam.focal_px))),
        "near_clip": 5.0,
        "far_clip": 20000.0,
        "to_world": mi.ScalarTransform4f(world),
        "film": {
            "type": "hdrfilm",
            "width": PHOTO_WIDTH_PX,
            "height": PHOTO_HEIGHT_PX,
            "crop_offset_x": int(x0),
            "crop_offset_y": int(y0),
            "crop_width": int(w),
            "crop_height": int(h),
            "rfilter": {"type": "box"},
            "pixel_format": "rgb",
            "component_format": "float32",
        },
        "sampler": {"type": "independent", "sample_count": samples},
    }


def _texture(mi: Any, data: NDArray[np.float32]) -> dict[str, Any]:
    return {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(data)), "raw": True, "wrap_mode": "mirror"}


def _surface(
    mi: Any, colour: Any, rough: Any, metal: Any, anisotropy: float = 0.0, clear: float = 0.0
) -> dict[str, Any]:
    return {
        "type": "twosided",
        "inner": {
            "type": "principled",
            "base_color": _texture(mi, colour),
            "roughness": _texture(mi, rough),
            "metallic": _texture(mi, metal),
            "anisotropic": {"type": "uniform", "value": anisotropy},
            "clearcoat": {"type": "uniform", "value": clear},
            "clearcoat_gloss": {"type": "uniform", "value": 0.92},
            "specular": 0.5,
        },
    }


def _plain(mi: Any, colour: list[float], rough: float, metal: float) -> dict[str, Any]:
    one = np.ones((2, 2, 1), np.float32)
    return _surface(
        mi, np.broadcast_to(np.array(colour, np.float32), (2, 2, 3)), one * np.float32(rough), one * np.float32(metal)
    )


def _finish(mi: Any, finish: Finish) -> dict[str, Any]:
    # Texture rows count from the bottom, v = 0, upwards.
    return _surface(
        mi, finish.colour[::-1], finish.roughness[::-1], finish.metal[::-1], finish.anisotropy, finish.clear_coat
    )


def _grid_mesh(mi: Any, vertices: FloatArray, normals: FloatArray, uv: FloatArray, bsdf: Any) -> Any:
    """Mesh from a grid of vertices (n_s, n_points, 3)."""
    n, m = vertices.shape[:2]
    i = (np.arange(n - 1)[:, None] * m + np.arange(m - 1)[None]).ravel()
    faces = np.concatenate([np.stack([i, i + m, i + 1], 1), np.stack([i + 1, i + m, i + m + 1], 1)])
    props = mi.Properties()
    props["bsdf"] = mi.load_dict(bsdf)
    mesh = mi.Mesh("grid", n * m, len(faces), has_vertex_normals=True, has_vertex_texcoords=True, props=props)
    params = mi.traverse(mesh)
    params["vertex_positions"] = np.ascontiguousarray(vertices, np.float32).ravel()
    params["vertex_normals"] = np.ascontiguousarray(normals, np.float32).ravel()
    params["vertex_texcoords"] = np.ascontiguousarray(uv, np.float32).ravel()
    params["faces"] = np.ascontiguousarray(faces, np.uint32).ravel()
    params.update()
    return mesh


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


def edge_vertices(edge: EdgeScene, side: int) -> tuple[FloatArray, FloatArray]:
    """Vertices and normals (n_s, n_points, 3) of a panel edge; side -1 = A, +1 = B."""
    return _extrude(
        edge.section.points, edge.section.normals, edge.s_mm, edge.t_mm, np.full(len(edge.s_mm), edge.lift_mm), side
    )


def _uv(s: FloatArray, points: FloatArray, start: int) -> FloatArray:
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    v = (length - length[start] + SKIN_MM) / (SKIN_MM + ROLL_MM)
    u = (s + ALONG_MM / 2) / ALONG_MM
    return np.stack(np.broadcast_arrays(u[:, None], v[None]), -1)


def _shapes(mi: Any, scene: Scene) -> tuple[dict[str, Any], dict[str, Any]]:
    """Instantiate everything but lights; second: what shines in the gap."""
    shapes: dict[str, Any] = {}
    lamps: dict[str, Any] = {}
    for label, edge, side in (("a", scene.edge_a, -1), ("b", scene.edge_b, 1)):
        vertices, normals = edge_vertices(edge, side)
        part = edge.section
        start = int(
            np.argmax(part.points[:, 0] > -0.5)
            if part.n_skin < 3
            else max(1, np.flatnonzero(np.diff(part.points[:, 1]) < -1e-6)[0])
        )
        uv = _uv(edge.s_mm, part.points, start)
        n = part.n_skin
        skin = _finish(mi, edge.finish)
        shapes["panel_" + label] = _grid_mesh(mi, vertices[:, :n], normals[:, :n], uv[:, :n], skin)
        if n < len(part.points):
            face = (
                skin
                if edge.face == "skin"
                else _plain(
                    mi, [0.5] * 3 if edge.face == "bright" else [0.03] * 3, 0.45, 1.0 if edge.face == "bright" else 0.0
                )
            )
            shapes["face_" + label] = _grid_mesh(mi, vertices[:, n:], normals[:, n:], uv[:, n:], face)
    shapes.update(_cavity(mi, scene))
    for k, thing in enumerate(scene.things):
        if thing["kind"] == "strip":
            shapes[f"thing{k}"] = _strip(mi, thing, scene.edge_b.lift_mm if thing["side"] > 0 else 0.0)
            continue
        shapes[f"thing{k}"] = _bar(mi, thing)
        if thing["emit"] > 0:
            lamps[f"glow{k}"] = _glow(mi, thing)
    return shapes, lamps


def _cavity(mi: Any, scene: Scene) -> dict[str, Any]:
    look = _plain(mi, [scene.floor_albedo] * 3, 0.7, 0.0)
    d, f, w = scene.depth_mm, FAR_MM, _WALL_MM

    def quad(*corners: tuple[float, float, float]) -> Any:
        return _quad_mesh(mi, np.array(corners, float), look)

    return {
        "floor": quad((-f, -w, -d), (f, -w, -d), (f, w, -d), (-f, w, -d)),
        "wall_a": quad((-f, -w, -d), (f, -w, -d), (f, -w, 0), (-f, -w, 0)),
        "wall_b": quad((-f, w, -d), (f, w, -d), (f, w, 0), (-f, w, 0)),
        "end_a": quad((-f + 1, -w, -d), (-f + 1, w, -d), (-f + 1, w, 0), (-f + 1, -w, 0)),
        "end_b": quad((f - 1, -w, -d), (f - 1, w, -d), (f - 1, w, 0), (f - 1, -w, 0)),
    }


def _quad_mesh(mi: Any, corners: FloatArray, bsdf: Any) -> Any:
    normal = np.cross(corners[1] - corners[0], corners[3] - corners[0])
    normal = normal / np.linalg.norm(normal)
    grid = corners[[0, 3, 1, 2]].reshape(2, 2, 3)
    uv = np.array([[[0.0, 0], [0, 1]], [[1, 0], [1, 1]]])
    return _grid_mesh(mi, grid, np.broadcast_to(normal, (2, 2, 3)), uv, bsdf)


def _bar(mi: Any, thing: dict[str, Any]) -> Any:
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
    uv = _uv(along, points, 0)
    look = thing["look"]
    return _grid_mesh(mi, vertices, directions, uv, _plain(mi, look["colour"], look["roughness"], look["metal"]))


def _glow(mi: Any, thing: dict[str, Any]) -> dict[str, Any]:
    """A shining sheet on top of a bar; with spots of its lamps where it has them."""
    x = np.linspace(-FAR_MM, FAR_MM, 2048)
    strength = 1 + thing["fall_off"] * x / HALF_LENGTH_MM
    if thing["spots_mm"] > 0:
        strength = strength * (0.35 + 1.3 * np.cos(np.pi * x / thing["spots_mm"]) ** 4)
    glow = np.broadcast_to(np.clip(strength, 0.02, 4)[None, :, None], (2, 2048, 3)).astype(np.float32)
    tr = mi.ScalarTransform4f()
    place = (
        tr.translate([0, thing["t"], thing["z"] + thing["half_h"] + 0.05])
        @ tr.rotate([0, 0, 1], float(np.degrees(thing["yaw"])))
        @ tr.rotate([1, 0, 0], float(np.degrees(thing["lean"])))
    )
    return {
        "type": "rectangle",
        "to_world": place @ tr.scale([FAR_MM - 2, thing["half_w"], 1]),
        "emitter": {"type": "area", "radiance": _texture(mi, glow)},
    }


def _strip(mi: Any, thing: dict[str, Any], lift: float) -> Any:
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
    one = np.ones((2, 2, 1), np.float32)
    return _grid_mesh(mi, grid, np.broadcast_to([0.0, 0, 1], grid.shape), uv, _surface(mi, cells, 0.85 * one, 0 * one))


def _area_light(mi: Any, light: dict[str, Any]) -> dict[str, Any]:
    place = np.asarray(light["place"], float)
    t = mi.ScalarTransform4f().look_at(
        origin=place.tolist(), target=[0, 0, 0], up=[float(np.cos(light["turn"])), float(np.sin(light["turn"])), 0.01]
    )
    area = 4 * light["half"][0] * light["half"][1]
    power = light["weight"] * float(place @ place) / area
    # The rectangle's long side (x) lies square to "up"; a turn of 0 means a tube along t.
    return {
        "type": "rectangle",
        "to_world": t @ mi.ScalarTransform4f().scale([light["half"][0], light["half"][1], 1]),
        "emitter": {"type": "area", "radiance": {"type": "rgb", "value": [power] * 3}},
    }
