"""The bench of sets: which photos are taken together, and its table from scores made by hand."""

import numpy as np
import pytest

from gapvision.lab.bench import sets
from gapvision.lab.bench.scoring import SetScore


def made(way, *, errors, u, useful, reach=100.0, radius=(), step=None, status="ok"):
    score = SetScore(
        name="x", good=True, accept=("ok",), status=status, errors_mm=np.array(errors), expanded_u_mm=np.array(u),
        reach_mm=reach, useful_mm=useful, radius_errors_mm=list(radius), flush_error_mm=step,
        flush_counts=step is not None,
    )  # fmt: skip
    return sets.Measured(way=way, letters="abc", score=score, floors=3.0)


def cell(text, row, column=-1):
    line = next(x for x in text.splitlines() if x.startswith(f"| {row} |"))
    return line.strip("| ").split(" | ")[column]


def test_every_photo_every_pair_and_all():
    assert [w for w, _ in sets.ways_of(3)] == [sets.SINGLE] * 3 + [sets.PAIRS] * 3 + [sets.TOGETHER]
    assert sets.ways_of(3)[-1] == (sets.TOGETHER, (0, 1, 2))
    # A set of two has no pair beside the whole.
    assert sets.ways_of(2) == [(sets.SINGLE, (0,)), (sets.SINGLE, (1,)), (sets.TOGETHER, (0, 1))]


def test_photos_of_a_set_share_their_name_up_to_the_last_letter(tmp_path):
    for name in ("n1_grey_a", "n1_grey_b", "n2_red_a"):
        (tmp_path / f"{name}.jpg").write_bytes(b"")
        (tmp_path / f"{name}.truth.json").write_text("{}")
    found = sets.sets_of(tmp_path)
    assert {name: [photo.stem[-1] for photo, _ in pairs] for name, pairs in found.items()} == {
        "n1_grey_": ["a", "b"],
        "n2_red_": ["a"],
    }
    assert sets.main([str(tmp_path / "empty")]) == 2


def test_the_table_is_reckoned_over_all_stations():
    text = sets.table(
        {
            "one": [made(sets.TOGETHER, errors=[0.1, -0.3], u=[0.2, 0.2], useful=40.0, radius=[0.1], step=-0.02)],
            "two": [made(sets.TOGETHER, errors=[0.0, 0.5], u=[0.2, 0.6], useful=80.0, radius=[-0.3], step=0.04)],
        }
    )
    assert cell(text, "useful share").startswith("0.600 (0.400 to 0.800)")
    assert cell(text, "within U, all").startswith("0.750")
    assert cell(text, "within U, worst") == "0.50"
    assert cell(text, "radius of rolls, mean error, mm").startswith("0.200")
    assert cell(text, "step, strips on both sides, mean error, mm").startswith("0.030")
    # The 95th percentile of 0.0, 0.1 and 0.3, as numpy goes between them (checked by hand: 0.1 + 0.9 x 0.2).
    assert cell(text, "95th percentile where trusted, mm").startswith("0.280")
    assert cell(text, "time over as many floors, median").startswith("3.0")


def test_ways_have_columns_of_their_own():
    some = [made(w, errors=[e], u=[0.2], useful=0.0) for w, e in ((sets.SINGLE, 0.3), (sets.TOGETHER, 0.1))]
    text = sets.table({"one": some})
    assert "| single photos (1) | all photos (1) |" in text
    assert cell(text, "within U, all", 1) == "0.000"
    assert cell(text, "within U, all", 2) == "1.000"
    assert sets.line(some[0]).split()[0] == "x"


@pytest.mark.parametrize("status", ["ok", "refused"])
def test_a_refusal_is_counted(status):
    text = sets.table({"one": [made(sets.TOGETHER, errors=[0.1], u=[0.2], useful=1.0, status=status)]})
    assert cell(text, "refused, of the measurements") == ("1.000" if status == "refused" else "0.000")
