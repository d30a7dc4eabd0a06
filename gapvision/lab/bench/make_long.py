"""Draw long seams, photos side by side along each, with exact truth, into a folder.

``python -m gapvision.lab.bench.make_long FOLDER [--only NAME]``.  What is there already is not drawn again.
`gapvision.lab.bench.long_seams` measures the folder.
"""

from __future__ import annotations

import argparse
import json
import os
from concurrent.futures import ProcessPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path

from gapvision.lab.scenes import CameraSpec, Defect, EdgeSpec, SceneSpec, StripSpec, render_scene

_APART_MM = 200.0
_TILTS_DEG = (5.0, -7.0, 4.0, 5.0, -6.0, 3.0)
#: Strips of 240 mm in a chain, a little out of line: (place along the seam, off the row [mm], turned [degrees]).
_ROW = ((-385.0, 0.0, 0.6), (-128.0, 1.5, -0.7), (127.0, -2.5, 0.4), (386.0, 1.0, -0.3))


@dataclass(frozen=True, slots=True, kw_only=True)
class LongSeam:
    """A seam, where its photos are taken, and where its strips lie in each of them.

    Attributes
    ----------
    spec : SceneSpec
        Without strips and camera.
    places_mm : tuple of float
        Where each photo looks.
    strips : tuple of tuples of StripSpec
        Of each photo; one for all where they stay.
    tilts_deg : tuple of float
        Across the seam, one for each photo in turn.
    """

    spec: SceneSpec
    places_mm: tuple[float, ...]
    strips: tuple[tuple[StripSpec, ...], ...]
    tilts_deg: tuple[float, ...] = _TILTS_DEG

    def photos(self) -> list[SceneSpec]:
        """The scene of each photo."""
        out = []
        for k, place in enumerate(self.places_mm):
            camera = CameraSpec(
                distance_mm=310.0 + 6 * (k % 3),
                aim_s_mm=place,
                aim_t_mm=3.0 * (-1) ** k,
                tilt_across_deg=self.tilts_deg[k % len(self.tilts_deg)],
                tilt_along_deg=(-4.0, 3.0, 1.0, -2.0)[k % 4],
                roll_deg=(3.0, -2.0, 1.0)[k % 3],
                focal_px=3010.0 + 8 * (k % 4) - 12,
                model="",
            )
            strips = self.strips[min(k, len(self.strips) - 1)]
            out.append(replace(self.spec, name=f"{self.spec.name}{chr(97 + k)}", camera=camera, strips=strips))
        return out


def _row(letters: str, t_mm: float) -> tuple[StripSpec, ...]:
    sign = 1 if t_mm > 0 else -1
    return tuple(
        StripSpec(letter=x, s_mm=s + 5 * (sign > 0), t_mm=t_mm + off, angle_deg=sign * turn)
        for x, (s, off, turn) in zip(letters, _ROW, strict=True)
    )


def _spec(name: str, a: str, b: str, **more: object) -> SceneSpec:
    spec = SceneSpec(
        name=name,
        gap_mm=4.6,
        taper_mm_per_m=0.8,
        edge_a=EdgeSpec(radius_mm=1.6, finish=a, wave_mm=0.05, wave_period_mm=310.0),
        edge_b=EdgeSpec(radius_mm=1.3, finish=b, wave_mm=0.08, wave_period_mm=420.0, wave_phase_deg=70.0),
    )
    return replace(spec, **more)  # type: ignore[arg-type]


_FIVE = tuple(_APART_MM * k for k in (-2, -1, 0, 1, 2))
_BOTH = (*_row("ABCD", -42.0), *_row("EFGH", 44.0))


def _pair(letters: str, s_mm: float, turn: float) -> tuple[StripSpec, ...]:
    return (
        StripSpec(letter=letters[0], s_mm=s_mm, t_mm=-42.0, angle_deg=turn),
        StripSpec(letter=letters[1], s_mm=s_mm + 4, t_mm=45.0, angle_deg=-turn),
    )


def _leapfrog() -> LongSeam:
    """1.2 m with four strips: the hindmost pair is carried forward, the other lies still."""
    first, second = _pair("AC", -480.0, 0.5), _pair("BD", -222.0, -0.4)
    third, fourth, last = _pair("AC", 38.0, 0.3), _pair("BD", 300.0, -0.6), _pair("AC", 560.0, 0.2)
    strips = (
        (*first, *second), (*first, *second), (*third, *second), (*third, *fourth), (*third, *fourth),
        (*last, *fourth),
    )  # fmt: skip
    places = (-500.0, -300.0, -100.0, 100.0, 300.0, 500.0)
    return LongSeam(spec=_spec("l05_leapfrog", "red_primer", "grey_primer"), places_mm=places, strips=strips)


def _bumped() -> tuple[tuple[StripSpec, ...], ...]:
    """Strip C is pushed by 0.6 mm before the fourth photo."""
    after = tuple(replace(x, t_mm=x.t_mm + 0.6, angle_deg=x.angle_deg + 0.1) if x.letter == "C" else x for x in _BOTH)
    return (_BOTH, _BOTH, _BOTH, after, after)


#: Seams of one metre and more, in other shapes than the shared one.
SEAMS: tuple[LongSeam, ...] = (
    LongSeam(
        spec=_spec("l01_bent_along", "grey_primer", "brushed_steel", bend="along", bend_radius_mm=1400.0),
        places_mm=_FIVE, strips=(_BOTH,),
    ),
    LongSeam(
        spec=_spec("l02_crowned", "white_primer", "red_primer", bend="across", bend_radius_mm=900.0, step_mm=0.5),
        places_mm=_FIVE, strips=(_BOTH,),
    ),
    LongSeam(
        spec=_spec("l03_arc", "grey_primer", "lead", seam_radius_mm=4000.0),
        places_mm=_FIVE,
        strips=((
            *(replace(x, t_mm=x.t_mm + x.s_mm**2 / 8000, angle_deg=x.angle_deg + x.s_mm / 69.8) for x in _BOTH),
        ),),
    ),
    LongSeam(
        spec=_spec("l04_one_side", "grey_primer", "white_primer", step_mm=-0.4),
        places_mm=_FIVE, strips=(_row("ABCD", -42.0),),
    ),
    _leapfrog(),
    LongSeam(spec=_spec("l06_gloss", "green_gloss", "blue_gloss"), places_mm=_FIVE, strips=(_BOTH,)),
    LongSeam(
        spec=_spec(
            "l07_bow", "grey_primer", "grey_primer",
            edge_b=EdgeSpec(
                radius_mm=1.4, finish="grey_primer", wave_mm=0.8, wave_period_mm=2000.0, wave_phase_deg=90.0
            ),
            defects=(Defect(side="A", s_mm=130.0, height_mm=0.35, width_mm=40.0),),
        ),
        places_mm=_FIVE, strips=(_BOTH,),
    ),
    LongSeam(spec=_spec("l08_bumped", "lead", "grey_primer"), places_mm=_FIVE, strips=_bumped()),
    LongSeam(
        spec=_spec("l09_two_tilts", "grey_primer", "brushed_steel"),
        places_mm=tuple(p for p in _FIVE for _ in range(2)), strips=(_BOTH,),
        tilts_deg=(-14.0, 13.0, -12.0, 15.0, -15.0, 14.0, -13.0, 12.0, -14.0, 15.0),
    ),
)  # fmt: skip


def draw_one(number: int, folder: Path) -> str:
    """Draw the photos of one seam that are not there yet; returns its name."""
    seam = SEAMS[number]
    for k, spec in enumerate(seam.photos()):
        truth_file = folder / f"{spec.name}.truth.json"
        if truth_file.exists():
            continue
        # One seed for all photos of a seam would give them one noise too.
        jpeg, truth = render_scene(spec, 1000 * number + k)
        (folder / f"{spec.name}.jpg").write_bytes(jpeg)
        truth_file.write_text(json.dumps(truth), encoding="utf-8")
    return seam.spec.name


def main(argv: list[str] | None = None) -> int:
    """Draw, and say what was written."""
    parser = argparse.ArgumentParser(prog="python -m gapvision.lab.bench.make_long", description=__doc__)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--only", action="append", help="this seam (may be repeated)")
    parser.add_argument("--jobs", type=int, default=os.cpu_count() or 1)
    args = parser.parse_args(argv)
    args.folder.mkdir(parents=True, exist_ok=True)
    numbers = [k for k, seam in enumerate(SEAMS) if not args.only or seam.spec.name in args.only]
    with ProcessPoolExecutor(args.jobs) as pool:
        for name in pool.map(draw_one, numbers, [args.folder] * len(numbers)):
            print(name, flush=True)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
