"""The web application around the page: Streamlit with a guard before it and routes of its own.

Routes besides Streamlit's: ``/take`` (a plain form that takes photos without the page's
web socket), ``/photo/...`` (photos of a ticket for looking at).  The guard lets nothing
through before the passcode is given, the web socket and media files included.
"""

from __future__ import annotations

import logging
import sys
from pathlib import Path
from typing import Any

from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import Request
from starlette.responses import PlainTextResponse, Response
from starlette.routing import Route

from gapvision.errors import GapvisionError
from gapvision.model import Settings
from gapvision.page import service, take_form, viewer
from gapvision.page.ahead import Ahead, links
from gapvision.page.books import stored_path
from gapvision.page.drawings import file_drawing
from gapvision.page.guard import Guard
from gapvision.page.inbox import Inbox
from gapvision.page.light import Light
from gapvision.samples import find_sample, list_samples

ENTRY = Path(__file__).parent / "entry.py"

#: Streamlit's options; .streamlit/config.toml says the same for ``streamlit run app.py``.
CONFIG: dict[str, Any] = {
    "browser.gatherUsageStats": False,
    "server.headless": True,
    "server.maxUploadSize": 60,
    "server.enableXsrfProtection": True,
    "server.enableCORS": True,
    "server.disconnectedSessionTTL": 3600,
    "server.fileWatcherType": "none",
    # A browser forgets what was not shown for so many runs; Streamlit's 2 froze the page, once, under quick changes: what
    # a run refers to was forgotten on its way (its own tracker has the fault as known).
    "global.maxCachedMessageAge": 50,
    "client.showErrorDetails": "none",
    "client.toolbarMode": "minimal",
    "client.allowedOrigins": [],
    "logger.hideWelcomeMessage": True,
    "theme.baseFontSize": 18,
    "theme.light.primaryColor": "#0b5c93",
    "theme.dark.primaryColor": "#6cb6ee",
}


def parts(guard: Guard | None = None) -> dict[str, Any]:
    """Middleware and routes for ``streamlit.App``; without a guard only this machine may come in."""
    return {
        "middleware": [Middleware(_guarded, guard=guard or Guard()), Middleware(Ahead), Middleware(Light)],
        "routes": [
            Route("/take", take_form.show, methods=["GET"]),
            Route("/take", take_form.accept, methods=["POST"]),
            Route("/photo/{ticket}/{sha256}/{size}.jpg", _photo, methods=["GET"]),
        ],
    }


def run_page(*, address: str, port: int, guard: Guard) -> None:
    """Serve until stopped."""
    import streamlit as st

    Inbox().sweep()
    _warm_up()
    app = st.App(str(ENTRY), **parts(guard))
    logging.getLogger("uvicorn.error").addFilter(_is_fault)
    sys.argv = sys.argv[:1]  # our own options are none of Streamlit's business
    app.run(config={**CONFIG, "server.address": address, "server.port": port, "browser.serverAddress": address})


def _is_fault(record: logging.LogRecord) -> bool:
    """Ctrl-C pressed twice cancels what waits for the server's end, which is told as an error with a traceback."""
    return "asyncio.exceptions.CancelledError" not in record.getMessage()


def _warm_up() -> None:
    """Load the libraries and measure the first sample before anyone waits for it."""
    from gapvision.page import main

    del main  # imported for what it loads
    links()
    try:
        sample = list_samples()[0]
        service.measure([(sample.path, f"sample: {sample.title}", sample.sha256)], Settings(print_scale_checked=True))
        service.picture(sample.path, sample.sha256, viewer.PREVIEW_PX)
    except GapvisionError:
        return  # the page itself says what is wrong


def _guarded(app: Any, guard: Guard) -> Any:
    """ASGI middleware: asks the guard first."""

    async def run(scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] in ("http", "websocket"):
            await guard.pass_or_stop(app, scope, receive, send)
        else:
            await app(scope, receive, send)

    return run


async def _photo(request: Request) -> Response:
    """A photo of a ticket, a sample or the records, upright, without its metadata."""
    place, sha256, size = (request.path_params[k] for k in ("ticket", "sha256", "size"))
    longest = {"preview": viewer.PREVIEW_PX, "full": viewer.FULL_PX, "thumb": 360}.get(size)
    path = None if longest is None else await run_in_threadpool(_path, place, sha256)
    if path is None or longest is None:
        return PlainTextResponse("There is no such photo.", status_code=404)
    try:
        data = await run_in_threadpool(service.picture, path, sha256, longest)
    except GapvisionError as error:
        if size == "thumb":  # what is no photo still has its place in the row
            return Response(file_drawing(), media_type="image/svg+xml")
        return PlainTextResponse(str(error), status_code=415)
    return Response(data, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=86400"})


def _path(place: str, sha256: str) -> Path | None:
    """Where a photo lies on the disk."""
    if place == "record":
        return stored_path(sha256)
    found = find_sample(sha256) if place == "sample" else None
    if Inbox.is_ticket(place):
        return Inbox().to_look_at(place, sha256)
    return getattr(found, "path", None)
