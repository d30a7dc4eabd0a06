"""The short verdict: state, the known worst place, and what to do next."""

import numpy as np
import pytest

from gapvision.reports.glance import at_a_glance
from gapvision.reports.spans import Band
from gapvision.results import Notice

BAND = Band.around(4.76, 0.5)


def gaps(**places):
    gap = np.full(240, 4.76)
    for at, value in places.items():
        gap[int(at[1:])] = value
    return gap


@pytest.mark.parametrize(
    ("gap", "hole", "state", "worst_at", "beyond"),
    [
        (gaps(s30=4.9, s90=4.5), None, "in", 90, -0.24),
        (gaps(s30=5.9, s90=3.2), None, "out", 90, 1.06),
        (gaps(s30=5.9), (100, 120), "out", 30, 0.64),
        (gaps(s60=5.22), None, "open", 60, -0.04),
        (gaps(s60=5.0), (100, 120), "holes", 60, -0.26),
    ],
    ids=["in", "tight is worse than wide", "out with a hole", "open", "in where measured"],
)
def test_state_and_worst(make_measurement, gap, hole, state, worst_at, beyond):
    said = at_a_glance(make_measurement(gap, hole=hole), BAND)
    assert said.state == state
    assert said.worst.worst_at_mm == worst_at
    assert said.beyond_mm == pytest.approx(beyond, abs=1e-6)
    assert said.next_step


def test_a_large_u_does_not_hide_the_station_that_is_proven_out(make_measurement):
    gap, u = gaps(s30=5.6, s90=6.0), np.full(240, 0.1)
    u[90] = 2.0
    said = at_a_glance(make_measurement(gap, u_mm=u), BAND)
    assert (said.state, said.worst.worst_at_mm) == ("out", 30)
    assert "0.34 mm too wide" in said.next_step


def test_not_proven_gives_the_measurements_own_advice(make_measurement):
    notice = Notice(code="flush-unknown", advice="Lay a strip on each side of the seam.")
    said = at_a_glance(make_measurement(gaps(s60=5.22), notices=[notice]), BAND)
    assert said.next_step.endswith("Lay a strip on each side of the seam.")


def test_without_a_tolerance_and_refused(make_measurement, make_refusal):
    assert at_a_glance(make_measurement(), None).state == "measured"
    refused = make_refusal("strip-not-found")
    said = at_a_glance(refused, BAND)
    assert (said.state, said.worst) == ("refused", None)
    assert said.next_step == refused.notices[0].advice
