"""On the workshop's network: nothing without the passcode, then everything, for two phones at once."""

import json
import socket
import urllib.error
import urllib.request

import pytest

from tests.browser._help import PHONE, ROOT, start_server

CODE = "Ferry-2718"
SAMPLE = ROOT / "sample_images" / "backlit_bonnet_gap.jpg"


@pytest.fixture(scope="module")
def lan(tmp_path_factory):
    """A page for the network, with a passcode set by the user."""
    one = start_server(tmp_path_factory.mktemp("lan"), "--lan", "--passcode", CODE, health=False)
    yield one
    one.process.terminate()
    one.process.wait(10)


def status(url, **headers):
    """Status code of a plain request."""
    try:
        with urllib.request.urlopen(urllib.request.Request(url, headers=headers), timeout=5) as answer:
            return answer.status
    except urllib.error.HTTPError as error:
        return error.code


def test_start_prints_address_passcode_and_code(lan):
    said = lan.log.read_text()
    assert f"Passcode: {CODE}" in said
    assert "http://" in said
    assert "\u2588" in said or "\u2580" in said or "\x1b[7m" in said, "a QR code for the phone"


def enter(one, word):
    """Type a passcode."""
    one.page.get_by_label("Passcode").fill(word)
    one.page.get_by_role("button", name="Open").tap()


def test_wrong_then_right_passcode(lan, visit, shots):
    one = visit(lan.url)
    shots(one, "passcode_phone")
    enter(one, "guess")
    one.page.get_by_role("alert").wait_for()
    assert "not the passcode" in one.page.get_by_role("alert").inner_text()
    enter(one, "ferry 2718")
    one.measured()
    assert one.outside == []
    # Direct links to a photo that is on screen: with the pass only.
    photo = one.page.locator(".gv-image").get_attribute("src")
    assert status(lan.url + photo) == 401
    cookies = "; ".join(f"{c['name']}={c['value']}" for c in one.context.cookies())
    assert status(lan.url + photo, Cookie=cookies) == 200
    for path in (
        "/_stcore/health",
        "/_stcore/host-config",
        "/static/index.html",
        "/media/x.png",
        "/take",
        "/_stcore/metrics",
    ):
        assert status(lan.url + path) == 401


def test_web_socket_is_shut_without_the_pass_and_open_with_it(lan, visit):
    one = visit(lan.url)
    assert handshake(lan.url, "") == 403
    enter(one, CODE)
    one.measured()
    cookies = "; ".join(f"{c['name']}={c['value']}" for c in one.context.cookies())
    assert handshake(lan.url, cookies) == 101


def handshake(url, cookies):
    """Ask for a web socket as a browser does; the status of the answer."""
    host, port = url.removeprefix("http://").split(":")
    with socket.create_connection((host, int(port)), timeout=5) as line:
        line.sendall(
            (
                f"GET /_stcore/stream HTTP/1.1\r\nHost: {host}:{port}\r\nUpgrade: websocket\r\nConnection: Upgrade\r\n"
                "Sec-WebSocket-Key: dGhlIHNhbXBsZSBub25jZQ==\r\nSec-WebSocket-Version: 13\r\n"
                f"Origin: {url}\r\nCookie: {cookies}\r\n\r\n"
            ).encode()
        )
        return int(line.recv(64).split()[1])


def test_a_phone_that_has_to_give_the_passcode_anew_finds_its_photos_and_notes(lan, visit):
    one = visit(lan.url)
    enter(one, CODE)
    one.measured()
    data = SAMPLE.read_bytes() + b"again"
    one.page.set_input_files("input[type=file]", {"name": "again.jpg", "mimeType": "image/jpeg", "buffer": data})
    one.page.get_by_text("again.jpg").first.wait_for()
    one.settled()
    one.unfold("What is wanted")
    field = one.page.get_by_role("textbox", name="Wanted gap")
    field.fill("4.9mm")
    field.press("Enter")
    one.settled()
    one.page.wait_for_timeout(500)
    one.context.clear_cookies()  # as after the server was started anew
    one.page.reload()
    enter(one, CODE)
    one.measured()
    one.page.get_by_text("again.jpg").first.wait_for()
    one.unfold("What is wanted")
    assert one.page.get_by_role("textbox", name="Wanted gap").input_value() == "4.9mm"


def test_two_phones_each_with_its_own_photos(lan, visit):
    phones = [visit(lan.url), visit(lan.url)]
    for one in phones:
        enter(one, CODE)
        one.measured()
    names = ("left.jpg", "right.jpg")
    for one, name in zip(phones, names, strict=True):
        data = SAMPLE.read_bytes() + name.encode()
        one.page.set_input_files("input[type=file]", {"name": name, "mimeType": "image/jpeg", "buffer": data})
    for one, name, other in zip(phones, names, reversed(names), strict=True):
        one.page.get_by_text(name).first.wait_for()
        one.settled()
        one.measured()
        assert one.page.get_by_text(other).count() == 0
        assert one.outside == []


def test_plain_form_takes_photos_while_the_web_socket_is_gone(lan, visit):
    one = visit(lan.url)
    enter(one, CODE)
    one.measured()
    one.page.get_by_role("link", name="Take photos with this phone").tap()
    one.page.get_by_role("heading", name="Take or choose photos").wait_for()
    ticket = one.page.url.split("ticket=")[1]
    one.page.set_input_files(
        "#photos", [{"name": "IMG_1.jpg", "mimeType": "image/jpeg", "buffer": SAMPLE.read_bytes() + b"x"}]
    )
    one.page.wait_for_url(f"**/?ticket={ticket}", timeout=20000)
    one.page.get_by_text("IMG_1.jpg").first.wait_for()
    one.measured()
    assert one.outside == []
    about = next((lan.data / "inbox" / ticket).glob("*.json"))
    assert json.loads(about.read_text())["name"] == "IMG_1.jpg"


def test_network_cut_in_mid_upload_is_tried_again(lan, visit, shots):
    one = visit(lan.url)
    enter(one, CODE)
    one.measured()
    one.page.get_by_role("link", name="Take photos with this phone").tap()
    one.page.get_by_role("heading", name="Take or choose photos").wait_for()
    one.context.set_offline(True)
    one.page.set_input_files(
        "#photos", [{"name": "cut.jpg", "mimeType": "image/jpeg", "buffer": SAMPLE.read_bytes() + b"y"}]
    )
    one.page.get_by_text("no network, trying again").wait_for()
    shots(one, "take_phone")
    one.context.set_offline(False)
    one.page.wait_for_url("**/?ticket=*", timeout=30000)
    one.page.get_by_text("cut.jpg").first.wait_for()
    one.measured()


def test_passcode_page_is_small_and_fits(lan, visit):
    one = visit(lan.url, PHONE)
    assert one.page.evaluate("document.documentElement.scrollWidth") <= 390
    assert one.page.locator("button").bounding_box()["height"] >= 44
    assert one.page.locator("input").bounding_box()["height"] >= 44
