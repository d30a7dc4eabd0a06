"""Links ahead of the script: they name files that Streamlit has, and leave everything else as it is sent."""

import asyncio
import re
from pathlib import Path

import streamlit

from gapvision.page.ahead import Ahead, links

STATIC = Path(streamlit.__file__).parent / "static"


def asked(path, status=200, method="GET"):
    """What goes out for a request: status, head and body."""
    page = (STATIC / "index.html").read_bytes()

    async def app(scope, receive, send):
        head = [(b"content-length", str(len(page)).encode()), (b"content-type", b"text/html")]
        await send({"type": "http.response.start", "status": status, "headers": head})
        await send({"type": "http.response.body", "body": page[:100], "more_body": True})
        await send({"type": "http.response.body", "body": page[100:]})

    sent = []

    async def send(message):
        sent.append(message)

    asyncio.run(Ahead(app)({"type": "http", "method": method, "path": path, "headers": []}, None, send))
    body = b"".join(m.get("body", b"") for m in sent[1:])
    return dict(sent[0]["headers"]), body, page


def test_the_links_name_files_that_are_there_and_all_that_those_need():
    named = re.findall(r'href="\./(static/js/[^"]+)"', links())
    assert named == list(dict.fromkeys(named))
    assert any("BidiComponent" in name for name in named)
    needed = {Path(p).name for p in named} | {p.name for p in STATIC.rglob("index.*.js")}
    page = (STATIC / "index.html").read_text(encoding="utf-8")
    for name in named:
        text = (STATIC / name).read_text(encoding="utf-8")
        for more in re.findall(r"""from["`']\./([\w.-]+\.js)["`']""", text):
            assert more in needed or more in page, (name, more)


def test_the_page_gets_them_and_its_length_fits():
    head, body, page = asked("/")
    assert links().encode() + b"</head>" in body
    assert int(head[b"content-length"]) == len(body) == len(page) + len(links())


def test_nothing_else_is_changed():
    for path, status, method in (("/", 304, "GET"), ("/static/index.html", 200, "GET"), ("/", 200, "HEAD")):
        head, body, page = asked(path, status, method)
        assert body == page
        assert int(head[b"content-length"]) == len(page)
