"""A panel's own file on the page: chosen, changed, kept with the job, drawn; and what is refused."""

import base64
import itertools
import math
import re
from pathlib import Path

import pytest
from streamlit.testing.v1 import AppTest

from gapvision.errors import GapvisionError
from gapvision.formats.panel_file import layout_from_table, together
from gapvision.formats.toml import toml_from_text
from gapvision.page.books import records
from gapvision.page.panel_drawing import DrawnSeam, along, draw_key, draw_panel
from gapvision.page.panel_source import adjuster_lines, fields_of, ready_file, seam_lines
from gapvision.page.server import ENTRY
from gapvision.workshop import export_job, import_job, panels_of, set_panel

EXAMPLE = Path(__file__).parents[2] / "sample_images" / "panel_example"


@pytest.fixture
def page(tmp_path, monkeypatch):
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))
    records().new_job(reference="T-1")
    page = AppTest.from_file(str(ENTRY), default_timeout=60)
    page.session_state["view"] = "Panels"
    return page


def layout(text):
    return layout_from_table(toml_from_text(text, "the panel file"))


def drawings(page):
    """The SVG of each drawing."""
    pictures = re.findall(r"svg\+xml;base64,([^\"]+)", " ".join(x.proto.body for x in page.get("html")))
    return [base64.b64decode(p).decode() for p in pictures]


@pytest.mark.parametrize("shape", ["bonnet", "boot lid", "door"])
def test_ready_shapes_are_panel_files(shape):
    found = layout(ready_file(shape, "left one", 1200, 1000))
    assert (found.name, found.shape) == ("left one", shape)
    xs, ys = zip(*found.outline, strict=True)
    assert (max(xs) - min(xs), max(ys) - min(ys)) == (1200, 1000)


def test_a_file_and_those_it_names_become_one_that_stands_alone():
    text = together({n: (EXAMPLE / n).read_bytes() for n in ("bonnet.toml", "seam.toml", "finish.toml")})
    found = layout(text)
    assert [a.name for a in found.adjusters] == ["left hinge", "right hinge", "latch"]
    assert found.adjusters[0].travel_out == (-2, 3)
    assert found.seams[0].spec.nominal[0].gap_mm == pytest.approx(4.7625)
    assert [p.at_mm for p in found.seams[0].photos] == [125, 625]
    assert found.finish is not None


@pytest.mark.parametrize(
    ("files", "said"),
    [
        ({"bonnet.toml": (EXAMPLE / "bonnet.toml").read_bytes()}, "'bonnet.toml' names the file 'finish.toml'."),
        ({"seam.toml": (EXAMPLE / "seam.toml").read_bytes()}, "None of the files is a panel's."),
        ({"a.toml": b"\xff\xfe"}, "'a.toml' is not a text file in UTF-8."),
        ({"a.toml": b"seams = ["}, "'a.toml' is not TOML"),
        ({"a.toml": b"#" * 300_000}, "'a.toml' is far larger"),
    ],
)
def test_other_files_are_refused_in_words(files, said):
    with pytest.raises(GapvisionError, match=re.escape(said)):
        together(files)


def test_lines_made_from_fields_are_read_back():
    text = ready_file("door", "door", 950, 700)
    text += adjuster_lines(
        'hinge "lower"', "hinge", ("-1/2in", "60mm"), {"travel_x": ("2mm", ""), "travel_y": ("", "1/8in")}
    )
    text += seam_lines("quarter light", ("0mm", "700mm"), ("300mm", "900mm"), "even-close")
    found = layout(text)
    assert found.adjusters[0].name == 'hinge "lower"'
    assert found.adjusters[0].xy == (-12.7, 60)
    assert found.adjusters[0].travel_x == (-2, 0)
    assert found.adjusters[0].travel_y == pytest.approx((0, 3.175))
    assert found.adjusters[0].travel_out is None
    assert found.seams[-1].place == ((0, 700), (300, 900))
    with pytest.raises(GapvisionError, match="has no name"):
        adjuster_lines(" ", "hinge", ("0mm", "0mm"), {})
    with pytest.raises(GapvisionError, match="has no unit"):
        adjuster_lines("x", "hinge", ("60", "0mm"), {})
    with pytest.raises(GapvisionError, match="is not a length"):
        seam_lines("x", ("nought", "0mm"), ("1mm", "0mm"))


@pytest.mark.slow
def test_changed_lines_are_drawn_kept_and_brought_back(page):
    page.run()
    assert not page.exception
    text = page.text_area[0].value
    assert 'shape = "bonnet"' in text
    own = (
        'name = "nose"\noutline = [["0mm", "0mm"], ["900mm", "0mm"], ["450mm", "600mm"]]\n[[seams]]\nname = "slant"\n'
        'start = ["0mm", "0mm"]\nend = ["450mm", "600mm"]\n[[seams]]\nname = "foot"\nstart = ["0mm", "0mm"]\n'
        'end = ["900mm", "0mm"]\n[[adjusters]]\nname = "stop"\nat = ["450mm", "500mm"]\ntravel_y = ["-1mm", "2mm"]\n'
    )
    page.text_area[0].set_value(own).run()
    assert not page.exception
    assert any("nose" in svg and "slant" in svg and "<polygon" in svg for svg in drawings(page))
    assert any(m.value == "1. stop (shim point): 1.00 mm in -y, 2.00 mm in +y" for m in page.markdown)
    page.button(key="keep_panel").click().run()
    assert not page.exception
    assert page.selectbox(key="panel_shape").value == "nose"
    kept = panels_of(records(), records().job("T-1").job_id)
    assert kept["nose"]["file"] == own
    fresh = AppTest.from_file(str(ENTRY), default_timeout=60)
    fresh.session_state["view"] = "Panels"
    fresh.run()
    assert fresh.selectbox(key="panel_shape").value == "nose"
    assert fresh.text_area[0].value == own


def test_broken_lines_are_refused_and_stay_to_be_mended_even_after_a_reload(page):
    page.run()
    page.text_area[0].set_value('name = "x"\ncolour = "red"').run()
    assert not page.exception
    assert "line &#x27;colour&#x27; is not known" in " ".join(x.proto.body for x in page.get("html"))
    assert page.text_area[0].value.endswith('colour = "red"')
    page.button(key="keep_panel").click().run()
    assert panels_of(records(), records().job("T-1").job_id) == {}
    fresh = AppTest.from_file(str(ENTRY), default_timeout=60)
    fresh.query_params["ticket"] = page.session_state["ticket"]
    fresh.session_state["view"] = "Panels"
    fresh.run()
    assert fresh.text_area[0].value.endswith('colour = "red"')
    fresh.button(key="forget_panel").click().run()
    assert 'shape = "bonnet"' in fresh.text_area[0].value


def test_a_kept_panel_travels_with_its_job_and_a_bad_one_is_not_taken(tmp_path, monkeypatch):
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path / "one"))
    store = records()
    job = store.new_job(reference="P-1")
    photos = {"left": {"edge": "B", "photos": [{"seam": "bonnet, left", "at_mm": 60.0, "reverse": True}]}}
    set_panel(store, job.job_id, ready_file("bonnet", "bonnet", 1200, 1000), photos)
    export_job(store, job.job_id, tmp_path / "p.zip")
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path / "two"))
    import_job(records(), tmp_path / "p.zip")
    assert panels_of(records(), records().job("P-1").job_id)["bonnet"]["photos"] == photos
    store.add_plan(job.job_id, "worse", {"schema": "gapvision-panel-of-job/1", "file": "nonsense", "photos": {}})
    export_job(store, job.job_id, tmp_path / "q.zip")
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path / "three"))
    with pytest.raises(GapvisionError):
        import_job(records(), tmp_path / "q.zip")
    assert records().jobs("") == []


def test_a_panel_file_that_is_chosen_fills_the_fields(page):
    """Size and side, as the file says them; written by hand: what the upload control asks for in its run."""
    page.run()
    text = ready_file("door", "left door", 1010, 640, "left")
    page.session_state["panel_shape"] = "ready shape: door"
    page.session_state["go"] = fields_of(layout(text), "T-1")
    page.run()
    assert not page.exception
    sizes = [page.number_input(key=f"{name}_door_T-1").value for name in ("width", "height")]
    assert (sizes, page.selectbox(key="panel_side").value) == ([1010, 640], "left")


def test_each_jobs_panel_keeps_its_own_size(page):
    records().new_job(reference="T-2")
    page.session_state["job"] = "T-1"
    page.run()
    page.number_input(key="width_bonnet_T-1").set_value(1450).run()
    page.selectbox(key="panel_job").set_value("T-2").run()
    assert page.number_input(key="width_bonnet_T-2").value == 1300, "the other car's bonnet is not this one's"
    page.selectbox(key="panel_job").set_value("T-1").run()
    assert page.number_input(key="width_bonnet_T-1").value == 1450
    assert not page.exception


def test_a_stretch_along_a_bent_seam_has_its_own_length():
    place = ((0.0, 0.0), (300.0, 0.0), (300.0, 400.0))
    part = along(place, 200, 450)
    assert part == ((200, 0), (300, 0), (300, 150))
    assert sum(math.dist(a, b) for a, b in itertools.pairwise(part)) == 250
    assert along(place, -50, 10)[0] == (-50, 0)


def test_words_of_many_seams_do_not_lie_on_each_other():
    seams = [
        DrawnSeam(f"seam {k}", "out of tolerance", "4.1 mm, U 0.2 mm", ((0, 40.0 * k), (0, 40.0 * k + 30)))
        for k in range(6)
    ]
    picture = draw_panel("x", [*seams, DrawnSeam("far", "not measured", "", ((500, 0), (500, 240)))])
    svg = base64.b64decode(re.search(r"base64,([^\"]+)", picture)[1]).decode()
    tops = sorted(float(y) for y in re.findall(r'<text x="[^"]+" y="([^"]+)" font-size="15" text-anchor="end"', svg))
    assert len(tops) == 6
    assert min(b - a for a, b in itertools.pairwise(tops)) >= 3 * 15
    assert "not proven" in draw_key(["not proven"])


def test_a_failed_check_is_told_beside_the_seam_and_inside_the_picture():
    """A letter of such words is about 0.56 of its size wide, as for the boxes that keep words apart; 6 px of play."""
    words = "straightness over 100 mm +1.07 mm, U 0.10 mm, limit 0.60 mm"
    sides = [((x, 1000.0), (x, 0.0)) for x in (-500.0, 500.0)] + [((-500.0, 0.0), (500.0, 0.0))]
    seams = [DrawnSeam(f"seam {k}", "out of tolerance", words, side) for k, side in enumerate(sides)]
    svg = base64.b64decode(re.search(r"base64,([^\"]+)", draw_panel("x", seams))[1]).decode()
    texts = re.findall(r'<text x="([\d.]+)"[^>]*text-anchor="(\w+)"[^>]*>(.*?)</text>', svg)
    told = [(float(x), way, re.findall(r"<tspan[^>]*>([^<]*)", spans)) for x, way, spans in texts if "seam" in spans]
    assert len(told) == 3
    for x, way, lines in told:
        wide = 15 * 0.56 * max(map(len, lines))
        left = {"start": x, "end": x - wide, "middle": x - wide / 2}[way]
        assert left > -6
        assert left + wide < 366, lines
        assert words.replace(",", "").split() == " ".join(lines).replace(",", "").split()[-12:]
