"""The plain form: photos arrive without a web socket, one by one or together, and rubbish does not."""

import pytest
from starlette.applications import Starlette
from starlette.routing import Route
from starlette.testclient import TestClient

from gapvision.page import take_form
from gapvision.page.books import records
from gapvision.page.inbox import Inbox


@pytest.fixture
def client(tmp_path, monkeypatch):
    monkeypatch.setenv("GAPVISION_DATA", str(tmp_path))
    app = Starlette(routes=[Route("/take", take_form.show), Route("/take", take_form.accept, methods=["POST"])])
    return TestClient(app, follow_redirects=False)


@pytest.fixture
def ticket():
    return "a" * 20


def test_form_needs_no_script_and_makes_a_ticket(client, ticket):
    answer = client.get("/take")
    assert answer.status_code == 303
    assert Inbox.is_ticket(answer.headers["location"].split("=")[1])
    page = client.get(f"/take?ticket={ticket}").text
    assert 'method="post"' in page
    assert "multiple" in page
    assert "http" not in page.replace("http-equiv", ""), "nothing may come from outside"


def test_the_form_says_of_which_seam_the_photos_are(client, ticket):
    job = records().new_job()
    seam = records().add_seam(job.job_id, "door, <rear>", side="left")
    page = client.get(f"/take?ticket={ticket}&seam={seam.seam_id}").text
    assert "<h1>Photos of left door, &lt;rear&gt;</h1>" in page
    assert f"&amp;seam={seam.seam_id}" in page, "also after a post without the script"
    for wrong in ("0", "999", "9" * 40, "x", "1 OR 1"):
        assert "<h1>Take or choose photos</h1>" in client.get("/take", params={"ticket": ticket, "seam": wrong}).text


def test_plain_post_keeps_all_and_goes_on_to_the_page(client, ticket):
    answer = client.post(f"/take?ticket={ticket}", files=[("photos", ("a.jpg", b"1")), ("photos", ("b.jpg", b"2"))])
    assert answer.status_code == 303
    assert answer.headers["location"] == f"/?ticket={ticket}"
    assert [p.name for p in Inbox().photos(ticket)] == ["a.jpg", "b.jpg"]


def test_post_by_script_says_whether_the_photo_will_do(client, ticket):
    answer = client.post(
        f"/take?ticket={ticket}", files={"photos": ("a.jpg", b"no photo")}, headers={"accept": "application/json"}
    )
    assert answer.status_code == 200
    assert "Choose a JPEG" in answer.json()["said"]
    assert answer.json()["picture"].startswith('<img class="gv-drawing"')
    assert len(Inbox().photos(ticket)) == 1, "kept all the same: it may be a photo that a later version reads"


ONE = {"photos": ("a.jpg", b"1")}


@pytest.mark.parametrize(
    ("address", "files", "headers", "status"),
    [
        ("/take?ticket=../../etc", ONE, {}, 400),
        ("/take?ticket=" + "a" * 20, {"other": ("a.jpg", b"1")}, {}, 422),
        ("/take?ticket=" + "a" * 20, {"photos": ("a.jpg", b"")}, {}, 422),
        ("/take?ticket=" + "a" * 20, ONE, {"sec-fetch-site": "cross-site"}, 403),
        ("/take?ticket=" + "a" * 20, ONE, {"content-length": str(10**12)}, 413),
    ],
)
def test_rubbish_is_refused_in_a_sentence(client, address, files, headers, status):
    answer = client.post(address, files=files, headers=headers)
    assert answer.status_code == status
    assert 'role="alert"' in answer.text


def test_too_large(client, ticket, monkeypatch):
    monkeypatch.setattr(take_form, "MOST_BYTES", 1000)
    answer = client.post(f"/take?ticket={ticket}", files={"photos": ("a.jpg", b"1" * 2000)})
    assert answer.status_code == 413
    assert Inbox().photos(ticket) == []
