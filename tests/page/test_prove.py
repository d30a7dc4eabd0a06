"""Prove under AppTest: what is missing, phones mixed, pieces swapped, two persons; photos are measured elsewhere."""

import io
from dataclasses import replace
from datetime import date
from hashlib import sha256

import numpy as np
import pytest
from PIL import Image
from streamlit.testing.v1 import AppTest

from gapvision.formats.study_file import read_phones
from gapvision.page.inbox import Inbox
from gapvision.page.server import ENTRY

SIZES = (3.0, 4.76, 6.0)


@pytest.fixture
def page(tmp_path, monkeypatch, make_measurement):
    """The page in Prove, its three pieces read; a photo's name tells the gap that it shows."""
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))

    def measure(photos, settings):
        assert settings.proofs == ()
        assert settings.edge_a is None
        ((_, name, sha),) = photos
        off = np.random.default_rng(int(sha[:8], 16)).normal(0, 0.01)
        m = make_measurement(gap_mm=np.full(240, float(name.split("_")[0]) + off), u_mm=0.2)
        return replace(m, photos=(replace(m.photo, taken_at=f"{date.today()}T10:00:00"),))

    monkeypatch.setattr("gapvision.page.service.measure", measure)
    page = AppTest.from_file(str(ENTRY), default_timeout=60)
    page.session_state["view"] = "Prove"
    page.run()
    page.text_input(key="study_caliper").set_value("0.03mm")
    for k, mm in enumerate(SIZES):
        for at in range(3):
            page.text_input(key=f"study_{k}_{at}").set_value(f"{mm}mm")
    return page.run()


def give(page, piece, size, number, who="", model="grey phone"):
    exif, out = Image.Exif(), io.BytesIO()
    exif[0x0110] = model
    Image.new("RGB", (80, 60)).save(out, "JPEG", exif=exif.tobytes())
    ticket = page.query_params["ticket"]
    into = sha256(f"{piece} {who}".encode()).hexdigest()[:16]
    ticket = ticket[0] if isinstance(ticket, list) else ticket
    Inbox.of_studies().add(ticket, f"{size}_{number}.jpg", out.getvalue() + f"{piece}{who}{number}".encode(), into)


def said(page):
    return " ".join([x.proto.body for x in page.get("html")] + [x.value for x in page.warning])


def test_counter_two_phones_result_and_a_new_study(page, tmp_path):
    assert not page.exception
    assert "0 of 15 photos are there; missing: 5 of piece 1 (3.0mm), 5 of piece 2 (4.76mm)" in said(page)
    for k, mm in enumerate(SIZES):
        for number in range(5):
            give(page, k, mm + 0.12, number, model="other phone" if (k, number) == (2, 4) else "grey phone")
    page.run()
    assert "14 of 15 photos are there; missing: 1 of piece 3 (6.0mm)" in said(page)
    assert "Take it again. 6.12_4.jpg" in said(page)
    assert "6.12_4.jpg' is of another phone than '3.12_0.jpg'" in said(page)
    give(page, 2, 6.12, 5)
    page.run()
    assert "On this phone, in this light: bias +0.12 mm" in said(page)
    assert "within U 15 of 15." in said(page)
    page.button(key="keep_study").click().run()
    (kept,) = read_phones(tmp_path)
    assert (kept.photos, kept.bias_proven) == (15, True)
    assert kept.bias_mm == pytest.approx(0.12, abs=0.01)
    page.button(key="new_study").click().run()
    assert page.text_input(key="study_0_0").value == ""
    assert Inbox.of_studies().photos(str(page.session_state["ticket"])) == []


def test_swapped_pieces_and_two_persons(page):
    page.text_input(key="study_persons").set_value("first, second").run()
    assert "0 of 30 photos are there; missing: 5 of piece 1 (3.0mm) by first" in said(page)
    shown = {0: 4.76, 1: 3.0, 2: 6.0}
    for who in ("first", "second"):
        for k in shown:
            for number in range(5):
                give(page, k, shown[k], number, who)
    page.run()
    assert "show the width of piece" in said(page)
    assert "On this phone" not in said(page)
    page.text_input(key="study_day").set_value("2999-01-01").run()
    assert "still to come" in said(page)
