"""How far a chosen edge is trusted: sharp and lone, doubtful, mirrored; and the plain stored nets."""

from dataclasses import replace
from io import BytesIO
from statistics import NormalDist

import numpy as np
import pytest
from scipy.special import ndtr

from gapvision.vision import trust
from gapvision.vision.band import ROW_MM
from gapvision.vision.edges import choose_edges, own_place
from gapvision.vision.placing import place_edge
from gapvision.vision.plain_net import run_net
from tests.vision.test_edges import T, band_of, gap_band


def test_stored_net_is_two_plain_layers():
    net = {
        "mean": np.array([1.0, 0.0]),
        "std": np.array([2.0, 1.0]),
        "w0": np.array([[1.0, -1.0], [0.0, 1.0]]),
        "b0": np.array([0.5, 0.0]),
        "w1": np.array([[2.0], [3.0]]),
        "b1": np.array([0.25]),
    }
    # By hand: (3 - 1) / 2 = 1; layer 1: 1 + 0.5 = 1.5 and -1 + 0.5 = -0.5 -> 0; answer 2 * 1.5 + 0.25 = 3.25.
    assert run_net(net, np.array([[3.0, 0.5]]))[0, 0] == pytest.approx(3.25)
    far, farther = run_net(net, np.array([[1e3, 0.0], [1e9, 0.0]]))[:, 0]
    assert far == farther  # what was never seen is capped, not extrapolated


def test_stored_trust_holds_only_numbers():
    from importlib.resources import files

    data = files("gapvision.vision.models").joinpath("trust.npz").read_bytes()
    with np.load(BytesIO(data), allow_pickle=False) as stored:
        assert {stored[k].dtype.kind for k in stored.files} == {"f"}
        assert stored["w0"].shape[0] == len(trust.FIGURES)


def grey(band):
    return np.zeros(band.linear.shape, np.float32)


def test_a_lone_sharp_edge_is_trusted_to_a_tenth():
    choice = choose_edges(gap_band(-2.2, 2.4, noise=0.002))
    for edge, true in zip(choice.edges, (-2.2, 2.4), strict=True):
        assert np.median(edge.std_mm) < 0.06
        assert (np.abs(edge.t_mm - true) <= 2 * edge.std_mm).mean() > 0.9


def roll_over_a_dark_gap(outline=2.0, roll=2.9):
    """A roll that mirrors a dark gap: its outline is a faint step, what meets the eye is the wide one further out."""
    normal = np.vectorize(NormalDist().cdf)
    light = 0.004 + 0.012 * normal((T - outline) / 0.1) + 0.35 * normal((T - roll) / 0.28)
    light = np.maximum(light, 0.004 + 0.35 * normal((-2.0 - T) / 0.1))
    noise = np.random.default_rng(1).normal(0, 0.0008, (len(T), 120))
    return band_of(np.clip(light[:, None] + noise, 0.001, 1))


def test_the_outline_of_a_roll_lies_within_u():
    soft = choose_edges(roll_over_a_dark_gap()).edges[1]
    assert (np.abs(soft.t_mm - 2.0) <= 2 * soft.std_mm).mean() > 0.9


def test_a_wide_step_with_a_fainter_one_further_in_is_not_trusted():
    """Wherever the detector would have been sure of the wide step, the faint one stays possible."""
    band = roll_over_a_dark_gap()
    row = np.full(120, 200 + 2.9 / ROW_MM)
    chance = np.exp(-0.5 * ((np.arange(401)[:, None] - row[None]) / 1.5) ** 2).astype(np.float32)
    alike, placed = np.ones(120, np.float32), place_edge(band, row, 1)
    sure = trust.TrustFigures(chance / chance.sum(0), row, row, placed, 1, alike, grey(band))
    no = np.zeros(120, bool)
    std = trust.edge_std_mm(band, sure, trust.edge_figures(band, sure, no, no))
    assert np.median(2 * std) >= 0.9


def test_a_second_place_that_shows_now_and_then_counts_along_the_whole_edge():
    """Two places 3 mm apart all along: where the detector hardly sees the outer one it is no likelier to be right."""
    n = 120
    band = gap_band(-2.2, 2.4, noise=0.002)
    row = np.full(n, 200 + 2.4 / ROW_MM)
    rows = np.arange(401)[:, None]
    near, far = (np.exp(-0.5 * ((rows - row[None] - 60 * k) / 1.5) ** 2) for k in (0, 1))
    at_times = np.where(np.arange(n) % 30 < 10, 0.4, 0.02)

    def median_std(share):
        chance = ((1 - share) * near + share * far).astype(np.float32)
        sure, placed = np.ones(n, np.float32), place_edge(band, row, 1)
        edge = trust.TrustFigures(chance / chance.sum(0), row, row, placed, 1, sure, grey(band))
        no = np.zeros(n, bool)
        return np.median(trust.edge_std_mm(band, edge, trust.edge_figures(band, edge, no, no))[at_times < 0.1])

    assert median_std(np.full(n, 0.0)) < 0.08
    assert 2 * median_std(at_times) > 1.0


def painted_and_flanged(paint_to, flange_to=2.0):
    """Blue paint as light as the grey flange beside it, then a dark gap: only the colour says where the paint ends."""
    band = gap_band(-2.2, flange_to, noise=0.002)
    chroma, t = band.chroma.copy(), T[::2]
    blue = ndtr((t - paint_to) / 0.2).astype(np.float32)[:, None]
    chroma[0], chroma[1] = -0.4 * blue, 0.9 * blue
    return replace(band, chroma=chroma)


def test_where_the_paint_ends_further_out_than_the_chosen_edge_the_edge_may_lie_there():
    """A flange within the gap, in primer as light as the paint: an own scene read 3.5 mm too small with U 0.26 mm."""
    edge = choose_edges(painted_and_flanged(5.5)).edges[1]
    assert (np.abs(edge.t_mm - 5.5) <= 2 * edge.std_mm).all()
    as_it_was = choose_edges(painted_and_flanged(2.0)).edges[1]
    assert np.median(as_it_was.std_mm) < 0.08


def test_colour_that_is_not_the_panels_own_on_both_sides_tells_nothing():
    """The paper of a strip 6 mm off the gap is what fills the far rows: the paint is then foreign as far as it goes."""
    assert np.median(choose_edges(painted_and_flanged(8.0)).edges[1].std_mm) < 0.08


@pytest.mark.slow
def test_trust_is_the_same_for_the_mirror_picture():
    band = gap_band(-2.6, 1.9, noise=0.003)
    one, other = choose_edges(band), choose_edges(band_of(band.linear[::-1]))
    np.testing.assert_allclose(one.edges[0].t_mm, -other.edges[1].t_mm, atol=0.02)
    np.testing.assert_allclose(one.edges[0].std_mm, other.edges[1].std_mm, rtol=0.15, atol=0.01)


def test_own_place_is_the_mean_of_the_near_chances():
    chance = np.zeros((401, 3), np.float32)
    chance[100], chance[101], chance[150] = 0.3, 0.3, 0.4
    np.testing.assert_allclose(own_place(chance, np.full(3, 100.0)), 100.5)


@pytest.mark.parametrize("value", [-1e6, 0.0, 1e6])
def test_limits_stay_finite(value):
    limit = trust.error_limit_mm(np.full((4, len(trust.FIGURES)), value))
    assert (limit > 0.01).all()
    assert (limit < 5).all()
