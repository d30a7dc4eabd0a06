"""The library: what ``import gapvision`` gives, as its own page of examples shows it."""

import doctest
import inspect
import pydoc
import subprocess
import sys

import numpy as np
import pandas
import pytest

import gapvision
from gapvision.errors import GapvisionError
from gapvision.formats import measurement_json
from gapvision.intake.photo import read_colour
from gapvision.samples import DEMO_PHOTO


@pytest.fixture(scope="module")
def seam():
    return gapvision.measure(DEMO_PHOTO, print_scale=(1.0, 1.0))


@pytest.mark.slow
def test_the_examples_do_what_they_say(measuring_once):
    failed, tried = doctest.testmod(gapvision)
    assert failed == 0
    assert tried > 15


def test_the_import_loads_nothing_heavy(request):
    code = "import sys, gapvision; sys.exit(', '.join({'numpy', 'cv2', 'scipy', 'PIL'} & set(sys.modules)) or 0)"
    root = request.config.rootpath
    done = subprocess.run([sys.executable, "-c", code], cwd=root, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


def test_every_name_is_there_and_explained():
    assert {"read_photo", "measure", "judge", "plan", "Measurement", "Specification", "Verdict"} <= set(dir(gapvision))
    for name in (one for one in dir(gapvision) if not one.startswith("_")):
        thing = getattr(gapvision, name)
        if inspect.isclass(thing) or inspect.isfunction(thing):
            assert len(inspect.getdoc(thing)) > 20, name
    for name in ("gauge", "Gauge"):
        with pytest.raises(AttributeError, match=f"no attribute '{name}'"):
            getattr(gapvision, name)


def test_help_reads_well():
    text = pydoc.plain(pydoc.render_doc(gapvision))
    assert len(text.splitlines()) < 350, "the doors, not fifty types"
    assert text.index("measured and judged in three lines") < 400
    for door in (gapvision.read_photo, gapvision.measure, gapvision.judge, gapvision.plan):
        said = pydoc.plain(pydoc.render_doc(door))
        for heading in ("Parameters", "Returns", "Raises"):
            assert f"    {heading}\n" in said, door
        assert max(map(len, inspect.getdoc(door).splitlines())) <= 120
        assert f"{door.__name__}(" in text


@pytest.mark.parametrize("kind", ["text", "bytes", "photo"])
@pytest.mark.slow
def test_a_photo_may_be_given_in_any_form(seam, kind, measuring_once):
    photo = {
        "text": str, "bytes": lambda p: p.read_bytes(), "photo": gapvision.read_photo
    }[kind](DEMO_PHOTO)  # fmt: skip
    again = gapvision.measure(photo, print_scale=(1.0, 1.0))
    assert np.array_equal(again.profile.gap_mm, seam.profile.gap_mm)
    assert np.array_equal(again.profile.expanded_u_mm, seam.profile.expanded_u_mm)


@pytest.mark.slow
def test_an_array_measures_as_its_file(seam):
    """Its grey is made from decoded colours, a level or so off the file's own; and it tells no focal length."""
    measured = gapvision.measure(read_colour(DEMO_PHOTO), print_scale=(1.0, 1.0))
    assert [n.code for n in measured.notices] == ["sheets-unknown", "focal-unknown"]
    one, other = (dict(zip(m.profile.s_mm.round(3), m.profile.gap_mm, strict=True)) for m in (seam, measured))
    common = sorted(set(one) & set(other))
    assert len(common) > 240
    assert max(abs(one[s] - other[s]) for s in common) < 0.02


def test_keywords_take_the_place_of_settings():
    base = gapvision.Settings(edges="rules", edge_a="cut")
    refused = gapvision.measure(np.zeros((60, 80), np.uint8), base, edge_a="rolled", print_scale=(0.99, 0.98))
    assert refused.status == "refused"
    assert refused.settings == gapvision.Settings(
        edges="rules",
        edge_a="rolled",
        print_scale_along=0.99,
        print_scale_across=0.98,
        print_scale_checked=True,
    )
    with pytest.raises(TypeError, match="colour"):
        gapvision.measure(DEMO_PHOTO, colour="red")


def test_what_is_wanted_may_be_said_in_any_form(seam, tmp_path):
    """Lengths, numbers, a specification, its file; a measurement or its file: one verdict."""
    point = gapvision.NominalPoint(0.0, 4.7625)
    spec = gapvision.Specification(nominal=(point,), allow_below_mm=0.5, allow_above_mm=0.5)
    lines = ('format = "gapvision-seam/1"', 'nominal = "3/16in"', 'allow_below = "0.5mm"', 'allow_above = "0.5mm"')
    (tmp_path / "seam.toml").write_text("\n".join(lines))
    measurement_json.write(seam, tmp_path / "seam.json")
    verdicts = [
        gapvision.judge(seam, nominal="3/16in"),
        gapvision.judge(seam, nominal=4.7625, tolerance=0.5),
        gapvision.judge(seam, spec),
        gapvision.judge(seam, tmp_path / "seam.toml"),
        gapvision.judge(str(tmp_path / "seam.json"), nominal="3/16in", tolerance="0.5mm"),
    ]
    assert verdicts[0].state == gapvision.OUT
    assert {v.states for v in verdicts} == {verdicts[0].states}


def test_rule_and_the_other_side(seam):
    limits = {"nominal": "3/16in", "tolerance": "0.9mm"}
    rules = ["proven", "simple", gapvision.DecisionRule(name="risk", risk=0.4)]
    assert [gapvision.judge(seam, **limits, rule=rule).rule.name for rule in rules] == ["proven", "simple", "risk"]
    alone, beside = gapvision.judge(seam, "even-close"), gapvision.judge(seam, "even-close", opposite=seam)
    assert len(beside.checks) == len(alone.checks) + 1


@pytest.mark.parametrize(
    ("words", "code"),
    [
        ({}, "specification-nonsense"),
        ({"tolerance": "0.5mm"}, "specification-nonsense"),
        ({"specification": "even-close", "nominal": "3/16in"}, "specification-nonsense"),
        ({"specification": "even-close", "tolerance": "1mm"}, "specification-nonsense"),
        ({"nominal": "3/16"}, "length-not-understood"),
        ({"specification": "none.toml"}, "file-not-found"),
        ({"nominal": 4.76, "rule": "kind"}, "rule-unknown"),
    ],
)
def test_what_cannot_be_meant_is_refused_in_a_sentence(seam, words, code):
    with pytest.raises(GapvisionError) as caught:
        gapvision.judge(seam, **words)
    assert caught.value.code == code


def test_a_refused_photo_cannot_be_judged():
    refused = gapvision.measure(np.full((600, 800), 128, np.uint8))
    with pytest.raises(GapvisionError) as caught:
        gapvision.judge(refused, nominal="3/16in")
    assert caught.value.code == "measurement-was-refused"
    assert pandas.DataFrame(refused.to_table()).empty


def test_plan_of_a_panel_or_its_file(request):
    path = request.config.rootpath / "sample_images" / "panel_example" / "bonnet.toml"
    made = gapvision.plan(path)
    assert isinstance(made, gapvision.CorrectionPlan)
    again = gapvision.plan(made.panel)
    assert again.move.move == made.move.move


def test_the_table_is_for_pandas(seam):
    table = pandas.DataFrame(seam.to_table())
    p = seam.profile
    assert len(table) == len(p.s_mm)
    assert table.gap_mm.to_numpy() == pytest.approx(p.gap_mm)
    assert table[["edge_a_x_px", "edge_a_y_px"]].to_numpy() == pytest.approx(p.edge_a_px)
    parts = table.filter(regex="^std_u_").to_numpy()
    assert 2 * np.sqrt((parts**2).sum(axis=1)) == pytest.approx(table.expanded_u_mm.to_numpy(), rel=1e-6)


@pytest.mark.slow
def test_types_are_told_to_whoever_uses_them(request):
    """``py.typed`` lies in the package, and a type checker knows what the doors take and give."""
    code = 'import gapvision\nreveal_type(gapvision.measure("a.jpg"))\ngapvision.judge(3.5)\ngapvision.gauge()\n'
    words = [sys.executable, "-m", "mypy", "--no-incremental", "-c", code]
    done = subprocess.run(words, cwd=request.config.rootpath, capture_output=True, text=True, check=False)
    assert 'Revealed type is "gapvision.model.measurement.Measurement"' in done.stdout, done.stdout
    assert 'Argument 1 to "judge" has incompatible type "float"' in done.stdout
    assert 'Module has no attribute "gauge"' in done.stdout
    assert (request.config.rootpath / "gapvision" / "py.typed").is_file()
