"""A whole seam from photos along it: form and file by hand-made profiles, and the whole way on drawn photos (slow)."""

import subprocess
import sys
import time
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from PIL import Image

from gapvision import several, words
from gapvision.along import _differing, _joined, two_at_a_time
from gapvision.cli import main
from gapvision.commands._args import parse_taped
from gapvision.errors import GapvisionError
from gapvision.formats import measurement_json
from gapvision.formats.recomputed import contradiction
from gapvision.geometry.edge_form import figures_of
from gapvision.judgement.coach import next_photo
from gapvision.lab.bench.long_seams import score_long
from gapvision.lab.scenes import CameraSpec, EdgeSpec, SceneSpec, StripSpec, render_grey
from gapvision.model import Course, Notice, Photo, Settings, StripView, Taped
from gapvision.reports.overlay import in_a_column
from gapvision.reports.terminal import describe
from gapvision.several import measure_photos
from gapvision.vision import doubts
from tests.conftest import hand_made_measurement


def bowed(bow_mm, course_mm, bump_mm=0.0):
    """A metre of seam whose edge B bows; the frame's one mode is an arc."""
    made = hand_made_measurement()
    s = np.arange(0.0, 1001.0)
    arc, n = 1 - ((s - 500) / 500) ** 2, len(s)
    edge_b = 2.4 + bow_mm * arc + bump_mm * np.exp(-(((s - 700) / 15) ** 2))
    flat = np.full(n, -2.4)
    knots = np.linspace(0, 1000, 26)
    return replace(
        made.profile, s_mm=s, gap_mm=edge_b - flat, expanded_u_mm=np.full(n, 0.12), edge_a_mm=flat, edge_b_mm=edge_b,
        edge_a_px=np.zeros((n, 2)), edge_b_px=np.zeros((n, 2)), edge_a_u_mm=np.full(n, 0.08),
        edge_b_u_mm=np.full(n, 0.08), parts_mm={"edge": np.full(n, 0.06)}, photo=np.zeros(n, int),
        step_mm=np.full(n, np.nan), step_u_mm=np.full(n, np.nan),
        course=Course(s_mm=knots, modes_mm=course_mm * (1 - ((knots - 500) / 500) ** 2)[None]),
    )  # fmt: skip


def test_a_bow_is_told_from_a_local_fault_and_its_u_is_the_frames():
    """The arc's height follows from its making; an arc of the frame of 0.05 mm must come out as U of 0.1 mm, k = 2."""
    loose, firm = (figures_of(bowed(0.8, c, 0.5)) for c in (0.05, 0.0))
    b = loose["straightness_b"]
    assert b.bow_mm == pytest.approx(0.8, abs=0.05)
    assert b.local_mm == pytest.approx(0.5, abs=0.06)
    assert b.local_s_mm == pytest.approx(700, abs=3)
    grown = b.bow_u_mm**2 - firm["straightness_b"].bow_u_mm ** 2
    assert np.sqrt(grown) == pytest.approx(0.1, rel=0.03)
    assert b.expanded_u_mm > firm["straightness_b"].expanded_u_mm + 0.02
    assert abs(loose["straightness_a"].bow_mm) < 1e-9
    assert "bows 0.8" in words.form(b, words.MM)
    assert "no bow beyond U" in words.form(loose["straightness_a"], words.MM)


def test_taper_of_a_whole_seam_has_its_u():
    told = figures_of(bowed(0.0, 0.02))["summary"]
    assert told.taper_mm_per_m == pytest.approx(0.0, abs=1e-9)
    # Five photos' worth of readings of standard uncertainty 0.06 mm over 1 m: 0.06 sqrt(12 / 6), k = 2.
    assert told.taper_u_mm_per_m == pytest.approx(2 * 0.06 * np.sqrt(2), rel=0.01)


def test_the_file_keeps_the_course_and_the_figures_follow_from_it(tmp_path):
    profile = bowed(0.8, 0.05)
    made = replace(hand_made_measurement(), profile=profile, **figures_of(profile))
    made = replace(made, photos=(replace(made.photos[0], frame=(1.0, 2.0, 0.1)),))
    measurement_json.write(made, tmp_path / "seam.json")
    again = measurement_json.read(tmp_path / "seam.json")
    assert again.profile.course.modes_mm == pytest.approx(profile.course.modes_mm)
    assert again.photos[0].frame == (1.0, 2.0, 0.1)
    assert again.straightness_b.bow_mm == pytest.approx(made.straightness_b.bow_mm, abs=1e-4)
    assert contradiction(again) == ""
    assert contradiction(replace(again, straightness_b=replace(again.straightness_b, expanded_u_mm=0.02)))


def whole_seam():
    """A metre in two photos, as it is measured."""
    profile = bowed(0.8, 0.05)
    made = hand_made_measurement()
    photos = (replace(made.photos[0], file="a.jpg"), replace(made.photos[0], file="b.jpg", sha256="b" * 64))
    return replace(made, photos=photos, profile=replace(profile, photo=np.arange(1001) // 600))


def test_a_whole_seam_is_named_and_drawn_with_all_its_photos():
    made = whole_seam()
    assert words.photo_names(made) == "a.jpg to b.jpg, 2 photos"
    assert describe(made).startswith("a.jpg to b.jpg, 2 photos:")
    told = words.about(made, None, words.MM)
    assert [text for what, text in told if what == "photo"] == ["a.jpg", "b.jpg"]
    grey = np.full((75, 100), 120, np.uint8)
    drawn = in_a_column([Image.fromarray(grey), Image.fromarray(grey[:50, :50])])
    assert drawn.size == (100, 75 + 100)
    assert max(in_a_column([Image.fromarray(grey)] * 900).size) <= 65000


@pytest.mark.parametrize(("wider", "named"), [(0.3, []), (0.5, [1]), (-0.9, [1])])
def test_a_photo_in_another_state_of_the_seam_is_named(wider, named):
    """Three photos in a row, 200 mm each and 50 mm in common; U of each 0.25 mm, of a difference 0.35 mm."""
    s = np.arange(500.0)
    there = np.array([(s >= at) & (s < at + 200) for at in (0, 150, 300)])
    gaps = np.where(there, 4.5 + wider * np.array([[0.0], [1.0], [0.0]]), np.nan)
    apart = np.nan_to_num(gaps - np.nanmean(gaps, axis=0))
    assert _differing(gaps, np.where(there, 0.25, np.nan), apart, there) == named


def stated(text):
    strips, length = parse_taped(text)
    return Taped(strips=strips, length_mm=length)


def test_a_taped_distance_is_kept_and_told(tmp_path):
    made, taped = whole_seam(), stated("a-d=1012,5mm")
    assert taped == Taped(strips=("A", "D"), length_mm=1012.5)
    told = {"print_scale_along": 1.004, "print_scale_along_u": 0.001, "print_scale_u": 0.0061}
    scale = replace(made.scale, print_scale_checked=False, **told)
    made = replace(made, scale=scale, settings=Settings(taped=taped))
    measurement_json.write(made, tmp_path / "seam.json")
    assert measurement_json.read(tmp_path / "seam.json").settings.taped == taped
    assert measurement_json.to_dict(made)["sheet"]["print_scale_from"] == "taped distance"
    assert "1.0040 along (U 0.0010)" in words.print_scale(made)
    assert words.print_scale(made).endswith("by the taped distance")
    doubtful = replace(made, status="warn", notices=(Notice(code="taped-doubtful"),))
    assert "taped" not in words.print_scale(doubtful)
    assert "taped" not in measurement_json.to_dict(replace(made, settings=Settings()))["settings"]
    for wrong in ("A-D", "AD=3mm", "A-D=", "A-A=900mm", "A-X=900mm", "A-D=5mm"):
        with pytest.raises(GapvisionError):
            stated(wrong)


def test_lines_of_neighbouring_photos_go_over_into_each_other():
    s = np.arange(0.0, 300.0)
    first, second = np.stack([s, 0 * s], 1), np.stack([s + 200, 0 * s + 1.0], 1)
    for other in (second, second[::-1]):
        line = _joined(first, other)
        assert line[0] == pytest.approx([0, 0])
        assert line[-1] == pytest.approx([499, 1])
        assert np.abs(np.diff(line[:, 1])).max() < 0.05
    apart = _joined(first, np.add(second, [150.0, 0.0]))
    assert np.linalg.norm(np.diff(apart, axis=0), axis=1).max() < 1.5


def test_work_is_done_in_order_and_refusals_are_kept():
    def refuse():
        raise GapvisionError("strip-not-found")

    told = []
    done = two_at_a_time([lambda: 1, refuse, lambda: 3], lambda k, n: told.append((k, n)))
    assert done[::2] == [1, 3]
    assert done[1].code == "strip-not-found"
    assert told == [(1, 3), (2, 3), (3, 3)]
    with pytest.raises(GapvisionError):
        two_at_a_time([lambda: (_ for _ in ()).throw(GapvisionError("file-not-found"))])


def test_ctrl_c_begins_nothing_more_and_leaves_no_file(tmp_path, monkeypatch, capsys):
    begun = []

    def stop(done, all_):
        raise KeyboardInterrupt

    def piece(k):
        begun.append(k)
        time.sleep(0.01)

    with pytest.raises(KeyboardInterrupt):
        two_at_a_time([lambda k=k: piece(k) for k in range(40)], stop)
    assert len(begun) < 10
    for name in ("a.jpg", "b.jpg"):
        (tmp_path / name).write_bytes(b"not looked at")

    def interrupted(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(several, "measure_photos", interrupted)
    json_file = tmp_path / "seam.json"
    line = ["measure", str(tmp_path), "--one-seam", "--json", str(json_file), "--data", str(tmp_path / "no")]
    assert main(line) == 130
    assert capsys.readouterr().err == "gapvision: stopped.\n"
    assert sorted(p.name for p in tmp_path.iterdir()) == ["a.jpg", "b.jpg"]


def test_ctrl_c_does_not_wait_for_the_photos_in_hand():
    """Two photos in hand took 12 s more on a busy machine; a person waits a second or two."""
    script = (
        "import sys, threading, time\n"
        "from gapvision import cli\n"
        "from gapvision.along import two_at_a_time\n"
        "def stop(*_): raise KeyboardInterrupt\n"
        "begun = threading.Event()\n"
        "def in_hand(): begun.set(); time.sleep(30)\n"
        "def run(*_): two_at_a_time([begun.wait, in_hand], stop)\n"
        "cli.import_module = lambda name: type('Command', (), {'run': run, 'configure': lambda parser: None})\n"
        "sys.argv = ['gapvision', 'measure']\n"
        "sys.exit(cli.program())\n"
    )
    run = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=20, check=False)
    assert run.returncode == 130
    assert run.stderr == "gapvision: stopped.\n"


def test_a_closed_seam_has_no_taper_to_contradict():
    """The import of one's own export was refused."""
    made = hand_made_measurement()
    flat = replace(made, summary=replace(made.summary, taper_mm_per_m=0.0))
    gap = made.profile.gap_mm + 0.001 * made.profile.s_mm
    assert "taper" in contradiction(replace(flat, profile=replace(made.profile, gap_mm=gap)))
    round_ = replace(made.profile, gap_mm=gap, round_mm=float(len(gap)), own_line=True)
    assert "taper" not in contradiction(replace(flat, profile=round_, seam_kind="closed"))


def test_check_lines_are_missed_in_a_photo_that_cuts_off_all_its_strips(monkeypatch):
    """In the middle photo of a chain every strip may end at the border; it was as if its sheet had been measured."""
    monkeypatch.setattr(doubts, "_of_seam", lambda *_: [])
    monkeypatch.setattr(doubts, "_lifted", lambda *_: [])
    strip = StripView(letter="A", corner_ids=np.arange(4), corners_px=np.zeros((4, 2)), corners_mm=np.zeros((4, 2)))
    photos = [Photo(grey=np.zeros((8, 8), np.uint8), file=f, sha256=f) for f in ("a.jpg", "b.jpg")]
    some = SimpleNamespace(
        rival=0.0, over_share=0.0, under_share=0.0, method="", burnt_share=0.0, line=SimpleNamespace(s_mm=[0.0])
    )
    told = doubts.doubts_of_several(
        [(photos[0], [strip], some), (photos[1], [], some)], Settings(), [some] * 2, [some] * 2, [some] * 2, some, some,
        1, [[strip], [strip]],
    )  # fmt: skip
    assert [n.photos for n in told if n.code == "print-scale-unchecked"] == [()]


@pytest.mark.slow
def test_half_a_metre_from_three_photos():
    """Issue 23: steps where photos join at most 0.05 mm, 0.70 of it useful, straightness to 0.15 mm, U honest."""
    camera = CameraSpec(width_px=2000, height_px=1333, distance_mm=300)
    strips = tuple(
        StripSpec(letter=x, s_mm=258.0 * (k % 3 - 1), t_mm=(-42.0, 44.0)[k // 3], angle_deg=(0.6, -0.5, 0.3)[k % 3])
        for k, x in enumerate("ABCDEF")
    )
    spec = SceneSpec(
        gap_mm=4.6, edge_b=EdgeSpec(radius_mm=1.3, wave_mm=0.6, wave_period_mm=1500.0, wave_phase_deg=90.0),
        strips=strips,
    )  # fmt: skip
    photos, truths = [], []
    for k, place in enumerate((-240.0, 0.0, 240.0)):
        shot = replace(camera, aim_s_mm=place, tilt_across_deg=(5.0, -6.0, 4.0)[k], roll_deg=2.0 - k)
        grey, truth = render_grey(replace(spec, name=f"seam{'abc'[k]}", camera=shot), seed=k)
        photos.append(Photo(grey=grey, file=f"seam{'abc'[k]}.png", sha256=str(k) * 64))
        truths.append(truth)
    measurement = measure_photos(photos, Settings(print_scale_checked=True, one_sheet=True))
    found = score_long(measurement, truths)
    assert np.ptp(measurement.profile.s_mm) > 700
    assert found.score.within_u > 0.94
    assert found.score.useful_mm > 0.7 * found.score.reach_mm
    assert len(measurement.photos) == 3
    assert max(map(abs, found.straight_errors_mm)) < 0.15
    assert found.joint_mm < max(0.05, 1.2 * found.usual_mm)
    assert next_photo(measurement) is None
