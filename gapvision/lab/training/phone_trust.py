"""Samples of how far off edges are in photographs gone over by phones, with what a strip beside the seam shows of it.

``python -m gapvision.lab.training.phone_trust --first 60000000 --scenes 2500 --workers 32 --minutes 6 --out FOLDER``

The rendered picture stays, so a photograph costs little: each scene is photographed once plainly and several times by
phones drawn by lot.  Kinds in ``HELD_BACK`` are drawn too and never taught.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from dataclasses import replace
from itertools import islice
from multiprocessing import get_context
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.lab.bench.phones import HELD_BACK, KINDS, REDUCED
from gapvision.lab.training.bands import as_band, draw_rectifier, edge_truth, line_of_sight_deg, sample_band
from gapvision.lab.training.bands import sample_chroma as chroma_along
from gapvision.lab.training.dataset import draw_mixture, lamp_name, mix
from gapvision.lab.training.photo import draw_chain, take_photo
from gapvision.lab.training.prints import with_print
from gapvision.lab.training.render import crop_box, render_passes
from gapvision.lab.training.scenes import draw_scene
from gapvision.lab.training.trust import pieces
from gapvision.model import Photo
from gapvision.vision.edges import choose_edges, edges_of
from gapvision.vision.quality import strip_quality
from gapvision.vision.rises import BY_RULES
from gapvision.vision.trust import FIGURES

Samples = dict[str, NDArray[Any]]
Passes = dict[str, NDArray[np.float32]]

HALF_LENGTH_MM = 104.0
_EVERY, _INSIDE_MM = 13, 9.7
_WHOLE = 0.6  # share of the photographs judged over the whole seam, the others over a piece of it


def rendered(seed: int, samples: int, variant: str) -> Passes:
    """One scene under each group of lights alone; nothing where the seam hardly shows."""
    scene = draw_scene(seed, HALF_LENGTH_MM)
    return {} if min(crop_box(scene)[2:]) < 60 else render_passes(scene, samples, variant)


def photographed(seed: int, passes: Passes, photos: int) -> Samples:
    """Samples of one scene's edges, photographed once plainly and then by phones.

    Returns
    -------
    dict
        By station: ``figures`` (n, 21), ``error`` outwards and ``std`` (n,) [mm], ``lit`` (n,), ``edge`` (n,) the
        edge's number; by edge: ``picture`` (m, 6) blur [px], halo, contrast, px per mm and the
        two figures of the grain; ``depth`` (m, 6) cut chance, mean, std, roll, roll std and truth [mm]; ``sight`` (m,)
        across, + when the edge's own face shows [deg]; ``names`` (m, 6) kind of phone, finish, kind, filling, light,
        cut face; ``seed`` (m,).
    """
    scene = draw_scene(seed, HALF_LENGTH_MM)
    parts: list[Samples] = []
    for k in range(photos):
        rng = np.random.default_rng([seed, k, 177])
        lit = draw_mixture(rng, "lamp" in passes)
        kind = str(rng.choice([name for name in KINDS if name != "untouched"])) if k else "untouched"
        clean = mix(passes, lit)
        light, view = with_print(clean, scene.px_per_mm, rng)
        stored = take_photo(light, draw_chain(rng))
        state = rng.bit_generator.state
        stored = KINDS[kind](stored, rng)
        smaller = 1.0
        if kind == "reduced":
            rng.bit_generator.state = state
            smaller = float(rng.uniform(*REDUCED))
        photo = _photo(stored, smaller)
        shrunk = [replace(view, corners_px=(view.corners_px + 0.5) * smaller - 0.5)]
        quality = strip_quality(photo, shrunk)
        crop = stored[: clean.shape[0], : clean.shape[1]]
        rect = draw_rectifier(rng, scene)
        linear, px_per_mm = sample_band(crop, scene, rect)
        if np.isfinite(linear).mean() < 0.5:
            continue
        stretches = pieces(linear, rng)
        if not stretches:
            continue
        stretch = stretches[0] if len(stretches) == 1 or rng.random() < _WHOLE else stretches[1]
        chroma = chroma_along(crop, scene, rect)[:, :, stretch]
        sight = line_of_sight_deg(scene.camera, rect)
        band = as_band(linear[:, stretch], px_per_mm * smaller, sight, chroma)
        choice = choose_edges(band)
        if choice.method == BY_RULES:
            continue
        found = edges_of(band, choice)
        filling = lamp_name(lit.lamp) if scene.filling == "lamp" else scene.filling
        picture = [quality.blur_px, quality.halo, quality.contrast, px_per_mm * smaller, *quality.grain[:2]]
        for side, own in enumerate((scene.edge_a, scene.edge_b)):
            outward = 2 * side - 1
            truth = edge_truth(own, outward, scene.camera, rect)[0][stretch]
            edge, depth = choice.edges[side], (found.kind_a, found.kind_b)[side]
            error = (edge.t_mm - truth) * outward
            use = np.isfinite(error) & (np.abs(truth) < _INSIDE_MM)
            use &= ~(choice.silhouette & (own.kind == "cut"))
            use &= np.arange(len(use)) % _EVERY == int(rng.integers(_EVERY))
            names = [kind, own.finish.name, own.kind, filling, scene.light, own.face]
            said = [depth.cut_chance, depth.depth_mm, depth.depth_std_mm, depth.roll_mm, depth.roll_std_mm]
            parts.append(
                {
                    "figures": np.stack([edge.figures[name][use] for name in FIGURES], 1).astype(np.float16),
                    "error": error[use].astype(np.float32),
                    "std": edge.std_mm[use].astype(np.float32),
                    "lit": choice.silhouette[use],
                    "edge": np.zeros(int(use.sum()), np.int32),
                    "picture": np.array([picture], np.float32),
                    "depth": np.array([[*said, -own.section.rim_z_mm]], np.float32),
                    "sight": np.array([-outward * sight[0]], np.float32),
                    "names": np.array([names]),
                    "seed": np.array([seed]),
                }
            )
    return joined(parts)


def joined(parts: list[Samples]) -> Samples:
    """Samples of several edges or scenes as one, their edges numbered on."""
    if not parts:
        return {}
    first = np.cumsum([0] + [len(p["seed"]) for p in parts[:-1]])
    out = {k: np.concatenate([p[k] for p in parts]) for k in parts[0] if k != "edge"}
    out["edge"] = np.concatenate([p["edge"] + n for p, n in zip(parts, first, strict=True)])
    return out


def _photo(stored: NDArray[np.uint8], smaller: float) -> Photo:
    grey = np.asarray(cv2.cvtColor(stored, cv2.COLOR_BGR2GRAY), np.uint8)
    if smaller < 1:
        grey = np.asarray(cv2.resize(grey, None, fx=smaller, fy=smaller, interpolation=cv2.INTER_AREA), np.uint8)
    return Photo(grey=grey, file="", sha256="")


def _render(seed: int, samples: int, variant: str, folder: str) -> Path | None:
    """Render one scene to a file; None where there is nothing to see."""
    try:
        passes = rendered(seed, samples, variant)
    except RuntimeError as error:  # one bad scene must not end a long run; it is named and left out
        sys.stderr.write(f"scene {seed} left out: {error}\n")
        return None
    if not passes:
        return None
    path = Path(folder) / f"{seed}.npz"
    np.savez(path, **{k: v.astype(np.float16) for k, v in passes.items()})
    return path


def _photograph(path: Path, photos: int) -> Samples:
    with np.load(path) as stored:
        passes = {k: stored[k].astype(np.float32) for k in stored.files}
    path.unlink()
    return photographed(int(path.stem), passes, photos)


def _on_card(counter: Any, cards: int) -> None:
    """Each renderer takes its card in turn, and one thread."""
    import drjit

    with counter.get_lock():
        counter.value += 1
        os.environ["CUDA_VISIBLE_DEVICES"] = str(counter.value % cards)
    drjit.set_thread_count(1)


def _lone() -> None:
    cv2.setNumThreads(1)


def collect(a: argparse.Namespace, folder: str) -> Samples:
    """Render and photograph side by side, until all is done or the time is up."""
    started, context = time.time(), get_context("spawn")
    counter, stop_at = context.Value("i", 0), started + 60 * a.minutes
    seeds, parts = iter(range(a.first, a.first + a.scenes)), []
    with (
        ProcessPoolExecutor(a.renderers, context, _on_card, (counter, a.cards)) as first,
        ProcessPoolExecutor(a.workers, context, _lone) as second,
    ):

        def more(n: int) -> set[Future[Any]]:
            return {first.submit(_render, s, a.samples, a.variant, folder) for s in islice(seeds, n)}

        light, shot = more(3 * a.renderers), set[Future[Any]]()
        while (light or shot) and time.time() < stop_at:
            done, _ = wait(light | shot, timeout=1, return_when=FIRST_COMPLETED)
            for job in done & shot:
                parts += [job.result()] if job.result() else []
            for job in done & light:
                shot |= {second.submit(_photograph, job.result(), a.photos)} if job.result() else set()
            light, shot = light - done, shot - done
            room = 3 * a.renderers - len(light) if len(shot) < 2 * a.workers else 0
            light |= more(room)
        for pool in (first, second):
            pool.shutdown(wait=False, cancel_futures=True)
        sys.stderr.write(f"{len(parts)} scenes in {time.time() - started:.0f} s, {len(shot)} cut off\n")
        return joined(parts)


def main() -> None:
    """Draw, photograph and store the samples."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--first", type=int, default=60_000_000)
    parser.add_argument("--scenes", type=int, default=2500)
    parser.add_argument("--photos", type=int, default=4)
    parser.add_argument("--samples", type=int, default=8)
    parser.add_argument("--renderers", type=int, default=1, help="processes that render")
    parser.add_argument("--workers", type=int, default=1, help="processes that photograph and measure")
    parser.add_argument("--cards", type=int, default=1)
    parser.add_argument("--minutes", type=float, default=600.0)
    parser.add_argument("--variant", default=os.environ.get("GAPVISION_VARIANT", "llvm_ad_rgb"))
    parser.add_argument("--out", type=Path, required=True)
    a = parser.parse_args()
    with TemporaryDirectory() as folder:
        made = collect(a, folder)
    np.savez_compressed(a.out, **made)
    kinds = made["names"][:, 0]
    n = len(np.unique(made["seed"]))
    sys.stderr.write(f"{n} scenes, {len(kinds)} edges, {np.isin(kinds, HELD_BACK).sum()} of them held back\n")


if __name__ == "__main__":
    main()
