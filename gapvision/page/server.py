"""The web application around the page: Streamlit with a guard before it and routes of its own.

Routes besides Streamlit's: ``/take`` (a plain form that takes photos without the page's
web socket), ``/photo/...`` (photos of a ticket for looking at).  The guard lets nothing
through before the passcode is given, the web socket and media files included.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

from gapvision.page.guard import Guard
from gapvision.page.inbox import Inbox

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

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
    "client.showErrorDetails": "none",
    "client.toolbarMode": "minimal",
    "logger.hideWelcomeMessage": True,
    "theme.baseFontSize": 18,
    "theme.light.primaryColor": "#0b5c93",
    "theme.dark.primaryColor": "#6cb6ee",
}


def parts(guard: Guard | None = None) -> dict[str, Any]:
    """Middleware and routes for ``streamlit.App``.

    Parameters
    ----------
    guard : Guard, optional
        Who may come in; this machine only when left out.
    """
    from starlette.middleware import Middleware
    from starlette.routing import Route

    from gapvision.page import take_form

    return {
        "middleware": [Middleware(_Guarded, guard=guard or Guard())],
        "routes": [
            Route("/take", take_form.show, methods=["GET"]),
            Route("/take", take_form.accept, methods=["POST"]),
            Route("/photo/{ticket}/{sha256}/{size}.jpg", _photo, methods=["GET"]),
        ],
    }


def run_page(*, address: str, port: int, guard: Guard) -> None:
    """Serve until stopped."""
    import sys

    import streamlit as st

    Inbox().sweep()
    _warm_up()
    app = st.App(str(ENTRY), **parts(guard))
    sys.argv = sys.argv[:1]  # our own options are none of Streamlit's business
    app.run(config={**CONFIG, "server.address": address, "server.port": port, "browser.serverAddress": address})


def _warm_up() -> None:
    """Load the libraries and measure the first sample before anyone waits for it."""
    from gapvision.errors import GapvisionError
    from gapvision.model import Settings
    from gapvision.page import main, service, viewer
    from gapvision.samples import list_samples

    del main  # imported for what it loads
    try:
        sample = list_samples()[0]
        service.measure(sample.path, f"sample: {sample.title}", sample.sha256, Settings(print_scale_checked=True))
        service.picture(sample.path, sample.sha256, viewer.PREVIEW_PX)
    except GapvisionError:
        return  # the page itself says what is wrong


class _Guarded:
    """ASGI middleware: asks the guard first."""

    def __init__(self, app: Any, guard: Guard) -> None:
        self.app, self.guard = app, guard

    async def __call__(self, scope: Any, receive: Any, send: Any) -> None:
        if scope["type"] in ("http", "websocket"):
            await self.guard.pass_or_stop(self.app, scope, receive, send)
        else:
            await self.app(scope, receive, send)


async def _photo(request: Request) -> Response:
    """A photo of a ticket or a sample, upright, without its metadata."""
    from starlette.concurrency import run_in_threadpool
    from starlette.responses import PlainTextResponse, Response

    from gapvision.errors import GapvisionError
    from gapvision.page import service, viewer
    from gapvision.page.drawings import file_drawing
    from gapvision.samples import find_sample

    ticket, sha256, size = (request.path_params[k] for k in ("ticket", "sha256", "size"))
    longest = {"preview": viewer.PREVIEW_PX, "full": viewer.FULL_PX, "thumb": 360}.get(size)
    path = None
    if longest is not None and ticket == "sample":
        sample = await run_in_threadpool(find_sample, sha256)
        path = sample.path if sample else None
    elif longest is not None and Inbox.is_ticket(ticket):
        photo = await run_in_threadpool(Inbox().find, ticket, sha256)
        path = photo.path if photo else None
    elif longest is not None and ticket == "record":
        from gapvision.page.books import stored_path

        path = await run_in_threadpool(stored_path, sha256)
    if path is None or longest is None:
        return PlainTextResponse("There is no such photo.", status_code=404)
    try:
        data = await run_in_threadpool(service.picture, path, sha256, longest)
    except GapvisionError as error:
        if size == "thumb":  # what is no photo still has its place in the row
            return Response(file_drawing(), media_type="image/svg+xml")
        return PlainTextResponse(str(error), status_code=415)
    return Response(data, media_type="image/jpeg", headers={"Cache-Control": "private, max-age=86400"})
