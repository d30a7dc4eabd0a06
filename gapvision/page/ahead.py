"""Links that let a browser fetch Streamlit's parts while the page's script still runs, not one after the other after it.

Streamlit asks for a part (a button, a list, the photo's own component) only once the script has sent one, and the server
then hands out some fifty small files beside running the script: a third of a second until the first plot.
"""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path
from typing import Any

from starlette.datastructures import MutableHeaders

from gapvision.page.light import send_whole

#: What the first screen is made of, by the names of Streamlit's files.
_FIRST = (
    *("BidiComponent", "Html", "Button", "ButtonGroup", "Checkbox", "DownloadButton"),
    *("FileUploader", "Selectbox", "TextArea", "TextInput"),
)
_IMPORTS = re.compile(r"""(?:from|import)["'`]\./([\w.-]+\.js)["'`]""")


class Ahead:
    """ASGI middleware for the page itself: adds the links to its head."""

    def __init__(self, app: Any) -> None:
        self._app = app

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Serve one request."""
        if scope["type"] == "http" and scope["method"] == "GET" and scope["path"] == "/":
            await send_whole(self._app, scope, receive, send, _linked)
        else:
            await self._app(scope, receive, send)


async def _linked(start: dict[str, Any], body: bytes) -> bytes:
    head = MutableHeaders(raw=start["headers"])
    if start["status"] != 200 or "content-encoding" in head:
        return body
    sent = body.replace(b"</head>", links().encode() + b"</head>", 1)
    head["content-length"], start["headers"] = str(len(sent)), head.raw
    return sent


@cache
def links() -> str:
    """The links, for Streamlit as it is installed; a part that it no longer has is left out."""
    import streamlit

    folder = Path(streamlit.__file__).parent / "static" / "static" / "js"
    with_page = {path.name for path in folder.glob("index.*.js")}
    with_page |= {name for first in sorted(with_page) for name in _imports(folder / first)}
    todo = [path.name for part in _FIRST for path in folder.glob(f"{part}.*.js")]
    found: dict[str, None] = {}
    while todo:
        name = todo.pop()
        if name not in found and name not in with_page and (folder / name).is_file():
            found[name] = None
            todo += _imports(folder / name)
    link = '<link rel="modulepreload" fetchpriority="low" crossorigin href="./static/js/{}">'
    return "".join(map(link.format, found))


def _imports(path: Path) -> list[str]:
    return _IMPORTS.findall(path.read_text(encoding="utf-8"))
