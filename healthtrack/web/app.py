"""The application: which address shows what."""

from __future__ import annotations

import asyncio
from typing import TYPE_CHECKING

from starlette.applications import Starlette
from starlette.exceptions import HTTPException
from starlette.responses import FileResponse, JSONResponse, PlainTextResponse
from starlette.routing import Route

from healthtrack.errors import HealthtrackError
from healthtrack.report.style import TYPEFACE
from healthtrack.web import board, logs, maps, pulls, recipes, signing, tune, vehicle
from healthtrack.web.accounts import Doorkeeper, calendar_token
from healthtrack.web.desk import Desk
from healthtrack.web.glance import Window
from healthtrack.web.guard import Gate, Guard
from healthtrack.web.site import HERE, Site, site_of

if TYPE_CHECKING:
    from collections.abc import Callable
    from datetime import datetime

    from starlette.requests import Request
    from starlette.responses import Response

    from healthtrack.jobs.workspace import Workspace
    from healthtrack.service.state import Status

UPLOADS_AT_ONCE = 4

STATIC = {
    **{path.name: path for path in sorted((HERE / "static").iterdir()) if path.is_file()},
    "htmx.min.js": HERE / "vendor" / "htmx.min.js",
    "uplot.min.js": HERE / "vendor" / "uPlot.iife.min.js",
    "uplot.min.css": HERE / "vendor" / "uPlot.min.css",
    "regular.ttf": TYPEFACE / "GaugeSans-Regular.ttf",
    "semibold.ttf": TYPEFACE / "GaugeSans-Semibold.ttf",
}
"""Every file that may be asked for by name; there is no other way to a file."""
KINDS = {
    ".js": "text/javascript",
    ".css": "text/css",
    ".ttf": "font/ttf",
    ".svg": "image/svg+xml",
}


def static(request: Request) -> Response:
    """Give a file of ours."""
    path = STATIC.get(str(request.path_params["name"]))
    if path is None or path.suffix not in KINDS:
        raise HTTPException(404, "There is no such file.")
    return FileResponse(path, media_type=KINDS[path.suffix])


def not_found(request: Request, error: Exception) -> Response:
    """Say what went wrong, as a page of ours."""
    assert isinstance(error, HTTPException)
    site = site_of(request)
    if "application/json" in request.headers.get("accept", ""):
        return JSONResponse({"words": error.detail}, error.status_code)
    if not hasattr(request.state, "visitor"):
        return PlainTextResponse(error.detail, error.status_code)
    return site.page(request, "error.html", {"words": error.detail}, error.status_code)


def not_now(request: Request, error: Exception) -> Response:
    """Say what a person must mend, as a page of ours: a held store, a file that is gone."""
    return not_found(request, HTTPException(503, str(error)))


ROUTES = (
    Route("/", board.board),
    Route("/vehicle/{vehicle}/acknowledge", board.acknowledge, methods=["POST"]),
    Route("/calendar/{token}.ics", board.calendar_feed),
    Route("/vehicle/{vehicle}", vehicle.page),
    Route("/vehicle/{vehicle}/courses.json", vehicle.courses),
    Route("/vehicle/{vehicle}/figure/{indicator}.svg", vehicle.figure),
    Route("/vehicle/{vehicle}/drive/{drive:path}", vehicle.drive),
    Route("/vehicle/{vehicle}/work", vehicle.add_work, methods=["POST"]),
    Route("/vehicle/{vehicle}/report", vehicle.make_report, methods=["POST"]),
    Route("/vehicle/{vehicle}/report/{name}", vehicle.report),
    Route("/vehicle/{vehicle}/pulls", pulls.listing),
    Route("/vehicle/{vehicle}/pull/{drive:path}", pulls.pull),
    Route("/logs", logs.page, methods=["GET"]),
    Route("/logs", logs.bring, methods=["POST"]),
    Route("/logs/progress/{batch}", logs.progress),
    Route("/logs/{sha256}", logs.log),
    Route("/logs/{sha256}/recipe", recipes.page, methods=["GET"]),
    Route("/logs/{sha256}/recipe", recipes.change, methods=["POST"]),
    Route("/map", maps.page, methods=["GET"]),
    Route("/map/trace", maps.trace, methods=["POST"]),
    Route("/map", maps.save, methods=["POST"]),
    Route("/tune", tune.page, methods=["GET"]),
    Route("/tune", tune.apply, methods=["POST"]),
    Route("/sign-in", signing.form, methods=["GET"]),
    Route("/sign-in", signing.sign_in, methods=["POST"]),
    Route("/sign-out", signing.sign_out, methods=["POST"]),
    Route("/static/{name}", static),
)


def build_site(
    workspace: Callable[[], Workspace],
    clock: Callable[[], datetime],
    status: Callable[[], Status | None],
    look_soon: Callable[[], None],
) -> Site:
    """Put together what the pages need; nothing is started."""
    now = workspace()
    window = Window()
    return Site(
        workspace,
        clock,
        status,
        look_soon,
        Gate(now.settings.page, clock),
        Doorkeeper(now.root),
        window,
        Desk(workspace, window, clock),
        calendar_token(now.root),
    )


def build_app(site: Site) -> Guard:
    """Return the application with the guard before it."""
    app = Starlette(
        routes=list(ROUTES),
        exception_handlers={HTTPException: not_found, HealthtrackError: not_now},
    )
    app.state.site = site
    app.state.batches = logs.Batches()
    app.state.uploads = asyncio.Semaphore(UPLOADS_AT_ONCE)
    return Guard(app, site.gate)
