"""Several photos of one seam measured together: against invented photos with exact truth, and the coach."""

from dataclasses import make_dataclass, replace
from functools import partial
from threading import Event

import numpy as np
import pytest

import gapvision
from gapvision import words
from gapvision.cli import main
from gapvision.errors import GapvisionError
from gapvision.formats import measurement_json
from gapvision.judgement.coach import next_photo, seen_slopes, u_with
from gapvision.lab.scenes import CameraSpec, EdgeSpec, SceneSpec, StripSpec, render_grey
from gapvision.model import LeftOut, Notice, Photo, Settings
from gapvision.recipe import measure_photo
from gapvision.several import Shot, _looks, _seen_by_one, _where_most_have_it, measure_photos
from gapvision.vision.band import CentreLine
from tests.conftest import hand_made_measurement

CHECKED = Settings(print_scale_checked=True, one_sheet=True)
CAMERA = CameraSpec(width_px=1600, height_px=1067, distance_mm=300, tilt_across_deg=2, tilt_along_deg=-3)
SEAM = SceneSpec(
    name="seam",
    gap_mm=4.6,
    taper_mm_per_m=2.0,
    camera=CAMERA,
    edge_a=EdgeSpec(),
    edge_b=EdgeSpec(radius_mm=1.2),
    strips=(StripSpec(letter="A", t_mm=-42.0, angle_deg=1.0), StripSpec(letter="B", t_mm=42.0)),
)


def photo_of(spec, name):
    grey, truth = render_grey(spec, seed=5)
    return Photo(grey=grey, file=f"{name}.png", sha256=name * 64), truth


@pytest.fixture(scope="module")
def views():
    """One seam from three places, with the truth."""
    cameras = {"a": CAMERA, "b": replace(CAMERA, tilt_across_deg=-14), "c": replace(CAMERA, tilt_across_deg=15)}
    return {name: photo_of(replace(SEAM, camera=camera), name) for name, camera in cameras.items()}


@pytest.fixture(scope="module")
def together(views):
    return measure_photos([photo for photo, _ in views.values()], CHECKED)


def gap_at(truth, measurement, photo):
    """The true gap beside each station that shows best in a photo."""
    p, e = measurement.profile, truth["edges"]
    here = p.photo == photo
    middle = 0.5 * (np.array(e["A_px"], float) + np.array(e["B_px"], float))
    away = np.linalg.norm(0.5 * (p.edge_a_px + p.edge_b_px)[here][:, None] - middle[None], axis=2)
    return p.gap_mm[here], p.expanded_u_mm[here], np.array(e["gap"])[away.argmin(1)]


@pytest.mark.slow
def test_three_photos_tell_the_gap_within_their_u_and_better_than_one(views, together):
    assert together.status != "refused"
    assert [photo.file for photo in together.photos] == ["a.png", "b.png", "c.png"]
    for k, (_, truth) in enumerate(views.values()):
        gap, u, exact = gap_at(truth, together, k)
        if len(gap):
            assert np.mean(np.abs(gap - exact) <= u) > 0.94
            assert np.mean(np.abs(gap - exact) < 0.15) > 0.9  # right, as issue 20 has it
    alone = measure_photo(views["c"][0], CHECKED)
    assert np.median(together.profile.expanded_u_mm) < np.median(alone.profile.expanded_u_mm)


@pytest.mark.slow
def test_what_is_remembered_of_each_photo_changes_no_number(views, together):
    made, kept = [], {}

    def remember(key, make):
        if key not in kept:
            made.append(key)
            kept[key] = make()
        return kept[key]

    photos = [photo for photo, _ in views.values()]
    measure_photos(photos[:2], CHECKED, remember=remember)
    assert len(made) == 4
    grown = measure_photos(photos, CHECKED, remember=remember)
    assert len(made) == 6, "of the photo that came, alone"
    assert measurement_json.to_json(grown) == measurement_json.to_json(together)


@pytest.mark.slow
def test_a_set_goes_through_its_file_and_all_that_comes_after(together, tmp_path):
    file = tmp_path / "seam.json"
    measurement_json.write(together, file)
    again = measurement_json.read(file)
    assert measurement_json.to_json(again) == measurement_json.to_json(together)
    assert np.array_equal(again.profile.photo, together.profile.photo)
    assert gapvision.judge(again, nominal="4.8mm", tolerance="1mm").state == "in tolerance"
    assert main(["judge", str(file), "--nominal", "4.8mm", "--tol", "1mm"]) == 0
    laid = again.profile_in_first
    # One edge in one photo: its places go on without a leap from where another photo shows it best.
    steps = np.linalg.norm(np.diff(laid.edge_a_px, axis=0), axis=1)
    assert steps.max() < 2 * np.median(steps)


@pytest.mark.slow
def test_the_same_photo_twice_is_one_and_a_photo_without_strips_is_named(views):
    square, _ = views["a"]
    twice = measure_photos([square, replace(square, file="z.png")], CHECKED)
    plain = Photo(grey=np.full((600, 800), 120, np.uint8), file="y.png", sha256="f" * 64)
    with_plain = measure_photos([square, plain], CHECKED)
    alone = measure_photo(square, CHECKED)
    for measurement, file in ((twice, "z.png"), (with_plain, "y.png")):
        assert np.array_equal(measurement.profile.expanded_u_mm, alone.profile.expanded_u_mm)
        assert measurement.status == "warn"
        assert "photo-left-out" in [n.code for n in measurement.notices]
        assert any(file in n.message for n in measurement.notices)


@pytest.mark.slow
def test_what_is_stated_and_left_out_counts_for_a_set(views):
    photos = [views[name][0] for name in "ab"]
    spans = (LeftOut(from_mm=50, to_mm=60, reason="handle"),)
    stated = replace(CHECKED, edge_b="rolled", edge_b_radius_mm=1.2, left_out=spans)
    m = measure_photos(photos, stated)
    assert not ((m.profile.s_mm >= 50) & (m.profile.s_mm <= 60)).any()
    assert m.edge_b.source == "stated"
    assert m.left_out == spans


@pytest.mark.slow
def test_the_coach_foretells_what_the_next_photos_do(views, together):
    """From the first photo's covariance: what the second and the third would bring, held against what they brought."""
    photos = [photo for photo, _ in views.values()]
    one, two = measure_photo(photos[0], CHECKED), measure_photos(photos[:2], CHECKED)
    for before, after in ((one, two), (two, together)):
        slopes = seen_slopes(before)
        (more,) = [k for k in seen_slopes(after) if min(abs(k - s) for s in slopes) > 0.05]
        foretold = u_with(before, slopes, more)
        assert foretold == pytest.approx(float(np.median(after.profile.expanded_u_mm)), rel=0.35)


def test_a_seam_that_no_two_photos_have_in_one_place_is_doubted():
    s = np.arange(100.0)

    def along(t, first=0):
        points, normals = np.stack([s, t * np.ones(100)], 1), np.tile([0.0, 1.0], (100, 1))
        return CentreLine(s[first:] - first, points[first:], normals[first:])

    off = np.where(s < 60, 0.0, 4.0)  # the surest photo's line leaves the seam
    np.testing.assert_allclose(_seen_by_one([along(off), along(0.2)], along(off)), np.where(s < 60, 0.0, 1.9))
    assert not _seen_by_one([along(0.0), along(0.2), along(4.0)], along(0.0)).any()
    assert not _seen_by_one([along(0.0), along(4.0, first=50)], along(0.0))[:49].any()  # seen by one alone


def test_where_two_photos_have_the_seam_in_one_place_that_the_surest_leaves_it_lies_there():
    """As own set o83: the surest photo's line left the seam by 4 mm at one end."""
    s = np.arange(100.0)

    def along(t):
        return CentreLine(s, np.stack([s, t * np.ones(100)], 1), np.tile([0.0, 1.0], (100, 1)))

    leaves = along(np.where(s < 60, 0.0, 4.0))
    t = _where_most_have_it([leaves, along(0.2), along(0.4)]).points[:, 1]
    np.testing.assert_allclose(t[:45], 0.0, atol=1e-9)
    np.testing.assert_allclose(t[75:], 0.3, atol=0.05)
    for others in ([along(0.2)], [along(0.2), along(-3.0)]):  # one other is no more than the surest; two that differ
        assert _where_most_have_it([leaves, *others]) is leaves


def test_of_a_photo_given_twice_the_first_by_name_stays_whichever_is_read_first(monkeypatch):
    """The points along the seam are the first photo's; two threads read, and the second may be done before it."""
    second_is_read = Event()

    def read(name):
        (second_is_read.wait(5) if name == "a.png" else second_is_read.set())
        return Photo(grey=np.zeros((4, 4), np.uint8), file=name, sha256="0" * 64)

    seen = make_dataclass("Seen", ["photo", "settings", "notices"])
    monkeypatch.setattr("gapvision.several.look_at", lambda photo, settings, _: seen(photo, settings, []))
    monkeypatch.setattr("gapvision.several.Look", seen)
    shots = [Shot(name, partial(read, name)) for name in ("a.png", "b.png")]
    looks, notices = _looks(shots, Settings(seam_hint_px=((1.0, 2.0), (3.0, 2.0))), [], None)
    assert [(look.photo.file, look.settings.seam_hint_px is None) for look in looks] == [("a.png", False)]
    assert ["b.png" in notice.message for notice in notices] == [True]


def test_more_than_forty_photos_are_refused(tmp_path, capsys):
    with pytest.raises(GapvisionError) as caught:
        measure_photos([], CHECKED)
    assert caught.value.code == "photos-too-many"
    names = []
    for k in range(41):
        names.append(str(tmp_path / f"{k}.jpg"))
        (tmp_path / f"{k}.jpg").write_bytes(b"")
    assert main(["measure", "--one-seam", *names]) == 2
    assert "[photos-too-many]" in capsys.readouterr().err


def test_a_notice_names_its_photos_and_keeps_them_in_a_file():
    notice = Notice(code="two-seams", photos=("left.jpg",))
    message, _ = words.notice(notice, words.Lengths("mm"))
    assert message.startswith("left.jpg: ")
    back = measurement_json.from_json(measurement_json.to_json(hand_made_measurement(notices=(notice,))))
    assert back.notices[0] == notice


def test_the_coach_says_nothing_of_a_file_without_maps():
    assert next_photo(hand_made_measurement()) is None
