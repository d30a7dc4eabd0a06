"""Tape and pen lines along the seam, by the figures of several photos."""

import pytest

from gapvision.vision.painted_sets import MarkFigures, all_look_painted

# Figures of photos of own ray-traced sets (gapvision.lab.training.whole, seed 7).
TAPE = (MarkFigures(-0.21, -0.20, 0.09, 1.91, 0.05, 0.3), MarkFigures(-0.23, -0.18, 0.09, 2.29, 0.04, 0.4))  # set 68
TWO_LINES = (MarkFigures(0.01, 0.01, 2.46, -0.02, 0.01, 0.2), MarkFigures(0.01, 0.01, 2.34, -0.02, 0.01, 0.2))  # 39
ONE_DIFFERS = (MarkFigures(-0.09, -0.09, 0.07, 1.74, -0.01, 0.4), MarkFigures(-0.12, -0.12, 0.10, 1.90, -0.01, 0.4),
               MarkFigures(-0.07, -0.10, 0.05, 1.42, -0.01, 0.4))  # 11  # fmt: skip
LAMP = (MarkFigures(0.53, 0.33, 0.0, 1.92, -0.01, 1.0), MarkFigures(0.37, 0.44, 0.0, 1.76, -0.21, 1.0))  # 30
FLANGE = (MarkFigures(0.0, -0.07, 2.2, -0.27, 0.13, 0.2), MarkFigures(0.0, -0.07, 2.2, -0.27, 0.13, 0.2))  # 10


@pytest.mark.parametrize("figures", [TAPE, TWO_LINES, ONE_DIFFERS])
def test_tape_and_lines_that_all_photos_show_are_doubted(figures):
    assert all_look_painted(figures, [0.5] * len(figures))


@pytest.mark.parametrize("figures", [LAMP, FLANGE, (TAPE[0], None), (None, None)])
def test_a_lit_gap_a_flange_and_what_one_photo_shows_are_no_mark(figures):
    assert not all_look_painted(figures, [0.5] * len(figures))


def test_what_is_lighter_than_paper_is_no_tape():
    assert not all_look_painted(TAPE, [0.2, 0.2])
