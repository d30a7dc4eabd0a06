"""Templates: at true scale on both papers, tiles that overlap, the same lines as DXF."""

import io
from dataclasses import replace
from itertools import pairwise

import ezdxf
import numpy as np
import pypdfium2
import pytest

from gapvision.errors import GapvisionError
from gapvision.formats.plan_json import drawing_to_dict, plan_from_dict
from gapvision.judgement.template import Label, TemplateDrawing
from gapvision.reports.target_sheet import PAPERS_MM
from gapvision.reports.template_dxf import write_dxf
from gapvision.reports.template_pdf import place_on_page, tiles_for, write_template

DPI = 300
X = np.arange(0.0, 900.0)


def sloped(x):
    return -0.2 + 0.004 * (x - 100)


def drawing(length=900, slope=True):
    x = X[X < length]
    y = np.where((x > 60) & (x < length - 60), 0.8, 0.0)
    new = sloped(x) if slope else 0 * x
    inside = (x >= 50) & (x <= length - 50)
    return TemplateDrawing(
        seam="right",
        photo="a.jpg",
        panel="bonnet",
        present=(tuple(zip(x.tolist(), y.tolist(), strict=True)),),
        scribe=(tuple(zip(x[inside].tolist(), new[inside].tolist(), strict=True)),),
        build_up=(),
        ticks=(((100.0, -3.0), (100.0, -15.0)),),
        marks=(Label(x=120.0, y=-30.0, text="punch 1"),),
        labels=(Label(x=100.0, y=-19.0, text="100"),),
        into_panel=-1.0,
        edge="cut",
        edge_stated=True,
    )


def red_centres(page, tile, x_mm):
    """Height of the red line on a rendered page at some places of the drawing [mm, drawing frame]."""
    picture = np.asarray(page.render(scale=DPI / 72).to_pil().convert("RGB"), float)
    red = np.clip((picture[..., 0] - picture[..., 1]) / 255, 0, 1)
    per_mm = DPI / 25.4
    out = []
    for x in x_mm:
        px, _ = place_on_page(tile, x, 0.0)
        column = red[:, round(px * per_mm - 0.5)]
        rows = np.arange(len(column)) + 0.5
        height = (len(column) - (rows * column).sum() / column.sum()) / per_mm
        out.append(height - place_on_page(tile, 0.0, 0.0)[1])
    return np.array(out)


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.slow
def test_line_lies_within_a_tenth_of_a_millimetre_on_every_tile(tmp_path, paper):
    d = drawing(600)
    path = tmp_path / "t.pdf"
    pages = write_template([d], path, paper)
    tiles = tiles_for(d, paper)
    assert pages == len(tiles) > 1
    document = pypdfium2.PdfDocument(path)
    size = document[0].get_size()
    assert size == pytest.approx([v * 72 / 25.4 for v in PAPERS_MM[paper]], abs=0.01)
    seen = 0
    for page, tile in zip(document, tiles, strict=True):
        x = np.arange(60.0, 540.0, 10.0)
        x = x[(x > tile.x0 + 1) & (x < tile.x0 + tile.width - 1)]
        assert red_centres(page, tile, x) == pytest.approx(sloped(x), abs=0.1)
        seen += len(x)
    assert seen >= 48
    document.close()


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.slow
def test_horizontal_place_and_check_lines(tmp_path, paper):
    d = drawing(200, slope=False)
    path = tmp_path / "t.pdf"
    write_template([d], path, paper)
    (tile,) = tiles_for(d, paper)
    document = pypdfium2.PdfDocument(path)
    picture = np.asarray(document[0].render(scale=DPI / 72).to_pil().convert("RGB"), float)
    document.close()
    per_mm = DPI / 25.4
    red = (picture[..., 0] - picture[..., 1]) > 100
    columns = np.flatnonzero(red.any(axis=0)) / per_mm
    assert columns.min() == pytest.approx(place_on_page(tile, 50.0, 0)[0], abs=0.2)
    assert columns.max() == pytest.approx(place_on_page(tile, 150.0, 0)[0], abs=0.2)
    dark = picture.max(axis=2) < 128
    runs = [
        np.diff(np.flatnonzero(np.diff(np.concatenate([[0], row.astype(int), [0]]))))[::2].max(initial=0)
        for row in dark[: int(25 * per_mm)]
    ]
    assert max(runs) / per_mm == pytest.approx(100.0, abs=0.3)
    down = dark[:, int(place_on_page(tile, tile.x0 + tile.width - 3, 0)[0] * per_mm) :]
    runs = [
        np.diff(np.flatnonzero(np.diff(np.concatenate([[0], column.astype(int), [0]]))))[::2].max(initial=0)
        for column in down.T
    ]
    assert max(runs) / per_mm == pytest.approx(50.0, abs=0.3)


def test_tiles_overlap_and_cover():
    tiles = tiles_for(drawing(900), "a4")
    assert tiles[0].x0 <= -12
    assert tiles[-1].x0 + tiles[-1].width >= 899
    for a, b in pairwise(tiles):
        assert a.x0 + a.width - b.x0 == pytest.approx(15)


def test_high_drawings_get_rows():
    high = replace(drawing(200), marks=(Label(x=10, y=-280, text="far"),))
    assert {t.row for t in tiles_for(high, "a4")} == {0, 1}


def test_asks_the_viewer_not_to_scale(tmp_path):
    path = tmp_path / "t.pdf"
    write_template([drawing(200)], path)
    assert b"/PrintScaling /None" in path.read_bytes()


def test_dxf_holds_the_same_line_in_millimetres(tmp_path):
    d = drawing(300)
    path = tmp_path / "t.dxf"
    write_dxf([d], path)
    document = ezdxf.readfile(path)
    assert not document.audit().errors
    assert document.units == ezdxf.units.MM
    (line,) = document.modelspace().query("LWPOLYLINE[layer=='SCRIBE']")
    assert np.array([p[:2] for p in line.get_points()]) == pytest.approx(np.array(d.scribe[0]), abs=1e-9)
    (check,) = document.modelspace().query("LINE[layer=='CHECK_LINE']")
    assert (check.dxf.end - check.dxf.start).magnitude == pytest.approx(100)
    assert len(document.modelspace().query("LWPOLYLINE[layer=='PRESENT_EDGE']")) == 1


def test_dxf_of_several_seams_does_not_overlap(tmp_path):
    path = tmp_path / "t.dxf"
    write_dxf([drawing(200), drawing(300)], path)
    lines = ezdxf.readfile(path).modelspace().query("LWPOLYLINE[layer=='PRESENT_EDGE']")
    heights = [{round(p[1], 3) for p in line.get_points()} for line in lines]
    assert max(heights[0]) + 40 < min(heights[1])


def test_nothing_to_draw(tmp_path):
    for write in (write_template, write_dxf):
        with pytest.raises(GapvisionError) as caught:
            write([], tmp_path / "x")
        assert caught.value.code == "template-has-no-line"
    with pytest.raises(GapvisionError) as caught:
        write_template([drawing(100)], tmp_path / "x", "a5")
    assert caught.value.code == "paper-unknown"


def test_into_a_plan_file_and_back():
    d = drawing(120)
    table = drawing_to_dict(d)
    (again,) = plan_from_dict({"schema": "gapvision-plan/1", "templates": [table]}).templates
    assert again.scribe[0] == pytest.approx(np.array(d.scribe[0]), abs=1e-4)
    assert (again.marks, again.labels, again.into_panel) == (d.marks, d.labels, d.into_panel)
    for broken in ({}, {**table, "present": []}, {**table, "present": [[]]}, {**table, "ticks": 3}, None):
        with pytest.raises(GapvisionError, match=r"The plan, templates\[0\]") as caught:
            plan_from_dict({"schema": "gapvision-plan/1", "templates": [broken]})
        assert caught.value.code == "plan-file-bad"
    for other in (None, [], {"schema": "gapvision-verdict/1", "templates": [table]}):
        with pytest.raises(GapvisionError) as caught:
            plan_from_dict(other)
        assert caught.value.code == "plan-file-bad"


def test_long_names_stay_on_the_page(tmp_path):
    path = tmp_path / "t.pdf"
    write_template([replace(drawing(200), panel="p" * 200, photo="f" * 300)], path)
    assert pypdfium2.PdfDocument(io.BytesIO(path.read_bytes()))[0].get_textpage().get_text_bounded().count("…") >= 2


def test_a_cutter_gets_a_closed_outline_and_a_path_beside_the_line(tmp_path):
    """The outline holds what goes (by the shoelace formula), the path lies half a tool away on the waste's side."""
    d = drawing(900)
    present, new = np.array(d.present[0]), np.array(d.scribe[0])
    inside = (present[:, 0] >= new[0, 0]) & (present[:, 0] <= new[-1, 0])
    outline = [*map(tuple, present[inside].tolist()), *map(tuple, new[::-1].tolist())]
    path = tmp_path / "t.dxf"
    write_dxf([replace(d, waste=(tuple(outline),))], path, tool_mm=1.2)
    space = ezdxf.readfile(path).modelspace()
    (closed,) = space.query("LWPOLYLINE[layer=='WASTE']")
    (beside,) = space.query("LWPOLYLINE[layer=='CUT_PATH']")
    assert closed.closed
    x, y = np.array([p[:2] for p in closed.get_points()]).T
    area = abs(np.dot(x, np.roll(y, -1)) - np.dot(y, np.roll(x, -1))) / 2
    steps = np.linspace(new[0, 0], new[-1, 0], 200_001)
    between = np.interp(steps, *present.T) - np.interp(steps, *new.T)
    signed = float(between.mean() * (new[-1, 0] - new[0, 0]))
    assert area == pytest.approx(abs(signed), rel=1e-3)
    off = np.array([p[:2] for p in beside.get_points()]) - new
    assert np.hypot(*off.T) == pytest.approx(np.full(len(new), 0.6), abs=1e-6)
    assert (off[:, 1] > 0).all()  # the panel lies below its edge here, so the waste above


def test_the_sheet_says_what_to_check_it_by(tmp_path):
    path = tmp_path / "t.pdf"
    write_template([replace(drawing(200), limits_mm=(4.26, 5.26))], path)
    text = pypdfium2.PdfDocument(path)[0].get_textpage().get_text_range()
    assert "a drill shank of 4.3 mm goes in, one of 5.2 mm does not" in " ".join(text.split())
