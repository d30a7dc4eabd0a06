"""One frame for photos along a seam, against exact scenes: known strips and seam, projected by known cameras."""

from dataclasses import replace

import numpy as np
import pytest

from gapvision.lab.bench.long_simulation import ALIKE, PaperStrip, course_of, photo_at, row_of
from gapvision.model import Taped
from gapvision.targets.strip import PATTERN_LENGTH_MM, PATTERN_WIDTH_MM, SHORT_LENGTH_MM, corner_ids
from gapvision.vision.chain_field import fit_chain

UNCHECKED, CHECKED = 0.012, 0.00075  # standard uncertainty of the print scale without check lines and with them
PLACES = (-300.0, -100.0, 100.0, 300.0)
STRIPS = row_of(780.0, "AB", seed=3)


def shoot(places=PLACES, strips=lambda k: STRIPS, **more):
    """Photos named a.jpg, b.jpg ... and the seam's places in each."""
    made = []
    for k, place in enumerate(places):
        rng = np.random.default_rng([5, k])
        made.append(photo_at(place, strips(k), rng, name=f"{'abcdefgh'[k]}.jpg", tilt_deg=(5.0, -7.0)[k % 2], **more))
    return [photo for photo, _, _ in made], [(s, px) for _, s, px in made]


@pytest.fixture(scope="module")
def row():
    return shoot()


def test_a_straight_seam_comes_out_straight_and_its_course_is_known(row):
    photos, seen = row
    chain = fit_chain(photos, ALIKE)
    assert chain.kept == (0, 1, 2, 3)
    assert not chain.notices
    s, off, covariance = course_of(chain, seen)
    assert np.ptp(off) < 0.08
    free = np.eye(len(s)) - np.stack([np.ones_like(s), s], 1) @ np.linalg.pinv(np.stack([np.ones_like(s), s], 1))
    std = np.sqrt(np.diag(free @ covariance @ free))
    assert np.mean(np.abs(off) <= 2 * std) > 0.9
    assert std.max() < 0.08
    # Lengths along it come out too: the first photo's places and the last one's lie 600 mm apart.
    ends = [chain.to_common(k, chain.fields[k].to_panel(seen[k][1], -2.0))[0] for k in (0, 3)]
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(600.0, abs=0.2)


@pytest.mark.slow
def test_a_panel_whose_bend_changes_and_a_step_are_followed():
    photos, seen = shoot(bend=lambda s: 1 / 1500 + s / 2e6, step_mm=0.6)
    chain = fit_chain(photos, ALIKE)
    _, off, _ = course_of(chain, seen)
    assert np.ptp(off) < 0.15
    assert [f.step_mm for f in chain.fields] == pytest.approx([0.6] * 4, abs=0.1)
    bends = [f.params[5] for f in chain.fields]
    assert bends[3] - bends[0] == pytest.approx(600 / 2e6, abs=1.5e-4)


@pytest.mark.slow
def test_a_bumped_strip_is_named_and_the_course_stays(row):
    photos, seen = row
    letter = next(x for x in photos[2].sides if x in photos[1].sides and x in photos[3].sides)

    def bumped(k):
        if k < 2:
            return STRIPS
        return [replace(x, t_mm=x.t_mm + 0.4) if x.letter == letter else x for x in STRIPS]

    late, late_seen = shoot(strips=bumped)
    chain = fit_chain(photos[:2] + late[2:], ALIKE)
    assert [n.code for n in chain.notices] == ["strip-moved"]
    assert f"Strip {letter}" in chain.notices[0].message
    assert "c.jpg" in chain.notices[0].message
    _, off, _ = course_of(chain, seen[:2] + late_seen[2:])
    assert np.ptp(off) < 0.1


@pytest.mark.slow
def test_strips_may_leapfrog():
    """Four strips over 1.2 m: the hindmost pair is carried forward, the other lies still."""

    def pair(letters, s):
        return [PaperStrip(letter=x, s_mm=s + 3 * k, t_mm=(-42, 43)[k], turn=0.004) for k, x in enumerate(letters)]

    first, second, third, fourth = pair("AC", -480), pair("BD", -222), pair("AC", 38), pair("BD", 300)
    laid = [first + second, first + second, third + second, third + fourth, third + fourth]
    photos, seen = shoot((-500.0, -300.0, -100.0, 100.0, 300.0), lambda k: laid[k])
    chain = fit_chain(photos, ALIKE)
    assert chain.kept == (0, 1, 2, 3, 4)
    assert not chain.notices
    _, off, _ = course_of(chain, seen)
    assert np.ptp(off) < 0.15
    ends = [chain.to_common(k, chain.fields[k].to_panel(seen[k][1], -2.0))[0] for k in (0, 4)]
    assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(800.0, abs=0.4)


def test_the_photo_that_broke_the_chain_is_named_and_what_would_mend_it(row):
    photos, _ = row
    far, _ = shoot((-300.0, 900.0), lambda k: [replace(x, letter="H", s_mm=900.0) for x in STRIPS[:1]] if k else STRIPS)
    chain = fit_chain([*photos[:2], replace(far[1], file="c.jpg")], ALIKE)
    assert chain.kept == (0, 1)
    (notice,) = chain.notices
    assert notice.code == "chain-broken"
    assert "c.jpg" in notice.message
    assert "strip H" in notice.advice
    assert "b.jpg" in notice.advice


def test_one_photo_is_asked_for_where_several_hang_together_beyond_a_gap():
    strips = row_of(1000.0, "AB", seed=3)
    photos, _ = shoot((-400.0, -200.0, 200.0, 400.0), lambda k: strips)
    chain = fit_chain(photos, ALIKE)
    assert chain.kept == (0, 1)
    (notice,) = chain.notices
    assert notice.message.startswith("c.jpg and d.jpg show none of the strips")
    assert "between b.jpg and c.jpg" in notice.advice


@pytest.mark.parametrize("name", ["d.jpg", "0.jpg"])
def test_a_photo_of_another_seam_is_left_out(row, name):
    """The same letters laid otherwise, all of them; the first photo is no more right than the last."""
    photos, _ = row
    rng = np.random.default_rng(8)
    other = [replace(x, s_mm=x.s_mm + rng.uniform(-20, 20), t_mm=x.t_mm * 1.4) for x in STRIPS]
    strange, _ = shoot((-100.0,), lambda k: other)
    chain = fit_chain(sorted([*photos[:3], replace(strange[0], file=name)], key=lambda one: one.file), ALIKE)
    assert len(chain.kept) == 3
    (notice,) = chain.notices
    assert notice.code == "photo-left-out"
    assert name in notice.message
    assert "another seam" in notice.message


def test_a_photo_with_a_strip_on_the_other_side_is_of_another_seam(row):
    """Strip lies where it lay, another across the gap: taken for carried, it put a foreign gap among the true one."""
    photos, _ = row
    near = sorted((x for x in STRIPS if x.letter in photos[0].sides), key=lambda x: x.letter)
    stays, crosses = near[0], next(x for x in near[1:] if x.t_mm * near[0].t_mm > 0)
    other, _ = shoot((-300.0,), lambda k: [stays, replace(crosses, t_mm=-crosses.t_mm)])
    chain = fit_chain([*photos, replace(other[0], file="odd.jpg")], ALIKE)
    assert chain.kept == (0, 1, 2, 3)
    (notice,) = chain.notices
    assert notice.code == "photo-left-out"
    assert "odd.jpg" in notice.message
    assert "another seam" in notice.message


def far_apart(*letters, short=""):
    """The longest distance between corners of two printed patterns, from how the strips were laid."""
    corners = []
    for one in (next(x for x in STRIPS if x.letter == letter) for letter in letters):
        end = SHORT_LENGTH_MM / PATTERN_LENGTH_MM - 0.5 if one.letter in short else 0.5
        x, y = np.meshgrid(np.array([-0.5, end]) * PATTERN_LENGTH_MM, np.array([-0.5, 0.5]) * PATTERN_WIDTH_MM)
        c, d = np.cos(one.turn), np.sin(one.turn)
        corners.append(np.stack([one.s_mm + c * x - d * y, one.t_mm + d * x + c * y], -1).reshape(-1, 2))
    return float(np.linalg.norm(corners[0][:, None] - corners[1][None], axis=2).max())


def test_a_taped_distance_tells_the_print_scale(row):
    """All sides of the triangle follow from where the strips were laid, on a flat panel."""
    photos, seen = row
    first, last = STRIPS[0].letter, max(STRIPS, key=lambda x: (x.s_mm, x.t_mm)).letter
    true = far_apart(first, last)
    plain = fit_chain(photos, ALIKE)
    assert plain.scale is None
    for larger in (1.0, 1.01):
        chain = fit_chain(photos, ALIKE, Taped(strips=(first, last), length_mm=larger * true), UNCHECKED)
        assert not chain.notices
        # Photos know the length to some 0.1 mm, the tape to 1 mm, k = 2: together a twentieth of what paper may err.
        assert 0.4 / true < chain.scale.std_u < 0.8 / true
        assert chain.scale.times == pytest.approx(larger, abs=2 * chain.scale.std_u)
        ends = [chain.to_common(k, chain.fields[k].to_panel(seen[k][1], -2.0))[0] for k in (0, 3)]
        assert np.linalg.norm(ends[1] - ends[0]) == pytest.approx(600.0 * larger, abs=1.2)
        before, after = (course_of(c, seen)[2] for c in (plain, chain))
        assert np.trace(after) <= np.trace(before) * chain.scale.times**2 + 1e-9


def test_a_short_strip_is_taped_to_its_own_end(row):
    """A short strip is the first 120 mm of a whole one, so one end of its pattern lies elsewhere."""

    def cut(view):
        own = np.isin(view.corner_ids, corner_ids(short=True))
        columns = {name: getattr(view, name)[own] for name in ("corner_ids", "corners_px", "corners_mm")}
        return replace(view, short=True, **columns)

    first, last = STRIPS[0].letter, max(STRIPS, key=lambda x: (x.s_mm, x.t_mm)).letter
    photos = [replace(one, views=[cut(v) if v.letter == last else v for v in one.views]) for one in row[0]]
    true = far_apart(first, last, short=last)
    assert true < far_apart(first, last) - 50
    chain = fit_chain(photos, ALIKE, Taped(strips=(first, last), length_mm=true), UNCHECKED)
    assert not chain.notices
    assert chain.scale.times == pytest.approx(1.0, abs=2 * chain.scale.std_u)


def test_a_taped_distance_that_cannot_be_right_is_said_and_not_used(row):
    photos, _ = row
    true = far_apart("A", "C")
    chain = fit_chain(photos, ALIKE, Taped(strips=("A", "C"), length_mm=true + 6), CHECKED)
    (notice,) = chain.notices
    assert notice.code == "taped-doubtful"
    assert notice.values["seen_mm"] == pytest.approx(true, abs=0.5)
    assert chain.scale.times == 1.0
    assert chain.scale.std_u == pytest.approx(6 / true, rel=0.15)
    unseen = fit_chain(photos[:2], ALIKE, Taped(strips=("A", "H"), length_mm=900), CHECKED)
    assert [n.code for n in unseen.notices] == ["taped-unused"]
    assert unseen.scale is None
