"""How well the frame of a long seam is known: cameras and corners on paper, no pictures.

``python -m gapvision.lab.bench.long_simulation`` prints, for seams of 0.25 to 3 m, what the frame alone does to the
straightness of a seam that is straight, and what U says of it.  Cameras stand over a panel whose bend may change along
the seam; every corner in view is projected, moved by a lot, and measured by as photos are.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from gapvision.geometry.straightness import minimum_zone
from gapvision.lab.training.camera import PHOTO_HEIGHT_PX, PHOTO_WIDTH_PX, Camera, aim
from gapvision.model import StripView
from gapvision.targets.strip import corners_mm
from gapvision.vision.chain_field import Chain, ChainPhoto, fit_chain
from gapvision.vision.field import KnownStrips, fit_field

FloatArray = NDArray[np.float64]
SIZE_PX = (PHOTO_WIDTH_PX, PHOTO_HEIGHT_PX)
FOCAL_35MM = 3000 / float(np.hypot(*SIZE_PX)) * 43.267
ALIKE = KnownStrips(one_sheet=True)
_CORNER_PX = 0.06
_PITCH_MM = 258.0
_SEAM_UP_MM = -2.0  # of the edges' outlines below the print
_TILTS_DEG = (5.0, -7.0, 4.0, -3.0, 6.0)
_LEAST_CORNERS = 6
_REACH_MM = 160.0


@dataclass(frozen=True, slots=True, kw_only=True)
class PaperStrip:
    """A strip on the panel: its letter, sheet, where its middle lies [mm], how it is turned [rad] and raised [mm]."""

    letter: str
    s_mm: float
    t_mm: float
    turn: float = 0.0
    up_mm: float = 0.0
    sheet: int | None = None

    @property
    def side(self) -> str:
        """``A`` or ``B``."""
        return "A" if self.t_mm < 0 else "B"


def row_of(length_mm: float, sides: str = "AB", seed: int = 0, paper_mm: float = 0.0) -> list[PaperStrip]:
    """Strips in a chain beside a seam of a length, about its middle; letters go on along it, sheet after sheet.

    ``paper_mm``: standard deviation of how much a strip's ends lie off a straight line, as a turn of it.
    """
    rng, n = np.random.default_rng(seed), max(1, int(np.ceil(length_mm / _PITCH_MM)))
    out = []
    for k in range(n * len(sides)):
        side, place = sides[k % len(sides)], (k // len(sides) - 0.5 * (n - 1)) * _PITCH_MM
        out.append(
            PaperStrip(
                letter="ABCDEFGH"[k % 8], sheet=k // 8 + 1 if n * len(sides) > 8 else None,
                s_mm=place + rng.normal(0, 2), t_mm=(-42.0 if side == "A" else 43.0) + rng.normal(0, 2),
                turn=rng.normal(0, 0.008) + rng.normal(0, paper_mm / 120),
            )
        )  # fmt: skip
    return out


def photo_at(
    place_mm: float,
    strips: Sequence[PaperStrip],
    rng: np.random.Generator,
    *,
    name: str = "",
    tilt_deg: float = 4.0,
    bend: Callable[[float], float] = lambda _: 0.0,
    step_mm: float = 0.0,
) -> tuple[ChainPhoto, FloatArray, FloatArray]:
    """One photo of the strips that it shows, and places of a straight seam in it.

    Parameters
    ----------
    place_mm : float
        Where along the seam the camera looks.
    bend : callable
        The panel's curvature along the seam at a place [1/mm].
    step_mm : float
        Of face B above face A.

    Returns
    -------
    photo : ChainPhoto
    s_mm : ndarray, shape (n,)
        Places along the seam.
    px : ndarray, shape (n, 2)
        Where the photo shows them, at ``-2 mm`` below the print.
    """
    along, roll, off = (float(v) for v in rng.normal(0, 3, 3))
    camera = aim(312.0, tilt_deg, along, roll, 3000 * float(np.exp(rng.normal(0, 0.003))), (0.0, off))
    views, sides = [], {}
    for one in strips:
        corners = corners_mm()
        local = corners[:, :2] - [120.0, 18.0]
        c, d = np.cos(one.turn), np.sin(one.turn)
        at = local @ np.array([[c, d], [-d, c]]) + [one.s_mm - place_mm, one.t_mm]
        up = one.up_mm + step_mm * (one.side == "B")
        seen = _seen(camera, at, np.full(len(at), up), place_mm, bend) + rng.normal(0, _CORNER_PX, at.shape)
        ids = np.flatnonzero(((seen > 0) & (seen < np.array(SIZE_PX) - 1)).all(1))
        if len(ids) >= _LEAST_CORNERS:
            sides[one.letter] = one.side
            views.append(
                StripView(
                    letter=one.letter, corner_ids=ids, corners_px=seen[ids], corners_mm=corners[ids, :2],
                    sheet=one.sheet,
                )
            )  # fmt: skip
    lowest = sides[min(sides)]
    sides = {letter: "A" if side == lowest else "B" for letter, side in sides.items()}
    on_b = frozenset(x for x, side in sides.items() if side == "B")
    fitted = fit_field(views, SIZE_PX, FOCAL_35MM, on_b, known=ALIKE)
    s = np.arange(-_REACH_MM, _REACH_MM + 1, 10.0)
    px = _seen(camera, np.stack([s, 0 * s], 1), np.full(len(s), _SEAM_UP_MM), place_mm, bend)
    middle = fitted.to_panel(px, _SEAM_UP_MM)
    fine = np.stack([np.interp(np.arange(-_REACH_MM, _REACH_MM), s, middle[:, i]) for i in range(2)], 1)
    return ChainPhoto(name, views, fitted, FOCAL_35MM, sides, fine), s + place_mm, px


def _seen(
    camera: Camera, st: FloatArray, up: FloatArray, place_mm: float, bend: Callable[[float], float]
) -> FloatArray:
    """Developed places about the camera's to pixels; the panel is curved along the seam as ``bend`` says."""
    s = np.arange(-500.0, 500.5, 0.5)
    curve = np.array([bend(place_mm + v) for v in s[::100]])
    angle = np.cumsum(np.interp(s, s[::100], curve)) * 0.5
    angle -= angle[len(s) // 2]
    x, z = np.cumsum(np.cos(angle)) * 0.5, -np.cumsum(np.sin(angle)) * 0.5
    x, z = x - x[len(s) // 2], z - z[len(s) // 2]
    at_x, at_z, a = (np.interp(st[:, 0], s, v) for v in (x, z, angle))
    return camera.project(np.stack([at_x + up * np.sin(a), -st[:, 1], at_z + up * np.cos(a)], 1))


def course_of(chain: Chain, seen: Sequence[tuple[FloatArray, FloatArray]]) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Where a straight seam comes out: places along it [mm], how far off its own straight line, and the covariance."""
    s, points, photo, px = [], [], [], []
    for j, k in enumerate(chain.kept):
        points.append(chain.to_common(j, chain.fields[j].to_panel(seen[k][1], _SEAM_UP_MM)))
        s.append(seen[k][0])
        px.append(seen[k][1])
        photo.append(np.full(len(seen[k][0]), j))
    at, all_s = np.concatenate(points), np.concatenate(s)
    way = np.linalg.svd(at - at.mean(0), full_matrices=False)[2][0]
    normal = np.array([-way[1], way[0]])
    off = (at - at.mean(0)) @ normal
    number = np.concatenate(photo)
    normals = np.broadcast_to(normal, at.shape)
    covariance = chain.course(number, np.concatenate(px), np.full(len(at), _SEAM_UP_MM), normals)
    return all_s, off, covariance


def simulate(length_mm: float, sides: str, seed: int, paper_mm: float = 0.01) -> tuple[float, float, float]:
    """Minimum zone of a seam that is straight, its bow by the best arc, and the bow's standard uncertainty [mm]."""
    rng = np.random.default_rng([seed, round(length_mm), len(sides)])
    strips = row_of(length_mm, sides, seed, paper_mm)
    n = max(2, int(np.ceil((length_mm - 100) / 200)) + 1)
    places = np.linspace(-0.5, 0.5, n) * max(length_mm - 240, 60)
    made = [
        photo_at(float(p), strips, rng, name=f"{k:02d}.jpg", tilt_deg=_TILTS_DEG[k % 5]) for k, p in enumerate(places)
    ]
    chain = fit_chain([photo for photo, _, _ in made], ALIKE)
    s, off, covariance = course_of(chain, [(s, px) for _, s, px in made])
    keep = np.abs(s) <= length_mm / 2
    s, off, covariance = s[keep], off[keep], covariance[np.ix_(keep, keep)]
    x = s / (length_mm / 2)
    ways = np.linalg.pinv(np.stack([np.ones_like(x), x, 1 - x * x], 1))[2]
    return minimum_zone(s, off).width, float(ways @ off), float(np.sqrt(ways @ covariance @ ways))


def main(argv: list[str] | None = None) -> int:
    """Print the table."""
    parser = argparse.ArgumentParser(prog="python -m gapvision.lab.bench.long_simulation", description=__doc__)
    parser.add_argument("--seeds", type=int, default=6)
    parser.add_argument("--lengths", type=float, nargs="+", default=[250, 500, 1000, 1500, 2000, 3000], metavar="MM")
    args = parser.parse_args(argv)
    print("| length mm | strips on | zone of a straight seam, mean mm | bow, root mean square mm | bow's U / 2 |")
    print("| --- | --- | --- | --- | --- |")
    for length in args.lengths:
        for sides in ("A", "AB"):
            found = np.array([simulate(length, sides, seed) for seed in range(args.seeds)])
            zone, bow, std = found[:, 0].mean(), np.sqrt((found[:, 1] ** 2).mean()), found[:, 2].mean()
            who = "one side" if len(sides) == 1 else "both"
            print(f"| {length:.0f} | {who} | {zone:.3f} | {bow:.3f} | {std:.3f} |", flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
