"""One edge alone on the page: measured by the same recipe as on the command line, its template offered."""

import pytest
from streamlit.testing.v1 import AppTest

from gapvision import one_edge
from gapvision.formats import edge_json
from gapvision.page.server import ENTRY
from tests.cli.test_one_edge import hole  # noqa: F401
from tests.page.test_views import html_of


@pytest.fixture
def page(tmp_path, monkeypatch):
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path / "data"))
    return AppTest.from_file(str(ENTRY), default_timeout=60)


@pytest.mark.slow
def test_a_seam_is_no_edge_alone_and_a_hole_gets_its_template(page, hole, monkeypatch):  # noqa: F811
    page.run()
    page.checkbox(key="one_edge").check().run()
    assert not page.exception
    said = html_of(page)
    assert "No edge could be measured" in said
    assert "both sides" in said or "it is a gap" in said
    # What the recipe gives is shown; the recipe itself is tested on drawn photos.
    measured = edge_json.read(hole)
    monkeypatch.setattr(one_edge, "measure_edge", lambda photo, settings: measured)
    page.checkbox(key="known_closed").check().run()
    assert not page.exception
    assert "One edge alone that closes: 377 mm round" in html_of(page)
    page.text_input(key="part_gap").set_value("4mm").run()
    assert not page.exception
    labels = [x.proto.label for x in page.get("download_button")]
    assert {"The edge as a file, JSON", "Template, A4", "Line for a cutter, DXF"} <= set(labels)
    page.text_input(key="part_gap").set_value("70mm").run()
    assert not page.exception
    assert "makes no sense" in html_of(page)
