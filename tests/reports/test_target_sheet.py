"""The printable sheet against a PDF renderer and OpenCV's detector, both outside the project."""

import re

import cv2
import numpy as np
import pypdfium2
import pytest

from gapvision.errors import GapvisionError
from gapvision.model import Photo
from gapvision.reports import target_sheet
from gapvision.targets import strip
from gapvision.vision.detect import find_strips
from gapvision.vision.sheet import read_sheet

PX_PER_PT = 300 / 72
SHEET = 407122947


def rasterise(data, page=0):
    """Grey picture of a page, and its px per mm along x and y."""
    with pypdfium2.PdfDocument(data) as document:
        sheet = document[page]
        width_pt, height_pt = sheet.get_size()
        picture = sheet.render(scale=PX_PER_PT, grayscale=True).to_numpy().squeeze().copy()
    mm = 25.4 / 72
    return picture, np.array([picture.shape[1] / (width_pt * mm), picture.shape[0] / (height_pt * mm)])


@pytest.fixture(scope="module", params=["a4", "letter"])
def sheet(request):
    data = target_sheet.target_sheet_pdf("ACFH", request.param, [SHEET])
    return target_sheet.layout(request.param), data, *rasterise(data)


@pytest.mark.slow
def test_every_corner_lies_where_it_should(sheet):
    where, _, picture, px_per_mm = sheet
    soft = cv2.GaussianBlur(picture, (0, 0), 0.8)
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMinAccuracy = 0.01
    for place, letter in enumerate("ACFH"):
        detector = cv2.aruco.CharucoDetector(strip.board(letter), cv2.aruco.CharucoParameters(), parameters)
        origin = np.array(where.pattern_origin(place))
        # Looked for only around its place: the whole page for each strip takes four times as long.
        first = np.maximum((origin - 10) * px_per_mm, 0).astype(int)
        last = ((origin + np.array([strip.PATTERN_LENGTH_MM, strip.PATTERN_WIDTH_MM]) + 10) * px_per_mm).astype(int)
        corners, ids, *_ = detector.detectBoard(np.ascontiguousarray(soft[first[1] : last[1], first[0] : last[0]]))
        assert len(ids) == 38, letter
        found_mm = (corners.reshape(-1, 2) + first + 0.5) / px_per_mm
        want_mm = strip.corners_mm()[ids.ravel()] + origin
        assert np.abs(found_mm - want_mm).max() < 0.05, letter


@pytest.mark.slow
def test_every_strip_carries_the_number_of_its_sheet(sheet):
    """Off the rendered page as if it were a photo, also where a margin was cut 1 mm too narrow; and as plain digits."""
    where, data, picture, px_per_mm = sheet
    soft = cv2.GaussianBlur(picture, (0, 0), 0.8)
    for place in range(4):
        x, y = where.pattern_origin(place)
        for cut in (strip.MARGIN_MM, strip.MARGIN_MM - 1):
            low = np.round((np.array([x, y]) - cut) * px_per_mm).astype(int)
            size = np.array([strip.PATTERN_LENGTH_MM, strip.PATTERN_WIDTH_MM]) + 2 * cut
            high = low + np.round(size * px_per_mm).astype(int)
            alone = np.full_like(picture, 120)
            alone[low[1] : high[1], low[0] : high[0]] = soft[low[1] : high[1], low[0] : high[0]]
            (view,) = find_strips(Photo(grey=alone, file="page.png", sha256=""))
            assert view.letter == "ACFH"[place]
            assert len(view.corner_ids) == 38
            assert read_sheet(alone, view) == SHEET
    with pypdfium2.PdfDocument(data) as document:
        words = document[0].get_textpage().get_text_range()
    assert words.count("407 122 947") == 5  # on each strip, and above them
    assert f"gapvision sheet {SHEET}" in words
    assert "copy never" in words


def test_a_short_strip_is_known_as_such_and_half_of_a_whole_one_is_not():
    """Off the rendered page: corners where the board of OpenCV has them, the sheet's number, and its own length."""
    where = target_sheet.layout("a4")
    picture, px_per_mm = rasterise(target_sheet.target_sheet_pdf("AC", "a4", [SHEET], short="C"))
    soft = cv2.GaussianBlur(picture, (0, 0), 0.8)
    right = round((where.pattern_origin(0)[0] + strip.SHORT_LENGTH_MM) * px_per_mm[0])
    for cover in (False, True):  # all of strip A, and its first half
        seen = soft.copy()
        if cover:
            seen[: round(where.pattern_origin(1)[1] * px_per_mm[1]) - 60, right:] = 150
        whole, short = find_strips(Photo(grey=seen, file="page.png", sha256=""))
        assert (whole.letter, whole.short, short.letter, short.short) == ("A", False, "C", True)
        low, high = (16, 20) if cover else (38, 38)
        assert low <= len(whole.corner_ids) <= high
        assert len(short.corner_ids) == 18
        board = strip.board("C", short=True).getChessboardCorners()[:, :2]
        order = np.argsort(short.corner_ids)
        np.testing.assert_allclose(short.corners_mm[order], board, atol=1e-6)
        want_mm = short.corners_mm + np.array(where.pattern_origin(1))
        assert np.abs((short.corners_px + 0.5) / px_per_mm - want_mm).max() < 0.05
        assert read_sheet(seen, short) == SHEET


def test_a_short_strip_that_is_not_printed_is_refused():
    with pytest.raises(GapvisionError) as error:
        target_sheet.target_sheet_pdf("AB", "a4", short="C")
    assert error.value.code == "strip-letters-not-understood"


def test_each_page_of_strips_is_a_sheet():
    assert [target_sheet.sheets_needed(letters) for letters in ("A", "ABCD", "ABCDE", "ABCDEFGH")] == [1, 1, 2, 2]
    with pypdfium2.PdfDocument(target_sheet.target_sheet_pdf("ABCDE", "a4", [SHEET, 555000116])) as document:
        pages = [document[k].get_textpage().get_text_range() for k in range(3)]
    assert ["407 122 947" in page for page in pages] == [True, False, False]
    assert ["555 000 116" in page for page in pages] == [False, True, False]


def _middles_of_ticks(line, px_per_mm):
    """Middles of the dark runs of a line of pixels [mm]."""
    dark = 1.0 - line / 255.0
    middles, i = [], 0
    while i < len(dark):
        if dark[i] > 0.05:
            j = i
            while j < len(dark) and dark[j] > 0.05:
                j += 1
            middles.append((np.arange(i, j) + 0.5) @ dark[i:j] / dark[i:j].sum() / px_per_mm)
            i = j
        i += 1
    return middles


def test_check_lines_are_true(sheet):
    where, _, picture, (px_x, px_y) = sheet
    row = picture[round((where.along_y_mm - 1.5) * px_y)]
    a, b = (m for m in _middles_of_ticks(row, px_x) if m < where.along_mm[1] + 3)  # text follows
    assert b - a == pytest.approx(200.0, abs=0.05)
    column = picture[:, round((where.across_x_mm - 1.5) * px_x)]
    a, b = (m for m in _middles_of_ticks(column, px_y) if m < where.along_y_mm - 4)
    assert b - a == pytest.approx(150.0, abs=0.05)


def test_all_is_on_the_page_and_clear_of_the_printers_rim(sheet):
    """Common printers leave 4 to 5 mm blank (common practice, no source)."""
    _, _, picture, (px_x, px_y) = sheet
    rows, columns = np.nonzero(picture < 250)
    assert min(rows.min() / px_y, columns.min() / px_x) > 5
    assert min((picture.shape[0] - rows.max()) / px_y, (picture.shape[1] - columns.max()) / px_x) > 5


def test_asks_the_viewer_not_to_scale(sheet):
    assert re.search(rb"/PrintScaling\s*/None", sheet[1])


def test_paper_size_and_fonts(sheet):
    where, data, *_ = sheet
    with pypdfium2.PdfDocument(data) as document:
        assert len(document) == 2
        width_pt, height_pt = document[0].get_size()
        words = document[0].get_textpage().get_text_range()
    assert (width_pt * 25.4 / 72, height_pt * 25.4 / 72) == pytest.approx((where.width_mm, where.height_mm), abs=0.01)
    assert width_pt > height_pt
    assert "200 mm" in words
    assert "150 mm" in words
    # PDF 1.7's standard fonts need no embedding; nothing else is used
    fonts = set(re.findall(rb"/BaseFont\s*/([A-Za-z-]+)", data))
    assert fonts
    assert fonts <= {b"Helvetica", b"Helvetica-Bold"}


def test_same_bytes_each_time():
    assert target_sheet.target_sheet_pdf("AB", "a4") == target_sheet.target_sheet_pdf("AB", "a4")


@pytest.mark.parametrize("paper", ["a4", "letter"])
@pytest.mark.parametrize("letters", ["A-D", "E-H"])
def test_the_sheets_kept_ready_are_what_the_program_writes(paper, letters, request):
    """Compared as pictures: another version of the PDF library may write other bytes."""
    kept = request.config.rootpath / "calibration" / f"strips_{letters}_{paper}.pdf"
    made = target_sheet.target_sheet_pdf(target_sheet.parse_letters(letters), paper)
    for page in (0, 1):
        pictures = []
        for data in (kept.read_bytes(), made):
            with pypdfium2.PdfDocument(data) as document:
                pictures.append(document[page].render(scale=1.0, grayscale=True).to_numpy().squeeze().astype(int))
        assert np.abs(pictures[0] - pictures[1]).max() <= 2


@pytest.mark.parametrize(
    ("text", "letters"),
    [("A-D", "ABCD"), ("A,C", "AC"), ("e-h", "EFGH"), (" A - B , H", "ABH"), ("B B", "B"), ("A-H", "ABCDEFGH")],
)
def test_letters_as_people_write_them(text, letters):
    assert target_sheet.parse_letters(text) == letters


@pytest.mark.parametrize("text", ["", "D-A", "A-J", "Z", "1", "A-B-C", "A;B", ","])
def test_letters_that_mean_nothing(text):
    with pytest.raises(GapvisionError) as caught:
        target_sheet.parse_letters(text)
    assert caught.value.code == "strip-letters-not-understood"


def test_more_than_four_letters_take_more_pages():
    with pypdfium2.PdfDocument(target_sheet.target_sheet_pdf("ABCDE", "a4")) as document:
        assert len(document) == 3


def test_unknown_paper():
    with pytest.raises(GapvisionError, match="no sheet for paper 'a3'"):
        target_sheet.layout("a3")


def test_a_sheet_that_cannot_be_written_leaves_nothing_behind(tmp_path):
    with pytest.raises(GapvisionError) as caught:
        target_sheet.write_target_sheet(tmp_path / "missing" / "strips.pdf", "A")
    assert caught.value.code == "folder-not-writable"
    target_sheet.write_target_sheet(tmp_path / "strips.pdf", "A")
    assert [p.name for p in tmp_path.iterdir()] == ["strips.pdf"]
