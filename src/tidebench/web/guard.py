"""Who may ask, and what every answer carries: sessions, tries, hosts, forged requests, a strict content policy."""

from __future__ import annotations

import logging
import secrets
import time
from collections import deque
from collections.abc import Awaitable, Callable
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders, QueryParams
from starlette.requests import cookie_parser
from starlette.responses import JSONResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from tidebench.web.options import Serving, is_loopback
from tidebench.web.uploads import too_large

log = logging.getLogger("tidebench.web")

COOKIE = "tidebench_session"
PAGE_HEADER = "x-tidebench"
"""Sent by the page with every request that changes something; another site can't send it."""
OPEN = ("/api/session", "/api/about", "/api/quantities")
"""What may be asked without a session, so that one can begin; the catalogue is for learners too, and no secret."""
CLASS = "/api/class"
"""Learners come by a link that is drawn by chance, and need no password."""
LOGS = "/api/uploads/logs"
PICTURES = "/api/uploads/pictures"
UPLOADS = ("/api/uploads", LOGS, PICTURES)
UNSAFE = {"POST", "PUT", "PATCH", "DELETE"}
MOST_ADDRESSES = 10_000

POLICY = "; ".join((
    "default-src 'none'", "script-src 'self'", "style-src 'self'", "font-src 'self'", "img-src 'self' data: blob:",
    "connect-src 'self'", "form-action 'self'", "base-uri 'none'", "frame-ancestors 'none'",
))  # fmt: skip
HEADERS = {
    "content-security-policy": POLICY,
    "x-content-type-options": "nosniff",
    "referrer-policy": "no-referrer",
    "cross-origin-opener-policy": "same-origin",
    "cross-origin-resource-policy": "same-origin",
    "permissions-policy": "camera=(), microphone=(), geolocation=()",
}


class Tries:
    """Wrong passwords by address, within a window of time."""

    def __init__(self, most: int, window_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._most, self._window_s, self._clock = most, window_s, clock
        self._wrong: dict[str, deque[float]] = {}

    def wait_s(self, address: str) -> float:
        """How long an address has to wait before its next try; 0 where it needn't."""
        wrong = self._recent(address)
        return 0.0 if len(wrong) < self._most else wrong[0] + self._window_s - self._clock()

    def wrong(self, address: str) -> None:
        """Count a wrong password."""
        if len(self._wrong) >= MOST_ADDRESSES and address not in self._wrong:
            self._wrong.pop(next(iter(self._wrong)))
        self._recent(address).append(self._clock())

    def _recent(self, address: str) -> deque[float]:
        kept = self._wrong.setdefault(address, deque())
        while kept and kept[0] <= self._clock() - self._window_s:
            kept.popleft()
        return kept


class Sessions:
    """Sessions that are open, each by a token that nobody can guess."""

    def __init__(self, lasts_s: float, clock: Callable[[], float] = time.monotonic) -> None:
        self._lasts_s, self._clock = lasts_s, clock
        self._until: dict[str, float] = {}

    def begin(self) -> str:
        """A new session's token."""
        now = self._clock()
        self._until = {token: until for token, until in self._until.items() if until > now}
        token = secrets.token_urlsafe(32)
        self._until[token] = now + self._lasts_s
        return token

    def holds(self, token: str) -> bool:
        """True for a session that is open, which goes on from now."""
        now = self._clock()
        if self._until.get(token, 0.0) <= now:
            return False
        self._until[token] = now + self._lasts_s
        return True

    def end(self, token: str) -> None:
        """Close a session."""
        self._until.pop(token, None)


def admits(serving: Serving, sessions: Sessions, headers: Headers) -> bool:
    """True for who need not say the password, or has said it in a session that is open, which goes on from now."""
    if not serving.password_hash:
        return True
    return sessions.holds(cookie_parser(headers.get("cookie", "")).get(COOKIE, ""))


class Guard:
    """Stands before the application: refuses what it shouldn't see, and adds what every answer carries."""

    def __init__(self, app: ASGIApp, serving: Serving, sessions: Sessions) -> None:
        self.app, self.serving, self.sessions = app, serving, sessions

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Answer or pass on one request."""
        if scope["type"] not in ("http", "websocket"):
            await self.app(scope, receive, send)
            return
        headers, begun = Headers(scope=scope), time.perf_counter()
        refused = self._refused(scope, headers)
        if refused is None:
            await self.app(scope, self._counted(scope, receive), self._sender(scope, send, begun))
        elif scope["type"] == "websocket":
            await send({"type": "websocket.close", "code": 4403, "reason": refused[1]})
        else:
            answer = JSONResponse({"problem": refused[1]}, refused[0])
            await answer(scope, receive, self._sender(scope, send, begun))

    def _refused(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        host = urlsplit(f"//{headers.get('host', '')}").hostname or ""
        if is_loopback(self.serving.host) and not is_loopback(host) and host != "testserver":
            return 400, "This workbench answers on this machine only."
        if scope["path"].startswith("/api/") and (refused := self._stranger(scope, headers)):
            return refused
        changes = scope["type"] == "websocket" or scope["method"] in UNSAFE
        return self._forged(scope, headers) if changes else None

    def _stranger(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        path = scope["path"]
        if (
            path in OPEN
            or path == CLASS
            or path.startswith(f"{CLASS}/")
            or admits(self.serving, self.sessions, headers)
        ):
            return None
        return 401, "Say the password first."

    def _forged(self, scope: Scope, headers: Headers) -> tuple[int, str] | None:
        """Requests that another site's page makes: it has another origin, and can't send the page's header."""
        origin = headers.get("origin")
        if origin is not None and urlsplit(origin).netloc != headers.get("host"):
            return 403, "The request comes from another site."
        if headers.get("sec-fetch-site") not in (None, "same-origin", "none"):
            return 403, "The request comes from another site."
        if scope["type"] == "http" and headers.get(PAGE_HEADER) != "page":
            return 403, f"The request lacks the header {PAGE_HEADER}: page."
        if "content-encoding" in headers:
            return 415, "Compressed requests are not taken."
        said, limits = headers.get("content-length", "0"), self.serving.limits
        file = scope["path"] in UPLOADS
        if not (said.isdecimal() and int(said) <= (limits.upload_bytes if file else limits.body_bytes)):
            name = QueryParams(scope["query_string"]).get("name", "")
            return 413, str(too_large(name, limits)) if file else "The request is larger than it may be."
        return None

    def _counted(self, scope: Scope, receive: Receive) -> Receive:
        """Cut a body off that is larger than it may be; a route that takes files counts for itself."""
        if scope["type"] != "http" or scope["path"] in UPLOADS:
            return receive
        seen, most = 0, self.serving.limits.body_bytes

        async def counted() -> Message:
            nonlocal seen
            message = await receive()
            seen += len(message.get("body", b""))
            if seen > most:
                return {"type": "http.disconnect"}
            return message

        return counted

    def _sender(self, scope: Scope, send: Send, begun: float) -> Callable[[Message], Awaitable[None]]:
        async def carried(message: Message) -> None:
            if message["type"] == "http.response.start":
                told = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    told[name] = value
                if scope["path"].startswith("/api/") and "cache-control" not in told:
                    told["cache-control"] = "no-store"
                route = getattr(scope.get("route"), "path", "page" if message["status"] < 400 else "-")
                spent = 1000 * (time.perf_counter() - begun)
                log.info("%s %s %d %.0f ms", scope["method"], route, message["status"], spent)
            await send(message)

        return carried
