"""The outline of a whole car on the page: there when the job has a car, and by the state of its seams."""

import pytest
import tomli_w
from streamlit.testing.v1 import AppTest

from gapvision.formats.car_file import car_file
from gapvision.page.books import records
from gapvision.page.server import ENTRY
from gapvision.workshop import set_car


@pytest.mark.slow
def test_a_job_with_a_car_shows_its_outline_and_another_does_not(tmp_path, monkeypatch):
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))
    with_car, without = records().new_job(reference="T-1"), records().new_job(reference="T-2")
    set_car(records(), with_car.job_id, tomli_w.dumps(car_file("grey car", "two-seat roadster", {})))
    shown = {}
    for job in (with_car, without):
        page = AppTest.from_file(str(ENTRY), default_timeout=60)
        page.session_state["view"] = "Car"
        page.session_state["car_job"] = job.reference
        page.run()
        assert not page.exception
        shown[job.reference] = [x.label for x in page.expander]
    assert "Outline of the whole car" in shown["T-1"]
    assert "Outline of the whole car" not in shown["T-2"]
