"""Who may use the page: this machine only, or the workshop's network with a passcode.

The guard stands before the whole application (pages, scripts, uploads, media files,
the web socket).  The passcode is compared in constant time, tries are limited for each
address and for all together, and what lets a browser in later is a random word in a
cookie that scripts cannot read, valid until the server stops.
"""

from __future__ import annotations

import hashlib
import hmac
import html
import re
import secrets
import threading
import time
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any
from urllib.parse import parse_qs, quote, urlsplit

from starlette.datastructures import MutableHeaders
from starlette.requests import HTTPConnection, Request
from starlette.responses import HTMLResponse, PlainTextResponse, Response
from starlette.websockets import WebSocketClose

COOKIE = "gapvision_pass"
_LETTERS = "abcdefghjkmnpqrstuvwxyz23456789"  # none that look alike
_TRIES = 5
_WAIT_S = 30.0
_TRIES_ALL = 60
_WINDOW_S = 600.0
_MOST_BODY = 4096
_WAIT = "Too many wrong tries. Wait {:.0f} seconds."
_PLACE = re.compile(r"/(?:take)?(?:\?(?:view=[A-Za-z]{1,12}&)?ticket=[a-z0-9]{20}(?:&view=[A-Za-z]{1,12})?)?\Z")
_LOCAL_HOSTS = ("localhost", "127.0.0.1", "[::1]")


def make_passcode() -> str:
    """A passcode to read aloud: eight letters and digits (about 40 bits)."""
    word = "".join(secrets.choice(_LETTERS) for _ in range(8))
    return f"{word[:4]}-{word[4:]}"


def plain(passcode: str) -> str:
    """What counts of a passcode: letters and digits, capitals or not, so that a thumb's typing passes."""
    return "".join(c for c in passcode.casefold() if c.isalnum())


@dataclass
class Guard:
    """Lets requests through or stops them.

    Attributes
    ----------
    passcode : str or None
        None: only requests addressed to this machine itself pass.
    """

    passcode: str | None = None
    _passes: set[str] = field(default_factory=set)
    _failed: dict[str, list[float]] = field(default_factory=dict)
    _lock: threading.Lock = field(default_factory=threading.Lock)

    # --- decisions, without the web -------------------------------------------------

    def try_passcode(self, word: str, address: str, now: float | None = None) -> str | None:
        """Give a pass, the cookie's value, for the right passcode; None when it is wrong or the address has to wait."""
        now = time.monotonic() if now is None else now
        with self._lock:
            if self._waiting(address, now) > 0:
                return None
            given = hashlib.sha256(plain(word).encode()).digest()
            wanted = hashlib.sha256(plain(self.passcode or "").encode()).digest()
            if self.passcode and hmac.compare_digest(given, wanted):
                self._failed.pop(address, None)
                ticket = secrets.token_urlsafe(32)
                self._passes.add(ticket)
                return ticket
            self._failed.setdefault(address, []).append(now)
            return None

    def wait_s(self, address: str, now: float | None = None) -> float:
        """Seconds until this address may try again; 0 when it may now."""
        with self._lock:
            return self._waiting(address, time.monotonic() if now is None else now)

    def _waiting(self, address: str, now: float) -> float:
        lately = {who: [t for t in times if now - t < _WINDOW_S] for who, times in self._failed.items()}
        self._failed = {who: times for who, times in lately.items() if times}
        mine = self._failed.get(address, [])
        wait = 0.0
        if len(mine) >= _TRIES:
            # Twice as long with every further wrong word.
            wait = mine[-1] + _WAIT_S * 2.0 ** min(len(mine) - _TRIES, 10) - now
        everyone = sorted(t for times in self._failed.values() for t in times)
        if len(everyone) >= _TRIES_ALL:
            wait = max(wait, everyone[-_TRIES_ALL] + _WINDOW_S - now)
        return max(0.0, wait)

    def knows(self, word: str) -> bool:
        """Whether a cookie is a pass."""
        with self._lock:
            # No early end: the time must not tell how near a guess was.
            return any([hmac.compare_digest(word.encode(), one.encode()) for one in self._passes])

    # --- the web's side -------------------------------------------------------------

    async def pass_or_stop(self, app: Any, scope: Any, receive: Any, send: Any) -> None:
        """Hand the request on to ``app``, or answer it here."""
        asked, by_socket = HTTPConnection(scope), scope["type"] == "websocket"
        origin, host = asked.headers.get("origin"), asked.headers.get("host", "")
        acts = origin is not None and (by_socket or scope["method"] not in ("GET", "HEAD", "OPTIONS"))
        answer: Any = None
        if acts and urlsplit(origin).netloc != host:
            answer = _refuse(403, "Another site cannot act here.")
        elif self.passcode is None:
            if _host(host) not in _LOCAL_HOSTS:  # a web site that points a name of its own at this machine
                answer = _refuse(421, "This page serves only the machine it runs on.")
        elif not self.knows(asked.cookies.get(COOKIE, "")):
            answer = _refuse(401, "Give the passcode first.") if by_socket else await self._ask(Request(scope, receive))
        if answer is None and acts:
            # The origin is this server itself.  Streamlit would compare it with its own list of addresses and,
            # for one that it does not know, ask a host outside for this machine's address: never let it wonder.
            own = [(k, b"http://localhost" if k.lower() == b"origin" else v) for k, v in scope["headers"]]
            scope = {**scope, "headers": own}
        if answer is not None and by_socket:
            answer = WebSocketClose(1008)
        await (answer or app)(scope, receive, send if by_socket else _unframed(send))

    async def _ask(self, request: Request) -> Response:
        """Ask for the passcode, or look at the one that was given."""
        address = request.client.host if request.client else "unknown"
        if request.method == "POST" and request.scope["path"] == "/enter":
            return await self._enter(request, address, _way_back(request.query_params.get("to", "/")))
        if request.method in ("GET", "HEAD") and "text/html" in request.headers.get("accept", ""):
            wait = self.wait_s(address)
            query = f"?{request.query_params}" if request.query_params else ""
            return _page(401, _WAIT.format(wait) if wait else "", _way_back(request.scope["path"] + query))
        return _refuse(401, "Give the passcode first.")

    async def _enter(self, request: Request, address: str, to: str) -> Response:
        body = b""
        async for part in request.stream():
            body += part
            if len(body) > _MOST_BODY:
                return _page(413, "That is far too long for a passcode.", to)
        wait = self.wait_s(address)
        if wait > 0:
            return _page(429, _WAIT.format(wait), to, {"retry-after": str(int(wait) + 1)})
        ticket = self.try_passcode(parse_qs(body.decode("utf-8", "replace")).get("passcode", [""])[0], address)
        if ticket is None:
            said = "That is not the passcode. It stands on the computer where the page was started."
            return _page(403, said, to)
        cookie = f"{COOKIE}={ticket}; Path=/; HttpOnly; SameSite=Lax; Max-Age=86400"
        if request.headers.get("x-forwarded-proto") == "https":
            cookie += "; Secure"
        return _page(303, "", to, {"location": to, "set-cookie": cookie})


def _unframed(send: Any) -> Any:
    """Tell browsers with every answer that no site may show it in a frame, where clicks could be stolen."""

    async def run(message: Any) -> None:
        if message["type"] == "http.response.start":
            head = MutableHeaders(raw=list(message.get("headers", [])))
            head.setdefault("content-security-policy", "frame-ancestors 'none'")
            head.setdefault("x-frame-options", "DENY")
            head.setdefault("x-content-type-options", "nosniff")
            head.setdefault("referrer-policy", "same-origin")
            message = {**message, "headers": head.raw}
        await send(message)

    return run


def _host(header: str) -> str:
    """Host without its port."""
    return header.split("]")[0] + "]" if header.startswith("[") else header.split(":")[0].lower()


def _refuse(status: int, words: str) -> Response:
    return PlainTextResponse(words, status, {"cache-control": "no-store"})


PLAIN_STYLE = """
:root { color-scheme: light dark; }
body { font: 18px/1.45 system-ui, sans-serif; margin: 0 auto; padding: 24px 16px; max-width: 34rem; background: #fff; color: #1b1f24; }
h1 { font-size: 1.5rem; margin: 0 0 12px; }
label { display: block; font-weight: 600; margin: 16px 0 6px; }
input, button, .button { font: inherit; min-height: 52px; box-sizing: border-box; width: 100%; padding: 10px 14px; border-radius: 8px; }
input { border: 2px solid #5a6570; background: #fff; color: #1b1f24; }
button, .button { display: block; text-align: center; text-decoration: none; margin-top: 16px; border: 0; background: #0b5c93; color: #fff; font-weight: 700; cursor: pointer; }
.button { padding-top: 13px; } .button.second { background: #e8edf1; color: #1b1f24; }
input[type=file] { padding: 8px; } input::file-selector-button { font: inherit; font-weight: 700; min-height: 52px; padding: 0 16px; margin-right: 12px; border: 0; border-radius: 8px; background: #0b5c93; color: #fff; }
[hidden] { display: none !important; }
:focus-visible { outline: 3px solid #b94a00; outline-offset: 2px; }
.said { border-left: 6px solid #b94a00; padding: 8px 12px; background: #fdf1e8; color: #1b1f24; }
li { margin: 10px 0; overflow-wrap: anywhere; } li img.thumb { max-width: 112px; max-height: 84px; width: auto; } li img { display: block; max-width: 280px; width: 100%; border-radius: 6px; margin: 6px 0; } progress { width: 100%; height: 22px; }
@media (prefers-color-scheme: dark) { body { background: #14181d; color: #f0f3f6; } input { background: #20262d; color: #f0f3f6; border-color: #9aa5b0; } .button.second { background: #2b333c; color: #f0f3f6; } button, .button { background: #1f74b3; } }
"""


def _way_back(place: str) -> str:
    """Where to go on after the passcode: the page or the form asked for, with its ticket, so that a phone that comes
    back after the server was started anew finds its photos and notes again; anything else is the page.
    """
    return place if _PLACE.match(place) else "/"


def _page(status: int, said: str, to: str, more: Mapping[str, str] | None = None) -> Response:
    """The form that asks for the passcode, and what is to be said before it."""
    note = f'<p class="said" role="alert">{html.escape(said)}</p>' if said else ""
    allowed = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; form-action 'self'; frame-ancestors 'none'"
    head = {"cache-control": "no-store", "content-security-policy": allowed, "x-content-type-options": "nosniff"}
    text = (
        '<!doctype html><html lang="en"><head><meta charset="utf-8"><meta name="viewport" content="width=device-width, initial-scale=1">'
        f"<title>gapvision: passcode</title><style>{PLAIN_STYLE}</style></head><body><main><h1>gapvision</h1>"
        f"<p>This page belongs to a workshop. Type the passcode that stands on the computer where it was started.</p>{note}"
        '<form method="post" action="/enter?to=' + quote(to, safe="") + '"><label for="passcode">Passcode</label>'
        '<input id="passcode" name="passcode" autocomplete="off" autocapitalize="none" spellcheck="false" required autofocus>'
        "<button>Open</button></form></main></body></html>"
    )
    return HTMLResponse(text, status, {**head, **(more or {})})
