"""Figures that follow from their stations are believed, others are not; the cheap look agrees with the whole one.

The minimum zone of three points is the least height of their triangle (school geometry), which the tests use as truth.
"""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.formats import measurement_json, recomputed
from gapvision.geometry.straightness import minimum_zone, tight_widths
from tests.records.invented import invented


@pytest.fixture(scope="module", params=[20, 120])
def measured(request):
    return measurement_json.from_dict(invented(n=request.param))


def test_what_follows_from_the_stations_is_believed_by_both_looks(measured):
    assert recomputed.contradiction(measured) == ""
    assert recomputed._forms_hold([(measured, measured.profile)]) == [True]
    assert recomputed._forms_follow(measured, measured.profile)


@pytest.mark.parametrize(
    ("figure", "off", "said"),
    [("mean_mm", 0.01, "mean"), ("min_mm", -0.01, "smallest"), ("max_mm", 0.01, "largest"),
     ("std_mm", 0.01, "standard deviation"), ("taper_mm_per_m", 3.0, "taper")],
)  # fmt: skip
def test_figures_that_do_not_follow_are_named(measured, figure, off, said):
    told = replace(measured.summary, **{figure: getattr(measured.summary, figure) + off})
    assert recomputed.contradiction(replace(measured, summary=told)) == f"figures contradict the stations ({said})"


@pytest.mark.parametrize("figure", ["min_zone_mm", "lsq_mm", "expanded_u_mm", "span_mm"])
def test_a_form_that_does_not_follow_is_named(measured, figure):
    form = measured.straightness_b
    told = replace(form, **{figure: 0.5 * getattr(form, figure) - 0.003})
    assert "straightness" in recomputed.contradiction(replace(measured, straightness_b=told))


def test_a_quiet_window_told_as_the_worst_one_is_found():
    m = measurement_json.from_dict(invented(n=200))
    s, edge = m.profile.s_mm[80:181], m.profile.edge_a_mm[80:181]
    width = minimum_zone(s, edge).width
    assert width < m.straightness_a.worst_100_mm - 0.01
    told = replace(m.straightness_a, worst_100_mm=width, worst_100_from_mm=80.0)
    assert "straightness" in recomputed.contradiction(replace(m, straightness_a=told))


def test_widths_of_rows_are_those_of_the_exact_zone():
    rng = np.random.default_rng(5)
    x = np.tile(np.arange(60.0), (8, 1))
    y = rng.normal(0, 0.05, x.shape) + rng.normal(0, 0.1, (8, 1)) * x
    exact = [minimum_zone(a, b).width for a, b in zip(x, y, strict=True)]
    found = tight_widths(x, y)
    assert (found >= np.array(exact) - 1e-12).all()
    np.testing.assert_allclose(found, exact, rtol=2e-3)
    # A triangle of base 10 and height 0.6 over its middle; the other two heights are larger.
    np.testing.assert_allclose(tight_widths(np.array([[0.0, 5.0, 10.0]]), np.array([[0.0, 0.6, 0.0]])), 0.6, rtol=1e-3)
