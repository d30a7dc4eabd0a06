"""A phone's lens from the photos of a study, and what it does as a prior; photos by OpenCV's own camera model."""

from dataclasses import replace

import cv2
import numpy as np
import pytest

from gapvision.errors import GapvisionError
from gapvision.formats.study_file import read_phones, write_phone
from gapvision.lab.scenes import render_grey
from gapvision.model import PhoneKey, PhoneProof, StripView
from gapvision.recipe import measure_photo
from gapvision.targets.strip import corners_mm
from gapvision.vision.field import LENS, KnownStrips, fit_field
from gapvision.vision.lens import contradicts, lens_of
from tests.vision.conftest import CAMERA, CHECKED, SMALL, SPECS, photo_of

pytestmark = pytest.mark.slow  # sixty fits
SIZE, PHOTOS, FRESH = (2100, 1400), 15, 8
ALIKE = KnownStrips(one_sheet=True)
EDGE_MM, GAP_MM = -1.5, 4.76
#: Focal length [px], k1, k2: a usual lens, one that bends more than the field expects, a longer one of the same phone.
WIDE, ODD, TELE = (1560.0, 0.03, -0.01), (1500.0, -0.09, 0.035), (3100.0, 0.01, 0.0)


def shoot(lens, rng, tilt=8.0):
    """One photo: its strips, and the pixels of both edges of a straight gap; noise of 0.06 px at each corner."""
    focal, k1, k2 = lens
    matrix = np.array([[focal, 0, SIZE[0] / 2 + 5], [0, focal, SIZE[1] / 2 - 4], [0, 0, 1.0]])
    turn = np.diag([1.0, -1.0, -1.0]) @ cv2.Rodrigues(np.radians(rng.uniform(-tilt, tilt, 3)))[0]
    away = np.array([rng.normal(0, 4), rng.normal(0, 4), focal * rng.uniform(0.19, 0.21)])

    def seen(place):
        spread = np.array([k1, k2, 0, 0])
        return cv2.projectPoints(place, cv2.Rodrigues(turn)[0], away, matrix, spread)[0][:, 0]

    views = []
    for letter, middle in (("A", -40.0), ("B", 40.0)):
        corners = corners_mm()
        place = np.stack([corners[:, 0] - 120, middle - (corners[:, 1] - 18), np.zeros(len(corners))], 1)
        px = seen(place) + rng.normal(0, 0.06, (len(corners), 2))
        ids = np.arange(len(corners))
        views.append(StripView(letter=letter, corner_ids=ids, corners_px=px, corners_mm=corners))
    s = np.linspace(-100, 100, 41)
    edges = [seen(np.stack([s, np.full(41, half), np.full(41, EDGE_MM)], 1)) for half in (-GAP_MM / 2, GAP_MM / 2)]
    return views, edges


def gap_error(field, edges):
    """Mean error of the true edges' distance by a field [mm]."""
    a, b = (field.to_panel(px, EDGE_MM) for px in edges)
    return float(np.linalg.norm(a - b, axis=1).mean() - GAP_MM)


@pytest.fixture(scope="module")
def studied():
    """Of each lens what a study's photos say, fresh photos, and their fits without knowing it."""
    out = {}
    for seed, lens in enumerate((WIDE, ODD)):
        rng = np.random.default_rng(seed)
        fields = [fit_field(shoot(lens, rng)[0], SIZE, None, known=ALIKE) for _ in range(PHOTOS)]
        fresh = [shoot(lens, rng) for _ in range(FRESH)]
        out[lens] = lens_of(fields, None), fresh, [fit_field(views, SIZE, None, known=ALIKE) for views, _ in fresh]
    return out


@pytest.mark.parametrize("true", [WIDE, ODD])
def test_focal_length_and_distortion_are_found_within_their_u(studied, true):
    lens, _, _ = studied[true]
    off = np.array([np.log(lens.focal_px / true[0]), lens.k1 - true[1], lens.k2 - true[2]])
    assert (np.abs(off) <= 2 * np.array(lens.std_u)).all()
    assert lens.std_u[0] < 0.03
    assert lens.std_u[1] < 0.01


@pytest.mark.parametrize("true", [WIDE, ODD])
def test_fresh_photos_read_no_worse_with_it_and_are_surer_of_the_lens(studied, true):
    lens, fresh, without = studied[true]
    errors = []
    for (views, edges), alone in zip(fresh, without, strict=True):
        assert not contradicts(alone, None, lens)
        field = fit_field(views, SIZE, None, known=replace(ALIKE, lens=lens))
        lens_u, alone_u = (np.diag(one.covariance)[LENS] for one in (field, alone))
        assert (lens_u < alone_u).all()
        errors.append((gap_error(alone, edges), gap_error(field, edges)))
    before, after = np.sqrt(np.square(errors).mean(0))
    assert after <= before + 0.001, "a thousandth of a millimetre is no difference"
    assert after < 0.01


def test_photos_of_another_lens_contradict_it(studied):
    lens, rng, told = studied[WIDE][0], np.random.default_rng(9), 0
    for other in (TELE, TELE, TELE, ODD, ODD, ODD):
        views, edges = shoot(other, rng)
        alone = fit_field(views, SIZE, None, known=ALIKE)
        if contradicts(alone, None, lens):
            told += 1
        else:  # a photo from square above says nothing of its lens, and feels nothing of it
            field = fit_field(views, SIZE, None, known=replace(ALIKE, lens=lens))
            assert abs(gap_error(field, edges)) < 0.01
    assert told >= 5


def test_too_few_photos_say_nothing(studied):
    assert lens_of(studied[WIDE][2][:4], None) is None


def proof(lens, **changes):
    key = PhoneKey(camera="x", focal_mm=None, focal_35mm_mm=None, size_px=(SMALL.width_px, SMALL.height_px))
    told = {"name": "s", "made_on": "2026-05-09", "photos": 15, "bias_mm": 0.0, "bias_std_u_mm": 0.0}
    return PhoneProof(**(told | {"phone": key, "bias_proven": False, "lens": lens} | changes))


def test_a_study_of_an_earlier_program_is_not_called_changed(studied, tmp_path):
    path = write_phone(tmp_path, proof(studied[WIDE][0]))
    lines = path.read_text().splitlines()
    path.write_text("\n".join(x for x in lines if not x.startswith("digest")))
    with pytest.raises(GapvisionError, match="earlier gapvisions") as caught:
        read_phones(tmp_path)
    assert "changed" not in caught.value.message


@pytest.mark.parametrize(
    ("old", "new"),
    [("focal_px = 1", "focal_px = -1"), ("correlation = [", "correlation = [nan, nan, nan] #"), ("k1 = ", "k1 = 9"),
     ("std_u = [", "std_u = [0.0, 0.0, 0.0] #"), ("growth = 1.0", "growth = nan"), ("bias_mm = 0.0", "bias_mm = inf"),
     ("made_on = \"20", "made_on = \"29"), ("print_scales = [", "print_scales = [[nan, 1.0]] #"), ("k2", "k3"),
     ("photos = 15", "photos = 16")],
)  # fmt: skip
def test_an_altered_file_is_refused_by_name(studied, tmp_path, old, new):
    path = write_phone(tmp_path, proof(studied[WIDE][0]))
    text = path.read_text().replace("\n    ", " ").replace(",\n]", "]")
    assert old in text
    path.write_text(text.replace(old, new, 1))
    with pytest.raises(GapvisionError, match=path.name) as caught:
        read_phones(tmp_path)
    assert caught.value.code == "proof-file-bad"


def test_it_is_kept_and_read_back(studied, tmp_path):
    kept = proof(studied[ODD][0], sheets=(123,), print_scales=((0.998, 0.997),))
    write_phone(tmp_path, kept)
    (back,) = read_phones(tmp_path)
    assert back.lens.covariance == pytest.approx(kept.lens.covariance, rel=1e-2)
    assert (back.lens.k1, back.sheets) == (pytest.approx(kept.lens.k1, abs=1e-5), (123,))
    assert back.print_scales == kept.print_scales


def test_a_photo_is_measured_with_its_phones_lens_and_not_with_anothers(studied):
    spec = replace(SPECS["plain"], camera=replace(SMALL, focal_px=0.75 * SMALL.width_px))
    seen = replace(photo_of(render_grey(spec, seed=5)[0]), camera="x", taken_at="2026-05-20T10:00:00")
    right = replace(studied[WIDE][0], focal_px=0.75 * SMALL.width_px, k1=CAMERA.k1, k2=CAMERA.k2)
    wrong = replace(right, focal_px=1.2 * SMALL.width_px, k1=0.2)
    plain, used, other = (
        measure_photo(seen, replace(CHECKED, proofs=proofs)) for proofs in ((), (proof(right),), (proof(wrong),))
    )
    assert {n.code for n in used.notices} - {n.code for n in plain.notices} == {"proof-used"}
    assert used.photo.field.focal_px == pytest.approx(right.focal_px, rel=0.03)
    scale = [m.profile.parts_mm["scale"].mean() for m in (plain, used)]
    assert scale[1] < 1.02 * scale[0], "strips of unknown sheets leave most of it open, lens or no lens"
    (said,) = (n for n in other.notices if n.code == "proof-of-another-phone")
    assert said.values["differs"] == ["lens, as the strips show it"]
    assert other.settings.proofs == ()
    assert np.array_equal(other.profile.gap_mm, plain.profile.gap_mm), "nothing of the study counts"
    assert np.array_equal(other.profile.expanded_u_mm, plain.profile.expanded_u_mm)
