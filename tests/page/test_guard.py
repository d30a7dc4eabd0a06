"""The guard: nothing passes before the passcode, tries are limited, the web socket is closed too."""

import asyncio
import re
from urllib.parse import urlencode

import pytest

from gapvision.page.guard import COOKIE, Guard, make_passcode, plain


def ask(guard, *, kind="http", method="GET", path="/", query="", headers=None, body=b"", address="10.0.0.7"):
    """Send one request through the guard; return (status or close code, headers, body, whether the app was reached)."""
    reached, sent = [], []

    async def app(scope, receive, send):
        reached.append(scope)
        await send({"type": "http.response.start", "status": 200, "headers": []})

    async def receive():
        return {"type": "websocket.connect"} if kind == "websocket" else {"type": "http.request", "body": body}

    async def send(message):
        sent.append(message)

    scope = {
        "type": kind,
        "method": method,
        "path": path,
        "query_string": query.encode(),
        "client": (address, 1),
        "headers": [(k.encode(), v.encode()) for k, v in ({"host": "10.0.0.2:8501"} | (headers or {})).items()],
    }
    asyncio.run(guard.pass_or_stop(app, scope, receive, send))
    first = sent[0] if sent else {}
    head = {k.decode(): v.decode() for k, v in first.get("headers", [])}
    return first.get("status", first.get("code")), head, sent[-1].get("body", b"") if sent else b"", reached


def enter(guard, word, address="10.0.0.7"):
    return ask(guard, method="POST", path="/enter", body=urlencode({"passcode": word}).encode(), address=address)


@pytest.mark.parametrize(
    "path",
    [
        "/",
        "/media/abc.png",
        "/_stcore/upload_file/a/b",
        "/photo/x/y/full.jpg",
        "/take",
        "/static/js/a.js",
        "/_stcore/host-config",
        "/_stcore/metrics",
        "/enter/../media/a",
    ],
)
def test_nothing_passes_without_the_passcode(path):
    for method in ("GET", "POST", "PUT", "DELETE"):
        status, _, body, reached = ask(Guard("abcd-efgh"), method=method, path=path)
        assert status == 401
        assert not reached
        assert b"abcd" not in body


@pytest.mark.parametrize("passcode", [None, "abcd-efgh"], ids=["let through", "stopped"])
def test_no_site_may_show_the_page_in_a_frame(passcode):
    """OWASP clickjacking defence: frame-ancestors, and X-Frame-Options for old browsers; from memory."""
    _, head, _, reached = ask(Guard(passcode), headers={"host": "localhost:8501", "accept": "text/html"})
    assert bool(reached) == (passcode is None)
    assert "frame-ancestors 'none'" in head["content-security-policy"]
    assert (head["x-frame-options"], head["x-content-type-options"]) == ("DENY", "nosniff")


def test_web_socket_is_closed():
    status, _, _, reached = ask(Guard("abcd-efgh"), kind="websocket", path="/_stcore/stream")
    assert status == 1008
    assert not reached


def test_right_passcode_gives_a_cookie_that_scripts_cannot_read():
    guard = Guard("abcd-efgh")
    status, head, _, _ = enter(guard, " ABCD efgh ")
    assert status == 303
    assert head["location"] == "/"
    assert "HttpOnly" in head["set-cookie"]
    assert "SameSite=Lax" in head["set-cookie"]
    cookie = head["set-cookie"].split(";")[0]
    for kind in ("http", "websocket"):
        assert ask(guard, kind=kind, headers={"cookie": cookie})[3]
    assert not ask(Guard("abcd-efgh"), headers={"cookie": cookie})[3], "a pass of another start is worth nothing"


@pytest.mark.parametrize("cookie", ["", f"{COOKIE}=", f"{COOKIE}=x", "other=1", f"{COOKIE}=\u00e9"])
def test_made_up_cookies(cookie):
    assert not ask(Guard("abcd-efgh"), headers={"cookie": cookie})[3]


def test_wrong_passcodes_are_limited_for_each_address():
    guard = Guard("abcd-efgh")
    for _ in range(5):
        assert enter(guard, "wrong")[0] == 403
    status, head, body, _ = enter(guard, "abcd-efgh")
    assert status == 429
    assert int(head["retry-after"]) > 20
    assert b"Wait" in body
    assert enter(guard, "abcd-efgh", address="10.0.0.8")[0] == 303, "another phone is not locked out"


def test_waiting_ends_and_grows():
    guard = Guard("abcd-efgh")
    for k in range(5):
        guard.try_passcode("wrong", "a", now=float(k))
    assert guard.wait_s("a", now=4.0) == pytest.approx(30)
    assert guard.try_passcode("abcd-efgh", "a", now=10.0) is None
    assert guard.try_passcode("wrong", "a", now=35.0) is None
    assert guard.wait_s("a", now=35.0) == pytest.approx(60)
    assert guard.try_passcode("abcd-efgh", "a", now=96.0)


def test_many_addresses_together_are_limited_too():
    guard = Guard("abcd-efgh")
    for k in range(60):
        guard.try_passcode("wrong", f"10.0.1.{k}", now=float(k))
    assert guard.wait_s("10.0.9.9", now=60.0) > 0


def test_far_too_long_and_empty_words():
    guard = Guard("abcd-efgh")
    assert enter(guard, "x" * 10000)[0] == 413
    assert enter(guard, "")[0] == 403


@pytest.mark.parametrize(
    ("host", "passes"),
    [
        ("localhost:8501", True),
        ("127.0.0.1:8501", True),
        ("[::1]:8501", True),
        ("localhost", True),
        ("evil.example:8501", False),
        ("10.0.0.2:8501", False),
        ("", False),
    ],
)
def test_without_passcode_only_this_machine(host, passes):
    assert bool(ask(Guard(), headers={"host": host})[3]) is passes


@pytest.mark.parametrize(
    ("origin", "kind", "method", "passes"),
    [
        ("http://evil.example", "websocket", "GET", False),
        ("http://evil.example", "http", "POST", False),
        ("http://evil.example", "http", "PUT", False),
        ("http://localhost:8501", "websocket", "GET", True),
        ("http://localhost:8501", "http", "POST", True),
        ("null", "http", "POST", False),
        ("http://localhost:9999", "http", "POST", False),
    ],
)
def test_other_sites_cannot_act(origin, kind, method, passes):
    status, _, _, reached = ask(Guard(), kind=kind, method=method, headers={"host": "localhost:8501", "origin": origin})
    assert bool(reached) is passes
    if not passes:
        assert status in (403, 1008)


def test_passcodes_are_long_enough_and_differ():
    words = {make_passcode() for _ in range(200)}
    assert len(words) == 200
    assert all(len(plain(w)) == 8 and not set(plain(w)) & set("il1o0") for w in words)


TICKET = "abcdefghij2345678923"


@pytest.mark.parametrize(
    ("path", "query", "back"),
    [
        ("/", f"ticket={TICKET}", f"/?ticket={TICKET}"),
        ("/take", f"ticket={TICKET}", f"/take?ticket={TICKET}"),
        ("/", "", "/"),
        ("/", "ticket=short", "/"),
        ("/", f"ticket={'a' * 20}&view=Car", f"/?ticket={'a' * 20}&view=Car"),
        ("/", f"ticket={'a' * 20}&view=Car&x=1", "/"),
        ("//elsewhere.example/", "", "/"),
        ("/photo/x/y/full.jpg", "", "/"),
    ],
)
def test_after_the_passcode_the_phone_is_back_at_its_own_photos(path, query, back):
    guard = Guard("abcd-efgh")
    status, _, body, _ = ask(guard, path=path, query=query, headers={"accept": "text/html"})
    assert status == 401
    action = re.search(rb'action="(/enter\?to=[^"]*)"', body)[1].decode()
    path, _, query = action.partition("?")
    for word, said in (("wrong", 403), ("abcd-efgh", 303)):
        status, head, body, _ = ask(guard, method="POST", path=path, query=query, body=f"passcode={word}".encode())
        assert status == said
    assert head["location"] == back


@pytest.mark.parametrize(
    "to", ["https://elsewhere.example", "//elsewhere.example", "/\r\nx: y", "/?ticket=../../etc", ""]
)
def test_a_way_back_that_is_not_the_pages_own_is_the_page(to):
    query = urlencode({"to": to})
    body = b"passcode=abcd-efgh"
    status, head, _, _ = ask(Guard("abcd-efgh"), method="POST", path="/enter", query=query, body=body)
    assert (status, head["location"]) == (303, "/")
