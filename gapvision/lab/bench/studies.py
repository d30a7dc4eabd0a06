"""Whole studies of invented phones: does U hold on fresh photos once a study counts in it?

``python -m gapvision.lab.bench.studies [--studies 200] [--jobs 2] [--save FOLDER]``. Phones are drawn by lot, good
and bad ones (odd distortion, heavy sharpening, smearing), each with a pool of photos: gauge pieces as the sheet
describes them (its rods of bare steel), and seams of gloss, bare steel and primer. A study takes five photos of each
of four pieces from the pool, with calipers that err; its figures are put on the photos it has not seen. With the lens
that the first study of each phone found, the photos it has not seen are then measured anew.
"""

from __future__ import annotations

import argparse
import pickle
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from datetime import date
from pathlib import Path
from typing import Any

import cv2
import numpy as np
from numpy.typing import NDArray

from gapvision.judgement.study import judge_study, proof_of, reading_of
from gapvision.lab.bench.phones import KINDS
from gapvision.lab.scenes import CameraSpec, EdgeSpec, SceneSpec, StripSpec, render_grey
from gapvision.model import GapProfile, Measurement, PhoneKey, PhoneProof, Photo, Piece, Settings, StudyResult
from gapvision.recipe import measure_photo
from gapvision.vision.lens import lens_of
from gapvision.vision.proven import with_proof

_CALIPER_U_MM = 0.03
_PIECES = (
    ("3 cut", 3.0, "cut", 0.12),
    ("4.76 cut", 4.76, "cut", 0.12),
    ("5 rolled", 5.0, "roll", 1.5),
    ("6 rolled", 6.0, "roll", 3.0),
)
_BARS, _SEAMS, _TAKEN = 10, 24, 5
_FINISHES = ("blue_gloss", "brushed_steel", "grey_primer")
#: Phone -> blur [px], what its program does (how strongly differs from photo to photo), and how clumsy the hand is
#: (largest tilt, degrees).  The lenses of bad ones bend straight lines two to three times as much as the field's
#: prior expects.
_PHONES: dict[str, tuple[float, str, float]] = {
    "good 1": (0.9, "untouched", 6.0),
    "good 2": (1.1, "stored twice", 8.0),
    "good 3": (0.8, "untouched", 10.0),
    "bad lens": (0.9, "untouched", 12.0),
    "bad sharpened": (1.0, "sharpened", 12.0),
    "bad smeared": (1.2, "denoised", 14.0),
    "bad tones": (1.0, "tone-mapped", 12.0),
}
_KEY = PhoneKey(camera="invented", focal_mm=None, focal_35mm_mm=None, size_px=(2100, 1400))


@dataclass(frozen=True, slots=True)
class Shot:
    """One photo of a pool: of a gauge piece (empty: a seam), its finishes, what was measured and what is true."""

    job: tuple[str, str, int]
    piece: str
    finishes: tuple[str, str]
    measurement: Measurement
    true_mm: NDArray[np.float64]


def _shoot(job: tuple[str, str, int], proof: PhoneProof | None = None) -> Shot | None:
    """Draw and measure one photo: phone, piece (empty: some seam), number; by a study that is kept, or by none."""
    phone, piece, number = job
    blur, kind, tilt = _PHONES[phone]
    (focal, k1, k2), own = _lens(phone)
    bad = phone.startswith("bad")
    rng = np.random.default_rng([sum(map(ord, phone + piece)), number])
    camera = CameraSpec(
        width_px=2100, height_px=1400, distance_mm=rng.uniform(270, 330), tilt_across_deg=rng.uniform(-tilt, tilt),
        tilt_along_deg=rng.uniform(-tilt, tilt), roll_deg=rng.uniform(-4, 4), k1=k1, k2=k2, focal_px=focal,
        blur_px=blur * rng.uniform(0.9, 1.5), aim_s_mm=bad * rng.uniform(-8, 8), aim_t_mm=bad * rng.uniform(-8, 8),
    )  # fmt: skip
    strips = tuple(StripSpec(letter=x, t_mm=t + rng.uniform(-4, 4)) for x, t in (("A", -44.0), ("B", 44.0)))
    known = {name: (gap, made, radius) for name, gap, made, radius in _PIECES}
    if piece:
        gap, made, radius = known[piece]
        flat = ("brushed_steel", "grey_primer")[own.integers(2)]
        edge = EdgeSpec(kind=made, radius_mm=radius, finish="brushed_steel" if made == "roll" else flat)
        edges, step = (edge, edge), float(np.random.default_rng([len(piece), 3]).normal(0, 0.05))
        settings: dict[str, Any] = {"edge_a": "cut", "edge_b": "cut"}
        if made == "roll":
            settings = {f"edge_{x}": "rolled" for x in "ab"} | {f"edge_{x}_radius_mm": radius for x in "ab"}
    else:
        gap, step = rng.uniform(3, 6.5), rng.normal(0, 0.4)
        made_of = [_FINISHES[(number + k * (number // 3)) % 3] for k in range(2)]
        rolled = [("roll", rng.uniform(0.8, 2.0)), ("cut", rng.uniform(0.1, 0.3))]
        kinds = [rolled[int(rng.random() > 0.6)] for _ in "ab"]
        a, b = (EdgeSpec(kind=k, radius_mm=r, finish=f) for (k, r), f in zip(kinds, made_of, strict=True))
        edges = a, b
        settings = {}
    spec = SceneSpec(gap_mm=gap, step_mm=step, edge_a=edges[0], edge_b=edges[1], strips=strips, camera=camera)
    grey, truth = render_grey(spec, seed=int(rng.integers(1 << 30)))
    bgr = np.asarray(cv2.cvtColor(grey, cv2.COLOR_GRAY2BGR), np.uint8)
    changed = KINDS[kind](bgr, np.random.default_rng([sum(map(ord, phone + piece)), number, 5]))
    seen = np.asarray(cv2.cvtColor(changed, cv2.COLOR_BGR2GRAY), np.uint8)
    photo = Photo(grey=seen, file=f"{number}.jpg", sha256="0" * 64, camera=_KEY.camera)
    checked = float(rng.normal(1, 0.0008))
    told = Settings(
        print_scale_along=checked, print_scale_across=checked, print_scale_checked=True, one_sheet=True,
        proofs=(proof,) if proof else (),
    )  # fmt: skip
    m = measure_photo(photo, replace(told, **settings))
    if m.profile is None:
        return None
    true_gap = _true_gap(truth, m.profile)
    return Shot(job, piece, (edges[0].finish, edges[1].finish), m, true_gap)


def _true_gap(truth: dict[str, Any], p: GapProfile) -> NDArray[np.float64]:
    """True gap at each measured station: that of the true station whose middle lies nearest in the photo."""
    edges = truth["edges"]
    middle = 0.5 * (np.array(edges["A_px"], float) + np.array(edges["B_px"], float))
    gaps = np.array(edges["gap"], float)
    seen = 0.5 * (p.edge_a_px + p.edge_b_px)
    nearest = np.linalg.norm(seen[:, None] - middle[None], axis=2).argmin(1)
    out: NDArray[np.float64] = gaps[nearest]
    return out


def main(argv: list[str] | None = None) -> int:
    """Print a row for each phone."""
    parser = argparse.ArgumentParser(prog="python -m gapvision.lab.bench.studies", description=__doc__)
    parser.add_argument("--studies", type=int, default=200)
    parser.add_argument("--jobs", type=int, default=2, metavar="N", help="photos at a time")
    parser.add_argument("--save", type=Path, metavar="FOLDER", help="keep the measured pools, or take them from there")
    args = parser.parse_args(argv)
    names = [(name, k) for name, *_ in _PIECES for k in range(_BARS)] + [("", k) for k in range(_SEAMS)]
    pools: dict[str, list[Shot]] = {}
    with ProcessPoolExecutor(args.jobs) as pool:
        waited = {}
        for phone in _PHONES:
            kept = args.save / f"{phone.replace(' ', '_')}.pkl" if args.save else None
            if kept is not None and kept.exists():
                pools[phone] = pickle.loads(kept.read_bytes())
                continue
            waited[phone] = kept, [pool.submit(_shoot, (phone, piece, k)) for piece, k in names]
        for phone, (kept, jobs) in waited.items():
            pools[phone] = [shot for shot in (job.result() for job in jobs) if shot is not None]
            if kept is not None:
                kept.write_bytes(pickle.dumps(pools[phone]))
    print("within U on fresh photos, before -> after: gauge pieces, seams, of these with gloss, with bare steel")
    heads = "  ".join(f"{name:14s}" for name in ("pieces", "seams", "gloss", "steel"))
    print(f"{'phone':14s} studies bias   growth small  U after/before  {heads}")
    each = max(1, args.studies // len(pools))
    for phone, shots in pools.items():
        rows = [_study(shots, np.random.default_rng([k, 7])) for k in range(each)]
        done = np.array([row for row in rows if row is not None])
        if len(done):
            m = np.nanmean(done, 0)
            shares = "  ".join(f"{m[k]:.3f} -> {m[k + 1]:.3f}" for k in range(4, len(m), 2))
            figures = f"{m[0]:+.3f}  {m[1]:5.2f} {m[2]:5.2f}  {m[3]:14.2f}"
            print(f"{phone:14s} {len(done):5d}  {figures}  {shares}")
    with ProcessPoolExecutor(args.jobs) as pool:
        _lenses(pools, pool)
    return 0


def _lenses(pools: dict[str, list[Shot]], pool: ProcessPoolExecutor) -> None:
    """What the first study of each phone says of its lens, and fresh photos measured with that and without."""
    print("lens: true focal length, k1, k2; found (U); fresh photos: contradicted; scale part, RMS error, within U")
    for phone, shots in pools.items():
        taken, result = _taken(shots, np.random.default_rng([0, 7])) or ([], None)
        fields = [shots[k].measurement.photo.field for k in taken]
        lens = lens_of([field for field in fields if field is not None], None)
        if result is None or lens is None:
            continue
        proof = replace(proof_of(result, "study", date.today().isoformat(), _KEY, lens=lens), bias_proven=False)
        proof = replace(proof, bias_std_u_mm=0.0, small_share=1.0, growth=1.0)
        fresh = [shot for k, shot in enumerate(shots) if k not in taken]
        again = list(pool.map(_shoot, [shot.job for shot in fresh], [proof] * len(fresh)))
        both = [(one, two) for one, two in zip(fresh, again, strict=True) if two is not None]
        other = sum("proof-of-another-phone" in {n.code for n in two.measurement.notices} for _, two in both)
        u = [f"{2 * x:.3f}" for x in lens.std_u]
        print(f"{phone:14s} {_lens_of(phone)}  {lens.focal_px:.0f} {lens.k1:+.3f} {lens.k2:+.3f} ({', '.join(u)})  "
              f"{other} of {len(both)}  {_told([a for a, _ in both])} -> {_told([b for _, b in both])}")  # fmt: skip


def _told(shots: Sequence[Shot]) -> str:
    """Scale part in U, error and share within U of some photos."""
    profiles = [(shot.measurement.profile, shot.true_mm) for shot in shots]
    scale = np.mean([2 * p.parts_mm["scale"].mean() for p, _ in profiles if p is not None])
    off = [np.abs(p.gap_mm - true) for p, true in profiles if p is not None]
    within = np.mean(np.concatenate([x <= p.expanded_u_mm for x, (p, _) in zip(off, profiles, strict=True) if p]))
    return f"{scale:.4f} {np.sqrt(np.mean(np.concatenate(off) ** 2)):.4f} {within:.3f}"


def _lens_of(phone: str) -> str:
    focal, k1, k2 = _lens(phone)[0]
    return f"{focal:.0f} {k1:+.3f} {k2:+.3f}"


def _lens(phone: str) -> tuple[tuple[float, float, float], np.random.Generator]:
    """Focal length [px] and distortion of a phone's lens, and its lot for what else is its own."""
    own = np.random.default_rng([sum(map(ord, phone)), 1])
    k1, k2 = own.uniform((-0.06, -0.03), (0.08, 0.03))
    if phone.startswith("bad"):
        k1, k2 = own.choice((-1, 1), 2) * own.uniform((0.08, 0.03), (0.12, 0.05))
    return (2100 * own.uniform(0.65, 0.85), float(k1), float(k2)), own


def _study(shots: list[Shot], rng: np.random.Generator) -> tuple[float, ...] | None:
    """One study and its trial: bias, growth, share left of the small parts, change of U, pairs of shares within U."""
    study = _taken(shots, rng)
    if study is None:
        return None
    taken, result = study
    proof = proof_of(result, "study", "2026-05-09", _KEY)
    within = {of: [0, 0, 0] for of in ("pieces", "seams", "blue_gloss", "brushed_steel")}
    u = []
    for k, shot in enumerate(shots):
        if k in taken or shot.measurement.profile is None:
            continue
        before = shot.measurement.profile
        after = with_proof(before, proof)
        for group in ("pieces",) if shot.piece else ("seams", *within.keys() & set(shot.finishes)):
            within[group][0] += len(before.gap_mm)
            within[group][1] += int((np.abs(before.gap_mm - shot.true_mm) <= before.expanded_u_mm).sum())
            within[group][2] += int((np.abs(after.gap_mm - shot.true_mm) <= after.expanded_u_mm).sum())
        if not shot.piece:
            u.append(float(after.expanded_u_mm.mean() / before.expanded_u_mm.mean()))
    shares = [share / n if n else float("nan") for n, *both in within.values() for share in both]
    return proof.bias_mm, proof.growth, proof.small_share, float(np.mean(u)), *shares


def _taken(shots: list[Shot], rng: np.random.Generator) -> tuple[list[int], StudyResult] | None:
    """The photos that a study takes, and what it says; None where the pool has too few."""
    pieces, readings, taken = [], [], []
    for name, gap, *_ in _PIECES:
        of = [k for k, s in enumerate(shots) if s.piece == name]
        if len(of) <= _TAKEN:
            return None
        read = gap + rng.normal(0, _CALIPER_U_MM / 2) + rng.normal(0, 0.005, 3)
        piece = Piece(name=name, readings_mm=tuple(read))
        pieces.append(piece)
        for k in rng.permutation(of)[:_TAKEN]:
            taken.append(int(k))
            readings.append(reading_of(shots[k].measurement, piece, "", _CALIPER_U_MM))
    return taken, judge_study(pieces, readings, _CALIPER_U_MM)


if __name__ == "__main__":
    raise SystemExit(main())
