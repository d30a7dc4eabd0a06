"""CSV and terminal table: units in headings, both systems, spans and advice."""

from __future__ import annotations

import csv
import io

import numpy as np
import pytest

from gapvision.errors import GapvisionError
from gapvision.geometry.spans import find_spans
from gapvision.reports.table import csv_text, terminal_text, write_csv
from gapvision.results import Straightness
from tests.reports._examples import measured, profile, refused


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


def test_terminal_table():
    text = terminal_text(measured(), 4.7625, 0.5)
    assert text == (
        "Tür ½.jpg: measured, but look at the warnings\n"
        "  gap           mean 4.77 mm (3/16 in), standard deviation 0.25 mm\n"
        "                from 3.96 mm (5/32 in) to 5.66 mm (7/32 in)\n"
        "  taper         -1.50 mm per metre\n"
        "  uncertainty   U (k = 2) 0.10 mm typically, 0.10 mm at worst\n"
        "  stations      100 from 0 to 119 mm along the seam\n"
        "  not measured  59 to 80 mm\n"
        "  edge A        straight within 0.31 mm (minimum zone; least squares 0.35), U\n"
        "                0.09 mm, over 119 mm; worst 100 mm: 0.28 mm, from 12 to 112 mm\n"
        "  edge B        straight within 0.41 mm (minimum zone; least squares 0.45), U\n"
        "                0.08 mm, over 119 mm\n"
        "  flush         -0.50 mm, U 0.20 mm (face A stands proud)\n"
        "  tolerance     4.76 mm (3/16 in) +- 0.50 mm\n"
        "  out of tol.   20 to 29 mm: too wide, worst 5.66 mm (7/32 in) at 20 mm\n"
        "                110 to 119 mm: too narrow, worst 3.96 mm (5/32 in) at 110 mm\n"
        "  warning       Along much of the seam it is not certain which line is the\n"
        "                panel's edge. Slip white paper into the gap or light it from\n"
        "                behind, dimmed until it is not burnt out. [edge-doubtful]\n"
        "  note          No step known. Lay a strip on each side of the seam.\n"
        "                [flush-unknown]\n"
    )


def test_terminal_table_of_a_refused_photo():
    text = terminal_text(refused(), 4.76, 0.5)
    assert text.startswith("b.jpg: refused\n  reason        The photo is blurred. Rest the phone")
    assert "[photo-blurred]" in text


def test_curved_seams_speak_of_fairness():
    form = Straightness(min_zone_mm=9.0, lsq_mm=9.0, expanded_u_mm=0.1, span_mm=119, fairness_mm=0.22, cutoff_mm=80.0)
    text = " ".join(terminal_text(measured(seam_kind="curved", straightness_b=form)).split())
    assert "edge B curved by design: fairness 0.22 mm from a smooth curve (cut-off 80 mm)" in text


def test_all_in_tolerance_and_unproven():
    good = measured(profile=profile(np.arange(5.0), np.full(5, 4.8)))
    assert "every measured station reads in tolerance" in terminal_text(good, 4.76, 0.5)
    close = measured(profile=profile(np.arange(5.0), np.full(5, 5.3)))
    assert "not proven" in " ".join(terminal_text(close, 4.76, 0.5).split())


def test_lines_are_short():
    for m in (measured(), refused()):
        assert max(len(line) for line in terminal_text(m, 4.76, 0.5).splitlines()) <= 78


# --- spans (geometry room, tested here beside the table that lists them) ------------------


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


def test_wide_stations_are_no_holes():
    far = profile(np.arange(0.0, 100, 10), np.full(10, 9.0))
    object.__setattr__(far, "spacing_mm", 10.0)
    text = terminal_text(measured(profile=far), 4.76, 0.5)
    assert "not measured" not in text
    assert "0 to 90 mm: too wide" in text
