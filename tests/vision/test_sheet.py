"""The number of a sheet read off photos: what was drawn is read, or nothing; never another number."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from gapvision.lab.scenes import StripSpec, render_grey
from gapvision.lab.scenes.samples import random_scene
from gapvision.model import Settings
from gapvision.recipe import measure_photo
from gapvision.targets import sheet_code, strip
from gapvision.vision.detect import find_strips
from gapvision.vision.quality import px_per_mm
from gapvision.vision.sheet import bit_contrasts, read_sheet, with_sheets
from tests.vision.conftest import PLAIN, SMALL, photo_of

ONE, TWO = 407122947, 555000116
_FINE = 16  # px per mm of the artwork


def number(rng):
    return 11 * int(rng.integers(sheet_code.FIRST_SHEET // 11 + 1, sheet_code.LAST_SHEET // 11))


def artwork(letter, sheet=None):
    """The strip by OpenCV's own drawing of the board, and the cells by their places."""
    art = np.full((round(44 * _FINE), round(248 * _FINE)), 255, np.uint8)
    rim = 4 * _FINE
    art[rim:-rim, rim:-rim] = strip.board(letter).generateImage((240 * _FINE, 36 * _FINE), marginSize=0, borderBits=1)
    if sheet is not None:
        for (low, high), cells in zip(sheet_code.cell_rows_mm(), sheet_code.black_cells(sheet), strict=True):
            for k in np.flatnonzero(cells):
                rows = slice(round((low + 4) * _FINE), round((high + 4) * _FINE))
                art[rows, round((1.2 * k + 4) * _FINE) : round((1.2 * (k + 1) + 4) * _FINE)] = 0
    return art


def seen(art, rng, resolution, blur_px, *, quality=85, tilt_deg=20.0, noise=3.0, levels=(30, 200)):
    """A strip as a camera sees it: tilted, blurred, noisy, stored as JPEG; grey picture."""
    size = (int(275 * resolution), int(80 * resolution) + 150)
    turn = np.eye(3)
    for axis, limit in enumerate((tilt_deg, tilt_deg, 5.0)):
        angle = np.zeros(3)
        angle[axis] = np.radians(rng.uniform(-limit, limit))
        turn = turn @ cv2.Rodrigues(angle)[0]
    focal = 3000.0
    camera = np.array([[focal, 0, size[0] / 2], [0, focal, size[1] / 2], [0, 0, 1]])
    plane = camera @ np.column_stack([turn[:, 0], turn[:, 1], [0, 0, focal / resolution]])
    art_mm = np.array([[1 / _FINE, 0, -124], [0, 1 / _FINE, -22], [0, 0, 1]])
    soft = cv2.GaussianBlur(art, (0, 0), 0.4 * _FINE / resolution)
    picture = cv2.warpPerspective(soft, plane @ art_mm, size, flags=cv2.INTER_AREA, borderValue=120).astype(float)
    picture = levels[0] + (levels[1] - levels[0]) / 255 * cv2.GaussianBlur(picture, (0, 0), blur_px)
    stored = np.clip(picture + rng.normal(0, noise, picture.shape), 0, 255).astype(np.uint8)
    return cv2.imdecode(cv2.imencode(".jpg", stored, [cv2.IMWRITE_JPEG_QUALITY, quality])[1], cv2.IMREAD_GRAYSCALE)


def read(grey):
    views = find_strips(photo_of(grey))
    return read_sheet(grey, views[0]) if views else "no strip"


@pytest.mark.parametrize(("resolution", "blur_px"), [(3, 0.8), (4, 1.5), (5, 2.5), (7, 3.0), (10, 3.5)])
@pytest.mark.slow
def test_what_was_printed_is_read(resolution, blur_px):
    """From 3 px per mm, below which a photo is refused anyhow; tilted up to 20 degrees either way, JPEG 60 to 95."""
    rng = np.random.default_rng(resolution)
    for _ in range(4):
        sheet, letter = number(rng), str(rng.choice(list("ABCDEFGH")))
        grey = seen(artwork(letter, sheet), rng, resolution, blur_px, quality=int(rng.integers(60, 96)))
        assert read(grey) == sheet


@pytest.mark.parametrize("turns", [1, 2, 3])
def test_the_photo_may_be_turned(turns):
    rng = np.random.default_rng(turns)
    grey = seen(artwork("C", ONE), rng, 6, 1.0)
    assert read(np.ascontiguousarray(np.rot90(grey, turns))) == ONE


def test_80_mm_of_a_strip_are_enough():
    rng = np.random.default_rng(2)
    for first in (30, 80, 130, 180):
        grey = seen(artwork("B", ONE), rng, 8, 1.2, tilt_deg=5)
        assert read(np.ascontiguousarray(grey[:, first * 8 : (first + 80) * 8])) == ONE


def test_a_hand_over_half_of_it_leaves_the_rest_to_read():
    art = artwork("D", ONE)
    art[: 22 * _FINE, 90 * _FINE :] = 150
    assert read(seen(art, np.random.default_rng(4), 8, 1.0)) == ONE


@pytest.mark.parametrize("spoilt", ["blurred", "far", "dark", "margin cut off"])
def test_what_cannot_be_read_is_not_known(spoilt):
    rng = np.random.default_rng(3)
    for _ in range(4):
        art, how = artwork("A", number(rng)), {"resolution": 7, "blur_px": 1.0}
        if spoilt == "blurred":
            how["blur_px"] = 6.5
        elif spoilt == "far":
            how["resolution"] = 2
        elif spoilt == "dark":
            how |= {"levels": (20, 32), "noise": 1.0}
        else:
            art = art[3 * _FINE : -3 * _FINE]
            art = cv2.copyMakeBorder(art, 3 * _FINE, 3 * _FINE, 0, 0, cv2.BORDER_CONSTANT, value=60)
        assert read(seen(art, rng, **how)) in (None, "no strip")


@pytest.mark.slow
def test_scribbles_never_make_another_number():
    rng, found = np.random.default_rng(9), []
    for share in (3, 5, 7, 8):
        for _ in range(6):
            sheet = number(rng)
            art = artwork("A", sheet)
            for x in range(0, 248 * _FINE, 9 * _FINE):
                for y in (1, 41):
                    art[y * _FINE : (y + 2) * _FINE, x : x + share * _FINE] = rng.choice([0, 255])
            found.append((sheet, read(seen(art, rng, 7, 1.0))))
    assert all(got in (sheet, None) for sheet, got in found)
    assert {got is None for _, got in found} == {True, False}


def test_a_strip_without_a_number_has_none():
    rng = np.random.default_rng(6)
    for _ in range(4):
        grey = seen(artwork("E"), rng, 8, 1.0)
        (view,) = find_strips(photo_of(grey))
        assert read_sheet(grey, view) is None
        assert np.nanmax(np.abs(bit_contrasts(grey, view))) < 0.1


def test_two_margins_of_different_sheets_are_no_number():
    """Each margin alone carries a whole word; a strip that contradicts itself is not believed."""
    art, other = artwork("A", ONE), artwork("A", TWO)
    art[22 * _FINE :] = other[22 * _FINE :]
    assert read(seen(art, np.random.default_rng(8), 8, 1.0)) is None


@pytest.mark.slow
def test_cut_strips_of_two_sheets_are_told_apart_in_one_photo():
    strips = (StripSpec(letter="A", t_mm=-42, sheet=ONE), StripSpec(letter="B", t_mm=42, sheet=TWO))
    grey, truth = render_grey(replace(PLAIN, camera=SMALL, strips=strips), seed=5)
    assert [s["sheet"] for s in truth["strips"]] == [ONE, TWO]
    assert [v.sheet for v in with_sheets(photo_of(grey), find_strips(photo_of(grey)))] == [ONE, TWO]
    measured = measure_photo(photo_of(grey), Settings(print_scale_checked=True))
    assert {v.letter: v.sheet for v in measured.photo.strips} == {"A": ONE, "B": TWO}


@pytest.mark.parametrize("case", [0, *(pytest.param(k, marks=pytest.mark.slow) for k in (1, 2, 3))])
def test_numbers_are_read_off_scenes_drawn_by_lot(case):
    """Bent panels, lens distortion, uneven light, phone's tone curve: the scenes that the bench measures."""
    rng = np.random.default_rng(case)
    spec = random_scene(case, seed=18)
    strips = tuple(replace(s, sheet=number(rng)) for s in spec.strips)
    camera = replace(spec.camera, width_px=2016, height_px=1512, focal_px=spec.camera.focal_px / 2)
    grey, _ = render_grey(replace(spec, strips=strips, camera=camera), seed=case)
    views = find_strips(photo_of(grey))
    assert min(px_per_mm(v) for v in views) > 2.9
    assert {v.letter: read_sheet(grey, v) for v in views} == {s.letter: s.sheet for s in strips}
