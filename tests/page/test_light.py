"""Bundles go out squeezed, once made; nothing else is touched."""

import asyncio
import gzip

import pytest

from gapvision.page.light import Light

TEXT = b"export const gap = 1;\n" * 400


class Served:
    """An application that serves one file and counts."""

    def __init__(self, body=TEXT, status=200):
        self.body, self.status, self.asked = body, status, 0

    async def __call__(self, scope, receive, send):
        self.asked += 1
        length = str(len(self.body)).encode()
        head = [(b"content-length", length), (b"cache-control", b"public, immutable")]
        await send({"type": "http.response.start", "status": self.status, "headers": head})
        half = len(self.body) // 2
        await send({"type": "http.response.body", "body": self.body[:half], "more_body": True})
        await send({"type": "http.response.body", "body": self.body[half:]})


def ask(light, path="/static/js/a.123.js", takes="gzip, br", method="GET"):
    """Status, head and whole body."""
    sent = []

    async def send(message):
        sent.append(message)

    scope = {"type": "http", "method": method, "path": path, "headers": [(b"accept-encoding", takes.encode())]}
    asyncio.run(light(scope, None, send))
    head = {k.decode(): v.decode() for k, v in sent[0]["headers"]}
    return sent[0]["status"], head, b"".join(m.get("body", b"") for m in sent[1:])


def test_a_bundle_is_squeezed_once_and_comes_out_whole(monkeypatch):
    made = []
    squeeze = gzip.compress
    monkeypatch.setattr(gzip, "compress", lambda data, level: made.append(1) or squeeze(data, level))
    light = Light(Served())
    for _ in range(2):
        status, head, body = ask(light)
        assert (status, head["content-encoding"], head["vary"]) == (200, "gzip", "accept-encoding")
        assert head["cache-control"] == "public, immutable"
        assert int(head["content-length"]) == len(body) < len(TEXT) / 10
        assert gzip.decompress(body) == TEXT
    assert made == [1]


@pytest.mark.parametrize(
    ("how", "app"),
    [
        ({"takes": "identity"}, Served()),
        ({"path": "/static/media/font.woff2"}, Served()),
        ({"path": "/photo/x/y/full.jpg"}, Served()),
        ({"method": "HEAD"}, Served()),
        ({}, Served(status=404)),
        ({}, Served(body=b"a = 1;")),
    ],
    ids=["not asked for", "a font", "a photo", "head alone", "not found", "too small"],
)
def test_the_rest_goes_out_as_it_is(how, app):
    _, head, body = ask(Light(app), **how)
    assert "content-encoding" not in head
    assert body == app.body
    assert int(head["content-length"]) == len(body)
