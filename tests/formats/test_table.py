"""CSV and terminal table: units in headings, both systems, spans and advice."""

from __future__ import annotations

import csv
import io
from dataclasses import replace

import numpy as np
import pytest

from gapvision.errors import GapvisionError
from gapvision.formats.table import comparison_csv, csv_text, decision_csv, write_csv
from gapvision.geometry.spans import find_spans
from tests.reports._examples import measured, refused


def rows(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


def test_csv_has_units_and_both_systems():
    table = rows(csv_text(measured(), 4.76, 0.5))
    assert len(table) == 100
    first = table[0]
    assert all("[" in name for name in first if name != "tolerance")
    assert first["gap [mm]"] == "4.760"
    assert first["gap [in]"] == "0.1874"
    assert first["gap [nearest 1/64 in]"] == "3/16"
    assert first["U (k=2) [mm]"] == "0.100"
    assert {r["tolerance"] for r in table} == {"in", "wide", "narrow"}
    assert [r["s [mm]"] for r in table if r["tolerance"] == "wide"] == [f"{v:.2f}" for v in range(20, 30)]


def test_csv_without_tolerance_leaves_the_column_empty():
    assert {r["tolerance"] for r in rows(csv_text(measured()))} == {""}


def test_csv_of_a_refused_photo_is_its_headings():
    assert csv_text(refused()).count("\n") == 1


def test_csv_on_disk(tmp_path):
    write_csv(measured(), tmp_path / "a.csv", 4.76, 0.5)
    data = (tmp_path / "a.csv").read_bytes()
    assert data.startswith(b"\xef\xbb\xbfs [mm],")
    assert data.decode("utf-8-sig") == csv_text(measured(), 4.76, 0.5)
    with pytest.raises(GapvisionError):
        write_csv(measured(), tmp_path / "none" / "a.csv")


def test_known_worst_and_limits():
    s = np.arange(10.0)
    gap = np.array([5.0, 5.5, 5.6, 5.9, 5.6, 5.0, 4.4, 4.0, 4.49, 5.0])
    spans = find_spans(s, gap, np.full(10, 0.05), 5.0, 0.5)
    assert [(x.from_mm, x.to_mm, x.worst_mm, x.worst_at_mm, x.side, x.stations) for x in spans] == [
        (2, 4, 5.9, 3, "wide", 3), (6, 8, 4.0, 7, "narrow", 3)]  # fmt: skip


def test_a_hole_is_never_bridged():
    s = np.array([0.0, 1, 2, 6, 7, 20])
    gap = np.full(6, 9.0)
    assert [(x.from_mm, x.to_mm) for x in find_spans(s, gap, gap * 0, 5, 1)] == [(0, 2), (6, 7), (20, 20)]
    assert [(x.from_mm, x.to_mm) for x in find_spans(s, gap, gap * 0, 5, 1, max_hole_mm=5)] == [(0, 7), (20, 20)]


def test_unmeasured_stations_count_as_holes():
    gap = np.array([9.0, np.nan, np.nan, np.nan, 9.0])
    assert len(find_spans(np.arange(5.0), gap, gap * 0, 5, 1)) == 2


def test_wide_next_to_narrow_are_two_spans():
    assert [x.side for x in find_spans(np.arange(2.0), np.array([9.0, 1.0]), np.zeros(2), 5, 1)] == ["wide", "narrow"]


@pytest.mark.parametrize(("u", "proven"), [(0.05, True), (0.2, False), (0.1, False)])
def test_proven_means_beyond_u(u, proven):
    (span,) = find_spans(np.zeros(1), np.array([5.6]), np.array([u + 1e-12]), 5.0, 0.5)
    assert span.proven is proven


def test_nothing_measured():
    assert find_spans(np.zeros(0), np.zeros(0), np.zeros(0), 5, 1) == ()


def test_misuse():
    with pytest.raises(ValueError, match="three arrays of one shape"):
        find_spans(np.zeros(2), np.zeros(3), np.zeros(2), 5, 1)
    with pytest.raises(ValueError, match="0 or more"):
        find_spans(np.zeros(2), np.zeros(2), np.zeros(2), 5, -1)


def test_csv_of_a_decision_has_limits_states_and_the_forecast_beside_it():
    from gapvision.judgement import judge_gap, simple_spec
    from gapvision.model import ExtraLine

    p = measured().profile
    verdict = judge_gap(p.s_mm, p.gap_mm, p.expanded_u_mm, simple_spec(4.76, 0.5, 0.8))
    later = ExtraLine(p.s_mm[:50], p.gap_mm[:50] - 0.2, "gap after paint", p.expanded_u_mm[:50] + 0.1)
    table = rows(decision_csv(verdict, [later]))
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
