"""The page asks for a sheet's check lines once, and remembers them."""

from datetime import date

import cv2
import pytest
from streamlit.testing.v1 import AppTest

from gapvision.formats.sheet_file import check_lengths_mm, read_sheets
from gapvision.lab.scenes import StripSpec, render_grey
from gapvision.page.inbox import Inbox
from gapvision.page.server import ENTRY
from tests.vision.conftest import PLAIN, SMALL, replace

ONE = 407122947


def told(page):
    """Everything that is written on the page."""
    texts = [x.value for x in (*page.markdown, *page.caption)]
    return " ".join(texts + [x.proto.body for x in page.get("html")])


@pytest.fixture(scope="module")
def photo():
    strips = tuple(StripSpec(letter=letter, t_mm=t, sheet=ONE) for letter, t in (("A", -42.0), ("B", 42.0)))
    grey, _ = render_grey(replace(PLAIN, camera=SMALL, strips=strips, print_scale_across=0.99), seed=5)
    return cv2.imencode(".png", grey)[1].tobytes()


@pytest.mark.slow
def test_a_sheet_is_asked_for_once_and_then_remembered(photo, tmp_path, monkeypatch):
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))
    page = AppTest.from_file(str(ENTRY), default_timeout=60).run()
    Inbox().add(page.session_state["ticket"], "own.png", photo)
    page.run()
    assert not page.exception
    words = told(page)
    assert "Sheet 407 122 947 (strip A, B) is unchecked." in words
    assert "The check lines of sheet 407 122 947 (strip A, B) were never measured" in words

    page.text_input(key=f"sheet_length_{ONE}").set_value("200,2")
    page.button(key=f"keep_sheet_{ONE}").click().run()
    assert "Both lines are needed" in told(page)
    page.text_input(key=f"sheet_width_{ONE}").set_value("40mm")
    page.button(key=f"keep_sheet_{ONE}").click().run()
    assert "cannot be right" in told(page)
    assert read_sheets(tmp_path) == ()

    page.text_input(key=f"sheet_width_{ONE}").set_value("148.5mm")
    page.button(key=f"keep_sheet_{ONE}").click().run()
    assert not page.exception
    (check,) = read_sheets(tmp_path)
    assert check_lengths_mm(check) == pytest.approx((200.2, 148.5))
    assert check.checked_on == date.today().isoformat()
    words = told(page)
    assert "is unchecked" not in words
    assert "were never measured" not in words
    sheet = "Sheet 407 122 947 (strip A, B)"
    assert f"{sheet}: check lines 200.20 mm and 148.50 mm, measured on {check.checked_on}." in words

    fresh = AppTest.from_file(str(ENTRY), default_timeout=60)
    fresh.query_params["ticket"] = page.session_state["ticket"]
    fresh.run()
    assert not fresh.exception
    assert "is unchecked" not in told(fresh)
