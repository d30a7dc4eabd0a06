"""What is remembered of sheets: there and back, told apart, and what is spoilt is named."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gapvision.errors import GapvisionError
from gapvision.formats.data_folder import copy_told
from gapvision.formats.sheet_file import check_lengths_mm, read_sheets, write_sheet
from gapvision.model import SheetCheck

ONE, TWO = 407122947, 555000116
GOOD = (
    'format = "gapvision-sheet/1"\nsheet = 407122947\ncheck_length = "198.6mm"\ncheck_width = "149,2mm"\n'
    'checked_on = "2026-03-31"\n'
)


def check(sheet, along=0.993, across=0.995, on="2026-03-31"):
    return SheetCheck(sheet=sheet, print_scale_along=along, print_scale_across=across, checked_on=on)


def test_nothing_is_remembered_where_nothing_was_told(tmp_path):
    assert read_sheets(tmp_path) == ()
    assert read_sheets(tmp_path / "not" / "there") == ()


@given(st.floats(170, 230), st.floats(127.5, 172.5))
def test_lengths_come_back_to_a_hundredth_of_what_a_steel_rule_tells(tmp_path_factory, length, width):
    folder = tmp_path_factory.mktemp("data")
    write_sheet(folder, check(ONE, length / 200, width / 150))
    (back,) = read_sheets(folder)
    assert check_lengths_mm(back) == pytest.approx((length, width), abs=0.0006)
    assert (back.sheet, back.checked_on) == (ONE, "2026-03-31")


def test_each_sheet_is_remembered_apart_and_the_last_telling_counts(tmp_path):
    write_sheet(tmp_path, check(TWO))
    write_sheet(tmp_path, check(ONE))
    write_sheet(tmp_path, check(TWO, 1.01, 1.02, "2026-04-01"))
    one, two = read_sheets(tmp_path)
    assert (one.sheet, two.sheet) == (ONE, TWO)
    assert one.print_scale_along == pytest.approx(0.993)
    assert (two.print_scale_across, two.checked_on) == (pytest.approx(1.02), "2026-04-01")
    copy_told(tmp_path, tmp_path / "backup")
    assert read_sheets(tmp_path / "backup") == (one, two)


def test_a_file_written_by_hand_is_read(tmp_path):
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / "mine.toml").write_text(GOOD)
    (told,) = read_sheets(tmp_path)
    assert check_lengths_mm(told) == pytest.approx((198.6, 149.2))


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("407122947", "407122948", "407122948 is not the number of a sheet"),
        ('"198.6mm"', "198.6", "198.6 has no unit"),
        ('"198.6mm"', '"19.86mm"', "print scale of 0.099 cannot be right"),
        ("2026-03-31", "31 March", "'31 March' is not a day"),
        ("sheet/1", "sheet/2", "gapvision-sheet/2"),
        ("format =", "format ==", "is not TOML"),
        ("check_width", "check_breadth", "check_breadth"),
    ],
)
def test_what_is_spoilt_is_named(tmp_path, old, new, says):
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / f"{ONE}.toml").write_text(GOOD.replace(old, new))
    with pytest.raises(GapvisionError) as caught:
        read_sheets(tmp_path)
    assert caught.value.code == "sheet-file-bad"
    assert f"{ONE}.toml" in caught.value.message
    assert says in str(caught.value)


def test_a_folder_that_cannot_be_made(tmp_path):
    (tmp_path / "sheets").write_text("a file in its place")
    with pytest.raises(GapvisionError) as caught:
        write_sheet(tmp_path, check(ONE))
    assert caught.value.code == "folder-not-writable"


def test_a_damaged_file_is_copied_too_and_stops_no_backup(tmp_path):
    (tmp_path / "sheets").mkdir()
    (tmp_path / "sheets" / "bad.toml").write_bytes(b"\xff not TOML")
    write_sheet(tmp_path, check(ONE))
    copy_told(tmp_path, tmp_path / "backup")
    for name in ("bad.toml", f"{ONE}.toml"):
        assert (tmp_path / "backup/sheets" / name).read_bytes() == (tmp_path / "sheets" / name).read_bytes()
