"""The terminal's summary says what was measured, in words and numbers known by construction."""

import numpy as np

from gapvision.judgement import judge_measurement, simple_spec
from gapvision.model import Notice
from gapvision.reports.terminal import describe


def told(measurement):
    return describe(measurement, judge_measurement(measurement, simple_spec(4.7625, 0.5, 0.5)), table=True)


def test_a_seam_with_a_nick_and_a_hole(make_measurement):
    gap = np.full(240, 4.7625)
    gap[60] = 5.9
    words = told(make_measurement(gap, hole=(100, 119), notices=(Notice(code="tilt-large"),)))
    assert words.startswith("seam.jpg: OUT OF TOLERANCE\n")
    assert (
        "Too wide at 60 mm, worst 5.90 mm (0.232 in) at 60 mm, 1.14 mm above the wanted gap, 0.64 mm beyond the limit, "
        "U 0.10 mm. Not measured from 99 to 120 mm. The rest is in tolerance. The photo was measured with warnings: "
    ) in " ".join(words.split())
    assert "largest gap     5.90 mm (0.232 in) at 60 mm, U 0.10 mm" in words
    assert (
        "form of edge A  straight within 0.10 mm over 239 mm, U 0.05 mm; worst 100 mm: 0.09 mm, from 20 to 120 mm"
        in words
    )
    assert "face B +0.40 mm above face A, U 0.20 mm" in words
    assert "    50 mm  4.76 mm (3/16 in)      0.10 mm" in words
    assert "   110 mm  -                      -" in words
    assert "X     60     60  out of tolerance, too wide   5.90 mm (0.232 in) at 60 mm, U 0.10 mm" in words
    assert ".     99    120  not measured" in words
    assert "[tilt-large]" in words
    assert "Limits: 4.27 to 5.26 mm (0.168 to 0.207 in) around 4.76 mm (3/16 in)." in " ".join(words.split())


def test_all_in_tolerance_and_without_a_tolerance(make_measurement):
    assert "In tolerance from 0 to 239 mm: smallest" in told(make_measurement())
    assert "tolerance" not in describe(make_measurement())


def test_refused(make_refusal):
    words = describe(make_refusal("strip-not-found"))
    assert words.startswith("bad.jpg: refused\n")
    assert "Lay a printed strip beside the seam" in " ".join(words.split())
