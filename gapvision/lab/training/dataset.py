"""Render scenes to bands with truth, in shards; one process per core.

``python -m gapvision.lab.training.dataset --first 0 --scenes 1500 --out FOLDER``

``--half-length 104`` draws seams of 204 stations instead of 52, as trust is taught and judged on.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing import get_context
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gapvision.lab.bench.phones import KINDS
from gapvision.lab.training.bands import draw_rectifier, edge_truth, line_of_sight_deg, sample_band, sample_chroma
from gapvision.lab.training.photo import draw_chain, take_photo
from gapvision.lab.training.render import crop_box, render_passes
from gapvision.lab.training.scenes import HALF_LENGTH_MM, Scene, draw_scene

BANDS_PER_SCENE = 4
SAMPLES = 16
_SHARD = 8
_MIRRORS = (
    "aluminium",
    "brazed",
    "brushed_steel",
    "gloss",
    "ground_steel",
    "lead",
    "metallic",
    "primer_black",
    "worn_paint",
)
_DARK_FLOOR = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class Rendering:
    """How scenes become bands.

    Attributes
    ----------
    samples : int
        Rays per pixel and pass.
    variant : str
        Mitsuba's variant.
    bands : int
        Photographs of each scene.
    hard_only : bool
        Leave out scenes without a roll that mirrors the gap.
    half_length_mm : float
        Half the length of the seam.
    broken : bool
        Cut edges with broken corners only.
    phones : bool
        Every other photograph is gone over by a phone, how is drawn by lot.
    """

    samples: int = SAMPLES
    variant: str = "llvm_ad_rgb"
    bands: int = BANDS_PER_SCENE
    hard_only: bool = False
    half_length_mm: float = HALF_LENGTH_MM
    broken: bool = False
    phones: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Mixture:
    """How the groups of lights weigh, and how bright the photo comes out.

    Attributes
    ----------
    share : float
        Share of the surroundings in the light of the panels.
    key_tint, fill_tint, lamp_tint, tint : ndarray, shape (3,)
        Colours of the lights and of the whole picture.
    level : float
        Light at the 75th percentile without the lamp; 1 = clipping.
    lamp : float
        Light of the shining body over clipping, 0 without one.
    """

    share: float
    key_tint: NDArray[np.float32]
    fill_tint: NDArray[np.float32]
    lamp_tint: NDArray[np.float32]
    tint: NDArray[np.float32]
    level: float
    lamp: float


_LAMPS = {"dim": (0.02, 0.4), "right": (0.4, 1.0), "burnt": (1.0, 16.0)}


def draw_lamp(rng: np.random.Generator) -> float:
    """Light of a shining body over clipping: dim, right or burnt out."""
    group = str(rng.choice(list(_LAMPS), p=[0.3, 0.4, 0.3]))
    return float(np.exp(rng.uniform(*np.log(_LAMPS[group]))))


def lamp_name(lamp: float) -> str:
    """Name of the group that a lamp of this light belongs to."""
    return "lamp_burnt" if lamp > 1 else "lamp_right" if lamp > 0.4 else "lamp_dim" if lamp > 0 else "lamp_off"


def draw_mixture(rng: np.random.Generator, lit: bool) -> Mixture:
    """Draw the weights of one photograph; ``lit``: something in the gap shines."""
    share = float(rng.choice([rng.uniform(0.0, 0.25), rng.uniform(0.25, 0.95), 1.0], p=[0.3, 0.5, 0.2]))
    # Lamps are warm or cold, the sky apart from them.
    key, fill = _tint(rng), _tint(rng)
    level = float(np.exp(rng.uniform(np.log(0.06), np.log(0.75))))
    lamp, lamp_tint = (draw_lamp(rng), _tint(rng)) if lit else (0.0, np.ones(3, np.float32))
    tint = rng.uniform(0.9, 1.1, 3).astype(np.float32)
    return Mixture(share=share, key_tint=key, fill_tint=fill, lamp_tint=lamp_tint, tint=tint, level=level, lamp=lamp)


def mix(passes: dict[str, NDArray[np.float32]], how: Mixture) -> NDArray[np.float32]:
    """Weigh the light groups and expose; light (H, W, 3), 1 = clipping."""
    key, fill = passes["key"] * how.key_tint, passes["fill"] * how.fill_tint
    even = (1 - how.share) * key / _level(key, 65) + how.share * fill / _level(fill, 65)
    even = even * how.level / _level(even, 75)
    if how.lamp > 0:
        even = even + how.lamp * passes["lamp"] * how.lamp_tint
    return np.asarray(even * how.tint, np.float32)


def _tint(rng: np.random.Generator) -> NDArray[np.float32]:
    return np.exp(rng.normal(0, (0.1, 0.02, 0.1))).astype(np.float32)


def _level(light: NDArray[np.float32], percent: float) -> float:
    # A ninth of the pixels is plenty for a percentile.
    return max(float(np.percentile(light[::3, ::3], percent)), 1e-6)


def is_hard(scene: Scene) -> bool:
    """Whether a scene has what the detector finds hardest: a roll that mirrors a dark gap, or lies over a lit one."""
    rolled = [e for e in (scene.edge_a, scene.edge_b) if e.kind in ("rolled", "flat_hem") and e.finish.name in _MIRRORS]
    return bool(rolled) and (scene.floor_albedo < _DARK_FLOOR or scene.filling in ("seal", "flange"))


def scene_bands(seed: int, how: Rendering) -> dict[str, Any]:
    """Render one scene and photograph it several times.

    Returns
    -------
    dict
        ``band`` (n, 401, n_s) float16 root of linear light, ``truth`` (n, 2, n_s) outlines, ``extreme``
        alike [mm], ``px_per_mm`` (n,), ``chroma`` (n, 2, 201, n_s) float16, ``sight`` (n, 2) [deg], ``depth``
        (n, 2) of the touched points below their faces [mm], ``group`` (n, 9) of names: finish A, B, kind A, B,
        filling, light, what the phone did, cut face A, B, and ``seed`` (n,).
    """
    scene = draw_scene(seed, how.half_length_mm, how.broken)
    if how.hard_only and not is_hard(scene):
        return {}
    if min(crop_box(scene)[2:]) < 60:
        return {}
    passes = render_passes(scene, how.samples, how.variant)
    names = ("band", "truth", "extreme", "px_per_mm", "chroma", "sight", "depth", "group", "seed")
    out: dict[str, list[Any]] = {k: [] for k in names}
    for k in range(how.bands):
        rng = np.random.default_rng([seed, k, 77])
        how_lit = draw_mixture(rng, "lamp" in passes)
        stored = take_photo(mix(passes, how_lit), draw_chain(rng))
        done = str(rng.choice([name for name in KINDS if name != "untouched"])) if how.phones and k % 2 else "untouched"
        stored = KINDS[done](stored, rng)
        rect = draw_rectifier(rng, scene)
        band, px_per_mm = sample_band(stored, scene, rect)
        if np.isfinite(band).mean() < 0.5:
            continue
        edges = [edge_truth(scene.edge_a, -1, scene.camera, rect), edge_truth(scene.edge_b, 1, scene.camera, rect)]
        filling = lamp_name(how_lit.lamp) if scene.filling == "lamp" else scene.filling
        out["band"].append(np.sqrt(band).astype(np.float16))
        out["truth"].append(np.stack([e[0] for e in edges]).astype(np.float32))
        out["extreme"].append(np.stack([e[1] for e in edges]).astype(np.float32))
        out["px_per_mm"].append(px_per_mm)
        out["chroma"].append(sample_chroma(stored, scene, rect).astype(np.float16))
        out["sight"].append(line_of_sight_deg(scene.camera, rect).astype(np.float32))
        out["depth"].append(np.array([-e.section.rim_z_mm for e in (scene.edge_a, scene.edge_b)], np.float32))
        out["group"].append(
            [
                scene.edge_a.finish.name,
                scene.edge_b.finish.name,
                scene.edge_a.kind,
                scene.edge_b.kind,
                filling,
                scene.light,
                done,
                scene.edge_a.face,
                scene.edge_b.face,
            ]
        )
        out["seed"].append(seed)
    return {k: np.array(v) for k, v in out.items()} if out["band"] else {}


def _shard(first: int, count: int, how: Rendering, folder: str, stop_at: float, lone: bool) -> int:
    import cv2

    if lone:
        # Many processes side by side: one thread each.
        import drjit

        drjit.set_thread_count(1)
        cv2.setNumThreads(1)
    parts = []
    for seed in range(first, first + count):
        if time.time() > stop_at:
            return 0
        try:
            part = scene_bands(seed, how)
        except RuntimeError as error:  # one bad scene must not end a long run; it is named and left out
            sys.stderr.write(f"scene {seed} left out: {error}\n")
            continue
        if part:
            parts.append(part)
    if parts:
        np.savez(Path(folder) / f"shard{first:06d}.npz", **{k: np.concatenate([p[k] for p in parts]) for k in parts[0]})
    return count


def render_all(first: int, scenes: int, folder: Path, workers: int, minutes: float, how: Rendering) -> int:
    """Render scenes ``first`` to ``first + scenes`` into shards; returns how many were done in the time."""
    folder.mkdir(parents=True, exist_ok=True)
    stop_at = time.time() + 60 * minutes
    done = 0
    started = time.time()
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        jobs = []
        for shard in range(first, first + scenes, _SHARD):
            if not (folder / f"shard{shard:06d}.npz").exists():
                count = min(_SHARD, first + scenes - shard)
                jobs.append(pool.submit(_shard, shard, count, how, str(folder), stop_at, workers > 2))
        for k, job in enumerate(as_completed(jobs)):
            done += job.result()
            if k % 10 == 0 or k == len(jobs) - 1:
                sys.stderr.write(f"{done} scenes in {time.time() - started:.0f} s\n")
    return done


def main() -> None:
    """Parse and render."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--scenes", type=int, default=1500)
    parser.add_argument("--out", type=Path, required=True)
    parser.add_argument(
        "--workers",
        type=int,
        default=1 if "llvm" in os.environ.get("GAPVISION_VARIANT", "llvm_ad_rgb") else os.cpu_count() or 1,
    )
    parser.add_argument("--samples", type=int, default=SAMPLES)
    parser.add_argument("--variant", default=os.environ.get("GAPVISION_VARIANT", "llvm_ad_rgb"))
    parser.add_argument("--minutes", type=float, default=600.0)
    parser.add_argument("--hard", action="store_true", help="leave out scenes without a roll that mirrors the gap")
    parser.add_argument("--half-length", type=float, default=HALF_LENGTH_MM, help="half the length of the seam, mm")
    parser.add_argument("--broken", action="store_true", help="cut edges with broken corners, mostly bare steel")
    parser.add_argument("--phones", action="store_true", help="every other photograph gone over by a phone")
    a = parser.parse_args()
    how = Rendering(
        samples=a.samples,
        variant=a.variant,
        hard_only=a.hard,
        half_length_mm=a.half_length,
        broken=a.broken,
        phones=a.phones,
    )
    render_all(a.first, a.scenes, a.out, a.workers, a.minutes, how)


if __name__ == "__main__":
    main()
