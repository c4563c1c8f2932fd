"""Signing in and out."""

from __future__ import annotations

from typing import TYPE_CHECKING

from starlette.concurrency import run_in_threadpool
from starlette.responses import RedirectResponse

from healthtrack.web.accounts import LONGEST
from healthtrack.web.guard import COOKIE
from healthtrack.web.site import form_of, site_of, text_of, visitor_of

if TYPE_CHECKING:
    from starlette.requests import Request
    from starlette.responses import Response

    from healthtrack.web.site import Site


def form(request: Request) -> Response:
    """Show the form for signing in."""
    site = site_of(request)
    if not site.gate.settings.needs_login or visitor_of(request):
        return RedirectResponse("/", 303)
    return _form(site, request, "", 200)


def _form(site: Site, request: Request, words: str, code: int) -> Response:
    token = site.gate.tokens.token(request.state.cookie)
    return site.page(request, "sign_in.html", {"words": words, "token": token}, code)


async def sign_in(request: Request) -> Response:
    """Check name and password; every login gets a cookie of its own."""
    site = site_of(request)
    given = await form_of(request)
    address = request.client.host if request.client else ""
    if not site.gate.attempts.lets(address, site.clock()):
        words = "Too many attempts. Wait five minutes."
        return _form(site, request, words, 429)
    password = given.get("password")
    account = await run_in_threadpool(
        site.doorkeeper.account,
        text_of(given, "name", 40),
        password[:LONGEST] if isinstance(password, str) else "",
    )
    if account is None:
        return _form(site, request, "Name and password do not belong together.", 403)
    site.gate.attempts.forget(address)
    place = site.gate.place(request)
    cookie = site.gate.sessions.open(account.name, account.role, place, site.clock())
    answer = RedirectResponse("/", 303)
    settings = site.gate.settings
    answer.set_cookie(
        COOKIE,
        cookie,
        httponly=True,
        samesite="strict",
        secure=bool(settings.certificate or settings.name),
    )
    return answer


async def sign_out(request: Request) -> Response:
    """End the session."""
    await form_of(request)
    site_of(request).gate.sessions.close(request.state.cookie)
    answer = RedirectResponse("/sign-in", 303)
    answer.delete_cookie(COOKIE)
    return answer
