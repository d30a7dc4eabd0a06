"""Lines, straightness: certified and published values, two independent solvers (scipy's linear programme and hull).

Data files carry their source in their first line.  S-.. are the numbers of the project's list of check values.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy.optimize import linprog
from scipy.spatial import ConvexHull

from gapvision.geometry.lines import LineFit, fit_line, fit_total_line
from gapvision.geometry.straightness import least_squares_zone, minimum_zone
from gapvision.geometry.uncertainty import combine
from gapvision.judgement.linear import slope

DATA = Path(__file__).parent / "data"


def columns(name: str) -> np.ndarray:
    return np.genfromtxt(DATA / name, delimiter=",", skip_header=2).T


NORRIS = columns("norris.csv")
GUM_H3 = columns("gum_h3.csv")
PEARSON = columns("pearson_york.csv")
SYNTHETIC = columns("straightness_synthetic.csv")
EDGES = {"bow": SYNTHETIC[1], "ess": SYNTHETIC[2], "kink": SYNTHETIC[3], "taper_bow": SYNTHETIC[4]}
SETS = {
    "norris": NORRIS, "gum_h3": (GUM_H3[0] - 20, GUM_H3[1]), "pearson": PEARSON[:2],
    **{name: (SYNTHETIC[0], edge) for name, edge in EDGES.items()},
}  # fmt: skip


def stated(x: np.ndarray, y: np.ndarray) -> tuple[LineFit, float, np.ndarray]:
    """A line, the scatter of the points about it, and covariance (2, 2) of intercept and slope from that scatter."""
    fit = fit_line(x, y)
    scatter = float(np.sqrt(((y - fit.intercept - fit.slope * x) ** 2).sum() / (len(x) - 2)))
    weights = np.stack([fit.intercept_weights, fit.slope_weights])
    return fit, scatter, scatter**2 * weights @ weights.T


def test_s01_norris():
    """NIST StRD linear regression, certified values (as kept in scipy's own tests)."""
    fit, scatter, covariance = stated(*NORRIS)
    assert fit.intercept == pytest.approx(-0.262323073774029, rel=1e-9)
    assert fit.slope == pytest.approx(1.00211681802045, rel=1e-12)
    assert scatter == pytest.approx(0.884796396144373, rel=1e-9)
    assert np.sqrt(np.diag(covariance)) == pytest.approx([0.232818234301152, 0.429796848199937e-3], rel=1e-9)
    # The way of the product's taper: each point's own part, combined.
    assert float(combine(fit.intercept_weights * scatter)) == pytest.approx(0.232818234301152, rel=1e-9)
    assert float(combine(fit.slope_weights * scatter)) == pytest.approx(0.429796848199937e-3, rel=1e-9)


def test_s02_gum_h3_thermometer():
    """JCGM 100:2008, H.3, as worked in a metrology library's tests: line, its uncertainty, a value beyond the data."""
    fit, scatter, covariance = stated(GUM_H3[0] - 20, GUM_H3[1])
    u_intercept, u_slope = (float(combine(w * scatter)) for w in (fit.intercept_weights, fit.slope_weights))
    assert (round(fit.intercept, 4), round(u_intercept, 4)) == (-0.1712, 0.0029)
    assert (round(fit.slope, 5), round(u_slope, 5)) == (0.00218, 0.00067)
    correlation = covariance[0, 1] / (u_intercept * u_slope)
    assert round(correlation, 3) == -0.930
    assert round(fit.intercept + 10 * fit.slope, 4) == -0.1494
    # At 30 degrees: from the points' own parts, and from the two correlated results (H.3.4), the same.
    from_points = combine((fit.intercept_weights + 10 * fit.slope_weights) * scatter)
    from_line = combine([u_intercept, 10 * u_slope], np.array([[1, correlation], [correlation, 1]]))
    assert (round(float(from_points), 4), round(float(from_line), 4)) == (0.0041, 0.0041)
    assert float(from_points) == pytest.approx(float(from_line), rel=1e-9)
    assert scatter**2 * 9 == pytest.approx(0.000110096583109, rel=1e-9)


def test_the_product_states_the_same_slope():
    """Points so far apart that nothing is shared between them: taper and its u are the line's of H.3."""
    fit, scatter, _ = stated(GUM_H3[0] - 20, GUM_H3[1])
    far = 1e6  # 1000 m from one to the next
    value, std = slope(far * (GUM_H3[0] - 20), GUM_H3[1], np.full(11, scatter))
    assert (value * far / 1000, std * far / 1000) == (pytest.approx(fit.slope), pytest.approx(0.000667939, rel=1e-6))


def test_s03_three_definitions_side_by_side():
    """Calculated with scipy's hull, scipy's linear programme and a JavaScript geometry library's minimum diameter."""
    x, y = SETS["gum_h3"]
    fit = fit_line(x, y)
    assert np.ptp(y - fit.intercept - fit.slope * x) == pytest.approx(0.00876524, abs=1e-8)
    assert minimum_zone(x, y).width == pytest.approx(0.008733044913531465, abs=1e-12)


def test_s04_pearson_unweighted():
    """Pearson 1901 (rounded answer y = 5.784 - 0.5456 x from memory); more figures from numpy's SVD."""
    fit = fit_total_line(*PEARSON[:2])
    slope = fit.direction[1] / fit.direction[0]
    assert slope == pytest.approx(-0.545561197520965, abs=1e-9)
    assert fit.centre[1] - slope * fit.centre[0] == pytest.approx(5.784043774530086, abs=1e-9)
    assert np.sqrt(np.mean(fit.distances(*PEARSON[:2]) ** 2)) == pytest.approx(0.248711230031345, abs=1e-9)


@pytest.mark.parametrize(
    ("edge", "least_squares", "zone"),
    [("bow", 1.000000, 1.000000), ("ess", 0.678080, 0.666666435), ("kink", 0.800000, 0.749999156),
     ("taper_bow", 0.600000, 0.599997300)],
)  # fmt: skip
@pytest.mark.parametrize("degrees", [0, 30, 90, 217])
def test_s06_edges(edge, least_squares, zone, degrees):
    """S-06a to e: expected values from scipy and a JavaScript geometry library; turning changes nothing."""
    c, s = np.cos(np.radians(degrees)), np.sin(np.radians(degrees))
    x, y = np.array([[c, -s], [s, c]]) @ np.array(SETS[edge])
    assert minimum_zone(x, y).width == pytest.approx(zone, abs=1e-6)
    # The published one is vertical, about the ordinary line; the perpendicular one may differ by 1e-5 of the slope.
    assert least_squares_zone(x, y).width == pytest.approx(least_squares, abs=1e-5)


def test_s07_norris_zone():
    """Norris once more: vertical residual range and perpendicular minimum zone, two independent libraries."""
    fit = fit_line(*NORRIS)
    assert np.ptp(NORRIS[1] - fit.intercept - fit.slope * NORRIS[0]) == pytest.approx(4.142163982, abs=1e-8)
    assert minimum_zone(*NORRIS).width == pytest.approx(2.805906716309799, abs=1e-9)


def test_s07b_pearson_zone_is_exact():
    """0.3 times the root of 5, slope -1/2: can be checked by hand."""
    zone = minimum_zone(*PEARSON[:2])
    assert zone.width == pytest.approx(0.3 * np.sqrt(5), abs=1e-12)
    assert -zone.normal[0] / zone.normal[1] == pytest.approx(-0.5, abs=1e-12)


@pytest.mark.parametrize(
    ("n", "middle", "angle", "end"), [(50, 0.00707, 0.000490, 0.01393), (200, 0.00354, 0.0000612, 0.00704)]
)
def test_s09_line_through_noisy_points(n, middle, angle, end):
    """Closed forms sd / sqrt(n) and sd sqrt(12 / (n (n^2 - 1))), against 4000 drawn lines and the stated values."""
    rng = np.random.default_rng(20260102)
    x = np.arange(n) - (n - 1) / 2
    fits = [fit_line(x, rng.normal(0, 0.05, n)) for _ in range(4000)]
    assert np.std([f.intercept for f in fits]) == pytest.approx(middle, rel=0.04)
    assert np.std([f.slope for f in fits]) == pytest.approx(angle, rel=0.04)
    ends = [f.intercept + f.slope * x[-1] for f in fits]
    assert np.std(ends) == pytest.approx(end, rel=0.04)
    weights = (
        fits[0].intercept_weights,
        fits[0].slope_weights,
        fits[0].intercept_weights + x[-1] * fits[0].slope_weights,
    )
    assert [float(combine(w * 0.05)) for w in weights] == pytest.approx([middle, angle, end], rel=0.01)
    total = [fit_total_line(x, rng.normal(0, 0.05, n)) for _ in range(1000)]
    assert np.std([f.direction[1] for f in total]) == pytest.approx(angle, rel=0.06)


# --- two independent solvers ------------------------------------------------------------


def hull_width(x: np.ndarray, y: np.ndarray) -> float:
    """Minimum width from scipy.spatial's hull: its equations are unit normals."""
    hull = ConvexHull(np.stack([x, y], 1))
    heights = hull.points[hull.vertices] @ hull.equations[:, :2].T
    return float(np.ptp(heights, axis=0).min())


def minimax(x: np.ndarray, y: np.ndarray) -> tuple[float, float]:
    """Vertical zone and slope by scipy's linear programme: smallest t with abs(y - a - b x) <= t."""
    one = np.ones_like(x)
    above, below = np.stack([-one, -x, -one], 1), np.stack([one, x, -one], 1)
    done = linprog([0, 0, 1], A_ub=np.vstack([above, below]), b_ub=np.concatenate([-y, y]),
                   bounds=[(None, None)] * 2 + [(0, None)])  # fmt: skip
    return 2 * float(done.x[2]), float(done.x[1])


@pytest.mark.parametrize("name", SETS)
def test_against_both_solvers_on_published_sets(name):
    x, y = SETS[name]
    width = minimum_zone(x, y).width
    assert width == pytest.approx(hull_width(x, y), rel=1e-9)
    vertical, slope = minimax(x, y)
    # The flattest vertical zone, seen perpendicular to its own line, can only be as narrow or wider.
    assert vertical / np.hypot(1, slope) >= width * (1 - 1e-7)
    if abs(slope) < 0.01:
        assert vertical == pytest.approx(width, rel=1e-4)


@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("n", [10, 100, 631])
def test_s10_target_accuracy_on_drawn_edges(n, seed):
    """Width within 0.00001 mm on 10 to 631 points within 500 mm, as a national institute's certification is described
    (secondary source)."""
    rng = np.random.default_rng((n, seed))
    x = np.sort(rng.uniform(0, 500, n))
    y = (
        rng.normal(0, 0.05, n)
        + rng.uniform(-0.5, 0.5) * np.sin(x / rng.uniform(20, 200))
        + rng.uniform(-0.01, 0.01) * x
    )
    zone = minimum_zone(x, y)
    assert zone.width == pytest.approx(hull_width(x, y), abs=1e-9)
    heights = np.stack([x, y], 1) @ zone.normal
    assert np.ptp(heights) == pytest.approx(zone.width, abs=1e-9)
    assert (heights.max() + heights.min()) / 2 == pytest.approx(zone.middle, abs=1e-9)
    vertical, slope = minimax(x, y)
    assert vertical / np.hypot(1, slope) == pytest.approx(zone.width, abs=1e-4)
