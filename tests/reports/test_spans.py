"""Spans against a band, on profiles whose answer is known by construction."""

import numpy as np
import pytest

from gapvision.errors import GapvisionError
from gapvision.reports.spans import Band, find_spans, judge_stations, with_holes

BAND = Band.around(4.76, 0.5)


def test_known_spans(make_measurement):
    gap = np.full(240, 4.76)
    gap[50:81] = 5.6
    gap[70] = 5.9
    gap[120:131] = 3.9
    gap[200:211] = 5.2
    spans = find_spans(make_measurement(gap).profile, BAND)
    assert [(s.state, s.from_mm, s.to_mm) for s in spans] == [
        ("wide", 50, 80),
        ("tight", 120, 130),
        ("unproven", 200, 210),
    ]
    assert (spans[0].worst_mm, spans[0].worst_at_mm, spans[0].worst_u_mm) == (5.9, 70, 0.1)
    assert spans[1].worst_mm == 3.9
    assert [s.words for s in spans] == ["too wide", "too tight", "not proven"]


def test_hole_ends_a_span_and_is_listed(make_measurement):
    profile = make_measurement(np.full(240, 6.0), hole=(100, 119)).profile
    spans = find_spans(profile, BAND)
    assert [(s.state, s.from_mm, s.to_mm) for s in spans] == [("wide", 0, 99), ("hole", 99, 120), ("wide", 120, 239)]
    assert [s.state for s in find_spans(profile, None)] == ["hole"]
    s, gap = with_holes(profile, profile.gap_mm)
    assert np.isnan(gap).sum() == 1
    assert 99 < s[np.isnan(gap)][0] < 120


@pytest.mark.parametrize(
    ("gap", "state"),
    [
        (5.26 + 0.11, "wide"),
        (5.26 + 0.09, "unproven"),
        (5.26 - 0.09, "unproven"),
        (5.26 - 0.11, "in"),
        (4.26 + 0.11, "in"),
        (4.26 + 0.09, "unproven"),
        (4.26 - 0.09, "unproven"),
        (4.26 - 0.11, "tight"),
    ],
)
def test_state_at_the_limits(make_measurement, gap, state):
    assert set(judge_stations(make_measurement(np.full(240, gap)).profile, BAND)) == {state}


def test_band_refuses_nonsense():
    with pytest.raises(GapvisionError) as caught:
        Band.around(3.0, 3.5)
    assert caught.value.code == "value-out-of-range"


def test_crumbs_are_joined_but_not_over_a_hole(make_measurement):
    gap = np.full(240, 4.76)
    gap[50:60] = gap[63:70] = gap[80:90] = 5.2
    spans = find_spans(make_measurement(gap).profile, BAND)
    assert [(s.from_mm, s.to_mm) for s in spans] == [(50, 69), (80, 89)]
    spans = find_spans(make_measurement(gap, hole=(60, 62)).profile, BAND)
    assert [(s.state, s.from_mm, s.to_mm) for s in spans] == [
        ("unproven", 50, 59),
        ("hole", 59, 63),
        ("unproven", 63, 69),
        ("unproven", 80, 89),
    ]


def test_a_proven_span_swallows_short_doubt_but_no_span_disappears(make_measurement):
    gap = np.full(240, 4.76)
    gap[50:60] = gap[62:70] = 5.6
    gap[60:62] = 5.3  # not proven for 2 mm
    gap[100:130] = 5.3
    gap[115] = 5.9  # one station proven amid doubt stays visible
    spans = find_spans(make_measurement(gap).profile, BAND)
    assert [(s.state, s.from_mm, s.to_mm) for s in spans] == [
        ("wide", 50, 69),
        ("unproven", 100, 114),
        ("wide", 115, 115),
        ("unproven", 116, 129),
    ]
