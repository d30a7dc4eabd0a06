"""The gap after paint: sums by hand, units, edges, coats already on, the way back."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gapvision.errors import GapvisionError
from gapvision.judgement import coat, film_loss, forecast, gap_after_finish, gap_to_set
from gapvision.judgement.films import FILMS
from gapvision.model import IN, OUT, Coat, FinishPlan

from ._panels import spec

S = np.arange(0.0, 100.0)
U = np.full(100, 0.1)


def plain(low, high, coats=1, stays=(1.0, 1.0), stage=3, **more):
    return Coat(kind="film", stage=stage, coats=coats, film_um=(low, high), stays=stays, **more)


def test_whole_finish_by_hand():
    # Flat build 20.32 + 35 + 25.4 + 50.8 = 131.52 um at least, 50.8 + 40 + 25.4 + 63.5 = 179.7 um at most, both edges:
    # the gap loses 0.263 to 0.359 mm, middle 0.311, rectangular u = 0.0278 mm. Sums by hand; films read: epoxy primer
    # from a US aircraft finishing manual, surfacer from a coatings trade article, clear coat from a refinish paint
    # maker's tips; base coat from a forum post.
    coats = (plain(20.32, 50.8), plain(35, 40), plain(25.4, 25.4), plain(50.8, 63.5))
    loss = film_loss(FinishPlan(coats=coats))
    assert (loss.least_mm, loss.most_mm) == pytest.approx((0.26304, 0.3594))
    assert loss.loss_mm == pytest.approx(0.31122)
    assert loss.std_u_mm == pytest.approx(0.0278, abs=1e-4)


def test_one_edge_takes_half():
    both = film_loss(FinishPlan(coats=(plain(40, 60, coats=2),)))
    one = film_loss(FinishPlan(coats=(plain(40, 60, coats=2, on="panel"),)))
    assert (both.loss_mm, one.loss_mm) == pytest.approx((0.2, 0.1))
    assert (one.panel_mm, one.neighbour_mm) == pytest.approx((0.1, 0.0))
    assert film_loss(FinishPlan(coats=(plain(40, 60, on="neighbour"),))).neighbour_mm == pytest.approx(0.05)


def test_share_that_stays_after_sanding():
    # 3 coats of 50 um, half sanded off: 75 um per edge, 0.15 mm off the gap
    assert film_loss(FinishPlan(coats=(plain(50, 50, coats=3, stays=(0.5, 0.5)),))).loss_mm == pytest.approx(0.15)


@pytest.mark.parametrize(
    ("stage", "left"), [("bare metal", 0.12), ("primed", 0.10), ("high build", 0.06), ("painted", 0.0)]
)
def test_coats_already_on_are_not_counted_again(stage, left):
    coats = (plain(10, 10, stage=1), plain(20, 20, stage=2), plain(30, 30, stage=3))
    assert film_loss(FinishPlan(coats=coats, stage=stage)).loss_mm == pytest.approx(left)


def test_already_on_overrides_the_stage():
    plan = FinishPlan(coats=(plain(30, 30, already_on=True), plain(10, 10, stage=1, already_on=False)), stage="primed")
    assert film_loss(plan).loss_mm == pytest.approx(0.02)


def test_u_of_the_film_joins_u_of_the_gap():
    loss = film_loss(FinishPlan(coats=(plain(100, 200),)))
    gap, u = gap_after_finish(np.full(100, 5.0), U, loss)
    assert gap == pytest.approx(np.full(100, 4.7))
    assert u == pytest.approx(np.full(100, math.hypot(0.1, 2 * 0.2 / (2 * math.sqrt(3)))))


@given(st.floats(1, 20), st.floats(0, 300), st.floats(0, 300), st.integers(1, 5))
def test_the_way_back(wanted, low, more, coats):
    loss = film_loss(FinishPlan(coats=(plain(low, low + more, coats=coats),)))
    assert gap_after_finish(gap_to_set(np.array([wanted]), loss), np.array([0.1]), loss)[0] == pytest.approx([wanted])


def test_forecast_judges_the_finished_gap():
    plan = FinishPlan(coats=(plain(190, 210, coats=1),), smallest_gap_mm=4.0, movement_mm=0.3)
    now = np.full(100, 5.16)
    now[40:50] = 4.5
    future = forecast(S, now, U, spec(), plan)
    assert future.verdict.state == OUT
    assert future.set_now_mm == pytest.approx(np.full(100, 5.16))
    assert future.set_lower_mm == pytest.approx(np.full(100, 4.3 + 0.42)), "below 4.0 + 0.3 it chips, within its limits"
    assert future.set_upper_mm == pytest.approx(np.full(100, 5.26 + 0.38))
    (span,) = future.chip_spans
    assert (span.from_mm, span.to_mm, span.state) == (40, 49, "at risk of chipping")
    assert span.worst_mm == pytest.approx(4.1)
    assert forecast(S, np.full(100, 5.16), U, spec(), plan).verdict.state == IN


def test_chipping_not_proven_clear():
    plan = FinishPlan(coats=(plain(100, 100),), smallest_gap_mm=4.5)
    future = forecast(S, np.full(100, 4.75), U, spec(), plan)
    assert [x.state for x in future.chip_spans] == ["not proven clear"]
    assert forecast(S, np.full(100, 4.75), U, spec(), FinishPlan(coats=(plain(100, 100),))).chip_spans == ()


def test_inverse_limits_hold_for_every_film_in_its_range():
    plan = FinishPlan(coats=(plain(100, 300),))
    future = forecast(S, np.full(100, 5.16), U, spec(), plan)
    for film in (0.2, 0.6):
        assert (future.set_lower_mm - film >= 4.26 - 1e-12).all() == (film <= 0.6)
        assert (future.set_upper_mm - film <= 5.26 + 1e-12).all()


def test_notices():
    def codes(*coats):
        return [n.code for n in forecast(S, np.full(100, 5.0), U, spec(), FinishPlan(coats=coats)).notices]

    assert "film-thick" in codes(plain(200, 320))  # above about 300 um: a refinish paint maker's page
    assert "film-thick" in codes(coat("clear coat", 3))  # 76 to 95 um: over 3 mil, the same maker's tips
    assert "film-common-practice" in codes(coat("high-build primer"))
    assert "film-eats-tolerance" in codes(plain(100, 700))
    assert codes(plain(40, 60)) == []


def test_typical_films_lie_in_the_ranges_that_were_read():
    # Read (US aircraft finishing technical manual): epoxy primer one coat 15 to 23 um, two coats 20 to 51 um
    low, high = FILMS["epoxy primer"].film_um
    assert low <= 15 < 23 <= high
    assert (2 * low, 2 * high) == pytest.approx((20.32, 50.8))
    # Read (a refinish paint maker's technical tips): clear coat 2.0 to 2.5 mil in all
    assert tuple(2 * f for f in FILMS["clear coat"].film_um) == pytest.approx((50.8, 63.5))
    assert all(f.source and f.status in ("read", "common practice", "from memory") for f in FILMS.values())


def test_user_replaces_the_typical_film():
    assert coat("epoxy primer").source.startswith("looked up in a US aircraft finishing technical manual, ")
    assert coat("high-build primer").source == "common practice: as a restorer sprays it"
    assert coat("epoxy primer", film_um=(20, 22)).source == "entered by the user"
    with pytest.raises(GapvisionError, match="no typical film for 'gold'"):
        coat("gold")
