"""Edges against a lit gap: a lamp that fills it, one that is narrower than it, and a roll that mirrors another lamp."""

from itertools import pairwise
from types import SimpleNamespace

import numpy as np
from scipy.special import ndtr

from gapvision.vision.band import ROW_MM
from gapvision.vision.placing import place_edge
from gapvision.vision.silhouette import Opinion, lit_edge
from tests.vision.test_edges import T, band_of

MIDDLE = len(T) // 2


def chosen(band, detector_row, rule_row, mass=0.99, rival_mm=4.0, rival=0.0):
    """Edge B of a band that is lit all along.

    ``mass``: chance within 0.2 mm of the detector's place; ``rival``: that of a place further out.
    """
    mean_mm = (detector_row - MIDDLE) * ROW_MM
    n = len(detector_row)
    opinion = Opinion(
        detector_row,
        mean_mm,
        place_edge(band, detector_row, 1),
        np.full(n, mass),
        np.full(n, 0.3),
        row(rival_mm, n),
        np.full(n, rival),
    )
    chosen_row, t_mm, _, std_mm = lit_edge(band, opinion, rule_row, 1, np.ones(len(detector_row), bool))
    by_rule = (chosen_row == rule_row) & (rule_row != detector_row)
    return SimpleNamespace(t_mm=t_mm, std_mm=std_mm, by_rule=by_rule)


def step(at):
    return ndtr((T - at) / 0.08)


def row(t_mm, n=80):
    return np.full(n, MIDDLE + t_mm / ROW_MM)


def lit(beside, gap=0.6):
    """Light from -2 to 2 mm; ``beside`` is what is seen outside of it on side B."""
    light = gap * step(-2.0) * (1 - step(2.0)) + 0.01 + beside
    noise = np.random.default_rng(3).normal(0, 0.0005, (len(T), 80))
    return band_of(np.clip(light[:, None] + noise, 1e-4, 1))


def test_the_dark_beside_a_narrow_lamp_is_not_the_panel():
    """Even dark for 1.5 mm, then a step up: a cavity, and the panel behind it."""
    edge = chosen(lit(0.2 * step(3.5)), row(3.5), row(2.0))
    assert not edge.by_rule.any()
    np.testing.assert_allclose(edge.t_mm, 3.5, atol=0.1)


def test_a_roll_that_brightens_up_to_a_reflection_is_the_panel():
    """Darkest right beside the light, brightening all the way to a mirrored lamp 1.5 mm further out."""
    ramp = 0.12 * np.clip((T - 2.0) / 1.5, 0, 1) ** 1.5 - 0.008 * step(2.0) * (T < 2.4)
    edge = chosen(lit(ramp + 0.3 * step(3.5) * (1 - step(3.9))), row(3.5), row(2.0))
    assert edge.by_rule.all()
    np.testing.assert_allclose(edge.t_mm, 2.0, atol=0.05)


def test_both_places_lie_within_u_where_it_cannot_be_told():
    """A second opinion of 15 of 80 stations only, or one too close to look between."""
    band = lit(0.2 * step(3.5))
    some = np.where(np.arange(80) < 15, row(3.5), row(2.0))
    edge = chosen(band, some, row(2.0))
    np.testing.assert_allclose(edge.t_mm, 2.0, atol=0.05)
    assert (2 * edge.std_mm[:15] >= 1.5).all()
    assert (2 * edge.std_mm[15:] < 0.15).all()
    close = chosen(lit(0.2 * step(2.4)), row(2.4), row(2.0))
    assert (2 * close.std_mm >= 0.4).all()


def test_an_over_exposed_gap_widens_u():
    plain, burnt = (chosen(lit(0.0, gap), row(2.0), row(2.0), mass=0.97) for gap in (0.5, 1.0))
    assert np.median(plain.std_mm) < 0.08
    assert np.median(burnt.std_mm) > 0.10
    # On own scenes 95 % of the edges of which the detector is sure lay within 0.1 mm over a burnt-out gap, too.
    sure = chosen(lit(0.0, 1.0), row(2.0), row(2.0), mass=0.99)
    assert 0.06 < np.median(sure.std_mm) < 0.10


def test_a_reflection_further_out_is_not_held_against_the_edge():
    """The detector's second place is a mirrored lamp on the roll, or the end of a dark cavity: only that is a doubt."""
    ramp = 0.12 * np.clip((T - 2.0) / 1.5, 0, 1) ** 1.5 - 0.008 * step(2.0) * (T < 2.4)
    mirror = lit(ramp + 0.3 * step(3.5) * (1 - step(3.9)))
    told, cavity = (
        chosen(band, row(2.0), row(2.0), mass=0.78, rival_mm=3.5, rival=0.21) for band in (mirror, lit(0.2 * step(3.5)))
    )
    assert (2 * told.std_mm < 0.2).all()
    assert (2 * cavity.std_mm > 0.4).all()


def test_a_lamp_that_ends_short_of_the_edge_makes_no_silhouette():
    """Dark on both sides of a faint edge at 3 mm: U as over a dark gap at least, and wide where the detector wavers."""
    band = lit(0.02 * step(3.0))
    assert (chosen(band, row(3.0), row(3.0)).std_mm >= 0.3).all()
    assert (chosen(band, row(3.0), row(3.0), mass=0.85).std_mm >= 0.75).all()


def test_a_detector_that_is_not_sure_of_a_lit_edge_widens_u():
    """On 214 own lit scenes 95 % of the edges lay within 0.06 mm at a mass of 0.98, within 0.6 mm at 0.78."""
    wide = [2 * chosen(lit(0.0 * T), row(2.0), row(2.0), mass).std_mm for mass in (0.99, 0.93, 0.85, 0.7)]
    assert (wide[0] < 0.15).all()
    for a, b in pairwise(wide):
        assert (a < b).all()
    assert (wide[3] > 0.6).all()
    # A burnt-out gap has a wide U already; only a detector that is far from sure adds to it.
    burnt = [2 * chosen(lit(0.0 * T, gap=1.0), row(2.0), row(1.0), mass).std_mm for mass in (0.95, 0.9, 0.7)]
    np.testing.assert_allclose(burnt[0], burnt[1], rtol=1e-6)
    assert (burnt[2] > 1.5 * burnt[0]).all()
