"""Each view under Streamlit's AppTest, with measuring for real on a sample."""

import html

import pytest
from streamlit.testing.v1 import AppTest

from gapvision.page.inbox import Inbox
from gapvision.page.server import ENTRY
from gapvision.samples import DEMO_PHOTO


@pytest.fixture
def page(tmp_path, monkeypatch):
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))
    return AppTest.from_file(str(ENTRY), default_timeout=30)


def html_of(page):
    """Everything that was written as HTML or text."""
    return " ".join(
        [x.value if hasattr(x, "value") else str(x) for x in page.main if x.type in ("html", "markdown", "subheader")]
        + [x.proto.body for x in page.get("html")]
    )


def test_opens_with_a_sample_measured(page):
    page.run()
    assert not page.exception
    words = html_of(page)
    assert "Not proven" in words or "In tolerance" in words or "Out of tolerance" in words
    assert "Mean gap" in words
    assert [s.value for s in page.subheader][:2] == ["Spans to look at", "In numbers"]


def test_the_address_says_which_view(page):
    page.query_params["view"] = "Jobs"
    page.run()
    assert not page.exception
    assert page.title[0].value == "Jobs"


def test_tolerance_changes_the_verdict_without_measuring_again(page, monkeypatch):
    page.run()
    calls = []
    from gapvision.page import service

    monkeypatch.setattr(service, "measure_photos", lambda *a, **more: calls.append(a))
    page.text_input(key="tolerance").set_value("3mm").run()
    assert "In tolerance" in html_of(page)
    page.text_input(key="tolerance").set_value("0.1mm").run()
    assert "Out of tolerance" in html_of(page)
    assert not calls


@pytest.mark.slow
def test_strips_of_one_sheet_are_said_so(page):
    """The note asks for it, so there must be a place to say it."""
    page.run()
    assert "The strips may come from different sheets" in html_of(page)
    page.checkbox(key="known_one_sheet").check().run()
    assert "The strips may come from different sheets" not in html_of(page)
    assert any("strips of one sheet" in x.value for x in page.caption)


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("nominal", "three", "'three' is not a length."),
        ("tolerance", "9mm", "The lower limit is a negative gap"),
        ("nominal", "3/0in", "divides by zero"),
        ("nominal", "3/16", "'3/16' has no unit that is known here."),
    ],
)
def test_mistakes_are_one_sentence(page, key, value, said):
    page.run()
    page.text_input(key=key).set_value(value).run()
    assert not page.exception
    assert html.escape(said, quote=True) in html_of(page)


def test_another_unit_never_changes_what_a_typed_number_means(page):
    page.run()
    page.text_input(key="nominal").set_value("4.8").run()
    assert "no unit" not in html_of(page), "mm, while the page shows mm"
    page.selectbox(key="unit").set_value("in").run()
    assert not page.exception
    assert html.escape("'4.8' has no unit that is known here.", quote=True) in html_of(page)
    page.text_input(key="nominal").set_value("0.19in").run()
    assert "no unit" not in html_of(page)


@pytest.mark.slow
def test_check_line_far_off_is_refused_in_words(page):
    page.run()
    own = Inbox().add(page.session_state["ticket"], "own.jpg", DEMO_PHOTO.read_bytes() + b"0")
    page.run()
    assert page.selectbox(key="photo").value == own.sha256
    page.text_input(key="check_length").set_value("20mm").run()
    assert "cannot be right" in html_of(page)


@pytest.mark.slow
def test_what_is_known_of_the_edges_is_used_and_remembered(page):
    page.run()
    before = html_of(page)
    page.selectbox(key="known_a").set_value("rolled").run()
    page.text_input(key="known_a_radius").set_value("1.5mm").run()
    page.selectbox(key="known_b").set_value("rolled").run()
    page.text_input(key="known_step").set_value("-2mm").run()
    words = html_of(page)
    assert "Stated, not measured" not in before
    assert "Stated, not measured: edge A rolled, radius 1.50 mm; edge B rolled." in words
    assert "Face B was stated to stand -2.00 mm above face A" in words
    fresh = AppTest.from_file(str(ENTRY), default_timeout=30)
    fresh.query_params["ticket"] = page.session_state["ticket"]
    fresh.run()
    assert fresh.selectbox(key="known_a").value == "rolled"
    assert fresh.text_input(key="known_a_radius").value == "1.5mm"
    assert "Stated, not measured: edge A rolled, radius 1.50 mm" in html_of(fresh)


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("known_a_radius", "thick", "'thick' is not a length."),
        ("known_a_radius", "30mm", "A radius of 30.0 mm makes no sense for edge A."),
        ("known_step", "90mm", "A step of 90.0 mm between the panels makes no sense here."),
    ],
)
@pytest.mark.slow
def test_mistakes_about_the_edges_are_one_sentence(page, key, value, said):
    page.run()
    page.selectbox(key="known_a").set_value("rolled").run()
    page.text_input(key=key).set_value(value).run()
    assert not page.exception
    assert html.escape(said, quote=True) in html_of(page)


@pytest.mark.slow
def test_typed_words_and_photos_survive_a_reload(page):
    page.run()
    ticket = page.session_state["ticket"]
    photo = Inbox().add(ticket, "own.jpg", DEMO_PHOTO.read_bytes() + b"1")
    page.text_input(key="nominal").set_value("5mm").run()
    fresh = AppTest.from_file(str(ENTRY), default_timeout=30)
    fresh.query_params["ticket"] = ticket
    fresh.run()
    assert fresh.text_input(key="nominal").value == "5mm"
    assert fresh.selectbox(key="photo").value == photo.sha256


@pytest.mark.slow
def test_each_photo_has_its_sign_once_looked_at_and_can_be_taken_out(page, monkeypatch):
    page.run()
    ticket = page.session_state["ticket"]
    Inbox().add(ticket, "letter.jpg", b"dear sir")
    own = Inbox().add(ticket, "own.jpg", DEMO_PHOTO.read_bytes() + b"sign")
    page.run()
    signs = page.session_state["_signs"]
    assert signs[own.sha256] == "\u2717"
    assert len(signs) == 2, "the sample, and this one; the letter was not looked at yet"
    asked = {"what": "out", "photo": own.sha256, "to": "", "of": "1"}
    monkeypatch.setattr("gapvision.page.strip._component", lambda: lambda **more: type("Result", (), {"asked": asked}))
    page.run()
    assert not page.exception
    assert own.sha256 not in [p.sha256 for p in Inbox().photos(ticket)]
    assert page.session_state["photo"] != own.sha256


@pytest.mark.slow
def test_two_windows_of_one_address_never_write_over_each_other_unasked(page):
    page.run()
    page.text_input(key="nominal").set_value("5mm").run()
    other = AppTest.from_file(str(ENTRY), default_timeout=30)
    other.query_params["ticket"] = ticket = page.session_state["ticket"]
    other.run()
    other.text_input(key="nominal").set_value("6mm").run()
    page.text_input(key="tolerance").set_value("0.7mm").run()
    assert not page.exception
    assert any("Another window has this page open" in w.value for w in page.warning)
    kept = Inbox().load_draft(ticket)
    assert (kept["nominal"], kept["tolerance"]) == ("6mm", "0.5mm"), "as the other window left it"
    page.button(key="keep_mine").click().run()
    kept = Inbox().load_draft(ticket)
    assert (kept["nominal"], kept["tolerance"]) == ("5mm", "0.7mm"), "asked for"
    other.text_input(key="tolerance").set_value("0.9mm").run()
    other.button(key="take_theirs").click().run()
    assert not other.exception
    assert (other.text_input(key="nominal").value, other.text_input(key="tolerance").value) == ("5mm", "0.7mm")


def test_a_crash_in_a_view_is_caught_and_keeps_the_draft(page, monkeypatch):
    page.run()
    from gapvision.page import measure_view

    def broken(*_):
        raise RuntimeError("boom")

    monkeypatch.setattr(measure_view, "_viewer", broken)
    page.text_input(key="nominal").set_value("6mm").run()
    assert not page.exception
    assert any("Photos and notes are kept" in e.value for e in page.error)
    assert Inbox().load_draft(page.session_state["ticket"])["nominal"] == "6mm"


def test_not_a_photo_is_refused_with_advice(page):
    page.run()
    Inbox().add(page.session_state["ticket"], "letter.jpg", b"dear sir")
    page.run()
    assert "letter.jpg" in html_of(page)
    assert "Choose a JPEG" in html_of(page)


def test_a_span_left_out_becomes_a_hole(page):
    page.run()
    page.text_input(key="span_from").set_value("100")
    page.text_input(key="span_to").set_value("140mm")
    page.text_input(key="span_reason").set_value("door handle")
    page.button(key="leave_out").click().run()
    assert not page.exception
    assert "left out: door handle" in html_of(page)
    assert any("100 to 140 mm: door handle" in m.value for m in page.markdown)


def overwritten(page):
    """Keys of the fields whose content the last run sent to the browser, over what stands there."""
    return [w.key for w in (*page.text_input, *page.text_area, *page.checkbox) if w.proto.set_value]


def test_a_run_does_not_overwrite_the_fields_that_are_on_screen(page):
    """A person may be typing in one of them just then; only what was out of sight gets its value again."""
    page.run()
    page.text_input(key="nominal").set_value("5mm").run()
    assert overwritten(page) == []
    page.text_input(key="tolerance").set_value("0.4mm").run()
    assert overwritten(page) == []
    page.session_state["view"] = "Jobs"
    page.run()
    page.run()
    page.session_state["view"] = "Measure"
    page.run()
    assert {"nominal", "tolerance"} <= set(overwritten(page)), "back in sight, and as they were"
    assert (page.text_input(key="nominal").value, page.text_input(key="tolerance").value) == ("5mm", "0.4mm")
    page.run()
    assert overwritten(page) == []


@pytest.mark.slow
def test_the_photo_chosen_stays_chosen_after_another_view_and_a_reload(page):
    page.run()
    ticket = page.session_state["ticket"]
    data = DEMO_PHOTO.read_bytes()
    first, second = (Inbox().add(ticket, name, data + name.encode()) for name in ("one.jpg", "two.jpg"))
    page.run()
    assert page.selectbox(key="photo").value == second.sha256
    page.selectbox(key="photo").set_value(first.sha256).run()
    for view in ("Jobs", "Decide", "Measure"):
        page.session_state["view"] = view
        page.run()
    assert page.selectbox(key="photo").value == first.sha256
    fresh = AppTest.from_file(str(ENTRY), default_timeout=30)
    fresh.query_params["ticket"] = ticket
    fresh.run()
    assert fresh.selectbox(key="photo").value == first.sha256


def test_the_short_verdict_stands_before_the_details(page):
    page.run()
    verdict = next(x.proto.body for x in page.get("html") if "gv-verdict" in x.proto.body)
    assert "Worst: 3.83 mm (0.151 in) at 167 mm, U 0.17 mm (0.007 in). Limits 4.27 to 5.26 mm" in verdict
    assert "Next: " in verdict
    page.selectbox(key="unit").set_value("fraction").run()
    verdict = next(x.proto.body for x in page.get("html") if "gv-verdict" in x.proto.body)
    assert "Worst: 5/32 in scant (3.83 mm) at 6 9/16 in, U 0.007 in (0.17 mm)" in verdict
