"""The terminal's summary says what was measured, in words and numbers known by construction."""

import numpy as np

from gapvision.judgement import judge_measurement, simple_spec
from gapvision.model import Notice
from gapvision.reports.terminal import describe


def told(measurement):
    return describe(measurement, judge_measurement(measurement, simple_spec(4.7625, 0.5, 0.5)))


def test_a_seam_with_a_nick_and_a_hole(make_measurement):
    gap = np.full(240, 4.7625)
    gap[60] = 5.9
    words = told(make_measurement(gap, hole=(100, 119), notices=(Notice(code="tilt-large"),)))
    assert "seam.jpg: measured, with warnings" in words
    assert "gap, largest    5.90 mm (15/64 in) at 60 mm, U 0.10" in words
    assert (
        "form of edge A  straight within 0.10 mm over 239 mm, U 0.05 mm; worst 100 mm: 0.09 mm, from 20 to 120 mm"
        in words
    )
    assert "face B +0.40 mm above face A, U 0.20" in words
    assert "     50   4.76      3/16  0.10" in words
    assert "    110      -         -     -" in words
    assert "  1     60 to 60 mm: too wide, worst 5.90 mm (15/64 in) at 60 mm, U 0.10" in words
    assert "  -     99 to 120 mm: not measured" in words
    assert "[tilt-large]" in words
    assert "tolerance 4.26 to 5.26 mm around 4.76 mm (3/16 in): out of tolerance\n" in words


def test_all_in_tolerance_and_without_a_tolerance(make_measurement):
    assert "(3/16 in): in tolerance, the whole measured seam" in told(make_measurement())
    assert "tolerance" not in describe(make_measurement())


def test_refused(make_refusal):
    words = describe(make_refusal("strip-not-found"))
    assert words.startswith("bad.jpg: refused\n")
    assert "Lay a printed strip beside the seam" in words
