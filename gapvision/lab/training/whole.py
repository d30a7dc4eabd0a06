"""Whole photos of a seam with strips, ray-traced: three views of one scene, with truth as the drawn photos have it.

Geometry, strips, lens and truth are those of the drawn scenes (`lab.scenes`); finishes, fillings, lights and the phone
are those of the teaching scenes.  The zone along the seam is traced finely; the rest of the panels is traced coarsely
and smoothed, and the strips' print is laid over the light that falls on white paper there.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.lab.scenes import space
from gapvision.lab.scenes.photo import cells_of, encode, ink_of, note_contrast
from gapvision.lab.scenes.scene import CameraSpec, Defect, EdgeSpec, Inside, SceneSpec, StripSpec
from gapvision.lab.scenes.truth import scene_truth
from gapvision.lab.training.camera import aim
from gapvision.lab.training.dataset import draw_lamp, lamp_name
from gapvision.lab.training.finishes import ALONG_MM, CELL_ACROSS_MM, ROLL_MM, SKIN_MM, SurfaceFinish, draw_finish
from gapvision.lab.training.photo import PhotoChain, develop, draw_chain
from gapvision.lab.training.profiles import Section, section
from gapvision.lab.training.render import trace_pixels
from gapvision.lab.training.scenes import draw_filling, draw_lights, draw_sky
from gapvision.lab.training.solids import FACES, Map, Plain, Solid, bar, glow, light_solid
from gapvision.targets import strip

FloatArray = NDArray[np.float64]

WIDTH_PX, HEIGHT_PX = 3264, 2448
_HALF_MM = 300.0
_FOLD_MM, _FIRST_FOLD_MM, _FOLDS = 14.0, 18.0, 29
_PAPER, _INK = 0.78, 0.05  # white paper, and black print over it
_FINE_BEYOND_MM = 6.0  # the seam's zone goes so far beyond its edges
_STEP_PX = 8
_PAPER_LOOK = Plain(colour=(_PAPER,) * 3, roughness=0.9, metal=0.0)
#: Shares drawn: much gloss and bare metal, as on the panels that are hard to measure.
FINISH_SHARES = {
    "gloss": 0.27, "ground_steel": 0.14, "brushed_steel": 0.12, "primer_black": 0.1, "metallic": 0.06, "lead": 0.07,
    "primer_grey": 0.06, "primer_white": 0.05, "red_oxide": 0.05, "guide_coat": 0.04, "worn_paint": 0.04,
}  # fmt: skip


_FILLINGS = {"empty": 0.48, "seal": 0.14, "flange": 0.1, "pinch_weld": 0.05, "wires": 0.03, "lamp": 0.2}


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class WholeView:
    """One photo of a set: all that a renderer needs.

    Attributes
    ----------
    spec : SceneSpec
        Panels, edges, strips and camera; the finishes named in it are not used.
    finishes, far : tuple of SurfaceFinish
        Of A and B, along the seam and far from it.
    filling, light : str
    things : list of dict
        Bodies in the gap.
    depth_mm : float
        Of the cavity.
    floor : tuple of float
        Its colour.
    lights : list of dict
    sky : ndarray, shape (h, w, 3)
    share : float
        Share of the sky in the light on the panels.
    lamp : float
        Light of the shining body over clipping, 0: off or none.
    chain : PhotoChain
    seed : int
    """

    spec: SceneSpec
    finishes: tuple[SurfaceFinish, ...]
    far: tuple[SurfaceFinish, ...]
    filling: str
    light: str
    things: list[dict[str, Any]]
    depth_mm: float
    floor: tuple[float, float, float]
    lights: list[dict[str, Any]]
    sky: Map
    share: float
    lamp: float
    chain: PhotoChain
    seed: int


def draw_set(number: int, seed: int = 0) -> list[WholeView]:
    """Draw a set of three photos; the same pair of numbers gives the same set."""
    rng = np.random.default_rng([seed, number, 89])
    names = list(FINISH_SHARES)
    shares = np.array(list(FINISH_SHARES.values())) / sum(FINISH_SHARES.values())
    name_a = str(rng.choice(names, p=shares))
    name_b = name_a if rng.random() < 0.5 else str(rng.choice(names, p=shares))
    drawn = [int(v) for v in rng.integers(2**31, size=2)]
    finishes, far = (
        tuple(draw_finish(np.random.default_rng(d), n, worn) for d, n in zip(drawn, (name_a, name_b), strict=True))
        for worn in (True, False)
    )
    filling = str(rng.choice(list(_FILLINGS), p=list(_FILLINGS.values())))
    far = tuple(_continued(near, one) for near, one in zip(finishes, far, strict=True))
    spec = _draw_spec(rng)
    depth = float(np.exp(rng.uniform(np.log(10), np.log(60))))
    things = draw_filling(rng, filling, spec.gap_mm, depth)
    floor = tuple((float(np.exp(rng.uniform(np.log(0.01), np.log(0.25)))) * rng.uniform(0.85, 1.15, 3)).tolist())
    change = str(rng.choice(["same", "moved", "another"], p=[0.4, 0.35, 0.25]))
    sky, share = draw_sky(rng), float(rng.choice([rng.uniform(0.1, 0.4), rng.uniform(0.4, 0.9)]))
    phone, steady, lamp = draw_chain(rng), rng.random() < 0.6, draw_lamp(rng) if filling == "lamp" else 0.0
    phone = replace(phone, glare=min(phone.glare, 0.04), quality=int(rng.integers(78, 92)))
    name, lights = draw_lights(rng, aim(300.0, 0.0, 0.0, 0.0, 2500.0, (0.0, 0.0)))
    shown = phone_exposure = float(rng.uniform(0.3, 0.85) if not lamp else rng.uniform(0.25, 0.5))
    views = []
    for k, camera in enumerate(_draw_cameras(rng)):
        position = space.make_lens(camera, space.PanelSurface(spec.bend, spec.bend_radius_mm)).position
        if k and change != "same":
            drawn, other = draw_lights(rng, aim(300.0, 0.0, 0.0, 0.0, 2500.0, (0.0, 0.0)))
            name, lights = (drawn, other) if change == "another" else (name, _moved(rng, lights))
        if name == "flash":
            lights = [{**lights[0], "place": position + np.array([15.0, 15.0, 6.0])}]
        if k and lamp and not steady:
            lamp = float(rng.choice([0.0, draw_lamp(rng)]))
        shot = draw_chain(rng)
        chain = replace(
            phone,
            seed=shot.seed,
            defocus_px=min(shot.defocus_px, 1.0),
            motion_px=shot.motion_px * (rng.random() < 0.4),
            motion_deg=shot.motion_deg,
        )
        shown = float(np.clip(phone_exposure * np.exp(rng.normal(0, 0.15)), 0.2, 0.9))
        camera = replace(camera, exposure=shown, jpeg_quality=chain.quality)
        named = replace(spec, name=f"o{number:02d}_{name_a}_{name_b}{'abc'[k]}", camera=camera)
        views.append(
            WholeView(
                spec=named, finishes=finishes, far=far, filling=filling, light=name, things=things, depth_mm=depth,
                floor=(floor[0], floor[1], floor[2]), lights=lights, sky=sky, share=share, lamp=lamp, chain=chain,
                seed=100 * number + k,
            )
        )  # fmt: skip
    return views


def _continued(near: SurfaceFinish, far: SurfaceFinish) -> SurfaceFinish:
    """The far panel in the colour and wear that the near one ends with: no line along the seam where they meet."""
    first, last = (round((SKIN_MM - share * _FIRST_FOLD_MM) / CELL_ACROSS_MM) for share in (1.0, 0.8))
    rows = slice(first, last)
    ends = {name: np.median(getattr(near, name)[rows], axis=(0, 1)) for name in ("colour", "roughness", "metal")}
    own = {name: np.median(getattr(far, name), axis=(0, 1)) for name in ends}
    return replace(
        far,
        colour=np.clip(far.colour * (ends["colour"] / np.maximum(own["colour"], 1e-3)), 0.003, 0.97).astype(np.float32),
        roughness=np.clip(far.roughness + ends["roughness"] - own["roughness"], 0.04, 1).astype(np.float32),
        metal=np.clip(far.metal + ends["metal"] - own["metal"], 0, 1).astype(np.float32),
    )


def _draw_spec(rng: np.random.Generator) -> SceneSpec:
    def between(low: float, high: float) -> float:
        return float(rng.uniform(low, high))

    def edge() -> EdgeSpec:
        cut = rng.random() < 0.28
        return EdgeSpec(
            kind="cut" if cut else "roll",
            radius_mm=between(0.05, 0.25) if cut else between(1.1, 2.4),
            thickness_mm=between(0.8, 1.5),
            wave_mm=between(0.02, 0.12),
            wave_period_mm=between(90, 300),
            wave_phase_deg=between(0, 360),
        )

    arc = rng.random() < 0.2
    near, far = (50.0, 64.0) if arc else (32.0, 52.0)
    letters = rng.permutation(list("ABCDEFGH"))
    both = rng.random() < 0.75
    sides = (-1, 1) if both else (int(rng.choice([-1, 1])),)
    # A is the panel with the lower letter: the product counts so, and the truth of a step needs it.
    chosen = sorted(str(v) for v in letters[: len(sides)])
    strips = tuple(
        StripSpec(letter=letter, s_mm=between(-15, 15), t_mm=side * between(near, far), angle_deg=between(-1.5, 1.5))
        for letter, side in zip(chosen, sides, strict=True)
    )
    scaled = rng.random() < 0.25
    return SceneSpec(
        gap_mm=between(3.0, 6.2),
        taper_mm_per_m=between(-5, 5),
        step_mm=float(np.clip(rng.normal(0, 0.6), -1.5, 1.5)) if rng.random() < 0.6 else 0.0,
        edge_a=edge(),
        edge_b=edge(),
        defects=tuple(
            Defect(
                side=str(rng.choice(["A", "B"])),
                s_mm=between(-110, 110),
                height_mm=between(0.2, 0.8) * (1 if rng.random() < 0.5 else -1),
                width_mm=between(8, 60),
            )
            for _ in range(int(rng.integers(0, 3)))
        ),
        seam_radius_mm=between(600, 1200) * (1 if rng.random() < 0.5 else -1) if arc else None,
        bend=str(rng.choice(["flat", "flat", "along", "across"])),
        bend_radius_mm=between(900, 2500),
        strips=strips,
        print_scale_along=between(0.97, 1.02) if scaled else 1.0,
        print_scale_across=between(0.97, 1.02) if scaled else 1.0,
    )


def _draw_cameras(rng: np.random.Generator) -> list[CameraSpec]:
    focal, distance, roll = rng.uniform(2350, 2650), rng.uniform(270, 350), rng.normal(0, 5)
    k1, k2 = float(rng.uniform(-0.03, 0.04)), float(rng.uniform(-0.015, 0.01))
    out = []
    for side in (0, -1, 1):
        across = rng.normal(0, 3) if side == 0 else side * np.clip(rng.normal(15, 4.5), 5, 25)
        out.append(
            CameraSpec(
                width_px=WIDTH_PX,
                height_px=HEIGHT_PX,
                distance_mm=float(distance * np.exp(rng.normal(0, 0.05))),
                aim_s_mm=float(rng.normal(0, 8)),
                aim_t_mm=float(rng.normal(0, 8)),
                tilt_across_deg=float(across),
                tilt_along_deg=float(np.clip(rng.normal(0, 4), -12, 12)),
                roll_deg=float(roll + rng.normal(0, 4)),
                focal_px=float(focal * np.exp(rng.normal(0, 0.004))),
                k1=k1,
                k2=k2,
            )
        )
    return out


def _moved(rng: np.random.Generator, lights: list[dict[str, Any]]) -> list[dict[str, Any]]:
    angle = rng.uniform(0.7, 5.6)
    c, s = np.cos(angle), np.sin(angle)
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    return [{**one, "place": turn @ one["place"], "turn": one["turn"] + angle} for one in lights]


class _Room:
    """The panels' surface and seam of a view, and solids laid along them."""

    def __init__(self, spec: SceneSpec) -> None:
        self.spec = spec
        self.panel = space.PanelSurface(spec.bend, spec.bend_radius_mm)
        self.seam = space.SeamLine(spec.seam_radius_mm)

    def world(self, at: FloatArray) -> FloatArray:
        """Places (..., 3) along, across and out of the panel, in the world."""
        s, t = self.seam.place(at[..., 0], at[..., 1])
        return np.asarray(self.panel.point(s, t, at[..., 2]))

    def lay(self, solid: Solid, stations: FloatArray | None = None) -> Solid:
        """Bend a solid that was made for a straight seam in a flat panel; ``stations``: drawn out to these first."""
        at, normals, uv = solid.vertices, solid.normals, solid.uv
        if stations is not None:
            x = at[:, :, 0].mean(1)
            share = (stations - x[0]) / (x[-1] - x[0])
            rows = at[0] + share[:, None, None] * (at[-1] - at[0])
            rows[..., 0] = stations[:, None]
            at, normals = rows, np.broadcast_to(normals[:1], rows.shape)
            uv = np.stack(
                [np.broadcast_to(np.linspace(0, 1, len(stations))[:, None], rows.shape[:2]),
                 np.broadcast_to(uv[:1, :, 1], rows.shape[:2])], -1,
            )  # fmt: skip
        here = self.world(at)
        axes = [self.world(at + 0.01 * step) - here for step in np.eye(3)]
        out = sum(normals[..., i : i + 1] * axes[i] / 0.01 for i in range(3))
        out = np.asarray(out) / np.linalg.norm(out, axis=-1, keepdims=True)
        return replace(solid, vertices=here, normals=out, uv=uv)


def _skin(shape: Section) -> tuple[Section, FloatArray]:
    """A section whose skin goes on over the whole panel, and the place of its points in the finish's maps.

    Far from the edge the maps are folded to and fro, so that wear along the edge stays there.
    """
    keep = np.flatnonzero(shape.points[:, 0] > -_FIRST_FOLD_MM + 0.5)[0]
    fold = -(_FIRST_FOLD_MM + _FOLD_MM * np.arange(_FOLDS)[::-1])
    points = np.concatenate([np.stack([fold, 0 * fold], 1), shape.points[keep:]])
    normals = np.concatenate([np.tile([0.0, 1.0], (_FOLDS, 1)), shape.normals[keep:]])
    more = _FOLDS - keep
    start = int(np.flatnonzero(np.diff(points[:, 1]) < -1e-6)[0])
    length = np.concatenate([[0.0], np.cumsum(np.linalg.norm(np.diff(points, axis=0), axis=1))])
    v = length - length[start] + SKIN_MM
    even = np.arange(_FOLDS)[::-1] % 2 == 0
    v[:_FOLDS] = np.where(even, SKIN_MM - _FIRST_FOLD_MM, SKIN_MM - _FIRST_FOLD_MM + _FOLD_MM)
    whole = replace(
        shape, points=points, normals=normals, n_outline=shape.n_outline + more, n_skin=shape.n_skin + more
    )
    return whole, v / (SKIN_MM + ROLL_MM)


def _panels(room: _Room, view: WholeView) -> list[Solid]:
    spec = view.spec
    s = np.arange(-_HALF_MM, _HALF_MM + 0.1, 0.5)
    offsets = space.edge_offsets(spec, s)
    out = []
    for edge, side, finish, far, offset, lift in zip(
        (spec.edge_a, spec.edge_b), (-1, 1), view.finishes, view.far, offsets, (0.0, spec.step_mm), strict=True
    ):
        kind = "rolled" if edge.kind == "roll" else "cut"
        shape, v = _skin(section(kind, edge.radius_mm, edge.radius_mm, edge.thickness_mm))
        at = np.empty((len(s), len(v), 3))
        at[..., 0] = s[:, None]
        at[..., 1] = offset[:, None] - side * shape.points[None, :, 0]
        at[..., 2] = lift + shape.points[None, :, 1]
        normals = np.stack([0 * v, -side * shape.normals[:, 0], shape.normals[:, 1]], 1)
        uv = np.stack(np.broadcast_arrays((s[:, None] + ALONG_MM / 2) / ALONG_MM, v[None]), -1)
        n = shape.n_skin
        whole = Solid(vertices=at, normals=np.broadcast_to(normals, at.shape), uv=uv, look=finish)

        def part(solid: Solid, keep: slice) -> Solid:
            return replace(
                solid, vertices=solid.vertices[:, keep], normals=solid.normals[:, keep], uv=solid.uv[:, keep]
            )

        out.append(replace(room.lay(part(whole, slice(0, _FOLDS))), look=far))
        out.append(room.lay(part(whole, slice(_FOLDS - 1, n))))
        if n < len(v):
            face = ("skin", "bright", "dark")[view.seed // 100 % 3]
            look = finish if face == "skin" else FACES[face]
            out.append(replace(room.lay(part(whole, slice(n, None))), look=look))
    return out


def _solids(room: _Room, view: WholeView, lens: space.Lens) -> tuple[list[Solid], list[Solid]]:
    """What is there, and what shines."""
    long = np.arange(-_HALF_MM, _HALF_MM + 0.1, 10.0)
    dark, shining = _panels(room, view), [light_solid(one) for one in view.lights]
    cavity = Plain(colour=view.floor, roughness=0.7, metal=0.0)
    w, d = 45.0, view.depth_mm
    for a, b in (((-w, -d), (w, -d)), ((-w, 0.0), (-w, -d)), ((w, -d), (w, 0.0))):
        ends = np.array([[[x, *a], [x, *b]] for x in (-_HALF_MM, _HALF_MM)])
        normal = np.broadcast_to(np.array([0.0, -(b[1] - a[1]), b[0] - a[0]]), ends.shape)
        dark.append(room.lay(Solid(vertices=ends, normals=normal, uv=np.zeros((2, 2, 2)), look=cavity), long))
    for thing in view.things:
        dark.append(room.lay(bar(thing), long))
        if thing["emit"] > 0 and view.lamp > 0:
            shining.append(room.lay(glow(thing, 100.0), long))
    for one in view.spec.strips:
        dark.append(_paper(room, one))
    # Phone and hands, and whoever holds it: gloss paint mirrors them.
    back = -lens.rotation[2]
    for distance, half, shade in ((14.0, (40.0, 78.0), 0.03), (330.0, (210.0, 330.0), 0.12)):
        middle = lens.position + distance * back
        x, y = lens.rotation[0] * half[0], lens.rotation[1] * half[1]
        corners = np.array([[middle - x - y, middle - x + y], [middle + x - y, middle + x + y]])
        normal = np.broadcast_to(-back, corners.shape)
        look = Plain(colour=(shade, shade, shade), roughness=0.8, metal=0.0)
        dark.append(Solid(vertices=corners, normals=normal, uv=np.zeros((2, 2, 2)), look=look))
    return dark, shining


def _paper(room: _Room, one: StripSpec) -> Solid:
    rim = strip.MARGIN_MM
    x = np.linspace(-rim, strip.PATTERN_LENGTH_MM + rim, 63)
    y = np.linspace(-rim, strip.PATTERN_WIDTH_MM + rim, 12)
    s, t, n = space.strip_to_panel(room.spec, one, np.stack(np.meshgrid(x, y, indexing="ij"), -1))
    here = room.panel.point(s, t, n)
    up = room.panel.point(s, t, n + 0.01) - here
    normals = up / np.linalg.norm(up, axis=-1, keepdims=True)
    return Solid(vertices=here, normals=normals, uv=np.zeros((63, 12, 2)), look=_PAPER_LOOK)


def _powers(view: WholeView) -> tuple[float, float]:
    """Factors of lights and sky by which a level sheet of paper is lit with 1 in all, shares as drawn."""
    key = sum(one["weight"] * one["place"][2] / np.linalg.norm(one["place"]) for one in view.lights)
    rows = view.sky.shape[0] // 2
    down = np.pi / 2 * (np.arange(rows) + 0.5) / rows  # off the zenith
    weight = np.cos(down) * np.sin(down) * (np.pi / 2 / rows) * 2 * np.pi
    fill = float((view.sky[:rows].mean((1, 2)) * weight).sum())
    return (1 - view.share) / max(key, 1e-6), view.share / max(fill, 1e-6)


def _map(room: _Room, lens: space.Lens, n: float) -> tuple[Map, Map]:
    """Developed place of every pixel at a height, rays cut every 8 pixels and gone straight between."""
    h, w = lens.height, lens.width
    y = (np.arange(-1, -(-h // _STEP_PX) + 1) + 0.5) * _STEP_PX - 0.5
    x = (np.arange(-1, -(-w // _STEP_PX) + 1) + 0.5) * _STEP_PX - 0.5
    s, t = room.panel.hit(lens.position, lens.rays(np.stack(np.meshgrid(x, y), -1)), n)

    def fine(values: FloatArray) -> Map:
        big = cv2.resize(np.nan_to_num(values, nan=1e4).astype(np.float32), None, fx=_STEP_PX, fy=_STEP_PX)
        return np.asarray(big[_STEP_PX : _STEP_PX + h, _STEP_PX : _STEP_PX + w], np.float32)

    return fine(s), fine(t)


def take_view(
    view: WholeView, variant: str, fine: int = 24, coarse: int = 6
) -> tuple[bytes, dict[str, Any]]:
    """Trace, photograph and store one photo.

    Parameters
    ----------
    view : WholeView
    variant : str
        Mitsuba's.
    fine, coarse : int
        Rays for each pixel along the seam, and elsewhere.

    Returns
    -------
    jpeg : bytes
    truth : dict
        For a ``NAME.truth.json``.
    """
    room, spec = _Room(view.spec), view.spec
    lens = space.make_lens(spec.camera, room.panel)
    dark, shining = _solids(room, view, lens)
    key, fill = _powers(view)
    n_lights = len(view.lights)
    clip = 0.78 / np.pi / spec.camera.exposure  # radiance that clips, were the paper lit as reckoned
    for i, one in enumerate(shining):
        power = key if i < n_lights else view.lamp * clip
        shining[i] = replace(one, radiance=np.asarray(np.asarray(one.radiance) * power, np.float32))
    s, t = _map(room, lens, 0.0)
    _, offset = room.seam.locate(s.astype(float), t.astype(float))
    on_b = offset > 0
    reach = spec.gap_mm / 2 + max(spec.edge_a.radius_mm, spec.edge_b.radius_mm) + _FINE_BEYOND_MM
    seam = np.abs(offset) < reach
    label = on_b.astype(np.uint8)
    covers = []
    for k, one in enumerate(spec.strips):
        box, cover, white = _print(room, lens, one)
        covers.append((box, cover, white))
        label[box][cover > 0.5] = 2 + k
    label[seam] = 9
    light = np.zeros((*label.shape, 3), np.float32)
    world = (dark, shining, view.sky * np.float32(fill))
    for part, samples in ((seam, fine), (~seam, coarse)):
        rows, columns = np.nonzero(part)
        light[rows, columns] = trace_pixels(world, lens, rows, columns, samples, variant, view.seed)
    light = _calm(light, seam)
    for k in range(2 + len(spec.strips)):
        part = label == k
        if part.any():
            _smooth(light, part, 1.2 if k < 2 else 6.0)
    papers = [light[label == 2 + k] for k in range(len(spec.strips))]
    seen = np.concatenate([p for p in papers if len(p)] or [light.reshape(-1, 3)])
    gain = spec.camera.exposure / max(float(np.median(seen @ np.array([0.2126, 0.7152, 0.0722]))), 1e-9)
    for k, (box, cover, white) in enumerate(covers):
        part = light[box]
        inside = (label[box] == 2 + k).astype(np.float32)
        paper = cv2.GaussianBlur(part * inside[..., None], (0, 0), 3.0) / np.maximum(
            cv2.GaussianBlur(inside, (0, 0), 3.0), 1e-6
        )[..., None]
        part[:] = part * (1 - cover[..., None]) + paper * white[..., None]
    chain = view.chain
    stored = np.ascontiguousarray(develop(light * np.float32(gain), chain)[..., ::-1])
    lamp = view.lamp * clip * gain
    truth_spec = replace(spec, inside=Inside(kind="backlit", level=lamp)) if view.lamp > 0 else spec
    truth = scene_truth(truth_spec, room.panel, room.seam, lens, view.seed)
    truth.update(set="own_sets", generator="gapvision.lab.training.whole", finishes={
        side: one.name for side, one in zip("AB", view.finishes, strict=True)}, light={"rig": view.light},
        filling=lamp_name(lamp) if view.filling == "lamp" else view.filling)  # fmt: skip
    note_contrast(stored, truth)
    return encode(spec, stored), truth


def _calm(light: Map, seam: NDArray[np.bool_]) -> Map:
    """Take down rays that met a light by luck: pixels far above all neighbours, away from the seam above most."""
    level = light.max(2)
    ring = np.ones((3, 3), np.uint8)
    ring[1, 1] = 0
    cap = np.where(seam, 1.5 * cv2.dilate(level, ring), 1.6 * cv2.medianBlur(level, 5)) + 1e-6
    return np.asarray(light * np.minimum(1, cap / np.maximum(level, 1e-9))[..., None], np.float32)


def _smooth(light: Map, part: NDArray[np.bool_], sigma_px: float) -> None:
    """Blur the light of a part of the picture by itself, in place."""
    rows, columns = np.flatnonzero(part.any(1)), np.flatnonzero(part.any(0))
    box = slice(rows[0], rows[-1] + 1), slice(columns[0], columns[-1] + 1)
    weight = part[box].astype(np.float32)
    soft = cv2.GaussianBlur(light[box] * weight[..., None], (0, 0), sigma_px)
    level = np.maximum(cv2.GaussianBlur(weight, (0, 0), sigma_px), 1e-6)[..., None]
    light[box][part[box]] = (soft / level)[part[box]]


def _print(room: _Room, lens: space.Lens, one: StripSpec) -> tuple[Any, Map, Map]:
    """Box of a strip in the picture, how much of each pixel there is paper, and what share of its light that throws."""
    spec = room.spec
    s, t = _map(room, lens, space.strip_place(spec, one)[2])
    x, y = space.panel_to_strip(spec, one, s.astype(float), t.astype(float))
    rim = strip.MARGIN_MM + 1
    near = (x > -rim) & (x < strip.PATTERN_LENGTH_MM + rim) & (y > -rim) & (y < strip.PATTERN_WIDTH_MM + rim)
    rows, columns = np.flatnonzero(near.any(1)), np.flatnonzero(near.any(0))
    if not len(rows):
        raise RuntimeError("a strip lies out of the picture")
    box = slice(max(rows[0] - 2, 0), rows[-1] + 3), slice(max(columns[0] - 2, 0), columns[-1] + 3)
    cells, x, y = cells_of(one.letter), x[box], y[box]
    cover, white = np.zeros(x.shape, np.float32), np.zeros(x.shape, np.float32)
    (x_row, x_col), (y_row, y_col) = np.gradient(x), np.gradient(y)
    n = 4
    for i in (np.arange(n) + 0.5) / n - 0.5:
        for j in (np.arange(n) + 0.5) / n - 0.5:
            paper, ink = ink_of(cells, x + i * x_row + j * x_col, y + i * y_row + j * y_col)
            cover += paper
            white += np.where(paper, np.where(ink, _INK, 1.0), 0.0).astype(np.float32)
    return box, cover / n**2, white / n**2
