"""The generator against OpenCV's camera model and the shared yardstick's own geometry, both written elsewhere."""

import importlib.util
import io
import json
from dataclasses import replace

import cv2
import numpy as np
import pytest
from PIL import Image

from gapvision.lab.scenes import (
    CameraSpec,
    Defect,
    EdgeSpec,
    Inside,
    SceneSpec,
    StripSpec,
    photo,
    render_grey,
    render_scene,
    space,
)
from gapvision.lab.scenes.samples import SAMPLES, random_scene
from gapvision.lab.scenes.truth import scene_truth
from gapvision.targets import strip

SMALL = CameraSpec(
    width_px=1600, height_px=1104, distance_mm=250, tilt_across_deg=9, tilt_along_deg=-6, k1=0.04, k2=-0.02
)
CLEAN = replace(SMALL, noise=0.0, sharpening=0.0, glare=0.0, blur_px=1.0)
KINDS = {
    "flat": {},
    "arc": {"seam_radius_mm": 600.0},
    "arc the other way": {"seam_radius_mm": -700.0, "step_mm": 0.8},
    "bent along": {"bend": "along", "bend_radius_mm": 900.0, "step_mm": -0.7},
    "bent across": {"bend": "across", "bend_radius_mm": 1200.0},
    "hollow": {"bend": "along", "bend_radius_mm": -1500.0, "print_scale_along": 0.97, "print_scale_across": 0.985},
}


def truth_of(spec):
    panel, seam = space.PanelSurface(spec.bend, spec.bend_radius_mm), space.SeamLine(spec.seam_radius_mm)
    return scene_truth(spec, panel, seam, space.make_lens(spec.camera, panel), 0)


@pytest.fixture(scope="module")
def yardstick(request):
    path = request.config.rootpath.parent / "shared" / "photos" / "yardstick" / "geometry.py"
    if not path.exists():
        pytest.skip("the shared yardstick is not beside this checkout")
    spec = importlib.util.spec_from_file_location("yardstick_geometry", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.mark.shared
@pytest.mark.parametrize("kind", KINDS)
def test_projection_agrees_with_the_yardstick(kind, yardstick):
    """Pixels of edges and strip corners from the yardstick's surfaces, seam and camera: to 0.01 px."""
    truth = truth_of(
        SceneSpec(
            camera=SMALL,
            strips=(StripSpec(letter="C", t_mm=-40, angle_deg=1.5), StripSpec(letter="F", t_mm=44)),
            **KINDS[kind],
        )
    )
    surface = yardstick.Surface(*(truth["surface"][k] for k in ("type", "radius", "bend")))
    seam = yardstick.Seam(**truth["seam"])
    camera = yardstick.Camera.from_truth(truth["camera"])
    edges = truth["edges"]
    for side in "AB":
        st = seam.st(np.array(edges["s"]), np.array(edges[f"t{side}"]))
        px = camera.project(surface.to3d(st[:, 0], st[:, 1], truth["edge_types"]["extreme_n"][side]))
        assert np.abs(px - np.array(edges[f"{side}_px"])).max() < 0.01
    x, y = strip.corners_mm().T
    for one in truth["strips"]:
        lift = truth["flush_mm"] if one["side"] == "B" else 0.0
        st = yardstick.strip_st(one, x, y, surface, truth["print_scale"], lift)
        assert np.abs(camera.project(surface.to3d(*st)) - np.array(one["corners_px"])).max() < 0.01


@pytest.mark.shared
@pytest.mark.parametrize("kind", ["flat", "arc", "bent across"])
def test_the_way_back_agrees_with_the_yardstick(kind, yardstick):
    spec = SceneSpec(camera=SMALL, **KINDS[kind])
    view = photo._View(spec)
    truth = truth_of(spec)
    box = (400, 640, 320, 880)
    y, x = np.mgrid[box[0] : box[1], box[2] : box[3]]
    surface = yardstick.Surface(*(truth["surface"][k] for k in ("type", "radius", "bend")))
    camera = yardstick.Camera.from_truth(truth["camera"])
    s, t = surface.intersect(*camera.rays(np.stack([x, y], -1)[::40, ::40]), 0.0)
    sigma, offset = yardstick.Seam(**truth["seam"]).locate(s.ravel(), t.ravel())
    assert np.abs(view.fine(view.offset, box)[::40, ::40].ravel() - offset).max() < 0.002
    assert np.abs(view.fine(view.sigma, box)[::40, ::40].ravel() - sigma).max() < 0.002


def test_projection_agrees_with_opencv():
    truth = truth_of(SceneSpec(camera=SMALL, step_mm=0.5))
    c, e = truth["camera"], truth["edges"]
    world = np.stack([e["s"], e["tB"], np.full(len(e["s"]), truth["edge_types"]["extreme_n"]["B"])], axis=-1)
    turn, _ = cv2.Rodrigues(np.array(c["R"]))
    px, _ = cv2.projectPoints(world, turn, np.array(c["t"]), np.array(c["K"], float), np.array(c["dist"], float))
    assert np.abs(px.reshape(-1, 2) - np.array(e["B_px"])).max() < 0.01


def _crossings(spec):
    """Sub-pixel places where the light crosses half way between panel and gap, by column, and the true outlines."""
    grey, truth = render_grey(spec)
    stored = grey.astype(float) / 255
    linear = np.where(stored <= 0.04045, stored / 12.92, ((stored + 0.055) / 1.055) ** 2.4)
    a, b = (np.array(truth["edges"][k]) for k in ("A_outline_px", "B_outline_px"))
    errors = []
    for x in range(200, 1400, 7):
        want = [np.interp(x, e[:, 0], e[:, 1]) for e in (b, a)]  # B is the upper one
        column = cv2.GaussianBlur(linear[:, x - 3 : x + 4].mean(axis=1)[:, None], (1, 1), 0).ravel()
        middle = round(sum(want) / 2)
        gap = column[middle - 2 : middle + 3].mean()
        got = []
        for w, step in zip(want, (-1, 1), strict=True):
            panel = column[round(w) + 6 * step : round(w) + 9 * step : step].mean()
            i = middle
            while (column[i] - (gap + panel) / 2) * (gap - panel) > 0:
                i += step
            before, after = column[i - step], column[i]
            got.append(i - step + step * (before - (gap + panel) / 2) / (before - after))
        errors.append([g - w for g, w in zip(got, want, strict=True)])
    return np.array(errors)


@pytest.mark.parametrize("orient", ["near square", "tilted", "step"])
@pytest.mark.slow
def test_cut_edges_are_drawn_where_the_truth_says(orient):
    """A dull gap just below clipping between two cut edges: half level in linear light, blur only."""
    tilt = {"near square": 0.5, "tilted": -11.0, "step": 8.0}[orient]
    edge = EdgeSpec(kind="cut", radius_mm=0.05, thickness_mm=1.0, finish="black_matt")
    spec = SceneSpec(
        camera=replace(CLEAN, tilt_across_deg=tilt, exposure=0.5),
        edge_a=replace(edge, wave_mm=0.3),
        edge_b=edge,
        inside=Inside(kind="backlit", level=0.6),
        step_mm=1.2 if orient == "step" else 0.0,
        gap_mm=5.0,
        strips=(),
    )
    errors = _crossings(spec)
    assert np.abs(np.median(errors, axis=0)).max() < 0.12  # px; the lit cut face and corner take up to 0.1 px
    assert np.abs(errors).max() < 0.4


@pytest.mark.slow
def test_strip_corners_are_drawn_where_the_truth_says():
    grey, truth = render_grey(SceneSpec(camera=CLEAN, print_scale_across=0.98, bend="along", bend_radius_mm=1000))
    parameters = cv2.aruco.DetectorParameters()
    parameters.cornerRefinementMinAccuracy = 0.01
    for one in truth["strips"]:
        board = strip.board(one["letter"])
        corners, ids, *_ = cv2.aruco.CharucoDetector(board, cv2.aruco.CharucoParameters(), parameters).detectBoard(grey)
        error = corners.reshape(-1, 2) - np.array(one["corners_px"])[ids.ravel()]
        assert len(ids) >= 30
        assert error.std(axis=0).max() < 0.08  # the detector's own scatter at 4.8 px per mm
        assert np.abs(error.mean(axis=0)).max() < 0.02


def test_gap_and_defects_in_the_truth():
    spec = SceneSpec(
        gap_mm=4.0,
        taper_mm_per_m=3.0,
        defects=(Defect(side="A", s_mm=20, height_mm=0.6), Defect(side="B", s_mm=-30, height_mm=-0.4, kind="step")),
    )
    s = np.array([-40.0, -20.0, 12.4, 20.0, 27.6])
    a, b = space.edge_offsets(spec, s)
    assert b - a == pytest.approx([3.88, 3.54, 4.0372 - 0.4, 4.06 + 0.2, 4.0828 - 0.4])
    truth = truth_of(spec)
    assert truth["straightness"]["A"]["min_zone_mm"] == pytest.approx(0.6, abs=0.01)


#: Every inside and either finish are drawn among the quick ones; the other four pairs are with the slow ones.
DRAWN = [("brushed_steel", "dark"), ("green_gloss", "seal"), ("brushed_steel", "flange"), ("green_gloss", "backlit")]
DRAWN_TOO = [
    ("green_gloss", "dark"), ("brushed_steel", "seal"), ("green_gloss", "flange"), ("brushed_steel", "backlit"),
]  # fmt: skip


@pytest.mark.parametrize(
    ("finish", "inside"), [*DRAWN, *(pytest.param(*pair, marks=pytest.mark.slow) for pair in DRAWN_TOO)]
)
def test_every_kind_can_be_drawn(finish, inside):
    camera = replace(SMALL, width_px=640, height_px=480, tone="phone")
    spec = SceneSpec(
        camera=camera, inside=Inside(kind=inside, level=2.0, level_end=0.2), edge_a=EdgeSpec(finish=finish)
    )
    grey, truth = render_grey(spec, 3)
    assert grey.shape == (480, 640)
    assert 5 < np.median(grey) < 250
    assert set(truth["outline_contrast"]) == {"A", "B"}


@pytest.fixture(scope="module")
def upright():
    """A small scene as it is before it is stored."""
    return render_grey(SceneSpec(camera=replace(SMALL, width_px=640, height_px=480)), 1)[0]


@pytest.mark.parametrize("orientation", [1, 3, 6, 8])
@pytest.mark.slow
def test_stored_turned_it_reads_upright(orientation, upright):
    """Pillow and OpenCV both turn the stored picture back."""
    spec = SceneSpec(camera=replace(SMALL, width_px=640, height_px=480, orientation=orientation))
    data, _ = render_scene(spec, 1)
    read = cv2.imdecode(np.frombuffer(data, np.uint8), cv2.IMREAD_GRAYSCALE)
    assert read.shape == upright.shape
    assert np.median(np.abs(read.astype(int) - upright)) <= 3
    with Image.open(io.BytesIO(data)) as stored:
        exif = stored.getexif()
        assert exif[0x0112] == orientation
        assert exif.get_ifd(0x8769)[0x9003] == spec.camera.taken_at
        # 35 mm equivalent: focal length over diagonal, as 43.27 mm for 36 x 24 mm
        assert exif.get_ifd(0x8769)[0xA405] == round(480 / 800 * 43.27)


@pytest.mark.slow
def test_same_seed_same_picture():
    spec = SceneSpec(camera=replace(SMALL, width_px=320, height_px=240))
    first, second, other = (render_grey(spec, seed)[0] for seed in (1, 1, 2))
    assert np.array_equal(first, second)
    assert not np.array_equal(first, other)


@pytest.mark.parametrize(("seed", "spec"), SAMPLES, ids=[s.name for _, s in SAMPLES])
def test_samples_kept_are_the_scenes_in_the_code(seed, spec, request):
    """Truth only; the pictures are made again with the bench's make_photos."""
    folder = request.config.rootpath / "sample_images"
    kept = json.loads((folder / f"{spec.name}.truth.json").read_text(encoding="utf-8"))
    made = truth_of(spec)
    for key in ("edges", "strips"):
        assert kept[key] == made[key]
    for key in ("mean_gap", "min_gap", "max_gap"):
        assert kept["summary"][key] == pytest.approx(made["summary"][key])
    assert kept["seed"] == seed
    assert (folder / f"{spec.name}.jpg").stat().st_size < 1.5e6


def test_scenes_by_lot_can_be_repeated_and_differ():
    assert random_scene(4, 9) == random_scene(4, 9)
    assert random_scene(4, 9) != random_scene(5, 9)
    assert {random_scene(i).inside.kind for i in range(12)} == {"backlit", "dark", "seal", "flange"}


def test_what_is_remembered_of_a_finish_changes_no_table_and_cannot_be_changed():
    from gapvision.lab.scenes import shading

    _, spec = SAMPLES[0]
    shading._lobes.cache_clear()
    first = shading.radiance_table(spec, "A", 0.5)
    shading.radiance_table(spec, "B", 0.02)
    assert np.array_equal(shading.radiance_table(spec, "A", 0.5), first)
    assert not np.array_equal(shading.radiance_table(spec, "A", 0.02), first), "the light is not remembered"
    assert shading._lobes.cache_info().hits >= 2
    for remembered in shading._lobes(40.0):
        with pytest.raises(ValueError, match="read-only"):
            remembered[0] = 0


@pytest.mark.parametrize("size", [(120, 120, 60), (150, 130, 30), (200, 100, 25)])
def test_a_seam_that_closes_is_as_long_as_it_should_be_and_comes_back(size):
    """Against the length of a rectangle with round corners, by hand: sides and a whole circle of the corners."""
    width, height, corner = size
    line = space.ClosedLine(*size)
    assert line.round_mm == pytest.approx(2 * (width + height) - 8 * corner + 2 * np.pi * corner)
    sigma = np.linspace(0, line.round_mm, 3001)[:-1]
    places = np.stack(line.place(sigma, 0.0), 1)
    drawn = np.linalg.norm(np.diff(places, axis=0, append=places[:1]), axis=1).sum()
    assert drawn == pytest.approx(line.round_mm, abs=0.01)
    for offset in (-9.0, 0.0, 12.0):
        at, off = line.locate(*line.place(sigma, offset))
        assert np.abs(line.near(at - sigma, 0.0)).max() < 1e-9
        assert off == pytest.approx(offset, abs=1e-9)
