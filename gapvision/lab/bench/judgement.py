"""How good and how fast the judgement is: ``python -m gapvision.lab.bench.judgement``.

Prints, on invented panels drawn by lot (seeded):

* the move against scipy's differential evolution on the same objective;
* the trim line against a brute-force search on small edges;
* the conformance probability against Monte Carlo;
* times of a four-seam panel with 4,000 stations, step by step.
"""

from __future__ import annotations

import argparse
import itertools
import statistics
import time
from collections.abc import Callable

import numpy as np

from gapvision.judgement import conformance_probability, make_plan, placed, predict_move, ready_shape, trim_line
from gapvision.judgement.move import best_move, shift_rows
from gapvision.model import Adjuster, FloatArray, Move, NominalPoint, Panel, PanelSeam, SeamReading, Specification

_SPEC = Specification(
    nominal=(NominalPoint(0.0, 4.76),), allow_below_mm=0.5, allow_above_mm=0.5, taper_mm_per_m=2.0, jump_10_mm=0.4
)
_WIDTH, _LENGTH = 1200.0, 1000.0


def random_panel(
    rng: np.random.Generator, seams: int, stations: int, *, noise: float = 0.15, adjusters: tuple[Adjuster, ...] = ()
) -> Panel:
    """A boot lid with some of its four seams, each offset, tapered and noisy by lot."""
    shape = ready_shape("boot lid")
    places, words = shape.places(_WIDTH, _LENGTH), shape.directions
    out = []
    for name in rng.permutation(sorted(places))[:seams]:
        spacing = (_LENGTH - 10) / stations
        s = np.arange(stations, dtype=float) * spacing
        gap = (
            4.76
            + rng.uniform(-1.5, 1.5)
            + rng.uniform(-1.5, 1.5) * (s / _LENGTH - 0.5)
            + 0.2 * np.sin(s / rng.uniform(40, 200))
            + noise * rng.standard_normal(stations)
        )
        reading = SeamReading(
            seam=str(name),
            photo=str(name),
            s_mm=s,
            gap_mm=gap,
            expanded_u_mm=np.full(stations, 0.1),
            panel_edge_mm=-gap,
            xy_mm=np.zeros((0, 2)),
            outward=np.zeros((0, 2)),
            spacing_mm=spacing,
        )
        out.append(
            PanelSeam(
                name=str(name),
                place=places[name],
                spec=_SPEC,
                readings=(placed(reading, places[name], (0.0, _LENGTH / 2)),),
            )
        )
    return Panel(
        name="lid",
        shape="boot lid",
        seams=tuple(out),
        centre=(0.0, _LENGTH / 2),
        words=words,
        aim="middle",
        adjusters=adjusters,
    )


def bands_of(panel: Panel) -> list[tuple[FloatArray, FloatArray]]:
    """The tolerance band of each stretch."""
    return [(np.full(len(r.s_mm), 4.26), np.full(len(r.s_mm), 5.26)) for r in panel.readings]


def against_evolution(panels: int, seed: int) -> None:
    """Compare the linear programme with scipy's differential evolution."""
    from scipy.optimize import differential_evolution

    worse, gains = 0, []
    for k in range(panels):
        rng = np.random.default_rng([seed, k])
        panel = random_panel(rng, 1 + k % 4, 25)
        rows = np.concatenate([shift_rows(r.xy_mm, r.outward, panel.centre) for r in panel.readings])
        gap = np.concatenate([r.gap_mm for r in panel.readings])

        def excess(x: FloatArray, rows: FloatArray = rows, gap: FloatArray = gap) -> float:
            moved = gap + rows @ x
            return float(np.maximum(moved - 5.26, 4.26 - moved).max())

        m = best_move(panel, panel.readings, bands_of(panel)).move
        mine = excess(np.array([m.x_mm, m.y_mm, m.turn_rad]))
        other = differential_evolution(excess, [(-6, 6), (-6, 6), (-0.01, 0.01)], seed=k, tol=1e-7, maxiter=150).fun
        worse += mine > other + 1e-6
        gains.append(other - mine)
    print(
        f"move: {panels} panels of 1 to 4 seams; worse than differential evolution on {worse}; evolution "
        f"above the linear programme by "
        f"{statistics.median(gains):.6f} mm in the middle, {max(gains):.6f} mm at most, {min(gains):.2e} mm at least"
    )


def against_brute_force(edges: int, seed: int) -> None:
    """Compare the trim line with every line through two corners that can bind."""
    largest, possible = 0.0, 0
    for k in range(edges):
        rng = np.random.default_rng([seed, k])
        s = np.arange(10.0) * 20
        edge = rng.normal(0, 0.3, 10)
        gap = 4.6 - edge + rng.normal(0, 0.05, 10)
        low, high = np.full(10, 4.26), np.full(10, 5.9)
        best = brute_force(s, edge, gap, low, high)
        if not np.isfinite(best):
            continue
        possible += 1
        t = trim_line(s, edge, gap, low, high, spacing_mm=20.0)
        mine = float(np.maximum(edge - t.line_mm, 0).sum()) if t.needed else 0.0
        largest = max(largest, abs(mine - best))
    print(
        f"trim: {edges} small edges, {possible} with a possible line; largest difference to the brute-force "
        f"search {largest:.2e} mm"
    )


def brute_force(s: FloatArray, edge: FloatArray, gap: FloatArray, low: FloatArray, high: FloatArray) -> float:
    """Least sum cut by any line through two corners; ``inf`` when no line fits."""
    neighbour = edge + gap
    tight, wide = gap < low, gap > high
    floor = np.where(wide, edge, np.minimum(edge, neighbour - high))
    ceiling = np.where(tight, neighbour - low, np.inf)
    if not tight.any():
        return 0.0
    corners = [(a, b) for k in (floor, ceiling, edge) for a, b in zip(s, k, strict=True) if np.isfinite(b)]
    best = np.inf
    for (xa, ya), (xb, yb) in itertools.combinations(corners, 2):
        if xa != xb:
            line = ya + (yb - ya) / (xb - xa) * (s - xa)
            if (line >= floor - 1e-9).all() and (line <= ceiling + 1e-9).all():
                best = min(best, float(np.maximum(edge - line, 0).sum()))
    return best


def against_monte_carlo(seed: int) -> None:
    """Compare the conformance probability with draws."""
    rng = np.random.default_rng(seed)
    largest = 0.0
    for _ in range(100):
        y, u = rng.uniform(3.0, 5.0), rng.uniform(0.02, 0.6)
        draws = rng.normal(y, u, 200_000)
        largest = max(
            largest,
            abs(float(conformance_probability(y, u, 3.5, 4.5)) - float(((draws >= 3.5) & (draws <= 4.5)).mean())),
        )
    print(f"conformance probability: 100 cases, largest difference to Monte Carlo {100 * largest:.2f} %")


def times(seed: int) -> None:
    """Time a four-seam panel with 4,000 stations."""
    hinges = tuple(
        Adjuster(name=n, xy=xy, travel_x=(-3, 3), travel_y=(-3, 3))
        for n, xy in (("a", (-500.0, 50.0)), ("b", (500.0, 50.0)), ("c", (0.0, 950.0)))
    )
    panel = random_panel(np.random.default_rng(seed), 4, 1000, noise=0.03, adjusters=hinges)
    bands, eight = bands_of(panel), eight_seams(seed)
    for what, run in (
        ("move of a four-seam panel, 4,000 stations", lambda: best_move(panel, panel.readings, bands)),
        ("trim of one edge, 1,000 stations", lambda: _trim(panel)),
        ("prediction after a slider's move, 4 seams", lambda: predict_move(panel, Move(x_mm=0.5))),
        ("whole plan of the panel", lambda: make_plan(panel)),
        ("whole plan of 8 seams with 1,500 stations each", lambda: make_plan(eight)),
    ):
        print(f"time: {what}: {1000 * _median(run):.0f} ms")


def eight_seams(seed: int) -> Panel:
    """An octagon with 8 seams of 1,500 stations each, every gap offset, tapered, waved and noisy by lot."""
    rng, long = np.random.default_rng(seed), 1500.0
    turn = 2 * np.pi * np.arange(9) / 8
    around = long / 2 / np.sin(np.pi / 8) * np.stack([np.cos(turn), np.sin(turn)], 1)
    s, seams = np.arange(long), []
    for k in range(8):
        gap = 4.76 + rng.uniform(-0.8, 0.8) + rng.uniform(-0.8, 0.8) * (s / long - 0.5)
        gap += 0.1 * np.sin(s / rng.uniform(40, 200)) + 0.03 * rng.standard_normal(len(s))
        none, place = np.zeros((0, 2)), (_point(around[k]), _point(around[k + 1]))
        one = SeamReading(
            seam=str(k), photo=str(k), s_mm=s, gap_mm=gap, expanded_u_mm=np.full(len(s), 0.1), panel_edge_mm=-gap,
            xy_mm=none, outward=none,
        )  # fmt: skip
        seams.append(PanelSeam(name=str(k), place=place, spec=_SPEC, readings=(placed(one, place, (0.0, 0.0)),)))
    at = (("a", (-500.0, 50.0)), ("b", (500.0, 50.0)), ("c", (0.0, 950.0)))
    hinges = tuple(Adjuster(name=n, xy=xy, travel_x=(-3, 3), travel_y=(-3, 3)) for n, xy in at)
    return Panel(name="octagon", seams=tuple(seams), centre=(0.0, 0.0), adjusters=hinges)


def _point(xy: FloatArray) -> tuple[float, float]:
    return float(xy[0]), float(xy[1])


def _trim(panel: Panel) -> None:
    r = panel.readings[0]
    trim_line(r.s_mm, r.panel_edge_mm, r.gap_mm, np.full(1000, 4.4), np.full(1000, 5.1), spacing_mm=r.spacing_mm)


def _median(run: Callable[[], object], repeats: int = 7) -> float:
    run()
    spent = []
    for _ in range(repeats):
        start = time.process_time()  # of the processor: other work on the machine does not count
        run()
        spent.append(time.process_time() - start)
    return statistics.median(spent)


def main(argv: list[str] | None = None) -> int:
    """Run all parts and print their figures."""
    parser = argparse.ArgumentParser(prog="python -m gapvision.lab.bench.judgement", description=__doc__)
    parser.add_argument("--panels", type=int, default=200)
    parser.add_argument("--edges", type=int, default=300)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args(argv)
    against_evolution(args.panels, args.seed)
    against_brute_force(args.edges, args.seed)
    against_monte_carlo(args.seed)
    times(args.seed)
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
