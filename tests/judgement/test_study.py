"""Studies of gauge pieces: analysis of variance against a handbook and a statistics library; what follows for U."""

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from statsmodels.formula.api import ols
from statsmodels.stats.anova import anova_lm

from gapvision.errors import GapvisionError
from gapvision.judgement.study import crossed_variation, growth_for_another, growth_of, judge_study, proof_of
from gapvision.model import PhoneKey, Piece, StudyReading
from gapvision.words import MM, Lengths
from gapvision.words.study import study_lines

# Ten pieces by three persons, three times each: the example of the Measurement Systems Analysis reference manual of
# the automotive suppliers' quality handbooks (third and fourth edition, chapter III); readings and table from memory.
HANDBOOK = """
0.29 -0.56 1.34 0.47 -0.80 0.02 0.59 -0.31 2.26 -1.36
0.41 -0.68 1.17 0.50 -0.92 -0.11 0.75 -0.20 1.99 -1.25
0.64 -0.58 1.27 0.64 -0.84 -0.21 0.66 -0.17 2.01 -1.31
0.08 -0.47 1.19 0.01 -0.56 -0.20 0.47 -0.63 1.80 -1.68
0.25 -1.22 0.94 1.03 -1.20 0.22 0.55 0.08 2.12 -1.62
0.07 -0.68 1.34 0.20 -1.28 0.06 0.83 -0.34 2.19 -1.50
0.04 -1.38 0.88 0.14 -1.46 -0.29 0.02 -0.46 1.77 -1.49
-0.11 -1.13 1.09 0.20 -1.07 -0.67 0.01 -0.56 1.45 -1.77
-0.15 -0.96 0.67 0.11 -1.45 -0.49 0.21 -0.49 1.87 -2.16
"""


def handbook():
    """Shape (pieces, persons, repeats)."""
    rows = np.array([list(map(float, line.split())) for line in HANDBOOK.strip().splitlines()])
    return rows.reshape(3, 3, 10).transpose(2, 0, 1)


def test_the_handbooks_example_comes_out_to_its_printed_digits():
    found = crossed_variation(handbook())
    printed = {"piece": (9, 88.3619), "person": (2, 3.1673), "piece and person": (18, 0.3590), "repeat": (60, 2.7589)}
    for name, (df, total) in (printed | {"total": (89, 94.6471)}).items():
        assert (found.table[name].df, round(found.table[name].sum_of_squares, 4)) == (df, total)
    assert round(found.table["piece and person"].f, 3) == 0.434
    # The interaction is not sure, so it counts as repeatability.
    assert round(found.repeatability_mm, 6) == 0.199933
    assert round(found.reproducibility_mm, 6) == 0.226838
    assert round(found.piece_mm, 5) == 1.04233
    assert found.interaction_mm == 0


@pytest.mark.parametrize("seed", range(4))
def test_a_statistics_library_gives_the_same_table(seed):
    rng = np.random.default_rng(seed)
    pieces, persons, repeats = rng.integers(3, 7), rng.integers(2, 5), rng.integers(2, 7)
    y = rng.normal(size=(pieces, persons, repeats)) + rng.normal(size=(pieces, persons, 1)) * seed
    long = pd.DataFrame([(i, j, v) for i, row in enumerate(y) for j, cell in enumerate(row) for v in cell])
    long.columns = ["piece", "person", "y"]
    theirs = anova_lm(ols("y ~ C(piece) * C(person)", data=long).fit())
    ours = crossed_variation(y).table
    for name, row in (("piece", "C(piece)"), ("person", "C(person)"), ("piece and person", "C(piece):C(person)")):
        assert ours[name].sum_of_squares == pytest.approx(theirs.loc[row, "sum_sq"])
        assert ours[name].df == theirs.loc[row, "df"]
    # Pieces and persons are drawn at random here, so they are held against the interaction (the library holds all
    # against the residual).
    assert ours["piece and person"].f == pytest.approx(theirs.loc["C(piece):C(person)", "F"])
    assert ours["piece and person"].p == pytest.approx(theirs.loc["C(piece):C(person)", "PR(>F)"])
    assert ours["repeat"].mean_square == pytest.approx(theirs.loc["Residual", "mean_sq"])


def test_components_drawn_come_back():
    rng = np.random.default_rng(7)
    y = 0.5 * rng.normal(size=(400, 1, 1)) + 0.2 * rng.normal(size=(400, 40, 1)) + 0.1 * rng.normal(size=(400, 40, 3))
    y += 0.3 * rng.normal(size=(1, 40, 1))
    found = crossed_variation(y)
    said = (found.piece_mm, found.reproducibility_mm, found.interaction_mm, found.repeatability_mm)
    # Forty persons tell their standard deviation to 11 %, 400 pieces theirs to 4 %.
    assert said == pytest.approx((0.5, 0.3, 0.2, 0.1), rel=0.2)
    assert said[2:] == pytest.approx((0.2, 0.1), rel=0.03)


PIECES = tuple(Piece(name=str(mm), readings_mm=(mm, mm, mm)) for mm in (3.0, 4.76, 6.0))


def readings(bias=0.0, repeat=0.02, std_u=0.1, small=0.08, photos=5, persons=("",), seed=0, between=0.0):
    rng = np.random.default_rng(seed)
    off = {piece.name: rng.normal(0, between) if between else 0.0 for piece in PIECES}
    return [
        StudyReading(
            piece=piece.name, person=person, file=f"{piece.name}{person}{k}.jpg",
            error_mm=float(bias + off[piece.name] + rng.normal(0, repeat)), std_u_mm=std_u, small_std_u_mm=small,
            within_u=1.0, parts_mm={"edge": 0.06, "scale": small},
        )
        for piece in PIECES for person in persons for k in range(photos)
    ]  # fmt: skip


def test_a_plain_bias_is_proven_and_a_small_one_is_not():
    plain = judge_study(PIECES, readings(bias=0.15, repeat=0.01), 0.02)
    assert plain.bias_proven
    assert plain.bias_mm == pytest.approx(0.15, abs=0.02)
    assert plain.within == (15, 15)
    small = judge_study(PIECES, readings(bias=0.015, repeat=0.01), 0.03)
    assert not small.bias_proven, "calipers of U 0.03 mm cannot prove 0.015 mm"
    assert small.bias_u_mm >= 0.03


def test_a_bias_is_proven_by_chance_in_few_studies():
    proven = [judge_study(PIECES, readings(between=0.03, seed=k), 0.02).bias_proven for k in range(200)]
    assert np.mean(proven) <= 0.05


def test_u_that_was_too_small_grows_at_once_and_one_too_wide_shrinks_in_its_small_parts_only():
    grown = judge_study(PIECES, readings(repeat=0.25, std_u=0.1), 0.02)
    assert grown.growth > 1.5
    narrow = judge_study(PIECES, readings(repeat=0.01, small=0.08), 0.02)
    assert narrow.growth == 1
    assert 0.01 / 0.08 < narrow.small_share < 0.6
    # As the tolerance interval wants it, the share left covers the spread that was drawn in nearly every study.
    shares = [judge_study(PIECES, readings(repeat=0.04, seed=k), 0.02).small_share for k in range(200)]
    assert np.mean(np.array(shares) * 0.08 >= 0.04 * 0.99) >= 0.93


def test_a_bias_that_one_kind_of_edge_has_is_not_taken_off_the_others():
    """Pieces off by 0.0, 0.05 and 0.35 mm: a further one may be anywhere there, so their mean corrects nothing."""
    off = {"3.0": 0.0, "4.76": 0.05, "6.0": 0.35}
    some = [replace(r, error_mm=r.error_mm + off[r.piece]) for r in readings(repeat=0.01, photos=20)]
    assert not judge_study(PIECES, some, 0.02).bias_proven


def test_one_more_piece_lies_within_grown_u_95_times_of_100():
    """Pieces' errors drawn at random, all photos of one alike: the next piece's is held against U as it grew."""
    rng, held = np.random.default_rng(4), []
    for n in (3, 4, 8):
        for _ in range(250):
            *seen, new = rng.normal(0, 1.5, n + 1)
            held.append(abs(new) <= 2 * growth_for_another([np.full(5, z) for z in seen]))
    assert np.mean(held) >= 0.93, "of 750 drawn, 95 of 100 but for chance"
    assert growth_for_another([np.full(5, 0.3)] * 3) == 1


def test_growth_covers_95_of_100():
    rng = np.random.default_rng(2)
    for wide in (1.3, 2.0, 4.0):
        z = wide * rng.standard_t(5, 4000)
        assert (np.abs(z) <= 2 * growth_of(z)).mean() >= 0.95
    assert growth_of(0.4 * rng.normal(size=30)) == 1


def test_too_few_pieces_or_photos_are_named():
    with pytest.raises(GapvisionError, match="2 pieces are too few"):
        judge_study(PIECES[:2], readings(), 0.02)
    with pytest.raises(GapvisionError, match=r"Only 4 measured photos of piece '3.0'"):
        judge_study(PIECES, readings()[1:], 0.02)
    one_missing = [r for r in readings(persons=("first", "second")) if (r.piece, r.person) != ("6.0", "second")]
    with pytest.raises(GapvisionError, match=r"Only 0 measured photos of piece '6.0' by second"):
        judge_study(PIECES, one_missing, 0.02)


def test_the_sentences_say_the_figures():
    told = judge_study(PIECES, readings(bias=0.15, repeat=0.01, persons=("first", "second")), 0.02)
    said = " ".join(study_lines(told, MM))
    assert "Bias +0.15 mm" in said
    assert "proven, and taken off" in said
    assert "Reproducibility" in said
    assert "Within U: 30 of 30 photos" in said
    inch = " ".join(study_lines(told, Lengths("fraction")))
    assert "in" in inch.split()
    phone = PhoneKey(camera="x", focal_mm=None, focal_35mm_mm=None, size_px=(4, 3))
    proof = proof_of(told, "study", "2026-03-31", phone)
    assert (proof.photos, proof.bias_proven) == (30, True)
    assert "No piece has rolled edges as thin as a car's" in said
    assert "What may shrink is the scale from the strips 0.16 mm" in said or "In U may shrink: the scale" in said


def test_swapped_pieces_are_refused_not_counted_as_an_error_of_the_phone():
    off = {"3.0": 1.76, "4.76": -1.76, "6.0": 0.0}
    swapped = [replace(r, error_mm=r.error_mm + off[r.piece]) for r in readings()]
    with pytest.raises(GapvisionError, match=r"piece '3\.0' show the width of piece '4\.76'"):
        judge_study(PIECES, swapped, 0.03)
    # One photo misread by as much accuses no piece, and is counted.
    one = [replace(r, error_mm=1.76) if k == 0 else r for k, r in enumerate(readings())]
    assert judge_study(PIECES, one, 0.03).growth > 2


def test_a_piece_that_is_read_a_millimetre_off_is_refused_not_counted():
    wrong = [replace(r, error_mm=r.error_mm + 1.0 * (r.piece == "4.76")) for r in readings()]
    with pytest.raises(GapvisionError, match=r"'4\.76' show 5\.7\d mm, its readings say 4\.76 mm, and their U"):
        judge_study(PIECES, wrong, 0.03)


def test_calipers_read_wrong_by_two_tenths_make_u_larger_never_smaller():
    wrong = [replace(r, error_mm=r.error_mm + 0.2 * (r.piece == "4.76")) for r in readings(std_u=0.05, small=0.05)]
    result = judge_study(PIECES, wrong, 0.03)
    assert not result.bias_proven
    assert result.small_share == 1.0
    # A photo's whole U with the study's parts in it covers the 0.2 mm.
    assert 2 * np.hypot(0.05, result.bias_u_mm / 2) * result.growth >= 0.2
