"""The page's own programs, squeezed once and sent so to every browser: a workshop's line is slow.

Streamlit leaves its bundles as they are, because squeezing them anew for each visit costs more than it saves.  Here each
is squeezed once for as long as the server runs.  Browsers keep them: their names tell their content.
"""

from __future__ import annotations

import gzip
from collections.abc import Awaitable, Callable
from functools import partial
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.datastructures import Headers, MutableHeaders

_SQUEEZED = (".js", ".css", ".svg", ".json", ".wasm")
#: Bytes below which nothing is won.
_LEAST = 600


async def send_whole(
    app: Any, scope: Any, receive: Any, send: Any, change: Callable[[dict[str, Any], bytes], Awaitable[bytes]]
) -> None:
    """Serve a request with another body: ``change`` gets the answer's start and whole body, and tells the head, too."""
    start: dict[str, Any] = {}
    body = bytearray()

    async def gather(message: Any) -> None:
        if message["type"] == "http.response.start":
            start.update(message)
            return
        body.extend(message.get("body", b""))
        if not message.get("more_body", False):
            sent = await change(start, bytes(body))
            await send(start)
            await send({"type": "http.response.body", "body": sent})

    await app(scope, receive, gather)


class Light:
    """ASGI middleware for ``/static/...``: sends text squeezed to who takes it so."""

    def __init__(self, app: Any) -> None:
        self._app = app
        self._kept: dict[tuple[str, str], bytes] = {}

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        """Serve one request."""
        path = scope.get("path", "") if scope["type"] == "http" and scope["method"] == "GET" else ""
        takes = "gzip" in Headers(scope=scope).get("accept-encoding", "") if path else False
        if not (takes and path.startswith("/static/") and path.endswith(_SQUEEZED)):
            await self._app(scope, receive, send)
            return
        await send_whole(self._app, scope, receive, send, partial(self._sent, path))

    async def _sent(self, path: str, start: dict[str, Any], body: bytes) -> bytes:
        """The body to send, its head told so."""
        head = MutableHeaders(raw=start["headers"])
        if start["status"] != 200 or len(body) < _LEAST or "content-encoding" in head:
            return body
        key = (path, head.get("etag", head.get("last-modified", "")))
        if key not in self._kept:
            self._kept[key] = await run_in_threadpool(gzip.compress, body, 9)
        head["content-encoding"], head["content-length"] = "gzip", str(len(self._kept[key]))
        head.add_vary_header("accept-encoding")
        start["headers"] = head.raw
        return self._kept[key]
