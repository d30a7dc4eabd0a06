"""The photos that ship with the program are the scenes in the code, and measure as those were drawn."""

import io

import numpy as np
import pytest
from PIL import Image

from gapvision.intake.photo import read_photo
from gapvision.lab.scenes import render_scene, space
from gapvision.lab.scenes.demo import DEMO
from gapvision.lab.scenes.truth import scene_truth
from gapvision.model import Settings
from gapvision.recipe import measure_photo
from gapvision.samples import DEMO_PHOTO, FOLDER

NAMES = [spec.name for _, spec in DEMO]


def test_every_photo_has_its_scene():
    assert sorted(p.stem for p in FOLDER.glob("*.jpg")) == sorted(NAMES)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("seed", "spec"),
    [pytest.param(*x, marks=pytest.mark.slow if "_lean" in x[1].name else ()) for x in DEMO],
    ids=NAMES,
)
def test_photos_kept_are_the_scenes_in_the_code(seed, spec):
    """Another version of the JPEG writer may round differently, by a grey level or two here and there."""
    kept = (FOLDER / f"{spec.name}.jpg").read_bytes()
    drawn, _ = render_scene(spec, seed)
    if kept != drawn:
        one, other = (np.asarray(Image.open(io.BytesIO(x)).convert("L"), np.int16) for x in (kept, drawn))
        assert np.abs(one - other).max() <= 4


@pytest.mark.parametrize(
    ("seed", "spec"),
    [pytest.param(*x, marks=() if x[1].name == DEMO_PHOTO.stem else pytest.mark.slow) for x in DEMO],
    ids=NAMES,
)
def test_photos_kept_measure_as_they_were_drawn(seed, spec):
    """Against the scene's own truth, which holds for all of the seam in the picture."""
    panel, seam = space.PanelSurface(spec.bend, spec.bend_radius_mm), space.SeamLine(spec.seam_radius_mm)
    truth = scene_truth(spec, panel, seam, space.make_lens(spec.camera, panel), seed)
    # The scenes draw strips of one sheet; whoever does not say so gets a note.
    stated = Settings(print_scale_checked=True, one_sheet=True)
    measured = measure_photo(read_photo(FOLDER / f"{spec.name}.jpg"), stated)
    leaning = "_lean" in spec.name  # of a set: alone it is warned of its tilt, and edges' depths count in U
    assert [notice.code for notice in measured.notices] == ["tilt-large"] * leaning
    # Method 9 puts into U what a phone's picture may hide (part "picture"): 0.15 to 0.27 mm, method 8 0.14 to 0.19.
    u_mm = measured.profile.expanded_u_mm
    assert u_mm.max() < (0.55 if leaning else 0.28)
    mean_u_mm = float(np.median(u_mm)) if leaning else 0.1
    assert measured.summary.mean_mm == pytest.approx(truth["summary"]["mean_gap"], abs=mean_u_mm)
    if spec.name == DEMO_PHOTO.stem:  # its tightest place is the pinch, beside the strips
        assert measured.summary.min_mm == pytest.approx(truth["summary"]["min_gap"], abs=0.15)


def test_the_demo_photo_has_one_tight_span():
    """By the demo's limits: drawn is a pinch of 1.15 mm, 50 mm long, in a gap of 4.85 mm."""
    profile = measure_photo(read_photo(DEMO_PHOTO), Settings(print_scale_checked=True)).profile
    low, high = 4.7625 - 0.5, 4.7625 + 0.5
    out = profile.gap_mm + profile.expanded_u_mm < low
    assert 5 < out.sum() < 50
    assert np.ptp(profile.s_mm[out]) == out.sum() - 1, "one span"
    assert (profile.gap_mm + profile.expanded_u_mm < high).all()
