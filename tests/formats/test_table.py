"""CSV and terminal table: units in headings, both systems, spans and advice."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest

from gapvision.errors import GapvisionError
from gapvision.formats.table import STYLES, comparison_csv, csv_text, own_style, workbook, write_csv
from gapvision.judgement import judge_measurement, simple_spec
from gapvision.model import IN, OUT
from tests.reports._examples import measured, refused


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def judged(above=0.5):
    return judge_measurement(measured(), simple_spec(4.76, 0.5, above))


def test_csv_has_units_and_both_systems():
    table = rows(csv_text(measured(), judged()))
    assert len(table) == 100
    first = table[0]
    assert all("[" in name for name in first if name not in ("state", "side"))
    assert first["gap [mm]"] == "4.760"
    assert first["gap [in]"] == "0.1874"
    assert first["gap [nearest 1/64 in]"] == "3/16 in"  # a bare 3/16 is the 16th of March to a spreadsheet
    assert first["U (k=2) [mm]"] == "0.100"
    assert {(r["state"], r["side"]) for r in table} == {(IN, ""), (OUT, "wide"), (OUT, "tight")}
    assert [r["s [mm]"] for r in table if r["side"] == "wide"] == [f"{v:.2f}" for v in range(20, 30)]


def test_csv_of_several_photos_names_the_photo_whose_pixels_a_row_tells():
    one = measured()
    second = replace(one.photos[0], file="zz_next.jpg", sha256="c" * 64)
    profile = replace(one.profile, photo=np.arange(100) // 60)
    table = rows(csv_text(replace(one, photos=(one.photos[0], second), profile=profile), judged()))
    assert [r["photo"] for r in table[58:62]] == [one.photo.file] * 2 + ["zz_next.jpg"] * 2
    assert [r["state"] for r in table[20:22]] == [OUT, OUT]
    assert "photo" not in rows(csv_text(one))[0]


def test_csv_without_tolerance_leaves_the_columns_empty():
    names = ("lower limit [mm]", "upper limit [in]", "state", "side")
    assert {r[name] for r in rows(csv_text(measured())) for name in names} == {""}


def test_csv_in_each_style_holds_the_same_numbers():
    plain = list(csv.reader(io.StringIO(csv_text(measured(), judged()))))
    for style, (between, mark) in STYLES.items():
        table = list(csv.reader(io.StringIO(csv_text(measured(), judged(), style=style)), delimiter=between))
        assert [[cell.replace(mark, ".") for cell in row] for row in table[1:]] == plain[1:]
    assert "4,760;0,1874;3/16 in;" in csv_text(measured(), judged(), style="semicolon")


@pytest.mark.parametrize(("mark", "style"), [(",", "semicolon"), (".", "comma")])
def test_the_style_of_this_machine(mark, style, monkeypatch):
    monkeypatch.setattr("locale.localeconv", lambda: {"decimal_point": mark})
    assert own_style() == style


def test_a_workbook_has_real_numbers_and_the_plot():
    """Read back with another library than the one that wrote it (openpyxl)."""
    import openpyxl

    from gapvision.reports.quick_plot import quick_plot
    from gapvision.words import MM, about

    one, verdict = measured(), judged()
    made = [workbook(one, verdict, about(one, verdict, MM), quick_plot(one, verdict)) for _ in range(2)]
    assert made[0] == made[1]
    book = openpyxl.load_workbook(io.BytesIO(made[0]))
    assert book.sheetnames == ["about", "plot", "stations"]
    assert len(book["plot"]._images) == 1
    told = dict(book["about"].iter_rows(values_only=True))
    assert told["verdict"] == OUT
    assert "coverage factor k = 2" in told["U"]
    assert "4.76 mm (3/16 in)" in told["judged by"]
    head, *table = book["stations"].iter_rows(values_only=True)
    first = dict(zip(head, table[0], strict=True))
    assert first["gap [mm]"] == 4.76
    assert first["gap [nearest 1/64 in]"] == 0.1875
    assert book["stations"].cell(2, head.index("gap [nearest 1/64 in]") + 1).number_format == "# ?/??"
    plain = rows(csv_text(one, verdict))
    assert [row[head.index("gap [mm]")] for row in table] == [float(r["gap [mm]"]) for r in plain]
    assert [row[head.index("state")] for row in table] == [r["state"] for r in plain]


def test_csv_of_a_refused_photo_is_its_headings():
    assert csv_text(refused()).count("\n") == 1


def test_csv_on_disk(tmp_path):
    write_csv(measured(), tmp_path / "a.csv", judged())
    data = (tmp_path / "a.csv").read_bytes()
    assert data.startswith(b"\xef\xbb\xbfs [mm],")
    assert data.decode("utf-8-sig") == csv_text(measured(), judged())
    with pytest.raises(GapvisionError):
        write_csv(measured(), tmp_path / "none" / "a.csv")


def test_csv_of_a_decision_has_limits_states_and_the_forecast_beside_it():
    from gapvision.model import ExtraLine

    p, verdict = measured().profile, judged(above=0.8)
    later = ExtraLine(p.s_mm[:50], p.gap_mm[:50] - 0.2, "gap after paint", p.expanded_u_mm[:50] + 0.1)
    table = rows(csv_text(measured(), verdict, [later]))
    assert len(table) == len(p.s_mm)
    first, last = table[0], table[-1]
    assert (first["lower limit [mm]"], first["upper limit [mm]"]) == ("4.260", "5.560")
    assert first["gap after paint [mm]"] == "4.560"
    assert first["gap after paint [in]"] == f"{4.56 / 25.4:.4f}"
    assert first["U of gap after paint [mm]"] == "0.200"
    assert (last["gap after paint [mm]"], last["U of gap after paint [in]"]) == ("", "")
    assert [r["state"] for r in table] == list(verdict.states)


def test_csv_of_a_comparison_gives_both_the_change_and_its_u():
    from gapvision.judgement.compare import compare_profiles
    from gapvision.model import Datum

    p = measured().profile
    wider = replace(p, gap_mm=p.gap_mm + 1.0)
    c = compare_profiles(p, wider, Datum(kind="mark", shift_mm=0.0, std_u_mm=0.1), nominal_mm=4.76)
    table = rows(comparison_csv(c, "as found", "after trimming"))
    assert len(table) == len(c.s_mm)
    assert float(table[0]["gap after trimming [mm]"]) - float(table[0]["gap as found [mm]"]) == pytest.approx(
        1.0, abs=2e-3
    )
    assert table[0]["change [in]"] == f"{1 / 25.4:.4f}"
    assert float(table[0]["U of change (k=2) [mm]"]) == pytest.approx(float(c.expanded_u_mm[0]), abs=1e-3)
    assert {r["change is"] for r in table} == set(c.state)
    assert {r["against the wanted gap"] for r in table} == set(c.judged)
