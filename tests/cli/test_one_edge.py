"""One edge alone on the command line: what makes no sense is refused, and the part comes out at true scale."""

import ezdxf
import numpy as np
import pypdfium2
import pytest

from gapvision.cli import main
from gapvision.formats import edge_json
from gapvision.model import EdgeAlone, EdgeProfile, SeenPhoto, Settings
from gapvision.samples import FOLDER

RADIUS_MM = 60.0


@pytest.fixture
def hole(tmp_path):
    """The file of a round hole, R 60 mm, as if it had been measured."""
    n = 377
    angle = 2 * np.pi * np.arange(n) / n
    way = np.stack([np.cos(angle), np.sin(angle)], 1)
    spacing = 2 * np.pi * RADIUS_MM / n
    profile = EdgeProfile(
        s_mm=spacing * np.arange(n), place_mm=RADIUS_MM * way, outward=-way, expanded_u_mm=np.full(n, 0.12),
        edge_px=2000 + 600 * way, parts_mm={"edge": np.full(n, 0.06)}, spacing_mm=spacing, round_mm=n * spacing,
    )  # fmt: skip
    photo = SeenPhoto(file="hole.jpg", sha256="0" * 64, width_px=4000, height_px=3000)
    edge_json.write(
        EdgeAlone(status="ok", notices=(), photo=photo, profile=profile, settings=Settings(closed=True)),
        tmp_path / "hole.json",
    )
    return tmp_path / "hole.json"


def radii(drawing, layer):
    (line,) = [e for e in drawing.modelspace() if e.dxftype() == "LWPOLYLINE" and e.dxf.layer == layer]
    return line.closed, np.hypot(*np.array(line.get_points("xy")).T)


def test_the_part_comes_out_at_true_scale_on_paper_and_for_a_cutter(hole, tmp_path, capsys):
    pdf, dxf = tmp_path / "part.pdf", tmp_path / "part.dxf"
    line = ["template", str(hole), "--gap", "4mm", "--part", "fuel flap", "--tool-width", "1mm"]
    assert main([*line, "-o", str(pdf), "--dxf", str(dxf)]) == 0
    drawing = ezdxf.readfile(dxf)
    for layer, radius in (("PRESENT_EDGE", 60.0), ("SCRIBE", 56.0), ("CUT_PATH", 56.5)):
        closed, found = radii(drawing, layer)
        assert closed
        np.testing.assert_allclose(found, radius, atol=0.05)
    with pypdfium2.PdfDocument(pdf.read_bytes()) as document:
        page = document[0]
        words = page.get_textpage().get_text_range()
        picture = page.render(scale=200 / 72).to_numpy()[..., :3].astype(int)
    assert "0.12 mm" in words  # U
    assert "Leave U outside the line" in words
    assert "gap; this way" not in words
    red = np.argwhere(abs(picture[..., 2] - picture[..., 1]) + abs(picture[..., 0] - picture[..., 1]) > 80)
    wide = np.ptp(red, axis=0) * 25.4 / 200
    assert wide.max() == pytest.approx(112.0, abs=0.4)


def test_what_needs_a_gap_refuses_the_file_in_one_sentence(hole, capsys):
    assert main(["judge", str(hole), "--nominal", "4mm"]) == 2
    said = capsys.readouterr().err
    assert "one edge alone: there is no gap" in said
    assert "edge-has-no-gap" in said


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        (["--nominal", "4mm"], "no gap to judge"),
        (["--edge-b", "cut"], "no edge B"),
        (["--step", "1mm"], "no edge B"),
        (["--one-seam"], "contradict"),
        (["--taped", "A-D=1012mm"], "photos along a seam"),
        (["--csv", "edge.xlsx"], "not as a workbook"),
        (["--seam", "100,100"], "One point"),
        ([str(FOLDER / "left_door_3.jpg")], "one photo"),
    ],
)
def test_what_makes_no_sense_with_one_edge_is_refused(more, sentence, capsys):
    photos = [str(FOLDER / "left_door_2.jpg"), *(x for x in more if x.endswith(".jpg"))]
    assert main(["measure", *photos, "--one-edge", *(x for x in more if not x.endswith(".jpg"))]) == 2
    assert sentence in capsys.readouterr().err


@pytest.mark.parametrize(
    ("more", "sentence"),
    [
        ([], "what gap"), (["--gap", "90mm"], "makes no sense"),
        (["--gap", "4mm", "--marks-apart", "9mm"], "for a panel or a plan"),
    ],
)
def test_a_part_is_asked_for_in_full(hole, more, sentence, capsys):
    assert main(["template", str(hole), *more]) == 2
    assert sentence in capsys.readouterr().err


def test_a_damaged_file_is_told_and_not_drawn(hole, capsys):
    text = hole.read_text(encoding="utf-8")
    hole.write_text(text.replace('"u_mm": 0.12', '"u_mm": -1', 1), encoding="utf-8")
    assert main(["template", str(hole), "--gap", "4mm"]) == 2
    assert "u_mm" in capsys.readouterr().err


def test_a_closed_seam_takes_one_photo(capsys):
    photos = [str(FOLDER / name) for name in ("left_door_2.jpg", "left_door_3.jpg")]
    assert main(["measure", *photos, "--one-seam", "--closed"]) == 2
    assert "closed-needs-one-photo" in capsys.readouterr().err
