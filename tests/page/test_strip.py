"""Several photos of a seam on the page: one result, stored once for the set; a photo comes, goes, moves, is looked at.

The joint result itself is invented here (tests/test_several.py measures for real): the sample's, from all photos given.
"""

from dataclasses import replace

import pytest
from streamlit.testing.v1 import AppTest

from gapvision.model import NextPhoto
from gapvision.page import service, session, strip
from gapvision.page.books import records
from gapvision.page.inbox import Inbox
from gapvision.page.measure_view import said_of_several
from gapvision.page.server import ENTRY
from gapvision.samples import DEMO_PHOTO
from gapvision.several import measure_photos
from tests.page.test_car import asked_for, html_of


@pytest.fixture
def shop(tmp_path, monkeypatch, measured_sample):
    """A job with two seams, of which nothing is wanted yet; and sets of photos that are measured at once."""
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))
    _, sample = measured_sample(DEMO_PHOTO.name)

    def together(photos, settings, remember=None):
        if len(photos) == 1:
            return measure_photos(photos, settings)
        photos = sorted((p.read() for p in photos if "odd" not in p.file), key=lambda p: p.file)
        seen = tuple(replace(sample.photo, file=p.file, sha256=p.sha256) for p in photos)
        return replace(sample, photos=seen, settings=settings)

    monkeypatch.setattr(service, "measure_photos", together)
    monkeypatch.setattr(service, "_measurements", service._Memory(20))
    store = records()
    job = store.new_job(reference="T-1")
    store.add_seam(job.job_id, "door, rear edge", side="left")
    store.add_seam(job.job_id, "bonnet", side="right")
    return job


@pytest.fixture
def page(shop):
    one = AppTest.from_file(str(ENTRY), default_timeout=60).run()
    one.session_state["go"] = asked_for(shop, records().seam_states(shop.job_id)[0])
    return one.run()


def add(page, name, into=""):
    data = DEMO_PHOTO.read_bytes() + name.encode()
    return Inbox().add(page.session_state["ticket"], f"{name}.jpg", data, into)


def on_strip(monkeypatch, page, what, sha256, to=""):
    """As the strip's buttons send it."""
    asked = {"what": what, "photo": sha256, "to": to, "of": f"{sha256}-{what}-{to}"}
    with monkeypatch.context() as patch:
        patch.setattr(strip, "_component", lambda: lambda **more: type("Result", (), {"asked": asked}))
        page.run()
    assert not page.exception
    return page.run()


def history(page, seam=0):
    (job,) = records().jobs("", limit=1)
    return records().history(records().seams(job.job.job_id)[seam].seam_id)


def names(line):
    return [p.file_name for p in line.photos]


@pytest.mark.slow
def test_photos_of_a_seam_become_one_result_as_they_come_and_go(page, monkeypatch):
    coming = NextPhoto(do="lean", over="B", strip="E", u_now_mm=0.4, u_next_mm=0.2)
    monkeypatch.setattr("gapvision.page.measure_view.next_photo", lambda measurement: coming)
    a = add(page, "a")
    page.run()
    assert [names(x) for x in history(page)] == [["a.jpg"]]
    assert not page.checkbox(key="join_set").value, "offered at once, for what is chosen next"
    told = html_of(page)
    assert "Nothing was wanted of this seam yet: 4.76 mm" in told, "the typed gap is kept with it, and it is said"
    assert f"into={a.set_id}" in told, "the coach asks for one more of the same"
    assert "Next: one more photo" not in told, "it is out: that comes first"
    page.text_input(key="tolerance").set_value("3mm").run()
    assert "Next: one more photo leaning about 15 degrees over panel B, the one with strip E" in html_of(page)
    add(page, "b", a.set_id)
    add(page, "odd", a.set_id)
    page.run()
    lines = history(page)
    assert [names(x) for x in lines] == [["a.jpg"], ["a.jpg", "b.jpg", "odd.jpg"]]
    assert len({x.shot_id for x in lines}) == 1, "one set, its newest result from all"
    assert "3 photos as one result" in html_of(page)
    odd = next(p for p in Inbox().photos(page.session_state["ticket"]) if p.name == "odd.jpg")
    on_strip(monkeypatch, page, "out", odd.sha256)
    assert names(history(page)[-1]) == ["a.jpg", "b.jpg"]
    # Taken again, by itself: another set, and another shot.
    add(page, "c")
    page.run()
    assert names(history(page)[-1]) == ["c.jpg"]
    assert len({x.shot_id for x in history(page)}) == 2
    assert records().check() == []


def test_another_window_does_not_save_the_same_again(page):
    a = add(page, "a")
    add(page, "b", a.set_id)
    page.run()
    other = AppTest.from_file(str(ENTRY), default_timeout=60)
    other.query_params["ticket"] = page.session_state["ticket"]
    other.run()
    state = other.session_state["kept_shots"]
    assert list(state) == [a.set_id]
    other.session_state["kept_shots"] = {}  # opened before the photos came
    other.run()
    assert not other.exception
    assert "Saved by itself: 2 photos" in html_of(other)
    assert [names(x) for x in history(page)] == [["a.jpg", "b.jpg"]]


@pytest.mark.slow
def test_a_set_that_loses_a_photo_to_another_is_saved_anew_too(page, monkeypatch):
    a = add(page, "a")
    b = add(page, "b", a.set_id)
    page.run()
    add(page, "c")
    page.run()
    c = next(p for p in Inbox().photos(page.session_state["ticket"]) if p.name == "c.jpg")
    on_strip(monkeypatch, page, "move", b.sha256, f"set:{c.set_id}")
    newest = [names(x) for x in history(page) if x.newest]
    assert sorted(newest) == [["a.jpg"], ["b.jpg", "c.jpg"]]


@pytest.mark.slow
def test_a_photo_moves_to_another_set_and_to_another_seam(page, monkeypatch):
    a = add(page, "a")
    page.run()
    b = add(page, "b")
    page.run()
    assert [names(x) for x in history(page)] == [["a.jpg"], ["b.jpg"]]
    on_strip(monkeypatch, page, "move", b.sha256, f"set:{a.set_id}")
    assert [names(x) for x in history(page)] == [["a.jpg"], ["a.jpg", "b.jpg"]], "what b was alone is taken back"
    on_strip(monkeypatch, page, "look", b.sha256)
    assert page.selectbox(key="photo").value == b.sha256
    other = records().seams(records().job("T-1").job_id)[1]
    on_strip(monkeypatch, page, "move", a.sha256, f"seam:{other.seam_id}")
    assert names(history(page)[-1]) == ["b.jpg"], "its set goes on without it"
    page.session_state["go"] = asked_for(records().job("T-1"), records().seam_states(other.job_id)[1])
    page.run()
    assert [names(x) for x in history(page, 1)] == [["a.jpg"]], "saved where it belongs when that seam is opened"


def test_several_that_come_at_once_show_the_seam_whose_page_is_open(page):
    add(page, "a")
    add(page, "b")
    page.run()
    assert not page.exception
    assert [names(x) for x in history(page)] == [["a.jpg", "b.jpg"]]


def test_just_measuring_asks_whether_they_show_one_seam(page):
    page.session_state["go"] = {"view": "Measure", "what_for": "Just measure", "at_seam": 0}
    page.run()
    add(page, "a")
    add(page, "b")
    page.run()
    assert "2 photos together" not in html_of(page)
    page.button(key="measure_together").click().run()
    assert not page.exception
    assert "2 photos together" in html_of(page)


@pytest.mark.slow
def test_what_the_strip_shows(page):
    a = add(page, "a")
    add(page, "odd", a.set_id)
    add(page, "z")
    page.run()
    chosen = [session.Chosen(p.path, p.name, p.sha256, "t" * 20, p.set_id) for p in
              Inbox().photos(page.session_state["ticket"])]  # fmt: skip
    set_of = [p for p in chosen if p.set_id == a.set_id]
    settings = page.session_state["shown"].measurement.settings
    seen = service.measure([(p.path, p.name, p.sha256) for p in set_of], settings)
    data = strip.strip_data(chosen, set_of[0], set_of, seen, [("seam:7", "to bonnet")])
    first, second = data["groups"]
    assert (first["name"], first["current"], second["name"]) == ("Measured together: 2 photos", True, "On its own")
    assert [(p["sign"], p["said"]) for p in first["photos"]] == [("+", "counts in the result"), ("\u2212", "left out")]
    assert first["photos"][0]["targets"] == [(f"set:{chosen[-1].set_id}", "to z.jpg"), ("alone", "on its own"),
                                             ("seam:7", "to bonnet")]  # fmt: skip


def test_a_stored_set_shows_all_its_photos_and_any_of_them_is_looked_at(page, monkeypatch):
    a = add(page, "a")
    add(page, "b", a.set_id)
    page.run()
    drawn = []

    def component(asked=None):
        def draw(**more):
            drawn.append(more["data"])
            return type("Result", (), {"asked": asked})

        return lambda: draw

    page.session_state["ticket"] = "n" * 20  # a visit without photos of its own
    page.query_params["ticket"] = "n" * 20
    with monkeypatch.context() as patch:
        patch.setattr(strip, "_component", component())
        page.session_state["go"] = asked_for(records().job("T-1"), records().seam_states(1)[0])
        page.run()
        assert not page.exception
        (group,) = drawn[-1]["groups"]
        assert [(p["name"], p["said"], p["shown"]) for p in group["photos"]] == [
            ("a.jpg", "counts in the result", True), ("b.jpg", "counts in the result", False),
        ]  # fmt: skip
        tap = {"photo": group["photos"][1]["sha256"], "of": "tap", "what": "look"}
        patch.setattr(strip, "_component", component(tap))
        page.run()
    assert [p["shown"] for p in drawn[-1]["groups"][0]["photos"]] == [False, True]


def test_phones_that_call_every_photo_alike(tmp_path):
    inbox = Inbox(tmp_path)
    kept = [inbox.add("a" * 20, "image.jpg", bytes([k])) for k in range(3)]
    assert [p.name for p in kept] == ["image.jpg", "image (2).jpg", "image (3).jpg"]


@pytest.mark.parametrize(("code", "told"), [("strip-damaged", ""), ("photo-blurred", "Do this.")])
def test_a_strip_that_ends_at_the_border_is_no_fault_of_photos_along_a_seam(monkeypatch, code, told):
    """Five photos of one metre put five boxes above the verdict, which was off a phone's screen."""
    monkeypatch.setattr(service, "quick_words", lambda photo: ("Do this.", code))
    assert said_of_several(None) == told
