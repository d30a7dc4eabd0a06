"""What phones do to a picture, put on photos with truth by lot, measured and scored kind by kind.

``python -m gapvision.lab.bench.phones FOLDER [--kinds sharpened,veiled] [--seed 1] [--one-sheet]``.  The geometry of
the photo stays, so its truth does too.  Parameters are drawn for each photo and kind; none is that of a shared photo.
"""

from __future__ import annotations

import argparse
import json
import sys
import zlib
from collections.abc import Callable
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from functools import partial
from pathlib import Path

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.intake.light import encode_srgb, to_linear
from gapvision.lab.bench.accuracy import photos_with_truth, totals
from gapvision.lab.bench.scoring import Score, print_scale, score

Picture = NDArray[np.uint8]
Change = Callable[[Picture, np.random.Generator], Picture]


def _stored(values: NDArray[np.floating]) -> Picture:
    return np.asarray(np.clip(np.round(values), 0, 255), np.uint8)


def _in_light(picture: Picture, change: Callable[[NDArray[np.float32]], NDArray[np.float32]]) -> Picture:
    return _stored(255 * encode_srgb(np.clip(change(to_linear(picture)), 0, 1)))


def _sharpened(picture: Picture, rng: np.random.Generator) -> Picture:
    radius, amount = rng.uniform((0.7, 0.5), (3.0, 2.0))
    light = picture.astype(np.float32)
    return _stored(light + amount * (light - cv2.GaussianBlur(light, (0, 0), radius)))


def _tone_mapped(picture: Picture, rng: np.random.Generator) -> Picture:
    keep, radius = rng.uniform((0.45, 20), (0.8, 90))
    log = np.log2(np.maximum(to_linear(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)), 2e-3))
    base = cv2.GaussianBlur(log, (0, 0), radius)
    gain = np.exp2((keep - 1) * (base - base.mean()))[..., None]
    return _in_light(picture, lambda light: light * gain)


def _veiled(picture: Picture, rng: np.random.Generator) -> Picture:
    share = rng.uniform(0.01, 0.09)
    return _in_light(picture, lambda light: (1 - share) * light + share * np.float32(np.quantile(light, 0.995)))


def _shaken(picture: Picture, rng: np.random.Generator) -> Picture:
    length, angle = rng.uniform(1.5, 5.5), rng.uniform(0, np.pi)
    kernel = np.zeros((15, 15), np.float32)
    for k in np.linspace(-0.5, 0.5, 61) * length:
        x, y = 7 + k * np.cos(angle), 7 + k * np.sin(angle)
        i, j = int(y), int(x)
        kernel[i : i + 2, j : j + 2] += np.outer([1 - y + i, y - i], [1 - x + j, x - j])
    return _in_light(picture, lambda light: np.asarray(cv2.filter2D(light, -1, kernel / kernel.sum()), np.float32))


def _denoised(picture: Picture, rng: np.random.Generator) -> Picture:
    levels, width = rng.uniform((3, 10), (9, 35))
    noisy = _stored(picture + rng.normal(0, levels, picture.shape))
    return np.asarray(cv2.bilateralFilter(noisy, 7, width, 3.0), np.uint8)


def _smeared(picture: Picture, rng: np.random.Generator) -> Picture:
    """Noise taken out by looking for patches that are alike (non-local means), colour apart and more strongly."""
    levels = rng.uniform(3, 11)
    noisy = _stored(picture + rng.normal(0, levels, picture.shape))
    luma, red, blue = cv2.split(cv2.cvtColor(noisy, cv2.COLOR_BGR2YCrCb))
    luma = cv2.fastNlMeansDenoising(luma, None, float(levels * rng.uniform(0.8, 1.3)), 3, 9)
    red, blue = (cv2.medianBlur(cv2.blur(part, (7, 7)), 5) for part in (red, blue))
    return np.asarray(cv2.cvtColor(cv2.merge([luma, red, blue]), cv2.COLOR_YCrCb2BGR), np.uint8)


def _thinned(picture: Picture, rng: np.random.Generator) -> Picture:
    """Noise taken out by dropping small coefficients (cosines of blocks of 8, at four places of the grid)."""
    levels = rng.uniform(3, 10)
    luma, red, blue = cv2.split(
        cv2.cvtColor(_stored(picture + rng.normal(0, levels, picture.shape)), cv2.COLOR_BGR2YCrCb)
    )
    least, (h, w) = levels * rng.uniform(2.0, 3.2), picture.shape[:2]
    out = np.zeros((h + 16, w + 16), np.float32)
    padded = cv2.copyMakeBorder(luma, 8, 16, 8, 16, cv2.BORDER_REFLECT).astype(np.float32)
    basis = cv2.dct(np.eye(8, dtype=np.float32), flags=cv2.DCT_ROWS)
    places = ((0, 0), (4, 4), (2, 6), (6, 2))
    for y, x in places:
        rows, columns = (h + 16 - y) // 8, (w + 16 - x) // 8
        part = padded[y : y + 8 * rows, x : x + 8 * columns].reshape(rows, 8, columns, 8).transpose(0, 2, 1, 3)
        cosines = basis.T @ part @ basis
        mean = cosines[..., 0, 0].copy()
        cosines[np.abs(cosines) < least] = 0
        cosines[..., 0, 0] = mean
        back = (basis @ cosines @ basis.T).transpose(0, 2, 1, 3).reshape(8 * rows, 8 * columns)
        out[y : y + 8 * rows, x : x + 8 * columns] += back / len(places)
    red, blue = (cv2.GaussianBlur(part, (0, 0), 2.5) for part in (red, blue))
    luma = _stored(out[8 : 8 + h, 8 : 8 + w])
    return np.asarray(cv2.cvtColor(cv2.merge([luma, red, blue]), cv2.COLOR_YCrCb2BGR), np.uint8)


def _pressed(picture: Picture, rng: np.random.Generator) -> Picture:
    """Local tone mapping that keeps borders (guided filter of log light), with the detail raised."""
    keep, detail, reach, floor = rng.uniform((0.4, 1.0, 20, 0.1), (0.8, 1.4, 80, 0.5))
    log = np.log2(np.maximum(to_linear(cv2.cvtColor(picture, cv2.COLOR_BGR2GRAY)), 2e-3)).astype(np.float32)
    window = (2 * int(reach) + 1,) * 2
    mean = cv2.blur(log, window)
    spread = cv2.blur(log * log, window) - mean * mean
    share = spread / (spread + np.float32(floor))
    base = cv2.blur(share, window) * log + cv2.blur(mean - share * mean, window)
    new = keep * (base - base.mean()) + detail * (log - base) + log.mean()
    gain = np.exp2(new - log)[..., None]
    return _in_light(picture, lambda light: light * gain)


def _reduced(picture: Picture, rng: np.random.Generator) -> Picture:
    """A copy made smaller by a messenger, and enlarged again so that its truth stays."""
    h, w = picture.shape[:2]
    share = rng.uniform(*REDUCED)
    small = cv2.resize(picture, (round(w * share), round(h * share)), interpolation=cv2.INTER_AREA)
    stored = cv2.imdecode(cv2.imencode(".jpg", small, [1, int(rng.integers(70, 90))])[1], 1)
    return np.asarray(cv2.resize(np.asarray(stored, np.uint8), (w, h), interpolation=cv2.INTER_CUBIC), np.uint8)


def _all_at_once(picture: Picture, rng: np.random.Generator) -> Picture:
    """Noise taken out, tones pressed, sharpened and stored again, as a phone does it in dim light."""
    first = (_denoised, _thinned)[int(rng.integers(2))]
    for change in (first, _tone_mapped, _sharpened):
        picture = change(picture, rng)
    return np.asarray(cv2.imdecode(cv2.imencode(".jpg", picture, [1, int(rng.integers(75, 92))])[1], 1), np.uint8)


def _stored_twice(picture: Picture, rng: np.random.Generator) -> Picture:
    for quality in rng.integers(60, 85, 2):
        picture = np.asarray(cv2.imdecode(cv2.imencode(".jpg", picture, [1, int(quality)])[1], 1), np.uint8)
    return picture


#: What is done to a picture, by name.
KINDS: dict[str, Change] = {
    "untouched": lambda picture, _: picture,
    "sharpened": _sharpened,
    "tone-mapped": _tone_mapped,
    "veiled": _veiled,
    "shaken": _shaken,
    "denoised": _denoised,
    "stored twice": _stored_twice,
    "smeared": _smeared,
    "reduced": _reduced,
    "thinned": _thinned,
    "pressed": _pressed,
    "all at once": _all_at_once,
}
#: Kinds that trust is not taught on: they tell whether it holds for processing that nobody thought of.
HELD_BACK = ("thinned", "pressed", "all at once")
#: How far a messenger reduces a picture.
REDUCED = (0.45, 0.8)


def measure_changed(job: tuple[Path, Path, str], seed: int, one_sheet: bool) -> Score:
    """Change one photo (its file, its truth's, the kind), measure and score it."""
    from gapvision.intake.photo import read_photo
    from gapvision.model import Settings
    from gapvision.recipe import measure_photo

    file, truth_file, kind = job
    truth = json.loads(truth_file.read_text(encoding="utf-8"))
    photo = read_photo(file)
    picture = cv2.imread(str(file), cv2.IMREAD_COLOR)
    rng = np.random.default_rng([seed, zlib.crc32(f"{file.stem} {kind}".encode())])
    changed = KINDS[kind](np.asarray(picture, np.uint8), rng)
    half = (-(-photo.width_px // 2), -(-photo.height_px // 2))
    colour = np.asarray(cv2.resize(changed, half, interpolation=cv2.INTER_AREA), np.uint8)
    grey = np.asarray(cv2.cvtColor(changed, cv2.COLOR_BGR2GRAY), np.uint8)
    photo = replace(photo, grey=grey, colour=None if photo.colour is None else colour)
    along, across = print_scale(truth)
    settings = Settings(
        print_scale_along=along, print_scale_across=across, print_scale_checked=True, one_sheet=one_sheet
    )
    return score(measure_photo(photo, settings), truth)


def main(argv: list[str] | None = None) -> int:
    """Print a row for each kind; exit code 2 if there is nothing to measure."""
    parser = argparse.ArgumentParser(prog="python -m gapvision.lab.bench.phones", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--kinds", default=",".join(KINDS), help="which, with commas between (default: all)")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--one-sheet", action="store_true", help="state that all strips come from one sheet")
    parser.add_argument("--jobs", type=int, default=2, metavar="N", help="photos measured at a time")
    args = parser.parse_args(argv)
    pairs = photos_with_truth(args.folder)
    if not pairs or set(args.kinds.split(",")) - set(KINDS):
        sys.stderr.write(f"There is nothing to measure in {args.folder}, or a kind is none of {', '.join(KINDS)}.\n")
        return 2
    print(f"{'kind':14s} photos useful  wrong within  worst refused")
    for kind in args.kinds.split(","):
        jobs = [(photo, truth, kind) for photo, truth in pairs]
        one = partial(measure_changed, seed=args.seed, one_sheet=args.one_sheet)
        if args.jobs > 1:
            with ProcessPoolExecutor(args.jobs) as pool:
                scores = list(pool.map(one, jobs))
        else:
            scores = [one(job) for job in jobs]
        t = totals(scores)
        shown = [t.useful_share, t.wrong_share, t.within_u, t.worst_within_u]
        cells = " ".join(f"{v:6.3f}" if v is not None else "     -" for v in shown)
        print(f"{kind:14s} {t.good:6d} {cells} {t.good_refused:7d}", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
