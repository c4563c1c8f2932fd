"""What stands before every page: who may come in, how much they may send, what browsers may do."""

from __future__ import annotations

import asyncio
import secrets
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.exceptions import HTTPException
from starlette.requests import Request
from starlette.responses import PlainTextResponse, RedirectResponse

from healthtrack.config_service import LOOPBACK
from healthtrack.web.sessions import Brake, Sessions, Tokens, place_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from starlette.responses import Response
    from starlette.types import ASGIApp, Message, Receive, Scope, Send

    from healthtrack.config_service import PageSettings
    from healthtrack.web.accounts import Role

POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' blob:; "
    "font-src 'self'; connect-src 'self'; form-action 'self'; base-uri 'none'; "
    "frame-ancestors 'none'"
)
HEADERS = {
    "Content-Security-Policy": POLICY,
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
}
COOKIE = "healthtrack"
FORM_MB = 2
"""Largest request that is no upload of logs. [MB]"""
SILENCE_S = 20.0
"""How long a sender may send nothing."""
SLOWEST = 20_000
"""Bytes a second that an upload must keep up on the whole, after its first half minute."""
GRACE_S = 30.0
OPEN_PATHS = ("/static/", "/calendar/", "/sign-in")
CHANGING = frozenset({"POST", "PUT", "PATCH", "DELETE"})
UPLOADS = frozenset({"/logs"})


@dataclass(frozen=True, slots=True)
class Visitor:
    """Who asks: their name, what they may do, and the token for their forms."""

    name: str
    role: Role
    token: str

    @property
    def may_change(self) -> bool:
        """Whether they may change anything."""
        return self.role == "full"


class Gate:
    """Decides on every request; see the module's words."""

    def __init__(self, settings: PageSettings, clock: Callable[[], datetime]) -> None:
        self.settings, self.clock = settings, clock
        self.sessions = Sessions(timedelta(hours=settings.session_hours))
        self.tokens = Tokens()
        self.attempts = Brake(5, timedelta(minutes=5))

    def hosts(self) -> frozenset[str] | None:
        """Return the names by which the page may be asked for; None for any.

        Where no login stands before it, another page's name that is made to point at this machine
        must not get in.
        """
        if self.settings.address not in LOOPBACK:
            return None
        return LOOPBACK | ({self.settings.name.lower()} if self.settings.name else set())

    def place(self, request: Request) -> str:
        """Return where a request comes from."""
        address = request.client.host if request.client else ""
        return place_of(address, request.headers.get("user-agent", ""))

    def visitor(self, request: Request) -> tuple[Visitor | None, str]:
        """Return who asks, and the cookie that they are to have."""
        cookie = request.cookies.get(COOKIE, "")
        if self.settings.needs_login:
            session = self.sessions.find(cookie, self.place(request), self.clock())
            if session is not None:
                return Visitor(session.name, session.role, self.tokens.token(cookie)), cookie
            cookie = cookie or secrets.token_urlsafe(32)
            return None, cookie
        if not 20 <= len(cookie) <= 100:
            cookie = secrets.token_urlsafe(32)
        return Visitor("", "full", self.tokens.token(cookie)), cookie

    def refusal(self, request: Request, visitor: Visitor | None) -> Response | None:
        """Return the answer to a request that may not go on."""
        path = request.url.path
        hosts = self.hosts()
        if hosts is not None and (request.url.hostname or "").lower() not in hosts:
            return PlainTextResponse("this page has another name", 421)
        if request.method in CHANGING and not same_origin(request.headers):
            return PlainTextResponse("this form came from another page", 403)
        return None if path.startswith(OPEN_PATHS) else _not_allowed(request, visitor)


def _not_allowed(request: Request, visitor: Visitor | None) -> Response | None:
    if visitor is None:
        if request.method in CHANGING:
            return PlainTextResponse("sign in first", 401)
        return RedirectResponse("/sign-in", 303)
    if request.method in CHANGING and not visitor.may_change and request.url.path != "/sign-out":
        return PlainTextResponse("this account may look and change nothing", 403)
    return None


def same_origin(headers: Headers) -> bool:
    """Whether a request was made by our own page, as far as its headers tell."""
    origin = headers.get("origin")
    if origin is not None:
        return urlsplit(origin).netloc.lower() == headers.get("host", "").lower()
    return headers.get("sec-fetch-site", "same-origin") in {"same-origin", "none"}


class Guard:
    """The gate as a layer around the application."""

    def __init__(self, app: ASGIApp, gate: Gate) -> None:
        self._app, self._gate = app, gate

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """Let a request through, or answer it here."""
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        request = Request(scope)
        visitor, cookie = self._gate.visitor(request)
        scope["state"] = {**scope.get("state", {}), "visitor": visitor, "cookie": cookie}
        new = request.cookies.get(COOKIE, "") != cookie
        told = self._with_headers(scope, send, cookie if new else None)
        answer = self._gate.refusal(request, visitor)
        if answer is not None:
            await answer(scope, receive, told)
            return
        await self._bounded(scope, receive, told, request)

    async def _bounded(self, scope: Scope, receive: Receive, send: Send, request: Request) -> None:
        """Run the application on a body of bounded size and duration."""
        upload = request.url.path in UPLOADS
        most = (self._gate.settings.upload_mb if upload else FORM_MB) * 1_000_000
        declared = request.headers.get("content-length", "0")
        try:
            _refuse_over(int(declared) if declared.isdecimal() else 0, most)
        except TooMuchError as refused:
            headers = {"Connection": "close"}
            answer = PlainTextResponse(refused.detail, refused.status_code, headers)
            await answer(scope, receive, send)
            return
        await self._app(scope, _metered(receive, most), send)

    def _with_headers(self, scope: Scope, send: Send, cookie: str | None) -> Send:
        settings = self._gate.settings
        secure = "; Secure" if settings.certificate or settings.name else ""
        static = scope["path"].startswith("/static/")

        async def told(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(scope=message)
                for name, value in HEADERS.items():
                    headers[name] = value
                headers.setdefault("Cache-Control", "no-cache" if static else "no-store")
                if cookie is not None and not static and "set-cookie" not in headers:
                    rules = f"Path=/; HttpOnly; SameSite=Strict{secure}"
                    headers.append("Set-Cookie", f"{COOKIE}={cookie}; {rules}")
            await send(message)

        return told


class TooMuchError(HTTPException):
    """A body that is too large or too slow."""


def _refuse_over(size: int, most: int) -> None:
    if size > most:
        raise TooMuchError(413, f"this is more than {most // 1_000_000} MB")


def _metered(receive: Receive, most: int) -> Receive:
    """Return a receiver that breaks off what is too large or too slow."""
    loop = asyncio.get_running_loop()
    began, taken, done = loop.time(), 0, False

    async def metered() -> Message:
        nonlocal taken, done
        if done:  # what is left to wait for is that the browser goes away
            return await receive()
        try:
            message = await asyncio.wait_for(receive(), SILENCE_S)
        except TimeoutError:
            raise TooMuchError(408, f"nothing came for {SILENCE_S:.0f} s") from None
        if message["type"] == "http.request":
            taken += len(message.get("body", b""))
            done = not message.get("more_body", False)
            _refuse_over(taken, most)
            if not done and loop.time() - began > GRACE_S + taken / SLOWEST:
                raise TooMuchError(408, "this came too slowly")
        return message

    return metered
