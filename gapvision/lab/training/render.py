"""Ray-trace a scene with Mitsuba 3: one pass for each group of lights, to be mixed later.

``llvm_ad_rgb`` needs a libLLVM (environment variable DRJIT_LIBLLVM_PATH, version
19 worked, 14 did not), ``cuda_ad_rgb`` an Nvidia card, ``scalar_rgb`` nothing.
"""

from __future__ import annotations

import gc
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.scenes.space import Lens
from gapvision.lab.training.camera import PHOTO_HEIGHT_PX, PHOTO_WIDTH_PX
from gapvision.lab.training.finishes import SurfaceFinish
from gapvision.lab.training.scenes import HALF_WIDTH_MM, Scene
from gapvision.lab.training.solids import Plain, Print, Solid, blockers, glows, idle, lights, standing

_MAX_DEPTH = 6
_MARGIN_PX = 24
# Every scene is filled up to so many meshes without light, as many as a scene can have, and to two
# printed strips, so that the compiled kernels of one scene serve the next.
_SOLIDS = 20
_PRINTS = 2
_SOLIDS_WHOLE = 24
_RAYS_AT_ONCE = 16_000_000
_PALETTE = 32
_ONE = np.ones((2, 2, 1), np.float32)
_BLANK = np.zeros((2, 2, 3), np.float32)


def crop_box(scene: Scene) -> tuple[int, int, int, int]:
    """Part of the photo that holds the band with a margin: x0, y0, width, height [px]."""
    corners = np.array(
        [[s, t, 0.0] for s in (-scene.half_length_mm, scene.half_length_mm) for t in (-HALF_WIDTH_MM, HALF_WIDTH_MM)]
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
    integrator = mi.load_dict({"type": "path", "max_depth": _MAX_DEPTH, "rr_depth": 12})
    groups = {"key": (blockers(scene), lights(scene)), "fill": ([], []), "lamp": ([], glows(scene))}
    if not groups["lamp"][1]:
        del groups["lamp"]
    always = standing(scene)
    out = {}
    for k, (name, (more, shining)) in enumerate(groups.items()):
        dark = always + more
        dark += [idle(Print(colour=_BLANK)) for _ in range(_PRINTS - sum(isinstance(s.look, Print) for s in dark))]
        dark += [idle()] * (_SOLIDS - len(dark))
        world = mi.load_dict(
            {
                "type": "scene",
                **{f"solid{i}": mesh for i, mesh in enumerate(_meshes(mi, dark + shining))},
                **({"sky": _sky(mi, scene.sky)} if name == "fill" else {}),
            }
        )
        out[name] = _without_fireflies(_trace(mi, integrator, world, scene, samples, (scene.seed * 7 + k) % 2**31))
        # Kernels number the objects alive: these must be gone for the next scene to meet the same kernels.
        del world
        gc.collect()
    return out


def _trace(mi: Any, integrator: Any, world: Any, scene: Scene, samples: int, seed: int) -> NDArray[np.float32]:
    """Mean light of the rays through each pixel of the crop, shape (H, W, 3).

    The rays are made here and not by one of the renderer's sensors: what differs from
    scene to scene (size and place of the crop, pose) must reach the kernels as data.  As
    constants it would have every kernel compiled anew, which took longer than tracing.
    """
    import drjit as dr

    x0, y0, w, h = crop_box(scene)
    cam = scene.camera
    count = w * h * samples

    def number(value: float) -> Any:
        return dr.opaque(mi.Float, float(value))

    sampler = mi.load_dict({"type": "independent"})
    sampler.seed(dr.opaque(mi.UInt32, seed), count)
    pixel = dr.arange(mi.UInt32, count) // dr.opaque(mi.UInt32, samples)
    row = pixel // dr.opaque(mi.UInt32, w)
    column = pixel - row * dr.opaque(mi.UInt32, w)
    spot = sampler.next_2d()
    # Pixel centres lie at whole numbers; a pixel is a box of half a pixel either side.
    x = (mi.Float(column) + spot.x + number(x0 - 0.5 - (PHOTO_WIDTH_PX - 1) / 2)) / number(cam.focal_px)
    y = (mi.Float(row) + spot.y + number(y0 - 0.5 - (PHOTO_HEIGHT_PX - 1) / 2)) / number(cam.focal_px)
    right, down, forward = ([number(v) for v in axis] for axis in cam.rotation)
    direction = dr.normalize(mi.Vector3f(*(right[i] * x + down[i] * y + forward[i] for i in range(3))))
    origin = mi.Point3f(*(number(v) for v in cam.centre))
    ray = mi.RayDifferential3f(mi.Ray3f(origin, direction))
    light, _, _ = integrator.sample(world, sampler, ray)
    dr.eval(light)
    channels = [np.array(dr.block_reduce(dr.ReduceOp.Add, light[i], samples)) / samples for i in range(3)]
    return np.stack(channels, -1).reshape(h, w, 3).astype(np.float32)


def trace_pixels(
    world: tuple[list[Solid], list[Solid], NDArray[np.float32]],
    lens: Lens,
    rows: NDArray[np.int64],
    columns: NDArray[np.int64],
    samples: int,
    variant: str,
    seed: int,
) -> NDArray[np.float32]:
    """Mean light of the rays through some pixels of a whole photo, under all lights at once.

    Parameters
    ----------
    world : tuple
        Solids that do not shine, those that do, and the sky (h, w, 3).
    lens : Lens
        With its distortion.
    rows, columns : ndarray, shape (n,)
        The pixels.
    samples : int
        Rays for each.
    variant : str
        Mitsuba's.
    seed : int

    Returns
    -------
    ndarray, shape (n, 3)
    """
    import drjit as dr
    import mitsuba as mi

    if mi.variant() != variant:
        mi.set_variant(variant)
    dark, shining, sky = world
    dark = dark + [idle()] * (_SOLIDS_WHOLE - len(dark))
    solids = {f"solid{i}": mesh for i, mesh in enumerate(_meshes(mi, dark + shining))}
    scene = mi.load_dict({"type": "scene", **solids, "sky": _sky(mi, sky)})
    integrator = mi.load_dict({"type": "path", "max_depth": _MAX_DEPTH, "rr_depth": 12})

    def number(value: float) -> Any:
        return dr.opaque(mi.Float, float(value))

    k1, k2 = number(lens.k1), number(lens.k2)
    right, down, forward = ([number(v) for v in axis] for axis in lens.rotation)
    origin = mi.Point3f(*(number(v) for v in lens.position))
    out = np.empty((len(rows), 3), np.float32)
    most = max(_RAYS_AT_ONCE // samples, 1)
    for start in range(0, len(rows), most):
        part = slice(start, start + most)
        n = len(rows[part])
        sampler = mi.load_dict({"type": "independent"})
        sampler.seed(dr.opaque(mi.UInt32, (seed * 131 + start // most) % 2**31), n * samples)
        pixel = dr.arange(mi.UInt32, n * samples) // dr.opaque(mi.UInt32, samples)
        spot = sampler.next_2d()
        column = dr.gather(mi.Float, mi.Float(columns[part].astype(np.float32)), pixel)
        row = dr.gather(mi.Float, mi.Float(rows[part].astype(np.float32)), pixel)
        x = (column + spot.x - number(0.5 + lens.centre[0])) / number(lens.focal)
        y = (row + spot.y - number(0.5 + lens.centre[1])) / number(lens.focal)
        bent = dr.sqrt(x * x + y * y)
        r = mi.Float(bent)
        for _ in range(6):  # Newton, as `Lens.rays` has it
            r2 = r * r
            r = r - (r * (1 + r2 * (k1 + r2 * k2)) - bent) / (1 + r2 * (3 * k1 + 5 * r2 * k2))
        straight = r / dr.maximum(bent, 1e-9)
        x, y = x * straight, y * straight
        direction = dr.normalize(mi.Vector3f(*(right[i] * x + down[i] * y + forward[i] for i in range(3))))
        ray = mi.RayDifferential3f(mi.Ray3f(origin, direction))
        light, _, _ = integrator.sample(scene, sampler, ray)
        dr.eval(light)
        for i in range(3):
            out[part, i] = np.array(dr.block_reduce(dr.ReduceOp.Add, light[i], samples)) / samples
    del scene, solids
    gc.collect()
    return out


def _without_fireflies(image: NDArray[np.float32]) -> NDArray[np.float32]:
    """Take down single pixels far above every neighbour: rays that met a light by luck."""
    import cv2

    level = image.max(2)
    ring = np.ones((3, 3), np.uint8)
    ring[1, 1] = 0
    cap = 1.5 * cv2.dilate(level, ring) + 1e-6
    return image * np.minimum(1, cap / np.maximum(level, 1e-9))[..., None]


def _texture(mi: Any, data: NDArray[np.float32]) -> dict[str, Any]:
    return {"type": "bitmap", "bitmap": mi.Bitmap(np.ascontiguousarray(data)), "raw": True, "wrap_mode": "mirror"}


def _sky(mi: Any, sky: NDArray[np.float32]) -> dict[str, Any]:
    return {
        "type": "envmap",
        "bitmap": mi.Bitmap(sky),
        "to_world": mi.ScalarTransform4f().rotate([1, 0, 0], 90),
    }


def _surface(mi: Any, colour: Any, rough: Any, metal: Any, *, even: bool = False, coat: tuple[float, float]) -> Any:
    """A two-sided surface from its maps; ``coat``: anisotropy and clear coat; ``even``: maps without smoothing."""

    def mapped(data: NDArray[np.float32]) -> dict[str, Any]:
        return _texture(mi, data) | ({"filter_type": "nearest"} if even else {})

    def one(value: float) -> dict[str, Any]:
        # As data: a constant would be compiled into the kernel.
        return _texture(mi, _ONE * np.float32(value))

    return mi.load_dict(
        {
            "type": "twosided",
            "inner": {
                "type": "principled",
                "base_color": mapped(colour),
                "roughness": mapped(rough),
                "metallic": mapped(metal),
                "anisotropic": one(coat[0]),
                "clearcoat": one(coat[1]),
                "clearcoat_gloss": one(0.92),
                "specular": 0.5,
            },
        }
    )


def _meshes(mi: Any, solids: list[Solid]) -> list[Any]:
    """Instantiate meshes; all plain looks share one surface, since each surface costs time in every kernel."""
    plain = list(dict.fromkeys(s.look for s in solids if isinstance(s.look, Plain)))
    if len(plain) > _PALETTE:
        raise RuntimeError(f"{len(plain)} plain looks in a scene, room for {_PALETTE}")
    colour = np.zeros((2, _PALETTE, 3), np.float32)
    rough, metal = (np.zeros((2, _PALETTE, 1), np.float32) for _ in range(2))
    for i, look in enumerate(plain):
        colour[:, i], rough[:, i], metal[:, i] = look.colour, look.roughness, look.metal
    palette = _surface(mi, colour, rough, metal, even=True, coat=(0.0, 0.0))
    surfaces = {}
    for solid in solids:
        look = solid.look
        if isinstance(look, SurfaceFinish) and id(look) not in surfaces:
            # Texture rows count from the bottom, v = 0, upwards.
            maps = look.colour[::-1], look.roughness[::-1], look.metal[::-1]
            surfaces[id(look)] = _surface(mi, *maps, coat=(look.anisotropy, look.clear_coat))
        elif isinstance(look, Print):
            surfaces[id(look)] = _surface(mi, look.colour, _ONE * 0.85, _ONE * 0, coat=(0.0, 0.0))
    out = []
    for solid in solids:
        look, uv = solid.look, solid.uv
        if isinstance(look, Plain):
            uv = np.broadcast_to([(plain.index(look) + 0.5) / _PALETTE, 0.5], uv.shape)
        surface = palette if isinstance(look, Plain) else surfaces[id(look)]
        out.append(_mesh(mi, solid, uv, surface))
    return out


def _mesh(mi: Any, solid: Solid, uv: NDArray[np.float64], surface: Any) -> Any:
    n, m = solid.vertices.shape[:2]
    i = (np.arange(n - 1)[:, None] * m + np.arange(m - 1)[None]).ravel()
    faces = np.concatenate([np.stack([i, i + m, i + 1], 1), np.stack([i + 1, i + m, i + m + 1], 1)])
    props = mi.Properties()
    props["bsdf"] = surface
    if solid.radiance is not None:
        props["emitter"] = mi.load_dict({"type": "area", "radiance": _texture(mi, solid.radiance)})
    mesh = mi.Mesh("grid", n * m, len(faces), has_vertex_normals=True, has_vertex_texcoords=True, props=props)
    params = mi.traverse(mesh)
    params["vertex_positions"] = np.ascontiguousarray(solid.vertices, np.float32).ravel()
    params["vertex_normals"] = np.ascontiguousarray(solid.normals, np.float32).ravel()
    params["vertex_texcoords"] = np.ascontiguousarray(uv, np.float32).ravel()
    params["faces"] = np.ascontiguousarray(faces, np.uint32).ravel()
    params.update()
    return mesh
