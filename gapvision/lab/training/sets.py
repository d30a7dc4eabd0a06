"""Sets of three views of one seam, as bands in one frame with their truth; one process per core.

``python -m gapvision.lab.training.sets --sets 1500 --out FOLDER``

The camera stands square, over A's side and over B's side; lens refocused, light the same, moved or another, a lamp in
the gap burnt out, dimmed or off.  What is drawn of panels, gap and phone is what the teaching scenes have.  Files are
packed bands as `packing` has them, with one row for each view and what a set adds; `load_sets` reads them.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Iterator
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import replace
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.training.bands import (
    Rectifier,
    columns_mm,
    draw_rectifier,
    edge_truth,
    line_of_sight_deg,
    sample_band,
    sample_chroma,
)
from gapvision.lab.training.camera import Camera, aim
from gapvision.lab.training.dataset import Rendering, draw_lamp, draw_mixture, is_hard, lamp_name, mix
from gapvision.lab.training.packing import pack, unpack
from gapvision.lab.training.photo import draw_chain, take_photo
from gapvision.lab.training.render import crop_box, render_passes
from gapvision.lab.training.scenes import (
    EdgeScene,
    Scene,
    draw_blockers,
    draw_lights,
    draw_scene,
    hides,
)

FloatArray = NDArray[np.float64]
SetOfBands = dict[str, NDArray[Any]]

VIEWS = 3
HALF_LENGTH_MM = 52.0
#: Teaching scenes have numbers below; a set's scene is one of the fifty numbers from here on plus fifty times its own.
_FIRST_SCENE = 60_000_000
_TRIES = 50
_SHARD = 4
_LEVELS = 512  # of root light: finer than the eight bits of a photo, and a third of the size
_BAND_BELOW_MM = 1.0  # the product draws its bands 1.5 mm below the print, which lies 0.5 mm over its panel
#: How well one frame for all photos was found to hold (../shared/several_photos.md, section 2): between photos [mm].
_FRAME_MM, _STEP_STD_MM = 0.006, 0.02
#: Groups kept aside whole: nothing that is taught or fixed may see them.
ASIDE_FINISH, ASIDE_LIGHT = "brushed_steel", "softbox"


def draw_cameras(rng: np.random.Generator, px_per_mm: float) -> list[Camera]:
    """Square, over side A, over side B; one phone, refocused each time."""
    focal = float(rng.uniform(2700, 3300))
    roll = float(rng.choice([0, 90, 180, 270]) + rng.normal(0, 4))
    target = rng.uniform(-40, 40), rng.normal(0, 12)
    out = []
    for side in (0, -1, 1):
        across = rng.normal(0, 3) if side == 0 else side * np.clip(rng.normal(15, 4.5), 5, 25)
        distance = float(np.exp(rng.normal(0, 0.06)))
        out.append(
            aim(
                focal / px_per_mm * distance,
                float(across),
                float(np.clip(rng.normal(0, 5), -15, 15)),
                roll + float(rng.normal(0, 4)),
                focal * float(np.exp(rng.normal(0, 0.004))),
                (float(target[0] + rng.normal(0, 8)), float(target[1] + rng.normal(0, 6))),
            )
        )
    return out


def draw_views(number: int, half_length_mm: float = HALF_LENGTH_MM) -> list[Scene]:
    """Draw the scene of a set as its three photos see it.

    Parameters
    ----------
    number : int
        Of the set, 0 or more; every second one has a roll that mirrors the gap.
    half_length_mm : float
        Half the length of the seam.

    Returns
    -------
    list of Scene
        The same panels and filling; camera, lights and what throws shadows are each view's own.
    """
    rng = np.random.default_rng([number, 613])
    first = _FIRST_SCENE + _TRIES * number
    scene = draw_scene(first, half_length_mm)
    if number % 2:
        scene = next((s for s in (draw_scene(first + k, half_length_mm) for k in range(_TRIES)) if is_hard(s)), scene)
    cameras = draw_cameras(rng, scene.px_per_mm)
    change = str(rng.choice(["same", "moved", "another"], p=[0.45, 0.35, 0.2]))
    name, lights = draw_lights(rng, cameras[0])
    shades = draw_blockers(rng, lights, cameras[0])
    corners = np.array([[x, y, 0.0] for x in (-half_length_mm, half_length_mm) for y in (-16, 16)])
    views = []
    for k, camera in enumerate(cameras):
        if k and change == "another":
            name, lights = draw_lights(rng, camera)
        elif k and change == "moved":
            lights = _turned(lights, float(rng.uniform(40, 320)))
        if name == "flash":  # it comes along with the camera
            lights = [{**lights[0], "place": camera.centre + np.array([15.0, 15.0, 6.0])}]
        if k and change != "same":
            shades = draw_blockers(rng, lights, camera)
        views.append(
            replace(
                scene,
                camera=camera,
                light=name,
                lights=lights,
                blockers=[quad for quad in shades if not hides(quad, camera, corners)],
                seed=(VIEWS * scene.seed + k) % 2**28,
            )
        )
    return views


def _turned(lights: list[dict[str, Any]], degrees: float) -> list[dict[str, Any]]:
    """The lights carried round the seam's normal."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    turn = np.array([[c, -s, 0], [s, c, 0], [0, 0, 1.0]])
    return [{**one, "place": turn @ one["place"], "turn": one["turn"] + np.radians(degrees)} for one in lights]


def draw_common(rng: np.random.Generator, scene: Scene, strips: str) -> Rectifier:
    """The frame that all photos of a set share: its line lies near the gap's middle, its scale is true."""
    spread = rng.choice([0.15, 0.5], p=[0.75, 0.25])
    return replace(
        draw_rectifier(rng, scene),
        shift_mm=float(np.clip(rng.normal(0, spread), -1.5, 1.5)),
        slope=float(rng.normal(0, 0.003)),
        bend_per_mm=float(rng.normal(0, 0.00004)),
        scale=float(rng.normal(1, 0.0005)),
        height_mm=(scene.edge_b.lift_mm if strips == "B" else 0.0) - _BAND_BELOW_MM,
    )


def touched_mm(edge: EdgeScene, rect: Rectifier) -> FloatArray:
    """Offset of the point a gauge touches from the band's line, square down on the panel, each column's mean [mm]."""
    fine = columns_mm(rect)[:, None] + np.linspace(-0.5, 0.5, 9) / rect.scale
    line = rect.shift_mm + rect.slope * fine + rect.bend_per_mm * fine**2
    return np.asarray(((np.interp(fine, edge.s_mm, edge.t_mm) - line) * rect.scale).mean(1))


def sights_deg(camera: Camera, rect: Rectifier) -> FloatArray:
    """Line of sight at every column: across (+ from side B) and along, off the normal [deg]; shape (2, n_s)."""
    s = columns_mm(rect)
    line = rect.shift_mm + rect.slope * s + rect.bend_per_mm * s**2
    x, y, z = camera.centre
    return np.degrees(np.stack([np.arctan2(y - line, z - rect.height_mm), np.arctan2(x - s, z - rect.height_mm)]))


def set_bands(number: int, how: Rendering) -> SetOfBands:
    """Render one set and bring its photos into one frame.

    Parameters
    ----------
    number : int
        Of the set.
    how : Rendering
        ``bands`` and ``hard_only`` are not used.

    Returns
    -------
    dict
        One row for each view, as :func:`~gapvision.lab.training.dataset.scene_bands` has them, with the light of its
        own photo in ``group``; besides ``set`` and ``view`` (3,), ``sights`` (3, 2, n_s) [deg], ``touched``
        (3, 2, n_s) the touched points square down on the panel, in the common frame [mm], ``heights`` (3, 3) of the
        band's plane and of faces A and B over face A [mm], ``strips`` (3,) on which side strips lie (``AB``, ``A``,
        ``B``), and ``step_read`` (3, 2): the step that such strips tell and its standard uncertainty [mm]. Empty where
        a view sees too little.
    """
    views = draw_views(number, how.half_length_mm)
    rng = np.random.default_rng([number, 614])
    strips = str(rng.choice(["AB", "A", "B"], p=[0.72, 0.18, 0.1]))
    scene = views[0]
    if any(min(crop_box(view)[2:]) < 60 for view in views):
        return {}
    common = draw_common(rng, scene, strips)
    first = draw_mixture(rng, scene.filling == "lamp")
    phone = draw_chain(rng)
    steady = rng.random() < 0.6  # the lamp stays as it is
    step = scene.edge_b.lift_mm
    read = (step + rng.normal(0, _STEP_STD_MM), _STEP_STD_MM) if strips == "AB" else (0.0, 0.5)
    edges = (scene.edge_a, scene.edge_b)
    touched = np.stack([touched_mm(edge, common) for edge in edges]).astype(np.float32)
    rows: dict[str, list[Any]] = {}
    for k, view in enumerate(views):
        lamp = first.lamp
        if lamp and k and not steady:
            lamp = 0.0 if rng.random() < 0.4 else draw_lamp(rng)
        other = draw_mixture(rng, False)
        lit = first if k == 0 or view.light == scene.light else replace(first, share=other.share, tint=other.tint)
        lit = replace(lit, lamp=lamp, level=float(np.clip(first.level * np.exp(rng.normal(0, 0.25)), 0.05, 0.8)))
        shot = draw_chain(rng)
        shot = replace(phone, seed=shot.seed, motion_px=shot.motion_px, motion_deg=shot.motion_deg,
                       defocus_px=shot.defocus_px)  # fmt: skip
        stored = take_photo(mix(render_passes(view, how.samples, how.variant), lit), shot)
        rect = replace(
            common,
            shift_mm=common.shift_mm + float(rng.normal(0, _FRAME_MM)),
            slope=common.slope + float(rng.normal(0, 2e-5)),
        )
        band, px_per_mm = sample_band(stored, view, rect)
        if np.isfinite(band).mean() < 0.5:
            return {}
        seen = [edge_truth(edge, side, view.camera, rect) for edge, side in zip(edges, (-1, 1), strict=True)]
        filling = lamp_name(lamp) if scene.filling == "lamp" else scene.filling
        row: dict[str, Any] = {
            "band": np.sqrt(band).astype(np.float16),
            "truth": np.stack([e[0] for e in seen]).astype(np.float32),
            "extreme": np.stack([e[1] for e in seen]).astype(np.float32),
            "px_per_mm": px_per_mm,
            "chroma": sample_chroma(stored, view, rect).astype(np.float16),
            "sight": line_of_sight_deg(view.camera, rect).astype(np.float32),
            "depth": np.array([-e.section.rim_z_mm for e in edges], np.float32),
            "group": [*(e.finish.name for e in edges), *(e.kind for e in edges), filling, view.light],
            "seed": number,
            "set": number,
            "view": k,
            "sights": sights_deg(view.camera, rect).astype(np.float32),
            "touched": touched,
            "heights": np.array([rect.height_mm, 0.0, step], np.float32),
            "strips": strips,
            "step_read": np.array(read, np.float32),
        }
        for name, value in row.items():
            rows.setdefault(name, []).append(value)
    return {k: np.array(v) for k, v in rows.items()}


def kept_aside(one: SetOfBands) -> bool:
    """Whether a set belongs to the finish or the light that is kept aside whole."""
    return bool((one["group"][:, :2] == ASIDE_FINISH).any() or (one["group"][:, 5] == ASIDE_LIGHT).any())


def load_sets(folder: Path) -> Iterator[SetOfBands]:
    """The sets of a folder, one after the other, each as :func:`set_bands` gives it."""
    for path in sorted(folder.glob("sets*.xz")):
        shard = unpack(path.read_bytes())
        for number in np.unique(shard["set"]):
            yield {k: v[shard["set"] == number] for k, v in shard.items()}


def _shard(first: int, count: int, how: Rendering, folder: str, stop_at: float, lone: bool) -> int:
    import cv2

    if lone:  # many processes side by side: one thread each
        import drjit

        drjit.set_thread_count(1)
        cv2.setNumThreads(1)
    parts = []
    for number in range(first, first + count):
        if time.time() > stop_at:
            break
        try:
            part = set_bands(number, how)
        except RuntimeError as error:  # one bad scene must not end a long run; it is named and left out
            sys.stderr.write(f"set {number} left out: {error}\n")
            continue
        if part:
            parts.append(part)
    if parts:
        shard = {k: np.concatenate([p[k] for p in parts]) for k in parts[0]}
        path = Path(folder) / f"sets{first:06d}.xz"
        path.with_suffix(".part").write_bytes(pack(shard, _LEVELS))
        path.with_suffix(".part").rename(path)
    return len(parts)


def render_sets(first: int, sets: int, folder: Path, workers: int, minutes: float, how: Rendering) -> int:
    """Render sets ``first`` to ``first + sets`` into a folder; returns how many were done in the time."""
    folder.mkdir(parents=True, exist_ok=True)
    stop_at, done, started = time.time() + 60 * minutes, 0, time.time()
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        jobs = [
            pool.submit(_shard, shard, min(_SHARD, first + sets - shard), how, str(folder), stop_at, workers > 2)
            for shard in range(first, first + sets, _SHARD)
            if not (folder / f"sets{shard:06d}.xz").exists()
        ]
        for k, job in enumerate(as_completed(jobs)):
            done += job.result()
            if k % 10 == 0 or k == len(jobs) - 1:
                sys.stderr.write(f"{done} sets in {time.time() - started:.0f} s\n")
    return done


def main() -> None:
    """Parse and render."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--sets", type=int, default=1500)
    parser.add_argument("--out", type=Path, required=True)
    variant = os.environ.get("GAPVISION_VARIANT", "llvm_ad_rgb")
    parser.add_argument("--workers", type=int, default=1 if "llvm" in variant else os.cpu_count() or 1)
    parser.add_argument("--samples", type=int, default=8)
    parser.add_argument("--variant", default=variant)
    parser.add_argument("--minutes", type=float, default=600.0)
    parser.add_argument("--half-length", type=float, default=HALF_LENGTH_MM, help="half the length of the seam, mm")
    a = parser.parse_args()
    how = Rendering(samples=a.samples, variant=a.variant, half_length_mm=a.half_length)
    render_sets(a.first, a.sets, a.out, a.workers, a.minutes, how)


if __name__ == "__main__":
    main()
